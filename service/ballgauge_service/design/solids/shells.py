"""The bodies of a mesh: its surface cut apart where bodies touch, and united to one.

A file may hold several bodies. Each is an outward shell, a connected surface, less the voids, inward shells,
that lie within it; the body that is meant is their union, so that no material counts twice.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from ballgauge_service.core import budget
from ballgauge_service.core.compiled import compiled
from ballgauge_service.design.solids.lines import Bins, mesh_faces_hit, most_hits, sort_meshes
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

if TYPE_CHECKING:
    from manifold3d import Manifold

MOST_FACES = 350_000
MOST_3MF_FACES = 150_000
"""Most faces of a request's meshes, and of a design's solids that use them, most vertices of a mesh too, and
fewer of a 3MF, whose reader takes more for each (ours): a process then stays under 600 MiB, since a face
takes about 0.8 KiB until it is answered, of a 3MF 1.9 KiB."""

MOST_SHELLS = 1000
FACES_SAMPLED = 2048
BENEATH = 1e-6
STEEP = 1e-3
ROUNDING = 1e-9
"""Of ours: most shells of a mesh; faces of a shell that are looked at; how far beneath them the points lie
[in], or a thousandth of a face's size where that is less, so that surfaces that touch are not taken to
overlap; least slope of a face against the lines; share of a void that rounding may leave outside its body,
and radians between two faces that lie on one another."""

FRAME = np.linalg.qr(np.array([[0.31, 0.55, 0.72], [0.93, -0.21, 0.17], [0.11, 0.67, -0.59]]))[0]
"""Rows u, v, w: lines along w, which is along no face of a body that people draw."""

A_POINT = 1e-4
"""Seconds that the interpreter takes to look from a point (ours, measured)."""


class BadShell(ValueError):
    """A shell that overlaps itself or is turned inside out; `place` (3,) [in] says where."""

    def __init__(self, words: str, place: Floats) -> None:
        super().__init__(words)
        self.place = place


def cut_apart(vertices: Floats, faces: Numbers) -> tuple[Floats, Numbers, Numbers]:
    """A closed surface with each edge of two faces alone, and its shells.

    Where bodies touch, more faces meet at an edge: those pair up that bound the same body, which follow each
    other in the file, and else those with material between them.

    Parameters
    ----------
    vertices : (v, 3) array
    faces : (f, 3) array of vertex numbers; as many run along an edge as back

    Returns
    -------
    vertices : (n, 3) array, those of a crowded surface once for each part that has them
    faces : (f, 3) array
    shells : (f,) array, the number of the shell of each face
    """
    start, stop = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    edges = np.minimum(start, stop) * np.int64(len(vertices)) + np.maximum(start, stop)
    order = np.argsort(edges, kind="stable")
    pairs = order.reshape(-1, 2)
    crowded = bool((np.diff(edges[pairs[:, 0]]) == 0).any())
    if crowded:
        pairs = _paired(vertices, faces, edges, order)
    joined = coo_array((np.ones(len(pairs), np.bool_), (pairs // 3).T), shape=(len(faces), len(faces)))
    shells: Numbers = connected_components(joined, directed=False)[1].astype(np.int64)
    if not crowded:
        return vertices, faces, shells
    one, other = pairs.T
    after = np.concatenate([one + 1 - 3 * (one % 3 == 2), other + 1 - 3 * (other % 3 == 2)])
    same = coo_array(
        (np.ones(len(after), np.bool_), (np.concatenate([other, one]), after)), shape=[faces.size] * 2
    )
    count, corners = connected_components(same, directed=False)
    split = np.empty((count, 3))
    split[corners] = vertices[start]
    return split, corners.reshape(-1, 3).astype(np.int64), shells


def _paired(vertices: Floats, faces: Numbers, edges: Numbers, order: Numbers) -> Numbers:
    """Pairs (n, 2) of the faces' edges (3 f) that are one edge of one body."""
    along = np.where(faces.ravel() < np.roll(faces, -1, axis=1).ravel(), 1, -1)
    opened = np.cumsum(along[order]) != 0
    changes = np.zeros(len(faces) + 1, np.int64)
    np.add.at(changes, order[opened] // 3, 1)
    np.add.at(changes, order[1:][opened[:-1]] // 3, -1)
    # A body of the file ends where all edges that its faces have opened are closed.
    bodies = np.concatenate([[0], np.cumsum(np.cumsum(changes)[:-1] == 0)])
    order = np.lexsort((bodies[np.arange(faces.size) // 3], edges))
    keys = np.column_stack([edges[order], bodies[order // 3]])
    ends = np.flatnonzero(np.append((keys[1:] != keys[:-1]).any(axis=1), True)) + 1
    starts = np.append(0, ends[:-1])
    plain = ends - starts == 2
    found = [np.column_stack([order[starts[plain]], order[ends[plain] - 1]])]
    for first, end in zip(starts[~plain].tolist(), ends[~plain].tolist(), strict=True):
        found.append(np.array(list(_by_angle(vertices, faces, order[first:end], along))))
    return np.concatenate(found)


def _by_angle(vertices: Floats, faces: Numbers, crowd: Numbers, along: Numbers) -> Iterator[tuple[int, int]]:
    """Pairs of the faces about one edge that have material between them."""
    ends = faces[crowd[0] // 3, [crowd[0] % 3, (crowd[0] + 1) % 3]][:: along[crowd[0]]]
    base = vertices[ends[0]]
    axis = vertices[ends[1]] - base
    away = vertices[faces[crowd // 3, (crowd + 2) % 3]] - base
    away -= np.outer(away @ axis / (axis @ axis), axis)
    turn = np.arctan2(np.cross(axis, away[0]) @ away.T / np.sqrt(axis @ axis), away @ away[0])
    turn = np.where(turn < -ROUNDING, turn + 2.0 * np.pi, turn)
    turn = np.round(turn / ROUNDING) * ROUNDING if len(turn) else turn
    # Turning with the edge, a face that runs along it ends the material. Faces that lie on one another: those
    # that end some first; of several the later ones first, so that copies of a body stay apart.
    ending = along[crowd] > 0
    turned = np.lexsort((np.where(ending, -crowd, crowd), ~ending, turn))
    depth = np.cumsum(np.where(ending[turned], -1, 1))
    begun: list[int] = []
    for each in np.roll(turned, -1 - int(np.argmin(depth))).tolist():
        if ending[each]:
            yield begun.pop(), int(crowd[each])
        else:
            begun.append(int(crowd[each]))


@compiled
def _look(
    packed: Packed, bins: Bins, points: Floats, owners: Numbers, shells: Numbers, turned: Numbers,
    within: Numbers,
) -> int:  # fmt: skip
    """Count the points (n, 3), in the lines' frame, of each shell that lie within each other shell.

    owners (n,): the points' shells; turned (s,): 1 for outward shells, -1 for inward ones; within (s, s).
    Returns the first point that its own shell does not hold once, or -1.
    """
    hits = np.empty((most_hits(bins, 0), 2))
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
    """Faces to look at: of each shell up to FACES_SAMPLED of the sound ones, evenly."""
    ranked = sound[np.argsort(shells[sound], kind="stable")]
    starts = np.searchsorted(shells[ranked], np.arange(count + 1))
    picked = [
        ranked[start + np.linspace(0, stop - start - 1, min(FACES_SAMPLED, stop - start)).astype(np.int64)]
        for start, stop in pairwise(starts)
    ]
    chosen: Numbers = np.concatenate(picked)
    return chosen


def one_body(vertices: Floats, faces: Numbers, shells: Numbers) -> tuple[Floats, Numbers, int]:
    """The body of a closed mesh.

    Parameters
    ----------
    vertices, faces, shells : as of `cut_apart`; no face of a shell cuts another

    Returns
    -------
    vertices : (v, 3) array [in]
    faces : (n, 3) array, of one surface that touches itself at most
    bodies : int, that were united, one for each outward shell

    Raises
    ------
    BadShell
    """
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
    within = np.zeros((count, count), np.int64)
    packed = _packed(np.ascontiguousarray(vertices), np.ascontiguousarray(faces))
    look = _look.expecting(A_POINT * len(points))
    bad = look(packed, sort_meshes(packed, FRAME), points, owners, shells, turned, within)
    if bad >= 0:
        raise BadShell("the surface overlaps itself near", middles[chosen[bad]])
    if count == 1 and turned[0] > 0:
        return vertices, faces, 1
    whole = (within == np.bincount(owners, minlength=count)[:, None]) & (within > 0)
    made, bodies = _united(vertices, faces, shells, volumes, whole)
    return (*made, bodies)


def _united(
    vertices: Floats, faces: Numbers, shells: Numbers, volumes: Floats, whole: Floats
) -> tuple[tuple[Floats, Numbers], int]:
    """The union of the outward shells, each less its voids; whole (s, s): shells that may lie in others."""
    # Deferred: what no file of one body needs.
    from manifold3d import Manifold, Mesh64, OpType

    def far(shell: int) -> Floats:
        own = vertices[faces[shells == shell].ravel()]
        place: Floats = own[int(np.argmax(np.linalg.norm(own, axis=1)))]
        return place

    ranked = np.argsort(shells, kind="stable")
    parts: list[Manifold] = []
    for shell, own in enumerate(np.split(faces[ranked], np.cumsum(np.bincount(shells))[:-1])):
        used, corners = np.unique(own if volumes[shell] > 0.0 else own[:, ::-1], return_inverse=True)
        mesh = Mesh64(vertices[used], np.ascontiguousarray(corners.reshape(-1, 3), np.uint64))
        parts.append(Manifold(mesh))
        if parts[-1].is_empty():
            raise BadShell("the surface is no body near", far(shell))
    voids: dict[int, list[int]] = {int(shell): [] for shell in np.flatnonzero(volumes > 0.0)}
    for void in np.flatnonzero(volumes <= 0.0).tolist():
        for body in sorted(voids, key=lambda each: float(volumes[each])):
            budget.check()
            if whole[void, body] and (parts[void] - parts[body]).volume() <= -ROUNDING * volumes[void]:
                voids[body].append(void)
                break
        else:
            words = "the surface is inside out, or a void lies within no one body: faces look inward, one at"
            raise BadShell(words, far(void))
    for body, inside in voids.items():
        if inside:
            hollow = Manifold.batch_boolean([parts[void] for void in inside], OpType.Add)
            if hollow.volume() < (1.0 - ROUNDING) * -float(volumes[inside].sum()):
                raise BadShell("voids of the mesh overlap: the surface is inside out near", far(inside[-1]))
            parts[body] -= hollow
    mesh = Manifold.batch_boolean([parts[body] for body in voids], OpType.Add).to_mesh64()
    made = np.ascontiguousarray(mesh.vert_properties[:, :3]), np.asarray(mesh.tri_verts, dtype=np.int64)
    return made, len(voids)
