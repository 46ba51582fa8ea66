"""Many requests of all kinds, and the memory they leave. `python -m tests.load.soak --requests 200000`.

Every answer, but one that the service is too busy, is held to one that was given with nothing else going on.
Ends with 1 where one differs, or memory moves by more than 2 % after a tenth of the requests.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

from tests.conftest import DRILLED
from tests.load.caller import BALLS, Answer, Checks, Connection
from tests.load.service import Service, served, wait_until_idle

from ballgauge_schemas.shared.documents import motion_example

CONNECTIONS = 8
SETTLING = 0.1
"""Share of the requests after which memory is held to what it is then."""

GROWTH = 0.02
BUSY = 503
_LOT = b"serial,weight,rg\n" + b"".join(b"OW%05d,15.%d,2.49\n" % (n, n % 10) for n in range(200))


def _request(method: str, path: str, body: bytes = b"", kind: str = "application/json") -> bytes:
    head = f"{method} {path} HTTP/1.1\r\nHost: soak\r\nX-Request-Id: soak-soak\r\n"
    return f"{head}Content-Type: {kind}\r\nContent-Length: {len(body)}\r\n\r\n".encode() + body


def kinds() -> dict[str, bytes]:
    """The requests that are sent beside checks of single balls, by name."""
    motion = motion_example("motion")
    motion["spread"]["deliveries"] = 40
    batch = json.dumps({"checks": [DRILLED] * 5}).encode()
    return {
        "batch": _request("POST", "/v1/checks", batch),
        "lot": _request("POST", "/v1/lots", _LOT, "text/csv"),
        "motion": _request("POST", "/v1/motions", json.dumps(motion).encode()),
        "bad members": _request("POST", "/v1/checks", b'{"ball": {"weight": "much", "colour": 1}}'),
        "no JSON": _request("POST", "/v1/checks", b'{"ball": '),
        "no address": _request("GET", "/v1/nothing"),
        "rulebooks": _request("GET", "/v1/rulebooks"),
        "page": _request("GET", "/"),
    }


_EACH = {"batch": 25, "lot": 50, "motion": 500, "bad members": 40, "no JSON": 50, "no address": 50}
_EACH |= {"rulebooks": 60, "page": 80}
"""One in so many requests is of a kind; the others are checks of a ball."""


@dataclass
class Soak:
    """What came of it: answers by status, kinds whose answers differ, memory [bytes] by requests answered."""

    asked: int = 0
    statuses: Counter[int] = field(default_factory=Counter)
    different: Counter[str] = field(default_factory=Counter)
    memory: dict[int, int] = field(default_factory=dict)

    def growth(self) -> float:
        """The largest distance from the memory there was after settling, as a share of it."""
        settled = [size for asked, size in self.memory.items() if asked >= SETTLING * self.asked]
        return max(abs(size - settled[0]) for size in settled) / settled[0]


async def _reference(connection: Connection, request: bytes) -> Answer:
    """The answer with nothing else going on; the first of a kind may find its kernels not compiled."""
    while (answer := await connection.ask(request)).status in (0, BUSY):
        pass
    return answer


async def soak(service: Service, requests: int, told: Callable[[str], object] = print) -> Soak:
    """Send the requests over a few connections; memory is read at each hundredth of them."""
    found, checks, others = Soak(), Checks(), kinds()
    await checks.learn(service.address)
    first = {f"ball {k}": (200, checks.expected[k]) for k in range(BALLS)}
    asking = Connection(service.address)
    for name, request in others.items():
        answer = await _reference(asking, request)
        first[name] = answer.status, answer.body
    asking.close()
    began, every = time.perf_counter(), max(1, requests // 100)

    def named(number: int) -> tuple[str, bytes]:
        for place, (name, each) in enumerate(_EACH.items()):
            if number % each == place:
                return name, others[name]
        k = number % BALLS
        return f"ball {k}", checks.head(k, "soak-soak") + checks.bodies[k]

    async def one() -> None:
        connection = Connection(service.address)
        while found.asked < requests:
            found.asked += 1
            number = found.asked
            name, request = named(number)
            answer = await connection.ask(request)
            found.statuses[answer.status] += 1
            if answer.status != BUSY:
                found.different[name] += first[name] != (answer.status, answer.body)
            if number % every == 0:
                found.memory[number] = service.memory()
            if number % (10 * every) == 0:
                rate = number / (time.perf_counter() - began)
                told(f"{number} requests, {rate:.0f}/s, {found.memory[number] / 2**20:.1f} MiB")
        connection.close()

    await asyncio.gather(*(one() for _ in range(CONNECTIONS)))
    return found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--requests", type=int, default=200_000)
    parser.add_argument("--workers", type=int, default=1)
    given = parser.parse_args()
    with served(given.workers) as service:
        wait_until_idle(service.process)
        found = asyncio.run(soak(service, given.requests, lambda line: print(line, flush=True)))
    print(f"answers {dict(sorted(found.statuses.items()))}; different {dict(+found.different)}")
    print(f"memory after {SETTLING:.0%} of the requests to the end: within {found.growth():.1%} of itself")
    return int(bool(+found.different) or found.growth() > GROWTH)


if __name__ == "__main__":
    sys.exit(main())
