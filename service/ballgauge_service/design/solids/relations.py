"""How two solids lie to each other, proved or not.

Solids turned about one axis are compared exactly. For others the tests are sufficient, not necessary: what
they cannot prove counts as cutting, which costs time and exactness, never correctness.
"""

from __future__ import annotations

import math

import numpy as np

from ballgauge_service.core.compiled import compiled
from ballgauge_service.design.solids.axial import (
    PIECE,
    breakpoints,
    collect_pieces,
    common_axis,
    total_pieces,
)
from ballgauge_service.design.solids.packing import (
    BOX,
    ELLIPSOID,
    FIRST_FACE,
    KIND,
    LAST_FACE,
    MESH,
    SIZE,
    SPHERE,
    Packed,
)
from ballgauge_service.design.solids.shapes import (
    Floats,
    farthest,
    own_axis,
    piece,
    piece_count,
    position,
    support,
)
from ballgauge_service.physics.sphere import Vector, combine, cross, dot

APART, FIRST_WITHIN, SECOND_WITHIN, CUT = range(4)
TOUCH = 1e-10
"""Slack [in] within which surfaces that touch do not cut (ours)."""


@compiled
def reach_from_center(packed: Packed, k: int) -> float:
    """Greatest distance of a solid's points from the ball's center.

    Parameters
    ----------
    packed : Packed
    k : int, a solid

    Returns
    -------
    float [in]
    """
    return farthest(packed, k, np.eye(3), 1.0, (0.0, 0.0, 0.0))


@compiled
def _piece_at(pieces: Floats, count: int, solid: int, z: float) -> int:
    for p in range(count):
        if pieces[p, 0] == solid and pieces[p, 1] <= z <= pieces[p, 2]:
            return p
    return -1


@compiled
def _same_axis_relation(packed: Packed, i: int, j: int, point: Vector, w: Vector) -> int:
    table = packed.table
    members = np.zeros(table.shape[0], np.bool_)
    members[i] = True
    members[j] = True
    pieces = np.empty((total_pieces(table, members), PIECE))
    count = collect_pieces(packed, members, point, w, pieces)
    cuts = breakpoints(pieces, count)
    together = False
    first_out = False
    second_out = False
    for n in range(cuts.shape[0] - 1):
        if cuts[n + 1] - cuts[n] <= TOUCH:
            continue
        z = 0.5 * (cuts[n] + cuts[n + 1])
        p = _piece_at(pieces, count, i, z)
        q = _piece_at(pieces, count, j, z)
        one = math.sqrt(max(pieces[p, 3] + z * (pieces[p, 4] + z * pieces[p, 5]), 0.0)) if p >= 0 else 0.0
        other = math.sqrt(max(pieces[q, 3] + z * (pieces[q, 4] + z * pieces[q, 5]), 0.0)) if q >= 0 else 0.0
        together = together or (one > 0.0 and other > 0.0)
        first_out = first_out or one > other + TOUCH
        second_out = second_out or other > one + TOUCH
    if not together:
        return APART
    if not first_out:
        return FIRST_WITHIN
    return CUT if second_out else SECOND_WITHIN


@compiled
def _apart_along(packed: Packed, i: int, j: int, d: Vector) -> bool:
    length = math.sqrt(dot(d, d))
    if length < 1e-9:
        return False
    e = (d[0] / length, d[1] / length, d[2] / length)
    back = (-e[0], -e[1], -e[2])
    return (
        support(packed, i, e) <= -support(packed, j, back) + TOUCH
        or support(packed, j, e) <= -support(packed, i, back) + TOUCH
    )


@compiled
def _apart(packed: Packed, i: int, j: int) -> bool:
    """True where a plane across one of some likely directions separates the two solids."""
    table = packed.table
    a = position(table, i)
    b = position(table, j)
    if _apart_along(packed, i, j, (b[0] - a[0], b[1] - a[1], b[2] - a[2])):
        return True
    for axis in range(3):
        if _apart_along(packed, i, j, own_axis(table, i, axis)) or _apart_along(
            packed, i, j, own_axis(table, j, axis)
        ):
            return True
    for one in range(3):
        for other in range(3):
            if _apart_along(packed, i, j, cross(own_axis(table, i, one), own_axis(table, j, other))):
                return True
    return False


@compiled
def _within_ellipsoid(packed: Packed, k: int, c: int) -> bool:
    table = packed.table
    matrix = np.empty((3, 3))
    least = math.inf
    for axis in range(3):
        half = 0.5 * (table[c, SIZE] if int(table[c, KIND]) == SPHERE else table[c, SIZE + axis])
        own = own_axis(table, c, axis)
        least = min(least, half)
        for n in range(3):
            matrix[axis, n] = own[n] / half
    return farthest(packed, k, matrix, 1.0 / least, position(table, c)) <= 1.0 + TOUCH / least


@compiled
def _least_radius(packed: Packed, c: int, low: float, high: float) -> float:
    """Least radius of a turned solid between two heights of its own frame; 0 beyond its ends."""
    least = math.inf
    bottom = math.inf
    top = -math.inf
    for p in range(piece_count(packed.table, c)):
        z0, z1, a, b, m = piece(packed, c, p)
        if z1 <= z0:
            continue
        bottom = min(bottom, z0)
        top = max(top, z1)
        lo = max(z0, low)
        hi = min(z1, high)
        if lo <= hi:
            least = min(least, a + lo * (b + lo * m), a + hi * (b + hi * m))
    if low < bottom - TOUCH or high > top + TOUCH:
        return 0.0
    return math.sqrt(max(least, 0.0))


@compiled
def _within_turned(packed: Packed, k: int, c: int) -> bool:
    """True where k fits the cylinder of the container's least radius over the heights that k takes up.

    A piece's radius is least at one of its ends: its square has no inner minimum where it is positive.
    """
    table = packed.table
    w = own_axis(table, c, 2)
    at = position(table, c)
    base = dot(at, w)
    high = support(packed, k, w) - base
    low = -support(packed, k, (-w[0], -w[1], -w[2])) - base
    matrix = np.eye(3)
    for i in range(3):
        for j in range(3):
            matrix[i, j] -= w[i] * w[j]
    return farthest(packed, k, matrix, 1.0, at) <= _least_radius(packed, c, low, high) + TOUCH


@compiled
def _within_box(packed: Packed, k: int, c: int) -> bool:
    """True where k lies in the sharp box whose corners touch the rounded ones from inside."""
    table = packed.table
    at = position(table, c)
    spare = table[c, SIZE + 3] * (1.0 - 1.0 / math.sqrt(3.0))
    for axis in range(3):
        w = own_axis(table, c, axis)
        half = 0.5 * table[c, SIZE + axis] - spare + TOUCH
        base = dot(at, w)
        if support(packed, k, w) - base > half or support(packed, k, (-w[0], -w[1], -w[2])) + base > half:
            return False
    return True


@compiled
def _corner(packed: Packed, vertex: int, scale: float, from_point: Vector) -> Vector:
    row = packed.vertices[vertex]
    return (scale * row[0] - from_point[0], scale * row[1] - from_point[1], scale * row[2] - from_point[2])


@compiled
def _triangle_distance(a: Vector, b: Vector, c: Vector) -> float:
    """Distance of the origin from a triangle (Ericson, Real-Time Collision Detection, 2005, 5.1.5)."""
    ab = combine(1.0, b, -1.0, a)
    ac = combine(1.0, c, -1.0, a)
    d1, d2 = -dot(ab, a), -dot(ac, a)
    d3, d4 = -dot(ab, b), -dot(ac, b)
    d5, d6 = -dot(ab, c), -dot(ac, c)
    va, vb, vc = d3 * d6 - d5 * d4, d5 * d2 - d1 * d6, d1 * d4 - d3 * d2
    if d1 <= 0.0 and d2 <= 0.0:
        near = a
    elif d3 >= 0.0 and d4 <= d3:
        near = b
    elif d6 >= 0.0 and d5 <= d6:
        near = c
    elif vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0:
        near = combine(1.0, a, d1 / (d1 - d3), ab)
    elif vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0:
        near = combine(1.0, a, d2 / (d2 - d6), ac)
    elif va <= 0.0 and d4 >= d3 and d5 >= d6:
        share = (d4 - d3) / ((d4 - d3) + (d5 - d6))
        near = combine(1.0 - share, b, share, c)
    else:
        whole = va + vb + vc
        near = combine(1.0, combine(1.0, a, vb / whole, ab), vc / whole, ac)
    return math.sqrt(dot(near, near))


@compiled
def _solid_angle(a: Vector, b: Vector, c: Vector) -> float:
    """Signed solid angle of a triangle from the origin (Van Oosterom & Strackee, 1983, from memory)."""
    la, lb, lc = math.sqrt(dot(a, a)), math.sqrt(dot(b, b)), math.sqrt(dot(c, c))
    below = la * lb * lc + dot(a, b) * lc + dot(b, c) * la + dot(c, a) * lb
    return 2.0 * math.atan2(dot(a, cross(b, c)), below)


@compiled
def _within_mesh(packed: Packed, k: int, c: int) -> bool:
    """True where the sphere around k's own origin that holds k lies inside the mesh."""
    table = packed.table
    at = position(table, k)
    limit = farthest(packed, k, np.eye(3), 1.0, at) - TOUCH
    away = combine(1.0, at, -1.0, position(table, c))
    x, y, z = own_axis(table, c, 0), own_axis(table, c, 1), own_axis(table, c, 2)
    point = (dot(away, x), dot(away, y), dot(away, z))
    angle = 0.0
    for f in range(int(table[c, FIRST_FACE]), int(table[c, LAST_FACE])):
        p = _corner(packed, packed.faces[f, 0], table[c, SIZE], point)
        q = _corner(packed, packed.faces[f, 1], table[c, SIZE], point)
        r = _corner(packed, packed.faces[f, 2], table[c, SIZE], point)
        if _triangle_distance(p, q, r) < limit:
            return False
        angle += _solid_angle(p, q, r)
    return angle > 2.0 * math.pi


@compiled
def _within(packed: Packed, k: int, c: int) -> bool:
    """True where solid k is proved to lie inside solid c."""
    kind = int(packed.table[c, KIND])
    if kind in (SPHERE, ELLIPSOID):
        return _within_ellipsoid(packed, k, c)
    if kind == BOX:
        return _within_box(packed, k, c)
    if kind == MESH:
        return _within_mesh(packed, k, c)
    return _within_turned(packed, k, c)


@compiled
def relation(packed: Packed, i: int, j: int) -> int:
    """How two solids lie.

    Parameters
    ----------
    packed : Packed
    i, j : int, solids

    Returns
    -------
    int: APART, FIRST_WITHIN the second, SECOND_WITHIN the first, or (perhaps) CUT
    """
    table = packed.table
    members = np.zeros(table.shape[0], np.bool_)
    members[i] = True
    members[j] = True
    found, point, w = common_axis(table, members)
    if found:
        return _same_axis_relation(packed, i, j, point, w)
    if _apart(packed, i, j):
        return APART
    if _within(packed, i, j):
        return FIRST_WITHIN
    return SECOND_WITHIN if _within(packed, j, i) else CUT
