"""An answer in lines: each as it is made, then the result or the problem."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Generator
from contextvars import copy_context
from typing import Any

from flask import Response, g

from ballgauge_service.core import budget
from ballgauge_service.core.compiled import is_compiling
from ballgauge_service.pages import languages
from ballgauge_service.web.http import refusals, serializer
from ballgauge_service.web.http.language import asked_for, translated
from ballgauge_service.web.http.uploads import Body

PROGRESS = "application/x-ndjson"

SILENT = 1.0
"""Seconds without progress after which a caller is told that kernels are compiled (ours)."""

Work = Callable[..., dict[str, Any]]
"""Computes the answer; told `progress` and `canceled` (see `core.budget.Run`)."""


def respond(work: Work) -> Response:
    """Answer in lines what `work` computes in a thread of its own. Closing the answer cancels the work."""
    response = Response(content_type=PROGRESS)
    language = asked_for(response)
    response.response = _lines(work, g.get("request_id"), language)
    if language != languages.SOURCE:
        response.content_language.add(language)
    return response


def stream(pieces: Generator[bytes, None, None], body: Body) -> Response:
    """Answer in lines made while `body` comes. What fails before the first has a status of its own."""
    first, request_id = next(pieces, b""), g.get("request_id")

    def rest() -> Generator[bytes, None, None]:
        try:
            yield first
            yield from pieces
        except Exception as error:  # noqa: BLE001 - the answer has begun: its last line is where to say so
            yield serializer.dump({"problem": refusals.problem_of(error, request_id)}) + b"\n"
            body.drain()
        finally:
            pieces.close()

    return Response(rest(), content_type=PROGRESS)


def _next(told: queue.SimpleQueue[dict[str, Any]], last: dict[str, Any]) -> dict[str, Any]:
    """What is told next; where nothing is for a while, since kernels are compiled, that."""
    while True:
        try:
            return told.get(timeout=SILENT)
        except queue.Empty:
            if is_compiling():
                return last | {"doing": "compiling, once after an installation"}


def _lines(work: Work, request_id: str | None, language: str) -> Generator[bytes, None, None]:
    told: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
    gone = threading.Event()

    def tell(share: float, doing: str) -> None:
        told.put({"progress": share, "doing": doing})

    def run() -> None:
        try:
            with budget.helping():
                found = {"result": work(progress=tell, canceled=gone.is_set)}
        except Exception as error:  # noqa: BLE001 - the answer has begun: its last line is where to say so
            found = {"problem": {} if gone.is_set() else refusals.problem_of(error, request_id)}
        told.put(found)

    worker = threading.Thread(target=copy_context().run, args=(run,), name="progress", daemon=True)
    worker.start()
    try:
        last = {"progress": 0.0}
        while "progress" in (event := _next(told, last)):
            last = event
            yield serializer.dump(event) + b"\n"
        yield serializer.dump(translated(event, language)) + b"\n"
    finally:
        gone.set()
        worker.join()
