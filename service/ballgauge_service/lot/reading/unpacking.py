"""What a file unpacks to, found by unpacking it where that can be ended (`core.confined`).

A kilobyte of Parquet can hold gigabytes of text: one value that every row names, values that repeat the
beginning of the one before, pages of blanks; and so can a workbook, whose cells name shared texts. What such
a file says of its own size is no help, and a spoilt one ends its reader's process.
"""

from __future__ import annotations

import json

import pyarrow as pa
import pyarrow.compute as pc
import python_calamine as calamine
from pyarrow import parquet

STEP = 1 << 14
STEP_MAXIMUM = 1 << 26
"""Rows unpacked at a time, and the most bytes that they may hold (ours): 4 KiB a row."""


def names(path: bytes) -> bytes:
    """The number of rows, the columns' names, and which of them are not of one width a row, as JSON.

    Raises ValueError where the file cannot be read.
    """
    with _opened(path.decode()) as file:
        columns = file.schema_arrow
        unbounded = [column.name for column in columns if not _is_of_one_width(column.type)]
        return json.dumps([file.metadata.num_rows, columns.names, unbounded]).encode()


def examine(asked: bytes) -> bytes:
    """Unpack columns of a file once; asked as JSON: the path, and the columns' names.

    Raises ValueError where they cannot be read, or hold more than `STEP_MAXIMUM`.
    """
    path, columns = json.loads(asked)
    try:
        with _opened(path) as file:
            for batch in file.iter_batches(batch_size=STEP, columns=columns, use_threads=False):
                if sum(map(_size, batch.columns)) > STEP_MAXIMUM:
                    raise ValueError(f"{STEP} rows hold more than {STEP_MAXIMUM >> 20} MiB")
    except MemoryError:
        raise ValueError(f"{STEP} rows of it need more memory than there is") from None
    except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
        raise ValueError(str(error)) from None
    return b""


def open_sheets(asked: bytes) -> bytes:
    """Open sheets of a workbook one after another; asked as JSON: the path, and the sheets' names.

    Raises ValueError where they cannot be read; the process ends where they are larger than it may be.
    """
    path, names = json.loads(asked)
    try:
        with calamine.load_workbook(path) as book:
            for name in names:
                book.get_sheet_by_name(name)
    except (calamine.CalamineError, OSError) as error:
        raise ValueError(str(error)) from None
    return b""


def _opened(path: str) -> parquet.ParquetFile:
    try:
        return parquet.ParquetFile(path, memory_map=False, buffer_size=1 << 20, pre_buffer=False)
    except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
        raise ValueError(str(error)) from None


def _size(column: pa.Array) -> int:
    """Bytes of a column once nothing of it is shared between its rows."""
    if pa.types.is_dictionary(column.type):
        if not _is_text(column.type.value_type):
            return int(column.dictionary.nbytes) * len(column)
        lengths = pc.binary_length(column.dictionary).take(column.indices)
        return pc.sum(lengths).as_py() or 0
    return (pc.sum(pc.binary_length(column)).as_py() or 0) if _is_text(column.type) else int(column.nbytes)


def _is_of_one_width(kind: pa.DataType) -> bool:
    """Whether a row holds a few bytes of it, however the file is packed."""
    return bool(pa.types.is_primitive(kind) or pa.types.is_null(kind))


def _is_text(kind: pa.DataType) -> bool:
    return any(
        check(kind)
        for check in (
            pa.types.is_string, pa.types.is_large_string, pa.types.is_string_view,
            pa.types.is_binary, pa.types.is_large_binary, pa.types.is_binary_view,
        )
    )  # fmt: skip
