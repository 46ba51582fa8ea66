"""A lot's file, in any of its formats, as chunks of cells in bounded memory."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Self

import numpy as np
import pyarrow as pa
from pyarrow import parquet

from ballgauge_schemas.shared.limits import LOT_MAXIMUM
from ballgauge_schemas.shared.words import FORMATS, Format
from ballgauge_service.core import confined
from ballgauge_service.lot.reading.cells import CellRules
from ballgauge_service.lot.reading.columns import RawChunk
from ballgauge_service.lot.reading.csv import Dialect, delimited_chunks, find_dialect
from ballgauge_service.lot.reading.ending import without_ending
from ballgauge_service.lot.reading.headings import (
    Heading,
    bad_file,
    printable,
    resolve_headings,
)
from ballgauge_service.lot.reading.ndjson import JsonReader
from ballgauge_service.lot.reading.options import ReadingOptions
from ballgauge_service.lot.reading.text import Source, Text
from ballgauge_service.lot.reading.xlsx import Workbook

SPOOL_MAXIMUM = 1 << 30
"""Largest workbook or Parquet file taken from a stream, in bytes (ours); both must be whole to be read."""

PIECE_ROWS = 1 << 16
PIECE_ROWS_MAXIMUM = 1 << 19
"""Rows of a piece of a Parquet file (ours): it has whole row groups, as many as make up PIECE_ROWS. A file
with a row group of more than PIECE_ROWS_MAXIMUM is not read by pieces: their verdicts would not fit."""

_SUFFIXES: Mapping[str, Format] = {
    ".csv": "csv", ".tsv": "csv", ".txt": "csv", ".ndjson": "ndjson", ".jsonl": "ndjson", ".xlsx": "xlsx",
    ".parquet": "parquet", ".pq": "parquet",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class FileFound:
    """What was found of a file; None is what its format, or the file, does not have."""

    format: Format
    columns: tuple[Heading, ...]
    header_row: int | None = None
    dates: str | None = None
    encoding: str | None = None
    separator: str | None = None
    decimal: str | None = None
    decimal_found: bool | None = None
    sheet: str | None = None
    other_sheets: tuple[str, ...] | None = None
    formulas: int | None = None


@dataclass(frozen=True, slots=True)
class RowGroups:
    """A piece of a Parquet file, to be read by whoever works on it.

    `size` [byte] and `changed` [ns] of the file when it was cut; `groups` of the file's row groups, following
    each other; `first` row of them, as a person counts; `count` rows of a chunk.
    """

    path: str
    size: int
    changed: int
    headings: tuple[Heading, ...]
    groups: tuple[int, ...]
    first: int
    count: int

    def chunks(self) -> Iterator[RawChunk]:
        """The piece's rows, in chunks. Raises InvalidInput where the file cannot be read or was changed."""
        try:
            with open(self.path, "rb") as file:
                found = os.fstat(file.fileno())
                if (found.st_size, found.st_mtime_ns) != (self.size, self.changed):
                    raise bad_file("the file was changed while it was judged", row=self.first)
                opened = parquet.ParquetFile(file, memory_map=False, buffer_size=1 << 20, pre_buffer=False)
                yield from _row_group_chunks(opened, self, use_threads=False)
        except (pa.ArrowException, OSError) as error:
            raise bad_file(f"the Parquet file cannot be read: {printable(error)}", row=self.first) from None


def _row_group_chunks(
    file: parquet.ParquetFile, piece: RowGroups, *, use_threads: bool
) -> Iterator[RawChunk]:
    row = piece.first
    wanted = [heading for heading in piece.headings if heading.field is not None]
    try:
        for batch in file.iter_batches(
            batch_size=piece.count,
            row_groups=list(piece.groups),
            columns=[heading.text for heading in wanted],
            use_threads=use_threads,
        ):
            columns = {heading: _decoded(batch.column(heading.text)) for heading in wanted}
            yield RawChunk(np.arange(row, row + batch.num_rows), columns, (), 0)
            row += batch.num_rows
    except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
        raise bad_file(f"the Parquet file cannot be read: {printable(error)}", row=row) from None


class _Peeked:
    """A stream whose first bytes have been looked at; `digest` (SHA-256) and `size` of all that was read."""

    def __init__(self, stream: Source) -> None:
        self.stream = stream
        self.digest, self.size = hashlib.sha256(), 0
        self.start = b""
        while len(self.start) < 8 and (more := self._more(8 - len(self.start))):
            self.start += more
        self.left = self.start

    def read(self, size: int, /) -> bytes:
        """Give up to `size` bytes."""
        if self.left:
            given, self.left = self.left[:size], self.left[size:]
            return given
        return self._more(size)

    def _more(self, size: int) -> bytes:
        given = self.stream.read(size)
        self.digest.update(given)
        self.size += len(given)
        return given


class LotFile:
    """A lot's file, open. Iterate it once for its chunks; `found` says what was found on the way.

    Parameters
    ----------
    source : path, or a stream of bytes; a stream of text formats is read as it comes, a workbook or Parquet
        file is first taken whole, to disk
    name : the file's name, for its format; the path's own unless given

    Raises InvalidInput, here or while its chunks are taken.
    """

    def __init__(
        self,
        source: str | os.PathLike[str] | Source,
        options: ReadingOptions | None = None,
        name: str | None = None,
    ) -> None:
        self.options = options or ReadingOptions()
        self._closing = ExitStack()
        self._path = ""
        self._read: _Peeked | None = None
        self._rules = CellRules(
            missing=self.options.missing, dates=self.options.dates, whole=self.options.whole
        )
        try:
            self._open(source, name)
        except BaseException:
            self.close()
            raise

    def _open(self, source: str | os.PathLike[str] | Source, name: str | None) -> None:
        path: str | None = None
        self.spooled = not isinstance(source, (str, os.PathLike))
        if isinstance(source, (str, os.PathLike)):
            path = os.fspath(source)
            try:
                stream = open(path, "rb")  # noqa: SIM115 - closed with the lot
            except OSError as error:
                raise bad_file(f"the file cannot be opened: {error.strerror}") from None
            self._closing.callback(stream.close)
            peeked = _Peeked(stream)
        else:
            peeked = _Peeked(source)
        self._read = peeked
        self.format: Format = self.options.format or _format(peeked.start, name or path)
        if self.format not in FORMATS:
            raise bad_file(f"format must be one of {', '.join(FORMATS)}; got {str(self.format)[:20]!r}")
        if self.format in ("xlsx", "parquet"):
            if path is not None:
                self._read = None
            self._path = path or self._spooled(peeked)
            self._open_whole(self._path)
        else:
            self._open_text(peeked)

    def _open_text(self, stream: Source) -> None:
        options = self.options
        self._text = Text(stream, options.encoding)
        self._dialect: Dialect | None = None
        if self.format == "ndjson":
            self._rules = replace(self._rules, text_numbers=False)
            self._json = JsonReader(self._text, options)
            return
        self._dialect = find_dialect(self._text, options)
        self._rules = replace(self._rules, decimal=self._dialect.decimal, dates=self._dialect.dates)

    def _open_whole(self, path: str) -> None:
        if self.format == "xlsx":
            self._book = Workbook(path, self.options)
            self._closing.callback(self._book.close)
            self._rules = replace(self._rules, dates=self._book.dates)
        else:
            self._found = os.stat(path)
            self._parquet, self._headings = _open_parquet(path, self.options)
            self._closing.callback(self._parquet.close)

    def _spooled(self, stream: Source) -> str:
        with tempfile.NamedTemporaryFile(prefix="lot-", delete=False) as spool:
            self._closing.callback(Path(spool.name).unlink, missing_ok=True)
            length = 0
            while piece := stream.read(1 << 20):
                length += len(piece)
                if length > SPOOL_MAXIMUM:
                    raise bad_file(
                        f"a {self.format} file over {SPOOL_MAXIMUM >> 20} MiB is not taken from a stream"
                    )
                spool.write(piece)
        return spool.name

    @property
    def rules(self) -> CellRules:
        """How the cells are to be read."""
        return self._rules

    @property
    def headings(self) -> tuple[Heading, ...]:
        """The columns met so far and what they stand for."""
        if self.format == "csv":
            assert self._dialect is not None
            return self._dialect.headings
        if self.format == "ndjson":
            return tuple(self._json.headings.values())
        return tuple(self._book.headings if self.format == "xlsx" else self._headings)

    def digest(self) -> tuple[str, int]:
        """SHA-256 of the file, in hexadecimal, and its size in bytes, once all of it was read."""
        if self._read is not None:
            return self._read.digest.hexdigest(), self._read.size
        with open(self._path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest(), os.fstat(file.fileno()).st_size

    @property
    def found(self) -> FileFound:
        """What was found of the file."""
        if self.format == "csv":
            assert self._dialect is not None
            dialect = self._dialect
            return FileFound(
                self.format,
                dialect.headings,
                dialect.header_row,
                dialect.dates,
                encoding=self._text.encoding,
                separator=dialect.separator,
                decimal=dialect.decimal,
                decimal_found=dialect.decimal_found,
            )
        if self.format == "ndjson":
            return FileFound(self.format, self.headings, encoding=self._text.encoding)
        if self.format == "parquet":
            return FileFound(self.format, self.headings)
        book = self._book
        return FileFound(
            self.format,
            self.headings,
            book.header_row,
            book.dates,
            sheet=book.sheet.name,
            other_sheets=book.other_sheets,
            formulas=book.formulas,
        )

    def __iter__(self) -> Iterator[RawChunk]:
        size = max(self.options.chunk_bytes, 1)
        if self.format == "csv":
            assert self._dialect is not None
            chunks = delimited_chunks(self._text, self._dialect, self._rules, size, self.options)
            return without_ending(chunks, self._rules, self.options)
        if self.format == "ndjson":
            return self._json.chunks(size)
        count = max(size // 64, 1)
        if self.format == "xlsx":
            return without_ending(self._book.chunks(count), self._rules, self.options)
        return self._parquet_chunks(count)

    def _parquet_chunks(self, count: int) -> Iterator[RawChunk]:
        for piece in self._cut(count):
            yield from _row_group_chunks(self._parquet, piece, use_threads=True)

    @property
    def cut_path(self) -> str | None:
        """Path of a Parquet file that can be read by pieces; None of any other file."""
        if self.format != "parquet":
            return None
        known = self._parquet.metadata
        rows = (known.row_group(group).num_rows for group in range(known.num_row_groups))
        return self._path if max(rows, default=0) <= PIECE_ROWS_MAXIMUM else None

    @property
    def rows(self) -> int | None:
        """How many rows there are, where the file says so beforehand."""
        return self._parquet.metadata.num_rows if self.format == "parquet" else None

    def pieces(self) -> Iterator[RowGroups]:
        """The file at `cut_path` in pieces, cut by its row groups alone."""
        return self._cut(max(self.options.chunk_bytes // 64, 1))

    def _cut(self, count: int) -> Iterator[RowGroups]:
        known, found = self._parquet.metadata, self._found
        groups: list[int] = []
        first, rows = 1, 0
        for group in range(known.num_row_groups):
            groups.append(group)
            rows += known.row_group(group).num_rows
            if rows >= PIECE_ROWS or group == known.num_row_groups - 1:
                yield RowGroups(
                    self._path,
                    found.st_size,
                    found.st_mtime_ns,
                    tuple(self._headings),
                    tuple(groups),
                    first,
                    count,
                )
                groups, first, rows = [], first + rows, 0

    def close(self) -> None:
        """Let the file go, and what was spooled of it."""
        self._closing.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _format(start: bytes, name: str | None) -> Format:
    if start.startswith(b"PAR1"):
        return "parquet"
    if start.startswith(b"PK\x03\x04"):
        return "xlsx"
    if start.startswith(b"\xd0\xcf\x11\xe0"):
        raise bad_file(
            "an old binary workbook, or a locked one, cannot be read; save it as XLSX without a password"
        )
    named = _SUFFIXES.get(Path(name).suffix.lower()) if name else None
    if named in ("csv", "ndjson"):
        return named
    if named is not None and start:
        raise bad_file(f"the file is named as {named} and does not begin as one")
    return "ndjson" if start.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"{") else "csv"


def _open_parquet(path: str, options: ReadingOptions) -> tuple[parquet.ParquetFile, list[Heading]]:
    whole = os.path.abspath(path)
    rows, names, unbounded = json.loads(_unpacked("names", whole.encode()))
    headings = resolve_headings(names, options)
    if rows > LOT_MAXIMUM:
        raise bad_file(f"the file has {rows} rows; at most {LOT_MAXIMUM} are read")
    wanted = {heading.text for heading in headings if heading.field is not None}
    if examined := [name for name in unbounded if name in wanted]:
        _unpacked("examine", json.dumps([whole, examined]).encode())
    try:
        file = parquet.ParquetFile(path, memory_map=False, buffer_size=1 << 20, pre_buffer=False)
    except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
        raise bad_file(f"the Parquet file cannot be read: {printable(error)}") from None
    return file, headings


def _unpacked(function: str, asked: bytes) -> bytes:
    try:
        return confined.run(f"lot.reading.unpacking:{function}", asked)
    except (confined.Refused, confined.Ended) as error:
        raise bad_file(f"the Parquet file cannot be read: {printable(error)}") from None


def _decoded(column: pa.Array) -> pa.Array:
    """A column without dictionary, its texts known to be UTF-8; raises ArrowInvalid."""
    kind = column.type
    if pa.types.is_dictionary(kind):
        column = column.dictionary_decode()
    if pa.types.is_string_view(column.type) or pa.types.is_large_string(column.type):
        column = column.cast(pa.string())
    if pa.types.is_string(column.type):
        column.validate(full=True)
    return column
