"""Rows of a lot's file that are no balls: a total, a mean, a limit below the table, or what the caller names.

They are set apart before anything is read of them, so that no number counts them, and told.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from ballgauge_service.lot.reading.headings import Heading
from ballgauge_service.lot.reading.synonyms import synonyms

_TRIMMED_MAXIMUM = 5000
"""Rows up to which the blanks around a cell are looked past (ours): larger files come from programs."""


class Apart(NamedTuple):
    """A row that is no ball: its number in the file, and what shows it (None: the caller)."""

    row: int
    word: str | None


@lru_cache(maxsize=1)
def _written() -> pa.Array:
    """The words as they may be written."""
    cases = {
        form(word)
        for word in synonyms().no_balls
        for form in (str.lower, str.upper, str.capitalize, str.title)
    }
    return pa.array(sorted(text + mark for text in cases for mark in ("", ":", ".", " =", " :")))


def is_summary(cell: str) -> bool:
    """Whether a first cell, or a serial, says that its row is no ball."""
    return bool(pc.is_in(pa.scalar(cell.strip()), value_set=_written()).as_py())


def set_apart(
    rows: NDArray[np.int64],
    columns: Sequence[tuple[Heading, Any]],
    ignored: frozenset[int],
    judged: frozenset[int] = frozenset(),
) -> list[tuple[int, Apart]]:
    """The places among `rows` (n,) of what is no ball, with what is told of each.

    columns: the headings and their cells, Arrow arrays or lists; the first, the serials and the names are
    looked at. ignored: the rows that the caller names; judged: those that are balls whatever they say.
    """
    found: dict[int, Apart] = {}
    if ignored:
        for place in np.flatnonzero(np.isin(rows, list(ignored))).tolist():
            found[place] = Apart(int(rows[place]), None)
    for number, (heading, column) in enumerate(columns):
        if number == 0 or heading.field in ("serial", "name"):
            for place, word in _summaries(column):
                if int(rows[place]) not in judged:
                    found.setdefault(place, Apart(int(rows[place]), word))
    return sorted(found.items())


def _summaries(column: Any) -> list[tuple[int, str]]:
    texts = _texts(column)
    if texts is None:
        return []
    if len(texts) <= _TRIMMED_MAXIMUM:
        texts = pc.utf8_trim_whitespace(texts)
    elif not texts.null_count and _end_in_digits(texts):
        return []
    hit = pc.is_in(texts, value_set=_written())
    if not pc.any(hit).as_py():
        return []
    places = np.flatnonzero(hit.to_numpy(zero_copy_only=False)).tolist()
    return [(place, str(texts[place])) for place in places]


def _end_in_digits(texts: pa.Array) -> bool:
    """Whether all texts end as serials do, and none of the words."""
    offsets = np.frombuffer(texts.buffers()[1], dtype=np.int32)[texts.offset : texts.offset + len(texts) + 1]
    letters = np.frombuffer(texts.buffers()[2] or b" ", dtype=np.uint8)
    last = letters[np.maximum(offsets[1:] - 1, 0)] - np.uint8(ord("0"))
    return bool((last < 10).all() and (offsets[1:] > offsets[:-1]).all())


def _texts(column: Any) -> pa.Array | None:
    if isinstance(column, list):
        return pa.array([cell if isinstance(cell, str) else None for cell in column], pa.string())
    if pa.types.is_string(column.type) or pa.types.is_large_string(column.type):
        return column.cast(pa.string())
    return None
