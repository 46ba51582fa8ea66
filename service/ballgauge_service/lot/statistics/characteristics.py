"""What a lot's quantities are like: spread, fraction outside the limits, intervals, capability, charts."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ballgauge_schemas import KINDS
from ballgauge_schemas.shared.wording import listed
from ballgauge_service.lot.judging.gathering import BindingLimits, Gathered, Ordered
from ballgauge_service.lot.judging.totals import BINS, KEPT_MAXIMUM, QuantityTotals
from ballgauge_service.lot.reading.headings import QUANTITIES
from ballgauge_service.lot.statistics.basics import FloatArray
from ballgauge_service.lot.statistics.nonconforming import FractionOutside, fraction_outside
from ballgauge_service.lot.statistics.process import Capability, NormalityTest, capability, normality_test
from ballgauge_service.lot.statistics.tolerance import (
    ToleranceInterval,
    distribution_free_interval,
    normal_tolerance_interval,
)

CHART_POINTS = 400
"""Most points of a run chart (ours): more balls are told in groups of equal size."""

HISTOGRAM_BINS = 40
"""Most bins of a histogram in an answer (ours)."""

SMALL_SAMPLE = 30
"""Fewer balls than this are called a small sample in a caution (common practice, no source)."""

_NO_LIMITS = BindingLimits(None, None, False, ())


@dataclass(frozen=True, slots=True)
class CountedOutside:
    """Balls outside the limits."""

    below: int
    above: int


@dataclass(frozen=True, slots=True)
class Histogram:
    """Counts over bins of equal width."""

    start: float
    width: float
    counts: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class RunPoint:
    """A ball and its value, or a group's first ball and the group's mean."""

    serial: str | None
    row: int
    value: float


@dataclass(frozen=True, slots=True)
class RunGroup(RunPoint):
    """Balls that follow one another."""

    lowest: float
    highest: float


@dataclass(frozen=True, slots=True)
class RunChart:
    """The quantity in `order`, `serial` or `file`, ball by ball or in groups of equal size."""

    order: str
    balls_a_point: int
    points: tuple[RunPoint, ...]


@dataclass(frozen=True, slots=True)
class QuantityStatement:
    """What the lot is like in one quantity; what needs each ball's value is None in a very large lot."""

    quantity: str
    unit: str
    count: int
    without_value: int
    mean: float
    standard_deviation: float | None
    minimum: float
    maximum: float
    limits: BindingLimits
    counted_outside: CountedOutside | None
    fraction_outside: FractionOutside | None
    tolerance_intervals: tuple[ToleranceInterval, ...]
    normality: NormalityTest | None
    capability: Capability | None
    histogram: Histogram
    run_chart: RunChart | None
    notes: tuple[str, ...]


def unit_of(quantity: str) -> str:
    """The trade unit of a quantity.

    Parameters
    ----------
    quantity : str, of the contract

    Returns
    -------
    str
    """
    return KINDS[QUANTITIES[quantity].kind].unit


def describe_quantities(
    totals: Gathered, ordered: Ordered | None, confidence: float, coverage: float
) -> list[QuantityStatement]:
    """State what every quantity that any ball has is like, in the contract's order.

    Parameters
    ----------
    totals : Gathered
    ordered : Ordered or None, None of a lot of more than `KEPT_MAXIMUM` balls
    confidence, coverage : float, fractions

    Returns
    -------
    list of QuantityStatement: without `ordered` what needs each ball's value is None, and notes say so
    """
    limits, undecided = totals.limits(), totals.open_limits()
    return [
        _describe(
            name,
            totals,
            ordered,
            limits.get(name, _NO_LIMITS),
            confidence,
            coverage,
            undecided[name].unknown if name in undecided else (),
        )
        for name in QUANTITIES
        if name in totals.quantities and totals.quantities[name].count
    ]


def _describe(
    name: str,
    totals: Gathered,
    ordered: Ordered | None,
    limits: BindingLimits,
    confidence: float,
    coverage: float,
    unknown: tuple[str, ...],
) -> QuantityStatement:
    sums = totals.quantities[name]
    values = None if ordered is None else ordered.values[name]
    given = None if values is None else values[~np.isnan(values)]
    notes = _notes(sums, totals.balls, limits)
    if unknown:
        lacking = listed(unknown, "and")
        notes.append(f"which limits hold is open without {lacking}; the narrowest of them stand here")
    if given is None:
        notes.append(f"more than {KEPT_MAXIMUM} balls: what needs each ball's own value is left out")
    normality = None if given is None else normality_test(given)
    if normality is not None and normality.warning:
        notes.append(normality.warning)
    outside = _fraction_outside(sums, limits, confidence, notes)
    capable = _capability(given, limits, confidence, notes)
    return QuantityStatement(
        quantity=name,
        unit=unit_of(name),
        count=sums.count,
        without_value=totals.balls - sums.count,
        mean=sums.mean or 0.0,
        standard_deviation=sums.standard_deviation,
        minimum=sums.lowest,
        maximum=sums.highest,
        limits=limits,
        counted_outside=_counted_outside(given, limits, totals.ends(name)),
        fraction_outside=outside,
        tolerance_intervals=tuple(_intervals(sums, given, limits, confidence, coverage)),
        normality=normality,
        capability=capable,
        histogram=_histogram(sums, given),
        run_chart=None if ordered is None or values is None else _run_chart(ordered, values),
        notes=tuple(notes),
    )


def _notes(sums: QuantityTotals, balls: int, limits: BindingLimits) -> list[str]:
    notes = []
    if sums.count < SMALL_SAMPLE:
        notes.append(f"a small sample: {sums.count} balls; bounds and intervals are wide for that reason")
    if sums.count < balls:
        notes.append(f"{balls - sums.count} balls have no value of it and are not in these numbers")
    if limits.differ:
        notes.append("the limits differ among the balls; the narrowest of them stand here")
    return notes


def _counted_outside(
    values: FloatArray | None, limits: BindingLimits, ends: tuple[float, float]
) -> CountedOutside | None:
    if values is None or not _limited(limits):
        return None
    return CountedOutside(
        0 if limits.min is None else int(np.count_nonzero(values < ends[0])),
        0 if limits.max is None else int(np.count_nonzero(values > ends[1])),
    )


def _limited(limits: BindingLimits) -> bool:
    return not (limits.min is None and limits.max is None)


def _fraction_outside(
    sums: QuantityTotals, limits: BindingLimits, confidence: float, notes: list[str]
) -> FractionOutside | None:
    if not _limited(limits):
        return None
    spread, mean = sums.standard_deviation, sums.mean
    if sums.count < 3 or not spread or mean is None:
        notes.append("the fraction outside the limits is not estimated: it needs three balls that differ")
        return None
    try:
        return fraction_outside(
            sums.count, mean, spread, lower=limits.min, upper=limits.max, confidence=confidence
        )
    except ValueError as error:
        notes.append(str(error))
        return None


def _intervals(
    sums: QuantityTotals,
    values: FloatArray | None,
    limits: BindingLimits,
    confidence: float,
    coverage: float,
) -> list[ToleranceInterval]:
    """Two-sided, and to the side of a single limit; normal and distribution-free."""
    sides = ["two_sided"]
    if limits.min is not None:
        sides.append("lower")
    if limits.max is not None:
        sides.append("upper")
    found: list[ToleranceInterval] = []
    mean, spread = sums.mean, sums.standard_deviation
    if spread and mean is not None:
        found.extend(
            normal_tolerance_interval(
                sums.count, mean, spread, coverage=coverage, confidence=confidence, side=side
            )
            for side in sides
        )
    if values is not None and values.size >= 2:
        found.extend(
            distribution_free_interval(values, coverage=coverage, confidence=confidence, side=side)
            for side in sides
        )
    return found


def _capability(
    values: FloatArray | None, limits: BindingLimits, confidence: float, notes: list[str]
) -> Capability | None:
    if values is None or not _limited(limits):
        return None
    if values.size < 3 or values.min() == values.max():
        notes.append("capability is not stated: it needs three balls that differ")
        return None
    try:
        return capability(values, lower=limits.min, upper=limits.max, confidence=confidence)
    except ValueError as error:
        notes.append(str(error))
        return None


def _histogram(sums: QuantityTotals, values: FloatArray | None) -> Histogram:
    if values is not None:
        return _fine_histogram(values)
    filled = np.flatnonzero(sums.bins)
    first, last = int(filled[0]), int(filled[-1]) + 1
    joined = math.ceil((last - first) / HISTOGRAM_BINS)
    counts = np.zeros(joined * math.ceil((last - first) / joined), dtype=np.int64)
    counts[: last - first] = sums.bins[first:last]
    width = (sums.maximum - sums.minimum) / BINS
    whole = counts.reshape(-1, joined).sum(axis=1).tolist()
    return Histogram(sums.minimum + first * width, joined * width, tuple(whole))


def _fine_histogram(values: FloatArray) -> Histogram:
    """Bins of a round width that no value falls between two of; the square root rule for their number."""
    low, high = float(values.min()), float(values.max())
    if low == high:
        width = abs(low) * 0.01 or 0.01
        return Histogram(low - width / 2, width, (int(values.size),))
    wanted = min(max(math.sqrt(values.size), 6.0), float(HISTOGRAM_BINS - 2))
    distinct = np.unique(values)
    step = float(np.diff(distinct).min()) if distinct.size <= HISTOGRAM_BINS else 0.0
    # Bins narrower than the gauge's own steps would show gaps that the balls do not have.
    width = _round_up(max((high - low) / wanted, step * (1 - 1e-9)))
    # Bins begin half a step of the last digit off, so that readings do not lie on their edges.
    first = math.floor(low / width)
    start = (first - 0.5) * width
    place = np.floor((values - start) / width).astype(np.int64)
    return Histogram(start, width, tuple(np.bincount(place).tolist()))


def _round_up(step: float) -> float:
    """The next of 1, 2 and 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(step))
    return next(round(k * power, 12) for k in (1.0, 2.0, 5.0, 10.0) if k * power >= step * (1 - 1e-9))


def _run_chart(ordered: Ordered, values: FloatArray) -> RunChart:
    """The balls in order, one by one or in groups of equal size."""
    given = np.flatnonzero(~np.isnan(values))
    group = math.ceil(given.size / CHART_POINTS)
    points: list[RunPoint] = []
    for start in range(0, given.size, group):
        part = given[start : start + group]
        serial, row, held = ordered.serials[int(part[0])], int(ordered.rows[part[0]]), values[part]
        if group == 1:
            points.append(RunPoint(serial, row, float(held[0])))
        else:
            mean = math.fsum(held.tolist()) / part.size
            points.append(RunGroup(serial, row, mean, float(held.min()), float(held.max())))
    return RunChart(ordered.order, group, tuple(points))
