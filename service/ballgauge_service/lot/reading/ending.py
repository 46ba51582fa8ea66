"""The end of a small table: rows that are no balls, though no word says so.

A person's table ends with them: below a blank row, without a serial, or with the same statistic of every
column above. Larger files come from programs and are not held back to be looked at.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.lot.reading.cells import SERIAL, CellRules, column_numbers, is_given
from ballgauge_service.lot.reading.columns import RawChunk, balls_alone
from ballgauge_service.lot.reading.options import ReadingOptions

FloatArray = NDArray[np.float64]

TABLE_MAXIMUM = 5000
"""Rows up to which a table's end is looked at (ours)."""

TAIL_MAXIMUM = 12
"""Rows at a table's end that may hold statistics of those above (ours)."""

AFTER_BLANK, STATISTIC = "after a blank row", "a statistic of the columns"
"""What is told of such rows."""

_LEAST = 3
_ROUNDING = 1e-9


class _Table(NamedTuple):
    """The rows (n,) of a table that hold something, in order.

    `unlabeled` (n,): without a serial in a table with serials; `values` (n,) by quantity, NaN: no number,
    whatever their limits; `below`: how many rows follow the last blank one, 0: none does.
    """

    rows: NDArray[np.int64]
    labeled: bool
    unlabeled: NDArray[np.bool_]
    values: Mapping[str, FloatArray]
    below: int


def without_ending(
    chunks: Iterator[RawChunk], rules: CellRules, options: ReadingOptions
) -> Iterator[RawChunk]:
    """The chunks of a file; those of a small table without the rows at its end that are no balls.

    No result depends on how the file is cut: a table is small by its rows alone.
    """
    held: list[RawChunk] = []
    rows = 0
    for chunk in chunks:
        held.append(chunk)
        rows += len(chunk.rows)
        if rows > TABLE_MAXIMUM:
            yield from held
            yield from chunks
            return
    ignored, judged = frozenset(options.rows_ignored), frozenset(options.rows_judged)
    held = [balls_alone(chunk, ignored, judged) for chunk in held]
    table, blank = _table(held, rules)
    apart = {row: why for row, why in _ending(table) if row not in judged}
    if blank > max((row for row in table.rows.tolist() if row not in apart), default=0):
        lines = [row for chunk in held for row in chunk.lines if row > blank and row not in judged]
        apart |= dict.fromkeys(lines, AFTER_BLANK)
    for chunk in held:
        found = balls_alone(chunk, frozenset(apart), judged)
        yield found._replace(
            apart=[each._replace(word=apart.get(each.row, each.word)) for each in found.apart]
        )


def _table(chunks: Sequence[RawChunk], rules: CellRules) -> tuple[_Table, int]:
    """The table, and its last blank row with anything below it, 0 where there is none."""
    headings = list(dict.fromkeys(heading for chunk in chunks for heading in chunk.columns))
    rows = np.concatenate([np.empty(0, np.int64), *(chunk.rows for chunk in chunks)])
    whole = {
        heading: [cell for chunk in chunks if len(chunk.rows) for cell in _listed(chunk.columns[heading])]
        for heading in headings
    }
    values = {
        f"{heading.name} {heading.reading}": column_numbers(heading, cells, rules)
        for heading, cells in whole.items()
        if heading.quantity is not None and heading.part == "value"
    }
    given = {
        heading: np.array([is_given(cell, rules) for cell in cells], np.bool_)
        for heading, cells in whole.items()
    }
    some = np.zeros(len(rows), np.bool_)
    for each in given.values():
        some |= each
    serial = next((each for heading, each in given.items() if heading.field == SERIAL), None)
    unlabeled = np.zeros(len(rows), np.bool_) if serial is None else ~serial
    noted = (note.row for chunk in chunks for note in chunk.notes)
    taken = {*rows[some].tolist(), *noted, *(each.row for chunk in chunks for each in chunk.apart)}
    last = max(taken, default=0)
    blank = next((row for row in range(last, int(rows.min(initial=last)), -1) if row not in taken), None)
    kept = rows[some]
    table = _Table(
        kept,
        serial is not None,
        unlabeled[some],
        {name: numbers[some] for name, numbers in values.items()},
        0 if blank is None else int(np.count_nonzero(kept > blank)),
    )
    return table, blank or 0


def _listed(column: Any) -> list[Any]:
    return column if isinstance(column, list) else column.to_pylist()


def _ending(table: _Table) -> list[tuple[int, str]]:
    count = len(table.rows)
    measured = np.zeros(count, np.bool_)
    for numbers in table.values.values():
        measured |= ~np.isnan(numbers)
    cut = count - table.below
    if 0 < table.below <= TAIL_MAXIMUM and cut >= _LEAST:
        balls = measured & ~table.unlabeled
        if balls[:cut].all() and not balls[cut:].any():
            return [(row, AFTER_BLANK) for row in table.rows[cut:].tolist()]
    for size in range(min(TAIL_MAXIMUM, count - _LEAST), 0, -1):
        if _are_statistics(table, count - size):
            return [(row, STATISTIC) for row in table.rows[count - size :].tolist()]
    return []


def _are_statistics(table: _Table, cut: int) -> bool:
    """Whether each row from `cut` on holds one statistic of every column above, and is told from a ball.

    It is by a missing serial, or by values that no ball has: outside of all, or finer.
    """
    told = table.labeled and not table.unlabeled[:cut].any() and bool(table.unlabeled[cut:].all())
    columns = {name: numbers[:cut][~np.isnan(numbers[:cut])] for name, numbers in table.values.items()}
    for place in range(cut, len(table.rows)):
        row = {name: float(numbers[place]) for name, numbers in table.values.items()}
        given = {name: value for name, value in row.items() if value == value}
        if len(given) < (1 if told else 2) or any(len(columns[name]) < _LEAST for name in given):
            return False
        if not any(
            all(_agrees(value, statistic(columns[name])) for name, value in given.items())
            for statistic in _STATISTICS
        ):
            return False
        varied = [name for name in given if columns[name].min() < columns[name].max()]
        told = told or (bool(varied) and all(_is_foreign(given[name], columns[name]) for name in varied))
    return told


def _is_foreign(value: float, balls: FloatArray) -> bool:
    return not balls.min() <= value <= balls.max() or _digits(value) > max(map(_digits, balls.tolist()))


_STATISTICS: tuple[Callable[[FloatArray], float], ...] = (
    lambda balls: float(balls.mean()),
    lambda balls: float(balls.min()),
    lambda balls: float(balls.max()),
    lambda balls: float(balls.sum()),
    lambda balls: float(balls.std(ddof=1)),
    lambda balls: float(balls.std()),
    lambda balls: float(balls.max() - balls.min()),
    lambda balls: float(np.median(balls)),
    lambda balls: float(len(balls)),
)


def _digits(value: float) -> int:
    """Digits after the point, as written."""
    text = repr(value)
    return 17 if "e" in text else len(text.partition(".")[2].rstrip("0"))


def _agrees(value: float, statistic: float) -> bool:
    """Whether a value is a statistic, rounded to the digits it is written with."""
    return abs(value - statistic) <= 0.5 * 10.0 ** -_digits(value) + _ROUNDING * max(abs(statistic), 1.0)
