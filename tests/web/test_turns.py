"""Turns and deadlines by themselves: against counting, and against a clock that is moved by hand."""

from __future__ import annotations

import asyncio
import contextlib
import random
import time
from typing import Any

import pytest

from ballgauge_service.core import budget
from ballgauge_service.core.budget import Deadline, DeadlinePassed
from ballgauge_service.web.server.turns import Full, Turns


@pytest.mark.parametrize("seed", range(20))
def test_never_more_compute_than_there_are_turns(seed: int) -> None:
    """Against a count of those inside, while callers come, wait, give up and return."""

    async def run() -> None:
        chance = random.Random(seed)
        seen: list[tuple[int, int]] = []
        turns = Turns(2, 3, 0.01, lambda computing, waiting: seen.append((computing, waiting)))
        inside = refused = 0

        async def one() -> None:
            nonlocal inside, refused
            await asyncio.sleep(chance.random() * 0.02)
            try:
                await turns.take()
            except Full:
                refused += 1
                return
            for _ in range(chance.randrange(3)):
                inside += 1
                assert inside <= 2
                await asyncio.sleep(chance.random() * 0.01)
                inside -= 1
                turns.give()
                await asyncio.sleep(chance.random() * 0.005)
                await turns.take_again()
            turns.give()

        tasks = [asyncio.create_task(one()) for _ in range(60)]
        await asyncio.sleep(0.01)
        for task in chance.sample(tasks, 5):
            task.cancel()
        done = await asyncio.gather(*tasks, return_exceptions=True)
        assert not [error for error in done if isinstance(error, AssertionError)]
        lost = sum(isinstance(error, asyncio.CancelledError) for error in done)
        if not lost:
            assert turns.free == 2
            assert seen[-1] == (0, 0)
        assert refused > 0
        assert max(computing for computing, _ in seen) <= 2
        assert max(waiting for _, waiting in seen) <= 3

    asyncio.run(run())


def test_a_returning_stream_goes_before_the_line() -> None:
    async def run() -> list[str]:
        turns, order = Turns(1, 5, 10.0), []
        await turns.take()

        async def new() -> None:
            await turns.take()
            order.append("new")
            turns.give()

        async def returning() -> None:
            await turns.take_again()
            order.append("returning")
            turns.give()

        tasks = [asyncio.create_task(new()), asyncio.create_task(returning())]
        await asyncio.sleep(0)
        turns.give()
        await asyncio.gather(*tasks)
        return order

    assert asyncio.run(run()) == ["returning", "new"]


def test_a_turn_given_to_one_who_left_goes_on() -> None:
    async def run() -> None:
        turns = Turns(1, 5, 10.0)
        await turns.take()
        waiting = [asyncio.create_task(turns.take()) for _ in range(2)]
        await asyncio.sleep(0)
        turns.give()
        waiting[0].cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await waiting[0]
        await asyncio.wait_for(waiting[1], 5)
        assert turns.free == 0

    asyncio.run(run())


def test_a_deadline_by_a_clock_moved_by_hand(sentence: Any) -> None:
    now = 100.0
    limit = Deadline(10.0, lambda: now)
    budget.check()
    with budget.within(limit):
        now = 109.9
        budget.check()
        limit.renew()
        now = 119.8
        budget.check()
        now = 120.0
        with pytest.raises(DeadlinePassed) as caught:
            budget.check()
        assert str(caught.value) == sentence("deadline of 10 s passed")
    budget.check()


def test_a_deadline_that_nobody_waits_for() -> None:
    limit = Deadline(10.0)
    limit.give_up()
    with budget.within(limit), pytest.raises(DeadlinePassed):
        budget.check()


def test_a_clock_set_back_moves_no_deadline(monkeypatch: pytest.MonkeyPatch) -> None:
    """Against the wall clock, set back a day and then ahead: only the clock that cannot be set counts."""
    limit = Deadline(60.0)
    for day in (-86400.0, 86400.0):
        moved = time.time() + day
        monkeypatch.setattr(time, "time", lambda moved=moved: moved)
        assert 0.0 < limit.left <= 60.0
        limit.check()


def test_long_work_asks_for_its_deadline(drilled: dict[str, object]) -> None:
    """Against work that is over before it begins: a check, a drilling and a design's run all end."""
    from ballgauge_schemas import load_check_body, load_drilling_body
    from ballgauge_service.check.evaluate import evaluate_checks, evaluate_drillings
    from ballgauge_service.core.budget import Run

    over = Deadline(0.0, iter((0.0, *[1.0] * 100)).__next__)
    checks, _ = load_check_body(drilled)
    drillings, _ = load_drilling_body({name: drilled[name] for name in ("ball", "drilling")})
    for work in (lambda: evaluate_checks(checks), lambda: evaluate_drillings(drillings), Run().check):
        with budget.within(over), pytest.raises(DeadlinePassed):
            work()


def test_a_request_in_time_gives_the_same_bytes(drilled: dict[str, object]) -> None:
    import json

    from ballgauge_schemas import load_check_body
    from ballgauge_service.check.evaluate import evaluate_checks

    def answer() -> str:
        items, _ = load_check_body(json.loads(json.dumps(drilled)))
        return json.dumps(evaluate_checks(items))

    with budget.within(Deadline(600.0)):
        limited = answer()
    assert limited == answer()


def test_the_work_of_other_threads_counts_for_the_request() -> None:
    """Against the processor time that each thread says it took."""
    from ballgauge_service.core.bulk.threads import Threads

    limit = Deadline(600.0)
    with budget.within(limit):
        took = list(Threads(2).map(burn, 0.02, range(6)))
    assert sum(took) <= limit.spent <= 2 * sum(took) + 0.1


def burn(seconds: float, piece: int, check: Any) -> float:
    began = time.thread_time()
    while (taken := time.thread_time() - began) < seconds:
        pass
    return taken
