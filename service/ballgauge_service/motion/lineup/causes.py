"""Which traits of two balls cause how much of the difference in where they read and what they cover.

Traits are swapped one at a time from both ends: on the reference, with nothing else changed, and last, with
all else changed. A trait's effect is the mean of both, which is its Shapley value (1953) where traits act
singly and in pairs; what only three or more do together is told as `together`. All effects add up to the
difference.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ballgauge_schemas.shared.words import PLACED, TRAITS
from ballgauge_service.core.arrays import Array
from ballgauge_service.core.bulk import Bulk
from ballgauge_service.motion.aiming import Aim
from ballgauge_service.motion.balls import MotionBall
from ballgauge_service.motion.bowlers import phased
from ballgauge_service.motion.delivery import Ends
from ballgauge_service.motion.lineup.request import LineupRequest
from ballgauge_service.motion.starts import Throw, run, to_board
from ballgauge_service.physics.motion import notes

TOGETHER = "together"

SAME = 1e-9
"""Numbers of two balls [in] that differ by less are the same (ours): a rounding of their roots."""

Causes = dict[str, dict[str, float]]
"""Of reads [ft] and covers [boards]: the effect of each trait that differs, and of several together."""


def swapped(first: MotionBall, second: MotionBall, traits: Sequence[str]) -> MotionBall:
    """The first ball with the named traits of the second.

    Parameters
    ----------
    first, second : MotionBall
    traits : sequence of str, of `words.TRAITS`

    Returns
    -------
    MotionBall
    """
    rg, differential, intermediate = (
        (second if name in traits else first).numbers[k] for k, name in enumerate(TRAITS[1:4])
    )
    high = rg + differential
    mixed = replace(first, moments=(rg**2, (high - min(intermediate, differential)) ** 2, high**2))
    if "cover" in traits:
        mixed = replace(mixed, surface=second.surface)
    if "layout" in traits:
        mixed = replace(mixed, axes=second.axes, centre_of_mass=second.centre_of_mass, pap=second.pap)
    return replace(mixed, radius=second.radius) if "size" in traits else mixed


def differing(first: MotionBall, second: MotionBall) -> list[str]:
    """The traits in which two balls differ.

    Parameters
    ----------
    first, second : MotionBall

    Returns
    -------
    list of str, in the order of `words.TRAITS`
    """
    same = {
        "cover": first.surface == second.surface,
        **{
            name: math.isclose(first.numbers[k], second.numbers[k], abs_tol=SAME)
            for k, name in enumerate(TRAITS[1:4])
        },
        "layout": np.array_equal(first.axes, second.axes)
        and first.centre_of_mass == second.centre_of_mass
        and first.pap == second.pap,
        "size": first.radius == second.radius,
    }
    return [name for name in TRAITS if not same[name]]


@dataclass(frozen=True, slots=True)
class _Swap:
    """One mixture to be thrown: of which column and ball, which traits of it on the reference."""

    column: int
    ball: int
    traits: tuple[str, ...]


def causes(
    asked: LineupRequest,
    held: Sequence[MotionBall],
    aims: Sequence[Aim],
    wanted: Sequence[tuple[int, int]],
    bulk: Bulk | None,
) -> dict[tuple[int, int], Causes]:
    """Of each column and ball that is wanted: what causes its difference to the reference.

    By the launch itself, in the mean over the phases of the grip.

    Parameters
    ----------
    asked : LineupRequest
    held : sequence of MotionBall, each as the bowler holds it
    aims : sequence of Aim, one a lane
    wanted : sequence of (column, ball)
    bulk : who follows the deliveries

    Returns
    -------
    Causes by (column, ball); none of a ball of which a mixture with the reference does not come to the pins

    References
    ----------
    Shapley, A value for n-person games, 1953, from memory: exact where traits act singly and in pairs.
    """
    first = held[asked.reference]
    traits = {ball: differing(first, held[ball]) for _, ball in wanted}
    swaps = list(dict.fromkeys(_swaps(asked.reference, wanted, traits)))
    throws = [
        Throw(
            swapped(first, held[swap.ball], swap.traits),
            phased(aims[asked.columns[swap.column].group].release),
            asked.columns[swap.column].lane,
        )
        for swap in swaps
    ]
    thrown = run(throws, asked.settings, bulk) if throws else []
    means = {swap: _means(Ends(rows, first)) for swap, rows in zip(swaps, thrown, strict=True)}
    found = {
        (column, ball): _causes(column, ball, asked.reference, traits[ball], means) for column, ball in wanted
    }
    return {place: each for place, each in found.items() if each is not None}


def _swaps(
    reference: int, wanted: Sequence[tuple[int, int]], traits: Mapping[int, Sequence[str]]
) -> Iterator[_Swap]:
    """What is thrown: the reference, each trait of a ball alone, all but each, and all."""
    for column, ball in wanted:
        own = traits[ball]
        yield _Swap(column, reference, ())
        for each in (*((one,) for one in own), *(_without(own, one) for one in own), tuple(own)):
            if each:
                yield _Swap(column, ball, each)


def _without(traits: Sequence[str], one: str) -> tuple[str, ...]:
    return tuple(each for each in traits if each != one)


def _means(ends: Ends) -> Array:
    """Reads [ft] and covers [boards], (2,), in the mean over the phases; NaN where one is lost."""
    if not ends.arrived.all():
        return np.full(2, np.nan)
    covers = ends.board - to_board(ends.rows[:, notes.TURN_START_X], ends.side)
    return np.array([ends.rows[:, notes.TURN_START].mean() / 12.0, covers.mean()])


def _causes(
    column: int, ball: int, reference: int, traits: Sequence[str], means: Mapping[_Swap, Array]
) -> Causes | None:
    def at(*chosen: str) -> Array:
        return means[_Swap(column, ball if chosen else reference, chosen)]

    whole = at(*traits) - at()
    effects = {each: 0.5 * (at(each) - at() + at(*traits) - at(*_without(traits, each))) for each in traits}
    if len(traits) > 2:
        effects[TOGETHER] = whole - sum(effects.values())
    if not all(np.isfinite(effect).all() for effect in effects.values()):
        return None
    return {
        measure: {each: float(effect[k]) for each, effect in effects.items()}
        for k, measure in enumerate(PLACED)
    }
