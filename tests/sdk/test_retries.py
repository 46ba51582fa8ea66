"""Tries again where it is safe, and only there; against a scripted server on the loopback address."""

from __future__ import annotations

import http.server
import json
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from typing import Any

import pytest
from urllib3.exceptions import MaxRetryError, ProtocolError

import ballgauge
from ballgauge._network import _Retry

Answer = Callable[[http.server.BaseHTTPRequestHandler], None]


class Script:
    """A server that gives one scripted answer a request, and counts requests."""

    def __init__(self) -> None:
        self.answers: list[Answer] = []
        self.requests: list[bytes] = []
        script = self

        class Handler(http.server.BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                script.requests.append(self.rfile.read(int(self.headers["Content-Length"])))
                script.answers.pop(0)(self)

            def log_message(self, *_: Any) -> None:
                pass

        self.server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server.server_address[1]}"


@pytest.fixture
def script() -> Iterator[Script]:
    script = Script()
    thread = threading.Thread(target=script.server.serve_forever, args=(0.01,))
    thread.start()
    yield script
    script.server.shutdown()
    thread.join()
    script.server.server_close()


@pytest.fixture
def waits(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The waits asked for, which do not take place."""
    found: list[float] = []
    monkeypatch.setattr(time, "sleep", found.append)
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


@pytest.mark.parametrize("first", [resets, says(502), says(503), says(504, b"<html>")])
def test_a_safe_failure_is_tried_again(script: Script, waits: list[float], first: Answer) -> None:
    script.answers = [first, says(200, RESULT)]
    with ballgauge.Client(script.url) as client:
        assert client.drill({"ball": {}}).derived.ball.radius == 4.2
    assert script.requests == [b'{"ball":{}}'] * 2
    (wait,) = waits
    assert 0.05 <= wait <= 0.1


def test_tries_are_bounded_and_waits_double(script: Script, waits: list[float]) -> None:
    script.answers = [says(503)] * 5
    with ballgauge.Client(script.url, retries=4) as client, pytest.raises(ballgauge.ServiceError) as caught:
        client.drill({"ball": {}})
    assert caught.value.problem.status == 503
    assert len(script.requests) == 5
    assert all(0.05 * 2**n <= wait <= 0.1 * 2**n for n, wait in enumerate(waits))


def test_the_longest_wait() -> None:
    """Against the documentation, as long as tries are left and with none left."""
    tries = _Retry.of(50)
    for _ in range(50):
        tries = tries.increment("POST", "/", error=ProtocolError())
        assert 0.05 <= tries.get_backoff_time() <= 5
    with pytest.raises(MaxRetryError):
        tries.increment("POST", "/", error=ProtocolError())


def test_no_retries_when_none_are_wanted(script: Script, waits: list[float]) -> None:
    script.answers = [says(503)]
    with ballgauge.Client(script.url, retries=0) as client, pytest.raises(ballgauge.ServiceError):
        client.drill({"ball": {}})
    assert not waits
    with pytest.raises(ValueError, match="retries"):
        ballgauge.Client(script.url, retries=-1)


def test_retry_after_is_honoured(script: Script, waits: list[float]) -> None:
    moment = format_datetime(datetime.now(UTC) + timedelta(seconds=4), usegmt=True)
    script.answers = [
        says(503, Retry_After="3"),
        says(503, Retry_After=moment),
        says(503, Retry_After="soon"),
        says(200, RESULT),
    ]
    with ballgauge.Client(script.url, retries=3) as client:
        client.drill({"ball": {}})
    assert waits[0] == 3
    assert waits[1] == pytest.approx(3.5, abs=0.6)
    assert waits[2] <= 0.4


def test_a_long_retry_after_is_not_waited_for(script: Script, waits: list[float]) -> None:
    script.answers = [says(503, Retry_After="3600")]
    with ballgauge.Client(script.url) as client, pytest.raises(ballgauge.ServiceError):
        client.drill({"ball": {}})
    assert not waits


@pytest.mark.parametrize("status", [400, 404, 413, 422, 429])
def test_a_refusal_is_not_tried_again(script: Script, waits: list[float], status: int) -> None:
    script.answers = [
        says(status, {"title": "No", "errors": [{"pointer": "/a", "detail": "b"}]}, X_Request_Id="r1")
    ]
    with ballgauge.Client(script.url) as client, pytest.raises(ballgauge.InvalidRequest) as caught:
        client.drill({"ball": {}})
    assert (caught.value.problem.status, caught.value.problem.request_id) == (status, "r1")
    assert caught.value.errors == (ballgauge.FieldError("/a", "b"),)
    assert not waits


@pytest.mark.parametrize(
    "answer",
    [says(500), says(301, Location="/"), says(200, b"<html>"), says(200, b"[]"), says(200, {"derived": [1]}),
     says(500, {"errors": "x"}), says(500, {"errors": [1]}), says(500, b"[]")],
)  # fmt: skip
def test_an_answer_of_another_kind_is_a_service_error(
    script: Script, waits: list[float], answer: Answer
) -> None:
    script.answers = [answer]
    with ballgauge.Client(script.url) as client, pytest.raises(ballgauge.ServiceError):
        client.check({"ball": {}})
    assert not waits


def test_nobody_listens(waits: list[float]) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    with ballgauge.Client(f"http://127.0.0.1:{port}") as client, pytest.raises(ballgauge.ServiceUnreachable):
        client.check({"ball": {}})
    assert len(waits) == 2


def test_a_slow_answer_is_not_asked_for_again(script: Script) -> None:
    released = threading.Event()

    def hangs(handler: http.server.BaseHTTPRequestHandler) -> None:
        released.wait(10)
        handler.close_connection = True

    script.answers = [hangs]
    with ballgauge.Client(script.url, timeout=0.2) as client, pytest.raises(ballgauge.ServiceUnreachable):
        client.check({"ball": {}})
    released.set()
    assert len(script.requests) == 1


def test_an_answer_that_breaks_off_is_not_asked_for_again(script: Script, waits: list[float]) -> None:
    def breaks_off(handler: http.server.BaseHTTPRequestHandler) -> None:
        handler.wfile.write(b"HTTP/1.1 200 OK\r\nContent-Length: 100\r\n\r\n{")
        handler.close_connection = True

    script.answers = [breaks_off]
    with ballgauge.Client(script.url) as client, pytest.raises(ballgauge.ServiceUnreachable):
        client.check({"ball": {}})
    assert not waits
