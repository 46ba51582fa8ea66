"""The one way out: results to bytes, the same bytes for the same result."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import orjson

if TYPE_CHECKING:
    from flask import Response


def respond(document: Any, status: int = 200, content_type: str = "application/json") -> Response:
    """Make a response of a JSON document; see `dump`."""
    # Deferred: an engine inside another process answers without an application.
    from flask import Response

    return Response(dump(document), status, content_type=content_type)


def kept(response: Response) -> Response:
    """A response that a caller may keep, and asks about again by its digest: 304 where it is the same."""
    from flask import request

    from ballgauge_service.pages import languages

    # Weak: packed or not, it is the same document (RFC 9110, 8.8.3); in another language it is another.
    response.add_etag(weak=True)
    language = languages.negotiate(None, request.headers.get("Accept-Language", ""))
    if language != languages.SOURCE:
        response.set_etag(f"{response.get_etag()[0]}-{language}", weak=True)
    response.headers["Cache-Control"] = "no-cache"
    response.make_conditional(request)
    return response


def dump(document: Any) -> bytes:
    """Write a document of dicts, lists, strings, numbers, booleans and None as JSON in UTF-8.

    Names are sorted and numbers written in their shortest exact form, so equal documents give equal bytes.
    A number that is not finite has no form in JSON and becomes null.
    """
    return _dump(document, orjson.OPT_SORT_KEYS)


def dump_in_order(document: Any) -> bytes:
    """Write a document as `dump` does, its names in the order they stand in."""
    return _dump(document, 0)


def _dump(document: Any, option: int) -> bytes:
    try:
        return orjson.dumps(document, option=option | orjson.OPT_SERIALIZE_NUMPY)
    except orjson.JSONEncodeError:  # integers beyond 64 bits, and halves of surrogate pairs
        finite = json.loads(json.dumps(document), parse_constant=lambda _: None)
        text = json.dumps(finite, sort_keys=bool(option), separators=(",", ":"), ensure_ascii=False)
        # A lone surrogate that a caller sent in a name comes back as the escape it was sent as.
        return text.encode("utf-8", "backslashreplace")
