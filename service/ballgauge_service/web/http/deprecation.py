"""Says in an answer's headers that what was asked for will go (RFC 9745, RFC 8594).

`Deprecation` is the moment since when, `Sunset` the one after which it may be gone, and `Link` where to read
what to do instead. Where a request uses several such things, the earliest moments are told, and every link.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence
from email.utils import format_datetime
from typing import Any

from flask import Flask, Response, current_app, g, has_request_context, request

from ballgauge_schemas.shared.deprecations import DEPRECATIONS, Deprecation

_TABLE = "ballgauge_deprecations"
_ASKED = "ballgauge_asked"


def register(app: Flask, table: Sequence[Deprecation] = DEPRECATIONS) -> None:
    """Add the headers to every answer about something in `table`."""
    app.extensions[_TABLE] = tuple(table)
    if table:
        app.after_request(_tell)


def note(document: Any) -> None:
    """Keep what a request asks, for as long as it is answered, where a member of it may be deprecated."""
    if has_request_context() and any(entry.member for entry in current_app.extensions.get(_TABLE, ())):
        setattr(g, _ASKED, document)


def _tell(response: Response) -> Response:
    used = [entry for entry in current_app.extensions[_TABLE] if _is_used(entry)]
    if used:
        response.headers["Deprecation"] = f"@{int(_moment(min(entry.since for entry in used)).timestamp())}"
        sunsets = [entry.sunset for entry in used if entry.sunset is not None]
        if sunsets:
            response.headers["Sunset"] = format_datetime(_moment(min(sunsets)), usegmt=True)
        for entry in used:
            response.headers.add("Link", f'<{entry.documentation}>; rel="deprecation"; type="text/html"')
            if entry.sunset is not None:
                response.headers.add("Link", f'<{entry.documentation}>; rel="sunset"; type="text/html"')
    return response


def _moment(day: datetime.date) -> datetime.datetime:
    return datetime.datetime(day.year, day.month, day.day, tzinfo=datetime.UTC)


def _is_used(entry: Deprecation) -> bool:
    method = "GET" if request.method == "HEAD" else request.method
    rule = request.url_rule
    if rule is None or (method, rule.rule) != (entry.method, entry.path):
        return False
    if entry.query is not None:
        return entry.query in request.args
    if entry.member is not None:
        return any(_reached(g.get(_ASKED), entry.member.split("/")[1:]))
    return True


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
