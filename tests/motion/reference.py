"""The same motion written again, without the package: momentum form in the lane frame, solved by SciPy.

State: place and velocity of the geometric center (2 + 2), angular momentum about the mass center in the lane
frame (3), rotation matrix from body to lane (9); mass 1. Units: inches, seconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.interpolate import NdBSpline

Array = NDArray[np.float64]

G = 386.0885826771654
UP = np.array([0.0, 0.0, 1.0])
LENGTH = 720.0
HALF_WIDTH = 20.75


@dataclass
class Case:
    """A ball on a lane: tensor (3, 3) and offset (3,) in a body frame, film cells, friction constants."""

    radius: float
    tensor: Array
    offset: Array
    cells: Array
    margin: int
    oiled: float
    dry: float
    scale: float

    def __post_init__(self) -> None:
        rows, columns = self.cells.shape
        along = (np.arange(rows + 4) - 2 - self.margin + 0.5) * 6.0
        across = (np.arange(columns + 4) - 2 - self.margin + 0.5) * 41.5 / 39
        self._film = NdBSpline((along, across), self.cells, 3)

    def film(self, x: float, y: float) -> float:
        return float(self._film([[y, HALF_WIDTH - x]])[0])

    def friction(self, x: float, y: float) -> float:
        return self.oiled + (self.dry - self.oiled) * float(np.exp(-self.film(x, y) / self.scale))


def unpack(state: Array) -> tuple[Array, Array, Array, Array]:
    return state[:2], state[2:4], state[4:7], state[7:16].reshape(3, 3)


def spin(case: Case, state: Array) -> tuple[Array, Array, Array]:
    """Angular velocity, inertia and offset in the lane frame."""
    _, _, momentum, turn = unpack(state)
    inertia = turn @ case.tensor @ turn.T
    return np.linalg.solve(inertia, momentum), inertia, turn @ case.offset


def slip(case: Case, state: Array) -> Array:
    w, _, _ = spin(case, state)
    return state[2:4] + np.cross(w, -case.radius * UP)[:2]


def start(case: Case, x: float, velocity: Array, w: Array, turn: Array) -> Array:
    inertia = turn @ case.tensor @ turn.T
    return np.concatenate([[x, 0.0], velocity, inertia @ w, turn.ravel()])


def _assemble(velocity: Array, acceleration: Array, torque: Array, w: Array, turn: Array) -> Array:
    return np.concatenate([velocity, acceleration, torque, np.cross(w, turn, axisb=0, axisc=0).ravel()])


def sliding(case: Case, state: Array) -> Array:
    """Unknowns: acceleration of the center (x, y), angular acceleration (3), pressing force."""
    place, velocity, momentum, turn = unpack(state)
    w, inertia, d = spin(case, state)
    u = velocity + np.cross(w, -case.radius * UP)[:2]
    mu = case.friction(*place)
    pull = np.array([*(-mu * u / np.linalg.norm(u)), 1.0])
    # Force n pull at P. Newton: a + alpha x d + w x (w x d) = n pull - g z.
    # Euler: I alpha + w x L = (P - G) x n pull.
    A = np.zeros((6, 6))
    A[0, 0] = A[1, 1] = 1.0
    A[:3, 2:5] = -_cross_matrix(d)
    A[:3, 5] = -pull
    A[3:, 2:5] = inertia
    A[3:, 5] = -np.cross(-case.radius * UP - d, pull)
    right = np.concatenate([-G * UP - np.cross(w, np.cross(w, d)), -np.cross(w, momentum)])
    found = np.linalg.solve(A, right)
    return _assemble(velocity, found[:2], np.cross(-case.radius * UP - d, found[5] * pull), w, turn)


def _cross_matrix(d: Array) -> Array:
    return np.array([[0.0, -d[2], d[1]], [d[2], 0.0, -d[0]], [-d[1], d[0], 0.0]])


def holding(case: Case, state: Array) -> tuple[Array, Array]:
    """Angular acceleration and contact force of rolling, from Lagrange's multipliers of the constraint."""
    _, _, momentum, _ = unpack(state)
    w, inertia, d = spin(case, state)
    roll = _cross_matrix(UP * case.radius)
    # a = alpha x R z = -[R z] alpha; three unknown forces at P.
    A = np.zeros((6, 6))
    A[:3, :3] = -roll - _cross_matrix(d)
    A[:3, 3:] = -np.eye(3)
    A[3:, :3] = inertia
    A[3:, 3:] = -_cross_matrix(-case.radius * UP - d)
    right = np.concatenate([-G * UP - np.cross(w, np.cross(w, d)), -np.cross(w, momentum)])
    found = np.linalg.solve(A, right)
    return found[:3], found[3:]


def rolling(case: Case, state: Array) -> Array:
    _, _, _, turn = unpack(state)
    w, _, d = spin(case, state)
    alpha, force = holding(case, state)
    lever = case.radius * UP
    torque = np.cross(-lever - d, force)
    return _assemble(np.cross(w, lever)[:2], np.cross(alpha, lever)[:2], torque, w, turn)


def excess(case: Case, state: Array) -> float:
    _, force = holding(case, state)
    return float(np.hypot(force[0], force[1]) - case.friction(state[0], state[1]) * force[2])


def with_slip(case: Case, state: Array, wanted: Array) -> Array:
    """The state after an impulse at the contact that gives it the slip `wanted`."""
    _, inertia, d = spin(case, state)
    arm = -case.radius * UP - d
    gain = np.eye(3) - _cross_matrix(arm) @ np.linalg.solve(inertia, _cross_matrix(arm))
    missing = np.array([*(wanted - slip(case, state)), 0.0])
    impulse = np.linalg.solve(gain, missing)
    dw = np.linalg.solve(inertia, np.cross(arm, impulse))
    out = state.copy()
    out[2:4] += impulse[:2] - np.cross(dw, d)[:2]
    out[4:7] += inertia @ dw
    return out


def events(case: Case, phase: str, rest: float) -> list[Any]:
    def pins(_t: float, s: Array) -> float:
        return float(s[1]) - LENGTH

    def gutter(_t: float, s: Array) -> float:
        return HALF_WIDTH - abs(float(s[0]))

    def stuck(_t: float, s: Array) -> float:
        return float(np.linalg.norm(slip(case, s))) - rest

    def lost(_t: float, s: Array) -> float:
        return excess(case, s)

    chosen: list[Any] = [pins, gutter, stuck if phase == "slip" else lost]
    for event, direction in zip(chosen, (1, -1, -1 if phase == "slip" else 1), strict=True):
        event.terminal = True
        event.direction = direction
    return chosen


def next_phase(case: Case, phase: str, state: Array, rest: float) -> tuple[str, Array]:
    """Close a slip that came to rest, and begin one where rolling asks for too much friction."""
    if phase == "slip":
        state = with_slip(case, state, np.zeros(2))
        if excess(case, state) <= 0.0:
            return "roll", state
    _, force = holding(case, state)
    return "slip", with_slip(case, state, -1.1 * rest * force[:2] / np.hypot(force[0], force[1]))


def path(
    case: Case,
    state: Array,
    times: Array,
    rtol: float = 1e-10,
    rest: float = 1e-5,
    longest: float = 0.02,
    watched: float = 0.002,
) -> tuple[Array, float, Array]:
    """Places (n, 2) of the ball at the times until its end (NaN after it), the end's time and its state.

    rest [in/s]: slip at which sliding ends and begins; longest and watched [s]: longest steps of sliding and
    of rolling, in which a short loss of grip must not be stepped over.
    """
    places = np.full((len(times), 2), np.nan)
    clock, phase = 0.0, "slip"
    while True:
        law = sliding if phase == "slip" else rolling
        done = solve_ivp(
            lambda _t, s, law=law: law(case, s),
            (clock, 60.0),
            state,
            method="DOP853",
            rtol=rtol,
            atol=rtol,
            max_step=longest if phase == "slip" else watched,
            events=events(case, phase, rest),
            dense_output=True,
        )
        inside = (times >= clock) & (times <= done.t[-1])
        if inside.any():
            places[inside] = done.sol(times[inside])[:2].T
        clock, state = float(done.t[-1]), done.y[:, -1]
        if len(done.t_events[0]) or len(done.t_events[1]):
            return places, clock, state
        phase, state = next_phase(case, phase, state, rest)
