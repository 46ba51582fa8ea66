"""Variables plans against published values, the noncentral t and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from ballgauge_service.lot.sampling.variables import (
    VariablesPlan,
    judge_by_variables,
    maximum_fraction,
    variables_acceptance_probability,
    variables_plan,
)
from ballgauge_service.lot.statistics.basics import summarize
from ballgauge_service.lot.statistics.nonconforming import estimated_fraction_outside
from ballgauge_service.lot.statistics.tolerance import one_sided_factor


def test_textbook_plan() -> None:
    """1 % at 0.05 and 6 % at 0.10: about n = 40 and k = 1.9, sigma unknown, read from a nomograph.

    Montgomery, Introduction to Statistical Quality Control, chapter 16, from memory. With sigma known the
    closed form ((z + z)/(z - z))^2 gives 15.
    """
    plan = variables_plan(0.01, 0.06)
    assert plan.sample_size == pytest.approx(40, abs=2)
    assert plan.acceptability_constant == pytest.approx(1.9, abs=0.02)
    z = stats.norm.isf([0.05, 0.10, 0.01, 0.06])
    known = variables_plan(0.01, 0.06, sigma_known=True)
    assert known.sample_size == math.ceil(((z[0] + z[1]) / (z[2] - z[3])) ** 2)


@pytest.mark.parametrize("sigma_known", [True, False])
@pytest.mark.parametrize(("good", "bad"), [(0.01, 0.06), (0.001, 0.02), (0.05, 0.3)])
def test_risks_are_kept_and_one_ball_fewer_would_not(good: float, bad: float, sigma_known: bool) -> None:
    """scipy's noncentral t and normal quantiles: with one ball fewer no constant keeps both risks."""
    plan = variables_plan(good, bad, sigma_known=sigma_known)
    accepted = variables_acceptance_probability(
        plan.sample_size, plan.acceptability_constant, [good, bad], sigma_known=sigma_known
    )
    assert accepted[0] >= 0.95
    assert accepted[1] <= 0.10
    size = plan.sample_size - 1
    root = math.sqrt(size)
    if sigma_known:
        largest = stats.norm.isf(good) - stats.norm.isf(0.05) / root
        smallest = stats.norm.isf(bad) + stats.norm.isf(0.10) / root
    else:
        largest = stats.nct.ppf(0.05, size - 1, root * stats.norm.isf(good)) / root
        smallest = stats.nct.ppf(0.90, size - 1, root * stats.norm.isf(bad)) / root
    assert largest < smallest


def test_constant_is_a_tolerance_factor() -> None:
    """Identity: the k that accepts fraction p with probability beta is the tolerance factor for 1 - p."""
    factor = one_sided_factor(20, 0.95, 0.90)
    assert variables_acceptance_probability(20, factor, 0.05) == pytest.approx(0.10)


def test_acceptance_probability_by_simulation() -> None:
    """Twenty thousand simulated samples of ten; the binomial error of the count is 0.0035."""
    draws = np.random.default_rng(1).normal(size=(20_000, 10))
    limit = stats.norm.ppf(0.05)
    accepted = (draws.mean(axis=1) - limit) / draws.std(axis=1, ddof=1) >= 1.4
    assert variables_acceptance_probability(10, 1.4, 0.05) == pytest.approx(accepted.mean(), abs=0.014)


def test_standards_example_of_the_estimate() -> None:
    """MIL-STD-414 example, from memory: n = 5, statistics 1.59 and 1.70 estimate 2.19 % and 0.66 %.

    Its constants for that plan are k = 1.53 and M = 3.32 %.
    """
    above, _ = estimated_fraction_outside(1.59, 1.0, 5, lower=0.0, upper=None)
    below, _ = estimated_fraction_outside(1.70, 1.0, 5, lower=0.0, upper=None)
    assert above == pytest.approx(0.0219, abs=6e-5)
    assert below == pytest.approx(0.0066, abs=6e-5)
    assert maximum_fraction(5, 1.535) <= 0.0332 <= maximum_fraction(5, 1.525)


def test_estimate_is_unbiased() -> None:
    """Definition: over many samples the estimate's mean is the true fraction (simulated, error 0.0005)."""
    draws = np.random.default_rng(2).normal(size=(10_000, 6))
    estimates = [
        sum(estimated_fraction_outside(row.mean(), row.std(ddof=1), 6, lower=-1.5, upper=2.0))
        for row in draws
    ]
    truth = stats.norm.cdf(-1.5) + stats.norm.sf(2.0)
    assert np.mean(estimates) == pytest.approx(truth, abs=4 * np.std(estimates) / 100)


def test_estimate_with_sigma_known() -> None:
    """Closed form: the normal tail at Q sqrt(n/(n - 1)); one ball alone steps from 1 to 0 at the limit."""
    below, above = estimated_fraction_outside(1.0, 0.5, 5, lower=0.0, upper=2.5, sigma_known=True)
    assert (below, above) == pytest.approx(stats.norm.sf([2 * math.sqrt(5 / 4), 3 * math.sqrt(5 / 4)]))
    steps = [
        estimated_fraction_outside(mean, 0.5, 1, lower=0.0, upper=None, sigma_known=True)[0]
        for mean in (-0.1, 0.0, 0.1)
    ]
    assert steps == [1.0, 0.5, 0.0]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-5, 5), min_size=8, max_size=8, unique=True), st.floats(-3, 3))
def test_one_limit_decides_alike_by_k_and_by_fraction(values: list[float], limit: float) -> None:
    """Identity of the k- and M-methods for one limit; a mirrored sample decides alike."""
    sample = summarize(values)
    if sample.standard_deviation < 1e-6:
        return
    plan = VariablesPlan(8, 1.2, maximum_fraction(8, 1.2), False, 0.05, 0.05, 0.3, 0.1, ())
    decision = judge_by_variables(plan, sample, lower=limit)
    assert decision.quality_lower is not None
    if abs(decision.quality_lower - 1.2) > 1e-9:
        assert (decision.outcome == "conforming") is (decision.fraction_outside <= plan.maximum_fraction)
    mirrored = judge_by_variables(plan, summarize([-value for value in values]), upper=-limit)
    assert mirrored.outcome == decision.outcome
    assert mirrored.fraction_outside == pytest.approx(decision.fraction_outside, abs=1e-12)


def test_two_limits_are_judged_together() -> None:
    """A spread that passes each limit alone may fail both together: the fractions add."""
    plan = VariablesPlan(5, 1.53, maximum_fraction(5, 1.53), False, 0.01, 0.05, 0.2, 0.1, ())
    sample = summarize([197.0, 188.0, 184.0, 205.0, 201.0])
    assert sample.mean == 195
    for limits in ({"upper": 209.0}, {"lower": 180.0}, {"lower": 180.0, "upper": 209.0}):
        assert judge_by_variables(plan, sample, **limits).outcome == "conforming"
    tight = {"lower": 181.4, "upper": 208.6}
    assert judge_by_variables(plan, sample, lower=181.4).outcome == "conforming"
    assert judge_by_variables(plan, sample, upper=208.6).outcome == "conforming"
    assert judge_by_variables(plan, sample, **tight).outcome == "nonconforming"


def test_known_sigma_is_used() -> None:
    """Closed form: with sigma known the statistic divides by it, whatever the sample's own spread."""
    plan = variables_plan(0.01, 0.06, sigma_known=True)
    sample = summarize(np.linspace(9, 11, plan.sample_size))
    decision = judge_by_variables(plan, sample, lower=8.0, sigma=2.0)
    assert decision.quality_lower == pytest.approx(1.0)
    assert decision.outcome == "nonconforming"
    assert judge_by_variables(plan, sample, lower=8.0, sigma=1.0).outcome == "conforming"


def test_bad_arguments_are_named() -> None:
    """Our own contract: ValueError begins with the argument's name."""
    plan = variables_plan(0.01, 0.2)
    sample = summarize(np.arange(float(plan.sample_size)))
    cases = {
        "consumer_quality": lambda: variables_plan(0.06, 0.01),
        "consumer_quality is too close": lambda: variables_plan(0.01, 0.01001),
        "producer_quality": lambda: variables_plan(0.0, 0.01),
        "producer_risk and": lambda: variables_plan(0.01, 0.02, producer_risk=0.6, consumer_risk=0.5),
        "lower or upper": lambda: judge_by_variables(plan, sample),
        "lower": lambda: judge_by_variables(plan, sample, lower=2.0, upper=1.0),
        "sigma": lambda: judge_by_variables(plan, sample, lower=2.0, sigma=1.0),
        "sample": lambda: judge_by_variables(plan, summarize([1.0, 2.0]), lower=0.0),
        "standard_deviation": lambda: judge_by_variables(
            plan, summarize([1.0] * plan.sample_size), lower=0.0
        ),
        "fraction": lambda: variables_acceptance_probability(10, 1.0, [0.0]),
    }
    for name, call in cases.items():
        with pytest.raises(ValueError, match=rf"^{name}\b"):
            call()
