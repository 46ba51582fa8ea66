"""Bounds on the nonconforming fraction against statsmodels, brute force and simulation."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from ballgauge_service.lot.answer import plain
from ballgauge_service.lot.statistics.basics import summarize
from ballgauge_service.lot.statistics.nonconforming import (
    clopper_pearson,
    defects_per_million,
    fraction_outside,
    hypergeometric_bounds,
    nonconforming_fraction,
)
from ballgauge_service.lot.statistics.tolerance import one_sided_factor


def test_clopper_pearson_is_statsmodels_beta_interval() -> None:
    """statsmodels.stats.proportion.proportion_confint, method beta, over a grid."""
    count, size = np.array([0, 1, 3, 10, 50, 80]), np.array([80, 80, 200, 80, 50, 80])
    lower, upper = clopper_pearson(count, size, confidence=0.9)
    expected = proportion_confint(count, size, alpha=0.1, method="beta")
    assert lower == pytest.approx(expected[0])
    assert upper == pytest.approx(expected[1])


def test_rule_of_three() -> None:
    """Closed form 1 - 0.05^(1/n): 299 conforming balls show at most 1 % at 95 % confidence."""
    _, upper = clopper_pearson(0, 299, side="upper")
    assert upper == pytest.approx(1 - 0.05 ** (1 / 299))
    assert upper < 0.01 < clopper_pearson(0, 298, side="upper")[1]


@pytest.mark.parametrize("count", [0, 1, 3, 12])
@pytest.mark.parametrize("side", ["two_sided", "upper", "lower"])
def test_hypergeometric_bounds_by_trying_every_lot(count: int, side: str) -> None:
    """Brute force over all lots of 60 from which a sample of 12 could show that count (scipy)."""
    risk = 0.025 if side == "two_sided" else 0.05
    possible = range(count, 60 - (12 - count) + 1)
    upper = max(bad for bad in possible if stats.hypergeom.cdf(count, 60, bad, 12) > risk)
    lower = min(bad for bad in possible if stats.hypergeom.sf(count - 1, 60, bad, 12) > risk)
    expected = (0 if side == "upper" else lower, 60 if side == "lower" else upper)
    assert hypergeometric_bounds(count, 12, 60, side=side) == expected


def test_whole_lot_inspected_leaves_no_doubt() -> None:
    """Limit: a sample that is the lot knows its number of nonconforming balls."""
    assert hypergeometric_bounds(7, 60, 60) == (7, 7)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 6), st.integers(6, 60), st.integers(2, 6), st.floats(0.5, 0.99))
def test_a_larger_sample_never_loosens_a_bound(count: int, size: int, times: int, sure: float) -> None:
    """Invariant: the same fraction in a larger sample, or one more good ball, tightens the bound."""
    _, few = clopper_pearson(count, size, confidence=sure, side="upper")
    _, many = clopper_pearson(count * times, size * times, confidence=sure, side="upper")
    _, more = clopper_pearson(count, size + 1, confidence=sure, side="upper")
    assert more <= few
    if count < size:
        assert many <= few + 1e-12
    lot = 500
    one, two = (
        hypergeometric_bounds(count, n, lot, confidence=sure, side="upper")[1] for n in (size, size + 1)
    )
    assert two <= one
    exact, _ = one / lot, few
    assert exact <= few + 1 / lot


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 30), st.floats(0.5, 0.999))
def test_a_surer_bound_is_wider(count: int, sure: float) -> None:
    """Invariant: asking for more confidence never narrows an interval, and it always holds the estimate."""
    narrow = nonconforming_fraction(count, 30, lot_size=300, confidence=sure)
    wide = nonconforming_fraction(count, 30, lot_size=300, confidence=(1 + sure) / 2)
    assert wide.lower <= narrow.lower <= narrow.fraction <= narrow.upper <= wide.upper
    assert wide.lot_upper_balls is not None
    assert narrow.lot_upper_balls is not None
    assert wide.lot_upper_balls >= narrow.lot_upper_balls
    assert narrow.upper_one_sided <= narrow.upper


def test_upper_bound_is_the_tolerance_factor_turned_round() -> None:
    """Identity: where the limit lies k s away, k for coverage p, the bound of the fraction is 1 - p."""
    for count, coverage, sure in ((5, 0.9, 0.95), (43, 0.99, 0.99), (100_000, 0.999, 0.9)):
        factor = one_sided_factor(count, coverage, sure)
        found = fraction_outside(count, 10.0, 2.0, lower=10.0 - 2.0 * factor, confidence=sure)
        assert found.upper_bound == pytest.approx(1 - coverage, rel=1e-6)
        mirrored = fraction_outside(count, -10.0, 2.0, upper=-10.0 + 2.0 * factor, confidence=sure)
        assert mirrored.upper_bound == pytest.approx(found.upper_bound, rel=1e-9)


def test_bound_for_two_limits_holds_in_simulation() -> None:
    """Four hundred simulated samples: the bound must miss the truth in no more than 5 % (error 1.1 %)."""
    draws = np.random.default_rng(5).normal(size=(400, 15))
    truth = stats.norm.cdf(-1.8) + stats.norm.sf(2.2)
    missed = 0
    for row in draws:
        sample = summarize(row)
        found = fraction_outside(15, sample.mean, sample.standard_deviation, lower=-1.8, upper=2.2)
        missed += found.upper_bound < truth
    assert missed / 400 <= 0.05 + 0.025


def test_estimate_tends_to_the_normal_fraction() -> None:
    """Limit: with very many balls the unbiased estimate is the normal tail area (scipy)."""
    found = fraction_outside(1_000_000, 0.0, 1.0, lower=-3.0, upper=2.5)
    assert found.fraction_below == pytest.approx(stats.norm.cdf(-3), rel=1e-4)
    assert found.fraction_above == pytest.approx(stats.norm.sf(2.5), rel=1e-4)
    assert found.per_million == pytest.approx(1e6 * found.fraction)
    assert found.fraction < found.upper_bound < 1.02 * found.fraction


@pytest.mark.parametrize("distance", [-1e9, -50.0, 0.0, 50.0, 1e9])
def test_limits_far_away_give_finite_answers(distance: float) -> None:
    """Limits: a limit very far beyond gives nothing outside, one far inside everything."""
    found = fraction_outside(10_000_000, 0.0, 1.0, upper=distance)
    assert found.fraction == pytest.approx(0.5 if distance == 0 else float(distance < 0), abs=1e-3)
    assert found.fraction <= found.upper_bound <= 1


def test_defects_per_million() -> None:
    """Arithmetic: 3 defects in 500 balls of 4 characteristics are 1500 per million; bounds by statsmodels."""
    found = defects_per_million(3, 500, opportunities=4)
    assert found.per_million == pytest.approx(1500)
    lower, upper = proportion_confint(3, 2000, method="beta")
    assert (found.lower, found.upper) == pytest.approx((1e6 * lower, 1e6 * upper))


def test_statements_are_ready_for_json() -> None:
    """Our own contract: `plain` gives data for JSON with the field names of the value."""
    data = json.loads(json.dumps(plain(nonconforming_fraction(1, 80, lot_size=1000)), allow_nan=False))
    assert data["count"] == 1
    assert data["lot_lower_balls"] >= 1
    assert len(data["methods"]) == 2
    assert plain(nonconforming_fraction(1, 80))["lot_upper_balls"] is None
    assert plain({"a": (float("nan"), 1)}) == {"a": [None, 1]}


def test_bad_arguments_are_named() -> None:
    """Our own contract: ValueError begins with the argument's name."""
    cases = {
        "count must be at most": lambda: clopper_pearson(5, 4),
        "count must be whole": lambda: clopper_pearson(0.5, 4),
        "count": lambda: hypergeometric_bounds(5, 4, 10),
        "sample_size": lambda: hypergeometric_bounds(1, 11, 10),
        "confidence": lambda: clopper_pearson(1, 4, confidence=1.0),
        "side": lambda: clopper_pearson(1, 4, side="left"),
        "standard_deviation": lambda: fraction_outside(10, 1.0, 0.0, lower=0.0),
        "mean": lambda: fraction_outside(10, float("nan"), 1.0, lower=0.0),
        "lower or upper": lambda: fraction_outside(10, 1.0, 1.0),
        "defects": lambda: defects_per_million(5, 2, opportunities=2),
    }
    for name, call in cases.items():
        with pytest.raises(ValueError, match=rf"^{name}\b"):
            call()
