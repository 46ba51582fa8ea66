"""The service over the network: HTTP, with the tries after a safe failure."""

from __future__ import annotations

import random
from collections.abc import Mapping
from typing import Any

from requests import PreparedRequest, RequestException, Response, Session
from requests.adapters import HTTPAdapter
from requests.auth import AuthBase
from urllib3 import Retry
from urllib3.exceptions import HTTPError, InvalidHeader, MaxRetryError, ReadTimeoutError, ResponseError

from ballgauge._http import Request

FIRST_WAIT = 0.1
LONGEST_WAIT = 5.0
"""Seconds; ours. A server that asks for a longer wait is not asked again."""

_TOO_MANY = 429


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
    failures: tuple[type[Exception], ...] = (RequestException, HTTPError)

    def __init__(self, url: str, timeout: float, key: str | None = None, retries: int = 0) -> None:
        self.url = url.rstrip("/")
        self._timeout = timeout
        self._again, self._once = Session(), Session()
        for scheme in ("http://", "https://"):
            self._again.mount(scheme, HTTPAdapter(max_retries=_Retry.of(retries)))
        if key is not None:
            # Not a header of the session: the process's .netrc would take its place.
            self._again.auth = self._once.auth = _Bearer(key)

    def send(self, request: Request, headers: Mapping[str, str]) -> Response:
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


class _Bearer(AuthBase):
    def __init__(self, key: str) -> None:
        self._key = key

    def __call__(self, request: PreparedRequest) -> PreparedRequest:
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
