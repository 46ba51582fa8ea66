"""The one way out: results to bytes, the same bytes for the same result."""

from __future__ import annotations

import json
import math
from typing import Any

from flask import Response


def respond(document: Any, status: int = 200, content_type: str = "application/json") -> Response:
    """Make a response of a JSON document; see `dump`."""
    return Response(dump(document), status, content_type=content_type)


def dump(document: Any) -> bytes:
    """Write a document of dicts, lists, strings, numbers, booleans and None as JSON in UTF-8.

    Names are sorted and numbers written in their shortest exact form, so equal documents give equal bytes. A
    number that is not finite has no form in JSON and becomes null.
    """
    try:
        text = _encode(document)
    except ValueError:
        text = _encode(_without_non_finite(document))
    # A lone surrogate that a caller sent in a name comes back as the escape it was sent as.
    return text.encode("utf-8", "backslashreplace")


def dump_in_order(document: Any) -> bytes:
    """Write a document as `dump` does, its names in the order they stand in."""
    text = _encode_in_order(_without_non_finite(document))
    return text.encode("utf-8", "backslashreplace")


_encode_in_order = json.JSONEncoder(separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode
_encode = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode


def _without_non_finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _without_non_finite(member) for name, member in value.items()}
    if isinstance(value, (list, tuple)):
        return [_without_non_finite(member) for member in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
