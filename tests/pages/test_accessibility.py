"""Every page, phone and desktop, light and dark, both languages: axe-core finds nothing serious."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from ballgauge_service.pages.blueprint import PAGES

SIZES = {"desktop": (1280, 900), "phone": (390, 844)}


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", PAGES)
def test_page(browser: Any, name: str, size: str, tmp_path: Path) -> None:
    dark = size == "phone"
    browser.open(f"/{name}?lang={'de' if dark else 'en'}", SIZES[size])
    browser.fill("light", "dark" if dark else "light")
    if browser.count("#example"):
        browser.example("side_weight_over")
    assert browser.problems() == []
    assert browser.run("return document.documentElement.scrollWidth - innerWidth") <= 0
    small = """return [...document.querySelectorAll('button, input:not([type=checkbox]), select, .menu a')]
        .filter((each) => each.offsetParent)
        .filter((each) => !each.matches('.link, .settings select, input[type=file]'))
        .filter((each) => each.getBoundingClientRect().height < 36)
        .map((each) => each.outerHTML.slice(0, 80))"""
    assert browser.run(small) == []
    folder = Path(os.environ.get("BALLGAUGE_SCREENSHOTS", tmp_path))
    folder.mkdir(parents=True, exist_ok=True)
    assert browser.driver.save_screenshot(str(folder / f"{name}-{size}.png"))


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
    unnamed = """return [...document.querySelectorAll('input, select, textarea, button')]
        .filter((each) => !each.labels?.length && !each.textContent.trim() && !each.ariaLabel)
        .map((each) => each.outerHTML)"""
    assert browser.run(unnamed) == []
