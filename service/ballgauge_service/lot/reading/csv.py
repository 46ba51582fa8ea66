"""CSV to chunks: separator and decimal mark found or told, every record's row kept.

A block is first read as the numbers it should hold. Where that fails it is read as texts, so that each bad
cell and each row of the wrong length can be told; both ways give the same values.
"""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import csv as arrow_csv

from ballgauge_service.lot.reading.apart import Apart, is_summary
from ballgauge_service.lot.reading.cells import CellRules
from ballgauge_service.lot.reading.columns import Note, RawChunk
from ballgauge_service.lot.reading.headings import (
    Heading,
    bad_file,
    no_headings,
    recognised,
    resolve_headings,
)
from ballgauge_service.lot.reading.text import Block, Text, is_text, records

SEPARATORS = (",", ";", "\t", "|")
"""Separators that are looked for (ours); any of them may be named."""

PROBE = 1 << 18
"""Bytes at the start of a file from which separator and decimal mark are found (ours)."""

_UNCLEAR = "quotation marks leave the rows unclear: one stands within a cell, or is not closed"


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a CSV file is written, and what its headings stand for."""

    separator: str
    decimal: str
    decimal_found: bool
    headings: tuple[Heading, ...]


def find_dialect(
    text: Text,
    mapping: Mapping[str, str | None],
    separator: str | None,
    decimal: str | None,
    *,
    ignore_unknown: bool = False,
) -> Dialect:
    """Read the headings, and find what is not named of separator and decimal mark.

    A decimal comma is found where the separator is none, no number of the probe has a point, and a comma in
    it cannot be one between thousands. Raises InvalidInput where a file is empty, has no headings, or is not
    clear.
    """
    if separator is not None and separator not in SEPARATORS:
        raise bad_file(f"separator must be one of {', '.join(map(repr, SEPARATORS))}; got {separator[:10]!r}")
    if decimal not in (None, ".", ","):
        raise bad_file(f"decimal must be '.' or ','; got {decimal[:10]!r}")
    probe = text.head(PROBE)
    starts, ends = records(probe, quoted=b'"' in probe)
    places = [place for place, (a, b) in enumerate(zip(starts, ends, strict=True)) if probe[a:b].strip()]
    if not places:
        raise bad_file("the file is empty")
    row = places[0] + 1
    first = probe[starts[places[0]] : ends[places[0]]]
    if ends[places[0]] == PROBE:
        raise bad_file(f"the headings are longer than {PROBE} bytes", row=row)
    if not is_text(first):
        hint = "; is it UTF-16 without a byte order mark?" if b"\0" in first else ""
        raise bad_file(f"the headings are not {text.encoding} text; name the encoding{hint}", row=row)
    heading = first.decode("utf-8")
    chosen = separator or _separator(heading, mapping, row)
    texts = _cells(heading, chosen, row)
    if no_headings(texts):
        raise bad_file("no headings: the first row looks like a ball; name the columns in it", row=row)
    headings = tuple(resolve_headings(texts, mapping, ignore_unknown=ignore_unknown))
    sample = [probe[starts[place] : ends[place]] for place in places[1:]]
    if len(probe) == PROBE:
        sample = sample[:-1]
    mark = decimal or _decimal(sample, chosen, headings)
    if mark == "," == chosen:
        raise bad_file("a comma cannot be both separator and decimal mark")
    return Dialect(chosen, mark, decimal is None and mark == ",", headings)


def _separator(heading: str, mapping: Mapping[str, str | None], row: int) -> str:
    candidates = [mark for mark in SEPARATORS if mark in heading]
    if len(candidates) < 2:
        return candidates[0] if candidates else ","
    scores = {mark: recognised(_cells(heading, mark, row), mapping) for mark in candidates}
    best = max(scores.values())
    leaders = [mark for mark in candidates if scores[mark] == best]
    if len(leaders) > 1:
        found = " or ".join(repr(mark) for mark in leaders)
        raise bad_file(f"the separator may be {found}; name it", row=row)
    return leaders[0]


def _cells(record: str, separator: str, row: int) -> list[str]:
    try:
        return next(csv.reader(io.StringIO(record, newline=""), delimiter=separator, strict=True))
    except (csv.Error, StopIteration) as error:
        raise bad_file(f"the headings cannot be read: {error}", row=row) from None


def _decimal(sample: Sequence[bytes], separator: str, headings: Sequence[Heading]) -> str:
    if separator == ",":
        return "."
    places = [place for place, heading in enumerate(headings) if heading.quantity is not None]
    text = b"".join(sample).decode("utf-8", "replace")
    found: Counter[str] = Counter()
    try:
        for cells in csv.reader(io.StringIO(text, newline=""), delimiter=separator):
            for place in places:
                if place < len(cells):
                    found[_mark_of(cells[place].strip())] += 1
    except csv.Error:
        return "."
    if not (found["comma"] or found["either"]) or found["point"]:
        return "."
    if not found["comma"]:
        raise bad_file(
            "commas in numbers may be decimal marks or stand between thousands; name the decimal mark"
        )
    return ","


def _mark_of(cell: str) -> str:
    """What a cell shows: a decimal comma, a point, a comma of either meaning, or nothing."""
    if "." in cell:
        return "point"
    whole, comma, part = cell.lstrip("+-").partition(",")
    if not comma or not part.isdigit() or not (whole.isdigit() or not whole):
        return "nothing"
    thousands = len(part) == 3 and 1 <= len(whole) <= 3 and not whole.startswith("0")
    return "either" if thousands else "comma"


def delimited_chunks(text: Text, dialect: Dialect, rules: CellRules, size: int) -> Iterator[RawChunk]:
    """The chunks of a CSV file, each of about `size` bytes.

    Raises InvalidInput for a record that is too long, and where quotation marks leave the rows unclear.
    """
    reader = _Reader(dialect, rules)
    headed = False
    for block in text.blocks(size, quotes=True):
        bad = [Note(line.row, None, None, line.detail) for line in text.take_bad()]
        if not headed:
            if not len(block.rows):
                continue
            block, headed = _without_first(block), True
        if len(block.rows):
            columns, rows, notes, blank, apart = reader.read(block)
            notes = sorted([*bad, *notes], key=lambda note: note.row)
            yield RawChunk(rows, columns, notes, block.blank + blank, apart)
        else:
            yield RawChunk(block.rows, {}, bad, block.blank)


def _without_first(block: Block) -> Block:
    starts, ends = records(block.data, quoted=block.quoted)
    place = next(
        k for k, (a, b) in enumerate(zip(starts, ends, strict=True)) if block.data[a:b].strip(b"\r\n")
    )
    return block._replace(data=block.data[ends[place] :], rows=block.rows[1:])


def _require_clear(block: Block, separator: str) -> None:
    """Refuse marks within a cell that make the split into records and the reader of the cells disagree.

    The reader takes such a mark for a letter. It would see other rows than were counted where the mark, by
    the count of marks, opens a quotation that hides a line end, or one that another cell's mark then closes.
    """
    letters = np.frombuffer(block.data, dtype=np.uint8)
    marks = np.flatnonzero(letters == ord('"'))
    at_start = np.isin(np.where(marks > 0, letters[marks - 1], ord("\n")), [ord(separator), ord("\n")])
    opening, closing, closes_at_start = marks[::2], marks[1::2], at_start[1::2]
    if len(closing) < len(opening):
        closing = np.append(closing, len(block.data.rstrip(b"\r\n")))
        closes_at_start = np.append(closes_at_start, False)
    doubled = np.concatenate(([False], opening[1:] == closing[:-1] + 1))
    # A doubled mark goes on with the cell that the marks before it are in.
    cell = np.maximum.accumulate(np.where(doubled, 0, np.arange(len(opening))))
    ends = np.flatnonzero(letters == ord("\n"))
    hides = np.searchsorted(ends, closing) > np.searchsorted(ends, opening)
    stray = np.flatnonzero(~at_start[::2][cell] & (hides | closes_at_start))
    if stray.size:
        starts, stops = records(block.data[: closing[stray[0]]], quoted=True)
        before = [k for k in range(len(starts)) if block.data[starts[k] : stops[k]].strip(b"\r\n")]
        raise bad_file(_UNCLEAR, row=int(block.rows[len(before) - 1]))


_Read = tuple[Mapping[Heading, Any], np.ndarray, list[Note], int, list[Apart]]


class _Reader:
    def __init__(self, dialect: Dialect, rules: CellRules) -> None:
        self.dialect = dialect
        self.dirty = False
        self.names = [str(place) for place in range(len(dialect.headings))]
        self.kept = {
            name: heading
            for name, heading in zip(self.names, dialect.headings, strict=True)
            # The first column may say that a row is no ball, whatever it stands for.
            if heading.field is not None or name == self.names[0]
        }
        self.numbers = {name: heading for name, heading in self.kept.items() if heading.quantity is not None}
        self.nulls = ["", *rules.missing]

    def read(self, block: Block) -> _Read:
        if block.quoted:
            _require_clear(block, self.dialect.separator)
        # A file with one odd cell has more: while blocks fail, the quick way is not tried first.
        if not self.dirty:
            table = self._quick(block)
            if table is not None:
                return self._columns(table), block.rows, [], 0, []
        result = self._thorough(block)
        self.dirty = not self.dirty
        return result

    def _columns(self, table: pa.Table) -> dict[Heading, Any]:
        return {heading: table[name].combine_chunks() for name, heading in self.kept.items()}

    def _quick(self, block: Block) -> pa.Table | None:
        """The table where every cell is what it should be, None elsewhere."""
        types = {name: pa.float64() if name in self.numbers else pa.string() for name in self.kept}
        try:
            table = self._parsed(block, types, threads=True)
        except pa.ArrowInvalid:
            return None
        if table.num_rows != len(block.rows):
            return None
        finite = (pc.all(pc.is_finite(table[name])).as_py() in (True, None) for name in self.numbers)
        return table if all(finite) else None

    def _thorough(self, block: Block) -> _Read:
        odd: list[tuple[int, int, str]] = []

        def note(row: Any) -> str:
            first = row.text.split(self.dialect.separator, 1)[0].strip('" \t\r\n')
            blank = row.text.strip() == ""
            odd.append((row.number - 1, row.actual_columns, "" if blank else first or "row"))
            return "skip"

        table = self._parsed(block, dict.fromkeys(self.kept, pa.string()), threads=False, handler=note)
        if table.num_rows + len(odd) != len(block.rows):
            raise bad_file(_UNCLEAR, row=int(block.rows[0]))
        wanted = len(self.names)
        notes = [
            Note(
                int(block.rows[place]),
                None,
                None,
                f"the row has {count} cells where there are {wanted} headings",
            )
            for place, count, first in odd
            if first and not is_summary(first)
        ]
        apart = [Apart(int(block.rows[place]), first) for place, _, first in odd if is_summary(first)]
        rows = np.delete(block.rows, [place for place, _, _ in odd])
        return self._columns(table), rows, notes, len(odd) - len(notes) - len(apart), apart

    def _parsed(
        self, block: Block, types: Mapping[str, Any], *, threads: bool, handler: Any = None
    ) -> pa.Table:
        return arrow_csv.read_csv(
            pa.BufferReader(block.data),
            read_options=arrow_csv.ReadOptions(
                column_names=self.names, use_threads=threads, block_size=len(block.data) + 1
            ),
            parse_options=arrow_csv.ParseOptions(
                delimiter=self.dialect.separator, newlines_in_values=block.quoted, invalid_row_handler=handler
            ),
            convert_options=arrow_csv.ConvertOptions(
                column_types=dict(types),
                include_columns=list(self.kept),
                null_values=self.nulls,
                strings_can_be_null=True,
                decimal_point=self.dialect.decimal,
            ),
        )
