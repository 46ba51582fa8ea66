"""Verdicts of lots against the checks of single balls, and what a lot adds up to against plain sums.

Oracle of the verdicts: `evaluate_checks`, which judges one ball at a time from the contract's own request; of
the sums: Python's `statistics` and exact fractions, and numpy.
"""

from __future__ import annotations

import json
import math
import statistics
from collections.abc import Callable
from datetime import date
from fractions import Fraction
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from ballgauge_schemas import CHECK_REQUEST, KINDS, ValidationError
from ballgauge_service.check.evaluate import evaluate_checks
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.lot.judging.totals import BINS, LotTotals, QuantityTotals, digests
from ballgauge_service.lot.judging.verdicts import judge_balls
from ballgauge_service.lot.reading.columns import Balls
from ballgauge_service.lot.reading.headings import QUANTITIES
from ballgauge_service.rulebooks import OUTCOMES, Decision, edition

Make = Callable[..., Any]

NEAR = {
    "weight": [16.0, 16.01, 13.0, 12.99, 10.0, 8.0],
    "diameter": [8.5, 8.499, 8.595, 8.596],
    "circumference": [26.704, 26.703, 27.002, 27.003],
    "roundness": [0.01, 0.0101],
    "rg": [2.43, 2.429, 2.46, 2.459, 2.8, 2.801],
    "differential": [0.06, 0.061, 0.08, 0.081],
    "intermediate_differential": [0.0, 0.008, 0.0079],
    "hardness": [72.0, 73.0, 71.9, 68.0, 77.9, 78.0],
    "friction": [0.32, 0.321],
    "restitution": [0.65, 0.649, 0.78],
    "roughness": [65.0, 65.1],
    "oil_absorption_time": [135.0, 134.9, 5400.0, 5400.1],
    "max_density": [3.8, 3.81],
    "pin_to_low_rg_axis": [1.0, 1.01],
    "mark_to_high_rg_axis": [1.5, 1.51],
}
DAYS = ["2004-12-31", "2009-03-31", "2010-06-30", "2012-01-31", "2020-12-31", "2023-01-01", "2025-12-31"]
MADE = ["2005-01-31", "2022-07-31", "2022-08-01", "2026-02-01"]
BALL = st.fixed_dictionaries(
    {"weight": st.sampled_from(NEAR["weight"]) | st.floats(4, 20)},
    optional={
        **{
            name: st.sampled_from(near) | st.floats(QUANTITIES[name].minimum, QUANTITIES[name].maximum)
            for name, near in NEAR.items()
            if name != "weight"
        },
        "approved_on": st.sampled_from(DAYS),
        "made_on": st.sampled_from(MADE),
        "high_performance_core": st.booleans(),
        "identity": st.just("checked_by_hand"),
        "house_ball": st.booleans(),
        "cover": st.sampled_from(["polyester", "urethane", "reactive"]),
    },
)
SPREAD = {"weight": 0.01, "diameter": 0.002, "rg": 0.004, "hardness": 0.5, "circumference": 0.01}


def alone(ball: dict[str, Any], rules: dict[str, Any], decision: dict[str, Any]) -> dict[str, Any] | None:
    """The check of one ball, None where the contract or the engine refuses it."""
    try:
        return evaluate_checks([CHECK_REQUEST.load({"ball": ball, "rules": rules, "decision": decision})])[0]
    except (ValidationError, InvalidInput):
        return None


def with_units(balls: list[dict[str, Any]]) -> bytes:
    """The same balls as lines of JSON, each quantity with its unit."""
    units = {name: KINDS[field.kind].unit for name, field in QUANTITIES.items()}
    lines = [
        {
            name: {**(x if isinstance(x, dict) else {"value": x}), "unit": units[name]}
            if name in units
            else x
            for name, x in ball.items()
        }
        for ball in balls
    ]
    return "".join(json.dumps(line) + "\n" for line in lines).encode()


def compare(ball: dict[str, Any], check: dict[str, Any]) -> None:
    """A lot's verdict on a ball is the check's: outcome, every rule's, and the margin of the rule named."""
    assert ball["outcome"] == check["outcome"]
    found = {finding["rule"]: finding for finding in check["findings"]}
    assert ball["rules"] == {rule: finding["outcome"] for rule, finding in found.items()}
    if ball["rule"] is None:
        return
    named = found[ball["rule"]]
    assert named["outcome"] == check["outcome"]
    assert not named["advisory"]
    if check["outcome"] == "not_assessed":
        assert ball["margin"] is None
    else:
        assert ball["margin"] == named["margin"]
    assert named["title"] in ball["reason"]


@given(
    balls=st.lists(BALL, min_size=1, max_size=8),
    stage=st.sampled_from(["play", "approval"]),
    body=st.sampled_from(["usbc", "ibf"]),
    on=st.sampled_from(["2019-05-01", "2026-05-01"]),
    guarded=st.booleans(),
)
@example(balls=[{"weight": 6.5}] * 5, stage="play", body="usbc", on="2026-05-01", guarded=True)
@settings(deadline=None, max_examples=120)
def test_a_lot_is_judged_as_its_balls_are_alone(
    judge: Make, balls: list[dict[str, Any]], stage: str, body: str, on: str, guarded: bool
) -> None:
    rules = {"body": body, "on": on, "stage": stage}
    decision = {"rule": "guarded", "risk": 0.05} if guarded else {"rule": "simple"}
    stated = [
        {
            name: {"value": x, "uncertainty": SPREAD[name]} if name in SPREAD and guarded else x
            for name, x in ball.items()
        }
        for ball in balls
    ]
    checks = [alone(ball, rules, decision) for ball in stated]
    data = "".join(json.dumps(ball) + "\n" for ball in stated).encode()
    asked = Decision("guarded", 0.05) if guarded else Decision()
    options = {"decision": asked, "stage": stage, "body": body, "on": date.fromisoformat(on)}
    if not any(checks):
        with pytest.raises(InvalidInput):
            judge(data, **options)
        return
    try:
        judged = judge(data, **options)
    except InvalidInput as refused:
        # Bare numbers that may be of another unit are refused until the file names it.
        if not all("name the unit in the heading" in fault.words for fault in refused.faults):
            raise
        judged = judge(with_units(stated), **options)
    assert judged.rows == [row for row, check in enumerate(checks, 1) if check is not None]
    for ball in judged.balls:
        check = checks[ball["row"] - 1]
        assert check is not None
        compare(ball, check)


WHOLE = st.fixed_dictionaries(
    {
        name: st.floats(QUANTITIES[name].minimum, QUANTITIES[name].maximum)
        for name in ("weight", "rg", "differential")
    },
    optional={
        name: st.floats(QUANTITIES[name].minimum, QUANTITIES[name].maximum)
        for name in ("diameter", "circumference", "intermediate_differential", "max_density")
    },
)
"""Inertia and size over the whole of the contract's ranges, most of it no ball at all."""


@given(balls=st.lists(WHOLE, min_size=1, max_size=40))
@example(balls=[{"weight": 16.0, "rg": 3.125, "differential": 0.06, "diameter": 7.75}])
@settings(deadline=None, max_examples=60)
def test_what_is_impossible_is_so_in_a_lot_and_alone(judge: Make, balls: list[dict[str, Any]]) -> None:
    """A lot leaves out the very balls that a check refuses, over the whole of the contract's ranges."""
    balls = [{"weight": 15.0}, *balls]
    checks = [alone(ball, {"on": "2026-05-01"}, {}) for ball in balls]
    judged = judge(with_units(balls))
    possible = [number for number, check in enumerate(checks, start=1) if check is not None]
    assert judged.rows == possible
    for ball, number in zip(judged.balls, possible, strict=True):
        assert ball["outcome"] == checks[number - 1]["outcome"]  # type: ignore[index]
    refused = {row for row, _, _ in judged.notes}
    assert refused == set(range(1, len(balls) + 1)) - set(possible)


def test_uncertainties_of_a_gauge_stand_for_those_not_stated(judge: Make, written: Make) -> None:
    rows = [
        {"weight": 15.0, "hardness": 73.2, "approved_on": "2024-03-01"},
        {"weight": 15.0, "hardness": 73.2, "hardness_uncertainty": 0.01, "approved_on": "2024-03-01"},
    ]
    judged = judge(written(rows, "csv"), decision=Decision("guarded"), uncertainties={"hardness": 0.5})
    assert [ball["rules"]["hardness"] for ball in judged.balls] == ["inconclusive", "conforming"]


def test_circumference_gives_the_diameter_its_uncertainty(judge: Make, written: Make) -> None:
    # 27.002 / pi = 8.59500...: a spread of 0.01 in around is one of 0.0032 in across.
    rows = [{"weight": 15.0, "circumference": 27.0, "circumference_uncertainty": 0.01}]
    ball = judge(written(rows, "csv"), decision=Decision("guarded")).balls[0]
    check = alone(
        {"weight": 15.0, "circumference": {"value": 27.0, "uncertainty": 0.01}},
        {"body": "usbc", "on": "2026-05-01", "stage": "play"},
        {"rule": "guarded", "risk": 0.05},
    )
    assert check is not None
    compare(ball, check)
    assert ball["rules"]["diameter"] == "inconclusive"


def test_the_deciding_rule_is_the_one_broken_furthest_in_proportion(
    judge: Make, written: Make, sentence: Any
) -> None:
    rows = [{"weight": 16.01, "roundness": 0.02, "rg": 2.5}, {"weight": 17.0, "roundness": 0.0101, "rg": 2.5}]
    judged = judge(written(rows, "csv"))
    assert [ball["rule"] for ball in judged.balls] == ["roundness", "weight"]
    assert [ball["margin"] for ball in judged.balls] == [0.01 - 0.02, -1.0]
    assert judged.balls[1]["reason"] == sentence("reason of a row")


def values_of(name: str) -> st.SearchStrategy[list[float]]:
    field = QUANTITIES[name]
    return st.lists(st.floats(field.minimum, field.maximum), min_size=1, max_size=40)


@pytest.mark.parametrize("name", sorted(QUANTITIES))
@given(st.data())
@settings(deadline=None, max_examples=15)
def test_sums_are_those_of_exact_fractions_in_any_order_and_parts(name: str, data: st.DataObject) -> None:
    field = QUANTITIES[name]
    values = data.draw(values_of(name))
    cut = data.draw(st.integers(0, len(values)))
    whole, first, second = (QuantityTotals(field.minimum, field.maximum) for _ in range(3))
    whole.add(np.array([*values, math.nan]))
    first.add(np.array(values[cut:][::-1]))
    second.add(np.array(values[:cut]))
    first.merge(second)
    assert (first.count, first.mean, first.squares) == (whole.count, whole.mean, whole.squares)
    assert (first.lowest, first.highest) == (whole.lowest, whole.highest)
    assert first.bins.tolist() == whole.bins.tolist()
    width = field.maximum - field.minimum
    exact = sum(map(Fraction, values)) / len(values)
    assert whole.mean == pytest.approx(float(exact), rel=1e-15, abs=width * 2.0**-52)
    if len(values) > 1:
        assert whole.standard_deviation == pytest.approx(
            statistics.stdev(values), rel=1e-8, abs=width * 2.0**-30
        )
    assert (whole.lowest, whole.highest) == (min(values), max(values))
    expected, _ = np.histogram(values, bins=BINS, range=(field.minimum, field.maximum))
    places = [(value - field.minimum) / width * BINS for value in values]
    on_edges = sum(abs(place - round(place)) < 1e-6 for place in places)
    assert np.abs(np.cumsum(whole.bins) - np.cumsum(expected)).max() <= on_edges


def test_a_constant_column_has_its_own_value_as_mean_and_no_spread() -> None:
    totals = QuantityTotals(4.0, 20.0)
    totals.add(np.full(1000, 15.06))
    assert (totals.mean, totals.standard_deviation) == (15.06, 0.0)


def lot(rows: range) -> Balls:
    numbers = np.array(rows, dtype=np.float64)
    values = {"weight": 13.0 + numbers % 37 / 10, "rg": 2.44 + numbers % 11 / 100}
    return Balls(np.array(rows), pa.array([f"s{row % 90}" for row in rows]), values, {})


def test_parts_of_a_lot_merge_in_any_order() -> None:
    book = edition("usbc", date(2026, 5, 1), "play", None)
    parts = []
    for rows in (range(50), range(50, 120), range(120, 130)):
        part = LotTotals()
        part.add(lot(rows), judge_balls(lot(rows), book, Decision()))
        parts.append(part)
    whole, back = LotTotals(), LotTotals()
    whole.add(lot(range(130)), judge_balls(lot(range(130)), book, Decision()))
    for part in (parts[2], parts[0], parts[1]):
        back.merge(part)
    assert (back.balls, back.outcomes.tolist()) == (whole.balls, whole.outcomes.tolist())
    assert {rule: found.tolist() for rule, found in back.by_rule.items()} == {
        rule: found.tolist() for rule, found in whole.by_rule.items()
    }
    assert back.decided_by == whole.decided_by
    for name, sums in whole.quantities.items():
        other_sums = back.quantities[name]
        assert (other_sums.mean, other_sums.squares) == (sums.mean, sums.squares)
        assert other_sums.bins.tolist() == sums.bins.tolist()
    assert back.serials.repeated() == whole.serials.repeated()
    assert back.serials.repeated()[0] == 40
    kept, other = whole.kept(), back.kept()
    assert kept is not None
    assert other is not None
    np.testing.assert_array_equal(kept[0], other[0])
    np.testing.assert_array_equal(kept[1]["weight"], other[1]["weight"])
    assert sum(whole.outcomes) == sum(whole.by_rule["weight"]) == 130


def test_every_reason_that_can_be_given_is_a_sentence() -> None:
    book = edition("usbc", date(2026, 5, 1), "approval", None)
    found = judge_balls(lot(range(500)), book, Decision())
    for reason, rule, outcome in zip(found.reason, found.rule, found.outcome, strict=True):
        assert found.words[reason].reason.strip()
        assert OUTCOMES[outcome] != "nonconforming" or "limit of" in found.words[reason].reason
        assert rule >= 0


@given(st.lists(st.text(max_size=30), min_size=2, max_size=50, unique=True), st.integers(0, 5))
@settings(deadline=None)
def test_digests_tell_different_texts_apart_wherever_they_lie(texts: list[str], start: int) -> None:
    array = pa.array(["x" * k for k in range(start)] + texts)
    found = digests(array[start:])
    assert len(set(found.tolist())) == len(texts)
    assert found.tolist() == digests(pa.array(texts)).tolist()
