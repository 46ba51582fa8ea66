"""Aiming in two dimensions: the line and the launch angle that bring a ball to the pocket.

A bowler moves across the lane by whole lines. On each line, launch board and launch angle change together so
that the straight line of the launch crosses the same board at ARROWS (ours, after the common way to move).
Taken is the line on which the greatest share of the bowler's deliveries comes into a window, less what is
lost into the gutter and MOVED for each board away from the bowler's own line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from ballgauge_schemas.shared import limits
from ballgauge_service.core.arrays import Array
from ballgauge_service.core.bulk import Bulk, Check, threads_here
from ballgauge_service.motion.balls import MotionBall
from ballgauge_service.motion.bowlers import Bowler, Release, phased, release_row, scattered
from ballgauge_service.motion.delivery import Ends, Window
from ballgauge_service.motion.lanes import Lane
from ballgauge_service.motion.starts import ANGLE, BOARD, MotionSettings, Throw, follow_here
from ballgauge_service.physics.motion.film import BOARD_WIDTH

ARROWS = 15.0
"""Distance of the arrows from the foul line [ft] (common practice, no source)."""

LINES = np.array([0.0, -4.0, 4.0, -8.0, 8.0, -12.0, 12.0, 16.0])
"""Lines that are tried [boards at the arrows from the bowler's own] (ours)."""

MOVED = 0.01
"""Share of deliveries in the window that a bowler gives up to stay a board nearer to the own line (ours)."""

HALVINGS, SCATTERED, FINE_HALVINGS, FINE = 7, 6, 7, 0.3
"""How often the range of angles is halved on every line, deliveries that judge a line, and halvings on the
line that is taken, of FINE [deg] to either side (ours)."""

COARSE = MotionSettings(path_error=0.01, largest_step=limits.LARGEST_STEPS[1])
"""Accuracy while aiming (ours): under a thousandth of a board at the pins, in less than half the time."""

NEAR, HIT = 4.0, 0.1
"""How near to the wanted board [boards] a line must come to be taken, and counts as reached (ours)."""


@dataclass(frozen=True, slots=True)
class Aim:
    """The aimed release, and whether it brings the ball to the middle of the window within usual launches."""

    release: Release
    reached: bool


def on_lines(release: Release, lines: Array, angles: Array) -> Array:
    """A release on several lines at several launch angles.

    Parameters
    ----------
    release : the usual one
    lines : from its own at the arrows, (n,) [boards]
    angles : of launch, (n,) [deg]

    Returns
    -------
    (n, 8), see `bowlers.release_row`
    """
    moved = np.tile(release_row(release), (len(angles), 1))
    steps = np.tan(np.radians(angles)) - np.tan(np.radians(release.launch_angle))
    moved[:, ANGLE] = angles
    boards = release.launch_board + lines + 12.0 * ARROWS / BOARD_WIDTH * steps
    moved[:, BOARD] = np.clip(boards, *limits.RELEASE["launch_board"])
    return moved


def aim(
    balls: Sequence[tuple[MotionBall, Lane]],
    bowler: Bowler,
    window: Window,
    settings: MotionSettings,
    bulk: Bulk | None = None,
) -> list[Aim]:
    """Aim each ball on its lane by itself, as a piece of bulk work.

    Parameters
    ----------
    balls : each with its lane
    bowler : who throws them
    window : what is aimed at
    settings : how deliveries are computed
    bulk : who follows the deliveries; threads of this process unless given

    Returns
    -------
    one each; see `aim_one`

    Raises
    ------
    BulkUnavailable
    """
    lanes = list({id(lane): lane for _, lane in balls}.values())
    places = {id(lane): k for k, lane in enumerate(lanes)}
    pieces = [(ball, places[id(lane)]) for ball, lane in balls]
    coarse = replace(
        settings, path_error=max(COARSE.path_error, settings.path_error), largest_step=COARSE.largest_step
    )
    return list((bulk or threads_here()).map(aim_one, (lanes, bowler, window, coarse), pieces))


def aim_one(
    common: tuple[Sequence[Lane], Bowler, Window, MotionSettings], piece: tuple[MotionBall, int], check: Check
) -> Aim:
    """Aim one ball: bisection on every line.

    A launch farther out ends nearer to the bowler's side. A ball in the far gutter counts as past the window,
    one in the near gutter as short of it.

    Parameters
    ----------
    common : lanes, bowler, window, settings
    piece : the ball, and the place of its lane
    check : asked between deliveries

    Returns
    -------
    the release, and whether it reaches the window
    """
    lanes, bowler, window, settings = common
    ball, place = piece
    goal = 0.5 * (window.board[0] + window.board[1])
    usual = bowler.release

    def thrown(releases: Array) -> Ends:
        check()
        return Ends(follow_here(Throw(ball, releases, lanes[place]), settings, check), ball)

    def misses(releases: Array) -> Array:
        ends = thrown(releases)
        past = ends.contact_board - goal
        return np.where(ends.arrived, past, np.copysign(40.0, past))

    low, high = (np.full(len(LINES), end) for end in limits.USUAL_RELEASE["launch_angle"])
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        far = misses(on_lines(usual, LINES, middle)) > 0.0
        low, high = np.where(far, middle, low), np.where(far, high, middle)
    angles = 0.5 * (low + high)
    launches = on_lines(usual, LINES, angles)
    away = scattered(usual, bowler.scatter, SCATTERED, limits.DEFAULT_SEED) - release_row(usual)
    judged = thrown((launches[:, None, :] + away).reshape(-1, launches.shape[1]))
    merit = _merit(judged, window) - MOVED * np.abs(LINES)
    least, greatest = limits.USUAL_RELEASE["launch_board"]
    usable = (launches[:, BOARD] >= least) & (launches[:, BOARD] <= greatest)
    usable &= np.abs(misses(launches)) < NEAR
    best = int(np.argmax(np.where(usable, merit, merit - 10.0)))
    ends = [angles[best] - FINE, angles[best] + FINE]
    low_end, high_end = np.clip(ends, *limits.USUAL_RELEASE["launch_angle"])
    phases = phased(usual)[::2, -1]
    for _ in range(FINE_HALVINGS):
        angle = 0.5 * (low_end + high_end)
        releases = on_lines(usual, np.full(len(phases), LINES[best]), np.full(len(phases), angle))
        releases[:, -1] = phases
        miss = float(misses(releases).mean())
        low_end, high_end = (angle, high_end) if miss > 0.0 else (low_end, angle)
    aimed = replace(usual, launch_angle=float(angle), launch_board=float(releases[0, BOARD]))
    return Aim(aimed, bool(usable[best]) and abs(miss) < HIT)


def _merit(ends: Ends, window: Window) -> Array:
    """Share in the window less the share lost, of SCATTERED deliveries a line: as of a normal distribution.

    The board is centerd on the window's middle, where fine aiming brings it.
    """
    arrived = ends.arrived.reshape(-1, SCATTERED)
    boards, angles = (
        np.where(arrived, values.reshape(-1, SCATTERED), np.nan)
        for values in (ends.contact_board, ends.heading)
    )
    found = np.full(len(arrived), -1.0)
    known = arrived.sum(axis=1) > 2
    across = np.maximum(np.nanstd(boards[known], axis=1, ddof=1), 1e-6)
    turn = np.maximum(np.nanstd(angles[known], axis=1, ddof=1), 1e-6)
    mean = np.nanmean(angles[known], axis=1)
    half = 0.5 * (window.board[1] - window.board[0])
    on_board = 2.0 * ndtr(half / across) - 1.0
    at_angle = ndtr((window.angle[1] - mean) / turn) - ndtr((window.angle[0] - mean) / turn)
    found[known] = on_board * at_angle - (1.0 - arrived[known].mean(axis=1))
    return found
