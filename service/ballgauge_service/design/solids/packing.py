"""A design as plain arrays, which the compiled kernels read and the solvers vary.

One row a solid. A size or a place is one number in the table, so that a study changes numbers, not objects.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.design.solids.polyhedra import mesh_moments
from ballgauge_service.design.solids.solids import (
    Cone,
    Cylinder,
    Design,
    Ellipsoid,
    Frustum,
    Mesh,
    Profile,
    RoundedBox,
    Shape,
    Sphere,
)

SPHERE, ELLIPSOID, CYLINDER, FRUSTUM, PROFILE, BOX, MESH, HOLE = range(8)

KIND, DENSITY, POSITION, ROTATION, SIZE = 0, 1, 2, 5, 14
FIRST, LAST, FIRST_FACE, LAST_FACE, ITEM = 18, 19, 20, 21, 22
WIDTH = 23
"""Columns: kind, density [g/mL], place (3) [in], rotation (9, by rows), four sizes [in or factors], the rows
of the profile's points or the mesh's vertices, the mesh's faces, and the mesh's number. A hole's sizes are
its diameter and the height of its bottom along its axis."""

COLUMNS: dict[type[Shape], dict[str, int]] = {
    Sphere: {"diameter": SIZE},
    Ellipsoid: {"length_x": SIZE, "length_y": SIZE + 1, "length_z": SIZE + 2},
    Cylinder: {"diameter": SIZE, "height": SIZE + 1},
    Cone: {"diameter": SIZE, "height": SIZE + 2},
    Frustum: {"bottom_diameter": SIZE, "top_diameter": SIZE + 1, "height": SIZE + 2},
    Profile: {"radial_scale": SIZE, "axial_scale": SIZE + 1},
    RoundedBox: {"length_x": SIZE, "length_y": SIZE + 1, "length_z": SIZE + 2, "rounding": SIZE + 3},
    Mesh: {"scale": SIZE},
}
"""Where a shape's sizes stand, by their names in the order of its definition."""

KINDS: dict[type[Shape], int] = {
    Sphere: SPHERE, Ellipsoid: ELLIPSOID, Cylinder: CYLINDER, Cone: FRUSTUM, Frustum: FRUSTUM,
    Profile: PROFILE, RoundedBox: BOX, Mesh: MESH,
}  # fmt: skip
PLACES = {"density": DENSITY, "position_x": POSITION, "position_y": POSITION + 1, "position_z": POSITION + 2}


class Packed(NamedTuple):
    """Arrays of a design.

    table (m, WIDTH); points (p, 2): heights and radii; vertices (v, 3); faces (f, 3); meshes (q, 10): the
    moments of each mesh of unit density in its own frame.
    """

    table: NDArray[np.float64]
    points: NDArray[np.float64]
    vertices: NDArray[np.float64]
    faces: NDArray[np.int64]
    meshes: NDArray[np.float64]


def columns_of(shape: Shape) -> dict[str, int]:
    """Columns of the table of a packed design.

    Parameters
    ----------
    shape : Shape

    Returns
    -------
    dict of field to column: density, position_x, position_y, position_z and the shape's sizes
    """
    return {**PLACES, **COLUMNS[type(shape)]}


def pack(design: Design) -> Packed:
    """The arrays of a design.

    Parameters
    ----------
    design : Design

    Returns
    -------
    Packed
    """
    table = np.zeros((len(design.solids), WIDTH))
    points: list[NDArray[np.float64]] = [np.empty((0, 2))]
    vertices: list[NDArray[np.float64]] = [np.empty((0, 3))]
    faces: list[NDArray[np.int64]] = [np.empty((0, 3), np.int64)]
    meshes: list[NDArray[np.float64]] = []
    for row, solid in zip(table, design.solids, strict=True):
        shape = solid.shape
        row[KIND] = KINDS[type(shape)]
        row[DENSITY] = solid.density
        row[POSITION : POSITION + 3] = solid.position
        row[ROTATION : ROTATION + 9] = np.ravel(solid.rotation)
        for name, column in COLUMNS[type(shape)].items():
            row[column] = getattr(shape, name)
        if isinstance(shape, Profile):
            row[FIRST] = sum(map(len, points))
            points.append(np.array(shape.points))
            row[LAST] = sum(map(len, points))
        elif isinstance(shape, Mesh):
            row[FIRST] = sum(map(len, vertices))
            row[FIRST_FACE] = sum(map(len, faces))
            row[ITEM] = len(meshes)
            vertices.append(np.asarray(shape.vertices, dtype=np.float64))
            faces.append(np.asarray(shape.faces, dtype=np.int64) + int(row[FIRST]))
            row[LAST] = sum(map(len, vertices))
            row[LAST_FACE] = sum(map(len, faces))
            meshes.append(mesh_moments(shape.vertices, shape.faces))
    return Packed(
        table,
        np.concatenate(points),
        np.concatenate(vertices),
        np.concatenate(faces),
        np.array(meshes).reshape(len(meshes), 10),
    )
