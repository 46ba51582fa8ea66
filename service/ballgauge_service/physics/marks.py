"""Where the marks of drilled balls lie on the surface, and the arcs between them.

Frames and words as in `sphere`.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.arrays import Array
from ballgauge_service.core.compiled import compiled
from ballgauge_service.physics.drilling import Structs
from ballgauge_service.physics.sphere import Vector, angle_between, arcs_from_grip, bearing, dot

Counts = NDArray[np.int64]

MARKS = 23
"""Numbers of one ball, see `marks`."""

_ROUNDING = 1e-12

_INTERPRETING = 3e-4
"""What the marks of one ball cost interpreted [s] (ours, measured and rounded)."""


@compiled
def place_of(at: Vector, radius: float) -> tuple[float, float]:
    """Place of a mark.

    Parameters
    ----------
    at : unit vector
    radius : float [in]

    Returns
    -------
    right, up : float, arcs from the grip center [in]; what only rounding leaves is 0, the unknown is NaN
    """
    if math.isnan(at[0] + at[1] + at[2]):
        return math.nan, math.nan
    right, up = arcs_from_grip(at, radius)
    return (0.0 if abs(right) < _ROUNDING else right), (0.0 if abs(up) < _ROUNDING else up)


@compiled
def _nearest_pole(axis: Vector, mark: Vector) -> Vector:
    return (-axis[0], -axis[1], -axis[2]) if dot(axis, mark) < 0.0 else axis


@compiled
def _heavy_side(x: float, y: float, z: float) -> Vector:
    """Unit vector of a balance moment; NaN of a balanced ball."""
    length = math.sqrt(x * x + y * y + z * z)
    if not length > 1e-12:
        return (math.nan, math.nan, math.nan)
    return (x / length, y / length, z / length)


@compiled
def _val_normal(pap: Vector) -> Vector:
    """Unit normal of the great circle that is the vertical axis line through the PAP."""
    across = math.sqrt(pap[0] * pap[0] + pap[2] * pap[2])
    return (pap[2] / across, 0.0, -pap[0] / across) if across > 0.0 else (math.nan, 0.0, 0.0)


@compiled
def _fill(
    out: Structs,
    hole_out: Structs,
    counts: Counts,
    radius: Array,
    found: Array,
    holes: Array,
) -> None:
    for n in range(out.shape[0]):
        ball, size = out[n], radius[n]
        pap = (ball.pap_x, ball.pap_y, ball.pap_z)
        pin = (ball.pin_x, ball.pin_y, ball.pin_z)
        psa = (ball.psa_x, ball.psa_y, ball.psa_z)
        cg = (ball.cg_x, ball.cg_y, ball.cg_z)
        low = _nearest_pole((ball.low_axis_x, ball.low_axis_y, ball.low_axis_z), pin)
        high = _nearest_pole((ball.high_axis_x, ball.high_axis_y, ball.high_axis_z), psa)
        points = (pap, pin, psa, cg, low, high)
        for k in range(6):
            found[n, 2 * k], found[n, 2 * k + 1] = place_of(points[k], size)
        found[n, 12] = size * angle_between(pin, pap)
        found[n, 13] = size * angle_between(pap, psa)
        found[n, 14] = size * angle_between(pin, psa)
        found[n, 15] = size * angle_between(pin, (0.0, 0.0, 1.0))
        found[n, 16], found[n, 17] = size * angle_between(pin, low), bearing(pin, low)
        found[n, 18], found[n, 19] = size * angle_between(psa, high), bearing(psa, high)
        found[n, 20], found[n, 21] = place_of(_heavy_side(ball.moment_x, ball.moment_y, ball.moment_z), size)
        found[n, 22] = size * abs(0.5 * math.pi - angle_between(pin, _val_normal(pap)))
        for j in range(counts[n]):
            hole = hole_out[n, j]
            holes[n, j, 0], holes[n, j, 1] = place_of((hole.center_x, hole.center_y, hole.center_z), size)


def marks(out: Structs, hole_out: Structs, counts: Counts, radius: Array) -> tuple[Array, Array]:
    """Marks of drilled balls, and places of their holes.

    Parameters
    ----------
    out, hole_out, counts
        As `drilling.drill` gives and takes them.
    radius : array (n,)
        Of the balls [in].

    Returns
    -------
    array (n, MARKS)
        Right and up [in] of PAP, pin, PSA, CG mark, and of the low and the high axis at the pole next to its
        mark (pin, PSA); the arcs from pin to PAP, PAP to PSA, pin to PSA and pin to grip center; how far and
        in what bearing [rad] the low axis went from the pin, and the high one from the PSA; right and up of
        the heavy side; the arc from the pin to the vertical axis line. NaN where not known.
    array (n, h, 2)
        Right and up of the holes [in].
    """
    found = np.empty((len(out), MARKS))
    holes = np.empty((*hole_out.shape, 2))
    fill = _fill.expecting(_INTERPRETING * len(out))
    fill(out, hole_out, counts, radius, found, holes)
    return found, holes
