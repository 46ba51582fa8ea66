"""What of the interface will go, and when: one table, from which the document and the headers are made.

A deprecated thing works as before until its sunset. To deprecate one, add a line to `DEPRECATIONS`, write the
OpenAPI document again and say so in CHANGELOG.md. Nothing is deprecated today.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Deprecation:
    """One thing that will go.

    Parameters
    ----------
    method, path : str
        The address, as the OpenAPI document has it: ``"POST"``, ``"/v1/checks"``.
    since, sunset : datetime.date
        First day (UTC) on which it is deprecated, and on which it may be gone; no `sunset` where none is set.
    documentation : str
        Address of what to do instead, absolute or from the service's root.
    query : str, optional
        Only this parameter of the query is deprecated.
    member : str, optional
        Only this member of the request is: a JSON pointer in which ``*`` stands for every entry of an array,
        such as ``"/checks/*/ball/cover"``.

    Raises ValueError where the sunset comes before the deprecation (RFC 9745, section 4), or both a parameter
    and a member are named.
    """

    method: str
    path: str
    since: datetime.date
    documentation: str
    sunset: datetime.date | None = None
    query: str | None = None
    member: str | None = None

    def __post_init__(self) -> None:
        if self.sunset is not None and self.sunset < self.since:
            raise ValueError(f"{self.path}: the sunset {self.sunset} comes before the deprecation")
        if self.query is not None and self.member is not None:
            raise ValueError(f"{self.path}: name a parameter or a member, not both")


DEPRECATIONS: tuple[Deprecation, ...] = ()
"""Everything that is deprecated in this version."""


def mark(document: dict[str, Any], table: Sequence[Deprecation] = DEPRECATIONS) -> None:
    """Write ``deprecated: true`` into an OpenAPI document, where `table` says so.

    A member that several addresses share is marked for all of them. Raises LookupError for what the document
    does not have.
    """
    for entry in table:
        places = list(_places(document, entry))
        if not places:
            what = entry.member or entry.query or ""
            raise LookupError(f"the document has no {entry.method} {entry.path} {what}".rstrip())
        for place in places:
            place["deprecated"] = True


def _places(document: dict[str, Any], entry: Deprecation) -> Iterator[dict[str, Any]]:
    operation = document["paths"].get(entry.path, {}).get(entry.method.lower())
    if operation is None:
        return
    if entry.query is not None:
        for parameter in operation.get("parameters", ()):
            if (parameter["in"], parameter["name"]) == ("query", entry.query):
                yield parameter
    elif entry.member is not None:
        steps = entry.member.split("/")[1:]
        for content in operation.get("requestBody", {}).get("content", {}).values():
            yield from _members(document, content.get("schema", {}), steps)
    else:
        yield operation


def _members(document: dict[str, Any], schema: dict[str, Any], steps: list[str]) -> Iterator[dict[str, Any]]:
    """The schemas of a member, followed through references, choices and arrays."""
    if not steps:
        yield schema
        return
    if "$ref" in schema:
        name = schema["$ref"].removeprefix("#/components/schemas/")
        yield from _members(document, document["components"]["schemas"][name], steps)
    for way in (*schema.get("oneOf", ()), *schema.get("anyOf", ()), *schema.get("allOf", ())):
        yield from _members(document, way, steps)
    step, *rest = steps
    below = schema.get("items") if step == "*" else schema.get("properties", {}).get(step)
    if below is not None:
        yield from _members(document, below, rest)
