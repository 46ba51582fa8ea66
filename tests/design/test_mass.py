"""Mass properties of layered designs against hand algebra, quadrature and other libraries' meshes."""

from __future__ import annotations

import math
from dataclasses import replace

import manifold3d
import numpy as np
import pytest
import trimesh
from scipy.integrate import dblquad

from ballgauge_service.core.budget import Canceled, Run
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.design import mass
from ballgauge_service.design.cover import cover_depth
from ballgauge_service.design.mass import MassProperties, properties, visible_moments
from ballgauge_service.design.solids.meshes import checked_mesh
from ballgauge_service.design.solids.packing import pack
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

from .balls import without

GRAM_PER_LB = 453.59237
ML_PER_CUBIC_INCH = 16.387064


def test_nested_spheres_by_hand() -> None:
    """Hand algebra: m = 4/3 pi sum (d_i - d_i-1) r_i^3, I = 8/15 pi sum (d_i - d_i-1) r_i^5."""
    radii, densities = (4.3, 3.5, 2.0), (1.2, 0.9, 2.4)
    design = Design(tuple(Solid(Sphere(2 * r), d) for r, d in zip(radii, densities, strict=True)))
    jumps = np.diff((0.0, *densities))
    volume = 4 / 3 * math.pi * np.dot(jumps, np.power(radii, 3))
    second = 8 / 15 * math.pi * np.dot(jumps, np.power(radii, 5))
    found = properties(design)
    assert found.method == "exact"
    assert found.weight == pytest.approx(volume * ML_PER_CUBIC_INCH / GRAM_PER_LB, rel=1e-13)
    assert found.rg == pytest.approx(math.sqrt(second / volume), rel=1e-13)
    assert found.differential == pytest.approx(0.0, abs=1e-14)
    assert found.asymmetry_ratio is None
    assert found.low_rg_axis is None
    assert found.cover_depth_shallowest == pytest.approx(0.8, abs=1e-12)
    assert found.cover_depth_deepest == pytest.approx(0.8, abs=1e-12)
    assert found.contributions[2].mass == pytest.approx(
        4 / 3 * math.pi * 8 * 2.4 * ML_PER_CUBIC_INCH / GRAM_PER_LB, rel=1e-13
    )
    assert found.contributions[2].weight == pytest.approx(
        4 / 3 * math.pi * 8 * 1.5 * ML_PER_CUBIC_INCH / GRAM_PER_LB, rel=1e-12
    )


def test_offset_sphere_by_hand() -> None:
    """Hand algebra: a sphere off the center moves the center of mass and, by Steiner, spreads the inertia."""
    r, d, jump = 1.5, 1.1, 1.4
    design = Design((Solid(Sphere(8.6), 1.1), Solid(Sphere(2 * r), 1.1 + jump, position=(0.0, d, 0.0))))
    ball, core = 1.1 * 4 / 3 * math.pi * 4.3**3, jump * 4 / 3 * math.pi * r**3
    shift = core * d / (ball + core)
    along = 0.4 * (ball * 4.3**2 + core * r * r)
    across = along + core * d * d - (ball + core) * shift**2
    found = properties(design)
    assert found.centre_of_mass == pytest.approx((0.0, shift, 0.0), abs=1e-14)
    assert found.rg == pytest.approx(math.sqrt(along / (ball + core)), rel=1e-13)
    assert found.rg_high == pytest.approx(math.sqrt(across / (ball + core)), rel=1e-13)
    assert found.cg_mark == pytest.approx((0.0, 1.0, 0.0), abs=1e-14)
    moment = core * d * ML_PER_CUBIC_INCH / GRAM_PER_LB * 16
    assert found.top_weight == pytest.approx(moment / 3.2, rel=1e-13)
    assert found.pin_to_cg == pytest.approx(4.3 * math.pi / 2, rel=1e-12)
    assert found.pin_to_low_rg_axis == pytest.approx(4.3 * math.pi / 2, rel=1e-9)


COAXIAL = Design((
    Solid(Sphere(8.6), 1.18, "cover", "cover"),
    Solid(Profile(((-2.0, 0.9), (-0.5, 1.8), (0.6, 1.3), (1.9, 1.0))), 1.9, "outer_core", "core"),
    Solid(Sphere(3.0), 2.3, "inner_core", "ball", position=(0.0, 0.0, 0.9)),
    Solid(Ellipsoid(4.4, 4.4, 1.2), 3.0, "disc", "lens", position=(0.0, 0.0, -1.4)),
    Solid(Cone(1.6, 3.0), 1.4, "pin", "pin", position=(0.0, 0.0, 2.2)),
))  # fmt: skip


def _radius(solid: Solid, z: float) -> float:
    """Radius of a coaxial solid at a height, written anew from the shapes' definitions."""
    h, shape = z - solid.position[2], solid.shape
    if isinstance(shape, Sphere):
        return math.sqrt(max(shape.diameter**2 / 4 - h * h, 0.0))
    if isinstance(shape, Ellipsoid):
        return shape.length_x / 2 * math.sqrt(max(1 - (2 * h / shape.length_z) ** 2, 0.0))
    if isinstance(shape, Cone):
        return shape.diameter / 2 * (0.5 - h / shape.height) if abs(h) < shape.height / 2 else 0.0
    assert isinstance(shape, Profile)
    heights, radii = zip(*shape.points, strict=True)
    return float(np.interp(h, heights, radii)) if heights[0] < h < heights[-1] else 0.0


def test_coaxial_solids_that_cut_each_other_against_a_fine_sum() -> None:
    """Sections are discs: a midpoint sum over 400,000 heights, rings sorted by hand."""
    heights = np.linspace(-4.3, 4.3, 400_001)
    step = heights[1] - heights[0]
    middles = 0.5 * (heights[1:] + heights[:-1])
    table = np.array([[_radius(solid, z) ** 2 for z in middles[::40]] for solid in COAXIAL.solids])
    step *= 40
    mass_, along = 0.0, 0.0
    for k, solid in enumerate(COAXIAL.solids):
        later = table[k + 1 :].max(axis=0) if k + 1 < len(table) else np.zeros(table.shape[1])
        ring = np.maximum(table[k] - later, 0.0)
        square = np.maximum(table[k] ** 2 - later**2, 0.0) * (ring > 0)
        mass_ += solid.density * math.pi * ring.sum() * step
        along += solid.density * math.pi / 2 * square.sum() * step
    found = properties(COAXIAL)
    assert found.method == "exact"
    assert found.weight == pytest.approx(mass_ * ML_PER_CUBIC_INCH / GRAM_PER_LB, rel=2e-6)
    assert found.inertia[2][2] == pytest.approx(along * ML_PER_CUBIC_INCH / GRAM_PER_LB, rel=2e-6)


def test_pieces_of_a_profile_against_adaptive_quadrature() -> None:
    """scipy.dblquad over a frustum that cuts a sphere on the same axis."""
    design = Design(
        (
            Solid(Sphere(8.0), 1.0),
            Solid(Sphere(3.0), 2.0),
            Solid(Frustum(3.4, 1.0, 2.0), 3.0, position=(0, 0, 0.4)),
        )
    )
    frustum, sphere = design.solids[2], design.solids[1]
    seen = dblquad(
        lambda r, z: 2 * math.pi * r * z * z,
        -1.5,
        1.5,
        lambda z: min(_cut(frustum, z), _radius(sphere, z)),
        lambda z: _radius(sphere, z),
        epsabs=1e-7,
    )[0]
    assert visible_moments(pack(design)).moments[1][6] == pytest.approx(seen, rel=1e-5)


def _cut(solid: Solid, z: float) -> float:
    shape = solid.shape
    assert isinstance(shape, Frustum)
    share = (z - solid.position[2]) / shape.height + 0.5
    return shape.bottom_diameter / 2 * (1 - share) + shape.top_diameter / 2 * share if 0 < share < 1 else 0.0


OFF_AXIS = replace(
    COAXIAL,
    solids=(
        COAXIAL.solids[0],
        Solid(Ellipsoid(3.6, 4.4, 5.0), 2.0, "outer_core", "core", rotation=about((1.0, 0.3, 0.0), 12.0)),
        Solid(RoundedBox(1.5, 5.0, 1.2, 0.3), 2.6, "inner_core", "bar", (0.1, 0.0, -0.2)),
        Solid(Cylinder(2.6, 0.5), 3.2, "disc", "disc", (0.2, 0.3, -2.2), about((0.0, 1.0, 0.0), 8.0)),
    ),
)


def _manifold(solid: Solid, n: int) -> manifold3d.Manifold:
    """The solid as a polyhedron of about 2 n^2 faces."""
    shape = solid.shape
    if isinstance(shape, Cylinder):
        body = manifold3d.Manifold.cylinder(
            shape.height, shape.diameter / 2, circular_segments=n, center=True
        )
    elif isinstance(shape, RoundedBox):
        half = [shape.length_x / 2 - shape.rounding, shape.length_y / 2 - shape.rounding]
        half.append(shape.length_z / 2 - shape.rounding)
        ball = manifold3d.Manifold.sphere(shape.rounding, 4 * (n // 4))
        corners = [
            ball.translate((x * half[0], y * half[1], z * half[2]))
            for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)
        ]  # fmt: skip
        body = manifold3d.Manifold.batch_hull(corners)
    else:
        assert isinstance(shape, (Ellipsoid, Sphere))
        size = (
            (shape.diameter,) * 3
            if isinstance(shape, Sphere)
            else (shape.length_x, shape.length_y, shape.length_z)
        )
        body = manifold3d.Manifold.sphere(0.5, 4 * (n // 4)).scale(size)
    matrix = np.column_stack([np.array(solid.rotation), solid.position])
    return body.transform(matrix)


def _boolean_moments(design: Design, n: int) -> np.ndarray:
    """Mass and trace of the second moments by boolean meshes and trimesh's mass properties."""
    total = np.zeros(2)
    covered = manifold3d.Manifold()
    for solid in reversed(design.solids):
        body = _manifold(solid, n)
        seen = (body - covered).to_mesh64()
        mesh = trimesh.Trimesh(seen.vert_properties[:, :3], seen.tri_verts, process=False)
        found = mesh.mass_properties
        around = found.inertia + found.mass * (
            found.center_mass @ found.center_mass * np.eye(3) - np.outer(found.center_mass, found.center_mass)
        )
        total += solid.density * np.array([found.mass, np.trace(around) / 2])
        covered = covered + body
    return total


def test_off_axis_cuts_against_extrapolated_boolean_meshes() -> None:
    """manifold3d booleans and trimesh masses at two finenesses, Richardson-extrapolated (error ~ 1/n^2)."""
    coarse, fine = (_boolean_moments(OFF_AXIS, n) for n in (128, 256))
    expected = fine + (fine - coarse) / 3
    packed = pack(OFF_AXIS)
    visible = visible_moments(packed)
    assert not visible.exact
    densities = packed.table[:, 1]
    found = densities @ visible.moments
    assert found[0] == pytest.approx(expected[0], rel=5e-6)
    assert found[4:7].sum() == pytest.approx(expected[1], rel=5e-6)


@pytest.mark.parametrize("any_density", [False, True])
@pytest.mark.parametrize("cells", [300, 1500, 6000])
def test_error_bound_of_the_cubature_holds(cells: int, any_density: bool) -> None:
    """The cubature is made to do a coaxial group whose exact moments are known, with either aim."""
    packed = pack(COAXIAL)
    exact = visible_moments(packed).moments
    members = np.array([False, True, True, True, True])
    out, error = np.zeros((5, 10)), np.zeros(10)
    mass._add_group(packed, members, np.zeros(5, np.int64), out, error, cells, 1e-12, any_density)
    contrast = packed.table[:, 1] - 1.18
    miss = np.abs(contrast @ (out - exact * members[:, None]))
    assert (miss <= error).all()
    assert error[0] < 60.0 / cells
    assert properties(COAXIAL, contributions=False).error_bound == {"weight": 0, "rg": 0, "differential": 0}


@pytest.mark.parametrize("cells", [0, 8])
def test_a_budget_below_the_first_cells_gives_those(cells: int) -> None:
    few, first = (visible_moments(pack(OFF_AXIS), cells=count) for count in (cells, 16))
    assert few.cells == first.cells
    assert (few.moments == first.moments).all()


def test_reported_bound_covers_the_change_from_more_cells() -> None:
    """A tenfold finer cubature stays within the bounds that the coarse one states."""
    coarse = properties(OFF_AXIS, contributions=False, cells=600)
    fine = properties(OFF_AXIS, contributions=False, cells=12_000)
    for name in ("weight", "rg", "differential"):
        assert abs(getattr(coarse, name) - getattr(fine, name)) <= coarse.error_bound[name]
        assert fine.error_bound[name] < 0.2 * coarse.error_bound[name]


SLIPPED = [(0.026, 1.94, 48.2, 4.86, 2.03), (0.027, 1.88, 54.8, 0.73, 1.61), (0.033, 0.34, 10.2, 6.06, 2.15)]


@pytest.mark.parametrize(("width", "length", "tilt", "spin", "out"), SLIPPED)
def test_a_rod_that_slips_between_the_lines_is_within_the_bound(
    width: float, length: float, tilt: float, spin: float, out: float
) -> None:
    """Across a core's skin: with a sphere it is coaxial, closed form; the same as an ellipsoid is not."""
    turn, across = math.radians(tilt), (-math.sin(spin), math.cos(spin), 0.0)
    along = (math.sin(turn) * math.cos(spin), math.sin(turn) * math.sin(spin), math.cos(turn))
    x, y, z = (out * part for part in along)
    rod = Solid(Cylinder(width, length), 3.6, "other", "rod", (x, y, z), about(across, tilt))

    def made(core: Sphere | Ellipsoid) -> MassProperties:
        inside = Solid(core, 1.8, "inner_core", "core")
        ball = Solid(Sphere(8.58), 1.1, "cover", "cover")
        return properties(Design((ball, inside, rod)), contributions=False)

    truth, found = made(Sphere(4.0)), made(Ellipsoid(4.0, 4.0, 4.0))
    assert truth.method == "exact"
    assert found.method != "exact"
    assert not found.covered
    for name in ("weight", "rg", "differential"):
        gap = abs(getattr(found, name) - getattr(truth, name))
        assert gap <= found.error_bound[name] + 1e-9, (name, gap)


def test_contributions_are_what_leaving_a_solid_out_changes() -> None:
    """By definition: each contribution is the difference from the design without the solid."""
    whole = properties(COAXIAL)
    for part in whole.contributions[1:]:
        left = properties(without(COAXIAL, part.name), contributions=False)
        assert part.differential == pytest.approx(whole.differential - left.differential, abs=1e-12)
        assert part.rg == pytest.approx(whole.rg - left.rg, abs=1e-12)
        assert part.weight == pytest.approx(whole.weight - left.weight, abs=1e-12)
    assert sum(part.mass for part in whole.contributions) == pytest.approx(whole.weight, rel=1e-13)


def test_mesh_core_against_the_solid_it_is_made_of() -> None:
    """A box as a mesh and as a rounded box without rounding, turned, moved, and cut by a cylinder."""
    box = trimesh.creation.box((1.5, 2.5, 3.0))
    mesh = checked_mesh(box.vertices, box.faces)
    placed = {"role": "inner_core", "name": "core", "position": (0.2, 0.1, -0.3)}
    turn = about((1.0, 1.0, 0.0), 25.0)
    found: list[MassProperties] = []
    for shape in (mesh, RoundedBox(1.5, 2.5, 3.0)):
        core = Solid(shape, 2.2, rotation=turn, **placed)  # type: ignore[arg-type]
        alone = Design((Solid(Sphere(8.6), 1.1, "cover"), core))
        cut = replace(alone, solids=(*alone.solids, Solid(Cylinder(2.0, 4.0), 1.6, "disc", "disc")))
        found += [properties(alone, contributions=False), properties(cut, contributions=False)]
    assert found[0].method == found[2].method == "exact"
    for mesh_one, box_one, tolerance in ((found[0], found[2], 1e-12), (found[1], found[3], 2e-5)):
        assert mesh_one.weight == pytest.approx(box_one.weight, rel=tolerance)
        assert mesh_one.rg == pytest.approx(box_one.rg, rel=tolerance)
        assert mesh_one.differential == pytest.approx(box_one.differential, abs=tolerance)
        assert mesh_one.cover_depth_shallowest == pytest.approx(box_one.cover_depth_shallowest, abs=1e-9)
        assert mesh_one.cover_depth_deepest == pytest.approx(box_one.cover_depth_deepest, abs=1e-3)


def test_solid_inside_a_mesh_is_proved_nested() -> None:
    """A ball in a mesh box takes the closed form, and equals the ball in the same box as a primitive."""
    box = trimesh.creation.box((3.0, 3.0, 3.0))
    ball = Solid(Sphere(2.0), 3.0, "inner_core", "heart", (0.3, 0.0, 0.0))
    shapes = (checked_mesh(box.vertices, box.faces), RoundedBox(3.0, 3.0, 3.0))
    one, other = (
        properties(Design((Solid(Sphere(8.6), 1.1), Solid(shape, 2.0), ball)), contributions=False)
        for shape in shapes
    )
    assert one.method == "exact"
    assert one.rg_high == pytest.approx(other.rg_high, rel=1e-13)


def test_cover_depth_of_an_ellipsoid_by_hand() -> None:
    """Half lengths 1.8, 2.2, 2.5 in a ball of radius 4.3: 1.8 in at the shallowest, 2.5 in at the deepest; a
    pin that shows does not count."""
    design = Design((
        Solid(Sphere(8.6), 1.1, "cover"),
        Solid(Ellipsoid(3.6, 4.4, 5.0), 2.0, "inner_core", rotation=about((1.0, 2.0, 3.0), 40.0)),
        Solid(Cylinder(0.4, 1.6), 1.2, "pin", position=(0.0, 0.0, 3.3)),
    ))  # fmt: skip
    shallowest, deepest = cover_depth(design, pack(design))
    assert shallowest == pytest.approx(1.8, abs=1e-9)
    assert deepest == pytest.approx(2.5, abs=1e-5)


def test_solids_outside_the_ball_are_named_with_the_distance() -> None:
    """A cylinder of radius 0.5 whose rim is at sqrt(4^2 + 0.5^2) from the center of a ball of radius 4."""
    design = Design(
        (Solid(Sphere(8.0), 1.1), Solid(Sphere(2.0), 2.0), Solid(Cylinder(1.0, 8.0), 1.2, "pin", "long pin"))
    )
    with pytest.raises(InvalidInput) as caught:
        properties(design)
    beyond = math.hypot(4.0, 0.5) - 4.0
    (fault,) = caught.value.faults
    assert fault.pointer == "/solids/2"
    assert f"'long pin' reaches {beyond:.4g} in beyond" in fault.words


def test_hidden_solid_is_a_caution() -> None:
    """A small sphere wholly inside a later larger one cannot be seen and adds nothing."""
    base = (Solid(Sphere(8.0), 1.1), Solid(Sphere(4.0), 2.0, name="core"))
    plain = properties(Design(base), contributions=False)
    hidden = properties(
        Design((base[0], Solid(Sphere(2.0), 9.0, name="lost", position=(0.5, 0.5, 0.0)), base[1])),
        contributions=False,
    )
    assert hidden.covered == ("lost",)
    assert hidden.weight == pytest.approx(plain.weight, rel=1e-14)


def test_run_can_be_cancelled_and_tells_its_progress() -> None:
    """The token is asked between the solids; the shares told do not fall."""
    told: list[float] = []
    properties(COAXIAL, run=Run(lambda share, _: told.append(share)))
    assert told == sorted(told)
    assert len(told) == 4
    with pytest.raises(Canceled):
        properties(COAXIAL, run=Run(canceled=lambda: True))
