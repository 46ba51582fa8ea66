"""The server: the application behind a listening address, in one process or several."""

from __future__ import annotations

import logging
import os
import signal
import socket
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from typing import Any

from granian.constants import HTTPModes, Interfaces, RuntimeModes
from granian.http import HTTP1Settings
from granian.server.mp import MPServer, WorkerProcess

from ballgauge_service.web.access.access import is_loopback
from ballgauge_service.web.http import hosts, running
from ballgauge_service.web.http.settings import BadSettings, Settings

CONNECTIONS = 16_384
"""Connections that one process holds at once (ours), idle ones too; others wait in the system's queue."""

SPARE_FILES = 256
"""Open files of one process that are not connections (ours)."""

KILLED = 5
"""Seconds after `Settings.ending` until a process that still goes on is killed (ours)."""

_log = logging.getLogger("_granian")

_JSON_LOG = {
    "formatters": {"json": {"()": "ballgauge_service.web.http.request_log.JsonFormatter"}},
    "handlers": {
        "errors": {
            "class": "ballgauge_service.web.http.request_log.Handler",
            "formatter": "json",
            "stream": "ext://sys.stderr",
        }
    },
    "loggers": {
        "_granian": {"handlers": ["errors"], "level": "INFO", "propagate": False},
        # A line for every piece sent to a caller who left.
        "granian_worker": {"handlers": ["errors"], "level": "WARNING", "propagate": False},
    },
}


class _Server(MPServer):
    """Granian that says at /readyz for a while that it ends, before it does."""

    drain = 0.0

    def replace_stuck(self, longest: float) -> None:
        """Kill each process that shows no sign of life for so long [s]; what is killed is replaced.

        Looks are counted, not the time: a machine that slept, or had its clock set, ends no process.
        """
        seen: dict[int, tuple[int, int]] = {}
        while not running.is_ending():
            time.sleep(running.BEAT)
            for process in [worker.inner.pid for worker in self.wrks]:
                try:
                    sign = running.sign_of_life(process).stat().st_mtime_ns
                except (OSError, KeyError):
                    continue
                last, looks = seen.get(process, (0, 0))
                looks = 0 if sign != last else looks + 1
                seen[process] = sign, looks
                if looks * running.BEAT > longest:
                    del seen[process]
                    _log.error("a process showed no sign of life for %g s and is replaced", longest)
                    os.kill(process, signal.SIGKILL)

    def _spawn_worker(self, *arguments: Any, **named: Any) -> WorkerProcess:
        make: Callable[..., WorkerProcess] = super()._spawn_worker
        worker = make(*arguments, **named)
        end: Callable[[], None] = worker.terminate

        def tell_and_end() -> None:
            # Where there is no room to tell it, it is killed in the end.
            with suppress(OSError, KeyError):
                running.say_ending(worker.inner.pid)
            end()

        worker.terminate = tell_and_end  # type: ignore[method-assign]
        return worker

    def signal_handler_interrupt(self, *arguments: Any, **named: Any) -> None:
        end: Callable[[], None] = super().signal_handler_interrupt
        if running.is_ending() or arguments[:1] != (signal.SIGTERM,):
            end()
            return
        try:
            running.say_ending()
        except OSError:
            # There is no room, or the folder is gone: nobody can be told first.
            end()
            return
        timer = threading.Timer(self.drain, end)
        timer.daemon = True
        timer.start()


def serve(host: str, port: int, workers: int) -> None:
    """Serve until a signal ends it; the log is JSON on standard error.

    Workers that die, or show no sign of life for `Settings.stuck`, are replaced; a second death of one within
    seconds ends the server with code 1. After SIGTERM /readyz says 503 for `Settings.drain`, then nothing new
    is accepted, and what was accepted is answered within `Settings.ending` or refused.

    Raises
    ------
    OSError
        The address cannot be listened on: it is taken, not this machine's, or not allowed.
    BadSettings
        A variable of the environment cannot be used.
    """
    settings = Settings.from_environment()
    if (
        settings.access_keys is None
        and not settings.hosts
        and not settings.trusted_proxies
        and is_loopback(host)
    ):
        settings = replace(settings, hosts=(*hosts.LOOPBACK, host))
        settings.set_environment(os.environ)
    _require_signing_keys()
    settings.shelf()
    _require_free(host, port)
    # Found now, not when there is no room left to try it.
    tempfile.gettempdir()
    running.make_folder()
    try:
        if settings.traces is not None:
            # Deferred until the folder of the metrics is named: it is read when their module is.
            from ballgauge_service.web.http import traces

            traces.require_extra()
        server = _Server(
            "ballgauge_service.web.server.served:create_gate",
            factory=True,
            interface=Interfaces.ASGINL,
            # Where HTTP/2 is looked for, a connection that says nothing is waited for without end.
            http=HTTPModes.http1,
            # One thread fewer between a request and its answer.
            runtime_mode=RuntimeModes.st,
            address=host,
            port=port,
            workers=workers,
            backlog=4096,
            backpressure=_connections(),
            http1_settings=HTTP1Settings(header_read_timeout=round(1000 * settings.patience)),
            websockets=False,
            respawn_failed_workers=True,
            workers_kill_timeout=round(settings.ending) + KILLED,
            log_dictconfig=_JSON_LOG,
        )
        server.drain = settings.drain
        threading.Thread(target=server.replace_stuck, args=(settings.stuck,), daemon=True).start()
        os.register_at_fork(after_in_child=_end_when_told)
        server.serve()
    finally:
        running.remove_folder()


def _end_when_told() -> None:
    """Let a signal end a new process, which has taken nothing yet: it is forked with another's handler."""
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def _require_signing_keys() -> None:
    """Read the keys of records once, so that bad ones are told at the start. Raises BadSettings."""
    from ballgauge_service.record.keys import BadKeys, Keyring

    try:
        Keyring.from_environment()
    except BadKeys as bad:
        raise BadSettings(str(bad)) from None


def _connections() -> int:
    """As many connections as there may be open files, once as many are allowed as can be."""
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = CONNECTIONS + SPARE_FILES
    if soft < wanted:
        soft = min(wanted, hard)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    return max(64, min(CONNECTIONS, soft - SPARE_FILES))


def _require_free(host: str, port: int) -> None:
    # The server shares its port with its kind: a second one would start and take half of the requests.
    family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
    with socket.socket(family, kind, protocol) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        probe.bind(address)
