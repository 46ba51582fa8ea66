"""Bodies that hold a file: as it is, or in a form; read as they come and never held whole."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Any, NamedTuple

from flask import Request
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
        self._body = body
        self._delimiter = b"--" + boundary
        self._decoder = MultipartDecoder(boundary, max_parts=_PARTS_MAXIMUM)
        self._at_data = False
        self._waiting = b""
        self._next: Field | File | None = None
        self._next = self._head()

    def options(self) -> bytes:
        """The options, empty where the form begins with a file. Raises Refusal."""
        if self._next is None or self._next.name != "options":
            return b""
        found = bytearray()
        while piece := self._data():
            found += piece
            if len(found) > BODY_MAXIMUM:
                raise Refusal(413, f"the options are larger than {BODY_MAXIMUM >> 20} MiB")
        self._next = self._head()
        return bytes(found)

    def files(self) -> Iterator[Upload]:
        """The files; each must be read to its end before the next is asked for. Raises Refusal."""
        if self._next is None:
            raise Refusal(422, "the form has no part named file", {"/file": "missing"})
        while self._next is not None:
            part = self._next
            if part.name != "file":
                # The decoder gives None where a part has no name.
                name = (part.name or "")[:60]
                name = name if name.isprintable() else "?"
                text = "must come before the files" if name == "options" else "there are options and file"
                raise Refusal(422, f"the form's part {name!r} cannot stand here: {text}")
            yield Upload(getattr(part, "filename", None), _PartSource(self))
            while self._data():
                pass
            self._next = self._head()

    def _event(self) -> Any:
        while True:
            try:
                event = self._decoder.next_event()
                if not isinstance(event, NeedData):
                    return event
                self._decoder.receive_data(self._piece() or None)
            except RequestEntityTooLarge:
                raise Refusal(
                    413, f"the form has more than {_PARTS_MAXIMUM} parts, or a part's head is too long"
                ) from None
            except (ValueError, LookupError, UnicodeError):
                text = "ends before its last boundary" if self._decoder.complete else _NO_FORM
                raise Refusal(400, f"the form {text}") from None

    def _piece(self) -> bytes:
        """The next bytes of the body, none at its end; what may begin a boundary waits for the rest of it.

        The decoder takes parts of a boundary for content where its bytes come in two pieces.
        """
        while piece := self._body.read():
            piece = self._waiting + piece
            cut = self._boundary_start(piece)
            piece, self._waiting = piece[:cut], piece[cut:]
            if piece:
                return piece
        piece, self._waiting = self._waiting, b""
        return piece

    def _boundary_start(self, data: bytes) -> int:
        """Where the line break begins behind which a boundary may have begun; the end where there is none."""
        end = len(data) - data.endswith(b"\r")
        start = self._break(data, end)
        line = data[start + 1 : end]
        if start < 0 or not (self._delimiter.startswith(line) or self._is_boundary(line)):
            return end
        start -= data[max(start - 1, 0) : start + 1] == b"\r\n"
        before = self._break(data, start)
        # A break that ends a boundary begins no other one.
        return end if before >= 0 and self._is_boundary(data[before + 1 : start]) else start

    def _break(self, data: bytes, end: int) -> int:
        low = max(0, end - len(self._delimiter) - _PADDING_MAXIMUM)
        return max(data.rfind(b"\n", low, end), data.rfind(b"\r", low, end))

    def _is_boundary(self, line: bytes) -> bool:
        return line.startswith(self._delimiter) and not line[len(self._delimiter) :].strip(_PADDING)

    def _head(self) -> Field | File | None:
        event = self._event()
        while not isinstance(event, (Field, File, Epilogue)):
            event = self._event()
        self._at_data = not isinstance(event, Epilogue)
        return None if isinstance(event, Epilogue) else event

    def _data(self) -> bytes:
        """The next bytes of the present part, none at its end."""
        while self._at_data:
            event = self._event()
            if not isinstance(event, Data):
                raise Refusal(400, f"the form {_NO_FORM}")
            self._at_data = event.more_data
            if event.data:
                return bytes(event.data)
        return b""


class _PartSource:
    def __init__(self, form: Form) -> None:
        self._form = form
        self._left = b""

    def read(self, size: int = -1, /) -> bytes:
        """Give up to `size` bytes, none at the end of the part."""
        if not self._left:
            self._left = self._form._data()
        if size < 0:
            size = len(self._left)
        piece, self._left = self._left[:size], self._left[size:]
        return piece


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
