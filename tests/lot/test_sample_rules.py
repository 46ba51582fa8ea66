"""The two rules on samples: USBC releases of 2018 (oil absorption) and April 2009 (roughness, secondary)."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from ballgauge_service.lot.sampling.sample_rules import (
    OilAbsorptionResult,
    RoughnessResult,
    further_balls_for_rate,
    oil_absorption_rule,
    roughness_rule,
)


def oil(times: object, **changes: float) -> OilAbsorptionResult:
    """Judge times by 2 min 15 s, 0.6 % and 9 min 30 s."""
    limits = {"single_minimum": 135.0, "maximum_rate": 0.006, "average_minimum": 570.0, **changes}
    return oil_absorption_rule(times, **limits)  # type: ignore[arg-type]


def rough(roughness: object, weight: object) -> RoughnessResult:
    """Judge roughness by 65, 50 and 42 µin, eight further balls, from 13 lb."""
    return roughness_rule(
        roughness,  # type: ignore[arg-type]
        weight,  # type: ignore[arg-type]
        single_maximum=65.0,
        average_maximum=50.0,
        threshold=42.0,
        further_balls=8,
        minimum_weight=13.0,
    )


def test_a_single_fast_ball_fails_the_sample(sentence: Any) -> None:
    """USBC 2018: no sample under 2 min 15 s; exactly 2 min 15 s is not under."""
    assert oil([600.0] * 9 + [134.9]).outcome == "nonconforming"
    assert oil([600.0] * 9 + [134.9]).under_limit == (9,)
    assert oil([600.0] * 9 + [134.9]).message == sentence("sample of the oil test fails")
    assert oil([800.0] * 9 + [135.0]).outcome == "conforming"


def test_a_low_average_calls_for_more_balls() -> None:
    """USBC 2018: an average under 9 min 30 s calls for more balls; exactly 9 min 30 s does not."""
    low = oil([560.0, 570.0, 575.0])
    assert (low.outcome, low.further_balls_required) == ("inconclusive", True)
    exact = oil([560.0, 570.0, 580.0])
    assert (exact.outcome, exact.further_balls_required) == ("conforming", False)


def test_how_many_balls_settle_the_rate() -> None:
    """Closed form ln(0.05)/ln(0.994) = 497.8: 498 balls, none failing, settle a low average."""
    assert math.ceil(math.log(0.05) / math.log(0.994)) == 498
    assert further_balls_for_rate(20, 0, 0.006, 0.95) == 478
    rng = np.random.default_rng(2)
    times = rng.normal(500, 20, 498)
    assert oil(times).outcome == "conforming"
    assert oil(times[:-1]).outcome == "inconclusive"
    assert oil(times[:-1]).settles[0].further_balls == 1


@pytest.mark.parametrize("found", [0, 1, 2, 5])
def test_further_balls_against_statsmodels(found: int) -> None:
    """statsmodels' beta interval: with that many balls the bound is at the rate, with one fewer above."""
    total = 30 + (further_balls_for_rate(30, found, 0.006, 0.95) or 0)
    assert proportion_confint(found, total, alpha=0.10, method="beta")[1] <= 0.006
    assert proportion_confint(found, total - 1, alpha=0.10, method="beta")[1] > 0.006


def test_how_many_balls_settle_the_average() -> None:
    """Student's t written out: with that many balls the bound clears the limit, with one fewer not."""
    result = oil([571.0, 575.0, 560.0, 600.0])
    criterion = result.settles[2]
    spread = float(np.std([571.0, 575.0, 560.0, 600.0], ddof=1))
    assert criterion.further_balls is not None
    total = 4 + criterion.further_balls

    def bound(count: int) -> float:
        return 576.5 - float(stats.t.ppf(0.95, count - 1)) * spread / math.sqrt(count)

    assert bound(total) >= 570 > bound(total - 1)
    assert result.average_lower_bound == pytest.approx(bound(4))


def test_what_no_number_of_balls_settles(sentence: Any) -> None:
    """Limits: more of the same lifts no average, and shows no rate for a mean near the single limit."""
    assert oil([500.0, 510.0, 520.0]).settles[2].further_balls is None
    near = oil([136.0, 150.0, 170.0, 200.0])
    assert near.settles[1].further_balls is None
    assert near.settles[1].message == sentence("sample rule: no practical number")


def test_one_ball_or_none() -> None:
    """Our own contract: no times are not assessed; one ball has no spread, so two criteria need more."""
    assert oil([]).outcome == "not_assessed"
    one = oil([600.0])
    assert one.average_lower_bound is None
    assert [item.further_balls for item in one.settles] == [497, None, None]


def test_roughness_single_ball_and_average() -> None:
    """No ball over 65 µin, the average of a weight class at most 50 µin; both limits themselves conform."""
    assert rough([65.1], [15.0]).outcome == "nonconforming"
    nine = [50.0] * 9
    assert rough(nine, [15.0] * 9).outcome == "conforming"
    assert rough([65.0, *[48.0] * 8], [15.0] * 9).outcome == "conforming"
    assert rough([50.1] * 9, [15.0] * 9).outcome == "nonconforming"


def test_roughness_threshold_calls_for_eight_further_balls() -> None:
    """A ball at 42 µin or more: eight further balls of its class, seven of them measured leave one."""
    alone = rough([42.0], [15.0])
    assert (alone.outcome, alone.classes[0].further_balls) == ("inconclusive", 8)
    assert rough([41.9], [15.0]).outcome == "conforming"
    assert rough([42.0, *[30.0] * 7], [15.0] * 8).classes[0].further_balls == 1
    assert rough([42.0, *[30.0] * 8], [15.0] * 9).outcome == "conforming"


def test_roughness_classes_are_whole_pounds() -> None:
    """Each class has its own average: 14 lb passes, 15 lb fails; balls under 13 lb are not bound."""
    result = rough([30.0, 30.0, 55.0, 55.0, 99.0], [13.6, 14.4, 14.6, 15.4, 12.0])
    assert [(item.weight_class, item.outcome) for item in result.classes] == [
        (14, "conforming"),
        (15, "nonconforming"),
    ]
    assert result.outcome == "nonconforming"
    assert result.not_bound == (4,)
    assert rough([99.0], [12.9]).outcome == "not_assessed"


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.floats(1, 80), st.floats(12, 16)), min_size=1, max_size=20),
    st.randoms(use_true_random=False),
)
def test_order_changes_no_verdict(rows: list[tuple[float, float]], random: object) -> None:
    """Invariant: shuffling the balls changes neither outcomes nor averages, oil and roughness alike."""
    shuffled = list(rows)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    one = rough(*zip(*rows, strict=True))
    two = rough(*zip(*shuffled, strict=True))
    assert [(c.weight_class, c.outcome, c.average, c.further_balls) for c in one.classes] == [
        (c.weight_class, c.outcome, c.average, c.further_balls) for c in two.classes
    ]
    times, other = [20 * row[0] for row in rows], [20 * row[0] for row in shuffled]
    assert oil(times).settles == oil(other).settles
    assert oil(times).average == oil(other).average


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 400), st.integers(0, 3), st.floats(0.005, 0.2))
def test_more_balls_seen_leave_fewer_to_see(count: int, found: int, rate: float) -> None:
    """Invariant: one more conforming ball leaves exactly one fewer to measure, or none."""
    found = min(found, count)
    now, later = (further_balls_for_rate(n, found, rate, 0.95) for n in (count, count + 1))
    assert now is not None
    assert later == max(now - 1, 0)


def test_bad_arguments_are_named() -> None:
    """Our own contract: ValueError begins with the argument's name."""
    cases = {
        "times": lambda: oil([100.0, float("nan")]),
        "maximum_rate": lambda: oil([600.0], maximum_rate=0.0),
        "single_minimum": lambda: oil([600.0], single_minimum=-1.0),
        "confidence": lambda: oil([600.0], confidence=1.0),
        "weight must be one": lambda: rough([1.0], [15.0, 15.0]),
        "weight must be from": lambda: rough([1.0], [500.0]),
        "roughness": lambda: rough([float("inf")], [15.0]),
    }
    for name, call in cases.items():
        with pytest.raises(ValueError, match=rf"^{name}\b"):
            call()
