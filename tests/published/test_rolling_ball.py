"""The uniform ball on a lane of constant friction, against closed forms.

D. C. Hopkins and J. D. Patterson, Bowling frames: paths of a bowling ball, Am. J. Phys. 45, 263 (1977), and
C. Frohlich, What makes bowling balls hook?, Am. J. Phys. 72, 1170 (2004); derived again here from Newton's
laws: the slip u keeps its direction and shrinks at mu g (1 + 1/beta), with I = beta m R^2.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from ballgauge_service.motion import answer
from ballgauge_service.motion.answer import JOULE
from ballgauge_service.motion.balls import BoxBall, box_ball
from ballgauge_service.motion.bowlers import Release
from ballgauge_service.motion.delivery import deliver
from ballgauge_service.motion.lanes import uniform_lane
from ballgauge_service.motion.surfaces import Surface

Array = NDArray[np.float64]

G = 9.80665 / 0.0254
RADIUS = 4.3
RELEASES = [
    Release(18.0, 300.0, 45.0, 0.0, 2.0, 20.0),
    Release(16.0, 450.0, 70.0, 25.0, 4.0, 25.0),
    Release(20.0, 0.0, 0.0, 0.0, -1.0, 12.0),
    Release(14.0, 100.0, 90.0, -10.0, 0.0, 20.0),
]
MU = 0.15
BETAS = [0.4, 0.34]


def first_motion(release: Release) -> tuple[Array, Array]:
    """Velocity of the center and of the contact point [in/s], right-hander, written out by hand."""
    angle, turn, tilt = np.radians([release.launch_angle, release.axis_rotation, release.axis_tilt])
    v = 17.6 * release.speed * np.array([np.sin(angle), np.cos(angle)])
    rate = release.rev_rate * 2.0 * np.pi / 60.0
    # Level part of the spin: to the left of the travel, turned toward the bowler by the axis rotation.
    left, back = np.array([-np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), -np.cos(angle)])
    w = rate * np.cos(tilt) * (np.cos(turn) * left + np.sin(turn) * back)
    return v, v + RADIUS * np.array([-w[1], w[0]])


def delivery(release: Release, beta: float) -> dict[str, Any]:
    ball = box_ball(
        BoxBall(
            rg=RADIUS * np.sqrt(beta),
            differential=0.0,
            radius=RADIUS,
            surface=Surface(friction=MU, cover="urethane"),
        )
    )
    return answer.delivery(deliver(ball, release, uniform_lane(0.0), samples=301))


@pytest.mark.parametrize("beta", BETAS)
@pytest.mark.parametrize("release", RELEASES, ids=range(len(RELEASES)))
def test_sliding_path_is_a_parabola_and_rolling_starts_when_the_slip_is_used_up(
    release: Release, beta: float
) -> None:
    v0, u0 = first_motion(release)
    slip = np.linalg.norm(u0)
    stop = slip / (MU * G * (1.0 + 1.0 / beta))
    if beta == 0.4:
        assert stop == pytest.approx(2.0 * slip / (7.0 * MU * G), rel=1e-14)
    got = delivery(release, beta)
    curves = got["curves"]
    time = np.array(curves["time"])
    y, x = 12.0 * np.array(curves["distance"]), (20.0 - np.array(curves["board"])) * 41.5 / 39.0
    sliding = np.minimum(time, stop)[:, None]
    start = np.array([(20.0 - release.launch_board) * 41.5 / 39.0, 0.0])
    final = v0 - beta / (1.0 + beta) * u0
    place = start + v0 * sliding - 0.5 * MU * G * sliding**2 * u0 / slip + (time[:, None] - sliding) * final
    assert np.abs(place[:, 0] - x).max() < 1e-6
    assert np.abs(place[:, 1] - y).max() < 1e-6
    phases = np.array(curves["phase"])
    assert (phases[time < stop - 1e-4] == "slip").all()
    assert (phases[time > stop + 1e-4] == "roll").all()
    where = start + v0 * stop - 0.5 * MU * G * stop**2 * u0 / slip
    assert got["phases"]["roll_start"] == pytest.approx(where[1] / 12.0, abs=1e-5)
    assert got["phases"]["times_gripped"] == 1


@pytest.mark.parametrize("beta", BETAS)
@pytest.mark.parametrize("release", RELEASES, ids=range(len(RELEASES)))
def test_final_velocity_and_lost_energy(release: Release, beta: float) -> None:
    v0, u0 = first_motion(release)
    final = v0 - beta / (1.0 + beta) * u0
    got = delivery(release, beta)
    assert got["phases"]["roll_start"] is not None
    assert got["end"]["speed"] * 17.6 == pytest.approx(np.linalg.norm(final), rel=1e-9)
    assert got["end"]["heading"] == pytest.approx(np.degrees(np.arctan2(-final[0], final[1])), abs=1e-7)
    lost = 0.5 * beta / (1.0 + beta) * u0 @ u0
    assert got["energy"]["lost_to_sliding"] == pytest.approx(15.0 * JOULE * lost, rel=1e-8)


def test_a_ball_released_rolling_goes_straight_at_its_speed() -> None:
    """The contact point stands still where w = v / R end over end."""
    release = Release(17.0, 17.0 * 17.6 / RADIUS * 60.0 / (2.0 * np.pi), 0.0, 0.0, 0.0, 20.0)
    got = delivery(release, 0.4)
    assert got["phases"]["roll_start"] == pytest.approx(0.0, abs=1e-9)
    assert got["entry"]["board"] == pytest.approx(20.0, abs=1e-9)
    assert got["entry"]["speed"] == pytest.approx(17.0, rel=1e-10)
    assert got["energy"]["lost_to_sliding"] == pytest.approx(0.0, abs=1e-9)
