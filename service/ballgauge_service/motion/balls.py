"""The ball as the motion sees it: inertia, center of mass and positive axis point in the grip frame."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from ballgauge_schemas.shared import limits
from ballgauge_schemas.shared.words import RADII
from ballgauge_service.core.arrays import Array
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.motion.surfaces import Surface
from ballgauge_service.physics.drilling import vector_of
from ballgauge_service.physics.sphere import (
    Vector,
    cross,
    pin_from_layout,
    positive_axis_point,
    spin_axis_from_layout,
    toward,
)

USUAL_RADIUS = 0.5 * limits.USUAL_CIRCUMFERENCE / math.pi
"""Radius [in] of a ball whose size is not given."""

HANDS = {"right": 1.0, "left": -1.0}


@dataclass(frozen=True, slots=True)
class BoxBall:
    """A ball by its box numbers and layout, as if drilling changed nothing.

    weight [lb]; radius, rg (low axis), differential (high − low), intermediate_differential (high −
    intermediate) [in]; layout: pin_to_pap [in], drilling_angle, val_angle [deg]; the bowler's positive axis
    point: over, up [in]; hand: right or left.
    """

    name: str = ""
    weight: float = 15.0
    rg: float = 2.5
    differential: float = 0.045
    intermediate_differential: float = 0.0
    radius: float = USUAL_RADIUS
    pin_to_pap: float = 4.5
    drilling_angle: float = 60.0
    val_angle: float = 40.0
    over: float = limits.PAP_OVER
    up: float = limits.PAP_UP
    hand: str = limits.HAND
    surface: Surface = field(default_factory=Surface)

    def __post_init__(self) -> None:
        # The principal moments add up to 2 sum m r², at most 2 m R².
        high = self.rg + self.differential
        if self.rg**2 + 2.0 * high**2 > 2.0 * self.radius**2:
            words = "impossible: no ball of this size has so large a radius of gyration"
            raise InvalidInput([Fault("/rg", words)])


@dataclass(frozen=True, slots=True)
class MotionBall:
    """Mass properties of a ball in the grip frame.

    weight [lb]; radius [in]; moments: principal moments about the mass center over the mass [in²], smallest
    first; axes: their unit vectors as rows of a rotation, (3, 3); centre_of_mass [in] from the geometric
    center; pap: unit vector of the positive axis point; hand: right or left.
    """

    name: str
    weight: float
    radius: float
    moments: tuple[float, float, float]
    axes: Array
    centre_of_mass: Vector
    pap: Vector
    hand: str
    surface: Surface

    @property
    def side(self) -> float:
        """1 for a right-hander, −1 for a left-hander."""
        return HANDS[self.hand]

    @property
    def numbers(self) -> tuple[float, float, float]:
        """Low radius of gyration, differential and intermediate differential [in]."""
        low, between, high = (math.sqrt(each) for each in self.moments)
        return low, high - low, high - between


def box_ball(box: BoxBall) -> MotionBall:
    """The ball that a box and a layout describe; its mass center is its geometric center.

    The layout's angles are those of `physics.sphere`; radii of gyration squared are moments over the mass.

    Parameters
    ----------
    box : its numbers

    Returns
    -------
    the ball in the grip frame
    """
    hand = HANDS[box.hand]
    pap = positive_axis_point(hand, box.over, box.up, box.radius)
    turn = math.radians(box.val_angle)
    pin = pin_from_layout(hand, box.over, box.up, box.pin_to_pap, turn, box.radius)
    goal = pap if not math.isnan(toward(pin, pap)[0]) else (0.0, 1.0, 0.0)
    # With the pin on the PAP no direction leads from one to the other: the angle counts from straight up.
    psa = spin_axis_from_layout(hand, pin, goal, math.radians(box.drilling_angle))
    high = box.rg + box.differential
    moments = (box.rg**2, (high - box.intermediate_differential) ** 2, high**2)
    axes = np.array([pin, cross(psa, pin), psa])
    return MotionBall(
        box.name, box.weight, box.radius, moments, axes, (0.0, 0.0, 0.0), pap, box.hand, box.surface
    )


def drilled_ball(drilled: np.void, radius: float, hand: str, surface: Surface, name: str = "") -> MotionBall:
    """The drilled ball, its mass center where drilling left it, or else the geometric center.

    Parameters
    ----------
    drilled : one row of `physics.drilling.DRILLED`
    radius : [in]
    hand : right or left
    surface : of the ball
    name : of the ball

    Returns
    -------
    the ball in the grip frame

    Raises
    ------
    InvalidInput
        The drilled inertia or the positive axis point is not known.
    """
    low, between, high = (float(drilled[part]) for part in RADII)
    pap, center = vector_of(drilled, "pap"), vector_of(drilled, "centre_of_mass")
    if math.isnan(low + between + high + pap[0]):
        words = "the drilled inertia is not known: it needs rg, both differentials, pap and layout"
        raise InvalidInput([Fault("/ball/rg", words)])
    first, last = vector_of(drilled, "low_axis"), vector_of(drilled, "high_axis")
    return MotionBall(
        name,
        float(drilled["weight"]),
        radius,
        (low**2, between**2, high**2),
        np.array([first, cross(last, first), last]),
        (0.0, 0.0, 0.0) if math.isnan(center[0]) else center,
        pap,
        hand,
        surface,
    )
