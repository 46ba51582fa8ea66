"""Callers for load: many connections from one thread, every answer compared with the one it must be."""

from __future__ import annotations

import asyncio
import itertools
import json
import time
from collections import Counter
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

from tests.conftest import DRILLED

BALLS = 16
"""Different balls, so that an answer for another caller is found out."""

MOST = 512
"""Requests under way at once: there are only so many callers, and each waits for its answer."""

KEPT = 1.0
"""Seconds after which a connection is not used again: the server may be about to close it."""

GIVING_UP = 30.0
"""Seconds a caller waits for an answer before it counts as lost."""


@dataclass
class Answer:
    """What came back: `status` 0 where the connection broke before an answer was whole."""

    status: int
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""
    seconds: float = 0.0


@dataclass
class Tally:
    """Answers by status, what was wrong with any, and the seconds of the good ones and of the refused."""

    statuses: Counter[int] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    refused_seconds: list[float] = field(default_factory=list)
    held_back: int = 0
    began: float = field(default_factory=time.perf_counter)

    @property
    def answered(self) -> int:
        """Good answers."""
        return self.statuses[200]

    @property
    def rate(self) -> float:
        """Good answers a second, until now."""
        return self.answered / (time.perf_counter() - self.began)

    def percentile(self, share: float) -> float:
        """The seconds that a share of the good answers took at most; NaN without any."""
        ordered = sorted(self.seconds)
        return ordered[min(int(share * len(ordered)), len(ordered) - 1)] if ordered else float("nan")

    def told(self) -> str:
        """One line of it all."""
        marks = ", ".join(f"p{100 * q:g} {1e3 * self.percentile(q):.1f} ms" for q in (0.5, 0.95, 0.99))
        statuses = ", ".join(f"{status or 'broken'}: {n}" for status, n in sorted(self.statuses.items()))
        return f"{statuses}; {marks}; held back: {self.held_back}; wrong: {len(self.wrong)}"


class Connection:
    """One connection that is kept, and made anew when it breaks."""

    def __init__(self, address: str) -> None:
        split = urlsplit(address)
        self._place = str(split.hostname), split.port
        self._streams: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None
        self._used = 0.0

    async def ask(self, head: bytes, body: bytes = b"") -> Answer:
        """Send a request; give its answer."""
        before = time.perf_counter()
        if before > self._used + KEPT:
            self.close()
        try:
            async with asyncio.timeout(GIVING_UP):
                if self._streams is None:
                    self._streams = await asyncio.open_connection(*self._place)
                reader, writer = self._streams
                writer.write(head + body)
                answer = await read_answer(reader)
        except (OSError, EOFError, asyncio.IncompleteReadError, TimeoutError):
            self.close()
            answer = Answer(0)
        self._used = time.perf_counter()
        answer.seconds = self._used - before
        return answer

    @property
    def is_open(self) -> bool:
        """Whether it was opened and has not broken."""
        return self._streams is not None

    def close(self) -> None:
        """Let the connection go."""
        if self._streams is not None:
            self._streams[1].close()
            self._streams = None


async def read_answer(reader: asyncio.StreamReader) -> Answer:
    """Read one answer whose length is told."""
    lines = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1").split("\r\n")
    headers = {name.lower(): value for name, _, value in (line.partition(": ") for line in lines[1:] if line)}
    body = await reader.readexactly(int(headers["content-length"]))
    return Answer(int(lines[0].split()[1]), headers, body)


class Checks:
    """Checks of several balls, asked with a key where there is one, and the answers they must have."""

    def __init__(self, key: str = "") -> None:
        self._key = f"Authorization: Bearer {key}\r\n" if key else ""
        self.bodies = [
            json.dumps(DRILLED | {"ball": {**DRILLED["ball"], "weight": 14 + k / 10}}).encode()
            for k in range(BALLS)
        ]
        self.expected: list[bytes] = []
        self._numbers = itertools.count()

    async def learn(self, address: str) -> None:
        """Ask for every answer once, with nothing else going on."""
        connection = Connection(address)
        for k in range(BALLS):
            answer = await connection.ask(self.head(k, "learning"), self.bodies[k])
            assert answer.status == 200, answer
            self.expected.append(answer.body)
        connection.close()

    def head(self, k: int, identity: str) -> bytes:
        """The head of a check."""
        return (
            f"POST /v1/checks HTTP/1.1\r\nHost: load\r\nContent-Type: application/json\r\n"
            f"X-Request-Id: {identity}\r\n{self._key}Content-Length: {len(self.bodies[k])}\r\n\r\n"
        ).encode()

    async def ask(self, connection: Connection, tally: Tally) -> Answer:
        """Send one check and hold its answer to what it must be."""
        number = next(self._numbers)
        k, identity = number % BALLS, f"load-{number}"
        answer = await connection.ask(self.head(k, identity), self.bodies[k])
        tally.statuses[answer.status] += 1
        if answer.status == 200:
            tally.seconds.append(answer.seconds)
            if answer.body != self.expected[k] or answer.headers.get("x-request-id") != identity:
                tally.wrong.append(f"{identity}: another answer than its own")
        elif answer.status:
            tally.refused_seconds.append(answer.seconds)
            tally.wrong += _badly_refused(answer, identity)
        return answer


def _badly_refused(answer: Answer, identity: str) -> list[str]:
    """What is wrong with a refusal: only a 503 that is a problem and says when to come again is right."""
    problem = json.loads(answer.body)
    right = (
        answer.status == 503
        and answer.headers["content-type"] == "application/problem+json"
        and int(answer.headers["retry-after"]) > 0
        and problem["status"] == 503
        and problem["request_id"] == answer.headers["x-request-id"] == identity
    )
    return [] if right else [f"{identity}: refused with {answer.status} {answer.body[:200]!r}"]


async def all_the_time(address: str, checks: Checks, connections: int, seconds: float) -> Tally:
    """Each of some connections asks, waits for the answer and asks again, after a refusal a little later."""
    tally = Tally()
    end = time.perf_counter() + seconds

    async def one() -> None:
        connection = Connection(address)
        while time.perf_counter() < end:
            answer = await checks.ask(connection, tally)
            if answer.status != 200:
                await asyncio.sleep(0.05)
        connection.close()

    await asyncio.gather(*(one() for _ in range(connections)))
    return tally


async def at_rate(
    address: str,
    checks: Checks,
    rate: float,
    seconds: float,
    every: Callable[[Tally], Awaitable[Any]] | None = None,
    most: int = MOST,
) -> Tally:
    """Requests at a fixed rate, whatever becomes of those before; `every` is called each second.

    Requests that would be more than `most` at once are held back and counted.
    """
    tally = Tally()
    free: list[Connection] = []
    under_way: set[asyncio.Task[None]] = set()

    async def one() -> None:
        connection = free.pop() if free else Connection(address)
        await checks.ask(connection, tally)
        free.append(connection)

    sent, told = 0, 0.0
    while (now := time.perf_counter() - tally.began) < seconds:
        while sent < now * rate:
            sent += 1
            if len(under_way) >= most:
                tally.held_back += 1
                continue
            task = asyncio.create_task(one())
            under_way.add(task)
            task.add_done_callback(under_way.discard)
        if every is not None and now >= told + 1.0:
            told = now
            await every(tally)
        await asyncio.sleep(0.002)
    if under_way:
        await asyncio.wait(under_way)
    for connection in free:
        connection.close()
    return tally
