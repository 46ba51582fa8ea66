"""What a delivery tells, how it ends, and what is refused or warned of."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.motion.balls import BoxBall, box_ball, drilled_ball
from ballgauge_service.motion.bowlers import BOWLERS, Release, cautions
from ballgauge_service.motion.lanes import uniform_lane
from ballgauge_service.motion.starts import MotionSettings
from ballgauge_service.motion.surfaces import FrictionModel, Surface, surface_friction
from ballgauge_service.physics.drilling import HOLE, drill, empty_balls
from ballgauge_service.physics.motion.film import friction

from .shots import LANE, RELEASE, roll, told


def test_the_result_is_json_and_tells_the_path_to_its_end() -> None:
    got = roll(BoxBall(), replace(RELEASE, phase=0.0), samples=101)
    assert json.loads(json.dumps(got, allow_nan=False)) == got
    curves = got["curves"]
    assert {len(values) for values in curves.values()} == {101}
    assert curves["distance"][-1] == pytest.approx(60.0, abs=1e-9)
    assert curves["board"][-1] == pytest.approx(got["entry"]["board"], abs=1e-9)
    assert max(range(101), key=lambda k: -curves["board"][k]) == pytest.approx(
        np.interp(got["breakpoint"]["distance"], curves["distance"], range(101)), abs=1.0
    )
    assert got["boards_crossed"] == pytest.approx(got["entry"]["board"] - got["breakpoint"]["board"])
    assert got["revolutions"] == pytest.approx(
        np.trapezoid(np.array(curves["spin"]) / 60.0, curves["time"]), rel=1e-4
    )
    assert got["phases"]["skid_end"] < got["phases"]["hook_end"] < got["phases"]["roll_start"]


def test_rings_follow_the_axis_and_their_gap_is_the_flare() -> None:
    got = roll(BoxBall(), replace(RELEASE, phase=0.0), samples=2001)
    flare, curves = got["flare"], got["curves"]
    oiled = [ring for ring in flare["rings"] if ring["film"] >= 1.0]
    assert flare["rings_oiled"] == len(oiled) > 5
    radius = BoxBall().radius

    def pole(ring: dict[str, dict[str, float]]) -> np.ndarray:
        a, b = ring["axis"]["right"] / radius, ring["axis"]["up"] / radius
        return np.array([math.cos(b) * math.sin(a), math.sin(b), math.cos(b) * math.cos(a)])

    first, last = oiled[0], oiled[-1]
    gap = math.acos(pole(first) @ pole(last))
    wider = math.radians(abs(first["angle_from_contact"] - last["angle_from_contact"]))
    assert flare["width"] == pytest.approx(radius * (gap + wider), rel=1e-6)
    axis = [np.interp(first["distance"], curves["distance"], part) for part in np.array(curves["axis"]).T]
    assert np.abs(pole(first) - axis).max() < 1e-4


def test_endings_are_told_in_words_with_the_path_until_then() -> None:
    far = roll(BoxBall(), replace(RELEASE, launch_angle=-6.0), samples=11)
    near = roll(BoxBall(), replace(RELEASE, launch_angle=8.0), samples=11)
    for got, side in ((far, "far side"), (near, "bowler's own side")):
        assert got["ending"] == "gutter"
        assert side in got["message"]
        assert set(got["entry"].values()) == {None}
        assert got["curves"]["distance"][-1] == pytest.approx(got["distance"])
        assert got["distance"] < 60.0
    assert far["end"]["board"] == pytest.approx(39.5)
    assert near["end"]["board"] == pytest.approx(0.5)


def test_a_ball_that_never_rolls_says_so(sentence: Any) -> None:
    got = roll(BoxBall(surface=Surface(friction=0.01)), replace(RELEASE, launch_angle=0.0), uniform_lane(0.0))
    assert got["ending"] == "pins"
    assert got["phases"]["roll_start"] is None
    assert got["message"] == sentence("delivery: never rolled")


def test_a_ball_that_falls_beside_the_lane_did_not_slide(sentence: Any) -> None:
    """In the air over the gutter before it lands: no slide, no oil, no energy lost."""
    got = roll(BoxBall(), replace(RELEASE, launch_board=2.0, launch_angle=15.0, loft=20.0))
    assert got["ending"] == "gutter"
    assert got["distance"] < 20.0
    assert got["message"] == sentence("left the lane in the air")
    assert got["phases"]["roll_start"] is None


def test_a_ball_that_stops_says_where(sentence: Any) -> None:
    got = told(
        box_ball(BoxBall()),
        Release(4.0, 0.0, 0.0, 0.0, 0.0, 20.0),
        uniform_lane(0.0),
        MotionSettings(rolling_resistance=0.2),
        samples=21,
    )
    assert got["ending"] == "stopped"
    assert got["message"] == sentence("stopped short of the pins")
    assert got["curves"]["speed"][-1] < 0.2


def test_a_ball_without_spin_has_no_axis_at_first() -> None:
    got = roll(BoxBall(), replace(RELEASE, rev_rate=0.0), samples=5)
    assert got["curves"]["axis"][0] is None
    assert got["flare"]["migration"] is None
    assert json.dumps(got, allow_nan=False)


def test_unusual_releases_are_warned_of_and_usual_ones_are_not() -> None:
    unusual = cautions(replace(RELEASE, speed=28.0, rev_rate=700.0))
    assert {caution.pointer for caution in unusual} == {"/release/speed", "/release/rev_rate"}
    for bowler in BOWLERS.values():
        assert cautions(bowler.release) == []


def test_a_ball_of_too_large_a_radius_of_gyration_is_refused() -> None:
    with pytest.raises(InvalidInput) as caught:
        BoxBall(rg=3.2, differential=0.2, radius=3.8)
    assert [fault.pointer for fault in caught.value.faults] == ["/rg"]


def test_friction_runs_smoothly_from_dry_to_oiled() -> None:
    """The stated curve by hand, and its two ends."""
    model = FrictionModel()
    found = surface_friction(Surface(grit=500), model)
    oiled, dry, scale = found.oiled, found.dry, found.scale
    assert (oiled, dry) == (0.04, 0.22)
    # 1 µL/ft² is 0.42378 µin thick.
    assert scale == pytest.approx(10.0 + 0.8 * 45.0 / 0.42378, rel=1e-4)
    assert friction(0.0, oiled, dry, scale) == dry
    assert friction(1e4, oiled, dry, scale) == pytest.approx(oiled)
    assert friction(scale, oiled, dry, scale) == pytest.approx(0.04 + 0.18 / math.e)
    slick = surface_friction(Surface(friction=0.02), model)
    assert (slick.oiled, slick.dry) == (0.02, 0.02)
    rough = [surface_friction(Surface(grit=g), model).roughness for g in (360.0, 500.0, 2000.0, 4000.0)]
    assert rough[1] == 45.0
    assert rough == sorted(rough, reverse=True)
    assert surface_friction(Surface(grit=500, polished=True), model).roughness == 22.5


def test_a_drilled_ball_rolls_with_the_inertia_that_drilling_left() -> None:
    """An undrilled drilling must give the boxed ball; its holes then change it."""
    box = BoxBall(differential=0.05, intermediate_differential=0.01, pin_to_pap=4.0)
    balls, layouts = empty_balls(1)
    for name, value in {
        "weight": 15.0, "radius": box.radius, "rg": box.rg, "differential": 0.05, "top_weight": 0.0,
        "intermediate_differential": 0.01, "cover_thickness": 0.75, "cover_density": 1.19, "balance_arm": 3.2,
    }.items():  # fmt: skip
        balls[name] = value
    for name, value in {
        "hand": 1.0, "over": 5.0, "up": 0.5, "drilling_angle": 60.0, "pin_to_pap": 4.0, "val_angle": 40.0,
        "full_span": 0.0,
    }.items():  # fmt: skip
        layouts[name] = value
    holes = np.zeros((1, 1), HOLE)
    holes["role"], holes["right"], holes["up"] = 0, 0.0, -2.5
    holes["diameter"], holes["depth"], holes["slug_density"] = 1.0, 3.0, np.nan
    plain, _ = drill(balls, layouts, holes, np.array([0]))
    drilled, _ = drill(balls, layouts, holes, np.array([1]))
    boxed = roll(box)
    same = told(drilled_ball(plain[0], box.radius, "right", box.surface), RELEASE, LANE)
    assert same["end"]["board"] == pytest.approx(boxed["end"]["board"], abs=1e-6)
    assert same["flare"]["width"] == pytest.approx(boxed["flare"]["width"], abs=1e-5)
    ball = drilled_ball(drilled[0], box.radius, "right", box.surface)
    assert ball.centre_of_mass[1] > 0.0
    moved = told(ball, RELEASE, LANE)
    assert abs(moved["end"]["board"] - boxed["end"]["board"]) > 1e-3
    plain[0]["rg"] = np.nan
    with pytest.raises(InvalidInput):
        drilled_ball(plain[0], box.radius, "right", box.surface)
