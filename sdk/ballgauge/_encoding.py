"""Requests to bytes."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from decimal import Decimal
from numbers import Integral, Real
from typing import Any

MOST_ITEMS = 1000
MOST_BYTES = 1_000_000
"""Of one request; a little under the limit of 0.1.0, which is the least that a service takes."""


def encode(document: Any, *, nulls: bool = False) -> bytes:
    """Write a request as JSON; dates and numbers of other kinds (decimal, numpy, pandas) become JSON's own.

    A member that is NaN, NA or None says nothing and is left out; in an array it is null, and infinity goes
    out as it is: the service answers with the name of the field. `nulls`: None has a meaning, and is kept.
    """
    text = _encoder.encode(document)
    if "NaN" in text or (not nulls and "null" in text):
        text = _encoder.encode(_told(document, nulls=nulls))
    return text.encode()


def _told(value: Any, *, nulls: bool) -> Any:
    """A document without the members that say nothing."""
    if isinstance(value, Mapping):
        members = {name: _told(each, nulls=nulls) for name, each in value.items()}
        missing = {
            name for name, each in members.items() if each is None and not (nulls and value[name] is None)
        }
        return {name: each for name, each in members.items() if name not in missing}
    if isinstance(value, (list, tuple)):
        return [_told(each, nulls=nulls) for each in value]
    if value is not None and not isinstance(value, (str, int, float)):
        value = plain(value)
        if isinstance(value, (dict, list)):
            return _told(value, nulls=nulls)
    return None if isinstance(value, float) and value != value else value


def plain(value: Any) -> Any:
    """A value of another library, or kind, as JSON has it; NaN for what stands for no value."""
    if type(value).__name__ in ("NAType", "NaTType"):
        return math.nan
    if isinstance(value, date):
        return value.isoformat()[: len("2026-05-01")]
    if isinstance(value, Integral):
        return int(value)
    if isinstance(value, (Real, Decimal)):
        return float(value)
    if isinstance(value, Mapping):
        return dict(value)
    if hasattr(value, "tolist"):
        found = value.tolist()
        return math.nan if found is None else found if isinstance(found, (bool, list, str)) else plain(found)
    raise TypeError(
        f"a request holds numbers, strings, dates, lists and mappings, not {type(value).__name__}"
    )


_encoder = json.JSONEncoder(default=plain, separators=(",", ":"))


def batches(
    member: str, items: Iterable[Any], beside: Mapping[str, Any] | None = None
) -> Iterator[tuple[int, list[bytes], bytes]]:
    """Split items into request bodies ``{member: [...], **beside}`` within the limits above.

    Yields the index of the batch's first item, the items as JSON, and the body. Items are taken as needed.
    """
    first, room = 0, MOST_BYTES - len(encode(beside or {}))
    pending: list[bytes] = []
    size = 0
    for encoded in map(encode, items):
        if pending and (len(pending) == MOST_ITEMS or size + len(encoded) > room):
            yield first, pending, frame(member, pending, beside or {})
            first, pending, size = first + len(pending), [], 0
        pending.append(encoded)
        size += len(encoded) + 1
    if pending:
        yield first, pending, frame(member, pending, beside or {})


def frame(member: str, encoded: Sequence[bytes], beside: Mapping[str, Any]) -> bytes:
    """One body of items that are JSON already."""
    more = b"".join(b",%s:%s" % (encode(name), encode(value)) for name, value in beside.items())
    return b'{"%s":[%s]%s}' % (member.encode(), b",".join(encoded), more)


class Form:
    """A form (RFC 7578) of a request as JSON, and of files that are read as they are sent."""

    def __init__(self, request: Any) -> None:
        self._request = encode(request, nulls=True)
        self._boundary = os.urandom(16).hex()
        self.content_type = f"multipart/form-data; boundary={self._boundary}"

    def pieces(self, files: Iterable[tuple[str, Iterable[bytes]]]) -> Iterator[bytes]:
        """The bytes of the form; each file is its name and its bytes."""
        yield self._head('name="options"', "application/json") + self._request + b"\r\n"
        for name, content in files:
            # What a header cannot hold is percent-encoded, as browsers do (HTML, multipart form data).
            safe = name.translate({ord(mark): f"%{ord(mark):02X}" for mark in '"\r\n\\'})
            yield self._head(f'name="file"; filename="{safe}"', "application/octet-stream")
            yield from content
            yield b"\r\n"
        yield f"--{self._boundary}--\r\n".encode()

    def _head(self, disposition: str, media_type: str) -> bytes:
        head = f"--{self._boundary}\r\nContent-Disposition: form-data; {disposition}\r\n"
        return f"{head}Content-Type: {media_type}\r\n\r\n".encode("utf-8", "replace")
