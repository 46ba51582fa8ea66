"""What can go wrong, with the service's own words about it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, TypeAlias


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


def failure(problem: Problem, status: int) -> Failure:
    """The exception for a problem that came with this status."""
    if status in (401, 403):
        return AccessRefused(problem)
    if status == 429:
        return TooManyRequests(problem)
    return InvalidRequest(problem) if 400 <= status < 500 else ServiceError(problem)
