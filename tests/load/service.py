"""The service under load: started on a free loopback port, looked at, and ended by its own process id."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import psutil
from tests.conftest import running


def processor_time(process: psutil.Process) -> float:
    """Processor time that a server's processes have taken [s]."""
    times = [each.cpu_times() for each in (process, *process.children(recursive=True))]
    return sum(each.user + each.system for each in times)


def wait_until_idle(process: psutil.Process, seconds: float = 180.0) -> None:
    """Wait until a server has compiled what it compiles by itself, so that only requests are measured."""
    end = time.monotonic() + seconds
    taken, quiet = processor_time(process), 0
    while quiet < 3 and time.monotonic() < end:
        time.sleep(0.5)
        before, taken = taken, processor_time(process)
        quiet = quiet + 1 if taken - before < 0.05 else 0


class Service(NamedTuple):
    """A running server."""

    address: str
    process: psutil.Process
    log: Path

    def workers(self) -> list[psutil.Process]:
        """The processes that answer."""
        return self.process.children()

    def memory(self) -> int:
        """Resident memory of all workers [bytes]."""
        return sum(worker.memory_info().rss for worker in self.workers())


@contextmanager
def served(
    workers: int = 1,
    settings: Mapping[str, object] | None = None,
    log: Path | None = None,
    before: Sequence[str] = (),
) -> Iterator[Service]:
    """Run `ballgauge serve` until it is ready; its log goes to a file, and `before` before its command."""
    environment = os.environ | {
        f"BALLGAUGE_{name.upper()}": str(text) for name, text in (settings or {}).items()
    }
    started: list[int] = []
    program = str(Path(sys.executable).with_name("ballgauge"))
    with tempfile.TemporaryDirectory(prefix="load-") as folder:
        log = log or Path(folder, "log")

        def command(port: int) -> list[str]:
            started.append(port)
            return [*before, program, "serve", "--port", str(port), "--workers", str(workers)]

        with log.open("wb") as sink:
            options = {"stdout": subprocess.DEVNULL, "stderr": sink, "env": environment}
            with running(command, **options) as address:
                (main,) = (
                    child for child in psutil.Process().children() if str(started[-1]) in child.cmdline()
                )
                yield Service(address, main, log)
