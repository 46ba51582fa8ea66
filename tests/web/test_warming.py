"""Compiling ahead: after readiness, at low priority, and never in the way of the service."""

from __future__ import annotations

import logging
import os
import sys
import threading

import pytest

from ballgauge_service.web.server import warming


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
