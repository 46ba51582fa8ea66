"""A line-up, in a real browser: tables in step with the request, the sheet, and a refusal at its field."""

from __future__ import annotations

import json
from typing import Any

from .papers import on_paper, printed


def told(browser: Any) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(browser.run("return document.getElementById('request').value"))
    return found


def test_balls_are_edited_and_set_side_by_side(browser: Any) -> None:
    browser.open("/lineup")
    browser.run("document.getElementById('add-ball').click()")
    browser.fill("balls.5.name", "Skarn")
    browser.fill("balls.5.box.surface.grit", "500")
    browser.run("document.querySelector('#balls tr:nth-child(5) button').click()")
    browser.fill("volumes-0", "22; 18")
    request = told(browser)
    assert [each["name"] for each in request["balls"]] == [
        "Tarn 48",
        "Tarn 52",
        "Fell 40",
        "Scree 30",
        "Skarn",
    ]
    assert request["balls"][4]["box"]["surface"]["grit"] == 500
    assert request["lanes"][0]["volumes"] == [22, 18]
    browser.run("document.getElementById('ask').click()")
    browser.wait(lambda: browser.count("img.lineup-sheet"))
    browser.wait(lambda: browser.run("return document.querySelector('img.lineup-sheet').naturalWidth") > 0)
    assert browser.count("#results a[download]") == 3
    assert "Skarn" in browser.text("#results")
    assert browser.problems() == []
    assert browser.run("return document.documentElement.scrollWidth - innerWidth") <= 0
    text, _ = printed(browser)
    assert "Anna, faster than she turns it" in text.split("Lanes")[0]
    assert [each for each in ("Remove", "Every difference") if each in text] == []
    chosen = "return getComputedStyle(document.querySelector('[type=radio]')).appearance"
    assert on_paper(browser, chosen) == "auto"  # one sees which is chosen


def test_the_reference_follows_its_ball(browser: Any) -> None:
    """Under a new name, letter by letter; undone as one step; chosen by the name that stands there."""
    browser.open("/lineup")
    for text in ("T", "", "Skarn"):
        browser.enter("balls.0.name", text)
    assert (told(browser)["balls"][0]["name"], told(browser)["reference"]) == ("Skarn", "Skarn")
    browser.run("document.getElementById('undo').click()")
    assert (told(browser)["balls"][0]["name"], told(browser)["reference"]) == ("Tarn 48", "Tarn 48")
    browser.enter("balls.1.name", "Rill")
    assert told(browser)["reference"] == "Tarn 48"
    browser.run("document.querySelectorAll('#balls [type=radio]')[1].click()")
    assert told(browser)["reference"] == "Rill"


def test_every_step_undone_shows_another_request(browser: Any) -> None:
    """A text broken and mended, and a name typed anew and back, change nothing and are no steps."""
    browser.open("/lineup")
    first = told(browser)
    browser.enter("balls.0.name", "Skarn")
    whole = browser.run("return document.getElementById('request').value")
    for text in (whole[:-2], whole):
        browser.enter("request", text)
    for text in ("Skarns", "Skarn"):
        browser.enter("balls.0.name", text)
    browser.run("document.getElementById('undo').click()")
    assert told(browser) == first


def test_a_refusal_is_told_at_its_cell(browser: Any) -> None:
    browser.open("/lineup")
    browser.fill("balls.1.name", "Tarn 48")
    browser.run("document.getElementById('ask').click()")
    browser.wait(lambda: browser.text("[id='balls.1.name-error']"))
    browser.wait(lambda: browser.count("#problem a"))
    assert browser.text("#problem a") == "Name, ball 2"
