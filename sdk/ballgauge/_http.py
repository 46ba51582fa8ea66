"""The one way to the service: a request goes out, a good answer comes back, anything else is raised."""

from __future__ import annotations

import gc
import random
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, Protocol

import requests
from requests.adapters import HTTPAdapter
from urllib3 import Retry
from urllib3.exceptions import HTTPError, InvalidHeader, MaxRetryError, ReadTimeoutError, ResponseError

from ballgauge import _deprecation
from ballgauge._failures import ServiceUnreachable, failure, foreign

try:
    import orjson as json
except ImportError:
    import json  # type: ignore[no-redef]

JSON = "application/json"

FIRST_WAIT = 0.1
LONGEST_WAIT = 5.0
"""Seconds; ours. A server that asks for a longer wait is not asked again."""

_TOO_MANY = 429


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


class Transport(Protocol):
    """Carries requests to one service: over the network, or inside this process."""

    url: str
    reads_paths: bool
    """Whether the service can be given a file's path in place of its bytes."""

    def send(self, request: Request, headers: Mapping[str, str]) -> requests.Response:
        """Give the answer, whatever it is. Raises `requests.RequestException`."""

    def close(self) -> None:
        """Let the connections go."""


class Network:
    """Carries requests over HTTP.

    Parameters
    ----------
    url : str
        Where the service is.
    timeout : float
        Seconds to wait for a connection, and for each part of the answer.
    key : str, optional
        Access key (RFC 6750, 2.1).
    retries : int
        Further tries of what may be sent again.
    """

    reads_paths = False

    def __init__(self, url: str, timeout: float, key: str | None = None, retries: int = 0) -> None:
        self.url = url.rstrip("/")
        self._timeout = timeout
        self._again, self._once = requests.Session(), requests.Session()
        for scheme in ("http://", "https://"):
            self._again.mount(scheme, HTTPAdapter(max_retries=_Retry.of(retries)))
        if key is not None:
            # Not a header of the session: the process's .netrc would take its place.
            self._again.auth = self._once.auth = _Bearer(key)

    def send(self, request: Request, headers: Mapping[str, str]) -> requests.Response:
        """Give the answer, whatever it is; redirects are not followed."""
        session = self._again if request.patience is None else self._once
        return session.request(
            request.method,
            self.url + request.path,
            data=request.body,
            headers=headers,
            timeout=(self._timeout, max(self._timeout, request.patience or 0.0)),
            allow_redirects=False,
            stream=request.stream,
        )

    def close(self) -> None:
        """Close the connections."""
        self._again.close()
        self._once.close()


class _Bearer(requests.auth.AuthBase):
    def __init__(self, key: str) -> None:
        self._key = key

    def __call__(self, request: requests.PreparedRequest) -> requests.PreparedRequest:
        request.headers["Authorization"] = f"Bearer {self._key}"
        return request


class _Retry(Retry):
    """Tries again what failed before an answer began, and answers that promise another one soon."""

    RETRY_AFTER_STATUS_CODES = frozenset((_TOO_MANY,))

    @classmethod
    def of(cls, retries: int) -> _Retry:
        """So many further tries."""
        passing = (502, 503, 504)
        return cls(retries, other=0, allowed_methods=None, status_forcelist=passing, raise_on_status=False)

    def increment(
        self,
        method: str | None = None,
        url: str | None = None,
        response: Any = None,
        error: Exception | None = None,
        _pool: Any = None,
        _stacktrace: Any = None,
    ) -> _Retry:
        """Count a failure; a slow answer, and one that asks for a long wait, are not asked for again."""
        if isinstance(error, ReadTimeoutError):
            raise error
        if response is not None:
            wait = self.get_retry_after(response)
            if (wait is None and response.status == _TOO_MANY) or (wait or 0.0) > LONGEST_WAIT:
                raise MaxRetryError(_pool, url or "", ResponseError("no other answer is near"))
        return super().increment(method, url, response, error, _pool, _stacktrace)

    def get_backoff_time(self) -> float:
        """The seconds to wait: doubling, spread, bounded."""
        return min(LONGEST_WAIT, FIRST_WAIT * 2.0 ** (len(self.history) - 1)) * random.uniform(0.5, 1.0)

    def get_retry_after(self, response: Any) -> float | None:
        """What an answer asks for [s]; None where that cannot be read."""
        return asked_wait(response.headers.get("Retry-After"))


def asked_wait(retry_after: str | None) -> float | None:
    """Read a Retry-After header (RFC 9110, 10.2.3) [s]: seconds, or a date; None where there is none."""
    try:
        return None if retry_after is None else Retry().parse_retry_after(retry_after)
    except (InvalidHeader, ValueError, OverflowError):
        return None


class Http:
    """Asks one service.

    Every method raises `InvalidRequest` (4xx), `ServiceError` (5xx, or an answer that is not the service's)
    or `ServiceUnreachable`.
    """

    def __init__(self, transport: Transport) -> None:
        self.transport = transport
        self._notice = _deprecation.Notice()

    def send(self, request: Request) -> requests.Response:
        """Send a request; give an answer of status 200."""
        with self.reaching("gives no answer"):
            response = self.transport.send(request, request.headers())
            self._notice(response)
            if response.status_code == 200:
                return response
            raise failure(response)

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
        except (requests.RequestException, HTTPError) as error:
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
