"""Loaded designs made into values: every shape and place as it is spelled, and every fault by pointer."""

from __future__ import annotations

import base64
from typing import Any

import numpy as np
import pytest
import trimesh

from ballgauge_schemas.design.request import DESIGN_REQUEST
from ballgauge_schemas.shared.documents import design_example, design_example_names
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.design.evaluate import evaluate_design
from ballgauge_service.design.prices import LEAST_HOLE_CELLS, hole_cells_for
from ballgauge_service.design.request import Meshes, read_design, read_request
from ballgauge_service.design.solids.rotations import about, pointing
from ballgauge_service.design.solids.solids import (
    Cone,
    Cylinder,
    Design,
    Ellipsoid,
    Frustum,
    Mesh,
    Profile,
    RoundedBox,
    Sphere,
)

BALL: dict[str, Any] = {"name": "cover", "role": "cover", "shape": "sphere", "density": 1.2}
BOX = trimesh.creation.box((1.0, 2.0, 1.5)).export(file_type="stl")
MESHES = [{"name": "drawn", "unit": "in", "format": "stl", "data": base64.b64encode(BOX).decode()}]
LENGTHS = {"length_x": 1, "length_y": "2 in", "length_z": 3}


def made(*solids: dict[str, Any], **design: Any) -> Design:
    named = [{"name": f"solid {at}", "density": 2, **solid} for at, solid in enumerate(solids)]
    spec = {"diameter": 8.6, "solids": [BALL, *named], **design}
    return read_design(DESIGN_REQUEST.load({"design": spec})["design"], Meshes({}))


def refused(*solids: dict[str, Any], **design: Any) -> list[str]:
    with pytest.raises(InvalidInput) as caught:
        made(*solids, **design)
    return [fault.pointer for fault in caught.value.faults]


@pytest.mark.parametrize(
    ("spec", "shape"),
    [
        ({"shape": "sphere", "diameter": "25.4 mm"}, Sphere(1.0)),
        ({"shape": "ellipsoid", **LENGTHS}, Ellipsoid(1.0, 2.0, 3.0)),
        ({"shape": "cylinder", "diameter": 1, "height": 2}, Cylinder(1.0, 2.0)),
        ({"shape": "cone", "diameter": 1, "height": 2}, Cone(1.0, 2.0)),
        (
            {"shape": "frustum", "bottom_diameter": 1, "top_diameter": 2, "height": 3},
            Frustum(1.0, 2.0, 3.0),
        ),
        (
            {"shape": "profile", "points": [[-1, 0], ["0 in", 1], [1.5, 0.5]], "axial_scale": 0.9},
            Profile(((-1.0, 0.0), (0.0, 1.0), (1.5, 0.5)), 1.0, 0.9),
        ),
        ({"shape": "rounded_box", **LENGTHS, "rounding": 0.2}, RoundedBox(1.0, 2.0, 3.0, 0.2)),
    ],
)
def test_shapes_are_read_as_they_are_spelled(spec: dict[str, Any], shape: object) -> None:
    """Against the values, in inches (25.4 mm an inch by definition)."""
    assert made(spec).solids[1].shape == shape


def test_a_mesh_is_read_scaled_and_keeps_its_name() -> None:
    """Against the box it was written from."""
    shape = made({"shape": "mesh", "mesh": "drawn", "scale": 0.5}, meshes=MESHES).solids[1].shape
    assert isinstance(shape, Mesh)
    assert (shape.name, shape.scale) == ("drawn", 0.5)
    assert np.ptp(shape.vertices, axis=0) == pytest.approx([1.0, 2.0, 1.5])


def test_places_and_rotations() -> None:
    """Against `about` and `pointing`; what is not told is not moved and not turned."""
    cone = {"shape": "cone", "diameter": 1, "height": 2}
    plain, axis, ends = made(
        cone,
        {**cone, "position": [0, "5.08 mm", 1], "rotation": {"axis": [1, 2, 3], "angle": 50}},
        {**cone, "rotation": {"z": [0, 1, 1], "x": [1, 0, 0]}},
    ).solids[1:]
    assert (plain.position, plain.role) == ((0.0, 0.0, 0.0), "other")
    assert axis.position == pytest.approx((0.0, 0.2, 1.0))
    assert axis.rotation == about((1, 2, 3), 50.0)
    assert ends.rotation == pointing((0, 1, 1), (1, 0, 0))


def test_the_first_sphere_is_the_ball() -> None:
    """Against the design's diameter, its own where it tells none; anything else is refused."""
    assert made().diameter == 8.6
    assert refused(solids=[{**BALL, "diameter": 8.5}]) == ["/solids/0/diameter"]
    assert refused(solids=[{**BALL, "position": [0, 0, 0.1]}]) == ["/solids/0"]
    assert refused(solids=[{**BALL, "shape": "cone", "diameter": 8.6, "height": 1}]) == ["/solids/0"]


@pytest.mark.parametrize(
    ("points", "pointer"),
    [
        ([[0, 1], [1, 0], [2, 1]], "/solids/1/points/1"),
        ([[0, 1], [-1, 1], [2, 1]], "/solids/1/points/1"),
        ([[0, 0], [1, 0]], "/solids/1/points"),
        ([[1, 1], [1, 1]], "/solids/1/points"),
    ],
)
def test_impossible_profiles(points: list[list[float]], pointer: str) -> None:
    """No radius inside, falling heights, no radius at all, no height."""
    assert refused({"shape": "profile", "points": points}) == [pointer]


def test_every_fault_at_once() -> None:
    """Meshes, rotations and shapes together; what leaves the ball once the shapes are possible."""
    box = {"shape": "rounded_box", **LENGTHS}
    found = refused(
        {**box, "rotation": {"z": [0, 0, 0]}},
        {**box, "rounding": 0.6},
        {"shape": "mesh", "mesh": "drawn"},
        meshes=[{**MESHES[0], "data": "AAAA"}],
    )
    assert set(found) == {"/solids/1/rotation", "/solids/2/rounding", "/meshes/0"}
    assert refused({**box, "position": [0, 0, 4]}, {**box, "position": [4, 0, 0]}) == [
        "/solids/1",
        "/solids/2",
    ]


@pytest.mark.parametrize("name", design_example_names())
def test_the_examples_are_read(name: str) -> None:
    """Against what they ask for."""
    example = design_example(name)
    request = read_request(DESIGN_REQUEST.load(example), {})
    assert request.design.name == example["design"].get("name", "")
    for member, value in (
        ("drilling", request.drill), ("solve", request.solve), ("family", request.family),
        ("production", request.production),
    ):  # fmt: skip
        assert (value is None) == (member not in example)


def test_too_many_holes_are_refused_before_the_work_and_it_says_how_many_fit() -> None:
    """A dozen holes in sixty-four solids; nothing had begun."""
    asked = design_example("skarn")
    dots = [
        {"role": "other", "shape": "cylinder", "density": 1.5, "diameter": 0.1, "height": 0.2}
        | {"position": [0.1 * k - 3.0, 0, 2.8], "name": str(k)}
        for k in range(60)
    ]
    asked["design"]["solids"] += dots
    drilling = asked["drilling"]
    hole = {"role": "middle", "diameter": 0.25, "depth": 0.5}
    drilling["holes"] = [hole | {"at": {"right": 0.4 * k - 2.2, "up": 1.5}} for k in range(12)]
    told: list[str] = []
    for request in (
        asked,
        asked | {"drilling": {**drilling, "holes": []}, "compare": {"drilling": drilling}},
    ):
        with pytest.raises(InvalidInput, match=r"\b9 holes") as caught:
            evaluate_design(DESIGN_REQUEST.load(request), progress=lambda _, doing: told.append(doing))
        assert told == []
        assert caught.value.faults[0].pointer.endswith("drilling/holes")
    assert hole_cells_for(read_request(DESIGN_REQUEST.load(asked), {}).design, 9) >= LEAST_HOLE_CELLS
