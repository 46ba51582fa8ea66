"""Which of a rule's limits hold, for every combination of date and condition: a table of cells.

The bounds of a rule's conditions cut each column they ask about into cells; within one combination of cells
the same limits hold. The table lists them for every combination. A combination that no limit covers holds
the gap. Method: ours.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import reduce
from itertools import pairwise, product
from operator import or_
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.rulebooks.model import Limit

DATE = "date"
GAP = -1


class OverlapError(ValueError):
    """Two limits of one rule hold at once; `pair` is their positions in the rule."""

    def __init__(self, pair: tuple[int, int]) -> None:
        super().__init__(f"limits {pair[0]} and {pair[1]} hold at once: give them other dates or conditions")
        self.pair = pair


class TooFineError(ValueError):
    """The limits of a rule cut balls into more kinds than are taken."""

    def __init__(self) -> None:
        super().__init__("the dates and conditions of its limits cut balls into too many kinds")


FILLING_MAXIMUM = 200_000
"""Most cells of a rule times the boxes of its limits (ours): the time to fill its table."""


@dataclass(frozen=True, slots=True)
class Table:
    """The limits that may hold, by cell.

    Attributes
    ----------
    axes : names of the columns that decide; the first is always the date
    edges : for each axis the lower edges of all cells but the first, ascending; dates in days since 1970
    sets : (cells of each axis) array of frozensets of limit positions
    """

    axes: tuple[str, ...]
    edges: tuple[tuple[float, ...], ...]
    sets: NDArray[Any]


def build_table(limits: Sequence[Limit]) -> Table:
    """The table of a rule's limits.

    Raises OverlapError where two limits hold in one cell, TooFineError where there are too many cells.
    """
    boxes = [list(_boxes(limit)) for limit in limits]
    columns = {column for alternatives in boxes for box in alternatives for column in box}
    axes = (DATE, *sorted(columns - {DATE}))
    edges = tuple(_edges(axis, boxes) for axis in axes)
    lower = [(-math.inf, *cuts) for cuts in edges]
    if math.prod(map(len, lower)) * sum(map(len, boxes)) > FILLING_MAXIMUM:
        raise TooFineError
    sets = np.empty([len(cells) for cells in lower], dtype=object)
    for index in product(*(range(len(cells)) for cells in lower)):
        point = {axis: lower[k][index[k]] for k, axis in enumerate(axes)}
        sets[index] = _holding(point, boxes)
    return Table(axes, edges, sets)


def with_open_cells(table: NDArray[Any], axis: int, last: int, *, eras: bool = False) -> NDArray[Any]:
    """The table with further cells along an axis: between each cell and the next, and of an unknown value.

    Each lists every limit that may hold there. An unknown value lies in the cells up to `last`; eras: not in
    those before the first of which a limit is known.
    """
    cells = list(np.moveaxis(table, axis, 0))
    between = [a | b for a, b in pairwise(cells)]
    more = [*between, reduce(_since_known if eras else or_, cells[: last + 1])]
    parts = [np.expand_dims(np.asarray(each, dtype=object), axis) for each in more]
    return np.concatenate([table, *parts], axis=axis)


_since_known = np.frompyfunc(lambda before, cell: cell if before == {GAP} else before | cell, 2, 1)


def _boxes(limit: Limit) -> Iterator[dict[str, tuple[float, float]]]:
    for alternative in limit.when or ((),):
        yield {DATE: limit.days} | {column: bounds.closed for column, bounds in alternative}


def _edges(axis: str, boxes: list[list[dict[str, tuple[float, float]]]]) -> tuple[float, ...]:
    cuts: set[float] = set()
    for box in (box for alternatives in boxes for box in alternatives if axis in box):
        low, high = box[axis]
        cuts.update((low, high + 1.0 if axis == DATE else math.nextafter(high, math.inf)))
    return tuple(sorted(cut for cut in cuts if math.isfinite(cut)))


def _holding(point: dict[str, float], boxes: list[list[dict[str, tuple[float, float]]]]) -> frozenset[int]:
    holders = [
        position
        for position, alternatives in enumerate(boxes)
        if any(all(low <= point[axis] <= high for axis, (low, high) in box.items()) for box in alternatives)
    ]
    if len(holders) > 1:
        raise OverlapError((holders[0], holders[1]))
    return frozenset(holders or (GAP,))
