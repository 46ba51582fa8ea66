"""Gives each request its id and start time, and has it logged when it is answered."""

from __future__ import annotations

import time
from functools import partial
from importlib.metadata import version

from flask import Flask, Response, g, request

from ballgauge_service.web.http import metrics, request_log
from ballgauge_service.web.http.request_log import REQUEST_ID, VERSION, request_id
from ballgauge_service.web.server.bridge import ARRIVED, DEADLINE

TOLD = {VERSION: version("ballgauge"), "X-Content-Type-Options": "nosniff"}
"""What every answer tells beside its id."""


def register(app: Flask, *, measured: bool = False) -> None:
    """Give each request its id and start time, and log it, or measure it too, when it is answered."""
    app.before_request(_take_id)
    app.after_request(partial(_end, measured))


def _take_id() -> None:
    g.request_id = request_id(request.headers.get(REQUEST_ID, ""))
    g.started = request.environ.get(ARRIVED) or time.perf_counter()


def _end(measured: bool, response: Response) -> Response:
    response.headers.update({REQUEST_ID: g.request_id, **TOLD})
    path, status, key = metrics.route(), response.status_code, g.get("key_id")
    if measured:
        metrics.observe(path, status, time.perf_counter() - g.started, key)
    # What nobody waits for any more was logged by who gave it up.
    deadline = request.environ.get(DEADLINE)
    if deadline is None or not deadline.given_up:
        who = {"key": key, "address": request.remote_addr, "reason": g.get("reason")}
        request_log.write(g.request_id, request.method, path, status, g.started, **who)
    return response
