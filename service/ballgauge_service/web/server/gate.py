"""The gate before the application: what waits for the network is kept apart from what computes.

A body of JSON is read whole before its request asks for a turn, so that slow callers and half-open
connections cost no thread. Cheap work and heavy work stand in lines of their own (`turns`), so that a check
never waits for a study. Lots and forms are read while they are judged, and have a place among a few such
streams. Health, and all that is refused by its head, is answered here without the application; what is
refused here is a problem (RFC 9457) like every other refusal.
"""

from __future__ import annotations

import asyncio
import io
import math
import os
import re
import threading
import time
from collections import Counter
from collections.abc import Awaitable, Callable, Collection, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, nullcontext
from functools import cached_property, partial
from typing import Any

from ballgauge_schemas.shared.limits import BODY_MAXIMUM
from ballgauge_schemas.shared.problems import MEDIA_TYPE
from ballgauge_service.core.budget import Deadline, DeadlinePassed
from ballgauge_service.web.access.access import DECIDED, Admission, Entrance
from ballgauge_service.web.access.slowing import Slowing
from ballgauge_service.web.http import cors, metrics, refusals, request_ids, request_log, running, serializer
from ballgauge_service.web.http.refusals import Refusal
from ballgauge_service.web.http.settings import Settings
from ballgauge_service.web.server.bridge import (
    ARRIVED,
    Application,
    CallerGone,
    Environ,
    Exchange,
    Head,
    Inlet,
    Receive,
    Scope,
    Send,
    encoded,
    environment,
    path_of,
)
from ballgauge_service.web.server.turns import Full, Turns

CHEAP = "/metrics"
"""The path that is answered without a turn, as OPTIONS is on any path: it needs no body."""

STREAMED = frozenset(("/v1/lots", "/v1/records/lots", "/v1/records/read"))
"""Paths whose bodies are read while they are judged, as forms (RFC 7578) are on any path."""

HEAVY = STREAMED.union(
    ("/v1/designs", "/v1/drillings/sheets", "/v1/motions", "/v1/lineups", "/v1/records/prints")
)
"""Paths whose work may take seconds, as forms' and large bodies' may on any path."""

LIGHT = 1 << 16
"""Bytes of a body up to which its work counts as cheap, where its path's does (ours): some thirty checks."""

LAYERS = re.compile(rb'"(?:[design]|\\u00[67][0-9A-Fa-f]){6}"\s*:')
"""A member `design` in a body, also as escapes spell it: layers that are drilled take a study's work."""

HELD = 1 << 28
"""Bytes of bodies of JSON that one process holds, while they come and while they stand in line (ours)."""

REFUSED_AFTER = 1.0
"""Seconds after which a caller is told that the line is full (ours): who is told at once, asks at once."""

DRAINED = 1 << 24
"""Bytes of a body too large that are taken to nothing (ours): who sends first reads its refusal then."""

HEADS_AT_ONCE = 32
"""Heads that are judged before the event loop looks at what else came (ours): health is never behind more."""

GRACE = 1.0
"""Seconds after the deadline in which the application may still say itself that it passed (ours)."""

LEFT = 1.0
"""Seconds for the refusals of what is not answered when the server ends (ours)."""

_QUICK = 0.2
_CLOSE = {"Connection": "close"}
_SOON = {"Retry-After": "1"}
_ENDED = "shutting down; retry"
_REQUEST_ID = request_log.REQUEST_ID.lower().encode()
_TOLD = encoded(request_ids.TOLD.items())
_GONE = 499
"""Status in the log where the caller left, as is the custom; nobody receives it."""

_FULL = {
    "line_full": "the queue is full; retry later",
    "waited_too_long": "waited too long in the queue; retry later",
    "streams_full": "too many uploads in progress; retry later",
    "streams_full_for_one": "too many uploads in progress from you; send them one at a time",
    "bodies_full": "too many request bodies in progress; retry later",
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
    health : mapping of str to callable
        What addresses answer that must answer whatever the load: they give JSON, or raise Refusal.
    takes_body : callable (str, str) -> bool
        Whether a method at a path is answered from a body; no other is read.
    """

    def __init__(
        self,
        application: Application,
        settings: Settings,
        paths: Collection[str],
        entrance: Entrance | None = None,
        health: Mapping[str, Callable[[], Any]] | None = None,
        takes_body: Callable[[str, str], bool] = lambda method, path: True,
    ) -> None:
        self._application = application
        self._entrance = entrance
        self._health = health or {}
        self._takes_body = takes_body
        self._settings = settings
        self._paths = paths
        self._cheap_turns, self._heavy_turns = (
            Turns(
                settings.computing,
                settings.waiting,
                settings.longest_wait,
                partial(metrics.show_turns, lane),
            )
            for lane in ("cheap", "heavy")
        )
        self._heads = asyncio.Semaphore(HEADS_AT_ONCE)
        self._slowing = Slowing()
        self._streams: Counter[str | None] = Counter()
        self._held = 0
        self._clocks: set[asyncio.Timeout] = set()
        self._end: float | None = None
        # Those with a turn, those that wait for their callers, and as many again that are about to end.
        self._threads = ThreadPoolExecutor(2 * (settings.computing + settings.uploads), "request")
        self._messengers = ThreadPoolExecutor(2, "cheap")
        self._porters = ThreadPoolExecutor(8, "entrance")

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            raise NotImplementedError(f"{scope['type']} is not served")
        asked = _Asked(scope, receive, send)
        try:
            async with asyncio.timeout_at(self._end) as clock:
                self._clocks.add(clock)
                try:
                    await (await self._admitted(asked))(asked)
                finally:
                    self._clocks.remove(clock)
        except TimeoutError:
            metrics.turned_away("ending")
            if asked.answered:
                raise Aborted("the server ends") from None
            await self._refuse(asked, Refusal(503, _ENDED, headers=_SOON))
        except Refusal as refusal:
            await self._refuse(asked, refusal)
        except CallerGone:
            metrics.turned_away("caller_left")
            self._log(asked, _GONE)

    def end_soon(self) -> None:
        """The server was told to end: refuse in a while what is not answered by then. On the event loop."""
        if self._end is None:
            self._end = asyncio.get_running_loop().time() + self._settings.drain + self._settings.ending
            for clock in self._clocks:
                clock.reschedule(self._end)
            # What holds the process after that is no answer: heads half sent, work that does not look up.
            last = threading.Timer(self._settings.drain + self._settings.ending + LEFT, os._exit, (0,))
            last.daemon = True
            last.start()

    async def _admitted(self, asked: _Asked) -> Callable[[_Asked], Awaitable[None]]:
        """How a request is answered that its head lets in. Raises Refusal."""
        path, method = asked.path, asked.method
        if path in self._health and method in ("GET", "HEAD"):
            return self._tell_health
        if self._entrance is not None:
            await self._ask_entrance(self._entrance, asked)
        is_cheap = path == CHEAP or method == "OPTIONS" or not self._takes_body(method, path)
        return self._streamed if not is_cheap and (path in STREAMED or asked.is_form) else self._whole

    async def _ask_entrance(self, entrance: Entrance, asked: _Asked) -> None:
        """Let a request in by its head. Raises Refusal, later the more often an address is refused."""
        loop, head = asyncio.get_running_loop(), asked.environ
        await self._heads.acquire()
        loop.call_soon(self._heads.release)
        if entrance.waits:
            found = await loop.run_in_executor(self._porters, entrance.decided, head)
        else:
            found = entrance.decided(head)
        head[DECIDED] = found
        asked.address = entrance.address(head)
        if isinstance(found, Refusal):
            asked.key, asked.reason = found.key, getattr(found, "reason", None)
            wait = self._slowing.wait(entrance.caller(head))
            if wait:
                await asyncio.sleep(wait)
            raise found
        asked.key = None if found.key is None else found.key.id
        asked.who = found.who

    async def _tell_health(self, asked: _Asked) -> None:
        body = serializer.dump(self._health[asked.path]())
        await self._say(asked, 200, {"Content-Type": "application/json"}, body)

    async def _whole(self, asked: _Asked) -> None:
        body = bytearray()
        try:
            turns: Turns | None = None
            threads = self._messengers
            if asked.path != CHEAP and asked.method != "OPTIONS":
                await self._read(asked, body)
                heavy = asked.path in HEAVY or len(body) > LIGHT or LAYERS.search(body) is not None
                turns = self._heavy_turns if heavy else self._cheap_turns
                threads = self._threads
            exchange = self._exchange(turns)
            listener = _Listener(asked.receive, exchange)
            try:
                if turns is not None:
                    await self._turn(turns, listener)
                threads.submit(exchange.run, asked.with_body(io.BytesIO(body)))
                await self._relay(exchange, listener, asked)
            finally:
                listener.end()
                exchange.leave()
        finally:
            self._held -= len(body)

    async def _streamed(self, asked: _Asked) -> None:
        patience = self._patience(self._settings.upload_time)

        async def take() -> tuple[bytes, bool]:
            try:
                piece, more = await patience.take(asked.receive)
            except CallerGone:
                raise _cut() from None
            if not more:
                listener.start()
            return piece, more

        with ExitStack() as stack:
            stack.enter_context(self._place(asked.who))
            exchange = self._exchange(self._heavy_turns)
            listener = _Listener(asked.receive, exchange)
            await self._turn(self._heavy_turns, None)
            inlet = Inlet(exchange, take)
            running = self._threads.submit(exchange.run, asked.with_body(inlet))
            place = stack.pop_all()
        # The place is free when the thread is; a refusal does not wait for that.
        asyncio.wrap_future(running).add_done_callback(lambda _: place.close())
        try:
            await self._relay(exchange, None, asked)
        finally:
            listener.end()
            exchange.leave()
            inlet.end()

    def _exchange(self, turns: Turns | None) -> Exchange:
        return Exchange(self._application, turns, Deadline(self._settings.deadline), self._charge)

    def _charge(self, environ: dict[str, Any], seconds: float) -> None:
        """Count the processor time that a request took."""
        admission = environ.get(DECIDED)
        if self._entrance is not None and isinstance(admission, Admission):
            self._entrance.charge(admission, seconds)

    @contextmanager
    def _place(self, who: str | None) -> Iterator[None]:
        if self._streams.total() >= self._settings.uploads:
            raise self._full("streams_full")
        if who is not None and self._streams[who] >= self._settings.uploads_of_one:
            raise self._full("streams_full_for_one")
        self._streams[who] += 1
        try:
            yield
        finally:
            self._streams[who] -= 1
            # What is not there counts as none; nobody is remembered.
            self._streams += Counter()

    async def _turn(self, turns: Turns, listener: _Listener | None) -> None:
        """Take a turn for a request whose caller still listens. Raises Refusal, CallerGone."""
        if listener is not None and not turns.free:
            listener.start()
        try:
            await turns.take()
        except Full as full:
            if str(full) == "line_full":
                await asyncio.sleep(min(REFUSED_AFTER, self._settings.longest_wait))
            raise self._full(str(full)) from None
        if listener is not None and listener.exchange.gone:
            turns.give()
            raise CallerGone("the caller left the line")

    def _full(self, reason: str) -> Refusal:
        metrics.turned_away(reason)
        return Refusal(
            503, _FULL[reason], headers={"Retry-After": str(round(self._settings.longest_wait) or 1)}
        )

    def _patience(self, longest: float = math.inf) -> Patience:
        return Patience(self._settings.patience, self._settings.least_rate, longest)

    async def _read(self, asked: _Asked, body: bytearray) -> None:
        """Read the body, cut after one byte more than is allowed. Raises Refusal."""
        announced = asked.header(b"content-length")
        if not announced and not asked.header(b"transfer-encoding"):
            return
        if int(announced or 0) > DRAINED or not self._takes_body(asked.method, asked.path):
            return
        taken, more = 0, True
        patience = self._patience()
        while more and taken <= DRAINED:
            try:
                piece, more = await patience.take(asked.receive)
            except CallerGone:
                raise _cut() from None
            taken += len(piece)
            kept = piece[: BODY_MAXIMUM + 1 - len(body)]
            body += kept
            self._held += len(kept)
            if self._held > HELD:
                raise self._full("bodies_full")

    async def _relay(self, exchange: Exchange, listener: _Listener | None, asked: _Asked) -> None:
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
            await _send_head(asked.send, head)
            await asked.send({"type": "http.response.body", "body": head.body})
            return
        if listener is not None:
            listener.start()
        # What is made as it is sent has a place among the streams, where it has none by its body.
        as_made = listener is not None and not exchange.made
        try:
            with self._place(asked.who) if as_made else nullcontext():
                await self._send_pieces(exchange, head, asked.send)
        finally:
            exchange.drop()

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
                async with asyncio.timeout(self._settings.patience + len(piece) / self._settings.least_rate):
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

    async def _refuse(self, asked: _Asked, refusal: Refusal) -> None:
        body = serializer.dump(refusals.problem(refusal, asked.request_id, asked.key))
        await self._say(asked, refusal.status, {"Content-Type": MEDIA_TYPE, **refusal.headers}, body)

    async def _say(self, asked: _Asked, status: int, headers: Mapping[str, str], body: bytes) -> None:
        """Answer without the application, with what all its answers have."""
        origins = self._settings.cors_origins
        if origins:
            told = cors.told(asked.path, asked.header(b"origin").decode("latin-1"), origins)
            headers = {**told, **headers}
        ours = (b"content-length", b"%d" % len(body)), (_REQUEST_ID, asked.request_id.encode("latin-1"))
        await _send_head(asked.send, Head(status, [*_TOLD, *ours, *encoded(headers.items())]))
        is_head = asked.scope["method"] == "HEAD"
        await asked.send({"type": "http.response.body", "body": b"" if is_head else body})
        if self._settings.metrics:
            address = asked.path if asked.path in self._paths else metrics.NO_ROUTE
            metrics.observe(address, status, time.perf_counter() - asked.arrived, asked.key)
        self._log(asked, status)

    def _log(self, asked: _Asked, status: int) -> None:
        path = asked.path if asked.path in self._paths else request_log.NO_PATH
        who = {"key": asked.key, "address": asked.address, "reason": asked.reason}
        request_log.write(asked.request_id, asked.scope["method"], path, status, asked.arrived, **who)


class _Asked:
    """A request on its way: what the server gives of it, and what is found of it."""

    key: str | None = None
    """Id of the access key that asked."""
    reason: str | None = None
    """Why it was denied, for the log."""
    who: str | None = None
    """Under which name it is counted."""
    answered = False
    """Whether an answer has begun."""

    def __init__(self, scope: Scope, receive: Receive, send: Send) -> None:
        self.arrived = time.perf_counter()
        self.scope, self.receive, self._send = scope, receive, send
        self.path, self.method = path_of(scope), scope["method"].upper()
        client = scope.get("client")
        self.address: str | None = client[0] if client else None

    async def send(self, message: dict[str, Any]) -> None:
        self.answered = True
        await self._send(message)

    def header(self, wanted: bytes) -> bytes:
        found: Any = next((value for name, value in self.scope["headers"] if name == wanted), b"")
        return bytes(found)

    @property
    def is_form(self) -> bool:
        """Whether a body is a form, or lines that are read as they come as forms are."""
        kinds = (b"multipart/form-data", b"application/x-ndjson")
        return self.header(b"content-type").lower().startswith(kinds)

    @cached_property
    def request_id(self) -> str:
        """The id of a request, the same whenever it is asked for."""
        return request_log.request_id(self.header(_REQUEST_ID).decode("latin-1"))

    @cached_property
    def environ(self) -> Environ:
        """The WSGI environment, with nothing of the body."""
        return environment(self.scope) | {ARRIVED: self.arrived}

    def with_body(self, body: Any) -> Environ:
        """The WSGI environment, once, with its body."""
        self.environ["wsgi.input"] = body
        return self.environ


class Patience:
    """The time a caller may take over its body; only the waiting for it counts.

    Parameters
    ----------
    seconds : float
        Time beside that by `rate`, and the longest pause; what came fast earns no longer one [s].
    rate : float
        Least rate at which a caller must send once its patience is used up [bytes/s].
    longest : float
        The most that all of the body may take, however fast it comes [s].
    """

    def __init__(self, seconds: float, rate: float, longest: float) -> None:
        self._seconds = seconds
        self._rate = rate
        self._left = seconds
        self._end = time.monotonic() + longest

    async def take(self, receive: Receive) -> tuple[bytes, bool]:
        """The next piece of a body, and whether there is more.

        Raises Refusal where the caller is too slow, CallerGone where it left.
        """
        before = time.monotonic()
        try:
            async with asyncio.timeout(min(self._left, self._end - before)):
                message = await receive()
        except TimeoutError:
            metrics.turned_away("slow_body")
            raise Refusal(408, "the body comes too slowly", headers=_CLOSE) from None
        if message["type"] == "http.disconnect":
            raise CallerGone("the caller left")
        piece = message.get("body", b"")
        waited = time.monotonic() - before
        self._left = min(self._seconds, self._left - waited + len(piece) / self._rate)
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


def _cut() -> Refusal:
    """The refusal of a body that ends early; whoever only stopped sending may still read it."""
    metrics.turned_away("cut_body")
    text = "the body ends before all of it that was announced has come, or its chunks are wrong"
    return Refusal(400, text, headers=_CLOSE)


async def _send_head(send: Send, head: Head) -> None:
    headers = head.headers
    # No connection that is kept may meet the end of the server.
    if running.is_ending():
        headers = [*headers, (b"connection", b"close")]
    await send({"type": "http.response.start", "status": head.status, "headers": headers})
