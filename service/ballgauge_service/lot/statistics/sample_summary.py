"""Mean and standard deviation of readings, the same for every order of the readings."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ballgauge_service.lot.statistics.basics import number, readings, whole_number
from ballgauge_service.lot.statistics.statements import Statement


@dataclass(frozen=True)
class SampleSummary(Statement):
    """What normal theory needs of a sample; all but the count in the readings' unit."""

    count: int
    mean: float
    standard_deviation: float
    minimum: float
    maximum: float


def summarise(values: ArrayLike) -> SampleSummary:
    """Summarise readings.

    Parameters
    ----------
    values : (n,) float, n >= 2, in any unit

    Returns
    -------
    SampleSummary with the sample standard deviation (divisor n - 1). The readings are sorted before they
    are added, so that neither their order nor their chunks change a digit.

    Raises
    ------
    ValueError : fewer than two readings, or one that is missing or infinite
    """
    ordered = np.sort(readings("values", values, minimum_count=2))
    count, smallest, largest = ordered.size, float(ordered[0]), float(ordered[-1])
    mean = float(np.sum(ordered)) / count
    # A constant column must show no spread at all, though its mean may be rounded.
    variance = 0.0 if smallest == largest else float(np.sum((ordered - mean) ** 2)) / (count - 1)
    return SampleSummary(count, mean, math.sqrt(variance), smallest, largest)


def checked_summary(count: int, mean: float, standard_deviation: float) -> tuple[int, float, float]:
    """Return the three numbers checked: count >= 2, finite mean, standard deviation > 0."""
    return (
        whole_number("count", count, 2),
        number("mean", mean),
        number("standard_deviation", standard_deviation, above=0.0),
    )
