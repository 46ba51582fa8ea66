"""Drift of a model over its lots in time order: Shewhart charts of mean and spread, and EWMA."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from ballgauge_service.lot.statistics.basics import (
    BadArgument,
    FloatArray,
    number,
    readings,
    whole_number,
    whole_numbers,
)

LIMIT_WIDTH = 3.0
# Above this the gamma functions cancel and the series is the better of the two (ours).
LARGEST_DIRECT_C4 = 1000

# Rules of the Western Electric Statistical Quality Control Handbook, 1956, told in our words:
# rule: (lots in the window, of which at least, beyond this many standard errors on one side, sentence).
RUN_RULES: dict[str, tuple[int, int, float, str]] = {
    "beyond_three": (1, 1, 3.0, "a lot mean lies more than three standard errors from the center"),
    "two_of_three_beyond_two": (3, 2, 2.0, "two of three lots lie more than two standard errors to one side"),
    "four_of_five_beyond_one": (5, 4, 1.0, "four of five lots lie more than one standard error to one side"),
    "eight_on_one_side": (8, 8, 0.0, "eight lots one after another lie on one side of the center"),
}


@dataclass(frozen=True, slots=True)
class Signal:
    """A rule that fired: at which lot (0-based), on which chart (`mean`, `spread`, `ewma`), to which side."""

    lot: int
    name: str
    chart: str
    rule: str
    side: str
    message: str


@dataclass(frozen=True, slots=True)
class ShewhartChart:
    """Charts of lot means and standard deviations; limits are one a lot, in the readings' unit."""

    names: tuple[str, ...]
    sizes: tuple[int, ...]
    means: tuple[float, ...]
    standard_deviations: tuple[float, ...]
    centre: float
    sigma: float
    baseline: int
    mean_lower: tuple[float, ...]
    mean_upper: tuple[float, ...]
    spread_centre: tuple[float, ...]
    spread_lower: tuple[float, ...]
    spread_upper: tuple[float, ...]
    signals: tuple[Signal, ...]
    assumptions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class EwmaChart:
    """Exponentially weighted moving average of the lot means, with its exact limits at every lot."""

    names: tuple[str, ...]
    average: tuple[float, ...]
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    centre: float
    sigma: float
    weight: float
    width: float
    signals: tuple[Signal, ...]


def shewhart_chart(
    means: ArrayLike,
    standard_deviations: ArrayLike,
    sizes: ArrayLike,
    *,
    baseline: int | None = None,
    centre: float | None = None,
    sigma: float | None = None,
    names: Sequence[str] | None = None,
) -> ShewhartChart:
    """Chart lot means and standard deviations (X-bar and s) and say which rule fired at which lot.

    Parameters
    ----------
    means, standard_deviations : (k,) float, one a lot in time order
    sizes : (k,) balls measured in each lot, at least 2
    baseline : the first lots that set centre and sigma; all of them unless given
    centre, sigma : known values instead, in the readings' unit
    names : (k,) names of the lots

    Returns
    -------
    ShewhartChart

    Raises
    ------
    BadArgument

    Notes
    -----
    Sigma is the average of s/c4 weighted by c4^2/(1 - c4^2) (Burr, Journal of Quality Technology 1, 1969),
    which for equal lots is s-bar/c4. Limits: centre -+ 3 sigma/sqrt(n), and c4 sigma -+ 3 sigma sqrt(1 -
    c4^2), not below 0 (Shewhart 1931; NIST/SEMATECH e-Handbook 6.3.2.1). Means are judged by all of
    `RUN_RULES`, standard deviations by their limits.
    """
    average, spread, count, labels = _lots(means, standard_deviations, sizes, names)
    first = whole_number("baseline", average.size if baseline is None else baseline, 1, average.size)
    shortfall = _c4_shortfall(count)
    leftover = shortfall * (2 - shortfall)
    middle = _weighted(average, count, first) if centre is None else number("centre", centre)
    if sigma is None:
        scale = _weighted(spread / (1 - shortfall), (1 - shortfall) ** 2 / leftover, first)
    else:
        scale = number("sigma", sigma, above=0.0)
    if scale <= 0:
        raise BadArgument("standard_deviations", "must not all be 0 in the baseline")
    error, spread_error = scale / np.sqrt(count), LIMIT_WIDTH * scale * np.sqrt(leftover)
    spread_centre = (1 - shortfall) * scale
    spread_lower = np.maximum(spread_centre - spread_error, 0.0)
    spread_upper = spread_centre + spread_error
    signals = _run_signals((average - middle) / error, labels)
    signals += _limit_signals(
        spread, spread_lower, spread_upper, labels, "spread", "the spread within the lot is beyond its limit"
    )
    return ShewhartChart(
        labels,
        tuple(count.tolist()),
        tuple(average.tolist()),
        tuple(spread.tolist()),
        middle,
        scale,
        first,
        tuple((middle - LIMIT_WIDTH * error).tolist()),
        tuple((middle + LIMIT_WIDTH * error).tolist()),
        tuple(spread_centre.tolist()),
        tuple(spread_lower.tolist()),
        tuple(spread_upper.tolist()),
        tuple(sorted(signals, key=lambda signal: signal.lot)),
        (
            "balls within a lot vary independently about the lot's mean",
            "limits rest on the spread within lots: steady differences between lots show as signals",
        ),
    )


def ewma_chart(
    means: ArrayLike,
    sizes: ArrayLike,
    *,
    centre: float,
    sigma: float,
    weight: float = 0.2,
    width: float = LIMIT_WIDTH,
    names: Sequence[str] | None = None,
) -> EwmaChart:
    """Chart the exponentially weighted moving average of lot means.

    Parameters
    ----------
    means : (k,) float in time order; sizes : (k,) balls in each lot, at least 1
    centre, sigma : of the process, in the readings' unit; sigma is one ball's standard deviation
    weight : of the newest lot, above 0 and at most 1
    width : of the limits in standard errors

    Returns
    -------
    EwmaChart

    Raises
    ------
    BadArgument

    Notes
    -----
    z = weight * mean + (1 - weight) * z before, starting at the centre. Its variance is carried along
    exactly, which for equal lots is sigma^2/n * weight/(2 - weight) * (1 - (1 - weight)^(2i)).

    References
    ----------
    Roberts, Technometrics 1, 1959; NIST/SEMATECH e-Handbook 6.3.2.4.
    """
    average = readings("means", means)
    count = whole_numbers("sizes", sizes, 1)
    labels = _labels(names, average.size)
    if count.shape != average.shape:
        raise BadArgument("sizes", f"must be one a lot: {average.size}; got {count.size}")
    middle, scale = number("centre", centre), number("sigma", sigma, above=0.0)
    newest, reach = number("weight", weight, above=0.0), number("width", width, above=0.0)
    if newest > 1:
        raise BadArgument("weight", f"must be at most 1; got {newest:g}")
    smoothed, error = np.empty(average.size), np.empty(average.size)
    level, variance = middle, 0.0
    for lot, (mean, size) in enumerate(zip(average.tolist(), count.tolist(), strict=True)):
        level = newest * mean + (1 - newest) * level
        variance = newest**2 * scale**2 / size + (1 - newest) ** 2 * variance
        smoothed[lot], error[lot] = level, math.sqrt(variance)
    lower, upper = middle - reach * error, middle + reach * error
    signals = _limit_signals(
        smoothed, lower, upper, labels, "ewma", "the weighted average of the lots is beyond its limit"
    )
    return EwmaChart(
        labels,
        tuple(smoothed.tolist()),
        tuple(lower.tolist()),
        tuple(upper.tolist()),
        middle,
        scale,
        newest,
        reach,
        tuple(signals),
    )


def _c4_shortfall(count: np.ndarray) -> FloatArray:
    """Return 1 - c4, which keeps its digits where c4 itself is nearly 1."""
    size = np.asarray(count, dtype=np.float64)
    few = np.minimum(size, LARGEST_DIRECT_C4)
    direct = 1 - np.sqrt(2 / (few - 1)) * np.exp(special.gammaln(few / 2) - special.gammaln((few - 1) / 2))
    series = 1 / (4 * size) + 7 / (32 * size**2) + 19 / (128 * size**3)
    return np.asarray(np.where(size <= LARGEST_DIRECT_C4, direct, series), dtype=np.float64)


def _lots(
    means: ArrayLike, standard_deviations: ArrayLike, sizes: ArrayLike, names: Sequence[str] | None
) -> tuple[FloatArray, FloatArray, np.ndarray, tuple[str, ...]]:
    average = readings("means", means)
    spread = readings("standard_deviations", standard_deviations)
    count = whole_numbers("sizes", sizes, 2)
    if spread.shape != average.shape:
        raise BadArgument("standard_deviations", f"must be one a lot: {average.size}; got {spread.size}")
    if count.shape != average.shape:
        raise BadArgument("sizes", f"must be one a lot: {average.size}; got {count.size}")
    if np.any(spread < 0):
        raise BadArgument("standard_deviations", "must not be negative")
    return average, spread, count, _labels(names, average.size)


def _labels(names: Sequence[str] | None, count: int) -> tuple[str, ...]:
    if names is None:
        return tuple(str(lot + 1) for lot in range(count))
    if len(names) != count:
        raise BadArgument("names", f"must be one a lot: {count}; got {len(names)}")
    return tuple(str(name) for name in names)


def _weighted(values: np.ndarray, weights: np.ndarray, first: int) -> float:
    return float(np.average(values[:first], weights=weights[:first]))


def _run_signals(deviates: FloatArray, labels: tuple[str, ...]) -> list[Signal]:
    signals = []
    for rule, (window, needed, distance, message) in RUN_RULES.items():
        for side, beyond in (("high", deviates > distance), ("low", deviates < -distance)):
            running = np.cumsum(np.concatenate([[0], beyond]))
            for lot in range(window - 1, deviates.size):
                # The newest lot must itself be beyond: otherwise an old signal would sound again.
                if beyond[lot] and running[lot + 1] - running[lot + 1 - window] >= needed:
                    signals.append(Signal(lot, labels[lot], "mean", rule, side, message))
    return signals


def _limit_signals(
    values: FloatArray,
    lower: FloatArray,
    upper: FloatArray,
    labels: tuple[str, ...],
    chart: str,
    message: str,
) -> list[Signal]:
    outside = [
        *(("high", int(lot)) for lot in np.flatnonzero(values > upper)),
        *(("low", int(lot)) for lot in np.flatnonzero(values < lower)),
    ]
    found = [Signal(lot, labels[lot], chart, "beyond_limit", side, message) for side, lot in outside]
    return sorted(found, key=lambda signal: signal.lot)
