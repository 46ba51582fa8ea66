"""What each failure costs the checks of eight kept connections. `python -m tests.load.failures`.

One process of two is killed or stopped; the scheduler and the storage of counts take connections and say
nothing; there is no room for files; callers are cut off in the middle of their bodies.
"""

from __future__ import annotations

import argparse
import asyncio
import signal
import socket
import struct
import sys
import threading
from collections.abc import Awaitable, Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from urllib.parse import urlsplit

from tests.load.caller import Checks, Connection, all_the_time
from tests.load.rows import CALLERS, Server, stop, study_of
from tests.load.service import Service, served, wait_until_idle

SECONDS = 12.0
STUCK = 3
CUT = 200
NO_FILES = (
    "import os, resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (2**22, 2**22)); "
    "os.execv(sys.argv[1], sys.argv[1:])"
)
"""Starts a program that can write no file of more than 4 MiB, as on a disk that is full."""

Beside = Callable[[Service], Awaitable[str]]


@contextmanager
def silence() -> Iterator[int]:
    """A port whose connections are taken and never answered."""
    taken = []
    with socket.create_server(("127.0.0.1", 0)) as server:

        def take() -> None:
            with suppress(OSError):
                while True:
                    taken.append(server.accept()[0])

        threading.Thread(target=take, daemon=True).start()
        yield server.getsockname()[1]
        server.shutdown(socket.SHUT_RDWR)
    for connection in taken:
        connection.close()


def _signal(which: signal.Signals) -> Beside:
    async def send(service: Service) -> str:
        service.workers()[0].send_signal(which)
        return ""

    return send


async def studies(service: Service) -> str:
    """Two callers of studies, and what they are told."""
    head, body = study_of("", 400)
    answers = await asyncio.gather(*(Connection(service.address).ask(head, body) for _ in range(2)))
    return "; studies: " + ", ".join(f"{answer.status} after {answer.seconds:.1f} s" for answer in answers)


async def large_lots(service: Service) -> str:
    """Lots too large for the room there is, and what their callers are told."""
    rows = b"serial,weight,rg\n" + b"".join(b"OW%07d,15.0,2.49\n" % n for n in range(400_000))
    head = (
        f"POST /v1/lots HTTP/1.1\r\nHost: x\r\nContent-Type: text/csv\r\nAccept: text/csv\r\n"
        f"Content-Length: {len(rows)}\r\n\r\n"
    ).encode()
    answers = [await Connection(service.address).ask(head, rows) for _ in range(2)]
    return "; lots: " + ", ".join(str(answer.status) for answer in answers)


async def cut_callers(service: Service) -> str:
    """Callers whose connections break in the middle of a body."""
    split = urlsplit(service.address)
    for _ in range(CUT):
        with socket.create_connection((str(split.hostname), split.port), timeout=30) as caller:
            caller.sendall(b"POST /v1/checks HTTP/1.1\r\nHost: x\r\nContent-Length: 900\r\n\r\n" + bytes(400))
            caller.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        await asyncio.sleep(0.02)
    return f"; {CUT} cut"


async def nothing(service: Service) -> str:
    """Only the checks."""
    return ""


def cost(settings: Mapping[str, object], workers: int, beside: Beside, before: Sequence[str] = ()) -> str:
    """Checks before and while something fails: the longest wait of each, and what was lost."""
    with served(workers, settings, before=before) as service:
        wait_until_idle(service.process)
        checks = Checks()

        async def run() -> str:
            await checks.learn(service.address)
            alone = await all_the_time(service.address, checks, CALLERS, SECONDS / 4)
            other = asyncio.create_task(beside(service))
            tally = await all_the_time(service.address, checks, CALLERS, SECONDS)
            assert not [text for text in tally.wrong if "another answer" in text]
            refused = sum(tally.statuses.values()) - tally.answered - tally.statuses[0]
            return (
                f"{tally.statuses[0]} of {sum(tally.statuses.values())} lost, {refused} refused; "
                f"longest {max(tally.seconds):.2f} s, {max(alone.seconds):.2f} s before{await other}"
            )

        return asyncio.run(run())


def stopped() -> str:
    """What is lost where the server is told to end."""
    with served(2, {"drain": 1}) as service:
        wait_until_idle(service.process)
        return f"{stop(Server(service.address, service.process, ''))} lost"


def failures() -> dict[str, Callable[[], str]]:
    """Each failure by its name."""

    def at_silence(name: str, scheme: str, beside: Beside) -> str:
        with silence() as port:
            settings = {name: f"{scheme}://127.0.0.1:{port}", "requests_per_minute": 10**6}
            return cost(settings, 1, beside)

    return {
        "nothing": lambda: cost({}, 2, nothing),
        "kill": lambda: cost({}, 2, _signal(signal.SIGKILL)),
        f"SIGSTOP (stuck: {STUCK} s)": lambda: cost({"stuck": STUCK}, 2, _signal(signal.SIGSTOP)),
        "stop": stopped,
        "silent scheduler": lambda: at_silence("scheduler", "tcp", studies),
        "silent redis": lambda: at_silence("limits_storage", "redis", nothing),
        "full disk": lambda: cost({}, 1, large_lots, [sys.executable, "-c", NO_FILES]),
        "cut network": lambda: cost({}, 1, cut_callers),
    }


def main() -> None:
    known = failures()
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", default=list(known), help=", ".join(known))
    for name in parser.parse_args().names:
        print(f"| {name} | {known[name]()} |", flush=True)


if __name__ == "__main__":
    main()
