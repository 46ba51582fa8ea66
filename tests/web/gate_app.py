"""A small application behind the gate, which shows what the gate does with what it is given."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from typing import Any

from flask import Blueprint, Flask, Response, request

from ballgauge_service.core import budget
from ballgauge_service.web.access.access import Entrance
from ballgauge_service.web.http import metrics, refusals, request_ids, request_log
from ballgauge_service.web.http.settings import Settings
from ballgauge_service.web.server.gate import Gate

STEP = 0.005

blueprint = Blueprint("gate_app", __name__)
state = {"computing": 0, "most": 0, "asked": 0}
lock = threading.Lock()


def count(name: str, step: int) -> None:
    with lock:
        state[name] += step
        state["most"] = max(state["most"], state["computing"])


@blueprint.get("/readyz")
def ready() -> dict[str, int]:
    return state


@blueprint.post("/echo")
def echo() -> dict[str, Any]:
    count("asked", 1)
    return {"length": len(request.get_data()), "headers": dict(request.headers)}


@blueprint.post("/v1/motions")
@blueprint.post("/compute")
def compute() -> dict[str, str]:
    """Works until its time is over, asking for the deadline."""
    end = time.monotonic() + float(request.args["seconds"])
    count("computing", 1)
    try:
        while time.monotonic() < end:
            budget.check()
            time.sleep(STEP)
    finally:
        count("computing", -1)
    return {"done": "computed"}


@blueprint.post("/v1/checks")
def burn() -> dict[str, str]:
    """Uses processor time."""
    end = time.thread_time() + float(request.args["seconds"])
    while time.thread_time() < end:
        pass
    return {"done": "burnt"}


@blueprint.post("/stubborn")
def stubborn() -> dict[str, str]:
    """Works without asking."""
    time.sleep(float(request.args["seconds"]))
    return {"done": "at last"}


@blueprint.get("/stream")
def stream() -> Response:
    """Pieces without an announced length."""
    piece, wanted = b"x" * int(request.args["size"]), int(request.args["pieces"])
    pause = float(request.args.get("pause", 0))

    def pieces() -> Iterator[bytes]:
        count("computing", 1)
        try:
            for _ in range(wanted):
                yield piece
                time.sleep(pause)
        finally:
            count("computing", -1)

    return Response(pieces(), content_type="text/plain")


@blueprint.get("/large")
def large() -> Response:
    """An answer made whole."""
    return Response(bytes(int(request.args["size"])), content_type="text/plain")


@blueprint.get("/broken")
def broken() -> Response:
    error = budget.DeadlinePassed if request.args["by"] == "deadline" else RuntimeError

    def pieces() -> Iterator[bytes]:
        yield b"a beginning"
        raise error("SECRET")

    return Response(pieces(), content_type="text/plain")


@blueprint.post("/v1/lots")
def lots() -> dict[str, int]:
    length, pause = 0, float(request.args.get("pause", 0))
    while piece := request.stream.read(1 << 16):
        length += len(piece)
        time.sleep(pause)
        budget.check()
    return {"length": length}


def create() -> Gate:
    settings = Settings.from_environment()
    app = Flask("gate_app", static_folder=None)
    app.config["MAX_CONTENT_LENGTH"] = 2**21 + 1
    request_log.write_json()
    request_ids.register(app)
    metrics.register(app)
    refusals.register(app)
    app.register_blueprint(blueprint)
    paths = frozenset(rule.rule for rule in app.url_map.iter_rules())
    # Counted by address, where there is a limit.
    entrance = Entrance(settings) if settings.requests_per_minute else None
    return Gate(app, settings, paths, entrance, {"/readyz": lambda: dict(state)})
