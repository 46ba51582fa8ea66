"""Solids as triangles: for sections, for files of other programs, never for numbers."""

from __future__ import annotations

import math

import numpy as np
import trimesh
from scipy.spatial import ConvexHull

from ballgauge_service.design.solids.solids import (
    Cone,
    Cylinder,
    Ellipsoid,
    Frustum,
    Mesh,
    Profile,
    RoundedBox,
    Shape,
    Solid,
    Sphere,
)

SECTIONS = 96
"""Sides of a turned solid where no tolerance says (ours)."""


def sections_within(radius: float, tolerance: float) -> int:
    """Sides of a circle whose chords lie within a tolerance of it.

    Parameters
    ----------
    radius, tolerance : float [in]

    Returns
    -------
    int, a multiple of four
    """
    share = min(tolerance / radius, 0.5)
    return 4 * math.ceil(math.pi / math.acos(1.0 - share) / 4.0)


def tessellated(solid: Solid, sections: int = SECTIONS) -> trimesh.Trimesh:
    """A solid as a closed surface.

    Parameters
    ----------
    solid : Solid
    sections : int, sides of round ones

    Returns
    -------
    trimesh.Trimesh, in the design's frame [in]; vertices lie on the solid, a side of a circle of radius r
        up to r (1 - cos(pi / n)) within
    """
    mesh = _own(solid.shape, sections)
    placed = np.eye(4)
    placed[:3, :3], placed[:3, 3] = solid.rotation, solid.position
    mesh.apply_transform(placed)
    return mesh


def _own(shape: Shape, sections: int) -> trimesh.Trimesh:
    if isinstance(shape, Mesh):
        return trimesh.Trimesh(shape.vertices * shape.scale, shape.faces, process=False)
    if isinstance(shape, RoundedBox):
        return _rounded_box(shape, sections)
    if isinstance(shape, (Sphere, Ellipsoid)):
        turn = np.linspace(-0.5 * math.pi, 0.5 * math.pi, sections // 2 + 1)
        line = np.column_stack([np.cos(turn), np.sin(turn)])
        line[[0, -1], 0] = 0.0
        ball = trimesh.creation.revolve(line, sections=sections)
        full = (shape.diameter,) * 3 if isinstance(shape, Sphere) else _lengths(shape)
        ball.apply_transform(np.diag([*(0.5 * each for each in full), 1.0]))
        return ball
    return trimesh.creation.revolve(np.flip(outline(shape), axis=1), sections=sections)


def _lengths(shape: Ellipsoid | RoundedBox) -> tuple[float, float, float]:
    return (shape.length_x, shape.length_y, shape.length_z)


def outline(shape: Cylinder | Cone | Frustum | Profile) -> list[tuple[float, float]]:
    """Heights and radii of a turned solid, from the bottom up, from its axis to its axis.

    Parameters
    ----------
    shape : Shape that is turned

    Returns
    -------
    list of (height, radius) [in]
    """
    if isinstance(shape, Profile):
        line = [(shape.axial_scale * z, shape.radial_scale * r) for z, r in shape.points]
    else:
        low, high = (
            (shape.bottom_diameter, shape.top_diameter)
            if isinstance(shape, Frustum)
            else (shape.diameter, 0.0 if isinstance(shape, Cone) else shape.diameter)
        )
        line = [(-0.5 * shape.height, 0.5 * low), (0.5 * shape.height, 0.5 * high)]
    bottom, top = ([(height, 0.0)] if radius > 0.0 else [] for height, radius in (line[0], line[-1]))
    return [*bottom, *line, *top]


def _rounded_box(shape: RoundedBox, sections: int) -> trimesh.Trimesh:
    """The hull of eight spheres about the corners within, or of the corners."""
    half = 0.5 * np.array(_lengths(shape)) - shape.rounding
    signs = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)])
    corners = signs * half
    if shape.rounding > 0.0:
        # Each eighth of a sphere, edges of the octants included, so that the flat faces are met.
        turn = np.linspace(0.0, 0.5 * math.pi, sections // 4 + 1)
        flat, rise = (each.ravel() for each in np.meshgrid(turn, turn))
        eighth = np.column_stack([np.cos(rise) * np.cos(flat), np.cos(rise) * np.sin(flat), np.sin(rise)])
        corners = np.concatenate(
            [corner + shape.rounding * sign * eighth for corner, sign in zip(corners, signs, strict=True)]
        )
    hull = ConvexHull(corners)
    mesh = trimesh.Trimesh(hull.points, hull.simplices, process=True)
    mesh.fix_normals()
    return mesh
