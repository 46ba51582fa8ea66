"""What a lot's quantities are like: spread, fraction outside the limits, intervals, capability, charts."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas import KINDS
from ballgauge_service.lot.judging.gathering import BindingLimits, Gathered, Ordered
from ballgauge_service.lot.judging.totals import BINS, KEPT_MAXIMUM, QuantityTotals
from ballgauge_service.lot.reading.headings import QUANTITIES
from ballgauge_service.lot.statistics.nonconforming import fraction_outside
from ballgauge_service.lot.statistics.normality import normality_test
from ballgauge_service.lot.statistics.process import capability
from ballgauge_service.lot.statistics.statements import Statement
from ballgauge_service.lot.statistics.tolerance import distribution_free_interval, normal_tolerance_interval

CHART_POINTS = 400
"""Most points of a run chart (ours): more balls are told in groups of equal size."""

HISTOGRAM_BINS = 40
"""Most bins of a histogram in an answer (ours)."""

SMALL_SAMPLE = 30
"""Fewer balls than this are called a small sample in a caution (common practice, no source)."""

_NO_LIMITS = BindingLimits(None, None, False, ())


def unit_of(quantity: str) -> str:
    """The trade unit of a quantity."""
    return KINDS[QUANTITIES[quantity].kind].unit


def describe_quantities(
    totals: Gathered, ordered: Ordered | None, asked: Mapping[str, Any]
) -> list[dict[str, Any]]:
    """A statement on every quantity that any ball has, in the contract's order.

    asked: `confidence` and `coverage`, fractions. Statistics that need each ball's value are None in a lot of
    more than `KEPT_MAXIMUM` balls, and its notes say so.
    """
    limits = totals.limits()
    return [
        _describe(name, totals, ordered, limits.get(name, _NO_LIMITS), asked)
        for name in QUANTITIES
        if name in totals.quantities and totals.quantities[name].count
    ]


def _describe(
    name: str, totals: Gathered, ordered: Ordered | None, limits: BindingLimits, asked: Mapping[str, Any]
) -> dict[str, Any]:
    sums = totals.quantities[name]
    spread = sums.standard_deviation
    values = None if ordered is None else ordered.values[name]
    given = None if values is None else values[~np.isnan(values)]
    notes = _notes(sums, totals.balls, limits)
    if given is None:
        notes.append(f"more than {KEPT_MAXIMUM} balls: what needs each ball's own value is left out")
    normality = None if given is None else normality_test(given)
    if normality is not None and normality.warning:
        notes.append(normality.warning)
    return {
        "quantity": name,
        "unit": unit_of(name),
        "count": sums.count,
        "without_value": totals.balls - sums.count,
        "mean": sums.mean,
        "standard_deviation": spread,
        "minimum": sums.lowest,
        "maximum": sums.highest,
        "limits": {
            "min": limits.minimum,
            "max": limits.maximum,
            "differ": limits.differ,
            "rules": list(limits.rules),
        },
        "counted_outside": _counted_outside(given, limits),
        "fraction_outside": _fraction_outside(sums, limits, asked["confidence"], notes),
        "tolerance_intervals": _intervals(sums, given, limits, asked),
        "normality": None if normality is None else normality.to_dict(),
        "capability": _capability(given, limits, asked["confidence"], notes),
        "histogram": _histogram(sums, given),
        "run_chart": None if ordered is None or values is None else _run_chart(ordered, values),
        "notes": notes,
    }


def _notes(sums: QuantityTotals, balls: int, limits: BindingLimits) -> list[str]:
    notes = []
    if sums.count < SMALL_SAMPLE:
        notes.append(f"a small sample: {sums.count} balls; bounds and intervals are wide for that reason")
    if sums.count < balls:
        notes.append(f"{balls - sums.count} balls have no value of it and are not in these numbers")
    if limits.differ:
        notes.append("the limits differ among the balls; the narrowest of them stand here")
    return notes


def _counted_outside(values: NDArray[np.float64] | None, limits: BindingLimits) -> dict[str, int] | None:
    if values is None or (limits.minimum is None and limits.maximum is None):
        return None
    below = 0 if limits.minimum is None else int(np.count_nonzero(values < limits.minimum))
    above = 0 if limits.maximum is None else int(np.count_nonzero(values > limits.maximum))
    return {"below": below, "above": above}


def _limited(limits: BindingLimits) -> bool:
    return not (limits.minimum is None and limits.maximum is None)


def _stated(make: Callable[[], Statement], notes: list[str]) -> dict[str, Any] | None:
    """The statement, or None with the reason among the notes."""
    try:
        return make().to_dict()
    except ValueError as error:
        notes.append(str(error))
        return None


def _fraction_outside(
    sums: QuantityTotals, limits: BindingLimits, confidence: float, notes: list[str]
) -> dict[str, Any] | None:
    if not _limited(limits):
        return None
    spread, mean = sums.standard_deviation, sums.mean
    if sums.count < 3 or not spread or mean is None:
        notes.append("the fraction outside the limits is not estimated: it needs three balls that differ")
        return None
    size, centre, sigma = sums.count, mean, spread
    return _stated(
        lambda: fraction_outside(
            size, centre, sigma, lower=limits.minimum, upper=limits.maximum, confidence=confidence
        ),
        notes,
    )


def _intervals(
    sums: QuantityTotals, values: NDArray[np.float64] | None, limits: BindingLimits, asked: Mapping[str, Any]
) -> list[dict[str, Any]]:
    """Two-sided, and to the side of a single limit; normal and distribution-free."""
    sides = ["two_sided"]
    if limits.minimum is not None:
        sides.append("lower")
    if limits.maximum is not None:
        sides.append("upper")
    coverage, confidence = asked["coverage"], asked["confidence"]
    found: list[Statement] = []
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
    return [interval.to_dict() for interval in found]


def _capability(
    values: NDArray[np.float64] | None, limits: BindingLimits, confidence: float, notes: list[str]
) -> dict[str, Any] | None:
    if values is None or not _limited(limits):
        return None
    if values.size < 3 or values.min() == values.max():
        notes.append("capability is not stated: it needs three balls that differ")
        return None
    return _stated(
        lambda: capability(values, lower=limits.minimum, upper=limits.maximum, confidence=confidence), notes
    )


def _histogram(sums: QuantityTotals, values: NDArray[np.float64] | None) -> dict[str, Any]:
    if values is not None:
        return _fine_histogram(values)
    filled = np.flatnonzero(sums.bins)
    first, last = int(filled[0]), int(filled[-1]) + 1
    joined = math.ceil((last - first) / HISTOGRAM_BINS)
    counts = np.zeros(joined * math.ceil((last - first) / joined), dtype=np.int64)
    counts[: last - first] = sums.bins[first:last]
    width = (sums.maximum - sums.minimum) / BINS
    return {
        "start": sums.minimum + first * width,
        "width": joined * width,
        "counts": counts.reshape(-1, joined).sum(axis=1).tolist(),
    }


def _fine_histogram(values: NDArray[np.float64]) -> dict[str, Any]:
    """Bins of a round width that no value falls between two of; the square root rule for their number."""
    low, high = float(values.min()), float(values.max())
    if low == high:
        width = abs(low) * 0.01 or 0.01
        return {"start": low - width / 2, "width": width, "counts": [int(values.size)]}
    wanted = min(max(math.sqrt(values.size), 6.0), float(HISTOGRAM_BINS - 2))
    distinct = np.unique(values)
    step = float(np.diff(distinct).min()) if distinct.size <= HISTOGRAM_BINS else 0.0
    # Bins narrower than the gauge's own steps would show gaps that the balls do not have.
    width = _round_up(max((high - low) / wanted, step * (1 - 1e-9)))
    # Bins begin half a step of the last digit off, so that readings do not lie on their edges.
    first = math.floor(low / width)
    start = (first - 0.5) * width
    place = np.floor((values - start) / width).astype(np.int64)
    return {"start": start, "width": width, "counts": np.bincount(place).tolist()}


def _round_up(step: float) -> float:
    """The next of 1, 2 and 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(step))
    return next(round(k * power, 12) for k in (1.0, 2.0, 5.0, 10.0) if k * power >= step * (1 - 1e-9))


def _run_chart(ordered: Ordered, values: NDArray[np.float64]) -> dict[str, Any]:
    """The balls in order, one by one or in groups of equal size."""
    given = np.flatnonzero(~np.isnan(values))
    group = math.ceil(given.size / CHART_POINTS)
    if group == 1:
        points: Sequence[dict[str, Any]] = [
            {"serial": ordered.serials[k], "row": int(ordered.rows[k]), "value": float(values[k])}
            for k in given.tolist()
        ]
        return {"order": ordered.order, "balls_a_point": 1, "points": points}
    points = []
    for start in range(0, given.size, group):
        part = given[start : start + group]
        held = values[part]
        points.append(
            {
                "serial": ordered.serials[int(part[0])],
                "row": int(ordered.rows[part[0]]),
                "value": math.fsum(held.tolist()) / part.size,
                "lowest": float(held.min()),
                "highest": float(held.max()),
            }
        )
    return {"order": ordered.order, "balls_a_point": group, "points": points}
