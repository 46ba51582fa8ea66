"""The ball as the motion sees it: inertia, centre of mass and positive axis point in the grip frame."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas.shared import limits
from ballgauge_service.core.refusal import number_problem, refuse
from ballgauge_service.motion.surfaces import Surface
from ballgauge_service.physics.inertia import principal_axes
from ballgauge_service.physics.sphere import (
    Vector,
    cross,
    dot,
    pin_from_layout,
    positive_axis_point,
    spin_axis_from_layout,
    towards,
)

Array = NDArray[np.float64]

USUAL_RADIUS = 0.5 * limits.USUAL_CIRCUMFERENCE / math.pi
"""Radius [in] of a ball 27 in around (ours), where none is given."""

HANDS = {"right": 1.0, "left": -1.0}

_BOX_LIMITS = (
    ("weight", 4.0, 20.0, "lb"),
    ("radius", 3.75, 4.75, "in"),
    ("rg", 2.0, 3.2, "in"),
    ("differential", 0.0, 0.2, "in"),
    ("intermediate_differential", 0.0, 0.2, "in"),
    ("pin_to_pap", 0.0, 13.5, "in"),
    ("drilling_angle", 0.0, 180.0, "deg"),
    ("val_angle", 0.0, 180.0, "deg"),
    ("over", -8.0, 8.0, "in"),
    ("up", -4.0, 4.0, "in"),
)


@dataclass(frozen=True)
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
        problems = [
            (f"/ball/{name}", words)
            for name, low, high, unit in _BOX_LIMITS
            if (words := number_problem(getattr(self, name), low, high, unit))
        ]
        if self.hand not in HANDS:
            problems.append(("/ball/hand", f"must be right or left; got {self.hand!r}"))
        refuse(problems)
        if self.intermediate_differential > self.differential:
            words = f"must be at most the differential, {self.differential:g} in"
            refuse([("/ball/intermediate_differential", words)])
        high = self.rg + self.differential
        if self.rg**2 + 2.0 * high**2 > 2.0 * self.radius**2:
            refuse([("/ball/rg", "impossible: no ball of this size has so large a radius of gyration")])


@dataclass(frozen=True)
class MotionBall:
    """Mass properties of a ball in the grip frame.

    weight [lb]; radius [in]; moments: principal moments about the mass centre over the mass [in²], smallest
    first; axes: their unit vectors as rows of a rotation, (3, 3); centre_of_mass [in] from the geometric
    centre; pap: unit vector of the positive axis point; hand: right or left.
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

    def with_surface(self, surface: Surface) -> MotionBall:
        """The same ball with another surface."""
        return replace(self, surface=surface)


def box_ball(box: BoxBall) -> MotionBall:
    """The ball that a box and a layout describe; its mass centre is its geometric centre."""
    hand = HANDS[box.hand]
    pap = positive_axis_point(hand, box.over, box.up, box.radius)
    turn = math.radians(box.val_angle)
    pin = pin_from_layout(hand, box.over, box.up, box.pin_to_pap, turn, box.radius)
    goal = pap if not math.isnan(towards(pin, pap)[0]) else (0.0, 1.0, 0.0)
    # With the pin on the PAP no direction leads from one to the other: the angle counts from straight up.
    psa = spin_axis_from_layout(hand, pin, goal, math.radians(box.drilling_angle))
    high = box.rg + box.differential
    moments = (box.rg**2, (high - box.intermediate_differential) ** 2, high**2)
    axes = np.array([pin, cross(psa, pin), psa])
    return MotionBall(
        box.name, box.weight, box.radius, moments, axes, (0.0, 0.0, 0.0), pap, box.hand, box.surface
    )


def drilled_ball(
    drilled: np.void, radius: float, hand: str, surface: Surface, name: str = "", eccentric: bool = True
) -> MotionBall:
    """The drilled ball, from one row of `physics.drilling.DRILLED` and its radius [in].

    eccentric: keep the mass centre where drilling left it; where it is not known it is the geometric centre.
    Raises InvalidMotion where the drilled inertia or the positive axis point is not known.
    """
    low, between, high = (float(drilled[part]) for part in ("rg", "rg_intermediate", "rg_high"))
    pap = _vector(drilled, "pap")
    problems = []
    if math.isnan(low + between + high):
        words = "the drilled inertia is not known: it needs rg, both differentials, pap and layout"
        problems.append(("/ball/rg", words))
    if math.isnan(pap[0]):
        problems.append(("/drilling/pap", "the positive axis point is needed for motion"))
    refuse(problems)
    first, last = _vector(drilled, "low_axis"), _vector(drilled, "high_axis")
    centre = _vector(drilled, "centre_of_mass")
    if not eccentric or math.isnan(centre[0]):
        centre = (0.0, 0.0, 0.0)
    axes = np.array([first, cross(last, first), last])
    return MotionBall(
        name,
        float(drilled["weight"]),
        radius,
        (low**2, between**2, high**2),
        axes,
        centre,
        pap,
        hand,
        surface,
    )


def tensor_ball(
    name: str,
    weight: float,
    radius: float,
    tensor: Array,
    centre: Vector,
    pap: Vector,
    hand: str,
    surface: Surface,
) -> MotionBall:
    """A ball with an inertia tensor over the mass [in²] about its mass centre, (3, 3), in the grip frame."""
    axes = np.empty((3, 3))
    moments = principal_axes(np.array(tensor, float), axes)
    axes[1] = cross(tuple(axes[2]), tuple(axes[0]))
    size = math.sqrt(dot(pap, pap))
    return MotionBall(
        name,
        weight,
        radius,
        moments,
        axes,
        centre,
        (pap[0] / size, pap[1] / size, pap[2] / size),
        hand,
        surface,
    )


def _vector(row: np.void, name: str) -> Vector:
    return (float(row[f"{name}_x"]), float(row[f"{name}_y"]), float(row[f"{name}_z"]))
