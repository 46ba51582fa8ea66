"""Meshes: moments against trimesh's own, every format, and what is refused, with the place."""

from __future__ import annotations

import io
import struct
import tracemalloc
import zipfile
from typing import Any

import manifold3d
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from ballgauge_service.core.compiled import run_compiled
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.design.mass import visible_moments
from ballgauge_service.design.solids import meshes
from ballgauge_service.design.solids.meshes import checked_mesh, read_mesh
from ballgauge_service.design.solids.packing import pack
from ballgauge_service.design.solids.polyhedra import mesh_moments
from ballgauge_service.design.solids.solids import Design, Mesh, Solid, Sphere

BLOB = trimesh.creation.icosphere(subdivisions=3)
BLOB.vertices = BLOB.vertices * [20.0, 30.0, 25.0] + [3.0, -2.0, 1.0]
BOX = trimesh.creation.box((2.0, 2.0, 2.0))


def refusal(data: bytes, kind: str = "stl", unit: str = "mm") -> str:
    with pytest.raises(InvalidInput) as caught:
        read_mesh(data, kind, unit)
    return str(caught.value)


def surface_refusal(vertices: object, faces: object) -> str:
    with pytest.raises(InvalidInput) as caught:
        checked_mesh(np.array(vertices, float), np.array(faces))
    return str(caught.value)


@pytest.mark.parametrize("kind", ["stl", "3mf", "obj", "ply"])
def test_every_format_against_the_mass_properties_of_trimesh(kind: str) -> None:
    """trimesh writes the file and computes volume, center and inertia of what it reads again."""
    data = BLOB.export(file_type=kind)
    mesh = read_mesh(data.encode() if isinstance(data, str) else data, kind, "mm")
    found = mesh_moments(mesh.vertices * 25.4, mesh.faces)
    expected = BLOB.mass_properties
    assert found[0] == pytest.approx(expected.mass, rel=1e-6)
    assert found[1:4] / found[0] == pytest.approx(expected.center_mass, rel=1e-5)
    center = found[1:4] / found[0]
    inertia = found[5] + found[6] - found[0] * (center[1] ** 2 + center[2] ** 2)
    assert inertia == pytest.approx(expected.inertia[0, 0], rel=1e-6)


def test_units_are_taken_at_their_word() -> None:
    """1 in is 25.4 mm by definition (NIST SP 811)."""
    data = BOX.export(file_type="stl")
    assert np.ptp(read_mesh(data, "stl", "in").vertices) == pytest.approx(2.0)
    assert np.ptp(read_mesh(data, "stl", "cm").vertices) == pytest.approx(20.0 / 25.4)


def test_open_mesh_names_the_edges(sentence: Any) -> None:
    """A box without one triangle is open along that triangle's three edges."""
    message = surface_refusal(BOX.vertices, BOX.faces[1:])
    assert message == sentence("mesh: open edge")
    corner = BOX.vertices[BOX.faces[0][0]]
    assert "(" + ", ".join(f"{value:.4g}" for value in corner) + ")" in message


def test_inverted_mesh_and_inverted_face(sentence: Any) -> None:
    """All faces turned: inside out. One face turned: its edges run the same way as its neighbors'."""
    assert surface_refusal(BOX.vertices, BOX.faces[:, ::-1]) == sentence("mesh: inside out")
    faces = BOX.faces.copy()
    faces[3] = faces[3][::-1]
    assert surface_refusal(BOX.vertices, faces) == sentence("mesh: one face turned")


def test_self_intersection_names_the_place(sentence: Any) -> None:
    """A corner of a box pushed through its opposite side: cut near that side."""
    vertices = BOX.vertices.copy()
    corner = int(np.argmax(vertices.sum(axis=1)))
    vertices[corner] = [0.2, 0.3, -1.6]
    assert surface_refusal(vertices, BOX.faces) == sentence("mesh: cuts itself")


def test_sound_surfaces_are_not_accused() -> None:
    """Convex, hollow (inner surface inward) and finely divided surfaces pass."""
    checked_mesh(BLOB.vertices / 25.4, BLOB.faces)
    hollow = np.vstack([BOX.faces, BOX.faces[:, ::-1] + len(BOX.vertices)])
    shell = checked_mesh(np.vstack([BOX.vertices, BOX.vertices * 0.5]), hollow)
    assert mesh_moments(shell.vertices, shell.faces)[0] == pytest.approx(7.0)
    checked_mesh(*_torus())


def bodies(*parts: trimesh.Trimesh) -> tuple[np.ndarray, np.ndarray]:
    joined = trimesh.util.concatenate(parts)
    return joined.vertices, joined.faces


def moved(part: trimesh.Trimesh, *by: float, size: float = 1.0, inward: bool = False) -> trimesh.Trimesh:
    made = part.copy()
    made.apply_scale(size)
    made.apply_translation(by)
    if inward:
        made.invert()
    return made


ROD = trimesh.creation.cylinder(1.0, 2.0, sections=16)
MIRRORED = trimesh.creation.icosphere(subdivisions=1)
MIRRORED.vertices = MIRRORED.vertices * [-1.0, 1.0, 1.0] + [0.85, 0.0, 0.0]
MIRRORED.invert()


CORNER = trimesh.creation.box((1.0, 1.0, 1.0))
FILES = ["raw", "merged", "shuffled", "stl", "ply", "3mf"]


def read_as(kind: str, parts: list[trimesh.Trimesh]) -> Mesh:
    """Bodies of one mesh: as they are, their common corners shared, faces in any order, or by a file."""
    joined = trimesh.util.concatenate(parts)
    if kind == "raw":
        return checked_mesh(joined.vertices, joined.faces)
    if kind in ("merged", "shuffled"):
        shared = trimesh.Trimesh(joined.vertices, joined.faces, process=True)
        faces = np.asarray(shared.faces)
        mixed = np.random.default_rng(5).permutation(faces) if kind == "shuffled" else faces
        return checked_mesh(shared.vertices, mixed)
    if kind == "3mf":
        joined = trimesh.Scene([part.copy().apply_scale(25.4) for part in parts])
    return read_mesh(joined.export(file_type=kind), kind, "in" if kind != "3mf" else "mm")


@pytest.mark.parametrize("kind", FILES)
@pytest.mark.parametrize(
    ("parts", "volume"),
    [
        ([BOX, moved(BOX, 2.0, 0.0, 0.0)], 16.0),
        ([BOX, moved(BOX, 2.0, 2.0, 0.0)], 16.0),
        ([BOX, moved(BOX, 2.0, 2.0, 2.0)], 16.0),
        ([BOX, moved(BOX, 1.0, 1.0, 1.0)], 15.0),
        ([BOX, moved(BOX, 1.0, 0.0, 0.0)], 12.0),
        ([BOX, moved(BOX, 2.0, 0.0, 0.0), moved(BOX, 4.0, 0.0, 0.0)], 24.0),
        ([BOX, CORNER], 8.0),
        ([BOX, moved(CORNER, 0.5, 0.5, 0.5)], 8.0),
        ([BOX, BOX], 8.0),
    ],
    ids=["face", "edge", "point", "overlap", "shifted", "row", "inside", "flush", "twice"],
)
def test_bodies_of_a_mesh_are_united(kind: str, parts: list[trimesh.Trimesh], volume: float) -> None:
    """Boxes of two inches by their own arithmetic; the numbers are whole in any of the files."""
    mesh = read_as(kind, parts)
    assert mesh.bodies == len(parts)
    moments = mesh_moments(mesh.vertices, mesh.faces)
    # A 3MF is written in decimals of millimeters.
    assert moments[0] == pytest.approx(volume, rel=1e-6 if kind == "3mf" else 1e-12)
    assert mesh.vertices.min(axis=0) == pytest.approx(-1.0, abs=1e-6)


@pytest.mark.parametrize(
    "parts", [(ROD, moved(ROD, 0.0, 0.0, 0.7)), (trimesh.creation.icosphere(subdivisions=1), MIRRORED)]
)
def test_round_bodies_that_lie_on_one_another_are_united(parts: tuple[trimesh.Trimesh, ...]) -> None:
    """Against the sum of both less what they share, by another library."""
    mesh = checked_mesh(*bodies(*parts))
    one, other = map(manifold, parts)
    shared = (one ^ other).volume()
    assert shared > 0.1
    found = mesh_moments(mesh.vertices, mesh.faces)[0]
    assert found == pytest.approx(one.volume() + other.volume() - shared, rel=1e-9)


def test_nested_shells_by_the_hundred() -> None:
    """Each second a void: more crossings of one line than there are shells, by both ways of the engine."""
    run_compiled("design")
    sizes = np.linspace(1.0, 0.2, 300)
    shell = trimesh.creation.icosphere(subdivisions=0)
    parts = [moved(shell, 0, 0, 0, size=size, inward=at % 2 == 1) for at, size in enumerate(sizes)]
    mesh = checked_mesh(*bodies(*parts))
    volume = shell.volume * float(np.sum(sizes**3 * np.where(np.arange(300) % 2, -1.0, 1.0)))
    assert mesh_moments(mesh.vertices, mesh.faces)[0] == pytest.approx(volume, rel=1e-9)
    assert mesh.bodies == 150
    mote = Solid(Sphere(0.02), 1.0, position=tuple(mesh.vertices[0]))
    found = visible_moments(pack(Design((Solid(Sphere(8.6), 1.0), Solid(mesh, 2.0), mote))), cells=400)
    assert found.moments[1, 0] == pytest.approx(volume, abs=found.error[0])
    assert checked_mesh(*bodies(*(part for part in parts if part.volume > 0.0))).bodies == 150


def test_too_many_crossings_are_refused_before_the_union(sentence: Any) -> None:
    """Two combs that cross tooth by tooth."""
    run_compiled("design")
    tooth = trimesh.creation.box((2.0, 0.004, 2.0))
    comb = [moved(tooth, 0.0, 0.01 * at, 0.0) for at in range(400)]
    turn = trimesh.transformations.rotation_matrix(np.pi / 2, (0, 0, 1), (0, 2, 0))
    words = surface_refusal(*bodies(*comb, *(part.copy().apply_transform(turn) for part in comb)))
    assert words == sentence("mesh: lie close together")


def test_shells_inside_out_are_refused(sentence: Any) -> None:
    """An inward shell is a void of something, or nothing."""
    assert surface_refusal(*bodies(BOX, moved(BOX, 5.0, 0.0, 0.0, inward=True))) == sentence(
        "mesh: a shell inside out"
    )
    twice = (moved(BOX, 0.0, 0.0, 0.0, size=each, inward=True) for each in (0.8, 0.5))
    assert surface_refusal(*bodies(BOX, *twice)) == sentence("mesh: two shells inside out")
    outside = moved(BOX, 0.5, 0.0, 0.0, size=0.8, inward=True)
    assert surface_refusal(*bodies(BOX, outside)) == sentence("mesh: no one body")


def manifold(part: trimesh.Trimesh) -> manifold3d.Manifold:
    return manifold3d.Manifold(
        manifold3d.Mesh64(np.ascontiguousarray(part.vertices), np.ascontiguousarray(part.faces, np.uint64))
    )


def _wound(region: manifold3d.Manifold, shells: list[tuple[manifold3d.Manifold, bool]], number: int) -> float:
    """The volume of a region where the winding number of shells, voids counted back, is above zero."""
    if not shells:
        return region.volume() if number > 0 else 0.0
    (shell, inward), *rest = shells
    within = _wound(region ^ shell, rest, number + (-1 if inward else 1))
    return within + _wound(region - shell, rest, number)


TETRAHEDRON = trimesh.Trimesh(
    [[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]], [[0, 1, 2], [0, 3, 1], [0, 2, 3], [1, 3, 2]]
)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([BOX, ROD, TETRAHEDRON]),
            st.integers(-4, 4),
            st.integers(1, 4),
            st.sampled_from([0.0, 0.0, np.pi / 4, 0.3]),
            st.booleans(),
        ),
        min_size=1,
        max_size=3,
    )
)
def test_closed_form_lines_and_booleans_agree_on_every_mesh_that_is_accepted(
    drawn: list[tuple[trimesh.Trimesh, int, int, float, bool]],
) -> None:
    """Bodies apart, stacked, flush, turned, crossing, nested, and voids: what is wound about, by booleans."""
    parts = [moved(BOX, 0.0, 0.0, 0.0)]
    hollow = []
    for part, height, size, angle, inward in drawn:
        turn = trimesh.transformations.rotation_matrix(angle, (1.0, 2.0, 3.0))
        made = moved(part.copy().apply_transform(turn), 0.0, 0.0, 0.4 * height, size=0.2 * size)
        hollow.append((manifold(made), inward))
        parts.append(moved(made, 0.0, 0.0, 0.0, inward=inward))
    try:
        mesh = checked_mesh(*bodies(*parts))
    except InvalidInput:
        assert any(inward for *_, inward in drawn)
        return
    volume = _wound(manifold3d.Manifold.cube([9.0] * 3, True), [(manifold(BOX), False), *hollow], 0)
    assert mesh_moments(mesh.vertices, mesh.faces)[0] == pytest.approx(volume, rel=1e-9)
    # A mote on a corner is cut by it, so that lines find the volume.
    mote = Solid(Sphere(0.02), 1.0, position=(1.0, 1.0, 1.0))
    found = visible_moments(pack(Design((Solid(Sphere(8.6), 1.0), Solid(mesh, 2.0), mote))), cells=150)
    assert not found.exact
    assert found.moments[1, 0] == pytest.approx(volume, abs=1e-5 + found.error[0])


def _torus() -> tuple[np.ndarray, np.ndarray]:
    torus = trimesh.creation.torus(1.0, 0.3, 64, 32)
    return torus.vertices, torus.faces


@pytest.mark.parametrize(
    ("vertices", "faces", "part"),
    [
        ([[0, 0, np.nan]] + [[1, 0, 0]] * 3, [[0, 1, 2]] * 4, "not finite: number 0"),
        ([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]], [[0, 1, 9]] * 4, "beyond the 4"),
        ([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]], [[0, 1, 2]], "at least four faces"),
        ([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 2e3]], [[0, 1, 2]] * 4, "is the unit right?"),
        ([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]], [[0, 0, 0]] * 4, "fewer than four faces"),
    ],
)
def test_impossible_arrays(vertices: object, faces: object, part: str, sentence: Any) -> None:
    """Each is refused by name before any arithmetic."""
    assert surface_refusal(vertices, faces) == sentence(f"mesh: {part}")


def test_false_headers_ask_for_no_memory(sentence: Any) -> None:
    """A billion faces claimed by 84 bytes; a PLY that claims more than it holds."""
    assert refusal(b"\0" * 80 + struct.pack("<I", 1_000_000_000)) == sentence("mesh: too many faces claimed")
    assert refusal(b"\0" * 80 + struct.pack("<I", 1000)) == sentence("mesh: fewer bytes than faces claimed")
    assert refusal(b"\0" * 20) == sentence("mesh: shorter than a head")
    header = b"ply\nformat binary_little_endian 1.0\nelement vertex 90000000\nend_header\n"
    assert refusal(header, "ply") == sentence("mesh: PLY claims more than it holds")
    assert refusal(b"ply", "ply") == sentence("mesh: no header")


def test_packed_bombs_and_entities_are_refused(sentence: Any) -> None:
    """A 3MF that unpacks a thousandfold, and one with a document type."""
    assert refusal(_archive({"3D/3dmodel.model": b" " * 50_000_000}), "3mf") == sentence(
        "mesh: unpacks a thousandfold"
    )
    text = b'<?xml version="1.0"?><!DOCTYPE m [<!ENTITY a "aaaa">]><model>&a;</model>' + bytes(range(32, 127))
    assert refusal(_archive({"3D/3dmodel.model": text}), "3mf") == sentence("mesh: document type")
    assert refusal(_archive({"other.txt": b"abc"}), "3mf") == sentence("mesh: no model")
    assert refusal(b"PK\x03\x04 nothing", "3mf") == sentence("mesh: not a 3MF archive")


def test_a_packed_bomb_that_hides_its_size_is_not_unpacked(sentence: Any) -> None:
    """64 MiB that claim to be 10 kB, which zipfile unpacks whole before it cuts them to the claim."""
    data = bytearray(_archive({"3D/3dmodel.model": b" " * (64 << 20)}))
    for place in (data.find(struct.pack("<I", 64 << 20)), data.rfind(struct.pack("<I", 64 << 20))):
        data[place : place + 4] = struct.pack("<I", 10_000)
    tracemalloc.start()
    try:
        assert refusal(bytes(data), "3mf") == sentence("mesh: a member of a false size")
        assert tracemalloc.get_traced_memory()[1] < 16 << 20
    finally:
        tracemalloc.stop()
    squeezed = _archive({"3D/3dmodel.model": b" " * 1000}, zipfile.ZIP_BZIP2)
    assert refusal(squeezed, "3mf") == sentence("mesh: packed by an unknown method")


def test_a_packed_stream_that_is_spoilt_is_refused(sentence: Any) -> None:
    """DEFLATE's block type 3 does not exist (RFC 1951, 3.2.3)."""
    data = bytearray(_archive({"3D/3dmodel.model": bytes(range(256)) * 8}))
    data[data.index(b"3D/3dmodel.model") + len("3D/3dmodel.model")] = 0xFF
    assert refusal(bytes(data), "3mf") == sentence("mesh: a spoilt stream")


def placing(objects: str, items: str, unit: str | None = "millimeter") -> bytes:
    """A 3MF file with a tetrahedron as object 1, further objects, and what is built."""
    points = [(0, 0, 0), (20, 0, 0), (0, 20, 0), (0, 0, 20)]
    vertices = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in points)
    faces = [(0, 2, 1), (0, 1, 3), (0, 3, 2), (1, 2, 3)]
    triangles = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in faces)
    mesh = f"<mesh><vertices>{vertices}</vertices><triangles>{triangles}</triangles></mesh>"
    stated = f' unit="{unit}"' if unit else ""
    text = (
        f'<model{stated} xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02">'
        f'<resources><object id="1">{mesh}</object>{objects}</resources><build>{items}</build></model>'
    )
    return _archive({"3D/3dmodel.model": text.encode()})


def test_the_unit_of_a_3mf_file_is_its_own(sentence: Any) -> None:
    """A tetrahedron of 20 units (3MF core specification 1.3, 3.4, from memory); unsaid, millimeters."""
    for stated, edge in (("inch", 20.0), ("centimeter", 20.0 / 2.54), ("foot", 240.0), (None, 20.0 / 25.4)):
        data = placing("", '<item objectid="1"/>', stated)
        assert np.ptp(read_mesh(data, "3mf", None).vertices) == pytest.approx(edge)
    data = placing("", '<item objectid="1"/>', "inch")
    assert np.ptp(read_mesh(data, "3mf", "in").vertices) == pytest.approx(20.0)
    with pytest.raises(InvalidInput, check=sentence("mesh: unit is the inch; got mm")) as caught:
        read_mesh(data, "3mf", "mm")
    assert caught.value.faults[0].pointer == "/unit"
    assert refusal(placing("", '<item objectid="1"/>', "furlong"), "3mf") == sentence(
        "mesh: state the units furlong"
    )


def components(number: int, *others: int) -> str:
    listed = "".join(f'<component objectid="{other}"/>' for other in others)
    return f'<object id="{number}"><components>{listed}</components></object>'


def test_objects_that_place_others_are_read_and_counted(sentence: Any) -> None:
    """Forty objects that each place the one before twice stand for 2^39 tetrahedra."""
    moved = '<item objectid="2" transform="1 0 0 0 1 0 0 0 1 5 0 0"/>'
    mesh = read_mesh(placing(components(2, 1), moved), "3mf")
    assert mesh.vertices.min(axis=0) * 25.4 == pytest.approx([5.0, 0.0, 0.0])
    assert mesh_moments(mesh.vertices, mesh.faces)[0] * 25.4**3 == pytest.approx(20.0**3 / 6.0)
    doubling = "".join(components(k, k - 1, k - 1) for k in range(2, 42))
    assert refusal(placing(doubling, '<item objectid="41"/>'), "3mf") == sentence(
        "mesh: objects placed too often"
    )
    circle = components(2, 3) + components(3, 2)
    assert refusal(placing(circle, '<item objectid="2"/>'), "3mf") == sentence("mesh: in a circle")
    assert refusal(placing('<object id="2"><object id="3"/></object>', ""), "3mf") == sentence(
        "mesh: within another"
    )


def test_faces_are_counted_where_they_are_placed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three tetrahedra of one mesh have twelve faces."""
    monkeypatch.setattr(meshes, "MOST_FACES", 11)
    items = '<item objectid="1"/>' * 3
    assert "claims 12 faces" in refusal(placing("", items), "3mf")
    assert "claims 12 faces" in refusal(placing(components(2, 1, 1, 1), '<item objectid="2"/>'), "3mf")


def test_entities_are_found_in_any_encoding(sentence: Any) -> None:
    """UTF-16, in which no byte search finds them."""
    text = '<!DOCTYPE model [<!ENTITY a "aaaa">]><model/>'
    assert refusal(_archive({"3D/3dmodel.model": text.encode("utf-16")}), "3mf") == sentence(
        "mesh: document type"
    )
    assert refusal(_archive({"3D/3dmodel.model": b'<?xml version="1.0" encoding="x"?>'}), "3mf") == sentence(
        "mesh: not XML"
    )


def _archive(members: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", method) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return buffer.getvalue()


@pytest.mark.parametrize("kind", ["stl", "obj", "ply", "3mf"])
def test_broken_files_are_refused_whatever_the_reader_raises(kind: str) -> None:
    """The first half of a good file."""
    data = BLOB.export(file_type=kind)
    data = data.encode() if isinstance(data, str) else data
    with pytest.raises(InvalidInput):
        read_mesh(data[: len(data) // 2], kind)


def test_sizes_are_checked(monkeypatch: pytest.MonkeyPatch, sentence: Any) -> None:
    """Too many bytes, too many faces."""
    monkeypatch.setattr(meshes, "MOST_FACES", 10)
    assert refusal(BOX.export(file_type="stl")) == sentence("mesh: too many faces")
    monkeypatch.setattr(meshes, "MOST_BYTES", 10)
    assert refusal(b"x" * 11) == sentence("mesh: too many bytes")


def test_a_3mf_of_empty_elements_is_refused() -> None:
    """A million elements that are neither faces nor vertices: refused by their count."""
    text = "<model><resources/>" + "<a/>" * 1_000_001 + "</model>"
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w") as archive:
        archive.writestr("3D/3dmodel.model", text)
    with pytest.raises(InvalidInput, match="1000000 elements"):
        read_mesh(sink.getvalue(), "3mf", "mm")
