"""Refusals: every answer that is not a result, as problem details (RFC 9457)."""

from __future__ import annotations

import errno
import logging
from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

from marshmallow import ValidationError

from ballgauge_schemas.shared.limits import BODY_MAXIMUM, ERRORS_MAXIMUM
from ballgauge_schemas.shared.problems import (
    BLANK_TYPE,
    MEDIA_TYPE,
    TYPES,
    Problem,
    validation_problem,
)
from ballgauge_service.core import extras
from ballgauge_service.core.budget import DeadlinePassed, NobodyWaits
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.web.http import serializer

if TYPE_CHECKING:
    from flask import Flask, Response

STATUS_WORDS = {
    404: "not found; /openapi.json lists every address",
    405: "method not allowed here; the header Allow lists those that are",
    413: f"the body is larger than {BODY_MAXIMUM >> 20} MiB; send several smaller requests, and meshes as "
    "files of a form",
}

_NO_ROOM = frozenset((errno.ENOSPC, errno.EDQUOT, errno.EFBIG))
_log = logging.getLogger("ballgauge_service.errors")


class Refusal(Exception):
    """A request that is answered with a problem.

    detail: what is wrong, for a person; errors: each bad field as the problem has it; title: by default the
    status in words
    """

    def __init__(
        self,
        status: int,
        detail: str,
        errors: Sequence[Mapping[str, Any]] = (),
        headers: Mapping[str, str] | None = None,
        title: str = "",
    ) -> None:
        super().__init__(detail)
        self.status = status
        self.detail = detail
        self.errors = errors
        self.headers = headers or {}
        self.title = title
        self.key: str | None = None
        """Id of the access key that asked, where it is known by then."""


def register(app: Flask) -> None:
    """Answer whatever an address raises with problem details."""
    app.register_error_handler(Exception, _answer)


def _answer(error: Exception) -> Response:
    from flask import g

    refusal = refusal_of(error, g.get("request_id"))
    told = problem(refusal, g.get("request_id"), g.get("key_id"))
    response = serializer.respond(told, refusal.status, MEDIA_TYPE)
    response.headers.update(refusal.headers)
    return response


def impossible(error: InvalidInput, items: str = "") -> Refusal:
    """The refusal of what cannot be computed; `items` points at the array that a batch's faults count in."""
    of_file = any(fault.pointer == "/file" for fault in error.faults)
    subject = "the file cannot be judged" if of_file else "the request is impossible"
    return Refusal(422, f"{subject}; see errors", [_field_error(fault, items) for fault in error.faults])


def refusal_of(error: BaseException, request_id: str | None) -> Refusal:
    """The refusal that an error is answered with; one that nobody foresaw is logged."""
    if isinstance(error, Refusal):
        return error
    if isinstance(error, ValidationError):
        told = validation_problem(error.messages)
        return Refusal(told.status, told.detail or "", told.errors or (), title=told.title)
    if isinstance(error, InvalidInput):
        return impossible(error)
    # Deferred: whoever only checks balls has met neither.
    from werkzeug.exceptions import HTTPException

    from ballgauge_service.core.bulk import BulkUnavailable

    if isinstance(error, HTTPException):
        status, allowed = error.code or 500, getattr(error, "valid_methods", None)
        headers = {"Allow": ", ".join(sorted(allowed))} if allowed else {}
        return Refusal(status, STATUS_WORDS.get(status) or error.description or "", headers=headers)
    if isinstance(error, DeadlinePassed):
        if not isinstance(error, NobodyWaits):
            _count("deadline")
        return Refusal(503, str(error), headers={"Retry-After": "60"})
    if isinstance(error, BulkUnavailable):
        return Refusal(503, str(error), headers={"Retry-After": "10"})
    lacking = extras.missing(error) if isinstance(error, ModuleNotFoundError) else None
    if lacking is not None:
        return Refusal(501, lacking)
    if isinstance(error, OSError) and error.errno in _NO_ROOM:
        _count("no_room")
        _log.error("no room for temporary files", exc_info=error, extra={"request_id": request_id})
        return Refusal(507, "no disk space for temporary files; retry later, or send less")
    _log.error("unforeseen error", exc_info=error, extra={"request_id": request_id})
    return Refusal(500, "internal error; the service's log has the cause under this request id")


def _field_error(fault: Fault, items: str) -> dict[str, Any]:
    pointer = f"{items}/{fault.index}{fault.pointer}" if items else fault.pointer
    places = {"row": fault.row, "column": fault.column, "suggestion": fault.suggestion}
    known = {name: place for name, place in places.items() if place is not None}
    return {"pointer": pointer, "detail": fault.words, **known}


def _count(reason: str) -> None:
    # Deferred: the first process of a server loads this module before it names the folder of the metrics.
    from ballgauge_service.web.http import metrics

    metrics.turned_away(reason)


def problem_of(error: BaseException, request_id: str | None) -> dict[str, Any]:
    """The problem details of what an error is answered with, in the place of an answer that has begun."""
    return problem(refusal_of(error, request_id), request_id)


def problem(refusal: Refusal, request_id: str | None, key: str | None = None) -> dict[str, Any]:
    """The problem details of a refusal, as JSON has them; `key`: id of the access key that asked."""
    listed, status = list(map(dict, refusal.errors)), refusal.status
    # One more than the most: the schemas end a list that they cut with an entry that counts the rest.
    if len(listed) > ERRORS_MAXIMUM + 1:
        rest = {"pointer": "", "detail": f"{len(listed) - ERRORS_MAXIMUM} more errors"}
        listed[ERRORS_MAXIMUM:] = [rest]
    return Problem(
        status=status,
        title=refusal.title or HTTPStatus(status).phrase,
        type=TYPES.get(status, BLANK_TYPE),
        detail=refusal.detail,
        request_id=request_id,
        errors=tuple(listed) or None,
        key=key,
    ).to_dict()
