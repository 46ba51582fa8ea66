"""The material that two holes share, so that what is already gone is not removed again.

Holes are drilled in their listed order. Where hole j runs through hole i, drilled and perhaps filled before
it, it meets the fill of i, or nothing. Planes parallel to both axes cut the shared region in polygons whose
moments are closed forms (see `sections`), so that only the sum over the planes is numerical. Between the
planes through the region's corners, which are located first, that sum's terms are analytic.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.compiled import compiled
from ballgauge_service.physics.corners import MOST_CORNERS, MOST_FACES, Faces, find_corners
from ballgauge_service.physics.holes import (
    ACROSS,
    AXIS,
    BOTTOM,
    FOOT,
    OFFSET,
    OPENING,
    RADIUS,
    Table,
    vector_at,
    whole_side,
)
from ballgauge_service.physics.quadrature import (
    OVERLAP_CHORD_NODES,
    OVERLAP_CHORD_WEIGHTS,
    OVERLAP_LEAST,
    OVERLAP_MOST,
    OVERLAP_NODES,
    OVERLAP_SLOPE,
    OVERLAP_WEIGHTS,
)
from ballgauge_service.physics.roots import Bracket, narrowed, secant
from ballgauge_service.physics.sections import (
    VERTICES,
    Pair,
    Polygon,
    clip,
    disc_area,
    disc_moments,
    farthest,
    inside_disc,
    section,
    strips,
)
from ballgauge_service.physics.sphere import Vector, combine, cross, dot, unit

SHARED = 14
"""Length of the result: weight, 3 first and 6 second moments, 3 half differences, volume."""

NORMALS = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
_PARALLEL = 1e-16
_SHORT = 2e-3
_SEARCH = 24
_BISECTIONS = 14
_ROUNDS = 8
_CLOSE = 1e-5
_MARGIN = 1e-3
_EMPTY = 1e-13
"""Area of a section [in^2] that counts as nothing: what rounding leaves of one outside the ball."""


class Material(NamedTuple):
    """The ball's layers: radii [in], the cover's density and what the inner ball has beyond it [oz/in^3]."""

    radius: float
    inner: float
    cover: float
    step: float


class Frame(NamedTuple):
    """Unit vectors of the sections' frame: normal, across, and along the axis of the later hole."""

    normal: Vector
    across: Vector
    along: Vector


@compiled
def _mouth(table: Table, row: int) -> float:
    """Greatest height of the hole's mouth along its axis [in]."""
    offset = table[row, OFFSET]
    nearest = max(offset - table[row, RADIUS], 0.0)
    return math.sqrt(
        max(table[row, OPENING] * table[row, OPENING] + offset * offset - nearest * nearest, 0.0)
    )


@compiled
def may_meet(table: Table, i: int, j: int) -> bool:
    """Whether two holes can share material.

    Every point of a flat-bottomed hole lies within its radius of the axis between the bottom and the
    highest point of its mouth, so holes whose segments are further apart cannot meet.

    Parameters
    ----------
    table : Table, a hole a row
    i, j : int, rows

    Returns
    -------
    bool, True where the axes come closer inside the ball than the sum of the radii

    References
    ----------
    Closest points of clamped lines: Ericson, Real-Time Collision Detection, 2005, 5.1.9, from memory.
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
def _frame(table: Table, i: int, j: int) -> Frame:
    w = vector_at(table, j, AXIS)
    n = cross(vector_at(table, i, AXIS), w)
    n = unit(n) if dot(n, n) > _PARALLEL else vector_at(table, j, ACROSS)
    return Frame(n, cross(w, n), w)


@compiled
def _pair(table: Table, i: int, j: int, frame: Frame) -> Pair:
    wi = vector_at(table, i, AXIS)
    n, e, w = frame
    foot_i = vector_at(table, i, FOOT)
    foot_j = vector_at(table, j, FOOT)
    along = dot(wi, w)
    aside = dot(wi, e)
    return Pair(
        dot(foot_i, n),
        dot(foot_j, n),
        aside * dot(foot_i, w) - along * dot(foot_i, e),
        dot(foot_j, e),
        table[i, RADIUS],
        table[j, RADIUS],
        along,
        aside,
        table[i, BOTTOM],
        table[j, BOTTOM],
        _mouth(table, i),
        _mouth(table, j),
    )


@compiled
def _clearance(pair: Pair, s: float) -> float:
    """Positive where the strips' common parallelogram at s reaches above both bottoms and below both mouths.

    Its extent along either axis is that of the other strip and of its own, leaning; times the sine of the
    axes' angle. A concave function of s.
    """
    half_i, half_j = strips(pair, s)
    lean = abs(pair.along)
    center_i = pair.middle_j + pair.along * pair.middle_i
    center_j = pair.middle_i + pair.along * pair.middle_j
    room_i = min(center_i - pair.aside * pair.bottom_i, pair.aside * pair.top_i - center_i)
    room_j = min(center_j - pair.aside * pair.bottom_j, pair.aside * pair.top_j - center_j)
    return min(room_i + half_j + lean * half_i, room_j + half_i + lean * half_j)


@compiled
def _measure(pair: Pair, s: float, radius: float, scratch: Polygon, polygon: Polygon) -> float:
    """Positive where the plane at s meets the shared region; radius 0: spheres aside."""
    if radius == 0.0:
        return _clearance(pair, s)
    count = section(pair, s, scratch, polygon)
    if count == 0:
        return -1.0
    area: float = disc_area(polygon, count, farthest(polygon, count), radius * radius - s * s)
    return area - _EMPTY


@compiled
def _end(
    pair: Pair, outside: float, inside: float, radius: float, scratch: Polygon, polygon: Polygon
) -> float:
    """Where `_measure` falls to zero between two planes: see `roots`; sections by bisection."""
    if radius > 0.0:
        for _ in range(_BISECTIONS):
            s = 0.5 * (outside + inside)
            if _measure(pair, s, radius, scratch, polygon) > 0.0:
                inside = s
            else:
                outside = s
        return inside
    bracket = Bracket(outside, inside, _clearance(pair, outside), _clearance(pair, inside), 0.0)
    s = inside
    for _ in range(_ROUNDS):
        s = secant(bracket)
        value = _clearance(pair, s)
        if abs(value) < _CLOSE:
            break
        bracket = narrowed(bracket, s, value)
    return s


@compiled
def _narrowed(
    pair: Pair, low: float, high: float, radius: float, scratch: Polygon, polygon: Polygon
) -> tuple[float, float]:
    """Narrow low..high to the planes that meet the shared region; two equal numbers where none does.

    The region is convex, so that they form one interval: one of them is searched, then the ends.
    """
    inside = 0.5 * (low + high)
    step = 0
    while _measure(pair, inside, radius, scratch, polygon) <= 0.0:
        if step == _SEARCH:
            return 0.0, 0.0
        inside = low + (high - low) * (step + 0.5) / _SEARCH
        step += 1
    if _measure(pair, low, radius, scratch, polygon) < 0.0:
        low = _end(pair, low, inside, radius, scratch, polygon)
    if _measure(pair, high, radius, scratch, polygon) < 0.0:
        high = _end(pair, high, inside, radius, scratch, polygon)
    return low, high


@compiled
def _reach(pair: Pair) -> float:
    """Bound on the squared distance of a shared point from the center, spheres aside [in^2]."""
    if pair.aside <= 0.0:
        return math.inf
    lean = abs(pair.along)
    rise_i = (pair.middle_j + pair.along * pair.middle_i + pair.radius_j + lean * pair.radius_i) / pair.aside
    rise_j = (pair.middle_i + pair.along * pair.middle_j + pair.radius_i + lean * pair.radius_j) / pair.aside
    off_i = math.hypot(pair.at_i, pair.middle_i) + pair.radius_i
    off_j = math.hypot(pair.at_j, pair.middle_j) + pair.radius_j
    return min(
        max(rise_i * rise_i, pair.bottom_i * pair.bottom_i) + off_i * off_i,
        max(rise_j * rise_j, pair.bottom_j * pair.bottom_j) + off_j * off_j,
    )


@compiled
def _ends(pair: Pair, reach: float, radius: float, scratch: Polygon, polygon: Polygon) -> tuple[float, float]:
    """Return the first and the last plane of the shared region along the normal, equal where there is none.

    Only where the ball's surface cuts an end off is that end searched by sections.
    """
    low = max(pair.at_i - pair.radius_i, pair.at_j - pair.radius_j)
    high = min(pair.at_i + pair.radius_i, pair.at_j + pair.radius_j)
    if high <= low:
        return 0.0, 0.0
    low, high = _narrowed(pair, low, high, 0.0, scratch, polygon)
    if reach <= radius * radius or high <= low:
        return low, high
    margin = _MARGIN * (high - low)
    at_low = _measure(pair, low + margin, radius, scratch, polygon)
    at_high = _measure(pair, high - margin, radius, scratch, polygon)
    if at_low <= 0.0 or at_high <= 0.0:
        return _narrowed(pair, low, high, radius, scratch, polygon)
    return low, high


@compiled
def _add_moments(m: NDArray[np.float64], s: float, weight: float, sums: NDArray[np.float64]) -> None:
    """Add a section's moments to those along s, x and z: weight, firsts, squares, then s x, s z and x z."""
    area = weight * m[0]
    sums[0] += area
    sums[1] += area * s
    sums[2] += weight * m[1]
    sums[3] += weight * m[2]
    sums[4] += area * s * s
    sums[5] += weight * m[3]
    sums[6] += weight * m[4]
    sums[7] += weight * s * m[1]
    sums[8] += weight * s * m[2]
    sums[9] += weight * m[5]


@compiled
def _add_sections(
    pair: Pair,
    material: Material,
    rule: NDArray[np.float64],
    nodes: int,
    faces: Faces,
    planes: int,
    polygons: NDArray[np.float64],
    sums: NDArray[np.float64],
) -> None:
    """Add the sections of a rule, shape (n, 2): places and thicknesses.

    sums, shape (14,): moments along s, x and z, weights above the dividing planes, volume.
    """
    other, polygon = polygons[0], polygons[1]
    m = np.empty(6)
    for k in range(nodes):
        s, thickness = rule[k, 0], rule[k, 1]
        count = section(pair, s, other, polygon)
        if count == 0:
            continue
        reach = farthest(polygon, count)
        inner = material.inner * material.inner - s * s
        outer = material.radius * material.radius - s * s
        whole = reach <= inner
        disc_moments(polygon, count, reach, outer, m)
        _add_moments(m, s, thickness * (material.cover + (material.step if whole else 0.0)), sums)
        sums[13] += thickness * m[0]
        if not whole:
            disc_moments(polygon, count, reach, inner, m)
            _add_moments(m, s, thickness * material.step, sums)
        for face in range(2, planes):
            a, b, r = faces[face, 0], faces[face, 1], s * faces[face, 2]
            kept = clip(-a, -b, r, polygon, count, other)
            if kept < 3:
                continue
            if whole:
                weight = (material.cover + material.step) * disc_area(other, kept, 0.0, inner)
            else:
                reach_above = farthest(other, kept)
                weight = material.cover * disc_area(other, kept, reach_above, outer)
                weight += material.step * disc_area(other, kept, reach_above, inner)
            sums[8 + face] += thickness * weight


@compiled
def _turn_to_grip(frame: Frame, sums: NDArray[np.float64], out: NDArray[np.float64]) -> None:
    """Write weight, moments and volume of the sums into `out`, in the grip frame."""
    n, e, w = frame
    out[0], out[13] = sums[0], sums[13]
    slot = 7
    for a in range(3):
        out[1 + a] = sums[1] * n[a] + sums[2] * e[a] + sums[3] * w[a]
        for b in range(a, 3):
            value = (
                sums[4] * n[a] * n[b]
                + sums[5] * e[a] * e[b]
                + sums[6] * w[a] * w[b]
                + sums[7] * (n[a] * e[b] + e[a] * n[b])
                + sums[8] * (n[a] * w[b] + w[a] * n[b])
                + sums[9] * (e[a] * w[b] + w[a] * e[b])
            )
            if a == b:
                out[4 + a] = value
            else:
                out[slot] = value
                slot += 1


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
    c = dot(q, q) - table[k, RADIUS] * table[k, RADIUS]
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
def _add_stretch(
    start: Vector,
    w: Vector,
    low: float,
    high: float,
    sphere2: float,
    density: float,
    volume: float,
    out: NDArray[np.float64],
) -> None:
    """Add the moments and half differences of one stretch of a line, clipped by a sphere, as `shared_region`.

    density and volume: weight and volume of a unit of length.
    """
    height2 = sphere2 - dot(start, start)
    if height2 <= 0.0:
        return
    height = math.sqrt(height2)
    lo = max(low, -height)
    hi = min(high, height)
    if hi <= lo:
        return
    m0 = hi - lo
    m1 = 0.5 * (hi * hi - lo * lo)
    m2 = (hi * hi * hi - lo * lo * lo) / 3.0
    out[0] += density * m0
    slot = 7
    for i in range(3):
        out[1 + i] += density * (m0 * start[i] + m1 * w[i])
        out[4 + i] += density * (m0 * start[i] * start[i] + 2.0 * m1 * start[i] * w[i] + m2 * w[i] * w[i])
        for j in range(i + 1, 3):
            out[slot] += density * (
                m0 * start[i] * start[j] + m1 * (start[i] * w[j] + start[j] * w[i]) + m2 * w[i] * w[j]
            )
            slot += 1
        at_lo = start[i] + lo * w[i]
        at_hi = start[i] + hi * w[i]
        rise = at_hi - at_lo
        side = (abs(at_hi) - abs(at_lo)) / rise if abs(rise) > 1e-12 else math.copysign(1.0, at_lo + at_hi)
        out[10 + i] += density * m0 * side
    out[13] += volume * m0


@compiled
def _add_line(
    table: Table,
    i: int,
    j: int,
    start: Vector,
    low: float,
    high: float,
    material: Material,
    scale: float,
    cuts: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:
    """Add one line of hole j inside hole i, less the stretches that holes between i and j have taken."""
    w = vector_at(table, j, AXIS)
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
            _add_stretch(
                start, w, a, b, material.radius * material.radius, material.cover * scale, scale, out
            )
            _add_stretch(start, w, a, b, material.inner * material.inner, material.step * scale, 0.0, out)


@compiled
def _chord_breaks(
    polygon: Polygon,
    count: int,
    s: float,
    material: Material,
    faces: Faces,
    planes: int,
    breaks: NDArray[np.float64],
) -> int:
    """Write the sorted places across a section between which its lines change smoothly; return their number.

    They are the vertices and where its edges meet the spheres and the dividing planes.
    """
    found = 0
    px, pz = polygon[count - 1, 0], polygon[count - 1, 1]
    for k in range(count):
        qx, qz = polygon[k, 0], polygon[k, 1]
        breaks[found] = qx
        found += 1
        for sphere in (material.radius, material.inner):
            for t in inside_disc(px, pz, qx, qz, sphere * sphere - s * s):
                breaks[found] = px + t * (qx - px)
                found += 1
        for face in range(2, planes):
            a, b, r = faces[face, 0], faces[face, 1], s * faces[face, 2]
            dp, dq = a * px + b * pz + r, a * qx + b * qz + r
            if (dp < 0.0) != (dq < 0.0):
                breaks[found] = px + dp / (dp - dq) * (qx - px)
                found += 1
        px, pz = qx, qz
    breaks[:found].sort()
    return found


@compiled
def _chord(polygon: Polygon, count: int, x: float) -> tuple[float, float]:
    """Least and greatest height of a section at x."""
    low, high = math.inf, -math.inf
    px, pz = polygon[count - 1, 0], polygon[count - 1, 1]
    for k in range(count):
        qx, qz = polygon[k, 0], polygon[k, 1]
        if (px <= x) != (qx <= x):
            z = pz + (x - px) / (qx - px) * (qz - pz)
            low, high = min(low, z), max(high, z)
        px, pz = qx, qz
    return low, high


@compiled
def _add_lines(
    table: Table,
    i: int,
    j: int,
    pair: Pair,
    frame: Frame,
    material: Material,
    rule: NDArray[np.float64],
    nodes: int,
    faces: Faces,
    planes: int,
    polygons: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:
    """Add a rule's sections line by line, less what holes between i and j took, as `shared_region`."""
    other, polygon = polygons[0], polygons[1]
    breaks = np.empty(8 * VERTICES)
    cuts = np.empty(2 * table.shape[0] + 2)
    for a in range(nodes):
        s = rule[a, 0]
        count = section(pair, s, other, polygon)
        if count == 0:
            continue
        ends = _chord_breaks(polygon, count, s, material, faces, planes, breaks)
        for piece in range(ends - 1):
            width = 0.5 * (breaks[piece + 1] - breaks[piece])
            center = 0.5 * (breaks[piece + 1] + breaks[piece])
            if width < 1e-12:
                continue
            for b in range(OVERLAP_CHORD_NODES.shape[0]):
                x = center + width * OVERLAP_CHORD_NODES[b]
                low, high = _chord(polygon, count, x)
                if high > low:
                    start = combine(s, frame.normal, x, frame.across)
                    scale = rule[a, 1] * width * OVERLAP_CHORD_WEIGHTS[b]
                    _add_line(table, i, j, start, low, high, material, scale, cuts, out)


@compiled
def _third_meets(table: Table, i: int, j: int) -> bool:
    """True where a hole between i and j in the order may have taken part of what these two share."""
    found = False
    for k in range(i + 1, j):
        found |= may_meet(table, i, k) and may_meet(table, k, j)
    return found


@compiled
def _set_faces(
    table: Table,
    i: int,
    j: int,
    pair: Pair,
    frame: Frame,
    radius: float,
    faces: Faces,
    sides: NDArray[np.float64],
) -> int:
    """Write the planes that bound or halve the region into `faces`; return their number.

    sides, shape (3,), gets 1 or -1 where the region lies on one side of a coordinate plane, else 0.
    """
    faces[0, 0], faces[0, 1], faces[0, 2], faces[0, 3] = pair.aside, pair.along, 0.0, pair.bottom_i
    faces[1, 0], faces[1, 1], faces[1, 2], faces[1, 3] = 0.0, 1.0, 0.0, pair.bottom_j
    count = 2
    for axis in range(3):
        sides[axis] = whole_side(table, i, NORMALS[axis], radius)
        if sides[axis] == 0.0:
            sides[axis] = whole_side(table, j, NORMALS[axis], radius)
        if sides[axis] == 0.0:
            faces[count, 0], faces[count, 1] = frame.across[axis], frame.along[axis]
            faces[count, 2], faces[count, 3] = frame.normal[axis], 0.0
            count += 1
    return count


@compiled
def _set_rule(low: float, high: float, before: float, v: float, rule: NDArray[np.float64]) -> int:
    """Write places and thicknesses of the sections from v = before to v; return their number."""
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    nodes = min(int(OVERLAP_LEAST + OVERLAP_SLOPE * (v - before)), OVERLAP_MOST)
    for a in range(nodes):
        at = 0.5 * (before + v) + 0.5 * (v - before) * OVERLAP_NODES[nodes, a]
        scale = 1.0 / (1.0 + at * at)
        rule[a, 0] = middle + half * 2.0 * at * scale
        rule[a, 1] = half * (1.0 - at * at) * scale * scale * (v - before) * OVERLAP_WEIGHTS[nodes, a]
    return nodes


@compiled
def _add_region(
    table: Table,
    i: int,
    j: int,
    frame: Frame,
    material: Material,
    sides: NDArray[np.float64],
    sums: NDArray[np.float64],
    thirds: bool,
) -> None:
    """Add the sections between the region's corners, each stretch by a Gauss-Legendre rule.

    The rule's variable v, s = middle + half 2 v / (1 + v^2), takes away the square roots at the two ends,
    where a strip may vanish.
    """
    pair = _pair(table, i, j, frame)
    polygons = np.empty((2, VERTICES, 2))
    reach = _reach(pair)
    low, high = _ends(pair, reach, material.radius, polygons[0], polygons[1])
    if high <= low:
        return
    faces = np.empty((MOST_FACES, 4))
    planes = _set_faces(table, i, j, pair, frame, material.radius, faces, sides)
    count = planes
    for sphere in (material.radius, material.inner):
        if reach > sphere * sphere:
            faces[count, 0] = faces[count, 1] = faces[count, 2] = 0.0
            faces[count, 3] = sphere * sphere
            count += 1
    corners = np.empty(MOST_CORNERS)
    found = find_corners(pair, faces, planes, count, low, high, material.radius, corners)
    rule = np.empty((OVERLAP_MOST, 2))
    before = -1.0
    for k in range(1, found):
        q = min((2.0 * corners[k] - low - high) / (high - low), 1.0)
        v = q / (1.0 + math.sqrt(max(1.0 - q * q, 0.0)))
        if v - before < _SHORT and k < found - 1:
            continue
        nodes = _set_rule(low, high, before, v, rule)
        if thirds:
            _add_lines(table, i, j, pair, frame, material, rule, nodes, faces, planes, polygons, sums)
        else:
            _add_sections(pair, material, rule, nodes, faces, planes, polygons, sums)
        before = v


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
    """Write into `out` what hole j must not remove where it runs through hole i.

    Good to about 1e-6 of the shared weight, and to 2e-5 oz where faces all but touch; the half
    differences to 1e-5 of it and 4e-4 oz. Parts taken by a hole between i and j in the order are left
    out, with less accuracy (about 1e-2 of what three holes share), since the outline of that part is not
    located.

    Parameters
    ----------
    table : Table, a hole a row
    i, j : int, rows, i < j
    radius, inner : float, of the ball and of the inner material [in]
    outer_density : float, the cover's less that of the fill of hole i [oz/in^3]
    step : float, what the inner material has beyond the cover [oz/in^3]
    out : (14,) array
    """
    out[:] = 0.0
    frame = _frame(table, i, j)
    material = Material(radius, inner, outer_density, step)
    sides = np.empty(3)
    sums = np.zeros(SHARED)
    thirds = _third_meets(table, i, j)
    _add_region(table, i, j, frame, material, sides, sums, thirds)
    if sums[13] == 0.0:
        return
    if thirds:
        out[:] = sums
        return
    _turn_to_grip(frame, sums, out)
    above = 10
    for axis in range(3):
        if sides[axis] != 0.0:
            out[10 + axis] = sides[axis] * out[0]
        else:
            out[10 + axis] = 2.0 * sums[above] - out[0]
            above += 1
