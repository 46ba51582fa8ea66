"""XLSX to chunks, once its archive has been looked through.

The reader of the cells holds a sheet in memory, so every member of the archive is unpacked before it, to
nothing: that bounds the sizes whatever the archive's directory claims, and finds the formulas. An XLSX file
is a ZIP archive of XML parts (ECMA-376, from memory: `row` with its number `r`, `c` with its reference `r`,
`f` the formula, `v` the value stored for it).
"""

from __future__ import annotations

import json
import os
import re
import struct
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain, islice
from typing import Any, BinaryIO
from xml.etree.ElementTree import ParseError

import numpy as np
import python_calamine as calamine
from defusedxml import DefusedXmlException
from defusedxml.ElementTree import fromstring

from ballgauge_schemas.shared.limits import COLUMNS_MAXIMUM
from ballgauge_service.core import confined
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.lot.reading.apart import Apart, is_summary
from ballgauge_service.lot.reading.columns import Note, RawChunk
from ballgauge_service.lot.reading.headings import Heading, bad_file, printable
from ballgauge_service.lot.reading.options import ReadingOptions
from ballgauge_service.lot.reading.table import TOP, HeadingRow, best_row, dates_of, table_headings

UNPACKED_MAXIMUM = 256 << 20
"""Most bytes that the parts of a workbook unpack to (ours)."""

MEMBERS_MAXIMUM = 2000
"""Most parts of a workbook (ours)."""

CELLS_MAXIMUM = 16_000_000
"""Most cells between a sheet's first and last (ours): they are held in memory at once."""

SHEETS_MAXIMUM = 20
"""Sheets among which one with a table of balls is looked for, where none is named (ours)."""

PROBE_ROWS = 1000
"""Rows from which the order of day and month is found (ours)."""

_PIECE = 1 << 20
_OVERLAP = 4096
_ROW = re.compile(rb'<(?:[^\s<>/:]+:)?row\b[^>]*?\sr="(\d{1,9})"')
_CELL = re.compile(rb"<(?:[^\s<>/:]+:)?c(?=[\s/>])")
_OTHERS = rb'(?:\s+(?!r=)[\w:.-]+="[^"<>]*")*'
_PLACED = re.compile(
    _CELL.pattern + _OTHERS + rb'\s+r="([A-Z]{1,3})([1-9][0-9]{0,6})"' + _OTHERS + rb"\s*/?>"
)
_FORMULA = re.compile(
    rb'<(?:\w+:)?c\s[^>]*?\br="([A-Z]{1,4})(\d{1,9})"[^>]*>\s*<(?:\w+:)?f\b'
    rb"(?:[^>]*/>|[^>]*>[^<]{0,3000}</(?:\w+:)?f>)\s*(<(?:\w+:)?v>[^<]|<(?:\w+:)?is>)?"
)
_LINK = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"
_OTHER_KINDS = ("content.xml", "xl/workbook.bin")
"""Parts of ODS and XLSB workbooks: the reader of the cells would take those too, and nothing bounds them."""

_CELLS = b"sheetData"
"""The element that holds a sheet's cells; without it a part is no sheet, wherever it is kept."""

_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)


@dataclass
class Looked:
    """What the look through a workbook's sheets found, all sheets together or one of them."""

    last_row: int = 0
    widest: int = 0
    formulas: int = 0
    empty: set[tuple[int, int]] = field(default_factory=set)


def unpacked_pieces(stream: BinaryIO, member: zipfile.ZipInfo) -> Iterator[bytes]:
    """What one member of an archive really unpacks to, in pieces, whatever its directory says of the size.

    Raises InvalidInput for what is no ZIP member.
    """
    stream.seek(member.header_offset)
    header = stream.read(30)
    if (
        len(header) < 30
        or header[:4] != b"PK\x03\x04"
        or member.compress_type not in _METHODS
        or member.flag_bits & 1
    ):
        raise bad_file("the workbook cannot be unpacked: it is damaged or locked")
    name, extra = struct.unpack("<HH", header[26:30])
    stream.seek(name + extra, 1)
    inflate = zlib.decompressobj(-15) if member.compress_type == zipfile.ZIP_DEFLATED else None
    left = member.compress_size
    while left > 0 and (packed := stream.read(min(left, 1 << 16))):
        left -= len(packed)
        if inflate is None:
            yield packed
            continue
        while packed and not inflate.eof:
            piece = inflate.decompress(packed, _PIECE)
            packed = inflate.unconsumed_tail
            yield piece


def look_through(stream: BinaryIO) -> tuple[dict[str, Looked], int]:
    """Unpack every member to nothing; what the sheets hold, by member name, and how many bytes there were.

    Raises InvalidInput for what is no ZIP archive, and where a limit is passed.
    """
    try:
        with zipfile.ZipFile(stream) as archive:
            members = archive.infolist()
            if len(members) > MEMBERS_MAXIMUM or sum(each.file_size for each in members) > UNPACKED_MAXIMUM:
                _too_large()
            if any(member.filename.lower() in _OTHER_KINDS for member in members):
                raise bad_file("the file is a workbook of another kind; save it as XLSX")
            total = 0
            found = {}
            for member in members:
                sheet = _Sheet()
                for piece in unpacked_pieces(stream, member):
                    total += len(piece)
                    if total > UNPACKED_MAXIMUM:
                        _too_large()
                    sheet.look(piece)
                if sheet.begun:
                    found[member.filename] = sheet.finish()
            return found, total
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, NotImplementedError, ValueError) as error:
        if isinstance(error, InvalidInput):
            raise
        raise bad_file(f"the workbook cannot be unpacked: {printable(error)}") from None


def _may_swell(sheets: Iterable[Looked], size: int) -> bool:
    """Whether a sheet each of whose cells named all the texts would be too large: its reader copies them."""
    return sum(sheet.last_row * sheet.widest for sheet in sheets) * size > UNPACKED_MAXIMUM


def _too_large() -> None:
    raise bad_file(f"the workbook unpacks to more than {UNPACKED_MAXIMUM >> 20} MiB; send CSV or Parquet")


class _Sheet:
    """Looks for rows, columns and formulas in a part's XML that comes in pieces; `begun`: it is a sheet."""

    def __init__(self) -> None:
        self.found = Looked()
        self.begun = False
        self.kept = b""
        self.columns: set[bytes] = set()

    def look(self, piece: bytes) -> None:
        """Take in one more piece; an element that may be cut is looked at with the next."""
        data = self.kept + piece
        if not self.begun:
            self.begun = _CELLS in data
            if not self.begun:
                self.kept = data[-len(_CELLS) :]
                return
        cut = data.rfind(b"<row", 0, max(len(data) - _OVERLAP, 0))
        if cut <= 0 and len(data) > 8 * _PIECE:
            raise bad_file("the sheet's rows cannot be told apart, or one is too long")
        if cut > 0:
            self._search(data[:cut])
            self.kept = data[cut:]
        else:
            self.kept = data

    def finish(self) -> Looked:
        """What was found in all."""
        self._search(self.kept)
        self.found.widest = max((_column_number(name) for name in self.columns), default=0)
        return self.found

    def _search(self, data: bytes) -> None:
        found = self.found
        placed = _PLACED.findall(data)
        if len(placed) != len(_CELL.findall(data)):
            raise bad_file(
                "the sheet has cells without a reference, or with one that is none such as B12; save it "
                "again from a spreadsheet"
            )
        rows = {row for _, row in placed}.union(_ROW.findall(data))
        found.last_row = max(found.last_row, max(map(int, rows), default=0))
        self.columns.update(column for column, _ in placed)
        if b"f>" in data or b"<f" in data or b":f" in data:
            for column, row, value in _FORMULA.findall(data):
                found.formulas += 1
                if not value:
                    found.empty.add((int(row), _column_number(column)))


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = 26 * number + letter - 64
    return number


def sheet_part(archive: zipfile.ZipFile, name: str) -> str:
    """The part of a workbook that holds a sheet; empty where it is not where ECMA-376 puts it."""
    try:
        book = fromstring(archive.read("xl/workbook.xml"))
        links = fromstring(archive.read("xl/_rels/workbook.xml.rels"))
    except (KeyError, ParseError, DefusedXmlException, zipfile.BadZipFile):
        return ""
    link = next((sheet.get(_LINK) for sheet in book.iter() if sheet.get("name") == name), None)
    target = next((each.get("Target", "") for each in links if each.get("Id") == link), "")
    return target.lstrip("/") if target.startswith("/") else f"xl/{target}"


def _texts(cells: Sequence[Any]) -> list[str]:
    """Cells as a person reads them: the whole numbers that a workbook holds have no point."""
    return [f"{cell:g}" if isinstance(cell, float) else str(cell) for cell in cells]


class Workbook:
    """One sheet of an XLSX file; `other_sheets` are left aside, `formulas` those whose values are read."""

    def __init__(self, path: str, options: ReadingOptions) -> None:
        with open(path, "rb") as stream:
            looked, size = look_through(stream)
        for found in looked.values():
            if found.widest > COLUMNS_MAXIMUM:
                raise bad_file(f"the sheet has {found.widest} columns; at most {COLUMNS_MAXIMUM} are read")
            if found.last_row * found.widest > CELLS_MAXIMUM:
                raise bad_file(f"the sheet has more than {CELLS_MAXIMUM} cells; send CSV or Parquet")
        self.empty = set().union(*(found.empty for found in looked.values()))
        self.judged = frozenset(options.rows_judged)
        sheet = options.sheet
        try:
            self.book = calamine.load_workbook(path)
            names = self.book.sheet_names
            if not names or (sheet is not None and sheet not in names):
                held = ", ".join(map(repr, names[:20])) or "none"
                raise bad_file(f"the workbook has no sheet {sheet!r}; it has {held}")
            names_read = [sheet] if sheet is not None else names[:SHEETS_MAXIMUM]
            if _may_swell(looked.values(), size):
                asked = json.dumps([os.path.abspath(path), names_read]).encode()
                confined.run("lot.reading.unpacking:open_sheets", asked)
            self._open(names_read, options)
        except confined.Ended:
            raise bad_file(
                "the texts of the workbook unpack to more than is read; send CSV or Parquet"
            ) from None
        except (calamine.CalamineError, OSError, ValueError) as error:
            if isinstance(error, InvalidInput):
                raise
            raise bad_file(f"the workbook cannot be read: {printable(error)}") from None
        self.formulas = sum(found.formulas for found in looked.values())
        self.other_sheets = tuple(name for name in names if name != self.sheet.name)
        if self.empty:
            self.empty = self._of_this_sheet(path, looked)

    def _of_this_sheet(self, path: str, looked: Mapping[str, Looked]) -> set[tuple[int, int]]:
        """The formulas without a value of the sheet that is read, or of all where its part is not found."""
        with zipfile.ZipFile(path) as archive:
            found = looked.get(sheet_part(archive, self.sheet.name))
        return self.empty if found is None else found.empty

    def _open(self, names: Sequence[str], options: ReadingOptions) -> None:
        """Open the first of the sheets with a table of balls, the first of all where none has one."""
        held: list[tuple[int, list[Any]]] = []
        top: dict[int, list[Any]] = {}
        found: HeadingRow | None = None
        for name in [*names, names[0]]:
            self.sheet = self.book.get_sheet_by_name(name)
            # The reader gives the rows from the sheet's first on, the cells from the first column with any.
            rows = enumerate(self.sheet.iter_rows() if self.sheet.start else (), 1)
            held = list(islice(rows, max(TOP, options.header_row or 0)))
            top = {row: cells for row, cells in held if any(cell != "" for cell in cells)}
            found = best_row({row: _texts(cells) for row, cells in top.items()}, options)
            if found is not None and (found.known[0] or len(names) == 1):
                break
        if not top:
            raise bad_file("the sheet is empty")
        self.left = (self.sheet.start or (0, 0))[1]
        if found is None:
            row = options.header_row or min(top)
            if row not in top:
                raise bad_file("the sheet has no such row", row=row)
            found = HeadingRow(row, _texts(top[row]), (False, 0))
        while found.texts and not found.texts[-1].strip():
            found.texts.pop()
        self.width = len(found.texts)
        below = top.get(found.row + 1)
        self.headings, units = table_headings(found, None if below is None else _texts(below), options)
        self.header_row = found.row
        probe = list(islice(rows, PROBE_ROWS))
        rest = [(row, cells) for row, cells in held if row > found.row + units]
        self.dates = dates_of(self.headings, (cells for _, cells in (*rest, *probe)), options)
        self.rows = chain(rest, probe, rows)

    def chunks(self, count: int) -> Iterator[RawChunk]:
        """The chunks of the sheet, `count` rows each."""
        while part := list(islice(self.rows, count)):
            numbers, notes, apart = [], [], []
            kept: list[list[Any]] = []
            for row, cells in part:
                first = next((cell for cell in cells if cell != ""), None)
                if isinstance(first, str) and is_summary(first) and row not in self.judged:
                    apart.append(Apart(row, first.strip()))
                    continue
                if any(cell != "" for cell in cells[self.width :]):
                    text = f"the row has more cells than the {self.width} headings"
                    notes.append(Note(row, None, None, text))
                    continue
                hollow = (
                    [k for k in range(self.width) if (row, self.left + k + 1) in self.empty]
                    if self.empty
                    else []
                )
                if hollow:
                    name = self.headings[hollow[0]]
                    notes.append(Note(row, name.text, name.field, "a formula without a stored value"))
                    continue
                numbers.append(row)
                kept.append(cells)
            columns = list(zip(*kept, strict=True)) or [()] * self.width
            cells_of: dict[Heading, Any] = {
                heading: [None if cell == "" else cell for cell in columns[k]]
                for k, heading in enumerate(self.headings)
            }
            yield RawChunk(np.array(numbers, dtype=np.int64), cells_of, notes, 0, apart)

    def close(self) -> None:
        """Let the file go."""
        self.book.close()
