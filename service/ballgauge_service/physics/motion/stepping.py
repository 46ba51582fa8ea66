"""One Runge-Kutta step of a ball's state, its error, and interpolation inside it."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.arrays import Array
from ballgauge_service.core.compiled import compiled
from ballgauge_service.physics.motion.coefficients import FIFTH, STAGES, STEPS, THIRD
from ballgauge_service.physics.motion.equations import (
    RADIUS,
    ROLL,
    SPIN,
    SPUN,
    STATE,
    TURN,
    VX,
    VY,
    derivative,
    lane_axes,
    triple,
)
from ballgauge_service.physics.sphere import dot


class Ride(NamedTuple):
    """Arrays of a delivery under way.

    setup (SETUP,), film (ROWS, COLUMNS), direction (3,) of a slip that begins, and what oil the cover brought
    to the step before; state and new (STATE,) at the
    ends of the present step; slopes (STAGES + 1, STATE), of which the first row is the derivative at `state`
    and the last that at `new`; scale (STATE,), the error allowed to a step; kept (2, STATE) room; history and
    rings: what was noted so far; counts (5,): nodes, rings, grips, steps, marks; summary (SUMMARY,). Of oil
    on the cover: marks (MOST_MARKS, MARK) and near (MOST_PASSES,) of `cover`; taken (ROWS, COLUMNS): the
    change of the film, or (0, 0) where nobody asks.
    """

    setup: Array
    film: Array
    direction: Array
    state: Array
    new: Array
    slopes: Array
    scale: Array
    kept: Array
    history: Array
    rings: Array
    counts: NDArray[np.int64]
    summary: Array
    marks: Array
    near: NDArray[np.int64]
    taken: Array


@compiled
def set_scale(ride: Ride, tolerance: float) -> None:
    """Set the error allowed to one step.

    Lengths get the tolerance, speeds the tolerance a second, spins and angles the same at the ball's
    surface; the energy books the tolerance times a ball's usual speed (all ours).

    Parameters
    ----------
    ride : Ride
    tolerance : float, path error wanted [in]
    """
    ride.scale[:] = tolerance
    ride.scale[SPIN : TURN + 4] = tolerance / ride.setup[RADIUS]
    ride.scale[SPUN - 2 : SPUN] = 100.0 * tolerance


@compiled
def trial(phase: float, ride: Ride, h: float) -> float:
    """Step from ride.state into ride.new.

    Parameters
    ----------
    phase : float
    ride : Ride
    h : float [s]

    Returns
    -------
    float, the error in units of ride.scale
    """
    slopes = ride.slopes
    state = ride.state
    new = ride.new
    for stage in range(1, STAGES + 1):
        for k in range(STATE):
            new[k] = 0.0
        for j in range(stage):
            weight = STEPS[stage, j]
            if weight != 0.0:
                for k in range(STATE):
                    new[k] += weight * slopes[j, k]
        for k in range(STATE):
            new[k] = state[k] + h * new[k]
        if stage == STAGES:
            settle(phase, ride.setup, new)
        derivative(phase, new, ride.setup, ride.film, ride.direction, slopes[stage])
    return _error(ride, h)


@compiled
def _error(ride: Ride, h: float) -> float:
    fifth = 0.0
    third = 0.0
    for k in range(STATE):
        five = 0.0
        three = 0.0
        for j in range(STAGES):
            five += FIFTH[j] * ride.slopes[j, k]
            three += THIRD[j] * ride.slopes[j, k]
        fifth += (five / ride.scale[k]) * (five / ride.scale[k])
        third += (three / ride.scale[k]) * (three / ride.scale[k])
    if fifth == 0.0 and third == 0.0:
        return 0.0
    return h * fifth / math.sqrt(STATE * (fifth + 0.01 * third))


@compiled
def settle(phase: float, setup: Array, state: Array) -> None:
    """Put a state back on its constraints: a unit quaternion, and in rolling the velocity of the spin.

    Parameters
    ----------
    phase : float
    setup : (SETUP,) array
    state : (STATE,) array, changed
    """
    size = 0.0
    for k in range(TURN, TURN + 4):
        size += state[k] * state[k]
    size = 1.0 / math.sqrt(size)
    for k in range(TURN, TURN + 4):
        state[k] *= size
    if phase == ROLL:
        x, y, _ = lane_axes(state)
        w = triple(state, SPIN)
        state[VX] = setup[RADIUS] * dot(w, y)
        state[VY] = -setup[RADIUS] * dot(w, x)


@compiled
def hermite(share: float, h: float, a: float, rate_a: float, b: float, rate_b: float) -> float:
    """Value inside a step by cubic Hermite interpolation.

    Parameters
    ----------
    share : float, of the step
    h : float, the step
    a, rate_a, b, rate_b : float, values and rates at its ends

    Returns
    -------
    float
    """
    t = 1.0 - share
    return (
        (1.0 + 2.0 * share) * t * t * a
        + share * t * t * h * rate_a
        + share * share * (3.0 - 2.0 * share) * b
        - share * share * t * h * rate_b
    )


@compiled
def inside(ride: Ride, h: float, share: float, k: int) -> float:
    """Part k of the state at a share of the present step.

    Parameters
    ----------
    ride : Ride
    h : float [s]
    share : float
    k : int

    Returns
    -------
    float
    """
    value: float = hermite(share, h, ride.state[k], ride.slopes[0, k], ride.new[k], ride.slopes[STAGES, k])
    return value


@compiled
def share_where(ride: Ride, h: float, k: int, value: float) -> float:
    """Share of the present step at which part k of the state, interpolated, passes a value.

    Parameters
    ----------
    ride : Ride
    h : float [s]
    k : int
    value : float

    Returns
    -------
    float, by bisection
    """
    low = 0.0
    high = 1.0
    rising = ride.new[k] > ride.state[k]
    for _ in range(40):
        middle = 0.5 * (low + high)
        if (inside(ride, h, middle, k) < value) == rising:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
