"""Meshes: moments against trimesh's own, every format, and what is refused, with the place."""

from __future__ import annotations

import io
import struct
import zipfile

import numpy as np
import pytest
import trimesh

from ballgauge_service.designs import meshes
from ballgauge_service.designs.meshes import checked_mesh, read_mesh
from ballgauge_service.designs.polyhedra import mesh_moments
from ballgauge_service.designs.running import InvalidDesign

BLOB = trimesh.creation.icosphere(subdivisions=3)
BLOB.vertices = BLOB.vertices * [20.0, 30.0, 25.0] + [3.0, -2.0, 1.0]
BOX = trimesh.creation.box((2.0, 2.0, 2.0))


def refusal(data: bytes, kind: str = "stl", unit: str = "mm") -> str:
    with pytest.raises(InvalidDesign) as caught:
        read_mesh(data, kind, unit)
    return str(caught.value)


def surface_refusal(vertices: object, faces: object) -> str:
    with pytest.raises(InvalidDesign) as caught:
        checked_mesh(vertices, faces)
    return str(caught.value)


@pytest.mark.parametrize("kind", ["stl", "3mf", "obj", "ply"])
def test_every_format_against_the_mass_properties_of_trimesh(kind: str) -> None:
    """trimesh writes the file and computes volume, centre and inertia of what it reads again."""
    data = BLOB.export(file_type=kind)
    mesh = read_mesh(data.encode() if isinstance(data, str) else data, kind, "mm")
    found = mesh_moments(mesh.vertices * 25.4, mesh.faces)
    expected = BLOB.mass_properties
    assert found[0] == pytest.approx(expected.mass, rel=1e-6)
    assert found[1:4] / found[0] == pytest.approx(expected.center_mass, rel=1e-5)
    centre = found[1:4] / found[0]
    inertia = found[5] + found[6] - found[0] * (centre[1] ** 2 + centre[2] ** 2)
    assert inertia == pytest.approx(expected.inertia[0, 0], rel=1e-6)


def test_units_are_taken_at_their_word() -> None:
    """1 in is 25.4 mm by definition (NIST SP 811)."""
    data = BOX.export(file_type="stl")
    assert np.ptp(read_mesh(data, "stl", "in").vertices) == pytest.approx(2.0)
    assert np.ptp(read_mesh(data, "stl", "cm").vertices) == pytest.approx(20.0 / 25.4)


def test_open_mesh_names_the_edges() -> None:
    """A box without one triangle is open along that triangle's three edges."""
    message = surface_refusal(BOX.vertices, BOX.faces[1:])
    assert "the surface is open at the edge" in message
    corner = BOX.vertices[BOX.faces[0][0]]
    assert "(" + ", ".join(f"{value:.4g}" for value in corner) + ")" in message


def test_inverted_mesh_and_inverted_face() -> None:
    """All faces turned: inside out. One face turned: its edges run the same way as its neighbours'."""
    assert "inside out" in surface_refusal(BOX.vertices, BOX.faces[:, ::-1])
    faces = BOX.faces.copy()
    faces[3] = faces[3][::-1]
    assert "turned against their neighbours" in surface_refusal(BOX.vertices, faces)


def test_self_intersection_names_the_place() -> None:
    """Two boxes that overlap by a corner, in one mesh: cut near that corner."""
    vertices = np.vstack([BOX.vertices, BOX.vertices * 0.9 + [1.2, 1.3, 1.1]])
    message = surface_refusal(vertices, np.vstack([BOX.faces, BOX.faces + len(BOX.vertices)]))
    assert "the surface cuts itself near" in message


def test_sound_surfaces_are_not_accused() -> None:
    """Convex, hollow (inner surface inward) and finely divided surfaces pass."""
    checked_mesh(BLOB.vertices / 25.4, BLOB.faces)
    hollow = np.vstack([BOX.faces, BOX.faces[:, ::-1] + len(BOX.vertices)])
    shell = checked_mesh(np.vstack([BOX.vertices, BOX.vertices * 0.5]), hollow)
    assert mesh_moments(shell.vertices, shell.faces)[0] == pytest.approx(7.0)
    checked_mesh(*_torus())


def _torus() -> tuple[np.ndarray, np.ndarray]:
    torus = trimesh.creation.torus(1.0, 0.3, 64, 32)
    return torus.vertices, torus.faces


@pytest.mark.parametrize(
    ("vertices", "faces", "part"),
    [
        ([[0, 0, np.nan]] + [[1, 0, 0]] * 3, [[0, 1, 2]] * 4, "not finite: number 0"),
        ([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]], [[0, 1, 9]] * 4, "beyond the 4"),
        ([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]], [[0.5, 1, 2]] * 4, "whole numbers"),
        ([[0, 0], [1, 0]], [[0, 1, 1]], "rows of three"),
        ([["a", "b", "c"]], [[0, 0, 0]], "rows of three"),
        (None, None, "rows of three"),
        ([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]], [[0, 1, 2]], "at least four faces"),
        ([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 2e3]], [[0, 1, 2]] * 4, "is the unit right?"),
        ([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]], [[0, 0, 0]] * 4, "fewer than four faces"),
    ],
)
def test_impossible_arrays(vertices: object, faces: object, part: str) -> None:
    """Each is refused by name before any arithmetic."""
    assert part in surface_refusal(vertices, faces)


def test_false_headers_ask_for_no_memory() -> None:
    """A billion faces claimed by 84 bytes; a PLY that claims more than it holds."""
    assert "claims 1000000000 faces" in refusal(b"\0" * 80 + struct.pack("<I", 1_000_000_000))
    assert "claims 1000 faces, 50084 bytes" in refusal(b"\0" * 80 + struct.pack("<I", 1000))
    assert "at least 84 bytes" in refusal(b"\0" * 20)
    header = b"ply\nformat binary_little_endian 1.0\nelement vertex 90000000\nend_header\n"
    assert "claims at least 540000000 bytes" in refusal(header, "ply")
    assert "no header" in refusal(b"ply", "ply")


def test_packed_bombs_and_entities_are_refused() -> None:
    """A 3MF that unpacks a thousandfold, and one with a document type."""
    assert "unpacks to" in refusal(_archive({"3D/3dmodel.model": b" " * 50_000_000}), "3mf")
    text = b'<?xml version="1.0"?><!DOCTYPE m [<!ENTITY a "aaaa">]><model>&a;</model>' + bytes(range(32, 127))
    assert "document type" in refusal(_archive({"3D/3dmodel.model": text}), "3mf")
    assert "no model" in refusal(_archive({"other.txt": b"abc"}), "3mf")
    assert "not a 3MF archive" in refusal(b"PK\x03\x04 nothing", "3mf")


def _archive(members: dict[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return buffer.getvalue()


@pytest.mark.parametrize("kind", ["stl", "obj", "ply", "3mf"])
def test_broken_files_are_refused_whatever_the_reader_raises(kind: str) -> None:
    """The first half of a good file."""
    data = BLOB.export(file_type=kind)
    data = data.encode() if isinstance(data, str) else data
    with pytest.raises(InvalidDesign):
        read_mesh(data[: len(data) // 2], kind)


def test_names_and_sizes_are_checked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Unknown format and unit, too many bytes, too many faces."""
    assert "the format must be one of" in refusal(b"", "step")
    assert "the unit must be one of" in refusal(b"", "stl", "ft")
    monkeypatch.setattr(meshes, "MOST_FACES", 10)
    assert "at most 10 are read" in refusal(BOX.export(file_type="stl"))
    monkeypatch.setattr(meshes, "MOST_BYTES", 10)
    assert "at most 10 are read" in refusal(b"x" * 11)
