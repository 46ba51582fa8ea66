"""The client for programs that await; what is asked and what is read is that of `Client`."""

from __future__ import annotations

import contextlib
import functools
import os
from collections.abc import AsyncIterator, Callable, Coroutine, Iterable, Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from types import TracebackType
from typing import TYPE_CHECKING, Any, Concatenate, ParamSpec, TypeVar, Unpack

from ballgauge import _lot
from ballgauge._client import Client, require_token
from ballgauge._deprecation import Notice
from ballgauge._failures import Answer, ServiceUnreachable, Timeout, failure
from ballgauge._http import PIECE, Found, Http, Request, Steps, Tries
from ballgauge._lot import LotResult, LotRow
from ballgauge._network import CallOptions, Proxies, TimeLimit, Timeouts, Way, meaning

if TYPE_CHECKING:
    import httpx

    from ballgauge import types

Made = TypeVar("Made")
Kept = TypeVar("Kept", bound=Callable[..., Any])
Given = ParamSpec("Given")


@dataclass(frozen=True, slots=True)
class _Heard:
    status_code: int
    reason: str
    headers: Mapping[str, str]
    content: bytes = b""


Reading = Callable[[Answer], _lot.Lines]


class _Network:
    """Carries requests over HTTP with httpx; a task that is canceled closes its connection."""

    reads_paths = False

    def __init__(self, way: Way, client: httpx.AsyncClient | None, notice: Notice) -> None:
        # Deferred: httpx is an extra.
        try:
            import httpx
        except ModuleNotFoundError as error:
            raise ServiceUnreachable(
                "AsyncClient needs httpx, which is not installed: pip install 'ballgauge[async]'"
            ) from error

        self.way, self.notice = way, notice
        self.url = way.url.rstrip("/")
        self.own = client is None
        self.client = client or _client_for(way)
        self._library = f"python-httpx/{httpx.__version__}"

    async def run(self, steps: Steps[Found]) -> Found:
        try:
            request = next(steps)
            while True:
                try:
                    answer = await self._send(request)
                except BaseException as error:  # noqa: BLE001 - the call closes its files, and raises it
                    request = steps.throw(error)
                else:
                    request = steps.send(answer)
        except StopIteration as done:
            found: Found = done.value
            return found

    async def _send(self, request: Request) -> Answer:
        async with self._answer(request) as (response, heard):
            if heard.status_code == 200 and request.taken is not None:
                async for piece in response.aiter_bytes():
                    request.taken(piece)
                return heard
            content = await response.aread()
            heard = _Heard(heard.status_code, heard.reason, heard.headers, content)
            if heard.status_code != 200:
                raise failure(heard)
            return heard

    async def rows(self, asked: AbstractContextManager[Request], lines: Reading) -> AsyncIterator[LotRow]:
        with asked as request:
            async with self._answer(request) as (response, heard):
                if heard.status_code != 200:
                    content = await response.aread()
                    raise failure(_Heard(heard.status_code, heard.reason, heard.headers, content))
                reader = lines(heard)
                async for piece in response.aiter_bytes():
                    for row in reader.take(piece):
                        yield row
                reader.end()

    @contextlib.asynccontextmanager
    async def _answer(self, request: Request) -> AsyncIterator[tuple[httpx.Response, _Heard]]:
        """The answer to a request, unread, within the time there is; tries again as `Http` does."""
        import anyio
        import httpx

        tries = Tries(self.way.retries if isinstance(request.body, (bytes, type(None))) else 0)
        total = self.way.timeout.total
        doing = "gives no answer"
        try:
            # No scope around what a generator gives out in between: it may be left in another task.
            within = contextlib.nullcontext() if total is None or request.stream else anyio.fail_after(total)
            with within:
                while True:
                    failed: _Heard | ServiceUnreachable
                    try:
                        response = await self._sent(request)
                    except (httpx.TransportError, httpx.InvalidURL) as error:
                        failed = meaning(error, self.url, doing)
                        failed.__cause__ = error
                    else:
                        failed = _Heard(response.status_code, response.reason_phrase, response.headers)
                    wait = tries.after(failed)
                    if not isinstance(failed, ServiceUnreachable):
                        if wait is None:
                            break
                        await response.aclose()
                    elif wait is None:
                        raise failed
                    await anyio.sleep(wait)
                self.notice(request.method, request.path, failed)
                doing = "broke its answer off"
                try:
                    yield response, failed
                finally:
                    with anyio.CancelScope(shield=True):
                        await response.aclose()
        except httpx.TransportError as error:
            raise meaning(error, self.url, doing) from error
        except TimeoutError as error:
            if total is None:
                raise
            raise Timeout(f"{self.url} gives no whole answer in {total:g} s") from error

    async def _sent(self, request: Request) -> httpx.Response:
        import httpx

        headers = self.way.sent(self._library, request.headers())
        if self.way.key is not None:
            headers["Authorization"] = f"Bearer {self.way.key}"
        connect, read = self.way.timeout.phases(request.patience)
        body = request.body if isinstance(request.body, (bytes, type(None))) else _awaited(request.body)
        timeout = httpx.Timeout(read, connect=connect)
        built = self.client.build_request(
            request.method, self.url + request.path, content=body, headers=headers, timeout=timeout
        )
        # A key goes before what the client was set up with.
        auth: Any = httpx.USE_CLIENT_DEFAULT if self.way.key is None else None
        return await self.client.send(built, stream=True, auth=auth, follow_redirects=False)

    async def close(self) -> None:
        if self.own:
            await self.client.aclose()


def _client_for(way: Way) -> httpx.AsyncClient:
    import httpx

    mounts = None
    if isinstance(way.proxies, Mapping):
        mounts = {
            f"{scheme}://": httpx.AsyncHTTPTransport(proxy=proxy, verify=_tls(way))
            for scheme, proxy in way.proxies.items()
        }
    proxy = way.proxies if isinstance(way.proxies, str) else None
    return httpx.AsyncClient(verify=_tls(way), proxy=proxy, mounts=mounts, follow_redirects=False)


def _tls(way: Way) -> Any:
    """What of TLS is asked for, as httpx takes it."""
    import ssl

    if way.verify is True and way.cert is None:
        return True
    trusted = None if isinstance(way.verify, bool) else os.fspath(way.verify)
    context = ssl.create_default_context(cafile=trusted)
    if way.verify is False:
        context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    if way.cert is not None:
        context.load_cert_chain(*([way.cert] if isinstance(way.cert, str) else way.cert))
    return context


async def _awaited(pieces: Iterable[bytes]) -> AsyncIterator[bytes]:
    """Pieces that are read in a thread, since they come from a file."""
    from anyio import to_thread

    iterator = iter(pieces)
    while (piece := await to_thread.run_sync(next, iterator, None)) is not None:
        yield piece


class _Engine:
    """The engine in this process, asked in threads. A task that is canceled does not end its work."""

    def __init__(self, http: Http) -> None:
        self._http = http
        self.reads_paths = http.transport.reads_paths

    async def run(self, steps: Steps[Found]) -> Found:
        from anyio import to_thread

        return await to_thread.run_sync(self._http.run, steps)

    async def rows(self, asked: AbstractContextManager[Request], lines: Reading) -> AsyncIterator[LotRow]:
        from anyio import to_thread

        with asked as request:
            response = await to_thread.run_sync(self._http.stream, request)
            reader = lines(response)
            with response:
                pieces = response.iter_content(PIECE)
                while (piece := await to_thread.run_sync(next, pieces, None)) is not None:
                    for row in reader.take(piece):
                        yield row
            reader.end()

    async def close(self) -> None:
        pass


class AsyncLotRows:
    """The balls of a lot as they are judged (``async for``); once all are taken, `result` has the lot."""

    def __init__(self, rows: Callable[[Reading], AsyncIterator[LotRow]]) -> None:
        self._lines: _lot.Lines | None = None
        self._rows = rows(self._begin)

    def _begin(self, answer: Answer) -> _lot.Lines:
        self._lines = _lot.Lines(answer)
        return self._lines

    @property
    def result(self) -> LotResult:
        """The lot. Raises RuntimeError before the last ball is taken."""
        if self._lines is None:
            raise RuntimeError("the lot is not judged before its last ball is taken")
        return self._lines.result

    def __aiter__(self) -> AsyncIterator[LotRow]:
        return self._rows


def _awaiting(
    call: Callable[Concatenate[Any, Given], Made],
) -> Callable[Concatenate[AsyncClient, Given], Coroutine[Any, Any, Made]]:
    """A call of `Client`, whose answer is awaited: what it runs is run by the client it is called of."""

    async def awaiting(self: AsyncClient, /, *given: Given.args, **named: Given.kwargs) -> Made:
        answer: Any = call(self, *given, **named)
        made: Made = await answer
        return made

    return _as(call, awaiting)


def _each(
    call: Callable[Concatenate[Any, Given], Iterator[Made]],
) -> Callable[Concatenate[AsyncClient, Given], AsyncIterator[Made]]:
    """A call of `Client` that gives its results one by one, for ``async for``."""

    def each(self: AsyncClient, /, *given: Given.args, **named: Given.kwargs) -> AsyncIterator[Made]:
        results: Any = call(self, *given, **named)
        found: AsyncIterator[Made] = results
        return found

    return _as(call, each)


def _as(call: Callable[..., Any], made: Kept) -> Kept:
    functools.update_wrapper(made, call)
    made.__doc__ = f"See `Client.{call.__name__}`."
    return made


class AsyncClient:
    """Asks one service, awaiting its answers: the calls, results and errors are those of `Client`.

    The parameters are `Client`'s, but for `client`, an `httpx.AsyncClient` in place of one made here, with
    what it is set up for; it is left open. Needs httpx (extra ``async``). Tasks may share a client; one that
    is canceled closes its connection, and `Timeouts.total` bounds all of a call.

    >>> import asyncio, ballgauge
    >>> async def outcomes(requests):
    ...     async with ballgauge.AsyncClient("http://127.0.0.1:8000") as client:
    ...         return await asyncio.gather(*(client.check(request) for request in requests))
    """

    _asking: _Network | _Engine

    def __init__(
        self,
        url: str,
        *,
        timeout: TimeLimit = 30.0,
        key: str | None = None,
        retries: int = 2,
        headers: Mapping[str, str] | None = None,
        proxies: Proxies | None = None,
        verify: bool | str | os.PathLike[str] = True,
        cert: str | tuple[str, str] | None = None,
        client: httpx.AsyncClient | None = None,
    ) -> None:
        if key is not None:
            require_token(key)
        way = Way(url, Timeouts.of(timeout), key, retries, dict(headers or {}), proxies, verify, cert)
        self._asking = _Network(way, client, Notice())

    @classmethod
    def embedded(
        cls,
        *,
        scheduler: str | None = None,
        rulebooks: str | os.PathLike[str] | None = None,
        approved_list: str | os.PathLike[str] | None = None,
    ) -> AsyncClient:
        """Run the service inside this process, in threads; see `Client.embedded`."""
        made = cls.__new__(cls)
        made._asking = _Engine(
            Client.embedded(scheduler=scheduler, rulebooks=rulebooks, approved_list=approved_list)._http
        )
        return made

    def with_options(self, **options: Unpack[CallOptions]) -> AsyncClient:
        """See `Client.with_options`: `timeout`, `key`, `retries`, `headers`; connections are shared."""
        if not isinstance(self._asking, _Network):
            raise ValueError("the engine in this process has no connection to be set up")
        if unknown := options.keys() - {"timeout", "key", "retries", "headers"}:
            raise TypeError(f"not an option of a call: {', '.join(sorted(unknown))}")
        if (key := options.get("key")) is not None:
            require_token(key)
        made = AsyncClient.__new__(AsyncClient)
        shared = self._asking
        made._asking = _Network(shared.way.changed(**options), shared.client, shared.notice)
        return made

    def __reduce__(self) -> Any:
        raise TypeError("an asynchronous client is not pickled: make one there")

    check = _awaiting(Client.check)
    check_many = _each(Client.check_many)
    drill = _awaiting(Client.drill)
    drill_many = _each(Client.drill_many)
    print_sheet = _awaiting(Client.print_sheet)
    assess_lot = _awaiting(Client.assess_lot)
    assess_lots = _awaiting(Client.assess_lots)
    design = _awaiting(Client.design)
    motion = _awaiting(Client.motion)
    motion_picture = _awaiting(Client.motion_picture)
    shots = staticmethod(Client.shots)
    lineup = _awaiting(Client.lineup)
    sign = _awaiting(Client.sign)
    sign_lot = _awaiting(Client.sign_lot)
    verify = _awaiting(Client.verify)
    read_record = _awaiting(Client.read_record)
    print_record = _awaiting(Client.print_record)
    public_keys = _awaiting(Client.public_keys)
    rulebooks = _awaiting(Client.rulebooks)
    rule_changes = _awaiting(Client.rule_changes)
    is_ready = _awaiting(Client.is_ready)
    version = _awaiting(Client.version)

    def lot_rows(
        self, lot: _lot.Lot, options: types.LotRequest | None = None, *, progress: _lot.Progress | None = None
    ) -> AsyncLotRows:
        """See `Client.lot_rows`; the rows come by ``async for``."""
        asked = _lot.asked_rows(lot, options, progress, by_path=self._by_path)
        return AsyncLotRows(lambda lines: self._asking.rows(asked, lines))

    @property
    def _by_path(self) -> bool:
        return self._asking.reads_paths

    async def _many(self, batches: Iterator[Steps[list[Found]]]) -> AsyncIterator[Found]:
        for batch in batches:
            for result in await self._run(batch):
                yield result

    async def _run(self, steps: Steps[Made]) -> Made:
        made: Made = await self._asking.run(steps)
        return made

    async def close(self) -> None:
        """Close the connections."""
        await self._asking.close()

    async def __aenter__(self) -> AsyncClient:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.close()
