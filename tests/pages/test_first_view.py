"""What a browser fetches before a page is seen, by HTTP and packed as it asks."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest

from ballgauge_service.pages import assets, languages
from ballgauge_service.pages.blueprint import PAGES
from ballgauge_service.web.http import packing
from ballgauge_service.web.server.application import create_app

ASKED = {"Accept-Encoding": "gzip, deflate, br, zstd"}
MOST = 60_000
"""Bytes of a first view: the page, its scripts, styles and mark."""


@pytest.fixture(scope="module")
def client() -> Any:
    app = create_app(json_logs=False, warm_up=False)
    packing.register(app)
    return app.test_client()


def files(text: str) -> list[str]:
    return list(dict.fromkeys(re.findall(r'(?:href|src)="(/static/[^"#]+)', text)))


@pytest.mark.parametrize("language", languages.names())
@pytest.mark.parametrize("name", PAGES)
def test_a_first_view_is_small(client: Any, name: str, language: str) -> None:
    address = f"/{name}?lang={language}"
    names = files(client.get(address).text)
    sizes = {each: len(client.get(each, headers=ASKED).data) for each in (address, *names)}
    print(f"{address}: {sum(sizes.values())} bytes in {len(sizes)} answers, the page {sizes[address]}")
    assert sum(sizes.values()) < MOST


def test_a_script_is_sent_without_its_comments_alone(client: Any) -> None:
    """Every other line of its source is there."""
    for name in ("drilling.js", "calls.js", "turning.js"):
        source = (assets.FOLDER / name).read_text(encoding="utf-8").splitlines()
        sent = client.get(f"/static/{name}").text.splitlines()
        gone = [line.strip() for line in source if line not in sent]
        assert gone
        assert all(line.startswith(("//", "/**", "*")) for line in gone)
        assert not any(line.strip().startswith(("//", "/**")) for line in sent)


@pytest.mark.parametrize("name", PAGES)
def test_a_page_is_painted_after_two_round_trips(client: Any, name: str) -> None:
    """The page, then its styles at once: they import none, and no script is waited for."""
    text = client.get(f"/{name}").text
    assert all('type="module"' in tag for tag in re.findall(r"<script[^>]* src=[^>]*>", text))
    styles = re.findall(r'<link rel="stylesheet" href="([^"]+)', text)
    assert styles
    assert not any(re.search(r"@import|url\(\s*[\"']?(?!data:)", client.get(each).text) for each in styles)


@pytest.mark.parametrize("name", PAGES)
def test_a_visit_asks_anew_for_the_page_alone(client: Any, name: str) -> None:
    """RFC 9110, 13.1.2: the page is not sent again while it is the same; its files are kept."""
    first = client.get(f"/{name}", headers=ASKED)
    assert "no-cache" in first.headers["Cache-Control"]
    again = client.get(f"/{name}", headers={**ASKED, "If-None-Match": first.headers["ETag"]})
    assert (again.status_code, again.data) == (304, b"")
    other = client.get(f"/{name}?lang=de", headers={**ASKED, "If-None-Match": first.headers["ETag"]})
    assert other.status_code == 200
    kept = [client.get(each).headers["Cache-Control"] for each in files(client.get(f"/{name}").text)]
    assert all("immutable" in each for each in kept)


@pytest.mark.parametrize("name", PAGES)
def test_a_page_brings_every_word_of_its_scripts(client: Any, name: str) -> None:
    page = client.get(f"/{name}?lang=de").text
    words = json.loads(re.findall(r'id="words">(.*?)</script>', page, re.DOTALL)[0])
    scripts = "".join(client.get(each).text for each in files(page) if each.endswith(".js"))
    said = {json.loads(text) for text in re.findall(r'gettext\(\s*("(?:[^"\\]|\\.)*")', scripts)}
    assert said
    assert [text for text in said if text not in words and text in languages.texts("de")] == []
