"""Problem details for errors over HTTP (RFC 9457), with a JSON pointer (RFC 6901) to every bad field."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from marshmallow.exceptions import SCHEMA

from ballgauge_schemas.shared import limits
from ballgauge_schemas.shared.base import Part, Schema, Several, Text, Whole
from ballgauge_schemas.shared.wording import UnknownField

MEDIA_TYPE = "application/problem+json"
BLANK_TYPE = "about:blank"
VALIDATION_TYPE = "urn:ballgauge:problem:validation"

TYPES: Mapping[int, str] = {
    400: "urn:ballgauge:problem:malformed",
    401: "urn:ballgauge:problem:no-access",
    403: "urn:ballgauge:problem:out-of-scope",
    404: "urn:ballgauge:problem:not-found",
    405: "urn:ballgauge:problem:method-not-allowed",
    406: "urn:ballgauge:problem:not-acceptable",
    408: "urn:ballgauge:problem:too-slow",
    409: "urn:ballgauge:problem:no-signing-key",
    413: "urn:ballgauge:problem:too-large",
    415: "urn:ballgauge:problem:media-type",
    421: "urn:ballgauge:problem:misdirected",
    422: VALIDATION_TYPE,
    429: "urn:ballgauge:problem:rate-limit",
    500: "urn:ballgauge:problem:failure",
    503: "urn:ballgauge:problem:unready",
    507: "urn:ballgauge:problem:no-room",
}
"""The kind of each problem, by its status; `about:blank` is that of every other."""


class FieldErrorSchema(Schema):
    """One bad field."""

    pointer = Text(
        "/drilling/holes/0/diameter",
        "JSON pointer to the field; empty for the whole body.",
        required=True,
        maximum=2_200_000,
    )
    detail = Text(
        "must be from 0.05 in to 2.5 in; got 31 in", "What is wrong with it.", required=True, maximum=2000
    )
    suggestion = Text("diameter", "The nearest known name of an unknown field.")
    row = Whole(0, 10**15, 62, "Row of a lot's file, the first being 1.")
    column = Text("hardness", "Heading of a column of a lot's file.", maximum=2000)


class ProblemSchema(Schema):
    """Problem details."""

    type = Text(
        VALIDATION_TYPE, "Kind of the problem; `about:blank` where the status says it all.", required=True
    )
    title = Text("The request does not meet the contract", "The problem in short.", required=True)
    status = Whole(400, 599, 422, "HTTP status code.", required=True)
    detail = Text("1 field is wrong; see errors.", "The problem in full.", maximum=4000)
    request_id = Text("5f0c2a9be1d24c7f", "The id that the logs of proxy and service know this request by.")
    key = Text("shop-7", "Id of the access key that asked, where one did.", maximum=32)
    errors = Several(Part(FieldErrorSchema, "One bad field."), limits.ERRORS_MAXIMUM + 1, "Every bad field.")


@dataclass(frozen=True)
class Problem:
    """Problem details as a value; what is None is left out of `to_dict`."""

    status: int
    title: str
    type: str = BLANK_TYPE
    detail: str | None = None
    request_id: str | None = None
    errors: tuple[dict[str, Any], ...] | None = None
    key: str | None = None

    def to_dict(self) -> dict[str, Any]:
        """Give the members as JSON has them."""
        members: dict[str, Any] = {"type": self.type, "title": self.title, "status": self.status}
        if self.detail is not None:
            members["detail"] = self.detail
        if self.request_id is not None:
            members["request_id"] = self.request_id
        if self.key is not None:
            members["key"] = self.key
        if self.errors is not None:
            members["errors"] = [dict(error) for error in self.errors]
        return members


def escape(token: str) -> str:
    """Escape one reference token of a JSON pointer (RFC 6901, section 3)."""
    return token.replace("~", "~0").replace("/", "~1")


def flatten(messages: Any, *, unknown: bool = True) -> list[dict[str, str]]:
    """List the errors of a ValidationError's `messages`, each with `pointer`, `detail`, perhaps `suggestion`.

    unknown: list fields that are not known too.

    At most `ERRORS_MAXIMUM`; where there are more, one last entry on the whole body counts them.
    """
    found: list[dict[str, str]] = []
    left_out = 0
    for pointer, message in _walk(messages, ""):
        if not unknown and isinstance(message, UnknownField):
            continue
        if len(found) == limits.ERRORS_MAXIMUM:
            left_out += 1
            continue
        entry = {"pointer": pointer, "detail": str(message)}
        suggestion = getattr(message, "suggestion", None)
        if suggestion is not None:
            entry["suggestion"] = suggestion
        found.append(entry)
    if left_out:
        found.append({"pointer": "", "detail": f"{left_out} more errors"})
    return found


def _walk(messages: Any, pointer: str) -> Iterator[tuple[str, Any]]:
    if isinstance(messages, dict):
        for name, below in messages.items():
            here = name == SCHEMA and isinstance(below, list)
            yield from _walk(below, pointer if here else f"{pointer}/{escape(str(name))}")
    elif isinstance(messages, list):
        for message in messages:
            yield from _walk(message, pointer)
    else:
        yield pointer, messages


def validation_problem(messages: Any, request_id: str | None = None) -> Problem:
    """Make the problem, status 422, of a ValidationError's `messages`."""
    errors = flatten(messages)
    count = "1 field is" if len(errors) == 1 else f"{len(errors)} fields are"
    return Problem(
        status=422,
        title="The request does not meet the contract",
        type=VALIDATION_TYPE,
        detail=f"{count} wrong; see errors.",
        request_id=request_id,
        errors=tuple(errors),
    )


PROBLEM = ProblemSchema()
