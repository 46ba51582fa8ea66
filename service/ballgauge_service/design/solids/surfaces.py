"""Where a triangle mesh cuts itself: faces sorted into a grid of boxes, then triangle against triangle."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.compiled import compiled

Floats = NDArray[np.float64]
Numbers = NDArray[np.int64]

MOST_FOUND = 3
"""Places that a message names."""

CELLS_PER_FACE = 8.0
SLACK = 1e-9
"""Most boxes a face in the grid; part of a triangle's size by which a cut exceeds a touch (ours)."""

MOST_COMPARED, MOST_NEAR, MOST_CUTS = 2_000_000_000, 20_000_000, 200_000
"""Of ours: most pairs of faces that share a box of the grid; most pairs of two bodies whose own boxes meet,
and that cut each other."""

A_STEP = 1e-5
"""Seconds that the interpreter takes for a face, and for a pair of faces (ours, measured)."""


@compiled
def _boxes(vertices: Floats, faces: Numbers, out: Floats) -> None:
    for f in range(faces.shape[0]):
        for axis in range(3):
            a = vertices[faces[f, 0], axis]
            b = vertices[faces[f, 1], axis]
            c = vertices[faces[f, 2], axis]
            out[f, axis] = min(a, b, c)
            out[f, 3 + axis] = max(a, b, c)


@compiled
def _segment_cuts(p: Floats, q: Floats, a: Floats, b: Floats, c: Floats) -> bool:
    """True where the segment pq passes through the inside of the triangle abc (signed volumes)."""
    ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    vx, vy, vz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
    nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    px, py, pz = p[0] - a[0], p[1] - a[1], p[2] - a[2]
    dx, dy, dz = q[0] - p[0], q[1] - p[1], q[2] - p[2]
    start = px * nx + py * ny + pz * nz
    along = dx * nx + dy * ny + dz * nz
    area = math.sqrt(nx * nx + ny * ny + nz * nz)
    slack = SLACK * area * math.sqrt(area)
    if start * (start + along) >= 0.0 or abs(start) < slack or abs(start + along) < slack:
        return False
    t = -start / along
    x, y, z = px + t * dx, py + t * dy, pz + t * dz
    s = (uy * z - uz * y) * nx + (uz * x - ux * z) * ny + (ux * y - uy * x) * nz
    r = (y * vz - z * vy) * nx + (z * vx - x * vz) * ny + (x * vy - y * vx) * nz
    edge = 1e-9 * area * area
    return bool(r > edge and s > edge and r + s < area * area - edge)


@compiled
def _cut(vertices: Floats, faces: Numbers, f: int, g: int) -> bool:
    """True where an edge of one face, none with a shared corner, passes through the other's inside."""
    for way in range(2):
        one = f if way == 0 else g
        other = g if way == 0 else f
        a, b, c = faces[other, 0], faces[other, 1], faces[other, 2]
        for n in range(3):
            p = faces[one, n]
            q = faces[one, (n + 1) % 3]
            if p in (a, b, c) or q in (a, b, c):
                continue
            if _segment_cuts(vertices[p], vertices[q], vertices[a], vertices[b], vertices[c]):
                return True
    return False


@compiled
def _shared(faces: Numbers, f: int, g: int) -> int:
    count = 0
    for i in range(3):
        for j in range(3):
            if faces[f, i] == faces[g, j]:
                count += 1
    return count


@compiled
def _slot(value: float, low: float, size: float, count: int) -> int:
    return min(max(int((value - low) / size), 0), count - 1)


@compiled
def _fill(boxes: Floats, low: Floats, size: float, counts: Numbers, starts: Numbers, items: Numbers) -> None:
    """Count the faces a cell where `items` is empty, else list them."""
    for f in range(boxes.shape[0]):
        i0 = _slot(boxes[f, 0], low[0], size, counts[0])
        i1 = _slot(boxes[f, 3], low[0], size, counts[0])
        j0 = _slot(boxes[f, 1], low[1], size, counts[1])
        j1 = _slot(boxes[f, 4], low[1], size, counts[1])
        k0 = _slot(boxes[f, 2], low[2], size, counts[2])
        k1 = _slot(boxes[f, 5], low[2], size, counts[2])
        for i in range(i0, i1 + 1):
            for j in range(j0, j1 + 1):
                for k in range(k0, k1 + 1):
                    cell = (i * counts[1] + j) * counts[2] + k
                    if items.shape[0] == 0:
                        starts[cell + 2] += 1
                    else:
                        items[starts[cell + 1]] = f
                        starts[cell + 1] += 1


@compiled
def _first_common(
    boxes: Floats, f: int, g: int, low: Floats, size: float, counts: Numbers, cell: int
) -> bool:
    """True where the boxes of two faces meet and `cell` is the first that holds both."""
    for axis in range(3):
        if boxes[f, axis] > boxes[g, 3 + axis] or boxes[g, axis] > boxes[f, 3 + axis]:
            return False
    first = 0
    for axis in range(3):
        first = first * counts[axis] + _slot(
            max(boxes[f, axis], boxes[g, axis]), low[axis], size, counts[axis]
        )
    return first == cell


@compiled
def _search(
    vertices: Floats, faces: Numbers, boxes: Floats, low: Floats, size: float, counts: Numbers,
    starts: Numbers, items: Numbers, shells: Numbers, between: Numbers, found: Numbers,
) -> int:  # fmt: skip
    """Write the first pairs of faces of one shell that cut each other; return how many.

    between (2,): pairs of faces of two shells whose boxes meet, and that cut, counted.
    """
    hits = 0
    for cell in range(starts.shape[0] - 2):
        for m in range(starts[cell], starts[cell + 1]):
            for n in range(m + 1, starts[cell + 1]):
                f = items[m]
                g = items[n]
                if not _first_common(boxes, f, g, low, size, counts, cell):
                    continue
                near = shells[f] != shells[g]
                if near:
                    between[0] += 1
                    if between[0] > MOST_NEAR or between[1] > MOST_CUTS:
                        continue
                if _shared(faces, f, g) < 2 and _cut(vertices, faces, f, g):
                    if near:
                        between[1] += 1
                        continue
                    found[hits, 0] = f
                    found[hits, 1] = g
                    hits += 1
                    if hits == found.shape[0]:
                        return hits
    return hits


class TooCrowded(ValueError):
    """Faces that lie too close together to be compared."""


def first_crossings(vertices: Floats, faces: Numbers, shells: Numbers) -> Numbers:
    """Faces of one shell of a mesh that cut each other; touching is not cutting.

    Parameters
    ----------
    vertices : (v, 3) array
    faces : (f, 3) array
    shells : (f,) array, number of the shell of each face

    Returns
    -------
    (n, 2) array, up to MOST_FOUND pairs; faces that share an edge are not compared

    Raises
    ------
    TooCrowded
        Where too many faces share a place, or too many of one shell meet those of another.
    """
    boxes = np.empty((len(faces), 6))
    _boxes.expecting(A_STEP * len(faces))(vertices, faces, boxes)
    low = boxes[:, :3].min(axis=0)
    span = np.maximum(boxes[:, 3:].max(axis=0) - low, 1e-12)
    # A box as large as a face's own, but never so many boxes that they outgrow the mesh.
    size = max(
        float((boxes[:, 3:] - boxes[:, :3]).max(axis=1).mean()) * 1.5,
        float(np.cbrt(np.prod(span) / (CELLS_PER_FACE * len(faces)))),
        float(span.max()) / 512.0,
    )
    counts = np.maximum(np.ceil(span / size).astype(np.int64), 1)
    starts = np.zeros(int(np.prod(counts)) + 2, np.int64)
    nothing = np.empty(0, np.int64)
    fill = _fill.expecting(A_STEP * len(faces))
    fill(boxes, low, size, counts, starts, nothing)
    compared = 0.5 * float(np.square(starts, dtype=np.float64).sum())
    if compared > MOST_COMPARED:
        raise TooCrowded
    np.cumsum(starts, out=starts)
    items = np.empty(int(starts[-1]), np.int64)
    fill(boxes, low, size, counts, starts, items)
    found = np.empty((MOST_FOUND, 2), np.int64)
    between = np.zeros(2, np.int64)
    search = _search.expecting(A_STEP * compared)
    hits = search(vertices, faces, boxes, low, size, counts, starts, items, shells, between, found)
    if between[0] > MOST_NEAR or between[1] > MOST_CUTS:
        raise TooCrowded
    return found[:hits]
