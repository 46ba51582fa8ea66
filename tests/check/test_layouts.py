"""Every way to state a layout against places found by rotation matrices, and against one another."""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from ballgauge_schemas import ValidationError, load_check_body
from ballgauge_schemas.shared.problems import flatten
from ballgauge_service.check.evaluate import evaluate_checks
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.web import direct

Body = dict[str, Any]
Make = Callable[..., Body]

DIAMETER = 8.55
RADIUS = 0.5 * DIAMETER


def _turn(axis: str, angle: float) -> np.ndarray:
    """The right-handed rotation about a coordinate axis, (3, 3)."""
    c, s = math.cos(angle), math.sin(angle)
    i, j = {"x": (1, 2), "y": (2, 0), "z": (0, 1)}[axis]
    found = np.eye(3)
    found[i, i] = found[j, j] = c
    found[i, j], found[j, i] = -s, s
    return found


def marks(hand: str, over: float, up: float, angle: float, arc: float, val: float) -> dict[str, np.ndarray]:
    """PAP, pin and mark of a layout as unit vectors (x right, y up, z to the grip center), by rotations.

    A frame starts at the grip center, its z outward and its y up. It is carried over to the PAP, turned by
    the VAL angle and carried to the pin, turned by the drilling angle and carried a quarter turn. All of it
    is for a right-hander; a left-hander is the mirror image.
    """
    pap = _turn("y", over / RADIUS) @ _turn("x", -up / RADIUS)
    # About z, toward -x, which is toward the grip; along y after a turn about x by minus the arc.
    pin = pap @ _turn("z", math.radians(val)) @ _turn("x", -arc / RADIUS)
    # Back along the way the pin came from is -y; seen from outside, clockwise from there.
    psa = pin @ _turn("z", math.pi - math.radians(angle)) @ _turn("x", -0.5 * math.pi)
    found = {"pap": pap[:, 2], "pin": pin[:, 2], "psa": psa[:, 2]}
    mirror = np.array([1.0 if hand == "right" else -1.0, 1.0, 1.0])
    return {name: mirror * at for name, at in found.items()}


def arcs(at: np.ndarray) -> dict[str, float]:
    """A place as arcs from the grip center."""
    return {
        "right": RADIUS * math.atan2(at[0], at[2]),
        "up": RADIUS * math.asin(max(-1.0, min(1.0, at[1]))),
    }


def between(a: np.ndarray, b: np.ndarray) -> float:
    """The arc between two places."""
    return RADIUS * math.atan2(float(np.linalg.norm(np.cross(a, b))), float(a @ b))


def unit(place: Body) -> np.ndarray:
    """A place of the answer as a unit vector."""
    across, rise = place["right"] / RADIUS, place["up"] / RADIUS
    return np.array([math.cos(rise) * math.sin(across), math.sin(rise), math.cos(rise) * math.cos(across)])


def body_of(hand: str, over: float, up: float, layout: Body, **ball: Any) -> Body:
    return {
        "ball": {"weight": 15, "diameter": DIAMETER, "top_weight": 2.5, **ball},
        "drilling": {"hand": hand, "pap": {"over": over, "up": up}, "layout": layout, "holes": []},
    }


def answered(body: Body) -> Body:
    return evaluate_checks(load_check_body(copy.deepcopy(body))[0])[0]["derived"]["layout"]


axis_points = {"over": st.floats(3.5, 6.0), "up": st.floats(-1.0, 1.5)}


@settings(max_examples=60, deadline=None)
@given(
    hand=st.sampled_from(["right", "left"]),
    angle=st.floats(2.0, 178.0),
    arc=st.floats(0.3, 6.5),
    val=st.floats(2.0, 178.0),
    **axis_points,
)
def test_every_way_in_gives_the_same_ball(
    hand: str, angle: float, arc: float, val: float, over: float, up: float
) -> None:
    """Two angles, arcs, one of each, and places: all forms come out of all, as rotations have them."""
    there = marks(hand, over, up, angle, arc, val)
    normal = np.cross(there["pap"], [0.0, 1.0, 0.0])
    to_val = RADIUS * abs(math.asin(there["pin"] @ normal / np.linalg.norm(normal)))
    told = {
        "drilling_angle": angle,
        "pin_to_pap": arc,
        "val_angle": val,
        "pap_to_psa": between(there["pap"], there["psa"]),
        "pin_to_val": to_val,
        "pin_below": val > 90.0,
    }
    assume(abs(val - 90.0) > 1.0)
    ways = [
        ("drilling_angle", "val_angle"),
        ("pap_to_psa", "pin_to_val", "pin_below"),
        ("drilling_angle", "pin_to_val", "pin_below"),
        ("pap_to_psa", "val_angle"),
    ]
    layouts: list[Body] = [{name: told[name] for name in ("pin_to_pap", *way)} for way in ways]
    layouts.append({name: arcs(there[name]) for name in ("pin", "psa")})
    for layout in layouts:
        found = answered(body_of(hand, over, up, layout))
        for name, value in told.items():
            assert found[name] == pytest.approx(value, abs=1e-5), (name, layout)
        for name, at in there.items():
            np.testing.assert_allclose(unit(found[name]), at, atol=1e-6)


@settings(max_examples=30, deadline=None)
@given(
    hand=st.sampled_from(["right", "left"]),
    pin=st.tuples(st.floats(0.5, 3.5), st.floats(0.5, 3.5)),
    right=st.floats(-3.0, 3.0),
    rise=st.floats(-2.0, 2.0),
    **axis_points,
)
def test_a_free_center_of_gravity_is_where_it_is_put(
    hand: str, pin: tuple[float, float], right: float, rise: float, over: float, up: float
) -> None:
    """A ball without holes weighs its top weight along its mark, wherever that lies (statics)."""
    side = 1.0 if hand == "right" else -1.0
    layout = {
        "pin": {"right": side * pin[0], "up": pin[1]},
        "cg": {"right": right, "up": rise},
    }
    assume(math.dist(pin, (side * right, rise)) > 0.5)
    assume(math.dist(pin, (over, up)) > 0.1)
    body = body_of(hand, over, up, layout)
    told = evaluate_checks(load_check_body(body)[0])[0]["derived"]
    x, y, z = 2.5 * unit(layout["cg"])
    shown = told["balance"]["predicted"]
    assert (shown["top"], shown["side"], shown["finger"]) == pytest.approx((z, side * x, y), abs=1e-9)
    assert told["layout"]["cg_mark"] == pytest.approx(layout["cg"], abs=1e-9)
    way = unit(layout["cg"]) - (unit(layout["cg"]) @ unit(layout["pin"])) * unit(layout["pin"])
    np.testing.assert_allclose(unit(told["layout"]["psa"]), way / np.linalg.norm(way), atol=1e-6)


BAD: dict[str, tuple[Body, set[str]]] = {
    "nothing": ({}, {"drilling_angle", "pin_to_pap", "val_angle"}),
    "arc without a way to the mark": ({"pin_to_pap": 4, "val_angle": 30}, {"drilling_angle"}),
    "two ways to the mark": (
        {"pin_to_pap": 4, "drilling_angle": 40, "pap_to_psa": 5, "val_angle": 30},
        {"pap_to_psa"},
    ),
    "places beside an arc": (
        {"pin": {"right": 1, "up": 1}, "psa": {"right": 1, "up": -5}, "pin_to_pap": 4},
        {"pin_to_pap"},
    ),
    "a mark without a pin": ({"psa": {"right": 1, "up": -5}}, {"pin"}),
    "a pin without a mark": ({"pin": {"right": 1, "up": 1}}, {"psa"}),
    "a side of nothing": (
        {"pin_to_pap": 4, "drilling_angle": 40, "val_angle": 30, "pin_below": True},
        {"pin_below"},
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_a_layout_is_stated_one_way_and_whole(name: str) -> None:
    layout, pointers = BAD[name]
    with pytest.raises(ValidationError) as refused:
        load_check_body(body_of("right", 5, 0.5, layout))
    found = {fault["pointer"] for fault in flatten(refused.value.messages)}
    assert found == {f"/drilling/layout/{each}" for each in pointers}


IMPOSSIBLE: dict[str, tuple[Body, set[str]]] = {
    "arcs that no ball has": (
        {"pin_to_pap": 1, "pap_to_psa": 1, "pin_to_val": 3},
        {"pap_to_psa", "pin_to_val"},
    ),
    "a mark near the pin": ({"pin": {"right": 1, "up": 1}, "psa": {"right": 1, "up": -2}}, {"psa"}),
    "the pin on the axis point": (
        {"pin": {"right": 5, "up": 0.5}, "psa": {"right": -1.7, "up": 0.2}},
        {"pin"},
    ),
    "the mark on the pin": ({"pin": {"right": 1, "up": 1}, "cg": {"right": 1, "up": 1}}, {"cg"}),
}


@pytest.mark.parametrize("name", IMPOSSIBLE)
def test_what_no_ball_has_is_refused_where_it_stands(name: str) -> None:
    layout, pointers = IMPOSSIBLE[name]
    with pytest.raises(InvalidInput) as refused:
        answered(body_of("right", 5, 0.5, layout))
    assert {fault.pointer for fault in refused.value.faults} == {
        f"/drilling/layout/{each}" for each in pointers
    }


def test_two_places_of_the_center_of_gravity_are_refused() -> None:
    layout = {"pin_to_pap": 4, "drilling_angle": 40, "val_angle": 30, "cg": {"right": 1, "up": 1}}
    with pytest.raises(ValidationError) as refused:
        load_check_body(body_of("right", 5, 0.5, layout, pin_to_cg=2))
    assert [fault["pointer"] for fault in flatten(refused.value.messages)] == ["/ball/pin_to_cg"]


def test_an_uncertain_place_is_carried_on(request_for: Make) -> None:
    """The mark of 2.5 oz moved by u along the midline moves the side weight by 2.5 u cos / R, by hand."""
    u = 0.1
    layout = {"pin": {"right": 1, "up": 3}, "cg": {"right": {"value": 0, "uncertainty": u}, "up": 0}}
    body = body_of("right", 5, 0.5, layout)
    found = evaluate_checks(load_check_body(body)[0])[0]["derived"]["balance"]["predicted"]
    assert found["uncertainty"]["side"] == pytest.approx(2.5 * u / RADIUS, rel=1e-3)


def _spans(request_for: Make, **grip: Any) -> list[Body]:
    body = request_for()
    body["drilling"]["grip"].update(grip)
    told = direct.check(body)
    return [hole["at"] for hole in told["derived"]["holes"]]


def test_spans_between_inserts(request_for: Make) -> None:
    """An insert's edge stands its thickness farther from the thumb than its hole's edge does."""
    thick = 0.125
    cut = _spans(request_for)
    span = {name: value + thick for name, value in (("span_middle", 4.25), ("span_ring", 4.375))}
    inserts = _spans(request_for, span_kind="edge_to_edge", insert_thickness=thick, **span)
    assert inserts == [pytest.approx(at, abs=1e-9) for at in cut]


def test_full_is_the_old_word_for_center_to_center(request_for: Make) -> None:
    body = request_for()
    answers = []
    for kind in ("full", "center_to_center"):
        body["drilling"]["grip"]["span_kind"] = kind
        answers.append(direct.check(copy.deepcopy(body)))
    old, new = answers
    assert old["derived"] == new["derived"]
    codes = [[caution["code"] for caution in answer["cautions"]] for answer in answers]
    assert codes[0].count("deprecated") == 1
    assert "deprecated" not in codes[1]


@pytest.mark.parametrize("grip", [{"span_kind": "edge_to_edge"}, {"insert_thickness": 0.1}])
def test_inserts_and_their_spans_go_together(request_for: Make, grip: Body) -> None:
    body = request_for()
    body["drilling"]["grip"].update(grip)
    with pytest.raises(ValidationError) as refused:
        load_check_body(body)
    pointers = [fault["pointer"] for fault in flatten(refused.value.messages)]
    assert pointers == ["/drilling/grip/insert_thickness"]
