"""One delivery with its states at given times."""

from __future__ import annotations

import numpy as np

from ballgauge_service.core.arrays import Array
from ballgauge_service.physics.motion.cover import left_on_cover
from ballgauge_service.physics.motion.delivery import INTERPRETING, SAMPLE, TIME_LIMIT, deliver, new_ride
from ballgauge_service.physics.motion.notes import RING, RINGED, TIME


def deliver_sampled(
    state: Array,
    setup: Array,
    film: Array,
    times: Array,
    path_error: float,
    largest_step: float,
    change: Array | None = None,
) -> tuple[Array, Array, Array]:
    """Follow one delivery and take its state at given times.

    Parameters
    ----------
    state : (STATE,) array
    setup : (SETUP,) array
    film : (ROWS, COLUMNS) array
    times : (n,) array, rising [s]
    path_error : float [in]
    largest_step : float [s]
    change : (ROWS, COLUMNS) array or None; what a ball that carries oil does to the film is added to it

    Returns
    -------
    summary : (SUMMARY,) array
    samples : (m, SAMPLE) array, up to its end
    rings : (r, RING) array, of oil
    """
    ride = new_ride(film)
    if change is not None:
        ride = ride._replace(taken=change)
    ride.setup[:] = setup
    ride.state[:] = state
    samples = np.full((len(times), SAMPLE), np.nan)
    samples[:, 0] = times
    deliver(ride, path_error, largest_step, TIME_LIMIT, samples)
    rings = ride.rings[: ride.counts[RINGED]].copy()
    return ride.summary.copy(), samples[~np.isnan(samples[:, 1])], rings.reshape(-1, RING)


def deliver_taking(
    state: Array, setup: Array, film: Array, path_error: float, largest_step: float
) -> tuple[Array, Array, float]:
    """Follow one delivery of a ball that carries oil, as one of many.

    Parameters
    ----------
    state : (STATE,) array
    setup : (SETUP,) array
    film : (ROWS, COLUMNS) array
    path_error : float [in]
    largest_step : float [s]

    Returns
    -------
    summary : (SUMMARY,) array
    change : (ROWS, COLUMNS) array, what it does to the film
    left : float, the oil on it at the end [µL]
    """
    change = np.zeros_like(film)
    ride = new_ride(film)._replace(taken=change)
    ride.setup[:] = setup
    ride.state[:] = state
    follow = deliver.expecting(INTERPRETING)
    follow(ride, path_error, largest_step, TIME_LIMIT, np.empty((0, SAMPLE)))
    return ride.summary.copy(), change, left_on_cover(ride, ride.summary[TIME])
