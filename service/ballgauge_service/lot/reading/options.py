"""How a lot's file is to be read, as one value."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from ballgauge_schemas.shared.words import Format

CHUNK_BYTES = 4 << 20
"""Size of a chunk of text (ours); a chunk of the other formats has a row for every 64 bytes of it."""


@dataclass(frozen=True, slots=True)
class ReadingOptions:
    """How to read a lot's file; what is None is found, and told, or refused where it is not clear.

    `mapping`: heading to field name, or to None to leave the column out. `encoding`, `separator` and
    `decimal` (mark) of text files; `missing`: texts that mean no data, besides the empty cell; `sheet` of a
    workbook; `header_row` of a table with lines above it; `dates`: `day_first` or `month_first`; `readings`:
    `mean` of columns of one quantity, or `one`; `rows_ignored` are no balls, `rows_judged` are balls whatever
    they say; `unknown_columns`: `refuse` or `ignore`. `whole`: whether a ball must have all that a check
    must. `chunk_bytes`: how much is read at a time; no result depends on it.
    """

    format: Format | None = None
    mapping: Mapping[str, str | None] = field(default_factory=dict)
    encoding: str | None = None
    separator: str | None = None
    decimal: str | None = None
    missing: tuple[str, ...] = ()
    sheet: str | None = None
    header_row: int | None = None
    dates: str | None = None
    readings: str = "one"
    rows_ignored: tuple[int, ...] = ()
    rows_judged: tuple[int, ...] = ()
    unknown_columns: str = "ignore"
    whole: bool = True
    chunk_bytes: int = CHUNK_BYTES
