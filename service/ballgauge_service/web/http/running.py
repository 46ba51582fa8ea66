"""What the processes of one server know of each other: a folder of its own, and that it ends."""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import shutil
import signal
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

FOLDER = "BALLGAUGE_RUN_FOLDER"
"""The variable that names the folder to the processes of a server."""

WATCH = 0.5
"""Seconds between two looks at the parent process (ours)."""

BEAT = 1.0
"""Seconds between two signs of life of a process, and between two looks for them (ours)."""

METRICS_FOLDER = "PROMETHEUS_MULTIPROC_DIR"
"""The variable that names the folder of counts to the metrics' library."""

COUNTS = ("counter", "gauge_livesum", "histogram")
"""Kinds of counts, each of which the metrics' library keeps in a file of each process."""

_COUNTS_BYTES = 1 << 20

LOOK = 0.1
"""Seconds between two looks at whether a process was told to end (ours)."""

_ENDING = "ending"
_orphaned = threading.Event()
_looked = 0.0
_found = False


def make_folder() -> Path:
    """Make the folder of a server and name it in the environment, for the metrics' library as well."""
    folder = Path(tempfile.mkdtemp(prefix="ballgauge-"))
    os.environ |= {FOLDER: str(folder), METRICS_FOLDER: str(folder)}
    return folder


def remove_folder() -> None:
    """Remove the folder and its names."""
    os.environ.pop(METRICS_FOLDER, None)
    folder = os.environ.pop(FOLDER, None)
    if folder is not None:
        shutil.rmtree(folder, ignore_errors=True)


def say_ending(process: int | None = None) -> None:
    """Let every process of the server, or one, know that it ends."""
    global _looked
    Path(os.environ[FOLDER], _ENDING if process is None else f"{_ENDING}-{process}").touch()
    _looked = 0.0


def is_ending() -> bool:
    """Say whether the server, or this process of it, was told to end at least `LOOK` ago."""
    global _looked, _found
    now = time.monotonic()
    if now >= _looked + LOOK:
        _looked, _found = now, _was_told()
    return _found


def _was_told() -> bool:
    folder = os.environ.get(FOLDER)
    if folder is None or _orphaned.is_set():
        return _orphaned.is_set()
    told = os.path.join(folder, _ENDING)
    return os.path.exists(told) or os.path.exists(f"{told}-{os.getpid()}")


def show_life(loop: asyncio.AbstractEventLoop, end: Callable[[], object]) -> None:
    """Touch this process's sign of life, and again after `BEAT`, for as long as its event loop turns.

    `end` is called each time from when the process was told to end.
    """
    # Where there is no room for it, the process is not watched.
    with suppress(OSError):
        sign_of_life(os.getpid()).touch()
    if _was_told():
        end()
    loop.call_later(BEAT, show_life, loop, end)


def sign_of_life(process: int) -> Path:
    """The file whose time says when a process last showed that it goes on."""
    return Path(os.environ[FOLDER], f"life-{process}")


def reserve_counts() -> bool:
    """Take the room for this process's counts before the metrics' module is read; say whether there is.

    The files are mapped into memory: where the system finds no room for a page of them later, it ends the
    process. Where there is none now, this process counts for itself.
    """
    folder = os.environ.get(METRICS_FOLDER)
    if folder is None or not hasattr(os, "posix_fallocate"):
        return True
    paths = [Path(folder, f"{kind}_{os.getpid()}.db") for kind in COUNTS]
    try:
        for path in paths:
            with path.open("ab") as file:
                os.posix_fallocate(file.fileno(), 0, _COUNTS_BYTES)
    except OSError:
        for path in paths:
            with suppress(OSError):
                path.unlink()
        del os.environ[METRICS_FOLDER]
        return False
    return True


def end_with_parent() -> None:
    """Watch the parent process from now on, and end gracefully where it is gone: no orphan keeps the port."""
    known = multiprocessing.parent_process()
    parent = os.getppid() if known is None else known.pid

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(WATCH)
        _orphaned.set()
        remove_folder()
        os.kill(os.getpid(), signal.SIGTERM)

    threading.Thread(target=watch, name="parent", daemon=True).start()
