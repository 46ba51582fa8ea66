"""The shells of a mesh, its connected surfaces: which bound the body, which lie inside, which overlap.

The winding number of a point is the number of outward shells around it less that of inward ones. A body is
where it is above zero: an outward shell within the body adds nothing, an inward one is a void. Both are
decided shell against shell, by lines from points just beneath the faces: of two shells one must lie within
the other, or they must be apart. All else is refused.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from ballgauge_service.core.compiled import compiled
from ballgauge_service.design.solids.lines import Bins, mesh_faces_hit, sort_meshes
from ballgauge_service.design.solids.packing import (
    FIRST_FACE,
    KIND,
    LAST,
    LAST_FACE,
    MESH,
    ROTATION,
    SIZE,
    WIDTH,
    Packed,
)
from ballgauge_service.design.solids.rotations import UNTURNED
from ballgauge_service.design.solids.surfaces import Floats, Numbers

MOST_SHELLS = 1000
SAMPLES = 2048
BENEATH = 1e-6
STEEP = 1e-3
"""Of ours: most shells of a mesh; faces of a shell that are looked at; how far beneath them the points lie
[in], or a thousandth of a face's size where that is less, so that surfaces that touch are not taken to
overlap; least slope of a face against the lines."""

FRAME = np.linalg.qr(np.array([[0.31, 0.55, 0.72], [0.93, -0.21, 0.17], [0.11, 0.67, -0.59]]))[0]
"""Rows u, v, w: lines along w, which is along no face of a body that people draw."""


class BadShell(ValueError):
    """A shell that overlaps itself or another, or is turned inside out; `place` (3,) [in] says where."""

    def __init__(self, words: str, place: Floats) -> None:
        super().__init__(words)
        self.place = place


def shells_of(faces: Numbers) -> Numbers:
    """Number of the shell of each face.

    Parameters
    ----------
    faces : (f, 3) array of vertex numbers

    Returns
    -------
    (f,) array: faces are of one shell where they share an edge
    """
    a, b = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    order = np.argsort(np.minimum(a, b) * np.int64(faces.max() + 1) + np.maximum(a, b), kind="stable")
    pairs = (order // 3).reshape(-1, 2)
    joined = coo_array((np.ones(len(pairs), np.bool_), pairs.T), shape=(len(faces), len(faces)))
    shells: Numbers = connected_components(joined, directed=False)[1].astype(np.int64)
    return shells


@compiled
def _look(
    packed: Packed, bins: Bins, points: Floats, owners: Numbers, shells: Numbers, turned: Numbers,
    within: Numbers, first: Numbers,
) -> int:  # fmt: skip
    """Count the points (n, 3), in the lines' frame, of each shell that lie within each other shell.

    owners (n,): the points' shells; turned (s,): 1 for outward shells, -1 for inward ones; within (s, s);
    first (s, s): the first such point. Returns the first point that its own shell does not hold once, or -1.
    """
    hits = np.empty((256, 2))
    winding = np.zeros(turned.shape[0], np.int64)
    for n in range(points.shape[0]):
        own = owners[n]
        count = mesh_faces_hit(packed, bins, 0, points[n, 0], points[n, 1], hits)
        for h in range(count):
            if hits[h, 0] > points[n, 2]:
                face = int(hits[h, 1])
                winding[shells[abs(face) - 1]] += 1 if face > 0 else -1
        if winding[own] != turned[own]:
            return n
        for h in range(count):
            shell = shells[abs(int(hits[h, 1])) - 1]
            if winding[shell] != 0:
                if within[own, shell] == 0:
                    first[own, shell] = n
                within[own, shell] += 1
                winding[shell] = 0
    return -1


def _packed(vertices: Floats, faces: Numbers) -> Packed:
    row = np.zeros((1, WIDTH))
    row[0, KIND], row[0, SIZE], row[0, LAST], row[0, LAST_FACE] = MESH, 1.0, len(vertices), len(faces)
    row[0, ROTATION : ROTATION + 9] = np.ravel(UNTURNED)
    row[0, FIRST_FACE] = 0
    return Packed(row, np.empty((0, 2)), vertices, faces, np.zeros((1, 10)))


def _samples(shells: Numbers, sound: Numbers, count: int) -> Numbers:
    """Faces to look at: of each shell up to SAMPLES of the sound ones, evenly."""
    ranked = sound[np.argsort(shells[sound], kind="stable")]
    starts = np.searchsorted(shells[ranked], np.arange(count + 1))
    picked = [
        ranked[start + np.linspace(0, stop - start - 1, min(SAMPLES, stop - start)).astype(np.int64)]
        for start, stop in pairwise(starts)
    ]
    chosen: Numbers = np.concatenate(picked)
    return chosen


def outer_faces(vertices: Floats, faces: Numbers) -> Numbers:
    """The faces that bound the body of a closed mesh.

    Parameters
    ----------
    vertices : (v, 3) array [in]
    faces : (f, 3) array, each edge of two faces, none cutting through another

    Returns
    -------
    (n, 3) array

    Raises
    ------
    BadShell
    """
    shells = shells_of(faces)
    count = int(shells.max()) + 1
    if count > MOST_SHELLS:
        words = f"the mesh has {count} separate surfaces; at most {MOST_SHELLS} are read: one is at"
        raise BadShell(words, vertices[faces[0, 0]])
    corners = vertices[faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    areas = np.linalg.norm(normals, axis=1)
    middles = corners.mean(axis=1)
    # Measured from the middle of the mesh, so that thin shells far off keep their digits.
    away = corners[:, 0] - vertices.mean(axis=0)
    volumes = np.bincount(shells, np.einsum("ij,ij->i", away, normals), count) / 6.0
    turned = np.where(volumes < 0.0, -1, 1)
    longest = np.square(np.roll(corners, -1, axis=1) - corners).sum(axis=2).max(axis=1)
    steep = np.abs(normals @ FRAME[2])
    sound = np.flatnonzero((areas > STEEP * longest) & (steep > STEEP * areas) & (areas > 0.0))
    chosen = _samples(shells, sound, count)
    owners = shells[chosen]
    size = np.minimum(BENEATH, 1e-3 * np.sqrt(areas[chosen])) * turned[owners] / areas[chosen]
    points = (middles[chosen] - normals[chosen] * size[:, None]) @ FRAME.T
    within, first = (np.zeros((count, count), np.int64) for _ in range(2))
    packed = _packed(np.ascontiguousarray(vertices), np.ascontiguousarray(faces))
    bins = sort_meshes(packed, FRAME)
    bad = _look(packed, bins, points, owners, shells, turned, within, first)
    if bad >= 0:
        raise BadShell("the surface overlaps itself near", middles[chosen[bad]])
    looked = np.bincount(owners, minlength=count)
    inside = _nested(within, looked, middles[chosen], first)
    depth = inside @ turned
    lost = np.flatnonzero((depth < 0) | ((turned < 0) & (depth < 1)))
    if len(lost):
        far = vertices[faces[shells == lost[0]].ravel()]
        place = far[int(np.argmax(np.linalg.norm(far, axis=1)))]
        raise BadShell("the surface is inside out: its faces look inward, for one at", place)
    kept: Numbers = faces[(depth == np.where(turned > 0, 0, 1))[shells]]
    return kept


def _nested(within: Numbers, looked: Numbers, places: Floats, first: Numbers) -> Numbers:
    """1 where shell s lies within shell t, (s, t); of two that are the same body the later one."""
    whole = (within == looked[:, None]) & (within > 0)
    np.fill_diagonal(whole, False)
    apart = (within == 0) & (within.T == 0)
    np.fill_diagonal(apart, True)
    crossing = np.argwhere(~(whole | whole.T | apart) & (within > 0))
    if len(crossing):
        place = places[first[tuple(crossing[0])]]
        raise BadShell("two bodies of the mesh overlap; unite them first: near", place)
    nested: Numbers = (whole & ~(whole.T & np.triu(np.ones_like(whole)))).astype(np.int64)
    return nested
