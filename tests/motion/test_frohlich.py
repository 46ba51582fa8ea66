"""The set-up of Frohlich, What makes bowling balls hook?, Am. J. Phys. 72, 1170 (2004), solved a second time.

Its constants are given from memory: 8 m/s, 30 rad/s, friction 0.04 to 12 m and 0.2 beyond, moments of 0.031
to 0.033 kg m² and a mass center 1 mm off. Mass and radius are of a usual ball (from memory). His published
results are not at hand: the second solution is `reference`, by SciPy's solve_ivp, with a sharp step of the
friction, and with our film where a ball wobbles, since the wobble at the pins hangs on the step's place.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from ballgauge_service.motion.balls import MotionBall
from ballgauge_service.motion.bowlers import Release, release_row
from ballgauge_service.motion.lanes import Film, Pattern, Zone, lane_from_pattern
from ballgauge_service.motion.starts import USUAL, Throw, first_states, run, setup_row
from ballgauge_service.motion.surfaces import Curve, Surface
from ballgauge_service.physics.motion import equations as eq
from ballgauge_service.physics.motion import notes
from ballgauge_service.physics.motion.delivery import PINS
from ballgauge_service.physics.motion.film import MARGIN
from ballgauge_service.physics.motion.sampled import deliver_sampled

from .reference import Case, path, start
from .shots import LANE, RELEASE, rotation

INCH, KILOGRAM, RADIUS = 0.0254, 7.0, 0.1085
OILED, DRY, STEP = 0.04, 0.2, 12.0 / INCH
FILM = 5000.0
OIL = lane_from_pattern(Pattern("", None, (Zone(0.0, STEP / 12.0, (Film(1, 39, FILM, FILM),)),)))


@dataclass
class Sharp(Case):
    """Friction that changes at once, 12 m down the lane."""

    def __post_init__(self) -> None:
        """No film."""

    def friction(self, x: float, y: float) -> float:
        return self.oiled if y < STEP else self.dry


def ball(low: float, high: float, along: float = 0.0) -> MotionBall:
    """Moments [kg m²] about the spin axis, low, and across it; mass center `along` [mm] it."""
    size = KILOGRAM * INCH**2
    pap = (1.0, 0.0, 0.0)
    axes = np.array([pap, (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)])
    offset = (along * 1e-3 / INCH, 0.0, 0.0)
    moments = (low / size, high / size, high / size)
    surface = Surface(curve=Curve(OILED, DRY, 1.0))
    return MotionBall("", 15.4, RADIUS / INCH, moments, axes, offset, pap, "right", surface)


def release(turn: float) -> Release:
    return Release(8.0 / INCH / 17.6, 30.0 * 30.0 / np.pi, turn, 0.0, 3.0, 22.0, 0.0, 0.0)


def ours(held: MotionBall, thrown: Release) -> np.ndarray:
    return run([Throw(held, release_row(thrown)[None], OIL)], USUAL)[0][0]


def theirs(held: MotionBall, thrown: Release, kind: type[Case] = Sharp) -> np.ndarray:
    """The state at the pins of the independent solution."""
    tensor = held.axes.T @ np.diag(held.moments) @ held.axes
    case = kind(held.radius, tensor, np.array(held.centre_of_mass), OIL.grid(), MARGIN, OILED, DRY, 1.0)
    state = first_states(held, release_row(thrown)[None])[0]
    turn = rotation(state[eq.TURN : eq.TURN + 4]) @ held.axes
    spin = thrown.rev_rate * 2.0 * np.pi / 60.0 * (turn @ np.array(held.pap))
    first = start(case, float(state[0]), state[2:4], spin, turn)
    _, _, last = path(case, first, np.empty(0), rtol=1e-9)
    return last


@pytest.mark.parametrize("turn", [30.0, 45.0, 60.0])
@pytest.mark.parametrize(
    ("low", "high", "along", "kind"),
    [
        (0.032, 0.032, 0.0, Sharp),
        (0.031, 0.033, 0.0, Case),
        (0.031, 0.033, 1.0, Case),
        (0.031, 0.033, -1.0, Case),
    ],
)
def test_headings_agree_to_a_hundredth_of_a_degree(
    turn: float, low: float, high: float, along: float, kind: type[Case]
) -> None:
    """A ball that does not wobble with the sharp step, others with our film."""
    held = ball(low, high, along)
    row, last = ours(held, release(turn)), theirs(held, release(turn), kind)
    assert row[notes.ENDING] == PINS
    headings = [np.degrees(np.arctan2(x, y)) for x, y in ((row[notes.END_VX], row[notes.END_VY]), last[2:4])]
    assert headings[0] == pytest.approx(headings[1], abs=0.01)
    # The film's spline softens the step over about a cell: under 2 cm at the pins.
    assert (row[notes.END_X] - last[0]) * INCH == pytest.approx(0.0, abs=0.02)


def test_a_millimeter_along_the_axis_moves_the_ball_by_centimeters() -> None:
    """In both solutions alike: several centimeters, and to the other side from the other end."""
    thrown = release(45.0)
    ends = [[ours(ball(0.032, 0.032, d), thrown)[notes.END_X] for d in (-1.0, 0.0, 1.0)]]
    ends.append([theirs(ball(0.032, 0.032, d), thrown)[0] for d in (-1.0, 0.0, 1.0)])
    moved = np.diff(np.array(ends) * INCH * 100.0, axis=1)
    assert moved[0] == pytest.approx(moved[1], abs=0.7)
    assert (np.sign(moved[0]) == np.sign(moved[0][0])).all()
    assert (np.abs(moved[0]) > 3.0).all()


@pytest.mark.parametrize("carried", [0.0, 300.0])
def test_angular_momentum_about_the_contact_is_kept(carried: float) -> None:
    """Its rate is the torque of weight about the contact, none for a centered ball: all three parts."""
    size = replace(ball(0.031, 0.033), pap=(0.6, 0.0, 0.8))
    thrown = replace(RELEASE, axis_tilt=15.0, phase=carried)
    state = first_states(size, release_row(thrown)[None])[0]
    inputs = (state, setup_row(size, USUAL), LANE.grid())
    row, _, _ = deliver_sampled(*inputs, np.empty(0), 1e-7, 0.01)
    _, taken, _ = deliver_sampled(*inputs, np.linspace(0.0, row[notes.TIME], 101), 1e-7, 0.01)
    found = []
    for one in taken[:, 1:]:
        turn = rotation(one[eq.TURN : eq.TURN + 4])
        own = turn @ (np.array(size.moments) * one[eq.SPIN : eq.SPIN + 3])
        moving = np.cross([0.0, 0.0, size.radius], [one[eq.VX], one[eq.VY], 0.0])
        found.append(own + moving)
    assert np.ptp(found, axis=0).max() < 1e-6 * np.linalg.norm(found[0])
