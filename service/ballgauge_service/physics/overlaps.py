"""The material that two holes share, so that what is already gone is not removed again.

Holes are drilled in their listed order. Where hole j runs through hole i, drilled and perhaps filled before
it, it meets the fill of i, or nothing. Planes parallel to both axes cut both cylinders in straight strips: in
such a plane the shared region is a polygon clipped by the two spheres, lines parallel to axis j are
integrated exactly, and the kinks between them are located, so that only the sum over the planes is numerical.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ._compiled import compiled
from .holes import ACROSS, AXIS, BOTTOM, FOOT, OFFSET, OPENING, RADIUS, Table, vector_at
from .quadrature import (
    OVERLAP_CHORD_NODES,
    OVERLAP_CHORD_WEIGHTS,
    OVERLAP_NODES,
    OVERLAP_WEIGHTS,
)
from .sphere import Vector, combine, cross, dot, unit

SHARED = 14
"""Length of the result: weight, 3 first and 6 second moments, 3 half differences, volume."""

_LINES = 5
_BREAKS = 2 + 10 + _LINES + 2 * (2 * _LINES + 2)
_WHOLE = -1
_SEARCH = 24
_BISECTIONS = 14


@compiled
def _mouth(table: Table, row: int) -> float:
    """Greatest height of the hole's mouth along its axis [in]."""
    offset = table[row, OFFSET]
    nearest = max(offset - table[row, RADIUS], 0.0)
    return math.sqrt(max(table[row, OPENING] ** 2 + offset * offset - nearest * nearest, 0.0))


@compiled
def may_meet(table: Table, i: int, j: int) -> bool:
    """True where the axes of two holes come closer than the sum of their radii inside the ball.

    Every point of a flat-bottomed hole lies within its radius of the axis between the bottom and the highest
    point of its mouth, so holes whose segments are further apart cannot meet. Distance of two segments:
    closest points of clamped lines (Ericson, Real-Time Collision Detection, 2005, 5.1.9, from memory).
    """
    wi = vector_at(table, i, AXIS)
    wj = vector_at(table, j, AXIS)
    margin: float = table[i, RADIUS] + table[j, RADIUS]
    low_i = table[i, BOTTOM]
    low_j = table[j, BOTTOM]
    start_i = combine(1.0, vector_at(table, i, FOOT), low_i, wi)
    start_j = combine(1.0, vector_at(table, j, FOOT), low_j, wj)
    length_i = _mouth(table, i) - low_i
    length_j = _mouth(table, j) - low_j
    between = combine(1.0, start_i, -1.0, start_j)
    b = dot(wi, wj)
    c = dot(wi, between)
    f = dot(wj, between)
    denominator = 1.0 - b * b
    p = 0.0
    if denominator > 1e-12:
        p = min(max((b * f - c) / denominator, 0.0), length_i)
    q = b * p + f
    if q < 0.0:
        q = 0.0
        p = min(max(-c, 0.0), length_i)
    elif q > length_j:
        q = length_j
        p = min(max(b * length_j - c, 0.0), length_i)
    gap = combine(1.0, combine(1.0, between, p, wi), -q, wj)
    return dot(gap, gap) < margin * margin


@compiled
def _line_in_hole(table: Table, k: int, start: Vector, direction: Vector) -> tuple[float, float]:
    """Parameters (low, high) between which start + z direction is inside hole k, not clipped by a sphere."""
    w = vector_at(table, k, AXIS)
    away = combine(1.0, start, -1.0, vector_at(table, k, FOOT))
    along = dot(direction, w)
    p = combine(1.0, direction, -along, w)
    q = combine(1.0, away, -dot(away, w), w)
    a = dot(p, p)
    b = dot(p, q)
    c = dot(q, q) - table[k, RADIUS] ** 2
    low = -1e9
    high = 1e9
    if a > 1e-14:
        root = b * b - a * c
        if root <= 0.0:
            return 0.0, 0.0
        root = math.sqrt(root)
        low = (-b - root) / a
        high = (-b + root) / a
    elif c >= 0.0:
        return 0.0, 0.0
    rise = dot(start, w) - table[k, BOTTOM]
    if along > 1e-14:
        low = max(low, -rise / along)
    elif along < -1e-14:
        high = min(high, -rise / along)
    elif rise < 0.0:
        return 0.0, 0.0
    return (low, high) if high > low else (0.0, 0.0)


@compiled
def _line_in_half(
    half: int, start: Vector, direction: Vector, low: float, high: float
) -> tuple[float, float]:
    """Part of the stretch low..high of a line where coordinate `half` is positive; all of it for _WHOLE."""
    if half == _WHOLE:
        return low, high
    along = direction[half]
    if along > 1e-14:
        low = max(low, -start[half] / along)
    elif along < -1e-14:
        high = min(high, -start[half] / along)
    elif start[half] < 0.0:
        high = low
    return low, high


@compiled
def _add_piece(
    start: Vector,
    w: Vector,
    low: float,
    high: float,
    sphere2: float,
    density: float,
    scale: float,
    volume: float,
    reach: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:
    """Add the moments of one stretch of a line, clipped by a sphere; `volume` 1: it counts as volume.

    reach, shape (2, 3), keeps the least and the greatest coordinates of all stretches.
    """
    height2 = sphere2 - dot(start, start)
    if height2 <= 0.0:
        return
    height = math.sqrt(height2)
    lo = max(low, -height)
    hi = min(high, height)
    if hi <= lo:
        return
    weight = density * scale
    m0 = hi - lo
    m1 = 0.5 * (hi * hi - lo * lo)
    m2 = (hi**3 - lo**3) / 3.0
    out[0] += weight * m0
    slot = 7
    for i in range(3):
        out[1 + i] += weight * (m0 * start[i] + m1 * w[i])
        out[4 + i] += weight * (m0 * start[i] * start[i] + 2.0 * m1 * start[i] * w[i] + m2 * w[i] * w[i])
        for j in range(i + 1, 3):
            out[slot] += weight * (
                m0 * start[i] * start[j] + m1 * (start[i] * w[j] + start[j] * w[i]) + m2 * w[i] * w[j]
            )
            slot += 1
        one = start[i] + lo * w[i]
        other = start[i] + hi * w[i]
        reach[0, i] = min(reach[0, i], one, other)
        reach[1, i] = max(reach[1, i], one, other)
    out[13] += volume * scale * m0


@compiled
def _add_line(
    table: Table,
    i: int,
    j: int,
    start: Vector,
    w: Vector,
    radius: float,
    inner: float,
    outer_density: float,
    step: float,
    scale: float,
    half: int,
    cuts: NDArray[np.float64],
    reach: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:
    """Add one line of hole j inside hole i, less the stretches that holes between i and j have taken."""
    low, high = _line_in_hole(table, i, start, w)
    low, high = _line_in_half(half, start, w, max(low, table[j, BOTTOM]), high)
    if high <= low:
        return
    cuts[0] = low
    cuts[1] = high
    count = 2
    for k in range(i + 1, j):
        a, b = _line_in_hole(table, k, start, w)
        a = min(max(a, low), high)
        b = min(max(b, low), high)
        if b > a:
            cuts[count] = a
            cuts[count + 1] = b
            count += 2
    if count > 2:
        cuts[:count].sort()
    for piece in range(count - 1):
        a = cuts[piece]
        b = cuts[piece + 1]
        if b <= a:
            continue
        taken = False
        for k in range(i + 1, j):
            p, q = _line_in_hole(table, k, start, w)
            if p < 0.5 * (a + b) < q:
                taken = True
        if not taken:
            _add_piece(start, w, a, b, radius * radius, outer_density, scale, 1.0, reach, out)
            _add_piece(start, w, a, b, inner * inner, step, scale, 0.0, reach, out)


@compiled
def _line_corners(
    lines: NDArray[np.float64],
    a: int,
    centre: float,
    circles: NDArray[np.float64],
    breaks: NDArray[np.float64],
    count: int,
) -> int:
    """Add where line `a` meets the later lines and the circles, and where it stands upright."""
    pa, qa, ra = lines[a, 0], lines[a, 1], lines[a, 2]
    for b in range(a + 1, lines.shape[0]):
        determinant = pa * lines[b, 1] - qa * lines[b, 0]
        if abs(determinant) > 1e-12:
            breaks[count] = (ra * lines[b, 1] - qa * lines[b, 2]) / determinant
            count += 1
    if abs(qa) < 1e-12:
        breaks[count] = ra / pa
        count += 1
    distance = ra - pa * centre
    for c in range(2):
        root = circles[c] - distance * distance
        if root > 0.0:
            root = math.sqrt(root)
            breaks[count] = centre + pa * distance - qa * root
            breaks[count + 1] = centre + pa * distance + qa * root
            count += 2
    return count


@compiled
def _sort_within(breaks: NDArray[np.float64], count: int, half: float) -> None:
    """Clip the first `count` places to the chord and sort them (by insertion: they are few)."""
    for k in range(count):
        value = min(max(breaks[k], -half), half)
        slot = k
        while slot > 0 and breaks[slot - 1] > value:
            breaks[slot] = breaks[slot - 1]
            slot -= 1
        breaks[slot] = value


@compiled
def _chord_breaks(
    lines: NDArray[np.float64],
    centre: float,
    circles: NDArray[np.float64],
    half: float,
    breaks: NDArray[np.float64],
) -> int:
    """Write into `breaks` the sorted places along the chord where the shared region's outline has a corner.

    lines, shape (4 or 5, 3): p t + q z = r, the two walls and the bottom of hole i, the bottom of hole j and
    where given the plane that halves the ball;
    circles, shape (2,): squared radii of the spheres' sections about (centre, 0).
    """
    breaks[0] = -half
    breaks[1] = half
    count = 2
    for a in range(lines.shape[0]):
        count = _line_corners(lines, a, centre, circles, breaks, count)
    for c in range(2):
        if circles[c] > 0.0:
            reach = math.sqrt(circles[c])
            breaks[count] = centre - reach
            breaks[count + 1] = centre + reach
            count += 2
    _sort_within(breaks, count, half)
    return count


@compiled
def _set_plane(
    table: Table,
    i: int,
    j: int,
    s: float,
    n: Vector,
    e: Vector,
    half: int,
    spheres: NDArray[np.float64],
    lines: NDArray[np.float64],
    circles: NDArray[np.float64],
    breaks: NDArray[np.float64],
) -> int:
    """Find the corners of the shared region in the plane at `s` along n; return how many there are."""
    wi = vector_at(table, i, AXIS)
    wj = vector_at(table, j, AXIS)
    foot_j = vector_at(table, j, FOOT)
    between = combine(1.0, vector_at(table, i, FOOT), -1.0, foot_j)
    ce = dot(wi, e)
    cw = dot(wi, wj)
    foot_e = dot(foot_j, e)
    half_i = math.sqrt(max(table[i, RADIUS] ** 2 - (s - dot(between, n)) ** 2, 0.0))
    across = ce * dot(between, wj) - cw * dot(between, e)
    for wall in range(2):
        lines[wall, 0] = -cw
        lines[wall, 1] = ce
        lines[wall, 2] = across + (2 * wall - 1) * half_i
    lines[2, 0] = ce
    lines[2, 1] = cw
    lines[2, 2] = table[i, BOTTOM] - ce * foot_e
    lines[3, 0] = 0.0
    lines[3, 1] = 1.0
    lines[3, 2] = table[j, BOTTOM]
    if half != _WHOLE:
        lines[4, 0] = e[half]
        lines[4, 1] = wj[half]
        lines[4, 2] = -foot_j[half] - s * n[half]
    for k in range(2):
        circles[k] = spheres[k] ** 2 - (s + dot(foot_j, n)) ** 2
    half_j = math.sqrt(max(table[j, RADIUS] ** 2 - s * s, 0.0))
    return _chord_breaks(lines, -foot_e, circles, half_j, breaks)


@compiled
def _line_start(table: Table, j: int, s: float, t: float, n: Vector, e: Vector) -> Vector:
    return combine(1.0, combine(1.0, vector_at(table, j, FOOT), s, n), t, e)


@compiled
def _shares_line(table: Table, i: int, j: int, start: Vector, w: Vector, radius: float, half: int) -> bool:
    low, high = _line_in_hole(table, i, start, w)
    height2 = radius * radius - dot(start, start)
    if height2 <= 0.0:
        return False
    bottom: float = table[j, BOTTOM]
    low, high = _line_in_half(
        half, start, w, max(low, bottom, -math.sqrt(height2)), min(high, math.sqrt(height2))
    )
    return high > low


@compiled
def _plane_shares(
    table: Table,
    i: int,
    j: int,
    s: float,
    n: Vector,
    e: Vector,
    radius: float,
    half: int,
    breaks: NDArray[np.float64],
    count: int,
) -> bool:
    w = vector_at(table, j, AXIS)
    for piece in range(count - 1):
        if breaks[piece + 1] - breaks[piece] > 1e-12:
            t = 0.5 * (breaks[piece + 1] + breaks[piece])
            if _shares_line(table, i, j, _line_start(table, j, s, t, n, e), w, radius, half):
                return True
    return False


@compiled
def _planes(
    table: Table,
    i: int,
    j: int,
    n: Vector,
    e: Vector,
    radius: float,
    half: int,
    spheres: NDArray[np.float64],
    lines: NDArray[np.float64],
    circles: NDArray[np.float64],
    breaks: NDArray[np.float64],
) -> tuple[float, float]:
    """Return the two ends along n of the planes that meet the shared region, equal where none does.

    The region is convex, so the planes that meet it form one interval: one is searched, the ends bisected.
    """
    s_i = dot(combine(1.0, vector_at(table, i, FOOT), -1.0, vector_at(table, j, FOOT)), n)
    low = max(-table[j, RADIUS], s_i - table[i, RADIUS])
    high = min(table[j, RADIUS], s_i + table[i, RADIUS])
    if high <= low:
        return 0.0, 0.0
    inside = math.nan
    for a in range(_SEARCH):
        s = low + (high - low) * (a + 0.5) / _SEARCH
        count = _set_plane(table, i, j, s, n, e, half, spheres, lines, circles, breaks)
        if _plane_shares(table, i, j, s, n, e, radius, half, breaks, count):
            inside = s
            break
    if math.isnan(inside):
        return 0.0, 0.0
    low_in = inside
    high_in = inside
    for _ in range(_BISECTIONS):
        s = 0.5 * (low + low_in)
        count = _set_plane(table, i, j, s, n, e, half, spheres, lines, circles, breaks)
        if _plane_shares(table, i, j, s, n, e, radius, half, breaks, count):
            low_in = s
        else:
            low = s
        s = 0.5 * (high + high_in)
        count = _set_plane(table, i, j, s, n, e, half, spheres, lines, circles, breaks)
        if _plane_shares(table, i, j, s, n, e, radius, half, breaks, count):
            high_in = s
        else:
            high = s
    return low, high


@compiled
def _add_region(
    table: Table,
    i: int,
    j: int,
    radius: float,
    inner: float,
    outer_density: float,
    step: float,
    half: int,
    reach: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:
    """Add the moments of the shared region, or of its part where coordinate `half` is positive."""
    wi = vector_at(table, i, AXIS)
    wj = vector_at(table, j, AXIS)
    n = cross(wi, wj)
    n = unit(n) if dot(n, n) > 1e-12 else vector_at(table, j, ACROSS)
    e = cross(wj, n)
    spheres = np.array([radius, inner])
    lines = np.empty((_LINES - 1 if half == _WHOLE else _LINES, 3))
    circles = np.empty(2)
    breaks = np.empty(_BREAKS)
    cuts = np.empty(2 * table.shape[0] + 2)
    low, high = _planes(table, i, j, n, e, radius, half, spheres, lines, circles, breaks)
    for a in range(OVERLAP_NODES.shape[0]):
        s = 0.5 * (low + high) + 0.5 * (high - low) * OVERLAP_NODES[a]
        count = _set_plane(table, i, j, s, n, e, half, spheres, lines, circles, breaks)
        plane = 0.5 * (high - low) * OVERLAP_WEIGHTS[a]
        for piece in range(count - 1):
            width = 0.5 * (breaks[piece + 1] - breaks[piece])
            centre = 0.5 * (breaks[piece + 1] + breaks[piece])
            if width < 1e-12:
                continue
            if not _shares_line(table, i, j, _line_start(table, j, s, centre, n, e), wj, radius, half):
                continue
            for b in range(OVERLAP_CHORD_NODES.shape[0]):
                start = _line_start(table, j, s, centre + width * OVERLAP_CHORD_NODES[b], n, e)
                scale = plane * width * OVERLAP_CHORD_WEIGHTS[b]
                _add_line(
                    table, i, j, start, wj, radius, inner, outer_density, step, scale, half, cuts, reach, out
                )


@compiled
def shared_region(
    table: Table,
    i: int,
    j: int,
    radius: float,
    inner: float,
    outer_density: float,
    step: float,
    out: NDArray[np.float64],
) -> None:
    """Write into `out`, shape (14,), what hole j must not remove where it runs through hole i < j.

    outer_density: the cover's density less that of the fill of hole i [oz/in^3]; step: what the inner
    material has beyond the cover. Good to about 1e-5 of the shared weight. Parts taken by a hole between i
    and j in the order are left out, with less accuracy (about 1e-2 of what three holes share), since the
    outline of that part is not located. Where a coordinate plane cuts the region, its half on the positive
    side, convex too, is integrated by itself: the half difference is twice that less the whole.
    """
    out[:] = 0.0
    reach = np.empty((2, 3))
    reach[0] = math.inf
    reach[1] = -math.inf
    _add_region(table, i, j, radius, inner, outer_density, step, _WHOLE, reach, out)
    if out[13] == 0.0:
        return
    other = np.empty((2, 3))
    part = np.empty(SHARED)
    for axis in range(3):
        if reach[0, axis] >= 0.0:
            out[10 + axis] = out[0]
        elif reach[1, axis] <= 0.0:
            out[10 + axis] = -out[0]
        else:
            part[:] = 0.0
            _add_region(table, i, j, radius, inner, outer_density, step, axis, other, part)
            out[10 + axis] = 2.0 * part[0] - out[0]
