"""Which difference between two balls causes how many boards at the pins.

Five traits are switched from the first ball's to the second's: rg, differential, ratio (intermediate over
total differential), layout, surface. Their effects depend on the order of switching; the share of a trait is
the mean of its effect over all 120 orders (Shapley, 1953), and the shares add up to the whole difference.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import factorial

import numpy as np

from ballgauge_schemas.shared import limits
from ballgauge_service.core.arrays import Array
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.motion.balls import MotionBall
from ballgauge_service.motion.bowlers import Bowler, phased
from ballgauge_service.motion.delivery import phase_range
from ballgauge_service.motion.lanes import Lane
from ballgauge_service.motion.starts import USUAL, MotionSettings, Throw, run, to_board
from ballgauge_service.motion.surfaces import drawn_frictions
from ballgauge_service.physics.motion import delivery as kernel
from ballgauge_service.physics.motion import notes
from ballgauge_service.physics.motion.film import BOARD_WIDTH

FRICTION_DRAWS = 64
"""Draws of uncertain frictions (ours): their standard deviation is then known to a tenth."""

TRAITS = ("rg", "differential", "ratio", "layout", "surface")


@dataclass(frozen=True, slots=True)
class Effects:
    """Boards that one trait causes: as `answer.METHOD` says; share_range: of the share, over all phases."""

    share: float
    share_range: list[float] | None
    alone: float
    last: float
    least: float
    greatest: float


@dataclass(frozen=True, slots=True)
class Explanation:
    """Boards at the pins of both balls, and what each trait causes of their difference.

    All are means over the phases of the grip; difference_range: of the difference, over all phases;
    friction_uncertainty: of the difference, one standard deviation, from what calibrated surfaces leave open.
    """

    board_first: float
    board_second: float
    difference: float
    difference_range: list[float] | None
    friction_uncertainty: float
    traits: dict[str, Effects]
    other_differences: float


def _ratio(ball: MotionBall) -> float:
    _, differential, intermediate = ball.numbers
    return intermediate / differential if differential > 0.0 else 0.0


def switched(first: MotionBall, second: MotionBall, traits: Sequence[str]) -> MotionBall:
    """The first ball with some traits of the second; the layout brings axes, mass center and axis point.

    Parameters
    ----------
    first, second : balls of one hand
    traits : names of TRAITS

    Returns
    -------
    the mixture

    Raises
    ------
    InvalidInput
        No ball can be such a mixture.
    """
    rg = (second if "rg" in traits else first).numbers[0]
    total = (second if "differential" in traits else first).numbers[1]
    high = rg + total
    between = high - min(_ratio(second if "ratio" in traits else first) * total, total)
    moments = (rg**2, between**2, high**2)
    if rg**2 + 2.0 * high**2 > 2.0 * first.radius**2:
        raise InvalidInput(
            [Fault("/explain", "a mixture of the two balls cannot be: their rg differ too much")]
        )
    mixed = replace(first, moments=moments)
    if "layout" in traits:
        mixed = replace(mixed, axes=second.axes, centre_of_mass=second.centre_of_mass, pap=second.pap)
    return replace(mixed, surface=second.surface) if "surface" in traits else mixed


def explain(
    first: MotionBall,
    second: MotionBall,
    lane: Lane,
    bowler: Bowler,
    settings: MotionSettings = USUAL,
    places: tuple[str, str] = ("/ball", "/explain/ball"),
) -> Explanation:
    """How many boards farther across the second ball finishes than the first, and what causes them.

    Parameters
    ----------
    first, second : balls of one hand
    lane : on which both are thrown
    bowler : with the usual release
    settings : how deliveries are computed
    places : where the request has the balls

    Returns
    -------
    the difference, and the effects of each trait

    Raises
    ------
    InvalidInput
        A ball leaves the lane, because its board then says nothing; a mixture cannot be.

    References
    ----------
    L. S. Shapley, A value for n-person games, Contributions to the Theory of Games II (1953), 307-317.
    """
    sets = [frozenset(chosen) for k in range(len(TRAITS) + 1) for chosen in combinations(TRAITS, k)]
    mixed = [switched(first, second, sorted(chosen)) for chosen in sets]
    releases = phased(bowler.release)
    throws = [Throw(ball, releases, lane) for ball in [*mixed, second]]
    rows = np.array(run(throws, settings))
    _refuse_lost((rows[:, :, notes.ENDING] != kernel.PINS).any(axis=1).tolist(), places)
    ended = to_board(rows[:, :, notes.END_X], throws[0].ball.side)
    board = dict(zip(sets, ended, strict=False))
    whole, none = frozenset(TRAITS), frozenset[str]()
    difference = ended[-1] - board[none]
    return Explanation(
        float(board[none].mean()),
        float(ended[-1].mean()),
        float(difference.mean()),
        phase_range(difference),
        _friction_uncertainty((throws[0], throws[-1]), settings),
        {trait: _effects(trait, board) for trait in TRAITS},
        float((ended[-1] - board[whole]).mean()),
    )


def _friction_uncertainty(ends: tuple[Throw, Throw], settings: MotionSettings) -> float:
    """Standard deviation of the boards between two balls over draws of their frictions."""
    drawn = drawn_frictions([throw.ball.surface for throw in ends], FRICTION_DRAWS, limits.DEFAULT_SEED)
    if all(draws is None for draws in drawn):
        return 0.0
    throws = [
        replace(throw, releases=np.tile(throw.releases[0], (FRICTION_DRAWS, 1)), frictions=draws)
        for throw, draws in zip(ends, drawn, strict=True)
    ]
    first, second = (rows[:, notes.END_X] for rows in run(throws, settings))
    return float(np.std(second - first, ddof=1) / BOARD_WIDTH)


def _effects(trait: str, board: dict[frozenset[str], Array]) -> Effects:
    """From the boards of every set of switched traits, (p,) each by phase."""
    n = len(TRAITS)
    effects, weights = [], []
    for before, value in board.items():
        if trait not in before:
            effects.append(board[before | {trait}] - value)
            weights.append(factorial(len(before)) * factorial(n - 1 - len(before)) / factorial(n))
    shares: Array = np.array(weights) @ effects
    means = [float(effect.mean()) for effect in effects]
    return Effects(float(shares.mean()), phase_range(shares), means[0], means[-1], min(means), max(means))


def _refuse_lost(lost: list[bool], places: tuple[str, str]) -> None:
    faults = [
        Fault(place, "this ball leaves the lane: aim it first")
        for place, one in zip(places, (lost[0], lost[-1]), strict=True)
        if one
    ]
    if any(lost) and not faults:
        faults = [Fault(places[1], "a mixture of the two balls leaves the lane: aim nearer to the middle")]
    if faults:
        raise InvalidInput(faults)
