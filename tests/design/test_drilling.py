"""Drilling a design through its layers, against the drilling of uniform layers and against hand algebra."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import trimesh

from ballgauge_service.core.budget import Canceled, Run
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.design.drilling import DrilledDesign, drill_design
from ballgauge_service.design.mass import properties
from ballgauge_service.design.solids.meshes import checked_mesh
from ballgauge_service.design.solids.solids import Cylinder, Design, RoundedBox, Solid, Sphere
from ballgauge_service.physics.drilling import (
    BALANCE,
    HOLE,
    MIDDLE,
    RING,
    ROLES,
    THUMB,
    VENT,
    Structs,
    drill,
    empty_balls,
)

RADIUS = 4.29
INNER = RADIUS - 0.75
TWO_LAYERS = Design(
    (Solid(Sphere(2 * RADIUS), 1.19, "cover", "cover"), Solid(Sphere(2 * INNER), 1.4, "outer_core", "filler"))
)


def layout(hand: float = 1.0, **changes: float) -> Structs:
    """A two-finger-and-thumb layout; the row of one ball."""
    _, row = empty_balls(1)
    given = {
        "hand": hand, "over": 5.0, "up": 0.5, "drilling_angle": 50.0, "pin_to_pap": 4.5, "val_angle": 40.0,
        "span_middle": 4.25, "span_ring": 4.375, "full_span": 0.0, "bridge": 0.25, **changes,
    }  # fmt: skip
    for name, value in given.items():
        row[name] = value
    return row[0]


def holes(*each: tuple[int, dict[str, float]]) -> Structs:
    """Rows of holes; places come from the spans unless given."""
    rows = np.zeros(len(each), HOLE)
    for row, (role, given) in zip(rows, each, strict=True):
        for name in ("right", "up", "slug_density"):
            row[name] = math.nan
        row["role"] = role
        row["diameter"], row["depth"] = 0.95, 2.5
        for name, value in given.items():
            row[name] = value
    return rows


GRIP = (
    (THUMB, {"depth": 2.6, "pitch_forward": 0.1}),
    (MIDDLE, {"depth": 2.2, "pitch_lateral": 0.125}),
    (RING, {"depth": 2.2, "pitch_lateral": -0.125}),
)


def uniform(design: Design, row: Structs, drilled: Structs) -> tuple[Structs, Structs]:
    """The same drilling by `physics.drill`, from the design's box numbers."""
    found = properties(design, contributions=False)
    balls, _ = empty_balls(1)
    numbers = {
        "weight": found.weight, "radius": design.diameter / 2, "rg": found.rg, "differential": 0.0,
        "intermediate_differential": 0.0, "top_weight": 0.0, "pin_to_cg": 0.0, "cover_thickness": 0.75,
        "cover_density": 1.19, "balance_arm": 3.2,
    }  # fmt: skip
    for name, value in numbers.items():
        balls[name] = value
    results, hole_results = drill(balls, row.reshape(1), drilled.reshape(1, -1), np.array([len(drilled)]))
    return results[0], hole_results[0]


def agrees(found: DrilledDesign, expected: Structs, tolerance: float, hand: float = 1.0) -> None:
    for name in ("weight", "rg", "rg_intermediate", "rg_high", "removed_weight", "slug_weight"):
        assert getattr(found, name) == pytest.approx(float(expected[name]), abs=tolerance), name
    moment = [float(expected[f"moment_{axis}"]) for axis in "xyz"]
    assert found.moment == pytest.approx(moment, abs=tolerance)
    assert (found.top, found.side, found.finger) == pytest.approx(
        (moment[2] / 3.2, hand * moment[0] / 3.2, moment[1] / 3.2), abs=tolerance
    )


@pytest.mark.parametrize("hand", [1.0, -1.0])
def test_two_layers_agree_with_the_drilling_of_uniform_layers(hand: float) -> None:
    """`physics.drill` takes the same cover and inner material analytically; for either hand."""
    row, drilled = (
        layout(hand),
        holes(*GRIP, (VENT, {"right": -3.0, "up": -1.5, "diameter": 0.25, "depth": 1.0})),
    )
    expected, each = uniform(TWO_LAYERS, row, drilled)
    found = drill_design(TWO_LAYERS, row, drilled)
    agrees(found, expected, 2e-5, hand)
    for cost, one in zip(found.costs, each, strict=True):
        # Where holes meet, `physics.drill` states 1e-5 of the shared weight; else it is closed form.
        tolerance = 1e-5 if one["meets"] else 1e-9
        assert cost.removed_weight == pytest.approx(float(one["removed_weight"]), abs=tolerance)
        assert cost.axis_offset == pytest.approx(float(one["axis_offset"]), abs=1e-12)
    low = [float(expected[f"low_axis_{axis}"]) for axis in "xyz"]
    assert found.low_rg_axis is not None
    assert abs(np.dot(found.low_rg_axis, low)) == pytest.approx(1.0, abs=1e-8)


def test_slugs_and_holes_that_meet_agree_too() -> None:
    """A slugged hole with another drilled into it; `physics.drill` states 1e-5 of the shared weight."""
    drilled = holes(
        (BALANCE, {"right": 1.0, "up": 2.2, "diameter": 1.0, "depth": 3.0, "slug_density": 1.1}),
        (MIDDLE, {"right": 0.6, "up": 2.4, "diameter": 0.9, "depth": 2.0}),
    )
    expected, _ = uniform(TWO_LAYERS, layout(), drilled)
    found = drill_design(TWO_LAYERS, layout(), drilled)
    agrees(found, expected, 2e-5)
    assert set(found.costs[1].removed_from) == {"cover", "filler", "slug of hole 0"}


def test_hole_along_the_pin_by_hand() -> None:
    """A hole down the pin axis through cover and a wide disc: hand algebra for cylinder and cap."""
    a, top, bottom = 0.4, 2.8, 2.0
    design = replace(
        TWO_LAYERS,
        solids=(*TWO_LAYERS.solids, Solid(Cylinder(3.0, 0.6), 3.0, "disc", "disc", (0.0, 0.0, top - 0.3))),
    )
    row = layout(over=0.0, up=0.0, pin_to_pap=1e-7, val_angle=0.0)
    drilled = holes((VENT, {"right": 0.0, "up": 0.0, "diameter": 2 * a, "depth": RADIUS - bottom}))
    found = drill_design(design, row, drilled).costs[0]
    ounce = 16.387064 / 28.349523125
    inner = RADIUS - 0.75

    def above(radius: float, z: float) -> float:
        wall = math.sqrt(radius**2 - a * a)
        return math.pi * (a * a * (wall - z) + 2 * radius**3 / 3 - radius**2 * wall + wall**3 / 3)

    assert found.removed_from["disc"] == pytest.approx(3.0 * math.pi * a * a * 0.6 * ounce, rel=1e-6)
    assert found.removed_from["cover"] == pytest.approx(
        1.19 * (above(RADIUS, bottom) - above(inner, bottom)) * ounce, rel=1e-6
    )
    filler = above(inner, top) + math.pi * a * a * 0.2
    assert found.removed_from["filler"] == pytest.approx(1.4 * filler * ounce, rel=1e-6)


def test_costs_add_up_and_depend_on_the_order_only_where_holes_meet() -> None:
    """Definition: each hole's change in its place of the order; together they are the whole change."""
    core = Solid(RoundedBox(2.0, 4.0, 3.0, 0.4), 2.2, "inner_core", "core")
    design = replace(TWO_LAYERS, solids=(*TWO_LAYERS.solids, core))
    found = drill_design(design, layout(), holes(*GRIP))
    before = properties(design, contributions=False)
    assert found.differential - before.differential == pytest.approx(
        sum(cost.differential for cost in found.costs), abs=1e-12
    )
    assert found.weight == pytest.approx(before.weight - found.removed_weight / 16, abs=1e-12)
    other = drill_design(design, layout(), holes(*GRIP[::-1]))
    assert other.rg == pytest.approx(found.rg, abs=1e-9)
    assert other.moment == pytest.approx(found.moment, abs=1e-7)


def test_hits_of_the_core_are_told() -> None:
    """A deep middle finger enters the core: told with the weight removed; a shallow one does not."""
    core = Solid(Sphere(5.0), 2.0, "inner_core", "heart")
    design = replace(TWO_LAYERS, solids=(*TWO_LAYERS.solids, core))
    deep = drill_design(design, layout(), holes((MIDDLE, {"right": 0.5, "up": 2.0, "depth": 2.5})))
    (entry,) = deep.entries
    assert (entry.hole.index, entry.hole.role, entry.role, entry.solid) == (
        0,
        "middle",
        "inner_core",
        "heart",
    )
    assert entry.weight == entry.hole.removed_from["heart"] > 0.0
    shallow = drill_design(design, layout(), holes((MIDDLE, {"right": 0.5, "up": 2.0, "depth": 1.5})))
    assert shallow.entries == ()


def test_mesh_core_is_drilled_like_its_primitive() -> None:
    """The same box as a mesh and as a primitive."""
    box = trimesh.creation.box((3.0, 5.0, 3.0))
    found = [
        drill_design(
            replace(TWO_LAYERS, solids=(*TWO_LAYERS.solids, Solid(shape, 2.0, "inner_core", "core"))),
            layout(),
            holes((MIDDLE, {"right": 0.4, "up": 1.5, "depth": 3.4})),
        )
        for shape in (checked_mesh(box.vertices, box.faces), RoundedBox(3.0, 5.0, 3.0))
    ]
    assert found[0].costs[0].removed_from["core"] > 0.01
    for one, other in zip(found[0].costs, found[1].costs, strict=True):
        assert one.removed_weight == pytest.approx(other.removed_weight, abs=one.error + other.error)


def test_bad_holes_are_refused_all_at_once(sentence: Any) -> None:
    """A hole without place and one whose bottom leaves the ball on the far side."""
    drilled = holes((BALANCE, {"right": 1.0, "up": 1.0, "depth": 8.57}), (THUMB, {}))
    with pytest.raises(InvalidInput) as caught:
        drill_design(TWO_LAYERS, layout(span_middle=math.nan, span_ring=math.nan), drilled)
    assert [fault.pointer for fault in caught.value.faults] == ["/holes/0", "/holes/1"]
    with pytest.raises(InvalidInput) as caught:
        drill_design(TWO_LAYERS, layout(over=math.nan), holes(*GRIP))
    assert str(caught.value) == sentence("drilling of a design without spans")


def test_drilling_can_be_cancelled() -> None:
    """The token is asked before each hole."""
    with pytest.raises(Canceled):
        drill_design(TWO_LAYERS, layout(), holes(*GRIP), run=Run(canceled=lambda: True))
    assert ROLES[THUMB] == "thumb"
