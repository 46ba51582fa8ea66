"""Moments of one solid in closed form, and how far it reaches.

Moments are ten numbers of unit density: volume, the three first and the second moments xx, yy, zz, xy, xz, yz
[in^3, in^4, in^5]. A solid turned about its z is a stack of pieces whose squared radius is a polynomial of
the second degree in height, r^2 = a + b z + c z^2: cylinders, cones, frustums, spheres and spheroids alike.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.compiled import compiled
from ballgauge_service.design.solids.packing import (
    BOX,
    CYLINDER,
    ELLIPSOID,
    FIRST,
    FRUSTUM,
    ITEM,
    KIND,
    LAST,
    MESH,
    POSITION,
    PROFILE,
    ROTATION,
    SIZE,
    SPHERE,
    Packed,
)
from ballgauge_service.physics.inertia import principal_axes
from ballgauge_service.physics.sphere import Vector, dot

Floats = NDArray[np.float64]

THIRD = math.sqrt(0.6)
NODES = (-THIRD, 0.0, THIRD)
WEIGHTS = (5.0 / 9.0, 8.0 / 9.0, 5.0 / 9.0)
"""Gauss-Legendre rule of three nodes: exact to degree 5, and the sections' moments have degree 4."""

RIM_SAMPLES = 24
BISECTIONS = 80


@compiled
def sort_values(values: Floats, count: int) -> None:
    """Sort the first values in place, by insertion where they are few.

    Parameters
    ----------
    values : array
    count : int
    """
    if count > 64:
        values[:count].sort()
        return
    for n in range(1, count):
        value = values[n]
        slot = n
        while slot > 0 and values[slot - 1] > value:
            values[slot] = values[slot - 1]
            slot -= 1
        values[slot] = value


@compiled
def position(table: Floats, k: int) -> Vector:
    """Place of a solid's own origin in the body frame.

    Parameters
    ----------
    table : (m, WIDTH) array, of a packed design
    k : int, a solid

    Returns
    -------
    vector [in]
    """
    return (table[k, POSITION], table[k, POSITION + 1], table[k, POSITION + 2])


@compiled
def own_axis(table: Floats, k: int, axis: int) -> Vector:
    """One of a solid's own axes in the body frame.

    Parameters
    ----------
    table : (m, WIDTH) array, of a packed design
    k : int, a solid
    axis : int

    Returns
    -------
    unit vector, a column of its rotation
    """
    return (table[k, ROTATION + axis], table[k, ROTATION + 3 + axis], table[k, ROTATION + 6 + axis])


@compiled
def piece_count(table: Floats, k: int) -> int:
    """How many pieces a turned solid has.

    Parameters
    ----------
    table : (m, WIDTH) array, of a packed design
    k : int, a solid

    Returns
    -------
    int; 0 of a solid that is not turned about its z
    """
    kind = int(table[k, KIND])
    if kind == PROFILE:
        return int(table[k, LAST] - table[k, FIRST]) - 1
    if kind in (SPHERE, CYLINDER, FRUSTUM):
        return 1
    return 1 if kind == ELLIPSOID and table[k, SIZE] == table[k, SIZE + 1] else 0


@compiled
def _tapered(z0: float, r0: float, z1: float, r1: float) -> tuple[float, float, float, float, float]:
    if z1 <= z0:
        return (z0, z0, 0.0, 0.0, 0.0)
    slope = (r1 - r0) / (z1 - z0)
    foot = r0 - slope * z0
    return (z0, z1, foot * foot, 2.0 * slope * foot, slope * slope)


@compiled
def piece(packed: Packed, k: int, p: int) -> tuple[float, float, float, float, float]:
    """A piece of a turned solid in its own frame.

    Parameters
    ----------
    packed : Packed
    k : int, a solid
    p : int

    Returns
    -------
    z0, z1, a, b, c : float: r^2 = a + b z + c z^2 for z0 <= z <= z1
    """
    table = packed.table
    kind = int(table[k, KIND])
    if kind == SPHERE:
        radius = 0.5 * table[k, SIZE]
        return (-radius, radius, radius * radius, 0.0, -1.0)
    if kind == ELLIPSOID:
        across = 0.5 * table[k, SIZE]
        along = 0.5 * table[k, SIZE + 2]
        return (-along, along, across * across, 0.0, -(across * across) / (along * along))
    if kind == CYLINDER:
        half = 0.5 * table[k, SIZE + 1]
        return (-half, half, 0.25 * table[k, SIZE] * table[k, SIZE], 0.0, 0.0)
    if kind == FRUSTUM:
        half = 0.5 * table[k, SIZE + 2]
        return _tapered(-half, 0.5 * table[k, SIZE], half, 0.5 * table[k, SIZE + 1])
    row = int(table[k, FIRST]) + p
    points = packed.points
    wide = table[k, SIZE]
    tall = table[k, SIZE + 1]
    return _tapered(
        tall * points[row, 0], wide * points[row, 1], tall * points[row + 1, 0], wide * points[row + 1, 1]
    )


@compiled
def add_ring(low: float, high: float, outer: Vector, inner: Vector, sign: float, out: Floats) -> None:
    """Add sign x the moments of the turned region between two pieces.

    Parameters
    ----------
    low, high : float, heights
    outer, inner : vector, (a, b, c) of r^2
    sign : float
    out : (10,) array, added to
    """
    half = 0.5 * (high - low)
    middle = 0.5 * (high + low)
    for node in range(3):
        z = middle + half * NODES[node]
        o = outer[0] + z * (outer[1] + z * outer[2])
        i = inner[0] + z * (inner[1] + z * inner[2])
        weight = sign * half * WEIGHTS[node] * math.pi
        area = weight * (o - i)
        cross = 0.25 * weight * (o * o - i * i)
        out[0] += area
        out[3] += area * z
        out[4] += cross
        out[5] += cross
        out[6] += area * z * z


@compiled
def _ellipsoid(table: Floats, k: int, out: Floats) -> None:
    """Volume 4/3 pi a b c and second moment V a^2 / 5 (CRC Standard Mathematical Tables, from memory)."""
    volume = math.pi / 6.0
    for axis in range(3):
        volume *= table[k, SIZE + axis]
    out[0] = volume
    for axis in range(3):
        out[4 + axis] = volume * table[k, SIZE + axis] * table[k, SIZE + axis] / 20.0


@compiled
def _rounded_box(table: Floats, k: int, out: Floats) -> None:
    """A box, six slabs, twelve quarter cylinders and eight eighths of a sphere, added by parallel axes.

    First and second moments of a quarter disc about its corner: r^3/3 and pi r^4/16; of an eighth of a
    sphere: pi r^4/16 and pi r^5/30 (elementary integrals).
    """
    r = table[k, SIZE + 3]
    a = 0.5 * table[k, SIZE] - r
    b = 0.5 * table[k, SIZE + 1] - r
    c = 0.5 * table[k, SIZE + 2] - r
    r2 = r * r
    quarter = 0.25 * math.pi * r2
    out[0] = 8.0 * (a * b * c + r * (a * b + b * c + c * a) + quarter * (a + b + c) + math.pi * r2 * r / 6.0)
    for axis in range(3):
        h, p, q = (a, b, c) if axis == 0 else ((b, c, a) if axis == 1 else (c, a, b))
        outer = h + r
        inside = (p * q + r * (p + q) + quarter) * h * h * h / 3.0
        slab = p * q * (outer * outer * outer - h * h * h) / 3.0
        edge = (p + q) * (h * h * quarter + 2.0 * h * r2 * r / 3.0 + math.pi * r2 * r2 / 16.0)
        corner = math.pi * r2 * r * (h * h / 6.0 + 2.0 * h * r / 16.0 + r2 / 30.0)
        out[4 + axis] = 8.0 * (inside + slab + edge + corner)


@compiled
def _own_moments(packed: Packed, k: int, out: Floats) -> None:
    table = packed.table
    out[:] = 0.0
    pieces = piece_count(table, k)
    kind = int(table[k, KIND])
    if kind in (SPHERE, CYLINDER, FRUSTUM, PROFILE):
        for p in range(pieces):
            z0, z1, a, b, c = piece(packed, k, p)
            add_ring(z0, z1, (a, b, c), (0.0, 0.0, 0.0), 1.0, out)
    elif kind == ELLIPSOID:
        _ellipsoid(table, k, out)
    elif kind == BOX:
        _rounded_box(table, k, out)
    elif kind == MESH:
        scale = table[k, SIZE]
        mesh = packed.meshes[int(table[k, ITEM])]
        cubed = scale * scale * scale
        for n in range(10):
            out[n] = mesh[n] * cubed * (1.0 if n == 0 else (scale if n < 4 else scale * scale))


@compiled
def placed(own: Floats, at: Vector, x: Vector, y: Vector, z: Vector, sign: float, out: Floats) -> None:
    """Add sign x the moments of a body placed by a frame.

    The rotation of a tensor and the parallel-axis theorem, in their general form.

    Parameters
    ----------
    own : (10,) array, moments in the frame
    at : vector, its origin
    x, y, z : unit vectors, its axes
    sign : float
    out : (10,) array, added to
    """
    volume = own[0]
    out[0] += sign * volume
    for i in range(3):
        first_i = own[1] * x[i] + own[2] * y[i] + own[3] * z[i]
        out[1 + i] += sign * (first_i + volume * at[i])
        slot = 4 + i
        for j in range(i, 3):
            if j > i:
                slot = 6 + i + j
            first_j = own[1] * x[j] + own[2] * y[j] + own[3] * z[j]
            second = own[4] * x[i] * x[j] + own[5] * y[i] * y[j] + own[6] * z[i] * z[j]
            second += own[7] * (x[i] * y[j] + y[i] * x[j]) + own[8] * (x[i] * z[j] + z[i] * x[j])
            second += own[9] * (y[i] * z[j] + z[i] * y[j])
            out[slot] += sign * (second + at[i] * first_j + first_i * at[j] + volume * at[i] * at[j])


@compiled
def add_moments(packed: Packed, k: int, sign: float, scratch: Floats, out: Floats) -> None:
    """Add sign x the moments of a whole solid in the body frame.

    Parameters
    ----------
    packed : Packed
    k : int, a solid
    sign : float
    scratch : (10,) array
    out : (10,) array, added to
    """
    table = packed.table
    _own_moments(packed, k, scratch)
    x, y, z = own_axis(table, k, 0), own_axis(table, k, 1), own_axis(table, k, 2)
    placed(scratch, position(table, k), x, y, z, sign, out)


@compiled
def times(matrix: Floats, v: Vector) -> Vector:
    """Matrix times vector.

    Parameters
    ----------
    matrix : (3, 3) array
    v : vector

    Returns
    -------
    vector
    """
    return (
        matrix[0, 0] * v[0] + matrix[0, 1] * v[1] + matrix[0, 2] * v[2],
        matrix[1, 0] * v[0] + matrix[1, 1] * v[1] + matrix[1, 2] * v[2],
        matrix[2, 0] * v[0] + matrix[2, 1] * v[1] + matrix[2, 2] * v[2],
    )


@compiled
def _farthest_rim(p: Vector, u: Vector, v: Vector) -> float:
    """Greatest |p + u cos t + v sin t|, from samples and Newton steps at the best of them."""
    c1, s1 = 2.0 * dot(p, u), 2.0 * dot(p, v)
    c2, s2 = 0.5 * (dot(u, u) - dot(v, v)), dot(u, v)
    constant = dot(p, p) + 0.5 * (dot(u, u) + dot(v, v))
    if c2 * c2 + s2 * s2 < 1e-30 * constant * constant:
        return math.sqrt(constant + math.sqrt(c1 * c1 + s1 * s1))
    best = -1.0
    at = 0.0
    for n in range(RIM_SAMPLES):
        t = 2.0 * math.pi * n / RIM_SAMPLES
        value = c1 * math.cos(t) + s1 * math.sin(t) + c2 * math.cos(2.0 * t) + s2 * math.sin(2.0 * t)
        if n == 0 or value > best:
            best = value
            at = t
    for _ in range(8):
        slope = (
            -c1 * math.sin(at) + s1 * math.cos(at) + 2.0 * (s2 * math.cos(2.0 * at) - c2 * math.sin(2.0 * at))
        )
        bend = (
            -c1 * math.cos(at) - s1 * math.sin(at) - 4.0 * (c2 * math.cos(2.0 * at) + s2 * math.sin(2.0 * at))
        )
        if bend >= 0.0:
            break
        at -= slope / bend
    value = c1 * math.cos(at) + s1 * math.sin(at) + c2 * math.cos(2.0 * at) + s2 * math.sin(2.0 * at)
    return math.sqrt(max(constant + max(value, best), 0.0))


@compiled
def _farthest_ellipsoid(p: Vector, x: Vector, y: Vector, z: Vector) -> float:
    """Greatest |p + A u| over unit vectors u, A with columns x, y, z.

    The maximum of a quadratic form on the sphere: u = (t I - A'A)^-1 A'p with t at or above the largest
    eigenvalue, where |u| = 1 (More & Sorensen, 1983, from memory).
    """
    square = np.empty((3, 3))
    axes = np.empty((3, 3))
    columns = (x, y, z)
    for i in range(3):
        for j in range(3):
            square[i, j] = dot(columns[i], columns[j])
    low, middle, high = principal_axes(square, axes)
    b = (dot(x, p), dot(y, p), dot(z, p))
    e = (
        axes[0, 0] * b[0] + axes[0, 1] * b[1] + axes[0, 2] * b[2],
        axes[1, 0] * b[0] + axes[1, 1] * b[1] + axes[1, 2] * b[2],
        axes[2, 0] * b[0] + axes[2, 1] * b[1] + axes[2, 2] * b[2],
    )
    size = math.sqrt(dot(e, e))
    left = high
    right = high + size
    for _ in range(BISECTIONS):
        t = 0.5 * (left + right)
        if t <= high:
            break
        off = (e[0] / (t - low), e[1] / (t - middle), e[2] / (t - high))
        norm = dot(off, off)
        if norm > 1.0:
            left = t
        else:
            right = t
    t = right
    value = dot(p, p) + t
    for n in range(3):
        gap = t - (low if n == 0 else (middle if n == 1 else high))
        if gap > 0.0:
            value += e[n] * e[n] / gap
    return math.sqrt(value)


@compiled
def farthest(packed: Packed, k: int, matrix: Floats, stretch: float, point: Vector) -> float:
    """Greatest |matrix (x - point)| over a solid's points x.

    Parameters
    ----------
    packed : Packed
    k : int, a solid
    matrix : (3, 3) array, with operator norm <= `stretch`
    stretch : float
    point : vector

    Returns
    -------
    float; exact, but for a rounded box under a matrix that is not a rotation an upper bound
    """
    table = packed.table
    at = position(table, k)
    kind = int(table[k, KIND])
    x, y, z = own_axis(table, k, 0), own_axis(table, k, 1), own_axis(table, k, 2)
    p = times(matrix, (at[0] - point[0], at[1] - point[1], at[2] - point[2]))
    u, v, w = times(matrix, x), times(matrix, y), times(matrix, z)
    most = 0.0
    if kind in (SPHERE, ELLIPSOID):
        a = 0.5 * table[k, SIZE]
        b = a if kind == SPHERE else 0.5 * table[k, SIZE + 1]
        c = a if kind == SPHERE else 0.5 * table[k, SIZE + 2]
        return _farthest_ellipsoid(
            p, (a * u[0], a * u[1], a * u[2]), (b * v[0], b * v[1], b * v[2]), (c * w[0], c * w[1], c * w[2])
        )
    if kind == BOX:
        r = table[k, SIZE + 3]
        for corner in range(8):
            a = (0.5 * table[k, SIZE] - r) * (1.0 if corner & 1 else -1.0)
            b = (0.5 * table[k, SIZE + 1] - r) * (1.0 if corner & 2 else -1.0)
            c = (0.5 * table[k, SIZE + 2] - r) * (1.0 if corner & 4 else -1.0)
            d0 = p[0] + a * u[0] + b * v[0] + c * w[0]
            d1 = p[1] + a * u[1] + b * v[1] + c * w[1]
            d2 = p[2] + a * u[2] + b * v[2] + c * w[2]
            most = max(most, math.sqrt(d0 * d0 + d1 * d1 + d2 * d2) + stretch * r)
        return most
    if kind == MESH:
        s = table[k, SIZE]
        for n in range(int(table[k, FIRST]), int(table[k, LAST])):
            a = s * packed.vertices[n, 0]
            b = s * packed.vertices[n, 1]
            c = s * packed.vertices[n, 2]
            d0 = p[0] + a * u[0] + b * v[0] + c * w[0]
            d1 = p[1] + a * u[1] + b * v[1] + c * w[1]
            d2 = p[2] + a * u[2] + b * v[2] + c * w[2]
            most = max(most, d0 * d0 + d1 * d1 + d2 * d2)
        return math.sqrt(most)
    for n in range(piece_count(table, k)):
        z0, z1, a, b, c = piece(packed, k, n)
        for end in range(2):
            h = z1 if end else z0
            r = math.sqrt(max(a + h * (b + h * c), 0.0))
            rim = (p[0] + h * w[0], p[1] + h * w[1], p[2] + h * w[2])
            most = max(
                most, _farthest_rim(rim, (r * u[0], r * u[1], r * u[2]), (r * v[0], r * v[1], r * v[2]))
            )
    return most


@compiled
def support(packed: Packed, k: int, d: Vector) -> float:
    """Greatest x . d over a solid's points x.

    Parameters
    ----------
    packed : Packed
    k : int, a solid
    d : unit vector

    Returns
    -------
    float [in]
    """
    table = packed.table
    kind = int(table[k, KIND])
    base = dot(position(table, k), d)
    along = (dot(own_axis(table, k, 0), d), dot(own_axis(table, k, 1), d), dot(own_axis(table, k, 2), d))
    if kind == SPHERE:
        return float(base + 0.5 * table[k, SIZE])
    if kind == ELLIPSOID:
        square = 0.0
        for axis in range(3):
            reach = 0.5 * table[k, SIZE + axis] * along[axis]
            square += reach * reach
        return float(base + math.sqrt(square))
    if kind == BOX:
        r = table[k, SIZE + 3]
        for axis in range(3):
            base += (0.5 * table[k, SIZE + axis] - r) * abs(along[axis])
        return float(base + r)
    most = -math.inf
    if kind == MESH:
        for n in range(int(table[k, FIRST]), int(table[k, LAST])):
            vertex = packed.vertices[n]
            most = max(most, vertex[0] * along[0] + vertex[1] * along[1] + vertex[2] * along[2])
        return float(base + table[k, SIZE] * most)
    across = math.sqrt(max(1.0 - along[2] * along[2], 0.0))
    for n in range(piece_count(table, k)):
        z0, z1, a, b, c = piece(packed, k, n)
        for end in range(2):
            h = z1 if end else z0
            r = math.sqrt(max(a + h * (b + h * c), 0.0))
            most = max(most, along[2] * h + across * r)
    return float(base + most)
