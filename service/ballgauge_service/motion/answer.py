"""What is answered about a motion, as JSON-ready dicts; the unit of each name is in UNITS."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict, replace
from functools import partial
from typing import Any

import numpy as np

from ballgauge_schemas.shared.words import SPIN
from ballgauge_service.core.arrays import Array
from ballgauge_service.core.caution import Caution
from ballgauge_service.core.units import KG_PER_LB, M_PER_INCH
from ballgauge_service.motion.aiming import Aim
from ballgauge_service.motion.balls import MotionBall
from ballgauge_service.motion.bowlers import Bowler, cautions
from ballgauge_service.motion.calibration import FRICTIONS, Calibration
from ballgauge_service.motion.delivery import Delivery, Ends, Window, endings, phase_range
from ballgauge_service.motion.explanations import Explanation
from ballgauge_service.motion.lanes import LANE_FEET, Lane
from ballgauge_service.motion.line_maps import (
    GAP,
    OVERLAP,
    BowlerMap,
    LineMap,
    Pair,
    Point,
)
from ballgauge_service.motion.measured import Spin
from ballgauge_service.motion.request import MotionRequest
from ballgauge_service.motion.spreads import Spread, statistics
from ballgauge_service.motion.squads import Played, State, beyond
from ballgauge_service.motion.starts import MPH, MotionSettings, to_board
from ballgauge_service.motion.surfaces import surface_friction
from ballgauge_service.physics.motion import delivery as kernel
from ballgauge_service.physics.motion import equations as eq
from ballgauge_service.physics.motion import notes
from ballgauge_service.physics.motion.film import BOARDS, CELL_LENGTH
from ballgauge_service.physics.sphere import arcs_from_grip

Group = dict[str, Any]

JOULE = KG_PER_LB * M_PER_INCH**2
"""Joules in a pound of mass times a squared inch a second; exact."""

FILM_CELLS = 4
FILM_FEET = FILM_CELLS * CELL_LENGTH / 12.0
"""Cells of a stretch of an answered film, and its length [ft] (ours)."""

UNITS = {
    "time": "s",
    "distance": "ft",
    "board": "board from the bowler's side",
    "speed": "mph",
    "angle": "deg",
    "heading": "deg",
    "total_turn": "deg",
    "turn_left": "deg",
    "mean_heading": "deg",
    "phase": "deg",
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
    "volume": "mL",
    "put_down": "mL",
    "on_lane": "mL",
    "beyond_pattern": "mL",
    "on_balls": "mL",
    "absorbed": "mL",
    "moved": "boards",
    "length": "ft",
    "launch_angle": "deg",
    "entry_board": "board from the bowler's side",
    "entry_angle": "deg",
    "contact_board": "board from the bowler's side",
    "launch_board": "board from the bowler's side",
    "share": "1",
    "difference": "boards",
    "oil_taken": "µL",
    "weight": "lb",
    "radius": "in",
}

PHASES = (
    "The skid ends where a quarter of the whole turn in direction is made, the hook where nine tenths are. "
    "The whole turn runs from the launch to the mean direction of rolling, about which a ball of unequal "
    "moments swings at every revolution; friction does not change it, so the release makes it available, and "
    "turn_left is what of it is not yet made at the end. Rolling starts where the contact point first stands "
    "still."
)
PHASE_MEANS = (
    "Where the release gives no phase, numbers are means over these phases of the grip at release, evenly "
    "spaced, of which those count that end as the first does. Message, time, distance, end, energy, rings "
    "and curves are of the first. A range runs from the least to the greatest over all phases, by the sine "
    "through those computed; the mean heading is the direction about which the rolling ball swings."
)
FLARE = (
    "A ring is the circle of contact in the middle of a revolution; the width is the widest gap on the "
    f"surface between the first and the last ring laid where the film is {notes.OILY:g} µL/ft² or more."
)
WINDOW = (
    "share of all deliveries that meet the head pin inside the window, no chance of a strike; the board is "
    "that of the ball's center at contact, some 6 in before 60 ft"
)
CALIBRATION = (
    "Least squares over oiled, dry and scale, common to all shots, and over every shot's release as far as "
    "it was known, its phase and the zero of its clock. Means and root mean squares are in standard "
    "uncertainties of a sensor: about 0 and 1 where lane and model are right, and chi_square about freedom."
)
METHOD = (
    "share: mean effect over all orders of switching; alone: switched on the first ball only; last: switched "
    "when all others are; least and greatest: over all orders. Shares and other_differences (weight, size) "
    "add up to the difference. All are means over the phases of the grip at release; the ranges of share and "
    "difference say how far they depend on it; friction_uncertainty is what calibrated surfaces leave open "
    "of the difference, one standard deviation."
)
MAP_DEFINITIONS = {
    "length": "distance [ft] at which a quarter of the whole turn in direction is made",
    "sharpness": "mean rate of turning [deg/ft] from a quarter to nine tenths of the whole turn",
    "separation": "distance between two points, each direction over the root of the sum of both variances",
    "overlaps": f"pairs of balls under a separation of {OVERLAP:g}",
    "taken": "balls that are not aimed or lose a delivery take no part in overlaps, gaps and pairs",
    "gaps": f"neighbors in length more than {GAP:g} such units of length apart, and the middle between them",
    "share": "of the deliveries, in the default window of a spread",
    "best_pair": "the two balls that leave every other ball nearest to one of them, over all volumes",
    "widest_pair": "the two balls farthest apart on the mean over all volumes",
}
"""How the measures are meant, told with them."""

ALWAYS = (
    "The lane is flat and level, and the ball touches it in one point and does not bounce.",
    "No torque acts about the upright through the contact point.",
    "The entry is taken where the ball's center passes 60 ft; pins are not modeled.",
)
"""Assumptions of every delivery."""


def motion_answer(
    asked: MotionRequest,
    lane: Lane,
    thrown: Delivery,
    spread: Spread | None,
    mapped: LineMap | None,
    explanation: Explanation | None,
    calibration: Calibration | None,
    played: Played | None,
) -> Group:
    """The whole answer; what was not asked for is null."""
    ball = asked.ball
    warned = [*asked.cautions, *cautions(asked.bowler.release), *_ending_cautions(thrown)]
    if spread is not None and spread.aim is not None and not spread.aim.reached:
        words = "No launch within usual limits brings the ball to the middle of the window."
        warned.append(Caution("not_aimed", words, "/spread/aimed"))
    if mapped is not None and (missing := [*_left_out(mapped)]):
        words = (
            f"Not aimed or with lost deliveries, and so left out of all comparisons: {', '.join(missing)}."
        )
        warned.append(Caution("points_left_out", words, "/line_map"))
    if played is not None and (lost := [*_squad_lost(played)]):
        words = f"Balls that do not come to the pins: {', '.join(lost)}."
        warned.append(Caution("squad_shots_lost", words, "/squad"))
    return {
        "ball": {"name": ball.name, "weight": ball.weight, "radius": ball.radius, "hand": ball.hand},
        "bowler": {"name": asked.bowler.name, **throws(asked.bowler)},
        "marks": None if asked.spin is None else _spin(asked.spin),
        "lane": {"name": lane.name, "volume": lane.volume, "length": lane.length},
        "motion": delivery(thrown),
        "spread": None if spread is None else spread_answer(spread),
        "line_map": None if mapped is None else line_map_answer(mapped),
        "surface_change": None if mapped is None else _changes(mapped),
        "explain": None if explanation is None else {**asdict(explanation), "method": METHOD},
        "squad": None if played is None else squad_answer(played),
        "calibration": None if calibration is None else calibration_answer(calibration),
        "cautions": [caution.to_dict() for caution in warned],
        "assumptions": [*asked.assumptions, *assumptions(ball, lane, asked.settings)],
        "units": UNITS,
    }


SQUAD = {
    "oil": "on the lane, of it beyond the pattern, wiped off balls since the beginning, drawn in by covers; "
    "the lane's, the balls' and the covers' add up to what was put down",
    "film": f"means over stretches of {FILM_FEET:g} ft from the foul line, by board from the right edge",
    "place": "where the bowler's usual release with a clean ball would go now, a mean over the phases of the "
    "grip; moved: contact_board less that on the fresh lane; null where no phase comes to the pins",
    "thrown": "the scattered shots of the game that ends here; share: of all of them in the pocket's window",
}
DEPLETION = {
    True: "Covers take oil and lay it down again, by oil_on_ball; it is wiped off before the next shot.",
    False: "Covers carry no oil, since oil_on_ball is not given: each shot takes a share of the film along "
    "its own path and leaves some of that beyond the pattern, by wear.",
}


def squad_answer(played: Played) -> Group:
    """The lane and every bowler's ball, fresh and after each game."""
    squad = played.squad
    return {
        "bowlers": [
            {
                "name": member.bowler.name,
                **throws(replace(member.bowler, release=release)),
                "ball": member.ball.name,
                "aimed": played.aims[k].reached if played.aims else None,
            }
            for k, (member, release) in enumerate(zip(squad.members, played.releases, strict=True))
        ],
        "order": [squad.members[k].bowler.name for k in squad.order],
        "put_down": played.fresh.volume,
        "states": [_squad_state(game, state, played) for game, state in enumerate(played.states)],
        "shots": squad.shots,
        "games": squad.games,
        "seed": squad.seed,
        "depletion": DEPLETION[played.carrying],
        "definitions": SQUAD,
    }


def _squad_state(game: int, state: State, played: Played) -> Group:
    cells = state.lane.cells.reshape(-1, FILM_CELLS, state.lane.cells.shape[1]).mean(axis=1)
    thrown: list[Ends | None] = [*state.thrown] or [None] * len(state.places)
    return {
        "game": game,
        "shots": state.shots,
        "oil": {
            "on_lane": state.lane.volume,
            "beyond_pattern": beyond(state.lane),
            "on_balls": state.on_balls,
            "absorbed": state.absorbed,
        },
        "film": cells.tolist(),
        "bowlers": [
            {
                "bowler": member.bowler.name,
                "place": _squad_place(place, fresh),
                "thrown": None if ends is None else _squad_thrown(ends),
            }
            for member, place, fresh, ends in zip(
                played.squad.members, state.places, played.states[0].places, thrown, strict=True
            )
        ],
    }


def _squad_place(place: Ends, fresh: Ends) -> Group | None:
    if not place.arrived.any():
        return None
    at = Ends(place.rows[place.arrived], place.ball)
    before = fresh.contact_board[fresh.arrived]
    board = float(at.contact_board.mean())
    return {
        "board": float(at.board.mean()),
        "contact_board": board,
        "moved": board - float(before.mean()) if len(before) else None,
        "angle": float(at.heading.mean()),
        "skid_end": _number(float(at.rows[:, notes.TURN_START].mean()) / 12.0),
        "phases_at_pins": len(at.rows),
    }


def _squad_thrown(ends: Ends) -> Group:
    arrived = Ends(ends.rows[ends.arrived], ends.ball)
    return {
        "shots": len(ends.rows),
        "endings": endings(ends.rows),
        "contact_board": _statistics(arrived.contact_board),
        "entry_angle": _statistics(arrived.heading),
        "share": ends.inside(Window())[1],
    }


def _squad_lost(played: Played) -> Iterator[str]:
    for k, member in enumerate(played.squad.members):
        lost = sum(int((~state.thrown[k].arrived).sum()) for state in played.states[1:])
        if lost or not played.states[-1].places[k].arrived.any():
            yield f"{member.bowler.name} ({lost} shots)"


def calibration_answer(found: Calibration) -> Group:
    """The friction found, what is left of every sensor, and the shots as fitted."""
    deviation = np.sqrt(np.diag(found.curve.covariance)).tolist()
    return {
        "curve": {**asdict(found.curve), "covariance": [[*row] for row in found.curve.covariance]},
        "uncertainty": dict(zip(FRICTIONS, deviation, strict=True)),
        "correlation": found.correlation.tolist(),
        "chi_square": found.chi_square,
        "freedom": found.freedom,
        "sensors": [asdict(sensor) for sensor in found.sensors],
        "shots": [
            {"release": asdict(release), "root_mean_square": left}
            for release, left in zip(found.releases, found.left, strict=True)
        ],
        "deliveries": found.deliveries,
        "definition": CALIBRATION,
    }


def throws(bowler: Bowler) -> Group:
    """How a bowler throws."""
    return {
        "hand": bowler.hand,
        "pap": {"over": bowler.over, "up": bowler.up},
        "release": asdict(bowler.release),
        "scatter": asdict(bowler.scatter),
    }


def _spin(spin: Spin) -> Group:
    unsure = dict(zip(SPIN, spin.uncertainty, strict=True))
    return {**{name: getattr(spin, name) for name in SPIN}, "uncertainty": unsure}


def _ending_cautions(thrown: Delivery) -> list[Caution]:
    if thrown.ending != "pins":
        words = f"{message(thrown)} The numbers hold for the path until then."
        return [Caution("pins_not_reached", words)]
    found = [] if thrown.rolled else [Caution("never_rolled", message(thrown))]
    if len(thrown.alike) < len(thrown.rows):
        words = "Whether the ball comes to the pins depends on the phase of the grip at release."
        found.append(Caution("phase_decides", words))
    return found


def delivery(thrown: Delivery) -> Group:
    """One delivery in trade units; entry is empty where the ball does not come to the pins."""
    velocity = thrown.row[notes.END_VX], thrown.row[notes.END_VY]
    heading = math.degrees(math.atan2(-thrown.ball.side * velocity[0], velocity[1]))
    figures = _figures(thrown)
    mean = {name: _number(values.mean()) for name, values in figures.items()}
    entry = ("board", "contact_board", "angle", "mean_heading", "speed")
    return {
        "ending": thrown.ending,
        "message": message(thrown),
        "time": float(thrown.row[notes.TIME]),
        "distance": thrown.distance,
        "end": {"board": thrown.board, "speed": math.hypot(*velocity) / MPH, "heading": heading},
        "entry": {name: mean[f"entry_{name}"] if thrown.ending == "pins" else None for name in entry},
        "phases": {
            "skid_end": mean["skid_end"],
            "hook_end": mean["hook_end"],
            "roll_start": mean["roll_start"],
            "roll_start_speed": mean["roll_start_speed"],
            "times_gripped": int(thrown.row[notes.GRIPS]),
            "definition": PHASES,
        },
        "breakpoint": {"board": mean["breakpoint_board"], "distance": mean["breakpoint_distance"]},
        "boards_crossed": mean["boards_crossed"],
        "hook": mean["hook"],
        "total_turn": mean["total_turn"],
        "turn_left": mean["turn_left"],
        "sharpness": mean["sharpness"],
        "revolutions": mean["revolutions"],
        "flare": _flare(thrown, mean),
        "oil_taken": mean["oil_taken"],
        "roll_phases": {
            "count": len(thrown.rows),
            "endings": endings(thrown.rows),
            "ranges": {name: phase_range(values) for name, values in figures.items()},
            "definition": PHASE_MEANS,
        },
        "energy": _energy(thrown),
        "steps": thrown.steps,
        "curves": _curves(thrown) if len(thrown.samples) else None,
    }


def _figures(thrown: Delivery) -> dict[str, Array]:
    """Numbers of every phase that ends as the first does, (q,) each; NaN where there is none."""
    rows, side, size = thrown.alike, thrown.ball.side, thrown.ball.radius
    outermost = to_board(rows[:, notes.BREAK_X], side)
    speed = np.hypot(rows[:, notes.END_VX], rows[:, notes.END_VY]) / MPH
    aside = side * math.tan(math.radians(thrown.release.launch_angle)) * rows[:, notes.END_Y]
    ends, gripped = Ends(rows, thrown.ball), rows[:, notes.GRIPS] > 0
    board = ends.board
    return {
        "entry_board": board,
        "entry_contact_board": ends.contact_board,
        "entry_angle": ends.heading,
        "entry_mean_heading": np.where(gripped, ends.total - thrown.release.launch_angle, ends.heading),
        "entry_speed": speed,
        "skid_end": rows[:, notes.TURN_START] / 12.0,
        "hook_end": rows[:, notes.TURN_END] / 12.0,
        "roll_start": rows[:, notes.ROLL_START] / 12.0,
        "roll_start_speed": rows[:, notes.ROLL_SPEED] / MPH,
        "breakpoint_board": outermost,
        "breakpoint_distance": rows[:, notes.BREAK_Y] / 12.0,
        "boards_crossed": board - outermost,
        "hook": board - thrown.release.launch_board - (to_board(aside, side) - to_board(0.0, side)),
        "total_turn": ends.total,
        "turn_left": ends.left,
        "sharpness": ends.sharpness,
        "revolutions": rows[:, notes.REVOLUTIONS],
        "flare_width": np.where(rows[:, notes.OILED_RINGS] > 0, size * rows[:, notes.OILED_FLARE], np.nan),
        "flare_width_to_the_end": size * rows[:, notes.FLARE],
        "migration": size * rows[:, notes.MIGRATION],
        "oil_taken": rows[:, notes.ON_COVER],
    }


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _flare(thrown: Delivery, mean: dict[str, float | None]) -> Group:
    return {
        "width": mean["flare_width"],
        "width_to_the_end": mean["flare_width_to_the_end"],
        "rings_oiled": int(thrown.row[notes.OILED_RINGS]),
        "migration": mean["migration"],
        "rings": [
            _ring(ring, axis, thrown.ball)
            for ring, axis in zip(thrown.rings, thrown.axes(thrown.rings[:, :3]), strict=True)
        ],
        "definition": FLARE,
    }


def _ring(ring: Array, axis: Array, ball: MotionBall) -> Group:
    right, up = arcs_from_grip((axis[0], axis[1], axis[2]), ball.radius)
    angle = math.degrees(ring[3])
    return {
        "axis": {"right": right, "up": up},
        "angle_from_contact": angle if ball.side > 0.0 else 180.0 - angle,
        "film": float(ring[4]),
        "distance": float(ring[5] / 12.0),
    }


def _energy(thrown: Delivery) -> Group:
    """The books from touch-down to the end [J]; what does not balance is the residual."""
    unit = JOULE * thrown.ball.weight
    columns = {
        "start_moving": notes.START_MOVING,
        "start_spinning": notes.START_SPINNING,
        "end_moving": notes.END_MOVING,
        "end_spinning": notes.END_SPINNING,
        "raised": notes.RAISED,
        "lost_to_sliding": notes.SLIDING_LOSS,
        "lost_to_rolling": notes.RESISTANCE_LOSS,
    }
    books = {name: float(unit * thrown.row[column]) for name, column in columns.items()}
    before = books["start_moving"] + books["start_spinning"]
    after = books["end_moving"] + books["end_spinning"] + books["raised"]
    lost = before - after - books["lost_to_sliding"] - books["lost_to_rolling"]
    return {**books, "residual": lost}


def message(thrown: Delivery) -> str:
    """What became of the ball, in words."""
    board, feet = thrown.board, thrown.distance
    boards = Ends(thrown.alike, thrown.ball).board
    low, high = (f"{end:.1f}" for end in phase_range(boards) or (board, board))
    by_phase = f" ({low} to {high} by the phase of the grip)" if low != high else ""
    start = thrown.alike[:, notes.ROLL_START].mean() / 12.0
    roll = "It never rolled: it slid all the way."
    if math.isnan(thrown.row[notes.START_MOVING]):
        roll = "It left the lane before it landed."
    elif math.isfinite(start):
        roll = f"It rolled without sliding from {start:.1f} ft."
    edge = "on the bowler's own side" if board < 0.5 * BOARDS else "on the far side"
    late = f"The ball had not reached the pins after {kernel.TIME_LIMIT:g} s"
    unresolved = f"The motion could not be followed beyond {feet:.1f} ft at this accuracy"
    ends = {
        "pins": f"The ball came to the head pin's row, {LANE_FEET:g} ft, on board {boards.mean():.1f}"
        f"{by_phase}.",
        "gutter": f"The ball left the lane into the gutter {edge} at {feet:.1f} ft; the path ends there.",
        "stopped": f"The ball came to a stop at {feet:.1f} ft, short of the pins; the path ends there.",
        "timed_out": f"{late}; the path ends at {feet:.1f} ft.",
        "unresolved": f"{unresolved}; the path ends there.",
    }
    return f"{ends[thrown.ending]} {roll}"


def assumptions(ball: MotionBall, lane: Lane, settings: MotionSettings) -> list[str]:
    """What was taken for granted."""
    found = surface_friction(ball.surface, settings.friction)
    whose = "the curve is ours" if ball.surface.curve else "curve and constants are ours"
    friction = (
        f"Friction runs from {found.dry:g} on a dry lane to {found.oiled:g} on a full film, for a surface of "
        f"{found.roughness:.1f} µin Ra; {whose}. Sliding speed does not matter."
    )
    carried = "The ball carries no oil along: every revolution meets the lane with the same surface."
    if (oil := settings.oil_on_ball) is not None:
        carried = (
            f"The cover begins clean, keeps {oil.split:g} of the film in the gap, at most {oil.capacity:g} "
            f"films as thick as its Ra, in rings of {oil.footprint:g} in standard deviation, and draws in "
            f"{oil.absorption:g} µL/ft² a second; model and numbers are ours."
        )
    taken = [friction, carried, *ALWAYS]
    if ball.centre_of_mass == (0.0, 0.0, 0.0):
        taken.append("The mass center is taken at the geometric center.")
    if settings.rolling_resistance == 0.0:
        taken.append("There is no rolling resistance.")
    return [*taken, *lane.notes]


def _curves(thrown: Delivery) -> Group:
    """Samples of a delivery as lists of equal length."""
    samples, side = thrown.samples, thrown.ball.side
    state = samples[:, 1 : eq.STATE + 1]
    spin = state[:, eq.SPIN : eq.SPIN + 3]
    rate = np.linalg.norm(spin, axis=1)
    with np.errstate(invalid="ignore"):
        axes = thrown.axes(spin / rate[:, None])
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
        "axis": [None if math.isnan(axis[0]) else axis.tolist() for axis in axes],
        "lost_to_sliding": (JOULE * thrown.ball.weight * state[:, eq.SLID]).tolist(),
    }


def spread_answer(spread: Spread) -> Group:
    """Statistics of the entries, and the shares inside the window."""
    sampling, ends = spread.sampling, spread.ends
    on_board, share = ends.inside(sampling.window)
    arrived = Ends(ends.rows[ends.arrived], ends.ball)
    return {
        "entry_board": _statistics(arrived.board),
        "contact_board": _statistics(arrived.contact_board),
        "entry_angle": _statistics(arrived.heading),
        "endings": endings(ends.rows),
        "aim": None if spread.aim is None else launched(spread.aim),
        "window": {
            "board": [*sampling.window.board],
            "angle": [*sampling.window.angle],
            "share_on_board": on_board,
            "share": share,
            "standard_error": math.sqrt(share * (1.0 - share) / sampling.deliveries),
            "meaning": WINDOW,
        },
        "deliveries": sampling.deliveries,
        "seed": sampling.seed,
    }


def launched(found: Aim) -> Group:
    """The launch that was aimed by."""
    launch = found.release
    return {
        "launch_angle": launch.launch_angle,
        "launch_board": launch.launch_board,
        "aimed": found.reached,
    }


def _statistics(values: Array) -> Group | None:
    known = statistics(values)
    return None if known is None else asdict(known)


def _left_out(mapped: LineMap) -> Iterator[str]:
    for one in mapped.maps:
        for volume, points in zip(mapped.volumes, one.points, strict=True):
            for name, point in zip(mapped.names, points, strict=True):
                if not point.sound:
                    yield f"{name} at {volume:.1f} mL for {one.bowler.replace('_', ' ')}"


def line_map_answer(mapped: LineMap) -> Group:
    """The maps of all bowlers."""
    return {
        "bowlers": [_bowler_map(one, mapped) for one in mapped.maps],
        "volumes": [*mapped.volumes],
        "deliveries": mapped.line.deliveries,
        "seed": mapped.line.seed,
        "definitions": MAP_DEFINITIONS,
    }


def _bowler_map(one: BowlerMap, mapped: LineMap) -> Group:
    by_volume = partial(zip, mapped.volumes, strict=True)
    return {
        "bowler": one.bowler,
        "points": [
            {"ball": name, "volume": volume, **_point(point)}
            for volume, points in by_volume(one.points)
            for name, point in zip(mapped.names, points, strict=True)
        ],
        "overlaps": [{"volume": v, **asdict(pair)} for v, pairs in by_volume(one.overlaps) for pair in pairs],
        "gaps": [{"volume": v, **asdict(gap)} for v, gaps in by_volume(one.gaps) for gap in gaps],
        "best_pair": _pair(one.best_pair, "largest_separation"),
        "widest_pair": _pair(one.widest_pair, "separation"),
    }


def _pair(pair: Pair | None, name: str) -> Group | None:
    return None if pair is None else {"balls": pair.balls, name: _number(pair.separation)}


def _point(point: Point) -> Group:
    """The point; a spread is one standard deviation."""
    return {
        "length": _statistics(point.length),
        "sharpness": _statistics(point.sharpness),
        "total_turn": _statistics(point.total_turn),
        "entry_angle": _statistics(point.entry_angle),
        **launched(point.aim),
        "lost": point.lost,
        "share": point.share,
    }


def _changes(mapped: LineMap) -> list[Group] | None:
    """Both points of each bowler and volume; the changes are those of each delivery by itself."""
    if mapped.line.surface is None:
        return None
    return [
        {
            "bowler": one.bowler,
            "volume": volume,
            "before": _point(points[0]),
            "after": _point(after),
            "length_change": _statistics(after.length - points[0].length),
            "sharpness_change": _statistics(after.sharpness - points[0].sharpness),
        }
        for one in mapped.maps
        for volume, points, after in zip(mapped.volumes, one.points, one.changed, strict=True)
    ]
