"""The gate over sockets: what waits for the network costs no turn, and what is refused is refused at once."""

from __future__ import annotations

import contextlib
import json
import os
import re
import socket
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, ExitStack
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
import requests
from tests.conftest import DRILLED

from ballgauge_service.web.server.gate import LAYERS

LONG = 20
"""Seconds of work that is given up long before."""

Serve = Callable[..., str]


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("gate") / "log"


@pytest.fixture(scope="module")
def serve(run_server: Callable[..., AbstractContextManager[str]], log: Path) -> Iterator[Serve]:
    """Gives the address of the small application with some settings; the same settings, the same server."""

    def command(port: int) -> list[str]:
        target = [
            "--interface",
            "asginl",
            "--factory",
            "--working-dir",
            str(Path(__file__).parent),
            "--no-ws",
        ]
        return [sys.executable, "-m", "granian", *target, "--port", str(port), "gate_app:create"]

    with ExitStack() as stack:
        sink = stack.enter_context(log.open("wb"))
        found: dict[str, str] = {}

        def address(**settings: float) -> str:
            named = {f"BALLGAUGE_{name.upper()}": str(value) for name, value in settings.items()}
            key = json.dumps(named, sort_keys=True)
            if key not in found:
                running = run_server(command, env=os.environ | named, stdout=sink, stderr=sink)
                found[key] = stack.enter_context(running)
            return found[key]

        yield address


def connect(address: str) -> socket.socket:
    split = urlsplit(address)
    return socket.create_connection((str(split.hostname), split.port), timeout=60)


def head(target: str, method: str = "POST", *lines: str) -> bytes:
    return "\r\n".join([f"{method} {target} HTTP/1.1", "Host: x", *lines, "", ""]).encode()


def read_all(caller: socket.socket) -> bytes:
    found = b""
    with contextlib.suppress(ConnectionError):
        while piece := caller.recv(1 << 16):
            found += piece
    return found


def state(address: str) -> dict[str, int]:
    found: dict[str, int] = requests.get(f"{address}/readyz", timeout=30).json()
    return found


def counted(address: str, reason: str) -> float:
    """How many the metrics say were turned away for a reason."""
    told = requests.get(f"{address}/metrics", timeout=30).text.splitlines()
    wanted = f'ballgauge_rejects_total{{reason="{reason}"}} '
    return sum(float(line.removeprefix(wanted)) for line in told if line.startswith(wanted))


def until(condition: Callable[[], bool]) -> None:
    end = time.monotonic() + 60
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.02)


def assert_come_again(response: requests.Response) -> None:
    """Against RFC 9457 and RFC 9110, 10.2.3."""
    assert response.status_code == 503, response.text
    assert response.headers["Content-Type"] == "application/problem+json"
    assert int(response.headers["Retry-After"]) > 0
    problem = response.json()
    assert problem["status"] == 503
    assert problem["request_id"] == response.headers["X-Request-Id"]


ONE = {"computing": 1, "waiting": 1, "longest_wait": 0.5, "patience": 60}


def test_bodies_that_trickle_hold_no_turn(serve: Serve) -> None:
    """Against the one turn of the server: many half-sent bodies of both kinds, and it still computes."""
    address = serve(**ONE)
    with ExitStack() as stack:
        for target in ["/echo"] * 40 + ["/v1/lots"] * 10:
            caller = stack.enter_context(connect(address))
            caller.sendall(head(target, "POST", "Content-Length: 1000") + b"half of")
        time.sleep(0.2)
        for _ in range(3):
            response = requests.post(f"{address}/compute?seconds=0.05", timeout=60)
            assert response.json() == {"done": "computed"}


def test_an_answer_nobody_reads_holds_no_turn(serve: Serve) -> None:
    """Against the one turn of the server: a stream that its caller does not take, and it still computes."""
    address = serve(**ONE)
    with connect(address) as caller:
        caller.sendall(head("/stream?pieces=2000&size=65536", "GET"))
        until(lambda: state(address)["computing"] == 1)
        time.sleep(0.5)
        assert requests.post(f"{address}/compute?seconds=0.05", timeout=60).status_code == 200
        assert state(address)["computing"] == 1
    until(lambda: state(address)["computing"] == 0)


def test_full_is_said_at_once_and_health_answers(serve: Serve) -> None:
    """Against a server of one turn and one place to wait: the rest is told to come again."""
    address = serve(computing=1, waiting=1, longest_wait=0.4)

    def ask(_: int) -> requests.Response:
        return requests.post(f"{address}/compute?seconds=1.5", timeout=60)

    with ThreadPoolExecutor(6) as pool:
        asked = [pool.submit(ask, n) for n in range(6)]
        until(lambda: state(address)["computing"] == 1)
        assert "ballgauge_computing 1.0" in requests.get(f"{address}/metrics", timeout=30).text
        answers = [future.result() for future in asked]
    good = [answer for answer in answers if answer.status_code == 200]
    assert len(good) == 1
    for answer in answers:
        if answer not in good:
            assert_come_again(answer)
    assert state(address)["most"] == 1
    counted = requests.get(f"{address}/metrics", timeout=30).text
    assert 'ballgauge_rejects_total{reason="line_full"}' in counted
    assert 'ballgauge_rejects_total{reason="waited_too_long"}' in counted
    assert requests.post(f"{address}/compute?seconds=0", timeout=60).status_code == 200


IMPATIENT = {"computing": 2, "deadline": 0.5, "patience": 0.5}


@pytest.mark.parametrize("work", ["compute", "stubborn"])
def test_the_deadline_ends_a_request_in_words(serve: Serve, work: str, sentence: Any) -> None:
    """Against work that asks for its deadline and work that does not: a 503, and the turn comes back."""
    address = serve(**IMPATIENT)
    before = counted(address, "deadline")
    for _ in range(3):
        response = requests.post(f"{address}/{work}?seconds=3", timeout=60)
        assert_come_again(response)
        assert response.json()["detail"] == sentence("deadline of 0.5 s passed")
    until(lambda: requests.post(f"{address}/compute?seconds=0", timeout=60).status_code == 200)
    until(lambda: state(address)["computing"] == 0)
    assert counted(address, "deadline") == before + 3


@pytest.mark.parametrize("target", ["/echo", "/v1/lots"])
def test_a_body_that_does_not_come_is_given_up(serve: Serve, target: str) -> None:
    """Against RFC 9110, 15.5.9."""
    address = serve(**IMPATIENT)
    asked = state(address)["asked"]
    with connect(address) as caller:
        caller.sendall(head(target, "POST", "Content-Length: 1000", "Content-Type: text/csv") + b"half of")
        answer = read_all(caller)
    assert answer.startswith(b"HTTP/1.1 408 ")
    assert json.loads(answer.partition(b"\r\n\r\n")[2])["status"] == 408
    assert state(address)["asked"] == asked


def test_a_file_that_keeps_coming_is_not_given_up(serve: Serve) -> None:
    """Against the deadline, which begins anew with each piece: all of it together takes longer."""
    address = serve(computing=1, deadline=2)

    def pieces() -> Iterator[bytes]:
        for _ in range(8):
            time.sleep(0.5)
            yield b"x" * 10

    assert requests.post(f"{address}/v1/lots", data=pieces(), timeout=60).json() == {"length": 80}
    whole = b"x" * 2**19
    slow = requests.post(f"{address}/v1/lots?pause=0.5", data=whole, timeout=60)
    assert slow.json() == {"length": len(whole)}


PLAIN: dict[str, float] = {"computing": 2}


def test_work_ends_when_its_caller_leaves(serve: Serve) -> None:
    """Against the count of what computes: it falls long before the work would be done."""
    address = serve(**PLAIN)
    before = time.monotonic()
    with connect(address) as caller:
        caller.sendall(head(f"/compute?seconds={LONG}"))
        until(lambda: state(address)["computing"] == 1)
    until(lambda: state(address)["computing"] == 0)
    assert time.monotonic() - before < LONG


def test_a_caller_who_leaves_the_line_takes_no_turn(serve: Serve) -> None:
    """Against the count of what was asked: who left while waiting is not computed for."""
    address = serve(computing=1, waiting=5, longest_wait=30)
    with connect(address) as first:
        first.sendall(head("/compute?seconds=1"))
        until(lambda: state(address)["computing"] == 1)
        with connect(address) as second:
            second.sendall(head("/echo"))
            until(lambda: "ballgauge_waiting 1.0" in requests.get(f"{address}/metrics", timeout=30).text)
        assert first.recv(1 << 16).startswith(b"HTTP/1.1 200 ")
    assert requests.post(f"{address}/compute?seconds=0", timeout=60).status_code == 200
    assert state(address)["asked"] == 0


def test_a_body_that_is_cut_is_not_passed_on(serve: Serve) -> None:
    address = serve(**PLAIN)
    asked = state(address)["asked"]
    for length in ("Content-Length: 1000", "Transfer-Encoding: chunked"):
        with connect(address) as caller:
            caller.sendall(head("/echo", "POST", length) + b"3\r\nabc\r\n")
            time.sleep(0.1)
    assert requests.post(f"{address}/echo", data=b"abc", timeout=60).json()["length"] == 3
    assert state(address)["asked"] == asked + 1


def test_pieces_leave_as_they_are_made(serve: Serve) -> None:
    """Against the end of the answer, which is seconds away when the first piece is here."""
    address = serve(**PLAIN)
    with requests.get(f"{address}/stream?pieces=5&size=10&pause=0.3", stream=True, timeout=60) as response:
        pieces = response.iter_content(10)
        assert next(pieces) == b"x" * 10
        assert state(address)["computing"] == 1
        assert b"".join(pieces) == b"x" * 40


@pytest.mark.parametrize("by", ["error", "deadline"])
def test_an_answer_that_breaks_is_never_whole(serve: Serve, log: Path, by: str) -> None:
    """Against RFC 9112, 8: a chunked answer without its last chunk is incomplete, and clients say so."""
    address = serve(**PLAIN)
    with pytest.raises(requests.exceptions.ChunkedEncodingError):
        requests.get(f"{address}/broken?by={by}", timeout=60)
    assert "SECRET" not in log.read_text()
    assert requests.post(f"{address}/echo", timeout=60).status_code == 200


def test_headers_that_pose_as_others_are_left_out(serve: Serve) -> None:
    address = serve(**PLAIN)
    sent = {"X_Forwarded_For": "1.2.3.4", "Proxy": "evil", "X-Kept": "yes"}
    seen = requests.post(f"{address}/echo", headers=sent, timeout=60).json()["headers"]
    assert seen["X-Kept"] == "yes"
    assert not {"X-Forwarded-For", "Proxy"} & set(seen)


def test_the_log_tells_no_path_that_is_no_address(serve: Serve, log: Path) -> None:
    """Against a value in every part of a request: none of them is in the log."""
    address = serve(**PLAIN)
    answer = requests.post(
        f"{address}/SECRET?name=SECRET", data="SECRET", headers={"X-Name": "SECRET"}, timeout=60
    )
    assert answer.status_code == 404
    assert "SECRET" not in log.read_text()


@pytest.mark.parametrize("size", [0, 1, 2**21])
def test_a_body_comes_whole(serve: Serve, size: int) -> None:
    address = serve(**PLAIN)
    for target in ("/echo", "/v1/lots"):
        for data in (b"x" * size, iter([b"x" * size] if size else [])):
            sent: Any = data
            assert requests.post(address + target, data=sent, timeout=60).json()["length"] == size


@pytest.mark.parametrize("target", ["//v1/lots", "/v1/l%6Fts", "/%2Fv1/lots"])
def test_an_address_spelt_otherwise_is_the_same_to_all(serve: Serve, target: str) -> None:
    """Against the limit of the application's bodies: one cut to it, as JSON's are, would look whole."""
    piece = b"x" * 2**16
    with connect(serve(**PLAIN)) as caller:
        caller.sendall(head(target, "POST", "Transfer-Encoding: chunked", "Connection: close"))
        for _ in range(33):
            caller.sendall(b"%x\r\n%s\r\n" % (len(piece), piece))
        caller.sendall(b"0\r\n\r\n")
        assert read_all(caller).startswith(b"HTTP/1.1 413 ")


def test_the_refusal_of_a_form_does_not_wait_for_its_thread(serve: Serve) -> None:
    """Against work that does not ask for the deadline: it still works when the refusal has come."""
    address = serve(computing=2, deadline=0.5)
    files = {"file": b"x"}
    with ThreadPoolExecutor(1) as pool:
        asked = pool.submit(requests.post, f"{address}/stubborn?seconds={LONG}", files=files, timeout=60)
        before = time.monotonic()
        assert_come_again(asked.result())
    assert time.monotonic() - before < LONG


def test_what_came_fast_earns_no_long_pause(serve: Serve) -> None:
    """Against a body whose last byte does not come: at 1000 bytes a second it would have eight minutes."""
    with connect(serve(**IMPATIENT)) as caller:
        caller.sendall(head("/echo", "POST", "Content-Length: 500001") + b"x" * 500_000)
        assert read_all(caller).startswith(b"HTTP/1.1 408 ")


def test_options_wait_for_no_body(serve: Serve) -> None:
    """Against a body that does not come: what needs no key holds no room for bodies."""
    with connect(serve(**ONE)) as caller:
        caller.sendall(head("/echo", "OPTIONS", "Content-Length: 1000", "Connection: close") + b"half of")
        assert caller.recv(1 << 16).startswith(b"HTTP/1.1 200 ")


def test_a_method_in_small_letters_is_one_to_all(serve: Serve) -> None:
    """The application takes it so; an answer to it has as many bytes as its head says."""
    with connect(serve(**PLAIN)) as caller:
        caller.sendall(head("/readyz", "head", "Connection: close"))
        answer = read_all(caller)
    assert answer.startswith(b"HTTP/1.1 ")
    length = re.search(rb"content-length: ([0-9]+)", answer)
    assert length is None or int(length[1]) == len(answer.partition(b"\r\n\r\n")[2])


def test_a_large_answer_comes_whole(serve: Serve) -> None:
    answer = requests.get(f"{serve(**PLAIN)}/large?size=3000001", timeout=60)
    assert answer.headers["Content-Length"] == "3000001"
    assert answer.content == bytes(3_000_001)


def test_a_large_answer_nobody_reads_is_not_kept(serve: Serve) -> None:
    """Against the count of slow readers, and the announced length: what comes late is not whole."""
    address = serve(**IMPATIENT)
    before = counted(address, "slow_reader")
    with connect(address) as caller:
        caller.sendall(head("/large?size=40000000", "GET"))
        until(lambda: counted(address, "slow_reader") == before + 1)
        assert len(read_all(caller)) < 40_000_000


def test_cheap_work_does_not_wait_for_heavy_work(serve: Serve) -> None:
    """Against one turn of each lane: heavy work that takes it, or waits for it, stops no cheap request."""
    address = serve(computing=1, waiting=4)
    with ExitStack() as stack:
        for _ in range(3):
            caller = stack.enter_context(connect(address))
            caller.sendall(head(f"/v1/motions?seconds={LONG}", "POST", "Content-Length: 0"))
        until(lambda: state(address)["computing"] == 1)
        for _ in range(3):
            assert requests.post(f"{address}/compute?seconds=0", timeout=LONG / 2).status_code == 200
        assert state(address)["computing"] == 1
    until(lambda: state(address)["computing"] == 0)


@pytest.mark.parametrize("target", ["/echo", "/v1/lots"])
@pytest.mark.parametrize(
    ("length", "body"),
    [
        ("Content-Length: 1000", b"half of"),
        ("Transfer-Encoding: chunked", b"5\r\nhalf"),
        ("Transfer-Encoding: chunked", b"-1\r\nhalf\r\n"),
        ("Transfer-Encoding: chunked", b"zz\r\nhalf\r\n"),
        ("Transfer-Encoding: chunked", b"fffffffffffffffff\r\nhalf\r\n"),
        ("Transfer-Encoding: chunked", b"4\r\nhalf of"),
    ],
)
def test_a_cut_body_is_a_problem_with_its_request_id(
    serve: Serve, target: str, length: str, body: bytes
) -> None:
    """Against RFC 9112, 7.1 and 8: a caller who stops sending, or sends chunks that are none."""
    address, answer = serve(**PLAIN), b""
    # Where a connection ends with bytes unread, the system may drop the answer: then it is asked again.
    for _ in range(5):
        with connect(address) as caller:
            caller.sendall(head(target, "POST", length, "X-Request-Id: cut", "Content-Type: text/csv") + body)
            caller.shutdown(socket.SHUT_WR)
            answer, _, problem = read_all(caller).partition(b"\r\n\r\n")
        if answer:
            break
    assert answer.startswith(b"HTTP/1.1 400 "), answer
    assert json.loads(problem)["request_id"] == "cut"


def test_all_of_a_file_must_come_in_its_time(serve: Serve) -> None:
    """Against a file that keeps coming, each piece in time, for longer than all of it may take."""
    address = serve(upload_time=1.5)
    before = counted(address, "slow_body")
    with connect(address) as caller, contextlib.suppress(ConnectionError):
        caller.sendall(head("/v1/lots", "POST", "Content-Length: 1000"))
        for _ in range(100):
            caller.sendall(b"x")
            if counted(address, "slow_body") > before:
                break
            time.sleep(0.2)
    assert counted(address, "slow_body") == before + 1


def test_the_slow_files_of_one_close_lots_for_nobody_else(serve: Serve) -> None:
    """Against the number that one may have under way, and a caller of another address."""
    address = serve(requests_per_minute=10_000, trusted_proxies=1, uploads=4, uploads_of_one=2)
    with ExitStack() as stack:
        for _ in range(2):
            caller = stack.enter_context(connect(address))
            lines = ("Content-Length: 1000", "X-Forwarded-For: 10.0.0.1")
            caller.sendall(head("/v1/lots", "POST", *lines) + b"half of")
        time.sleep(2)
        for host, status in (("10.0.0.1", 503), ("10.0.0.2", 200)):
            asked = {"X-Forwarded-For": host}
            response = requests.post(f"{address}/v1/lots", data=b"whole", headers=asked, timeout=60)
            assert response.status_code == status
    assert counted(address, "streams_full_for_one") == 1


def test_computed_work_counts_toward_the_limit(serve: Serve) -> None:
    """Against a limit of 60: one request of a second takes all of it, sixty that compute nothing do not."""
    address = serve(requests_per_minute=60, trusted_proxies=1)

    def asked(host: str, seconds: float) -> int:
        headers = {"X-Forwarded-For": host}
        return requests.post(
            f"{address}/v1/checks?seconds={seconds}", headers=headers, timeout=60
        ).status_code

    assert [asked("10.0.0.1", 0) for _ in range(5)] == [200] * 5
    assert asked("10.0.0.2", 1) == 200
    assert asked("10.0.0.2", 0) == 429
    assert asked("10.0.0.1", 0) == 200


def test_layers_that_are_drilled_are_heavy_work() -> None:
    """Against spellings of one member (RFC 8259, 7); a ball may have the word in its name."""
    spelt = (
        '{"design":{}}',
        '{"checks":[{"design" : 1}]}',
        r'{"\u0064esign":{}}',
        r'{"\u0064\u0065\u0073ign": 0}',
    )
    for told in spelt:
        assert json.loads(told)
        assert LAYERS.search(told.encode())
    for told in ('{"ball":{"name":"design"}}', '{"side":{}}', r'{"name":"M\u00fcller"}', json.dumps(DRILLED)):
        assert not LAYERS.search(told.encode())
