"""What is noted of a delivery: turning, the outermost place, oil rings, and its summary."""

from __future__ import annotations

import math

from ballgauge_service.core.arrays import Array
from ballgauge_service.core.compiled import compiled
from ballgauge_service.physics.motion.coefficients import STAGES
from ballgauge_service.physics.motion.equations import (
    RESISTED,
    SIDE,
    SLID,
    SPIN,
    SPUN,
    STATE,
    VX,
    VY,
    X,
    Y,
    energies,
    lane_axes,
    rolling_heading,
    triple,
)
from ballgauge_service.physics.motion.film import film_at
from ballgauge_service.physics.motion.stepping import Ride, hermite, inside, share_where
from ballgauge_service.physics.sphere import Vector, angle_between, unit

(
    ENDING, TIME, END_X, END_Y, END_VX, END_VY, TURN_START, TURN_END, ROLL_START, TURN_TOTAL, BREAK_X,
    BREAK_Y, START_MOVING, START_SPINNING, END_MOVING, END_SPINNING, RAISED, SLIDING_LOSS,
    RESISTANCE_LOSS, REVOLUTIONS, RINGS, OILED_RINGS, FLARE, OILED_FLARE, MIGRATION, GRIPS, STEPS_TAKEN,
    ROLL_SPEED, END_SLIP, START_HEIGHT, TURN_LEFT, ON_COVER, TURN_START_X, START_AXIS,
) = range(34)  # fmt: skip
SUMMARY = START_AXIS + 3
"""Columns of a summary: ending; time [s], place [in] and velocity [in/s] at the end; distances [in] where a
quarter and nine tenths of the turn are made and where rolling begins; the whole turn [rad], from the launch
to the mean direction in which the ball rolls, now or once it has stopped sliding; the outermost place [in];
energies [in²/s²] of moving and spinning at touch-down and at the end, of height gained, and lost to sliding
and to rolling resistance; revolutions; rings, those laid in oil, flare over all and over the oiled ones
[rad], migration of the axis [rad]; times rolling began; steps; speed where it first began [in/s]; slip at the
end [in/s]; height energy at the start; what a ball that never rolled has yet to turn [rad]; oil that the
cover took from the lane [µL]; where across the lane a quarter of the turn is made [in]; spin axis (3) at the
start."""

NODE = 7
MOST_NODES = 10000
"""Columns (time, y, velocity, acceleration, x) and rows of the history; a full one is thinned to half."""

RING = 6
MOST_RINGS = 400
"""Columns of a ring: spin axis in the body (3), angle to the contact [rad], film, distance [in]."""

OILY = 1.0
"""Film [µL/ft²] from which a contact leaves an oil ring (ours)."""

EARLY, LATE = 0.25, 0.9
"""Shares of the whole turn at which the hook begins and ends (ours)."""

NODES, RINGED, GRIPPED, STEPPED, MARKED = 0, 1, 2, 3, 4


@compiled
def spin_axis(state: Array) -> Vector:
    """Axis of the spin.

    Parameters
    ----------
    state : (STATE,) array

    Returns
    -------
    unit vector, body frame; NaN where the ball does not spin
    """
    return unit(triple(state, SPIN))


@compiled
def note_start(ride: Ride) -> None:
    """Begin the notes of a delivery at its release.

    Parameters
    ----------
    ride : Ride
    """
    ride.counts[:] = 0
    ride.summary[:] = math.nan
    ride.summary[ON_COVER] = 0.0
    ride.summary[BREAK_X] = ride.state[X]
    ride.summary[BREAK_Y] = ride.state[Y]
    axis = spin_axis(ride.state)
    ride.summary[START_AXIS], ride.summary[START_AXIS + 1], ride.summary[START_AXIS + 2] = axis
    note_node(ride, 0.0, ride.state, ride.slopes[0])


@compiled
def note_touch_down(ride: Ride) -> None:
    """Open the energy books where the ball meets the lane.

    Parameters
    ----------
    ride : Ride
    """
    moving, spinning, height = energies(ride.state, ride.setup)
    ride.summary[START_MOVING] = moving
    ride.summary[START_SPINNING] = spinning
    ride.summary[START_HEIGHT] = height


@compiled
def note_node(ride: Ride, time: float, state: Array, slope: Array) -> None:
    """Note a moment of the history; a change of phase is noted twice, with the slopes before and after.

    Parameters
    ----------
    ride : Ride
    time : float [s]
    state, slope : (STATE,) arrays
    """
    n = ride.counts[NODES]
    if n == MOST_NODES:
        n = MOST_NODES // 2
        for i in range(1, n):
            ride.history[i] = ride.history[2 * i]
    node = ride.history[n]
    node[0] = time
    node[1] = state[Y]
    node[2] = state[VX]
    node[3] = state[VY]
    node[4] = slope[VX]
    node[5] = slope[VY]
    node[6] = state[X]
    ride.counts[NODES] = n + 1


@compiled
def note_step(ride: Ride, time: float, h: float) -> None:
    """Note a step.

    Parameters
    ----------
    ride : Ride
    time : float, the step's end [s]
    h : float, the step [s]
    """
    note_node(ride, time, ride.new, ride.slopes[STAGES])
    side = ride.setup[SIDE]
    x = ride.new[X]
    y = ride.new[Y]
    if side * ride.state[VX] > 0.0 and side * ride.new[VX] < 0.0:
        share = share_where(ride, h, VX, 0.0)
        x = inside(ride, h, share, X)
        y = inside(ride, h, share, Y)
    if side * x > side * ride.summary[BREAK_X]:
        ride.summary[BREAK_X] = x
        ride.summary[BREAK_Y] = y
    while True:
        mark = 2.0 * math.pi * (ride.counts[RINGED] + 0.5)
        if ride.new[SPUN] < mark or ride.counts[RINGED] >= MOST_RINGS:
            break
        _note_ring(ride, h, mark)


@compiled
def _note_ring(ride: Ride, h: float, mark: float) -> None:
    """Note the ring of the revolution whose middle lies in the present step."""
    share = share_where(ride, h, SPUN, mark)
    at = ride.kept[0]
    for k in range(STATE):
        at[k] = inside(ride, h, share, k)
    axis = spin_axis(at)
    _, _, n = lane_axes(at)
    ring = ride.rings[ride.counts[RINGED]]
    ring[0], ring[1], ring[2] = axis
    ring[3] = angle_between(axis, (-n[0], -n[1], -n[2]))
    ring[4] = film_at(ride.film, at[X], at[Y])
    ring[5] = at[Y]
    ride.counts[RINGED] += 1


@compiled
def ring_gap(first: Array, last: Array) -> float:
    """Widest gap between two rings, circles on a sphere, along the line of their poles.

    Parameters
    ----------
    first, last : (RING,) arrays

    Returns
    -------
    float [rad]
    """
    wider: float = abs(last[3] - first[3])
    return angle_between(triple(first, 0), triple(last, 0)) + wider


@compiled
def _place_turned(ride: Ride, share: float, total: float) -> tuple[float, float]:
    """Distance and place across [in] at which a share of the whole turn is first made."""
    start = math.atan2(ride.history[0, 2], ride.history[0, 3])
    wanted = share * abs(total)
    sense = math.copysign(1.0, total)
    for i in range(1, ride.counts[NODES]):
        b = ride.history[i]
        if sense * (math.atan2(b[2], b[3]) - start) >= wanted:
            a = ride.history[i - 1]
            h = b[0] - a[0]
            low = 0.0
            high = 1.0
            for _ in range(40):
                middle = 0.5 * (low + high)
                vx = hermite(middle, h, a[2], a[4], b[2], b[4])
                vy = hermite(middle, h, a[3], a[5], b[3], b[5])
                if sense * (math.atan2(vx, vy) - start) < wanted:
                    low = middle
                else:
                    high = middle
            at: float = hermite(high, h, a[1], a[3], b[1], b[3])
            across: float = hermite(high, h, a[6], a[2], b[6], b[2])
            return at, across
    return math.nan, math.nan


@compiled
def note_passages(ride: Ride, distances: Array, out: Array) -> None:
    """Write how the ball passes distances.

    Parameters
    ----------
    ride : Ride
    distances : (d,) array, rising [in]
    out : (d, 4) array, time [s], x [in], velocity (2) [in/s]; NaN where it does not come so far
    """
    out[:] = math.nan
    i = 1
    for k in range(distances.shape[0]):
        while i < ride.counts[NODES] and ride.history[i, 1] < distances[k]:
            i += 1
        if i == ride.counts[NODES]:
            break
        a = ride.history[i - 1]
        b = ride.history[i]
        h = b[0] - a[0]
        low = 0.0
        high = 1.0
        for _ in range(50):
            middle = 0.5 * (low + high)
            if hermite(middle, h, a[1], a[3], b[1], b[3]) < distances[k]:
                low = middle
            else:
                high = middle
        out[k, 0] = a[0] + high * h
        out[k, 1] = hermite(high, h, a[6], a[2], b[6], b[2])
        out[k, 2] = hermite(high, h, a[2], a[4], b[2], b[4])
        out[k, 3] = hermite(high, h, a[3], a[5], b[3], b[5])


@compiled
def note_end(ride: Ride, ending: int, time: float, slip: float) -> None:
    """Fill the summary at the end of a delivery.

    Parameters
    ----------
    ride : Ride
    ending : int
    time : float [s]
    slip : float [in/s]
    """
    out = ride.summary
    state = ride.state
    out[ENDING] = ending
    out[TIME] = time
    out[END_X], out[END_Y], out[END_VX], out[END_VY] = state[X], state[Y], state[VX], state[VY]
    last = rolling_heading(state, ride.setup)
    total = last - math.atan2(ride.history[0, 2], ride.history[0, 3])
    out[TURN_TOTAL] = total
    out[TURN_LEFT] = 0.0 if ride.counts[GRIPPED] > 0 else last - math.atan2(state[VX], state[VY])
    if abs(total) > 1e-9:
        out[TURN_START], out[TURN_START_X] = _place_turned(ride, EARLY, total)
        out[TURN_END], _ = _place_turned(ride, LATE, total)
    moving, spinning, height = energies(state, ride.setup)
    out[END_MOVING] = moving
    out[END_SPINNING] = spinning
    out[RAISED] = height - out[START_HEIGHT]
    out[SLIDING_LOSS] = state[SLID]
    out[RESISTANCE_LOSS] = state[RESISTED]
    out[REVOLUTIONS] = state[SPUN] / (2.0 * math.pi)
    out[GRIPS] = ride.counts[GRIPPED]
    out[STEPS_TAKEN] = ride.counts[STEPPED]
    out[END_SLIP] = slip
    out[MIGRATION] = angle_between(triple(out, START_AXIS), spin_axis(state))
    _note_flare(ride)


@compiled
def _note_flare(ride: Ride) -> None:
    out = ride.summary
    count = ride.counts[RINGED]
    oiled = 0
    first = 0
    last = 0
    for i in range(count):
        if ride.rings[i, 4] >= OILY:
            if oiled == 0:
                first = i
            last = i
            oiled += 1
    out[RINGS] = count
    out[OILED_RINGS] = oiled
    out[FLARE] = ring_gap(ride.rings[0], ride.rings[count - 1]) if count > 0 else 0.0
    out[OILED_FLARE] = ring_gap(ride.rings[first], ride.rings[last]) if oiled > 0 else 0.0
