"""The gate before the application: what waits for the network is kept apart from what computes.

A body of JSON is read whole before its request asks for a turn, so that slow callers and half-open
connections cost no thread. Who gets a turn is decided at once (`turns`). Lots and forms are read while
they are judged, and have a place among a few such streams. What is refused here is a problem (RFC 9457) like
every other refusal.
"""

from __future__ import annotations

import asyncio
import io
import time
from collections.abc import Awaitable, Collection, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from typing import Any

from ballgauge_schemas.shared.limits import BODY_MAXIMUM
from ballgauge_schemas.shared.problems import MEDIA_TYPE
from ballgauge_service.core.budget import Deadline, DeadlinePassed
from ballgauge_service.web.access.access import DECIDED, Entrance
from ballgauge_service.web.http import metrics, refusals, request_log, serializer
from ballgauge_service.web.http.refusals import Refusal
from ballgauge_service.web.http.settings import Settings
from ballgauge_service.web.server.bridge import (
    ARRIVED,
    Application,
    CallerGone,
    Exchange,
    Head,
    Inlet,
    Receive,
    Scope,
    Send,
    environment,
    path_of,
)
from ballgauge_service.web.server.turns import Full, Turns

CHEAP = frozenset(("/healthz", "/readyz", "/metrics"))
"""Paths that are answered without a turn, as OPTIONS is on any path: it needs no body and no key."""

STREAMED = frozenset(("/v1/lots", "/v1/records/lots"))
"""Paths whose bodies are read while they are judged, as forms (RFC 7578) are on any path."""

STREAMS = 32
"""Bodies and answers that one process has under way as streams (ours)."""

HELD = 1 << 28
"""Bytes of bodies of JSON that one process holds while they come (ours)."""

SLOWEST = 1000.0
"""Least rate at which a caller must send and take, once its patience is used up [bytes/s] (ours)."""

DRAINED = 1 << 24
"""Bytes of a body too large that are taken to nothing (ours): who sends first reads its refusal then."""

GRACE = 1.0
"""Seconds after the deadline in which the application may still say itself that it passed (ours)."""

_QUICK = 0.2
_GONE = 499
"""Status in the log where the caller left, as is the custom; nobody receives it."""

_FULL = {
    "line_full": "too many requests wait for their turn; try again later",
    "waited_too_long": "no turn came in time; try again later",
    "streams_full": "too many files are under way; try again later",
    "bodies_full": "too many bodies are under way; try again later",
}


class Aborted(Exception):
    """An answer broke off after its head; the connection ends, so that it is not taken for whole."""


class Gate:
    """An ASGI application that carries HTTP requests to a WSGI application.

    Parameters
    ----------
    application : WSGI application
    settings : Settings
    paths : collection of str
        Paths that may stand in the log; any other could hold a customer's data.
    entrance : Entrance, optional
        Whom to ask, by a request's head, before anything of its body is read or it stands in line.
    """

    def __init__(
        self,
        application: Application,
        settings: Settings,
        paths: Collection[str],
        entrance: Entrance | None = None,
    ) -> None:
        self._application = application
        self._entrance = None if entrance is None or entrance.waits else entrance
        self._settings = settings
        self._paths = paths
        self._turns = Turns(settings.computing, settings.waiting, settings.longest_wait, metrics.show_turns)
        self._streams = 0
        self._held = 0
        # Those with a turn, those that wait for their callers, and as many again that are about to end.
        self._threads = ThreadPoolExecutor(settings.computing + 2 * STREAMS, "request")
        self._messengers = ThreadPoolExecutor(2, "cheap")

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            raise NotImplementedError(f"{scope['type']} is not served")
        arrived = time.perf_counter()
        try:
            await self._answer(scope, receive, send, arrived)
        except Refusal as refusal:
            await self._refuse(scope, send, refusal, arrived)
        except CallerGone:
            metrics.turned_away("caller_left")
            self._log(scope, _request_id(scope), _GONE, arrived)

    def _answer(self, scope: Scope, receive: Receive, send: Send, arrived: float) -> Awaitable[None]:
        if self._entrance is not None:
            scope[DECIDED] = self._entrance.decided(environment(scope, io.BytesIO()))
        # What is refused is answered by the application, which logs it and adds what its answers have.
        path = path_of(scope)
        if path in CHEAP or scope["method"] == "OPTIONS" or isinstance(scope.get(DECIDED), Refusal):
            return self._cheap(scope, receive, send, arrived)
        if path in STREAMED or _header(scope, b"content-type").lower().startswith(b"multipart/form-data"):
            return self._streamed(scope, receive, send, arrived)
        return self._whole(scope, receive, send, arrived)

    def _environ(self, scope: Scope, body: Any, arrived: float) -> dict[str, Any]:
        return {**environment(scope, body), ARRIVED: arrived, DECIDED: scope.get(DECIDED)}

    async def _cheap(self, scope: Scope, receive: Receive, send: Send, arrived: float) -> None:
        exchange = self._exchange(None)
        listener = _Listener(receive, exchange)
        self._messengers.submit(exchange.run, self._environ(scope, io.BytesIO(), arrived))
        try:
            await self._relay(exchange, listener, send)
        finally:
            listener.end()

    async def _whole(self, scope: Scope, receive: Receive, send: Send, arrived: float) -> None:
        body = await self._read(scope, receive)
        exchange = self._exchange(self._turns)
        listener = _Listener(receive, exchange)
        try:
            await self._turn(listener)
            self._threads.submit(exchange.run, self._environ(scope, io.BytesIO(body), arrived))
            await self._relay(exchange, listener, send)
        finally:
            listener.end()

    async def _streamed(self, scope: Scope, receive: Receive, send: Send, arrived: float) -> None:
        with ExitStack() as stack:
            stack.enter_context(self._place())
            exchange = self._exchange(self._turns)
            inlet = exchange.inlet()
            await self._turn(None)
            running = self._threads.submit(exchange.run, self._environ(scope, inlet, arrived))
            place = stack.pop_all()
        # The place is free when the thread is; a refusal does not wait for that.
        asyncio.wrap_future(running).add_done_callback(lambda _: place.close())
        filling = asyncio.create_task(_fill(inlet, exchange, receive, Patience(self._settings.patience)))
        try:
            await self._relay(exchange, None, send)
        finally:
            filling.cancel()
            inlet.end(CallerGone("the answer is done"))
            exchange.leave()

    def _exchange(self, turns: Turns | None) -> Exchange:
        return Exchange(self._application, turns, Deadline(self._settings.deadline))

    @contextmanager
    def _place(self) -> Iterator[None]:
        if self._streams >= STREAMS:
            raise self._full("streams_full")
        self._streams += 1
        try:
            yield
        finally:
            self._streams -= 1

    async def _turn(self, listener: _Listener | None) -> None:
        """Take a turn for a request whose caller still listens. Raises Refusal, CallerGone."""
        if listener is not None and not self._turns.free:
            listener.start()
        try:
            await self._turns.take()
        except Full as full:
            raise self._full(str(full)) from None
        if listener is not None and listener.exchange.gone:
            self._turns.give()
            raise CallerGone("the caller left the line")

    def _full(self, reason: str) -> Refusal:
        metrics.turned_away(reason)
        return Refusal(
            503, _FULL[reason], headers={"Retry-After": str(round(self._settings.longest_wait) or 1)}
        )

    async def _read(self, scope: Scope, receive: Receive) -> bytes:
        """The body, cut after one byte more than is allowed. Raises Refusal, CallerGone."""
        announced = _header(scope, b"content-length")
        if not announced and not _header(scope, b"transfer-encoding") and scope["http_version"] != "2":
            return b""
        if int(announced or 0) > DRAINED:
            return b""
        body, taken, more = bytearray(), 0, True
        patience = Patience(self._settings.patience)
        try:
            while more and taken <= DRAINED:
                piece, more = await patience.take(receive)
                taken += len(piece)
                kept = piece[: BODY_MAXIMUM + 1 - len(body)]
                body += kept
                self._held += len(kept)
                if self._held > HELD:
                    raise self._full("bodies_full")
        finally:
            self._held -= len(body)
        return bytes(body)

    async def _relay(self, exchange: Exchange, listener: _Listener | None, send: Send) -> None:
        """Send the answer as it is made. Raises Refusal and CallerGone before it begins."""
        await asyncio.wait((exchange.head,), timeout=_QUICK)
        if not exchange.head.done():
            if listener is not None:
                listener.start()
            await self._await_head(exchange)
        head = exchange.head.result()
        if head.error is not None:
            if exchange.gone:
                raise CallerGone("the caller left")
            raise refusals.refusal_of(head.error, None)
        if head.body is not None:
            await _send_head(send, head)
            await send({"type": "http.response.body", "body": head.body})
        elif exchange.made:
            await self._send_made(exchange, head, listener, send)
        elif listener is None:
            await self._send_pieces(exchange, head, send)
        else:
            listener.start()
            await self._send_as_made(exchange, head, send)

    async def _send_made(
        self, exchange: Exchange, head: Head, listener: _Listener | None, send: Send
    ) -> None:
        """Send a large answer that is made; it is held no longer than its caller takes it."""
        if listener is not None:
            listener.start()
        try:
            await self._send_pieces(exchange, head, send)
        finally:
            exchange.drop()

    async def _send_as_made(self, exchange: Exchange, head: Head, send: Send) -> None:
        try:
            with self._place():
                await self._send_pieces(exchange, head, send)
        except BaseException:
            exchange.leave()
            raise

    async def _await_head(self, exchange: Exchange) -> None:
        """Wait until the answer begins, as long as its deadline allows. Raises Refusal, CallerGone."""
        while not exchange.head.done():
            if exchange.gone:
                raise CallerGone("the caller left")
            left = exchange.deadline.left + GRACE
            if left < 0.0 and not exchange.idle:
                exchange.leave()
                metrics.turned_away("deadline")
                text = f"not done after {exchange.deadline.seconds:g} s, and ended: ask for less at a time"
                raise Refusal(503, text, headers={"Retry-After": "60"})
            await asyncio.wait((exchange.head,), timeout=min(max(left, 0.01), 1.0))

    async def _send_pieces(self, exchange: Exchange, head: Head, send: Send) -> None:
        await _send_head(send, head)
        try:
            async for piece in exchange.pieces():
                async with asyncio.timeout(self._settings.patience + len(piece) / SLOWEST):
                    await send({"type": "http.response.body", "body": piece, "more_body": True})
                if exchange.gone:
                    break
        except TimeoutError:
            metrics.turned_away("slow_reader")
            raise Aborted("the caller takes its answer too slowly") from None
        except (CallerGone, DeadlinePassed):
            pass
        except Exception as error:  # noqa: BLE001 - whatever it is, the answer cannot be ended well
            refusals.refusal_of(error, None)
            raise Aborted("the answer broke off") from None
        else:
            if not exchange.gone:
                await send({"type": "http.response.body", "body": b""})
                return
        raise Aborted("the answer broke off")

    async def _refuse(self, scope: Scope, send: Send, refusal: Refusal, arrived: float) -> None:
        request_id = _request_id(scope)
        body = serializer.dump(refusals.problem(refusal, request_id))
        headers = {
            "Content-Type": MEDIA_TYPE,
            "Content-Length": str(len(body)),
            "X-Content-Type-Options": "nosniff",
            request_log.REQUEST_ID: request_id,
            **refusal.headers,
        }
        named = [(name.lower().encode("latin-1"), value.encode("latin-1")) for name, value in headers.items()]
        await _send_head(send, Head(refusal.status, named))
        await send({"type": "http.response.body", "body": b"" if scope["method"] == "HEAD" else body})
        self._log(scope, request_id, refusal.status, arrived)

    def _log(self, scope: Scope, request_id: str, status: int, arrived: float) -> None:
        path = path_of(scope)
        path = path if path in self._paths else request_log.NO_PATH
        request_log.write(request_id, scope["method"], path, status, arrived)


class Patience:
    """The time a caller may take over its body; only the waiting for it counts.

    Parameters
    ----------
    seconds : float
        Time beside that by `SLOWEST`, and the longest pause; what came fast earns no longer one [s].
    """

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds
        self._left = seconds

    async def take(self, receive: Receive) -> tuple[bytes, bool]:
        """The next piece of a body, and whether there is more.

        Raises Refusal where the caller is too slow, CallerGone where it left.
        """
        before = time.monotonic()
        try:
            async with asyncio.timeout(self._left):
                message = await receive()
        except TimeoutError:
            metrics.turned_away("slow_body")
            raise Refusal(408, "the body comes too slowly", headers={"Connection": "close"}) from None
        if message["type"] == "http.disconnect":
            raise CallerGone("the caller left")
        piece = message.get("body", b"")
        waited = time.monotonic() - before
        self._left = min(self._seconds, self._left - waited + len(piece) / SLOWEST)
        return piece, message.get("more_body", False)


class _Listener:
    """Tells an exchange when its caller leaves; begun only where an answer takes a while."""

    def __init__(self, receive: Receive, exchange: Exchange) -> None:
        self._receive = receive
        self.exchange = exchange
        self._task: asyncio.Task[None] | None = None

    def start(self) -> None:
        if self._task is None:
            self._task = asyncio.create_task(self._listen())

    def end(self) -> None:
        if self._task is not None:
            self._task.cancel()

    async def _listen(self) -> None:
        while (await self._receive())["type"] != "http.disconnect":
            pass
        self.exchange.leave()


async def _fill(inlet: Inlet, exchange: Exchange, receive: Receive, patience: Patience) -> None:
    """Hand a body over as it comes, then watch for the caller to leave."""
    more = True
    try:
        while more:
            piece, more = await patience.take(receive)
            if piece:
                await inlet.feed(piece)
        inlet.end()
        while (await receive())["type"] != "http.disconnect":
            pass
        exchange.leave()
    except Refusal as slow:
        inlet.end(slow)
    except CallerGone as gone:
        inlet.end(gone)
        exchange.leave()


async def _send_head(send: Send, head: Head) -> None:
    await send({"type": "http.response.start", "status": head.status, "headers": head.headers})


def _header(scope: Scope, wanted: bytes) -> bytes:
    found: Any = next((value for name, value in scope["headers"] if name == wanted), b"")
    return bytes(found)


def _request_id(scope: Scope) -> str:
    sent = _header(scope, request_log.REQUEST_ID.lower().encode()).decode("latin-1")
    return request_log.request_id(sent)
