"""STEP by Open CASCADE: written and read again, against closed forms; files of strangers refused in words."""

from __future__ import annotations

import base64
import math
from typing import Any

import pytest

from ballgauge_schemas.design.request import DESIGN_REQUEST
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.design.evaluate import evaluate_design
from ballgauge_service.design.solids.meshes import read_mesh
from ballgauge_service.design.solids.models import write_model
from ballgauge_service.design.solids.polyhedra import mesh_moments
from ballgauge_service.design.solids.rotations import about
from ballgauge_service.design.solids.shells import MOST_FACES
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
    Solid,
    Sphere,
)

PROFILE = Profile(((-1.0, 0.0), (0.0, 1.0), (0.0, 0.5), (1.0, 0.5)), 1.0, 2.0)
BODIES = (
    (Sphere(1.0), math.pi / 6),
    (Ellipsoid(0.5, 0.6, 0.8), math.pi / 6 * 0.5 * 0.6 * 0.8),
    (Cylinder(2.0, 0.4), 0.4 * math.pi),
    (Cone(2.0, 1.5), 0.5 * math.pi),
    (Frustum(2.0, 1.0, 1.2), math.pi * 0.4 * (1.0 + 0.5 + 0.25)),
    (PROFILE, 2.0 * (math.pi / 3 + 0.25 * math.pi)),
    (RoundedBox(2.0, 1.0, 1.5, 0.0), 3.0),
)


def written(shape: Shape) -> bytes:
    """A design of a ball whose file holds one solid, turned and displaced, alone."""
    solid = Solid(shape, 2.0, "inner_core", "core", (0.2, 0.0, 0.3), about((1, 0, 0), 90))
    design = Design((Solid(Sphere(8.6), 1.2, "cover", "cover"),))
    object.__setattr__(design, "solids", (solid,))
    return write_model(design, "step")


@pytest.mark.parametrize(("shape", "volume"), BODIES, ids=[shape.kind for shape, _ in BODIES])
def test_a_solid_comes_back_as_it_was(shape: Shape, volume: float) -> None:
    """Against the closed form: its volume less what the facets are said to miss, its middle in its place."""
    data = written(shape)
    assert b"PRODUCT('core','core'" in data
    assert data == written(shape)
    mesh = read_mesh(data, "step", "mm")
    moments = mesh_moments(mesh.vertices, mesh.faces)
    assert mesh.missed is not None
    assert abs(mesh.missed) < 1e-2
    assert moments[0] == pytest.approx(volume * (1.0 - mesh.missed), rel=2e-4)
    assert moments[1] / moments[0] == pytest.approx(0.2, abs=2e-3)


def test_the_answer_says_what_the_facets_miss() -> None:
    """A core as STEP in a ball: a caution with the share, the numbers those of the solid to within it."""
    core = {"name": "core", "role": "inner_core", "density": 2.4}
    cover = {"name": "cover", "shape": "sphere", "density": 1.2}
    place = {"position": [0.2, 0, 0.3]}
    data = base64.b64encode(written(Cylinder(2.0, 0.4))).decode()
    mesh = {"name": "core", "unit": "mm", "format": "step", "data": data}
    turned = {**place, "rotation": {"axis": [1, 0, 0], "angle": 90}}

    def answer(solid: dict[str, Any], *meshes: dict[str, str]) -> dict[str, Any]:
        design = {"diameter": 8.6, "meshes": list(meshes), "solids": [cover, {**core, **solid}]}
        return evaluate_design(DESIGN_REQUEST.load({"design": design}))

    drawn = answer({"shape": "mesh", "mesh": "core"}, mesh)
    exact = answer({"shape": "cylinder", "diameter": 2.0, "height": 0.4, **turned})
    assert [each["code"] for each in drawn["cautions"]].count("facets") == 1
    assert drawn["properties"]["weight"] == pytest.approx(exact["properties"]["weight"], abs=1e-4)
    assert drawn["properties"]["differential"] == pytest.approx(exact["properties"]["differential"], abs=1e-5)


def test_a_mesh_is_written_as_a_body_of_flat_faces() -> None:
    box = read_mesh(written(RoundedBox(1.0, 1.0, 1.0)), "step", "mm")
    assert box.missed == pytest.approx(0.0, abs=1e-9)
    again = read_mesh(written(Mesh(box.vertices, box.faces)), "step", None)
    assert mesh_moments(again.vertices, again.faces)[0] == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize(
    "data", [b"solid core", b"", b"ISO-10303-21;HEADER;ENDSEC;DATA;ENDSEC;END-ISO-10303-21;"]
)
def test_what_is_no_step_is_refused(data: bytes) -> None:
    with pytest.raises(InvalidInput):
        read_mesh(data, "step", "mm")


def test_another_unit_than_the_file_states_is_refused() -> None:
    with pytest.raises(InvalidInput, match="millimeter"):
        read_mesh(written(Cylinder(2.0, 0.4)), "step", "in")


MILLIMETER = b"( LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT(.MILLI.,.METRE.) )"


@pytest.mark.parametrize(
    ("given", "entity", "millimeters"),
    [
        ("m", b"( LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT($,.METRE.) )", 1000.0),
        ("cm", b"( LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT(.CENTI.,.METRE.) )", 10.0),
        ("mm", MILLIMETER, 1.0),
        ("\u00b5m", b"( LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT(.MICRO.,.METRE.) )", 1e-3),
        ("in", b"( CONVERSION_BASED_UNIT('INCH',#9001) LENGTH_UNIT() NAMED_UNIT(#9003) )", 25.4),
        ("ft", b"( CONVERSION_BASED_UNIT('FOOT',#9001) LENGTH_UNIT() NAMED_UNIT(#9003) )", 304.8),
    ],
)
def test_a_file_is_read_in_the_unit_that_it_states(given: str, entity: bytes, millimeters: float) -> None:
    """The same cylinder in each unit (ISO 10303-41); a unit that is not the file's is refused."""
    data = written(Cylinder(2.0 / millimeters, 0.4 / millimeters))
    assert data.count(MILLIMETER) == 1
    base = (
        b"#9001 = LENGTH_MEASURE_WITH_UNIT(%.4f,#9002);#9002 = %s;"
        b"#9003 = DIMENSIONAL_EXPONENTS(1.,0.,0.,0.,0.,0.,0.);ENDSEC;\nEND-ISO"
    )
    data = data.replace(MILLIMETER, entity)
    data = data.replace(b"ENDSEC;\nEND-ISO", base % (millimeters, MILLIMETER))
    for unit in (given, None):
        mesh = read_mesh(data, "step", unit)
        across = mesh.vertices.max(axis=0) - mesh.vertices.min(axis=0)
        assert sorted(across) == pytest.approx([0.4, 2.0, 2.0], rel=5e-3)
    with pytest.raises(InvalidInput, match=f"got {'mm' if given != 'mm' else 'm'}$") as caught:
        read_mesh(data, "step", "mm" if given != "mm" else "m")
    assert caught.value.faults[0].pointer == "/unit"


def test_a_body_as_large_as_a_house_is_refused_before_it_is_cut(sentence: Any) -> None:
    with pytest.raises(InvalidInput, check=sentence("step: is the unit right")):
        read_mesh(written(Cylinder(2e4, 4e3)), "step", None)


def test_bodies_of_too_many_facets_are_refused_while_they_are_cut() -> None:
    """Before they take the memory that the process may have."""
    places = [(0.25 * (k % 20 - 10), 0.25 * (k // 20 - 15), 0.0) for k in range(600)]
    balls = tuple(Solid(Sphere(0.2), 2.0, "other", str(k), place) for k, place in enumerate(places))
    design = Design((Solid(Sphere(8.6), 1.2, "cover", "cover"),))
    object.__setattr__(design, "solids", balls)
    with pytest.raises(InvalidInput, match=str(MOST_FACES)):
        read_mesh(write_model(design, "step"), "step")


def test_half_a_file_is_refused_or_is_half_a_body() -> None:
    """Cut at many places: refused in words, never a failure."""
    whole = written(Cylinder(2.0, 0.4))
    for share in (0.1, 0.5, 0.9):
        with pytest.raises(InvalidInput):
            read_mesh(whole[: int(share * len(whole))], "step", "mm")
