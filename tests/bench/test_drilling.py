"""Drilled balls against trimesh + manifold3d meshes and against numpy, measured in one run."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray

from ballgauge_service.core.units import OZ_PER_CUBIC_INCH, OZ_PER_LB
from ballgauge_service.physics.drilling import MIDDLE, RING, THUMB, drill

Array = NDArray[np.float64]

FASTER_THAN_MESH = 1000.0
EIGH_A_BALL = 14.0
"""What a ball may cost in 3 x 3 decompositions by numpy: 50,000 balls a second where one takes 1.4 us."""

EIGH_A_MEETING_BALL = 20.0
"""The same where the finger holes run through one another: found are 12 to 14."""

RADIUS, INNER, WEIGHT, COVER = 4.275, 3.525, 15.2, 1.19
STEP = (WEIGHT * OZ_PER_LB / (4 / 3 * math.pi) - COVER * OZ_PER_CUBIC_INCH * RADIUS**3) / INNER**3
RG = math.sqrt(
    8 / 15 * math.pi * (COVER * OZ_PER_CUBIC_INCH * RADIUS**5 + STEP * INNER**5) / (WEIGHT * OZ_PER_LB)
)
UNIFORM = {
    "weight": WEIGHT,
    "radius": RADIUS,
    "rg": RG,
    "differential": 0.0,
    "intermediate_differential": 0.0,
    "top_weight": 0.0,
    "pin_to_cg": 0.0,
    "cover_thickness": RADIUS - INNER,
    "cover_density": COVER,
}
HOLES = (
    {"role": THUMB, "diameter": 15 / 16, "depth": 2.25, "pitch_lateral": 0.0625},
    {"role": MIDDLE, "diameter": 7 / 8, "depth": 1.5, "pitch_forward": 0.25, "pitch_lateral": -0.375},
    {"role": RING, "diameter": 7 / 8, "depth": 1.5, "pitch_forward": 0.25, "pitch_lateral": 0.375},
)


@pytest.fixture
def three_holes(make_records: Callable[..., Any]) -> tuple[Any, Any, Any, Any]:
    """The arrays of a ball of two uniform layers with a thumb and two fingers that do not meet."""
    given: tuple[Any, Any, Any, Any] = make_records(UNIFORM, {}, HOLES)
    return given


def by_mesh(axes: Array, centers: Array, holes: Any, subdivisions: int) -> Array:
    """Weight, moment and the three RGs of the drilled ball from boolean meshes of its two layers, (7,)."""
    tools = []
    for axis, center, hole in zip(axes, centers, holes, strict=True):
        segment = [RADIUS * center - hole["depth"] * axis, RADIUS * center + 1.5 * axis]
        sections = 3 * 2**subdivisions
        tools.append(trimesh.creation.cylinder(hole["diameter"] / 2, segment=segment, sections=sections))
    weight, moment, inertia = 0.0, np.zeros(3), np.zeros((3, 3))
    for radius, density in ((RADIUS, COVER * OZ_PER_CUBIC_INCH), (INNER, STEP)):
        ball = trimesh.creation.icosphere(subdivisions, radius)
        layer = trimesh.boolean.difference([ball, *tools], engine="manifold")
        volume, center = layer.volume, layer.center_mass
        weight += density * volume
        moment += density * volume * center
        about = layer.moment_inertia + volume * (center @ center * np.eye(3) - np.outer(center, center))
        inertia += density * about
    center = moment / weight
    inertia -= weight * (center @ center * np.eye(3) - np.outer(center, center))
    return np.concatenate([[weight], moment, np.sqrt(np.linalg.eigvalsh(inertia) / weight)])


def test_a_drilled_ball_is_a_thousand_times_faster_than_meshes_and_more_accurate(
    three_holes: tuple[Any, Any, Any, Any], versus: Any
) -> None:
    """Against trimesh + manifold3d, icosphere of 6 subdivisions; the truth is Richardson's extrapolation from
    5 and 6 subdivisions."""
    out, per_hole = drill(*three_holes)
    holes = three_holes[2][0]
    centers = np.array([[hole[f"center_{axis}"] for axis in "xyz"] for hole in per_hole[0]])
    axes = np.array([axis_of(center, hole) for center, hole in zip(centers, holes, strict=True)])
    names = ("moment_x", "moment_y", "moment_z", "rg", "rg_intermediate", "rg_high")
    mine = np.array([out["weight"][0] * OZ_PER_LB, *(out[name][0] for name in names)])
    coarse, fine = (by_mesh(axes, centers, holes, n) for n in (5, 6))
    truth = (4 * fine - coarse) / 3
    scale = np.array([WEIGHT * OZ_PER_LB, 1.0, 1.0, 1.0, RG, RG, RG])
    errors = [float(np.linalg.norm((result - truth) / scale)) for result in (mine, fine)]
    assert errors[0] < 0.01 * errors[1]
    versus.race(
        "a ball with three holes: weight, moment, RGs",
        ("physics.drilling.drill", versus.named("trimesh", "manifold3d")),
        lambda: drill(*three_holes),
        lambda: by_mesh(axes, centers, holes, 6),
        FASTER_THAN_MESH,
        rounds=3,
        calls=(300, 1),
    )


def axis_of(center: Array, hole: Any) -> Array:
    """Outward axis of a hole from its center and pitches, by its definition."""
    forward = np.array([0.0, 0.0, 1.0]) - center[2] * center
    lateral = np.array([1.0, 0.0, 0.0]) - center[0] * center
    aim = hole["pitch_forward"] * forward / np.linalg.norm(forward)
    aim = aim + hole["pitch_lateral"] * lateral / np.linalg.norm(lateral)
    axis: Array = RADIUS * center - aim
    return axis / np.linalg.norm(axis)


def test_balls_in_bulk_cost_a_few_small_decompositions_each(
    three_holes: tuple[Any, Any, Any, Any], versus: Any
) -> None:
    """Against numpy.linalg.eigh of one 3 x 3 tensor a ball (LAPACK, one core), both in bulk."""
    n = 20_000
    given = [array.repeat(n, axis=0) for array in three_holes]
    given[0]["weight"] = np.linspace(12.0, 16.0, n)
    generator = np.random.default_rng(1)
    tensors = generator.normal(size=(n, 3, 3))
    tensors = tensors + tensors.transpose(0, 2, 1)

    out, per_hole = drill(*given)
    assert not per_hole["meets"].any()
    for row in (0, n // 3, n - 1):
        alone, _ = drill(*(array[row : row + 1] for array in given))
        assert alone.tobytes() == out[row : row + 1].tobytes()
    versus.race(
        "20,000 balls with three holes each",
        ("physics.drilling.drill", f"{versus.named('numpy')}: eigh, one 3 x 3 a ball"),
        lambda: drill(*given),
        lambda: np.linalg.eigh(tensors),
        1.0 / EIGH_A_BALL,
    )


def test_balls_whose_finger_holes_meet_cost_a_few_more(
    three_holes: tuple[Any, Any, Any, Any], versus: Any
) -> None:
    """Against numpy.linalg.eigh as above: fingers 2 1/2 in deep, whose shared part x = 0 cuts in two."""
    n = 2_000
    given = [array.repeat(n, axis=0) for array in three_holes]
    given[2]["depth"] = [2.25, 2.5, 2.5]
    given[2]["pitch_lateral"] = [0.0625, 0.0, 0.0]
    generator = np.random.default_rng(1)
    tensors = generator.normal(size=(n, 3, 3))
    tensors = tensors + tensors.transpose(0, 2, 1)

    _, per_hole = drill(*given)
    assert (per_hole["meets"] == [0, 0b100, 0b010]).all()
    versus.race(
        "2,000 balls whose finger holes meet",
        ("physics.drilling.drill", f"{versus.named('numpy')}: eigh, one 3 x 3 a ball"),
        lambda: drill(*given),
        lambda: np.linalg.eigh(tensors),
        1.0 / EIGH_A_MEETING_BALL,
        rounds=9,
    )
