"""The assessor against hand-worked cases of our own rule files, and against itself in its other ways."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import date
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from ballgauge_service.core.units import EPOCH
from ballgauge_service.rulebooks import (
    COLUMNS,
    OUTCOMES,
    Assessment,
    Column,
    Decision,
    Edition,
    Fact,
    Facts,
    assess,
    compile_edition,
    edition,
    findings,
    judge_columns,
    missing,
    read_rulebook,
)
from ballgauge_service.rulebooks.assessor import as_arrays, room, room_in_lists, values_of
from ballgauge_service.rulebooks.judge import judge

RANGES = {
    "weight": [6.0, 8.0, 9.0, 10.0, 10.1, 13.0, 15.0, 16.0, 16.1],
    "diameter": [8.4, 8.499988045708854, 8.5, 8.55, 8.595, 8.595003546734716, 8.6],
    "circumference": [26.7, 26.7035, 26.704, 27.002, 27.003],
    "roundness": [0.0, 0.01, 0.02],
    "hardness": [71.0, 72.0, 73.0, 78.0],
    "oil_absorption_time": [130.0, 5400.0, 5401.0],
    "high_performance_core": [0.0, 1.0],
    "made_on": [19204.0, 19205.0],
    "unused_thumb": [0.0, 1.0],
    "identity": [0.0, 1.0],
    "identity_by_hand": [0.0, 1.0],
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


SIMPLE = Decision()
VERDICTS = ("outcome", "overall", "decider", "margin", "nearness", "reason", "unknown")
Balls = list[dict[str, Fact]]
Batch = tuple[Balls, list[date | None], Edition]


@st.composite
def batches(draw: st.DrawFn) -> Batch:
    """Up to six balls of values at and about the limits, some missing, with an edition to judge them."""
    size = draw(st.integers(1, 6))
    names = sorted(draw(st.sets(st.sampled_from(sorted(RANGES)), min_size=1)))
    spreads = st.sampled_from([0.0, 0.01, 0.3, np.nan] if draw(st.booleans()) else [np.nan])
    balls: Balls = [{} for _ in range(size)]
    for ball in balls:
        for name in names:
            value = draw(st.sampled_from([*RANGES[name], np.nan]))
            others = (value * 0.8, value * 1.3) if name == "balance_side" else ()
            ball[name] = Fact(value, draw(spreads), others)
    approved = [draw(st.sampled_from([*DATES, None])) for _ in balls]
    body, overlay = draw(st.sampled_from([("usbc", None), ("ibf", None), ("ibf", "australia")]))
    rules = edition(body, draw(st.sampled_from(DATES)), draw(st.sampled_from(["approval", "play"])), overlay)
    return balls, approved, rules


def dated(balls: Balls, approved: list[date | None] | None) -> list[Facts]:
    """Balls given by the names of columns, each with its day of approval."""
    days = [None] * len(balls) if approved is None else approved
    return [
        Facts.of(ball if day is None else {**ball, "approved_on": Fact(float((day - EPOCH).days))})
        for ball, day in zip(balls, days, strict=True)
    ]


def assessed(
    rules: Edition, balls: Balls, approved: list[date | None] | None = None, decision: Decision = SIMPLE
) -> Assessment:
    """The verdicts on balls given by the names of columns."""
    return assess(rules, dated(balls, approved), decision)


decisions = st.sampled_from([Decision(), Decision("guarded", 0.05), Decision("guarded", 0.3)])


@settings(max_examples=150, deadline=None)
@given(batches(), decisions)
def test_one_ball_equals_many(batch: Batch, decision: Decision) -> None:
    balls, approved, rules = batch
    many = assessed(rules, balls, approved, decision)
    for place, (ball, day) in enumerate(zip(balls, approved, strict=True)):
        single = assessed(rules, [ball], [day], decision)
        assert findings(single, 0) == findings(many, place)
        assert missing(single, 0) == missing(many, place)
        assert single.overall[0] == many.overall[place]


@pytest.mark.slow
@settings(max_examples=200, deadline=None)
@given(batches(), decisions)
def test_the_judge_gives_the_same_compiled_and_interpreted(batch: Batch, decision: Decision) -> None:
    balls, approved, rules = batch
    risk = decision.risk if decision.rule == "guarded" else 0.0
    values = values_of(rules, dated(balls, approved), decision)
    lists, arrays = room_in_lists(rules.regime, len(balls)), room(rules.regime, len(balls), held=True)
    judge.interpreted(rules.regime.lists, values, risk, len(balls), lists)
    judge.compiled(rules.regime.tables, as_arrays(values, len(balls)), risk, len(balls), arrays)
    for name in ("state", *VERDICTS):
        np.testing.assert_array_equal(getattr(arrays, name), getattr(lists, name), err_msg=name)
    for state, count in enumerate(arrays.held):
        rule = rules.rules[rules.regime.states[state].rule]
        known = [not np.isnan(ball.get(rule.quantity or "", Fact(np.nan)).value) for ball in balls]
        numbers = lists.state[rules.regime.index[rule.id]]
        assert count == sum(n == state and k for n, k in zip(numbers, known, strict=True))


@settings(max_examples=80, deadline=None)
@given(batches(), decisions)
def test_columns_are_judged_as_facts_are(batch: Batch, decision: Decision) -> None:
    balls, approved, rules = batch
    balls = [{name: fact._replace(alternates=()) for name, fact in ball.items()} for ball in balls]
    columns = {
        name: Column(
            np.array([ball[name].value for ball in balls]),
            np.array([ball[name].uncertainty for ball in balls]),
        )
        for name in balls[0]
    }
    days = np.array(["NaT" if day is None else day for day in approved], "M8[D]")
    alone, found = assessed(rules, balls, approved, decision), judge_columns(rules, columns, days, decision)
    for name in VERDICTS:
        np.testing.assert_array_equal(getattr(found, name), getattr(alone.verdicts, name), err_msg=name)


@settings(max_examples=80, deadline=None)
@given(batches(), decisions, st.randoms(use_true_random=False))
def test_shuffled_balls_keep_their_verdicts(batch: Batch, decision: Decision, random: Any) -> None:
    balls, approved, rules = batch
    order = list(range(len(balls)))
    random.shuffle(order)
    plain = assessed(rules, balls, approved, decision)
    shuffled = assessed(rules, [balls[k] for k in order], [approved[k] for k in order], decision)
    assert [shuffled.outcomes(k) for k in range(len(order))] == [plain.outcomes(k) for k in order]
    assert shuffled.overall == [plain.overall[k] for k in order]


@settings(max_examples=80, deadline=None)
@given(batches(), decisions)
def test_an_absent_fact_equals_one_without_data(batch: Batch, decision: Decision) -> None:
    balls, approved, rules = batch
    full = [
        {name: ball.get(name, Fact(np.nan)) for name in COLUMNS if name != "approved_on"} for ball in balls
    ]
    with_blanks, without = (
        assessed(rules, full, approved, decision),
        assessed(rules, balls, approved, decision),
    )
    for ball in range(len(balls)):
        assert findings(with_blanks, ball) == findings(without, ball)


@settings(max_examples=80, deadline=None)
@given(batches(), decisions)
def test_findings_agree_with_their_own_numbers(batch: Batch, decision: Decision) -> None:
    """Margin, probability (scipy's normal distribution) and outcome, from the value and limit told."""
    balls, approved, rules = batch
    assessment = assessed(rules, balls, approved, decision)
    limits = dict(zip((rule.id for rule in rules.rules), assessment.limits(0), strict=True))
    for finding in findings(assessment, 0):
        low, high = (
            limit if end is None else end
            for limit, end in ((-np.inf, finding["limit"]["min"]), (np.inf, finding["limit"]["max"]))
        )
        fact = balls[0].get(finding["quantity"] or "", Fact(np.nan))
        np.testing.assert_equal(fact.value, np.nan if finding["value"] is None else finding["value"])
        if finding["margin"] is None:
            # Where there is no value or no limit, or one that not every source has.
            open_end = finding["outcome"] == "inconclusive" and "not every source" in finding["message"]
            assert np.isnan(fact.value) or (low, high) == (-np.inf, np.inf) or open_end
            continue
        limit, margin = limits[finding["rule"]], min(fact.value - low, high - fact.value)
        assert limit is not None
        judged, printed = limit.interval, finding["outcome"] == "conforming" and margin < 0.0
        assert finding["margin"] == (0.0 if printed else margin)
        if printed and decision.rule == "simple":
            assert judged[0] <= fact.value <= judged[1]
        if finding["probability"] is None:
            assert np.isnan(fact.uncertainty)
        elif fact.uncertainty > 0.0:
            between = norm.cdf(judged[1], fact.value, fact.uncertainty) - norm.cdf(
                judged[0], fact.value, fact.uncertainty
            )
            assert finding["probability"] == pytest.approx(between, abs=1e-14)
        if decision.rule == "simple" and finding["outcome"] != "inconclusive":
            kept = judged[0] <= fact.value <= judged[1]
            assert finding["outcome"] == ("conforming" if kept else "nonconforming")


@settings(max_examples=80, deadline=None)
@given(batches(), decisions)
def test_the_rule_that_decides_has_the_worst_outcome_and_the_nearest_limit(
    batch: Batch, decision: Decision
) -> None:
    balls, approved, rules = batch
    assessment = assessed(rules, balls, approved, decision)
    counted = [each for each in findings(assessment, 0) if not each["advisory"]]
    verdicts = assessment.verdicts
    if not counted:
        assert (verdicts.overall[0], verdicts.decider[0]) == (OUTCOMES.index("not_assessed"), -1)
        return
    worst = max(OUTCOMES.index(each["outcome"]) for each in counted)
    same = [each for each in counted if each["outcome"] == OUTCOMES[worst]]
    named = next(each for each in same if each["rule"] == rules.rules[verdicts.decider[0]].id)
    assert verdicts.overall[0] == worst
    if OUTCOMES[worst] == "not_assessed":
        assert named == same[0]
    elif named["margin"] is not None:
        assert verdicts.margin[0] == named["margin"]
        assert verdicts.nearness[0] == min(map(proportion, (x for x in same if x["margin"] is not None)))


def proportion(finding: dict[str, Any]) -> float:
    """A margin in proportion to the width of its limits, or to the limit where one side is open."""
    ends = [end for end in finding["limit"].values() if end is not None]
    scale = 1.0 / (abs(ends[1] - ends[0] if len(ends) == 2 else ends[0]) or 1.0)
    return float(finding["margin"] * scale)


@settings(max_examples=80, deadline=None)
@given(batches(), decisions)
def test_learning_a_value_never_turns_a_verdict_round(batch: Batch, decision: Decision) -> None:
    """Three-valued conditions: a verdict without a value stays whatever the value turns out to be."""
    balls, approved, rules = batch
    known = assessed(rules, balls, approved, decision)
    days = [ball.get("made_on", Fact(np.nan)).value for ball in balls]
    for name in balls[0]:
        # A ball made after the day of use is no ball: an unknown day is taken to lie before it.
        if name == "made_on" and any(day > (rules.on - EPOCH).days for day in days):
            continue
        fewer = assessed(rules, [{**ball, name: Fact(np.nan)} for ball in balls], approved, decision)
        for ball in range(len(balls)):
            for rule, here, there in zip(
                rules.rules, known.outcomes(ball), fewer.outcomes(ball), strict=True
            ):
                if (
                    rule.quantity != name
                    and OUTCOMES[there] in ("conforming", "nonconforming")
                    and there >= 0
                ):
                    # What the rule is then seen not to reach was met whichever way.
                    assert here == there or (there, here) == (0, OUTCOMES.index("not_assessed"))


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
        ball = {"balance_side": Fact(value, spread)}
        outcomes.append(assessed(compile_edition(read_rulebook(text)), [ball], None, decision).overall[0])
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
    [(0.5, "conforming", 1.0), (2.0, "inconclusive", None), (3.5, "nonconforming", 3.0)],
)
def test_an_unknown_condition_matters_only_where_the_limits_disagree(
    judge: Callable[..., Any], side: float, outcome: str, limit: float | None
) -> None:
    text = two_limits("when = { holes = { under = 1.0 } }", "when = { holes = { min = 1.0 } }")
    judged = judge(text=text, balance_side=side)
    finding = judged.findings["balance_side"]
    assert (finding["outcome"], finding["limit"]["max"]) == (outcome, limit)
    lacking = [{"field": "holes", "needed_for": ["balance_side"]}] if outcome == "inconclusive" else []
    assert missing(judged.assessment, 0) == lacking


def test_where_no_limit_is_known_nothing_is_said(judge: Callable[..., Any], sentence: Any) -> None:
    text = two_limits("when = { holes = { under = 1.0 } }", "when = { holes = { min = 2.0 } }")
    gap = judge(text=text, balance_side=0.0, holes=1.0)
    assert gap.outcome("balance_side") == "not_assessed"
    assert gap.findings["balance_side"]["message"] == sentence("finding: no limit is known")
    assert (gap.findings["balance_side"]["basis"], gap.findings["balance_side"]["source"]) == (None, None)
    assert missing(gap.assessment, 0) == [{"field": None, "needed_for": ["balance_side"]}]
    unknown = judge(text=text, balance_side=0.0)
    assert unknown.outcome("balance_side") == "inconclusive"


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


def test_guarded_without_uncertainty_compares_as_exact_and_says_so(
    judge: Callable[..., Any], sentence: Any
) -> None:
    text = SIDE.replace("LOW", "-1.0").replace("HIGH", "1.0")
    judged = judge(text=text, balance_side=1.0, decision=Decision("guarded"))
    assert judged.outcome("balance_side") == "conforming"
    assert judged.findings["balance_side"]["message"] == sentence("finding: compared as exact")


def test_facts_and_columns_must_be_known_and_of_one_length() -> None:
    rules = edition("usbc")
    with pytest.raises(ValueError, match="girth"):
        assessed(rules, [{"girth": Fact(1.0)}])
    with pytest.raises(ValueError, match="approval"):
        judge_columns(rules, {"approved_on": Column(np.zeros(1))})
    with pytest.raises(ValueError, match="girth"):
        judge_columns(rules, {"girth": Column(np.array([1.0]))})
    with pytest.raises(ValueError, match="length"):
        judge_columns(rules, {})
    with pytest.raises(ValueError, match="rg"):
        judge_columns(rules, {"weight": Column(np.zeros(2)), "rg": Column(np.zeros(3))})
    with pytest.raises(ValueError, match="approved_on"):
        judge_columns(rules, {"weight": Column(np.zeros(2))}, np.array(["2020-01-01"], "M8[D]"))


def test_no_balls_give_no_verdicts() -> None:
    assert assess(edition("usbc"), []).overall == []
    assert judge_columns(edition("usbc"), {"weight": Column(np.empty(0))}).overall.shape == (0,)


@pytest.mark.slow
def test_a_ball_in_bulk_costs_a_hundredth_of_one_alone() -> None:
    """A ratio in one run: 200,000 balls of nine columns against one ball interpreted (our own target)."""
    rules = edition("usbc")
    names = [name for name in RANGES if name not in ("roughness", "mark_to_high_rg_axis")]
    size, columns = 200_000, {name: Column(np.full(200_000, RANGES[name][0])) for name in names}
    values = values_of(rules, [Facts.of({name: Fact(RANGES[name][0]) for name in names})], Decision())
    lists = room_in_lists(rules.regime, 1)
    judge.compiled(rules.regime.tables, as_arrays(values, 1), 0.0, 1, room(rules.regime, 1))

    def cost(run: Callable[[], object], times: int) -> float:
        spans = []
        for _ in range(times):
            start = time.process_time()
            run()
            spans.append(time.process_time() - start)
        return min(spans)

    bulk = cost(lambda: judge_columns(rules, columns), 3) / size
    assert bulk * 100 < cost(lambda: judge.interpreted(rules.regime.lists, values, 0.0, 1, lists), 200)
