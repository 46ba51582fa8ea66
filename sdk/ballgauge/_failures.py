"""What can go wrong, with the service's own words about it, and how an answer is turned into it."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol, Self, TypeAlias


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


def _plain(error: FieldError) -> dict[str, str]:
    told = {"pointer": error.pointer, "detail": error.detail}
    return told if error.suggestion is None else {**told, "suggestion": error.suggestion}


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

    def by_item(self, member: str) -> dict[int, Problem]:
        """The problems of the items of the array `member` that are named, each with pointers of its own."""
        found: dict[int, list[FieldError]] = {}
        for error in self.errors:
            named = re.match(rf"/{member}/(\d+)(?=/|$)", error.pointer)
            if named:
                pointer = error.pointer[named.end() :]
                found.setdefault(int(named[1]), []).append(replace(error, pointer=pointer))
        return {
            index: replace(self, errors=tuple(errors), detail=f"{len(errors)} fields are wrong; see errors.")
            for index, errors in found.items()
        }

    def to_dict(self) -> dict[str, Any]:
        """Problem details as JSON has them."""
        given = {
            "type": self.type, "title": self.title, "status": self.status, "detail": self.detail,
            "request_id": self.request_id, "errors": [_plain(error) for error in self.errors],
        }  # fmt: skip
        return {name: value for name, value in given.items() if value not in (None, [], 0)}


FIELDS_TOLD = 10
"""Bad fields in the text of an exception (ours); its `errors` has all of them."""


class BallgaugeError(Exception):
    """Any failure of a call; the others are kinds of it."""


class _ProblemError(BallgaugeError):
    def __init__(self, problem: Problem) -> None:
        super().__init__(problem)
        self.problem = problem

    def __str__(self) -> str:
        errors = self.problem.errors
        lines = [f"{self.problem.status} {self.problem.title}: {self.problem.detail}"]
        lines += [
            f"  {error.pointer or '(the whole body)'}: {error.detail}" for error in errors[:FIELDS_TOLD]
        ]
        if len(errors) > FIELDS_TOLD:
            lines.append(f"  and {len(errors) - FIELDS_TOLD} more")
        return "\n".join(lines)

    def moved(self, member: str, offset: int) -> Self:
        """Count the items of the array `member` from `offset` in every pointer; gives the same exception."""
        self.problem = self.problem.moved(member, offset)
        self.args = (self.problem, *self.args[1:])
        return self


class InvalidRequest(_ProblemError):
    """The service refused the request (4xx); `errors` names every bad field, the text ten of them."""

    @property
    def errors(self) -> tuple[FieldError, ...]:
        """The bad fields."""
        return self.problem.errors


class AccessRefused(_ProblemError):
    """The service asks for an access key (401), or for one with another scope (403)."""


class RateLimited(_ProblemError):
    """The service asks to wait (429): its limit for this key, or this address, is used up.

    `retry_after` is how long [s]; None where it is not told.
    """

    def __init__(self, problem: Problem, retry_after: float | None = None) -> None:
        super().__init__(problem)
        self.args = (problem, retry_after)
        self.retry_after = retry_after


class _RefusedAccess(AccessRefused, InvalidRequest):
    """What is raised while `except InvalidRequest` still takes it; it is `AccessRefused` alone from 1.0."""


class TooManyRequests(RateLimited, InvalidRequest):
    """Deprecated, a name of `RateLimited` that is a kind of `InvalidRequest` too; it goes with 1.0."""


class ServiceError(_ProblemError):
    """The service failed (5xx), or the answer is not its own; `problem` says what is known."""


class Redirected(ServiceError):
    """Something there says that the service is elsewhere, at `location`; a client does not follow."""

    def __init__(self, problem: Problem, location: str | None = None) -> None:
        super().__init__(problem)
        self.args = (problem, location)
        self.location = location


class ServiceUnreachable(BallgaugeError):
    """No answer: nothing listens there, the connection broke, time ran out, or no engine is installed."""


class Timeout(ServiceUnreachable):
    """No connection, or no whole answer, in the time there was."""


class ConnectionFailed(ServiceUnreachable):
    """No connection: the name is unknown, nothing listens, a proxy refused, or the connection broke."""


class TlsFailed(ServiceUnreachable):
    """The connection is not secure: a certificate is not trusted, or belongs to another name."""


Failure: TypeAlias = InvalidRequest | AccessRefused | RateLimited | ServiceError

_TEXT_TOLD = 200
"""Characters of a foreign answer that are told (ours)."""


def failure(response: Answer) -> Failure:
    """The exception for an answer that is no result."""
    status = response.status_code
    if 300 <= status < 400:
        location = response.headers.get("Location")
        words = f"the service is said to be at {location}" if location else "it says to look elsewhere"
        return Redirected(
            replace(_foreign(response), detail=f"{words}; redirects are not followed"), location
        )
    try:
        document = json.loads(response.content)
    except ValueError:
        document = None
    return told(document, response)


def told(document: Any, response: Answer) -> Failure:
    """The exception for problem details, which came with, or in the midst of, an answer."""
    status = response.status_code
    try:
        if not document.keys() & {"title", "detail", "errors"}:
            raise ValueError(document)
        status = int(document.get("status", status))
        problem = Problem.from_document(document, status, response.headers.get("X-Request-Id"))
    except (KeyError, TypeError, ValueError, AttributeError):
        problem = _foreign(response, document)
    if status in (401, 403):
        return _RefusedAccess(problem)
    if status == _TOO_MANY:
        return TooManyRequests(problem, asked_wait(response.headers.get("Retry-After")))
    return InvalidRequest(problem) if 400 <= status < 500 else ServiceError(problem)


_TOO_MANY = 429


def asked_wait(retry_after: str | None) -> float | None:
    """Read a Retry-After header (RFC 9110, 10.2.3) [s]: seconds, or a date; None where there is none."""
    if retry_after is None:
        return None
    # Deferred: an answer that comes from this process at once needs no HTTP client.
    from urllib3 import Retry
    from urllib3.exceptions import InvalidHeader

    try:
        return Retry().parse_retry_after(retry_after)
    except (InvalidHeader, ValueError, OverflowError):
        return None


def foreign(response: Answer | None = None, lacking: Sequence[str] = ()) -> ServiceError:
    """The exception for an answer that the service cannot have given, perhaps `lacking` members."""
    problem = _foreign(response)
    if lacking:
        words = f"the answer has no {', '.join(lacking)}: is the service of an older version?"
        problem = replace(problem, detail=words)
    return ServiceError(problem)


def _foreign(response: Answer | None, document: Any = None) -> Problem:
    status, title, request_id = 200, "OK", None
    if response is not None:
        status, title = response.status_code, response.reason or ""
        request_id = response.headers.get("X-Request-Id")
    detail = "the answer is not one of this service's, or not whole"
    if isinstance(document, dict) and status != 200:
        text = json.dumps(document, ensure_ascii=False)
        detail += f"; it begins with {text[:_TEXT_TOLD]}"
    return Problem(status, title, detail, request_id, ())
