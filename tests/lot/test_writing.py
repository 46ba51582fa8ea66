"""Verdicts written to CSV, NDJSON and Parquet, read back by the standard library's readers and by pyarrow."""

from __future__ import annotations

import csv
import io
import json
import re
from datetime import date
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyarrow import parquet

from ballgauge_service.lot.judging.verdicts import Verdicts, judge_balls
from ballgauge_service.lot.reading.columns import Balls
from ballgauge_service.lot.report.rows import (
    COLUMNS,
    GUARD,
    ResultWriter,
    csv_cells,
)
from ballgauge_service.rulebooks import OUTCOMES, Decision, edition

BOOK = edition("usbc", date(2026, 5, 1), "approval", None)
FORMULA = tuple("=+-@\t\r")
NUMBER = re.compile(r"[+-][0-9]+([.,][0-9]+)?")
TEXT = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=12)


def verdicts(serials: list[str | None], start: int = 1) -> Verdicts:
    size = len(serials)
    numbers = np.arange(size, dtype=np.float64)
    values = {"weight": 15.5 + numbers % 7 / 10, "rg": 2.45 + numbers % 5 / 100}
    if start % 2:
        values |= {"circumference": np.full(size, 26.9), "roundness": np.full(size, 0.004)}
    return judge_balls(
        Balls(np.arange(start, start + size), pa.array(serials, pa.string()), values, {}), BOOK, Decision()
    )


def expected(chunks: list[Verdicts]) -> list[dict[str, Any]]:
    rows = []
    for chunk in chunks:
        assert chunk.serial is not None
        for k, serial in enumerate(chunk.serial.to_pylist()):
            rule = int(chunk.rule[k])
            row = {
                "row": int(chunk.rows[k]),
                "serial": serial,
                "outcome": OUTCOMES[chunk.outcome[k]],
                "rule": chunk.rules[rule],
                "margin": None if np.isnan(chunk.margin[k]) else float(chunk.margin[k]),
                "unit": next(each.unit for each in BOOK.rules if each.id == chunk.rules[rule]),
                "reason": chunk.words[chunk.reason[k]].reason,
            }
            rows.append(row)
    return rows


def written(chunks: list[Verdicts], kind: Any) -> bytes:
    sink = io.BytesIO()
    writer = ResultWriter(sink, kind)
    for chunk in chunks:
        writer.write(chunk)
    writer.close()
    return sink.getvalue()


CHUNKS = st.lists(st.lists(st.none() | TEXT, min_size=1, max_size=6), min_size=1, max_size=3)


@given(CHUNKS)
@settings(deadline=None)
def test_json_lines_say_what_was_found(serials: list[list[str | None]]) -> None:
    chunks = [verdicts(part, 1 + 10 * k) for k, part in enumerate(serials)]
    lines = written(chunks, "ndjson").decode("utf-8").split("\n")
    assert lines.pop() == ""
    assert [json.loads(line) for line in lines] == expected(chunks)


@given(CHUNKS)
@settings(deadline=None)
def test_parquet_says_what_was_found(serials: list[list[str | None]]) -> None:
    chunks = [verdicts(part, 1 + 10 * k) for k, part in enumerate(serials)]
    assert parquet.read_table(io.BytesIO(written(chunks, "parquet"))).to_pylist() == expected(chunks)


@given(CHUNKS)
@settings(deadline=None)
def test_csv_says_what_was_found_and_no_cell_is_a_formula(serials: list[list[str | None]]) -> None:
    chunks = [verdicts(part, 1 + 10 * k) for k, part in enumerate(serials)]
    text = written(chunks, "csv").decode("utf-8")
    found = list(csv.DictReader(io.StringIO(text, newline="")))
    for row, wanted in zip(found, expected(chunks), strict=True):
        assert row.keys() == wanted.keys()
        for name, cell in row.items():
            value = wanted[name]
            if name == "margin" and value is not None:
                assert float(cell) == value
                continue
            assert cell.removeprefix(GUARD) == ("" if value is None else str(value)).removeprefix(GUARD)
            assert cell[:1] not in FORMULA or NUMBER.fullmatch(cell)


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        ("=1+1", "'=1+1"), ("+a", "'+a"), ("-a", "'-a"), ("@a", "'@a"), ("\ta", "'\ta"), ("-12.5", "-12.5"),
        ("+1", "+1"), ("-1+1", "'-1+1"), ("=1,2", "\"'=1,2\""), ('a"b', '"a""b"'), ("plain", "plain"),
        (None, ""), ("'=a", "'=a"),
    ],
)  # fmt: skip
def test_texts_a_spreadsheet_would_calculate_are_guarded(text: str | None, cell: str) -> None:
    assert csv_cells(pa.array([text], pa.string())).to_pylist() == [cell]


def test_the_first_rows_leave_before_the_last_are_judged() -> None:
    sink = io.BytesIO()
    writer = ResultWriter(sink, "ndjson")
    writer.write(verdicts(["a", "b"]))
    assert len(sink.getvalue().splitlines()) == 2


def test_unknown_formats_are_refused() -> None:
    with pytest.raises(ValueError, match="file_format"):
        ResultWriter(io.BytesIO(), "xml")  # type: ignore[arg-type]
    assert COLUMNS[0] == "row"
