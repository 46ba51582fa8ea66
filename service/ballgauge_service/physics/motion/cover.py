"""Oil on the cover: what a ball brings round from earlier revolutions and lays down (ours).

Where the contact passes, lane and cover share the film in the gap, h + q: the lane's own h and what earlier
passes left on the cover, q. The cover keeps q' = min(split (h + q), held), the lane the rest,
h' = h + (q - q') u / v, with u and v the speeds of the contact over the cover and over the lane, so that no
oil is lost. A pass is a strip with a normal profile across; of one a gap away it takes up exp(-gap² / 4 s²)
(the profile's product with itself), and leaves the rest there for later ones. Absorption takes oil off the
surface at an even rate. Rings that lie apart thus meet the lane dry, rings on each other with their own oil.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.arrays import Array
from ballgauge_service.core.compiled import compiled
from ballgauge_service.core.units import SQUARE_INCH_PER_SQUARE_FOOT
from ballgauge_service.physics.motion.equations import (
    ABSORPTION,
    CARRIED,
    FLIGHT,
    FOOTPRINT,
    HELD,
    RADIUS,
    SPIN,
    SPLIT,
    SPUN,
    VX,
    VY,
    X,
    Y,
    lane_axes,
    triple,
)
from ballgauge_service.physics.motion.film import BOARD_WIDTH, CELL_LENGTH, change_film, film_at
from ballgauge_service.physics.motion.notes import MARKED, ON_COVER
from ballgauge_service.physics.motion.stepping import Ride
from ballgauge_service.physics.sphere import Vector, combine, dot

MARK = 9
MOST_MARKS = 16000
"""Columns of marks: place in the body (3), oil left there [µL/ft²], time [s], angle turned [rad], length of
the pass that it stands for [in], oil as the latest pass over it found it, how many turns later that was; and
rows."""

MOST_PASSES = 24
"""Earlier passes that are asked about (ours): what lies under so many newer ones is gone."""

CARRY_STEP = 0.005
"""Longest step [s] of a ball that carries oil (ours): a fifth of a radian; half of it moves the usual ball by
under 0.01 board."""


@compiled
def gap_oil(marks: Array, near: NDArray[np.int64], last: int, at: Array, setup: Array) -> float:
    """Take up the oil that earlier passes bring to the contact.

    Parameters
    ----------
    marks : (n, MARK) array, of earlier passes
    near : (MOST_PASSES,) array of int, the mark of each pass that was nearest at the step before; moved
        on
    last : int
    at : (MARK,) array, the contact
    setup : (SETUP,) array

    Returns
    -------
    float, taken up [µL/ft²]
    """
    found = 0.0
    for k in range(MOST_PASSES):
        back = at[5] - 2.0 * math.pi * (k + 1)
        if back < marks[0, 5]:
            break
        m = near[k]
        while m + 1 < last and (
            marks[m + 1, 5] < back - 1.0
            or (marks[m + 1, 5] < back + 1.0 and _nearness(marks[m + 1], at) >= _nearness(marks[m], at))
        ):
            m += 1
        near[k] = m
        chord = combine(1.0, triple(marks[min(m + 1, last - 1)], 0), -1.0, triple(marks[max(m - 1, 0)], 0))
        size = math.sqrt(dot(chord, chord))
        away = combine(1.0, triple(at, 0), -1.0, triple(marks[m], 0))
        along = dot(away, chord) / size if size > 0.0 else 0.0
        inward = dot(away, triple(marks[m], 0))
        aside = max(dot(away, away) - along * along - inward * inward, 0.0)
        gap = setup[RADIUS] * setup[RADIUS] * aside
        weight = math.exp(-gap / (4.0 * setup[FOOTPRINT] * setup[FOOTPRINT]))
        if weight < 1e-6:
            continue
        other = min(m + 1, last - 1) if along >= 0.0 else max(m - 1, 0)
        step = combine(1.0, triple(marks[other], 0), -1.0, triple(marks[m], 0))
        length = math.sqrt(dot(step, step))
        share = min(abs(along) / length, 1.0) if length > 0.0 else 0.0
        found += _take(marks[m], weight * (1.0 - share), k + 1.0, at, setup)
        found += _take(marks[other], weight * share, k + 1.0, at, setup)
    return found


@compiled
def _take(mark: Array, weight: float, turns: float, at: Array, setup: Array) -> float:
    """Take a share of a mark's oil along the length of the pass `at`; what was drawn in before is gone."""
    if mark[8] != turns:
        mark[3] = mark[7] = max(mark[3] - setup[ABSORPTION] * (at[4] - mark[4]), 0.0)
        mark[4] = at[4]
        mark[8] = turns
    if mark[6] <= 0.0 or at[6] <= 0.0:
        return 0.0
    taken: float = min(weight * mark[7], mark[3] * mark[6] / at[6])
    mark[3] -= taken * at[6] / mark[6]
    return taken


@compiled
def _nearness(mark: Array, at: Array) -> float:
    nearness: float = dot(triple(mark, 0), triple(at, 0))
    return nearness


@compiled
def carry(ride: Ride, phase: float, time: float, h: float) -> None:
    """Share the oil at the end of a step, and set what the next one meets.

    Parameters
    ----------
    ride : Ride
    phase : float
    time : float, the step's end [s]
    h : float, the step [s]
    """
    setup = ride.setup
    state = ride.state
    if phase == FLIGHT:
        return
    _, _, n = lane_axes(state)
    count = ride.counts[MARKED]
    w = triple(state, SPIN)
    level: Vector = combine(1.0, w, -dot(w, n), n)
    over_cover = setup[RADIUS] * math.sqrt(dot(level, level))
    over_lane = math.hypot(state[VX], state[VY])
    at = ride.marks[min(count, MOST_MARKS - 1)]
    at[0], at[1], at[2] = -n[0], -n[1], -n[2]
    at[4] = time
    at[5] = state[SPUN]
    at[6] = over_cover * h
    at[7] = 0.0
    at[8] = 0.0
    brought = gap_oil(ride.marks, ride.near, count, at, setup) if count > 0 else 0.0
    film = film_at(ride.film, state[X], state[Y])
    kept = min(setup[SPLIT] * (film + brought), setup[HELD])
    if over_cover > 0.0:
        kept = min(kept, brought + film * over_lane / over_cover)
    at[3] = kept
    amount = (kept - brought) * math.sqrt(2.0 * math.pi) * setup[FOOTPRINT] * at[6]
    ride.summary[ON_COVER] += amount / SQUARE_INCH_PER_SQUARE_FOOT
    if ride.taken.shape[0] > 0:
        change_film(ride.taken, ride.film, state[X], state[Y], -amount / (CELL_LENGTH * BOARD_WIDTH))
    # The next step meets the mean of what it begins and ends with: half a step beyond this one.
    setup[CARRIED] = max(brought + 0.5 * (brought - ride.direction[2]), 0.0)
    ride.direction[2] = brought
    ride.counts[MARKED] = min(count + 1, MOST_MARKS - 1)


@compiled
def left_on_cover(ride: Ride, time: float) -> float:
    """Oil that lies on the cover.

    Parameters
    ----------
    ride : Ride
    time : float [s]

    Returns
    -------
    float [µL], without what the cover drew in since the last pass there
    """
    total = 0.0
    for m in range(ride.counts[MARKED]):
        mark = ride.marks[m]
        total += max(mark[3] - ride.setup[ABSORPTION] * (time - mark[4]), 0.0) * mark[6]
    volume: float = total * math.sqrt(2.0 * math.pi) * ride.setup[FOOTPRINT] / SQUARE_INCH_PER_SQUARE_FOOT
    return volume
