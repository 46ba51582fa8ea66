"""Tolerance intervals against published values and against simulation-free peers in scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, optimize, stats

from ballgauge_service.lot.statistics.tolerance import (
    distribution_free_interval,
    normal_tolerance_interval,
    one_sided_factor,
    two_sided_factor,
)


def test_e_handbook_example() -> None:
    """NIST/SEMATECH e-Handbook 7.2.6.3: n = 43, coverage 0.90, confidence 0.99."""
    assert two_sided_factor(43, 0.90, 0.99, method="howe") == pytest.approx(2.217, abs=5e-4)
    assert one_sided_factor(43, 0.90, 0.99, method="approximate") == pytest.approx(1.8752, abs=5e-5)
    assert one_sided_factor(43, 0.90, 0.99) == pytest.approx(1.8740, abs=5e-5)


def test_e_handbook_interval() -> None:
    """A public worksheet of the e-Handbook example: mean 97.07, s 0.0268 give 97.0106 to 97.1294."""
    interval = normal_tolerance_interval(43, 97.07, 0.0268, coverage=0.90, confidence=0.99, method="howe")
    assert interval.lower == pytest.approx(97.0106, abs=5e-5)
    assert interval.upper == pytest.approx(97.1294, abs=5e-5)


@pytest.mark.parametrize(
    ("count", "coverage", "factor"),
    [
        (5, 0.95, 4.203),
        (10, 0.95, 2.911),
        (20, 0.95, 2.396),
        (30, 0.95, 2.220),
        (50, 0.95, 2.065),
        (100, 0.95, 1.927),
        (10, 0.90, 2.355),
        (10, 0.99, 3.981),
        (20, 0.99, 3.295),
    ],
)
def test_one_sided_factors_of_the_tables(count: int, coverage: float, factor: float) -> None:
    """One-sided k at confidence 0.95, Odeh and Owen 1980 and ISO 16269-6, from memory."""
    assert one_sided_factor(count, coverage, 0.95) == pytest.approx(factor, abs=6e-4)


@pytest.mark.parametrize(
    ("count", "factor"), [(2, 36.519), (3, 9.789), (5, 5.077), (10, 3.393), (20, 2.760), (30, 2.555)]
)
def test_two_sided_exact_factors_of_the_tables(count: int, factor: float) -> None:
    """Exact two-sided k at coverage and confidence 0.95, ISO 16269-6:2014, from memory."""
    assert two_sided_factor(count, 0.95, 0.95) == pytest.approx(factor, abs=6e-4)


@pytest.mark.parametrize(
    ("count", "coverage", "confidence"), [(4, 0.9, 0.9), (43, 0.9, 0.99), (200, 0.99, 0.95)]
)
def test_exact_factor_holds_its_confidence(count: int, coverage: float, confidence: float) -> None:
    """Closed integral by scipy's adaptive quadrature, with the half-width found by root search."""
    factor = two_sided_factor(count, coverage, confidence)

    def chance(error: float) -> float:
        shift = error / math.sqrt(count)
        half = optimize.brentq(
            lambda r: stats.norm.cdf(shift + r) - stats.norm.cdf(shift - r) - coverage, 0, 50, xtol=1e-13
        )
        held = stats.chi2.sf((count - 1) * half**2 / factor**2, count - 1)
        return float(held * stats.norm.pdf(error))

    total, _ = integrate.quad(chance, -9, 9, limit=200, epsabs=1e-11)
    assert total == pytest.approx(confidence, abs=1e-7)


def test_factors_fall_towards_the_normal_quantile() -> None:
    """Limit: with ever more balls k tends to the normal quantile, and falls on the way."""
    sizes = [2, 3, 5, 10, 30, 100, 1000, 100_000]
    for factor, limit in ((one_sided_factor, 0.95), (two_sided_factor, 0.975)):
        values = [factor(size, 0.95, 0.95) for size in sizes]
        assert values == sorted(values, reverse=True)
        assert values[-1] == pytest.approx(stats.norm.ppf(limit), abs=0.02)
        assert values[-1] > stats.norm.ppf(limit)


@pytest.mark.parametrize(
    ("coverage", "side", "count"),
    [(0.90, "two_sided", 46), (0.95, "two_sided", 93), (0.99, "two_sided", 473),
     (0.90, "lower", 29), (0.95, "lower", 59), (0.99, "upper", 299)],
)  # fmt: skip
def test_distribution_free_sample_sizes(coverage: float, side: str, count: int) -> None:
    """Wilks's sample sizes at confidence 0.95, from memory: with one ball fewer it falls short."""
    enough, fewer = (
        distribution_free_interval(np.arange(size), coverage=coverage, side=side).sufficient
        for size in (count, count - 1)
    )
    assert (enough, fewer) == (True, False)


def test_distribution_free_interval_is_the_tightest() -> None:
    """Closed form P(Binomial(n, p) <= n - m) from scipy: one more reading left out would not do."""
    values = np.arange(1000.0)
    interval = distribution_free_interval(values[::-1], coverage=0.95, confidence=0.95)
    assert interval.lower is not None and interval.upper is not None  # noqa: PT018
    left = int(interval.lower) + 1 + (1000 - int(interval.upper))
    assert stats.binom.cdf(1000 - left, 1000, 0.95) >= 0.95 > stats.binom.cdf(1000 - left - 1, 1000, 0.95)
    assert interval.confidence_reached == pytest.approx(stats.binom.cdf(1000 - left, 1000, 0.95))
    assert abs((int(interval.lower) + 1) - (1000 - int(interval.upper))) <= 1


@pytest.mark.parametrize(("count", "sufficient"), [(92, False), (93, True)])
def test_too_small_a_sample_says_so(count: int, sufficient: bool) -> None:
    """Wilks: 93 readings are the fewest for 95/95; with 92 the extremes are given, marked insufficient."""
    interval = distribution_free_interval(np.arange(float(count)), coverage=0.95)
    assert interval.sufficient is sufficient
    assert (interval.lower, interval.upper) == (0.0, count - 1.0)
    assert interval.confidence_reached is not None
    assert (interval.confidence_reached >= 0.95) is sufficient


def test_one_sided_intervals_are_open_at_the_other_end() -> None:
    """Our own contract: a lower tolerance limit has no upper one; mirrored readings mirror the limits."""
    lower = normal_tolerance_interval(20, 10.0, 1.0, side="lower")
    upper = normal_tolerance_interval(20, -10.0, 1.0, side="upper")
    assert lower.upper is None
    assert upper.lower is None
    assert lower.lower == pytest.approx(-float(upper.upper or 0), rel=1e-12)
    free = distribution_free_interval(np.arange(100.0), side="upper")
    assert free.lower is None


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: one_sided_factor(1, 0.9, 0.9), "count"),
        (lambda: one_sided_factor(2, 0.9, 0.999, method="approximate"), "count"),
        (lambda: two_sided_factor(10, 1.0, 0.9), "coverage"),
        (lambda: two_sided_factor(10, 0.9, float("nan")), "confidence"),
        (lambda: two_sided_factor(10, 0.9, 0.9, method="guess"), "method"),
        (lambda: normal_tolerance_interval(10, 1.0, 0.0), "standard_deviation"),
        (lambda: distribution_free_interval([1.0, float("nan"), 2.0]), "values"),
        (lambda: distribution_free_interval([1.0, 2.0], side="both"), "side"),
    ],
)
def test_bad_arguments_are_named(call: object, name: str) -> None:
    """Our own contract: ValueError begins with the argument's name."""
    assert callable(call)
    with pytest.raises(ValueError, match=rf"^{name}\b"):
        call()
