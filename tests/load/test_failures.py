"""The real server under load and when things fail: short forms of the programs beside this file.

Nothing here depends on how fast the machine is: no answer is wrong, no request is lost without a broken
connection, refusals say when to come again, and the service goes on.
"""

from __future__ import annotations

import asyncio
import json
import signal
import socket
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from urllib.parse import urlsplit

import psutil
import pytest
import requests
from tests.conftest import DRILLED

from . import rows
from .caller import Answer, Checks, Connection, Tally, all_the_time
from .idle import allow_files, idle_connections
from .overload import overload
from .service import Service, served
from .soak import soak
from .steady import steady

IDLE = 10_000


@pytest.fixture(scope="module")
def service() -> Iterator[Service]:
    """Two processes that refuse soon."""
    with served(2, {"waiting": 8, "longest_wait": 30, "patience": 2}) as found:
        yield found


def until(condition: Callable[[], bool], seconds: float = 120.0) -> None:
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.05)


def answers(address: str) -> bool:
    """Whether a check is answered."""
    try:
        return requests.post(f"{address}/v1/checks", json=DRILLED, timeout=30).status_code == 200
    except requests.ConnectionError:
        return False


def test_steady_load_has_no_wrong_answer(service: Service) -> None:
    """Against the right answers, at a third of what it can do; a busy machine may refuse, no more."""
    report = asyncio.run(steady(service, 0.33, 1.0, 4.0))
    assert set(report.tally.statuses) <= {200, 503}
    assert report.tally.answered > 0
    assert report.tally.wrong == []
    assert all(size > 0 for _, size in report.memory)


def test_callers_no_more_than_may_wait_are_all_answered(service: Service) -> None:
    """Against the right answers: as many callers as have a turn or a place to wait, and none is refused."""

    async def run() -> Tally:
        checks = Checks()
        await checks.learn(service.address)
        return await all_the_time(service.address, checks, 8, 2.0)

    tally = asyncio.run(run())
    assert tally.wrong == []
    assert set(tally.statuses) == {200}


def test_overload_is_refused_in_words_and_passes(service: Service) -> None:
    """Against five times the capacity: right answers and right refusals alone, and no process dies."""
    allow_files(8_000)
    report = asyncio.run(overload(service, 5.0, 1.0, 3.0))
    assert report.tally.wrong == []
    assert set(report.tally.statuses) <= {0, 200, 503}
    # A machine with other work may break a connection of its own; the service breaks none.
    assert report.tally.statuses[0] <= report.tally.statuses.total() / 500
    assert report.tally.answered > 0
    assert report.alive
    assert answers(service.address)


def test_requests_of_all_kinds_have_the_answers_they_had(service: Service) -> None:
    """Against the answers with nothing else going on, of which a long soak is the same program."""
    found = asyncio.run(soak(service, 500, lambda line: None))
    assert not +found.different
    assert set(found.statuses) <= {200, 400, 404, 422, 503}
    assert len(found.memory) == 100


def test_a_killed_worker_gives_no_wrong_answer_and_is_replaced(service: Service) -> None:
    """Against the right answers and the ids of their requests, while one of two processes is killed."""
    before = {worker.pid for worker in service.workers()}

    async def run() -> Tally:
        checks = Checks()
        await checks.learn(service.address)
        load = asyncio.create_task(all_the_time(service.address, checks, 8, 4.0))
        await asyncio.sleep(1.0)
        service.workers()[0].kill()
        return await load

    tally = asyncio.run(run())
    assert tally.wrong == []
    assert set(tally.statuses) <= {0, 200, 503}
    until(lambda: len(service.workers()) == 2 and {w.pid for w in service.workers()} != before)
    until(lambda: all(answers(service.address) for _ in range(10)))


def test_a_stopped_worker_is_replaced() -> None:
    """Against SIGSTOP, after which a process takes connections and answers none."""
    with served(2, {"stuck": 3}) as service:
        before = {worker.pid for worker in service.workers()}
        stopped = service.workers()[0]
        stopped.send_signal(signal.SIGSTOP)
        until(lambda: not stopped.is_running() and len(service.workers()) == 2)
        assert len(before & {worker.pid for worker in service.workers()}) == 1
        until(lambda: all(answers(service.address) for _ in range(10)))


def test_idle_connections_take_nothing(service: Service) -> None:
    """Against ten thousand connections that say nothing, or as many as this machine allows."""
    count = min(IDLE, allow_files(IDLE + 500) - 500)

    async def run() -> tuple[int, Tally]:
        checks = Checks()
        await checks.learn(service.address)
        async with idle_connections(service.address, count) as opened:
            return opened, await all_the_time(service.address, checks, 2, 1.0)

    opened, tally = asyncio.run(run())
    assert opened == count
    assert set(tally.statuses) == {200}
    assert tally.wrong == []


def test_metrics_are_those_of_all_processes(service: Service) -> None:
    """Against the number of requests, each over a connection of its own, so that both processes have some."""
    route = 'ballgauge_request_seconds_count{route="/v1/rulebooks",status="200"}'

    def counted() -> float:
        lines = requests.get(f"{service.address}/metrics", timeout=30).text.splitlines()
        return sum(float(line.rsplit(" ", 1)[1]) for line in lines if line.startswith(route))

    before = counted()
    for _ in range(40):
        assert requests.get(f"{service.address}/v1/rulebooks", timeout=30).status_code == 200
    assert {counted() for _ in range(8)} == {before + 40}


def test_heads_that_do_not_come_are_given_up(service: Service) -> None:
    """Against connections left half way in a head: each is closed by the server, none is waited for."""
    split = urlsplit(service.address)
    with ExitStack() as stack:
        half = [
            stack.enter_context(socket.create_connection((str(split.hostname), split.port), timeout=60))
            for _ in range(100)
        ]
        for caller in half:
            caller.sendall(b"POST /v1/checks HTTP/1.1\r\nHost: ")
        assert answers(service.address)
        for caller in half:
            while caller.recv(1 << 12):
                pass


@pytest.mark.parametrize("media", ["application/vnd.apache.parquet", "text/csv"])
def test_no_room_for_files_is_said(media: str) -> None:
    """Against a limit of the size of files, which the system sets as it would a full disk's."""
    limit = (
        "import os, resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (2**22, 2**22)); "
        "os.execv(sys.argv[1], sys.argv[1:])"
    )
    rows = b"".join(b"OW%07d,15.0,2.49\n" % n for n in range(40_000))
    sent = b"PAR1" + bytes(2**23) if media != "text/csv" else b"serial,weight,rg\n" + rows
    with served(1, before=[sys.executable, "-c", limit]) as service:
        for _ in range(2):
            headers = {"Content-Type": media, "Accept": "text/csv"}
            answer = requests.post(f"{service.address}/v1/lots", data=sent, headers=headers, timeout=60)
            assert answer.status_code == 507, answer.text
            assert answer.headers["Content-Type"] == "application/problem+json"
            assert answer.json()["status"] == 507
        assert answers(service.address)


def test_told_to_end_it_answers_what_it_took(tmp_path: Path) -> None:
    """Against requests under way and health: told to end, the first are answered and the second says so."""
    checks = json.dumps({"checks": [DRILLED] * 600}).encode()
    head = (
        f"POST /v1/checks HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n"
        f"Content-Length: {len(checks)}\r\n\r\n"
    ).encode()

    async def run(service: Service) -> list[Answer]:
        asked = [asyncio.create_task(Connection(service.address).ask(head, checks)) for _ in range(4)]
        await asyncio.sleep(0.3)
        service.process.send_signal(signal.SIGTERM)
        health = Connection(service.address)
        said = 0
        while said != 503:
            said = (await health.ask(b"GET /readyz HTTP/1.1\r\nHost: x\r\n\r\n")).status
            assert said in (200, 503)
        return list(await asyncio.gather(*asked))

    with served(1, {"drain": 3}, before=["env", f"TMPDIR={tmp_path}"]) as service:
        assert len(list(tmp_path.iterdir())) == 1
        found = asyncio.run(run(service))
        assert [answer.status for answer in found] == [200] * 4
        assert len({answer.body for answer in found}) == 1
        until(lambda: not service.process.is_running() or service.process.status() == psutil.STATUS_ZOMBIE)
    assert not list(tmp_path.iterdir())


def test_no_process_is_left_when_the_first_is_killed(tmp_path: Path) -> None:
    """Against the processes themselves: none of the workers outlives the one that started them."""
    with served(2, before=["env", f"TMPDIR={tmp_path}"]) as service:
        workers = service.workers()
        assert len(workers) == 2
        assert len(list(tmp_path.iterdir())) == 1
        service.process.kill()
        psutil.wait_procs(workers, timeout=60)
        assert not any(worker.is_running() for worker in workers)
        until(lambda: not list(tmp_path.iterdir()))


def test_a_stop_loses_no_request_of_a_connection_that_is_kept() -> None:
    """Against busy kept connections: each is told to close, or ends between two requests, and none in one."""
    with rows.started("ours") as server:
        assert rows.stop(server) == 0


def test_a_refusal_costs_little_of_a_check() -> None:
    """Against the processor time of checks, which other work on the machine leaves as it is."""
    with rows.started("ours") as server:
        assert rows.refusal_cost(server) < 0.35
