"""The assessor against hand-worked cases of our own rule files, and against itself one ball at a time."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import date
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ballgauge_service.rulebooks import (
    COLUMNS,
    OUTCOMES,
    Column,
    Decision,
    assess,
    compile_edition,
    edition,
    findings,
    missing,
    read_rulebook,
)

RANGES = {
    "weight": [6.0, 8.0, 9.0, 10.0, 10.1, 13.0, 15.0, 16.0, 16.1],
    "diameter": [8.4, 8.5, 8.55, 8.595, 8.6],
    "hardness": [71.0, 72.0, 73.0],
    "rg": [2.42, 2.44, 2.46, 2.5, 2.8, 2.81],
    "differential": [0.02, 0.025, 0.06, 0.07, 0.09],
    "roughness": [40.0, 70.0],
    "mark_to_high_rg_axis": [1.0, 2.0],
    "asymmetric": [0.0, 1.0],
    "holes": [0.0, 3.0],
    "unused_gripping_holes": [0.0, 1.0],
    "thumb_holes": [0.0, 1.0],
    "unmarked_grip_centre": [0.0, 1.0],
    "house_ball": [0.0, 1.0],
    "reactive_cover": [0.0, 1.0],
    "balance_holes": [0.0, 1.0],
    "balance_side": [-3.5, -2.0, -0.7, 0.0, 0.9, 1.5, 3.0],
    "largest_imbalance": [0.5, 1.5, 3.5],
}
DATES = [
    date(2004, 1, 1),
    date(2010, 6, 30),
    date(2018, 7, 31),
    date(2019, 1, 1),
    date(2020, 8, 1),
    date(2026, 1, 1),
]


@st.composite
def batches(draw: st.DrawFn) -> tuple[dict[str, Column], np.ndarray, Any]:
    """Up to six balls of values at and about the limits, some missing, with an edition to judge them."""
    size = draw(st.integers(1, 6))
    names = draw(st.sets(st.sampled_from(sorted(RANGES)), min_size=1))
    uncertain = draw(st.booleans())
    columns = {}
    for name in sorted(names):
        choices = st.sampled_from([*RANGES[name], np.nan])
        values = np.array(draw(st.lists(choices, min_size=size, max_size=size)))
        spread = st.sampled_from([0.0, 0.01, 0.3, np.nan])
        spreads = np.array(draw(st.lists(spread, min_size=size, max_size=size))) if uncertain else None
        alternates = np.stack([values * 0.8, values * 1.3]) if name.startswith("balance_side") else None
        columns[name] = Column(values, spreads, alternates)
    day = st.sampled_from([*[np.datetime64(day) for day in DATES], np.datetime64("NaT")])
    approved = np.array(draw(st.lists(day, min_size=size, max_size=size)), dtype="datetime64[D]")
    body, overlay = draw(st.sampled_from([("usbc", None), ("ibf", None), ("ibf", "australia")]))
    rules = edition(body, draw(st.sampled_from(DATES)), draw(st.sampled_from(["approval", "play"])), overlay)
    return columns, approved, rules


def pick(columns: dict[str, Column], order: Any) -> dict[str, Column]:
    return {
        name: Column(
            column.values[order],
            None if column.uncertainty is None else column.uncertainty[order],
            None if column.alternates is None else column.alternates[:, order],
        )
        for name, column in columns.items()
    }


decisions = st.sampled_from([Decision(), Decision("guarded", 0.05), Decision("guarded", 0.3)])


@settings(max_examples=150, deadline=None)
@given(batches(), decisions)
def test_one_ball_equals_bulk(batch: Any, decision: Decision) -> None:
    columns, approved, rules = batch
    bulk = assess(rules, columns, approved, decision)
    for ball in range(len(approved)):
        single = assess(rules, pick(columns, [ball]), approved[[ball]], decision)
        assert findings(single, 0) == findings(bulk, ball)
        assert missing(single, 0) == missing(bulk, ball)
        assert single.overall[0] == bulk.overall[ball]


@settings(max_examples=80, deadline=None)
@given(batches(), decisions, st.randoms(use_true_random=False))
def test_shuffled_balls_keep_their_verdicts(batch: Any, decision: Decision, random: Any) -> None:
    columns, approved, rules = batch
    order = list(range(len(approved)))
    random.shuffle(order)
    plain = assess(rules, columns, approved, decision)
    shuffled = assess(rules, pick(columns, order), approved[order], decision)
    assert (shuffled.outcome == plain.outcome[:, order]).all()
    assert (shuffled.overall == plain.overall[order]).all()


@settings(max_examples=80, deadline=None)
@given(batches(), decisions)
def test_an_absent_column_equals_a_column_without_data(batch: Any, decision: Decision) -> None:
    columns, approved, rules = batch
    blank = Column(np.full(len(approved), np.nan))
    full = {name: columns.get(name, blank) for name in COLUMNS}
    for ball in range(len(approved)):
        with_blanks = findings(assess(rules, full, approved, decision), ball)
        without = findings(assess(rules, columns, approved, decision), ball)
        assert with_blanks == without


@settings(max_examples=80, deadline=None)
@given(batches(), decisions)
def test_findings_agree_with_the_arrays_of_each_rule(batch: Any, decision: Decision) -> None:
    columns, approved, rules = batch
    assessment = assess(rules, columns, approved, decision)
    for finding in findings(assessment, 0):
        arrays = assessment.rule(finding["rule"])
        assert OUTCOMES[arrays.outcome[0]] == finding["outcome"]
        for name, array in (
            ("value", arrays.value),
            ("margin", arrays.margin),
            ("probability", arrays.probability),
        ):
            expected = np.nan if finding[name] is None else finding[name]
            np.testing.assert_equal(array[0], expected)
        assert np.array_equal(
            [arrays.minimum[0], arrays.maximum[0]],
            [np.nan if edge is None else edge for edge in finding["limit"].values()],
            equal_nan=True,
        )


@settings(max_examples=80, deadline=None)
@given(batches(), decisions)
def test_learning_a_value_never_turns_a_verdict_round(batch: Any, decision: Decision) -> None:
    """Three-valued conditions: a verdict without a value stays whatever the value turns out to be."""
    columns, approved, rules = batch
    known = assess(rules, columns, approved, decision)
    for name in columns:
        fewer = assess(rules, {**columns, name: Column(np.full(len(approved), np.nan))}, approved, decision)
        decided = (fewer.outcome == 0) | (fewer.outcome == 3)
        row = {item.rule.id: item.rule.quantity for item in rules.regime.rules}
        for position, item in enumerate(rules.regime.rules):
            if row[item.rule.id] != name:
                here, there = known.outcome[known.plan.row[position]], fewer.outcome[fewer.plan.row[position]]
                mask = decided[fewer.plan.row[position]]
                assert (here[mask] == there[mask]).all()


@settings(max_examples=150, deadline=None)
@given(
    st.floats(-20.0, 20.0),
    st.floats(0.0, 5.0),
    st.floats(-10.0, 10.0),
    st.floats(0.0, 10.0),
    st.floats(0.0, 5.0),
    st.floats(0.0, 5.0),
    decisions,
)
def test_moving_a_limit_outward_never_turns_conforming_into_nonconforming(
    value: float, spread: float, low: float, width: float, down: float, up: float, decision: Decision
) -> None:
    outcomes = []
    for least, most in ((low, low + width), (low - down, low + width + up)):
        text = SIDE.replace("LOW", repr(least)).replace("HIGH", repr(most))
        columns = {"balance_side": Column(np.array([value]), np.array([spread]))}
        outcomes.append(int(assess(compile_edition(read_rulebook(text)), columns, None, decision).overall[0]))
    narrow, broad = (OUTCOMES[code] for code in outcomes)
    assert not (narrow == "conforming" and broad != "conforming")
    assert not (broad == "nonconforming" and narrow != "nonconforming")


SIDE = """
[rulebook]
body = "test"
title = "Test body"
document = "Test rules"
edition = "first"
compiled_on = 2026-11-25

[source.text]
document = "Test rules"
date = "2020"

[[rule]]
id = "balance_side"
title = "Side"
quantity = "balance_side"
unit = "oz"
binds = "use"
stages = ["play"]

[[rule.limit]]
min = LOW
max = HIGH
basis = "published"
source = "text"
"""


@pytest.mark.parametrize(
    ("values", "outcome"),
    [
        ({"balance_side": 1.0}, "conforming"),
        ({"balance_side": -1.0}, "conforming"),
        ({"balance_side": np.nextafter(1.0, 2.0)}, "nonconforming"),
        ({"balance_side": -1.5}, "nonconforming"),
        ({"weight": 15.0}, "not_assessed"),
    ],
)
def test_edges_belong_to_the_limit(judge: Callable[..., Any], values: dict[str, float], outcome: str) -> None:
    judged = judge(text=SIDE.replace("LOW", "-1.0").replace("HIGH", "1.0"), **values)
    assert judged.outcome("balance_side") == outcome


def two_limits(first: str, second: str) -> str:
    text = SIDE.replace("min = LOW\nmax = HIGH", f"min = -1.0\nmax = 1.0\n{first}")
    return text + SIDE[SIDE.index("[[rule.limit]]") :].replace(
        "min = LOW\nmax = HIGH", f"min = -3.0\nmax = 3.0\n{second}"
    )


@pytest.mark.parametrize(
    ("side", "outcome", "limit"),
    [(0.5, "conforming", 1.0), (2.0, "not_assessed", None), (3.5, "nonconforming", 3.0)],
)
def test_an_unknown_condition_matters_only_where_the_limits_disagree(
    judge: Callable[..., Any], side: float, outcome: str, limit: float | None
) -> None:
    text = two_limits("when = { holes = { under = 1.0 } }", "when = { holes = { min = 1.0 } }")
    judged = judge(text=text, balance_side=side)
    finding = judged.findings["balance_side"]
    assert (finding["outcome"], finding["limit"]["max"]) == (outcome, limit)
    lacking = [{"field": "holes", "needed_for": ["balance_side"]}] if outcome == "not_assessed" else []
    assert missing(judged.assessment, 0) == lacking


def test_where_no_limit_is_known_nothing_is_said(judge: Callable[..., Any]) -> None:
    text = two_limits("when = { holes = { under = 1.0 } }", "when = { holes = { min = 2.0 } }")
    gap = judge(text=text, balance_side=0.0, holes=1.0)
    assert gap.outcome("balance_side") == "not_assessed"
    assert "no limit is known" in gap.findings["balance_side"]["message"]
    assert missing(gap.assessment, 0) == []
    unknown = judge(text=text, balance_side=0.0)
    assert unknown.outcome("balance_side") == "not_assessed"


def test_alternates_that_disagree_make_a_verdict_inconclusive(judge: Callable[..., Any]) -> None:
    text = SIDE.replace("LOW", "-1.0").replace("HIGH", "1.0")
    for value, others, outcome in (
        (0.9, [0.7, 1.2], "inconclusive"),
        (1.2, [0.9, 1.7], "inconclusive"),
        (0.5, [0.4, 0.7], "conforming"),
        (1.5, [1.2, 2.0], "nonconforming"),
        (0.5, [np.nan, 0.7], "conforming"),
    ):
        judged = judge(text=text, balance_side=value, alternates={"balance_side": others})
        assert judged.outcome("balance_side") == outcome


def test_guarded_bands_about_a_limit(judge: Callable[..., Any]) -> None:
    """u = 0.1, risk 5 %: the guard band is 1.645 u wide on each side of the limit (JCGM 106:2012, 8.3)."""
    text = SIDE.replace("LOW", "-100.0").replace("HIGH", "1.0")
    guarded = Decision("guarded", 0.05)
    for value, outcome in (
        (1.0 - 0.1646, "conforming"),
        (1.0 - 0.1644, "inconclusive"),
        (1.0 + 0.1644, "inconclusive"),
        (1.0 + 0.1646, "nonconforming"),
    ):
        judged = judge(text=text, balance_side=value, uncertainty={"balance_side": 0.1}, decision=guarded)
        assert judged.outcome("balance_side") == outcome
        simple = judge(text=text, balance_side=value, uncertainty={"balance_side": 0.1})
        assert simple.outcome("balance_side") == ("conforming" if value <= 1.0 else "nonconforming")
        assert (
            simple.findings["balance_side"]["probability"] == judged.findings["balance_side"]["probability"]
        )


def test_guarded_without_uncertainty_compares_as_exact_and_says_so(judge: Callable[..., Any]) -> None:
    text = SIDE.replace("LOW", "-1.0").replace("HIGH", "1.0")
    judged = judge(text=text, balance_side=1.0, decision=Decision("guarded"))
    assert judged.outcome("balance_side") == "conforming"
    assert "compared as exact" in judged.findings["balance_side"]["message"]


def test_columns_must_be_known_and_of_one_length() -> None:
    rules = edition("usbc")
    with pytest.raises(ValueError, match="girth"):
        assess(rules, {"girth": Column(np.array([1.0]))})
    with pytest.raises(ValueError, match="none given"):
        assess(rules, {})
    with pytest.raises(ValueError, match="rg"):
        assess(rules, {"weight": Column(np.zeros(2)), "rg": Column(np.zeros(3))})
    with pytest.raises(ValueError, match="one length"):
        assess(rules, {"weight": Column(np.zeros(2))}, np.array(["2020-01-01"], dtype="datetime64[D]"))


def test_no_balls_give_no_verdicts() -> None:
    assert assess(edition("usbc"), {"weight": Column(np.empty(0))}).overall.shape == (0,)


def test_a_ball_in_bulk_costs_a_hundredth_of_one_alone() -> None:
    """A ratio in one run: 200,000 balls of nine columns against one ball (our own target)."""
    rules = edition("usbc")
    names = [name for name in RANGES if name not in ("roughness", "mark_to_high_rg_axis")]

    def cost(size: int, times: int) -> float:
        columns = {name: Column(np.full(size, RANGES[name][0])) for name in names}
        spans = []
        for _ in range(times):
            start = time.process_time()
            assess(rules, columns)
            spans.append(time.process_time() - start)
        return min(spans) / size

    assert cost(200_000, 3) * 100 < cost(1, 200)
