"""Where a drilled hole runs inside the ball, and what it weighs on either side of a plane.

A hole is one row of a geometry table, shape (h, GEOMETRY), in the grip frame, lengths in inches.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.compiled import compiled
from ballgauge_service.physics.cylinder import clipped_cylinder
from ballgauge_service.physics.quadrature import CHORD_NODES, CHORD_WEIGHTS, HALF_NODES, HALF_WEIGHTS
from ballgauge_service.physics.sphere import Vector, combine, cross, dot, unit

AXIS, FOOT, ACROSS = 0, 3, 6
OFFSET, RADIUS, BOTTOM, OPENING, REACH = 9, 10, 11, 12, 13
GEOMETRY = 14
"""Columns: unit axis outward (3), the axis point nearest to the center (3), unit vector toward it (3), its
distance from the center, the hole's radius, heights of the bottom and of the opening along the axis, and the
greatest distance of the bottom's rim from the center."""

Table = NDArray[np.float64]


@compiled
def vector_at(table: Table, row: int, column: int) -> Vector:
    """A vector of a geometry table.

    Parameters
    ----------
    table : Table, a hole a row
    row : int
    column : int, where the vector starts

    Returns
    -------
    vector
    """
    return (table[row, column], table[row, column + 1], table[row, column + 2])


@compiled
def _store(table: Table, row: int, column: int, value: Vector) -> None:
    table[row, column] = value[0]
    table[row, column + 1] = value[1]
    table[row, column + 2] = value[2]


@compiled
def pitch_tangents(center: Vector) -> tuple[Vector, Vector]:
    """Tangents by which pitches are told.

    At the grip center itself, where every direction leads away, forward means toward the fingers (+y); at
    the two ends of the midline, where right is the normal, right means onward along the midline.

    Parameters
    ----------
    center : unit vector, of the hole

    Returns
    -------
    forward, right : unit tangents, toward the grip center and to the bowler's right
    """
    forward = combine(1.0, (0.0, 0.0, 1.0), -center[2], center)
    if dot(forward, forward) < 1e-18:
        forward = (0.0, 1.0, 0.0)
    lateral = combine(1.0, (1.0, 0.0, 0.0), -center[0], center)
    if dot(lateral, lateral) < 1e-18:
        lateral = (0.0, 0.0, -center[0])
    return unit(forward), unit(lateral)


@compiled
def set_hole(
    table: Table,
    row: int,
    center: Vector,
    ball_radius: float,
    hole_radius: float,
    depth: float,
    pitch_forward: float,
    pitch_lateral: float,
) -> None:
    """Fill one row: the axis runs from the surface at `center` to the geometric center moved by the pitches.

    Parameters
    ----------
    table : Table, a hole a row
    row : int
    center : unit vector
    ball_radius, hole_radius : float [in]
    depth : float, along the axis from the surface at the center to the flat bottom [in]
    pitch_forward, pitch_lateral : float [in]
    """
    forward, lateral = pitch_tangents(center)
    aim = combine(pitch_forward, forward, pitch_lateral, lateral)
    outward = unit(combine(ball_radius, center, -1.0, aim))
    opening = ball_radius * dot(center, outward)
    foot = combine(ball_radius, center, -opening, outward)
    offset = math.sqrt(dot(foot, foot))
    if offset > 1e-9 * ball_radius:
        across = combine(1.0 / offset, foot, 0.0, foot)
        across = unit(combine(1.0, across, -dot(across, outward), outward))
    else:
        least = (1.0, 0.0, 0.0) if abs(outward[0]) < 0.6 else (0.0, 1.0, 0.0)
        across = unit(cross(outward, least))
        offset = 0.0
    bottom = opening - depth
    _store(table, row, AXIS, outward)
    _store(table, row, FOOT, foot)
    _store(table, row, ACROSS, across)
    table[row, OFFSET] = offset
    table[row, RADIUS] = hole_radius
    table[row, BOTTOM] = bottom
    table[row, OPENING] = opening
    table[row, REACH] = math.sqrt(bottom * bottom + (offset + hole_radius) * (offset + hole_radius))


@compiled
def add_layer(
    table: Table,
    row: int,
    sphere: float,
    density: float,
    moments: NDArray[np.float64],
    out: NDArray[np.float64],
) -> float:
    """Add what a hole takes of a ball of one density to `out`.

    Parameters
    ----------
    table : Table, a hole a row
    row : int
    sphere : float, radius of the layer's ball [in]
    density : float [oz/in^3]
    moments : (7,) array, scratch
    out : (10,) array, weight, its first moments and the second moments xx, yy, zz, xy, xz, yz about the
        geometric center in the grip frame [oz, oz in, oz in^2]

    Returns
    -------
    float, the hole's volume in it [in^3]
    """
    clipped_cylinder(sphere, table[row, OFFSET], table[row, RADIUS], table[row, BOTTOM], moments)
    w = vector_at(table, row, AXIS)
    u = vector_at(table, row, ACROSS)
    v = cross(w, u)
    volume: float = moments[0]
    out[0] += density * volume
    for i in range(3):
        out[1 + i] += density * (moments[1] * u[i] + moments[2] * w[i])
    for i in range(3):
        out[4 + i] += density * (
            moments[3] * u[i] * u[i]
            + moments[4] * v[i] * v[i]
            + moments[5] * w[i] * w[i]
            + 2.0 * moments[6] * u[i] * w[i]
        )
    slot = 7
    for i in range(2):
        for j in range(i + 1, 3):
            out[slot] += density * (
                moments[3] * u[i] * u[j]
                + moments[4] * v[i] * v[j]
                + moments[5] * w[i] * w[j]
                + moments[6] * (u[i] * w[j] + w[i] * u[j])
            )
            slot += 1
    return volume


@compiled
def _signed_length(sphere_height: float, bottom: float, cut: float, sense: float) -> float:
    """Length above the cut less length below it, of the line from `bottom` to the sphere, times `sense`."""
    low = max(bottom, -sphere_height)
    at = min(max(cut, low), sphere_height)
    return sense * (sphere_height + low - 2.0 * at) if sphere_height > low else 0.0


@compiled
def whole_side(table: Table, row: int, normal: Vector, radius: float) -> float:
    """Side of a plane on which a hole lies.

    Parameters
    ----------
    table : Table, a hole a row
    row : int
    normal : unit vector, of a plane through the center
    radius : float, of the ball [in]

    Returns
    -------
    float, 1 or -1 where the whole hole lies on one side, 0 where it is cut
    """
    hole_radius = table[row, RADIUS]
    tilt = dot(vector_at(table, row, AXIS), normal)
    spread = hole_radius * math.sqrt(max(1.0 - tilt * tilt, 0.0))
    nearest = max(table[row, OFFSET] - hole_radius, 0.0)
    top = tilt * math.sqrt(max(radius * radius - nearest * nearest, 0.0))
    bottom = tilt * table[row, BOTTOM]
    base = dot(vector_at(table, row, FOOT), normal)
    if base - spread + min(bottom, top) >= 0.0:
        return 1.0
    return -1.0 if base + spread + max(bottom, top) <= 0.0 else 0.0


@compiled
def _strip_ends(
    hole_radius: float, bottom: float, tilt: float, spread: float, foot: Vector, radius: float, inner: float
) -> NDArray[np.float64]:
    """Sorted places across the hole, shape (5,), between which the cut's integrand is smooth.

    They are the hole's edges and where the plane meets the spheres and the bottom; foot: the axis point's
    components square to the strips, along them and along the axis.
    """
    ends = np.empty(5)
    ends[0] = -hole_radius
    ends[1] = -foot[0] - tilt * math.sqrt(max(radius * radius - foot[1] * foot[1], 0.0))
    ends[2] = -foot[0] - tilt * math.sqrt(max(inner * inner - foot[1] * foot[1], 0.0))
    ends[3] = -foot[0] - bottom * tilt / spread if spread > 1e-9 else 0.0
    ends[4] = hole_radius
    for k in range(1, 4):
        ends[k] = min(max(ends[k], -hole_radius), hole_radius)
    ends.sort()
    return ends


@compiled
def _sum_strips(
    strips: NDArray[np.float64],
    along: float,
    outer: float,
    inner: float,
    bottom: float,
    cover: float,
    step: float,
) -> None:
    """Write the signed weights of strips of the hole, a unit of width, into the last row of `strips`.

    strips, shape (5, n): half chord, squared place, height of the cut, its sense, and room for the result.
    Lines along the axis are summed along each chord. The strips are the inner loop, and it has no branches,
    so that the compiler works on several strips at a time.
    """
    strips[4, :] = 0.0
    for b in range(CHORD_NODES.shape[0]):
        node, weight = CHORD_NODES[b], CHORD_WEIGHTS[b]
        for a in range(strips.shape[1]):
            cut, way = strips[2, a], strips[3, a]
            t = strips[0, a] * node + along
            t2 = t * t
            outer2 = outer * outer - strips[1, a]
            inner2 = inner * inner - strips[1, a]
            value = cover * _signed_length(math.sqrt(max(outer2 - t2, 0.0)), bottom, cut, way)
            deeper = step * _signed_length(math.sqrt(max(inner2 - t2, 0.0)), bottom, cut, way)
            strips[4, a] += weight * (value + (deeper if inner2 > t2 else 0.0))


@compiled
def half_difference(
    table: Table,
    row: int,
    normal: Vector,
    radius: float,
    inner: float,
    cover: float,
    step: float,
    weight: float,
) -> float:
    """Weight of a hole's material on the side of `normal` less that on the other side.

    Lines along the axis are integrated exactly and their sum over the cross-section by Gauss-Legendre
    rules.

    Parameters
    ----------
    table : Table, a hole a row
    row : int
    normal : unit vector, of the plane through the geometric center
    radius, inner : float, of the ball and of the inner material [in]
    cover, step : float, the cover's density, and what the inner material has beyond it [oz/in^3]
    weight : float, of the whole hole's material [oz]

    Returns
    -------
    float [oz], good to about 2e-5 of the hole's weight; all of it, signed, where the plane misses the
        hole
    """
    side = whole_side(table, row, normal, radius)
    if side != 0.0:
        return side * weight
    w = vector_at(table, row, AXIS)
    hole_radius = table[row, RADIUS]
    bottom = table[row, BOTTOM]
    tilt = dot(w, normal)
    spread = math.sqrt(max(1.0 - tilt * tilt, 0.0))
    n = unit(combine(1.0, normal, -tilt, w)) if spread > 1e-9 else vector_at(table, row, ACROSS)
    axis_point = vector_at(table, row, FOOT)
    foot = (dot(axis_point, n), dot(axis_point, cross(w, n)), 0.0)
    ends = _strip_ends(hole_radius, bottom, tilt, spread, foot, radius, inner)
    strips = np.empty((5, HALF_NODES.shape[0]))
    level = abs(tilt) <= 1e-12
    total = 0.0
    for panel in range(4):
        half = 0.5 * (ends[panel + 1] - ends[panel])
        if half < 1e-12:
            continue
        middle = 0.5 * (ends[panel + 1] + ends[panel])
        for a in range(HALF_NODES.shape[0]):
            s = middle + half * HALF_NODES[a]
            height = spread * (foot[0] + s)
            strips[0, a] = math.sqrt(max(hole_radius * hole_radius - s * s, 0.0))
            strips[1, a] = (s + foot[0]) * (s + foot[0])
            strips[2, a] = -2.0 * radius if level else -height / tilt
            strips[3, a] = math.copysign(1.0, height if level else tilt)
        _sum_strips(strips, foot[1], radius, inner, bottom, cover, step)
        for a in range(HALF_NODES.shape[0]):
            total += half * HALF_WEIGHTS[a] * (strips[4, a] * strips[0, a])
    return total
