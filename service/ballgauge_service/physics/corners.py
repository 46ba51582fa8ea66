"""Where the outline of what two holes share has a corner, along the normal of its sections.

As a plane moves through the region its section's moments are analytic until a vertex of the section appears
or goes: there three faces of the region meet, walls, bottoms, spheres or a plane that halves the ball. Frame
and `Pair` as in `sections`.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.compiled import compiled
from ballgauge_service.physics.quadrature import OVERLAP_SAMPLES
from ballgauge_service.physics.roots import Bracket, narrowed, secant
from ballgauge_service.physics.sections import Pair, strips

MOST_CORNERS = 120
"""Room for all corners of two bottoms, three dividing planes and two spheres, and for the two ends."""

MOST_FACES = 7

_ROUNDS = 6
_CLOSE = 1e-5
_NOISE = 1e-18
_SLACK = 1e-3
_PARALLEL = 1e-7
_LEVEL = 1e-12

Faces = NDArray[np.float64]
"""Planes and spheres, one row (a, b, c, d) each: a x + b z + c s = d; a sphere has a = b = c = 0 and d its
squared radius. The first two are the bottoms of i and j, then come the planes that halve the ball."""


@compiled
def _beyond(pair: Pair, faces: Faces, face: int, s: float, half_i: float, half_j: float) -> float:
    """Signed measure of how far an edge of two walls lies beyond a face; half widths bear the walls' signs.

    The height of the edge is rise / aside; the measure is regular where the axes are parallel.
    """
    a: float = faces[face, 0]
    b: float = faces[face, 1]
    c: float = faces[face, 2]
    d: float = faces[face, 3]
    x = pair.middle_j + half_j
    rise = pair.middle_i + half_i + pair.along * x
    if a == 0.0 and b == 0.0:
        across = pair.aside * x
        return across * across + rise * rise + pair.aside * pair.aside * (s * s - d)
    return pair.aside * (a * x + c * s - d) + b * rise


@compiled
def _crossing(
    pair: Pair, faces: Faces, face: int, sign_i: float, sign_j: float, low: float, high: float
) -> float:
    """Place between low and high where an edge of two walls meets a face (see `roots`)."""
    half_i, half_j = strips(pair, low)
    at_low = _beyond(pair, faces, face, low, sign_i * half_i, sign_j * half_j)
    half_i, half_j = strips(pair, high)
    at_high = _beyond(pair, faces, face, high, sign_i * half_i, sign_j * half_j)
    bracket = Bracket(low, high, at_low, at_high, 0.0)
    s = low
    for _ in range(_ROUNDS):
        s = secant(bracket)
        half_i, half_j = strips(pair, s)
        value = _beyond(pair, faces, face, s, sign_i * half_i, sign_j * half_j)
        if abs(value) < _CLOSE:
            break
        bracket = narrowed(bracket, s, value)
    return s


@compiled
def _bounds(pair: Pair, x: float, z: float, s: float, radius: float) -> bool:
    """True where a point lies above both bottoms and inside the ball, or nearly."""
    return bool(
        z > pair.bottom_j - _SLACK
        and pair.aside * x + pair.along * z > pair.bottom_i - _SLACK
        and x * x + z * z + s * s < radius * radius + _SLACK
    )


@compiled
def _between_walls(pair: Pair, x: float, z: float, s: float) -> bool:
    half_i, half_j = strips(pair, s)
    y = pair.aside * z - pair.along * x
    return abs(x - pair.middle_j) < half_j + _SLACK and abs(y - pair.middle_i) < half_i + _SLACK


@compiled
def _add_crossing(
    pair: Pair,
    faces: Faces,
    face: int,
    sign_i: float,
    sign_j: float,
    low: float,
    high: float,
    radius: float,
    corners: NDArray[np.float64],
    found: int,
) -> int:
    s = _crossing(pair, faces, face, sign_i, sign_j, low, high)
    half_i, half_j = strips(pair, s)
    x = pair.middle_j + sign_j * half_j
    rise = pair.middle_i + sign_i * half_i + pair.along * x
    if abs(pair.aside) < _PARALLEL or _bounds(pair, x, rise / pair.aside, s, radius):
        corners[found] = s
        found += 1
    return found


@compiled
def _sphere_corners(
    pair: Pair,
    faces: Faces,
    face: int,
    radius: float,
    samples: NDArray[np.float64],
    corners: NDArray[np.float64],
    found: int,
) -> int:
    """Add where edges of two walls meet a sphere: the changes of sign between the samples, shape (n, 3)."""
    for sign_i in (-1.0, 1.0):
        for sign_j in (-1.0, 1.0):
            before = 0.0
            for k in range(samples.shape[0]):
                value = _beyond(
                    pair, faces, face, samples[k, 0], sign_i * samples[k, 1], sign_j * samples[k, 2]
                )
                if value * before < -_NOISE:
                    low, high = samples[k - 1, 0], samples[k, 0]
                    found = _add_crossing(
                        pair, faces, face, sign_i, sign_j, low, high, radius, corners, found
                    )
                before = value
    return found


@compiled
def _plane_corners(
    pair: Pair,
    faces: Faces,
    face: int,
    radius: float,
    samples: NDArray[np.float64],
    corners: NDArray[np.float64],
    found: int,
) -> int:
    """Add where edges of two walls meet a plane, as `_sphere_corners`; `_beyond` is linear in the widths."""
    a, b, c, d = faces[face, 0], faces[face, 1], faces[face, 2], faces[face, 3]
    level = pair.aside * (a * pair.middle_j - d) + b * (pair.middle_i + pair.along * pair.middle_j)
    by_j = pair.aside * a + pair.along * b
    one = two = three = four = 0.0
    for k in range(samples.shape[0]):
        center = level + pair.aside * c * samples[k, 0]
        wide_i, wide_j = b * samples[k, 1], by_j * samples[k, 2]
        values = (
            center - wide_i - wide_j,
            center - wide_i + wide_j,
            center + wide_i - wide_j,
            center + wide_i + wide_j,
        )
        for edge, before in enumerate((one, two, three, four)):
            if values[edge] * before < -_NOISE:
                sign_i = 1.0 if edge > 1 else -1.0
                sign_j = 1.0 if edge & 1 else -1.0
                low, high = samples[k - 1, 0], samples[k, 0]
                found = _add_crossing(pair, faces, face, sign_i, sign_j, low, high, radius, corners, found)
        one, two, three, four = values
    return found


@compiled
def _line_corners(
    pair: Pair,
    faces: Faces,
    one: int,
    other: int,
    radius: float,
    corners: NDArray[np.float64],
    found: int,
) -> int:
    """Add where the line in which two planes meet runs through a wall."""
    a, b, c, d = faces[one, 0], faces[one, 1], faces[one, 2], faces[one, 3]
    p, q, r, t = faces[other, 0], faces[other, 1], faces[other, 2], faces[other, 3]
    determinant = a * q - p * b
    if abs(determinant) < _PARALLEL:
        return found
    x0, x1 = (d * q - t * b) / determinant, (r * b - c * q) / determinant
    z0, z1 = (a * t - p * d) / determinant, (p * c - a * r) / determinant
    for wall in range(2):
        if wall == 0:
            v0, v1 = pair.aside * z0 - pair.along * x0 - pair.middle_i, pair.aside * z1 - pair.along * x1
            at, wide = pair.at_i, pair.radius_i
        else:
            v0, v1 = x0 - pair.middle_j, x1
            at, wide = pair.at_j, pair.radius_j
        square = 1.0 + v1 * v1
        linear = at - v0 * v1
        root = linear * linear - square * (v0 * v0 + at * at - wide * wide)
        if root <= 0.0:
            continue
        root = math.sqrt(root)
        for sign in (-1.0, 1.0):
            s = (linear + sign * root) / square
            x, z = x0 + x1 * s, z0 + z1 * s
            if _between_walls(pair, x, z, s) and _bounds(pair, x, z, s, radius):
                corners[found] = s
                found += 1
    return found


@compiled
def _sorted_within(corners: NDArray[np.float64], found: int, low: float, high: float) -> int:
    """Sort the corners between low and high, the first two, and drop the others; return how many remain."""
    kept = 2
    for k in range(2, found):
        value = corners[k]
        if not low < value < high:  # nor NaN, from walls that run along a face
            continue
        slot = kept
        while corners[slot - 1] > value:
            corners[slot] = corners[slot - 1]
            slot -= 1
        corners[slot] = value
        kept += 1
    return kept


@compiled
def find_corners(
    pair: Pair,
    faces: Faces,
    planes: int,
    count: int,
    low: float,
    high: float,
    radius: float,
    corners: NDArray[np.float64],
) -> int:
    """Write the sorted places of the corners between low and high, and these two, into `corners`.

    Corners closer than the samples may be missed, at a loss of accuracy only.

    Parameters
    ----------
    pair : Pair
    faces : Faces, the first `planes` of the `count` are planes, the others spheres
    low, high : float, ends of the search [in]
    radius : float, of the ball [in]
    corners : array, written to

    Returns
    -------
    int, how many there are, low and high included
    """
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    samples = np.empty((OVERLAP_SAMPLES.shape[0], 3))
    for k in range(samples.shape[0]):
        samples[k, 0] = middle + half * OVERLAP_SAMPLES[k]
        samples[k, 1], samples[k, 2] = strips(pair, samples[k, 0])
    corners[0], corners[1] = low, high
    found = 2
    for face in range(planes):
        found = _plane_corners(pair, faces, face, radius, samples, corners, found)
    for face in range(planes, count):
        found = _sphere_corners(pair, faces, face, radius, samples, corners, found)
    for one in range(2):
        for other in range(one + 1, planes):
            found = _line_corners(pair, faces, one, other, radius, corners, found)
    for face in range(2, planes):
        if abs(faces[face, 2]) > 1.0 - _LEVEL:
            corners[found] = faces[face, 3] / faces[face, 2]  # the plane is itself a section
            found += 1
    return _sorted_within(corners, found, low, high)
