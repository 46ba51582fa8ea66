"""Motions: what is asked of a ball on the lane, and what the service says."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ballgauge import _encoding
from ballgauge._failures import foreign
from ballgauge._http import JSON, Http, Request, document_of
from ballgauge._values import Record, Result

PICTURE = "text/html"

PATIENCE = 300.0
"""Seconds to wait for the answer (ours): the engine compiles its kernels at its first motion."""


class MotionResult(Result, init=False):
    """One delivery, and the studies that were asked for; those that were not are None.

    `motion` has the delivery: ``result.motion.entry.board``, ``.phases.skid_end``, ``.flare.width``; where
    the ball did not come to the pins, `ending` says what became of it and the entry is None. `units` has the
    unit of every name.
    """

    ball: Record
    bowler: Record
    lane: Record
    motion: Record
    spread: Record | None
    line_map: Record | None
    surface_change: tuple[Record, ...] | None
    explain: Record | None
    cautions: tuple[Record, ...]
    assumptions: tuple[str, ...]
    units: Record

    @property
    def ending(self) -> str:
        """Where the path ended: pins, gutter, stopped, unresolved or timed_out."""
        return str(self.motion["ending"])


def ask(http: Http, request: Mapping[str, Any]) -> MotionResult:
    """See `Client.motion`."""
    return MotionResult(document_of(send(http, _encoding.encode(request), JSON)))


def picture(http: Http, request: Mapping[str, Any]) -> str:
    """See `Client.motion_picture`."""
    return send(http, _encoding.encode(request), PICTURE).decode("utf-8", "replace")


def send(http: Http, body: bytes, wanted: str) -> bytes:
    """Send a request as it is and give the answer's body, of the type that is wanted."""
    response = http.send(Request("POST", "/v1/motions", body, accept=wanted, patience=PATIENCE))
    if response.headers.get("Content-Type", "").partition(";")[0] != wanted:
        raise foreign(response)
    return response.content
