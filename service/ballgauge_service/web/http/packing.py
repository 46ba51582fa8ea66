"""Answers packed as the caller asks (RFC 9110, 12.5.3): zstd, br or gzip. A check of 16 kB becomes 4 kB."""

from __future__ import annotations

import gzip
from functools import lru_cache

import brotli
from flask import Flask, Response, request
from flask_compress import Compress
from werkzeug.datastructures import Accept
from werkzeug.http import parse_accept_header

_ALGORITHMS = ("zstd", "br", "gzip")

_KEPT, _ANEW = 11, 5
"""Brotli's quality for files and pages, which are packed once, and for what a request makes (6 ms)."""

_PACKED = (
    "application/json", "image/svg+xml", "text/css", "text/html", "text/javascript", "text/plain",
)  # fmt: skip


def register(app: Flask) -> None:
    """Pack answers of texts; rows of lots go out as they are made, and refusals are short."""
    # Levels of ours: little time for most of the gain.
    app.config.update(
        COMPRESS_MIMETYPES=list(_PACKED),
        COMPRESS_ALGORITHM=list(_ALGORITHMS),
        COMPRESS_MIN_SIZE=1024,
        COMPRESS_ZSTD_LEVEL=2,
        COMPRESS_BR_LEVEL=3,
        COMPRESS_LEVEL=2,
    )
    app.before_request(_name_what_is_taken)
    Compress(app)
    # Hooks run from the last to the first: an answer is packed when all others are done with it.
    hooks = app.after_request_funcs[None]
    hooks.insert(0, hooks.pop())
    hooks.insert(1, _pack_well)


def _name_what_is_taken() -> None:
    """Name each packing that the caller takes: the library reads a quality of 0 as a last choice."""
    request.environ["HTTP_ACCEPT_ENCODING"] = _taken(request.environ.get("HTTP_ACCEPT_ENCODING", ""))


@lru_cache(maxsize=256)
def _taken(asked: str) -> str:
    accepted = parse_accept_header(asked, Accept)
    plain = [("identity", quality) for name, quality in accepted if name == "identity"]
    taken = [*((name, accepted.quality(name)) for name in _ALGORITHMS), *plain]
    return ",".join(f"{name};q={quality:g}" for name, quality in taken if quality > 0)


def _pack_well(response: Response) -> Response:
    """Pack pages, and the files they keep by their version, smaller than other answers."""
    is_kept = "immutable" in response.headers.get("Cache-Control", "")
    if response.status_code != 200 or response.mimetype not in _PACKED:
        return response
    if not is_kept and response.mimetype != "text/html":
        return response
    packing = request.accept_encodings.best_match(("br", "gzip", "identity"))
    if packing in ("br", "gzip"):
        response.direct_passthrough = False
        data = response.get_data()
        is_same = is_kept or (request.method == "GET" and set(request.args) <= {"lang"})
        response.set_data(_kept(packing, data) if is_same else _packed(packing, data, _ANEW))
        response.headers["Content-Encoding"] = packing
        if is_kept:
            response.headers.remove("ETag")
    return response


def _packed(packing: str, data: bytes, quality: int) -> bytes:
    packed: bytes = brotli.compress(data, quality=quality) if packing == "br" else gzip.compress(data)
    return packed


@lru_cache(maxsize=256)
def _kept(packing: str, data: bytes) -> bytes:
    return _packed(packing, data, _KEPT)
