"""Principal axes against LAPACK (numpy.linalg.eigh)."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from ballgauge_service.physics.inertia import principal_axes

Array = NDArray[np.float64]

angles = st.floats(-3.2, 3.2)


def decomposed(tensor: Array) -> tuple[Array, Array]:
    axes = np.empty((3, 3))
    return np.array(principal_axes(tensor.copy(), axes)), axes


def assert_decomposes(tensor: Array, scale: float) -> None:
    moments, axes = decomposed(tensor)
    assert np.abs(moments - np.linalg.eigh(tensor)[0]).max() <= 1e-14 * scale
    assert np.all(np.diff(moments) >= 0)
    assert axes @ axes.T == pytest.approx(np.eye(3), abs=1e-14)
    assert np.einsum("i,ij,ik->jk", moments, axes, axes) == pytest.approx(tensor, abs=1e-14 * scale)


@settings(deadline=None, max_examples=200)
@given(st.lists(st.floats(-1e3, 1e3), min_size=6, max_size=6))
def test_any_symmetric_tensor(entries: list[float]) -> None:
    """Against numpy.linalg.eigh: moments, and axes that are orthonormal and give the tensor back."""
    a, b, c, d, e, f = entries
    tensor = np.array([[a, d, e], [d, b, f], [e, f, c]])
    assert_decomposes(tensor, 10 * max(float(np.abs(tensor).max()), 1e-300))


@settings(deadline=None, max_examples=200)
@given(angles, angles, angles, st.floats(0, 1e-6), st.floats(0, 1e-6))
def test_nearly_equal_moments(a: float, b: float, c: float, second: float, third: float) -> None:
    """Against numpy.linalg.eigh, as for a ball whose differentials are less than 0.0001 in."""
    turn = Rotation.from_euler("zyx", [a, b, c]).as_matrix()
    tensor = 1500.0 * turn @ np.diag([1.0, 1.0 + second, 1.0 + second + third]) @ turn.T
    assert_decomposes((tensor + tensor.T) / 2, 10 * 1500.0)


@pytest.mark.parametrize("moments", list(itertools.permutations([1.0, 2.0, 3.0])))
def test_moments_come_smallest_first_whatever_their_axes(moments: tuple[float, ...]) -> None:
    """Closed form: the axes of a diagonal tensor are the coordinate axes, in the order of its entries."""
    found, axes = decomposed(np.diag(moments))
    assert found.tolist() == [1.0, 2.0, 3.0]
    assert np.abs(axes[np.arange(3), np.argsort(moments)]).tolist() == [1.0, 1.0, 1.0]


def test_a_ball_without_differentials_has_equal_moments() -> None:
    """Closed form: a multiple of the identity is its own diagonal form."""
    found, axes = decomposed(4.0 * np.eye(3))
    assert found.tolist() == [4.0, 4.0, 4.0]
    assert np.array_equal(axes, np.eye(3))
