"""CSV to chunks: separator and decimal mark found or told, every line's row kept.

A block is first read as the numbers it should hold. Where that fails it is read as texts, so that each bad
cell and each row of the wrong length can be told; both ways give the same values.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import csv as arrow_csv

from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.lot.reading.apart import Apart, is_summary
from ballgauge_service.lot.reading.cells import CellRules
from ballgauge_service.lot.reading.columns import Note, RawChunk
from ballgauge_service.lot.reading.headings import Heading, bad_file, no_headings
from ballgauge_service.lot.reading.options import ReadingOptions
from ballgauge_service.lot.reading.table import TOP, HeadingRow, best_row, dates_of, table_headings
from ballgauge_service.lot.reading.text import Block, Text, is_text, line_spans

SEPARATORS = (",", ";", "\t", "|")
"""Separators that are looked for (ours); any of them may be named."""

PROBE = 1 << 18
"""Bytes at the start of a file from which separator and decimal mark are found (ours)."""

_SEPARATOR_TOLD = re.compile(rb"sep=([,;\t|])")

_UNCLEAR = "quotation marks leave the rows unclear: one stands within a cell, or is not closed"


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a CSV file is written, what its headings stand for, and the rows of headings and of the first ball.

    `dates`: order of day and month, None where every day begins with its year.
    """

    separator: str
    decimal: str
    decimal_found: bool
    headings: tuple[Heading, ...]
    header_row: int
    first_row: int
    dates: str | None


class _Line(NamedTuple):
    """A line at the start of a file, not blank: its row, its bytes, and where it ends."""

    row: int
    data: bytes
    end: int


def find_dialect(text: Text, options: ReadingOptions) -> Dialect:
    """Find the headings, and what is not named of separator, decimal mark and order of dates.

    A decimal comma is found where the separator is none, no number of the probe has a point, and a comma in
    it cannot be one between thousands. Raises InvalidInput where a file is empty, has no headings, or is not
    clear.
    """
    separator, decimal = options.separator, options.decimal
    if separator is not None and separator not in SEPARATORS:
        raise bad_file(f"separator must be one of {', '.join(map(repr, SEPARATORS))}; got {separator[:10]!r}")
    if decimal not in (None, ".", ","):
        raise bad_file(f"decimal must be '.' or ','; got {decimal[:10]!r}")
    probe = text.head(PROBE)
    starts, ends = line_spans(probe, quoted=b'"' in probe)
    held = [
        _Line(place + 1, probe[a:b], b)
        for place, (a, b) in enumerate(zip(starts, ends, strict=True))
        if probe[a:b].strip()
    ]
    if not held:
        raise bad_file("the file is empty")
    told = _SEPARATOR_TOLD.fullmatch(held[0].data.rstrip(b"\r\n"))
    if told is not None:
        separator, held = separator or told[1].decode(), held[1:]
    chosen, found = _headings(held, separator, text.encoding, options)
    place = next(k for k, line in enumerate(held) if line.row == found.row)
    if held[place].end == PROBE:
        raise bad_file(f"the headings are longer than {PROBE} bytes", row=found.row)
    rest = held[place + 1 :]
    below = None
    if rest and rest[0].row == found.row + 1 and is_text(rest[0].data):
        below = _cells(rest[0].data.decode(), chosen)
    headings, units = table_headings(found, below, options)
    sample = [line.data for line in rest[units:]]
    if len(probe) == PROBE:
        sample = sample[:-1]
    rows = _rows(b"".join(sample).decode("utf-8", "replace"), chosen)
    mark = decimal or _decimal(rows, chosen, headings)
    if mark == "," == chosen:
        raise bad_file("a comma cannot be both separator and decimal mark")
    return Dialect(
        chosen,
        mark,
        decimal is None and mark == ",",
        tuple(headings),
        found.row,
        found.row + 1 + units,
        dates_of(headings, rows, options),
    )


def _headings(
    held: Sequence[_Line], separator: str | None, encoding: str | None, options: ReadingOptions
) -> tuple[str, HeadingRow]:
    """The separator and the row of headings among the first lines. Raises InvalidInput where unclear."""
    top = [each for each in held if options.header_row in (None, each.row)][:TOP]
    if options.header_row is not None:
        top = [each for each in held if each.row in (options.header_row - 1, options.header_row)]
    if not top or options.header_row not in (None, top[-1].row):
        raise bad_file("there is no such row at the start of the file", row=options.header_row)
    texts = {each.row: each.data.decode() for each in top if is_text(each.data)}
    marks = SEPARATORS if separator is None else (separator,)
    best: dict[str, HeadingRow] = {}
    for mark in marks:
        # A mark that a row lacks separates nothing there; of one cell, any mark reads the same.
        rows = {row: _cells(text, mark) for row, text in texts.items() if mark in text or separator}
        whole = {row: [text.strip()] for row, text in texts.items() if not any(m in text for m in marks)}
        found = best_row({**rows, **(whole if mark == marks[0] else {})}, options)
        if found is not None:
            best[mark] = found
    if not best:
        return _unknown(top[-1] if options.header_row else top[0], separator, encoding)
    most = max(found.known for found in best.values())
    leaders = [mark for mark, found in best.items() if found.known == most]
    first = min(best[mark].row for mark in leaders)
    leaders = [mark for mark in leaders if best[mark].row == first]
    if len(leaders) > 1:
        raise _unclear(leaders, first)
    return leaders[0], best[leaders[0]]


def _unknown(line: _Line, separator: str | None, encoding: str | None) -> tuple[str, HeadingRow]:
    """A first row of which nothing is known, to be refused by its headings."""
    if not is_text(line.data):
        hint = "; is it UTF-16 without a byte order mark?" if b"\0" in line.data else ""
        raise bad_file(f"the headings are not {encoding} text; name the encoding{hint}", row=line.row)
    text = line.data.decode()
    found = [mark for mark in SEPARATORS if mark in text]
    if separator is None and len(found) > 1:
        raise _unclear(found, line.row)
    chosen = separator or (found[0] if found else ",")
    return chosen, HeadingRow(line.row, _cells(text, chosen), (False, 0))


def _unclear(marks: Sequence[str], row: int) -> InvalidInput:
    return bad_file(f"the separator may be {' or '.join(map(repr, marks))}; name it", row=row)


def _cells(line: str, separator: str) -> list[str]:
    """The cells of one line; itself where its quotation marks are unclear, which no heading then is."""
    try:
        return next(csv.reader(io.StringIO(line, newline=""), delimiter=separator, strict=True))
    except (csv.Error, StopIteration):
        return [line]


def _rows(text: str, separator: str) -> list[list[str]]:
    """The rows of a sample; none where its quotation marks are unclear."""
    try:
        return list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    except csv.Error:
        return []


def _decimal(rows: Sequence[Sequence[str]], separator: str, headings: Sequence[Heading]) -> str:
    if separator == ",":
        return "."
    places = [place for place, heading in enumerate(headings) if heading.quantity is not None]
    found = Counter(
        _mark_of(cells[place].strip()) for cells in rows for place in places if place < len(cells)
    )
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


def delimited_chunks(
    text: Text, dialect: Dialect, rules: CellRules, size: int, options: ReadingOptions
) -> Iterator[RawChunk]:
    """The chunks of a CSV file, each of about `size` bytes.

    Raises InvalidInput for a line that is too long, and where quotation marks leave the rows unclear.
    """
    reader = _Reader(dialect, rules, frozenset(options.rows_judged))
    skipped = dialect.first_row - 1
    for block in text.blocks(size, quotes=True):
        bad = [
            Note(line.row, None, None, line.detail)
            for line in text.take_bad()
            if line.row >= dialect.first_row
        ]
        if skipped:
            block, skipped = _without(block, skipped, dialect.first_row)
        if len(block.rows):
            read = reader.read(block)
            notes = sorted([*bad, *read.notes], key=lambda note: note.row)
            yield RawChunk(read.rows, read.columns, notes, block.blank + read.blank, read.apart, read.lines)
        else:
            yield RawChunk(block.rows, {}, bad, block.blank)


def _without(block: Block, count: int, first: int) -> tuple[Block, int]:
    """A block without `count` lines and the rows before `first`; and how many are still to be left out."""
    _, ends = line_spans(block.data, quoted=block.quoted)
    here = min(count, len(ends))
    data = block.data[int(ends[here - 1]) :] if here else block.data
    return block._replace(data=data, rows=block.rows[block.rows >= first]), count - here


def _require_clear(block: Block, separator: str) -> None:
    """Refuse marks within a cell that make the split into lines and the reader of the cells disagree.

    The reader takes such a mark for a letter. It would see other rows than were counted where the mark, by
    the count of marks, opens a quotation that hides a line end, or one that another cell's mark then closes.
    """
    letters = np.frombuffer(block.data, dtype=np.uint8)
    marks = np.flatnonzero(letters == ord('"'))
    before = np.where(marks > 0, letters[marks - 1], ord("\n"))
    at_start = (before == ord(separator)) | (before == ord("\n"))
    if at_start[::2].all():
        return
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
        starts, stops = line_spans(block.data[: closing[stray[0]]], quoted=True)
        above = [k for k in range(len(starts)) if block.data[starts[k] : stops[k]].strip(b"\r\n")]
        raise bad_file(_UNCLEAR, row=int(block.rows[len(above) - 1]))


class _Read(NamedTuple):
    columns: Mapping[Heading, Any]
    rows: np.ndarray
    notes: list[Note]
    blank: int = 0
    apart: Sequence[Apart] = ()
    lines: Sequence[int] = ()


class _Reader:
    def __init__(self, dialect: Dialect, rules: CellRules, judged: frozenset[int]) -> None:
        self.dialect = dialect
        self.judged = judged
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
                return _Read(self._columns(table), block.rows, [])
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
        lines = []

        def note(row: Any) -> str:
            first = row.text.split(self.dialect.separator, 1)[0].strip('" \t\r\n')
            blank = row.text.strip() == ""
            odd.append((row.number - 1, row.actual_columns, "" if blank else first or "row"))
            if not no_headings(_cells(row.text, self.dialect.separator)):
                lines.append(int(block.rows[row.number - 1]))
            return "skip"

        table = self._parsed(block, dict.fromkeys(self.kept, pa.string()), threads=False, handler=note)
        if table.num_rows + len(odd) != len(block.rows):
            raise bad_file(_UNCLEAR, row=int(block.rows[0]))
        wanted = len(self.names)
        notes, apart = [], []
        for place, count, first in odd:
            row = int(block.rows[place])
            if first and is_summary(first) and row not in self.judged:
                apart.append(Apart(row, first))
            elif first:
                text = f"the row has {count} cells where there are {wanted} headings"
                notes.append(Note(row, None, None, text))
        rows = np.delete(block.rows, [place for place, _, _ in odd])
        blank = len(odd) - len(notes) - len(apart)
        return _Read(self._columns(table), rows, notes, blank, apart, lines)

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
