"""What normal theory says of a process, and whether it may: capability, and the Anderson-Darling test."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from ballgauge_schemas.shared.limits import CONFIDENCE
from ballgauge_service.lot.statistics.basics import (
    BadArgument,
    limits,
    probability,
    readings,
    summarize,
)

# Mean of the range of two normal readings in sigmas, 2/sqrt(pi) (closed form).
MEAN_RANGE_OF_TWO = 2 / math.sqrt(math.pi)
# Degrees of freedom of an average moving range of two, as a part of n - 1 (from memory, no source at hand).
MOVING_RANGE_FREEDOM = 0.62
# The p-value's formula is stated for samples of at least 8 (D'Agostino and Stephens, 1986).
SMALLEST_SAMPLE = 8
# Ours: with fewer different readings than this the gauge's steps show more than the balls do.
FEWEST_DIFFERENT_READINGS = 6


@dataclass(frozen=True, slots=True)
class CapabilityIndex:
    """An index, its two-sided confidence interval, and the method of the interval."""

    value: float
    lower: float
    upper: float
    method: str


@dataclass(frozen=True, slots=True)
class Capability:
    """Capability of one quantity. `cp` and `pp` need both limits and are None otherwise.

    Spreads are in the readings' unit. The spread within is the average
    moving range over 2/sqrt(pi), which `within_method` says.
    """

    count: int
    mean: float
    lower: float | None
    upper: float | None
    confidence: float
    standard_deviation_within: float
    standard_deviation_overall: float
    within_method: str
    cp: CapabilityIndex | None
    cpk: CapabilityIndex
    pp: CapabilityIndex | None
    ppk: CapabilityIndex
    assumptions: tuple[str, ...]


def capability(
    values: ArrayLike,
    *,
    lower: float | None = None,
    upper: float | None = None,
    confidence: float = CONFIDENCE,
) -> Capability:
    """Return the capability indices of readings against their limits.

    Parameters
    ----------
    values : (n,) float, n >= 3; in order of production
    lower, upper : limits in the readings' unit, one or both
    confidence : of the two-sided intervals

    Returns
    -------
    Capability

    Raises
    ------
    BadArgument

    Notes
    -----
    Cp = (upper - lower)/(6 s within), Cpk = nearest limit's distance from the mean over 3 s within; Pp and
    Ppk likewise with the overall s. Intervals: chi-square for Cp and Pp (Kane, Journal of Quality
    Technology 18, 1986); for Cpk and Ppk Bissell's approximation (Applied Statistics 39, 1990), Cpk -+ z
    sqrt(1/(9 n) + Cpk^2/(2 f)).
    """
    low, high = limits(lower, upper)
    array = readings("values", values, minimum_count=3)
    sure = probability("confidence", confidence)
    summary = summarize(array)
    within = math.fsum(np.abs(np.diff(array)).tolist()) / (array.size - 1) / MEAN_RANGE_OF_TWO
    freedom = MOVING_RANGE_FREEDOM * (array.size - 1)
    if within <= 0 or summary.standard_deviation <= 0:
        raise BadArgument("values", "must differ: a spread of 0 has no capability")
    short = _indices(summary.mean, within, freedom, array.size, low, high, sure)
    long = _indices(summary.mean, summary.standard_deviation, array.size - 1, array.size, low, high, sure)
    return Capability(
        array.size,
        summary.mean,
        low,
        high,
        sure,
        within,
        summary.standard_deviation,
        "moving_range",
        short[0],
        short[1],
        long[0],
        long[1],
        ("the quantity is normally distributed", "the process is stable; see the drift charts"),
    )


def _indices(
    mean: float, spread: float, freedom: float, count: int, low: float | None, high: float | None, sure: float
) -> tuple[CapabilityIndex | None, CapabilityIndex]:
    sides = [*([] if high is None else [high - mean]), *([] if low is None else [mean - low])]
    nearest = min(sides) / (3 * spread)
    reach = float(stats.norm.isf((1 - sure) / 2)) * math.sqrt(1 / (9 * count) + nearest**2 / (2 * freedom))
    one = CapabilityIndex(nearest, nearest - reach, nearest + reach, "Bissell's approximation")
    if low is None or high is None:
        return None, one
    both = (high - low) / (6 * spread)
    ends = stats.chi2.ppf([(1 - sure) / 2, (1 + sure) / 2], freedom)
    scale = np.sqrt(ends / freedom)
    return CapabilityIndex(both, both * float(scale[0]), both * float(scale[1]), "chi-square"), one


@dataclass(frozen=True, slots=True)
class NormalityTest:
    """Anderson-Darling statistic, its small-sample form, and the p-value; None where not assessed.

    `normal` is True where the test finds nothing against normality, None where it could not be made.
    `warning` is empty or says what follows for results that rest on normal theory.
    """

    count: int
    statistic: float | None
    adjusted_statistic: float | None
    p_value: float | None
    significance: float
    normal: bool | None
    warning: str


def without_steps(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Readings as a gauge without steps might give them.

    Rounding alone then no longer speaks against normality.

    Parameters
    ----------
    values : (n,) readings

    Returns
    -------
    (n,) array of float: equal readings spread evenly over the gauge's step, the smallest gap of two
        (ours)
    """
    ordered = np.sort(values)
    distinct, first, count = np.unique(ordered, return_index=True, return_counts=True)
    if distinct.size < 2:
        return ordered
    place = np.arange(ordered.size) - np.repeat(first, count)
    found: NDArray[np.float64] = ordered + np.diff(distinct).min() * (
        (place + 0.5) / np.repeat(count, count) - 0.5
    )
    return found


def normality_test(values: ArrayLike, *, significance: float = 0.05) -> NormalityTest:
    """Test readings for normality with mean and standard deviation estimated.

    Parameters
    ----------
    values : (n,) float, any unit, any order
    significance : p-values under it count against normality

    Returns
    -------
    NormalityTest

    Raises
    ------
    BadArgument

    Notes
    -----
    A-squared is corrected by 1 + 0.75/n + 2.25/n^2 and the p-value taken from D'Agostino and Stephens,
    Goodness-of-Fit Techniques, 1986, Table 4.9.
    """
    array = readings("values", values, minimum_count=1)
    level = probability("significance", significance)
    count = array.size
    if count < SMALLEST_SAMPLE:
        return _not_assessed(
            count, level, f"normality was not assessed: fewer than {SMALLEST_SAMPLE} readings"
        )
    summary = summarize(array)
    if summary.standard_deviation == 0:
        return _not_assessed(count, level, "normality was not assessed: all readings are the same")
    deviates = (np.sort(array) - summary.mean) / summary.standard_deviation
    order = np.arange(1, count + 1)
    terms = (2 * order - 1) * (stats.norm.logcdf(deviates) + stats.norm.logsf(deviates[::-1]))
    statistic = -count - float(np.sum(terms)) / count
    adjusted = statistic * (1 + 0.75 / count + 2.25 / count**2)
    p_value = _p_value(adjusted)
    normal = p_value >= level
    return NormalityTest(
        count, statistic, adjusted, p_value, level, normal, _warning(array, count, p_value, normal)
    )


def _not_assessed(count: int, level: float, reason: str) -> NormalityTest:
    return NormalityTest(
        count, None, None, None, level, None, f"{reason}; results that rest on normal theory are unchecked"
    )


def _p_value(adjusted: float) -> float:
    # Past 13 the fitted parabola would turn up again; its p-value there is below 1e-30.
    value = min(adjusted, 13.0)
    if value >= 0.6:
        return math.exp(1.2937 - 5.709 * value + 0.0186 * value**2)
    if value >= 0.34:
        return math.exp(0.9177 - 4.279 * value - 1.38 * value**2)
    if value >= 0.2:
        return 1 - math.exp(-8.318 + 42.796 * value - 59.938 * value**2)
    return 1 - math.exp(-13.436 + 101.14 * value - 223.73 * value**2)


def _warning(array: np.ndarray, count: int, p_value: float, normal: bool) -> str:
    parts = []
    if not normal:
        parts.append(
            f"the readings depart from a normal distribution (Anderson-Darling, p = {p_value:.2g}): results "
            "that rest on normal theory may mislead; use the counts and the distribution-free interval"
        )
    different = np.unique(array).size
    if different < FEWEST_DIFFERENT_READINGS:
        parts.append(f"only {different} different readings among {count}: the gauge's steps are coarse")
    return "; ".join(parts)
