"""What a bowler's scatter and an uncertain oil film make of the same delivery, by seeded sampling."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ballgauge_schemas.shared import limits
from ballgauge_service.core.arrays import Array
from ballgauge_service.core.bulk import Bulk
from ballgauge_service.motion.aiming import Aim, aim
from ballgauge_service.motion.balls import MotionBall
from ballgauge_service.motion.bowlers import Bowler, scattered
from ballgauge_service.motion.delivery import Ends, Window
from ballgauge_service.motion.lanes import Lane
from ballgauge_service.motion.starts import USUAL, MotionSettings, Throw, run
from ballgauge_service.motion.surfaces import drawn_frictions

QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)


@dataclass(frozen=True, slots=True)
class Sampling:
    """How many deliveries, from which seed; the same seed gives the same deliveries.

    oil_uncertainty: relative standard uncertainty of the film, one factor for the whole lane a delivery
    (log-normal); aimed: whether the bowler first takes the launch that brings the ball into the window.
    """

    deliveries: int = limits.SPREAD_DELIVERIES
    seed: int = limits.DEFAULT_SEED
    oil_uncertainty: float = 0.0
    window: Window = field(default_factory=Window)
    aimed: bool = False


@dataclass(frozen=True, slots=True)
class Statistics:
    """Of what was observed: the standard deviation is the sample's (n - 1)."""

    count: int
    mean: float
    standard_deviation: float
    quantiles: dict[str, float]


@dataclass(frozen=True, slots=True)
class Spread:
    """How many deliveries ended, and how they were aimed where that was asked for."""

    ends: Ends
    sampling: Sampling
    aim: Aim | None


def spread(
    ball: MotionBall,
    bowler: Bowler,
    lane: Lane,
    sampling: Sampling,
    settings: MotionSettings = USUAL,
    bulk: Bulk | None = None,
) -> Spread:
    """Board and angle at the pins of many scattered deliveries.

    Parameters
    ----------
    ball : in the hand
    bowler : usual release and its scatter
    lane : on which it is thrown
    sampling : deliveries, seed and window
    settings : how deliveries are computed
    bulk : who follows the deliveries; threads of this process unless given

    Returns
    -------
    the ends of all deliveries

    Raises
    ------
    BulkUnavailable
    """
    n, seed = sampling.deliveries, sampling.seed
    found = aim([(ball, lane)], bowler, sampling.window, settings, bulk)[0] if sampling.aimed else None
    releases = scattered(found.release if found else bowler.release, bowler.scatter, n, seed)
    draws = np.random.Generator(np.random.PCG64([seed, 1])).standard_normal(n)
    factors = np.exp(sampling.oil_uncertainty * draws)
    (frictions,) = drawn_frictions([ball.surface], n, seed)
    rows = run([Throw(ball, releases, lane, factors, frictions)], settings, bulk)[0]
    return Spread(Ends(rows, ball), sampling, found)


def statistics(values: Array) -> Statistics | None:
    """Mean, standard deviation and quantiles of what is not NaN.

    Parameters
    ----------
    values : (n,)

    Returns
    -------
    None where fewer than two are known
    """
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
