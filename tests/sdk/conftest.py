"""What the client's tests share: a server that answers as a script says, on the loopback address."""

from __future__ import annotations

import http.server
import json
import socket
import struct
import subprocess
import sys
import threading
import time
import zipfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parent.parent.parent

Answer = Callable[[http.server.BaseHTTPRequestHandler], None]


class Script:
    """A server that gives one scripted answer a request, and keeps each request's path, headers and body."""

    def __init__(self) -> None:
        self.answers: list[Answer] = []
        self.requests: list[bytes] = []
        self.heads: list[Mapping[str, str]] = []
        self.paths: list[str] = []
        script = self

        class Handler(http.server.BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                script.paths.append(self.path)
                script.heads.append(self.headers)
                script.requests.append(self.rfile.read(int(self.headers["Content-Length"])))
                script.answers.pop(0)(self)

            def log_message(self, *_: Any) -> None:
                pass

        self.server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server.server_address[1]}"

    @contextmanager
    def serving(self) -> Iterator[Script]:
        """Answer inside."""
        thread = threading.Thread(target=self.server.serve_forever, args=(0.01,))
        thread.start()
        try:
            yield self
        finally:
            self.server.shutdown()
            thread.join()
            self.server.server_close()


@pytest.fixture
def script() -> Iterator[Script]:
    with Script().serving() as script:
        yield script


@pytest.fixture
def waits(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The waits asked for by the test's own thread, which do not take place."""
    found: list[float] = []
    own, sleep = threading.get_ident(), time.sleep

    def wait(seconds: float) -> None:
        if threading.get_ident() == own:
            found.append(seconds)
        else:
            sleep(seconds)

    monkeypatch.setattr(time, "sleep", wait)
    return found


def says(status: int, document: Any = None, **headers: str) -> Answer:
    def answer(handler: http.server.BaseHTTPRequestHandler) -> None:
        body = document if isinstance(document, bytes) else json.dumps(document or {}).encode()
        handler.send_response(status)
        for name, value in {"Content-Length": str(len(body)), **headers}.items():
            handler.send_header(name.replace("_", "-"), value)
        handler.end_headers()
        handler.wfile.write(body)

    return answer


def resets(handler: http.server.BaseHTTPRequestHandler) -> None:
    handler.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    handler.connection.close()
    handler.close_connection = True
    handler.wfile = handler.rfile = open("/dev/null", "r+b")  # noqa: SIM115


RESULT = {"derived": {"ball": {"radius": 4.2}}, "units": {"radius": "in"}}


@pytest.fixture(scope="session")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of packages that holds the wheel's content, as pip would lay it down."""
    folder = tmp_path_factory.mktemp("installed")
    command = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "--no-build-isolation", "-w"]
    done = subprocess.run([*command, str(folder), str(ROOT)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    (wheel,) = folder.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder / "site-packages")
    return folder / "site-packages"
