"""A design, in a real browser: section, numbers and comparison are the interface's."""

from __future__ import annotations

import json
from typing import Any

import pytest
import requests


def test_two_designs_are_drawn_and_compared(browser: Any) -> None:
    """Against `/v1/designs` asked from here with the request shown: outcome, weight, contributions."""
    browser.open("/design#start=compared")
    browser.wait(lambda: browser.answered() == 1)
    request = json.loads(browser.run("return document.getElementById('request').value"))
    answer = requests.post(f"{browser.server}/v1/designs", json=request).json()
    assert browser.run("return document.getElementById('verdict').dataset.outcome") == answer["outcome"]
    assert browser.count(".section-picture") == 2
    assert browser.count(".solid") == 2 * len(request["design"]["solids"])
    shown = browser.text("#results")
    assert f"{answer['properties']['weight']:.4f}".rstrip("0") in shown
    weight = next(each for each in answer["comparison"]["designs"] if each["number"] == "weight")
    assert f"{weight['difference']:.4f}".rstrip("0").replace("-", "−") in shown
    assert browser.problems() == []
    assert browser.run("return document.documentElement.scrollWidth - innerWidth") <= 0


def test_a_second_design_is_added(browser: Any) -> None:
    browser.open("/design", (390, 844))
    browser.run("document.getElementById('second').click()")
    request = json.loads(browser.run("return document.getElementById('request').value"))
    assert request["compare"]["design"] == request["design"]
    browser.run("document.getElementById('ask').click()")
    browser.wait(lambda: browser.count(".section-picture") == 2)
    assert browser.run("return document.documentElement.scrollWidth - innerWidth") <= 0


def test_the_outlines_are_where_the_solids_are(browser: Any) -> None:
    """Against closed forms: an ellipsoid's ends, a box turned by 45 degrees, a cone's base and tip."""
    browser.open("/design")
    script = """const done = arguments[1];
        import('/static/section.js').then(({outline}) => {
            const points = outline(arguments[0], 8.6);
            const x = points.map((each) => each[0]), z = points.map((each) => each[1]);
            done([Math.min(...x), Math.max(...x), Math.min(...z), Math.max(...z)]);
        });"""
    turn = {"axis": [0, 1, 0], "angle": "45 deg"}
    box = {"shape": "rounded_box", "length_x": 2, "length_y": 1, "length_z": 2, "rotation": turn}
    ellipsoid = {"shape": "ellipsoid", "length_x": "50.8 mm", "length_y": 1, "length_z": "3 1/2 in"}
    cone = {"shape": "cone", "diameter": "1/2 in", "height": 1, "position": [1, 0, -1]}
    for solid, ends in (
        (ellipsoid, [-1, 1, -1.75, 1.75]),
        (box, [-(2**0.5), 2**0.5, -(2**0.5), 2**0.5]),
        (cone, [0.75, 1.25, -1.5, -0.5]),
    ):
        assert browser.driver.execute_async_script(script, solid) == pytest.approx(ends, abs=1e-6)
