"""Compiling ahead: after readiness, at low priority, and never in the way of the service."""

from __future__ import annotations

import logging
import math
import os
import queue
import sys
import threading
from typing import Any

import pytest

from ballgauge_service.core import compiled
from ballgauge_service.web.http import progress
from ballgauge_service.web.http.settings import Settings
from ballgauge_service.web.routes import health
from ballgauge_service.web.server import warming
from ballgauge_service.web.server.application import create_app


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere a thread has no priority of its own")
def test_it_waits_for_readiness_and_is_nice() -> None:
    """Against the priority the system tells of the thread, and of this one beside it."""
    found: list[int] = []
    ready = threading.Event()
    own = os.getpriority(os.PRIO_PROCESS, threading.get_native_id())
    thread = warming.start(
        ready, lambda: found.append(os.getpriority(os.PRIO_PROCESS, threading.get_native_id()))
    )
    thread.join(0.2)
    assert found == []
    ready.set()
    thread.join(60)
    assert found == [max(warming.NICE, own)]
    assert os.getpriority(os.PRIO_PROCESS, threading.get_native_id()) == own


def test_a_failure_is_logged_and_harms_nobody(caplog: pytest.LogCaptureFixture) -> None:
    def fail() -> None:
        raise RuntimeError

    ready = threading.Event()
    ready.set()
    with caplog.at_level(logging.ERROR):
        warming.start(ready, fail).join(60)
    assert "compiling ahead failed" in caplog.text


def test_the_examples_are_there() -> None:
    """Against the examples of the contract."""
    from ballgauge_schemas.shared.documents import design_example_names, motion_example_names

    assert set(warming.DESIGNS) <= set(design_example_names())
    assert set(warming.MOTIONS) <= set(motion_example_names())


def test_readiness_says_that_kernels_are_compiled() -> None:
    app = create_app(json_logs=False, warm_up=False, settings=Settings())
    ready = threading.Event()
    app.extensions[health.COMPILING] = warming.start(threading.Event(), ready.wait).is_alive
    assert app.test_client().get("/readyz").json == {"status": "ok", "compiling": True}
    app.extensions[health.COMPILING] = bool
    assert app.test_client().get("/readyz").json == {"status": "ok"}


def test_a_study_that_waits_for_its_kernels_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """Against silence, which is what there is when nothing is compiled."""
    monkeypatch.setattr(progress, "SILENT", 0.01)
    told: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
    monkeypatch.setattr(compiled, "_making", [0.0, 0.0])
    said = progress._next(told, {"progress": 0.2, "doing": "sampling"})
    assert (said["progress"], said["doing"] != "sampling") == (0.2, True)
    monkeypatch.setattr(compiled, "_making", [0.0, math.inf])
    threading.Timer(0.1, told.put, ({"progress": 0.3},)).start()
    assert progress._next(told, said) == {"progress": 0.3}
