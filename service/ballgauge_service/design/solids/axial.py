"""Turned solids on one axis, however they cut each other: exact moments of what is visible of each.

At every height the sections are discs about the axis, so a solid shows the ring between its own radius and
the largest radius of the solids after it. Where no piece begins, ends or crosses another, squared radii are
polynomials of the second degree and the moments' integrands of the fourth: three Gauss nodes are exact.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.compiled import compiled
from ballgauge_service.design.solids.packing import KIND, SPHERE, Packed
from ballgauge_service.design.solids.shapes import (
    Floats,
    add_ring,
    own_axis,
    piece,
    piece_count,
    placed,
    position,
    sort_values,
)
from ballgauge_service.physics.sphere import Vector, cross, dot, unit

ON_AXIS = 1e-9
"""Distance [in] and sine within which two axes are one (ours, far below any effect on a result)."""

PIECE = 6


@compiled
def sense_on_axis(table: Floats, k: int, point: Vector, w: Vector) -> float:
    """How a solid lies on an axis.

    Parameters
    ----------
    table : (m, WIDTH) array, of a packed design
    k : int, a solid
    point, w : vector, a line and its direction

    Returns
    -------
    float, +1 or -1 where the solid is turned about the line, 0 where it is not
    """
    if piece_count(table, k) == 0:
        return 0.0
    at = position(table, k)
    off = cross((at[0] - point[0], at[1] - point[1], at[2] - point[2]), w)
    if dot(off, off) > ON_AXIS * ON_AXIS:
        return 0.0
    if int(table[k, KIND]) == SPHERE:
        return 1.0
    own = own_axis(table, k, 2)
    tilt = cross(own, w)
    if dot(tilt, tilt) > ON_AXIS * ON_AXIS:
        return 0.0
    return 1.0 if dot(own, w) > 0.0 else -1.0


@compiled
def common_axis(table: Floats, members: NDArray[np.bool_]) -> tuple[bool, Vector, Vector]:
    """The one axis that all members are turned about.

    Parameters
    ----------
    table : (m, WIDTH) array
    members : (m,) array of bool

    Returns
    -------
    found : bool
    point, direction : vector
    """
    first = -1
    point = (0.0, 0.0, 0.0)
    w = (0.0, 0.0, 1.0)
    found = False
    for k in range(table.shape[0]):
        if not members[k]:
            continue
        if first < 0:
            first = k
            point = position(table, k)
        if found:
            continue
        if int(table[k, KIND]) != SPHERE:
            w = own_axis(table, k, 2)
            found = True
        else:
            at = position(table, k)
            away = (at[0] - point[0], at[1] - point[1], at[2] - point[2])
            if dot(away, away) > 1e-12:
                w = unit(away)
                found = True
    for k in range(table.shape[0]):
        if members[k] and sense_on_axis(table, k, point, w) == 0.0:
            return False, point, w
    return first >= 0, point, w


@compiled
def collect_pieces(
    packed: Packed, members: NDArray[np.bool_], point: Vector, w: Vector, pieces: Floats
) -> int:
    """Write the members' pieces.

    Parameters
    ----------
    packed : Packed
    members : (m,) array of bool
    point, w : vector, of the axis
    pieces : (n, 6) array, written: solid, z0, z1, a, b, c, in heights along the axis

    Returns
    -------
    int, how many
    """
    table = packed.table
    count = 0
    for k in range(table.shape[0]):
        if not members[k]:
            continue
        sense = sense_on_axis(table, k, point, w)
        at = position(table, k)
        h = dot((at[0] - point[0], at[1] - point[1], at[2] - point[2]), w)
        for p in range(piece_count(table, k)):
            z0, z1, a, b, c = piece(packed, k, p)
            if z1 <= z0:
                continue
            pieces[count, 0] = k
            pieces[count, 1] = h + (z0 if sense > 0.0 else -z1)
            pieces[count, 2] = h + (z1 if sense > 0.0 else -z0)
            pieces[count, 3] = a - sense * b * h + c * h * h
            pieces[count, 4] = sense * b - 2.0 * c * h
            pieces[count, 5] = c
            count += 1
    return count


@compiled
def total_pieces(table: Floats, members: NDArray[np.bool_]) -> int:
    """How many pieces the members have together.

    Parameters
    ----------
    table : (m, WIDTH) array
    members : (m,) array of bool

    Returns
    -------
    int
    """
    count = 0
    for k in range(table.shape[0]):
        if members[k]:
            count += piece_count(table, k)
    return count


@compiled
def crossings(one: Floats, other: Floats, cuts: Floats, count: int) -> int:
    """Append the heights where two pieces have the same radius.

    Parameters
    ----------
    one, other : (6,) arrays, pieces
    cuts : array, appended to
    count : int, of the cuts so far

    Returns
    -------
    int, of the cuts now
    """
    low = max(one[1], other[1])
    high = min(one[2], other[2])
    if low >= high:
        return count
    a = one[3] - other[3]
    b = one[4] - other[4]
    c = one[5] - other[5]
    root = b * b - 4.0 * a * c
    if root < 0.0 or (b == 0.0 and c == 0.0):
        return count
    q = -0.5 * (b + math.copysign(math.sqrt(root), b))
    for way in range(2):
        divisor = c if way == 0 else q
        if divisor == 0.0:
            continue
        z = (q if way == 0 else a) / divisor
        if low < z < high:
            cuts[count] = z
            count += 1
    return count


@compiled
def breakpoints(pieces: Floats, count: int) -> Floats:
    """All heights between which every piece and the order of their radii stay the same.

    Parameters
    ----------
    pieces : (n, 6) array
    count : int, of the pieces

    Returns
    -------
    array, sorted
    """
    cuts = np.empty(2 * count + count * (count - 1))
    filled = 0
    for p in range(count):
        cuts[filled] = pieces[p, 1]
        cuts[filled + 1] = pieces[p, 2]
        filled += 2
        for q in range(p):
            if pieces[p, 0] != pieces[q, 0]:
                filled = crossings(pieces[p], pieces[q], cuts, filled)
    sort_values(cuts, filled)
    return cuts[:filled]


@compiled
def _square(pieces: Floats, p: int, z: float) -> float:
    return float(pieces[p, 3] + z * (pieces[p, 4] + z * pieces[p, 5]))


@compiled
def _rings_between(
    pieces: Floats, count: int, low: float, high: float, best: NDArray[np.int64], own: Floats
) -> None:
    """Add to `own` (m + 1, 10) the visible ring of each solid; its last row gets the union of them all."""
    z = 0.5 * (low + high)
    best[:] = -1
    for p in range(count):
        if pieces[p, 1] < z < pieces[p, 2]:
            best[int(pieces[p, 0])] = p
    widest = -1
    within = (0.0, 0.0, 0.0)
    for k in range(best.shape[0] - 1, -1, -1):
        p = best[k]
        if p < 0 or (widest >= 0 and _square(pieces, p, z) <= _square(pieces, widest, z)):
            continue
        outer = (pieces[p, 3], pieces[p, 4], pieces[p, 5])
        add_ring(low, high, outer, within, 1.0, own[k])
        within = outer
        widest = p
    if widest >= 0:
        add_ring(low, high, within, (0.0, 0.0, 0.0), 1.0, own[-1])


@compiled
def add_axial(
    packed: Packed, members: NDArray[np.bool_], beneath: int, point: Vector, w: Vector, out: Floats
) -> None:
    """Add the members' visible moments.

    Parameters
    ----------
    packed : Packed
    members : (m,) array of bool
    beneath : int, the row their union is taken from
    point, w : vector, of the axis
    out : (m, 10) array, added to
    """
    table = packed.table
    most = table.shape[0]
    pieces = np.empty((total_pieces(table, members), PIECE))
    count = collect_pieces(packed, members, point, w, pieces)
    cuts = breakpoints(pieces, count)
    own = np.zeros((most + 1, 10))
    best = np.empty(most, np.int64)
    for n in range(cuts.shape[0] - 1):
        if cuts[n + 1] > cuts[n]:
            _rings_between(pieces, count, cuts[n], cuts[n + 1], best, own)
    x = unit(cross(w, (1.0, 0.0, 0.0) if abs(w[0]) < 0.6 else (0.0, 1.0, 0.0)))
    y = cross(w, x)
    for k in range(most):
        if members[k]:
            placed(own[k], point, x, y, w, 1.0, out[k])
    placed(own[-1], point, x, y, w, -1.0, out[beneath])
