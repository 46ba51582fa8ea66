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

    def send(
        self,
        request: PreparedRequest,
        stream: bool = False,
        timeout: Any = None,
        verify: Any = True,
        cert: Any = None,
        proxies: Mapping[str, str] | None = None,
    ) -> Response:
        """Call the application and collect its answer; the other arguments have no meaning here."""
        started: list[Any] = []

        def start_response(status: str, headers: list[tuple[str, str]], exc_info: Any = None) -> None:
            started[:] = [status, headers]

        chunks = self._application(_environment(request), start_response)
        try:
            body = b"".join(chunks)
        finally:
            if hasattr(chunks, "close"):
                chunks.close()
        status, headers = started
        code, _, reason = status.partition(" ")
        raw = HTTPResponse(io.BytesIO(body), headers, int(code), reason=reason, preload_content=False)
        return self.build_response(request, raw)


def _environment(request: PreparedRequest) -> dict[str, Any]:
    address = urlsplit(request.url or "")
    body = request.body or b""
    if not isinstance(body, bytes):
        raise TypeError("the body of an in-process request is bytes")
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
        "wsgi.input": io.BytesIO(body),
        "wsgi.errors": sys.stderr,
        "wsgi.multithread": True,
        "wsgi.multiprocess": False,
        "wsgi.run_once": False,
    }
    for name, value in request.headers.items():
        key = name.upper().replace("-", "_")
        environment[key if key in ("CONTENT_TYPE", "CONTENT_LENGTH") else f"HTTP_{key}"] = value
    return environment
