"""What the tests of lots' files share: plain rows written in every format, and a lot judged whole."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
import pytest
from openpyxl import Workbook
from pyarrow import parquet

from ballgauge_schemas import LOT_REQUEST
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.lot.answer import plain
from ballgauge_service.lot.evaluate import Lot
from ballgauge_service.lot.judging.verdicts import Verdicts
from ballgauge_service.lot.reading.options import ReadingOptions
from ballgauge_service.lot.request import read_request
from ballgauge_service.rulebooks import OUTCOMES, Decision, edition

ON = date(2026, 5, 1)


class Judged(NamedTuple):
    """A lot judged whole: one entry a ball, and what was counted of all."""

    balls: list[dict[str, Any]]
    report: dict[str, Any]

    @property
    def rows(self) -> list[int]:
        return [ball["row"] for ball in self.balls]

    @property
    def notes(self) -> list[tuple[int, str | None, str]]:
        return [(note["row"], note["column"], note["detail"]) for note in self.report["notes"]]


def unfolded(verdicts: Verdicts) -> list[dict[str, Any]]:
    serials = [None] * len(verdicts) if verdicts.serial is None else verdicts.serial.to_pylist()
    return [
        {
            "row": int(verdicts.rows[k]),
            "serial": serials[k],
            "outcome": OUTCOMES[verdicts.outcome[k]],
            "rule": None if verdicts.rule[k] < 0 else verdicts.rules[verdicts.rule[k]],
            "margin": None if np.isnan(verdicts.margin[k]) else float(verdicts.margin[k]),
            "reason": verdicts.words[verdicts.reason[k]].reason,
            "rules": {
                rule: OUTCOMES[codes[k]]
                for rule, codes in zip(verdicts.rules, verdicts.by_rule, strict=True)
                if codes[k] >= 0
            },
        }
        for k in range(len(verdicts))
    ]


def judge(
    data: bytes,
    *,
    decision: Decision | None = None,
    uncertainties: dict[str, float] | None = None,
    stage: Any = "play",
    body: str = "usbc",
    on: date = ON,
    **options: Any,
) -> Judged:
    request = replace(
        read_request(LOT_REQUEST.load({})),
        edition=edition(body, on, stage, None),
        decision=decision or Decision(),
        uncertainties=uncertainties or {},
        file=ReadingOptions(**options),
    )
    with Lot(io.BytesIO(data), None, request) as lot:
        balls = [ball for verdicts in lot for ball in unfolded(verdicts)]
        return Judged(balls, counted(lot))


def counted(lot: Lot) -> dict[str, Any]:
    """What a lot adds up to, without the statistics of its answer."""
    notes, totals = lot.notes, lot.totals
    repeated, listed = totals.serials.repeated()
    return {
        "left_out": notes.left_out,
        "left_out_by_column": notes.by_column,
        "notes": plain(notes.listed),
        "blank_rows": notes.blank,
        "balls": totals.balls,
        "outcomes": totals.outcomes.tolist(),
        "rules": {rule: found.tolist() for rule, found in totals.by_rule.items()},
        "quantities": {
            name: {
                "mean": sums.mean,
                "standard_deviation": sums.standard_deviation,
                "minimum": sums.lowest,
                "maximum": sums.highest,
                "bins": sums.bins.tolist(),
            }
            for name, sums in totals.quantities.items()
        },
        "repeated_serials": {
            "count": repeated,
            "listed": [{"row": row, "first_row": first} for row, first in listed],
        },
        "file": plain(lot.file.found),
    }


def table_of(rows: Sequence[dict[str, Any]]) -> tuple[list[str], list[list[Any]]]:
    names = list(dict.fromkeys(name for row in rows for name in row))
    return names, [[row.get(name) for name in names] for row in rows]


def written(rows: Sequence[dict[str, Any]], kind: str, *, separator: str = ",", decimal: str = ".") -> bytes:
    """The rows as a file; a missing cell is empty."""
    if kind == "ndjson":
        return "".join(json.dumps(row) + "\n" for row in rows).encode()
    names, cells = table_of(rows)
    if kind == "csv":
        return _csv(names, cells, separator, decimal)
    if kind == "xlsx":
        return workbook([names, *cells])
    sink = io.BytesIO()
    columns = {name: pa.array([row[k] for row in cells]) for k, name in enumerate(names)}
    parquet.write_table(pa.table(columns), sink)
    return sink.getvalue()


def _csv(names: list[str], cells: list[list[Any]], separator: str, decimal: str) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=separator)
    writer.writerow(names)
    for row in cells:
        writer.writerow([_shown(cell, decimal) for cell in row])
    return text.getvalue().encode()


def _shown(cell: Any, decimal: str) -> str:
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return str(cell).lower()
    return repr(cell).replace(".", decimal) if isinstance(cell, float) else str(cell)


def workbook(rows: Sequence[Sequence[Any]]) -> bytes:
    book = Workbook()
    assert book.active is not None
    for row in rows:
        book.active.append(list(row))
    sink = io.BytesIO()
    book.save(sink)
    return sink.getvalue()


@pytest.fixture(name="judge", scope="session")
def judge_fixture() -> Callable[..., Judged]:
    """Judges the bytes of a file: options of the reading and of the judging by name."""
    return judge


@pytest.fixture(name="written", scope="session")
def written_fixture() -> Callable[..., bytes]:
    """Writes rows as a file of a format."""
    return written


@pytest.fixture(name="workbook", scope="session")
def workbook_fixture() -> Callable[..., bytes]:
    """Writes rows of cells as a workbook."""
    return workbook


@pytest.fixture(scope="session")
def refused() -> Callable[..., list[dict[str, Any]]]:
    """What a file is refused with: `detail` and, where known, `row`, `column`, `suggestion`."""

    def details(data: bytes, **options: Any) -> list[dict[str, Any]]:
        with pytest.raises(InvalidInput) as caught:
            judge(data, **options)
        assert {fault.pointer for fault in caught.value.faults} == {"/file"}
        return [
            {"detail": fault.words}
            | {name: place for name in ("row", "column", "suggestion") if (place := getattr(fault, name))}
            for fault in caught.value.faults
        ]

    return details
