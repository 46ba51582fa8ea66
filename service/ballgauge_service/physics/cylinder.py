"""Moments of a flat-bottomed cylinder clipped by a sphere: what one drilled hole takes out of one layer.

The hole's own frame has its origin at the sphere's center, w along the hole's axis and outward, u toward the
point where the axis comes nearest to the center, v = w x u. The region is

    (u - offset)^2 + v^2 <= radius^2,   w >= bottom,   u^2 + v^2 + w^2 <= sphere^2

and a moment is the integral of a monomial over it. The v-odd ones vanish by symmetry; the seven others are

    [1, u, w, u^2, v^2, w^2, u*w]

At height w the sphere's section is a disc of radius sqrt(sphere^2 - w^2) about the origin. Where it covers
the hole's disc the integrals are those of a right cylinder; where it lies inside the hole's disc, those of a
spherical cap; both are closed forms. In between the section is a lens of two circles, whose moments are
closed forms too (circular segments), and only the integral along w is numerical.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.compiled import compiled
from ballgauge_service.physics.quadrature import LENS_NODES, LENS_WEIGHTS

MOMENTS = 7


@compiled
def segment_moments(radius: float, height: float, half_chord: float) -> tuple[float, float, float, float]:
    """Return area, integral of x, of x^2 and of y^2 over the circular segment x > height.

    Parameters
    ----------
    radius, height, half_chord : float
        Of the circle about the origin, of the chord, and sqrt(radius^2 - height^2) [in].

    Returns
    -------
    tuple of float
        [in^2, in^3, in^4, in^4].

    References
    ----------
    The area is the handbook's (CRC Standard Mathematical Tables, circular segment, from memory); the others
    are derived here: 2 x^k sqrt(r^2 - x^2), and 2/3 sqrt(r^2 - x^2)^3, from height to r, with x = r cos t.
    """
    angle = math.atan2(half_chord, height)
    sine = half_chord / radius
    cosine = height / radius
    wedge = angle - sine * cosine
    cubic = sine * sine * sine
    r2 = radius * radius
    area = r2 * wedge  # r^2 (t - sin t cos t)
    first = 2.0 / 3.0 * r2 * radius * cubic  # 2/3 r^3 sin^3 t
    second_x = 0.25 * r2 * r2 * (wedge + 2.0 * cubic * cosine)  # r^4/4 (t - sin t cos t + 2 sin^3 t cos t)
    second_y = r2 * r2 / 12.0 * (3.0 * wedge - 2.0 * cubic * cosine)
    return area, first, second_x, second_y


@compiled
def lens_moments(offset: float, radius: float, section: float) -> tuple[float, float, float, float]:
    """Moments of the common part of two circles that cross.

    Parameters
    ----------
    offset, radius : float, of the circle about (offset, 0), offset > 0 [in]
    section : float, radius of the circle about the origin [in]

    Returns
    -------
    area, integral of u, of u^2 and of v^2 : float [in^2, in^3, in^4, in^4]

    References
    ----------
    Two segments on their common chord, the second one's moments moved by the offset (derived here).
    """
    # The chord of x^2 + y^2 = section^2 and (x - offset)^2 + y^2 = radius^2.
    chord_at = (offset * offset + section * section - radius * radius) / (2.0 * offset)
    half_chord = math.sqrt(max(section * section - chord_at * chord_at, 0.0))
    a0, a1, a2, ay = segment_moments(section, chord_at, half_chord)
    b0, b1, b2, by = segment_moments(radius, offset - chord_at, half_chord)
    area = a0 + b0
    first = a1 + offset * b0 - b1
    second_u = a2 + offset * offset * b0 - 2.0 * offset * b1 + b2
    return area, first, second_u, ay + by


@compiled
def _add_cylinder(out: NDArray[np.float64], offset: float, radius: float, low: float, high: float) -> None:
    disc = math.pi * radius * radius
    quarter = 0.25 * disc * radius * radius  # of a disc about its diameter: pi r^4 / 4
    length = high - low
    first = 0.5 * disc * (high * high - low * low)
    out[0] += disc * length
    out[1] += disc * length * offset
    out[2] += first
    out[3] += length * (quarter + disc * offset * offset)
    out[4] += length * quarter
    out[5] += disc * (high * high * high - low * low * low) / 3.0
    out[6] += first * offset


@compiled
def _add_cap(out: NDArray[np.float64], sphere: float, low: float, high: float) -> None:
    s2 = sphere * sphere
    d1 = high - low
    high2, low2 = high * high, low * low
    d2 = high2 - low2
    d3 = high * high2 - low * low2
    d4 = high2 * high2 - low2 * low2
    d5 = high * (high2 * high2) - low * (low2 * low2)
    # Discs of squared radius s^2 - w^2 along w: pi (s^2 - w^2), and pi/4 (s^2 - w^2)^2 about a diameter.
    cross = 0.25 * math.pi * (s2 * s2 * d1 - 2.0 / 3.0 * s2 * d3 + d5 / 5.0)
    out[0] += math.pi * (s2 * d1 - d3 / 3.0)
    out[2] += math.pi * (0.5 * s2 * d2 - 0.25 * d4)
    out[3] += cross
    out[4] += cross
    out[5] += math.pi * (s2 * d3 / 3.0 - d5 / 5.0)


@compiled
def _add_lens(
    out: NDArray[np.float64], sphere: float, offset: float, radius: float, low: float, high: float
) -> None:
    middle = 0.5 * (low + high)
    half = 0.5 * (high - low)
    for k in range(LENS_NODES.shape[0]):
        w = middle + half * LENS_NODES[k]
        section = math.sqrt(max(sphere * sphere - w * w, 0.0))
        area, first, second_u, second_v = lens_moments(offset, radius, section)
        weight = half * LENS_WEIGHTS[k]
        out[0] += weight * area
        out[1] += weight * first
        out[2] += weight * w * area
        out[3] += weight * second_u
        out[4] += weight * second_v
        out[5] += weight * w * w * area
        out[6] += weight * w * first


@compiled
def clipped_cylinder(
    sphere: float, offset: float, radius: float, bottom: float, out: NDArray[np.float64]
) -> None:
    """Write the seven moments of the clipped cylinder into `out`.

    Parameters
    ----------
    sphere, offset, radius : float
        Radius of the sphere, distance of the hole's axis from its center, >= 0, and the hole's radius [in].
    bottom : float
        Height of the flat bottom along the axis [in], from the axis' point nearest to the center, positive on
        the side of the opening.
    out : array (7,)
        [in^3, in^4, in^4, in^5, in^5, in^5, in^5], in the module's order; zeros where nothing is shared.

    References
    ----------
    Right cylinder and spherical cap: closed forms (CRC Standard Mathematical Tables, from memory). Between
    them: Gauss-Legendre over closed forms (derived here), to 1e-9 (tests/published/test_hole_integrals.py).
    """
    out[:] = 0.0
    if offset < 1e-9 * sphere:
        offset = 0.0
    reach = sphere * sphere - (offset + radius) * (offset + radius)
    wall = sphere * sphere - (offset - radius) * (offset - radius)
    if wall <= 0.0 and offset >= radius:
        return
    # Below `full` the sphere's section covers the hole; above `touch` it lies in the hole, or beside it.
    full = math.sqrt(reach) if reach > 0.0 else 0.0
    touch = math.sqrt(wall) if wall > 0.0 else 0.0
    if full > bottom:
        _add_cylinder(out, offset, radius, max(bottom, -full), full)
    if touch > full:
        if touch > bottom:
            _add_lens(out, sphere, offset, radius, max(bottom, full), touch)
        if -full > bottom:
            _add_lens(out, sphere, offset, radius, max(bottom, -touch), -full)
    if offset < radius:
        if sphere > bottom:
            _add_cap(out, sphere, max(bottom, touch), sphere)
        if -touch > bottom:
            _add_cap(out, sphere, max(bottom, -sphere), -touch)
