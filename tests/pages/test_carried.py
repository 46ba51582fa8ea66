"""The same ball on every page: the menu takes it along."""

from __future__ import annotations

import json
from typing import Any

import requests


def go(browser: Any, page: str) -> None:
    """Follow the menu, as a click does."""
    browser.run("document.querySelector(`.menu a[href*='/${arguments[0]}?']`).click()", page)
    browser.wait(
        lambda: (
            browser.run("return [document.documentElement.dataset.page, document.readyState]")
            == [page, "complete"]
        )
    )


def asked(browser: Any) -> dict[str, Any]:
    """The request on Motion or Design."""
    return dict(json.loads(browser.run("return document.getElementById('request').value")))


def test_the_ball_of_a_drilling_is_thrown_designed_and_checked(browser: Any) -> None:
    """What Drilling shows is what Motion and Design ask about, and Check, Drilling have it again."""
    browser.open("/drilling")
    browser.example("drilled")
    browser.fill("ball.rg", "2.5")
    browser.wait(lambda: browser.state() == "current")
    go(browser, "motion")
    request = asked(browser)
    assert request["drilled"]["ball"]["rg"] == 2.5
    assert [hole["role"] for hole in request["drilled"]["drilling"]["holes"]] == ["thumb", "middle", "ring"]
    assert "ball" not in request
    # The first motion of a server waits for its kernels.
    answer = requests.post(f"{browser.server}/v1/motions", json=request, timeout=180)
    assert answer.status_code == 200, answer.text
    browser.driver.refresh()
    assert asked(browser) == request
    go(browser, "design")
    assert asked(browser)["drilling"] == request["drilled"]["drilling"]
    go(browser, "rules")
    go(browser, "check")
    browser.wait(lambda: browser.state() == "current")
    assert browser.run("return document.getElementById('ball.rg').value") == "2.5"
    # A ball that was cleared is carried nowhere.
    browser.run("document.getElementById('clear').click()")
    go(browser, "motion")
    assert "drilled" not in asked(browser)


def test_a_ball_as_made_is_thrown_by_its_box_numbers(browser: Any) -> None:
    """Typed in metric, it is the same ball there."""
    browser.open("/check")
    browser.example("as_made")
    browser.fill("units", "metric")
    browser.fill("ball.weight", "7")
    go(browser, "motion")
    assert asked(browser)["ball"]["weight"] == "7 kg"
