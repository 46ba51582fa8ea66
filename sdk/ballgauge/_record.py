"""Signed records: what is asked about them."""

from __future__ import annotations

import os
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ballgauge import _encoding
from ballgauge._http import Request, Steps, document_in, document_of

if TYPE_CHECKING:
    from ballgauge import types

_MEDIA_TYPES = {b"%PDF-": "application/pdf", b"\x89PNG": "image/png", b"\xff\xd8\xff": "image/jpeg"}


def media_type(file: bytes) -> str | None:
    """The media type of a picture or PDF; None of all else, which is text."""
    return next((kind for start, kind in _MEDIA_TYPES.items() if file.startswith(start)), None)


def sign(request: Mapping[str, Any]) -> Steps[types.SignedRecord]:
    """See `Client.sign`."""
    # Deferred: few calls need the kinds of all answers.
    from ballgauge import types

    return types.SignedRecord(document_in((yield Request("POST", "/v1/records", _encoding.encode(request)))))


def verified(record: str, on: date | str | None) -> Steps[bytes]:
    """Ask what became of a record; gives the service's own document."""
    asked = {"record": record, **({} if on is None else {"on": str(on)})}
    return (yield Request("POST", "/v1/records/verify", _encoding.encode(asked))).content


def verify(record: str, on: date | str | None) -> Steps[types.VerifiedRecord]:
    """See `Client.verify`."""
    # Deferred: few calls need the kinds of all answers.
    from ballgauge import types

    return types.VerifiedRecord(document_of((yield from verified(record, on))))


def read(file: bytes | str | os.PathLike[str]) -> Steps[str]:
    """See `Client.read_record`."""
    data = file if isinstance(file, bytes) else Path(file).read_bytes()
    kind = media_type(data)
    if kind is None:
        raise ValueError("a record is read out of a PNG or JPEG picture, or a PDF")
    answer = yield Request("POST", "/v1/records/read", data, kind)
    return str(document_in(answer)["record"])


def printed(record: str, form: str) -> Steps[bytes]:
    """See `Client.print_record`."""
    body = _encoding.encode({"record": record, "form": form})
    return (yield Request("POST", "/v1/records/prints", body)).content


def public_keys() -> Steps[types.PublicKeys]:
    """See `Client.public_keys`."""
    # Deferred: few calls need the kinds of all answers.
    from ballgauge import types

    return types.PublicKeys(document_in((yield Request("GET", "/v1/records/keys"))))
