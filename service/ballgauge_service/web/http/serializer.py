"""The one way out: results to bytes, the same bytes for the same result."""

from __future__ import annotations

import json
import math
import re
from typing import TYPE_CHECKING, Any

import orjson

if TYPE_CHECKING:
    from flask import Response

_IN_ORDER, _BY_NAME = 0, orjson.OPT_SORT_KEYS

_TINY = re.compile(rb"e-[6-9]")
"""Between 1e-9 and 1e-4 orjson writes numbers in another form than Python: with this, or with four zeros."""


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
    language = languages.negotiate(None, request.accept_languages)
    if language != languages.SOURCE:
        response.set_etag(f"{response.get_etag()[0]}-{language}", weak=True)
    response.headers["Cache-Control"] = "no-cache"
    response.make_conditional(request)
    return response


def dump(document: Any) -> bytes:
    """Write a document of dicts, lists, strings, numbers, booleans and None as JSON in UTF-8.

    Names are sorted and numbers written in Python's shortest exact form, so equal documents give equal bytes.
    A number that is not finite has no form in JSON and becomes null.
    """
    return _dump(document, _BY_NAME)


def dump_in_order(document: Any) -> bytes:
    """Write a document as `dump` does, its names in the order they stand in."""
    return _dump(document, _IN_ORDER)


def _dump(document: Any, order: int) -> bytes:
    try:
        return _encode(document, order)
    except orjson.JSONEncodeError:  # integers beyond 64 bits, and halves of surrogate pairs
        return _encode_anything(document, order)


def _encode(value: Any, order: int) -> bytes:
    """Encode with orjson; only what holds a number of another form is taken apart, down to that number."""
    text = orjson.dumps(value, option=order)
    if not (b"0000" in text and b"0.0000" in text) and not _TINY.search(text):
        return text
    if isinstance(value, dict):
        names = sorted(value) if order == _BY_NAME else value
        members = [orjson.dumps(name) + b":" + _encode(value[name], order) for name in names]
        return b"{" + b",".join(members) + b"}"
    if isinstance(value, (list, tuple)):
        return b"[" + b",".join([_encode(member, order) for member in value]) + b"]"
    return repr(value).encode() if isinstance(value, float) else text


def _encode_anything(document: Any, order: int) -> bytes:
    text = json.dumps(
        _without_non_finite(document),
        sort_keys=order == _BY_NAME,
        separators=(",", ":"),
        ensure_ascii=False,
        allow_nan=False,
    )
    # A lone surrogate that a caller sent in a name comes back as the escape it was sent as.
    return text.encode("utf-8", "backslashreplace")


def _without_non_finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _without_non_finite(member) for name, member in value.items()}
    if isinstance(value, (list, tuple)):
        return [_without_non_finite(member) for member in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
