"""Many deliveries at once, spread over the processors."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.physics.motion.delivery import SAMPLE, TIME_LIMIT, deliver, deliver_rows, new_ride
from ballgauge_service.physics.motion.equations import FLIGHT, SETUP, STATE, derivative
from ballgauge_service.physics.motion.notes import RING, RINGED, SUMMARY
from ballgauge_service.physics.motion.stepping import set_scale, trial

Array = NDArray[np.float64]

CHUNK = 8
"""Deliveries handed to a thread at a time (ours): enough to make the hand-over cheap."""


def deliver_batch(
    states: Array,
    setups: Array,
    lanes: NDArray[np.int64],
    films: Array,
    path_error: float,
    largest_step: float,
) -> Array:
    """Follow n deliveries to their end; return their summaries, (n, SUMMARY).

    states (n, STATE) and setups (n, SETUP) as in `equations`; lanes (n,): index of each one's film in films,
    (m, ROWS, COLUMNS); path_error [in], largest_step [s]. Each delivery's numbers are the same in any batch.
    Raises ValueError where the arrays do not agree.
    """
    n = len(states)
    if states.shape != (n, STATE) or setups.shape != (n, SETUP) or lanes.shape != (n,):
        raise ValueError("states, setups and lanes must have one row a delivery")
    out = np.empty((n, SUMMARY))
    if n == 0:
        return out

    def chunk(first: int) -> None:
        last = min(first + CHUNK, n)
        deliver_rows(first, last, states, setups, lanes, films, path_error, largest_step, out)

    starts = range(0, n, CHUNK)
    if len(starts) == 1:
        chunk(0)
    else:
        with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
            list(pool.map(chunk, starts))
    return out


def deliver_sampled(
    state: Array, setup: Array, film: Array, times: Array, path_error: float, largest_step: float
) -> tuple[Array, Array, Array]:
    """Follow one delivery and take its state at the given rising times [s].

    Returns its summary, (SUMMARY,), its samples up to its end, (m, SAMPLE), and its oil rings, (r, RING).
    """
    ride = new_ride(film)
    ride.setup[:] = setup
    ride.state[:] = state
    samples = np.full((len(times), SAMPLE), np.nan)
    samples[:, 0] = times
    deliver(ride, path_error, largest_step, TIME_LIMIT, samples)
    rings = ride.rings[: ride.counts[RINGED]].copy()
    return ride.summary.copy(), samples[~np.isnan(samples[:, 1])], rings.reshape(-1, RING)


def torque_free(state: Array, setup: Array, times: Array, path_error: float) -> Array:
    """State of a ball in the air at the given rising times [s] from 0, (n, STATE)."""
    ride = new_ride(np.zeros((4, 4)))
    ride.setup[:] = setup
    ride.state[:] = state
    set_scale(ride, path_error)
    out = np.empty((len(times), STATE))
    time, following = 0.0, 1e-3
    for row, wanted in enumerate(times):
        while time < wanted:
            h = min(following, float(wanted) - time)
            derivative(FLIGHT, ride.state, ride.setup, ride.film, ride.direction, ride.slopes[0])
            factor = 0.9 * max(trial(FLIGHT, ride, h), 1e-12) ** -0.125
            following = h * min(max(factor, 0.1), 5.0)
            if factor >= 0.9:
                time = float(wanted) if h == float(wanted) - time else time + h
                ride.state[:] = ride.new
        out[row] = ride.state
    return out
