"""A desk: what can be measured and seen there, with the ball on the list, is enough; less is no pass."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ballgauge import Client, InvalidRequest, strategies
from ballgauge_schemas import load_check_body
from ballgauge_service.check.evaluate import evaluate_checks
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.rulebooks import edition

Body = dict[str, Any]
Check = Callable[[Body], Body]

LIST = [{"brand": "Ostrel Works", "model": "Tarn 48", "approved_on": "2021-05-14"}]
SEEN: Body = {
    "finger_holes": 2, "thumb_holes": 1, "unused_finger_holes": 0, "thumb_used": True,
    "gripping_hole_diameter": "31/32 in", "gripping_hole_depth": 3, "balance_holes": 0,
    "vent_holes": 1, "vent_hole_diameter": "1/4 in", "mill_holes": 1, "mill_hole_diameter": "5/8 in",
    "mill_hole_depth": "1/8 in",
}  # fmt: skip
DESK: Body = {
    "ball": {"name": "Ostrel Works Tarn 48", "serial": "OW7K20431", "drilled_weight": 14.9,
             "circumference": 26.9},
    "holes_seen": SEEN,
    "measured_balance": {"top": 1.0, "side": 0.5, "finger": -0.25},
    "rules": {"on": "2026-05-01", "approved_list": LIST},
}  # fmt: skip
ASKED = [
    ("ball", "name"),
    ("ball", "circumference"),
    *(("holes_seen", name) for name in SEEN if name not in ("unused_finger_holes", "thumb_used")),
    *(("measured_balance", name) for name in ("top", "side", "finger")),
]


def lacking(answer: Body) -> set[str]:
    return {each["field"] for each in answer["missing"]}


@pytest.mark.parametrize("rules", [{}, {"body": "ibf", "as_made": "usbc"}])
def test_every_field_of_the_desk_and_the_list_conform(check: Check, rules: Body) -> None:
    body = copy.deepcopy(DESK)
    body["rules"] |= rules
    answer = check(body)
    assert (answer["outcome"], answer["missing"]) == ("conforming", [])


@pytest.mark.parametrize(("part", "name"), ASKED)
def test_each_field_of_the_desk_is_asked_for_where_it_is_missing(check: Check, part: str, name: str) -> None:
    body = copy.deepcopy(DESK)
    del body[part][name]
    answer = check(body)
    assert answer["outcome"] == "not_assessed"
    assert f"/{part}/{name}" in lacking(answer)


def test_nothing_but_fields_of_a_desk_is_asked_for(check: Check) -> None:
    answer = check({"ball": {"drilled_weight": 14.9}, "rules": {"on": "2026-05-01"}})
    asked = {field for field in lacking(answer) if not field.startswith(("/holes_seen", "/measured_balance"))}
    assert asked == {"/ball/circumference", "/ball/diameter", "/ball/identity"}


@pytest.mark.parametrize(
    ("seen", "rule", "value"),
    [
        ({"finger_holes": 5}, "gripping_holes", 6),
        ({"finger_holes": 4, "thumb_holes": 2}, "doubled_digits", 1),
        ({"unused_finger_holes": 1}, "unused_gripping_holes", 1),
        ({"thumb_used": False, "center_marked": True}, "balance_holes", 1),
        ({"balance_holes": 1, "balance_hole_diameter": 1}, "balance_holes", 1),
        ({"thumb_holes": 0, "center_marked": False}, "unmarked_grip_centre", 1),
        ({"vent_holes": 4}, "excess_vent_holes", 1),
        ({"vent_hole_diameter": 0.26}, "vent_hole_diameter", 0.26),
        ({"mill_holes": 2}, "mill_holes", 2),
        ({"mill_hole_depth": 0.13}, "mill_hole_depth", 0.13),
        ({"gripping_hole_diameter": 1.6}, "gripping_hole_diameter", 1.6),
        ({"gripping_hole_depth": 4.6}, "gripping_hole_depth", 4.6),
    ],
)
def test_what_is_seen_is_judged(check: Check, seen: Body, rule: str, value: float) -> None:
    body = {**DESK, "holes_seen": {**SEEN, **seen}}
    answer = check(body)
    found = next(each for each in answer["findings"] if each["rule"] == rule)
    assert (found["value"], found["outcome"], answer["outcome"]) == (value, "nonconforming", "nonconforming")


def test_holes_seen_are_judged_as_the_same_holes_drilled(check: Check, request_for: Any) -> None:
    drilled = check(request_for(rules={"on": "2026-05-01"}))
    seen = {
        "finger_holes": 2, "thumb_holes": 1, "gripping_hole_diameter": 0.95, "gripping_hole_depth": 2.5,
        "balance_holes": 0, "vent_holes": 0, "mill_holes": 0,
    }  # fmt: skip
    looked = check(request_for(drilling=None, holes_seen=seen, rules={"on": "2026-05-01"}))
    for rule in {each["rule"] for each in looked["findings"]} & {
        "gripping_holes", "doubled_digits", "unused_gripping_holes", "gripping_hole_diameter",
        "gripping_hole_depth", "balance_holes", "excess_vent_holes", "mill_holes", "unmarked_grip_centre",
    }:  # fmt: skip
        one, other = (
            next(each for each in answer["findings"] if each["rule"] == rule) for answer in (drilled, looked)
        )
        assert one == other


@pytest.mark.parametrize(
    ("change", "pointers"),
    [
        ({"ball": {"name": "x"}}, ["/ball/weight"]),
        ({"holes_seen": {"finger_holes": 1, "unused_finger_holes": 2}}, ["/holes_seen/unused_finger_holes"]),
        ({"drilling": {"hand": "right"}}, ["/ball/weight", "/holes_seen"]),
        (
            {"holes_seen": {"finger_holes": 2.5, "vents": 1}},
            ["/holes_seen/finger_holes", "/holes_seen/vents"],
        ),
    ],
)
def test_what_cannot_be_is_refused(change: Body, pointers: list[str]) -> None:
    with Client.embedded() as client, pytest.raises(InvalidRequest) as refused:
        client.check({**DESK, **change})
    assert [error.pointer for error in refused.value.errors] == pointers


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(strategies.check_batches() | strategies.checks(), st.data())
def test_no_request_conforms_while_a_counted_rule_has_no_value_or_no_limit(body: Body, data: Any) -> None:
    """Any request; and the desk's own, which conforms, with any part of it taken away."""
    desk = copy.deepcopy(DESK)
    for part, name in data.draw(st.lists(st.sampled_from(ASKED), max_size=2)):
        desk[part].pop(name, None)
    desk["rules"]["body"] = data.draw(st.sampled_from(["usbc", "ibf"]))
    desk["rules"]["on"] = data.draw(st.dates().filter(lambda day: 1900 <= day.year <= 2100)).isoformat()
    for asked in (body, desk):
        items, _ = load_check_body(copy.deepcopy(asked))
        try:
            answers = evaluate_checks([{**item, "detail": "full"} for item in items])
        except InvalidInput:
            continue
        for item, answer in zip(items, answers, strict=True):
            if answer["outcome"] == "conforming":
                _require_decided(item, answer)


def _require_decided(item: Body, answer: Body) -> None:
    """Every rule of the edition is found, decides nothing, or judges a value by a limit, or asks nothing."""
    told = item["rules"]
    if not told.get("overlays"):
        laid = [told["overlay"]] if "overlay" in told else []
        book = edition(told["body"], told.get("on"), told["stage"], *laid, as_made=told.get("as_made"))
        shown = {each["rule"] for each in answer["findings"]}
        unshown = [rule for rule in book.rules if rule.id not in shown]
        assert all(told["stage"] in rule.when_measured for rule in unshown)
    for found in answer["findings"]:
        if not found["advisory"]:
            assert found["outcome"] == "conforming", found["rule"]
            limited = found["limit"]["min"] is not None or found["limit"]["max"] is not None
            assert found["basis"] is not None
            assert not limited or found["value"] is not None, found["rule"]
