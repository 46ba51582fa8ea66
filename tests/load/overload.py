"""Overload: several times the measured capacity, then none. `python -m tests.load.overload --seconds 60`.

Reports what was accepted and refused, how long either took and how soon the server is itself again; ends with
1 where an answer was wrong, a connection broke, or recovery took longer than 10 s.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import time
from dataclasses import dataclass

from tests.load.caller import Checks, Connection, Tally, at_rate
from tests.load.idle import allow_files
from tests.load.service import Service, served, wait_until_idle
from tests.load.steady import measured_capacity

RECOVERY = 10.0
MOST = 6_000
"""Requests under way at once: more than two processes have places in their lines of cheap work."""

IN_A_ROW = 20
"""Good answers in a row, each as soon as when nothing goes on, that count as recovery."""


@dataclass
class Report:
    """What came of it."""

    capacity: float
    tally: Tally
    recovery: float
    alive: bool

    def is_good(self) -> bool:
        """Whether right answers and right refusals came, and nothing else, and the server is itself again."""
        both = set(self.tally.statuses) == {200, 503}
        return both and not self.tally.wrong and self.alive and self.recovery <= RECOVERY


async def overload(service: Service, times: float, measuring: float, seconds: float) -> Report:
    """Measure the capacity, ask at several times of it, stop, and wait for recovery."""
    checks = Checks()
    await checks.learn(service.address)
    capacity = await measured_capacity(service, checks, measuring)
    before = {worker.pid for worker in service.workers()}
    tally = await at_rate(service.address, checks, times * capacity, seconds, most=MOST)
    ended = time.perf_counter()
    connection, good = Connection(service.address), 0
    while good < IN_A_ROW and time.perf_counter() - ended < 6 * RECOVERY:
        answer = await checks.ask(connection, tally)
        good = good + 1 if answer.status == 200 else 0
    connection.close()
    alive = before == {worker.pid for worker in service.workers()}
    return Report(capacity, tally, time.perf_counter() - ended, alive)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--times", type=float, default=5.0)
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    allow_files(20_000)
    with served(given.workers) as service:
        wait_until_idle(service.process)
        report = asyncio.run(overload(service, given.times, 10.0, given.seconds))
    refused = sorted(report.tally.refused_seconds) or [float("nan")]
    print(f"capacity {report.capacity:.0f}/s; asked at {given.times:g} times of it")
    print(report.tally.told())
    print(f"accepted: longest {max(report.tally.seconds):.2f} s")
    print(f"refused: half within {refused[len(refused) // 2]:.3f} s, longest {refused[-1]:.2f} s")
    print(f"itself again after {report.recovery:.2f} s; no process died: {report.alive}")
    print(*report.tally.wrong[:10], sep="\n")
    return 0 if report.is_good() else 1


if __name__ == "__main__":
    sys.exit(main())
