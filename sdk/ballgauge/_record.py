"""Signed records: what is asked about them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from ballgauge import _encoding
from ballgauge._http import Http, document_of
from ballgauge._values import Record


def sign(http: Http, request: Mapping[str, Any]) -> Record:
    """See `Client.sign`."""
    return Record(document_of(http.post("/v1/records", _encoding.encode(request))))


def verified(http: Http, record: str, on: date | str | None) -> bytes:
    """Ask what became of a record; gives the service's own document."""
    asked = {"record": record, **({} if on is None else {"on": str(on)})}
    return http.post("/v1/records/verify", _encoding.encode(asked))


def text_in(http: Http, file: bytes, media_type: str) -> str:
    """Ask for the record in a picture or PDF."""
    return str(document_of(http.post("/v1/records/read", file, media_type))["record"])
