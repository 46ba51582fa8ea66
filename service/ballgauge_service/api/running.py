"""What the processes of one server know of each other: a folder of its own, and that it ends."""

from __future__ import annotations

import multiprocessing
import os
import shutil
import signal
import tempfile
import threading
import time
from pathlib import Path

FOLDER = "BALLGAUGE_RUN_FOLDER"
"""The variable that names the folder to the processes of a server."""

WATCH = 0.5
"""Seconds between two looks at the parent process (ours)."""

_ENDING = "ending"


def make_folder() -> Path:
    """Make the folder of a server and name it in the environment."""
    folder = Path(tempfile.mkdtemp(prefix="ballgauge-"))
    os.environ[FOLDER] = str(folder)
    return folder


def remove_folder() -> None:
    """Remove the folder and its name."""
    folder = os.environ.pop(FOLDER, None)
    if folder is not None:
        shutil.rmtree(folder, ignore_errors=True)


def say_ending() -> None:
    """Let every process of the server know that it ends."""
    Path(os.environ[FOLDER], _ENDING).touch()


def is_ending() -> bool:
    """Say whether the server was told to end."""
    folder = os.environ.get(FOLDER)
    return folder is not None and os.path.exists(os.path.join(folder, _ENDING))


def end_with_parent() -> None:
    """Watch the parent process from now on, and end gracefully where it is gone: no orphan keeps the port."""
    known = multiprocessing.parent_process()
    parent = os.getppid() if known is None else known.pid

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(WATCH)
        remove_folder()
        os.kill(os.getpid(), signal.SIGTERM)

    threading.Thread(target=watch, name="parent", daemon=True).start()
