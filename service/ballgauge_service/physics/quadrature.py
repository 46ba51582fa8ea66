"""Fixed Gauss-Legendre rules used by the kernels.

Nodes and weights come from numpy.polynomial.legendre.leggauss; the orders are ours, chosen so that the hole
integrals agree with arbitrary-precision integration to 1e-9 (see tests/published/test_hole_integrals.py).
"""

from __future__ import annotations

import numpy as np
from numpy.polynomial.legendre import leggauss

LENS_ORDER = 20
"""Nodes along the axis for the part of a hole where the sphere cuts through its wall."""

HALF_ORDER = 8
CHORD_ORDER = 5
"""Nodes across and along a hole's cross-section for a hole cut in two by a plane through the centre."""

OVERLAP_ORDER = 20
OVERLAP_CHORD_ORDER = 4
"""Nodes across the planes and along a piece of chord for the region that two holes share."""


def _half_circle(order: int) -> tuple[np.ndarray, np.ndarray]:
    """Nodes and weights in (-1, 1) after z = -cos(theta): exact for integrands with square-root ends."""
    x, w = leggauss(order)
    theta = 0.5 * np.pi * (x + 1.0)
    return -np.cos(theta), 0.5 * np.pi * w * np.sin(theta)


LENS_NODES, LENS_WEIGHTS = _half_circle(LENS_ORDER)
HALF_NODES, HALF_WEIGHTS = _half_circle(HALF_ORDER)
CHORD_NODES, CHORD_WEIGHTS = leggauss(CHORD_ORDER)
OVERLAP_NODES, OVERLAP_WEIGHTS = _half_circle(OVERLAP_ORDER)
OVERLAP_CHORD_NODES, OVERLAP_CHORD_WEIGHTS = leggauss(OVERLAP_CHORD_ORDER)
