"""The phase of the grip at release, which nobody knows; and the turn that a release makes available."""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Any

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from ballgauge_service.motion.balls import BoxBall, box_ball
from ballgauge_service.motion.bowlers import Scatter, release_row
from ballgauge_service.motion.explanations import explain
from ballgauge_service.motion.lanes import Lane, uniform_lane
from ballgauge_service.motion.spreads import Sampling, spread
from ballgauge_service.motion.starts import first_states
from ballgauge_service.motion.surfaces import Surface
from ballgauge_service.physics.motion import equations as eq

from .shots import BOWLER, LANE, RELEASE, roll, rotation

BALLS = {
    "symmetrical": BoxBall(differential=0.048),
    "asymmetrical": BoxBall(differential=0.055, intermediate_differential=0.02),
    "left-handed": BoxBall(differential=0.03, hand="left"),
}
OTHER = BoxBall(rg=2.55, differential=0.02, surface=Surface(grit=4000))


def at(phase: float, box: BoxBall, lane: Lane = LANE, **options: Any) -> dict[str, Any]:
    return roll(box, replace(RELEASE, phase=phase), lane, **options)


@pytest.mark.parametrize("box", BALLS.values(), ids=BALLS)
def test_without_a_phase_numbers_are_means_with_their_range(box: BoxBall) -> None:
    """Against 24 phases, each given: their mean to a hundredth, and their range."""
    got = roll(box)
    each = [at(15.0 * k, box) for k in range(24)]
    ranges = got["roll_phases"]["ranges"]
    for name, values, mean in (
        ("entry_board", [one["entry"]["board"] for one in each], got["entry"]["board"]),
        ("entry_angle", [one["entry"]["angle"] for one in each], got["entry"]["angle"]),
        ("skid_end", [one["phases"]["skid_end"] for one in each], got["phases"]["skid_end"]),
    ):
        assert mean == pytest.approx(np.mean(values), abs=0.005)
        assert ranges[name] == pytest.approx([min(values), max(values)], abs=0.1 * np.ptp(values))
    assert ranges["entry_board"][1] - ranges["entry_board"][0] > 0.3
    assert {one["roll_phases"]["count"] for one in each} == {1}


@pytest.mark.parametrize("hand", ["right", "left"])
def test_the_phase_turns_the_ball_on_as_its_spin_does(hand: str) -> None:
    """Against Rodrigues' rotation about the spin, in the lane's frame; a whole turn is none."""
    ball = box_ball(replace(BALLS["asymmetrical"], hand=hand))
    states = first_states(
        ball, np.array([release_row(replace(RELEASE, phase=p)) for p in (0.0, 70.0, 360.0)])
    )
    before, after, whole = (rotation(state[eq.TURN : eq.TURN + 4]) for state in states)
    spin = before @ states[0, eq.SPIN : eq.SPIN + 3]
    turned = Rotation.from_rotvec(np.radians(70.0) * spin / np.linalg.norm(spin)).as_matrix()
    assert after == pytest.approx(turned @ before, abs=1e-12)
    assert whole == pytest.approx(before, abs=1e-12)


def test_the_mean_heading_swings_less_than_the_heading() -> None:
    """A rolling ball of unequal moments swings about its mean direction at every revolution."""
    ranges = roll(BALLS["symmetrical"])["roll_phases"]["ranges"]
    assert np.ptp(ranges["entry_mean_heading"]) < 0.5 * np.ptp(ranges["entry_angle"])


def test_scatter_includes_the_phase() -> None:
    """No other scatter: the spread is that of a sine, half its swing over root two, about the mean."""
    still = replace(BOWLER, release=RELEASE, scatter=Scatter(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0))
    box = BALLS["symmetrical"]
    found = spread(box_ball(box), still, LANE, Sampling(deliveries=60))
    got = roll(box)
    low, high = got["roll_phases"]["ranges"]["entry_board"]
    assert found.ends.board.mean() == pytest.approx(got["entry"]["board"], abs=0.005)
    assert found.ends.board.std() == pytest.approx((high - low) / 8**0.5, rel=0.05)
    known = replace(still, release=replace(RELEASE, phase=30.0))
    assert np.ptp(spread(box_ball(box), known, LANE, Sampling(deliveries=3)).ends.board) < 1e-12


def test_an_explanation_is_a_mean_over_the_phases() -> None:
    """Against the explanations of eight given phases."""
    first = box_ball(BALLS["symmetrical"])
    shot = replace(BOWLER, release=RELEASE)
    told = asdict(explain(first, box_ball(OTHER), LANE, shot))
    each = [
        asdict(explain(first, box_ball(OTHER), LANE, replace(shot, release=replace(RELEASE, phase=45.0 * k))))
        for k in range(8)
    ]
    for trait, effects in told["traits"].items():
        shares = [one["traits"][trait]["share"] for one in each]
        assert effects["share"] == pytest.approx(np.mean(shares), abs=0.002)
        low, high = effects["share_range"]
        assert low - 0.01 <= min(shares) <= max(shares) <= high + 0.01


LANES = {"dry": uniform_lane(0.0), "house": LANE, "flooded": uniform_lane(3000.0)}


@pytest.mark.parametrize("lane", LANES.values(), ids=LANES)
def test_the_release_makes_the_turn_available_whatever_the_friction(lane: Lane) -> None:
    """Angular momentum about the contact is kept: one turn on every lane, made or left at the pins."""
    release = replace(RELEASE, phase=0.0, launch_angle=4.0, launch_board=30.0)
    got = roll(BoxBall(), release, lane)
    dry = roll(BoxBall(), release, LANES["dry"])
    assert got["total_turn"] == pytest.approx(dry["total_turn"], abs=1e-5)
    made = got["end"]["heading"] + release.launch_angle
    if got["phases"]["roll_start"] is None:
        assert got["turn_left"] > 1.0
        assert made + got["turn_left"] == pytest.approx(got["total_turn"], abs=1e-9)
    else:
        assert got["turn_left"] == 0.0
        mean = got["roll_phases"]["ranges"]["entry_mean_heading"]
        assert mean == pytest.approx([got["total_turn"] - release.launch_angle] * 2)


@pytest.mark.parametrize("rg", [2.46, 2.56, 2.66])
def test_skid_and_hook_end_where_the_path_says(rg: float) -> None:
    """Against 2,001 samples of the same path: the marks lie on its heading to a thousandth of a foot."""
    got = at(0.0, BoxBall(rg=rg), samples=2001)
    turned = np.array(got["curves"]["heading"]) + RELEASE.launch_angle
    for name, share in (("skid_end", 0.25), ("hook_end", 0.9)):
        k = int(np.argmax(turned >= share * got["total_turn"]))
        marked = np.interp(
            share * got["total_turn"], turned[k - 1 : k + 1], got["curves"]["distance"][k - 1 : k + 1]
        )
        assert got["phases"][name] == pytest.approx(marked, abs=1e-3)
