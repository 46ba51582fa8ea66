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
"""Nodes across and along a hole's cross-section for a hole cut in two by a plane through the center."""

OVERLAP_LEAST, OVERLAP_SLOPE, OVERLAP_MOST = 2.5, 7.0, 16
"""Sections between two corners of the region that two holes share: the least, more for each unit of the
rule's variable (2 from end to end), and the most."""

OVERLAP_SEARCH_ORDER = 10
OVERLAP_CHORD_ORDER = 4
"""Planes between which that region's corners are sought, and nodes along a piece of chord where a third hole
takes part of it."""


def _half_circle(order: int) -> tuple[np.ndarray, np.ndarray]:
    """Nodes and weights in (-1, 1) after z = -cos(theta): exact for integrands with square-root ends."""
    x, w = leggauss(order)
    theta = 0.5 * np.pi * (x + 1.0)
    return -np.cos(theta), 0.5 * np.pi * w * np.sin(theta)


LENS_NODES, LENS_WEIGHTS = _half_circle(LENS_ORDER)
HALF_NODES, HALF_WEIGHTS = _half_circle(HALF_ORDER)
CHORD_NODES, CHORD_WEIGHTS = leggauss(CHORD_ORDER)
OVERLAP_CHORD_NODES, OVERLAP_CHORD_WEIGHTS = leggauss(OVERLAP_CHORD_ORDER)
OVERLAP_NODES = np.zeros((OVERLAP_MOST + 1, OVERLAP_MOST))
OVERLAP_WEIGHTS = np.zeros((OVERLAP_MOST + 1, OVERLAP_MOST))
"""Row n holds the rule of n nodes."""
for _order in range(1, OVERLAP_MOST + 1):
    OVERLAP_NODES[_order, :_order], OVERLAP_WEIGHTS[_order, :_order] = leggauss(_order)
OVERLAP_SAMPLES = -np.cos(np.pi * (np.arange(OVERLAP_SEARCH_ORDER) + 0.5) / OVERLAP_SEARCH_ORDER)
