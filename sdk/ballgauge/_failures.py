"""What can go wrong, with the service's own words about it, and how an answer is turned into it."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Protocol, TypeAlias


class Answer(Protocol):
    """What is read of every answer: as a `requests.Response` has it."""

    @property
    def status_code(self) -> int:
        """Status."""

    @property
    def reason(self) -> str:
        """The status in words."""

    @property
    def headers(self) -> Mapping[str, str]:
        """Headers by name."""

    @property
    def content(self) -> bytes:
        """The body, whole."""


@dataclass(frozen=True)
class FieldError:
    """One bad field: its JSON pointer (RFC 6901), what is wrong with it, and the name perhaps meant."""

    pointer: str
    detail: str
    suggestion: str | None = None


@dataclass(frozen=True)
class Problem:
    """Problem details (RFC 9457) as the service sent them."""

    status: int
    title: str
    detail: str
    request_id: str | None
    errors: tuple[FieldError, ...]
    type: str = "about:blank"

    @classmethod
    def from_document(cls, document: Mapping[str, Any], status: int, request_id: str | None) -> Problem:
        """Read a problem document; what it leaves out comes from the response."""
        return cls(
            status=status,
            title=str(document.get("title", "")),
            detail=str(document.get("detail", "")),
            request_id=document.get("request_id") or request_id,
            errors=tuple(
                FieldError(error["pointer"], error["detail"], error.get("suggestion"))
                for error in document.get("errors", ())
            ),
            type=str(document.get("type", "about:blank")),
        )

    def moved(self, member: str, offset: int) -> Problem:
        """Count the items of the array `member` from `offset` in every pointer."""

        def move(pointer: str) -> str:
            return re.sub(
                rf"^/{member}/(\d+)", lambda match: f"/{member}/{int(match[1]) + offset}", pointer, count=1
            )

        errors = tuple(replace(error, pointer=move(error.pointer)) for error in self.errors)
        return replace(self, errors=errors)


class BallgaugeError(Exception):
    """Any failure of a call; the others are kinds of it."""


class _ProblemError(BallgaugeError):
    def __init__(self, problem: Problem) -> None:
        super().__init__(problem)
        self.problem = problem

    def __str__(self) -> str:
        lines = [f"{self.problem.status} {self.problem.title}: {self.problem.detail}"]
        lines += [f"  {error.pointer or '(the whole body)'}: {error.detail}" for error in self.problem.errors]
        return "\n".join(lines)


class InvalidRequest(_ProblemError):
    """The service refused the request (4xx); `problem` names every bad field."""

    @property
    def errors(self) -> tuple[FieldError, ...]:
        """The bad fields."""
        return self.problem.errors


class AccessRefused(InvalidRequest):
    """The service asks for an access key (401), or for one with another scope (403)."""


class TooManyRequests(InvalidRequest):
    """The service asks to wait (429): its limit for this key, or this address, is used up."""


class ServiceError(_ProblemError):
    """The service failed (5xx), or the answer is not its own; `problem` says what is known."""


class ServiceUnreachable(BallgaugeError):
    """No answer: nothing listens there, the connection broke, time ran out, or no engine is installed."""


Failure: TypeAlias = InvalidRequest | ServiceError


def failure(response: Answer) -> Failure:
    """The exception for an answer that is no result."""
    try:
        return told(json.loads(response.content), response)
    except ValueError:
        return _kind(response.status_code)(_foreign(response))


def told(document: Any, response: Answer) -> Failure:
    """The exception for problem details, which came with, or in the midst of, an answer."""
    status = response.status_code
    try:
        status = int(document.get("status", status))
        problem = Problem.from_document(document, status, response.headers.get("X-Request-Id"))
    except (KeyError, TypeError, ValueError, AttributeError):
        problem = _foreign(response)
    return _kind(status)(problem)


def foreign(response: Answer | None = None) -> ServiceError:
    """The exception for an answer that the service cannot have given."""
    return ServiceError(_foreign(response))


def _foreign(response: Answer | None) -> Problem:
    status, title, request_id = 200, "OK", None
    if response is not None:
        status, title = response.status_code, response.reason or ""
        request_id = response.headers.get("X-Request-Id")
    detail = "the answer is not one of this service's, or not whole"
    return Problem(status, title, detail, request_id, ())


def _kind(status: int) -> type[Failure]:
    if status in (401, 403):
        return AccessRefused
    if status == 429:
        return TooManyRequests
    return InvalidRequest if 400 <= status < 500 else ServiceError
