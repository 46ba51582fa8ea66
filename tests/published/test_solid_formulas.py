"""The solids' mass properties against handbook formulas, each named, from memory.

Each solid lies in a larger ball; what is visible of it is all of it.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from ballgauge_service.design.mass import visible_moments
from ballgauge_service.design.solids.meshes import checked_mesh
from ballgauge_service.design.solids.packing import pack
from ballgauge_service.design.solids.rotations import about, pointing
from ballgauge_service.design.solids.solids import (
    Cone,
    Cylinder,
    Design,
    Ellipsoid,
    Frustum,
    Profile,
    RoundedBox,
    Shape,
    Solid,
    Sphere,
)


def moments(shape: Shape, **placed: object) -> np.ndarray:
    design = Design((Solid(Sphere(20.0), 1.0), Solid(shape, 2.0, **placed)))  # type: ignore[arg-type]
    return visible_moments(pack(design)).moments[1]


def inertia(found: np.ndarray) -> np.ndarray:
    """Inertia tensor about the origin."""
    second = np.array(
        [[found[4], found[7], found[8]], [found[7], found[5], found[9]], [found[8], found[9], found[6]]]
    )
    return np.trace(second) * np.eye(3) - second


def check(shape: Shape, volume: float, across: float, along: float) -> None:
    """Compare volume and inertia per volume about the middle, across and along the axis."""
    found = moments(shape)
    assert found[0] == pytest.approx(volume, rel=1e-13)
    assert found[1:4] == pytest.approx(np.zeros(3), abs=1e-12)
    assert np.diag(inertia(found)) == pytest.approx(
        [across * volume, across * volume, along * volume], rel=1e-12
    )


def test_sphere_two_fifths_m_r_squared() -> None:
    """Beer & Johnston: I = 2/5 m r^2; CRC: V = 4/3 pi r^3."""
    r = 1.7
    check(Sphere(2 * r), 4 / 3 * math.pi * r**3, 0.4 * r * r, 0.4 * r * r)


def test_shell_is_the_difference_of_two_spheres() -> None:
    """Beer & Johnston, thick spherical shell: I = 2/5 m (b^5 - a^5) / (b^3 - a^3)."""
    a, b = 2.0, 3.0
    design = Design((Solid(Sphere(20.0), 1.0), Solid(Sphere(2 * b), 2.0), Solid(Sphere(2 * a), 1.0)))
    found = visible_moments(pack(design)).moments[1]
    mass = 4 / 3 * math.pi * (b**3 - a**3)
    assert found[0] == pytest.approx(mass, rel=1e-13)
    assert inertia(found)[0, 0] == pytest.approx(0.4 * mass * (b**5 - a**5) / (b**3 - a**3), rel=1e-12)


def test_ellipsoid_m_over_five() -> None:
    """Beer & Johnston, ellipsoid: I_x = m (b^2 + c^2) / 5; CRC: V = 4/3 pi a b c."""
    a, b, c = 1.1, 1.9, 2.3
    found = moments(Ellipsoid(2 * a, 2 * b, 2 * c))
    volume = 4 / 3 * math.pi * a * b * c
    assert found[0] == pytest.approx(volume, rel=1e-13)
    expected = volume / 5 * np.array([b * b + c * c, a * a + c * c, a * a + b * b])
    assert np.diag(inertia(found)) == pytest.approx(expected, rel=1e-12)


def test_spheroid_as_a_turned_solid() -> None:
    """The same formula for a = b, which takes the way of the turned solids."""
    a, c = 1.4, 2.6
    check(Ellipsoid(2 * a, 2 * a, 2 * c), 4 / 3 * math.pi * a * a * c, (a * a + c * c) / 5, 0.4 * a * a)


def test_cylinder_and_thin_disc() -> None:
    """Beer & Johnston, cylinder: I = m (3 r^2 + h^2) / 12 across, m r^2 / 2 along; a thin disc: m r^2 / 4."""
    r, h = 1.3, 0.8
    check(Cylinder(2 * r, h), math.pi * r * r * h, (3 * r * r + h * h) / 12, r * r / 2)
    thin = moments(Cylinder(2 * r, 1e-6))
    assert inertia(thin)[0, 0] / thin[0] == pytest.approx(r * r / 4, rel=1e-9)


def test_cone_about_its_apex_and_its_centroid() -> None:
    """Beer & Johnston, cone: centroid h/4 over the base, I = 3/10 m r^2, at the apex 3/5 m (r^2/4 + h^2)."""
    r, h = 1.5, 2.2
    found = moments(Cone(2 * r, h), position=(0.0, 0.0, -h / 2))
    volume = math.pi * r * r * h / 3
    assert found[0] == pytest.approx(volume, rel=1e-13)
    assert found[3] / volume == pytest.approx(-3 * h / 4, rel=1e-13)
    assert inertia(found)[2, 2] == pytest.approx(0.3 * volume * r * r, rel=1e-12)
    assert inertia(found)[0, 0] == pytest.approx(0.6 * volume * (r * r / 4 + h * h), rel=1e-12)


def test_frustum() -> None:
    """CRC, frustum of a cone: V = pi h (a^2 + a b + b^2) / 3, its centroid over the base a
    h (a^2 + 2 a b + 3 b^2) / (4 (a^2 + a b + b^2)); inertia along the axis 3/10 m (b^5 - a^5) / (b^3 -
    a^3)."""
    a, b, h = 1.6, 0.7, 1.9
    found = moments(Frustum(2 * a, 2 * b, h), position=(0.0, 0.0, h / 2))
    square = a * a + a * b + b * b
    volume = math.pi * h * square / 3
    assert found[0] == pytest.approx(volume, rel=1e-13)
    assert found[3] / volume == pytest.approx(h * (a * a + 2 * a * b + 3 * b * b) / (4 * square), rel=1e-12)
    assert inertia(found)[2, 2] == pytest.approx(0.3 * volume * (b**5 - a**5) / (b**3 - a**3), rel=1e-12)


def test_polyline_torus_tends_to_pappus() -> None:
    """Pappus: a torus of radii R, r holds 2 pi^2 R r^2, with I = m (R^2 + 3/4 r^2) about its axis.

    A ring is a turned profile less another one: the outside of the torus, with its inside displaced again.
    The circle is a polyline of n chords, whose error falls with 1/n^2.
    """
    R, r, errors = 2.0, 0.6, []
    for n in (100, 200):
        turn = np.linspace(-math.pi / 2, math.pi / 2, n)
        outside = tuple(zip((r * np.sin(turn)).tolist(), (R + r * np.cos(turn)).tolist(), strict=True))
        inside = tuple(zip((r * np.sin(turn)).tolist(), (R - r * np.cos(turn)).tolist(), strict=True))
        design = Design((Solid(Sphere(20.0), 1.0), Solid(Profile(outside), 2.0), Solid(Profile(inside), 1.0)))
        found = visible_moments(pack(design)).moments[1]
        volume = 2 * math.pi**2 * R * r * r
        errors.append((found[0] / volume - 1, inertia(found)[2, 2] / (volume * (R * R + 0.75 * r * r)) - 1))
    assert np.abs(errors[1]).max() < 2e-4
    assert np.array(errors[0]) / np.array(errors[1]) == pytest.approx([4, 4], rel=0.05)


def test_rounded_box() -> None:
    """Beer & Johnston, prism: I = m (b^2 + c^2) / 12 for sharp edges; with rounding half the side, a sphere;
    in between against the line integral of the section's area and second moment (quadrature)."""
    sharp = moments(RoundedBox(1.0, 2.0, 3.0))
    assert sharp[0] == pytest.approx(6.0, rel=1e-13)
    assert inertia(sharp)[0, 0] == pytest.approx(6.0 * (4 + 9) / 12, rel=1e-13)
    ball = moments(RoundedBox(2.0, 2.0, 2.0, 1.0))
    assert inertia(ball)[0, 0] == pytest.approx(0.4 * 4 / 3 * math.pi, rel=1e-12)
    a, b, c, r = 0.8, 1.1, 1.5, 0.5

    def area(z: float) -> float:
        s = r if abs(z) < c - r else math.sqrt(max(r * r - (abs(z) - c + r) ** 2, 0.0))
        p, q = 2 * (a - r), 2 * (b - r)
        return p * q + 2 * s * (p + q) + math.pi * s * s

    found = moments(RoundedBox(2 * a, 2 * b, 2 * c, r))
    volume = quad(area, -c, c, points=[r - c, c - r], epsabs=1e-12)[0]
    second = quad(lambda z: z * z * area(z), -c, c, points=[r - c, c - r], epsabs=1e-12)[0]
    assert found[0] == pytest.approx(volume, rel=1e-9)
    assert found[6] == pytest.approx(second, rel=1e-9)


def test_parallel_axis_theorem() -> None:
    """Steiner (Beer & Johnston): I = I_G + m d^2, for each of the six components of the tensor."""
    d = np.array([0.7, -1.1, 2.0])
    centerd = moments(RoundedBox(1.0, 1.4, 0.6, 0.2))
    moved = moments(RoundedBox(1.0, 1.4, 0.6, 0.2), position=tuple(d.tolist()))
    steiner = centerd[0] * (d @ d * np.eye(3) - np.outer(d, d))
    assert inertia(moved) == pytest.approx(inertia(centerd) + steiner, rel=1e-12)


def test_rotation_theorem() -> None:
    """Transformation of the inertia tensor (Beer & Johnston): I' = Q I Q^T."""
    turn = np.array(about((1.0, 2.0, -0.5), 37.0))
    plain = inertia(moments(Ellipsoid(1.0, 2.0, 3.0)))
    turned = inertia(moments(Ellipsoid(1.0, 2.0, 3.0), rotation=about((1.0, 2.0, -0.5), 37.0)))
    assert turned == pytest.approx(turn @ plain @ turn.T, rel=1e-12)


def test_two_directions_give_the_rotation_that_axis_and_angle_do() -> None:
    """A quarter turn about x takes y to z and z to -y."""
    assert np.array(pointing((0.0, -1.0, 0.0), (1.0, 0.0, 0.0))) == pytest.approx(
        np.array(about((1.0, 0.0, 0.0), 90.0)), abs=1e-15
    )


def test_tetrahedron_mesh() -> None:
    """Tonon (2004), unit right tetrahedron: V = 1/6, second moment of x 1/60, of x y 1/120."""
    mesh = checked_mesh(
        np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]]),
        np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]]),
    )
    found = moments(mesh)
    assert found == pytest.approx(
        [1 / 6, 1 / 24, 1 / 24, 1 / 24, 1 / 60, 1 / 60, 1 / 60, 1 / 120, 1 / 120, 1 / 120], rel=1e-13
    )
