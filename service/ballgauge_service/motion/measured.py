"""A release from what people can measure: a marked ball on video, and a speed that was read down the lane."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from itertools import product

import numpy as np
from scipy.optimize import brentq

from ballgauge_schemas.shared import limits
from ballgauge_service.core.arrays import Array
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.motion.balls import HANDS, MotionBall
from ballgauge_service.motion.bowlers import Release, phased
from ballgauge_service.motion.lanes import Lane
from ballgauge_service.motion.starts import MPH, SPEED, MotionSettings, first_states, setup_row
from ballgauge_service.physics.motion.delivery import INTERPRETING, pass_rows
from ballgauge_service.physics.motion.film import LANE_LENGTH

TOLERANCE = 4.0
"""Standard uncertainties by which two rates of turning may differ and count as one (ours)."""

UNSURE = 0.25
"""Relative uncertainty of the rev rate, or [rad] of the axis, beyond which marks do not tell it (ours)."""

TRIED = 0.5
"""Steps in which speeds at release are tried [mph] (ours)."""

STEP = 1e-6
"""Step of the differences by which uncertainties are carried (ours)."""


@dataclass(frozen=True, slots=True)
class Sighting:
    """Where the mark stood at a time [s], seen from behind: right and up of the center, in radii."""

    time: float
    right: float
    up: float


@dataclass(frozen=True, slots=True)
class Marks:
    """Three sightings in order; standard uncertainties of a place [radii] and of a time [s]."""

    sightings: tuple[Sighting, Sighting, Sighting]
    place_uncertainty: float = limits.MARK_PLACE
    time_uncertainty: float = limits.MARK_TIME


@dataclass(frozen=True, slots=True)
class Spin:
    """Rev rate [rpm], rotation and tilt [deg], and their standard uncertainties in this order."""

    rev_rate: float
    axis_rotation: float
    axis_tilt: float
    uncertainty: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class SpeedReading:
    """Where a speed was read: mean between two distances [ft], or at one where both are the same."""

    first: float
    last: float


def spin_from_marks(marks: Marks, hand: str, launch_angle: float) -> Spin:
    """Rev rate, rotation and tilt from three places of a mark.

    The mark runs round a circle on the ball, which three places fix; its axis is the circle's. How often it
    went round between them, and which way, follows from the rate being the same in both intervals.

    Parameters
    ----------
    marks : three sightings with their times
    hand : right or left
    launch_angle : of the delivery [deg]

    Returns
    -------
    rate [rpm], rotation and tilt [deg], with standard uncertainties

    Raises
    ------
    InvalidInput
        The places fix no circle, or more than one rate up to limits.RELEASE explains them, or none does.
    """
    values = np.array([[s.time, s.right, s.up] for s in marks.sightings]).ravel()
    points = _points(values)
    normal = np.cross(points[1] - points[0], points[2] - points[1])
    sigma = np.tile([marks.time_uncertainty, marks.place_uncertainty, marks.place_uncertainty], 3)
    size = float(np.linalg.norm(normal))
    if size < 2.0 * marks.place_uncertainty:
        words = "the three places lie too near to each other, or to one line, to tell the axis"
        raise InvalidInput([Fault("/release/marks/sightings", words)])
    most = limits.RELEASE["rev_rate"][1] * 2.0 * math.pi / 60.0
    seconds = np.diff(values[::3])
    found = []
    for sense in (1.0, -1.0):
        angles = _angles(points, sense)
        turns = [range(int(most * t / (2.0 * math.pi)) + 1) for t in seconds]
        for first, second in product(*turns):
            whole = (angles + 2.0 * math.pi * np.array([first, second])) / seconds
            slopes = _slopes(values, partial(_rates, sense=sense, first=first, second=second))
            apart = slopes[0] - slopes[1]
            unsure = math.sqrt(float(((apart * sigma) ** 2).sum()))
            if whole.max() <= most and abs(whole[0] - whole[1]) <= TOLERANCE * unsure:
                found.append((sense, first, second))
    if not found:
        words = "no steady turning explains the three places: look at times, order and units"
        raise InvalidInput([Fault("/release/marks/sightings", words)])
    if len(found) > 1:
        rates = sorted(float(_rates(values, *each).mean()) * 30.0 / math.pi for each in found)
        words = (
            f"more than one rate explains them: {', '.join(f'{rate:.0f} rpm' for rate in rates[:4])}; take "
            "pictures less than half a turn apart, at unequal times"
        )
        raise InvalidInput([Fault("/release/marks/sightings", words)])
    (one,) = found
    value = _spin(values, one, hand, launch_angle)
    slopes = _slopes(values, lambda v: _spin(v, one, hand, launch_angle))
    deviation = np.sqrt(((slopes * sigma) ** 2).sum(axis=1))
    if deviation[0] > UNSURE * value[0] or math.radians(deviation[1:].max()) > UNSURE:
        words = (
            f"they leave {deviation[0]:.0f} rpm, {deviation[1]:.0f} deg of rotation and {deviation[2]:.0f} "
            "deg of tilt open: take a mark farther from the axis, and places farther apart"
        )
        raise InvalidInput([Fault("/release/marks/sightings", words)])
    revs, rotation, tilt = value.tolist()
    return Spin(revs, rotation, tilt, (float(deviation[0]), float(deviation[1]), float(deviation[2])))


def _points(values: Array) -> Array:
    """Unit vectors to the mark, right, down the lane and up, (3, 3): it is on the side that is seen."""
    _, right, up = values.reshape(3, 3).T
    depth = np.sqrt(np.maximum(1.0 - right**2 - up**2, 0.0))
    return np.stack([right, -depth, up], axis=1)


def _axis(points: Array, sense: float) -> Array:
    normal = np.cross(points[1] - points[0], points[2] - points[1])
    axis: Array = sense * normal / np.linalg.norm(normal)
    return axis


def _angles(points: Array, sense: float) -> Array:
    """Angles [rad], in [0, 2 pi), turned about the axis from each place to the next, (2,)."""
    axis = _axis(points, sense)
    level = points - (points @ axis)[:, None] * axis
    along = (level[:-1] * level[1:]).sum(axis=1)
    aside = np.cross(level[:-1], level[1:]) @ axis
    turned: Array = np.arctan2(aside, along) % (2.0 * math.pi)
    return turned


def _rates(values: Array, sense: float, first: int, second: int) -> Array:
    angles = _angles(_points(values), sense) + 2.0 * math.pi * np.array([first, second])
    rates: Array = angles / np.diff(values[::3])
    return rates


def _spin(values: Array, one: tuple[float, int, int], hand: str, launch_angle: float) -> Array:
    """Rev rate [rpm] over both intervals, rotation and tilt [deg]: as `starts.first_states` turns a ball."""
    sense, first, second = one
    turned = _angles(_points(values), sense).sum() + 2.0 * math.pi * (first + second)
    rate = turned / (values[6] - values[0]) * 30.0 / math.pi
    side = HANDS[hand]
    axis = side * _axis(_points(values), sense)
    around = math.degrees(math.atan2(-axis[1], -side * axis[0]))
    return np.array([rate, around + launch_angle, math.degrees(math.asin(min(max(axis[2], -1.0), 1.0)))])


def _slopes(values: Array, function: Callable[[Array], Array]) -> Array:
    """Central differences, (n, 9)."""
    steps = STEP * np.eye(len(values))
    rows = [(function(values + step) - function(values - step)) / (2.0 * STEP) for step in steps]
    return np.array(rows).T


def release_speed(
    ball: MotionBall, release: Release, lane: Lane, settings: MotionSettings, reading: SpeedReading
) -> float:
    """The speed at release of a ball whose `release.speed` was read down the lane.

    Parameters
    ----------
    ball : in the hand
    release : with the speed as it was read [mph]
    lane : on which it is thrown
    settings : how deliveries are computed
    reading : from where to where it was read [ft]

    Returns
    -------
    [mph]

    Raises
    ------
    InvalidInput
        No speed that is taken explains the reading.
    """
    wanted = release.speed
    low, high = wanted, limits.RELEASE["speed"][1]
    distances = 12.0 * np.unique([reading.first, reading.last])
    distances = np.minimum(distances, LANE_LENGTH - 1e-3)
    rows = phased(release)
    setups = np.tile(setup_row(ball, settings, release.loft), (len(rows), 1))

    def short(speed: float) -> float:
        rows[:, SPEED] = speed
        out = np.empty((len(rows), len(distances), 4))
        follow = pass_rows.expecting(20.0 * INTERPRETING * len(rows))
        states = first_states(ball, rows)
        follow(states, setups, lane.grid(), distances, settings.path_error, settings.largest_step, out)
        if np.isnan(out).any():
            return float("nan")
        if len(distances) == 1:
            return float(np.hypot(out[:, 0, 2], out[:, 0, 3]).mean()) / MPH - wanted
        feet = np.hypot(np.diff(distances)[0], np.diff(out[..., 1], axis=1)[:, 0])
        return float((feet / np.diff(out[..., 0], axis=1)[:, 0]).mean()) / MPH - wanted

    before = float("nan")
    while low <= high:
        here = short(low)
        if here >= 0.0 >= before:
            return float(brentq(short, low - TRIED, low, xtol=1e-6))
        if here == 0.0:
            return low
        before, low = here, low + TRIED
    words = f"no release passes there at {wanted:g} mph: too slow it leaves the lane, or it is never so fast"
    raise InvalidInput([Fault("/release/speed", words)])
