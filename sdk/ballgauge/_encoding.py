"""Requests to bytes."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping
from datetime import date
from decimal import Decimal
from numbers import Integral, Real
from typing import Any

MOST_ITEMS = 1000
MOST_BYTES = 1_000_000
"""Of one request; a little under the service's limit of 1 MiB, for the frame around the items."""


def encode(document: Any) -> bytes:
    """Write a request as JSON; dates and numbers of other kinds (decimal, numpy) become JSON's own.

    NaN and infinity go out as they are: the service answers with the name of the field.
    """
    return _encoder.encode(document).encode()


def plain(value: Any) -> Any:
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Integral):
        return int(value)
    if isinstance(value, (Real, Decimal)):
        return float(value)
    if isinstance(value, Mapping):
        return dict(value)
    raise TypeError(
        f"a request holds numbers, strings, dates, lists and mappings, not {type(value).__name__}"
    )


_encoder = json.JSONEncoder(default=plain, separators=(",", ":"))


def batches(
    member: str, items: Iterable[Any], beside: Mapping[str, Any] | None = None
) -> Iterator[tuple[int, int, bytes]]:
    """Split items into request bodies ``{member: [...], **beside}`` within the limits above.

    Yields the index of the batch's first item, how many there are, and the body. Items are taken as needed.
    """
    first, room = 0, MOST_BYTES - len(encode(beside or {}))
    pending: list[bytes] = []
    size = 0
    for encoded in map(encode, items):
        if pending and (len(pending) == MOST_ITEMS or size + len(encoded) > room):
            yield first, len(pending), _frame(member, pending, beside or {})
            first, pending, size = first + len(pending), [], 0
        pending.append(encoded)
        size += len(encoded) + 1
    if pending:
        yield first, len(pending), _frame(member, pending, beside or {})


def _frame(member: str, encoded: list[bytes], beside: Mapping[str, Any]) -> bytes:
    more = b"".join(b",%s:%s" % (encode(name), encode(value)) for name, value in beside.items())
    return b'{"%s":[%s]%s}' % (member.encode(), b",".join(encoded), more)


class Form:
    """A form (RFC 7578) of a request as JSON, and of files that are read as they are sent."""

    def __init__(self, request: Any) -> None:
        self._request = encode(request)
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
