"""Verdicts to NDJSON, CSV or Parquet, chunk by chunk.

Columns: `row` in the file judged, `serial`, `outcome`, `rule` that decides, its `margin` in `unit`, `reason`.
"""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from functools import lru_cache, partial
from typing import Any, Protocol

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from pyarrow import parquet

from ballgauge_schemas.shared.words import ROW_FORMATS, RowFormat
from ballgauge_service.lot.judging.verdicts import Verdicts, Words

COLUMNS = ("row", "serial", "outcome", "rule", "margin", "unit", "reason")

GUARD = "'"
"""Set before a text that a spreadsheet would take for a formula: one that begins with = + - @, a tab or a
carriage return and is no number (ours)."""

_FORMULA = r"^[=+\-@\t\r]"
_NUMBER = r"^[+-]?[0-9]+([.,][0-9]+)?$"
_QUOTED = r'[",\r\n]'
_ESCAPED = '["\\\\\x00-\x1f\x7f\u2028\u2029]'
_ODD = np.zeros(256, np.bool_)
_ODD[list(b'=+-@\t\r\n",')] = True
"""Bytes of which a text has one where it needs a guard or quotation marks."""
_CSV_HEAD = (",".join(COLUMNS) + "\r\n").encode()


class Sink(Protocol):
    """Anything that takes bytes."""

    def write(self, data: bytes | memoryview, /) -> object:
        """Take `data`."""


def csv_cells(texts: pa.Array) -> pa.Array:
    """Texts (n,) as CSV cells (RFC 4180): guarded and quoted where needed, empty where null."""
    plain = pc.fill_null(texts, "")
    if not _ODD[_letters(plain)].any():
        return plain
    formula = pc.match_substring_regex(plain, _FORMULA)
    if pc.any(formula).as_py():
        number = pc.match_substring_regex(plain, _NUMBER)
        guarded = pc.binary_join_element_wise(GUARD, plain, "")
        plain = pc.if_else(pc.and_not(formula, number), guarded, plain)
    quoted = pc.match_substring_regex(plain, _QUOTED)
    if pc.any(quoted).as_py():
        doubled = pc.binary_join_element_wise('"', pc.replace_substring(plain, '"', '""'), '"', "")
        plain = pc.if_else(quoted, doubled, plain)
    return plain


def _letters(texts: pa.Array) -> NDArray[np.uint8]:
    """The bytes of an array's texts, end to end."""
    offsets = np.frombuffer(texts.buffers()[1], dtype=np.int32)
    start, end = int(offsets[texts.offset]), int(offsets[texts.offset + len(texts)])
    data = texts.buffers()[2]
    return np.frombuffer(b"" if data is None or start == end else data, dtype=np.uint8)[start:end]


def csv_lines(verdicts: Verdicts) -> memoryview:
    """The bytes of the balls of a chunk as lines of CSV."""
    serial = None if verdicts.serial is None else csv_cells(verdicts.serial)
    head = [pc.cast(pa.array(verdicts.rows), pa.string()), "," if serial is None else _between(",", serial)]
    return _lines(verdicts, head, _csv_fragments(verdicts.words), "")


def ndjson_lines(verdicts: Verdicts) -> memoryview:
    """The bytes of the balls of a chunk as lines of JSON, each an object; what is not known is null."""
    rows = pc.binary_join_element_wise('{"row":', pc.cast(pa.array(verdicts.rows), pa.string()), "")
    serial = (
        ',"serial":null' if verdicts.serial is None else _between(',"serial":', _json_texts(verdicts.serial))
    )
    return _lines(verdicts, [rows, serial], _json_fragments(verdicts.words), "null")


def _between(before: str, texts: pa.Array) -> pa.Array:
    return pc.binary_join_element_wise(before, texts, "")


def _json_texts(texts: pa.Array) -> pa.Array:
    plain = pc.binary_join_element_wise('"', texts, '"', "")
    odd = pc.fill_null(pc.match_substring_regex(texts, _ESCAPED), False)
    if pc.any(odd).as_py():
        places = np.flatnonzero(odd.to_numpy(zero_copy_only=False))
        written = [json.dumps(text) for text in texts.take(pa.array(places)).to_pylist()]
        plain = pc.replace_with_mask(plain, odd, pa.array(written, pa.string()))
    return pc.fill_null(plain, "null")


_Fragments = tuple[pa.Array, pa.Array]
"""What stands before a margin and behind it, by reason."""


def _csv_cell(text: str | None) -> str:
    return str(csv_cells(pa.array([text], pa.string()))[0])


@lru_cache(maxsize=16)
def _csv_fragments(words: tuple[Words, ...]) -> _Fragments:
    cell = lru_cache(maxsize=None)(_csv_cell)
    before = [f",{each.outcome},{cell(each.rule)}," for each in words]
    return pa.array(before), pa.array([f",{cell(each.unit)},{cell(each.reason)}\r\n" for each in words])


@lru_cache(maxsize=16)
def _json_fragments(words: tuple[Words, ...]) -> _Fragments:
    told = partial(json.dumps, ensure_ascii=False)
    before = [f',"outcome":"{each.outcome}","rule":{told(each.rule)},"margin":' for each in words]
    after = [f',"unit":{told(each.unit)},"reason":{told(each.reason)}}}\n' for each in words]
    return pa.array(before), pa.array(after)


def _lines(verdicts: Verdicts, head: list[pa.Array | str], fragments: _Fragments, none: str) -> memoryview:
    if not len(verdicts):
        return memoryview(b"")
    reason = pa.array(verdicts.reason)
    before, after = (fragment.take(reason) for fragment in fragments)
    margin = pc.fill_null(pc.cast(pa.array(verdicts.margin, from_pandas=True), pa.string()), none)
    return _letters(pc.binary_join_element_wise(*head, before, margin, after, "")).data


def result_batch(verdicts: Verdicts) -> pa.RecordBatch:
    """The balls of a chunk as Arrow data; words are dictionary-encoded, what is not known is null."""
    size = len(verdicts)
    used = np.flatnonzero(np.bincount(verdicts.reason, minlength=1)).tolist()
    columns = {
        "row": pa.array(verdicts.rows),
        "serial": pa.nulls(size, pa.string()) if verdicts.serial is None else verdicts.serial,
        "margin": pa.array(verdicts.margin, from_pandas=True),
    }
    for name in Words._fields:
        columns[name] = _told(
            {place: getattr(verdicts.words[place], name) for place in used}, verdicts.reason
        )
    return pa.record_batch([columns[name] for name in COLUMNS], names=list(COLUMNS))


def _told(words: Mapping[int, str | None], reason: NDArray[np.int32]) -> pa.Array:
    """Words by reason (n,), dictionary-encoded; each stands once, or Arrow would write plain texts."""
    texts = list(dict.fromkeys(word for word in words.values() if word is not None))
    places = np.full(max(words, default=0) + 1, -1, dtype=np.int32)
    for place, word in words.items():
        places[place] = -1 if word is None else texts.index(word)
    indices = places[reason]
    absent = indices < 0 if None in words.values() else None
    return pa.DictionaryArray.from_arrays(pa.array(indices, mask=absent), pa.array(texts, pa.string()))


class ResultWriter:
    """Writes verdicts to a sink as they come, which stays open; `close` ends the file.

    Raises ValueError for an unknown format.
    """

    def __init__(self, sink: Sink, file_format: RowFormat) -> None:
        if file_format not in ROW_FORMATS:
            raise ValueError(f"file_format must be one of {', '.join(ROW_FORMATS)}; got {file_format!r}")
        self.sink = sink
        self.format = file_format
        self._begun = False
        self._target = _Counted(sink)
        self._parquet: parquet.ParquetWriter | None = None

    def write(self, verdicts: Verdicts) -> None:
        """Write the balls of a chunk."""
        if self.format == "parquet":
            batch = result_batch(verdicts)
            if self._parquet is None:
                words = [column.name for column in batch.schema if pa.types.is_dictionary(column.type)]
                target = pa.PythonFile(self._target, mode="w")
                self._parquet = parquet.ParquetWriter(
                    target,
                    batch.schema,
                    use_dictionary=words,
                    write_statistics=["row", "margin"],
                    column_encoding={"row": "DELTA_BINARY_PACKED"},
                )
            self._parquet.write_batch(batch, row_group_size=max(len(verdicts), 1))
        elif self.format == "csv":
            if not self._begun:
                self.sink.write(_CSV_HEAD)
            self.sink.write(csv_lines(verdicts))
        else:
            self.sink.write(ndjson_lines(verdicts))
        self._begun = True

    def close(self) -> None:
        """End the file."""
        if self._parquet is not None:
            self._parquet.close()


class _Counted(io.RawIOBase):
    """A sink that knows how much it has taken, as a Parquet file needs."""

    def __init__(self, sink: Sink) -> None:
        super().__init__()
        self.sink = sink
        self.taken = 0

    def writable(self) -> bool:
        return True

    def write(self, data: Any, /) -> int:
        piece = bytes(data)
        self.sink.write(piece)
        self.taken += len(piece)
        return len(piece)

    def tell(self) -> int:
        return self.taken
