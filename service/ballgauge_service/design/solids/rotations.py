"""Rotations of solids, as 3 x 3 matrices whose columns are the solid's own axes in the body frame."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Rotation = tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]

UNTURNED: Rotation = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


def as_rotation(matrix: NDArray[np.float64]) -> Rotation:
    """A matrix as a rotation.

    Parameters
    ----------
    matrix : (3, 3) array

    Returns
    -------
    Rotation, its rows as nested tuples
    """
    rows = [(float(a), float(b), float(c)) for a, b, c in matrix]
    return (rows[0], rows[1], rows[2])


def _unit(name: str, vector: Sequence[float]) -> NDArray[np.float64]:
    array = np.asarray(vector, dtype=np.float64)
    if array.shape != (3,) or not np.isfinite(array).all():
        raise ValueError(f"{name} must be three finite numbers")
    length = float(np.linalg.norm(array))
    if length < 1e-9:
        raise ValueError(f"{name} must not be the zero vector")
    unit: NDArray[np.float64] = array / length
    return unit


def about(axis: Sequence[float], angle: float) -> Rotation:
    """The rotation about an axis.

    Parameters
    ----------
    axis : (3,) sequence
    angle : float, right-handed [deg]

    Returns
    -------
    Rotation

    Raises
    ------
    ValueError for an axis that is no direction or an angle that is not finite

    References
    ----------
    Rodrigues' formula (1840, from memory).
    """
    if not math.isfinite(angle):
        raise ValueError("angle must be finite")
    x, y, z = _unit("axis", axis)
    turn = math.radians(angle)
    skew = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return as_rotation(np.eye(3) + math.sin(turn) * skew + (1.0 - math.cos(turn)) * (skew @ skew))


def pointing(z: Sequence[float], x: Sequence[float] | None = None) -> Rotation:
    """The rotation that points a solid.

    Parameters
    ----------
    z : (3,) sequence, where the solid's own z is to point
    x : (3,) sequence or None, to which its x comes as near as can be; without it the turn is the smallest

    Returns
    -------
    Rotation

    Raises
    ------
    ValueError for zero vectors or an `x` along `z`
    """
    up = _unit("z", z)
    if x is None:
        axis = np.cross([0.0, 0.0, 1.0], up)
        sine = float(np.linalg.norm(axis))
        if sine < 1e-12:
            return UNTURNED if up[2] > 0.0 else about((1.0, 0.0, 0.0), 180.0)
        return about(axis.tolist(), math.degrees(math.atan2(sine, float(up[2]))))
    side = _unit("x", x)
    across = side - float(side @ up) * up
    if float(np.linalg.norm(across)) < 1e-6:
        raise ValueError("x must not point along z")
    across = across / np.linalg.norm(across)
    return as_rotation(np.column_stack([across, np.cross(up, across), up]))
