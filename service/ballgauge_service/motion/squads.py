"""A squad on a lane: bowlers in turn, and the lane and every bowler's ball after each game.

Every shot is thrown on the film that the shots before left. Where covers carry oil
(`physics.motion.cover`), depletion and carry-down follow from it, and no oil is lost: what is no longer on
the lane was on a cover, from which it is wiped before the next shot, or was drawn in. Else the film wears by
`lanes.Wear`, one shot at a time along its own path.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ballgauge_schemas.shared import limits
from ballgauge_service.core.arrays import Array
from ballgauge_service.core.bulk import Bulk
from ballgauge_service.motion.aiming import Aim, aim
from ballgauge_service.motion.balls import MotionBall
from ballgauge_service.motion.bowlers import Bowler, Release, phased, scattered
from ballgauge_service.motion.delivery import TRACK_SAMPLES, Ends, Window
from ballgauge_service.motion.lanes import CELL_AREA, CELL_FEET, Lane, Wear, worn_lane
from ballgauge_service.motion.starts import (
    LOFT,
    MotionSettings,
    Throw,
    first_states,
    run,
    setup_row,
    to_board,
)
from ballgauge_service.physics.motion import equations as eq
from ballgauge_service.physics.motion import notes
from ballgauge_service.physics.motion.film import MARGIN
from ballgauge_service.physics.motion.sampled import deliver_sampled, deliver_taking


@dataclass(frozen=True, slots=True)
class Member:
    """One of a squad: a bowler with the ball that he or she throws; own: it is the request's."""

    bowler: Bowler
    ball: MotionBall
    own: bool


@dataclass(frozen=True, slots=True)
class Squad:
    """Members, the order of their turns (places in members, (t,)), rounds of turns a game, and games.

    aimed: whether each first takes the line and launch that bring the ball to the pocket of the fresh lane.
    """

    members: tuple[Member, ...]
    order: tuple[int, ...]
    shots: int = limits.SQUAD_SHOTS
    games: int = limits.SQUAD_GAMES
    seed: int = limits.DEFAULT_SEED
    aimed: bool = False


@dataclass(frozen=True, slots=True)
class State:
    """The lane after so many shots in all, and what became of its oil.

    on_balls, absorbed [mL]: since the fresh lane. places: of every member, its usual release at every phase
    on this lane with a clean ball; thrown: of every member, the shots of the game before, (n, SUMMARY).
    """

    shots: int
    lane: Lane
    on_balls: float
    absorbed: float
    places: list[Ends]
    thrown: list[Ends]


@dataclass(frozen=True, slots=True)
class Played:
    """What a squad did: releases and aims of its members, states before the first and after every game."""

    squad: Squad
    releases: list[Release]
    aims: list[Aim] | None
    states: list[State]
    carrying: bool

    @property
    def fresh(self) -> Lane:
        """The lane before the first shot."""
        return self.states[0].lane


def beyond(lane: Lane) -> float:
    """Oil beyond the end of the pattern.

    Parameters
    ----------
    lane : after some shots

    Returns
    -------
    [mL]
    """
    return float(lane.cells[lane.length < CELL_FEET].sum()) * CELL_AREA * 1e-3


def play(
    squad: Squad,
    lane: Lane,
    settings: MotionSettings,
    wear: Wear,
    check: Callable[[], None] = lambda: None,
    bulk: Bulk | None = None,
) -> Played:
    """Let a squad bowl its games.

    Parameters
    ----------
    squad : bowlers, balls and turns
    lane : before the first shot
    settings : how deliveries are computed
    wear : of one shot, where covers carry no oil
    check : asked before every shot
    bulk : who follows the deliveries; threads of this process unless given

    Returns
    -------
    the lane and every bowler's place, before the first and after every game

    Raises
    ------
    BulkUnavailable
    """
    members = squad.members
    aims = None
    if squad.aimed:
        aims = [aim([(member.ball, lane)], member.bowler, Window(), settings, bulk)[0] for member in members]
    releases = [aims[k].release if aims else member.bowler.release for k, member in enumerate(members)]
    total = squad.shots * squad.games
    thrown = [
        scattered(release, member.bowler.scatter, total * squad.order.count(k), squad.seed + k)
        for k, (member, release) in enumerate(zip(members, releases, strict=True))
    ]
    turns = [0] * len(members)
    shot = _carrying_shot if settings.oil_on_ball is not None else _wearing_shot
    on_balls, absorbed = 0.0, 0.0
    states = [State(0, lane, 0.0, 0.0, _places(squad, releases, lane, settings, bulk), [])]
    for game in range(squad.games):
        rows: list[list[Array]] = [[] for _ in members]
        for _ in range(squad.shots):
            for k in squad.order:
                check()
                release = thrown[k][turns[k]]
                turns[k] += 1
                before = lane.volume
                row, lane, left = shot(members[k].ball, release, lane, settings, wear)
                rows[k].append(row)
                on_balls += left
                absorbed += before - lane.volume - left
        ends = [Ends(np.array(each), member.ball) for each, member in zip(rows, members, strict=True)]
        count = (game + 1) * squad.shots * len(squad.order)
        places = _places(squad, releases, lane, settings, bulk)
        states.append(State(count, lane, on_balls, absorbed, places, ends))
    return Played(squad, releases, aims, states, settings.oil_on_ball is not None)


def _places(
    squad: Squad, releases: list[Release], lane: Lane, settings: MotionSettings, bulk: Bulk | None
) -> list[Ends]:
    throws = [
        Throw(member.ball, phased(release), lane)
        for member, release in zip(squad.members, releases, strict=True)
    ]
    return [Ends(rows, throw.ball) for rows, throw in zip(run(throws, settings, bulk), throws, strict=True)]


def _carrying_shot(
    ball: MotionBall, release: Array, lane: Lane, settings: MotionSettings, _wear: Wear
) -> tuple[Array, Lane, float]:
    """One shot of a cover that begins clean: its summary, the lane after it, the oil on the ball [mL].

    A film is taken as it was when the ball came, so that a very wide ring may ask a cell for more than it
    has: it gives what it has.
    """
    state = first_states(ball, release[None])[0]
    setup = setup_row(ball, settings, release[LOFT])
    row, change, left = deliver_taking(state, setup, lane.grid(), settings.path_error, settings.largest_step)
    cells = np.maximum(lane.cells + change[MARGIN:-MARGIN, MARGIN:-MARGIN], 0.0)
    after = replace(lane, cells=cells)
    taken = lane.volume - after.volume
    return row, after, min(1e-3 * left, taken) if setup[eq.ABSORPTION] > 0.0 else taken


def _wearing_shot(
    ball: MotionBall, release: Array, lane: Lane, settings: MotionSettings, wear: Wear
) -> tuple[Array, Lane, float]:
    """One shot that wears the film along its own path: as `_carrying_shot`."""
    inputs = (first_states(ball, release[None])[0], setup_row(ball, settings, release[LOFT]), lane.grid())
    accuracy = (settings.path_error, settings.largest_step)
    row, _, _ = deliver_sampled(*inputs, np.empty(0), *accuracy)
    _, samples, _ = deliver_sampled(*inputs, np.linspace(0.0, row[notes.TIME], TRACK_SAMPLES), *accuracy)
    track = samples[samples[:, 1 + eq.Y] >= 12.0 * release[LOFT]]
    if len(track) < 2:
        return row, lane, 0.0
    worn = worn_lane(lane, track[:, 1 + eq.Y] / 12.0, to_board(track[:, 1 + eq.X], 1.0), wear)
    after = replace(lane, cells=worn.cells)
    return row, after, lane.volume - after.volume
