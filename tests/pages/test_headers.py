"""Headers, forms and languages of the pages, without a browser."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from ballgauge_schemas import CHECK_REQUEST, KINDS, QuantityField, unit_size
from ballgauge_service.pages import blueprint as pages_blueprint
from ballgauge_service.pages import forms, labels, languages, messages
from ballgauge_service.pages.blueprint import CODE_MAXIMUM, PAGES

HERE = Path(pages_blueprint.root_path)
ADDRESSES = ["/", *(f"/{name}" for name in PAGES)]


class Parsed(HTMLParser):
    """What a page brings with it that a policy must know of."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))


@pytest.fixture
def client(app: Any) -> Any:
    return app.test_client()


@pytest.mark.parametrize("address", [*ADDRESSES, "/static/frame.js", "/static/pages.css", "/static/none.js"])
def test_every_answer_has_the_headers(client: Any, address: str) -> None:
    """OWASP's list of security headers (from memory); nothing inline and nothing foreign is allowed."""
    answer = client.get(address)
    policy = answer.headers["Content-Security-Policy"]
    assert "unsafe" not in policy
    assert "http" not in policy
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Referrer-Policy"] == "no-referrer"
    assert answer.headers["Cross-Origin-Opener-Policy"] == "same-origin"
    assert "camera=(self)" in answer.headers["Permissions-Policy"]


def test_a_code_is_drawn_of_an_address_alone(client: Any) -> None:
    """What is no address of a page's length is refused, whatever it is."""
    drawn = client.post("/code", json={"address": "http://shop.test:8000/drilling#ball.weight=15"})
    assert drawn.content_type == "image/svg+xml"
    assert b"<script" not in drawn.data
    for body in (b"", b"{", b"[]", b"null", b'{"address": 1}', b'{"address": ""}', b"[" * 3000, b"\xff"):
        assert client.post("/code", data=body).status_code == 422, body
    for text in ("x" * (CODE_MAXIMUM + 1), "ä" * CODE_MAXIMUM, "\ud800"):
        assert client.post("/code", json={"address": text}).status_code == 422
    assert client.post("/code", json={"address": "x" * CODE_MAXIMUM}).status_code == 200


@pytest.mark.parametrize("address", ADDRESSES)
def test_pages_bring_nothing_inline_and_nothing_foreign(client: Any, address: str) -> None:
    for tag, attributes in Parsed(client.get(address).text).elements:
        assert not any(name.startswith("on") or name == "style" for name in attributes), (tag, attributes)
        for name in ("src", "href", "action"):
            assert not re.match(r"([a-z]+:|//)", attributes.get(name) or ""), (tag, attributes)
        assert tag != "style"
        if tag == "script":
            assert "src" in attributes or attributes["type"] == "application/json"


def test_paths_do_not_leave_the_folder(client: Any) -> None:
    for path in ("/static/../blueprint.py", "/static/%2e%2e/blueprint.py", "/static//etc/passwd"):
        assert client.get(path).status_code == 404


@pytest.mark.parametrize("language", ["en", "de", "xx", "<script>", "de' onload='", "\x00"])
def test_languages_are_chosen_from_those_there_are(client: Any, language: str) -> None:
    answer = client.get("/", query_string={"lang": language})
    assert answer.headers["Content-Language"] == ("de" if language == "de" else "en")
    assert answer.status_code == 200
    assert "<script>alert" not in answer.text


def test_the_browsers_language_is_used(client: Any) -> None:
    """RFC 9110, 12.5.4."""
    answer = client.get("/", headers={"Accept-Language": "fr;q=0.9, de-AT;q=0.8, en;q=0.1"})
    assert answer.headers["Content-Language"] == "de"


def test_the_form_has_every_field_of_the_schema() -> None:
    """The schema is the form: every field has a label, and its unit and range are the contract's."""
    fields = forms.check_fields()
    assert {field.key for field in fields.values()} <= set(labels.LABELS)
    ball = {f"ball.{name}" for name in CHECK_REQUEST.fields["ball"].schema.fields}
    assert ball <= set(fields)
    for name, field in fields.items():
        if name.startswith("ball.") and isinstance(
            known := CHECK_REQUEST.fields["ball"].schema.fields[name[5:]], QuantityField
        ):
            assert (field.least, field.most) == (known.minimum, known.maximum)
            assert field.unit in (KINDS[known.kind].unit, "")
            assert field.description == known.metadata["description"]


@pytest.mark.parametrize("name", ["check", "drilling"])
def test_every_field_is_on_the_page(client: Any, name: str) -> None:
    found = {attributes.get("name") for _, attributes in Parsed(client.get(f"/{name}").text).elements}
    # What is seen without a drilling is the desk's.
    assert {name for name in forms.check_fields() if not name.startswith("holes_seen.")} <= found


def test_metric_units_are_pints() -> None:
    """The metric sizes against pint's, by way of the contract."""
    kinds = {"lb": "weight", "in": "length", "oz": "imbalance", "µin": "roughness"}
    for unit, kind in kinds.items():
        metric, size = forms.METRIC[unit]
        assert unit_size(kind, metric) == pytest.approx(1 / size, rel=1e-12)
    assert forms.METRIC["oz·in"][1] == pytest.approx(forms.METRIC["oz"][1] * forms.METRIC["in"][1])
    assert forms.METRIC["in³"][1] == pytest.approx((forms.METRIC["in"][1] / 10) ** 3)


def test_the_catalogs_are_complete() -> None:
    """Every text of templates, scripts, labels, schemas and rules is translated; `messages` says how to."""
    for path in languages.FOLDER.glob("*.po"):
        catalog = messages.update(path)
        assert [message.id for message in catalog if message.id and not message.string] == []
        assert messages.written(catalog) == path.read_bytes(), (
            "run python -m ballgauge_service.pages.messages"
        )
        for message in catalog:
            for mark in re.findall(r"\{\w+\}|%\(\w+\)s", str(message.id)):
                assert mark in str(message.string), message.id


def test_every_text_of_the_scripts_is_collected() -> None:
    """Against a plain search of the sources, which the extractor's grammar could fall short of."""
    collected = {message.id for message in messages.collect()}
    for file in (HERE / "static").glob("*.js"):
        source = re.sub(r'"\s*\+\s*"', "", file.read_text(encoding="utf-8"))
        for text in re.findall(r'gettext\(\s*"((?:[^"\\]|\\.)*)"', source):
            assert json.loads(f'"{text}"') in collected, (file.name, text)


def test_a_page_in_the_second_language_has_no_english_left(client: Any) -> None:
    english = {text for text, told in languages.texts("de").items() if len(text) > 25 and text != told}
    for address in ADDRESSES:
        page = client.get(address, query_string={"lang": "de"}).text
        page = re.sub(r'<script type="application/json".*?</script>', "", page, flags=re.DOTALL)
        assert [text for text in english if text in page] == []


def test_files_are_kept_until_one_of_them_changes(client: Any) -> None:
    """A page names its files by their version, and all its modules at once; else they are asked for anew."""
    page = client.get("/check").text
    names = re.findall(r'(?:href|src)="(/static/[^"#]+)', page)
    loaded = {name.rpartition("/")[2] for name in names}
    for name in names:
        answer = client.get(name)
        assert answer.status_code == 200
        assert "immutable" in answer.headers["Cache-Control"]
        if name.endswith(".js"):
            assert set(re.findall(r'from "\./([\w]+\.js)"', answer.text)) <= loaded
    assert client.get("/static/frame.js").headers["Cache-Control"] == "no-cache"
    assert client.get("/static/0123456789ab/frame.js").status_code == 404
