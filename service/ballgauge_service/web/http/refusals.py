"""Refusals: every answer that is not a result, as problem details (RFC 9457)."""

from __future__ import annotations

import errno
import logging
from collections.abc import Sequence
from http import HTTPStatus
from typing import Any

from flask import Flask, Response, g
from werkzeug.exceptions import HTTPException

from ballgauge_schemas import Problem, ValidationError, validation_problem
from ballgauge_schemas.shared.limits import ERRORS_MAXIMUM
from ballgauge_schemas.shared.problems import MEDIA_TYPE, VALIDATION_TYPE
from ballgauge_service.core.budget import DeadlinePassed, NobodyWaits
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.web.http import serializer

FieldErrors = Sequence[dict[str, Any]]

_DETAILS = {
    404: "nothing is at this address; /openapi.json lists what there is",
    405: "this address does not take this method; the header Allow lists those it takes",
    413: "the body is larger than 1 MiB; send several smaller requests",
}

_NO_ROOM = frozenset((errno.ENOSPC, errno.EDQUOT, errno.EFBIG))
_log = logging.getLogger("ballgauge_service.errors")


class Refusal(Exception):
    """A request that is answered with a problem.

    Parameters
    ----------
    status : int
        HTTP status code, 400 to 599.
    detail : str
        What is wrong, for a person.
    errors : sequence of dict
        One object a bad field: `pointer` (RFC 6901) and `detail`.
    headers : dict, optional
        Further response headers.
    """

    def __init__(
        self, status: int, detail: str, errors: FieldErrors = (), headers: dict[str, str] | None = None
    ) -> None:
        super().__init__(detail)
        self.status = status
        self.detail = detail
        self.errors = errors
        self.headers = headers or {}


def register(app: Flask) -> None:
    """Answer every refusal, HTTP error and unforeseen error of the application with problem details."""
    app.register_error_handler(Refusal, _refusal)
    app.register_error_handler(ValidationError, _not_valid)
    app.register_error_handler(InvalidInput, _impossible)
    app.register_error_handler(HTTPException, _http_error)
    app.register_error_handler(Exception, _unforeseen)


def _refusal(refusal: Refusal) -> Response:
    return _respond(_problem(refusal.status, refusal.detail, refusal.errors), refusal.headers)


def _not_valid(error: ValidationError) -> Response:
    return _respond(validation_problem(error.messages, g.get("request_id")))


def _impossible(error: InvalidInput) -> Response:
    errors = [{"pointer": fault.pointer, "detail": fault.words} for fault in error.faults]
    return _respond(_problem(422, "what is asked for is impossible; see errors", errors))


def _http_error(error: HTTPException) -> Response:
    status = error.code or 500
    allowed = getattr(error, "valid_methods", None)
    headers = {"Allow": ", ".join(sorted(allowed))} if allowed else {}
    return _respond(_problem(status, _DETAILS.get(status) or error.description or ""), headers)


def _unforeseen(error: Exception) -> Response:
    return _refusal(unforeseen(error, g.get("request_id")))


def unforeseen(error: BaseException, request_id: str | None) -> Refusal:
    """Log an error nobody foresaw, and give the refusal that says so; a lack of time or room has its own."""
    if isinstance(error, DeadlinePassed):
        if not isinstance(error, NobodyWaits):
            _count("deadline")
        return Refusal(503, str(error), headers={"Retry-After": "60"})
    if isinstance(error, OSError) and error.errno in _NO_ROOM:
        _count("no_room")
        _log.error("no room for temporary files", exc_info=error, extra={"request_id": request_id})
        return Refusal(507, "no room is left for temporary files; try again later, or send less")
    _log.error("unforeseen error", exc_info=error, extra={"request_id": request_id})
    return Refusal(500, "the service failed; its log has the cause under this request id")


def _count(reason: str) -> None:
    # Deferred: the first process of a server loads this module before it names the folder of the metrics.
    from ballgauge_service.web.http import metrics

    metrics.turned_away(reason)


def _problem(status: int, detail: str, errors: FieldErrors = ()) -> Problem:
    return problem(status, detail, errors, g.get("request_id"))


def problem(status: int, detail: str, errors: FieldErrors, request_id: str | None) -> Problem:
    """The problem details of a refusal."""
    listed = list(errors[:ERRORS_MAXIMUM])
    if len(errors) > len(listed):
        listed.append({"pointer": "", "detail": f"{len(errors) - len(listed)} more errors"})
    return Problem(
        status=status,
        title=HTTPStatus(status).phrase,
        type=VALIDATION_TYPE if status == HTTPStatus.UNPROCESSABLE_ENTITY else "about:blank",
        detail=detail,
        request_id=request_id,
        errors=tuple(listed) or None,
    )


def _respond(problem: Problem, headers: dict[str, str] | None = None) -> Response:
    response = serializer.respond(problem.to_dict(), problem.status, MEDIA_TYPE)
    response.headers.update(headers or {})
    return response
