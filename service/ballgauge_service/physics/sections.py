"""One section of the material that two holes share, by a plane parallel to both holes' axes.

Such a plane cuts both cylinders in straight strips and both bottoms in straight lines, so the section is a
convex polygon, clipped by the spheres' discs. Its moments are closed forms: a sum over its edges, by Green's
theorem, of triangles to the disc's center where the edge lies inside the disc and of circular sectors
where it lies outside.

The frame is right-handed, with its origin at the ball's center: s along the planes' normal, z along the axis
of the later hole j, outward, x across. A polygon is an array of shape (c, 2), one row (x, z) a vertex.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.compiled import compiled

VERTICES = 12
"""Room for the vertices of a section: four walls, two bottoms, the mouth and a dividing plane make eight."""

_LEANING = 0.02
"""Least sine and cosine of the axes' angle for outlines by slopes, which keep 1e-13 [in] there."""

Polygon = NDArray[np.float64]


class Pair(NamedTuple):
    """Two holes in the frame of their sections.

    at: s of the axis; middle: where the axis' strip lies across it, x for j and -along x + aside z for i;
    along, aside: z and x of the axis of i; bottom, top: heights of bottom and mouth along the own axis.
    """

    at_i: float
    at_j: float
    middle_i: float
    middle_j: float
    radius_i: float
    radius_j: float
    along: float
    aside: float
    bottom_i: float
    bottom_j: float
    top_i: float
    top_j: float


@compiled
def strips(pair: Pair, s: float) -> tuple[float, float]:
    """Half widths of the two holes' strips in a plane.

    Parameters
    ----------
    pair : Pair
    s : float, of the plane [in]

    Returns
    -------
    first, second : float [in], 0 where the plane misses the hole
    """
    half_i = math.sqrt(max(pair.radius_i * pair.radius_i - (s - pair.at_i) * (s - pair.at_i), 0.0))
    half_j = math.sqrt(max(pair.radius_j * pair.radius_j - (s - pair.at_j) * (s - pair.at_j), 0.0))
    return half_i, half_j


@compiled
def clip(a: float, b: float, r: float, source: Polygon, count: int, target: Polygon) -> int:
    """Clip a polygon by a line.

    Parameters
    ----------
    a, b, r : float, of the half plane a x + b z <= r
    source : Polygon, convex
    count : int, of its vertices
    target : Polygon, written to

    Returns
    -------
    int, vertices of the target
    """
    kept = 0
    px, pz = source[count - 1, 0], source[count - 1, 1]
    dp = r - a * px - b * pz
    for k in range(count):
        qx, qz = source[k, 0], source[k, 1]
        dq = r - a * qx - b * qz
        if (dp < 0.0) != (dq < 0.0):
            t = dp / (dp - dq)
            target[kept, 0] = px + t * (qx - px)
            target[kept, 1] = pz + t * (qz - pz)
            kept += 1
        if dq >= 0.0:
            target[kept, 0] = qx
            target[kept, 1] = qz
            kept += 1
        px, pz, dp = qx, qz, dq
    return kept


@compiled
def _set_vertex(polygon: Polygon, k: int, x: float, z: float) -> None:
    polygon[k, 0] = x
    polygon[k, 1] = z


@compiled
def _leaning_section(
    pair: Pair, left: float, right: float, below: float, above: float, polygon: Polygon
) -> int:
    """The section of `section` by its lower and upper outline, for axes at a moderate acute angle.

    The upper outline is the upper wall of i; the lower one the highest of three lines of rising slope: the
    bottoms of i and of j and the lower wall of i. below, above: heights of the walls at x = 0. Vertices may
    coincide.
    """
    slope = pair.along / pair.aside
    fall = pair.aside / pair.along
    product = pair.along * pair.aside
    bottom = pair.bottom_i / pair.along
    left = max(left, (pair.bottom_j - above) * fall, (bottom - above) * product)
    if left >= right:
        return 0
    first = (bottom - pair.bottom_j) * slope
    second = (pair.bottom_j - below) * fall
    if first > second:
        first = second = (bottom - below) * product
    first = min(max(first, left), right)
    second = min(max(second, left), right)
    for k, x in enumerate((left, first, second, right)):
        _set_vertex(polygon, k, x, max(bottom - fall * x, pair.bottom_j, below + slope * x))
    _set_vertex(polygon, 4, right, above + slope * right)
    _set_vertex(polygon, 5, left, above + slope * left)
    return 6


@compiled
def _clipped_section(
    pair: Pair, left: float, right: float, half_i: float, scratch: Polygon, polygon: Polygon
) -> int:
    """The section of `section` by cutting the strip of j to size, for axes at any angle."""
    _set_vertex(scratch, 0, left, pair.bottom_j)
    _set_vertex(scratch, 1, right, pair.bottom_j)
    _set_vertex(scratch, 2, right, pair.top_j)
    _set_vertex(scratch, 3, left, pair.top_j)
    count = clip(-pair.along, pair.aside, pair.middle_i + half_i, scratch, 4, polygon)
    if count < 3:
        return 0
    count = clip(pair.along, -pair.aside, half_i - pair.middle_i, polygon, count, scratch)
    if count < 3:
        return 0
    count = clip(-pair.aside, -pair.along, -pair.bottom_i, scratch, count, polygon)
    return count if count > 2 else 0


@compiled
def section(pair: Pair, s: float, scratch: Polygon, polygon: Polygon) -> int:
    """What the two holes share in a plane, spheres aside.

    Parameters
    ----------
    pair : Pair
    s : float, of the plane [in]
    scratch, polygon : Polygon, the latter written to

    Returns
    -------
    int, its vertices, or 0
    """
    half_i, half_j = strips(pair, s)
    if half_i == 0.0 or half_j == 0.0:
        return 0
    left = pair.middle_j - half_j
    right = pair.middle_j + half_j
    if pair.aside < _LEANING or pair.along < _LEANING:
        return _clipped_section(pair, left, right, half_i, scratch, polygon)
    below = (pair.middle_i - half_i) / pair.aside
    above = (pair.middle_i + half_i) / pair.aside
    return _leaning_section(pair, left, right, below, above, polygon)


@compiled
def farthest(polygon: Polygon, count: int) -> float:
    """Greatest squared distance of a vertex from the origin of the plane.

    Parameters
    ----------
    polygon : Polygon
    count : int, of its vertices

    Returns
    -------
    float [in^2]
    """
    most = 0.0
    for k in range(count):
        most = max(most, polygon[k, 0] * polygon[k, 0] + polygon[k, 1] * polygon[k, 1])
    return most


@compiled
def inside_disc(px: float, pz: float, qx: float, qz: float, disc: float) -> tuple[float, float]:
    """Part of an edge p + t (q - p) that lies in the disc about the origin.

    Parameters
    ----------
    px, pz, qx, qz : float, the ends of an edge [in]
    disc : float, squared radius [in^2]

    Returns
    -------
    first, last : float, parameters from 0 to 1; both 1 or both 0 where none of it does
    """
    dx, dz = qx - px, qz - pz
    a = dx * dx + dz * dz
    b = px * dx + pz * dz
    root = b * b - a * (px * px + pz * pz - disc)
    if a == 0.0:
        return 0.0, 1.0
    if root <= 0.0:
        return 1.0, 1.0
    root = math.sqrt(root)
    return min(max((-b - root) / a, 0.0), 1.0), min(max((-b + root) / a, 0.0), 1.0)


@compiled
def _add_triangle(px: float, pz: float, qx: float, qz: float, out: NDArray[np.float64]) -> None:
    c = px * qz - pz * qx
    sx, sz = px + qx, pz + qz
    out[0] += 0.5 * c
    out[1] += c * sx / 6.0
    out[2] += c * sz / 6.0
    out[3] += c * (sx * sx - px * qx) / 12.0
    out[4] += c * (sz * sz - pz * qz) / 12.0
    out[5] += c * (sx * sz + px * pz + qx * qz) / 24.0


@compiled
def _sector_angle(px: float, pz: float, qx: float, qz: float) -> float:
    return math.atan2(px * qz - pz * qx, px * qx + pz * qz)


@compiled
def _add_sector(px: float, pz: float, qx: float, qz: float, disc: float, out: NDArray[np.float64]) -> None:
    """Add the sector between the directions of p and q; sines and cosines are those of the directions."""
    scale_p = 1.0 / math.sqrt(px * px + pz * pz)
    scale_q = 1.0 / math.sqrt(qx * qx + qz * qz)
    ux, uz = px * scale_p, pz * scale_p
    vx, vz = qx * scale_q, qz * scale_q
    angle = _sector_angle(ux, uz, vx, vz)
    cubic = disc * math.sqrt(disc) / 3.0
    quartic = disc * disc / 8.0
    twist = vx * vz - ux * uz
    out[0] += 0.5 * disc * angle
    out[1] += cubic * (vz - uz)
    out[2] += cubic * (ux - vx)
    out[3] += quartic * (angle + twist)
    out[4] += quartic * (angle - twist)
    out[5] += quartic * (vz * vz - uz * uz)


@compiled
def disc_moments(polygon: Polygon, count: int, reach: float, disc: float, out: NDArray[np.float64]) -> None:
    """Write the moments of the polygon's part inside a disc about the origin into `out`.

    Parameters
    ----------
    polygon : Polygon, its vertices counterclockwise
    count : int, of its vertices
    reach : float, from `farthest` [in^2]
    disc : float, squared radius [in^2]
    out : (6,) array, area and the integrals of x, z, x^2, z^2, x z
    """
    out[:] = 0.0
    if disc <= 0.0:
        return
    px, pz = polygon[count - 1, 0], polygon[count - 1, 1]
    for k in range(count):
        qx, qz = polygon[k, 0], polygon[k, 1]
        if reach <= disc:
            _add_triangle(px, pz, qx, qz, out)
        else:
            enter, leave = inside_disc(px, pz, qx, qz, disc)
            ax, az = px + enter * (qx - px), pz + enter * (qz - pz)
            bx, bz = px + leave * (qx - px), pz + leave * (qz - pz)
            if enter > 0.0:
                _add_sector(px, pz, ax, az, disc, out)
            if leave > enter:
                _add_triangle(ax, az, bx, bz, out)
            if leave < 1.0:
                _add_sector(bx, bz, qx, qz, disc, out)
        px, pz = qx, qz


@compiled
def disc_area(polygon: Polygon, count: int, reach: float, disc: float) -> float:
    """Area of the polygon's part inside a disc about the origin.

    Parameters
    ----------
    polygon, count, reach, disc : as in `disc_moments`

    Returns
    -------
    float [in^2]
    """
    if disc <= 0.0:
        return 0.0
    twice = 0.0
    px, pz = polygon[count - 1, 0], polygon[count - 1, 1]
    for k in range(count):
        qx, qz = polygon[k, 0], polygon[k, 1]
        if reach <= disc:
            twice += px * qz - pz * qx
        else:
            enter, leave = inside_disc(px, pz, qx, qz, disc)
            ax, az = px + enter * (qx - px), pz + enter * (qz - pz)
            bx, bz = px + leave * (qx - px), pz + leave * (qz - pz)
            if enter > 0.0:
                twice += disc * _sector_angle(px, pz, ax, az)
            twice += ax * bz - az * bx
            if leave < 1.0:
                twice += disc * _sector_angle(bx, bz, qx, qz)
        px, pz = qx, qz
    return 0.5 * twice
