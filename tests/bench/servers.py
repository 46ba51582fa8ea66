"""Which server: the same application behind several, by one table. `python -m tests.bench.servers`.

The first is ours: granian's asynchronous interface with the gate of `web.server.gate`. All others call it
by WSGI in threads. One process each; loopback alone. Throughput and latency are taken in turns, so that a
busy machine is unfair to none.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from typing import Any, NamedTuple

import psutil
from tests.conftest import DRILLED, running
from tests.load.caller import Answer, Checks, Connection, Tally, all_the_time
from tests.load.idle import allow_files, idle_connections
from tests.load.service import processor_time, wait_until_idle

APPLICATION = "ballgauge_service.web.server.application:create_app"
THREADS = "8"
SLOW_CALLERS = 64
IDLE = 2000
CONNECTIONS = (1, 8, 64)
LONG_CHECKS = 4
BALLS = 400

SERVERS: dict[str, Callable[[int], list[str]]] = {
    "granian, gate": lambda port: [
        os.path.join(os.path.dirname(sys.executable), "ballgauge"), "serve", "--port", str(port)
    ],
    "granian, WSGI": lambda port: [
        sys.executable, "-m", "granian", "--interface", "wsgi", "--factory", "--no-ws", "--port", str(port),
        "--blocking-threads", THREADS, "--respawn-failed-workers", APPLICATION,
    ],
    "gunicorn, gthread": lambda port: [
        sys.executable, "-m", "gunicorn", "--worker-class", "gthread", "--threads", THREADS,
        "--bind", f"127.0.0.1:{port}", f"{APPLICATION}()",
    ],
    "waitress": lambda port: [
        sys.executable, "-m", "waitress", "--host", "127.0.0.1", "--port", str(port), "--threads", THREADS,
        "--call", APPLICATION,
    ],
}  # fmt: skip
"""Each server's command for a port."""


class Running(NamedTuple):
    """A server that runs: its address and its first process."""

    address: str
    process: psutil.Process


def started(command: Callable[[int], list[str]], stack: ExitStack) -> Running:
    """Start a server and wait until it is ready."""
    before = {child.pid for child in psutil.Process().children()}
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    address = stack.enter_context(running(command, **quiet))
    (process,) = (child for child in psutil.Process().children() if child.pid not in before)
    return Running(address, process)


async def throughput(servers: dict[str, Running], checks: Checks, rounds: int) -> dict[str, list[str]]:
    """Checks a second, latency and processor time at several numbers of connections, in turns."""
    rows: dict[str, list[str]] = {name: [] for name in servers}
    for connections in CONNECTIONS:
        seconds: dict[str, list[float]] = {name: [] for name in servers}
        processor = dict.fromkeys(servers, 0.0)
        wrong = dict.fromkeys(servers, 0)
        for number in range(rounds + 1):
            for name, server in servers.items():
                before = processor_time(server.process)
                tally = await all_the_time(server.address, checks, connections, 1.0)
                # The first round warms up.
                if number:
                    seconds[name] += tally.seconds
                    processor[name] += processor_time(server.process) - before
                    wrong[name] += len(tally.wrong)
        for name, taken in seconds.items():
            whole = Tally(seconds=taken)
            marks = " / ".join(f"{1e3 * whole.percentile(q):.0f}" for q in (0.5, 0.95, 0.99))
            each = 1e3 * processor[name] / max(len(taken), 1)
            faults = f", {wrong[name]} wrong" if wrong[name] else ""
            rows[name].append(f"{len(taken) / rounds:.0f}/s, {marks} ms, {each:.2f} ms{faults}")
    return rows


async def slow_callers(server: Running, checks: Checks) -> str:
    """Checks answered while many callers send their bodies byte by byte."""

    async def trickle() -> None:
        _, writer = await asyncio.open_connection("127.0.0.1", int(server.address.rsplit(":", 1)[1]))
        try:
            writer.write(checks.head(0, "slow"))
            for byte in checks.bodies[0][:40]:
                writer.write(bytes([byte]))
                await writer.drain()
                await asyncio.sleep(0.1)
        except OSError:
            pass
        finally:
            writer.close()

    slow = [asyncio.create_task(trickle()) for _ in range(SLOW_CALLERS)]
    await asyncio.sleep(0.5)
    tally = await all_the_time(server.address, checks, 1, 2.0)
    for task in slow:
        task.cancel()
    await asyncio.wait(slow)
    return f"{tally.rate:.0f}/s, longest {1e3 * max(tally.seconds, default=float('nan')):.0f} ms"


async def idle(server: Running, checks: Checks) -> str:
    """Checks answered beside many connections that say nothing."""
    async with idle_connections(server.address, IDLE) as opened:
        await asyncio.sleep(0.5)
        tally = await all_the_time(server.address, checks, 1, 2.0)
    return f"{opened} open, {tally.rate:.0f}/s"


async def long_checks(server: Running) -> list[asyncio.Task[Answer]]:
    """Requests that take a while, on their way."""
    body = json.dumps({"checks": [DRILLED] * BALLS}).encode()
    head = (
        f"POST /v1/checks HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n"
        f"Content-Length: {len(body)}\r\n\r\n"
    ).encode()
    asked = [asyncio.create_task(Connection(server.address).ask(head, body)) for _ in range(LONG_CHECKS)]
    await asyncio.sleep(0.4)
    return asked


async def killed(server: Running, checks: Checks) -> str:
    """Seconds until the first answer after the death of what answers."""
    victim = (server.process.children() or [server.process])[0]
    victim.kill()
    before = time.perf_counter()
    while time.perf_counter() - before < 20.0:
        connection = Connection(server.address)
        answer = await connection.ask(checks.head(0, "after"), checks.bodies[0])
        connection.close()
        if answer.status == 200:
            return f"back after {time.perf_counter() - before:.1f} s"
        await asyncio.sleep(0.1)
    return "does not come back"


async def stopped(server: Running) -> str:
    """Requests under way that are still answered when the server is told to end."""
    asked = await long_checks(server)
    server.process.send_signal(signal.SIGTERM)
    answers = await asyncio.gather(*asked)
    refused = sum(answer.status == 503 for answer in answers)
    said = f", {refused} of them to come again" if refused else ""
    return f"{sum(answer.status > 0 for answer in answers)} of {LONG_CHECKS} answered{said}"


async def measured(servers: dict[str, Running], rounds: int) -> dict[str, list[str]]:
    """Every row of the table."""
    checks = Checks()
    await checks.learn(next(iter(servers.values())).address)
    rows = await throughput(servers, checks, rounds)
    for name, server in servers.items():
        for measure in (
            slow_callers(server, checks),
            idle(server, checks),
            killed(server, checks),
            stopped(server),
        ):
            rows[name].append(await measure)
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--rounds", type=int, default=5, help="seconds for each server and number of connections"
    )
    given: Any = parser.parse_args()
    allow_files(4 * IDLE)
    with ExitStack() as stack:
        servers = {name: started(command, stack) for name, command in SERVERS.items()}
        for server in servers.values():
            wait_until_idle(server.process)
        rows = asyncio.run(measured(servers, given.rounds))
    heads = [
        *(f"{n} connections: rate, p50/p95/p99, processor time each" for n in CONNECTIONS),
        f"beside {SLOW_CALLERS} slow callers",
    ]
    heads += [f"beside {IDLE} idle", "worker killed", "told to end"]
    print(f"| | {' | '.join(rows)} |\n|{'---|' * (len(rows) + 1)}")
    for k, head in enumerate(heads):
        print(f"| {head} | {' | '.join(row[k] for row in rows.values())} |")


if __name__ == "__main__":
    main()
