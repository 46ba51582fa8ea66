"""A ball in the air against Jacobi's elliptic functions (Landau & Lifshitz, Mechanics, 1976, § 37)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation
from scipy.special import ellipj

from ballgauge_service.physics.motion import equations as eq
from ballgauge_service.physics.motion.delivery import new_ride
from ballgauge_service.physics.motion.stepping import set_scale, trial

Array = NDArray[np.float64]

MOMENTS = np.array([6.25, 6.37, 6.50])
"""Squares of the radii of gyration [in^2] of an asymmetrical ball, exaggerated little beyond a real one."""

TIMES = np.linspace(0.0, 10.0, 401)


def torque_free(state: Array, setup: Array, times: Array, path_error: float) -> Array:
    """State of a ball in the air at the given rising times [s] from 0, (n, eq.STATE)."""
    ride = new_ride(np.zeros((4, 4)))
    ride.setup[:] = setup
    ride.state[:] = state
    set_scale(ride, path_error)
    out = np.empty((len(times), eq.STATE))
    time, following = 0.0, 1e-3
    for row, wanted in enumerate(times):
        while time < wanted:
            h = min(following, float(wanted) - time)
            eq.derivative(eq.FLIGHT, ride.state, ride.setup, ride.film, ride.direction, ride.slopes[0])
            factor = 0.9 * max(trial(eq.FLIGHT, ride, h), 1e-12) ** -0.125
            following = h * min(max(factor, 0.1), 5.0)
            if factor >= 0.9:
                time = float(wanted) if h == float(wanted) - time else time + h
                ride.state[:] = ride.new
        out[row] = ride.state
    return out


def flight(spin: Array, moments: Array = MOMENTS) -> Array:
    setup = np.zeros(eq.SETUP)
    setup[eq.RADIUS] = 4.3
    setup[eq.MOMENT : eq.MOMENT + 3] = moments
    setup[eq.INVERSE : eq.INVERSE + 3] = 1.0 / moments
    state = np.zeros(eq.STATE)
    state[eq.TURN] = 1.0
    state[eq.SPIN : eq.SPIN + 3] = spin
    return torque_free(state, setup, TIMES, 1e-10)


def elliptic(spin1: float, spin3: float, moments: Array) -> Array:
    """Spin (n, 3) that starts with no part along the intermediate axis; L^2 > 2 E I2."""
    i1, i2, i3 = moments
    energy2 = i1 * spin1**2 + i3 * spin3**2
    square = (i1 * spin1) ** 2 + (i3 * spin3) ** 2
    assert square > energy2 * i2
    k2 = (i2 - i1) * (energy2 * i3 - square) / ((i3 - i2) * (square - energy2 * i1))
    rate = np.sqrt((i3 - i2) * (square - energy2 * i1) / (i1 * i2 * i3))
    sn, cn, dn, _ = ellipj(rate * TIMES, k2)
    one = np.sqrt((energy2 * i3 - square) / (i1 * (i3 - i1))) * cn
    two = np.sqrt((energy2 * i3 - square) / (i2 * (i3 - i2))) * sn
    three = np.sqrt((square - energy2 * i1) / (i3 * (i3 - i1))) * dn
    return np.stack([one, two, three], axis=1)


@pytest.mark.parametrize(("spin1", "spin3"), [(10.0, 30.0), (20.0, 25.0), (1.0, 40.0)])
def test_spin_follows_jacobis_elliptic_functions(spin1: float, spin3: float) -> None:
    expected = elliptic(spin1, spin3, MOMENTS)
    got = flight(np.array([spin1, 0.0, spin3]))[:, eq.SPIN : eq.SPIN + 3]
    assert np.abs(got - expected).max() < 1e-8 * np.hypot(spin1, spin3)


def test_a_symmetrical_body_precesses_at_the_known_rate() -> None:
    """Euler: with I2 = I3 the spin's part across the axis turns at (I1 - I2) / I2 times the part along it."""
    moments = np.array([6.25, 6.5, 6.5])
    got = flight(np.array([20.0, 15.0, 0.0]), moments)[:, eq.SPIN : eq.SPIN + 3]
    turned = (moments[0] - moments[1]) / moments[1] * 20.0 * TIMES
    expected = np.stack(
        [np.full_like(TIMES, 20.0), 15.0 * np.cos(turned), 15.0 * np.sin(turned) * -1.0], axis=1
    )
    either = np.minimum(np.abs(got - expected).max(), np.abs(got - expected * [1, 1, -1]).max())
    assert either < 1e-8


@pytest.mark.parametrize("spin", [(10.0, 5.0, 30.0), (30.0, 12.0, 8.0), (1e-3, 33.0, 1e-3)])
def test_energy_and_angular_momentum_are_kept_for_ten_seconds(spin: tuple[float, float, float]) -> None:
    states = flight(np.array(spin))
    w = states[:, eq.SPIN : eq.SPIN + 3]
    energy = 0.5 * (MOMENTS * w * w).sum(axis=1)
    turns = Rotation.from_quat(states[:, eq.TURN : eq.TURN + 4], scalar_first=True)
    momentum = turns.apply(MOMENTS * w)
    assert np.abs(energy / energy[0] - 1.0).max() < 1e-9
    assert np.abs(momentum - momentum[0]).max() < 1e-9 * np.linalg.norm(momentum[0])


@pytest.mark.parametrize(("axis", "stable"), [(0, True), (1, False), (2, True)])
def test_only_spin_about_the_intermediate_axis_is_unstable(axis: int, stable: bool) -> None:
    """A thousandth off an extreme axis stays one; off the intermediate axis the ball turns over."""
    spin = np.full(3, 0.08)
    spin[axis] = 80.0
    w = flight(spin)[:, eq.SPIN : eq.SPIN + 3]
    along = w[:, axis] / np.linalg.norm(w, axis=1)
    if stable:
        assert along.min() > 1.0 - 1e-5
    else:
        assert along.min() < -0.99
