"""Every page, phone and desktop, light and dark, both languages: axe-core finds nothing."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from ballgauge_service.pages.blueprint import PAGES

SIZES = {"desktop": (1440, 900), "phone": (390, 844)}
WIDTHS = (1440, 820, 390, 320)
"""The last is 1280 at 400 %, which WCAG 2.2 asks for (1.4.10)."""

SMALL = """return [...document
    .querySelectorAll('button, input, select, textarea, summary, .menu a, .button, .tick')]
    .filter((each) => each.checkVisibility({visibilityProperty: true}))
    .filter((each) => !each.matches('input[type=file], .tick input, [disabled]'))
    .filter((each) => each.getBoundingClientRect().height < 43.5)
    .map((each) => each.outerHTML.slice(0, 80))"""


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", PAGES)
def test_page(browser: Any, name: str, size: str, tmp_path: Path) -> None:
    """Against axe-core, folds open; on a phone every target is 44 px high, and no width scrolls sideways."""
    is_phone = size == "phone"
    browser.open(f"/{name}?lang={'de' if is_phone else 'en'}", SIZES[size])
    browser.fill("light", "dark" if is_phone else "light")
    if browser.count("#example"):
        browser.example("side_weight_over")
    browser.run("for (const fold of document.querySelectorAll('details')) fold.open = true")
    assert browser.problems() == []
    if is_phone:
        assert browser.run(SMALL) == []
        for width in WIDTHS:
            browser.resize(width, 844)
            assert browser.run("return document.documentElement.scrollWidth") <= width
        browser.resize(*SIZES[size])
    folder = Path(os.environ.get("BALLGAUGE_SCREENSHOTS", tmp_path))
    folder.mkdir(parents=True, exist_ok=True)
    assert browser.driver.save_screenshot(str(folder / f"{name}-{size}.png"))


@pytest.mark.parametrize("language", ["en", "de"])
def test_the_head_of_a_page_is_low(browser: Any, language: str) -> None:
    """One row on a bench, two on a tablet and on a phone, in either language."""
    browser.open(f"/guide?lang={language}", SIZES["desktop"])
    heights = []
    for width in WIDTHS:
        browser.resize(width, 844)
        heights.append(browser.run("return document.querySelector('.top').offsetHeight"))
    assert [height <= most for height, most in zip(heights, (80, 130, 130, 130), strict=True)] == [True] * 4
    browser.open(f"/guide?lang={language}", SIZES["phone"])
    seen = "return document.querySelector('[aria-current=page]').getBoundingClientRect().right"
    assert browser.run(seen) <= 390


@pytest.mark.parametrize("light", ["light", "dark"])
def test_every_state_of_a_page(browser: Any, light: str) -> None:
    """Against axe-core: what is old, and what is refused."""
    browser.open("/check")
    browser.fill("light", light)
    assert browser.problems() == []
    browser.example("side_weight_over")
    for typed, state in (("15.", "editing"), ("17 stone", "refused")):
        browser.enter("ball.weight", typed)
        browser.wait(lambda state=state: browser.state() == state)
        assert browser.problems() == []


@pytest.mark.parametrize("width", [1440, 820, 720, 390])
def test_the_verdict_is_in_sight_of_every_field(browser: Any, width: int) -> None:
    """Its word stays in the window, and off the field, whichever field is gone to; 720 is 1440 at 200 %."""
    browser.open("/check", (width, 900))
    browser.example("drilled")
    hidden = browser.run("""const seen = [];
        const word = document.querySelector('.verdict-word');
        for (const each of document.querySelectorAll('#form [data-control]')) {
            if (!each.checkVisibility()) continue;
            each.focus();
            each.scrollIntoView({block: 'nearest'});
            const [own, told] = [each.getBoundingClientRect(), word.getBoundingClientRect()];
            const apart = own.bottom <= told.top || own.top >= told.bottom || own.right <= told.left;
            if (told.top < 0 || told.bottom > innerHeight || !apart) seen.push(each.id);
        }
        return seen;""")
    assert hidden == []


def test_an_outcome_does_not_rest_on_color(browser: Any) -> None:
    """WCAG 2.2, 1.4.1: each outcome has a word, a sign and a shape of its own."""
    browser.open("/")
    browser.example("side_weight_over")
    signs = browser.run("""return Object.fromEntries([...document.querySelectorAll('.finding')]
        .map((each) => [each.dataset.outcome, ['.sign', '.finding-word']
            .map((part) => each.querySelector(part).textContent)]))""")
    assert len(signs) >= 3
    assert len({sign for sign, _ in signs.values()}) == len(signs)
    assert len({word for _, word in signs.values()}) == len(signs)


def test_the_verdict_is_told_to_screen_readers(browser: Any) -> None:
    browser.open("/")
    assert browser.run("return document.getElementById('verdict').getAttribute('role')") == "status"
    unnamed = """return [...document.querySelectorAll('input:not([type=hidden]), select, textarea, button')]
        .filter((each) => !each.labels?.length && !each.textContent.trim() && !each.ariaLabel)
        .map((each) => each.outerHTML)"""
    assert browser.run(unnamed) == []
