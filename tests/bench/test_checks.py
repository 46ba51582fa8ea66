"""A check through the client in the same process, and through the engine alone: what an answer costs."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.metadata import version
from typing import Any

import orjson
import pytest

from ballgauge import Client
from ballgauge_schemas import CHECK_REQUEST
from ballgauge_service.check.evaluate import evaluate_checks
from ballgauge_service.core.compiled import run_compiled

BALLS = 1000
BATCH_FLOOR, SINGLE_FLOOR, BRIEF_FLOOR = 0.28, 0.11, 1.8
"""A busy machine keeps them: orjson's time over ours, and that of the whole answer over that of a brief one.
Reached on a busy machine: 0.32 to 0.48, 0.13 to 0.2, and 2.9 to 3.1; to reach: 1/3, 1/5 and 5."""


@pytest.fixture(scope="module")
def embedded() -> Iterator[Client]:
    """The client over the engine in this process, its kernels compiled as a server's are."""
    run_compiled()
    with Client.embedded() as client:
        yield client


def test_a_batch_of_checks_against_the_writing_and_reading_of_its_answers(
    embedded: Client, drilled: dict[str, Any], versus: Any
) -> None:
    """From the bytes of a thousand requests to typed results, against orjson with the same answers."""
    body = orjson.dumps([drilled] * BALLS)
    answers = evaluate_checks([CHECK_REQUEST.load(drilled) for _ in range(BALLS)])

    def ours() -> None:
        results = list(embedded.check_many(orjson.loads(body)))
        assert len(results) == BALLS

    names = (f"check_many of {BALLS}", f"orjson {version('orjson')}, the answers written and read")
    versus.race(
        "checks from bytes to results", names, ours, lambda: orjson.loads(orjson.dumps(answers)), BATCH_FLOOR
    )


def test_one_embedded_check_against_the_writing_and_reading_of_an_answer(
    embedded: Client, drilled: dict[str, Any], versus: Any
) -> None:
    answers = evaluate_checks([CHECK_REQUEST.load(drilled) for _ in range(BALLS)])
    names = ("one check", f"orjson {version('orjson')}, one of {BALLS} answers written and read")
    versus.race(
        "one embedded check", names,
        lambda: embedded.check(drilled), lambda: orjson.loads(orjson.dumps(answers)),
        SINGLE_FLOOR, calls=(100, 1), shares=(1.0, float(BALLS)),
    )  # fmt: skip


def test_a_brief_answer_against_the_whole_one(drilled: dict[str, Any], versus: Any) -> None:
    """The engine alone: what is not answered is not computed."""
    run_compiled()
    brief, whole = ([{**CHECK_REQUEST.load(drilled), "detail": how}] * BALLS for how in ("brief", "full"))
    names = (f"{BALLS} checks in brief", "the same, answered in full")
    versus.race(
        "checks in brief", names, lambda: evaluate_checks(brief), lambda: evaluate_checks(whole), BRIEF_FLOOR
    )
