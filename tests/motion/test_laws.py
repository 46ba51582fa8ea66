"""Conservation, symmetry and step size: laws of mechanics that hold for every delivery."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ballgauge_service.motion.balls import BoxBall, MotionBall, box_ball
from ballgauge_service.motion.bowlers import Release, release_row
from ballgauge_service.motion.delivery import endings
from ballgauge_service.motion.lanes import Lane, uniform_lane
from ballgauge_service.motion.starts import USUAL, MotionSettings, Throw, first_states, run
from ballgauge_service.motion.surfaces import Surface
from ballgauge_service.physics.motion import equations as eq
from ballgauge_service.physics.motion import notes
from ballgauge_service.physics.motion.delivery import MOST_STEPS

from .shots import LANE, RELEASE, rotation, told

CASES = settings(max_examples=40, deadline=None, derandomize=True)

releases = st.builds(
    Release,
    speed=st.floats(12.0, 26.0),
    rev_rate=st.floats(50.0, 600.0),
    axis_rotation=st.floats(0.0, 95.0),
    axis_tilt=st.floats(-5.0, 50.0),
    launch_angle=st.floats(-2.0, 5.0),
    launch_board=st.floats(8.0, 32.0),
    phase=st.floats(0.0, 360.0),
)
boxes = st.builds(
    lambda differential, ratio, **box: BoxBall(
        differential=differential, intermediate_differential=ratio * differential, **box
    ),
    rg=st.floats(2.44, 2.75),
    differential=st.floats(0.0, 0.06),
    ratio=st.floats(0.0, 1.0),
    pin_to_pap=st.floats(0.0, 6.75),
    drilling_angle=st.floats(0.0, 90.0),
    val_angle=st.floats(0.0, 90.0),
    over=st.floats(4.0, 6.0),
    up=st.floats(-1.0, 1.0),
)
offsets = st.tuples(*[st.floats(-0.03, 0.03)] * 3)


def held(box: BoxBall, offset: tuple[float, float, float]) -> MotionBall:
    return replace(box_ball(box), centre_of_mass=offset)


def seen_in_a_mirror(lane: Lane) -> Lane:
    """Board 1 becomes board 39."""
    return replace(lane, cells=np.ascontiguousarray(lane.cells[:, ::-1]))


@CASES
@given(boxes, offsets, releases, st.sampled_from([0.0, 0.01]))
def test_energy_lost_is_friction_work(
    box: BoxBall, offset: tuple[float, float, float], release: Release, resistance: float
) -> None:
    """Work-energy theorem, to 1e-8 of the energy at the start."""
    chosen = MotionSettings(rolling_resistance=resistance)
    books = told(held(box, offset), release, LANE, chosen)["energy"]
    assert abs(books["residual"]) < 1e-8 * (books["start_moving"] + books["start_spinning"])
    assert books["lost_to_sliding"] > 0.0
    assert books["lost_to_rolling"] >= 0.0


@CASES
@given(boxes, offsets, releases)
def test_a_left_hander_is_the_mirror_image(
    box: BoxBall, offset: tuple[float, float, float], release: Release
) -> None:
    right = told(held(box, offset), release, LANE, samples=11)
    other = (-offset[0], offset[1], offset[2])
    left = told(held(replace(box, hand="left"), other), release, seen_in_a_mirror(LANE), samples=11)
    assert left["ending"] == right["ending"]
    assert left["time"] == pytest.approx(right["time"], abs=1e-8)
    for name in ("board", "distance", "speed", "spin"):
        assert left["curves"][name] == pytest.approx(right["curves"][name], abs=1e-6)
    mirrored = np.array(left["curves"]["axis"]) * [-1.0, 1.0, 1.0]
    assert np.abs(mirrored - np.array(right["curves"]["axis"])).max() < 1e-5
    assert left["flare"]["width_to_the_end"] == pytest.approx(right["flare"]["width_to_the_end"], abs=1e-5)


@CASES
@given(boxes, releases, st.floats(-3.0, 3.0), st.sampled_from([0.0, 150.0]))
def test_another_start_board_shifts_the_path_on_a_uniform_lane(
    box: BoxBall, release: Release, shift: float, film: float
) -> None:
    lane = uniform_lane(film)
    here = told(box_ball(box), release, lane, samples=21)
    moved = replace(release, launch_board=release.launch_board + shift)
    there = told(box_ball(box), moved, lane)
    both = min(here["time"], there["time"])
    again = told(box_ball(box), moved, lane, samples=21)
    path = np.interp(np.linspace(0, both, 9), here["curves"]["time"], here["curves"]["board"])
    other = np.interp(np.linspace(0, both, 9), again["curves"]["time"], again["curves"]["board"])
    if here["ending"] == there["ending"] == "pins":
        assert there["time"] == pytest.approx(here["time"], abs=1e-8)
        assert there["entry"]["board"] - here["entry"]["board"] == pytest.approx(shift, abs=1e-6)
        assert other - path == pytest.approx(np.full(9, shift), abs=1e-6)
    else:
        assert {here["ending"], there["ending"]} <= {"pins", "gutter"}


@CASES
@given(boxes, offsets, releases, st.sampled_from([1e-5, 1e-6]))
def test_half_the_step_changes_the_end_by_less_than_the_stated_error(
    box: BoxBall, offset: tuple[float, float, float], release: Release, error: float
) -> None:
    ball = held(box, offset)
    ends = [
        told(ball, release, LANE, MotionSettings(path_error=error, largest_step=step))
        for step in (USUAL.largest_step, 0.5 * USUAL.largest_step)
    ]
    inch = 39.0 / 41.5
    assert ends[1]["distance"] * 12.0 == pytest.approx(ends[0]["distance"] * 12.0, abs=error * 20.0)
    if ends[0]["ending"] == "pins":
        assert ends[1]["end"]["board"] == pytest.approx(ends[0]["end"]["board"], abs=error * inch)


def test_the_weight_of_the_ball_does_not_change_its_path() -> None:
    """Mass divides out of Newton's and Euler's equations where the radii of gyration are the same."""
    light, heavy = (told(box_ball(BoxBall(weight=w)), RELEASE, LANE) for w in (12.0, 16.0))
    assert light["end"] == heavy["end"]
    assert heavy["energy"]["start_moving"] / light["energy"]["start_moving"] == pytest.approx(16.0 / 12.0)


def test_the_first_spin_stands_on_the_positive_axis_point() -> None:
    """0 rotation, 0 tilt: over a right-hander's far side; rotation turns it to the bowler, tilt raises it."""
    ball = box_ball(BoxBall())
    wanted = {
        (0.0, 0.0): (-1, 0, 0),
        (90.0, 0.0): (0, -1, 0),
        (0.0, 90.0): (0, 0, 1),
        (45.0, 0.0): (-1, -1, 0),
    }
    for (turn, tilt), direction in wanted.items():
        release = Release(axis_rotation=turn, axis_tilt=tilt, launch_angle=0.0)
        state = first_states(ball, release_row(release)[None])[0]
        turned = rotation(state[eq.TURN : eq.TURN + 4])
        point = turned @ ball.axes @ np.array(ball.pap)
        assert point == pytest.approx(np.array(direction) / np.linalg.norm(direction), abs=1e-12)
        spin = turned @ state[eq.SPIN : eq.SPIN + 3]
        assert spin == pytest.approx(point * release.rev_rate * np.pi / 30.0, abs=1e-9)


def test_a_rolling_ball_keeps_its_contact_still() -> None:
    samples: dict[str, Any] = told(box_ball(BoxBall()), RELEASE, LANE, samples=400)["curves"]
    slips = [slip for slip, phase in zip(samples["slip"], samples["phase"], strict=True) if phase == "roll"]
    assert len(slips) > 20
    assert max(slips) < 1e-12


def test_rolling_resistance_slows_a_rolling_ball_by_its_closed_form() -> None:
    """Torque c N R against the spin: deceleration c g / (1 + beta) of a uniform ball that rolls straight."""
    radius, c, beta = 4.3, 0.01, 0.4
    speed = 10.0 * 17.6
    ball = box_ball(BoxBall(rg=radius * np.sqrt(beta), differential=0.0, radius=radius))
    release = Release(10.0, speed / radius * 30.0 / np.pi, 0.0, 0.0, 0.0, 20.0)
    got = told(ball, release, uniform_lane(0.0), MotionSettings(rolling_resistance=c))
    end = np.sqrt(speed**2 - 2.0 * c * eq.GRAVITY / (1.0 + beta) * 720.0)
    assert got["entry"]["speed"] * 17.6 == pytest.approx(end, rel=1e-9)


@pytest.mark.parametrize("spin", [2.0, 20.0, 75.0])
def test_rolling_resistance_acts_on_a_sliding_ball_by_its_closed_form(spin: float) -> None:
    """Uniform ball, straight, slip or overspin: v' = -mu g, k² w' = (mu - c) g R (Newton, Euler)."""
    radius, c, mu, beta = 4.3, 0.03, 0.1, 0.4
    speed = 15.0 * 17.6
    ball = box_ball(
        BoxBall(rg=radius * np.sqrt(beta), differential=0.0, radius=radius, surface=Surface(friction=mu))
    )
    release = Release(15.0, spin * 30.0 / np.pi, 0.0, 0.0, 0.0, 20.0)
    chosen = replace(USUAL, rolling_resistance=c)
    got = told(ball, release, uniform_lane(0.0), chosen)
    sense = 1.0 if speed > spin * radius else -1.0
    slip = speed - spin * radius
    time = slip / (eq.GRAVITY * (sense * mu + (sense * mu - c) / beta))
    rolled = speed * time - 0.5 * sense * mu * eq.GRAVITY * time * time
    assert got["phases"]["roll_start"] == pytest.approx(rolled / 12.0, rel=1e-6)
    assert got["phases"]["roll_start_speed"] * 17.6 == pytest.approx(
        speed - sense * mu * eq.GRAVITY * time, rel=1e-6
    )


@pytest.mark.parametrize("resistance", [0.0, 0.11, 0.2])
def test_an_upright_spin_is_followed_to_its_end(resistance: float) -> None:
    """Where resistance takes the grip, one law of sliding and rolling leaves nothing to chatter between."""
    releases = [
        release_row(replace(RELEASE, axis_tilt=tilt, rev_rate=600.0, speed=6.0, phase=40.0))
        for tilt in (-90.0, -88.0, 88.0, 90.0)
    ]
    ball = box_ball(BoxBall(differential=0.06))
    throws = [Throw(ball, np.array(releases), lane) for lane in (LANE, uniform_lane(0.0))]
    rows = np.concatenate(run(throws, MotionSettings(rolling_resistance=resistance)))
    assert endings(rows)["unresolved"] == endings(rows)["timed_out"] == 0
    assert rows[:, notes.STEPS_TAKEN].max() < 0.6 * MOST_STEPS


def test_loft_flies_straight_to_the_landing() -> None:
    ball = box_ball(BoxBall(surface=Surface(grit=500)))
    got = told(ball, replace(RELEASE, loft=5.0), LANE, samples=801)
    curves = got["curves"]
    flying = [k for k, phase in enumerate(curves["phase"]) if phase == "flight"]
    assert curves["distance"][flying[-1]] == pytest.approx(5.0, abs=0.1)
    assert [curves["speed"][k] for k in flying] == pytest.approx([RELEASE.speed] * len(flying), abs=1e-9)
    assert curves["lost_to_sliding"][flying[-1]] == 0.0
    assert got["phases"]["skid_end"] > told(ball, RELEASE, LANE)["phases"]["skid_end"]
