"""Motions: what is asked of a ball on the lane, and what the service says."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import requests

from ballgauge import _encoding
from ballgauge._errors import Failure, Problem, ServiceError, ServiceUnreachable, failure
from ballgauge._results import Record, _frozen

if TYPE_CHECKING:
    from ballgauge._client import Client

PATIENCE = 300.0
"""Seconds to wait for the answer (ours): the engine compiles its kernels at its first motion."""


@dataclass(frozen=True)
class MotionResult:
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
    raw: Mapping[str, Any] = field(repr=False, compare=False)

    @property
    def ending(self) -> str:
        """Where the path ended: pins, gutter, stopped, unresolved or timed_out."""
        return str(self.motion["ending"])

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> MotionResult:
        """Read one answer of /v1/motions."""
        return cls(
            ball=Record(document["ball"]),
            bowler=Record(document["bowler"]),
            lane=Record(document["lane"]),
            motion=Record(document["motion"]),
            spread=_frozen(document["spread"]),
            line_map=_frozen(document["line_map"]),
            surface_change=_frozen(document["surface_change"]),
            explain=_frozen(document["explain"]),
            cautions=_frozen(document["cautions"]),
            assumptions=_frozen(document["assumptions"]),
            units=Record(document["units"]),
            raw=document,
        )


def ask(client: Client, request: Mapping[str, Any]) -> MotionResult:
    """See `Client.motion`."""
    answer = send(client, _encoding.encode(request), "application/json")
    try:
        return MotionResult.from_document(json.loads(answer))
    except (ValueError, KeyError, TypeError, AttributeError):
        raise ServiceError(_not_ours(200, None)) from None


def picture(client: Client, request: Mapping[str, Any]) -> str:
    """See `Client.motion_picture`."""
    return send(client, _encoding.encode(request), "text/html").decode("utf-8", "replace")


def send(client: Client, body: bytes, wanted: str) -> bytes:
    """Send a request as it is and give the answer's body, of the type that is wanted."""
    try:
        response = client._session.post(
            f"{client._url}/v1/motions",
            data=body,
            headers={"Content-Type": "application/json", "Accept": wanted},
            timeout=(client._timeout, max(client._timeout, PATIENCE)),
            allow_redirects=False,
        )
    except requests.RequestException as error:
        raise ServiceUnreachable(f"{client._url} gives no whole answer: {error}") from error
    if response.status_code != 200:
        raise _failure(response)
    if response.headers.get("Content-Type", "").split(";")[0] != wanted:
        raise ServiceError(_not_ours(200, response.headers.get("X-Request-Id")))
    return response.content


def _failure(response: requests.Response) -> Failure:
    status, request_id = response.status_code, response.headers.get("X-Request-Id")
    try:
        problem = Problem.from_document(json.loads(response.content), status, request_id)
    except (ValueError, KeyError, TypeError, AttributeError):
        problem = _not_ours(status, request_id)
    return failure(problem, status)


def _not_ours(status: int, request_id: str | None) -> Problem:
    return Problem(status, "", "the answer is not one of this service's, or not whole", request_id, ())
