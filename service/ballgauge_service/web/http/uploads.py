"""Bodies that hold a file: as it is, or in a form; read as they come and never held whole."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from itertools import chain
from typing import Any, NamedTuple

from flask import Request
from marshmallow import ValidationError
from werkzeug.exceptions import HTTPException, RequestEntityTooLarge
from werkzeug.sansio.multipart import Data, Epilogue, Field, File, MultipartDecoder, NeedData

from ballgauge_schemas.shared.limits import BODY_MAXIMUM
from ballgauge_service.web.http.refusals import Refusal

PIECE = 1 << 16
"""Bytes taken from the network at a time (ours)."""

DRAINED = 1 << 28
"""Bytes still taken after a refusal (ours): a caller who sends first and listens then would never read it."""

_PARTS_MAXIMUM = 201
_PADDING = b"- \t\v\f"
_PADDING_MAXIMUM = 256
"""What may stand behind a boundary in its line (RFC 2046, 5.1.1), and how much of it is looked at (ours)."""

_NO_FORM = "cannot be read: its parts are not as RFC 7578 has them"


class Body:
    """The bytes of a body as they come; more than `largest` are refused, and fewer than announced."""

    def __init__(self, request: Request, largest: int) -> None:
        request.max_content_length = largest + 1
        self._announced = request.content_length
        self._largest = largest
        self._taken = 0
        if self._announced is not None and self._announced > largest:
            raise _too_large(largest)
        self._stream = request.stream

    def read(self, size: int = PIECE, /) -> bytes:
        """Give up to `size` bytes, none at the end. Raises Refusal."""
        try:
            piece: bytes = self._stream.read(min(size, PIECE))
        except RequestEntityTooLarge:
            raise _too_large(self._largest) from None
        except (HTTPException, OSError):
            raise _cut_short() from None
        self._taken += len(piece)
        if self._taken > self._largest:
            raise _too_large(self._largest)
        if not piece and self._announced is not None and self._taken < self._announced:
            raise _cut_short()
        return piece

    def drain(self) -> None:
        """Take what is still to come, to nothing, up to `DRAINED` bytes."""
        end = self._taken + DRAINED
        with contextlib.suppress(Refusal):
            while self._taken < end and self.read():
                pass


@contextlib.contextmanager
def drained(request: Request, largest: int) -> Iterator[Body]:
    """The body of a request; what is left of it is taken where the request is refused."""
    body = Body(request, largest)
    try:
        yield body
    except Exception:
        body.drain()
        raise


class Upload(NamedTuple):
    """One file of a request: its name, None where it has none, and its bytes as they come."""

    name: str | None
    source: Any


class Form:
    """A form of parts (RFC 7578): options first, then files. The parts are read one after another."""

    def __init__(self, body: Body, boundary: bytes) -> None:
        self._parts = _parts(body, boundary)
        self._first = next(self._parts, None)

    def options(self) -> bytes:
        """The options, empty where the form begins with a file. Raises Refusal."""
        if self._first is None or self._first[0].name != "options":
            return b""
        found = bytearray()
        for piece in self._first[1]:
            found += piece
            if len(found) > BODY_MAXIMUM:
                raise Refusal(413, f"the options are larger than {BODY_MAXIMUM >> 20} MiB")
        self._first = next(self._parts, None)
        return bytes(found)

    def files(self) -> Iterator[Upload]:
        """The files; each must be read to its end before the next is asked for. Raises Refusal."""
        if self._first is None:
            raise ValidationError({"file": "missing; the form has no such part"})
        for head, pieces in chain((self._first,), self._parts):
            if head.name != "file":
                # The decoder gives None where a part has no name.
                name = (head.name or "")[:60]
                name = name if name.isprintable() else "?"
                text = "must come before the files" if name == "options" else "there are options and file"
                raise Refusal(422, f"the form's part {name!r} cannot stand here: {text}")
            yield Upload(getattr(head, "filename", None), _PartSource(pieces))


class _PartSource:
    def __init__(self, pieces: Iterator[bytes]) -> None:
        self._pieces = pieces
        self._left = b""

    def read(self, size: int = -1, /) -> bytes:
        """Give up to `size` bytes, none at the end of the part."""
        if not self._left:
            self._left = next(self._pieces, b"")
        if size < 0:
            size = len(self._left)
        piece, self._left = self._left[:size], self._left[size:]
        return piece


def _parts(body: Body, boundary: bytes) -> Iterator[tuple[Field | File, Iterator[bytes]]]:
    """The head of each part and its content, of which what was not taken is passed over. Raises Refusal."""
    events = _events(body, boundary)
    for event in events:
        if isinstance(event, (Field, File)):
            content = _content(events)
            yield event, content
            for _ in content:
                pass


def _content(events: Iterator[Any]) -> Iterator[bytes]:
    for event in events:
        if not isinstance(event, Data):
            raise Refusal(400, f"the form {_NO_FORM}")
        if event.data:
            yield bytes(event.data)
        if not event.more_data:
            return


def _events(body: Body, boundary: bytes) -> Iterator[Any]:
    decoder = MultipartDecoder(boundary, max_parts=_PARTS_MAXIMUM)
    pieces = _cut(body, b"--" + boundary)
    try:
        while not isinstance(event := decoder.next_event(), Epilogue):
            if isinstance(event, NeedData):
                decoder.receive_data(next(pieces, None))
            else:
                yield event
    except RequestEntityTooLarge:
        raise Refusal(
            413, f"the form has more than {_PARTS_MAXIMUM} parts, or a part's head is too long"
        ) from None
    except (ValueError, LookupError, UnicodeError):
        text = "ends before its last boundary" if decoder.complete else _NO_FORM
        raise Refusal(400, f"the form {text}") from None


def _cut(body: Body, delimiter: bytes) -> Iterator[bytes]:
    """The bytes of a body; what may begin a boundary waits for the rest of it.

    The decoder takes parts of a boundary for content where its bytes come in two pieces.
    """
    waiting = b""
    while piece := body.read():
        piece = waiting + piece
        cut = _boundary_start(piece, delimiter)
        waiting = piece[cut:]
        if cut:
            yield piece[:cut]
    if waiting:
        yield waiting


def _boundary_start(data: bytes, delimiter: bytes) -> int:
    """Where the line break begins behind which a boundary may have begun; the end where there is none."""
    end = len(data) - data.endswith(b"\r")
    start = _break(data, end, delimiter)
    line = data[start + 1 : end]
    if start < 0 or not (delimiter.startswith(line) or _is_boundary(line, delimiter)):
        return end
    start -= data[max(start - 1, 0) : start + 1] == b"\r\n"
    before = _break(data, start, delimiter)
    # A break that ends a boundary begins no other one.
    return end if before >= 0 and _is_boundary(data[before + 1 : start], delimiter) else start


def _break(data: bytes, end: int, delimiter: bytes) -> int:
    low = max(0, end - len(delimiter) - _PADDING_MAXIMUM)
    return max(data.rfind(b"\n", low, end), data.rfind(b"\r", low, end))


def _is_boundary(line: bytes, delimiter: bytes) -> bool:
    return line.startswith(delimiter) and not line[len(delimiter) :].strip(_PADDING)


def boundary(request: Request) -> bytes:
    """The boundary of a form's parts. Raises Refusal where the content type names none."""
    found = request.mimetype_params.get("boundary", "")
    if not 0 < len(found) <= 200 or not found.isascii():
        raise Refusal(400, "the content type multipart/form-data names no boundary")
    return found.encode("ascii")


def _too_large(largest: int) -> Refusal:
    return Refusal(413, f"the body is larger than {largest} bytes, the most this address takes")


def _cut_short() -> Refusal:
    return Refusal(400, "the body ends before all of it that was announced has come")
