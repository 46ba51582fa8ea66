"""Locks between processes of one machine."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator


@contextlib.contextmanager
def alone(path: str) -> Iterator[None]:
    """Hold a file or folder that no other process holds meanwhile, where the system has such locks."""
    if os.name != "posix":
        yield
        return
    import fcntl

    held = os.open(path, os.O_RDONLY)
    try:
        fcntl.flock(held, fcntl.LOCK_EX)
        yield
    finally:
        os.close(held)
