"""Requests to bytes."""

from __future__ import annotations

import json
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
    return json.dumps(document, default=_plain, separators=(",", ":")).encode()


def _plain(value: Any) -> Any:
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


def batches(member: str, items: Iterable[Any]) -> Iterator[tuple[int, int, bytes]]:
    """Split items into request bodies ``{member: [...]}`` within the limits above.

    Yields the index of the batch's first item, how many there are, and the body. Items are taken as needed.
    """
    first = 0
    pending: list[bytes] = []
    size = 0
    for encoded in map(encode, items):
        if pending and (len(pending) == MOST_ITEMS or size + len(encoded) > MOST_BYTES):
            yield first, len(pending), _frame(member, pending)
            first, pending, size = first + len(pending), [], 0
        pending.append(encoded)
        size += len(encoded) + 1
    if pending:
        yield first, len(pending), _frame(member, pending)


def _frame(member: str, encoded: list[bytes]) -> bytes:
    return b'{"%s":[%s]}' % (member.encode(), b",".join(encoded))
