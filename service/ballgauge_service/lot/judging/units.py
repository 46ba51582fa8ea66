"""Columns whose unit cannot be the one they are read in: kilograms taken for pounds, or both together."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas import KINDS
from ballgauge_service.core.refusal import Fault
from ballgauge_service.lot.judging.totals import BINS, LotTotals, QuantityTotals
from ballgauge_service.lot.reading.headings import QUANTITIES, Heading, file_fault

FEWEST = 5
"""Fewest values of a column that are taken for clusters (ours)."""

SPREAD = 1.34
"""Largest value over the smallest of what counts as one cluster (ours): balls of 12 to 16 lb are one."""

AGREEMENT = 0.03
"""How near the ratio of two clusters comes to that of two units (ours)."""

COARSE = 20
"""Bins from nought below which a value is too coarse for a ratio (ours)."""

USUAL = {"weight": ("kg", 12.0, 16.0), "roughness": ("µm", 4.0, 100.0)}
"""What most balls sold have, in the trade unit (from memory, no source), and the unit it is mistaken for: as
kilograms they weigh 5.4 to 7.3, as micrometers they are 0.1 to 2.5 rough.
"""


def doubtful_units(totals: LotTotals, headings: Iterable[Heading], named: set[str]) -> list[Fault]:
    """Why columns cannot be judged before they name their unit.

    named: quantities whose cells name it themselves.
    """
    faults = []
    kept = totals.kept()
    for heading in headings:
        sums = totals.quantities.get(heading.field or "")
        if sums is None or heading.own_unit or heading.part != "value" or heading.field in named:
            continue
        values = None if kept is None else kept.values.get(str(heading.field))
        doubt = _doubt(str(heading.field), sums, values)
        if doubt is not None:
            text = f"{doubt}; name the unit in the heading, such as {heading.text.strip()} [{heading.unit}]"
            faults.append(file_fault(text, column=heading.text))
    return faults


def _doubt(name: str, sums: QuantityTotals, each: NDArray[np.float64] | None) -> str | None:
    """What is in doubt about values, told by their totals and, of a small lot, by each of them."""
    kind = KINDS[QUANTITIES[name].kind]
    other, least, most = USUAL.get(name, (kind.unit, math.inf, math.inf))
    size = kind.own.get(other, 1.0)
    if sums.count and least <= sums.lowest * size and sums.highest * size <= most:
        return f"values from {sums.lowest:g} to {sums.highest:g} may be {kind.unit} or {other}"
    if sums.count < FEWEST:
        return None
    if each is not None:
        values, counts = np.unique(each[~np.isnan(each)], return_counts=True)
        coarse = 0.0
    else:
        filled, width = np.flatnonzero(sums.bins), (sums.maximum - sums.minimum) / BINS
        values = np.asarray(sums.minimum + (filled + 0.5) * width, dtype=np.float64)
        counts, coarse = sums.bins[filled], COARSE * width
    if values.size < 2 or values[0] <= coarse:
        return None
    cut = int(np.argmax(values[1:] / values[:-1])) + 1
    low, high = values[:cut], values[cut:]
    if low[-1] > SPREAD * low[0] or high[-1] > SPREAD * high[0]:
        return None
    below, above = int(counts[:cut].sum()), int(counts[cut:].sum())
    light = float(np.average(low, weights=counts[:cut]))
    heavy = float(np.average(high, weights=counts[cut:]))
    ratio = heavy / light
    sizes = {kind.unit: 1.0, **kind.own}
    for one, first in sizes.items():
        for other, second in sizes.items():
            factor = second / first
            if factor > 1.5 and abs(ratio / factor - 1) < AGREEMENT:
                found = f"{below} values near {light:.3g} and {above} near {heavy:.3g}"
                return f"{found} look like {other} and {one} in one column"
    return None
