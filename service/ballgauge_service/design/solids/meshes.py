"""Reading and judging a core's surface mesh: what is wrong with it, and where.

The formats are read by trimesh; before that, what a file claims about itself is checked against its length,
so that a false header or a packed archive cannot ask for memory.
"""

from __future__ import annotations

import io
import re
import struct
from dataclasses import replace
from typing import Any

import numpy as np
import trimesh

from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.design.solids.archives import MOST_BYTES, BadArchive, checked_archive
from ballgauge_service.design.solids.archives import UNITS as INCHES
from ballgauge_service.design.solids.polyhedra import mesh_moments
from ballgauge_service.design.solids.shells import (
    MOST_3MF_FACES,
    MOST_FACES,
    BadShell,
    cut_apart,
    one_body,
)
from ballgauge_service.design.solids.solids import Mesh
from ballgauge_service.design.solids.surfaces import (
    MOST_FOUND,
    Floats,
    Numbers,
    TooCrowded,
    first_crossings,
)

UNITS = {
    "in": "inch", "mm": "millimeter", "cm": "centimeter", "m": "meter", "ft": "foot", "µm": "micron",
}  # fmt: skip
"""Names of the units of a file in `archives.UNITS`."""

STL_HEADER = 84
STL_FACE = 50
PLY_FACE = 4
PLY_VERTEX = 6
"""Bytes: an STL's header and one of its faces; the least a vertex and a face take in a PLY."""


def _refuse(*words: str) -> InvalidInput:
    return InvalidInput(Fault("", each) for each in words)


def _check_count(count: int, what: str = "faces") -> None:
    if count > MOST_FACES:
        raise _refuse(f"the file claims {count} {what}; at most {MOST_FACES} are read")


def _check_stl(data: bytes) -> None:
    if data[:5].lower() == b"solid" and b"facet" in data[:4096]:
        _check_count(data.count(b"endfacet"))
        return
    if len(data) < STL_HEADER:
        raise _refuse(f"a binary STL has at least {STL_HEADER} bytes; got {len(data)}")
    (faces,) = struct.unpack("<I", data[80:84])
    _check_count(faces)
    needed = STL_HEADER + STL_FACE * faces
    if needed != len(data):
        raise _refuse(f"the STL header claims {faces} faces, {needed} bytes; the file has {len(data)}")


def _check_ply(data: bytes) -> None:
    end = data.find(b"end_header", 0, 65536)
    if not data.startswith(b"ply") or end < 0:
        raise _refuse("not a PLY file: no header")
    claimed = vertices = 0
    for name, count in re.findall(rb"element +(\w+) +(\d{1,20})\s", data[:end]):
        if name == b"face":
            _check_count(int(count))
        elif name == b"vertex":
            vertices = int(count)
        claimed += int(count) * (PLY_FACE if name == b"face" else PLY_VERTEX)
    if claimed > len(data) - end:
        raise _refuse(
            f"the PLY header claims at least {claimed} bytes of elements; {len(data) - end} follow it"
        )
    _check_count(vertices, "vertices")


def _checked_3mf(data: bytes) -> tuple[bytes, str | None]:
    try:
        return checked_archive(data, min(MOST_FACES, MOST_3MF_FACES))
    except BadArchive as error:
        raise _refuse(str(error)) from None


def _check_obj(data: bytes) -> None:
    _check_count(data.count(b"\nf "))
    _check_count(data.count(b"\nv "), "vertices")


_CHECKS = {"stl": _check_stl, "obj": _check_obj, "ply": _check_ply}


def _loaded(data: bytes, file_type: str) -> tuple[Floats, Numbers]:
    options: dict[str, Any] = {"file_type": file_type, "process": True, "maintain_order": True}
    try:
        loaded = trimesh.load_scene(io.BytesIO(data), **options) if file_type == "3mf" else None
        mesh = loaded.to_mesh() if loaded is not None else trimesh.load_mesh(io.BytesIO(data), **options)
        vertices = np.asarray(mesh.vertices, dtype=np.float64)
        faces = np.asarray(mesh.faces, dtype=np.int64)
    except MemoryError:
        raise
    except Exception as error:
        raise _refuse(f"the {file_type.upper()} file could not be read: {type(error).__name__}") from error
    return vertices, faces


def _place(vertex: Floats) -> str:
    return "(" + ", ".join(f"{value:.4g}" for value in vertex) + ")"


def _places(places: list[str], total: int) -> str:
    return "; ".join(places) + (f"; and {total - len(places)} more" if total > len(places) else "")


def _edge_problems(vertices: Floats, faces: Numbers) -> list[str]:
    """What is wrong with the edges: as many faces run along each as back."""
    most = np.int64(len(vertices))
    start = faces.ravel()
    stop = np.roll(faces, -1, axis=1).ravel()
    edges = np.minimum(start, stop) * most + np.maximum(start, stop)
    order = np.argsort(edges, kind="stable")
    _, first, used = np.unique(edges[order], return_index=True, return_counts=True)
    along = np.add.reduceat(np.where(start < stop, 1, -1)[order], first)
    found = (start * most + stop)[order][first]
    turned, opened = np.sort(found[(along != 0) & (used % 2 == 0)]), np.sort(found[used % 2 == 1])
    problems = []
    if len(turned):
        problems.append(_edges("faces turned against their neighbors at the edge ", vertices, turned))
    if len(opened):
        problems.append(_edges("the surface is open at the edge ", vertices, opened))
    return problems


def _edges(text: str, vertices: Floats, keys: Numbers) -> str:
    most = len(vertices)
    shown = [
        f"{_place(vertices[key // most])} to {_place(vertices[key % most])}" for key in keys[:MOST_FOUND]
    ]
    return text + _places(shown, len(keys))


def _one_body(vertices: Floats, faces: Numbers) -> Mesh:
    """The body of a closed surface. Raises InvalidInput."""
    vertices, faces, shells = cut_apart(vertices, faces)
    try:
        pairs = first_crossings(vertices, faces, shells)
        if len(pairs):
            middles = [_place(vertices[faces[pair].ravel()].mean(axis=0)) for pair in pairs]
            raise _refuse("the surface cuts itself near " + _places(middles, len(middles)))
        vertices, faces, bodies = one_body(vertices, faces, shells)
    except BadShell as bad:
        raise _refuse(f"{bad} {_place(bad.place)}") from None
    except TooCrowded:
        raise _refuse("too many faces lie close together: fewer, larger or less drawn-out ones fit") from None
    _check_count(len(faces))
    if mesh_moments(vertices, faces)[0] < 1e-9:
        raise _refuse("the surface encloses no volume")
    return Mesh(np.ascontiguousarray(vertices), faces, bodies=bodies)


def checked_mesh(vertices: Floats, faces: Numbers) -> Mesh:
    """Judge a surface; bodies that overlap or touch are united.

    Parameters
    ----------
    vertices : (v, 3) array [in]
    faces : (f, 3) array of vertex numbers, outward normals by the right hand

    Returns
    -------
    Mesh

    Raises
    ------
    InvalidInput
        Naming what is wrong and where (coordinates [in]): vertices that are not finite, faces that name no
        vertex, open edges, faces turned against their neighbors, a surface that cuts itself or is inside
        out, a void that no body holds.
    """
    if len(faces) < 4:
        raise _refuse(f"a closed mesh has at least four faces; got {len(faces)}")
    _check_count(len(faces))
    bad = np.flatnonzero(~np.isfinite(vertices).all(axis=1))
    if len(bad):
        shown = ", ".join(str(index) for index in bad[:MOST_FOUND])
        raise _refuse(f"{len(bad)} vertices are not finite: number {shown}")
    if faces.min() < 0 or faces.max() >= len(vertices):
        raise _refuse(f"faces name vertices beyond the {len(vertices)} there are")
    if float(np.abs(vertices).max()) > 1e3:
        far = vertices[int(np.argmax(np.abs(vertices).max(axis=1)))]
        raise _refuse(f"a vertex lies at {_place(far)} in, far outside any ball; is the unit right?")
    a, b, c = faces.T
    triangles = np.ascontiguousarray(faces[(a != b) & (b != c) & (c != a)])
    if len(triangles) < 4:
        raise _refuse("fewer than four faces have area")
    problems = _edge_problems(vertices, triangles)
    if problems:
        raise _refuse(*problems)
    return _one_body(vertices, triangles)


def _given(unit: str | None, stated: str | None) -> str | None:
    """The unit that is asked for, where the file does not state another. Raises InvalidInput."""
    given = None if unit is None else UNITS[unit]
    if given and stated and given != stated:
        raise InvalidInput([Fault("/unit", f"the file states that its unit is the {stated}; got {unit}")])
    return given


def _read_step(data: bytes, unit: str | None) -> Mesh:
    # Deferred: what no other file needs.
    from ballgauge_service.design.solids.step import read_step

    vertices, faces, missed, stated = read_step(data)
    _given(unit, stated)
    return replace(checked_mesh(vertices, faces), missed=missed)


def read_mesh(data: bytes, file_type: str, unit: str | None = "mm") -> Mesh:
    """Read a closed mesh.

    Parameters
    ----------
    data : bytes
        The file.
    file_type : str
        stl, 3mf, obj, ply or step.
    unit : str, optional
        What one unit of the file's numbers is: mm, cm, in, m, ft or µm; None for what a 3MF or STEP file
        states itself (a millimeter where it does not).

    Returns
    -------
    Mesh

    Raises
    ------
    InvalidInput
        A header that does not fit the file, too much data, a file that cannot be read, a unit that is not
        the file's own, or whatever `checked_mesh` finds wrong with the surface.
    """
    if len(data) > MOST_BYTES:
        raise _refuse(f"the file has {len(data)} bytes; at most {MOST_BYTES} are read")
    if file_type == "step":
        return _read_step(data, unit)
    stated = None
    if file_type == "3mf":
        data, stated = _checked_3mf(data)
    else:
        _CHECKS[file_type](data)
    given = _given(unit, stated)
    vertices, faces = _loaded(data, file_type)
    if not len(faces):
        raise _refuse("the file holds no faces")
    return checked_mesh(vertices * INCHES[given or stated or "millimeter"], faces)
