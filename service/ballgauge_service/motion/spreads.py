"""What a bowler's scatter and an uncertain oil film make of the same delivery, by seeded sampling."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas.shared import limits
from ballgauge_service.core.bulk import Bulk
from ballgauge_service.core.refusal import is_number, number_problem, refuse
from ballgauge_service.motion.balls import HANDS, MotionBall
from ballgauge_service.motion.bowlers import Release, Scatter, is_whole, scattered
from ballgauge_service.motion.delivery import ENDINGS
from ballgauge_service.motion.lanes import Lane
from ballgauge_service.motion.starts import Settings, Throw, run, to_board
from ballgauge_service.physics.motion import delivery as kernel
from ballgauge_service.physics.motion import notes

Array = NDArray[np.float64]
Group = dict[str, Any]

MOST_DELIVERIES = 100_000
QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)


@dataclass(frozen=True)
class Window:
    """A window at the pins: board (low, high) from the bowler's side, and entry angle (low, high) [deg].

    The default is half a board about the pocket, and 4 to 8 degrees about the 6 degrees at which strikes are
    likeliest (Physics 18, 96 (2025)); its width is ours.
    """

    board: tuple[float, float] = limits.WINDOW_BOARD
    angle: tuple[float, float] = limits.WINDOW_ANGLE

    def __post_init__(self) -> None:
        problems = []
        for name in ("board", "angle"):
            ends = getattr(self, name)
            if len(ends) != 2 or not all(is_number(end) for end in ends) or not ends[0] < ends[1]:
                problems.append((f"/window/{name}", "must be two numbers, low and high, in rising order"))
        refuse(problems)


def spread(
    ball: MotionBall,
    release: Release,
    lane: Lane,
    scatter: Scatter | None = None,
    *,
    oil_uncertainty: float = 0.0,
    deliveries: int = 1000,
    seed: int = limits.DEFAULT_SEED,
    window: Window | None = None,
    settings: Settings | None = None,
    bulk: Bulk | None = None,
) -> Group:
    """Spread of entry board and angle over many deliveries, and the share of them inside a window.

    oil_uncertainty: relative standard uncertainty of the film, one factor for the whole lane a delivery
    (log-normal); seed: whole number from 0; the same seed gives the same deliveries; bulk: who follows
    them. Raises InvalidMotion, BulkUnavailable.
    """
    problems = []
    if not is_whole(deliveries, 2, MOST_DELIVERIES):
        problems.append(("/deliveries", f"must be a whole number from 2 to {MOST_DELIVERIES}"))
    if not is_whole(seed, 0, limits.SEED_MAXIMUM):
        problems.append(("/seed", f"must be a whole number from 0 to {limits.SEED_MAXIMUM}"))
    if words := number_problem(oil_uncertainty, 0.0, 1.0, ""):
        problems.append(("/oil_uncertainty", words))
    refuse(problems)
    chosen = window or Window()
    releases = scattered(release, scatter or Scatter(), deliveries, seed)
    throw = Throw(ball, releases, lane, film_factors(oil_uncertainty, deliveries, seed))
    rows = run([throw], settings or Settings(), bulk)[0]
    return {**_entries(rows, HANDS[ball.hand], chosen), "deliveries": deliveries, "seed": seed}


def film_factors(uncertainty: float, n: int, seed: int) -> Array:
    """N log-normal factors of the film with median 1, (n,)."""
    draws = np.random.Generator(np.random.PCG64([seed, 1])).standard_normal(n)
    factors: Array = np.exp(uncertainty * draws)
    return factors


def _entries(rows: Array, side: float, window: Window) -> Group:
    arrived = rows[:, notes.ENDING] == kernel.PINS
    board = to_board(rows[arrived, notes.END_X], side)
    angle = np.degrees(np.arctan2(-side * rows[arrived, notes.END_VX], rows[arrived, notes.END_VY]))
    inside = (board >= window.board[0]) & (board <= window.board[1])
    both = inside & (angle >= window.angle[0]) & (angle <= window.angle[1])
    n = len(rows)
    share = float(both.sum()) / n
    return {
        "entry_board": statistics(board),
        "entry_angle": statistics(angle),
        "endings": {name: int((rows[:, notes.ENDING] == code).sum()) for code, name in ENDINGS.items()},
        "window": {
            "board": list(window.board),
            "angle": list(window.angle),
            "share_on_board": float(inside.sum()) / n,
            "share": share,
            "standard_error": math.sqrt(share * (1.0 - share) / n),
            "meaning": "share of all deliveries that reach the pins inside the window, no chance of a strike",
        },
    }


def statistics(values: Array) -> Group | None:
    """Mean, standard deviation and quantiles of what was observed; None where there is too little."""
    known = values[np.isfinite(values)]
    if len(known) < 2:
        return None
    marks = np.quantile(known, QUANTILES)
    return {
        "count": len(known),
        "mean": float(known.mean()),
        "standard_deviation": float(known.std(ddof=1)),
        "quantiles": {f"{q:g}": float(mark) for q, mark in zip(QUANTILES, marks, strict=True)},
    }
