"""Motions over HTTP, through the real application."""

from __future__ import annotations

import copy
import json
from typing import Any

import numpy as np
import pytest
from flask.testing import FlaskClient

from ballgauge_schemas.motion.answer import MOTION_RESULT
from ballgauge_schemas.motion.request import MOTION_REQUEST
from ballgauge_schemas.shared import limits
from ballgauge_schemas.shared.documents import motion_example
from ballgauge_service.core.budget import Deadline, NobodyWaits, within
from ballgauge_service.motion.evaluate import evaluate_motion

DRY_BALL = motion_example("motion_explain")["explain"]["ball"]


@pytest.fixture(scope="module")
def client(app: Any) -> FlaskClient:
    found: FlaskClient = app.test_client()
    return found


@pytest.fixture
def request_() -> dict[str, Any]:
    """One delivery of the example, without its studies."""
    asked = motion_example("motion")
    del asked["spread"], asked["samples"]
    return asked


def post(client: FlaskClient, request: Any, **headers: str) -> tuple[int, dict[str, Any]]:
    answer = client.post("/v1/motions", json=request, headers=headers)
    return answer.status_code, json.loads(answer.data)


def answer(client: FlaskClient, request: Any) -> dict[str, Any]:
    status, found = post(client, request)
    assert status == 200, found
    MOTION_RESULT.load(found)
    return found


def refused(client: FlaskClient, request: Any) -> dict[str, str]:
    status, problem = post(client, request)
    assert status == 422
    return {error["pointer"]: error["detail"] for error in problem["errors"]}


def test_a_delivery_is_told_in_order(client: FlaskClient, request_: dict[str, Any]) -> None:
    """Against the order of the phases and the energy's books."""
    found = answer(client, {**request_, "samples": 21})
    motion, phases = found["motion"], found["motion"]["phases"]
    assert motion["ending"] == "pins"
    assert 0 < phases["skid_end"] < phases["hook_end"] < 60
    assert phases["skid_end"] < phases["roll_start"] < 60
    assert abs(motion["energy"]["residual"]) < 1e-6 * motion["energy"]["start_moving"]
    assert {len(curve) for name, curve in motion["curves"].items()} == {21}
    assert motion["curves"]["board"][-1] == pytest.approx(motion["end"]["board"], abs=1e-6)
    assert found["units"]["distance"] == "ft"
    assert found["spread"] is found["line_map"] is found["explain"] is None


def test_the_same_request_gives_the_same_bytes(client: FlaskClient) -> None:
    """Against itself: seeds included; another seed gives another spread."""
    asked = motion_example("motion")
    asked["spread"]["deliveries"] = 20
    first, again = (client.post("/v1/motions", json=asked).data for _ in range(2))
    assert first == again
    asked["spread"]["seed"] = 8
    assert client.post("/v1/motions", json=asked).data != first


def test_a_left_hander_is_a_mirror_image(client: FlaskClient, request_: dict[str, Any]) -> None:
    """Against symmetry: boards count from the bowler's side, and the pattern is the same from both."""
    right, left = (answer(client, {**request_, "hand": hand})["motion"] for hand in ("right", "left"))
    assert left["entry"]["board"] == pytest.approx(right["entry"]["board"], abs=1e-4)
    assert left["entry"]["angle"] == pytest.approx(right["entry"]["angle"], abs=1e-4)


def test_what_is_not_given_is_said(client: FlaskClient, request_: dict[str, Any]) -> None:
    """Against the assumptions: no default is silent."""
    asked = copy.deepcopy(request_)
    del asked["hand"], asked["pap"], asked["bowler"], asked["ball"]["diameter"], asked["ball"]["surface"]
    del asked["ball"]["intermediate_differential"]
    asked["release"] = {"speed": 18, "rev_rate": 330, "axis_rotation": 45, "axis_tilt": 12}
    told = " ".join(answer(client, asked)["assumptions"])
    for words in ("hand", "positive axis point", "launch angle", "launch board", "diameter", "cover", "grit"):
        assert f"No {words}" in told
    assert "symmetrical" in told


def test_a_spread_counts_every_delivery(client: FlaskClient, request_: dict[str, Any], sentence: Any) -> None:
    """Against the number asked for."""
    spread = answer(client, {**request_, "spread": {"deliveries": 30}})["spread"]
    assert sum(spread["endings"].values()) == spread["deliveries"] == 30
    assert 0 <= spread["window"]["share"] <= 1
    assert spread["window"]["meaning"] == sentence("meaning of the window")


def test_a_line_map_has_every_point_and_a_picture(client: FlaskClient) -> None:
    """Against the balls, volumes and bowlers asked for; a rougher surface reads earlier (common practice)."""
    asked = motion_example("motion_line_map")
    asked["line_map"] |= {"deliveries": 4, "bowlers": ["matched_one_handed"]}
    found = answer(client, asked)
    (picture,) = found["line_map"]["bowlers"]
    assert len(picture["points"]) == 4 * 2
    assert {point["volume"] for point in picture["points"]} == {20.0, 26.0}
    assert all(change["length_change"]["mean"] < 0 for change in found["surface_change"])
    page = client.post(
        "/v1/motions", json={**asked, "picture": "matched_one_handed"}, headers={"Accept": "text/html"}
    )
    assert page.content_type.startswith("text/html")
    assert b"Ostrel Works Beck 30" in page.data
    both = {**asked, "line_map": {**asked["line_map"], "bowlers": ["own", "matched_one_handed"]}}
    sheet = client.post("/v1/motions", json=both, headers={"Accept": "text/html"}).data
    assert b"length to the hook" in sheet
    assert sheet.count(b"matched one handed") == 1


def test_a_line_map_of_drilled_balls_and_bowlers_of_ones_own(
    client: FlaskClient, drilled: dict[str, Any]
) -> None:
    """Against the same drilled ball alone, and against a bowler's own line where the map need not move it."""
    asked = motion_example("motion_line_map")
    both = {name: drilled[name] for name in ("ball", "drilling")}
    own = {"speed": 17.5, "rev_rate": 350, "axis_rotation": 50, "axis_tilt": 10, "launch_board": 24}
    asked["line_map"] = {
        "drilled": [both],
        "own_bowlers": [{"name": "A", "release": own}, {"name": "B", "bowler": "matched_two_handed"}],
        "deliveries": 4,
    }
    found = answer(client, asked)["line_map"]["bowlers"]
    assert [one["bowler"] for one in found] == ["A", "B"]
    for one in found:
        assert [point["ball"] for point in one["points"]][1] == drilled["ball"].get("name", "ball 2")
        assert len(one["points"]) == 2
    other = {**both, "drilling": {**drilled["drilling"], "hand": "left"}}
    asked["line_map"]["drilled"] = [other]
    refused = client.post("/v1/motions", json=asked)
    assert refused.status_code == 422
    assert [e["pointer"] for e in refused.get_json()["errors"]] == ["/line_map/drilled/0/drilling/hand"]


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({}, "/line_map/balls"),
        ({"balls": [DRY_BALL], "own_bowlers": [{"name": "A"}]}, "/line_map/own_bowlers/0/release"),
        (
            {"balls": [DRY_BALL], "own_bowlers": [{"name": "A", "bowler": "matched_one_handed"}] * 2},
            "/line_map/own_bowlers",
        ),
        (
            {"balls": [DRY_BALL], "own_bowlers": [{"name": " ", "bowler": "matched_one_handed"}]},
            "/line_map/own_bowlers/0/name",
        ),
        ({"drilled": [{"ball": {}, "drilling": {}}]}, "/line_map/drilled/0/drilling/pap"),
    ],
)
def test_bad_members_of_a_line_map_are_named(client: FlaskClient, change: Any, pointer: str) -> None:
    refused = client.post("/v1/motions", json={**motion_example("motion_line_map"), "line_map": change})
    assert refused.status_code == 422
    assert pointer in [error["pointer"] for error in refused.get_json()["errors"]]


CURVE = {"oiled": 0.05, "dry": 0.2, "scale": 50}


def shots_of(client: FlaskClient, asked: dict[str, Any], lines: list[tuple[float, float]]) -> list[Any]:
    """Shots without errors, from the curves of the service itself."""
    found = []
    for board, angle in lines:
        release = {"launch_board": board, "launch_angle": angle, "phase": 20}
        curves = answer(client, {**asked, "release": release, "samples": 801})["motion"]["curves"]
        passages = [
            {
                "distance": distance,
                **{n: float(np.interp(distance, curves["distance"], curves[n])) for n in ("time", "board")},
            }
            for distance in (10, 22, 34, 46, 57)
        ]
        found.append({"release": release, "passages": passages})
    return found


def test_friction_is_found_from_shots_and_used(client: FlaskClient, request_: dict[str, Any]) -> None:
    """Against the curve of the shots; the delivery of the same request is by what is found."""
    thrown = copy.deepcopy(request_)
    thrown["ball"]["surface"] = {"curve": CURVE}
    lines = [(12, 1.5), (15, 2), (18, 2.4), (22, 3), (26, 3.4), (28, 4.4), (32, 4), (34, 5.5)]
    calibrate = {"shots": shots_of(client, thrown, lines)}
    found = answer(client, {**request_, "calibrate": calibrate})
    curve = found["calibration"]["curve"]
    for name, value in CURVE.items():
        assert curve[name] == pytest.approx(value, rel=0.02)
    assert found["calibration"]["chi_square"] < 1.0
    again = copy.deepcopy(request_)
    again["ball"]["surface"] = {"curve": curve}
    assert answer(client, again)["motion"]["entry"] == found["motion"]["entry"]


def test_the_most_shots_are_priced_by_what_is_run(request_: dict[str, Any]) -> None:
    """The usual ball's fit is begun, though its steps at the accuracy of one delivery would be too many."""
    passages = [{"distance": d, "time": d / 26, "board": 20} for d in (10, 20, 30)]
    request_["calibrate"] = {"shots": [{"passages": passages}] * limits.SHOTS_MAXIMUM}
    over = Deadline(60.0)
    over.give_up()
    with within(over), pytest.raises(NobodyWaits):
        evaluate_motion(MOTION_REQUEST.load(request_))


def test_a_shot_that_cannot_have_been_is_named(client: FlaskClient, request_: dict[str, Any]) -> None:
    """Its release lies in the gutter long before the sensors that saw it; the other is sound."""
    (sound,) = shots_of(client, request_, [(18, 2.4)])
    lost = {**sound, "release": {"launch_board": 1, "launch_angle": 14}}
    asked = {**request_, "calibrate": {"shots": [sound, lost]}}
    assert set(refused(client, asked)) == {"/calibrate/shots/1"}


@pytest.mark.parametrize(
    ("shots", "pointer"),
    [
        ([], "/calibrate/shots"),
        ([{"passages": [{"distance": 10, "time": 1}] * 2}], "/calibrate/shots/0/passages"),
        ([{"passages": [{"distance": 10, "time": 1}] * 3}], "/calibrate/shots/0/passages"),
        (
            [{"passages": [{"distance": 10}, {"distance": 20, "time": 1}, {"distance": 30, "time": 2}]}],
            "/calibrate/shots/0/passages/0/time",
        ),
        (
            [{"passages": [{"distance": d, "board": 60} for d in (10, 20, 30)]}],
            "/calibrate/shots/0/passages/0/board",
        ),
        # Sound, but one shot says too little.
        ([{"passages": [{"distance": d, "board": 20} for d in (10, 20, 30)]}], "/calibrate/shots"),
    ],
)
def test_shots_that_tell_nothing_are_refused(
    client: FlaskClient, request_: dict[str, Any], shots: Any, pointer: str
) -> None:
    assert pointer in refused(client, {**request_, "calibrate": {"shots": shots}})


@pytest.mark.parametrize(
    ("curve", "pointer"),
    [
        ({"oiled": 0.3}, "/ball/surface/curve/oiled"),
        ({"covariance": [[1, 0, 0], [0, 1, 0]]}, "/ball/surface/curve/covariance"),
        ({"covariance": [[1, 2, 0], [2, 1, 0], [0, 0, 1]]}, "/ball/surface/curve/covariance"),
        ({"covariance": [[1, 0.5, 0], [0.4, 1, 0], [0, 0, 1]]}, "/ball/surface/curve/covariance"),
    ],
)
def test_curves_that_cannot_be_are_refused(
    client: FlaskClient, request_: dict[str, Any], curve: Any, pointer: str
) -> None:
    request_["ball"]["surface"] = {"curve": {**CURVE, **curve}}
    assert pointer in refused(client, request_)


def test_oil_in_the_trades_units(client: FlaskClient, request_: dict[str, Any]) -> None:
    """Against the same film in µL/ft²: a unit is 16.7 (from memory, no source)."""
    both = [answer(client, {**request_, "lane": {"film": film}}) for film in ("3 units", 50.1)]
    assert both[0]["motion"] == both[1]["motion"]


def test_oil_on_the_ball_is_told(client: FlaskClient, request_: dict[str, Any]) -> None:
    """Against none: nothing is taken then, and the assumption says which it is."""
    without = answer(client, request_)
    carrying = answer(client, {**request_, "oil_on_ball": {"absorption_time": "90 min"}})
    assert without["motion"]["oil_taken"] == 0.0 < carrying["motion"]["oil_taken"] < 40.0
    assert carrying["motion"]["entry"]["board"] < without["motion"]["entry"]["board"]
    assert without["assumptions"] != carrying["assumptions"]


def test_an_explanation_adds_up(client: FlaskClient, request_: dict[str, Any]) -> None:
    """Against the difference of the two boards: the shares and the rest are all of it."""
    found = answer(client, {**request_, "explain": {"ball": DRY_BALL}})["explain"]
    shares = sum(effects["share"] for effects in found["traits"].values())
    assert shares + found["other_differences"] == pytest.approx(found["difference"], abs=1e-9)
    assert found["board_second"] - found["board_first"] == pytest.approx(found["difference"], abs=1e-9)


def test_a_drilled_ball(client: FlaskClient, drilled: dict[str, Any], request_: dict[str, Any]) -> None:
    """Against the drilled weight of the same request to /v1/drillings."""
    both = {name: drilled[name] for name in ("ball", "drilling")}
    weighed = client.post("/v1/drillings", json=both).get_json()["derived"]["drilled"]["weight"]
    del request_["ball"], request_["hand"], request_["pap"]
    found = answer(client, {**request_, "drilled": both})
    assert found["ball"]["weight"] == pytest.approx(weighed, rel=1e-12)
    assert found["motion"]["ending"] == "pins"


def test_drilled_balls_are_explained(
    client: FlaskClient, drilled: dict[str, Any], request_: dict[str, Any]
) -> None:
    """Against the boards of both alone; one ball with another surface: that is all of the difference."""
    both = {name: drilled[name] for name in ("ball", "drilling")}
    own = {name: value for name, value in request_.items() if name not in ("ball", "hand", "pap")}
    dull = {**both, "surface": {"grit": 500}}
    found = answer(client, {**own, "drilled": both, "explain": {"drilled": dull}})["explain"]
    alone = answer(client, {**own, "drilled": dull})["motion"]["entry"]["board"]
    assert found["board_second"] == pytest.approx(alone, abs=1e-6)
    assert found["traits"]["surface"]["share"] == pytest.approx(found["difference"], abs=1e-9) != 0.0
    found = answer(client, {**own, "drilled": both, "explain": {"ball": DRY_BALL}})["explain"]
    shares = sum(effects["share"] for effects in found["traits"].values())
    assert shares + found["other_differences"] == pytest.approx(found["difference"], abs=1e-9)
    other = {**both, "drilling": {**drilled["drilling"], "hand": "left"}}
    for explained, pointer in (
        ({"drilled": other}, "/explain/drilled/drilling/hand"),
        ({"drilled": both, "ball": DRY_BALL}, "/explain/drilled"),
        ({}, "/explain/ball"),
    ):
        assert set(refused(client, {**own, "drilled": both, "explain": explained})) == {pointer}
    lost = {**own, "drilled": both, "release": {"launch_board": 5, "launch_angle": 5}}
    assert "/drilled" in refused(client, {**lost, "explain": {"drilled": dull}})


def test_worn_oil_says_so(client: FlaskClient, request_: dict[str, Any]) -> None:
    """Against the fresh lane: the ball reads earlier, and the assumption is said."""
    fresh, worn = answer(client, request_), answer(client, {**request_, "wear": {"deliveries": 40}})
    assert worn["motion"]["phases"]["skid_end"] < fresh["motion"]["phases"]["skid_end"]
    assert any("After 40 deliveries" in text for text in worn["assumptions"])


def test_a_picture_needs_nothing_else(client: FlaskClient, request_: dict[str, Any]) -> None:
    """Against HTML without addresses of scripts or styles."""
    page = client.post("/v1/motions", json=request_, headers={"Accept": "text/html"})
    assert page.status_code == 200
    assert page.content_type == "text/html; charset=utf-8"
    assert b"<script src" not in page.data
    assert b"<link" not in page.data
    assert client.post("/v1/motions", json=request_, headers={"Accept": "image/png"}).status_code == 406


def test_a_squad_alone_is_drawn_as_svg(client: FlaskClient, request_: dict[str, Any]) -> None:
    bowlers = [{"name": "A", "bowler": "matched_one_handed"}]
    asked = {**request_, "language": "de", "squad": {"bowlers": bowlers, "games": 1, "shots": 1}}
    drawn = client.post("/v1/motions", json=asked, headers={"Accept": "image/svg+xml"})
    assert drawn.content_type == "image/svg+xml; charset=utf-8"
    assert drawn.data.startswith(b"<svg xmlns")
    assert b"nach Spiel 1" in drawn.data
    lone = client.post("/v1/motions", json=request_, headers={"Accept": "image/svg+xml"})
    assert lone.status_code == 422
    assert [error["pointer"] for error in lone.get_json()["errors"]] == ["/picture"]


def test_a_ball_that_leaves_the_lane(client: FlaskClient, request_: dict[str, Any], sentence: Any) -> None:
    """Against the words: the path until then, and no entry."""
    found = answer(client, {**request_, "release": {"launch_board": 5, "launch_angle": 5}})
    assert found["motion"]["ending"] == "gutter"
    assert set(found["motion"]["entry"].values()) == {None}
    assert 0 < found["motion"]["distance"] < 60
    (caution,) = found["cautions"]
    assert caution["message"] == sentence("motion: left the lane")
    lost = refused(
        client,
        {**request_, "release": {"launch_board": 5, "launch_angle": 5}, "explain": {"ball": DRY_BALL}},
    )
    assert "/ball" in lost


def test_a_ball_that_never_lands_wears_nothing(
    client: FlaskClient, request_: dict[str, Any], sentence: Any
) -> None:
    """Against the words: thrown over the gutter, it meets no oil."""
    request_["release"] = {"launch_board": 1, "launch_angle": 15, "loft": 20}
    assert refused(client, {**request_, "wear": {"deliveries": 1}})["/wear"] == sentence(
        "motion: before it lands"
    )


def test_a_ball_that_never_rolls(client: FlaskClient, request_: dict[str, Any]) -> None:
    """Against the words: fully oiled, it slides all the way."""
    request_["lane"] = {"film": 2000}
    request_["release"] = {"speed": 24, "launch_board": 20, "launch_angle": 0}
    found = answer(client, request_)
    assert found["motion"]["phases"]["roll_start"] is None
    assert any("never rolled" in caution["message"] for caution in found["cautions"])


@pytest.mark.parametrize(
    ("name", "warned", "beyond"),
    [("speed", 28, 41), ("rev_rate", 700, 1300), ("axis_rotation", 120, 200), ("axis_tilt", 70, 95)],
)
def test_beyond_what_a_person_can_do(
    client: FlaskClient, request_: dict[str, Any], name: str, warned: float, beyond: float
) -> None:
    """Against the limits in the contract: warned of inside a wide range, refused outside."""
    request_["release"][name] = warned
    found = answer(client, request_)
    assert f"/release/{name}" in {caution["pointer"] for caution in found["cautions"]}
    request_["release"][name] = beyond
    assert set(refused(client, request_)) == {f"/release/{name}"}


def _zones(*ends: tuple[float, float], boards: tuple[int, int] = (1, 39)) -> dict[str, Any]:
    films = [{"boards": list(boards), "film": 50}]
    return {"pattern": {"zones": [{"from": first, "to": last, "films": films} for first, last in ends]}}


@pytest.mark.parametrize(
    ("lane", "pointer", "words"),
    [
        (_zones((0, 70)), "/lane/pattern/zones/0/to", "longer than the lane"),
        (_zones((0, 10), (12, 40)), "/lane/pattern/zones/1/from", "a gap"),
        (_zones((0, 10), (8, 40)), "/lane/pattern/zones/1/from", "an overlap"),
        (_zones((0, 40), boards=(1, 30)), "/lane/pattern/zones/0/films", "a gap between films"),
        ({"pattern": {**_zones((0, 40))["pattern"], "volume": 90}}, "/lane/pattern/volume", "the films hold"),
    ],
)
def test_impossible_patterns(
    client: FlaskClient, request_: dict[str, Any], lane: Any, pointer: str, words: str, sentence: Any
) -> None:
    """Against the rules of a pattern."""
    assert refused(client, {**request_, "lane": lane})[pointer] == sentence(f"pattern: {words}")


def test_impossible_balls_are_named_where_they_are(
    client: FlaskClient, request_: dict[str, Any], sentence: Any
) -> None:
    """Against the greatest radius of gyration of a ball of that size."""
    bad = {**request_["ball"], "rg": 3.2, "diameter": 7.5, "differential": 0.2}
    assert set(refused(client, {**request_, "ball": bad})) == {"/ball/rg"}
    assert set(refused(client, {**request_, "explain": {"ball": bad}})) == {"/explain/ball/rg"}
    assert set(refused(client, {**request_, "line_map": {"balls": [bad]}})) == {"/line_map/balls/0/rg"}
    balls = [request_["ball"]]
    dry = {**request_, "lane": {"film": 0}, "line_map": {"balls": balls, "volumes": [20]}}
    assert refused(client, dry)["/line_map/volumes"] == sentence("motion: dry lane")
