"""One delivery, followed to its end."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.motion.balls import MotionBall
from ballgauge_service.motion.bowlers import Release, release_row
from ballgauge_service.motion.lanes import Lane, Wear, worn_lane
from ballgauge_service.motion.starts import USUAL, MotionSettings, first_states, setup_row, to_board
from ballgauge_service.physics.motion import delivery as kernel
from ballgauge_service.physics.motion import equations as eq
from ballgauge_service.physics.motion import notes
from ballgauge_service.physics.motion.sampled import deliver_sampled

Array = NDArray[np.float64]

ENDINGS = {
    kernel.PINS: "pins",
    kernel.GUTTER: "gutter",
    kernel.STOPPED: "stopped",
    kernel.UNRESOLVED: "unresolved",
    kernel.TIMED_OUT: "timed_out",
}

TRACK_SAMPLES = 201
"""Points of the track that wears the oil (ours)."""


@dataclass(frozen=True, slots=True)
class Delivery:
    """One ball thrown down one lane.

    row: the summary in the columns of `physics.motion.notes`, (SUMMARY,); rings, (r, RING); samples, evenly
    spaced in time, (m, SAMPLE) of `physics.motion.delivery`.
    """

    ball: MotionBall
    release: Release
    row: Array
    rings: Array
    samples: Array

    @property
    def ending(self) -> str:
        """How the path ends, one of ENDINGS."""
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
        """The end of each spin axis at the bowler's positive axis point, in the grip frame, (n, 3).

        spins, (n, 3), in the ball's principal axes. It is the spin's own end for a right-hander.
        """
        turned: Array = self.ball.side * spins @ self.ball.axes
        return turned


def deliver(
    ball: MotionBall, release: Release, lane: Lane, settings: MotionSettings = USUAL, samples: int = 0
) -> Delivery:
    """Roll one ball down one lane; samples: points of the path from release to its end."""
    state = first_states(ball, release_row(release)[None])[0]
    inputs = (state, setup_row(ball, settings, release.loft), lane.grid())
    limits = (settings.path_error, settings.largest_step)
    row, taken, rings = deliver_sampled(*inputs, np.empty(0), *limits)
    if samples:
        _, taken, _ = deliver_sampled(*inputs, np.linspace(0.0, row[notes.TIME], samples), *limits)
    return Delivery(ball, release, row, rings, taken)


def wear_lane(
    ball: MotionBall, release: Release, lane: Lane, wear: Wear, settings: MotionSettings = USUAL
) -> Lane:
    """The lane after deliveries of this ball and release over the track of the first (see `lanes.Wear`).

    Raises InvalidInput where the ball meets no oil.
    """
    first = deliver(ball, release, lane, settings, TRACK_SAMPLES)
    if first.distance <= release.loft:
        words = "the ball leaves the lane before it lands: it wears no oil"
        raise InvalidInput([Fault("/wear", words)])
    track = first.samples[first.samples[:, 1 + eq.Y] >= 12.0 * release.loft]
    return worn_lane(lane, track[:, 1 + eq.Y] / 12.0, to_board(track[:, 1 + eq.X], 1.0), wear)
