"""The server: the application behind a listening address, in one process or several."""

from __future__ import annotations

import os
import socket

from granian import Granian
from granian.constants import Interfaces

THREADS = min(8, 2 * (os.cpu_count() or 1) + 1)
"""Requests that one process computes side by side (ours)."""

WAITING = 256
"""Requests that one process takes from the network at once (ours); others wait in the system's queue."""

_JSON_LOG = {
    "formatters": {"json": {"()": "ballgauge_service.api.request_log.JsonFormatter"}},
    "handlers": {
        "errors": {"class": "logging.StreamHandler", "formatter": "json", "stream": "ext://sys.stderr"}
    },
    "loggers": {"_granian": {"handlers": ["errors"], "level": "INFO", "propagate": False}},
}


def serve(host: str, port: int, workers: int) -> None:
    """Serve until a signal ends it; the log is JSON on standard error.

    Raises
    ------
    OSError
        The address cannot be listened on: it is taken, not this machine's, or not allowed.
    """
    _require_free(host, port)
    Granian(
        "ballgauge_service:create_app",
        factory=True,
        interface=Interfaces.WSGI,
        address=host,
        port=port,
        workers=workers,
        blocking_threads=THREADS,
        backpressure=WAITING,
        websockets=False,
        log_dictconfig=_JSON_LOG,
    ).serve()


def _require_free(host: str, port: int) -> None:
    # The server shares its port with its kind: a second one would start and take half of the requests.
    family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
    with socket.socket(family, kind, protocol) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        probe.bind(address)
