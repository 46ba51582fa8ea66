"""The guide: whole, linked, searchable without a script, readable by everyone, printable as one."""

from __future__ import annotations

import base64
import re
import subprocess
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from ballgauge_schemas.shared import field_table
from ballgauge_schemas.shared.problems import BLANK_TYPE, TYPES
from ballgauge_service.pages import guide
from ballgauge_service.pages.guide.tables import anchor
from ballgauge_service.web.access.access import needed

ROOT = Path(__file__).parents[2]
ADDRESSES = ["/guide", *(f"/guide/{name}" for name in (*guide.ORDER, guide.WHOLE))]


class Page(HTMLParser):
    """The ids and the links of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.links: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = dict(attrs)
        self.ids += [told["id"] or ""] if "id" in told else []
        self.links += [told["href"] or ""] if tag == "a" else []


@pytest.fixture(scope="module")
def client(app: Any) -> Any:
    return app.test_client()


@pytest.fixture(scope="module")
def pages(client: Any) -> dict[str, Page]:
    return {address: Page(client.get(address).text) for address in ADDRESSES}


def test_every_file_is_a_chapter_in_its_place(pages: dict[str, Page]) -> None:
    assert {file.stem for file in FILES} == set(guide.ORDER)
    assert all(needed(address) is None for address in ADDRESSES)
    home = {link.partition("?")[0] for link in pages["/guide"].links}
    assert set(ADDRESSES) <= home | {"/guide"}


FILES = sorted((ROOT / "service/ballgauge_service/pages/guide").glob("*.md"))


@pytest.mark.parametrize("address", ADDRESSES)
def test_every_link_leads_to_its_place(pages: dict[str, Page], client: Any, address: str) -> None:
    """Also to the places within a page, each of which is there once."""
    page = pages[address]
    assert len(page.ids) == len(set(page.ids))
    for link in page.links:
        path, _, place = link.partition("#")
        target = pages.get(path.partition("?")[0] or address)
        if target is None:
            assert client.get(path).status_code == 200, link
        else:
            assert place in ("", *target.ids), link


def test_links_between_files_lead_where_the_pages_do() -> None:
    """For who reads them in the repository; README's too."""
    for file in (*FILES, ROOT / "README.md"):
        for link in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", file.read_text(encoding="utf-8")):
            assert (file.parent / link).is_file(), (file.name, link)


def test_readme_is_short() -> None:
    assert len((ROOT / "README.md").read_text(encoding="utf-8").splitlines()) < 150


def test_every_type_of_problem_has_its_entry_and_no_other() -> None:
    """Against the one list in the code: cause, and what to do."""
    sections = {each.anchor: each for each in guide.chapter("errors", "en").sections if each.anchor}
    assert set(sections) == {*(anchor(status, kind) for status, kind in TYPES.items()), "aboutblank"}
    assert sections["aboutblank"].title == BLANK_TYPE
    for status, kind in TYPES.items():
        section = sections[anchor(status, kind)]
        assert section.title == f"{status} {kind.rpartition(':')[2]}"
        assert section.text.startswith("Cause.")
        assert "What to do." in section.text
        assert kind in guide.source("errors") or kind in guide.chapter("errors", "en").html


def test_every_field_of_every_request_is_in_its_table() -> None:
    text = guide.source("fields")
    for name in field_table.names():
        table = text.split(f"## {name}\n")[1].split("\n## ")[0]
        for row in field_table.rows(name):
            assert f"`{row['field']}`" in table
            assert row["description"].replace("|", "\\|").replace("\n", " ") in table


def test_the_search_needs_no_script(client: Any) -> None:
    """The words' section comes first where its title has them; nothing typed becomes part of the page."""
    told = client.get("/guide?q=rate-limit").text
    assert "/guide/errors?lang=en#429-rate-limit" in told
    assert "<mark>rate-limit</mark>" in told
    first = guide.search("signing keys", "en")[0]
    assert (first.name, first.anchor) == ("operations", "signing-keys")
    assert guide.search("xyzzy", "en") == guide.search("  ", "en") == []
    hostile = client.get("/guide", query_string={"q": '"><script>alert(1)</script> \\d+(', "lang": "de"})
    assert hostile.status_code == 200
    assert "<script>alert" not in hostile.text
    assert "form-action 'self'" in hostile.headers["Content-Security-Policy"]
    assert client.get("/guide/none").status_code == 404


def test_the_frame_is_german_and_says_that_the_text_is_not(client: Any) -> None:
    text = client.get("/guide/first-check?lang=de").text
    assert "Das Handbuch ist auf Englisch" in text
    assert '<article class="guide-chapter" lang="en">' in text
    assert "/guide/fields?lang=de" in text


@pytest.mark.parametrize("size", [(1440, 900), (390, 844)])
@pytest.mark.parametrize(
    "address", ["/guide/first-check", "/guide/physics?lang=de", "/guide/errors", "/guide?q=keys"]
)
def test_everyone_reads_it(browser: Any, address: str, size: tuple[int, int]) -> None:
    """Against axe-core; nothing scrolls sideways but tables and code."""
    browser.open(address, size)
    browser.fill("light", "dark" if size[0] < 600 else "light")
    assert browser.problems() == []
    assert browser.run("return document.documentElement.scrollWidth") <= size[0]


def test_all_of_it_is_printed_as_one(browser: Any, tmp_path: Path) -> None:
    """Against the text of the PDF: every chapter, and nothing of the frame."""
    browser.open(f"/guide/{guide.WHOLE}")
    printed = browser.driver.execute_cdp_cmd("Page.printToPDF", {})["data"]
    (tmp_path / "guide.pdf").write_bytes(base64.b64decode(printed))
    text = subprocess.run(
        ["pdftotext", "guide.pdf", "-"], cwd=tmp_path, capture_output=True, text=True, check=True
    ).stdout
    assert all(chapter.title in text for chapter in guide.chapters("en"))
    assert "mm, kg, g" not in text
    assert "Search the guide" not in text
