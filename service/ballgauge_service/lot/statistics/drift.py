"""Drift of a model over its lots in time order: Shewhart charts of mean and spread, and EWMA."""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from ballgauge_schemas.shared.limits import DRIFT_WEIGHT
from ballgauge_service.lot.statistics.basics import (
    BadArgument,
    FloatArray,
    number,
    readings,
    whole_number,
    whole_numbers,
)
from ballgauge_service.lot.statistics.process import MEAN_RANGE_OF_TWO

LIMIT_WIDTH = 3.0
# Above this the gamma functions cancel and the series is the better of the two (ours).
LARGEST_DIRECT_C4 = 1000

FALSE_ALARMS = 0.05
"""Share of stable series, all their quantities together, that may signal at all (ours)."""

FEW_LOTS = 10
"""From fewer lots than this limits are told to be wide (ours)."""

_SIMULATED = 400_000
_SIMULATED_LEAST = 4000
# Ours: series simulated for the limits, as many as hold that many lots.

_BEYOND_LIMIT = "a lot mean lies beyond its limit"


@dataclass(frozen=True, slots=True)
class Signal:
    """A value beyond its limit: lot (0-based), chart (`mean`, `spread`, `ewma`) and side."""

    lot: int
    name: str
    chart: str
    rule: str
    side: str
    message: str


@dataclass(frozen=True, slots=True)
class ShewhartChart:
    """Charts of lot means and standard deviations; limits are one a lot, in the readings' unit.

    `sigma` is the spread within a lot; `between` that of the lots' true means, `spread_between` of their true
    spreads; `width` of the limits in standard deviations.
    """

    names: tuple[str, ...]
    sizes: tuple[int, ...]
    means: tuple[float, ...]
    standard_deviations: tuple[float, ...]
    centre: float
    sigma: float
    between: float
    spread_between: float
    width: float
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
    lots_differ: bool = False,
    width: float = LIMIT_WIDTH,
    names: Sequence[str] | None = None,
) -> ShewhartChart:
    """Chart lot means and standard deviations (X-bar and s) and say which lots lie beyond a limit.

    Parameters
    ----------
    means, standard_deviations : (k,) float, one a lot in time order
    sizes : (k,) balls measured in each lot, at least 2
    baseline : the first lots that set center and sigma; all of them unless given
    centre, sigma : known values instead, in the readings' unit
    lots_differ : whether lots of a stable process differ by more than their balls explain: limits then rest
        on the spread between lots too
    width : of the limits in standard deviations; see `stable_width`
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
    which for equal lots is s-bar/c4. Limits: centre -+ width sqrt(between^2 + sigma^2/n), and c4 sigma -+
    width
    sqrt(spread_between^2 + sigma^2 (1 - c4^2)), not below 0 (Shewhart 1931; NIST/SEMATECH e-Handbook 6.3.2.1,
    where nothing differs between lots). The spread between lots is what the mean moving range of the
    baseline,
    over d2, has beyond sampling: the chart of individuals of lot means (I-MR with within-lot s; Montgomery,
    Introduction to Statistical Quality Control, section 6.3, from memory).
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
    between = _between(average[:first], scale / np.sqrt(count[:first])) if lots_differ else 0.0
    if scale <= 0 and between <= 0:
        raise BadArgument("standard_deviations", "must not all be 0 in the baseline")
    sampling = scale * np.sqrt(leftover)
    spread_between = _between(spread[:first], sampling[:first]) if lots_differ else 0.0
    reach = number("width", width, above=0.0)
    error = reach * np.hypot(between, scale / np.sqrt(count))
    spread_error = reach * np.hypot(spread_between, sampling)
    spread_centre = (1 - shortfall) * scale
    spread_lower = np.maximum(spread_centre - spread_error, 0.0)
    spread_upper = spread_centre + spread_error
    lower, upper = middle - error, middle + error
    signals = _limit_signals(average, lower, upper, labels, "mean", _BEYOND_LIMIT)
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
        between,
        spread_between,
        reach,
        first,
        tuple(lower.tolist()),
        tuple(upper.tolist()),
        tuple(spread_centre.tolist()),
        tuple(spread_lower.tolist()),
        tuple(spread_upper.tolist()),
        tuple(sorted(signals, key=lambda signal: signal.lot)),
        tuple(_assumptions(first, lots_differ)),
    )


def _assumptions(lots: int, lots_differ: bool) -> Iterator[str]:
    yield "balls within a lot vary independently about the lot's mean"
    if not lots_differ:
        yield "limits rest on the spread within lots: steady differences between lots show as signals"
        return
    yield "limits rest on the spread from one lot to the next, which a stable process keeps"
    if lots < FEW_LOTS:
        yield f"limits from fewer than {FEW_LOTS} lots are wide: only a large drift shows"


def stable_width(lots: int, baseline: int, weight: float, quantities: int) -> float:
    """Width of the limits by which a stable process seldom signals.

    Parameters
    ----------
    lots : in the series; baseline : the first of them that set the limits, at least 2
    weight : of the newest lot in the moving average
    quantities : charted beside one another

    Returns
    -------
    float
        Standard deviations, for all three charts of each quantity: with limits from as many lots, by
        the mean moving range, at most `FALSE_ALARMS` of stable series signal on any chart of any quantity.

    Notes
    -----
    Found by simulation of normal lot means and spreads, the same numbers each time: the quantile of the
    largest deviate of a series (ours). 3 would be the width for one lot judged by known limits.
    """
    largest = _largest_deviates(lots, baseline, weight)
    return float(np.quantile(largest, 1 - FALSE_ALARMS / quantities))


@functools.lru_cache(maxsize=256)
def _largest_deviates(lots: int, baseline: int, weight: float) -> FloatArray:
    """The largest deviate of each simulated series over its charts, in estimated standard deviations."""
    series = max(_SIMULATED // lots, _SIMULATED_LEAST)
    # The raw stream of PCG64 is fixed across numpy versions (NEP 19); methods of the Generator are not.
    words = np.random.PCG64(lots).random_raw(2 * series * lots)
    means, spreads = special.ndtri((words >> 11) * 2.0**-53 + 2.0**-54).reshape(2, series, lots)
    largest = np.zeros(series)
    for values, averaged in ((means, True), (spreads, False)):
        deviates = values - values[:, :baseline].mean(axis=1, keepdims=True)
        ranges = np.abs(np.diff(values[:, :baseline], axis=1))
        scale = ranges.mean(axis=1) / MEAN_RANGE_OF_TWO
        largest = np.maximum(largest, np.abs(deviates).max(axis=1) / scale)
        level, variance = np.zeros(series), 0.0
        for lot in range(lots if averaged else 0):
            level = weight * deviates[:, lot] + (1 - weight) * level
            variance = weight**2 + (1 - weight) ** 2 * variance
            largest = np.maximum(largest, np.abs(level) / (math.sqrt(variance) * scale))
    return largest


def _between(values: FloatArray, sampling: FloatArray) -> float:
    """The standard deviation between lots beyond that of sampling (k,), by the mean moving range; 0: none."""
    if values.size < 2:
        return 0.0
    moving = float(np.mean(np.abs(np.diff(values)))) / MEAN_RANGE_OF_TWO
    return math.sqrt(max(moving**2 - float(np.mean(sampling**2)), 0.0))


def ewma_chart(
    means: ArrayLike,
    sizes: ArrayLike,
    *,
    centre: float,
    sigma: float,
    between: float = 0.0,
    weight: float = DRIFT_WEIGHT,
    width: float = LIMIT_WIDTH,
    names: Sequence[str] | None = None,
) -> EwmaChart:
    """Chart the exponentially weighted moving average of lot means.

    Parameters
    ----------
    means : (k,) float in time order; sizes : (k,) balls in each lot, at least 1
    centre, sigma, between : of the process, in the readings' unit; sigma is one ball's standard deviation,
        between that of the lots' true means
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
    z = weight * mean + (1 - weight) * z before, starting at the center. Its variance is carried along
    exactly, which for equal lots is (between^2 + sigma^2/n) * weight/(2 - weight) * (1 - (1 - weight)^(2i)).

    References
    ----------
    Roberts, Technometrics 1, 1959; NIST/SEMATECH e-Handbook 6.3.2.4.
    """
    average = readings("means", means)
    count = whole_numbers("sizes", sizes, 1)
    labels = _labels(names, average.size)
    if count.shape != average.shape:
        raise BadArgument("sizes", f"must be one a lot: {average.size}; got {count.size}")
    middle, differing = number("centre", centre), number("between", between, at_least=0.0)
    scale = number("sigma", sigma, at_least=0.0) if differing else number("sigma", sigma, above=0.0)
    newest, reach = number("weight", weight, above=0.0), number("width", width, above=0.0)
    if newest > 1:
        raise BadArgument("weight", f"must be at most 1; got {newest:g}")
    smoothed, error = np.empty(average.size), np.empty(average.size)
    level, variance = middle, 0.0
    for lot, (mean, size) in enumerate(zip(average.tolist(), count.tolist(), strict=True)):
        level = newest * mean + (1 - newest) * level
        variance = newest**2 * (differing**2 + scale**2 / size) + (1 - newest) ** 2 * variance
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
