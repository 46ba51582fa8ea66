"""The service over the network, and how it is reached."""

from __future__ import annotations

import math
import os
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from ssl import SSLError as TlsError
from typing import Any, TypeAlias, TypedDict

from ballgauge._failures import Answer, ConnectionFailed, ServiceUnreachable, Timeout, TlsFailed


@dataclass(frozen=True)
class Timeouts:
    """How long to wait [s]: for a connection, for each part of the answer, and in all (None: no end).

    Work that is known to take long (lots, designs, motions) is waited for longer than `read` says.
    """

    connect: float = 30.0
    read: float = 30.0
    total: float | None = None

    def __post_init__(self) -> None:
        for seconds in (self.connect, self.read, *([] if self.total is None else [self.total])):
            if not 0 < seconds < math.inf:
                raise ValueError(f"a timeout is more than 0 s; got {seconds:g}")

    @classmethod
    def of(cls, given: TimeLimit) -> Timeouts:
        """Read a number for all phases, a pair for connecting and reading, or these."""
        if isinstance(given, Timeouts):
            return given
        return cls(given, given) if isinstance(given, (int, float)) else cls(*given)

    def phases(self, patience: float | None) -> tuple[float, float]:
        """For connecting and for each part of an answer that may take so long."""
        read, most = max(self.read, patience or 0.0), self.total or math.inf
        return min(self.connect, most), min(read, most)


TimeLimit: TypeAlias = float | tuple[float, float] | Timeouts

Proxies: TypeAlias = str | Mapping[str, str]


class CallOptions(TypedDict, total=False):
    """What a client may have otherwise for some of its calls."""

    timeout: TimeLimit
    key: str | None
    retries: int
    headers: Mapping[str, str]


class Options(CallOptions, total=False):
    """What a client of requests may have otherwise as well."""

    proxies: Proxies | None
    verify: bool | str | os.PathLike[str]
    cert: str | tuple[str, str] | None


@dataclass(frozen=True)
class Way:
    """How a service is reached; see `Client`."""

    url: str
    timeout: Timeouts = field(default_factory=Timeouts)
    key: str | None = field(default=None, repr=False)
    retries: int = 0
    headers: Mapping[str, str] = field(default_factory=dict)
    proxies: Proxies | None = None
    verify: bool | str | os.PathLike[str] = True
    cert: str | tuple[str, str] | None = None

    def __post_init__(self) -> None:
        if not self.url.lower().startswith(("http://", "https://")):
            raise ValueError(f"the address starts with http:// or https://, unlike {self.url!r}")
        if self.retries < 0:
            raise ValueError(f"retries are 0 or more; got {self.retries}")

    def changed(self, **given: Any) -> Way:
        """The way with what is given in place of its own; headers are laid over its own."""
        if "timeout" in given:
            given["timeout"] = Timeouts.of(given["timeout"])
        if "headers" in given:
            given["headers"] = {**self.headers, **given["headers"]}
        return replace(self, **given)

    def sent(self, library: str, headers: Mapping[str, str]) -> dict[str, str]:
        """The headers of a request; `library` is the one that sends it."""
        return {"User-Agent": f"ballgauge/{version('ballgauge')} {library}", **self.headers, **headers}


class Network:
    """Carries requests over HTTP, in one session (of requests, made here unless it is given)."""

    reads_paths = False

    def __init__(self, way: Way, session: Any = None) -> None:
        # Deferred: whoever only says how a service is reached needs no HTTP client.
        import requests
        from urllib3.exceptions import HTTPError

        self.failures: tuple[type[Exception], ...] = (requests.RequestException, HTTPError)
        self.way = way
        self.url = way.url.rstrip("/")
        self.retries = way.retries
        self.own = session is None
        self.session: Any = requests.Session() if session is None else session
        self._library = f"python-requests/{requests.__version__}"

    def send(self, request: Any, headers: Mapping[str, str]) -> Any:
        """Give the answer, whatever it is, unread; redirects are not followed."""
        way = self.way
        proxies = {"http": way.proxies, "https": way.proxies} if isinstance(way.proxies, str) else way.proxies
        return self.session.request(
            request.method,
            self.url + request.path,
            data=request.body,
            headers=way.sent(self._library, headers),
            # Not a header of the session: the process's .netrc would take its place.
            auth=None if way.key is None else _bearer(way.key),
            timeout=way.timeout.phases(request.patience),
            proxies=proxies,
            verify=None if way.verify is True else way.verify and os.fspath(way.verify),
            cert=way.cert,
            allow_redirects=False,
            stream=True,
        )

    @contextmanager
    def reading(self, response: Any) -> Iterator[None]:
        """Read an answer inside, in what is left of the time in all."""
        total = self.way.timeout.total
        if total is None:
            yield
            return
        over = threading.Event()

        def end() -> None:
            over.set()
            with suppress(Exception):
                response.raw.shutdown()

        timer = threading.Timer(max(0.0, total - response.elapsed.total_seconds()), end)
        timer.daemon = True
        timer.start()
        try:
            yield
        except self.failures:
            if not over.is_set():
                raise
        finally:
            timer.cancel()
        if over.is_set():
            response.close()
            raise Timeout(f"{self.url} gives no whole answer in {total:g} s")

    def failed(self, error: Exception, otherwise: str) -> ServiceUnreachable:
        """What an exception of the network means."""
        return meaning(error, self.url, otherwise)

    def close(self) -> None:
        """Close the connections."""
        if self.own:
            self.session.close()


def _bearer(key: str) -> Any:
    def put(request: Any) -> Any:
        request.headers["Authorization"] = f"Bearer {key}"  # RFC 6750, 2.1
        return request

    return put


def meaning(error: Exception, url: str, otherwise: str) -> ServiceUnreachable:
    """What an exception of an HTTP library means, told by what it came of."""
    causes = list(_causes(error))
    # urllib3 counts a refused connection among those that timed out.
    telling = [cause for cause in causes if type(cause).__name__ != "NewConnectionError"]
    names = {kind.__name__ for cause in telling for kind in type(cause).__mro__}
    system = next((cause.strerror for cause in causes if isinstance(cause, OSError) and cause.strerror), None)
    if names & {"TimeoutError", "Timeout", "TimeoutException"}:
        return Timeout(f"{url} {otherwise} in the time there was")
    if any(isinstance(cause, TlsError) for cause in causes) or "SSLError" in names:
        return TlsFailed(f"{url} is not reached securely: {system or error}")
    if names & {"InvalidURL", "InvalidHeader", "InvalidSchema", "UnsupportedProtocol", "MissingSchema"}:
        return ServiceUnreachable(f"{url} cannot be asked: {error}")
    return ConnectionFailed(f"{url} {otherwise}: {system or error}")


def _causes(error: BaseException | None) -> Iterator[BaseException]:
    """An exception and what it came of, as several libraries keep it."""
    seen: list[BaseException] = []
    pending = [error]
    while pending:
        cause = pending.pop()
        if isinstance(cause, BaseException) and all(cause is not each for each in seen):
            seen.append(cause)
            yield cause
            pending += [*cause.args, getattr(cause, "reason", None), cause.__cause__, cause.__context__]


__all__ = [
    "Answer",
    "CallOptions",
    "Network",
    "Options",
    "Proxies",
    "TimeLimit",
    "Timeouts",
    "Way",
    "meaning",
]
