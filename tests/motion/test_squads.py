"""A squad on a lane: oil is kept, hands mirror, the first shot is a delivery, and lanes move balls."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from ballgauge_schemas import ValidationError, example, flatten
from ballgauge_schemas.motion.request import MOTION_REQUEST
from ballgauge_schemas.shared.documents import motion_example
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.motion import answer
from ballgauge_service.motion.balls import BoxBall, box_ball
from ballgauge_service.motion.bowlers import release_row, scattered
from ballgauge_service.motion.evaluate import draw_motion, evaluate_motion
from ballgauge_service.motion.lanes import Wear, uniform_lane, worn_lane
from ballgauge_service.motion.lineup.wording import Wording
from ballgauge_service.motion.squads import Member, Played, Squad, play
from ballgauge_service.motion.starts import (
    USUAL,
    MotionSettings,
    Throw,
    first_states,
    run,
    setup_row,
    to_board,
)
from ballgauge_service.motion.surfaces import OilOnBall
from ballgauge_service.pages.languages import gettext
from ballgauge_service.physics.motion import equations as eq
from ballgauge_service.physics.motion import notes
from ballgauge_service.physics.motion.sampled import deliver_sampled, deliver_taking

from .shots import BOWLER, LANE, RELEASE

CARRYING = replace(USUAL, oil_on_ball=OilOnBall())
USUAL_BOWLER = replace(BOWLER, release=RELEASE)


def member(hand: str = "right", **box: Any) -> Member:
    return Member(replace(USUAL_BOWLER, hand=hand), box_ball(BoxBall(hand=hand, **box)), own=False)


def played(squad: Squad, settings: MotionSettings = CARRYING, lane: Any = LANE) -> Played:
    return play(squad, lane, settings, Wear(1))


@pytest.mark.parametrize(
    "oil",
    [
        OilOnBall(),
        OilOnBall(absorption_time=135.0),
        OilOnBall(1.0, 10.0, 1.0),
        OilOnBall(1.0, 10.0, 1.0, 20.0),
    ],
)
def test_oil_is_kept(oil: OilOnBall) -> None:
    """On the lane, wiped off balls and drawn in: what was put down, whatever covers do."""
    squad = Squad((member(), member("left", differential=0.0)), (0, 1, 1), 3, 2)
    found = played(squad, replace(USUAL, oil_on_ball=oil))
    for state in found.states:
        assert state.lane.cells.min() >= 0.0
        assert min(state.on_balls, state.absorbed) >= 0.0
        kept = state.lane.volume + state.on_balls + state.absorbed
        assert kept == pytest.approx(LANE.volume, abs=1e-12)
    assert (found.states[-1].absorbed > 0.0) == (oil.absorption_time is not None)
    assert found.states[-1].on_balls > 0.0


def test_what_lies_on_a_cover_is_its_closed_form() -> None:
    """A uniform ball that rolls straight on an even film: s F / (1 - s) round the ball, none drawn in."""
    radius, speed, film, split, footprint = 4.3, 12.0, 100.0, 0.3, 0.1
    ball = box_ball(BoxBall(differential=0.0, radius=radius))
    settings = replace(USUAL, oil_on_ball=OilOnBall(split, 100.0, footprint))
    release = replace(
        RELEASE,
        speed=speed,
        rev_rate=speed * 17.6 / radius * 30.0 / np.pi,
        axis_rotation=0.0,
        axis_tilt=0.0,
        launch_angle=0.0,
        launch_board=20.0,
    )
    state = first_states(ball, release_row(release)[None])[0]
    row, _, left = deliver_taking(state, setup_row(ball, settings), uniform_lane(film).grid(), 1e-6, 0.03)
    strip = 2.0 * np.pi * radius * np.sqrt(2.0 * np.pi) * footprint / 144.0
    assert left == pytest.approx(strip * split * film / (1.0 - split), rel=0.02)
    assert left == pytest.approx(row[notes.ON_COVER], rel=1e-9)


def test_left_handers_wear_the_mirror_image() -> None:
    right, left = (played(Squad((member(hand),), (0,), 4, 1)).states[-1] for hand in ("right", "left"))
    assert left.lane.cells[:, ::-1] == pytest.approx(right.lane.cells, abs=1e-5)
    assert left.places[0].board == pytest.approx(right.places[0].board, abs=1e-6)


def test_the_first_shot_is_a_delivery_on_the_fresh_lane_and_the_second_is_not() -> None:
    """Against `run` of the same scattered releases."""
    squad = Squad((member(),), (0,), 2, 1, seed=3)
    rows = played(squad).states[1].thrown[0].rows
    releases = scattered(RELEASE, BOWLER.scatter, 2, 3)
    alone = run([Throw(squad.members[0].ball, releases, LANE)], CARRYING)[0]
    assert rows[0] == pytest.approx(alone[0], rel=1e-9, nan_ok=True)
    assert abs(rows[1, notes.END_X] - alone[1, notes.END_X]) > 1e-4


def test_games_deplete_the_track_lay_oil_down_the_lane_and_move_balls_in() -> None:
    """Trade (common practice, no source): a lane that breaks down hooks earlier; carry-down lies beyond."""
    found = played(Squad((member(),), (0,), 15, 3))
    skid = [state.places[0].rows[:, notes.TURN_START].mean() for state in found.states]
    board = [state.places[0].contact_board.mean() for state in found.states]
    oil = [state.lane.volume for state in found.states]
    assert (np.diff(oil) < 0.0).all()
    assert (np.diff(skid) < 0.0).all()
    assert board[-1] > board[0]
    beyond = [state.lane.cells[82:].sum() for state in found.states]
    assert beyond[0] == 0.0
    assert (np.diff(beyond) > 0.0).all()


def test_without_oil_on_covers_the_film_wears_as_wear_says() -> None:
    """One shot, against `worn_lane` along its own path."""
    squad, wear = Squad((member(),), (0,), 1, 1), Wear(1, picked_up=0.02)
    found = play(squad, LANE, USUAL, wear)
    ball = squad.members[0].ball
    state = first_states(ball, scattered(RELEASE, BOWLER.scatter, 1, 0))[0]
    inputs = (state, setup_row(ball, USUAL), LANE.grid())
    row, _, _ = deliver_sampled(*inputs, np.empty(0), 1e-6, 0.03)
    _, taken, _ = deliver_sampled(*inputs, np.linspace(0.0, row[notes.TIME], 2001), 1e-6, 0.03)
    wanted = worn_lane(LANE, taken[:, 1 + eq.Y] / 12.0, to_board(taken[:, 1 + eq.X], 1.0), wear)
    assert found.states[1].lane.cells == pytest.approx(wanted.cells, abs=1e-2)
    told = answer.squad_answer(found)
    assert told["depletion"] != answer.squad_answer(played(squad))["depletion"]
    assert told["states"][1]["oil"]["absorbed"] == 0.0


@pytest.fixture(scope="module")
def asked() -> dict[str, Any]:
    request = motion_example("motion_squad")
    request["squad"] |= {"games": 2, "shots": 2, "aimed": False}
    return request


def test_a_squad_is_answered_and_drawn(asked: dict[str, Any]) -> None:
    """A panel a state, a panel of change a game, a line a bowler; the same seed, the same answer."""
    loaded = MOTION_REQUEST.load(asked)
    squad = evaluate_motion(loaded)["squad"]
    assert squad == evaluate_motion(loaded)["squad"]
    assert [state["shots"] for state in squad["states"]] == [0, 8, 16]
    assert squad["states"][0]["bowlers"][0]["thrown"] is None
    assert np.shape(squad["states"][0]["film"]) == (30, 39)
    assert [each["hand"] for each in squad["bowlers"]] == ["right", "right", "right", "left"]
    tag = "{http://www.w3.org/2000/svg}"
    drawn = ET.fromstring(draw_motion(loaded, None, Wording("de", gettext("de")), "svg"))
    ends = [line for line in drawn.findall(f"{tag}polyline") if line.get("class") == "s-bad"]
    assert len(ends) == 3 + 2
    known = [each["place"] for state in squad["states"] for each in state["bowlers"] if each["place"]]
    assert len(drawn.findall(f"{tag}circle")) == len(known) + len(squad["bowlers"]) > 10
    texts = {text.text for text in drawn.findall(f"{tag}text")}
    assert "nach Spiel 2" in texts
    assert "after game 2" not in texts


def test_names_in_pictures_are_escaped(asked: dict[str, Any]) -> None:
    named = {**asked, "squad": {**asked["squad"], "games": 1, "shots": 1}}
    named["squad"]["bowlers"] = [{"name": "<b>&", "bowler": "matched_one_handed"}]
    del named["squad"]["order"]
    page = draw_motion(MOTION_REQUEST.load(named))
    assert "&lt;b&gt;&amp;: " in page
    assert "<b>" not in page


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"order": ["Anna", "Ben", "Cleo", "Eva", "Dag"]}, "/squad/order/3"),
        ({"order": ["Anna", "Ben"]}, "/squad/order"),
        ({"shots": 100, "games": 2}, "/squad/shots"),
        ({"bowlers": [{"name": "A", "bowler": "matched_one_handed"}] * 2}, "/squad/bowlers"),
        ({"bowlers": [{"name": "A"}]}, "/squad/bowlers/0/release"),
        ({"bowlers": []}, "/squad/bowlers"),
    ],
)
def test_squads_that_cannot_be_are_refused_by_name(
    asked: dict[str, Any], change: dict[str, Any], pointer: str
) -> None:
    squad = {**asked["squad"], **change}
    if "bowlers" in change:
        squad.pop("order")
    with pytest.raises(ValidationError) as caught:
        MOTION_REQUEST.load({**asked, "squad": squad})
    assert [error["pointer"] for error in flatten(caught.value.messages)] == [pointer]


def test_a_drilled_ball_stays_in_the_hand_it_was_drilled_for(asked: dict[str, Any]) -> None:
    drilled = {name: example("drilled")[name] for name in ("ball", "drilling")}
    bowlers = [{"name": "A", "bowler": "matched_one_handed", "hand": "left"}]
    request = {k: v for k, v in asked.items() if k not in ("ball", "hand", "pap")}
    request |= {"drilled": drilled, "squad": {"bowlers": bowlers}}
    with pytest.raises(InvalidInput) as caught:
        evaluate_motion(MOTION_REQUEST.load(request))
    assert [fault.pointer for fault in caught.value.faults] == ["/squad/bowlers/0/hand"]
