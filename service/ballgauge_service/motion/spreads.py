"""What a bowler's scatter and an uncertain oil film make of the same delivery, by seeded sampling."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas.shared import limits
from ballgauge_service.core.bulk import Bulk
from ballgauge_service.motion.balls import MotionBall
from ballgauge_service.motion.bowlers import Bowler, scattered
from ballgauge_service.motion.delivery import Turn, endings
from ballgauge_service.motion.lanes import Lane
from ballgauge_service.motion.starts import USUAL, MotionSettings, Throw, run, to_board
from ballgauge_service.physics.motion import delivery as kernel
from ballgauge_service.physics.motion import notes

Array = NDArray[np.float64]

QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)


@dataclass(frozen=True, slots=True)
class Window:
    """A window at the pins: board (low, high) from the bowler's side, and entry angle (low, high) [deg].

    The default is half a board about the pocket, and 4 to 8 degrees about the 6 degrees at which strikes are
    likeliest (Physics 18, 96 (2025)); its width is ours.
    """

    board: tuple[float, float] = limits.WINDOW_BOARD
    angle: tuple[float, float] = limits.WINDOW_ANGLE


@dataclass(frozen=True, slots=True)
class Sampling:
    """How many deliveries, from which seed; the same seed gives the same deliveries.

    oil_uncertainty: relative standard uncertainty of the film, one factor for the whole lane a delivery
    (log-normal).
    """

    deliveries: int = limits.SPREAD_DELIVERIES
    seed: int = limits.DEFAULT_SEED
    oil_uncertainty: float = 0.0
    window: Window = field(default_factory=Window)


@dataclass(frozen=True, slots=True)
class Statistics:
    """Of what was observed: the standard deviation is the sample's (n - 1)."""

    count: int
    mean: float
    standard_deviation: float
    quantiles: dict[str, float]


@dataclass(frozen=True, slots=True)
class Spread:
    """Board and entry angle [deg] of those that came to the pins, and how many ended in which way."""

    board: Array
    angle: Array
    endings: dict[str, int]
    sampling: Sampling

    def shares(self) -> tuple[float, float]:
        """Shares of all deliveries at the window's boards, and inside the whole of it."""
        (left, right), (low, high) = self.sampling.window.board, self.sampling.window.angle
        inside = (self.board >= left) & (self.board <= right)
        both = inside & (self.angle >= low) & (self.angle <= high)
        return float(inside.sum()) / self.sampling.deliveries, float(both.sum()) / self.sampling.deliveries


def spread(
    ball: MotionBall,
    bowler: Bowler,
    lane: Lane,
    sampling: Sampling,
    settings: MotionSettings = USUAL,
    bulk: Bulk | None = None,
) -> Spread:
    """Board and angle at the pins of many scattered deliveries.

    bulk: who follows them; threads of this process unless given. Raises BulkUnavailable.
    """
    n, seed = sampling.deliveries, sampling.seed
    releases = scattered(bowler.release, bowler.scatter, n, seed)
    draws = np.random.Generator(np.random.PCG64([seed, 1])).standard_normal(n)
    factors = np.exp(sampling.oil_uncertainty * draws)
    rows = run([Throw(ball, releases, lane, factors)], settings, bulk)[0]
    arrived = rows[rows[:, notes.ENDING] == kernel.PINS]
    angle = Turn(arrived, ball.side).heading
    return Spread(to_board(arrived[:, notes.END_X], ball.side), angle, endings(rows), sampling)


def statistics(values: Array) -> Statistics | None:
    """Mean, standard deviation and quantiles of what is not NaN; None where there is too little."""
    known = values[np.isfinite(values)]
    if len(known) < 2:
        return None
    marks = np.quantile(known, QUANTILES)
    return Statistics(
        len(known),
        float(known.mean()),
        float(known.std(ddof=1)),
        {f"{q:g}": float(mark) for q, mark in zip(QUANTILES, marks, strict=True)},
    )
