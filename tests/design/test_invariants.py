"""What must hold for every design, whatever its solids (hypothesis)."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ballgauge_service.design.mass import MassProperties, ball_moments, properties, visible_moments
from ballgauge_service.design.solids.packing import pack
from ballgauge_service.design.solids.rotations import Rotation, about
from ballgauge_service.design.solids.solids import (
    Cone,
    Cylinder,
    Design,
    Ellipsoid,
    Frustum,
    RoundedBox,
    Shape,
    Solid,
    Sphere,
)

from .balls import rotated, scaled

lengths = st.floats(0.4, 2.0)
densities = st.floats(0.5, 3.8)
places = st.floats(-0.9, 0.9)
axes = st.sampled_from([(1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (1.0, -2.0, 0.5)])
rotations = st.builds(about, axes, st.floats(-180.0, 180.0))
shapes: st.SearchStrategy[Shape] = st.one_of(
    st.builds(Sphere, lengths),
    st.builds(Ellipsoid, lengths, lengths, lengths),
    st.builds(Cylinder, lengths, lengths),
    st.builds(Cone, lengths, lengths),
    st.builds(Frustum, lengths, lengths, lengths),
    st.builds(RoundedBox, lengths, lengths, lengths, st.floats(0.0, 0.2)),
)
BALL = Solid(Sphere(8.6), 1.15, "cover", "ball")


@st.composite
def coaxial(draw: st.DrawFn) -> Design:
    """Turned solids on the pin axis, cutting each other as they like."""
    turned = st.one_of(
        st.builds(Sphere, lengths), st.builds(Cylinder, lengths, lengths), st.builds(Cone, lengths, lengths)
    )
    solids = draw(st.lists(st.builds(Solid, turned, densities), min_size=1, max_size=4))
    placed = [replace(each, position=(0.0, 0.0, draw(places))) for each in solids]
    return Design((BALL, *placed))


@st.composite
def scattered(draw: st.DrawFn) -> Design:
    """One solid anywhere, turned anyhow, with a sphere around it: exact without being coaxial."""
    position = (draw(places), draw(places), draw(places))
    core = draw(st.builds(Solid, shapes, densities, rotation=rotations))
    shell = Solid(Sphere(5.2), draw(densities), "outer_core", position=(draw(places) * 0.2, 0.0, 0.0))
    return Design((BALL, shell, replace(core, position=tuple(0.5 * value for value in position))))


@st.composite
def tangled(draw: st.DrawFn) -> Design:
    """Up to five solids anywhere, large and small, which hide, hold and cut each other as they like."""
    solids = draw(st.lists(st.builds(Solid, shapes, densities, rotation=rotations), min_size=3, max_size=5))
    spots = st.floats(-0.35, 0.35)
    return Design(
        (BALL, *(replace(each, position=(draw(spots), draw(spots), draw(spots))) for each in solids))
    )


designs = st.one_of(coaxial(), scattered())


def radii(found: MassProperties) -> list[float]:
    return [found.rg, found.rg_intermediate, found.rg_high]


@settings(max_examples=60, deadline=None)
@given(designs)
def test_order_of_the_radii_and_triangle_inequality(design: Design) -> None:
    """low <= intermediate <= high, and no principal moment exceeds the sum of the others (rigid bodies)."""
    found = properties(design, contributions=False)
    low, middle, high = radii(found)
    assert found.method == "exact"
    assert low <= middle <= high
    assert high**2 <= low**2 + middle**2
    assert found.differential >= found.intermediate_differential >= 0.0
    assert found.asymmetry_ratio is None or 0.0 <= found.asymmetry_ratio <= 1.0


@settings(max_examples=60, deadline=None)
@given(designs, st.floats(0.5, 3.0))
def test_scaling_lengths(design: Design, factor: float) -> None:
    """Scaling lengths by s scales mass by s^3, RGs by s and moments of balance by s^4."""
    plain, larger = (
        properties(design, contributions=False),
        properties(scaled(design, factor), contributions=False),
    )
    assert larger.weight == pytest.approx(plain.weight * factor**3, rel=1e-11)
    assert radii(larger) == pytest.approx([factor * value for value in radii(plain)], rel=1e-11)
    assert larger.moment == pytest.approx([factor**4 * value for value in plain.moment], rel=1e-9, abs=1e-10)


@settings(max_examples=60, deadline=None)
@given(designs, rotations)
def test_rotating_the_whole_turns_the_axes_and_changes_no_radius(design: Design, rotation: Rotation) -> None:
    """A rotation of the body: the same RGs; center of mass and axes turn with it."""
    plain, turned = (
        properties(design, contributions=False),
        properties(rotated(design, rotation), contributions=False),
    )
    matrix = np.array(rotation)
    assert radii(turned) == pytest.approx(radii(plain), rel=1e-11)
    assert turned.centre_of_mass == pytest.approx(matrix @ plain.centre_of_mass, abs=1e-12)
    if plain.low_rg_axis and plain.rg_intermediate - plain.rg > 1e-4:
        assert turned.low_rg_axis is not None
        assert abs(np.dot(matrix @ plain.low_rg_axis, turned.low_rg_axis)) == pytest.approx(1.0, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(coaxial(), densities, st.randoms(use_true_random=False))
def test_order_of_solids_of_equal_density_does_not_matter(
    design: Design, density: float, random: object
) -> None:
    """Displacing a material by the same material changes nothing."""
    solids = [replace(each, density=density) for each in design.solids[1:]]
    shuffled = list(solids)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    one, other = (
        ball_moments(packed, visible_moments(packed))
        for packed in (pack(Design((BALL, *each))) for each in (solids, shuffled))
    )
    assert one == pytest.approx(other, rel=1e-12, abs=1e-12)


@settings(max_examples=60, deadline=None)
@given(designs)
def test_visible_parts_fill_the_ball(design: Design) -> None:
    """What is visible of the solids adds up to the ball, in all ten moments, and no part is negative."""
    visible = visible_moments(pack(design)).moments
    ball = visible_moments(pack(Design((design.solids[0],)))).moments[0]
    assert visible.sum(axis=0) == pytest.approx(ball, rel=1e-12, abs=1e-11)
    assert (visible[:, 0] >= -1e-12).all()


def assert_parts_sum_to_the_ball(design: Design, cells: int) -> None:
    found = visible_moments(pack(design), cells=cells)
    ball = visible_moments(pack(Design((design.solids[0],)))).moments[0]
    assert found.moments.sum(axis=0) == pytest.approx(ball, rel=1e-12, abs=1e-11)
    assert (found.moments[:, 0] >= -1e-12).all()


@settings(max_examples=25, deadline=None)
@given(tangled())
def test_visible_parts_of_tangled_solids_fill_the_ball(design: Design) -> None:
    """The same where solids cut each other off a common axis, by lines."""
    assert_parts_sum_to_the_ball(design, 60)


@pytest.mark.parametrize("cells", [60, 600])
def test_a_solid_that_is_all_but_covered_by_two_that_cut_each_other_has_no_negative_mass(cells: int) -> None:
    """What lines find too much of the two is theirs, not the sphere's beneath them."""
    core = Ellipsoid(4.0, 4.0, 3.99999)
    two = (Solid(core, 2.5), Solid(core, 2.7, rotation=about((1.0, 0.0, 0.0), 40.0)))
    assert_parts_sum_to_the_ball(Design((BALL, Solid(Sphere(4.0), 2.0), *two)), cells)


def test_a_hidden_solid_stays_hidden_when_a_solid_within_it_is_drawn_later() -> None:
    """A sphere within a flat cone, and then a sphere that lies in both: the first adds nothing."""
    cone = Solid(Cone(5.0, 0.6), 1.7)
    last = Solid(Sphere(0.4), 3.0, position=(0.03, 0.0, 0.06))
    design = Design((BALL, Solid(Sphere(0.5), 2.0, position=(0.0, 0.0, 0.04)), cone, last))
    assert_parts_sum_to_the_ball(design, 2000)
    shown, plain = (visible_moments(pack(each)).moments for each in (design, Design((BALL, cone, last))))
    assert shown[1] == pytest.approx(0.0, abs=1e-15)
    assert shown[[0, 2, 3]] == pytest.approx(plain, rel=1e-9, abs=1e-12)


@settings(max_examples=40, deadline=None)
@given(shapes, densities, rotations, st.tuples(places, places, places))
def test_solid_of_the_material_around_it_changes_nothing(
    shape: Shape, density: float, rotation: Rotation, position: tuple[float, float, float]
) -> None:
    """A solid of the cover's density is invisible to the scales, and mass is additive in its density."""
    same, other = (
        properties(
            Design((BALL, Solid(shape, each, position=position, rotation=rotation))), contributions=False
        )
        for each in (1.15, density)
    )
    assert same.differential == pytest.approx(0.0, abs=1e-12)
    volume = visible_moments(
        pack(Design((BALL, Solid(shape, 1.0, position=position, rotation=rotation))))
    ).moments[1, 0]
    gain = (density - 1.15) * volume * 16.387064 / 453.59237
    assert other.weight - same.weight == pytest.approx(gain, abs=1e-12)
    assert volume < 4 / 3 * math.pi * 4.3**3
