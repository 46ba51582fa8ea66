"""Which server, by one table: checks beside whatever else callers do. `python -m tests.load.rows`.

The first is ours. The others call the same application by WSGI: in threads of granian's own, and behind a
kept bridge from ASGI, where it is installed. One process each, loopback alone, all callers on this machine.
Each row is a share of what the same server does alone just before, so that other work on the machine takes
from both; `--rounds` repeats the rows, and the median is told.
"""

from __future__ import annotations

import argparse
import asyncio
import importlib.util
import json
import os
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import psutil
from tests.conftest import running
from tests.load.caller import Checks, Connection, all_the_time
from tests.load.idle import allow_files
from tests.load.service import processor_time, wait_until_idle

from ballgauge_schemas.shared.documents import motion_example
from ballgauge_service.web.access import access_keys

SECONDS = 3.0
CALLERS = 8
STUDIES = 4
TRICKLERS = 64
FLOODS = (64, 2000)
CROWD = 1500
CAPACITY = 64
STOPS = 4
ASKED = 250
HEALTH = 0.1
"""Seconds in which health must answer."""

_APPLICATION = "ballgauge_service.web.server.application:create_app"
_HERE = "tests.load.rows"


def behind_bridge() -> object:
    """The application behind a2wsgi."""
    from a2wsgi import WSGIMiddleware  # type: ignore[import-not-found]

    from ballgauge_service.web.server.application import create_app

    bridge = WSGIMiddleware(create_app(), workers=128)

    async def bridged(scope: Any, receive: Callable[[], Awaitable[Any]], send: Any) -> None:
        async def take() -> Any:
            # The bridge wants a coroutine, and granian gives a future.
            return await receive()

        await bridge(scope, take, send)

    return bridged


def _granian(interface: str, target: str, *more: str) -> Callable[[int], list[str]]:
    def command(port: int) -> list[str]:
        kind = ["--interface", interface, "--factory", "--no-ws", "--http", "1", "--backlog", "4096"]
        return [sys.executable, "-m", "granian", *kind, *more, "--port", str(port), target]

    return command


SERVERS: dict[str, Callable[[int], list[str]]] = {
    "ours": lambda port: [str(Path(sys.executable).with_name("ballgauge")), "serve", "--port", str(port)],
    "granian, WSGI, 8 threads": _granian("wsgi", _APPLICATION, "--blocking-threads", "8"),
    "granian, WSGI, 128 threads": _granian("wsgi", _APPLICATION, "--blocking-threads", "128"),
    "granian, a2wsgi, 128 threads": _granian("asgi", f"{_HERE}:behind_bridge"),
}
"""Each server's command for a port."""


class Server(NamedTuple):
    """A server that runs: its address, its first process, and a key that it knows."""

    address: str
    process: psutil.Process
    key: str


@contextmanager
def started(name: str) -> Iterator[Server]:
    """Start a server whose callers need keys, and wait until it has compiled what it compiles."""
    with tempfile.TemporaryDirectory(prefix="rows-") as folder:
        file = str(Path(folder, "access.toml"))
        key = access_keys.add(file, "rows", ["check", "design"], (datetime.now(UTC) + timedelta(1)).date())
        before = {child.pid for child in psutil.Process().children()}
        options = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        settings = {"BALLGAUGE_ACCESS_KEYS": file, "BALLGAUGE_TRUSTED_PROXIES": "1"}
        with running(SERVERS[name], env=os.environ | settings, **options) as address:
            (process,) = (child for child in psutil.Process().children() if child.pid not in before)
            wait_until_idle(process)
            yield Server(address, process, key)


def study_of(key: str, deliveries: int = 400) -> tuple[bytes, bytes]:
    """Head and body of an ordinary study of motions."""
    asked = motion_example("motion")
    asked["spread"]["deliveries"] = deliveries
    return _posted("/v1/motions", json.dumps(asked).encode(), key)


def _posted(path: str, body: bytes, key: str) -> tuple[bytes, bytes]:
    lines = (
        f"POST {path} HTTP/1.1",
        "Host: x",
        f"Authorization: Bearer {key}",
        "Content-Type: application/json",
        f"Content-Length: {len(body)}\r\n\r\n",
    )
    return "\r\n".join(lines).encode(), body


async def ask_again(address: str, callers: int, head: bytes, body: bytes = b"") -> None:
    """Callers who ask for the same as soon as they are answered, until they are canceled."""

    async def one() -> None:
        connection = Connection(address)
        try:
            while True:
                if not (await connection.ask(head, body)).status:
                    await asyncio.sleep(0.05)
        finally:
            connection.close()

    await asyncio.gather(*(one() for _ in range(callers)))


async def trickle(address: str, callers: int, key: str) -> None:
    """Callers who send a body byte by byte, until they are canceled."""
    head, body = _posted("/v1/checks", b"{" + b" " * 1000 + b"}", key)

    async def one() -> None:
        while True:
            _, writer = await asyncio.open_connection("127.0.0.1", int(address.rsplit(":", 1)[1]))
            try:
                writer.write(head)
                for byte in body:
                    writer.write(bytes([byte]))
                    await asyncio.sleep(0.1)
            except OSError:
                pass
            finally:
                writer.close()

    await asyncio.gather(*(one() for _ in range(callers)))


@contextmanager
def beside(kind: str, server: Server, callers: int) -> Iterator[None]:
    """Other callers, in a process of their own so that ours are timed rightly."""
    command = [sys.executable, "-m", _HERE, "--beside", kind, server.address, str(callers), server.key]
    with subprocess.Popen(command) as process:
        try:
            time.sleep(2.0)
            yield
        finally:
            process.terminate()


def others(kind: str, address: str, callers: int, key: str) -> Awaitable[None]:
    """What the callers beside ours do."""
    if kind == "trickle":
        return trickle(address, callers, key)
    # A wrong secret under a right id, which is the most that a refusal can take.
    wrong = key[:-6] + "AAAAAA"
    head, body = study_of(key) if kind == "studies" else _posted("/v1/checks", b'{"ball": {}}', wrong)
    return ask_again(address, callers, head, body)


async def health(address: str, seconds: float) -> list[float]:
    """Seconds that each of both addresses of health took, over new connections as probes have them."""
    taken, end = [], time.perf_counter() + seconds
    while time.perf_counter() < end:
        for path in ("/healthz", "/readyz"):
            connection = Connection(address)
            answer = await connection.ask(f"GET {path} HTTP/1.1\r\nHost: x\r\n\r\n".encode())
            connection.close()
            taken.append(answer.seconds if answer.status == 200 else float("inf"))
        await asyncio.sleep(0.05)
    return taken


class Row(NamedTuple):
    """Checks beside others: share of the rate alone, their 95 % [s], and the longest wait for health [s]."""

    share: float
    p95: float
    health: float

    def told(self) -> str:
        return f"{100 * self.share:.0f} %, p95 {1e3 * self.p95:.0f} ms, health {1e3 * self.health:.0f} ms"


def checks_beside(server: Server, kind: str, callers: int) -> Row:
    """Checks alone, then beside others."""
    wait_until_idle(server.process)
    checks = Checks(server.key)
    asyncio.run(checks.learn(server.address))
    alone = asyncio.run(all_the_time(server.address, checks, CALLERS, SECONDS)).rate
    with beside(kind, server, callers):

        async def both() -> Row:
            waits = asyncio.create_task(health(server.address, SECONDS))
            tally = await all_the_time(server.address, checks, CALLERS, SECONDS)
            assert not [text for text in tally.wrong if "another answer" in text]
            return Row(tally.rate / alone, tally.percentile(0.95), max(await waits))

        return asyncio.run(both())


def refusal_cost(server: Server) -> float:
    """Processor time of one refusal of a wrong key, as a share of that of a check."""

    async def each(head: bytes, body: bytes) -> float:
        before = processor_time(server.process)

        async def one(caller: int) -> None:
            connection = Connection(server.address)
            for number in range(ASKED):
                # From so many addresses that none of them is slowed.
                told = b"\r\nX-Forwarded-For: 10.0.%d.%d\r\n" % (caller, number // 25)
                assert (await connection.ask(head.replace(b"\r\n", told, 1), body)).status
            connection.close()

        await asyncio.gather(*(one(caller) for caller in range(CALLERS)))
        return (processor_time(server.process) - before) / ASKED / CALLERS

    wait_until_idle(server.process)
    checks = Checks(server.key)
    refused = asyncio.run(each(*_posted("/v1/checks", b'{"ball": {}}', server.key[:-6] + "AAAAAA")))
    return refused / asyncio.run(each(checks.head(0, "one"), checks.bodies[0]))


def overload(server: Server) -> float:
    """Right answers with several times the callers that take all there is, as a share of those with these."""

    wait_until_idle(server.process)

    async def both() -> float:
        checks = Checks(server.key)
        await checks.learn(server.address)
        # A tally's rate is until now, so that each is read at its end.
        few = (await all_the_time(server.address, checks, CAPACITY, SECONDS)).rate
        many = (await all_the_time(server.address, checks, CROWD, 3 * SECONDS)).rate
        return many / few

    return asyncio.run(both())


def stop(server: Server) -> int:
    """Requests of busy kept connections that are lost when the server is told to end."""

    async def one(connection: Connection, checks: Checks) -> int:
        """Whether an answer was lost on a connection; one that cannot be opened any more is none."""
        while True:
            opened = connection.is_open
            answer = await connection.ask(checks.head(0, "stop"), checks.bodies[0])
            if not answer.status:
                return int(opened)
            if answer.headers.get("connection") == "close":
                connection.close()

    async def run() -> int:
        checks = Checks(server.key)
        tasks = [asyncio.create_task(one(Connection(server.address), checks)) for _ in range(CALLERS)]
        await asyncio.sleep(1.0)
        server.process.send_signal(signal.SIGTERM)
        return sum(await asyncio.gather(*tasks))

    return asyncio.run(run())


def measured(name: str, rounds: int) -> dict[str, str]:
    """Every row of one server."""
    told: dict[str, str] = {}
    with started(name) as server:
        kinds = [("studies", STUDIES), ("trickle", TRICKLERS), *(("wrong", count) for count in FLOODS)]
        for kind, callers in kinds:
            found = [checks_beside(server, kind, callers) for _ in range(rounds)]
            row = Row(*(statistics.median(column) for column in zip(*found, strict=True)))
            told[f"beside {callers} callers: {kind}"] = row.told()
        told["a refusal, in checks"] = f"{refusal_cost(server):.2f}"
        shares = [overload(server) for _ in range(rounds)]
        told[f"{CROWD} callers against {CAPACITY}"] = f"{100 * statistics.median(shares):.0f} %"
    lost = []
    for _ in range(STOPS):
        with started(name) as server:
            lost.append(stop(server))
    told[f"{STOPS} stops, {CALLERS} busy connections"] = f"{sum(lost)} lost"
    return told


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--servers", nargs="*", choices=SERVERS, default=list(SERVERS))
    parser.add_argument("--beside", nargs=4, help=argparse.SUPPRESS)
    given = parser.parse_args(arguments)
    allow_files(8 * CROWD)
    if given.beside:
        kind, address, callers, key = given.beside
        asyncio.run(others(kind, address, int(callers), key))  # type: ignore[arg-type]
        return
    names = [name for name in given.servers if "a2wsgi" not in name or importlib.util.find_spec("a2wsgi")]
    columns = {}
    for name in names:
        columns[name] = measured(name, given.rounds)
        print(name, json.dumps(columns[name], indent=1), file=sys.stderr, flush=True)
    print(f"| | {' | '.join(columns)} |\n|{'---|' * (len(columns) + 1)}")
    for row in columns[names[0]]:
        print(f"| {row} | {' | '.join(column[row] for column in columns.values())} |")


if __name__ == "__main__":
    main()
