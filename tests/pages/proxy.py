"""A service some way off: a proxy on the loopback that holds each call back, or gives none an answer."""

from __future__ import annotations

import http.client
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import urlsplit

HOP = ("connection", "content-length", "transfer-encoding", "date", "server")
"""Headers of one stretch of the way alone."""


class Line:
    """The line to a service: seconds before each call of it is passed on, and whether they are cut.

    Pages themselves come at once.
    """

    def __init__(self, target: str) -> None:
        self.target = urlsplit(target).netloc
        self.latency = 0.0
        self.is_cut = False
        self.address = ""


class Pass(BaseHTTPRequestHandler):
    """Passes one request on."""

    protocol_version = "HTTP/1.1"
    line: Line

    def do_GET(self) -> None:
        """Pass a GET on."""
        self.pass_on()

    def do_POST(self) -> None:
        """Pass a POST on."""
        self.pass_on()

    def pass_on(self) -> None:
        """Ask the service and give its answer, late or not at all."""
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        if self.path.startswith("/v1/"):
            time.sleep(self.line.latency)
            if self.line.is_cut:
                self.close_connection = True
                return
        headers = {name: value for name, value in self.headers.items() if name.lower() != "host"}
        service = http.client.HTTPConnection(self.line.target, timeout=60)
        try:
            service.request(self.command, self.path, body, headers)
            answer = service.getresponse()
            data = answer.read()
        finally:
            service.close()
        self.send_response(answer.status)
        for name, value in answer.getheaders():
            if name.lower() not in HOP:
                self.send_header(name, value)
        self.send_header("Content-Length", str(len(data)))
        self.end_headers()
        self.wfile.write(data)

    def log_request(self, code: object = "-", size: object = "-") -> None:
        """Say nothing."""


class Server(ThreadingHTTPServer):
    """Serves until the block is left; a browser may leave before its answer is written."""

    daemon_threads = True

    def handle_error(self, request: object, client_address: object) -> None:
        """Say nothing."""


@contextmanager
def line_to(target: str) -> Iterator[Line]:
    """Serve `target` at another address of the loopback for as long as the block runs."""
    line = Line(target)
    server = Server(("127.0.0.1", 0), type("PassOn", (Pass,), {"line": line}))
    line.address = f"http://127.0.0.1:{server.server_port}"
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield line
    finally:
        server.shutdown()
        server.server_close()
