"""How far the holes of a drilling keep from a solid of the design.

Two convex bodies lie as far apart as the widest slab between them, and sink into each other as deep as the
narrowest that parts them: max over unit n of (min of n.x over the hole - max of n.x over the solid), the
distance of convex sets by their supports (any textbook of convex analysis). Of a solid that is not convex its
hull counts, so that the distance told is never too large.
"""

from __future__ import annotations

import math

import numpy as np

from ballgauge_service.core.compiled import compiled
from ballgauge_service.design.solids.packing import HOLE, KIND, SIZE, Packed
from ballgauge_service.design.solids.shapes import own_axis, position, support
from ballgauge_service.physics.sphere import Vector, cross, dot, unit

LATTICE = 100
WINDOWS = (2.0, 1e-4)
SECTIONS = 30
"""Directions that are tried first; half widths of the windows about the best of them that are searched, and
the sections of either (ours): the distance is good to about 1e-8 in, a depth of entry to a few hundredths."""

GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)


@compiled
def _gap(packed: Packed, hole: int, solid: int, n: Vector) -> float:
    """Width of the slab across n between a hole and a solid [in], negative where they overlap along n."""
    table = packed.table
    x, y, z = own_axis(table, hole, 0), own_axis(table, hole, 1), own_axis(table, hole, 2)
    along = dot(z, n)
    rim = 0.5 * table[hole, SIZE] * math.sqrt(dot(x, n) * dot(x, n) + dot(y, n) * dot(y, n))
    ends = min(along * table[hole, SIZE + 1], along * table[0, SIZE])
    return float(dot(position(table, hole), n) + ends - rim - support(packed, solid, n))


@compiled
def _tilted(n: Vector, a: Vector, b: Vector, u: float, v: float) -> Vector:
    x = n[0] + u * a[0] + v * b[0]
    y = n[1] + u * a[1] + v * b[1]
    z = n[2] + u * a[2] + v * b[2]
    length = math.sqrt(x * x + y * y + z * z)
    return (x / length, y / length, z / length)


@compiled
def _best_along(
    packed: Packed, hole: int, solid: int, n: Vector, a: Vector, b: Vector, u: float, width: float
) -> tuple[float, float]:
    """The largest gap over v within +-width, and that v (golden sections)."""
    low, high = -width, width
    p, q = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
    at_p = _gap(packed, hole, solid, _tilted(n, a, b, u, p))
    at_q = _gap(packed, hole, solid, _tilted(n, a, b, u, q))
    for _ in range(SECTIONS):
        if at_p < at_q:
            low, p, at_p = p, q, at_q
            q = low + GOLDEN * (high - low)
            at_q = _gap(packed, hole, solid, _tilted(n, a, b, u, q))
        else:
            high, q, at_q = q, p, at_p
            p = high - GOLDEN * (high - low)
            at_p = _gap(packed, hole, solid, _tilted(n, a, b, u, p))
    return (at_p, p) if at_p > at_q else (at_q, q)


@compiled
def _refined(packed: Packed, hole: int, solid: int, n: Vector, width: float) -> Vector:
    """The direction of the largest gap in a window about n.

    Where bodies lie apart, the directions whose slab is wider than any given width make a convex cone, so
    that in a plane across n golden sections within golden sections find the widest.
    """
    a = unit(cross(n, (1.0, 0.0, 0.0) if abs(n[0]) < 0.7 else (0.0, 1.0, 0.0)))
    b = cross(n, a)
    low, high = -width, width
    p, q = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
    at_p, v_p = _best_along(packed, hole, solid, n, a, b, p, width)
    at_q, v_q = _best_along(packed, hole, solid, n, a, b, q, width)
    for _ in range(SECTIONS):
        if at_p < at_q:
            low, p, at_p, v_p = p, q, at_q, v_q
            q = low + GOLDEN * (high - low)
            at_q, v_q = _best_along(packed, hole, solid, n, a, b, q, width)
        else:
            high, q, at_q, v_q = q, p, at_p, v_p
            p = high - GOLDEN * (high - low)
            at_p, v_p = _best_along(packed, hole, solid, n, a, b, p, width)
    return _tilted(n, a, b, p, v_p) if at_p > at_q else _tilted(n, a, b, q, v_q)


@compiled
def _clearance(packed: Packed, hole: int, solid: int) -> float:
    best = -math.inf
    place = (0.0, 0.0, 1.0)
    for at in range(LATTICE):
        z = 1.0 - (2.0 * at + 1.0) / LATTICE
        flat = math.sqrt(1.0 - z * z)
        turn = at * math.pi * (3.0 - math.sqrt(5.0))
        n = (flat * math.cos(turn), flat * math.sin(turn), z)
        gap = _gap(packed, hole, solid, n)
        if gap > best:
            best, place = gap, n
    for width in WINDOWS:
        n = _refined(packed, hole, solid, place, width)
        gap = _gap(packed, hole, solid, n)
        if gap > best:
            best, place = gap, n
    return best


@compiled
def least_clearance(packed: Packed, solids: np.ndarray) -> float:
    """Least distance [in] of the holes of a packed design from some of its solids (rows), negative within.

    Infinite without holes or solids.

    Parameters
    ----------
    packed : Packed, with its holes
    solids : (s,) array, rows of the table

    Returns
    -------
    float [in]
    """
    least = math.inf
    for hole in range(packed.table.shape[0]):
        if int(packed.table[hole, KIND]) == HOLE:
            for solid in solids:
                least = min(least, _clearance(packed, hole, solid))
    return least
