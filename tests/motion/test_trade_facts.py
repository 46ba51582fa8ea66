"""What the trade says balls do (common practice, no source), asked of the model."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from ballgauge_service.motion.balls import BoxBall, box_ball
from ballgauge_service.motion.bowlers import BOWLERS
from ballgauge_service.motion.lanes import lane_from_ratio, uniform_lane
from ballgauge_service.motion.spreads import Sampling, spread
from ballgauge_service.motion.surfaces import Surface

from .shots import LANE, RELEASE, roll, told

PINS = np.arange(0.0, 6.76, 0.375)


def widths(differential: float) -> list[float]:
    return [roll(BoxBall(differential=differential, pin_to_pap=float(pin)))["flare"]["width"] for pin in PINS]


def rising(values: list[float]) -> bool:
    return all(a < b for a, b in pairwise(values))


@pytest.mark.parametrize("differential", [0.01, 0.03, 0.045])
def test_a_symmetrical_ball_flares_most_with_the_pin_at_half_a_quarter(differential: float) -> None:
    found = widths(differential)
    assert PINS[int(np.argmax(found))] == pytest.approx(3.375, abs=0.376)
    assert max(found) > 4.0 * max(found[0], found[-1])
    assert sorted(found)[:2] == sorted([found[0], found[-1]])


def test_flare_follows_sin_twice_the_pins_distance() -> None:
    """Euler's equations for a small differential; the ring at the peak sets the scale."""
    found = np.array(widths(0.02)) - min(widths(0.02))
    shape = np.sin(2.0 * PINS / BoxBall().radius)
    assert np.abs(found / found.max() - shape).max() < 0.08


def test_higher_differential_flares_more() -> None:
    assert rising([roll(BoxBall(differential=d))["flare"]["width"] for d in (0.0, 0.015, 0.03, 0.045, 0.06)])


def test_lower_rg_revs_up_and_reads_earlier() -> None:
    found = [roll(BoxBall(rg=rg, differential=0.03), samples=201) for rg in (2.46, 2.52, 2.58, 2.64)]
    assert rising([one["phases"]["skid_end"] for one in found])
    assert rising([one["phases"]["roll_start"] for one in found])
    gained = [np.interp(45.0, one["curves"]["distance"], one["curves"]["spin"]) for one in found]
    assert rising([-spin for spin in gained])


def test_differential_moves_the_ball_by_a_fraction_of_a_board() -> None:
    """The trade makes it a big hitter; here flare brings no fresh surface to the lane, so it cannot be.

    In the mean over the phases of the grip, which alone move the ball farther.
    """
    found = [roll(BoxBall(differential=d)) for d in (0.0, 0.03, 0.06)]
    assert rising([one["sharpness"] for one in found])
    moved = found[2]["entry"]["board"] - found[0]["entry"]["board"]
    assert 0.1 < moved < np.ptp(found[2]["roll_phases"]["ranges"]["entry_board"]) < 1.0


def test_a_duller_surface_hooks_more_boards() -> None:
    """In boards, since it turns sooner; the last direction is the same."""
    found = surfaces(Surface(grit=4000, polished=True), Surface(grit=2000), Surface(grit=360))
    assert rising([one["hook"] for one in found])


def test_six_degrees_are_out_of_reach_of_330_rpm_at_18_mph() -> None:
    """The release makes under 6 deg available, and the launch takes its part: whatever core and lane are."""
    for differential in (0.0, 0.03, 0.06):
        release = replace(RELEASE, speed=18.0, rev_rate=330.0, axis_rotation=45.0)
        assert roll(BoxBall(differential=differential), release)["total_turn"] < 6.0


def test_a_degree_outward_leaves_less_than_six_degrees_to_any_usual_ball() -> None:
    """Whatever RG, differential and tilt of usual balls and bowlers, 330 rpm at 18 mph with 45 deg."""
    found = [
        roll(BoxBall(rg=rg, differential=d), replace(RELEASE, rev_rate=330.0, axis_tilt=tilt))["total_turn"]
        for rg in (2.46, 2.6)
        for d in (0.0, 0.06)
        for tilt in (5.0, 20.0)
    ]
    assert max(found) - 1.0 < 6.0


def test_positive_side_weight_hooks_more() -> None:
    """USBC Static Weight Study (a copy read): weight toward the axis point alters the motion."""
    ball = box_ball(BoxBall())
    shift = 3.2 / (15.0 * 16.0)
    found = [
        told(replace(ball, centre_of_mass=(oz * shift, 0.0, 0.0)))["entry"]["board"]
        for oz in (-1.0, 0.0, 1.0, 3.0)
    ]
    assert rising(found)
    assert 0.4 < found[2] - found[1] < 1.0


def test_a_ball_loses_some_miles_an_hour() -> None:
    """Trade pages: 2 to 3 mph."""
    assert 2.0 < RELEASE.speed - roll(BoxBall())["entry"]["speed"] < 3.5


@pytest.mark.parametrize(
    "name", ["speed_dominant_one_handed", "matched_one_handed", "rev_dominant_one_handed"]
)
def test_an_easy_pattern_gathers_the_balls(name: str) -> None:
    """USBC on a house and a flat pattern (its set-up read, its result from memory): the house is easier."""
    spreads = []
    for ratio in (8.0, 1.0):
        ends = spread(
            box_ball(BoxBall()),
            BOWLERS[name],
            lane_from_ratio(ratio, 22.0, 39.0),
            Sampling(200, 7, aimed=True),
        ).ends
        spreads.append(ends.contact_board[ends.arrived].std())
    assert spreads[0] < 0.92 * spreads[1]


def test_surface_and_oil_change_where_the_ball_turns_but_not_how_far() -> None:
    """Friction keeps the angular momentum about the contact: the release alone sets the last direction."""
    found = [one["total_turn"] for one in surfaces(Surface(grit=360), Surface(grit=4000, polished=True))]
    found += [roll(BoxBall(), lane=LANE.scaled(volume))["total_turn"] for volume in (10.0, 28.0)]
    assert np.ptp(found) < 1e-5


def surfaces(*chosen: Surface) -> list[dict[str, Any]]:
    return [roll(BoxBall(surface=surface)) for surface in chosen]


def test_a_sanded_surface_reads_earlier_than_a_polished_one() -> None:
    found = surfaces(
        Surface(grit=360), Surface(grit=1000), Surface(grit=2000), Surface(grit=4000, polished=True)
    )
    for name in ("skid_end", "roll_start"):
        assert rising([one["phases"][name] for one in found])
    assert rising([one["breakpoint"]["distance"] for one in found])


def test_more_oil_lengthens_the_skid() -> None:
    found = [roll(BoxBall(), lane=LANE.scaled(volume)) for volume in (10.0, 16.0, 22.0, 28.0)]
    for name in ("skid_end", "roll_start"):
        assert rising([one["phases"][name] for one in found])


def test_lower_speed_hooks_earlier() -> None:
    found = [roll(BoxBall(), replace(RELEASE, speed=speed)) for speed in (15.0, 17.0, 19.0, 21.0)]
    for name in ("skid_end", "roll_start"):
        assert rising([one["phases"][name] for one in found])
    assert rising([one["breakpoint"]["distance"] for one in found])


def test_more_revs_hook_earlier() -> None:
    found = [roll(BoxBall(), replace(RELEASE, rev_rate=revs)) for revs in (220.0, 280.0, 340.0, 400.0)]
    assert rising([-one["phases"]["skid_end"] for one in found])
    assert rising([-one["breakpoint"]["distance"] for one in found])
    assert rising([one["total_turn"] for one in found])


def test_rolling_starts_earlier_with_more_revs_on_an_even_lane() -> None:
    """There the slip to be used up is smaller; where the path crosses other oil it need not be so."""
    lane = uniform_lane(0.0)
    found = [
        roll(
            BoxBall(surface=Surface(friction=0.12)), replace(RELEASE, rev_rate=revs, axis_rotation=20.0), lane
        )
        for revs in (220.0, 280.0, 340.0, 400.0)
    ]
    assert rising([-one["phases"]["roll_start"] for one in found])


@pytest.mark.parametrize("angle", [30.0, 60.0, 90.0])
def test_the_ratio_hardly_changes_how_abruptly_the_ball_turns(angle: float) -> None:
    """The trade says: a higher asymmetry ratio at equal differential turns more abruptly.

    The model disagrees: Coulomb friction knows only the slip, which the ratio hardly touches. From a ratio of
    0 to 0.8 the sharpness falls by under 5 % in the mean over the phases of the grip, which span as much.
    """
    found = [
        roll(BoxBall(differential=0.05, intermediate_differential=0.05 * q, drilling_angle=angle))[
            "sharpness"
        ]
        for q in (0.0, 0.4, 0.8)
    ]
    change = [sharp / found[0] for sharp in found]
    assert rising([-one for one in change])
    assert 0.95 < change[2] < 1.0


def test_the_ratio_decides_how_the_layout_turns_the_flare() -> None:
    """A symmetrical ball's flare does not depend on the drilling angle, an asymmetrical one's does."""
    spread = [
        np.ptp(
            [
                roll(BoxBall(differential=0.05, intermediate_differential=0.05 * q, drilling_angle=angle))[
                    "flare"
                ]["width"]
                for angle in (30.0, 60.0, 90.0)
            ]
        )
        for q in (0.0, 0.4, 0.8)
    ]
    assert spread[0] < 1e-6
    assert rising([float(s) for s in spread])
