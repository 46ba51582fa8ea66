"""What the model of two materials, a cover and one inside, leaves open in a drilled ball's numbers.

Holes are drilled through the layers that box numbers tell of; a real ball has a filler and a core, and what a
hole takes of them differs hole by hole. The sizes here are ours: drillings of a family of layered designs
(three-piece balls of 12.5 to 16 lb with cores, discs and covers of many kinds), each beside the ball that has
its box numbers alone. `tests/check/test_material_error.py` draws the family again, and holds them to it.
"""

from __future__ import annotations

import math

import numpy as np

from ballgauge_service.core.arrays import Array
from ballgauge_service.core.compiled import compiled
from ballgauge_service.core.units import OZ_PER_CUBIC_INCH, OZ_PER_LB
from ballgauge_service.physics.drilling import Structs

REMOVED = 0.13
DEEP_FROM, DEEP = 2.75, 0.2
"""Standard uncertainty of what one hole takes away, as a part of it, and by how much it grows with each inch
of depth beyond where cores begin [in, 1/in] (ours)."""

SHARED_BY_THREE = 0.01
"""Standard uncertainty of what a hole leaves to two others that it meets and that meet each other, as a part
of it (ours): the outline of what all three share is not located, see `overlaps.shared_region`."""

NUMBERS = 8
"""Numbers of one ball, see `material_error`."""

_INTERPRETING = 2e-4
"""What either costs of one ball interpreted [s] (ours, measured and rounded)."""


def shared_by_three(balls: Structs, out: Structs, hole_out: Structs) -> Array:
    """Standard uncertainties of what holes take where three and more share material; else 0.

    Parameters
    ----------
    balls, out : (n,) rows
    hole_out : (n, h) rows

    Returns
    -------
    (n, h) array [oz]: what a hole leaves to others is at most its volume at the greater of the two
        densities, less what it took
    """
    found = np.zeros(hole_out.shape)
    _fill_shared.expecting(_INTERPRETING * len(out))(balls, out, hole_out, found)
    return found


@compiled
def _fill_shared(balls: Structs, out: Structs, hole_out: Structs, found: Array) -> None:
    for n in range(hole_out.shape[0]):
        for hole in range(hole_out.shape[1]):
            others, crowded = hole_out[n, hole].meets, False
            for k in range(hole_out.shape[1]):
                crowded |= (others >> k) & 1 > 0 and others & hole_out[n, k].meets > 0
            if crowded:
                density = max(balls[n].cover_density, out[n].inner_density) * OZ_PER_CUBIC_INCH
                left = density * hole_out[n, hole].volume - hole_out[n, hole].removed_weight
                found[n, hole] = SHARED_BY_THREE * max(left, 0.0)


def material_error(balls: Structs, holes: Structs, out: Structs, hole_out: Structs) -> Array:
    """Standard uncertainties that the material model leaves in the numbers of drilled balls.

    Each hole's uncertain weight u = `REMOVED` w, more for a deep one or where three share material, lies
    half way down it, at r from the center. It moves the balance by u r / arm along the hole, hole by hole on
    its own (root of the sum of squares), the weight by u, all holes alike (sum), and the radii of gyration
    by about u RG / (2 m) and u r^2 / (2 m RG).

    Parameters
    ----------
    balls : array (n,) of BALL
    holes, hole_out : array (n, h) of HOLE, of DRILLED_HOLE
    out : array (n,) of DRILLED

    Returns
    -------
    array (n, 8)
        Of top, side and finger reading and the largest imbalance [oz], of the drilled weight [lb], of the low
        radius of gyration, the differential and the intermediate differential [in]; 0 without holes, NaN
        where what they rest on is not known. Twice as much held 94 % or more of the family, number by number.
    """
    found = np.zeros((len(out), NUMBERS))
    if hole_out.shape[1] > 0:
        shared = shared_by_three(balls, out, hole_out)
        _fill.expecting(_INTERPRETING * len(out))(balls, holes, out, hole_out, shared, found)
    return found


@compiled
def _fill(
    balls: Structs, holes: Structs, out: Structs, hole_out: Structs, shared: Array, found: Array
) -> None:
    for n in range(out.shape[0]):
        ball, got = balls[n], out[n]
        all_own, inertia, along_z, along_x, along_y = 0.0, 0.0, 0.0, 0.0, 0.0
        for k in range(hole_out.shape[1]):
            hole = hole_out[n, k]
            depth = _or_none(holes[n, k].depth)
            own = abs(hole.removed_weight) * (REMOVED + DEEP * max(depth - DEEP_FROM, 0.0))
            own = math.hypot(own, shared[n, k])
            middle = ball.radius - 0.5 * depth
            all_own += own
            inertia += (own * middle * middle) ** 2
            along_z += (own * (middle * _or_none(hole.center_z))) ** 2
            along_x += (own * (middle * _or_none(hole.center_x))) ** 2
            along_y += (own * (middle * _or_none(hole.center_y))) ** 2
        top = math.sqrt(along_z) / ball.balance_arm
        side = math.sqrt(along_x) / ball.balance_arm
        finger = math.sqrt(along_y) / ball.balance_arm
        length = math.sqrt(got.top**2 + got.side**2 + got.finger**2)
        along = math.sqrt((got.top * top) ** 2 + (got.side * side) ** 2 + (got.finger * finger) ** 2)
        found[n, 0], found[n, 1], found[n, 2] = top, side, finger
        found[n, 3] = along / length if length > 0.0 else max(top, side, finger)
        found[n, 4] = all_own / OZ_PER_LB
        mass = OZ_PER_LB * ball.weight
        found[n, 5] = all_own * ball.rg / (2.0 * mass)
        found[n, 6] = found[n, 7] = math.sqrt(inertia) / (2.0 * mass * ball.rg)


@compiled
def _or_none(number: float) -> float:
    """A number, 0 where it is not known."""
    return number if number == number else 0.0
