"""What strangers packed, unpacked in a process of its own, whose end is a refusal.

Where a file says itself how much it unpacks to, and a library believes it, nothing in this process can end
the library. Such a process has a limit of memory, a clock and no secret of this one. Its work is a function
of bytes to bytes in a module that imports little; when it is done it waits for the next.
"""

from __future__ import annotations

import atexit
import importlib
import os
import struct
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import IO

from ballgauge_service.core import budget

MEMORY = 3 << 28
"""Bytes that such a process may have for its data, where the system counts them (ours)."""

SPARE = 2
"""Processes that are kept for the next piece of work (ours)."""

_HEAD = struct.Struct("<BI")
_DONE, _REFUSED = 0, 1
_KEPT = ("PATH", "HOME", "LANG", "LD_LIBRARY_PATH", "SYSTEMROOT", "TMPDIR")
_STEP = 0.2
"""Seconds between two looks at the request's clock (ours)."""

_spare: list[_Worker] = []


class Refused(ValueError):
    """The function's own refusal, by its ValueError."""


class Ended(Exception):
    """The process ended before its work did: it broke, it asked for too much, or its time was up."""


def run(name: str, data: bytes, seconds: float | None = None) -> bytes:
    """Call the function `name` (module:function, bytes to bytes) of this package in a process of its own.

    Raises
    ------
    Refused
        The function raised a ValueError, whose text this is.
    Ended
        It needed more than `MEMORY` or `seconds`, or broke.
    DeadlinePassed
        The present request's time is up.
    """
    worker = _spare.pop() if _spare else _Worker()
    try:
        kind, answer = worker.ask(name, data, seconds)
    except BaseException:
        worker.end()
        raise
    if len(_spare) < SPARE:
        _spare.append(worker)
    else:
        worker.end()
    if kind == _REFUSED:
        raise Refused(answer.decode("utf-8"))
    return answer


class _Worker:
    def __init__(self) -> None:
        known = {name: os.environ[name] for name in _KEPT if name in os.environ}
        # The system's own allocator gives back what it has no use for, and keeps no store beside the limit.
        known |= {
            "PYTHONPATH": os.pathsep.join(filter(None, sys.path)),
            "ARROW_DEFAULT_MEMORY_POOL": "system",
        }
        self._process = subprocess.Popen(
            [sys.executable, "-c", f"from {__name__} import serve; serve()"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=known,
        )
        self._owner = os.getpid()
        self._thread = ThreadPoolExecutor(1, "confined")

    def ask(self, name: str, data: bytes, seconds: float | None) -> tuple[int, bytes]:
        if self._owner != os.getpid() or self._process.poll() is not None:
            raise Ended("the process is gone")
        answer = self._thread.submit(self._exchange, name, data)
        passed = 0.0
        while True:
            try:
                return answer.result(_STEP)
            except TimeoutError:
                passed += _STEP
            except (OSError, EOFError):
                raise Ended("it needs too much memory, or is broken") from None
            if seconds is not None and passed >= seconds:
                raise Ended(f"not done in {seconds:g} s")
            budget.check()

    def _exchange(self, name: str, data: bytes) -> tuple[int, bytes]:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        _write(self._process.stdin, 0, name.encode())
        _write(self._process.stdin, 0, data)
        return _read(self._process.stdout)

    def end(self) -> None:
        if self._owner != os.getpid():
            return
        self._process.kill()
        self._process.wait()
        self._thread.shutdown()
        for pipe in (self._process.stdin, self._process.stdout):
            with suppress(OSError):
                pipe.close()  # type: ignore[union-attr]


@atexit.register
def _end_all() -> None:
    while _spare:
        _spare.pop().end()


def _write(pipe: IO[bytes], kind: int, data: bytes) -> None:
    pipe.write(_HEAD.pack(kind, len(data)) + data)
    pipe.flush()


def _read(pipe: IO[bytes]) -> tuple[int, bytes]:
    head = pipe.read(_HEAD.size)
    if len(head) < _HEAD.size:
        raise EOFError
    kind, length = _HEAD.unpack(head)
    data = pipe.read(length)
    if len(data) < length:
        raise EOFError
    return kind, data


def serve() -> None:
    """Answer what `run` asks, until nobody asks any more. The process's own main function."""
    with suppress(ImportError):
        import resource

        resource.setrlimit(resource.RLIMIT_DATA, (MEMORY, MEMORY))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what a library prints is no answer
    while True:
        try:
            name, data = (_read(sys.stdin.buffer)[1] for _ in range(2))
        except EOFError:
            return
        try:
            kind, answer = _DONE, _function(name.decode())(data)
        except ValueError as refused:
            kind, answer = _REFUSED, str(refused).encode()
        _write(answers, kind, answer)


def _function(name: str) -> Callable[[bytes], bytes]:
    module, _, function = name.partition(":")
    found: Callable[[bytes], bytes] = getattr(
        importlib.import_module(f"ballgauge_service.{module}"), function
    )
    return found
