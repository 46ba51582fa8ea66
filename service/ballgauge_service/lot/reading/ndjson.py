"""NDJSON to chunks: one ball a line, its members the contract's fields."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import json as arrow_json

from ballgauge_schemas.shared.wording import json_type, shown_text
from ballgauge_service.lot.reading.columns import Note, RawChunk
from ballgauge_service.lot.reading.headings import (
    FLAGS,
    Heading,
    UnclearHeading,
    bad_file,
    resolve_heading,
    resolve_headings,
    with_units,
)
from ballgauge_service.lot.reading.options import ReadingOptions
from ballgauge_service.lot.reading.text import LINE_MAXIMUM, Block, Text, is_text, line_spans

_BLANK = b" \t\r\n"


class _Doubled(ValueError):
    """An object that names a member twice."""


class JsonReader:
    """Reads the chunks of an NDJSON file; `headings` grow with the members met.

    A member that the first ball has and nobody knows refuses the file; in a later ball it refuses that ball.
    """

    def __init__(self, text: Text, options: ReadingOptions) -> None:
        self.text = text
        self.options = options
        self.headings: dict[str, Heading] = {}
        self.refused = 0
        self._dirty = False
        first = self._first(text.head(LINE_MAXIMUM + 1))
        if first is not None:
            found = resolve_headings(list(first), options, required=False)
            self.headings = dict(zip(first, found, strict=True))

    def _first(self, probe: bytes) -> dict[str, Any] | None:
        """The first ball, None where its line is not one and will be told by row."""
        starts, ends = line_spans(probe, quoted=False)
        lines = [(place, probe[a:b]) for place, (a, b) in enumerate(zip(starts, ends, strict=True))]
        line = next(((place, data) for place, data in lines if data.strip(_BLANK)), None)
        if line is None:
            raise bad_file("the file is empty")
        if len(line[1]) > LINE_MAXIMUM:
            raise bad_file(f"the row is longer than {LINE_MAXIMUM} bytes", row=line[0] + 1)
        if not is_text(line[1]):
            raise bad_file(
                f"the first ball is not {self.text.encoding} text; name the encoding", row=line[0] + 1
            )
        try:
            found = _decoded(line[1])
        except ValueError as error:
            raise bad_file(f"the first ball is not a JSON object: {error}", row=line[0] + 1) from None
        return found

    def chunks(self, size: int) -> Iterator[RawChunk]:
        """The chunks of the file, each of about `size` bytes; InvalidInput for a line that is too long."""
        for block in self.text.blocks(size, quotes=False):
            bad = [Note(line.row, None, None, line.detail) for line in self.text.take_bad()]
            columns = None if self._dirty else self._quick(block)
            if columns is not None:
                yield RawChunk(block.rows, columns, bad, block.blank)
                continue
            self._dirty = not self._dirty
            rows, found, notes, blank = self._thorough(block)
            yield RawChunk(rows, found, sorted([*bad, *notes], key=lambda n: n.row), block.blank + blank)

    def _quick(self, block: Block) -> dict[Heading, Any] | None:
        """The columns where every member is known, spelled one way and of its field's plain kind, or None."""
        if not len(block.rows):
            return {}
        names = [heading.name for heading in self.headings.values() if heading.name is not None]
        if len(set(names)) < len(names):
            return None
        schema = pa.schema([(key, _plain_type(heading)) for key, heading in self.headings.items()])
        try:
            table = arrow_json.read_json(
                pa.BufferReader(block.data),
                read_options=arrow_json.ReadOptions(block_size=len(block.data) + 1),
                parse_options=arrow_json.ParseOptions(
                    explicit_schema=schema, unexpected_field_behavior="error"
                ),
            )
        except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
            return None
        if table.num_rows != len(block.rows):
            return None
        columns = {}
        for key, heading in self.headings.items():
            column = table[key].combine_chunks()
            if heading.quantity is not None and pc.all(pc.is_finite(column)).as_py() not in (True, None):
                return None
            if heading.field is None and column.null_count < len(column):
                return None
            columns[heading] = column
        return columns

    def _thorough(self, block: Block) -> tuple[np.ndarray, dict[Heading, list[Any]], list[Note], int]:
        starts, ends = line_spans(block.data, quoted=False)
        lines = [
            block.data[a:b]
            for a, b in zip(starts.tolist(), ends.tolist(), strict=True)
            if block.data[a:b].strip(b"\r\n")
        ]
        notes: list[Note] = []
        kept: list[dict[str, Any]] = []
        places: list[int] = []
        blank = 0
        for place, line in enumerate(lines):
            row = int(block.rows[place])
            if not line.strip(_BLANK):
                blank += 1
                continue
            found = self._ball(line, row)
            if isinstance(found, Note):
                notes.append(found)
            else:
                kept.append(found)
                places.append(place)
        columns = {heading: [ball.get(key) for ball in kept] for key, heading in self.headings.items()}
        return block.rows[np.array(places, dtype=np.int64)], columns, notes, blank

    def _ball(self, line: bytes, row: int) -> dict[str, Any] | Note:
        try:
            ball = _decoded(line)
        except ValueError as error:
            return Note(row, None, None, str(error))
        for key in ball:
            if key not in self.headings:
                detail = self._meet(key)
                if detail is not None:
                    return Note(row, key[:60], None, detail)
        names: dict[str | None, str] = {}
        averaged = self.options.readings == "mean"
        for key in ball:
            name = self.headings[key].name
            if averaged and self.headings[key].reading:
                continue
            if name is not None and names.setdefault(name, key) != key:
                return Note(
                    row, key[:60], name, f"duplicate: {shown_text(names[name])} already stands for {name}"
                )
        return ball

    def _meet(self, key: str) -> str | None:
        """Take in a member not met before; what is wrong with it, None where it is known."""
        if self.refused > 1000:
            return "unknown heading"
        try:
            met = resolve_heading(key, self.options)
            self.headings[key] = with_units([*self.headings.values(), met])[-1]
        except UnclearHeading as error:
            self.refused += 1
            return str(error)
        return None


def _plain_type(heading: Heading) -> pa.DataType:
    if heading.quantity is not None:
        return pa.float64()
    return pa.bool_() if heading.field in FLAGS else pa.string()


def _decoded(line: bytes) -> dict[str, Any]:
    """One ball of one line; raises ValueError with what is wrong."""
    try:
        found = json.loads(line, object_pairs_hook=_members, parse_constant=_constant)
    except _Doubled:
        raise
    except RecursionError:
        raise ValueError("the line is nested too deeply") from None
    except json.JSONDecodeError as error:
        raise ValueError(f"not JSON: {error.msg} at character {error.pos + 1}") from None
    if not isinstance(found, dict):
        raise ValueError(f"must be an object; got {json_type(found)}")
    return found


def _members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise _Doubled("duplicate name in the object")
    return found


def _constant(name: str) -> float:
    raise ValueError(f"{name} is not JSON")
