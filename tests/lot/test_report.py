"""The report: one file that needs nothing else, the decision first, nothing of a hostile file obeyed."""

from __future__ import annotations

import io
import json
import re
from html.parser import HTMLParser
from importlib.resources import files
from typing import Any

import pytest

from ballgauge_schemas.lot.request import LOT_REQUEST
from ballgauge_service.lot.evaluate import Lot, evaluate_series
from ballgauge_service.lot.report.page import write_report
from ballgauge_service.lot.request import read_request

from .example_lot import lot_text

HOSTILE = "<img src=x onerror=alert(1)>"


def judged(text: str, name: str = "lot.csv", **options: Any) -> Lot:
    request = read_request(LOT_REQUEST.load({"rules": {"on": "2026-05-01"}, **options}))
    lot = Lot(io.BytesIO(text.encode()), name, request)
    for _ in lot:
        pass
    return lot


@pytest.fixture(scope="module")
def answer() -> dict[str, Any]:
    return judged(lot_text(), sampling={"lot_size": 1000, "plan": {"aql": 1.0}}).answer()


@pytest.fixture(scope="module")
def page(answer: dict[str, Any]) -> str:
    return write_report(answer)


def readable(page: str) -> str:
    """The page up to its scripts: what a reader without JavaScript has."""
    return page[: page.index('<script type="application/json"')]


class Tags(HTMLParser):
    """Collects the tags of a page with their attributes."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))


def tags(text: str) -> list[tuple[str, dict[str, str | None]]]:
    parser = Tags()
    parser.feed(text)
    return parser.found


def test_the_page_asks_for_nothing_from_outside(page: str) -> None:
    """Against its tags, and against the policy that makes a browser refuse whatever is left."""
    for tag, attributes in tags(readable(page)):
        for name in ("src", "href", "action", "data", "poster", "srcset"):
            assert not (attributes.get(name) or "#").strip().lower().startswith(("http", "//")), (
                tag,
                attributes,
            )
        assert not any(name.startswith("on") for name in attributes)
    policy = next(
        a["content"] for t, a in tags(page[:3000]) if a.get("http-equiv") == "Content-Security-Policy"
    )
    assert str(policy).startswith("default-src 'none'")
    assert "connect-src" not in str(policy)
    assert "@import" not in page[: page.index("</style>")]


def test_the_decision_comes_first_and_the_assumptions_last(page: str) -> None:
    """Against the order asked of the report."""
    order = [
        "Lot accepted",
        "Left out: 1 of 80 rows",
        "What failed, and by how much",
        "Quantities against their limits",
        "In serial order",
        "The plan and its risks",
        "Assumptions and cautions",
        "only the governing body decides",
    ]
    places = [page.index(text) for text in order]
    assert places == sorted(places)


def test_every_chart_has_its_data_and_its_words(page: str) -> None:
    """Against the data in the page, and the label that stands for each picture."""
    text = re.search(r'<script type="application/json" id="chart-data">(.*?)</script>', page, re.DOTALL)
    assert text is not None
    data = json.loads(text[1])
    places = [a for t, a in tags(readable(page)) if a.get("class") == "chart"]
    assert {a["id"] for a in places} == set(data)
    assert len(places) == 30
    assert all(a["role"] == "img" and len(str(a["aria-label"])) > 20 for a in places)


def test_a_ball_outside_has_another_sign_as_well_as_another_colour(page: str) -> None:
    """Against the data of the run chart: one cross among circles."""
    text = re.search(r'<script type="application/json" id="chart-data">(.*?)</script>', page, re.DOTALL)
    assert text is not None
    marker = json.loads(text[1])["lot0-hardness-run"]["data"][0]["marker"]
    assert marker["symbol"].count("x") == marker["color"].count("$bad") == 1


def test_it_never_says_that_a_ball_is_approved(page: str) -> None:
    """Against the rule of every result."""
    assert not re.search(r"\bapproved\b", readable(page))


def test_names_are_shown_and_not_obeyed() -> None:
    """Against hostile serials, headings and file names: no tag of theirs is in the page."""
    text = f'serial,weight,hardness\n"{HOSTILE}",16.5,75\n"</script><script>",15,x{HOSTILE}\nA1,15,75\n'
    answer = judged(text, f"{HOSTILE}.csv", scope="measured").answer()
    page = write_report(answer)
    assert HOSTILE not in page
    assert "&lt;img src=x" in page
    found = tags(page)
    assert not [tag for tag, _ in found if tag == "img"]
    assert sum(tag == "script" for tag, _ in found) == 3


def test_the_same_lot_gives_the_same_bytes(answer: dict[str, Any], page: str) -> None:
    """Against a second writing."""
    assert write_report(answer) == page


def test_a_rejected_and_an_undecided_lot_say_so() -> None:
    """Against the words of the decision."""
    assert "✘ Lot rejected" in write_report(judged("weight\n16.5\n15\n").answer())
    assert "○ Lot not decided" in write_report(judged("weight\n15\n15\n").answer())


def test_several_lots_are_one_page() -> None:
    """Against the names of the lots, the drift charts, and identifiers that stand once."""
    several = [judged(lot_text(), name, scope="measured") for name in ("may.csv", "june.csv", "july.csv")]
    page = write_report(evaluate_series(several))
    identifiers = [a["id"] for _, a in tags(readable(page)) if "id" in a]
    assert len(identifiers) == len(set(identifiers))
    assert "drift-hardness" in identifiers
    for name in ("may.csv", "june.csv", "july.csv"):
        assert name in page


def luminance(colour: str) -> float:
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
@pytest.mark.parametrize("name", ["ink", "quiet", "main", "bad", "good", "doubt", "note"])
def test_contrast(scheme: int, name: str) -> None:
    """Against WCAG 2.2, 1.4.3: 4.5 to 1 for text, on the page and on its panels."""
    style = files("ballgauge_service.lot.report").joinpath("assets", "report.css").read_text(encoding="utf-8")
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", style.split("@media")[scheme]))
    for ground in ("paper", "sheet"):
        lighter, darker = sorted((luminance(colours[name]), luminance(colours[ground])), reverse=True)
        assert (lighter + 0.05) / (darker + 0.05) >= 4.5
