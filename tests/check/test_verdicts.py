"""Which value a balance verdict takes, when it stays open, and what is said where there is none."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

Body = dict[str, Any]
Check = Callable[[Body], Body]
Make = Callable[..., Body]
Outcomes = Callable[[Body], dict[str, str]]

RULES = {"on": "2024-09-01"}
READINGS = ("top", "side", "finger")


def findings(answer: Body) -> dict[str, Body]:
    return {finding["rule"]: finding for finding in answer["findings"]}


def test_measured_readings_come_before_predicted_ones(check: Check, request_for: Make) -> None:
    measured = {"top": 0.4, "side": {"value": -0.6, "uncertainty": 0.05}, "finger": 0.2}
    answer = check(request_for(measured_balance=measured, rules=RULES))
    found, balance = findings(answer), answer["derived"]["balance"]
    predicted = check(request_for(rules=RULES))["derived"]["balance"]["predicted"]
    assert [found[f"balance_{name}"]["value"] for name in READINGS] == [0.4, -0.6, 0.2]
    assert found["balance_side"]["uncertainty"] == 0.05
    assert balance["measured"] == {
        "top": 0.4,
        "side": -0.6,
        "finger": 0.2,
        "uncertainty": {"top": None, "side": 0.05, "finger": None},
    }
    assert balance["predicted"] == predicted
    assert found["any_two_halves"]["value"] == pytest.approx(math.sqrt(0.4**2 + 0.6**2 + 0.2**2), rel=1e-12)
    # |M| has the uncertainty of side times side / |M| (JCGM 100:2008, 5.1.2).
    length = found["any_two_halves"]["value"]
    assert found["any_two_halves"]["uncertainty"] == pytest.approx(0.05 * 0.6 / length, rel=1e-12)


def test_one_measured_reading_leaves_the_others_predicted(check: Check, request_for: Make) -> None:
    found = findings(check(request_for(measured_balance={"side": 2.0}, rules=RULES)))
    predicted = findings(check(request_for(rules=RULES)))
    assert found["balance_side"]["value"] == 2.0
    for name in ("top", "finger"):
        assert found[f"balance_{name}"]["value"] == predicted[f"balance_{name}"]["value"]
    rest = [predicted[f"balance_{name}"]["value"] for name in ("top", "finger")]
    assert found["any_two_halves"]["value"] == pytest.approx(math.hypot(2.0, *rest), rel=1e-12)


def test_measured_readings_need_no_drilling(check: Check, request_for: Make) -> None:
    answer = check(request_for(drilling=None, measured_balance={"top": 3.5, "side": 0}, rules=RULES))
    assert findings(answer)["balance_top"]["outcome"] == "nonconforming"
    assert answer["derived"]["balance"]["measured"]["top"] == 3.5
    assert answer["derived"]["balance"]["predicted"] is None
    assert answer["derived"]["remedies"] is None


def near_three_ounces(make: Make, **drilling: Any) -> Body:
    layout = {"drilling_angle": 90, "pin_to_pap": 5.5, "val_angle": 60}
    ball = {"top_weight": 5.0, "pin_to_cg": 1.5}
    return make(ball=ball, drilling={"layout": layout, **drilling}, rules=RULES)


def test_a_verdict_that_flips_between_the_arms_is_inconclusive(check: Check, request_for: Make) -> None:
    # The arms between which a verdict must hold are 2.3 in and 4.3 in (the project's own rule).
    by_arm = {
        arm: findings(check(near_three_ounces(request_for, balance_arm=arm)))["balance_top"]
        for arm in (2.3, 3.2, 4.3)
    }
    assert by_arm[2.3]["outcome"] == "conforming"
    assert by_arm[4.3]["outcome"] == "nonconforming"
    answer = check(near_three_ounces(request_for))
    assert findings(answer)["balance_top"]["outcome"] == "inconclusive"
    assert findings(answer)["balance_top"]["value"] == by_arm[3.2]["value"]
    assert answer["outcome"] == "inconclusive"
    assert by_arm[3.2]["outcome"] in ("conforming", "nonconforming")


def test_a_verdict_that_flips_only_between_the_ends_is_found(check: Check, request_for: Make) -> None:
    # Heavy holes at the top: the top reading runs from below -3 oz to above it, and |M| has its least inside.
    body = request_for(ball={"top_weight": 12, "pin_to_cg": 1.5}, rules=RULES)
    body["drilling"]["layout"] = {"drilling_angle": 90, "pin_to_pap": 5.5, "val_angle": 60}
    body["drilling"]["holes"].append(
        {"role": "balance", "diameter": 2.4, "depth": 3.0, "at": {"right": -1.5, "up": 0.0}}
    )
    at = {}
    for arm in (2.3, 2.9, 3.2, 4.3):
        body["drilling"]["balance_arm"] = arm
        at[arm] = findings(check(body))["balance_top"]["value"]
    body["drilling"].pop("balance_arm")
    verdicts = {abs(value) <= 3.0 for value in at.values()}
    expected = "inconclusive" if len(verdicts) == 2 else "nonconforming"
    assert findings(check(body))["balance_top"]["outcome"] == expected
    assert len(verdicts) == 2


def test_a_measured_reading_does_not_depend_on_the_arm(check: Check, request_for: Make) -> None:
    body = near_three_ounces(request_for)
    body["measured_balance"] = {"top": 2.9, "side": 0, "finger": 0}
    found = findings(check(body))
    assert found["balance_top"]["outcome"] == "conforming"
    assert found["any_two_halves"]["advisory"]


@pytest.mark.parametrize("layout", [True, False])
def test_without_holes_the_largest_imbalance_is_the_top_weight(
    check: Check, request_for: Make, layout: bool
) -> None:
    body = request_for(
        ball={"top_weight": {"value": -3.4, "uncertainty": 0.1}}, drilling={"holes": []}, rules=RULES
    )
    if not layout:
        del body["drilling"]["layout"]
    answer = check(body)
    found = findings(answer)["any_two_halves"]
    assert found["value"] == pytest.approx(3.4, rel=1e-12)
    assert found["uncertainty"] == pytest.approx(0.1, rel=1e-12)
    assert found["outcome"] == "nonconforming"
    assert answer["derived"]["balance"]["largest_imbalance"] == pytest.approx(3.4, rel=1e-12)


def test_without_a_drilling_its_rules_are_not_assessed(
    check: Check, request_for: Make, outcomes: Outcomes
) -> None:
    answer = check(request_for(drilling=None, rules=RULES))
    found = outcomes(answer)
    drilling = {"gripping_holes", "balance_holes", "mill_holes", "balance_top", "any_two_halves"}
    play = {rule for rule in drilling if found[rule] != "not_assessed"}
    assert not play
    assert answer["outcome"] != "conforming"
    missing = {entry["field"]: entry["needed_for"] for entry in answer["missing"]}
    assert "gripping_holes" in missing["/holes_seen/finger_holes"]
    assert "balance_top" in missing["/measured_balance/top"]


def test_the_overall_outcome_is_the_worst_of_what_counts(check: Check, request_for: Make) -> None:
    order = ["conforming", "not_assessed", "inconclusive", "nonconforming"]
    full = {"roundness": 0.004, "hardness": 75, "approved_on": "2021-05-14", "max_density": 2.5}
    for ball in ({}, full, {**full, "rg": 2.4}, {**full, "top_weight": 5.2}):
        answer = check(request_for(ball=ball, rules=RULES))
        counted = [f["outcome"] for f in answer["findings"] if not f["advisory"]]
        assert answer["outcome"] == max(counted, key=order.index)


def test_what_the_layout_would_tell_is_asked_for(check: Check, request_for: Make) -> None:
    body = request_for(rules=RULES)
    del body["drilling"]["layout"]
    answer = check(body)
    assert answer["derived"]["balance"]["predicted"] is None
    assert findings(answer)["balance_top"]["outcome"] == "not_assessed"
    assert "balance" in {e["field"]: e["needed_for"] for e in answer["missing"]}["/drilling/layout"]


@pytest.mark.parametrize("pin_to_pap", [0, 8.55 * math.pi / 2])
def test_a_pin_on_the_axis_point_still_gives_numbers(
    check: Check, request_for: Make, pin_to_pap: float
) -> None:
    answer = check(request_for(drilling={"layout": {"pin_to_pap": pin_to_pap}}, rules=RULES))
    layout, drilled = answer["derived"]["layout"], answer["derived"]["drilled"]
    assert layout["pin_to_psa"] == pytest.approx(8.55 * math.pi / 4, rel=1e-9)
    assert layout["flare_potential"] == pytest.approx(0.0, abs=1e-9)
    assert drilled["rg"] is not None
    assert answer["derived"]["balance"]["predicted"] is not None


def test_both_words_about_holes_that_meet(check: Check, request_for: Make) -> None:
    body = request_for(rules=RULES)
    body["drilling"]["holes"].append(
        {"role": "vent", "diameter": 0.25, "depth": 2.0, "at": {"right": 0.0, "up": -2.6}}
    )
    assert not {"holes_meet", "slug_fills_hole"} & {c["code"] for c in check(request_for())["cautions"]}
    assert "holes_meet" in {caution["code"] for caution in check(body)["cautions"]}
    body["drilling"]["holes"][-1] = {"role": "thumb", "diameter": 1.2, "depth": 2, "slug_density": 1.2}
    assert "slug_fills_hole" in {caution["code"] for caution in check(body)["cautions"]}
    body["drilling"]["holes"].insert(0, body["drilling"]["holes"].pop())
    assert not {"holes_meet", "slug_fills_hole"} & {caution["code"] for caution in check(body)["cautions"]}


def test_no_answer_says_approved(check: Check, request_for: Make, sentence: Any) -> None:
    body = request_for(rules=RULES, ball={"approved_on": "2021-05-14"})
    answer = check(body)
    assert answer["outcome"] in ("conforming", "nonconforming", "inconclusive", "not_assessed")
    assert answer["cautions"][-1]["message"] == sentence("caution: not an approval")
