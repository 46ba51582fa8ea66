"""Principal moments of a symmetric 3 x 3 tensor."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.compiled import compiled

SWEEPS = 12


@compiled
def _rotate(tensor: NDArray[np.float64], axes: NDArray[np.float64], p: int, q: int) -> None:
    """Turn rows and columns p and q so that their product vanishes; turn `axes` with them."""
    # Golub & Van Loan, 8.5: theta = cot 2 phi, and t = tan phi, the smaller root.
    theta = 0.5 * (tensor[q, q] - tensor[p, p]) / tensor[p, q]
    t = math.copysign(1.0, theta) / (abs(theta) + math.sqrt(theta * theta + 1.0))
    c = 1.0 / math.sqrt(t * t + 1.0)
    s = t * c
    for k in range(3):
        left = tensor[k, p]
        right = tensor[k, q]
        tensor[k, p] = c * left - s * right
        tensor[k, q] = s * left + c * right
    for k in range(3):
        left = tensor[p, k]
        right = tensor[q, k]
        tensor[p, k] = c * left - s * right
        tensor[q, k] = s * left + c * right
        left = axes[p, k]
        right = axes[q, k]
        axes[p, k] = c * left - s * right
        axes[q, k] = s * left + c * right


@compiled
def _sort_axes(tensor: NDArray[np.float64], axes: NDArray[np.float64]) -> None:
    """Order the diagonal, smallest first, and the rows of `axes` with it."""
    for i in range(2):
        for j in range(2 - i):
            if tensor[j, j] > tensor[j + 1, j + 1]:
                swap = tensor[j, j]
                tensor[j, j] = tensor[j + 1, j + 1]
                tensor[j + 1, j + 1] = swap
                for k in range(3):
                    keep = axes[j, k]
                    axes[j, k] = axes[j + 1, k]
                    axes[j + 1, k] = keep


@compiled
def principal_axes(tensor: NDArray[np.float64], axes: NDArray[np.float64]) -> tuple[float, float, float]:
    """Return the principal moments, smallest first, and write their axes.

    Cyclic Jacobi rotations keep the small differences between nearly equal moments, and a compiled loop over
    a 3 x 3 matrix is faster than a call into LAPACK.

    Parameters
    ----------
    tensor : array (3, 3)
        Symmetric; it is overwritten.
    axes : array (3, 3)
        Gets the unit axes as rows, in the order of the moments.

    Returns
    -------
    tuple of float
        The moments, in the tensor's unit.

    References
    ----------
    Golub & Van Loan, Matrix Computations, 8.5 (from memory).
    """
    for i in range(3):
        for j in range(3):
            axes[i, j] = 1.0 if i == j else 0.0
    for _ in range(SWEEPS):
        off = abs(tensor[0, 1]) + abs(tensor[0, 2]) + abs(tensor[1, 2])
        if not off > 1e-18 * (abs(tensor[0, 0]) + abs(tensor[1, 1]) + abs(tensor[2, 2])):
            break
        for p in range(2):
            for q in range(p + 1, 3):
                if tensor[p, q] != 0.0:
                    _rotate(tensor, axes, p, q)
    _sort_axes(tensor, axes)
    return tensor[0, 0], tensor[1, 1], tensor[2, 2]
