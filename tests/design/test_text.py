"""Designs as mappings: there and back, and every bad field by pointer."""

from __future__ import annotations

import json

import pytest
import trimesh

from ballgauge_service.core.refusal import InvalidDesign
from ballgauge_service.design.solids.examples import EXAMPLES, example
from ballgauge_service.design.solids.meshes import checked_mesh
from ballgauge_service.design.solids.rotations import about
from ballgauge_service.design.solids.solids import (
    Cone,
    Cylinder,
    Design,
    Ellipsoid,
    Frustum,
    Profile,
    RoundedBox,
    Solid,
    Sphere,
)
from ballgauge_service.design.solids.text import design_from_mapping, design_to_mapping

BAD: list[object] = [
    {"shape": "cube", "density": 1.0},
    {"shape": "cylinder", "diameter": "wide", "density": True},
    {
        "shape": "sphere",
        "diameter": 1.0,
        "density": 1.0,
        "position": [0, 0],
        "rotation": {"z": [0, 0, 0]},
    },
    {"shape": "cone", "diameter": 1.0, "height": 1.0, "depth": 3.0, "density": float("nan")},
    7,
    {"shape": "mesh", "density": 1.0, "vertices": [[0, 0, 0]], "faces": "none"},
]
BOX = trimesh.creation.box((1.0, 2.0, 1.5))


def test_every_shape_survives_json() -> None:
    """Written, dumped, loaded and read again: the same design."""
    shapes = (
        Sphere(8.6), Ellipsoid(1.0, 2.0, 3.0), Cylinder(1.0, 2.0), Cone(1.0, 2.0), Frustum(1.0, 2.0, 3.0),
        Profile(((-1.0, 0.0), (0.0, 1.0), (1.5, 0.5))), RoundedBox(1.0, 2.0, 3.0, 0.2),
        checked_mesh(BOX.vertices, BOX.faces),
    )  # fmt: skip
    design = Design(tuple(Solid(shape, 1.0 + at) for at, shape in enumerate(shapes)), "all shapes")
    data = json.loads(json.dumps(design_to_mapping(design)))
    assert design_from_mapping(data) == design


def test_rotations_survive_to_rounding() -> None:
    """A rotation is written as two directions."""
    turned = Solid(Cylinder(1.0, 2.0), 2.0, "disc", "disc", (0.1, 0.2, 0.3), about((1.0, 2.0, 3.0), 50.0))
    again = design_from_mapping(design_to_mapping(Design((Solid(Sphere(8.6), 1.0), turned)))).solids[1]
    for row, other in zip(again.rotation, turned.rotation, strict=True):
        assert row == pytest.approx(other, abs=1e-14)


@pytest.mark.parametrize("key", sorted(EXAMPLES))
def test_examples_survive(key: str) -> None:
    """The example mappings are what their designs are written as."""
    assert design_from_mapping(design_to_mapping(example(key))) == example(key)


def test_every_bad_field_at_once() -> None:
    """Pointers into the document, all in one error."""
    ball = {"shape": "sphere", "density": 1.2}
    with pytest.raises(InvalidDesign) as caught:
        design_from_mapping({"diameter": 8.6, "colour": "red", "solids": [ball, *BAD]})
    pointers = [pointer for _, pointer, _ in caught.value.errors]
    assert pointers == [
        "/colour",
        "/solids/1/shape",
        "/solids/2/diameter",
        "/solids/2/height",
        "/solids/2/density",
        "/solids/3/position",
        "/solids/3/rotation",
        "/solids/4/depth",
        "/solids/4/density",
        "/solids/5",
        "/solids/6",
    ]


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"density": 0.0}, "/solids/1/density"),
        ({"density": -1.0}, "/solids/1/density"),
        ({"diameter": -2.0}, "/solids/1/diameter"),
        ({"role": "magnet"}, "/solids/1/role"),
        ({"name": "cover 0"}, "/solids/1/name"),
    ],
)
def test_bad_solids(change: dict[str, object], pointer: str) -> None:
    """Zero or negative densities and sizes, unknown roles, names given twice."""
    solid = {"shape": "cylinder", "diameter": 1.0, "height": 1.0, "density": 2.0, "role": "disc", **change}
    cover = {"shape": "sphere", "role": "cover", "density": 1.2}
    with pytest.raises(InvalidDesign) as caught:
        design_from_mapping({"diameter": 8.6, "solids": [cover, solid]})
    assert [each for _, each, _ in caught.value.errors] == [pointer]


@pytest.mark.parametrize(
    ("points", "pointer"),
    [
        (((0.0, 1.0),), "/solids/1/points"),
        (((0.0, 1.0), (1.0, 0.0), (2.0, 1.0)), "/solids/1/points/1"),
        (((0.0, 1.0), (-1.0, 1.0), (2.0, 1.0)), "/solids/1/points/1"),
        (((0.0, 0.0), (1.0, 0.0)), "/solids/1/points"),
        (((0.0, 1.0), (1.0, float("inf"))), "/solids/1/points"),
    ],
)
def test_bad_profiles(points: tuple[tuple[float, float], ...], pointer: str) -> None:
    """Too few points, no radius inside, falling heights, nothing at all, infinity."""
    with pytest.raises(InvalidDesign) as caught:
        Design((Solid(Sphere(8.6), 1.0), Solid(Profile(points), 1.0)))
    assert [each for _, each, _ in caught.value.errors] == [pointer]


def test_the_first_solid_must_be_the_ball() -> None:
    """A ball has no voids."""
    with pytest.raises(InvalidDesign, match="it has no voids"):
        Design((Solid(Cylinder(1.0, 1.0), 1.0),))
    with pytest.raises(InvalidDesign, match=r"but the design's is 8\.6"):
        design_from_mapping(
            {"diameter": 8.6, "solids": [{"shape": "sphere", "diameter": 8.5, "density": 1.0}]}
        )
    with pytest.raises(InvalidDesign, match="must be a list of solids"):
        design_from_mapping({"diameter": 8.6})
