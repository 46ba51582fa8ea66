"""Lots at scale: against pandera, a marshmallow loop, pyarrow and the single check, and peak memory."""

from __future__ import annotations

import datetime
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

# One core for all that is compared: polars takes every core it finds, at its import.
os.environ["POLARS_MAX_THREADS"] = "1"

import numpy as np
import pandas as pd
import pandera.pandas as pandera
import pandera.polars as pandera_polars
import polars as pl
import pyarrow as pa
import pytest
from marshmallow import Schema, ValidationError, fields
from numpy.typing import NDArray
from pyarrow import csv as arrow_csv
from pyarrow import parquet

from ballgauge_schemas import CHECK_REQUEST, LOT_REQUEST
from ballgauge_service.check.evaluate import evaluate_checks
from ballgauge_service.lot.evaluate import Lot
from ballgauge_service.lot.judging.verdicts import Verdicts, judge_balls
from ballgauge_service.lot.reading.columns import Balls
from ballgauge_service.lot.report.page import write_report
from ballgauge_service.lot.report.rows import COLUMNS, ResultWriter
from ballgauge_service.lot.request import read_request
from ballgauge_service.rulebooks import Decision, edition

BALLS = 1_000_000
FAILING = 0.01
ALONE = 300
LOOPED = 5000
FASTER = 500.0
FILE_LIMITS = {"csv": 2.0, "parquet": 3.0}
MEMORY_LIMIT = 840 << 20
ON = datetime.date(2026, 5, 1)
BOOK = edition("usbc", ON, "approval", None)

# Limits of the rulebook on ON, and a value well inside and one well outside of each.
LIMITS: dict[str, tuple[float | None, float | None, tuple[float, float], tuple[float, float]]] = {
    "weight": (None, 16.0, (14.0, 15.9), (16.1, 17.0)),
    "circumference": (26.704, 27.002, (26.75, 26.98), (27.01, 27.2)),
    "roundness": (None, 0.010, (0.0, 0.009), (0.011, 0.02)),
    "rg": (2.46, 2.8, (2.47, 2.75), (2.3, 2.45)),
    "differential": (None, 0.06, (0.01, 0.058), (0.061, 0.07)),
    "hardness": (73.0, None, (74.0, 80.0), (60.0, 71.5)),
    "friction": (None, 0.32, (0.1, 0.3), (0.33, 0.4)),
    "restitution": (0.65, 0.78, (0.66, 0.77), (0.79, 0.85)),
    "max_density": (None, 3.8, (2.0, 3.7), (3.85, 5.0)),
    "oil_absorption_time": (135.0, None, (200.0, 900.0), (50.0, 130.0)),
}


def measured(size: int) -> dict[str, NDArray[np.float64]]:
    """Ten columns, of each of which one cell in a hundred is outside its limits, as a gauge writes them."""
    chance = np.random.default_rng(7)
    columns = {}
    for name, (_, _, inside, outside) in LIMITS.items():
        values = chance.uniform(*inside, size)
        wrong = chance.random(size) < FAILING
        values[wrong] = chance.uniform(*outside, int(wrong.sum()))
        columns[name] = np.round(values, 4)
    return columns


@pytest.fixture(scope="module")
def columns() -> dict[str, NDArray[np.float64]]:
    return measured(BALLS)


def judged(columns: dict[str, NDArray[np.float64]]) -> Verdicts:
    size = len(columns["weight"])
    approved = np.full(size, "2024-03-01", "datetime64[D]")
    return judge_balls(Balls(np.arange(size), None, columns, {}, approved), BOOK, Decision())


def compared(columns: dict[str, NDArray[np.float64]]) -> int:
    wrong = np.zeros(len(columns["weight"]), dtype=np.bool_)
    for name, (low, high, _, _) in LIMITS.items():
        if low is not None:
            wrong |= columns[name] < low
        if high is not None:
            wrong |= columns[name] > high
    return int(wrong.sum())


def checks(library: Any, low: float | None, high: float | None) -> list[Any]:
    return [
        *([] if low is None else [library.Check.ge(low)]),
        *([] if high is None else [library.Check.le(high)]),
    ]


def failing_cells(library: Any, frame: Any, errors: type[Exception]) -> int:
    """How many cells pandera finds failing, looking at every column."""
    schema = library.DataFrameSchema(
        {
            name: library.Column(float, checks(library, low, high))
            for name, (low, high, _, _) in LIMITS.items()
        }
    )
    try:
        schema.validate(frame, lazy=True)
    except errors as found:
        return len(found.failure_cases)  # type: ignore[attr-defined]
    return 0


def looped(rows: list[dict[str, float]], schema: Schema) -> int:
    """How many balls a loop finds failing: marshmallow reads each row, then Python compares."""
    wrong = 0
    for row in rows:
        try:
            ball = schema.load(row)
        except ValidationError:
            wrong += 1
            continue
        for name, (low, high, _, _) in LIMITS.items():
            if (low is not None and ball[name] < low) or (high is not None and ball[name] > high):
                wrong += 1
                break
    return wrong


def rows_of(columns: dict[str, NDArray[np.float64]], count: int) -> list[dict[str, float]]:
    return [
        dict(zip(columns, row, strict=True)) for row in np.column_stack([*columns.values()])[:count].tolist()
    ]


MILLION, JUDGED = "verdicts on a million balls", "lots.verdicts.judge_balls"


def test_a_million_balls_are_judged_sooner_than_pandera_says_pass_or_fail(
    columns: dict[str, NDArray[np.float64]], versus: Any
) -> None:
    frame = pd.DataFrame(columns)
    assert int((judged(columns).outcome == 3).sum()) == compared(columns)
    versus.race(
        MILLION,
        (JUDGED, versus.named("pandera", "pandas")),
        lambda: judged(columns),
        lambda: failing_cells(pandera, frame, pandera.errors.SchemaErrors),
        1.0,
        rounds=3,
    )


def test_the_others_that_judge_columns_are_reported(
    columns: dict[str, NDArray[np.float64]], versus: Any
) -> None:
    """pandera on polars and bare comparisons tell no rule, limit or reason: shown, and held to nothing."""
    frame = pl.DataFrame(columns)
    versus.race(
        MILLION,
        (JUDGED, f"{versus.named('pandera', 'polars')}, one thread"),
        lambda: judged(columns),
        lambda: failing_cells(pandera_polars, frame, pandera_polars.errors.SchemaErrors),
        None,
        rounds=3,
    )
    versus.race(
        MILLION,
        (JUDGED, f"{versus.named('numpy')}: bare comparisons"),
        lambda: judged(columns),
        lambda: compared(columns),
        None,
        rounds=3,
    )


def test_a_loop_over_rows_takes_hundreds_of_times_as_long(
    columns: dict[str, NDArray[np.float64]], versus: Any
) -> None:
    """A loop as one would write it, and single checks, on the first balls of the same million."""
    schema = Schema.from_dict({name: fields.Float(required=True) for name in LIMITS})()
    rows = rows_of(columns, LOOPED)
    first = {name: values[:LOOPED] for name, values in columns.items()}
    assert looped(rows, schema) == compared(first)
    versus.race(
        f"{MILLION}, a ball",
        (JUDGED, f"{versus.named('marshmallow')} and comparisons, a loop"),
        lambda: judged(columns),
        lambda: looped(rows, schema),
        100.0,
        rounds=3,
        shares=(BALLS, LOOPED),
    )
    checks = [{"ball": row, "rules": {"on": str(ON), "stage": "play"}} for row in rows[:ALONE]]
    versus.race(
        f"{MILLION}, a ball",
        (JUDGED, "our own single check, a loop"),
        lambda: judged(columns),
        lambda: [evaluate_checks([CHECK_REQUEST.load(check)]) for check in checks],
        FASTER,
        rounds=3,
        shares=(BALLS, ALONE),
    )


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_a_file_is_judged_within_the_time_of_reading_and_writing_it(
    kind: Any, columns: dict[str, NDArray[np.float64]], tmp_path: Path, versus: Any
) -> None:
    """The peer reads the same columns, writes as many of them, and does nothing else.

    It has no rules, reasons, sums, digests of the file and of its serials, curves, report, nor a process that
    unpacks texts within limits first.
    """
    table = pa.table({"serial": [f"OW{k:08d}" for k in range(BALLS)], **columns})
    source = tmp_path / f"lot.{kind}"
    write: dict[str, Callable[..., Any]] = {"csv": arrow_csv.write_csv, "parquet": parquet.write_table}
    read: dict[str, Callable[..., Any]] = {"csv": arrow_csv.read_csv, "parquet": parquet.read_table}
    write[kind](table, source)

    def theirs() -> None:
        found = read[kind](source)
        write[kind](found.select(found.column_names[: len(COLUMNS)]), tmp_path / "copy")

    def ours() -> None:
        request = read_request(LOT_REQUEST.load({"rules": {"on": str(ON), "stage": "play"}}))
        with Lot(str(source), None, request) as lot, (tmp_path / "result").open("wb") as sink:
            writer = ResultWriter(sink, kind)
            for verdicts in lot:
                writer.write(verdicts)
            writer.close()
            (tmp_path / "report.html").write_text(write_report(lot.answer()))
            assert lot.totals.balls == BALLS

    names = ("read, judged, rows and report written", f"{versus.named('pyarrow')}: read and write")
    versus.race(f"a {kind} file of a million balls", names, ours, theirs, 1.0 / FILE_LIMITS[kind], rounds=3)


STREAMED = """
import json, sys
from ballgauge_schemas import LOT_REQUEST
from ballgauge_service.lot.evaluate import Lot
from ballgauge_service.lot.report.page import write_report
from ballgauge_service.lot.report.rows import ResultWriter
from ballgauge_service.lot.request import read_request

kind, rows, path = sys.argv[1], int(sys.argv[2]), sys.argv[3]

class Lines:
    '''CSV of any length, made as it is read: one block of rows, its serials changed from block to block.'''
    def __init__(self, block, count):
        self.parts = (block.replace(b"@@@@", b"%04d" % k) for k in range(count))
        self.left = b"serial,weight,circumference,roundness,rg,differential,hardness,friction,restitution,"
        self.left += b"max_density,oil_absorption_time\\n"
    def read(self, size):
        if not self.left:
            self.left = next(self.parts, b"")
        given, self.left = self.left[:size], self.left[size:]
        return given

row = b"OW@@@@%06d,15.06,26.95,0.004,2.49,0.048,75,0.24,0.72,2.8,660\\n"
block = b"".join(row % k for k in range(10_000))
source = Lines(block, rows // 10_000) if kind == "csv" else path
request = read_request(LOT_REQUEST.load({"rules": {"on": "2026-05-01", "stage": "play"}}))
with Lot(source, None, request) as lot, open(path + ".result", "wb") as sink:
    writer = ResultWriter(sink, "parquet")
    for verdicts in lot:
        writer.write(verdicts)
    writer.close()
    answer = lot.answer()
# Of this program alone: the kernel's other count of peak memory begins with that of whoever started it.
status = dict(line.split(":", 1) for line in open("/proc/self/status"))
peak = int(status["VmHWM"].split()[0]) * 1024
repeats = answer["left_out"]["repeated_serials"]["count"]
print(json.dumps({"peak": peak, "balls": answer["counts"]["balls"], "repeats": repeats}))
"""


def streamed(kind: str, rows: int, path: Path) -> int:
    """Peak memory [byte] of a process that judges a lot of so many rows."""
    command = [sys.executable, "-c", STREAMED, kind, str(rows), str(path)]
    found = json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
    assert (found["balls"], found["repeats"]) == (rows, 0)
    return int(found["peak"])


def test_ten_million_rows_stay_well_under_a_gibibyte(
    columns: dict[str, NDArray[np.float64]], tmp_path: Path, versus: Any
) -> None:
    path = tmp_path / "lot.parquet"
    block = pa.table(columns)
    with parquet.ParquetWriter(path, pa.schema([("serial", pa.string()), *block.schema])) as writer:
        for k in range(10):
            serial = pa.array([f"{k}{n:07d}" for n in range(BALLS)])
            writer.write_table(pa.table([serial, *block.columns], ["serial", *block.column_names]))
    peak = streamed("parquet", 10 * BALLS, path)
    versus.hold(
        "memory of 10 million rows of Parquet", "peak of the process", "840 MiB", [MEMORY_LIMIT / peak], 1
    )


def test_memory_of_streamed_csv_does_not_grow_beyond_its_serials(tmp_path: Path, versus: Any) -> None:
    small, large = (streamed("csv", rows, tmp_path / "lot") for rows in (BALLS // 2, 3 * BALLS // 2))
    each = max(large - small, 0) / BALLS
    whole = small + 10 * BALLS * each
    versus.hold(
        "memory of 10 million rows of CSV",
        "peak, from 0.5 and 1.5 million",
        "840 MiB",
        [MEMORY_LIMIT / whole],
        1,
    )
