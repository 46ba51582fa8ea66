"""One request on its way through the application: a thread that computes, an event loop that reads and sends.

The thread runs the WSGI application (PEP 3333). An answer whose length is known and that comes in one piece
crosses to the loop once. Any other is sent as it is made: where the caller reads slower than it is made, or
sends slower than it is read, the thread waits, and others have its turn meanwhile.
"""

from __future__ import annotations

import asyncio
import io
import sys
import threading
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine, Generator, Iterable, Iterator
from concurrent import futures
from contextlib import closing, contextmanager
from contextvars import copy_context
from typing import Any, NamedTuple, TypeAlias, TypeVar
from urllib.parse import unquote_to_bytes

from ballgauge_service.core.budget import Deadline, within
from ballgauge_service.web.server.turns import Turns

T = TypeVar("T")
Coming: TypeAlias = Coroutine[Any, Any, T]

Scope: TypeAlias = dict[str, Any]
Receive: TypeAlias = Callable[[], Awaitable[dict[str, Any]]]
Send: TypeAlias = Callable[[dict[str, Any]], Awaitable[None]]
Environ: TypeAlias = dict[str, Any]
Application: TypeAlias = Callable[[Environ, Callable[..., Any]], Iterable[bytes]]

DEADLINE = "ballgauge.deadline"
ARRIVED = "ballgauge.arrived"
"""Names in the WSGI environment: the request's Deadline, and `time.perf_counter` at its arrival [s]."""

AHEAD = 4
"""Pieces of an answer held between the thread and the network (ours)."""

WHOLE = 1 << 18
"""Bytes of an answer in pieces that are put together before it is sent; a larger one goes in pieces."""

PIECE = 1 << 14
"""Bytes at a time in which a large answer that is made is sent (ours)."""

_OWN_NAMES = {b"content-type": "CONTENT_TYPE", b"content-length": "CONTENT_LENGTH"}


class CallerGone(OSError):
    """The connection ended before the answer did."""


class Head(NamedTuple):
    """How an answer begins: with its whole body, or None where pieces follow, or why there is none."""

    status: int
    headers: list[tuple[bytes, bytes]]
    body: bytes | None = None
    error: BaseException | None = None


def path_of(scope: Scope) -> str:
    """The decoded path of an ASGI scope as WSGI has it, with one slash at its beginning, as it is routed."""
    path = scope.get("raw_path") or scope["path"].encode("utf-8")
    return f"/{unquote_to_bytes(path).decode('latin-1').lstrip('/')}"


def encoded(headers: Iterable[tuple[str, str]]) -> list[tuple[bytes, bytes]]:
    """Headers as ASGI has them."""
    return [(name.lower().encode("latin-1"), value.encode("latin-1")) for name, value in headers]


def environment(scope: Scope) -> Environ:
    """The WSGI environment of an ASGI scope, without headers whose names could pose as others, and a body."""
    server, client = scope.get("server") or ("localhost", 80), scope.get("client") or ("", 0)
    environ: Environ = {
        # The application takes it in any case; all that decide by it see the same.
        "REQUEST_METHOD": scope["method"].upper(),
        "SCRIPT_NAME": "",
        "PATH_INFO": path_of(scope),
        "QUERY_STRING": scope["query_string"].decode("latin-1"),
        "SERVER_NAME": server[0],
        "SERVER_PORT": str(server[1] or 0),
        "SERVER_PROTOCOL": f"HTTP/{scope['http_version']}",
        "REMOTE_ADDR": client[0],
        "REMOTE_PORT": str(client[1]),
        "wsgi.version": (1, 0),
        "wsgi.url_scheme": scope.get("scheme", "http"),
        "wsgi.input_terminated": True,
        "wsgi.errors": sys.stderr,
        "wsgi.multithread": True,
        "wsgi.multiprocess": True,
        "wsgi.run_once": False,
    }
    for name, value in scope["headers"]:
        # HTTP_PROXY would look like the setting of a proxy.
        if b"_" in name or name == b"proxy":
            continue
        key = _OWN_NAMES.get(name) or "HTTP_" + name.decode("latin-1").upper().replace("-", "_")
        text = value.decode("latin-1")
        environ[key] = text if key not in environ else f"{environ[key]},{text}"
    return environ


class Inlet(io.RawIOBase):
    """A body read by the application while it comes: one piece is asked for while another is read.

    take : gives a piece, and whether there is more; what it raises ends the body
    """

    def __init__(self, exchange: Exchange, take: Callable[[], Coming[tuple[bytes, bool]]]) -> None:
        super().__init__()
        self._exchange = exchange
        self._take = take
        self._piece = memoryview(b"")
        self._coming: futures.Future[tuple[bytes, bool]] | None = exchange.ask(take())

    def end(self) -> None:
        """Nobody needs the rest. From the event loop."""
        if self._coming is not None:
            self._coming.cancel()

    def readable(self) -> bool:
        """A body can be read."""
        return True

    def readinto(self, target: Any, /) -> int:
        """Take some bytes, none at the end. Raises what ended the body. From the thread."""
        while not self._piece and self._coming is not None:
            piece, more = self._exchange.wait_for(self._coming)
            self._piece = memoryview(piece)
            self._coming = self._exchange.ask(self._take()) if more else None
        count = min(len(self._piece), len(target))
        target[:count] = self._piece[:count]
        self._piece = self._piece[count:]
        self._exchange.deadline.renew()
        return count


class Exchange:
    """One request being answered. Made on the event loop, run in a thread.

    `head` is done when the answer begins; where it has no body, the pieces follow by `pieces`.

    Parameters
    ----------
    application : WSGI application
    turns : of which one has been taken for this request when it runs; given back at its end
    deadline : ends the computing, and is renewed by each piece
    charge : told at the end the environment, and the processor time that it took [s]
    """

    def __init__(
        self,
        application: Application,
        turns: Turns | None,
        deadline: Deadline,
        charge: Callable[[Environ, float], object] = lambda environ, seconds: None,
    ) -> None:
        self._application = application
        self._charge = charge
        self._turns = turns
        self.deadline = deadline
        self._loop = asyncio.get_running_loop()
        self.head: asyncio.Future[Head] = self._loop.create_future()
        self._pieces: asyncio.Queue[bytes | BaseException | None] = asyncio.Queue()
        self._room = threading.Semaphore(AHEAD)
        self._started: tuple[int, list[tuple[bytes, bytes]]] | None = None
        self.idle = False
        """Whether the thread waits for the caller, to send or to read."""
        self.gone = False
        """Whether nobody is there to take the answer."""
        self.made = False
        """Whether all of an answer in pieces is here, and no thread makes more of it."""

    def ask(self, coming: Coming[T]) -> futures.Future[T]:
        """Have the event loop do something for the thread."""
        return asyncio.run_coroutine_threadsafe(coming, self._loop)

    def wait_for(self, coming: futures.Future[T]) -> T:
        """What the caller sends. From the thread; raises CallerGone."""
        try:
            if not (self.gone or coming.done()):
                with self._waiting():
                    coming.exception()
            return coming.result(0.0 if self.gone else None)
        except (futures.CancelledError, TimeoutError):
            raise CallerGone("the answer is done") from None

    def leave(self) -> None:
        """Nobody is there to take the answer: end the computing soon. From the event loop."""
        self.gone = True
        self.deadline.give_up()
        self._room.release(AHEAD)

    async def pieces(self) -> AsyncIterator[bytes]:
        """The pieces of the answer, asked for one after another; raises what ended the answer early."""
        while (piece := await self._pieces.get()) is not None:
            if isinstance(piece, BaseException):
                raise piece
            yield piece
            self._room.release()

    def run(self, environ: Environ) -> None:
        """Answer the request. In a thread; every outcome goes to the event loop."""
        environ[DEADLINE] = self.deadline
        began = time.thread_time()
        try:
            try:
                body = copy_context().run(self._answer, environ)
            finally:
                self._charge(environ, time.thread_time() - began + self.deadline.spent)
        except BaseException as error:  # noqa: BLE001 - a thread has no caller to tell
            self._loop.call_soon_threadsafe(self._fail, error)
        else:
            self._loop.call_soon_threadsafe(self._finish, body)

    def _answer(self, environ: Environ) -> bytes | None:
        """Give the whole answer, or None where its pieces have been written."""
        with within(self.deadline), closing(_closed(self._application(environ, self._start))) as pieces:
            body = next(pieces, b"")
            assert self._started is not None
            length = _length(environ["REQUEST_METHOD"], *self._started)
            if length is not None and length <= max(len(body), WHOLE):
                return body if len(body) == length else body + b"".join(pieces)
            self._loop.call_soon_threadsafe(self._set_head, None)
            self._write(body)
            for piece in pieces:
                self._write(piece)
        return None

    def _start(self, status: str, headers: list[tuple[str, str]], exc_info: Any = None) -> Any:
        self._started = (int(status[:3]), encoded(headers))
        return self._write

    def _write(self, piece: bytes) -> None:
        if not piece:
            return
        if not self._room.acquire(blocking=False):
            with self._waiting():
                self._room.acquire()
        if self.gone:
            raise CallerGone("the caller left")
        self.deadline.renew()
        self._loop.call_soon_threadsafe(self._pieces.put_nowait, piece)

    @contextmanager
    def _waiting(self) -> Iterator[None]:
        """The thread waits for the caller; another request has its turn meanwhile."""
        self._loop.call_soon_threadsafe(self._pause)
        try:
            yield
        finally:
            resumed = self.ask(self._resume())
            # Where nobody waits, the loop may have ended before it resumes anybody.
            while not (self.gone or resumed.done()):
                futures.wait((resumed,), timeout=1.0)

    def _pause(self) -> None:
        self.idle = True
        if self._turns is not None:
            self._turns.give()

    async def _resume(self) -> None:
        if self._turns is not None:
            await self._turns.take_again()
        self.deadline.renew()
        self.idle = False

    def _set_head(self, body: bytes | None) -> None:
        assert self._started is not None
        self.head.set_result(Head(*self._started, body))

    def _finish(self, body: bytes | None) -> None:
        if self._turns is not None:
            self._turns.give()
        if body is not None and len(body) <= WHOLE:
            self._set_head(body)
            return
        if body is not None:
            self.made = True
            self._set_head(None)
            for start in range(0, len(body), PIECE):
                self._pieces.put_nowait(body[start : start + PIECE])
        self._pieces.put_nowait(None)

    def drop(self) -> None:
        """Forget what was not sent; who holds on to the request keeps no large answer with it."""
        while not self._pieces.empty():
            self._pieces.get_nowait()

    def _fail(self, error: BaseException) -> None:
        if self._turns is not None:
            self._turns.give()
        if self.head.done():
            self._pieces.put_nowait(error)
        else:
            self.head.set_result(Head(0, [], None, error))


def _closed(pieces: Iterable[bytes]) -> Generator[bytes, None, None]:
    try:
        yield from pieces
    finally:
        close = getattr(pieces, "close", None)
        if close is not None:
            close()


def _length(method: str, status: int, headers: list[tuple[bytes, bytes]]) -> int | None:
    """The length of an answer's body, None where it is not known."""
    if method == "HEAD" or status in (204, 304):
        return 0
    announced = next((value for name, value in headers if name == b"content-length"), None)
    return None if announced is None else int(announced)
