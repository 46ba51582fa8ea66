"""Tries again where it is safe, and only there; against a scripted server on the loopback address."""

from __future__ import annotations

import http.server
import socket
import threading
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime

import pytest
from tests.sdk.conftest import RESULT, Answer, Script, resets, says

import ballgauge
from ballgauge._http import Tries


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
    tries = Tries(50)
    broken = ballgauge.ConnectionFailed("broke")
    for _ in range(50):
        wait = tries.after(broken)
        assert wait is not None
        assert 0.05 <= wait <= 5
    assert tries.after(broken) is None


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
