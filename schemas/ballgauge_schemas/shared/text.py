"""Text as files have it."""

from __future__ import annotations

import json


def utf8(data: bytes) -> bytes:
    """Text as UTF-8 without a mark at its start, whichever Unicode encoding it came in; else as it is.

    Windows writes UTF-16 (PowerShell 5 behind `>`) and marks UTF-8.
    """
    encoding = json.detect_encoding(data)
    if encoding == "utf-8":
        return data
    try:
        return data.decode(encoding).removeprefix("\ufeff").encode()
    except UnicodeError:
        return data
