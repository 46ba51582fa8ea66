"""The kernels of lots, designs and motions, compiled behind a server that already answers checks."""

from __future__ import annotations

import contextlib
import gc
import io
import logging
import os
import threading
from collections.abc import Callable

from ballgauge_schemas import LOT_REQUEST
from ballgauge_schemas.design.request import DESIGN_REQUEST
from ballgauge_schemas.motion.request import MOTION_REQUEST
from ballgauge_schemas.shared.documents import design_example, motion_example
from ballgauge_service.core.locks import alone
from ballgauge_service.web.http import running

LOT = b"serial,weight,rg,differential\n" + b"".join(
    b"A%d,15.0%d,2.5%d,0.04%d\n" % (n, n, n, n) for n in range(9)
)

DESIGNS = ("skarn", "drawn_core")
MOTIONS = ("motion", "motion_explain")
"""Examples that run every kernel which a first request would otherwise wait for."""

NICE = 15
"""Priority of the compiling thread, where the system has one for threads."""

NEW_OBJECTS = 20_000
"""Objects made and kept before the collector looks at them (ours): an answer has 200, and dies without it."""

_log = logging.getLogger("ballgauge_service.warming")


def start(ready: threading.Event, work: Callable[[], object] | None = None) -> threading.Thread:
    """Run `work`, by default all examples, at low priority once `ready` is set; a failure is logged."""
    thread = threading.Thread(target=_run, args=(ready, work or run_examples), name="warming", daemon=True)
    thread.start()
    return thread


def run_examples() -> None:
    """Evaluate the examples, one process after another: all but the first read what that one compiled."""
    # Deferred: a check of one ball never loads what only designs and motions need.
    from ballgauge_service.design.evaluate import evaluate_design
    from ballgauge_service.lot.evaluate import Lot
    from ballgauge_service.lot.request import read_request
    from ballgauge_service.motion.evaluate import evaluate_motion

    folder = os.environ.get(running.FOLDER)
    with contextlib.nullcontext() if folder is None else alone(folder):
        with Lot(io.BytesIO(LOT), None, read_request(LOT_REQUEST.load({}))) as lot:
            for _ in lot:
                pass
            lot.answer()
        for name in MOTIONS:
            evaluate_motion(MOTION_REQUEST.load(motion_example(name)))
        for name in DESIGNS:
            evaluate_design(DESIGN_REQUEST.load(design_example(name)), {})


def _run(ready: threading.Event, work: Callable[[], object]) -> None:
    ready.wait()
    _settle()
    # On Linux a thread has a priority of its own; elsewhere the whole process would have it.
    with contextlib.suppress(OSError, AttributeError):
        if os.uname().sysname == "Linux":
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), NICE)
    try:
        work()
    except Exception:  # noqa: BLE001 - a thread has no caller to tell
        if threading.main_thread().is_alive():  # else the process ends, and that broke it off
            _log.exception("compiling ahead failed; the first design or motion does it")
    _settle()


def _settle() -> None:
    """Take what is loaded by now out of the collector's sight: walking all of it stops every request."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(NEW_OBJECTS, *gc.get_threshold()[1:])
