"""Gives each request its id and start time, and has it logged when it is answered."""

from __future__ import annotations

import time
from importlib.metadata import version

from flask import Flask, Response, g, request

from ballgauge_service.web.http import request_log
from ballgauge_service.web.http.request_log import NO_PATH, REQUEST_ID, VERSION, request_id
from ballgauge_service.web.server.bridge import ARRIVED, DEADLINE

TOLD = {VERSION: version("ballgauge"), "X-Content-Type-Options": "nosniff"}
"""What every answer tells beside its id."""


def register(app: Flask) -> None:
    """Give each request its id and start time, and log it when it is answered."""
    app.before_request(_take_id)
    app.after_request(_end)


def _take_id() -> None:
    g.request_id = request_id(request.headers.get(REQUEST_ID, ""))
    g.started = request.environ.get(ARRIVED) or time.perf_counter()


def _end(response: Response) -> Response:
    response.headers[REQUEST_ID] = g.request_id
    response.headers.update(TOLD)
    deadline = request.environ.get(DEADLINE)
    # What nobody waits for any more was logged by who gave it up.
    if deadline is None or not deadline.given_up:
        path = NO_PATH if request.url_rule is None else request.url_rule.rule
        who = {"key": g.get("key_id"), "address": request.remote_addr, "reason": g.get("reason")}
        request_log.write(g.request_id, request.method, path, response.status_code, g.started, **who)
    return response
