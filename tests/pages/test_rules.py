"""The page of rules: every limit of every rulebook, against the service's own list."""

from __future__ import annotations

from typing import Any

import pytest
import requests

from .papers import printed


@pytest.mark.parametrize(
    ("language", "words"),
    [("en", ("published", "≤ 1.25 in", "decides")), ("de", ("veröffentlicht", "≤ 1,25 in", "entscheidet"))],
)
def test_every_limit_is_shown_with_its_days_and_source(
    browser: Any, server: str, language: str, words: tuple[str, ...]
) -> None:
    browser.open(f"/rules?lang={language}")
    books = requests.get(f"{server}/v1/rulebooks", timeout=30).json()["rulebooks"]
    rows = [row for book in books for row in book["rules"]]
    assert browser.count(".rulebook") == len(books)
    assert browser.count(".rule-limit") == browser.count(".rule-days") == len(rows)
    shown = browser.run("return document.querySelector('main').textContent")
    assert all(row["source"] in shown for row in rows if row["source"])
    assert all(book["digest"] in shown for book in books)
    text, _ = printed(browser)
    assert [word for word in words if word not in shown + text] == []
    assert words[-1] in text


def test_a_bar_stands_for_the_days_of_its_limit(browser: Any) -> None:
    """USBC took balance holes away on 2020-08-01: the bar before ends where the one after begins."""
    browser.open("/rules?lang=en")
    ends = browser.run("""const rule = [...document.querySelectorAll('.rule')]
        .find((each) => each.querySelector('summary').textContent.includes('Number of balance holes'));
        return [...rule.querySelectorAll('.rule-span')].map((each) => [each.x.baseVal.value,
            each.x.baseVal.value + each.width.baseVal.value])""")
    assert ends[-1] == [206, 300]
    assert ends[-2][1] in (205, 206)
