"""Releases as people measure them: marks against a ball that turns, speeds against their delivery."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from ballgauge_schemas.motion.request import MOTION_REQUEST
from ballgauge_schemas.shared.documents import motion_example
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.motion.balls import BoxBall, box_ball
from ballgauge_service.motion.bowlers import Release
from ballgauge_service.motion.evaluate import evaluate_motion
from ballgauge_service.motion.measured import Marks, Sighting, SpeedReading, release_speed, spin_from_marks
from ballgauge_service.motion.starts import USUAL

from .shots import LANE, RELEASE, told

TIMES = (0.0, 0.03, 0.075)


def marks(
    release: Release, hand: str = "right", times: tuple[float, ...] = TIMES, noise: float = 0.0, seed: int = 0
) -> Marks:
    """A mark carried round by SciPy's rotations; the axis by the words of `Release` (DESIGN: PAP, tilt)."""
    side = 1.0 if hand == "right" else -1.0
    tilt, around = np.radians(release.axis_tilt), np.radians(release.axis_rotation - release.launch_angle)
    pap = np.array([-side * np.cos(tilt) * np.cos(around), -np.cos(tilt) * np.sin(around), np.sin(tilt)])
    spin = side * pap * release.rev_rate * 2.0 * np.pi / 60.0
    draws = np.random.default_rng(seed)
    for _ in range(2000):
        first = draws.normal(size=3)
        first /= np.linalg.norm(first)
        places = [Rotation.from_rotvec(spin * t).apply(first) for t in times]
        away = abs(float(first @ pap))
        if all(p[1] < -0.2 for p in places) and away < 0.8:
            break
    seen = [np.array([p[0], p[2]]) + noise * draws.normal(size=2) for p in places]
    one, two, three = (Sighting(t, float(p[0]), float(p[1])) for t, p in zip(times, seen, strict=True))
    return Marks((one, two, three))


@pytest.mark.parametrize("hand", ["right", "left"])
@pytest.mark.parametrize(
    ("revs", "rotation", "tilt"), [(330.0, 45.0, 12.0), (250.0, 20.0, 25.0), (450.0, 70.0, 5.0)]
)
def test_marks_tell_the_spin(hand: str, revs: float, rotation: float, tilt: float) -> None:
    release = replace(RELEASE, rev_rate=revs, axis_rotation=rotation, axis_tilt=tilt)
    found = spin_from_marks(marks(release, hand, (0.0, 0.02, 0.045)), hand, release.launch_angle)
    assert found.rev_rate == pytest.approx(revs, abs=1e-6)
    assert found.axis_rotation == pytest.approx(rotation, abs=1e-6)
    assert found.axis_tilt == pytest.approx(tilt, abs=1e-6)


def test_the_uncertainty_is_that_of_repeated_readings() -> None:
    """Against the spread over 200 readings with the stated errors."""
    sizes = {"place_uncertainty": 0.005, "time_uncertainty": 1e-4}
    true = replace(marks(RELEASE, times=(0.0, 0.02, 0.045)), **sizes)
    stated = np.array(spin_from_marks(true, "right", RELEASE.launch_angle).uncertainty)
    draws = np.random.default_rng(1)
    found = []
    for _ in range(200):
        moved = [
            Sighting(*(np.array([s.time, s.right, s.up]) + draws.normal(size=3) * [1e-4, 0.005, 0.005]))
            for s in true.sightings
        ]
        spin = spin_from_marks(replace(true, sightings=tuple(moved)), "right", RELEASE.launch_angle)
        found.append((spin.rev_rate, spin.axis_rotation, spin.axis_tilt))
    assert np.std(found, axis=0) == pytest.approx(stated, rel=0.35)


def test_places_far_apart_at_even_times_are_refused() -> None:
    """Half a turn and more between pictures at even times: several rates explain them."""
    slow = marks(replace(RELEASE, rev_rate=60.0), times=(0.0, 0.1, 0.2))
    with pytest.raises(InvalidInput) as caught:
        spin_from_marks(slow, "right", 1.0)
    assert caught.value.faults[0].pointer == "/release/marks/sightings"
    assert "60 rpm" in caught.value.faults[0].words


def test_places_that_fix_no_axis_are_refused() -> None:
    still = Marks((Sighting(0.0, 0.1, 0.1), Sighting(0.02, 0.11, 0.1), Sighting(0.05, 0.12, 0.1)))
    with pytest.raises(InvalidInput):
        spin_from_marks(still, "right", 1.0)


def test_turning_that_is_not_steady_is_refused() -> None:
    first, second, third = marks(RELEASE, times=(0.0, 0.02, 0.045)).sightings
    hasty = Marks((first, second, replace(third, time=0.0215)))
    with pytest.raises(InvalidInput):
        spin_from_marks(hasty, "right", 1.0)


@pytest.mark.parametrize(("first", "last"), [(60.0, 60.0), (40.0, 40.0), (12.0, 55.0)])
def test_a_speed_read_down_the_lane_gives_the_release_that_passes_so(first: float, last: float) -> None:
    """Against samples of the delivery by the speed found."""
    ball, release = box_ball(BoxBall()), replace(RELEASE, speed=16.0, phase=30.0)
    speed = release_speed(ball, release, LANE, USUAL, SpeedReading(first, last))
    assert 16.0 < speed < 20.0
    curves = told(ball, replace(release, speed=speed), LANE, samples=2001)["curves"]
    if first == last:
        read = np.interp(first, curves["distance"], curves["speed"])
    else:
        path = np.hypot(
            *np.diff([np.multiply(curves["board"], 41.5 / 39), np.multiply(curves["distance"], 12.0)])
        )
        gone = np.interp([first, last], curves["distance"], np.concatenate([[0.0], np.cumsum(path)]))
        clock = np.interp([first, last], curves["distance"], curves["time"])
        read = np.diff(gone)[0] / np.diff(clock)[0] / 17.6
    assert read == pytest.approx(16.0, abs=0.01)


def test_a_request_is_answered_by_the_release_that_was_measured() -> None:
    """Against the same request with the numbers found."""
    asked = motion_example("motion")
    del asked["spread"]
    seen = marks(replace(RELEASE, launch_angle=3.4), times=(0.0, 0.02, 0.045)).sightings
    sightings = [{"time": s.time, "right": s.right, "up": s.up} for s in seen]
    launch = asked["release"]
    asked["release"] = {
        **launch,
        "speed": 15,
        "speed_read": {"at": "60 ft"},
        "marks": {"sightings": sightings},
    }
    found = evaluate_motion(MOTION_REQUEST.load(asked))
    release = found["bowler"]["release"]
    assert found["motion"]["entry"]["speed"] == pytest.approx(15.0, abs=1e-3)
    assert release["rev_rate"] == pytest.approx(RELEASE.rev_rate) == found["marks"]["rev_rate"]
    numbers = {name: release[name] for name in ("speed", "rev_rate", "axis_rotation", "axis_tilt")}
    plain = evaluate_motion(MOTION_REQUEST.load({**asked, "release": {**launch, **numbers}}))
    assert plain["motion"]["entry"] == pytest.approx(found["motion"]["entry"])
    assert plain["marks"] is None


def test_a_speed_no_ball_has_there_is_refused() -> None:
    with pytest.raises(InvalidInput) as caught:
        release_speed(
            box_ball(BoxBall()), replace(RELEASE, speed=39.9), LANE, USUAL, SpeedReading(60.0, 60.0)
        )
    assert [fault.pointer for fault in caught.value.faults] == ["/release/speed"]
