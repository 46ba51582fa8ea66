"""The asynchronous client against the other one: the same calls, results and errors."""

from __future__ import annotations

import asyncio
import inspect
import threading
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import httpx
import pytest
from tests.sdk.conftest import RESULT, Script, resets, says

import ballgauge

BALL = {"ball": {"weight": 15}}
LOT = Path(__file__).parents[2] / "schemas/ballgauge_schemas/example_lots/ostrel_tarn_48.csv"
OPTIONS = {"sampling": {"lot_size": 1000, "plan": {"aql": 1.0}}, "rules": {"on": "2026-05-01"}}


def with_client(
    url: str | None, call: Callable[[ballgauge.AsyncClient], Awaitable[Any]], **options: Any
) -> Any:
    async def run() -> Any:
        made = ballgauge.AsyncClient.embedded() if url is None else ballgauge.AsyncClient(url, **options)
        async with made as client:
            return await call(client)

    return asyncio.run(run())


@pytest.fixture(params=["embedded", "remote"])
def url(request: pytest.FixtureRequest) -> str | None:
    return request.getfixturevalue("server") if request.param == "remote" else None


def test_it_has_every_call() -> None:
    def calls(kind: type) -> dict[str, list[str]]:
        found = inspect.getmembers(kind, callable)
        return {
            name: [each for each in inspect.signature(call).parameters if each != "self"]
            for name, call in found
            if not name.startswith("_") and name not in ("embedded", "with_options")
        }

    assert calls(ballgauge.AsyncClient) == calls(ballgauge.Client)


def test_it_answers_as_the_other_does(url: str | None, server: str, drilled: dict[str, Any]) -> None:
    async def several(client: ballgauge.AsyncClient) -> Any:
        ones = await asyncio.gather(*(client.check(drilled) for _ in range(8)))
        many = [result async for result in client.check_many([BALL] * 1200, detail="brief")]
        lot = await client.assess_lot(LOT, OPTIONS)
        rows = client.lot_rows(LOT, OPTIONS)
        balls = [row async for row in rows]
        return ones, many, lot, balls, rows.result, await client.rulebooks("usbc"), await client.version()

    ones, many, lot, balls, lot_too, books, version = with_client(url, several)
    with ballgauge.Client(server) as client:
        assert ones == [client.check(drilled)] * 8
        assert many == list(client.check_many([BALL] * 1200, detail="brief"))
        assert lot == lot_too == client.assess_lot(LOT, OPTIONS)
        with client.lot_rows(LOT, OPTIONS) as rows:
            assert balls == list(rows)
        assert books == client.rulebooks("usbc")
        assert version == client.version()


def test_files_are_written(server: str, tmp_path: Path) -> None:
    report, rows = tmp_path / "lot.html", tmp_path / "balls.csv"
    lot = with_client(server, lambda client: client.assess_lot(LOT, OPTIONS, report=report, rows=rows))
    assert report.read_bytes().lower().startswith(b"<!doctype html>")
    assert len(rows.read_text().splitlines()) == lot.counts.balls + 1


def test_errors_are_the_others_too(url: str | None) -> None:
    async def bad(client: ballgauge.AsyncClient) -> None:
        await client.check({"ball": {"weight": 150}})

    with pytest.raises(ballgauge.InvalidRequest) as caught:
        with_client(url, bad)
    assert [error.pointer for error in caught.value.errors] == ["/ball/weight"]


@pytest.mark.parametrize(
    ("answers", "kind", "times"),
    [
        ([says(429, Retry_After="17")], ballgauge.RateLimited, 1),
        ([says(401)], ballgauge.AccessRefused, 1),
        ([says(302, Location="/x")], ballgauge.Redirected, 1),
        ([says(500)], ballgauge.ServiceError, 1),
        ([resets] * 3, ballgauge.ConnectionFailed, 3),
        ([says(503)] * 3, ballgauge.ServiceError, 3),
    ],
)
def test_failures_are_told_apart_and_tried_again_where_it_is_safe(
    script: Script,
    answers: list[Any],
    kind: type[Exception],
    times: int,
) -> None:
    script.answers = answers
    with pytest.raises(kind):
        with_client(script.url, lambda client: client.drill(BALL))
    assert len(script.requests) == times


def test_a_try_that_succeeds(script: Script) -> None:
    script.answers = [resets, says(502), says(200, RESULT)]
    assert with_client(script.url, lambda client: client.drill(BALL)).derived.ball.radius == 4.2


def test_time_in_all_and_by_phase(script: Script) -> None:
    released = threading.Event()

    def hangs(handler: Any) -> None:
        released.wait(10)
        handler.close_connection = True

    for timeout in (0.2, ballgauge.Timeouts(5, 5, 0.2)):
        script.answers = [hangs]
        with pytest.raises(ballgauge.Timeout):
            with_client(script.url, lambda client: client.drill(BALL), timeout=timeout)
    released.set()
    assert len(script.requests) == 2


def test_a_cancelled_call_closes_its_connection(script: Script) -> None:
    closed = threading.Event()

    def waits_for_the_end(handler: Any) -> None:
        if handler.connection.recv(1) == b"":
            closed.set()
        handler.close_connection = True

    script.answers = [waits_for_the_end]

    async def cancel(client: ballgauge.AsyncClient) -> None:
        task = asyncio.ensure_future(client.drill(BALL))
        while not script.requests:
            await asyncio.sleep(0.01)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        # The client is still open: it is the call that closed the connection.
        assert await asyncio.to_thread(closed.wait, 10)

    with_client(script.url, cancel)


def test_a_client_of_ones_own_is_left_open(server: str) -> None:
    async def run() -> None:
        async with httpx.AsyncClient() as own:
            async with ballgauge.AsyncClient(server, client=own) as client:
                assert (await client.check(BALL)).outcome == "not_assessed"
            assert not own.is_closed

    asyncio.run(run())
