"""Answers at the edges: what is not known, lengths just at their limits, dates and hands at odds."""

from __future__ import annotations

from typing import Any

import pytest

from ballgauge_schemas import example, load_check_body, load_drilling_body
from ballgauge_service.check.evaluate import evaluate_checks, evaluate_drillings

Answer = dict[str, Any]


def checked(request: Answer) -> Answer:
    items, _ = load_check_body(request)
    return evaluate_checks(items)[0]


def outcomes(answer: Answer) -> dict[str, str]:
    return {finding["rule"]: finding["outcome"] for finding in answer["findings"]}


def codes(answer: Answer) -> set[str]:
    return {caution["code"] for caution in answer["cautions"]}


def drilled_example(**changes: Any) -> Answer:
    request = example("drilled")
    for path, value in changes.items():
        part = request
        *steps, last = path.split("__")
        for step in steps:
            part = part.setdefault(step, {})
        part[last] = value
    return request


def test_without_a_layout_no_layout_number_is_told() -> None:
    """A pin that was never placed has no arcs: the group is null, or with an axis point alone its pin is."""
    ball = {"weight": 15, "diameter": 8.59}
    for drilling, layout in (
        ({"hand": "right"}, None),
        ({"hand": "right", "pap": {"over": 5, "up": 0.5}}, {"pap"}),
    ):
        items, _ = load_drilling_body({"ball": ball, "drilling": drilling})
        found = evaluate_drillings(items)[0]["derived"]["layout"]
        if layout is None:
            assert found is None
        else:
            told = {name for name, value in found.items() if value is not None and name != "flare_formula"}
            assert told == layout


@pytest.mark.parametrize(
    "ball",
    [
        {"diameter": 8.5},
        {"diameter": 8.595},
        {"circumference": 26.7035},
        {"circumference": 26.704},
        {"circumference": 27.002},
    ],
)
def test_a_ball_just_at_a_limit_of_its_size_conforms(ball: Answer) -> None:
    """The USBC limits of diameter and circumference (reprint of the manual) are one rule, each rounded."""
    found = outcomes(checked({"ball": {"weight": 15, **ball}, "rules": {"on": "2024-09-01"}}))
    assert found["diameter"] == found["circumference"] == "conforming"


@pytest.mark.parametrize(
    "ball", [{"diameter": 8.499}, {"diameter": 8.596}, {"circumference": 26.703}, {"circumference": 27.003}]
)
def test_a_ball_just_beyond_a_limit_of_its_size_does_not(ball: Answer) -> None:
    """The same limits, a thousandth of an inch on."""
    found = outcomes(checked({"ball": {"weight": 15, **ball}, "rules": {"on": "2024-09-01"}}))
    assert found["diameter"] == found["circumference"] == "nonconforming"


def test_a_rulebook_says_what_it_does_not_hold() -> None:
    """Of IBF only parts of 11.12 and 11.13 are known: a 17 lb ball is not called sound without that word."""
    answer = checked(drilled_example(rules__body="ibf", ball__weight=17))
    assert outcomes(answer)["ball_as_made"] == "not_assessed"
    assert (answer["outcome"], answer["missing"][0]["field"]) == ("not_assessed", "/rules/as_made")


def test_an_unused_thumb_hole_stays_where_it_is() -> None:
    """The hole is where the spans put it, whether or not the bowler's thumb is said to use it."""
    places = []
    for thumb in (True, False):
        request = drilled_example(drilling__grip__thumb=thumb)
        request["drilling"]["holes"][0]["used"] = False
        places.append(checked(request)["derived"]["holes"][0]["at"]["up"])
    assert places[0] == places[1] < -2.0


def test_printed_millimetres_are_explained() -> None:
    """IBF 11.12.4 prints 1/4 in (6.4 mm): 6.4 mm is 0.252 in, and the finding says which figure is judged."""
    request = drilled_example(rules__body="ibf")
    request["drilling"]["holes"].append(
        {"role": "vent", "diameter": "6.4 mm", "depth": 1, "at": {"right": 2, "up": 0}}
    )
    finding = next(each for each in checked(request)["findings"] if each["rule"] == "vent_hole_diameter")
    assert finding["outcome"] == "conforming"
    assert "6.4 mm" in finding["message"]
    request["drilling"]["holes"][-1]["diameter"] = 0.2519
    finding = next(each for each in checked(request)["findings"] if each["rule"] == "vent_hole_diameter")
    assert finding["outcome"] == "nonconforming"


def test_dates_at_odds_are_told() -> None:
    """Later than the rulebook was compiled, and used before it was approved."""
    assert "date_beyond_rulebook" in codes(checked(drilled_example(rules__on="2099-01-01")))
    assert "used_before_approval" in codes(checked(drilled_example(ball__approved_on="2030-01-01")))
    assert "used_before_manufacture" in codes(checked(drilled_example(ball__made_on="2030-01-01")))
    odd = {"date_beyond_rulebook", "used_before_approval", "used_before_manufacture"}
    assert not codes(checked(drilled_example())) & odd


def test_a_grip_of_the_other_hand_is_told() -> None:
    """Common practice, no source: the axis point and the ring finger lie on the hand's own side."""
    assert "other_hand" in codes(checked(drilled_example(drilling__pap__over=-5)))
    request = drilled_example()
    for hole, right in zip(request["drilling"]["holes"][1:], (0.6, -0.6), strict=True):
        hole["at"] = {"right": right, "up": 2.4}
    assert "other_hand" in codes(checked(request))
    assert "other_hand" not in codes(checked(drilled_example()))
