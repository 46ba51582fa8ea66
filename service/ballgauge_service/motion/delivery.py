"""One delivery, told in the trade's units and words."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.refusal import refuse
from ballgauge_service.core.units import GRAM_PER_OZ, OZ_PER_LB
from ballgauge_service.motion.balls import HANDS, MotionBall
from ballgauge_service.motion.bowlers import Release, is_whole, release_row, warnings
from ballgauge_service.motion.lanes import LANE_FEET, Lane, Wear, worn_lane
from ballgauge_service.motion.starts import MPH, Settings, first_states, setup_row, to_board
from ballgauge_service.motion.surfaces import surface_roughness
from ballgauge_service.physics.motion import delivery as kernel
from ballgauge_service.physics.motion import equations as eq
from ballgauge_service.physics.motion import notes
from ballgauge_service.physics.motion.batch import deliver_sampled
from ballgauge_service.physics.motion.film import BOARDS
from ballgauge_service.physics.sphere import arcs_from_grip

Array = NDArray[np.float64]
Group = dict[str, Any]

JOULE = GRAM_PER_OZ * OZ_PER_LB * 1e-3 * 0.0254**2
"""Joules in a pound of mass times a squared inch a second; exact."""

ENDINGS = {
    kernel.PINS: "pins",
    kernel.GUTTER: "gutter",
    kernel.STOPPED: "stopped",
    kernel.UNRESOLVED: "unresolved",
    kernel.TIMED_OUT: "timed_out",
}

PHASES = (
    "The skid ends where a quarter of the whole turn in direction is made, the hook where nine tenths are. "
    "The whole turn runs from the launch to the mean direction of rolling, about which a ball of unequal "
    "moments swings at every revolution. Rolling starts where the contact point first stands still."
)
FLARE = (
    "A ring is the circle of contact in the middle of a revolution; the width is the widest gap on the "
    f"surface between the first and the last ring laid where the film is {notes.OILY:g} µL/ft² or more."
)

ALWAYS = (
    "The ball carries no oil along: every revolution meets the lane with the same surface.",
    "The lane is flat and level, and the ball touches it in one point and does not bounce.",
    "No torque acts about the upright through the contact point.",
    "The entry is taken where the ball's centre passes 60 ft; pins are not modelled.",
)
"""Assumptions of every delivery."""

MOST_SAMPLES = 20001

UNITS = {
    "time": "s",
    "distance": "ft",
    "board": "board from the bowler's side",
    "speed": "mph",
    "angle": "deg",
    "heading": "deg",
    "total_turn": "deg",
    "sharpness": "deg/ft",
    "boards_crossed": "boards",
    "hook": "boards",
    "spin": "rpm",
    "slip": "mph",
    "friction": "1",
    "energy": "J",
    "lost_to_sliding": "J",
    "width": "in",
    "migration": "in",
    "right": "in",
    "up": "in",
    "film": "µL/ft²",
    "angle_from_contact": "deg",
}


def number(value: float) -> float | None:
    """The number, or None where there is none."""
    return float(value) if math.isfinite(value) else None


def heading(vx: float, vy: float, side: float) -> float:
    """Direction of travel [deg] off straight down the lane, positive away from the bowler's side."""
    return math.degrees(math.atan2(-side * vx, vy))


def sharpness(row: Array) -> float:
    """Mean rate of turning [deg/ft] from a quarter to nine tenths of the turn; NaN where there is none."""
    length = (row[notes.TURN_END] - row[notes.TURN_START]) / 12.0
    turn = math.degrees(abs(row[notes.TURN_TOTAL])) * (notes.LATE - notes.EARLY)
    return turn / length if length > 0.0 else math.nan


def deliver(
    ball: MotionBall, release: Release, lane: Lane, settings: Settings | None = None, samples: int = 0
) -> Group:
    """Roll one ball down one lane; the result as a JSON-ready dict (names and units in UNITS).

    samples: points of the curves, evenly spaced in time from release to the end, 0 or 2 to 20001. Raises
    InvalidMotion for a bad number of samples.
    """
    chosen = settings or Settings()
    if samples != 0 and not is_whole(samples, 2, MOST_SAMPLES):
        refuse([("/samples", f"must be 0 or a whole number from 2 to {MOST_SAMPLES}")])
    state = first_states(ball, release_row(release)[None])[0]
    setup = setup_row(ball, chosen, release.loft)
    film = lane.grid()
    row, _, rings = deliver_sampled(state, setup, film, np.empty(0), chosen.path_error, chosen.largest_step)
    result = describe(row, ball, release, lane, rings)
    result["warnings"] = warnings(release)
    result["assumptions"] = assumptions(ball, lane, chosen)
    result["units"] = UNITS
    result["curves"] = None
    if samples:
        times = np.linspace(0.0, row[notes.TIME], samples)
        _, taken, _ = deliver_sampled(state, setup, film, times, chosen.path_error, chosen.largest_step)
        result["curves"] = curves(taken, ball)
    return result


def describe(row: Array, ball: MotionBall, release: Release, lane: Lane, rings: Array) -> Group:
    """A summary row and its rings as groups in trade units."""
    side = HANDS[ball.hand]
    ending = ENDINGS[int(row[notes.ENDING])]
    at_pins = ending == "pins"
    board = float(to_board(row[notes.END_X], side))
    outermost = float(to_board(row[notes.BREAK_X], side))
    speed = math.hypot(row[notes.END_VX], row[notes.END_VY]) / MPH
    straight = to_board(
        side * math.tan(math.radians(release.launch_angle)) * row[notes.END_Y], side
    ) - to_board(0.0, side)
    return {
        "ending": ending,
        "message": message(row, board),
        "time": float(row[notes.TIME]),
        "distance": float(row[notes.END_Y] / 12.0),
        "end": {
            "board": board,
            "speed": speed,
            "heading": heading(row[notes.END_VX], row[notes.END_VY], side),
        },
        "entry": {
            "board": board if at_pins else None,
            "angle": heading(row[notes.END_VX], row[notes.END_VY], side) if at_pins else None,
            "speed": speed if at_pins else None,
        },
        "phases": _phases(row),
        "breakpoint": {"board": outermost, "distance": float(row[notes.BREAK_Y] / 12.0)},
        "boards_crossed": board - outermost,
        "hook": board - release.launch_board - float(straight),
        "total_turn": math.degrees(side * row[notes.TURN_TOTAL]) * -1.0,
        "sharpness": number(sharpness(row)),
        "revolutions": float(row[notes.REVOLUTIONS]),
        "flare": _flare(row, ball, rings),
        "energy": _energy(row, ball),
        "steps": int(row[notes.STEPS_TAKEN]),
    }


def _phases(row: Array) -> Group:
    """Where skid, hook and roll begin and end [ft] (the words are the trade's, the measures ours)."""
    return {
        "skid_end": _feet(row[notes.TURN_START]),
        "hook_end": _feet(row[notes.TURN_END]),
        "roll_start": _feet(row[notes.ROLL_START]),
        "roll_start_speed": number(row[notes.ROLL_SPEED] / MPH),
        "times_gripped": int(row[notes.GRIPS]),
        "definition": PHASES,
    }


def _feet(inches: float) -> float | None:
    return number(inches / 12.0)


def _flare(row: Array, ball: MotionBall, rings: Array) -> Group:
    oiled = int(row[notes.OILED_RINGS])
    return {
        "width": ball.radius * row[notes.OILED_FLARE] if oiled else None,
        "width_to_the_end": float(ball.radius * row[notes.FLARE]),
        "rings_oiled": oiled,
        "migration": number(ball.radius * row[notes.MIGRATION]),
        "rings": [_ring(ring, ball) for ring in rings],
        "definition": FLARE,
    }


def _ring(ring: Array, ball: MotionBall) -> Group:
    # The end of the axis at the bowler's positive axis point: the spin's own for a right-hander.
    axis = HANDS[ball.hand] * ring[:3] @ ball.axes
    right, up = arcs_from_grip((axis[0], axis[1], axis[2]), ball.radius)
    angle = math.degrees(ring[3])
    return {
        "axis": {"right": right, "up": up},
        "angle_from_contact": angle if HANDS[ball.hand] > 0.0 else 180.0 - angle,
        "film": float(ring[4]),
        "distance": float(ring[5] / 12.0),
    }


def _energy(row: Array, ball: MotionBall) -> Group:
    """The books from touch-down to the end [J]; what does not balance is the residual."""
    unit = JOULE * ball.weight
    names = {
        "start_moving": notes.START_MOVING,
        "start_spinning": notes.START_SPINNING,
        "end_moving": notes.END_MOVING,
        "end_spinning": notes.END_SPINNING,
        "raised": notes.RAISED,
        "lost_to_sliding": notes.SLIDING_LOSS,
        "lost_to_rolling": notes.RESISTANCE_LOSS,
    }
    books: Group = {name: float(unit * row[column]) for name, column in names.items()}
    before = books["start_moving"] + books["start_spinning"]
    after = books["end_moving"] + books["end_spinning"] + books["raised"]
    books["residual"] = before - after - books["lost_to_sliding"] - books["lost_to_rolling"]
    return books


def message(row: Array, board: float) -> str:
    """What became of the ball, in words."""
    feet = row[notes.END_Y] / 12.0
    rolled = not math.isnan(row[notes.ROLL_START])
    roll = (
        f"It rolled without sliding from {row[notes.ROLL_START] / 12.0:.1f} ft."
        if rolled
        else "It never rolled: it slid all the way."
    )
    ending = int(row[notes.ENDING])
    if ending == kernel.PINS:
        return f"The ball came to the head pin's row, {LANE_FEET:g} ft, on board {board:.1f}. {roll}"
    if ending == kernel.GUTTER:
        edge = "on the bowler's own side" if board < 0.5 * BOARDS else "on the far side"
        return f"The ball left the lane into the gutter {edge} at {feet:.1f} ft; the path ends there. {roll}"
    if ending == kernel.STOPPED:
        return f"The ball came to a stop at {feet:.1f} ft, short of the pins; the path ends there. {roll}"
    if ending == kernel.TIMED_OUT:
        late = f"The ball had not reached the pins after {kernel.TIME_LIMIT:g} s"
        return f"{late}; the path ends at {feet:.1f} ft. {roll}"
    return (
        f"The motion could not be followed beyond {feet:.1f} ft at this accuracy; the path ends there. {roll}"
    )


def assumptions(ball: MotionBall, lane: Lane, settings: Settings) -> list[str]:
    """What was taken for granted."""
    model = settings.friction
    dry = model.dry[ball.surface.cover] if ball.surface.friction is None else ball.surface.friction
    rough = surface_roughness(ball.surface, model)
    full = min(model.oiled, dry)
    friction = (
        f"Friction runs from {dry:g} on a dry lane to {full:g} on a full film, for a surface of {rough:.1f} "
        "µin Ra; curve and constants are ours. Sliding speed does not matter."
    )
    taken = [friction, *ALWAYS]
    if ball.centre_of_mass == (0.0, 0.0, 0.0):
        taken.append("The mass centre is taken at the geometric centre.")
    if settings.rolling_resistance == 0.0:
        taken.append("There is no rolling resistance.")
    return [*taken, *lane.notes]


def curves(samples: Array, ball: MotionBall) -> Group:
    """Samples of a delivery as lists of equal length, in trade units."""
    side = HANDS[ball.hand]
    state = samples[:, 1 : eq.STATE + 1]
    spin = state[:, eq.SPIN : eq.SPIN + 3]
    rate = np.linalg.norm(spin, axis=1)
    with np.errstate(invalid="ignore"):
        axis = side * (spin / rate[:, None]) @ ball.axes
    return {
        "time": samples[:, 0].tolist(),
        "distance": (state[:, eq.Y] / 12.0).tolist(),
        "board": to_board(state[:, eq.X], side).tolist(),
        "speed": (np.hypot(state[:, eq.VX], state[:, eq.VY]) / MPH).tolist(),
        "heading": np.degrees(np.arctan2(-side * state[:, eq.VX], state[:, eq.VY])).tolist(),
        "spin": (rate * 60.0 / (2.0 * np.pi)).tolist(),
        "phase": [("flight", "slip", "roll")[int(phase)] for phase in samples[:, eq.STATE + 1]],
        "friction": samples[:, eq.STATE + 2].tolist(),
        "slip": (samples[:, eq.STATE + 3] / MPH).tolist(),
        "axis": [_or_none(row) for row in axis],
        "lost_to_sliding": (JOULE * ball.weight * state[:, eq.SLID]).tolist(),
    }


def _or_none(axis: Array) -> list[float] | None:
    return None if math.isnan(axis[0]) else [float(part) for part in axis]


def wear_lane(
    ball: MotionBall,
    release: Release,
    lane: Lane,
    deliveries: int,
    wear: Wear | None = None,
    settings: Settings | None = None,
) -> Lane:
    """The lane after `deliveries` of this ball and release over the track of the first (see `lanes.Wear`)."""
    chosen = settings or Settings()
    state = first_states(ball, release_row(release)[None])[0]
    setup = setup_row(ball, chosen, release.loft)
    grid = lane.grid()
    row, _, _ = deliver_sampled(state, setup, grid, np.empty(0), chosen.path_error, chosen.largest_step)
    times = np.linspace(0.0, row[notes.TIME], 201)
    _, taken, _ = deliver_sampled(state, setup, grid, times, chosen.path_error, chosen.largest_step)
    keep = taken[:, 1 + eq.Y] >= 12.0 * release.loft
    distance = taken[keep, 1 + eq.Y] / 12.0
    board = to_board(taken[keep, 1 + eq.X], 1.0)
    return worn_lane(lane, distance, board, deliveries, wear or Wear())
