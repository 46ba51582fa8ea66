"""The one way to the service: a request goes out, a good answer comes back, anything else is raised."""

from __future__ import annotations

import gc
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import TYPE_CHECKING, Any, Protocol

from ballgauge import _deprecation
from ballgauge._failures import Answer, ServiceUnreachable, failure, foreign

if TYPE_CHECKING:
    from requests import Response

try:
    import orjson as json
except ImportError:
    import json  # type: ignore[no-redef]

JSON = "application/json"


@dataclass(frozen=True, slots=True)
class Request:
    """What is asked.

    `patience` is how long the answer may take [s]; what may take longer than the client's own timeout is
    sent once, all else is tried again. `stream`: the answer is read as it comes. `beside`: what a service in
    this process is told, under names that no header has.
    """

    method: str
    path: str
    body: bytes | Iterable[bytes] | None = None
    content_type: str = JSON
    accept: str | None = None
    patience: float | None = None
    stream: bool = False
    beside: Mapping[str, Any] = field(default_factory=dict)

    def headers(self) -> dict[str, str]:
        """Its headers by name."""
        found = {} if self.body is None else {"Content-Type": self.content_type}
        return found if self.accept is None else {**found, "Accept": self.accept}


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
    reads_paths: bool
    """Whether the service can be given a file's path in place of its bytes."""

    failures: tuple[type[Exception], ...]
    """What `send`, and the reading of a streamed answer, raise where none comes, or none whole."""

    def send(self, request: Request, headers: Mapping[str, str]) -> Answer:
        """Give the answer, whatever it is; that to a request with `stream` is a `requests.Response`."""

    def close(self) -> None:
        """Let the connections go."""


class Http:
    """Asks one service.

    Every method raises `InvalidRequest` (4xx), `ServiceError` (5xx, or an answer that is not the service's)
    or `ServiceUnreachable`.
    """

    def __init__(self, transport: Transport) -> None:
        self.transport = transport
        self._notice = _deprecation.Notice()

    def send(self, request: Request) -> Answer:
        """Send a request; give an answer of status 200."""
        with self.reaching("gives no answer"):
            response = self.transport.send(request, request.headers())
            self._notice(request.method, request.path, response)
            if response.status_code == 200:
                return response
            raise failure(response)

    def stream(self, request: Request) -> Response:
        """Send a request with `stream`; give an answer of status 200 to be read as it comes."""
        # Deferred: an answer that comes from this process at once needs no HTTP client.
        from requests import Response

        response = self.send(request)
        assert isinstance(response, Response), "a stream is answered by one"
        return response

    def get(self, path: str) -> bytes:
        """Ask for what lies at a path."""
        return self.send(Request("GET", path)).content

    def post(self, path: str, body: bytes, content_type: str = JSON) -> bytes:
        """Send a body; give that of the answer."""
        return self.send(Request("POST", path, body, content_type)).content

    def document(self, path: str, body: bytes) -> dict[str, Any]:
        """Send JSON; give the object in the answer. Raises ServiceError where there is none."""
        answer = self.send(Request("POST", path, body))
        if isinstance(answer, Told):
            document: dict[str, Any] = answer.made.document
            return document
        return document_of(answer.content)

    @contextmanager
    def reaching(self, otherwise: str) -> Iterator[None]:
        """Turn what the network raises inside into ServiceUnreachable: the service did `otherwise`."""
        try:
            yield
        except self.transport.failures as error:
            raise ServiceUnreachable(f"{self.transport.url} {otherwise}: {error}") from error


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
