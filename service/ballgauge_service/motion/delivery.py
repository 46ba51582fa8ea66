"""One delivery, followed to its end."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas.shared import limits
from ballgauge_service.core.arrays import Array
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.motion.balls import MotionBall
from ballgauge_service.motion.bowlers import ROLL_PHASES, Release, phased
from ballgauge_service.motion.lanes import Lane, Wear, worn_lane
from ballgauge_service.motion.starts import (
    USUAL,
    MotionSettings,
    Throw,
    first_states,
    run,
    setup_row,
    to_board,
)
from ballgauge_service.physics.motion import delivery as kernel
from ballgauge_service.physics.motion import equations as eq
from ballgauge_service.physics.motion import notes
from ballgauge_service.physics.motion.film import LANE_LENGTH
from ballgauge_service.physics.motion.sampled import deliver_sampled

ENDINGS = {
    kernel.PINS: "pins",
    kernel.GUTTER: "gutter",
    kernel.STOPPED: "stopped",
    kernel.UNRESOLVED: "unresolved",
    kernel.TIMED_OUT: "timed_out",
}

PIN_RADIUS = 0.5 * 4.766
"""A pin's greatest radius [in] (USBC pin specification), nearly at the height of the ball's center."""

STEP = 5.0
"""Estimated work of one time step of a delivery [µs] (ours, measured and rounded up)."""

TRACK_SAMPLES = 201
"""Points of the track that wears the oil (ours)."""


@dataclass(frozen=True, slots=True)
class Delivery:
    """One ball thrown down one lane, at every phase of the grip that is asked for.

    rows: summaries of the phases in the columns of `physics.motion.notes`, (p, SUMMARY); of the first of them
    also rings, (r, RING), and samples, evenly spaced in time, (m, SAMPLE) of `physics.motion.delivery`.
    """

    ball: MotionBall
    release: Release
    rows: Array
    rings: Array
    samples: Array

    @property
    def row(self) -> Array:
        """Summary of the first phase, (SUMMARY,)."""
        first: Array = self.rows[0]
        return first

    @property
    def alike(self) -> Array:
        """Summaries of the phases that end as the first does, (q, SUMMARY)."""
        same: Array = self.rows[self.rows[:, notes.ENDING] == self.row[notes.ENDING]]
        return same

    @property
    def ending(self) -> str:
        """How the first path ends, one of ENDINGS."""
        return ENDINGS[int(self.row[notes.ENDING])]

    @property
    def distance(self) -> float:
        """Where the path ends [ft]."""
        return float(self.row[notes.END_Y] / 12.0)

    @property
    def board(self) -> float:
        """Where the path ends, counted from the bowler's side."""
        return float(to_board(self.row[notes.END_X], self.ball.side))

    @property
    def rolled(self) -> bool:
        """Whether it rolled without sliding at any time."""
        return bool(np.isfinite(self.row[notes.ROLL_START]))

    @property
    def steps(self) -> int:
        """Time steps that it took to compute."""
        return int(self.row[notes.STEPS_TAKEN])

    def axes(self, spins: Array) -> Array:
        """The ends of spin axes at the bowler's positive axis point, in the grip frame.

        It is the spin's own end for a right-hander.

        Parameters
        ----------
        spins : directions in the ball's principal axes, (n, 3)

        Returns
        -------
        unit vectors, (n, 3)
        """
        turned: Array = self.ball.side * spins @ self.ball.axes
        return turned


@dataclass(frozen=True, slots=True)
class Window:
    """A window at the pins: board (low, high) from the bowler's side, and entry angle (low, high) [deg].

    The board is that of the ball's center where it meets the head pin. The default is half a board about the
    pocket, and 4 to 8 degrees about the 6 degrees at which strikes are likeliest, 6 cm off the middle, on
    board 17.8 (Physics 18, 96 (2025)). Its width is ours.
    """

    board: tuple[float, float] = limits.WINDOW_BOARD
    angle: tuple[float, float] = limits.WINDOW_ANGLE


@dataclass(frozen=True, slots=True)
class Ends:
    """How deliveries of a ball turn and end: rows, (n, SUMMARY); angles in degrees, (n,) each."""

    rows: Array
    ball: MotionBall

    @property
    def side(self) -> float:
        """The bowler's."""
        return self.ball.side

    @property
    def arrived(self) -> NDArray[np.bool_]:
        """Whether the ball came to the pins."""
        found: NDArray[np.bool_] = self.rows[:, notes.ENDING] == kernel.PINS
        return found

    @property
    def board(self) -> Array:
        """Where the path ends, from the bowler's side."""
        return to_board(self.rows[:, notes.END_X], self.side)

    @property
    def contact_board(self) -> Array:
        """Where the ball's center is as it meets the head pin, or at its end where it passes the pin by.

        The last inches are taken as straight: the turn left in them moves the ball by under 0.01 board.
        """
        x, y = self.rows[:, notes.END_X], self.rows[:, notes.END_Y] - LANE_LENGTH
        vx, vy = self.rows[:, notes.END_VX], self.rows[:, notes.END_VY]
        speed = np.hypot(vx, vy)
        with np.errstate(invalid="ignore", divide="ignore"):
            along, aside = (x * vx + y * vy) / speed, (x * vy - y * vx) / speed
            back = along + np.sqrt((self.ball.radius + PIN_RADIUS) ** 2 - aside**2)
            met = np.where(np.isfinite(back) & self.arrived, x - back * vx / speed, x)
        return to_board(met, self.side)

    @property
    def heading(self) -> Array:
        """Direction at the end."""
        found: Array = np.degrees(
            np.arctan2(-self.side * self.rows[:, notes.END_VX], self.rows[:, notes.END_VY])
        )
        return found

    def inside(self, window: Window) -> tuple[float, float]:
        """Shares of all deliveries.

        Parameters
        ----------
        window : boards and angles at the head pin

        Returns
        -------
        at the window's boards, and inside the whole of it
        """
        board, angle = self.contact_board, self.heading
        on_board = self.arrived & (board >= window.board[0]) & (board <= window.board[1])
        both = on_board & (angle >= window.angle[0]) & (angle <= window.angle[1])
        return float(on_board.mean()), float(both.mean())

    @property
    def total(self) -> Array:
        """From the launch to the mean direction of rolling."""
        found: Array = -self.side * np.degrees(self.rows[:, notes.TURN_TOTAL])
        return found

    @property
    def left(self) -> Array:
        """What of it is not yet made; 0 once a ball has rolled."""
        found: Array = 0.0 - self.side * np.degrees(self.rows[:, notes.TURN_LEFT])
        return found

    @property
    def sharpness(self) -> Array:
        """Mean rate [deg/ft] from a quarter of the turn to nine tenths, or to the end where that is first."""
        rows, total = self.rows, np.abs(self.total)
        late = np.isfinite(rows[:, notes.TURN_END])
        made = np.where(late, notes.LATE * total, total - np.abs(self.left)) - notes.EARLY * total
        feet = (
            np.where(late, rows[:, notes.TURN_END], rows[:, notes.END_Y]) - rows[:, notes.TURN_START]
        ) / 12.0
        rate: Array = np.divide(made, feet, out=np.full(len(rows), np.nan), where=feet > 0.0)
        return rate


def phase_range(values: Array) -> list[float] | None:
    """Least and greatest over all phases, by the sine through the evenly spaced ones.

    Parameters
    ----------
    values : of one number at each phase, (p,)

    Returns
    -------
    None with a NaN
    """
    if not np.isfinite(values).all():
        return None
    low, high = float(values.min()), float(values.max())
    if len(values) == ROLL_PHASES:
        middle, swing = float(values.mean()), float(np.abs(np.fft.rfft(values)[1])) * 2.0 / ROLL_PHASES
        low, high = min(low, middle - swing), max(high, middle + swing)
    return [low, high]


def endings(rows: Array) -> dict[str, int]:
    """How many deliveries end in which way.

    Parameters
    ----------
    rows : summaries, (n, SUMMARY)

    Returns
    -------
    by the names of ENDINGS
    """
    return {name: int((rows[:, notes.ENDING] == code).sum()) for code, name in ENDINGS.items()}


def deliver(
    ball: MotionBall, release: Release, lane: Lane, settings: MotionSettings = USUAL, samples: int = 0
) -> Delivery:
    """Roll one ball down one lane at every phase.

    Parameters
    ----------
    ball : in the hand
    release : of the delivery
    lane : on which it is thrown
    settings : how deliveries are computed
    samples : points of the first path, to its end; 0 for none

    Returns
    -------
    what became of it
    """
    releases = phased(release)
    state = first_states(ball, releases[:1])[0]
    inputs = (state, setup_row(ball, settings, release.loft), lane.grid())
    accuracy = (settings.path_error, settings.largest_step)
    row, taken, rings = deliver_sampled(*inputs, np.empty(0), *accuracy)
    if samples:
        _, taken, _ = deliver_sampled(*inputs, np.linspace(0.0, row[notes.TIME], samples), *accuracy)
    others = (
        run([Throw(ball, releases[1:], lane)], settings)[0] if len(releases) > 1 else np.empty((0, len(row)))
    )
    return Delivery(ball, release, np.concatenate([row[None], others]), rings, taken)


def wear_lane(
    ball: MotionBall, release: Release, lane: Lane, wear: Wear, settings: MotionSettings = USUAL
) -> Lane:
    """The lane after deliveries of one ball and release over the track of the first (see `lanes.Wear`).

    Parameters
    ----------
    ball : in the hand
    release : of them
    lane : before them
    wear : deliveries, and what each takes
    settings : how deliveries are computed

    Returns
    -------
    the lane

    Raises
    ------
    InvalidInput
        The ball meets no oil.
    """
    first = deliver(ball, release.at_one_phase, lane, settings, TRACK_SAMPLES)
    if first.distance <= release.loft:
        words = "the ball leaves the lane before it lands: it wears no oil"
        raise InvalidInput([Fault("/wear", words)])
    track = first.samples[first.samples[:, 1 + eq.Y] >= 12.0 * release.loft]
    return worn_lane(lane, track[:, 1 + eq.Y] / 12.0, to_board(track[:, 1 + eq.X], 1.0), wear)
