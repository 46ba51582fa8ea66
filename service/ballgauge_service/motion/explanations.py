"""Which difference between two balls causes how many boards at the pins.

Five traits are switched from the first ball's to the second's: rg, differential, ratio (intermediate over
total differential), layout, surface. Their effects depend on the order of switching; the share of a trait is
the mean of its effect over all 120 orders (Shapley, 1953), and the shares add up to the whole difference.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations
from math import factorial
from typing import Any

import numpy as np

from ballgauge_service.core.refusal import refuse
from ballgauge_service.motion.balls import HANDS, BoxBall, box_ball
from ballgauge_service.motion.bowlers import Bowler, release_row
from ballgauge_service.motion.lanes import Lane
from ballgauge_service.motion.starts import Settings, Throw, run, to_board
from ballgauge_service.physics.motion import delivery as kernel
from ballgauge_service.physics.motion import notes

Group = dict[str, Any]

METHOD = (
    "share: mean effect over all orders of switching; alone: switched on the first ball only; last: switched "
    "when all others are; least and greatest: over all orders. Shares and other_differences (weight, size) "
    "add up to the difference."
)

TRAITS = ("rg", "differential", "ratio", "layout", "surface")


def _ratio(ball: BoxBall) -> float:
    return ball.intermediate_differential / ball.differential if ball.differential > 0.0 else 0.0


def switched(first: BoxBall, second: BoxBall, traits: Sequence[str]) -> BoxBall:
    """The first ball with the named traits of the second."""
    rg, total = first.rg, first.differential
    ratio = _ratio(second if "ratio" in traits else first)
    if "rg" in traits:
        rg = second.rg
    if "differential" in traits:
        total = second.differential
    mixed = replace(first, rg=rg, differential=total, intermediate_differential=min(ratio * total, total))
    if "layout" in traits:
        mixed = replace(
            mixed,
            pin_to_pap=second.pin_to_pap,
            drilling_angle=second.drilling_angle,
            val_angle=second.val_angle,
        )
    return replace(mixed, surface=second.surface) if "surface" in traits else mixed


def explain(
    first: BoxBall, second: BoxBall, lane: Lane, bowler: Bowler, settings: Settings | None = None
) -> Group:
    """How many boards farther across the second ball finishes than the first, and what causes them.

    Both are thrown with the bowler's usual release and laid out from the bowler's positive axis point. Raises
    InvalidMotion where a ball leaves the lane, because its board then says nothing.
    """
    held = [replace(ball, hand=bowler.hand, over=bowler.over, up=bowler.up) for ball in (first, second)]
    sets = [frozenset(chosen) for k in range(len(TRAITS) + 1) for chosen in combinations(TRAITS, k)]
    mixed = [switched(held[0], held[1], sorted(chosen)) for chosen in sets]
    usual = release_row(bowler.release)[None]
    throws = [Throw(box_ball(ball), usual, lane) for ball in [*mixed, held[1]]]
    rows = np.concatenate(run(throws, settings or Settings()))
    _refuse_lost(rows[:, notes.ENDING] != kernel.PINS)
    ended = to_board(rows[:, notes.END_X], HANDS[bowler.hand])
    board = dict(zip(sets, (float(value) for value in ended), strict=False))
    whole, none = frozenset(TRAITS), frozenset[str]()
    return {
        "board_first": board[none],
        "board_second": float(ended[-1]),
        "difference": float(ended[-1]) - board[none],
        "traits": {trait: _effects(trait, board) for trait in TRAITS},
        "other_differences": float(ended[-1]) - board[whole],
        "method": METHOD,
    }


def _effects(trait: str, board: dict[frozenset[str], float]) -> Group:
    n = len(TRAITS)
    effects, weights = [], []
    for before, value in board.items():
        if trait not in before:
            effects.append(board[before | {trait}] - value)
            weights.append(factorial(len(before)) * factorial(n - 1 - len(before)) / factorial(n))
    return {
        "share": float(np.dot(weights, effects)),
        "alone": effects[0],
        "last": effects[-1],
        "least": min(effects),
        "greatest": max(effects),
    }


def _refuse_lost(lost: Any) -> None:
    if lost[0]:
        refuse([("/first", "this ball leaves the lane: aim it first")])
    if lost[-1]:
        refuse([("/second", "this ball leaves the lane: aim it first")])
    if lost.any():
        refuse([("/second", "a mixture of the two balls leaves the lane: aim nearer to the middle")])
