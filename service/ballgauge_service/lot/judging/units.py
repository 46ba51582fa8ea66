"""Columns whose unit cannot be the one they are read in: kilograms taken for pounds, or both together."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas import KINDS
from ballgauge_schemas.shared.wording import listed
from ballgauge_service.core.refusal import Fault
from ballgauge_service.lot.judging.totals import BINS, LotTotals, QuantityTotals
from ballgauge_service.lot.reading.headings import QUANTITIES, Heading, file_fault

GAP = 0.4
"""Part of the way from one unit to another, in proportions, that lies empty between values of both (ours):
a ratio of 1.37 from pounds to kilograms, which balls of 6, 8, 10... lb do not reach, of 3.6 from mm to in.
"""

AGREEMENT = 0.03
"""How far beyond the other values, in proportion, one may come to lie in the other unit (ours)."""

COARSE = 20
"""Bins from nought below which a value is too coarse for a ratio (ours)."""

ROWS_TOLD = 5
"""Most rows of values in doubt that are told (ours)."""

NEARLY_ALL = 0.9
"""Part of a column that is what a unit would make of it, beside a few odd balls (ours)."""


class _Usual(NamedTuple):
    """What balls come to where a whole column is in the other unit: from `least` to `most` of the trade unit.

    `fewest` values of a column that say so: where balls would pass, one; where they would be rejected, five.
    `divided`: whether a gauge in the other unit tells its halves apart: halves alone are of the trade unit.
    """

    least: float
    most: float
    fewest: int
    divided: bool = False


OTHER = {"weight": "kg", "length": "mm", "roughness": "µm", "time": "min"}
"""The unit of each kind that is taken for the trade's (ours); ounces and grams are out of a cell's range."""

_USUAL = {
    "weight": _Usual(8.8, 17.0, 1, divided=True),
    "drilled_weight": _Usual(8.8, 17.0, 1, divided=True),
    "roughness": _Usual(2.0, 200.0, 1),
    "roundness": _Usual(0.001, 0.010, 5),
    "oil_absorption_time": _Usual(300.0, 1800.0, 5),
}
"""From memory, no source: kilograms are 4.0 to 7.7 then, micrometers 0.05 to 5, minutes 5 to 30."""

PLACES = frozenset(("pin_to_cg", "pin_to_low_rg_axis", "mark_to_high_rg_axis", "top_weight"))
"""Quantities of which balls of one lot may have any value."""


@dataclass(frozen=True, slots=True)
class _Values:
    """Values of a quantity, ascending and distinct: how often each occurs, and whether a cell named its unit.

    `coarse`: below it a value is not known well enough for a ratio.
    """

    numbers: NDArray[np.float64]
    counts: NDArray[np.int64]
    named: NDArray[np.bool_]
    coarse: float


def doubtful_units(
    totals: LotTotals, headings: Iterable[Heading], named: Mapping[str, Collection[float]]
) -> list[Fault]:
    """Why columns cannot be judged before they name their unit.

    named: by quantity the values of which a cell names the unit itself.
    """
    faults = []
    kept = totals.kept()
    for heading in headings:
        name = str(heading.field)
        sums = totals.quantities.get(name)
        if sums is None or heading.own_unit or heading.part != "value" or not sums.count:
            continue
        each = None if kept is None else kept.values.get(name)
        values = _values_of(sums, each, named.get(name, ()))
        kind = KINDS[QUANTITIES[name].kind]
        other = OTHER.get(QUANTITIES[name].kind)
        if other is None:
            continue
        size = kind.own[other]
        doubt, odd = _wholly(name, values, size, (kind.unit, other)), np.empty(0)
        if doubt is None and name not in PLACES:
            doubt, odd = _mixed(values, size, (kind.unit, other))
        if doubt is None:
            continue
        rows = [] if kept is None or each is None else kept.rows[np.isin(each, odd)].tolist()
        if rows:
            told = [str(row) for row in rows[:ROWS_TOLD]]
            told += [f"{len(rows) - ROWS_TOLD} more"] if len(rows) > ROWS_TOLD else []
            doubt += f" (row {rows[0]})" if len(rows) == 1 else f" (rows {listed(told, 'and')})"
        text = f"{doubt}; name the unit in the heading, such as {heading.text.strip()} [{heading.unit}]"
        faults.append(file_fault(text, row=rows[0] if rows else None, column=heading.text))
    return faults


def _values_of(sums: QuantityTotals, each: NDArray[np.float64] | None, named: Collection[float]) -> _Values:
    """The values of a quantity: of a small lot each of them, of others the middles of their bins."""
    if each is not None:
        numbers, counts = np.unique(each[~np.isnan(each)], return_counts=True)
        return _Values(numbers, counts, np.isin(numbers, list(named)), 0.0)
    filled, width = np.flatnonzero(sums.bins), (sums.maximum - sums.minimum) / BINS
    places = [int((value - sums.minimum) / width) for value in named]
    numbers = np.asarray(sums.minimum + (filled + 0.5) * width, dtype=np.float64)
    return _Values(numbers, sums.bins[filled], np.isin(filled, places), COARSE * width)


def _wholly(name: str, values: _Values, size: float, units: tuple[str, str]) -> str | None:
    """The doubt whether a whole column is in the second of two units, of a size in the first."""
    usual = _USUAL.get(name)
    numbers, counts = values.numbers[~values.named], values.counts[~values.named]
    if usual is None or counts.sum() < usual.fewest:
        return None
    halves = 2.0 * numbers
    if usual.divided and (np.abs(halves - np.rint(halves)) <= 2.0 * values.coarse / COARSE).all():
        return None
    within = (numbers * size >= usual.least) & (numbers * size <= usual.most)
    if counts[within].sum() < NEARLY_ALL * counts.sum():
        return None
    return f"values from {numbers[within][0]:g} to {numbers[within][-1]:g} may be {units[0]} or {units[1]}"


def _mixed(values: _Values, size: float, units: tuple[str, str]) -> tuple[str | None, NDArray[np.float64]]:
    """The doubt whether a column is in both of two units, and the values that are fewer.

    Between the values in both lies a gap, and the fewer of them come to lie among the others in the other
    unit.
    """
    numbers, factor = values.numbers, max(size, 1.0 / size)
    larger, smaller = units if size < 1.0 else units[::-1]
    apart = (numbers[1:] >= numbers[:-1] * factor**GAP) & (numbers[:-1] > values.coarse)
    for cut in (np.flatnonzero(apart) + 1).tolist():
        low, high = numbers[:cut], numbers[cut:]
        below, above = int(values.counts[:cut].sum()), int(values.counts[cut:].sum())
        rare = slice(None, cut) if below <= above else slice(cut, None)
        few, many = (low * factor, high) if below <= above else (high / factor, low)
        among = few[0] >= many[0] * (1 - AGREEMENT) and few[-1] <= many[-1] * (1 + AGREEMENT)
        if among and not values.named[rare].all():
            found = f"{_told(below, low)} would be {larger}, {_told(above, high)} {smaller}"
            return found, numbers[rare]
    return None, np.empty(0)


def _told(count: int, numbers: NDArray[np.float64]) -> str:
    """So many values, and from where to where."""
    first, last = f"{numbers[0]:.4g}", f"{numbers[-1]:.4g}"
    return f"1 value of {first}" if count == 1 else f"{count} values from {first} to {last}"
