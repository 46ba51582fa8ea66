"""From ball, release and lane to the kernels' first states and constants, and back to trade units."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.transform import Rotation

from ballgauge_schemas.shared import limits
from ballgauge_service.core.arrays import Array
from ballgauge_service.core.bulk import Bulk, Check, threads_here
from ballgauge_service.motion.balls import MotionBall
from ballgauge_service.motion.lanes import Lane
from ballgauge_service.motion.surfaces import MICROINCH_PER_FILM, FrictionModel, OilOnBall, surface_friction
from ballgauge_service.physics.motion import equations as eq
from ballgauge_service.physics.motion.delivery import INTERPRETING, deliver_rows
from ballgauge_service.physics.motion.film import BOARD_WIDTH, BOARDS
from ballgauge_service.physics.motion.notes import SUMMARY

MPH = 17.6
"""Inches a second in a mile an hour; exact."""

MIDDLE = 0.5 * (BOARDS + 1)
SPEED, REVS, ROTATION, TILT, ANGLE, BOARD, LOFT, PHASE = range(len(limits.RELEASE) + 1)

PIECE = 32
"""Deliveries of a piece of bulk work (ours): some ten milliseconds."""


@dataclass(frozen=True, slots=True)
class MotionSettings:
    """How a delivery is computed.

    path_error [in]: error of the path that is aimed at; largest_step [s]; rolling_resistance: torque over
    weight x radius, sliding or rolling (0: none); friction: constants of the friction curve; oil_on_ball:
    what the cover carries, or None: every revolution meets the lane with the same surface.
    """

    path_error: float = limits.PATH_ERROR
    largest_step: float = limits.LARGEST_STEP
    rolling_resistance: float = 0.0
    friction: FrictionModel = field(default_factory=FrictionModel)
    oil_on_ball: OilOnBall | None = None


USUAL = MotionSettings()


def to_board(x: ArrayLike, side: ArrayLike) -> Array:
    """Board counted from the bowler's side.

    Parameters
    ----------
    x : to the right of the lane's middle [in]
    side : 1 for a right-hander, -1 for a left-hander

    Returns
    -------
    boards, of the shape of `x`
    """
    board: Array = MIDDLE - np.asarray(side, float) * np.asarray(x, float) / BOARD_WIDTH
    return board


def from_board(board: ArrayLike, side: float) -> Array:
    """Place on the lane of a board counted from the bowler's side.

    Parameters
    ----------
    board : any shape
    side : 1 for a right-hander, -1 for a left-hander

    Returns
    -------
    to the right of the lane's middle [in]
    """
    place: Array = side * (MIDDLE - np.asarray(board, float)) * BOARD_WIDTH
    return place


def setup_row(ball: MotionBall, settings: MotionSettings, loft: float = 0.0) -> Array:
    """The kernels' constants of one ball.

    Parameters
    ----------
    ball : in the hand
    settings : how deliveries are computed
    loft : where it lands [ft]

    Returns
    -------
    (SETUP,), see `physics.motion.equations`
    """
    row = np.zeros(eq.SETUP)
    row[eq.RADIUS] = ball.radius
    row[eq.MOMENT : eq.MOMENT + 3] = ball.moments
    row[eq.OFFSET : eq.OFFSET + 3] = ball.axes @ np.array(ball.centre_of_mass)
    row[eq.INVERSE : eq.INVERSE + 3] = 1.0 / np.array(ball.moments)
    friction = surface_friction(ball.surface, settings.friction)
    row[eq.OILED], row[eq.DRY], row[eq.SCALE] = friction.oiled, friction.dry, friction.scale
    row[eq.RESISTANCE] = settings.rolling_resistance
    row[eq.LOFT] = 12.0 * loft
    row[eq.SIDE] = ball.side
    if (oil := settings.oil_on_ball) is not None:
        held = oil.capacity * friction.roughness / MICROINCH_PER_FILM
        row[eq.SPLIT], row[eq.HELD], row[eq.FOOTPRINT] = oil.split, held, oil.footprint
        row[eq.ABSORPTION] = oil.absorption
    return row


def _triad(first: Array, toward: Array) -> Array:
    """Right-handed unit axes as columns, (n, 3, 3): the second nearest to `toward`."""
    second = toward - np.sum(toward * first, axis=-1, keepdims=True) * first
    second /= np.linalg.norm(second, axis=-1, keepdims=True)
    return np.stack([first, second, np.cross(first, second)], axis=-1)


def first_states(ball: MotionBall, releases: Array) -> Array:
    """States at release of one ball thrown n ways.

    The spin's direction is the positive axis point's for a right-hander and its opposite for a left-hander;
    the point itself stands on the bowler's far side, turned back by the axis rotation and up by the tilt.

    Parameters
    ----------
    ball : in the hand
    releases : (n, 8), see `bowlers.release_row`

    Returns
    -------
    (n, STATE), see `physics.motion.equations`
    """
    side = ball.side
    n = len(releases)
    heading, turn, tilt = (np.radians(releases[:, part]) for part in (ANGLE, ROTATION, TILT))
    # The rotation counts from square to the travel, which the launch angle turns outward.
    around = turn - heading
    point = np.stack(
        [-side * np.cos(tilt) * np.cos(around), -np.cos(tilt) * np.sin(around), np.sin(tilt)], axis=1
    )
    back = np.stack([-side * np.sin(heading), -np.cos(heading), -np.ones(n)], axis=1)
    pap = np.array(ball.pap)
    grip = _triad(pap, np.array([0.0, 0.0, 1.0]))
    turned = _triad(point, back) @ grip.T @ ball.axes.T
    spin = side * (ball.axes @ pap)
    turned = turned @ Rotation.from_rotvec(np.radians(releases[:, PHASE, None]) * spin).as_matrix()
    states = np.zeros((n, eq.STATE))
    states[:, eq.X] = from_board(releases[:, BOARD], side)
    speed = MPH * releases[:, SPEED]
    states[:, eq.VX] = side * speed * np.sin(heading)
    states[:, eq.VY] = speed * np.cos(heading)
    states[:, eq.SPIN : eq.SPIN + 3] = releases[:, REVS, None] * (2.0 * np.pi / 60.0) * spin
    states[:, eq.TURN : eq.TURN + 4] = Rotation.from_matrix(turned).as_quat(scalar_first=True)
    return states


@dataclass(frozen=True, slots=True)
class Throw:
    """One ball thrown n ways on one lane; releases (n, 8), see `bowlers.release_row`.

    film_factor, (n,): of the film; frictions, (n, 3): oiled, dry and scale in place of the surface's.
    """

    ball: MotionBall
    releases: Array
    lane: Lane
    film_factor: Array | None = None
    frictions: Array | None = None


def run(throws: Sequence[Throw], settings: MotionSettings, bulk: Bulk | None = None) -> list[Array]:
    """Follow many deliveries in one batch, in pieces of PIECE.

    Parameters
    ----------
    throws : balls with their releases and lanes
    settings : how deliveries are computed
    bulk : who follows the deliveries; threads of this process unless given

    Returns
    -------
    the summaries of each throw, (n, SUMMARY), see `physics.motion.notes`

    Raises
    ------
    BulkUnavailable
    """
    states = np.concatenate([first_states(throw.ball, throw.releases) for throw in throws])
    setups = np.concatenate([_setups(throw, settings) for throw in throws])
    films: list[Array] = []
    which: list[int] = []
    seen: dict[int, int] = {}
    for throw in throws:
        if id(throw.lane) not in seen:
            seen[id(throw.lane)] = len(films)
            films.append(throw.lane.grid())
        which.extend([seen[id(throw.lane)]] * len(throw.releases))
    lanes = np.array(which, np.int64)
    common = (np.array(films), settings.path_error, settings.largest_step, INTERPRETING * len(states))
    pieces = [
        (states[k : k + PIECE], setups[k : k + PIECE], lanes[k : k + PIECE])
        for k in range(0, len(states), PIECE)
    ]
    rows = np.concatenate(list((bulk or threads_here()).map(follow_piece, common, pieces)))
    ends = np.cumsum([len(throw.releases) for throw in throws])
    return np.split(rows, ends[:-1])


def follow_here(throw: Throw, settings: MotionSettings, check: Check) -> Array:
    """Follow the deliveries of one throw in the calling thread, which may be one of bulk work.

    Parameters
    ----------
    throw : a ball with its releases and its lane
    settings : how deliveries are computed
    check : asked between deliveries

    Returns
    -------
    as of `run`, (n, SUMMARY)
    """
    n = len(throw.releases)
    states, lanes = first_states(throw.ball, throw.releases), np.zeros(n, np.int64)
    common = (throw.lane.grid()[None], settings.path_error, settings.largest_step, INTERPRETING * n)
    return follow_piece(common, (states, _setups(throw, settings), lanes), check)


def follow_piece(
    common: tuple[Array, float, float, float], piece: tuple[Array, Array, NDArray[np.int64]], check: Check
) -> Array:
    """Follow a piece of many deliveries.

    Parameters
    ----------
    common : films, path error [in], largest step [s], and how long the interpreter would take for all [s]
    piece : states (n, STATE), constants (n, SETUP), and of each the place of its film (n,)
    check : asked between deliveries

    Returns
    -------
    (n, SUMMARY)
    """
    states, setups, lanes = piece
    out = np.empty((len(states), SUMMARY))
    films, path_error, largest_step, seconds = common
    follow = deliver_rows.expecting(seconds)
    follow(0, len(states), states, setups, lanes, films, path_error, largest_step, out)
    return out


def _setups(throw: Throw, settings: MotionSettings) -> Array:
    """Constants of a throw's deliveries; a film factor divides the friction scale."""
    rows = np.tile(setup_row(throw.ball, settings), (len(throw.releases), 1))
    rows[:, eq.LOFT] = 12.0 * throw.releases[:, LOFT]
    if throw.frictions is not None:
        rows[:, [eq.OILED, eq.DRY, eq.SCALE]] = throw.frictions
    if throw.film_factor is not None:
        rows[:, eq.SCALE] /= throw.film_factor
    return rows
