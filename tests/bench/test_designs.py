"""Speed of the designs engine against boolean meshes and against trimesh, each ratio within one run."""

from __future__ import annotations

import io
import math
from typing import Any

import manifold3d
import numpy as np
import trimesh

from ballgauge_service.design.mass import properties
from ballgauge_service.design.production import Production, Tolerance, study
from ballgauge_service.design.solids.meshes import read_mesh
from ballgauge_service.design.solids.rotations import about
from ballgauge_service.design.solids.solids import (
    Cylinder,
    Design,
    Ellipsoid,
    Frustum,
    RoundedBox,
    Solid,
    Sphere,
)

DESIGN = Design((
    Solid(Sphere(8.58), 1.18, "cover", "cover"),
    Solid(Sphere(7.0), 0.9, "outer_core", "filler"),
    Solid(Frustum(3.4, 2.4, 4.4), 2.3, "inner_core", "core"),
    Solid(Cylinder(3.0, 0.4), 3.3, "disc", "disc", (0.0, 0.0, -1.6)),
    Solid(Cylinder(0.45, 2.2), 1.2, "pin", "pin", (0.0, 0.0, 3.1)),
))  # fmt: skip
SEGMENTS = 512
"""Segments of a circle in the boolean meshes: their differential is then off by about 2e-6 in, far worse
than the engine's rounding, which no mesh of any size reaches."""


def body(solid: Solid, segments: int) -> manifold3d.Manifold:
    shape = solid.shape
    if isinstance(shape, Sphere):
        made = manifold3d.Manifold.sphere(shape.diameter / 2, segments)
    elif isinstance(shape, Ellipsoid):
        lengths = (shape.length_x, shape.length_y, shape.length_z)
        made = manifold3d.Manifold.sphere(0.5, segments).scale(lengths)
    elif isinstance(shape, RoundedBox):
        made = manifold3d.Manifold.cube((shape.length_x, shape.length_y, shape.length_z), True)
    elif isinstance(shape, Cylinder):
        made = manifold3d.Manifold.cylinder(
            shape.height, shape.diameter / 2, circular_segments=segments, center=True
        )
    else:
        assert isinstance(shape, Frustum)
        made = manifold3d.Manifold.cylinder(
            shape.height, shape.bottom_diameter / 2, shape.top_diameter / 2, segments, True
        )
    return made.transform(np.column_stack([np.array(solid.rotation), solid.position]))


def by_booleans(segments: int, design: Design = DESIGN) -> tuple[float, float]:
    """RG and differential by manifold3d booleans and trimesh's mass properties."""
    mass, first, second = 0.0, np.zeros(3), np.zeros((3, 3))
    covered = manifold3d.Manifold()
    for solid in reversed(design.solids):
        made = body(solid, segments)
        seen = (made - covered).to_mesh64()
        found = trimesh.Trimesh(seen.vert_properties[:, :3], seen.tri_verts, process=False).mass_properties
        covered = made + covered
        weight = solid.density * found.mass
        mass += weight
        first += weight * found.center_mass
        square = found.center_mass @ found.center_mass * np.eye(3) - np.outer(
            found.center_mass, found.center_mass
        )
        second += solid.density * (found.inertia + found.mass * square)
    center = first / mass
    second -= mass * (center @ center * np.eye(3) - np.outer(center, center))
    radii = np.sqrt(np.linalg.eigvalsh(second) / mass)
    return float(radii[0]), float(radii[2] - radii[0])


def test_five_coaxial_solids_500_times_faster_than_booleans(versus: Any) -> None:
    """All outputs, contributions and cover depth included, and closer to the truth."""
    exact = properties(DESIGN)
    rg, differential = by_booleans(SEGMENTS)
    assert abs(rg - exact.rg) < 5e-4
    assert 1e-9 < abs(differential - exact.differential) < 1e-4
    versus.race(
        "a design of five solids: all numbers",
        ("designs.mass.properties", versus.named("trimesh", "manifold3d")),
        lambda: properties(DESIGN),
        lambda: by_booleans(SEGMENTS),
        500.0,
        rounds=3,
        calls=(10, 1),
    )


def test_a_cut_asymmetric_core_100_times_faster_than_booleans(versus: Any) -> None:
    """A triaxial core that a tilted block cuts: fewer cells err less in RG than the meshes."""
    block = Solid(RoundedBox(2.0, 4.4, 1.2), 3.2, "other", "block", (0.1, 0.1, 0.5), about((2, 1, 0), 25))
    core = Solid(Ellipsoid(3.7, 4.4, 5.2), 2.9, "inner_core", "core")
    design, cells = Design((*DESIGN.solids[:2], core, block)), 400

    def ours(cells: int = cells) -> float:
        return properties(design, contributions=False, cells=cells).rg

    exact, rg = ours(20_000), by_booleans(SEGMENTS, design)[0]
    assert abs(ours() - exact) < 0.2 * abs(rg - exact)
    versus.race(
        "a triaxial core cut by a tilted block: all numbers",
        ("designs.mass.properties", versus.named("trimesh", "manifold3d")),
        ours,
        lambda: by_booleans(SEGMENTS, design),
        100.0,
        rounds=3,
        calls=(10, 1),
    )


def test_ten_thousand_samples_faster_than_fifty_booleans(versus: Any) -> None:
    """Six tolerances, limits and the advice, which samples twice."""
    inside = ("filler", "core", "disc", "pin")
    tolerances = (
        Tolerance(("core",), "density", standard_deviation=0.02),
        Tolerance(("filler",), "density", standard_deviation=0.01),
        Tolerance(("disc",), "height", half_width=0.01),
        Tolerance(("cover",), "density", half_width=0.01),
        Tolerance(inside, "offset_x", standard_deviation=0.01),
        Tolerance(inside, "tilt_y", standard_deviation=0.5),
    )
    limits = {"weight": (None, 16.0), "rg": (2.46, 2.8), "differential": (None, 0.06)}
    samples = 10_000
    study(DESIGN, Production(tolerances, 64), limits)
    versus.race(
        "a tolerance study of 10,000 samples, a sample",
        ("designs.production.study", f"one set of booleans, {versus.named('manifold3d')}"),
        lambda: study(DESIGN, Production(tolerances, samples), limits),
        lambda: by_booleans(SEGMENTS),
        samples / 50,
        rounds=3,
        shares=(samples, 1),
    )


def test_a_million_density_variants_faster_than_nine_booleans(versus: Any) -> None:
    """A core that a tilted block cuts: one cubature, and then the moments, which are linear in densities.

    Seven sets of booleans take ten seconds: a hundred thousand variants a second. The floor leaves a busy
    machine a quarter more.
    """
    block = Solid(
        RoundedBox(2.0, 4.4, 1.2, 0.2), 3.2, "other", "block", (0.1, 0.1, 0.5), about((2, 1, 0), 25)
    )
    design = Design((*DESIGN.solids, block))
    tolerances = tuple(Tolerance((name,), "density", half_width=0.02) for name in ("filler", "core", "block"))
    samples = 1_000_000
    study(design, Production(tolerances, 64))
    versus.race(
        "a million density variants of a core cut off its axis, a variant",
        ("designs.production.study", f"one set of booleans, {versus.named('manifold3d')}"),
        lambda: study(design, Production(tolerances, samples)),
        lambda: by_booleans(SEGMENTS),
        samples / 9,
        rounds=2,
        shares=(samples, 1),
    )


def test_mesh_of_100_000_faces_read_and_judged_within_three_times_of_trimesh(versus: Any) -> None:
    """Read, judged and put in a ball, against trimesh's own load and mass properties."""
    mesh = trimesh.creation.torus(30.0, 12.0, 250, 200)
    assert len(mesh.faces) == 100_000
    data = mesh.export(file_type="stl")

    def ours() -> None:
        core = read_mesh(data, "stl", "mm")
        properties(Design((Solid(Sphere(8.58), 1.2), Solid(core, 2.0, "inner_core"))), contributions=False)

    def theirs() -> None:
        assert not math.isnan(trimesh.load_mesh(io.BytesIO(data), file_type="stl").mass_properties.mass)

    ours()
    names = ("read_mesh, judged, in a ball", f"{versus.named('trimesh')}: load, mass")
    versus.race("an STL core of 100,000 faces", names, ours, theirs, 1 / 3)
