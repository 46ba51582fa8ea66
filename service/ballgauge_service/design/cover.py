"""How deep the cover is over the core: the shallowest and the deepest place."""

from __future__ import annotations

import math

import numpy as np

from ballgauge_service.core.compiled import compiled
from ballgauge_service.design.solids.lines import HIGH, Bins, add_stretches, sort_meshes
from ballgauge_service.design.solids.packing import FIRST_FACE, KIND, LAST_FACE, MESH, SIZE, Packed
from ballgauge_service.design.solids.relations import reach_from_center
from ballgauge_service.design.solids.shapes import Floats, own_axis, position
from ballgauge_service.design.solids.solids import Design
from ballgauge_service.physics.sphere import Vector, dot

DIRECTIONS = 600
MESH_TESTS = 20_000_000
REFINEMENTS = 40
"""Directions searched, fewer for large meshes by the budget of face tests; steps of the refinement (ours)."""


@compiled
def _set_cones(packed: Packed, k: int, cones: Floats) -> None:
    """Write a cone from the ball's center around each face, (f, 4): direction in the mesh's frame and cosine.

    Faces seen under a wide angle get the cosine -2: they are always tested.
    """
    table = packed.table
    at = position(table, k)
    x, y, z = own_axis(table, k, 0), own_axis(table, k, 1), own_axis(table, k, 2)
    shift = (dot(at, x) / table[k, SIZE], dot(at, y) / table[k, SIZE], dot(at, z) / table[k, SIZE])
    for f in range(int(table[k, FIRST_FACE]), int(table[k, LAST_FACE])):
        for axis in range(3):
            total = 3.0 * shift[axis]
            for corner in range(3):
                total += packed.vertices[packed.faces[f, corner], axis]
            cones[f, axis] = total
        length = math.sqrt(cones[f, 0] * cones[f, 0] + cones[f, 1] * cones[f, 1] + cones[f, 2] * cones[f, 2])
        least = 1.0 if length > 0.0 else -1.0
        for corner in range(3):
            row = packed.vertices[packed.faces[f, corner]]
            p = (row[0] + shift[0], row[1] + shift[1], row[2] + shift[2])
            size = length * math.sqrt(dot(p, p))
            cosine = (
                (cones[f, 0] * p[0] + cones[f, 1] * p[1] + cones[f, 2] * p[2]) / size if size > 0.0 else -1.0
            )
            least = min(least, cosine)
        for axis in range(3):
            cones[f, axis] /= max(length, 1e-300)
        cones[f, 3] = least - 1e-9 if least > 0.1 else -2.0


@compiled
def _mesh_depth(packed: Packed, k: int, cones: Floats, d: Vector) -> float:
    """Greatest t with t d on the mesh (Moller & Trumbore, 1997, from memory); 0 where the ray misses it."""
    table = packed.table
    x, y, z = own_axis(table, k, 0), own_axis(table, k, 1), own_axis(table, k, 2)
    at = position(table, k)
    scale = table[k, SIZE]
    e = (dot(d, x), dot(d, y), dot(d, z))
    o = (-dot(at, x) / scale, -dot(at, y) / scale, -dot(at, z) / scale)
    most = 0.0
    for f in range(int(table[k, FIRST_FACE]), int(table[k, LAST_FACE])):
        if e[0] * cones[f, 0] + e[1] * cones[f, 1] + e[2] * cones[f, 2] < cones[f, 3]:
            continue
        a = packed.vertices[packed.faces[f, 0]]
        b = packed.vertices[packed.faces[f, 1]]
        c = packed.vertices[packed.faces[f, 2]]
        p0, p1, p2 = b[0] - a[0], b[1] - a[1], b[2] - a[2]
        q0, q1, q2 = c[0] - a[0], c[1] - a[1], c[2] - a[2]
        h0, h1, h2 = e[1] * q2 - e[2] * q1, e[2] * q0 - e[0] * q2, e[0] * q1 - e[1] * q0
        determinant = p0 * h0 + p1 * h1 + p2 * h2
        if determinant == 0.0:
            continue
        s0, s1, s2 = o[0] - a[0], o[1] - a[1], o[2] - a[2]
        u = (s0 * h0 + s1 * h1 + s2 * h2) / determinant
        if u < 0.0 or u > 1.0:
            continue
        g0, g1, g2 = s1 * p2 - s2 * p1, s2 * p0 - s0 * p2, s0 * p1 - s1 * p0
        v = (e[0] * g0 + e[1] * g1 + e[2] * g2) / determinant
        if v < 0.0 or u + v > 1.0:
            continue
        most = max(most, scale * (q0 * g0 + q1 * g1 + q2 * g2) / determinant)
    return most


@compiled
def _core_reach(
    packed: Packed, bins: Bins, cones: Floats, core: np.ndarray, d: Vector, found: Floats
) -> float:
    """Distance from the center to the core's outermost point in a direction [in]; 0 where there is none."""
    most = 0.0
    for k in range(core.shape[0]):
        if not core[k]:
            continue
        if int(packed.table[k, KIND]) == MESH:
            most = max(most, _mesh_depth(packed, k, cones, d))
            continue
        count = add_stretches(packed, bins, k, (0.0, 0.0, 0.0), d, 0.0, 0.0, found, 0)
        for n in range(count):
            most = max(most, found[n, HIGH])
    return most


@compiled
def _least_reach(packed: Packed, bins: Bins, core: np.ndarray, directions: int, room: int) -> float:
    """Least of the core's reach over all directions: a Fibonacci lattice, then a shrinking pattern search."""
    found = np.empty((room, 3))
    cones = np.empty((packed.faces.shape[0], 4))
    for k in range(core.shape[0]):
        if core[k] and int(packed.table[k, KIND]) == MESH:
            _set_cones(packed, k, cones)
    best = math.inf
    place = (0.0, 0.0, 1.0)
    for n in range(directions):
        z = 1.0 - 2.0 * n / (directions - 1)
        flat = math.sqrt(max(1.0 - z * z, 0.0))
        turn = n * math.pi * (3.0 - math.sqrt(5.0))
        d = (flat * math.cos(turn), flat * math.sin(turn), z)
        reach = _core_reach(packed, bins, cones, core, d, found)
        if reach < best:
            best = reach
            place = d
    step = 3.0 / math.sqrt(directions)
    for _ in range(REFINEMENTS if directions == DIRECTIONS else 0):
        moved = False
        for axis in range(6):
            sign = step if axis < 3 else -step
            t = (
                place[0] + (sign if axis % 3 == 0 else 0.0),
                place[1] + (sign if axis % 3 == 1 else 0.0),
                place[2] + (sign if axis % 3 == 2 else 0.0),
            )
            length = math.sqrt(dot(t, t))
            d = (t[0] / length, t[1] / length, t[2] / length)
            reach = _core_reach(packed, bins, cones, core, d, found)
            if reach < best:
                best = reach
                place = d
                moved = True
        if not moved:
            step *= 0.5
    return best


def cover_depth(design: Design, packed: Packed) -> tuple[float | None, float | None]:
    """Shallowest and deepest cover [in] over all directions.

    From the surface to the outermost solid that is neither cover nor pin (the pin is meant to be seen).

    The shallowest is exact; the deepest is searched, good to about 1e-4 in for turned solids and to the
    spacing of the directions for a large mesh. (None, None) where the ball is all cover.

    Parameters
    ----------
    design : Design
    packed : Packed, its arrays, or those of another with the same solids

    Returns
    -------
    tuple of two floats [in], or None
    """
    core = np.array([solid.role not in ("cover", "pin") and at > 0 for at, solid in enumerate(design.solids)])
    if not core.any():
        return None, None
    radius = 0.5 * design.diameter
    shallowest = radius - max(reach_from_center(packed, int(k)) for k in np.flatnonzero(core))
    faces = max(len(packed.faces), 1)
    directions = int(min(DIRECTIONS, max(100, MESH_TESTS // faces)))
    room = 8 + len(packed.points) + len(design.solids)
    none = packed._replace(table=packed.table[:0], vertices=packed.vertices[:0])
    reach = _least_reach(packed, sort_meshes(none, np.eye(3)), core, directions, room)
    return max(shallowest, 0.0), radius - reach
