"""Motions: what is asked of a ball on the lane, and what the service says."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from ballgauge import _drawn as drawn
from ballgauge import _encoding
from ballgauge._failures import Answer, foreign
from ballgauge._http import JSON, Request, Steps, document_in, request_id
from ballgauge._values import Result, Table

if TYPE_CHECKING:
    from ballgauge import types

PICTURES = {"html": "text/html", "svg": "image/svg+xml"}

PATIENCE = 300.0
"""Seconds to wait for the answer (ours): the engine compiles its kernels at its first motion."""


class MotionResult(Result, init=False):
    """One delivery, and the studies that were asked for; those that were not are None.

    `motion` has the delivery: ``result.motion.entry.board``, ``.phases.skid_end``, ``.flare.width``; where
    the ball did not come to the pins, `ending` says what became of it and the entry is None. `units` has the
    unit of every name.
    """

    ball: Table[Any]
    bowler: Table[Any]
    marks: Table[Any] | None
    lane: Table[Any]
    motion: Table[Any]
    spread: Table[Any] | None
    line_map: Table[Any] | None
    surface_change: tuple[Table[Any], ...] | None
    squad: Table[Any] | None
    calibration: Table[Any] | None
    explain: Table[Any] | None
    cautions: tuple[types.Caution, ...]
    assumptions: tuple[str, ...]
    units: Table[str]

    @property
    def ending(self) -> str:
        """Where the path ended: pins, gutter, stopped, unresolved or timed_out."""
        return str(self.motion["ending"])

    def _picture(self) -> str:
        return drawn.path(self.raw["motion"])


PASSAGE = ("distance", "time", "speed", "board")
"""Columns of a passage in a file of shots; `release.speed` and the like tell of the release."""


def shots(text: str) -> list[types.Shot]:
    """Read a CSV of shots, one row a passage, for `calibrate.shots` of a request.

    Columns: shot (rows of one shot have one value), distance [ft], and time [s], speed [mph], board, as far
    as they were read; `release.speed`, `release.rev_rate` and so on, which one row of a shot tells. Raises
    ValueError, naming line and column, for what is none.
    """
    rows = csv.reader(io.StringIO(text))
    head = [name.strip() for name in next(rows, [])]
    unknown = [n for n in head if n not in ("shot", *PASSAGE) and not n.startswith("release.")]
    if unknown or "shot" not in head or "distance" not in head or len(set(head)) < len(head):
        raise ValueError(f"line 1: columns are shot, {', '.join(PASSAGE)}, release.*, each once; got {head}")
    found: dict[str, Any] = {}
    for row in rows:
        if not any(cell.strip() for cell in row):
            continue
        if len(row) != len(head):
            raise ValueError(f"line {rows.line_num}: {len(row)} cells under {len(head)} columns")
        cells = {name: cell.strip() for name, cell in zip(head, row, strict=True)}
        shot = found.setdefault(cells.pop("shot"), {"release": {}, "passages": []})
        numbers = {n: _number(cell, f"line {rows.line_num}, {n}") for n, cell in cells.items() if cell}
        shot["passages"].append({name: numbers[name] for name in PASSAGE if name in numbers})
        release = {name.removeprefix("release."): v for name, v in numbers.items() if name not in PASSAGE}
        if any(shot["release"].get(name, value) != value for name, value in release.items()):
            raise ValueError(f"line {rows.line_num}: another release than the shot's rows before")
        shot["release"] |= release
    return list(found.values())


def _number(cell: str, place: str) -> float:
    try:
        return float(cell)
    except ValueError:
        raise ValueError(f"{place}: must be a number; got {cell!r}") from None


def ask(request: Mapping[str, Any]) -> Steps[MotionResult]:
    """See `Client.motion`."""
    answer = yield from sent(_encoding.encode(request), JSON)
    return MotionResult(document_in(answer), request_id(answer))


def picture(request: Mapping[str, Any], kind: str) -> Steps[str]:
    """See `Client.motion_picture`."""
    if kind not in PICTURES:
        raise ValueError(f"a picture is html or svg; got {kind!r}")
    return (yield from sent(_encoding.encode(request), PICTURES[kind])).content.decode("utf-8", "replace")


def sent(body: bytes, wanted: str) -> Steps[Answer]:
    """Send a request as it is and give the answer, of the type that is wanted."""
    response = yield Request("POST", "/v1/motions", body, accept=wanted, patience=PATIENCE)
    if response.headers.get("Content-Type", "").partition(";")[0] != wanted:
        raise foreign(response)
    return response
