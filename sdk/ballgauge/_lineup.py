"""Line-ups: balls beside one another, and the sheet."""

from __future__ import annotations

import base64
import io
import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ballgauge import _encoding
from ballgauge import _files as files
from ballgauge._design import LINES, Events, Progress
from ballgauge._failures import foreign
from ballgauge._http import JSON, Request, Steps, document_in, request_id
from ballgauge._motion import PATIENCE
from ballgauge._values import Result, Table
from ballgauge_schemas.shared.words import SHEET_FORMATS

if TYPE_CHECKING:
    from ballgauge import types


class LineupResult(Result, init=False):
    """Balls beside one another, a row for each bowler.

    `bowlers` has a row each: `places` says where every ball reads and what it covers, `differences` how it
    differs from `reference` and why, with a `sentence`; `pair`, `partners`, `openings` what to take.
    """

    reference: str
    balls: tuple[types.LineupNumbers, ...]
    columns: tuple[types.LineupColumn, ...]
    bowlers: tuple[types.LineupRow, ...]
    deliveries: int
    seed: int
    cautions: tuple[types.Caution, ...]
    assumptions: tuple[str, ...]
    definitions: Table[str]
    units: Table[str]
    sheets: Table[Any] | None


def ask(
    request: Mapping[str, Any], report: str | os.PathLike[str] | None, progress: Progress | None
) -> Steps[LineupResult]:
    """See `Client.lineup`."""
    kind = kind_of(report)
    if report is not None:
        files.require_place(report)
    body = _encoding.encode(request if kind is None else with_sheet(request, kind))
    if progress is None:
        answer = yield Request("POST", "/v1/lineups", body, JSON, JSON, PATIENCE)
        document = document_in(answer)
    else:
        events = Events(progress)
        answer = yield Request("POST", "/v1/lineups", body, JSON, LINES, PATIENCE, taken=events.take)
        document = events.result(answer)
    if report is not None and kind is not None:
        try:
            sheet = document["sheets"][kind]
            page = base64.b64decode(sheet) if kind == "pdf" else sheet.encode()
        except (KeyError, TypeError, ValueError, AttributeError):
            raise foreign(answer) from None
        files.write(report, io.BytesIO(page))
    return LineupResult(document, request_id(answer))


def kind_of(report: str | os.PathLike[str] | None) -> str | None:
    """The format of a sheet by the end of its name. Raises ValueError for another."""
    if report is None:
        return None
    kind = Path(report).suffix.lower().removeprefix(".")
    if kind not in SHEET_FORMATS:
        raise ValueError(f"a sheet is written as .html, .pdf or .svg; got {Path(report).name!r}")
    return kind


def with_sheet(request: Mapping[str, Any], kind: str) -> Mapping[str, Any]:
    """The request with a sheet of this kind asked for; what is none is left to the service."""
    sheet = request.get("sheet", {})
    return {**request, "sheet": {**sheet, "formats": [kind]}} if isinstance(sheet, Mapping) else request
