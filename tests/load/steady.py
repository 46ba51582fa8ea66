"""Steady load: a share of the measured capacity for some time. `python -m tests.load.steady --minutes 10`.

Reports errors, latency and the memory of all workers; ends with 1 where any request failed or memory grew.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import time
from dataclasses import dataclass

import numpy as np
from tests.load.caller import Checks, Tally, all_the_time, at_rate
from tests.load.service import Service, served, wait_until_idle

CONNECTIONS = 8
SETTLING = 0.2
"""Share of the time that memory may take to settle."""

GROWTH = 0.02
"""Growth of memory from its settling to the end that counts as none, as a share."""


@dataclass
class Report:
    """What came of it: requests a second, the answers, and memory [bytes] at times [s]."""

    capacity: float
    tally: Tally
    memory: list[tuple[float, int]]

    def slope(self) -> float:
        """Growth of memory after it settled [bytes/s]."""
        times, sizes = np.array(self.memory, float).T
        settled = times >= SETTLING * times[-1]
        return float(np.polyfit(times[settled], sizes[settled], 1)[0]) if settled.sum() > 1 else 0.0

    def is_good(self) -> bool:
        """Whether every request was answered rightly and memory is flat."""
        lasted, last = self.memory[-1]
        grown = self.slope() * lasted * (1.0 - SETTLING)
        whole = set(self.tally.statuses) == {200} and not self.tally.held_back
        return whole and not self.tally.wrong and grown <= GROWTH * last


async def measured_capacity(service: Service, checks: Checks, seconds: float) -> float:
    """Answers a second that the server gives to connections that always ask."""
    await all_the_time(service.address, checks, CONNECTIONS, seconds / 4)
    tally = await all_the_time(service.address, checks, CONNECTIONS, seconds)
    return tally.rate


async def steady(service: Service, share: float, measuring: float, seconds: float) -> Report:
    """Measure the capacity, then ask at a share of it."""
    checks = Checks()
    await checks.learn(service.address)
    capacity = await measured_capacity(service, checks, measuring)
    memory: list[tuple[float, int]] = []
    began = time.perf_counter()

    async def look(tally: Tally) -> None:
        memory.append((time.perf_counter() - began, service.memory()))
        if len(memory) % 30 == 0:
            print(f"{memory[-1][0]:6.0f} s  {memory[-1][1] >> 20} MiB  {tally.told()}", flush=True)

    tally = await at_rate(service.address, checks, share * capacity, seconds, look)
    await look(tally)
    return Report(capacity, tally, memory)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--share", type=float, default=0.8)
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    with served(given.workers) as service:
        wait_until_idle(service.process)
        report = asyncio.run(steady(service, given.share, 20.0, 60.0 * given.minutes))
    first, last = report.memory[0][1], report.memory[-1][1]
    print(f"capacity {report.capacity:.0f}/s with {CONNECTIONS} connections; asked at {given.share:g} of it")
    print(report.tally.told())
    slope = report.slope() * 3600 / 2**20
    print(f"memory {first >> 20} MiB at first, {last >> 20} MiB at last; {slope:.1f} MiB/h")
    print(*report.tally.wrong[:10], sep="\n")
    return 0 if report.is_good() else 1


if __name__ == "__main__":
    sys.exit(main())
