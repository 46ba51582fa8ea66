"""The real server: what only shows over a socket."""

from __future__ import annotations

import errno
import json
import os
import signal
import socket
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import psutil
import pytest
import requests
from granian.server.mp import MPServer

from ballgauge_schemas.shared.documents import motion_example
from ballgauge_schemas.shared.limits import SPREAD_DELIVERIES_MAXIMUM
from ballgauge_service.web.http import running
from ballgauge_service.web.server.server import _Server


def test_a_page_elsewhere_does_not_reach_a_service_of_this_machine(server: str) -> None:
    """DNS rebinding: on loopback and without keys, `serve` answers to no name of the internet."""
    for host, status in (("evil.example", 421), ("localhost:8000", 200)):
        assert requests.get(f"{server}/v1/rulebooks?body=usbc", headers={"Host": host}).status_code == status


def test_ready_page_and_document(server: str) -> None:
    for address in (
        "/healthz",
        "/readyz",
        "/openapi.json",
        "/docs",
        "/docs/swagger-ui-bundle.js",
        "/docs/init.js",
    ):
        assert requests.get(server + address).status_code == 200, address
        assert requests.head(server + address).status_code == 200, address


@pytest.mark.parametrize("chunked", [False, True])
def test_two_mebibytes_are_refused_and_the_service_still_answers(server: str, chunked: bool) -> None:
    body = b'{"ball": {"weight": 15, "name": "' + b"x" * 2**21 + b'"}}'
    pieces = iter([body[:100_000], body[100_000:]]) if chunked else body
    response = requests.post(f"{server}/v1/checks", data=pieces, headers={"Content-Type": "application/json"})
    assert response.status_code == 413
    assert response.headers["Content-Type"] == "application/problem+json"
    assert requests.get(f"{server}/healthz").status_code == 200


def test_a_body_in_chunks_is_read(server: str) -> None:
    pieces = iter([b'{"ball": ', b'{"weight": 15}}'])
    response = requests.post(f"{server}/v1/checks", data=pieces, headers={"Content-Type": "application/json"})
    assert response.status_code == 200


def test_a_caller_who_leaves_early_harms_nobody(server: str) -> None:
    address = urlsplit(server)
    for _ in range(20):
        with socket.create_connection((address.hostname, address.port)) as caller:
            caller.sendall(
                b"POST /v1/checks HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n"
                b'Content-Length: 5000\r\n\r\n{"ball": '
            )
    assert requests.get(f"{server}/readyz").status_code == 200


def test_callers_at_once_get_their_own_answers(server: str, drilled: dict[str, Any]) -> None:
    def ask(number: int) -> tuple[str, float]:
        request = {"ball": drilled["ball"] | {"weight": 12 + number / 50}}
        identity = f"caller-{number}"
        response = requests.post(f"{server}/v1/checks", json=request, headers={"X-Request-Id": identity})
        findings = response.json()["findings"]
        weight: float = next(finding["value"] for finding in findings if finding["quantity"] == "weight")
        return response.headers["X-Request-Id"], weight

    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(ask, range(100)))
    assert answers == [(f"caller-{number}", 12 + number / 50) for number in range(100)]


def test_the_log_has_one_line_of_json_a_request(server: str, server_log: Path) -> None:
    requests.post(
        f"{server}/v1/checks", json={"ball": {"name": "SECRET"}}, headers={"X-Request-Id": "log-test-1"}
    )
    lines = [line for line in server_log.read_text().splitlines() if "log-test-1" in line]
    (record,) = map(json.loads, lines)
    assert (record["method"], record["path"], record["status"]) == ("POST", "/v1/checks", 422)
    assert "SECRET" not in server_log.read_text()


def test_connections_that_say_nothing_are_ended(run_server: Any) -> None:
    """Against connections without a byte, with half and with all of HTTP/2's first line: none is kept."""
    program = str(Path(sys.executable).with_name("ballgauge"))
    silent = (b"", b"PRI * HT", b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n\0\0\0\4\0\0\0\0\0")
    with run_server(
        lambda port: [program, "serve", "--port", str(port)], env=os.environ | {"BALLGAUGE_PATIENCE": "1"}
    ) as address:
        split = urlsplit(address)
        for first in silent:
            with socket.create_connection((split.hostname, split.port), timeout=60) as caller:
                caller.sendall(first)
                while caller.recv(1 << 12):
                    pass


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT])
def test_told_to_end_while_it_starts_it_ends(tmp_path: Path, how: signal.Signals) -> None:
    """Against a worker that is not up when the signal comes, and would be killed after a day alone."""
    program = str(Path(sys.executable).with_name("ballgauge"))
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    log = tmp_path / "log"
    chosen = {"BALLGAUGE_DEADLINE": "86400", "BALLGAUGE_DRAIN": "0.05"}
    with (
        log.open("wb") as sink,
        subprocess.Popen(
            [program, "serve", "--port", str(port)], stderr=sink, env=os.environ | chosen
        ) as process,
    ):
        try:
            while "Spawning worker" not in log.read_text():
                assert process.poll() is None
                time.sleep(0.01)
            process.send_signal(how)
            assert process.wait(timeout=60) == 0
        finally:
            process.kill()


def test_told_to_end_without_room_to_say_so_it_ends(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Against a folder that is gone, as after a cleaning of temporary files."""
    monkeypatch.setenv(running.FOLDER, str(tmp_path / "gone"))
    told: list[Any] = []
    monkeypatch.setattr(MPServer, "signal_handler_interrupt", lambda *given: told.append(given))
    service = object.__new__(_Server)
    service.signal_handler_interrupt(signal.SIGTERM, None)
    assert len(told) == 1


HALF = {
    "/v1/lots": b"Content-Type: text/csv\r\nContent-Length: 100000\r\n\r\nserial,weight\nA1,15.0\n",
    "/v1/checks": b"Content-Type: application/json\r\nContent-Length: 1000\r\n\r\n{",
}


def test_told_to_end_it_waits_for_no_slow_caller(run_server: Any, tmp_path: Path) -> None:
    """Against bodies half sent and a study, each of which may take a day: they are refused in words."""
    program = str(Path(sys.executable).with_name("ballgauge"))
    chosen = {"DEADLINE": "86400", "PATIENCE": "86400", "ENDING": "0.2", "DRAIN": "0.05"}
    study = motion_example("motion")
    study["spread"]["deliveries"] = SPREAD_DELIVERIES_MAXIMUM
    body = json.dumps(study).encode()
    whole = b"Content-Type: application/json\r\nContent-Length: %d\r\n\r\n%s" % (len(body), body)
    log = (tmp_path / "log").open("wb")
    environment = os.environ | {f"BALLGAUGE_{name}": text for name, text in chosen.items()}
    with (
        log,
        ExitStack() as stack,
        run_server(
            lambda port: [program, "serve", "--port", str(port)], env=environment, stderr=log
        ) as address,
    ):
        split = urlsplit(address)
        callers = []
        for path, rest in {**HALF, "/v1/motions": whole}.items():
            place = str(split.hostname), split.port
            caller = stack.enter_context(socket.create_connection(place, timeout=60))
            caller.sendall(f"POST {path} HTTP/1.1\r\nHost: x\r\n".encode() + rest)
            callers.append(caller)
        (server,) = (each for each in psutil.Process().children() if str(split.port) in each.cmdline())
        # The others' bodies are never whole; the study has begun.
        while b"ballgauge_computing 1.0" not in requests.get(f"{address}/metrics").content:
            time.sleep(0.05)
        server.terminate()
        for caller in callers:
            answer = caller.makefile("rb").read()
            assert (answer[:12], b"connection: close" in answer) == (b"HTTP/1.1 503", True), answer
        server.wait(60)
    assert "refused to gracefully stop" not in (tmp_path / "log").read_text()


COUNTING = """
import os, sys
from ballgauge_service.web.http import running
assert "prometheus_client" not in sys.modules
print(running.reserve_counts())
from ballgauge_service.web.http import metrics
metrics.turned_away("a reason")
metrics.show_turns("cheap", 1, 1)
metrics._SECONDS.labels("a route", "200").observe(1)
files = list(running.Path(sys.argv[1]).iterdir())
print(all(file.stat().st_blocks * 512 >= file.stat().st_size > 0 for file in files))
print({file.name for file in files} == {f"{kind}_{os.getpid()}.db" for kind in running.COUNTS})
"""


def test_counts_have_their_room_before_the_disk_is_full(tmp_path: Path) -> None:
    """Against the blocks of every file that is mapped: a page without one ends the process."""
    told = subprocess.run(
        [sys.executable, "-c", COUNTING, str(tmp_path)],
        env=os.environ | {running.METRICS_FOLDER: str(tmp_path)}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert told.stdout.split() == ["True"] * 3


def test_without_room_for_counts_a_process_counts_for_itself(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Against a system call that fails as on a full disk."""

    def fail(*_: Any) -> None:
        raise OSError(errno.ENOSPC, "no room")

    monkeypatch.setenv(running.METRICS_FOLDER, str(tmp_path))
    monkeypatch.setattr(os, "posix_fallocate", fail)
    assert not running.reserve_counts()
    assert running.METRICS_FOLDER not in os.environ
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("target", ["/docs", "/v1/rulebooks", "/nowhere", "/v1/records/keys"])
def test_bodies_to_addresses_that_take_none_are_not_waited_for(server: str, target: str) -> None:
    """Against a body that does not come: the answer does, at once."""
    address = urlsplit(server)
    with socket.create_connection((str(address.hostname), address.port), timeout=10) as caller:
        caller.sendall(f"POST {target} HTTP/1.1\r\nHost: x\r\nContent-Length: 1000\r\n\r\nhalf".encode())
        assert caller.recv(1 << 12)[:12] in (b"HTTP/1.1 404", b"HTTP/1.1 405")
