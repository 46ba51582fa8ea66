"""Liveness and readiness, for whoever runs the service."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

from flask import Flask, Response

from ballgauge_service.core.bulk import trouble_at
from ballgauge_service.web.http import degraded, serializer
from ballgauge_service.web.http.refusals import Refusal
from ballgauge_service.web.http.running import is_ending
from ballgauge_service.web.http.settings import SETTINGS
from ballgauge_service.web.routes import records

READY = "ballgauge_ready"
"""The name among the application's extensions of the event that is set when it is ready."""

COMPILING = "ballgauge_compiling"
"""The name of what says whether kernels are compiled that the service answers checks without."""

_log = logging.getLogger("ballgauge_service.health")


def register(app: Flask, warm_up: Callable[[], object] | None) -> None:
    """Add the addresses, and run `warm_up` in the background; without one the service is ready at once."""
    ready = app.extensions[READY] = threading.Event()
    app.extensions[COMPILING] = bool
    for path, tell in told(app).items():
        app.add_url_rule(path, path, partial(_answer, tell))
    if warm_up is None:
        ready.set()
    else:
        threading.Thread(target=_warm, args=(warm_up, ready), name="warm-up", daemon=True).start()


def _warm(warm_up: Callable[[], object], ready: threading.Event) -> None:
    try:
        warm_up()
    except Exception:  # noqa: BLE001 (a thread has no caller to tell)
        _log.exception("warm-up failed; the service stays not ready")
    else:
        ready.set()


def told(app: Flask) -> Mapping[str, Callable[[], dict[str, Any]]]:
    """What each address says now: that the process answers, and whether all of it is ready.

    For whoever answers them without the application, too; they raise Refusal.
    """
    return {"/healthz": lambda: {"status": "ok"}, "/readyz": partial(_ready, app)}


def _answer(tell: Callable[[], dict[str, Any]]) -> Response:
    return serializer.respond(tell())


def _ready(app: Flask) -> dict[str, Any]:
    if is_ending():
        raise Refusal(503, "shutting down; retry", headers={"Retry-After": "1"})
    if not app.extensions[READY].is_set():
        raise Refusal(503, "the numeric kernels are being compiled", headers={"Retry-After": "1"})
    with app.app_context():
        records.tell_of_keys()
    degraded.tell("scheduler", trouble_at(app.extensions[SETTINGS].scheduler))
    wrong = sorted(degraded.found())
    told: dict[str, Any] = {"status": "degraded", "degraded": wrong} if wrong else {"status": "ok"}
    return told | {"compiling": True} if app.extensions[COMPILING]() else told
