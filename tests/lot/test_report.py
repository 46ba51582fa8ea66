"""The report: one file that needs nothing else, the decision first, nothing of a hostile file obeyed."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from ballgauge_schemas.lot.request import LOT_REQUEST, QUANTITIES
from ballgauge_service.core.report.style import Style
from ballgauge_service.lot.evaluate import Lot, evaluate_series
from ballgauge_service.lot.report.page import print_report, write_report
from ballgauge_service.lot.request import read_request
from ballgauge_service.pages import labels, languages

from .example_lot import lot_text
from .test_identity import LOT

HOSTILE = "<img src=x onerror=alert(1)>"


def german(paper: str = "a4") -> Style:
    text = languages.gettext("de")
    return Style("de", True, paper, text, lambda name: text(labels.LABELS[name]))


def judged(text: str, name: str = "lot.csv", **options: Any) -> Lot:
    request = read_request(LOT_REQUEST.load({"rules": {"on": "2026-05-01"}, **options}))
    lot = Lot(io.BytesIO(text.encode()), name, request)
    for _ in lot:
        pass
    return lot


@pytest.fixture(scope="module")
def answer() -> dict[str, Any]:
    return judged(lot_text(), lot=LOT, sampling={"lot_size": 1000, "plan": {"aql": 1.0}}).answer()


@pytest.fixture(scope="module")
def page(answer: dict[str, Any]) -> str:
    return write_report(answer)


@pytest.fixture(scope="module")
def series() -> dict[str, Any]:
    several = [judged(lot_text(), name, scope="measured") for name in ("may.csv", "june.csv", "july.csv")]
    return evaluate_series(several)


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


def words_of(pdf: bytes, where: Path) -> list[str]:
    """The text of each page, by poppler."""
    if shutil.which("pdftotext") is None:
        pytest.skip("poppler is not installed")
    (where / "report.pdf").write_bytes(pdf)
    done = subprocess.run(
        ["pdftotext", "-layout", where / "report.pdf", "-"], capture_output=True, check=True, text=True
    )
    return done.stdout.split("\f")[:-1]


def test_the_page_asks_for_nothing_and_runs_nothing(page: str) -> None:
    """Against its tags, and against the policy that makes a browser refuse whatever is left."""
    for tag, attributes in tags(page):
        assert tag not in ("script", "link", "iframe", "object", "embed", "img", "base", "form")
        assert not {"src", "href", "action", "data", "poster", "srcset"} & set(attributes)
        assert not any(name.startswith("on") for name in attributes)
    policy = next(a["content"] for t, a in tags(page) if a.get("http-equiv") == "Content-Security-Policy")
    assert str(policy).startswith("default-src 'none'; style-src 'unsafe-inline'")
    assert "script-src" not in str(policy)
    assert "@import" not in page
    assert "url(" not in page


def test_the_report_is_small(page: str, answer: dict[str, Any]) -> None:
    """Against 300 kB: the charts of all fourteen quantities are in the page."""
    assert len(page.encode()) < 300_000
    assert len(print_report(answer)) < 300_000


def test_the_decision_comes_first_and_what_it_rests_on_last(page: str) -> None:
    """Against the order asked of the report."""
    order = [
        "Ostrel Works",
        "Lot accepted",
        "Chance that such a plan accepts",
        "What failed, and by how much",
        "Quantities that matter most",
        "Quantities against their limits",
        "Charts of the other quantities",
        "Rules, limits and where they come from",
        "The plan and its risks",
        "Assumptions and cautions",
        "SHA-256 of the file",
        "Disposition by",
        "only the governing body decides",
    ]
    places = [page.index(text) for text in order]
    assert places == sorted(places)


def test_every_chart_has_words_and_a_ball_outside_another_sign(page: str) -> None:
    """Against the labels of the pictures; one cross among the balls of the run chart, one in the
    histogram.
    """
    pictures = [a for t, a in tags(page) if t == "svg"]
    assert len(pictures) == 30
    assert all(a["role"] == "img" and len(str(a["aria-label"])) > 20 for a in pictures)
    run = next(part for part in page.split("<svg")[1:] if 'aria-label="Hardness ball by ball' in part)
    run = run[: run.index("</svg>")]
    assert run.count("<circle") == 78
    assert run.count('class="s-bad" stroke-width="2" d="M') == 1


def test_what_matters_is_in_front_and_the_rest_is_folded(page: str) -> None:
    """Against the one quantity with a ball outside; paper has no folds, and a table with all of them."""
    front = page[page.index("Quantities that matter most") : page.index("Quantities against their limits")]
    assert re.findall(r"<h3>(.*?)</h3>", front) == ["Hardness, Shore D"]
    folded = page[page.index("Charts of the other quantities") : page.index("Rules, limits and where")]
    assert len(re.findall(r"<h3>", folded)) == 13
    assert "details { display: none; }" in page


def test_it_can_be_filed(answer: dict[str, Any], tmp_path: Path) -> None:
    """Against the answer: who, what, when, digest, versions, each limit's basis and source, on few pages that
    each say which lot and which page it is.
    """
    pages = words_of(print_report(answer), tmp_path)
    assert len(pages) <= 4
    for number, text in enumerate(pages, 1):
        foot = text.strip().splitlines()[-1].strip()
        assert foot.startswith("Tarn 48 · T48-2026-17")
        assert re.search(rf"\b{number} ?/ ?{len(pages)}$", foot)
    whole = "\n".join(pages)
    flat = re.sub(r"\s+", "", whole)
    digests = (answer["file"]["sha256"], answer["rules"]["digest"])
    for digest in digests:
        assert digest[:20] in whole
    told = ["Ostrel Works", "2026-04-28", "durometer A", "to stock", "published", "secondary", "from memory"]
    for text in (*told, answer["made_by"]["version"], "signature"):
        assert text in whole
    for rule in answer["by_rule"]:
        for limit in rule["limits"]:
            assert re.sub(r"\s+", "", limit["source"]) in flat


def test_the_same_lot_gives_the_same_bytes(answer: dict[str, Any], page: str) -> None:
    """Against a second writing."""
    assert write_report(answer) == page
    assert print_report(answer) == print_report(answer)


def test_a_german_report_in_metric_units(answer: dict[str, Any], tmp_path: Path) -> None:
    """Against the file's own millimetres, the definition of the pound, and the catalog."""
    page = write_report(answer, german())
    assert '<html lang="de">' in page
    for text in ("Los angenommen", "Durchmesser, mm", "höchstens 7,2575 kg", "215,9 bis 218,31 mm"):
        assert text in page
    assert " in</" not in page
    (text, *_) = words_of(print_report(answer, german("letter")), tmp_path)
    assert "Los angenommen" in text
    assert "6,8304" in text


def test_every_text_of_the_report_is_in_german(series: dict[str, Any], answer: dict[str, Any]) -> None:
    """Against the texts that the report asks for: each has a translation that holds the same places."""
    text, asked = languages.gettext("de"), set()

    def noting(source: str) -> str:
        asked.add(source)
        return text(source)

    for document in (series, answer):
        write_report(document, Style("de", True, "a4", noting, lambda name: noting(labels.LABELS[name])))
    alike = {"max", "min", "normal", "k = {k}", "Ppk", "name", "Differential"}
    assert {source for source in asked if text(source) == source} <= alike
    for source in asked:
        assert sorted(re.findall(r"{\w+}", source)) == sorted(re.findall(r"{\w+}", text(source)))


def test_every_quantity_has_a_name() -> None:
    """Against the quantities of the contract."""
    assert set(QUANTITIES) <= set(labels.LABELS)


@pytest.mark.parametrize("style", [Style(), german()], ids=["english", "german"])
def test_it_never_says_that_a_ball_is_approved(answer: dict[str, Any], style: Style) -> None:
    """Against the rule of every result."""
    assert not re.search(r"\b(approved|zugelassen|genehmigt)\b", write_report(answer, style))


def test_names_are_shown_and_not_obeyed() -> None:
    """Against hostile serials, headings, file and lot names: no tag of theirs is in the page or its style."""
    text = f'serial,weight,hardness\n"{HOSTILE}",16.5,75\n"</script><script>",15,x{HOSTILE}\nA1,15,75\n'
    lot = {"model": '";}</style><script>alert(1)</script>', "remarks": HOSTILE}
    for identity in (lot, {}):
        answer = judged(text, f"{HOSTILE}.csv", scope="measured", lot=identity).answer()
        page = write_report(answer)
        assert HOSTILE not in page
        assert "&lt;img src=x" in page
        found = [tag for tag, _ in tags(page)]
        assert not {"img", "script"} & set(found)
        assert found.count("style") == page.count("</style>") == 1
        assert print_report(answer).startswith(b"%PDF")


def test_letters_that_the_font_lacks_do_not_stop_the_paper() -> None:
    """Against serials in other scripts, and a lot of no values at all."""
    text = "serial,weight\n球一,16.5\n\u202eabc,15\n"
    assert print_report(judged(text, "東京.csv", scope="measured").answer()).startswith(b"%PDF")


def test_a_rejected_and_an_undecided_lot_say_so() -> None:
    """Against the words of the decision."""
    assert "✘ Lot rejected" in write_report(judged("weight\n16.5\n15\n").answer())
    assert "○ Lot not decided" in write_report(judged("weight\n15\n15\n").answer())


def test_a_rule_about_a_day_is_told_in_days() -> None:
    """Against its limit and the distance between two days."""
    limit = [{"min": "2019-12-31", "max": "2020-01-31"}]
    overlay = {
        "overlay": {"name": "own", "base": "usbc"},
        "rule": [{"id": "own", "quantity": "made_on", "limit": limit}],
    }
    rules = {"on": "2026-05-01", "stage": "play", "overlays": [overlay]}
    page = write_report(judged("weight,made_on\n15,2019-12-28\n", rules=rules).answer())
    assert "2019-12-31 to 2020-01-31" in page
    assert ">−3 d<" in page


def test_several_lots_are_one_report(series: dict[str, Any], tmp_path: Path, sentence: Any) -> None:
    """Against the names of the lots, and the drift of each quantity as means, moving average and spreads."""
    page = write_report(series)
    pages = words_of(print_report(series), tmp_path)
    for name in ("may.csv", "june.csv", "july.csv"):
        assert name in page
        assert name in pages[0]
    assert re.findall(r'aria-label="([^"]*Hardness[^"]*)"', page) == sentence("report: charts of hardness")
    assert "3 lots" in pages[0]
    assert len(pages) <= 8
    assert len(page.encode()) < 300_000
    for digest in {lot["file"]["sha256"] for lot in series["lots"]}:
        assert page.count(digest) == sum(lot["file"]["sha256"] == digest for lot in series["lots"])


def luminance(color: str) -> float:
    parts = [int(color[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
@pytest.mark.parametrize("name", ["ink", "quiet", "main", "bad", "good", "doubt", "note"])
def test_contrast(scheme: int, name: str) -> None:
    """Against WCAG 2.2, 1.4.3: 4.5 to 1 for text, on the page and on its panels."""
    style = (
        files("ballgauge_service.core.report").joinpath("assets", "colors.css").read_text(encoding="utf-8")
    )
    colors = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", style.split("@media")[scheme]))
    for ground in ("paper", "sheet"):
        lighter, darker = sorted((luminance(colors[name]), luminance(colors[ground])), reverse=True)
        assert (lighter + 0.05) / (darker + 0.05) >= 4.5
