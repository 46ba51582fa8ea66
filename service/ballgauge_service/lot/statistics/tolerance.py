"""Statistical tolerance intervals: limits that hold a stated part of the lot with a stated confidence."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, stats

from ballgauge_schemas.shared.limits import CONFIDENCE, COVERAGE
from ballgauge_service.lot.statistics.basics import (
    SAMPLED,
    SIDES,
    BadArgument,
    checked_summary,
    one_of,
    probability,
    readings,
    whole_number,
)

ONE_SIDED_METHODS = ("exact", "approximate")
TWO_SIDED_METHODS = ("exact", "howe")


@dataclass(frozen=True, slots=True)
class ToleranceInterval:
    """An interval in the readings' unit. An open end is None.

    `confidence_reached` is the confidence the interval really has (None: equal to `confidence`);
    `sufficient` is False where the sample is too small for the wanted confidence. `factor` is k for normal
    intervals, `balls_outside` the readings left beyond the two ends for distribution-free ones.
    """

    kind: str
    method: str
    side: str
    count: int
    coverage: float
    confidence: float
    confidence_reached: float | None
    sufficient: bool
    lower: float | None
    upper: float | None
    factor: float | None
    balls_outside: int | None
    assumptions: tuple[str, ...]


def one_sided_factor(
    count: int,
    coverage: float,
    confidence: float,
    *,
    degrees_of_freedom: int | None = None,
    method: str = "exact",
) -> float:
    """Return k such that mean + k s exceeds the part `coverage` of a normal lot with `confidence`.

    Parameters
    ----------
    count : balls behind the mean, at least 2
    coverage, confidence : between 0 and 1
    degrees_of_freedom : of s; count - 1 unless given
    method : `exact`, the noncentral t quantile over sqrt(n) (Owen 1963; Krishnamoorthy and Mathew,
        Statistical Tolerance Regions, 2009, section 2.2), or `approximate`, the closed form of the
        NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3 (after Natrella, 1963)

    Returns
    -------
    float

    Raises
    ------
    BadArgument
        Naming the argument; also where the approximation has no real root.
    """
    size, freedom, part, sure = _factor_arguments(count, coverage, confidence, degrees_of_freedom)
    if one_of("method", method, ONE_SIDED_METHODS) == "exact":
        return _exact_one_sided(size, freedom, part, sure)
    deviate, sure_deviate = float(stats.norm.ppf(part)), float(stats.norm.ppf(sure))
    a = 1 - sure_deviate**2 / (2 * freedom)
    b = deviate**2 - sure_deviate**2 / size
    if a <= 0 or deviate**2 < a * b:
        raise BadArgument("count", f"is too small for the approximate method: {size}")
    return (deviate + math.sqrt(deviate**2 - a * b)) / a


@functools.lru_cache(maxsize=1024)
def _exact_one_sided(size: int, freedom: int, part: float, sure: float) -> float:
    # Every quantity of a lot has the same number of balls, and each quantile takes milliseconds.
    return float(stats.nct.ppf(sure, freedom, math.sqrt(size) * stats.norm.ppf(part)) / math.sqrt(size))


def two_sided_factor(
    count: int,
    coverage: float,
    confidence: float,
    *,
    degrees_of_freedom: int | None = None,
    method: str = "exact",
) -> float:
    """Return k such that mean +- k s holds the part `coverage` of a normal lot with `confidence`.

    Parameters
    ----------
    count, coverage, confidence, degrees_of_freedom : as `one_sided_factor`
    method : `exact` solves the integral of the coverage over the error of the mean (Odeh and Owen, Tables for
        Normal Tolerance Limits, 1980; ISO 16269-6:2014); `howe` is Howe's approximation (Journal of the
        American Statistical Association 64, 1969) that the e-Handbook 7.2.6.3 uses

    Returns
    -------
    float

    Raises
    ------
    BadArgument
    """
    size, freedom, part, sure = _factor_arguments(count, coverage, confidence, degrees_of_freedom)
    howe = float(
        stats.norm.ppf((1 + part) / 2)
        * math.sqrt(freedom * (1 + 1 / size) / stats.chi2.ppf(1 - sure, freedom))
    )
    if one_of("method", method, TWO_SIDED_METHODS) == "howe":
        return howe
    return _exact_two_sided(size, freedom, part, sure, howe)


@functools.lru_cache(maxsize=1024)
def _exact_two_sided(size: int, freedom: int, part: float, sure: float, start: float) -> float:
    # u is the error of the mean in its own standard deviations; past 9 of them nothing is left to add.
    nodes, weights = np.polynomial.legendre.leggauss(160)
    error = 4.5 * (nodes + 1)
    weight = 9.0 * weights * stats.norm.pdf(error)
    # The half-width r, in sigmas, that holds the part about a mean off by z: r^2 is noncentral chi-square.
    half_width_squared = stats.ncx2.ppf(part, 1, error**2 / size)

    def excess(factor: float) -> float:
        return float(np.sum(weight * stats.chi2.sf(freedom * half_width_squared / factor**2, freedom))) - sure

    low = high = start
    while excess(low) > 0:
        low *= 0.8
    while excess(high) < 0:
        high *= 1.25
    return low if low == high else float(optimize.brentq(excess, low, high, xtol=1e-12, rtol=1e-13))


def normal_tolerance_interval(
    count: int,
    mean: float,
    standard_deviation: float,
    *,
    coverage: float = COVERAGE,
    confidence: float = CONFIDENCE,
    side: str = "two_sided",
    method: str = "exact",
) -> ToleranceInterval:
    """Return a normal tolerance interval from a sample's count, mean and standard deviation.

    Parameters
    ----------
    count, mean, standard_deviation : see `summarize`
    coverage, confidence : between 0 and 1
    side : `two_sided`, `lower` (a limit most of the lot exceeds) or `upper`
    method : see `one_sided_factor` and `two_sided_factor`

    Returns
    -------
    ToleranceInterval

    Raises
    ------
    BadArgument
    """
    size, center, spread = checked_summary(count, mean, standard_deviation)
    if one_of("side", side, SIDES) == "two_sided":
        factor = two_sided_factor(size, coverage, confidence, method=method)
    else:
        factor = one_sided_factor(size, coverage, confidence, method=method)
    return ToleranceInterval(
        "normal",
        method,
        side,
        size,
        float(coverage),
        float(confidence),
        None,
        True,
        None if side == "upper" else center - factor * spread,
        None if side == "lower" else center + factor * spread,
        factor,
        None,
        SAMPLED,
    )


def distribution_free_interval(
    values: ArrayLike, *, coverage: float = COVERAGE, confidence: float = CONFIDENCE, side: str = "two_sided"
) -> ToleranceInterval:
    """Return the tightest interval between two readings that still keeps the confidence.

    Parameters
    ----------
    values : (n,) float, any order
    coverage, confidence, side : see `normal_tolerance_interval`

    Returns
    -------
    ToleranceInterval

    Raises
    ------
    BadArgument

    Notes
    -----
    With m readings left outside, the confidence is P(Binomial(n, coverage) <= n - m); the largest such m is
    taken, shared between the ends. Where even the extremes fall short, they are returned with `sufficient`
    False and the confidence they reach.

    References
    ----------
    Wilks, Annals of Mathematical Statistics 12, 1941.
    """
    least = 2 if one_of("side", side, SIDES) == "two_sided" else 1
    ordered = np.sort(readings("values", values, minimum_count=least))
    part, sure = probability("coverage", coverage), probability("confidence", confidence)
    size = ordered.size
    allowed = size - int(stats.binom.ppf(sure, size, part))
    outside = max(allowed, least)
    from_below = {"two_sided": outside // 2, "lower": outside, "upper": 0}[side]
    from_above = outside - from_below
    return ToleranceInterval(
        "distribution_free",
        "order_statistics",
        side,
        size,
        part,
        sure,
        float(stats.binom.cdf(size - outside, size, part)),
        allowed >= least,
        None if side == "upper" else float(ordered[from_below - 1]),
        None if side == "lower" else float(ordered[size - from_above]),
        None,
        outside - least,
        ("the quantity has a continuous distribution", "the balls are a random sample"),
    )


def _factor_arguments(
    count: int, coverage: float, confidence: float, degrees_of_freedom: int | None
) -> tuple[int, int, float, float]:
    size = whole_number("count", count, 2 if degrees_of_freedom is None else 1)
    freedom = size - 1 if degrees_of_freedom is None else degrees_of_freedom
    return (
        size,
        whole_number("degrees_of_freedom", freedom, 1),
        probability("coverage", coverage),
        probability("confidence", confidence),
    )
