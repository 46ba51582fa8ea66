"""Aiming: the launch that brings each ball to a board at the pins.

The bowler keeps the line over the arrows: launch board and launch angle change together so that the straight
line of the launch crosses the same board at ARROWS (ours, after the common way to move).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas.shared import limits
from ballgauge_service.core.bulk import Bulk, Check, threads_here
from ballgauge_service.motion.balls import MotionBall
from ballgauge_service.motion.lanes import Lane
from ballgauge_service.motion.starts import ANGLE, BOARD, MotionSettings, Throw, run, to_board
from ballgauge_service.physics.motion import delivery as kernel
from ballgauge_service.physics.motion import notes
from ballgauge_service.physics.motion.film import BOARD_WIDTH

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

POCKET = 17.5
"""Board of the pocket at the head pin's row, from the bowler's side (common practice, no source)."""

WIDEST = 8.0
HALVINGS = 16
"""Launch angles [deg] searched on either side, and halvings of that range (ours)."""

ARROWS = 15.0
"""Distance of the arrows from the foul line [ft] (common practice, no source)."""

HIT = 0.1
"""How near to the wanted board [boards] counts as reached (ours)."""


def over_arrows(releases: Array, angles: Array) -> Array:
    """The releases, (n, 8), with other launch angles [deg], (n,), on the lines they have over the arrows."""
    moved = releases.copy()
    steps = np.tan(np.radians(angles)) - np.tan(np.radians(releases[:, ANGLE]))
    moved[:, ANGLE] = angles
    moved[:, BOARD] = np.clip(
        releases[:, BOARD] + 12.0 * ARROWS / BOARD_WIDTH * steps, *limits.RELEASE["launch_board"]
    )
    return moved


def aim(
    throws: Sequence[Throw], settings: MotionSettings, board: float = POCKET, bulk: Bulk | None = None
) -> tuple[Array, Flags]:
    """Launch angle [deg] for each throw's first release, (k,), and whether it brings the ball to the board.

    Bisection: a launch farther out ends nearer to the bowler's side. A ball in the far gutter counts as past
    the board, one in the near gutter as short of it. Each throw is aimed by itself, as a piece of bulk work.
    """
    lanes = list({id(throw.lane): throw.lane for throw in throws}.values())
    places = {id(lane): k for k, lane in enumerate(lanes)}
    pieces = [(throw.ball, throw.releases[:1], places[id(throw.lane)]) for throw in throws]
    found = list((bulk or threads_here()).map(aim_one, (lanes, settings, board), pieces))
    return np.array([angle for angle, _ in found]), np.array([hit for _, hit in found], np.bool_)


def aim_one(
    common: tuple[Sequence[Lane], MotionSettings, float], piece: tuple[MotionBall, Array, int], check: Check
) -> tuple[float, bool]:
    """Aim one throw; see `aim`. common: lanes, settings, board; piece: ball, release, place of its lane."""
    lanes, settings, board = common
    ball, release, place = piece
    throw = Throw(ball, release, lanes[place])
    low, high, middle, miss = -WIDEST, WIDEST, 0.0, np.inf
    for _ in range(HALVINGS):
        check()
        middle = 0.5 * (low + high)
        miss = _miss(throw, middle, settings, board)
        low, high = (middle, high) if miss > 0.0 else (low, middle)
    return middle, abs(miss) < HIT


def _miss(throw: Throw, angle: float, settings: MotionSettings, board: float) -> float:
    """How far past the board [boards] the first release ends at this launch angle [deg]."""
    aimed = replace(throw, releases=over_arrows(throw.releases, np.array([angle])))
    row = run([aimed], settings)[0][0]
    ended = float(to_board(row[notes.END_X], throw.ball.side))
    if row[notes.ENDING] != kernel.PINS:
        return 40.0 if ended > board else -40.0
    return ended - board
