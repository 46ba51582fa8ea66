"""The compiled motion against the same equations written again (reference.py), solved by SciPy's DOP853."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ballgauge_service.motion.balls import BoxBall, MotionBall, box_ball
from ballgauge_service.motion.bowlers import Release, release_row
from ballgauge_service.motion.starts import USUAL, first_states, setup_row
from ballgauge_service.physics.motion import equations as eq
from ballgauge_service.physics.motion import notes
from ballgauge_service.physics.motion.sampled import deliver_sampled

from .reference import path
from .shots import LANE, RELEASE, as_reference

STRONG = BoxBall(differential=0.055, intermediate_differential=0.02)
ECCENTRIC = replace(box_ball(STRONG), centre_of_mass=(0.02, -0.03, 0.025))
WOBBLING = box_ball(BoxBall(differential=0.06))
CASES = {
    "even ball": (box_ball(BoxBall(differential=0.0)), RELEASE, 1),
    "asymmetrical": (box_ball(STRONG), RELEASE, 1),
    "mass center off": (ECCENTRIC, RELEASE, 1),
    "left-hander": (box_ball(replace(STRONG, hand="left")), RELEASE, 1),
    "grip lost again and again": (WOBBLING, RELEASE, 5),
}


@pytest.mark.parametrize(("ball", "release", "grips"), CASES.values(), ids=CASES)
def test_path_agrees_to_a_millionth_of_an_inch(ball: MotionBall, release: Release, grips: int) -> None:
    state = first_states(ball, release_row(release)[None])[0]
    setup = setup_row(ball, USUAL)
    inputs = (state, setup, LANE.grid())
    row, _, _ = deliver_sampled(*inputs, np.empty(0), USUAL.path_error, USUAL.largest_step)
    times = np.linspace(0.0, row[notes.TIME] - 1e-6, 61)
    _, taken, _ = deliver_sampled(*inputs, times, USUAL.path_error, USUAL.largest_step)
    places, end, _ = path(*as_reference(ball, release, LANE), times, rest=5e-5, watched=0.004)
    assert row[notes.ENDING] == 1
    assert row[notes.GRIPS] >= grips
    assert np.abs(taken[:, 1 + eq.X : 3 + eq.X] - places).max() < 1e-6
    assert row[notes.TIME] == pytest.approx(end, abs=1e-8)
