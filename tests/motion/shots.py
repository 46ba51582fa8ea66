"""Balls, bowlers and lanes that the tests of motion share, and the package's delivery as a reference case."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas.motion.request import LaneSchema
from ballgauge_service.motion import answer
from ballgauge_service.motion.balls import BoxBall, MotionBall, box_ball
from ballgauge_service.motion.bowlers import BOWLERS, Release, release_row
from ballgauge_service.motion.delivery import deliver
from ballgauge_service.motion.lanes import Lane
from ballgauge_service.motion.request import read_lane
from ballgauge_service.motion.starts import USUAL, first_states
from ballgauge_service.motion.surfaces import surface_friction
from ballgauge_service.physics.motion import equations as eq
from ballgauge_service.physics.motion.film import MARGIN

from .reference import Case, start

Array = NDArray[np.float64]

HOUSE: dict[str, Any] = {
    "name": "forty feet, heavy in the middle",
    "zones": [
        {
            "from": 0,
            "to": 40,
            "films": [
                {"boards": [1, 7], "film": 60, "film_end": 10},
                {"boards": [8, 32], "film": 320, "film_end": 120},
                {"boards": [33, 39], "film": 60, "film_end": 10},
            ],
        }
    ],
}


def laid(pattern: Any) -> Lane:
    """The lane of an oil pattern as JSON has it."""
    return read_lane(LaneSchema().load({"pattern": pattern}))


LANE = laid(HOUSE)
BOWLER = BOWLERS["matched_one_handed"]
RELEASE = replace(BOWLER.release, launch_angle=2.0, launch_board=18.0)


def roll(box: BoxBall, release: Release = RELEASE, lane: Lane = LANE, **options: Any) -> dict[str, Any]:
    return told(box_ball(box), release, lane, **options)


def told(
    ball: MotionBall, release: Release = RELEASE, lane: Lane = LANE, *settings: Any, **options: Any
) -> Any:
    """A delivery as it is answered."""
    return answer.delivery(deliver(ball, release, lane, *settings, **options))


def rotation(quaternion: Array) -> Array:
    """Rotation matrix of a unit quaternion, scalar first (Euler-Rodrigues)."""
    a, v = quaternion[0], quaternion[1:]
    skew = np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])
    return np.eye(3) + 2.0 * a * skew + 2.0 * skew @ skew


def as_reference(ball: MotionBall, release: Release, lane: Lane) -> tuple[Case, Array]:
    """The same ball and lane for the independent solution, and its first state."""
    friction = surface_friction(ball.surface, USUAL.friction)
    case = Case(
        ball.radius,
        ball.axes.T @ np.diag(ball.moments) @ ball.axes,
        np.array(ball.centre_of_mass),
        lane.grid(),
        MARGIN,
        friction.oiled,
        friction.dry,
        friction.scale,
    )
    state = first_states(ball, release_row(release)[None])[0]
    turn = rotation(state[eq.TURN : eq.TURN + 4]) @ ball.axes
    spin = ball.side * release.rev_rate * 2.0 * np.pi / 60.0 * (turn @ np.array(ball.pap))
    return case, start(case, float(state[0]), state[2:4], spin, turn)
