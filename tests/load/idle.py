"""Connections that say nothing."""

from __future__ import annotations

import resource
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from urllib.parse import urlsplit


def allow_files(count: int) -> int:
    """Raise this process's limit of open files toward `count`; give the limit there is."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    soft = max(soft, min(count, hard))
    resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    return soft


@asynccontextmanager
async def idle_connections(address: str, count: int) -> AsyncIterator[int]:
    """Open many connections that send nothing, and give how many there are."""
    split = urlsplit(address)
    opened: list[socket.socket] = []
    try:
        for _ in range(count):
            try:
                opened.append(socket.create_connection((str(split.hostname), split.port), timeout=5))
            except OSError:
                break
        yield len(opened)
    finally:
        for connection in opened:
            connection.close()
