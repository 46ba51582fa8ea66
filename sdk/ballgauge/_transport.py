"""A transport that calls a WSGI application in this process, with no port open."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable, Iterable, Mapping
from typing import Any
from urllib.parse import unquote_to_bytes, urlsplit

from requests import PreparedRequest, Response
from requests.adapters import HTTPAdapter
from urllib3 import HTTPResponse

WSGIApplication = Callable[[dict[str, Any], Callable[..., Any]], Iterable[bytes]]


class WSGIAdapter(HTTPAdapter):
    """Carries requests to `application` by PEP 3333."""

    def __init__(self, application: WSGIApplication) -> None:
        super().__init__()
        self._application = application
        self.told: dict[str, Any] = {}
        """What the application is told beside the request, under names that no header has."""

    def send(
        self,
        request: PreparedRequest,
        stream: bool = False,
        timeout: Any = None,
        verify: Any = True,
        cert: Any = None,
        proxies: Mapping[str, str] | None = None,
    ) -> Response:
        """Call the application; its answer is collected, or with `stream` read as it is made.

        The body is bytes, or an iterator of bytes that is read as the application asks for it. The other
        arguments have no meaning here.
        """
        started: list[Any] = []

        def start_response(status: str, headers: list[tuple[str, str]], exc_info: Any = None) -> None:
            started[:] = [status, headers]

        chunks = self._application({**_environment(request), **self.told}, start_response)
        body: io.RawIOBase | io.BytesIO = _Answer(chunks)
        if not stream:
            with body:
                body = io.BytesIO(body.read())
        status, headers = started
        code, _, reason = status.partition(" ")
        raw = HTTPResponse(
            body,
            headers,
            int(code),
            reason=reason,
            preload_content=False,
            request_method=request.method,
        )
        return self.build_response(request, raw)


class _Pieces(io.RawIOBase):
    """An iterator of bytes, read like a file."""

    def __init__(self, pieces: Iterable[bytes]) -> None:
        super().__init__()
        self._pieces = iter(pieces)
        self._left = b""

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        while not self._left:
            piece = next(self._pieces, None)
            if piece is None:
                return 0
            self._left = piece
        count = min(len(buffer), len(self._left))
        buffer[:count], self._left = self._left[:count], self._left[count:]
        return count


class _Answer(_Pieces):
    """What an application answers; closing it lets the application clean up."""

    def __init__(self, chunks: Iterable[bytes]) -> None:
        super().__init__(chunks)
        self._chunks = chunks

    def close(self) -> None:
        if not self.closed and hasattr(self._chunks, "close"):
            self._chunks.close()
        super().close()


def _environment(request: PreparedRequest) -> dict[str, Any]:
    address = urlsplit(request.url or "")
    body = request.body or b""
    if isinstance(body, str):
        body = body.encode()
    environment: dict[str, Any] = {
        "REQUEST_METHOD": request.method,
        "SCRIPT_NAME": "",
        "PATH_INFO": unquote_to_bytes(address.path).decode("latin-1"),
        "QUERY_STRING": address.query,
        "SERVER_NAME": address.hostname or "",
        "SERVER_PORT": str(address.port or 80),
        "SERVER_PROTOCOL": "HTTP/1.1",
        "wsgi.version": (1, 0),
        "wsgi.url_scheme": address.scheme,
        "wsgi.input": io.BytesIO(body) if isinstance(body, bytes) else io.BufferedReader(_Pieces(body)),
        "wsgi.input_terminated": True,
        "wsgi.errors": sys.stderr,
        "wsgi.multithread": True,
        "wsgi.multiprocess": False,
        "wsgi.run_once": False,
    }
    for name, value in request.headers.items():
        key = name.upper().replace("-", "_")
        environment[key if key in ("CONTENT_TYPE", "CONTENT_LENGTH") else f"HTTP_{key}"] = value
    return environment
