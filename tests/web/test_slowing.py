"""Refusals that are held back: against a clock that is moved by hand."""

from __future__ import annotations

import itertools

from ballgauge_service.web.access.slowing import FREE, LEAST, LONGEST, RATE, Slowing


def test_who_keeps_being_refused_waits_and_nobody_else() -> None:
    slowing = Slowing(lambda: 0.0)
    assert [slowing.wait("a") for _ in range(FREE)] == [0.0] * FREE
    assert slowing.wait("a") >= LEAST
    assert slowing.wait("b") == 0.0


def test_a_minute_later_it_is_forgotten() -> None:
    now = 0.0
    slowing = Slowing(lambda: now)
    for _ in range(2 * FREE):
        slowing.wait("a")
    now = 61.0
    assert slowing.wait("a") == 0.0


def test_many_who_wait_are_told_one_after_another() -> None:
    """Against the rate: a flood of any size is told so many a second, until the longest wait."""
    slowing = Slowing(lambda: 0.0)
    waits = sorted(slowing.wait("a") for _ in range(FREE + 4000))[FREE:]
    assert waits[-1] == LONGEST
    below = [wait for wait in waits if wait < LONGEST]
    assert min(after - before for before, after in itertools.pairwise(below)) >= 0.99 / RATE
