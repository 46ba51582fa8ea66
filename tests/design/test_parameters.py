"""What a designer moves, against the same design written by hand and against manifold3d."""

from __future__ import annotations

from dataclasses import replace

import manifold3d
import numpy as np
import pytest
from tests.design.changed import with_value

from ballgauge_service.core.refusal import Fault
from ballgauge_service.design.clearance import least_clearance
from ballgauge_service.design.mass import pack_inside
from ballgauge_service.design.parameters import Moves, Parameter, unpacked
from ballgauge_service.design.solids.packing import DENSITY, HOLE, KIND, POSITION, ROTATION, SIZE, WIDTH, pack
from ballgauge_service.design.solids.rotations import about
from ballgauge_service.design.solids.solids import (
    Cylinder,
    Design,
    Ellipsoid,
    Profile,
    RoundedBox,
    Solid,
    Sphere,
    Vector3,
)

from .balls import TERN, TERN_WEIGHTED, product

LATHE = Solid(Profile(((-1.5, 0.0), (-1.0, 1.2), (1.0, 1.5), (1.4, 0.4))), 2.2, "other", "lathe")
LATHED = replace(TERN, solids=(*TERN.solids[:2], LATHE))


def test_a_group_turns_and_moves_as_one_body() -> None:
    """Against the rotation of places and axes by hand, about the first solid's place."""
    group = ("core", "disc")
    turned = with_value(TERN_WEIGHTED, Parameter(group, "tilt_x", -5.0, 5.0), 4.0)
    turn = about((1.0, 0.0, 0.0), 4.0)
    pivot = np.array(TERN_WEIGHTED.solids[TERN_WEIGHTED.index("core")].position)
    for name in group:
        before = TERN_WEIGHTED.solids[TERN_WEIGHTED.index(name)]
        after = turned.solids[turned.index(name)]
        place = pivot + np.array(turn) @ (np.array(before.position) - pivot)
        assert after.position == pytest.approx(tuple(place.tolist()), abs=1e-14)
        assert np.allclose(after.rotation, product(turn, before.rotation), atol=1e-14)
    assert turned.solids[turned.index("pin")] == TERN_WEIGHTED.solids[TERN_WEIGHTED.index("pin")]
    moved = with_value(TERN_WEIGHTED, Parameter(group, "offset_z", -1.0, 1.0), 0.25)
    assert moved.solids[moved.index("disc")].position[2] == pytest.approx(-2.63)
    assert moved.solids[moved.index("core")].position[2] == pytest.approx(0.25)


@pytest.mark.parametrize(("field", "axis"), [("tilt_y", (0, 1, 0)), ("turn", (0, 0, 1))])
def test_every_turn_is_about_its_axis(field: str, axis: tuple[float, float, float]) -> None:
    """Against Rodrigues' formula."""
    turned = with_value(TERN, Parameter(("core",), field, -90.0, 90.0), 37.0)
    assert np.allclose(turned.solids[turned.index("core")].rotation, about(axis, 37.0), atol=1e-14)


def test_a_group_grows_about_its_first_solid() -> None:
    """Against the closed form: all lengths and the distance between the two grow alike."""
    grown = with_value(TERN_WEIGHTED, Parameter(("core", "disc"), "group_scale", 0.5, 1.5), 0.8)
    core, disc = (grown.solids[grown.index(name)] for name in ("core", "disc"))
    assert core.shape == Ellipsoid(*(pytest.approx(0.8 * length) for length in (3.7, 4.4, 5.2)))
    assert disc.shape == Cylinder(pytest.approx(1.92), pytest.approx(0.288))
    assert disc.position[2] == pytest.approx(-0.8 * 2.88)


def test_a_ratio_sets_one_length_by_another_whatever_moves_that() -> None:
    """Against the product, with the other length a parameter of the same search."""
    ratio = Parameter(("core",), "ratio", 0.7, 1.0, length="length_x", over="length_y")
    assert ratio.value(TERN) == pytest.approx(3.7 / 4.4)
    wide = Parameter(("core",), "length_y", 3.0, 5.0)
    moves = Moves(TERN, pack(TERN), (ratio, wide), (0, 1))
    found = unpacked(TERN, moves.at(np.array([0.75, 4.0]))).solids[TERN.index("core")].shape
    assert found == Ellipsoid(3.0, 4.0, 5.2)


def test_a_point_of_a_profile_moves_and_keeps_its_order() -> None:
    """Against the points; bounds beyond a neighbor are named."""
    wider = with_value(LATHED, Parameter(("lathe",), "point_radius", 1.0, 2.0, 1), 1.35)
    shape = wider.solids[2].shape
    assert isinstance(shape, Profile)
    assert shape.points == ((-1.5, 0.0), (-1.0, 1.35), (1.0, 1.5), (1.4, 0.4))
    beyond = Parameter(("lathe",), "point_height", -1.2, 1.2, 1)
    assert [fault.pointer for fault in beyond.faults(LATHED)] == ["/point"]
    ninth = Parameter(("lathe",), "point_height", -1, 1, 9)
    assert [fault.pointer for fault in ninth.faults(LATHED)] == ["/point"]
    faults: list[Fault] = list(Parameter(("core",), "point_height", -1, 1, 1).faults(TERN))
    assert [fault.pointer for fault in faults] == ["/field"]


def test_what_is_unpacked_is_the_design() -> None:
    """A design through its arrays and back: no number changes."""
    box = Solid(RoundedBox(1.0, 1.2, 1.4, 0.2), 3.0, "other", "box", (0.1, 0.2, 1.0), about((1, 1, 0), 20.0))
    design = replace(LATHED, solids=(*LATHED.solids, box))
    assert unpacked(design, pack(design)) == design


def hole_row(foot: Vector3, rotation: np.ndarray, diameter: float, bottom: float) -> np.ndarray:
    row = np.zeros(WIDTH)
    row[KIND], row[DENSITY], row[SIZE], row[SIZE + 1] = HOLE, 0.0, diameter, bottom
    row[POSITION : POSITION + 3] = foot
    row[ROTATION : ROTATION + 9] = rotation.ravel()
    return row


def clearance(solid: Solid, row: np.ndarray) -> float:
    packed = pack_inside(Design((Solid(Sphere(8.58), 1.2, "cover", "cover"), solid)))
    whole = packed._replace(table=np.vstack([packed.table, row]))
    return float(least_clearance(whole, np.array([1])))


def test_clearance_of_a_sphere_is_that_of_the_closed_form() -> None:
    """Below the bottom, beside the wall, beyond the rim, and inside: distances of a point from a cylinder."""
    row = hole_row((1.0, 0.5, 0.0), np.eye(3), 0.8, 2.0)
    for place, expected in (
        ((1.1, 0.5, 0.0), 2.0 - 0.3),
        ((2.5, 0.5, 2.6), 1.5 - 0.4 - 0.3),
        ((2.0, 0.5, 1.2), float(np.hypot(1.0 - 0.4, 0.8)) - 0.3),
        ((1.0, 0.5, 2.2), -0.2 - 0.3),
    ):
        found = clearance(Solid(Sphere(0.6), 3.0, "disc", "disc", place), row)
        assert found == pytest.approx(expected, abs=1e-7)


def test_clearance_of_discs_and_boxes_against_manifold3d() -> None:
    """Random poses: the gap between fine meshes, which is larger by what a facet cuts off."""
    rng = np.random.default_rng(4)
    seen = 0
    for _ in range(30):
        turn = about(rng.normal(size=3).tolist(), float(rng.uniform(0, 180)))
        place = rng.uniform(-1.5, 1.5, 3)
        boxed = bool(rng.integers(2))
        shape = RoundedBox(1.2, 1.6, 0.8) if boxed else Cylinder(1.8, 0.4)
        row = hole_row((0.4, 0.0, 0.0), np.eye(3), 0.9, 1.6)
        found = clearance(Solid(shape, 3.0, "disc", "disc", (*place.tolist(),), turn), row)
        body = (
            manifold3d.Manifold.cube((1.2, 1.6, 0.8), True)
            if boxed
            else manifold3d.Manifold.cylinder(0.4, 0.9, circular_segments=720, center=True)
        )
        body = body.transform(np.column_stack([np.array(turn), place]))
        hole = manifold3d.Manifold.cylinder(6.0, 0.45, circular_segments=720).translate((0.4, 0.0, 1.6))
        gap = body.min_gap(hole, 5.0)
        assert max(found, 0.0) == pytest.approx(gap, abs=2e-5)
        seen += gap > 0.0
    assert 5 <= seen <= 29
