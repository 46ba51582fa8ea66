"""Whether normal theory may be used on readings: the Anderson-Darling test, in words."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from ballgauge_service.lot.statistics.basics import probability, readings
from ballgauge_service.lot.statistics.sample_summary import summarise
from ballgauge_service.lot.statistics.statements import Statement

# The p-value's formula is stated for samples of at least 8 (D'Agostino and Stephens, 1986).
SMALLEST_SAMPLE = 8
# Ours: with fewer different readings than this the gauge's steps show more than the balls do.
FEWEST_DIFFERENT_READINGS = 6


@dataclass(frozen=True)
class NormalityTest(Statement):
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


def normality_test(values: ArrayLike, *, significance: float = 0.05) -> NormalityTest:
    """Test readings for normality with mean and standard deviation estimated.

    Parameters
    ----------
    values : (n,) float, any unit, any order
    significance : p-values under it count against normality

    A-squared is corrected by 1 + 0.75/n + 2.25/n^2 and the p-value taken from D'Agostino and Stephens,
    Goodness-of-Fit Techniques, 1986, Table 4.9. Raises ValueError naming the argument.
    """
    array = readings("values", values, minimum_count=1)
    level = probability("significance", significance)
    count = array.size
    if count < SMALLEST_SAMPLE:
        return _not_assessed(
            count, level, f"normality was not assessed: fewer than {SMALLEST_SAMPLE} readings"
        )
    summary = summarise(array)
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
