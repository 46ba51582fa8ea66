"""One delivery from release to its end: its phases and events.

Events (landing after loft, grip lost, the pins, the gutter, a ball that stops) end a step exactly where they
happen. Sliding ends when the slip is down to REST: an impulse that keeps the angular momentum about the
contact closes it, and its energy is booked. Grip is lost where rolling would need more friction than µ N.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.arrays import Array
from ballgauge_service.core.compiled import compiled
from ballgauge_service.physics.motion.coefficients import STAGES
from ballgauge_service.physics.motion.cover import CARRY_STEP, MARK, MOST_MARKS, MOST_PASSES, carry
from ballgauge_service.physics.motion.equations import (
    CARRIED,
    FLIGHT,
    FOOTPRINT,
    LOFT,
    ROLL,
    SETUP,
    SLID,
    SLIP,
    STATE,
    VX,
    VY,
    X,
    Y,
    contact_friction,
    derivative,
    friction_excess,
    set_slip,
    slip_growth,
    slip_velocity,
)
from ballgauge_service.physics.motion.film import LANE_LENGTH, LANE_WIDTH
from ballgauge_service.physics.motion.notes import (
    GRIPPED,
    MOST_NODES,
    MOST_RINGS,
    NODE,
    RING,
    ROLL_SPEED,
    ROLL_START,
    STEPPED,
    SUMMARY,
    note_end,
    note_node,
    note_passages,
    note_start,
    note_step,
    note_touch_down,
)
from ballgauge_service.physics.motion.stepping import Ride, set_scale, settle, trial
from ballgauge_service.physics.roots import Bracket, narrowed, secant

PINS, GUTTER, STOPPED, UNRESOLVED, TIMED_OUT = 1, 2, 3, 4, 5
"""How a delivery ends: at the head pin's row, off the lane, at rest, after too many steps, or out of time."""

REST = 1e-4
"""Slip [in/s] at which sliding ends (ours): the path it leaves out is under a ten-millionth of an inch."""

ONSET = 5e-4
"""Slip [in/s] that a lost grip has gathered when sliding is taken up again (ours)."""

PROBE, LONGEST_ONSET = 1e-4, 3e-3
"""Times [s] over which the growth of the slip is tried and over which it may gather (ours)."""

STILL = 2.0
"""Speed down the lane [in/s] under which a ball counts as stopped (ours)."""

TIME_LIMIT = 60.0
"""Longest delivery [s] that is followed (ours)."""

MOST_STEPS = 100_000
"""Steps after which a delivery is given up (ours): a ball spinning upright on its differential, the most
laborious found, creeps with a slip of hundredths of an inch a second for some 50,000."""

SAFETY = 0.005
"""Share of a wanted path error that one step may make (ours, calibrated against runs at a far finer one)."""

INTERPRETING = 1.0
"""What a delivery takes the interpreter [s] (ours, measured)."""

SAMPLE = STATE + 4
"""Columns of a sample: time [s], the state, phase, coefficient of friction, slip speed [in/s]."""

LANDING, AT_PINS, OFF_LANE, AT_REST, GRIP_LOST, NOTHING = 0.0, 1.0, 2.0, 3.0, 4.0, 5.0


@compiled
def new_ride(film: Array) -> Ride:
    """Room for one delivery after another on one film.

    Parameters
    ----------
    film : (ROWS, COLUMNS) array

    Returns
    -------
    Ride
    """
    return Ride(
        np.empty(SETUP),
        film,
        np.zeros(3),
        np.empty(STATE),
        np.empty(STATE),
        np.zeros((STAGES + 1, STATE)),
        np.empty(STATE),
        np.empty((2, STATE)),
        np.empty((MOST_NODES, NODE)),
        np.empty((MOST_RINGS, RING)),
        np.zeros(5, np.int64),
        np.empty(SUMMARY),
        np.empty((MOST_MARKS, MARK)),
        np.zeros(MOST_PASSES, np.int64),
        np.empty((0, 0)),
    )


@compiled
def _gauge(kind: float, ride: Ride, state: Array) -> float:
    """A number that turns positive when an event of this kind happens."""
    if kind == GRIP_LOST:
        return friction_excess(state, ride.setup, ride.film)[0]
    past: float = STILL - state[VY]
    if kind == LANDING:
        past = state[Y] - ride.setup[LOFT]
    elif kind == AT_PINS:
        past = state[Y] - LANE_LENGTH
    elif kind == OFF_LANE:
        past = abs(state[X]) - 0.5 * LANE_WIDTH
    return past


@compiled
def _locate(kind: float, phase: float, ride: Ride, h: float) -> float:
    """Shorten a step that ends past an event so that it ends on it (see `roots`)."""
    bracket = Bracket(0.0, h, min(_gauge(kind, ride, ride.state), -1e-14), _gauge(kind, ride, ride.new), 0.0)
    at = h
    for _ in range(60):
        at = secant(bracket)
        trial(phase, ride, at)
        value = _gauge(kind, ride, ride.new)
        if abs(value) < 1e-11 or abs(bracket.second - bracket.first) < 1e-15:
            break
        bracket = narrowed(bracket, at, value)
    return at


@compiled
def _grip_step(ride: Ride, h: float) -> tuple[bool, float]:
    """Whether a rolling step loses its grip, and a step that ends where it is lost.

    The friction needed swings with the ball's turning, so a swing above µ N may lie between the ends of a
    step: a parabola through the ends and the middle finds it.
    """
    g0 = _gauge(GRIP_LOST, ride, ride.state)
    g1 = _gauge(GRIP_LOST, ride, ride.new)
    if g1 > 0.0:
        return True, h
    if max(g0, g1) < -0.1:
        return False, h
    trial(ROLL, ride, 0.5 * h)
    middle = _gauge(GRIP_LOST, ride, ride.new)
    top = 0.5
    bend = 2.0 * (g0 + g1 - 2.0 * middle)
    if bend < 0.0:
        top = 0.5 - 0.5 * (g1 - g0) / bend
    if 0.0 < top < 1.0:
        trial(ROLL, ride, top * h)
        if _gauge(GRIP_LOST, ride, ride.new) > 0.0:
            return True, top * h
    trial(ROLL, ride, h)
    return False, h


@compiled
def _near_end(state: Array) -> bool:
    """Whether the ball may leave the lane while a lost grip gathers its slip."""
    reach = LONGEST_ONSET * (abs(state[VX]) + abs(state[VY]))
    return bool(state[Y] + reach > LANE_LENGTH or abs(state[X]) + reach > 0.5 * LANE_WIDTH)


@compiled
def _first_event(phase: float, ride: Ride, h: float, watch_grip: bool) -> tuple[float, float]:
    """The first event inside the present step, and the step shortened to it."""
    event = NOTHING
    if phase == ROLL and watch_grip:
        lost, shorter = _grip_step(ride, h)
        if lost:
            event = GRIP_LOST
            h = _locate(GRIP_LOST, phase, ride, shorter)
    for kind in (LANDING, AT_PINS, OFF_LANE, AT_REST):
        if (phase == FLIGHT) and kind == AT_REST:
            continue
        if (phase != FLIGHT) and kind == LANDING:
            continue
        if _gauge(kind, ride, ride.new) > 0.0:
            event = kind
            h = _locate(kind, phase, ride, h)
    return event, h


@compiled
def _growth(ride: Ride, state: Array) -> float:
    """Rate [in/s²] at which slip would grow from none; sets the direction it would take."""
    _, fx, fy = friction_excess(state, ride.setup, ride.film)
    ride.direction[0] = -fx
    ride.direction[1] = -fy
    rate = ride.kept[1]
    derivative(SLIP, state, ride.setup, ride.film, ride.direction, rate)
    gx, gy = slip_growth(state, rate, ride.setup)
    return -(gx * fx + gy * fy)


@compiled
def _onset_step(ride: Ride) -> tuple[float, float]:
    """How long [s] to keep rolling after grip is lost until ONSET has gathered, and its growth halfway."""
    trial(ROLL, ride, PROBE)
    rise = _growth(ride, ride.new) / PROBE
    h = PROBE
    if rise > 0.0:
        h = min(max(math.sqrt(2.0 * ONSET / rise), PROBE), LONGEST_ONSET)
    trial(ROLL, ride, 0.5 * h)
    return h, _growth(ride, ride.new)


@compiled
def _begin_slip(ride: Ride, gathered: float, halfway: float) -> float:
    """Take up sliding after an onset step [s] with the integral of the growth (Simpson's rule)."""
    slip = gathered * (4.0 * halfway + _growth(ride, ride.state)) / 6.0
    if slip <= REST:
        return ROLL
    ride.state[SLID] += set_slip(ride.state, ride.setup, slip * ride.direction[0], slip * ride.direction[1])
    return SLIP


@compiled
def _end_slip(ride: Ride) -> float:
    """Close a slip that has come to rest: into rolling where grip suffices, else into sliding on."""
    ride.state[SLID] += set_slip(ride.state, ride.setup, 0.0, 0.0)
    excess, fx, fy = friction_excess(ride.state, ride.setup, ride.film)
    if excess <= 0.0:
        if ride.counts[GRIPPED] == 0:
            ride.summary[ROLL_START] = ride.state[Y]
            ride.summary[ROLL_SPEED] = math.hypot(ride.state[VX], ride.state[VY])
        ride.counts[GRIPPED] += 1
        settle(ROLL, ride.setup, ride.state)
        return ROLL
    ride.direction[0] = -fx
    ride.direction[1] = -fy
    ride.state[SLID] += set_slip(ride.state, ride.setup, -REST * fx, -REST * fy)
    return SLIP


@compiled
def slip_speed(state: Array, setup: Array) -> float:
    """Speed of the contact point over the lane.

    Parameters
    ----------
    state : (STATE,) array
    setup : (SETUP,) array

    Returns
    -------
    float [in/s]
    """
    ux, uy = slip_velocity(state, setup)
    return math.sqrt(ux * ux + uy * uy)


@compiled
def _time_to_rest(ride: Ride) -> float:
    """Time [s] in which the slip would come to rest at its present rate; infinite where it grows."""
    ux, uy = slip_velocity(ride.state, ride.setup)
    gx, gy = slip_growth(ride.state, ride.slopes[0], ride.setup)
    closing = -(ux * gx + uy * gy)
    return (ux * ux + uy * uy) / closing if closing > 0.0 else math.inf


@compiled
def _sample(phase: float, ride: Ride, time: float, h: float, samples: Array, taken: int) -> int:
    """Write the samples that fall into the present step; return how many are taken in all."""
    if taken >= samples.shape[0] or samples[taken, 0] > time + h:
        return taken
    keep_new = ride.new.copy()
    keep_slope = ride.slopes[STAGES].copy()
    while taken < samples.shape[0] and samples[taken, 0] <= time + h:
        share = samples[taken, 0] - time
        if share <= 0.0:
            ride.new[:] = ride.state
        elif share == h:
            ride.new[:] = keep_new
        else:
            trial(phase, ride, share)
        row = samples[taken]
        row[1 : STATE + 1] = ride.new
        row[STATE + 1] = phase
        row[STATE + 2] = contact_friction(ride.new, ride.setup, ride.film)
        row[STATE + 3] = slip_speed(ride.new, ride.setup)
        taken += 1
    ride.new[:] = keep_new
    ride.slopes[STAGES] = keep_slope
    return taken


@compiled
def _touch_down(ride: Ride) -> float:
    """The phase in which a ball that meets the lane goes on."""
    note_touch_down(ride)
    return _end_slip(ride) if slip_speed(ride.state, ride.setup) < REST else SLIP


@compiled
def _next_phase(phase: float, event: float, ride: Ride, onset: float, halfway: float) -> float:
    """The phase after a step that ended in `event`."""
    if event == LANDING:
        return _touch_down(ride)
    if onset > 0.0:
        return _begin_slip(ride, onset, halfway)
    if phase == SLIP and slip_speed(ride.state, ride.setup) < REST:
        return _end_slip(ride)
    return phase


@compiled
def _ending(event: float, ride: Ride, time: float, limit: float) -> int:
    """How the delivery ended with the step just made; 0 while it goes on."""
    if event == AT_PINS:
        return PINS
    if event == OFF_LANE:
        return GUTTER
    if event == AT_REST:
        return STOPPED
    if ride.counts[STEPPED] >= MOST_STEPS:
        return UNRESOLVED
    return TIMED_OUT if time >= limit else 0


@compiled
def _start(ride: Ride) -> float:
    """The phase of the release, with the notes begun."""
    phase = FLIGHT
    derivative(phase, ride.state, ride.setup, ride.film, ride.direction, ride.slopes[0])
    note_start(ride)
    if ride.state[Y] >= ride.setup[LOFT]:
        phase = _touch_down(ride)
        derivative(phase, ride.state, ride.setup, ride.film, ride.direction, ride.slopes[0])
        note_node(ride, 0.0, ride.state, ride.slopes[0])
    return phase


@compiled
def _accepted_step(phase: float, ride: Ride, h: float, shortest: float) -> tuple[float, float]:
    """Step by at most `h` within the error allowed; return the step taken and the next one to try."""
    while True:
        error = trial(phase, ride, h)
        factor = 0.9 * max(error, 1e-12) ** -0.125
        if error <= 1.0 or h <= shortest:
            return h, h * min(factor, 5.0)
        h *= max(0.1, factor) if error < math.inf else 0.1


@compiled
def deliver(ride: Ride, path_error: float, largest_step: float, time_limit: float, samples: Array) -> None:
    """Follow a delivery to its end.

    Parameters
    ----------
    ride : Ride, with setup and first state; its summary and rings are written
    path_error : float [in]
    largest_step, time_limit : float [s]
    samples : (n, SAMPLE) array, times wanted [s], rising, in the first column; the others are written
    """
    set_scale(ride, SAFETY * path_error)
    carrying = ride.setup[FOOTPRINT] > 0.0
    longest = min(largest_step, CARRY_STEP) if carrying else largest_step
    ride.setup[CARRIED] = 0.0
    ride.direction[2] = 0.0
    ride.near[:] = 0
    phase = _start(ride)
    time = 0.0
    following = 1e-3
    onset = 0.0
    halfway = 0.0
    taken = 0
    ending = 0
    while ending == 0:
        h = min(following, longest, time_limit - time)
        if phase == SLIP:
            h = min(h, 0.95 * _time_to_rest(ride))
        if onset > 0.0:
            h = onset
            trial(phase, ride, h)
        else:
            h, following = _accepted_step(phase, ride, h, 1e-12)
        event, h = _first_event(phase, ride, h, onset == 0.0 and not _near_end(ride.state))
        taken = _sample(phase, ride, time, h, samples, taken)
        note_step(ride, time + h, h)
        time += h
        ride.counts[STEPPED] += 1
        ride.state[:] = ride.new
        ride.slopes[0] = ride.slopes[STAGES]
        ending = _ending(event, ride, time, time_limit)
        before = phase
        loss = ride.state[SLID]
        if ending == 0:
            phase = _next_phase(phase, event, ride, onset, halfway)
        onset = 0.0
        if event == GRIP_LOST and ending == 0:
            onset, halfway = _onset_step(ride)
        if carrying:
            carry(ride, phase, time, h)
        if carrying or phase != before or ride.state[SLID] != loss:
            derivative(phase, ride.state, ride.setup, ride.film, ride.direction, ride.slopes[0])
        if phase != before:
            following = 1e-3
            note_node(ride, time, ride.state, ride.slopes[0])
    note_end(ride, ending, time, slip_speed(ride.state, ride.setup))


@compiled
def deliver_rows(
    first: int,
    last: int,
    states: Array,
    setups: Array,
    lanes: NDArray[np.int64],
    films: Array,
    path_error: float,
    largest_step: float,
    summaries: Array,
) -> None:
    """Follow some of many deliveries.

    Parameters
    ----------
    first, last : int, the deliveries first to last - 1
    states : (n, STATE) array
    setups : (n, SETUP) array
    lanes : (n,) array of int, of each one's film
    films : (m, ROWS, COLUMNS) array
    path_error : float [in]
    largest_step : float [s]
    summaries : (n, SUMMARY) array, written
    """
    none = np.empty((0, SAMPLE))
    room = new_ride(films[0])
    for i in range(first, last):
        ride = Ride(
            setups[i],
            films[lanes[i]],
            room.direction,
            room.state,
            room.new,
            room.slopes,
            room.scale,
            room.kept,
            room.history,
            room.rings,
            room.counts,
            summaries[i],
            room.marks,
            room.near,
            room.taken,
        )
        ride.state[:] = states[i]
        deliver(ride, path_error, largest_step, TIME_LIMIT, none)


@compiled
def pass_rows(
    states: Array,
    setups: Array,
    film: Array,
    distances: Array,
    path_error: float,
    largest_step: float,
    out: Array,
) -> None:
    """Follow deliveries on one film and write how they pass distances.

    Parameters
    ----------
    states : (n, STATE) array
    setups : (n, SETUP) array
    film : (ROWS, COLUMNS) array
    distances : (d,) array, rising [in]
    path_error : float [in]
    largest_step : float [s]
    out : (n, d, 4) array, see `note_passages`
    """
    none = np.empty((0, SAMPLE))
    ride = new_ride(film)
    for i in range(states.shape[0]):
        ride.setup[:] = setups[i]
        ride.state[:] = states[i]
        deliver(ride, path_error, largest_step, TIME_LIMIT, none)
        note_passages(ride, distances, out[i])
