"""The one way to the service: a request goes out, a good answer comes back, anything else is raised."""

from __future__ import annotations

import gc
import random
import time
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import TYPE_CHECKING, Any, Protocol, TypeAlias, TypeVar

from ballgauge import _deprecation
from ballgauge._failures import (
    Answer,
    ConnectionFailed,
    ServiceUnreachable,
    asked_wait,
    failure,
    foreign,
)

if TYPE_CHECKING:
    from requests import Response

try:
    import orjson as json
except ImportError:
    import json  # type: ignore[no-redef]

JSON = "application/json"


PIECE = 1 << 16
"""Bytes of an answer that are taken at a time, where it is read as it comes (ours)."""

FIRST_WAIT = 0.1
LONGEST_WAIT = 5.0
"""Seconds; ours. A server that asks for a longer wait is not asked again."""

_SOON = frozenset((429, 502, 503, 504))

Found = TypeVar("Found")


@dataclass(frozen=True, slots=True)
class Request:
    """What is asked.

    `patience` is how long the answer may take [s], where that is longer than the client's own timeout. A body
    of bytes may be sent again, any other is sent once. `taken` is given a good answer piece by piece, and
    none is kept; `stream`: whoever asks reads the answer. `beside`: what a service in this process is told,
    under names that no header has.
    """

    method: str
    path: str
    body: bytes | Iterable[bytes] | None = None
    content_type: str = JSON
    accept: str | None = None
    patience: float | None = None
    stream: bool = False
    taken: Callable[[bytes], object] | None = None
    beside: Mapping[str, Any] = field(default_factory=dict)

    def headers(self) -> dict[str, str]:
        """Its headers by name."""
        found = {} if self.body is None else {"Content-Type": self.content_type}
        return found if self.accept is None else {**found, "Accept": self.accept}


Steps: TypeAlias = Generator[Request, Answer, Found]
"""What a call asks, one request after the other, each time given the answer of status 200; its result."""


class Tries:
    """The tries of one request: when to ask again after a failure."""

    def __init__(self, retries: int) -> None:
        self._left, self._wait = retries, FIRST_WAIT

    def after(self, failed: Answer | ServiceUnreachable) -> float | None:
        """The seconds to wait, doubling, spread, bounded, or what was asked for; None: no other try."""
        asked = None
        if isinstance(failed, ServiceUnreachable):
            if not isinstance(failed, ConnectionFailed):
                return None
        else:
            if failed.status_code not in _SOON:
                return None
            asked = asked_wait(failed.headers.get("Retry-After"))
            if (asked is None and failed.status_code == 429) or (asked or 0.0) > LONGEST_WAIT:
                return None
        if self._left == 0:
            return None
        self._left -= 1
        wait, self._wait = self._wait, min(LONGEST_WAIT, self._wait * 2)
        return wait * random.uniform(0.5, 1.0) if asked is None else asked


class Made(Protocol):
    """What the engine in this process answers."""

    @property
    def status(self) -> int:
        """Status."""

    @property
    def headers(self) -> Mapping[str, str]:
        """Headers by name."""

    @property
    def document(self) -> Any:
        """The document, as JSON would have it."""

    @property
    def body(self) -> bytes:
        """The document as JSON."""


@dataclass(frozen=True, slots=True)
class Told:
    """The answer of an engine in this process, of which JSON is written only where it is asked for."""

    made: Made

    @property
    def status_code(self) -> int:
        """Status."""
        return self.made.status

    @property
    def reason(self) -> str:
        """The status in words."""
        return HTTPStatus(self.made.status).phrase

    @property
    def headers(self) -> Mapping[str, str]:
        """Headers by name."""
        return self.made.headers

    @property
    def content(self) -> bytes:
        """The body, whole."""
        return self.made.body


class Transport(Protocol):
    """Carries requests to one service: over the network, or inside this process."""

    url: str
    retries: int
    """Further tries of a request that may be sent again."""

    reads_paths: bool
    """Whether the service can be given a file's path in place of its bytes."""

    failures: tuple[type[Exception], ...]
    """What `send`, and the reading of a streamed answer, raise where none comes, or none whole."""

    def send(self, request: Request, headers: Mapping[str, str]) -> Answer:
        """Give the answer, whatever it is, but that to a request with `taken` or `stream` unread."""

    def reading(self, response: Answer) -> AbstractContextManager[object]:
        """Read an answer inside."""

    def failed(self, error: Exception, otherwise: str) -> ServiceUnreachable:
        """What one of `failures` means: the service did `otherwise`."""

    def close(self) -> None:
        """Let the connections go."""


class Inside:
    """What a transport inside this process has in common with one over the network."""

    retries = 0
    failures: tuple[type[Exception], ...] = ()

    def reading(self, _response: Answer) -> AbstractContextManager[object]:
        """Nothing breaks here."""
        return nullcontext()

    def failed(self, error: Exception, _otherwise: str) -> ServiceUnreachable:
        """Nothing fails here."""
        raise error

    def close(self) -> None:
        """There is nothing to close."""


class Http:
    """Asks one service.

    Every method raises `InvalidRequest`, `AccessRefused` or `RateLimited` (4xx), `ServiceError` (5xx, or an
    answer that is not the service's) or `ServiceUnreachable`.
    """

    def __init__(self, transport: Transport, notice: _deprecation.Notice | None = None) -> None:
        self.transport = transport
        self.notice = notice or _deprecation.Notice()

    def run(self, steps: Steps[Found]) -> Found:
        """Make a call's requests; give its result."""
        try:
            request = next(steps)
            while True:
                try:
                    answer = self.send(request)
                except BaseException as error:  # noqa: BLE001 - the call closes its files, and raises it
                    request = steps.throw(error)
                else:
                    request = steps.send(answer)
        except StopIteration as done:
            found: Found = done.value
            return found

    def send(self, request: Request) -> Answer:
        """Send a request; give an answer of status 200, read unless it is a `stream`."""
        response = self._answer(request)
        with self.reaching("broke its answer off"), self.transport.reading(response):
            self.notice(request.method, request.path, response)
            if response.status_code != 200:
                raise failure(response)
            if request.taken is not None:
                # Whatever the taker raises ends the work.
                with _streamed(response) as stream:
                    for piece in stream.iter_content(PIECE):
                        request.taken(piece)
            elif not request.stream and not isinstance(response, Told):
                _ = response.content
        return response

    def _answer(self, request: Request) -> Answer:
        tries = Tries(self.transport.retries if isinstance(request.body, (bytes, type(None))) else 0)
        while True:
            try:
                with self.reaching("gives no answer"):
                    failed: Answer | ServiceUnreachable = self.transport.send(request, request.headers())
            except ServiceUnreachable as error:
                failed = error
            wait = tries.after(failed)
            if wait is None:
                if isinstance(failed, ServiceUnreachable):
                    raise failed
                return failed
            if not isinstance(failed, ServiceUnreachable):
                _streamed(failed).close()
            time.sleep(wait)

    def stream(self, request: Request) -> Response:
        """Send a request with `stream`; give an answer of status 200 to be read as it comes."""
        return _streamed(self.send(request))

    def get(self, path: str) -> bytes:
        """Ask for what lies at a path."""
        return self.send(Request("GET", path)).content

    def post(self, path: str, body: bytes, content_type: str = JSON) -> bytes:
        """Send a body; give that of the answer."""
        return self.send(Request("POST", path, body, content_type)).content

    @contextmanager
    def reaching(self, otherwise: str) -> Iterator[None]:
        """Turn what the network raises inside into ServiceUnreachable: the service did `otherwise`."""
        try:
            yield
        except self.transport.failures as error:
            raise self.transport.failed(error, otherwise) from error


def _streamed(response: Answer) -> Response:
    # Deferred: an answer that comes from this process at once needs no HTTP client.
    from requests import Response

    assert isinstance(response, Response), "a stream is answered by one"
    return response


def request_id(answer: Answer) -> str | None:
    """The id by which the service's log knows a request."""
    return answer.headers.get("X-Request-Id")


def document_in(answer: Answer) -> dict[str, Any]:
    """The JSON object of an answer. Raises ServiceError where there is none."""
    if isinstance(answer, Told):
        document: dict[str, Any] = answer.made.document
        return document
    return document_of(answer.content)


def document_of(body: bytes) -> dict[str, Any]:
    """Read the JSON object in an answer. Raises ServiceError where there is none."""
    # The collector of cycles would go over all that is read, again and again, and find none.
    collecting = gc.isenabled()
    gc.disable()
    try:
        document = json.loads(body)
    except ValueError:
        document = None
    finally:
        if collecting:
            gc.enable()
    if not isinstance(document, dict):
        raise foreign()
    return document
