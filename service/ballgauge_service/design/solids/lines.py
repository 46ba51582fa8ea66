"""What a straight line meets: its exact stretches inside each solid, and the moments of what is visible.

All lines of one integration are parallel, along the w of a frame (3, 3) with rows u, v, w, so meshes are
sorted once into bins across the lines.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.compiled import compiled
from ballgauge_service.design.solids.packing import (
    BOX,
    CYLINDER,
    ELLIPSOID,
    FIRST,
    FIRST_FACE,
    HOLE,
    KIND,
    LAST,
    LAST_FACE,
    MESH,
    SIZE,
    SPHERE,
    Packed,
)
from ballgauge_service.design.solids.shapes import Floats, own_axis, piece, piece_count, position, sort_values
from ballgauge_service.physics.sphere import Vector, dot

Numbers = NDArray[np.int64]
Flags = NDArray[np.bool_]

LOW, HIGH, OWNER = range(3)
"""Columns of the stretches (n, 3) of a line: heights of the ends, and the solid."""


class Bins(NamedTuple):
    """Meshes sorted across parallel lines.

    projected (v, 3): vertices along u, v, w; the faces of bin b of a mesh are
    items[starts[offset + b] : starts[offset + b + 1]]; grid (m, 7): low u, low v, bin sizes, counts, offset.
    """

    projected: NDArray[np.float64]
    starts: NDArray[np.int64]
    items: NDArray[np.int64]
    grid: NDArray[np.float64]


@compiled
def _bin_range(low: float, high: float, origin: float, size: float, count: int) -> tuple[int, int]:
    first = min(max(int((low - origin) / size), 0), count - 1)
    last = min(max(int((high - origin) / size), 0), count - 1)
    return first, last


@compiled
def _count_or_fill(
    packed: Packed, k: int, projected: Floats, grid: Floats, starts: Numbers, items: Numbers, fill: bool
) -> None:
    columns = int(grid[k, 4])
    rows = int(grid[k, 5])
    offset = int(grid[k, 6])
    for f in range(int(packed.table[k, FIRST_FACE]), int(packed.table[k, LAST_FACE])):
        a, b, c = packed.faces[f, 0], packed.faces[f, 1], packed.faces[f, 2]
        u0 = min(projected[a, 0], projected[b, 0], projected[c, 0])
        u1 = max(projected[a, 0], projected[b, 0], projected[c, 0])
        v0 = min(projected[a, 1], projected[b, 1], projected[c, 1])
        v1 = max(projected[a, 1], projected[b, 1], projected[c, 1])
        i0, i1 = _bin_range(u0, u1, grid[k, 0], grid[k, 2], columns)
        j0, j1 = _bin_range(v0, v1, grid[k, 1], grid[k, 3], rows)
        for i in range(i0, i1 + 1):
            for j in range(j0, j1 + 1):
                cell = offset + i * rows + j
                if fill:
                    items[starts[cell]] = f
                    starts[cell] += 1
                else:
                    starts[cell + 2] += 1


@compiled
def _project(packed: Packed, frame: Floats, projected: Floats, grid: Floats) -> int:
    """Fill the projected vertices and the grids; return the number of bins."""
    table = packed.table
    bins = 0
    for k in range(table.shape[0]):
        if int(table[k, KIND]) != MESH:
            continue
        at = position(table, k)
        first, last = int(table[k, FIRST]), int(table[k, LAST])
        for axis in range(3):
            d = (frame[axis, 0], frame[axis, 1], frame[axis, 2])
            base = dot(at, d)
            x = table[k, SIZE] * dot(own_axis(table, k, 0), d)
            y = table[k, SIZE] * dot(own_axis(table, k, 1), d)
            z = table[k, SIZE] * dot(own_axis(table, k, 2), d)
            for n in range(first, last):
                vertex = packed.vertices[n]
                projected[n, axis] = base + x * vertex[0] + y * vertex[1] + z * vertex[2]
        faces = table[k, LAST_FACE] - table[k, FIRST_FACE]
        count = max(1, int(math.sqrt(faces)))
        for axis in range(2):
            low = projected[first:last, axis].min()
            high = projected[first:last, axis].max()
            grid[k, axis] = low
            grid[k, 2 + axis] = max((high - low) / count, 1e-12)
            grid[k, 4 + axis] = count
        grid[k, 6] = bins
        bins += count * count
    return bins


@compiled
def sort_meshes(packed: Packed, frame: Floats) -> Bins:
    """Sort the meshes' faces for lines.

    Parameters
    ----------
    packed : Packed
    frame : (3, 3) array, lines along its third row

    Returns
    -------
    Bins
    """
    table = packed.table
    projected = np.empty((packed.vertices.shape[0], 3))
    grid = np.zeros((table.shape[0], 7))
    bins = _project(packed, frame, projected, grid)
    starts = np.zeros(bins + 2, np.int64)
    items = np.empty(0, np.int64)
    for k in range(table.shape[0]):
        if int(table[k, KIND]) == MESH:
            _count_or_fill(packed, k, projected, grid, starts, items, False)
    for b in range(2, bins + 2):
        starts[b] += starts[b - 1]
    items = np.empty(starts[bins + 1], np.int64)
    shifted = starts[1:].copy()
    for k in range(table.shape[0]):
        if int(table[k, KIND]) == MESH:
            _count_or_fill(packed, k, projected, grid, shifted, items, True)
    return Bins(projected, starts[1:].copy(), items, grid)


@compiled
def most_hits(bins: Bins, k: int) -> int:
    """Most faces of a mesh that one line can pass: those of its fullest bin.

    Parameters
    ----------
    bins : Bins
    k : int, a solid

    Returns
    -------
    int
    """
    most = 0
    first = int(bins.grid[k, 6])
    for cell in range(first, first + int(bins.grid[k, 4]) * int(bins.grid[k, 5])):
        most = max(most, bins.starts[cell + 1] - bins.starts[cell])
    return most


@compiled
def _side(ax: float, ay: float, bx: float, by: float, u: float, v: float) -> float:
    return (bx - ax) * (v - ay) - (by - ay) * (u - ax)


@compiled
def mesh_faces_hit(packed: Packed, bins: Bins, k: int, u: float, v: float, hits: Floats) -> int:
    """Write the faces that a line passes.

    Parameters
    ----------
    packed : Packed
    bins : Bins
    k : int, a solid
    u, v : float, the line's place across [in]
    hits : (n, 2) array with room for `most_hits`, written as they come: the height, and the face's number
        plus one, negative where it looks down the line

    Returns
    -------
    int, how many
    """
    grid = bins.grid
    i = math.floor((u - grid[k, 0]) / grid[k, 2])
    j = math.floor((v - grid[k, 1]) / grid[k, 3])
    columns = int(grid[k, 4])
    rows = int(grid[k, 5])
    if i < 0 or j < 0 or i >= columns or j >= rows:
        return 0
    cell = int(grid[k, 6]) + i * rows + j
    count = 0
    p = bins.projected
    for n in range(bins.starts[cell], bins.starts[cell + 1]):
        f = bins.items[n]
        a, b, c = packed.faces[f, 0], packed.faces[f, 1], packed.faces[f, 2]
        wa = _side(p[b, 0], p[b, 1], p[c, 0], p[c, 1], u, v)
        wb = _side(p[c, 0], p[c, 1], p[a, 0], p[a, 1], u, v)
        wc = _side(p[a, 0], p[a, 1], p[b, 0], p[b, 1], u, v)
        up = wa > 0.0 and wb > 0.0 and wc > 0.0
        if (up or (wa < 0.0 and wb < 0.0 and wc < 0.0)) and count < hits.shape[0]:
            hits[count, 0] = (wa * p[a, 2] + wb * p[b, 2] + wc * p[c, 2]) / (wa + wb + wc)
            hits[count, 1] = f + 1.0 if up else -1.0 - f
            count += 1
    return count


@compiled
def _add(found: Floats, count: int, k: int, low: float, high: float) -> int:
    """Append a stretch of solid k where there is room; return the new count."""
    if count < found.shape[0]:
        found[count, LOW] = low
        found[count, HIGH] = high
        found[count, OWNER] = k
        count += 1
    return count


@compiled
def _add_mesh(packed: Packed, bins: Bins, k: int, u: float, v: float, found: Floats, count: int) -> int:
    """Append the stretches inside a mesh; a line through an edge is moved aside until its hits pair up."""
    faces = np.empty((2 * found.shape[0], 2))
    hits = np.empty(2 * found.shape[0])
    number = 1
    for attempt in range(8):
        number = mesh_faces_hit(packed, bins, k, u + attempt * 1.7e-9, v + attempt * 1.1e-9, faces)
        if number % 2 == 0:
            break
    for n in range(number):
        hits[n] = faces[n, 0]
    sort_values(hits, number)
    for n in range(number // 2):
        count = _add(found, count, k, hits[2 * n], hits[2 * n + 1])
    return count


@compiled
def _round(a: float, b: float, c: float) -> tuple[float, float]:
    """Ends of a t^2 + 2 b t + c <= 0 for a > 0; (0, 0) where there are none."""
    root = b * b - a * c
    if root <= 0.0:
        return 0.0, 0.0
    root = math.sqrt(root)
    return (-b - root) / a, (-b + root) / a


@compiled
def _slab(p: float, d: float, low: float, high: float) -> tuple[float, float]:
    """Ends of the stretch with low <= p + t d <= high."""
    if abs(d) < 1e-14:
        return (-math.inf, math.inf) if low <= p <= high else (0.0, 0.0)
    s = (low - p) / d
    t = (high - p) / d
    return (s, t) if s < t else (t, s)


@compiled
def _meet(a: tuple[float, float], b: tuple[float, float]) -> tuple[float, float]:
    low = max(a[0], b[0])
    high = min(a[1], b[1])
    return (low, high) if low < high else (0.0, 0.0)


@compiled
def _in_piece(
    p: Vector, d: Vector, z0: float, z1: float, a: float, b: float, c: float
) -> tuple[float, float]:
    """Ends of the stretch inside one piece x^2 + y^2 <= a + b z + c z^2, z0 <= z <= z1 (a convex body)."""
    between = _slab(p[2], d[2], z0, z1)
    if between[0] >= between[1]:
        return 0.0, 0.0
    q2 = d[0] * d[0] + d[1] * d[1] - c * d[2] * d[2]
    q1 = p[0] * d[0] + p[1] * d[1] - c * p[2] * d[2] - 0.5 * b * d[2]
    q0 = p[0] * p[0] + p[1] * p[1] - a - p[2] * (b + c * p[2])
    if abs(q2) < 1e-14:
        if abs(q1) < 1e-14:
            return between if q0 <= 0.0 else (0.0, 0.0)
        at = -0.5 * q0 / q1
        return _meet(between, (-math.inf, at) if q1 > 0.0 else (at, math.inf))
    if q2 > 0.0:
        return _meet(between, _round(q2, q1, q0))
    root = q1 * q1 - q2 * q0
    if root <= 0.0:
        return between
    root = math.sqrt(root)
    first = (-q1 + root) / q2
    second = (-q1 - root) / q2
    below = _meet(between, (-math.inf, first))
    above = _meet(between, (second, math.inf))
    return below if below[1] - below[0] > above[1] - above[0] else above


@compiled
def _widen(into: tuple[float, float], new: tuple[float, float]) -> tuple[float, float]:
    if new[0] >= new[1]:
        return into
    if into[0] >= into[1]:
        return new
    return min(into[0], new[0]), max(into[1], new[1])


@compiled
def _in_box(table: Floats, k: int, p: Vector, d: Vector) -> tuple[float, float]:
    """Ends of the stretch inside a rounded box: three boxes, its edge cylinders and its corner balls."""
    r = table[k, SIZE + 3]
    h = (0.5 * table[k, SIZE], 0.5 * table[k, SIZE + 1], 0.5 * table[k, SIZE + 2])
    all_in = (0.0, 0.0)
    for grown in range(3):
        part = (-math.inf, math.inf)
        for axis in range(3):
            reach = h[axis] - (0.0 if axis == grown else r)
            part = _meet(part, _slab(p[axis], d[axis], -reach, reach))
        all_in = _widen(all_in, part)
    if r == 0.0:
        return all_in
    for axis in range(3):
        i, j = (1, 2) if axis == 0 else ((2, 0) if axis == 1 else (0, 1))
        for corner in range(4):
            x = p[i] - (h[i] - r) * (1.0 if corner & 1 else -1.0)
            y = p[j] - (h[j] - r) * (1.0 if corner & 2 else -1.0)
            a = d[i] * d[i] + d[j] * d[j]
            b = x * d[i] + y * d[j]
            c = x * x + y * y - r * r
            part = _slab(p[axis], d[axis], r - h[axis], h[axis] - r)
            if a > 1e-14:
                all_in = _widen(all_in, _meet(part, _round(a, b, c)))
            elif c <= 0.0:
                all_in = _widen(all_in, part)
            for end in range(2):
                z = p[axis] - (h[axis] - r) * (1.0 if end else -1.0)
                if axis == 0:
                    all_in = _widen(all_in, _round(1.0, b + z * d[axis], c + z * z))
    return all_in


@compiled
def _add_turned(packed: Packed, k: int, p: Vector, d: Vector, found: Floats, count: int) -> int:
    start = count
    pieces = piece_count(packed.table, k)
    for m in range(pieces):
        z0, z1, a, b, c = piece(packed, k, m if d[2] >= 0.0 else pieces - 1 - m)
        if z1 <= z0:
            continue
        lo, hi = _in_piece(p, d, z0, z1, a, b, c)
        if lo >= hi:
            continue
        if count > start and abs(lo - found[count - 1, HIGH]) < 1e-12:
            found[count - 1, HIGH] = hi
        else:
            count = _add(found, count, k, lo, hi)
    return count


@compiled
def add_stretches(
    packed: Packed,
    bins: Bins,
    k: int,
    start: Vector,
    w: Vector,
    u: float,
    v: float,
    found: Floats,
    count: int,
) -> int:
    """Append the stretches of a line inside a solid.

    Parameters
    ----------
    packed : Packed
    bins : Bins
    k : int, a solid
    start, w : vector, of the line start + t w, t from `start`, whose own height is 0
    u, v : float, the line's place across, which `bins` uses [in]
    found : array, appended to
    count : int, of the stretches so far

    Returns
    -------
    int, of the stretches now
    """
    table = packed.table
    kind = int(table[k, KIND])
    if kind == MESH:
        return _add_mesh(packed, bins, k, u, v, found, count)
    at = position(table, k)
    away = (start[0] - at[0], start[1] - at[1], start[2] - at[2])
    x, y, z = own_axis(table, k, 0), own_axis(table, k, 1), own_axis(table, k, 2)
    p = (dot(x, away), dot(y, away), dot(z, away))
    d = (dot(x, w), dot(y, w), dot(z, w))
    if kind not in (SPHERE, ELLIPSOID, CYLINDER, BOX, HOLE):
        return _add_turned(packed, k, p, d, found, count)
    ends = (0.0, 0.0)
    if kind == BOX:
        ends = _in_box(table, k, p, d)
    elif kind == HOLE:
        ends = _in_piece(p, d, table[k, SIZE + 1], math.inf, 0.25 * table[k, SIZE] * table[k, SIZE], 0.0, 0.0)
    elif kind == ELLIPSOID:
        e = (0.5 * table[k, SIZE], 0.5 * table[k, SIZE + 1], 0.5 * table[k, SIZE + 2])
        p = (p[0] / e[0], p[1] / e[1], p[2] / e[2])
        d = (d[0] / e[0], d[1] / e[1], d[2] / e[2])
        ends = _round(dot(d, d), dot(p, d), dot(p, p) - 1.0)
    else:
        z0, z1, a, b, c = piece(packed, k, 0)
        ends = _in_piece(p, d, z0, z1, a, b, c)
    return _add(found, count, k, ends[0], ends[1]) if ends[0] < ends[1] else count


@compiled
def _add_stretch(start: Vector, w: Vector, low: float, high: float, weight: float, out: Floats) -> None:
    m0 = weight * (high - low)
    m1 = 0.5 * weight * (high * high - low * low)
    m2 = weight * (high * high * high - low * low * low) / 3.0
    out[0] += m0
    slot = 7
    for i in range(3):
        out[1 + i] += m0 * start[i] + m1 * w[i]
        out[4 + i] += m0 * start[i] * start[i] + 2.0 * m1 * start[i] * w[i] + m2 * w[i] * w[i]
        for j in range(i + 1, 3):
            out[slot] += (
                m0 * start[i] * start[j] + m1 * (start[i] * w[j] + w[i] * start[j]) + m2 * w[i] * w[j]
            )
            slot += 1


@compiled
def _end_holes(packed: Packed, found: Floats, count: int) -> int:
    """End the stretches of holes with the ball, row 0; return the count, 0 where the line misses the ball."""
    for n in range(count):
        if int(packed.table[int(found[n, OWNER]), KIND]) == HOLE:
            if found[0, OWNER] != 0:
                return 0
            found[n, LOW] = max(found[n, LOW], found[0, LOW])
            found[n, HIGH] = min(found[n, HIGH], found[0, HIGH])
    return count


@compiled
def _sort_ends(found: Floats, count: int, bottom: float, top: float, cuts: Floats) -> None:
    for n in range(count):
        cuts[2 * n] = min(max(found[n, LOW], bottom), top)
        cuts[2 * n + 1] = min(max(found[n, HIGH], bottom), top)
    sort_values(cuts, 2 * count)


@compiled
def _topmost(found: Floats, spans: Numbers, solids: int, at: float) -> int:
    """The last solid that holds the line at a height, -1 where none does.

    spans (m, 2): the first stretch of each solid, moved on past those that end below `at`, and its end.
    """
    for k in range(solids - 1, -1, -1):
        n = spans[k, 0]
        while n < spans[k, 1] and found[n, HIGH] <= at:
            n += 1
        spans[k, 0] = n
        if n < spans[k, 1] and found[n, LOW] < at:
            return int(found[n, OWNER])
    return -1


@compiled
def add_line(
    packed: Packed, bins: Bins, rows: Flags, start: Vector, w: Vector, u: float, v: float, bottom: float,
    top: float, weight: float, found: Floats, cuts: Floats, spans: Numbers, out: Floats,
) -> None:  # fmt: skip
    """Add weight x the line moments of the visible stretches of the marked rows.

    A hole ends with the ball, row 0.

    Parameters
    ----------
    packed : Packed
    bins : Bins
    rows : (m,) array of bool
    start, w : vector, of the line
    u, v : float, its place across [in]
    bottom, top : float, of the stretch that counts
    weight : float
    found, cuts, spans : (n, 3), (2 n,), (m, 2) arrays, scratch
    out : (m, 10) array, added to
    """
    count = solids = 0
    for k in range(rows.shape[0]):
        if rows[k]:
            spans[solids, 0] = count
            count = add_stretches(packed, bins, k, start, w, u, v, found, count)
            spans[solids, 1] = count
            solids += 1 if count > spans[solids, 0] else 0
    count = _end_holes(packed, found, count)
    _sort_ends(found, count, bottom, top, cuts)
    for n in range(2 * count - 1):
        if cuts[n + 1] > cuts[n]:
            seen = _topmost(found, spans, solids, 0.5 * (cuts[n] + cuts[n + 1]))
            if seen >= 0:
                _add_stretch(start, w, cuts[n], cuts[n + 1], weight, out[seen])
