"""The one door to the engine, which may not be installed: nothing else here imports the service."""

from __future__ import annotations

import io
import os
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import unquote_to_bytes

from ballgauge._failures import Answer, ServiceUnreachable
from ballgauge._http import Inside, Request, Told

if TYPE_CHECKING:
    from types import ModuleType

    from requests import Response
    from requests.structures import CaseInsensitiveDict

WSGIApplication = Callable[[dict[str, Any], Callable[..., Any]], Iterable[bytes]]


@contextmanager
def required(otherwise: str = "") -> Iterator[None]:
    """Import the engine inside; a package that it lacks becomes `ServiceUnreachable` and what to install.

    otherwise: what else helps
    """
    try:
        yield
    except ModuleNotFoundError as error:
        from ballgauge_service.core import extras

        told = extras.missing(error)
        if told is None:
            raise
        raise ServiceUnreachable(told + otherwise) from error


ELSEWHERE = ", or give the address of a running service"


def application(scheduler: str | None = None, **files: Any) -> WSGIApplication:
    """The service as a WSGI application; what is set for a server has no say over it."""
    with required(ELSEWHERE):
        from ballgauge_service.web.http.settings import Settings
        from ballgauge_service.web.server.application import create_app

        settings = Settings(scheduler=scheduler, **files)
        return create_app(json_logs=False, warm_up=False, settings=settings)


def new_signing_key(kid: str) -> dict[str, Any]:
    """Make a key that signs records, as a JWK set. Raises ValueError for a name that is none."""
    with required():
        from ballgauge_service.record.keys import new_key

        return new_key(kid)


class RuleFiles(NamedTuple):
    """What reads rule files: faults of one, or what it holds; and the quantities that rules judge."""

    file_faults: Callable[[Path], Any]
    quantities: Mapping[str, str]


def rule_files() -> RuleFiles:
    """What reads rule files."""
    with required():
        from ballgauge_service.rulebooks import COLUMNS, file_faults

        return RuleFiles(file_faults, COLUMNS)


def access_keys() -> ModuleType:
    """What reads and writes a file of access keys."""
    with required():
        from ballgauge_service.web.access import access_keys as found

        return found


def guide() -> ModuleType:
    """The chapters of the guide: `ORDER` has their names, `source` gives the Markdown of one."""
    with required():
        from ballgauge_service.pages import guide as found

        return found


class Serving(NamedTuple):
    """What it takes to serve: the settings, who may be served by them, and the server."""

    Settings: Any
    BadSettings: type[Exception]
    require_guarded: Callable[..., None]
    serve: Callable[[str, int, int], None]


def serving() -> Serving:
    """What serves."""
    with required():
        from ballgauge_service.web.access.access import require_guarded
        from ballgauge_service.web.http.settings import BadSettings, Settings
        from ballgauge_service.web.server.server import serve

        return Serving(Settings, BadSettings, require_guarded, serve)


class Embedded(Inside):
    """Carries requests to an application in this process by WSGI (PEP 3333); no port is opened."""

    url = "http://embedded.invalid"

    def __init__(self, application: WSGIApplication, *, reads_paths: bool = False) -> None:
        self._application = application
        self.reads_paths = reads_paths

    def send(self, request: Request, headers: Mapping[str, str]) -> Response:
        """Call the application; its answer is collected, or with `stream` read as it is made."""
        started: list[Any] = []

        def start(status: str, fields: list[tuple[str, str]], exc_info: Any = None) -> None:
            started[:] = status, fields

        pieces = self._application(_environment(request, headers), start)
        body: Any = _Pieces(pieces)
        if not request.stream and request.taken is None:
            with body:
                body = io.BytesIO(b"".join(pieces))
        # Deferred: whoever asks about one ball alone never comes here.
        from requests import PreparedRequest, Response

        status, fields = started
        response = Response()
        response.status_code, response.reason = int(status[:3]), status[4:]
        response.headers = _folded(fields)
        response.raw = body
        response.request = PreparedRequest()
        response.request.method, response.request.url = request.method, self.url + request.path
        return response


class Engine(Inside):
    """Carries requests to the engine in this process; what is not of one ball, by the application."""

    url = Embedded.url

    def __init__(
        self,
        scheduler: str | None = None,
        rulebooks: str | os.PathLike[str] | None = None,
        approved_list: str | os.PathLike[str] | None = None,
    ) -> None:
        with required(ELSEWHERE):
            from ballgauge_service.web.direct import Direct
            from ballgauge_service.web.http.settings import Settings
        given = {"rulebooks": rulebooks, "approved_list": approved_list}
        self._files: dict[str, Any] = {
            name: os.fspath(path) for name, path in given.items() if path is not None
        }
        self._direct, self._scheduler = Direct(Settings(**self._files).shelf()), scheduler
        self._embedded: Embedded | None = None
        self._making = threading.Lock()
        self.reads_paths = scheduler is not None

    def send(self, request: Request, headers: Mapping[str, str]) -> Answer:
        """Give the answer, whatever it is."""
        path, _, query = request.path.partition("?")
        body = b"" if request.body is None else request.body
        if isinstance(body, bytes) and self._direct.answers(request.method, path):
            return Told(self._direct.answer(request.method, path, query, body))
        with self._making:
            if self._embedded is None:
                self._embedded = Embedded(
                    application(self._scheduler, **self._files), reads_paths=self.reads_paths
                )
        return self._embedded.send(request, headers)


def _environment(request: Request, headers: Mapping[str, str]) -> dict[str, Any]:
    path, _, query = request.path.partition("?")
    body = request.body or b""
    environment: dict[str, Any] = {
        "REQUEST_METHOD": request.method,
        "SCRIPT_NAME": "",
        "PATH_INFO": unquote_to_bytes(path).decode("latin-1"),
        "QUERY_STRING": query,
        "SERVER_NAME": "embedded.invalid",
        "SERVER_PORT": "80",
        "SERVER_PROTOCOL": "HTTP/1.1",
        "wsgi.version": (1, 0),
        "wsgi.url_scheme": "http",
        "wsgi.input": io.BytesIO(body) if isinstance(body, bytes) else io.BufferedReader(_Pieces(body)),
        "wsgi.input_terminated": True,
        "wsgi.errors": sys.stderr,
        "wsgi.multithread": True,
        "wsgi.multiprocess": False,
        "wsgi.run_once": False,
        **request.beside,
    }
    if isinstance(body, bytes):
        environment["CONTENT_LENGTH"] = str(len(body))
    for name, value in headers.items():
        key = name.upper().replace("-", "_")
        environment[key if key == "CONTENT_TYPE" else f"HTTP_{key}"] = value
    return environment


def _folded(fields: list[tuple[str, str]]) -> CaseInsensitiveDict[str]:
    """Headers by name; one that comes several times is a list (RFC 9110, 5.2)."""
    from requests.structures import CaseInsensitiveDict

    found: CaseInsensitiveDict[str] = CaseInsensitiveDict()
    for name, value in fields:
        found[name] = f"{found[name]}, {value}" if name in found else value
    return found


class _Pieces(io.RawIOBase):
    """An iterable of bytes, read like a file; at its end, or when it is closed, the iterable is closed."""

    def __init__(self, pieces: Iterable[bytes]) -> None:
        super().__init__()
        self._close = getattr(pieces, "close", None)
        self._pieces = iter(pieces)
        self._left = memoryview(b"")

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        while not self._left:
            piece = next(self._pieces, None)
            if piece is None:
                self._end()
                return 0
            self._left = memoryview(piece)
        count = min(len(buffer), len(self._left))
        buffer[:count], self._left = self._left[:count], self._left[count:]
        return count

    def close(self) -> None:
        self._end()
        super().close()

    def _end(self) -> None:
        end, self._close = self._close, None
        if end is not None:
            end()
