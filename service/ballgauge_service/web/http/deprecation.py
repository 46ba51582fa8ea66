"""Says in an answer's headers that what was asked for will go (RFC 9745, RFC 8594).

`Deprecation` is the moment since when, `Sunset` the one after which it may be gone, and `Link` where to read
what to do instead. Where a request uses several such things, the earliest moments are told, and every link.
"""

from __future__ import annotations

import datetime
from collections.abc import Container, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from ballgauge_schemas.shared.deprecations import DEPRECATIONS, Deprecation

if TYPE_CHECKING:
    from flask import Flask, Response

_TABLE = "ballgauge_deprecations"
_ASKED = "ballgauge_asked"


def register(app: Flask, table: Sequence[Deprecation] = DEPRECATIONS) -> None:
    """Add the headers to every answer about something in `table`."""
    app.extensions[_TABLE] = tuple(table)
    if table:
        app.after_request(_tell)


def note(document: Any) -> None:
    """Keep what a request asks, for as long as it is answered, where a member of it may be deprecated."""
    from flask import current_app, g, has_request_context

    if has_request_context() and any(entry.member for entry in current_app.extensions.get(_TABLE, ())):
        setattr(g, _ASKED, document)


def _tell(response: Response) -> Response:
    from flask import current_app, g, request

    rule = None if request.url_rule is None else request.url_rule.rule
    table = current_app.extensions[_TABLE]
    told = headers(request.method, rule, request.args, g.get(_ASKED), table)
    response.headers.extend(told)
    return response


def headers(
    method: str,
    path: str | None,
    query: Container[str],
    document: Any,
    table: Sequence[Deprecation] = DEPRECATIONS,
) -> list[tuple[str, str]]:
    """The headers that an answer gets: of an address, the names in its query, and the request's document."""
    method = "GET" if method == "HEAD" else method
    used = [
        entry
        for entry in table
        if (method, path) == (entry.method, entry.path)
        and (entry.query is None or entry.query in query)
        and (entry.member is None or any(_reached(document, entry.member.split("/")[1:])))
    ]
    if not used:
        return []
    told = [("Deprecation", f"@{int(_moment(min(entry.since for entry in used)).timestamp())}")]
    sunsets = [entry.sunset for entry in used if entry.sunset is not None]
    if sunsets:
        from email.utils import format_datetime

        told.append(("Sunset", format_datetime(_moment(min(sunsets)), usegmt=True)))
    for entry in used:
        for kind in ("deprecation", "sunset") if entry.sunset is not None else ("deprecation",):
            told.append(("Link", f'<{entry.documentation}>; rel="{kind}"; type="text/html"'))
    return told


def _moment(day: datetime.date) -> datetime.datetime:
    return datetime.datetime(day.year, day.month, day.day, tzinfo=datetime.UTC)


def _reached(value: Any, steps: list[str]) -> Iterator[bool]:
    """Tell, for each place that a pointer with stars leads to, that something is there."""
    if not steps:
        yield True
        return
    step, *rest = steps
    if step == "*" and isinstance(value, list):
        for entry in value:
            yield from _reached(entry, rest)
    elif isinstance(value, dict) and step in value:
        yield from _reached(value[step], rest)
