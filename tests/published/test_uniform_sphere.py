"""A ball of one material: radius of gyration and mean density by closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from ballgauge_service.physics.box_numbers import mean_density
from ballgauge_service.physics.cylinder import MOMENTS, clipped_cylinder


@pytest.mark.parametrize("wall", [4.3, 6.0, 40.0])
def test_radius_of_gyration_of_a_uniform_sphere(wall: float) -> None:
    """RG = R sqrt(2/5), any mechanics textbook; 2.7037 in for a diameter of 8.55 in.

    A hole wider than the ball and right through it is the whole ball.
    """
    radius = 8.55 / 2
    whole = np.empty(MOMENTS)
    clipped_cylinder(radius, 0.0, wall, -2 * radius, whole)
    volume, _, _, uu, vv, ww, _ = whole
    assert volume == pytest.approx(4 / 3 * math.pi * radius**3, rel=1e-14)
    for first, second in ((uu, vv), (vv, ww), (ww, uu)):
        rg = math.sqrt((first + second) / volume)
        assert rg == pytest.approx(radius * math.sqrt(2 / 5), rel=1e-14)
        assert round(rg, 4) == 2.7037


@pytest.mark.parametrize("bottom", [0.0, 1.0, 4.0])
def test_a_wide_hole_from_one_side_takes_a_spherical_cap(bottom: float) -> None:
    """Cap of height h: pi h^2 (3R - h) / 3, centroid 3 (2R - h)^2 / 4(3R - h) (CRC tables, from memory)."""
    radius = 4.275
    cap = np.empty(MOMENTS)
    clipped_cylinder(radius, 0.0, 5.0, bottom, cap)
    height = radius - bottom
    assert cap[0] == pytest.approx(math.pi * height**2 * (3 * radius - height) / 3, rel=1e-12)
    centroid = 3 * (2 * radius - height) ** 2 / (4 * (3 * radius - height))
    assert cap[2] / cap[0] == pytest.approx(centroid, rel=1e-12)


def test_mean_density_of_the_heaviest_largest_ball() -> None:
    """16.00 lb at 8.595 in is 7257.478 g in 5448.0 mL, 1.3321 g/mL: exact factors of NIST SP 811 (2008)."""
    found = mean_density(np.array([16.0]), np.array([8.595 / 2]))
    volume = math.pi / 6 * (8.595 * 2.54) ** 3
    assert found == pytest.approx(16 * 453.59237 / volume, rel=1e-14)
    assert round(float(found[0]), 4) == 1.3321
