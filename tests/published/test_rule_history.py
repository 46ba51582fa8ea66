"""The rules through the years, against the governing bodies' published texts as far as they are known.

Sources: USBC releases of 2005 (differential), of 2018 (oil absorption) and of June 2020 (hardness); the
manual's change of the least radius of gyration in 2010; the drilling rules of 2020-08-01 and the static
balance rules of 2018-08-01; IBF 11.12 and 11.13.2. Rows marked secondary come from reprints, those marked
from memory have no text at hand.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest

from ballgauge_service.rulebooks import OUTCOMES, Fact, Facts, assess, describe, edition, findings

NOW = date(2026, 5, 1)


def days(day: date) -> float:
    """A day as the facts hold it."""
    return float((day - date(1970, 1, 1)).days)


MADE = days(date(2020, 12, 31))
SLOW = {"oil_absorption_time": 5401, "high_performance_core": 1}
CONFORMING, NONCONFORMING, NOT_ASSESSED = "conforming", "nonconforming", "not_assessed"


def _facts(values: dict[str, float], approved: date | None) -> Facts:
    known = values if approved is None else {**values, "approved_on": days(approved)}
    return Facts.of({name: Fact(float(value)) for name, value in known.items()})


def find(
    rule: str,
    values: dict[str, float],
    *,
    on: date | None = NOW,
    approved: date | None = None,
    body: str = "usbc",
    stage: Any = "play",
    overlay: str | None = None,
) -> dict[str, Any] | None:
    """One rule's finding on one ball, None where the rule is not judged."""
    assessment = assess(edition(body, on, stage, overlay), [_facts(values, approved)])
    return next((item for item in findings(assessment, 0) if item["rule"] == rule), None)


def outcome(rule: str, values: dict[str, float], **options: Any) -> str | None:
    finding = find(rule, values, **options)
    return None if finding is None else finding["outcome"]


@pytest.mark.parametrize(
    ("rule", "column", "inside", "outside"),
    [
        ("weight", "weight", [1.0, 16.0], [16.01]),
        ("roundness", "roundness", [0.0, 0.01], [0.0101]),
        ("rg_maximum", "rg", [2.8], [2.801]),
        ("friction", "friction", [0.32], [0.321]),
        ("restitution", "restitution", [0.65, 0.78], [0.649, 0.781]),
        ("max_density", "max_density", [3.8], [3.81]),
        ("vent_hole_diameter", "vent_hole_diameter", [0.25], [0.251]),
        ("excess_vent_holes", "excess_vent_holes", [0], [1]),
        ("mill_holes", "mill_holes", [0, 1], [2]),
        ("mill_hole_diameter", "mill_hole_diameter", [0.625], [0.626]),
        ("mill_hole_depth", "mill_hole_depth", [0.125], [0.126]),
        ("gripping_holes", "gripping_holes", [0, 5], [6]),
        ("doubled_digits", "doubled_digits", [0], [1]),
        ("gripping_hole_diameter", "gripping_hole_diameter", [1.5625], [1.5626]),
        ("gripping_hole_depth", "gripping_hole_depth", [4.5], [4.51]),
        ("plug_density", "plug_density", [3.8], [3.81]),
    ],
)
def test_limits_without_a_history(rule: str, column: str, inside: list[float], outside: list[float]) -> None:
    """Limits of the ball as made and of drilling that hold on any date: each edge and a value beyond it."""
    for value in inside:
        assert outcome(rule, {column: value}) == CONFORMING
    for value in outside:
        assert outcome(rule, {column: value}) == NONCONFORMING


@pytest.mark.parametrize(
    ("rule", "inside", "outside"),
    [
        ("circumference", [26.7035, 26.704, 27.002], [26.703, 27.003]),
        ("diameter", [8.5, 8.595], [8.499, 8.596]),
    ],
)
def test_sizes_bind_balls_of_13_lb_and_more_for_sure(
    rule: str, inside: list[float], outside: list[float]
) -> None:
    """Secondary: one rule measured two ways; the minimum is sure from 13 lb up."""
    for weight, too_small in ((13.0, NONCONFORMING), (12.99, "inconclusive")):
        for value in inside:
            assert outcome(rule, {rule: value, "weight": weight}) == CONFORMING
        assert outcome(rule, {rule: outside[0], "weight": weight}) == too_small
        assert outcome(rule, {rule: outside[1], "weight": weight}) == NONCONFORMING


@pytest.mark.parametrize("edge", [8.5, 26.7035 / np.pi, 8.595, 27.002 / np.pi])
def test_a_size_has_one_verdict_by_caliper_and_by_tape(edge: float) -> None:
    """At the limits of both, and a millionth of an inch beside them."""
    for step in (-1e-6, 0.0, 1e-6):
        around = np.pi * (edge + step)
        for across in (edge + step, around / np.pi):
            facts = {"weight": 15.0, "diameter": across, "circumference": around}
            assert outcome("diameter", facts) == outcome("circumference", facts)


@pytest.mark.parametrize(
    ("rule", "column", "twin", "on"),
    [
        ("weight", "weight", 7.26 / 0.45359237, NOW),
        ("balance_hole_diameter", "balance_hole_diameter", 31.8 / 25.4, date(2020, 7, 31)),
        ("vent_hole_diameter", "vent_hole_diameter", 6.4 / 25.4, NOW),
        ("mill_hole_diameter", "mill_hole_diameter", 15.9 / 25.4, NOW),
        ("mill_hole_depth", "mill_hole_depth", 3.2 / 25.4, NOW),
    ],
)
def test_a_printed_metric_twin_meets_the_limit_and_nothing_near_it_does(
    rule: str, column: str, twin: float, on: date
) -> None:
    found = find(rule, {column: twin}, on=on)
    assert found is not None
    assert (found["outcome"], found["margin"], found["value"]) == (CONFORMING, 0.0, twin)
    assert "meets" in found["message"]
    for value in (twin - 1e-4, twin + 1e-4):
        assert outcome(rule, {column: value}, on=on) == NONCONFORMING


@pytest.mark.parametrize(
    ("rule", "values", "last_day", "before", "after"),
    [
        ("hardness", {"hardness": 72, "made_on": MADE}, date(2020, 12, 31), CONFORMING, NONCONFORMING),
        ("hardness", {"hardness": 72}, date(2020, 12, 31), "inconclusive", NONCONFORMING),
        ("hardness", {"hardness": 72, "made_on": MADE}, date(1979, 12, 31), NOT_ASSESSED, CONFORMING),
        ("hardness", {"hardness": 75, **SLOW}, date(2025, 12, 30), CONFORMING, NONCONFORMING),
        ("hardness", {"hardness": 78, **SLOW}, date(2025, 12, 30), CONFORMING, CONFORMING),
        ("rg_minimum", {"rg": 2.44}, date(1990, 12, 31), NOT_ASSESSED, CONFORMING),
        ("differential", {"differential": 0.07}, date(1990, 12, 31), NOT_ASSESSED, CONFORMING),
        ("hardness", {"hardness": 73}, date(2020, 12, 31), CONFORMING, CONFORMING),
        ("hardness", {"hardness": 71.9}, date(2020, 12, 31), NONCONFORMING, NONCONFORMING),
        ("rg_minimum", {"rg": 2.44}, date(2010, 6, 30), CONFORMING, NONCONFORMING),
        ("rg_minimum", {"rg": 2.46}, date(2010, 6, 30), CONFORMING, CONFORMING),
        ("rg_minimum", {"rg": 2.42}, date(2010, 6, 30), NONCONFORMING, NONCONFORMING),
        ("differential", {"differential": 0.07}, date(2005, 1, 31), CONFORMING, NONCONFORMING),
        ("differential", {"differential": 0.08}, date(2005, 1, 31), CONFORMING, NONCONFORMING),
        ("differential", {"differential": 0.06}, date(2005, 1, 31), CONFORMING, CONFORMING),
        ("pin_to_low_rg_axis", {"pin_to_low_rg_axis": 1.1}, date(2012, 1, 30), NOT_ASSESSED, NONCONFORMING),
        (
            "mark_to_high_rg_axis",
            {"mark_to_high_rg_axis": 1.6, "asymmetric": 1},
            date(2012, 1, 30),
            NOT_ASSESSED,
            NONCONFORMING,
        ),
        (
            "mark_to_high_rg_axis",
            {"mark_to_high_rg_axis": 1.6, "asymmetric": 0},
            date(2012, 1, 30),
            NOT_ASSESSED,
            NOT_ASSESSED,
        ),
        ("oil_absorption_time", {"oil_absorption_time": 134}, date(2020, 7, 31), NOT_ASSESSED, NONCONFORMING),
        ("oil_absorption_time", {"oil_absorption_time": 135}, date(2020, 7, 31), NOT_ASSESSED, CONFORMING),
    ],
)
def test_the_date_of_approval_decides(
    rule: str, values: dict[str, float], last_day: date, before: str, after: str
) -> None:
    """A ball stays legal under the rule of its approval date, whatever the date of use."""
    for on in (date(2026, 1, 31), NOW):
        assert outcome(rule, values, on=on, approved=last_day, stage="approval") == before
        next_day = last_day + timedelta(days=1)
        assert outcome(rule, values, on=on, approved=next_day, stage="approval") == after


def test_the_cases_of_2004_to_2021() -> None:
    assert outcome("rg_minimum", {"rg": 2.44}, approved=date(2008, 5, 1)) == CONFORMING
    assert outcome("rg_minimum", {"rg": 2.44}, approved=date(2012, 5, 1)) == NONCONFORMING
    assert outcome("differential", {"differential": 0.070}, approved=date(2004, 5, 1)) == CONFORMING
    assert outcome("differential", {"differential": 0.070}, approved=date(2006, 5, 1)) == NONCONFORMING
    facts = {"hardness": 72.0, "made_on": MADE}
    assert outcome("hardness", facts, approved=date(2020, 12, 31)) == CONFORMING
    assert outcome("hardness", {"hardness": 72}, approved=date(2021, 5, 1)) == NONCONFORMING


@pytest.mark.parametrize("direction", ["side", "finger"])
@pytest.mark.parametrize(
    ("on", "balance_holes", "weight", "limit"),
    [
        (date(2017, 5, 1), 0, 15.0, 1.0),
        (date(2017, 5, 1), 1, 15.0, 1.0),
        (date(2018, 7, 31), 0, 15.0, 1.0),
        (date(2018, 8, 1), 0, 15.0, 3.0),
        (date(2019, 5, 1), 0, 15.0, 3.0),
        (date(2019, 5, 1), 1, 15.0, 1.0),
        (date(2020, 7, 31), 1, 15.0, 1.0),
        (date(2020, 8, 1), 0, 15.0, 3.0),
        (NOW, 0, 10.01, 3.0),
        (NOW, 0, 10.0, 0.75),
        (NOW, 0, 8.0, 0.75),
        (NOW, 0, 7.99, 0.75),
    ],
)
def test_side_and_finger_balance(
    direction: str, on: date, balance_holes: int, weight: float, limit: float
) -> None:
    """USBC static balance by weight and date; 10 lb and below from memory."""
    rule = f"balance_{direction}"
    facts = {"weight": weight, "balance_holes": balance_holes}
    for sign in (-1.0, 1.0):
        assert outcome(rule, {**facts, rule: sign * limit}, on=on) == CONFORMING
        assert outcome(rule, {**facts, rule: sign * (limit + 0.01)}, on=on) == NONCONFORMING


@pytest.mark.parametrize(("weight", "limit"), [(15.0, 3.0), (10.0, 2.0), (8.0, 2.0), (7.9, 0.75)])
def test_top_balance(weight: float, limit: float) -> None:
    """USBC: 3 oz over 10 lb at all times; 2 oz from 8 to 10 lb and 3/4 oz below from memory."""
    for on in (date(2015, 1, 1), date(2019, 1, 1), NOW):
        for sign in (-1.0, 1.0):
            facts = {"weight": weight, "balance_holes": 0}
            assert outcome("balance_top", {**facts, "balance_top": sign * limit}, on=on) == CONFORMING
            assert (
                outcome("balance_top", {**facts, "balance_top": sign * (limit + 0.01)}, on=on)
                == NONCONFORMING
            )


@pytest.mark.parametrize("body", ["usbc", "ibf"])
def test_balance_holes_end_on_the_first_of_august_2020(body: str) -> None:
    for on, number, diameter in (
        (date(2020, 7, 31), CONFORMING, NONCONFORMING),
        (date(2020, 8, 1), NONCONFORMING, NOT_ASSESSED),
    ):
        facts = {"balance_holes": 1, "balance_hole_diameter": 1.26, "unused_thumb": 0}
        assert outcome("balance_holes", facts, on=on, body=body) == number
        assert outcome("balance_hole_diameter", facts, on=on, body=body) == diameter
        for count, expected in ((2, NONCONFORMING), (0, CONFORMING)):
            facts = {"balance_holes": count, "unused_thumb": 0}
            assert outcome("balance_holes", facts, on=on, body=body) == expected
    assert (
        outcome("balance_hole_diameter", {"balance_hole_diameter": 1.25}, on=date(2019, 1, 1), body=body)
        == CONFORMING
    )


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ({"unused_gripping_holes": 0}, CONFORMING),
        ({"unused_gripping_holes": 1, "house_ball": 0}, NONCONFORMING),
        ({"unused_gripping_holes": 1}, "inconclusive"),
        (
            {"unused_gripping_holes": 2, "house_ball": 1, "reactive_cover": 0, "differential": 0.0249},
            CONFORMING,
        ),
        (
            {"unused_gripping_holes": 2, "house_ball": 1, "reactive_cover": 0, "differential": 0.025},
            NONCONFORMING,
        ),
        (
            {"unused_gripping_holes": 2, "house_ball": 1, "reactive_cover": 1, "differential": 0.02},
            NONCONFORMING,
        ),
        ({"unused_gripping_holes": 2, "house_ball": 1, "differential": 0.02}, "inconclusive"),
        ({"unused_gripping_holes": 2, "house_ball": 1, "differential": 0.05}, NONCONFORMING),
    ],
)
def test_all_gripping_holes_are_used_but_for_house_balls(values: dict[str, float], expected: str) -> None:
    """USBC, from 2020-08-01; exempt are polyester and basic urethane with a differential under 0.025 in."""
    assert outcome("unused_gripping_holes", values) == expected
    earlier = find("unused_gripping_holes", values, on=date(2020, 7, 31))
    assert earlier is not None
    assert (earlier["outcome"], earlier["advisory"]) == (NOT_ASSESSED, True)


@pytest.mark.parametrize("body", ["usbc", "ibf"])
def test_without_a_thumb_hole_the_grip_center_is_marked(body: str) -> None:
    rule = "unmarked_grip_centre"
    for values, expected in (
        ({"thumb_holes": 0, "unused_thumb": 0, rule: 1}, NONCONFORMING),
        ({"thumb_holes": 0, rule: 0}, CONFORMING),
        ({"thumb_holes": 1, rule: 1}, CONFORMING),
        ({"thumb_holes": 1}, CONFORMING),
        ({"thumb_holes": 0}, NOT_ASSESSED),
    ):
        assert outcome(rule, values, body=body) == expected
    assert outcome(rule, {"thumb_holes": 0, rule: 1}, body=body, on=date(2020, 7, 31)) == NOT_ASSESSED


@pytest.mark.parametrize(
    ("on", "weight", "holes", "limit"),
    [
        (date(2018, 7, 31), 15.0, 0, 1.0),
        (date(2018, 8, 1), 15.0, 0, 3.0),
        (date(2018, 8, 1), 10.0, 0, 1.0),
        (NOW, 15.0, 0, 3.0),
    ],
)
def test_any_two_halves(on: date, weight: float, holes: int, limit: float) -> None:
    """Local associations' summaries of the USBC rule, and an older USBC text for a ball with no holes."""
    facts = {"weight": weight, "holes": holes}
    assert outcome("any_two_halves", {**facts, "largest_imbalance": limit}, on=on) == CONFORMING
    assert outcome("any_two_halves", {**facts, "largest_imbalance": limit + 0.01}, on=on) == NONCONFORMING


def test_any_two_halves_is_advice_for_drilled_balls() -> None:
    for on, weight in ((date(2020, 7, 31), 15.0), (NOW, 10.0), (NOW, 15.0)):
        found = find("any_two_halves", {"weight": weight, "holes": 3, "largest_imbalance": 5}, on=on)
        assert found is not None
        assert (found["outcome"], found["advisory"]) == (NOT_ASSESSED, True)


@pytest.mark.parametrize(
    ("overlay", "last"),
    [(None, date(2020, 7, 31)), ("japan", date(2020, 7, 31)), ("netherlands", date(2020, 12, 31)),
     ("ukraine", date(2020, 12, 31))],
)  # fmt: skip
def test_the_last_day_of_balance_holes_by_nation(overlay: str | None, last: date) -> None:
    """Secondary: the IBF's reprints, and the federations' own days; with a hole the sides stay at 1 oz."""
    values = {"balance_holes": 1.0, "unused_thumb": 0.0, "balance_hole_diameter": 1.26, "weight": 15.0}
    for on, number, size, side in (
        (last, CONFORMING, NONCONFORMING, NONCONFORMING),
        (last + timedelta(days=1), NONCONFORMING, NOT_ASSESSED, CONFORMING),
    ):
        found = [
            outcome(rule, {**values, "balance_side": 1.5}, on=on, body="ibf", overlay=overlay)
            for rule in ("balance_holes", "balance_hole_diameter", "balance_side")
        ]
        assert found == [number, size, side]


@pytest.mark.parametrize(("overlay", "first"), [(None, date(2020, 8, 1)), ("ukraine", date(2021, 1, 1))])
def test_the_first_day_of_all_holes_used_by_nation(overlay: str | None, first: date) -> None:
    """Secondary: from 2020-08-01, in Ukraine from 2021-01-01; the grip's mark with it."""
    values = {
        "unused_gripping_holes": 1.0,
        "unused_thumb": 0.0,
        "thumb_holes": 0.0,
        "unmarked_grip_centre": 1.0,
    }
    for rule in ("unused_gripping_holes", "unmarked_grip_centre"):
        for on, expected in ((first - timedelta(days=1), NOT_ASSESSED), (first, NONCONFORMING)):
            assert outcome(rule, values, on=on, body="ibf", overlay=overlay) == expected


def test_japan_asks_for_no_hardness_in_play_from_2021_09_01() -> None:
    """Secondary; what was asked before was not read, so a reading given then is not assessed, and counts."""
    for on, counted in ((date(2021, 8, 31), True), (date(2021, 9, 1), False)):
        found = find("hardness_in_play", {"hardness": 60.0}, on=on, body="ibf", overlay="japan")
        assert found is not None
        assert (found["outcome"], found["advisory"]) == (NOT_ASSESSED, not counted)
    assert outcome("hardness_in_play", {"weight": 15.0}, body="ibf", overlay="japan") is None


@pytest.mark.parametrize(
    ("on", "holes", "expected"),
    [
        (date(2020, 7, 31), 1, CONFORMING),
        (date(2020, 7, 31), 2, "inconclusive"),
        (date(2020, 8, 1), 1, NONCONFORMING),
    ],
)
def test_an_unused_thumb_hole_is_open_by_the_ibf(on: date, holes: int, expected: str) -> None:
    """That it is a balance hole is a rule of the USBC's alone, as far as the texts were read."""
    values = {"balance_holes": float(holes), "unused_thumb": 1.0}
    assert outcome("balance_holes", values, on=on, body="ibf") == expected


def test_the_national_difference_of_australia() -> None:
    """Tenpin Bowling Australia's notice: from 2019-01-01, from 8 lb up, A with a balance hole, B without."""
    for on, weight, holes, imbalance, expected in (
        (NOW, 8.0, 0, 3.0, CONFORMING),
        (NOW, 8.0, 0, 3.01, NONCONFORMING),
        (NOW, 7.99, 0, 5.0, NOT_ASSESSED),
        (date(2018, 12, 31), 15.0, 0, 5.0, NOT_ASSESSED),
        (date(2019, 1, 1), 15.0, 0, 5.0, NONCONFORMING),
        (date(2019, 1, 1), 15.0, 1, 5.0, NOT_ASSESSED),
    ):
        values = {"weight": weight, "balance_holes": holes, "largest_imbalance": imbalance}
        assert outcome("any_two_halves", values, on=on, body="ibf", overlay="australia") == expected
    for holes, expected in ((0, CONFORMING), (1, NONCONFORMING)):
        values = {"weight": 9.0, "balance_holes": holes, "balance_side": 1.5}
        found = outcome("balance_side", values, on=date(2019, 1, 1), body="ibf", overlay="australia")
        assert found == expected
    assert outcome("any_two_halves", {"weight": 9.0, "largest_imbalance": 1.0}, body="ibf") is None


@pytest.mark.parametrize("rule", ["balance_top", "balance_side", "balance_finger"])
def test_international_balance_starts_in_2019(rule: str) -> None:
    """IBF 11.13.2, from 2019-01-01, over 10 lb and without a balance hole."""
    for on, value, expected in (
        (date(2018, 12, 31), 0.5, NOT_ASSESSED),
        (date(2019, 1, 1), 3.0, CONFORMING),
        (date(2019, 1, 1), -3.01, NONCONFORMING),
        (NOW, 3.0, CONFORMING),
    ):
        values = {"weight": 15.0, "balance_holes": 0, rule: value}
        found = find(rule, values, on=on, body="ibf")
        assert found is not None
        assert (found["outcome"], found["clause"]) == (expected, "11.13.2")
    most = 3.0 if rule == "balance_top" else 1.0
    for value, expected in ((most, CONFORMING), (most + 0.01, NONCONFORMING)):
        values = {"weight": 15.0, "balance_holes": 1, rule: value}
        for on in (date(2018, 5, 1), date(2020, 7, 31)):
            assert outcome(rule, values, on=on, body="ibf") == expected
    assert outcome(rule, {"weight": 9.0, "balance_holes": 0, rule: 0.5}, body="ibf") == NOT_ASSESSED


@pytest.mark.parametrize(
    ("approved", "weight", "roughness", "expected"),
    [
        (date(2009, 3, 31), 15.0, 70.0, NOT_ASSESSED),
        (date(2009, 4, 1), 15.0, 70.0, NONCONFORMING),
        (date(2009, 4, 1), 13.0, 65.0, CONFORMING),
        (date(2009, 4, 1), 12.9, 70.0, NOT_ASSESSED),
    ],
)
def test_roughness_binds_at_approval_only(
    approved: date, weight: float, roughness: float, expected: str
) -> None:
    """Secondary: 65 µin for balls of 13 lb and more, approvals from April 2009, not later surface work."""
    values = {"weight": weight, "roughness": roughness}
    assert outcome("roughness", values, approved=approved, stage="approval") == expected
    assert outcome("roughness", values, approved=approved) is None


def test_measurements_of_the_laboratory_are_judged_in_play_only_where_given() -> None:
    for rule in ("friction", "restitution", "max_density", "pin_to_low_rg_axis", "oil_absorption_time"):
        assert outcome(rule, {"weight": 15.0}) is None
        assert outcome(rule, {"weight": 15.0}, stage="approval") == NOT_ASSESSED


def test_field_hardness_is_advice_of_early_2020() -> None:
    """USBC 2020: an earlier notice named 68 D; the release of June ended field tests."""
    for on, value, expected in (
        (date(2020, 1, 31), 60.0, NOT_ASSESSED),
        (date(2020, 2, 1), 67.9, NONCONFORMING),
        (date(2020, 6, 7), 67.9, NONCONFORMING),
        (date(2020, 6, 7), 68.0, CONFORMING),
        (date(2020, 6, 8), 60.0, NOT_ASSESSED),
    ):
        found = find("field_hardness", {"hardness": value}, on=on)
        assert found is not None
        assert (found["outcome"], found["advisory"]) == (expected, True)


def test_construction_is_told_in_words_and_never_counts(sentence: Any) -> None:
    found = find("construction", {"weight": 15.0}, stage="approval")
    assert found is not None
    assert (found["outcome"], found["advisory"], found["value"]) == (NOT_ASSESSED, True, None)
    assert found["message"] == sentence("construction is not judged")


@pytest.mark.parametrize(
    ("values", "on", "expected"),
    [
        ({"unused_thumb": 1, "balance_holes": 1}, date(2020, 8, 1), NONCONFORMING),
        ({"unused_thumb": 1, "balance_holes": 1, "house_ball": 1}, date(2020, 8, 1), CONFORMING),
        ({"unused_thumb": 1, "balance_holes": 2, "house_ball": 1}, date(2020, 8, 1), NONCONFORMING),
        ({"unused_thumb": 1, "balance_holes": 2}, date(2014, 4, 30), CONFORMING),
        ({"unused_thumb": 1, "balance_holes": 2}, date(2014, 5, 1), NONCONFORMING),
        ({"unused_thumb": 0, "balance_holes": 2}, date(2014, 4, 30), NONCONFORMING),
    ],
)
def test_an_unused_thumb_hole_counts_since_may_2014_but_not_of_an_exempt_house_ball(
    values: dict[str, float], on: date, expected: str
) -> None:
    """Secondary for the month; the exemption is of the release of June 2018."""
    facts = {"house_ball": 0, "reactive_cover": 0, "differential": 0.0249, **values}
    assert outcome("balance_holes", facts, on=on) == expected
    mark = {**facts, "thumb_holes": 0, "unmarked_grip_centre": 1}
    exempt = facts["house_ball"] == 1 or on < date(2020, 8, 1)
    assert (outcome("unmarked_grip_centre", mark, on=on) == NONCONFORMING) != exempt


@pytest.mark.parametrize(
    ("hardness", "approved", "made", "expected"),
    [
        (72.5, date(2019, 5, 1), date(2022, 7, 31), CONFORMING),
        (72.5, date(2019, 5, 1), date(2022, 8, 1), NONCONFORMING),
        (73.0, date(2019, 5, 1), date(2022, 8, 1), CONFORMING),
        (72.5, date(2019, 5, 1), None, "inconclusive"),
        (72.5, date(1975, 1, 1), date(2022, 8, 1), NONCONFORMING),
        (72.5, date(1975, 1, 1), date(2022, 7, 31), NOT_ASSESSED),
        (72.5, date(1975, 1, 1), None, "inconclusive"),
        (72.5, None, date(2022, 7, 31), "inconclusive"),
        (72.5, None, date(2022, 8, 1), NONCONFORMING),
        (72.5, None, None, "inconclusive"),
        (71.9, None, None, NONCONFORMING),
        (74.0, None, None, CONFORMING),
    ],
)
def test_a_made_ball_is_judged_by_approval_and_manufacture(
    hardness: float, approved: date | None, made: date | None, expected: str
) -> None:
    """USBC, release of 2020-06-08: models approved below 73 D had to leave production by 2022-07-31."""
    facts = {"hardness": hardness, "oil_absorption_time": 700.0}
    if made is not None:
        facts["made_on"] = days(made)
    assert outcome("hardness", facts, approved=approved, stage="approval") == expected
    found = find("hardness", facts, approved=approved)
    assert found is not None
    assert found["advisory"]


@pytest.mark.parametrize(
    ("time", "core", "expected"),
    [
        (5401, 1, NONCONFORMING),
        (5401, 0, CONFORMING),
        (5401, None, "inconclusive"),
        (5400, 1, CONFORMING),
        (5400, None, CONFORMING),
        (None, 1, "inconclusive"),
    ],
)
def test_slow_high_performance_balls_need_78(time: float | None, core: float | None, expected: str) -> None:
    """USBC, release of September 2025: approvals from 2025-12-31, over 90 min."""
    given = {"hardness": 77.9, "oil_absorption_time": time, "high_performance_core": core}
    facts = {name: float(value) for name, value in given.items() if value is not None}
    assert outcome("hardness", facts, approved=date(2025, 12, 31), stage="approval") == expected


def test_national_events_of_2026() -> None:
    """USBC, release of September 2025; the event says which of its two rules it has."""
    for on, made, hard, expected in (
        (date(2025, 12, 31), date(2022, 7, 31), 70.0, (NOT_ASSESSED,) * 3),
        (date(2026, 1, 1), date(2022, 7, 31), 79.0, (CONFORMING, NONCONFORMING, NONCONFORMING)),
        (date(2026, 1, 1), date(2022, 8, 1), 78.0, (CONFORMING, CONFORMING, NONCONFORMING)),
        (date(2026, 1, 1), date(2022, 8, 1), 77.9, (NONCONFORMING, CONFORMING, NONCONFORMING)),
    ):
        facts = {**SLOW, "hardness": hard, "made_on": days(made)}
        found = (
            outcome("event_hardness", facts, on=on, overlay="national_events_78d"),
            outcome("event_made_on", facts, on=on, overlay="national_events_78d"),
            outcome("event_slow_oil_absorption", facts, on=on, overlay="national_events_barred"),
        )
        assert found == expected


def test_asymmetrical_is_a_twentieth_of_the_differential() -> None:
    """Secondary, a pro shop's copy: the flag is the facts'; the rule binds where it is set."""
    for flag, expected in ((1, NONCONFORMING), (0, NOT_ASSESSED)):
        facts = {"mark_to_high_rg_axis": 1.8, "asymmetric": flag}
        assert outcome("mark_to_high_rg_axis", facts, approved=date(2020, 1, 1)) == expected


def test_ibf_asks_for_all_holes_and_for_balls_made_from_1991() -> None:
    """Secondary: 11.12.2 from 2020-08-01; the list policy of October 2025."""
    for on, expected in ((date(2020, 7, 31), NOT_ASSESSED), (date(2020, 8, 1), NONCONFORMING)):
        assert outcome("unused_gripping_holes", {"unused_gripping_holes": 1}, on=on, body="ibf") == expected
    for on, expected in ((date(2025, 9, 30), NOT_ASSESSED), (date(2025, 10, 1), NONCONFORMING)):
        facts = {"made_on": days(date(1990, 12, 31)), "identity": 0, "identity_by_hand": 0}
        for rule in ("made_on", "identity"):
            assert outcome(rule, facts, on=on, body="ibf") == expected
        facts = {"made_on": days(date(1991, 1, 1)), "identity": 1, "identity_by_hand": 0}
        for rule in ("made_on", "identity"):
            assert outcome(rule, facts, on=on, body="ibf") in (CONFORMING, NOT_ASSESSED)


@pytest.mark.parametrize(
    ("rule", "facts"),
    [
        ("gripping_hole_diameter", {"gripping_hole_diameter": 1.6}),
        ("gripping_hole_depth", {"gripping_hole_depth": 4.75}),
    ],
)
def test_sizes_of_gripping_holes_bind_from_2021(rule: str, facts: dict[str, float]) -> None:
    """Secondary, a translation of the manual of January 2021."""
    assert outcome(rule, facts, on=date(2020, 12, 31)) == NOT_ASSESSED
    assert outcome(rule, facts, on=date(2021, 1, 1)) == NONCONFORMING


SOUND = {
    "weight": 15.0,
    "identity": 1,
    "identity_by_hand": 0,
    "unused_thumb": 0,
    "doubled_digits": 0,
    "diameter": 8.55,
    "circumference": 26.86,
    "roundness": 0.005,
    "rg": 2.5,
    "differential": 0.05,
    "hardness": 75.0,
    "holes": 3,
    "gripping_holes": 3,
    "unused_gripping_holes": 0,
    "thumb_holes": 1,
    "balance_holes": 0,
    "excess_vent_holes": 0,
    "mill_holes": 0,
    "balance_top": 1.0,
    "balance_side": 0.5,
    "balance_finger": 0.5,
    "largest_imbalance": 1.3,
}


@pytest.mark.parametrize(
    ("change", "on", "expected"),
    [
        ({}, NOW, CONFORMING),
        ({}, date(2019, 5, 1), CONFORMING),
        ({}, date(2017, 5, 1), CONFORMING),
        ({"balance_side": 1.5}, date(2017, 5, 1), NONCONFORMING),
        ({"balance_side": 1.5}, date(2019, 5, 1), CONFORMING),
        ({"balance_side": 1.5, "balance_holes": 1}, date(2019, 5, 1), NONCONFORMING),
        ({"balance_holes": 1}, date(2020, 7, 31), CONFORMING),
        ({"balance_holes": 1}, date(2020, 8, 1), NONCONFORMING),
        ({"roundness": np.nan, "rg": np.nan, "differential": np.nan, "hardness": np.nan}, NOW, CONFORMING),
        ({"identity": np.nan}, NOW, NOT_ASSESSED),
        ({"hardness": 60.0}, date(2020, 8, 1), CONFORMING),
    ],
)
def test_the_overall_outcome_of_a_drilled_ball(change: dict[str, float], on: date, expected: str) -> None:
    assessment = assess(edition("usbc", on), [_facts({**SOUND, **change}, date(2016, 1, 1))])
    assert OUTCOMES[assessment.overall[0]] == expected


def test_every_rule_says_how_sure_it_is() -> None:
    """The basis of the published-rules table, row by row."""
    basis = {
        rule["rule"]: {limit["basis"] for limit in (*rule["limits"], *rule["other_limits"])}
        for rule in describe("usbc")["rules"]
    }
    one = {rule: found.copy().pop() for rule, found in basis.items() if len(found) == 1}
    assert {rule for rule, found in one.items() if found == "secondary"} == {
        "weight", "circumference", "diameter", "roundness", "rg_maximum", "roughness", "oil_absorption_time",
        "gripping_hole_diameter", "gripping_hole_depth", "any_two_halves",
    }  # fmt: skip
    assert {rule for rule, found in one.items() if found == "from_memory"} == {"friction", "restitution"}
    mixed = {rule: found for rule, found in basis.items() if rule not in one}
    recalled, read = {"published", "from_memory"}, {"published", "secondary"}
    assert mixed == {
        **dict.fromkeys(("balance_top", "balance_side", "balance_finger"), recalled),
        **dict.fromkeys(("mark_to_high_rg_axis", "balance_holes", "balance_hole_diameter"), read),
    }


def test_the_procedures_and_facts_are_listed() -> None:
    listing = describe("usbc")
    numbers = {item["number"] for item in listing["procedures"]}
    assert numbers == {str(n) for n in (1, 2, 3, 4, 5, 6, 7, 9, 10, 12, 13, 17, 20, 22, 26)}
    facts = {item["id"]: (item["value"], item["unit"]) for item in listing["facts"]}
    assert facts["lane_length"] == (60.0, "ft")
    assert facts["lane_width"] == (41.5, "in")
