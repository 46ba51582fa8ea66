"""Rules of other days through the whole check; each limit as the published rules state it (rulebook data)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.rulebooks import rulebook

Body = dict[str, Any]
Check = Callable[[Body], Body]
Make = Callable[..., Body]
Outcomes = Callable[[Body], dict[str, str]]

BALANCE_HOLE = {"role": "balance", "diameter": 1.0, "depth": 1.0, "at": {"right": 5, "up": 0}}
VENT = {"role": "vent", "diameter": 0.25, "depth": 0.5, "at": {"right": 0, "up": -3.6}}


def with_holes(make: Make, *extra: Body, **more: Any) -> Body:
    body = make(**more)
    body["drilling"]["holes"].extend(extra)
    return body


@pytest.mark.parametrize(
    ("approved_on", "expected"), [("2008-02-18", "conforming"), ("2012-02-20", "nonconforming")]
)
def test_low_rg_binds_by_approval(
    check: Check, request_for: Make, outcomes: Outcomes, approved_on: str, expected: str
) -> None:
    # USBC manual: 2.430 in for approvals before 2010-07-01, 2.460 in from then on.
    answer = check(request_for(drilling=None, ball={"rg": 2.44, "approved_on": approved_on}))
    assert outcomes(answer)["rg_minimum"] == expected
    assert answer["outcome"] in ("nonconforming", "not_assessed")
    assert (answer["outcome"] == "nonconforming") == (expected == "nonconforming")


@pytest.mark.parametrize(
    ("on", "holes", "expected"),
    [
        ("2017-06-01", [], "nonconforming"),
        ("2019-06-01", [], "conforming"),
        ("2019-06-01", [BALANCE_HOLE], "nonconforming"),
        ("2021-06-01", [], "conforming"),
    ],
)
def test_side_weight_through_the_years(
    check: Check, request_for: Make, outcomes: Outcomes, on: str, holes: list[Body], expected: str
) -> None:
    # USBC: side 1 oz until 2018-07-31, and with a balance hole until 2020-07-31; 3 oz otherwise.
    body = with_holes(
        request_for, *holes, measured_balance={"top": 1, "side": 1.5, "finger": 0}, rules={"on": on}
    )
    assert outcomes(check(body))["balance_side"] == expected


@pytest.mark.parametrize(("on", "expected"), [("2020-07-31", "conforming"), ("2020-08-01", "nonconforming")])
@pytest.mark.parametrize("body", ["usbc", "ibf"])
def test_balance_hole_ends_in_august_2020(
    check: Check, request_for: Make, outcomes: Outcomes, body: str, on: str, expected: str
) -> None:
    asked = with_holes(request_for, BALANCE_HOLE, rules={"body": body, "on": on})
    assert outcomes(check(asked))["balance_holes"] == expected


def test_unused_thumb_hole_is_a_balance_hole(check: Check, request_for: Make, outcomes: Outcomes) -> None:
    body = request_for(rules={"on": "2021-06-01"})
    body["drilling"]["grip"].update(thumb=False, center_marked=True)
    body["drilling"]["holes"][0]["used"] = False
    answer = check(body)
    assert outcomes(answer)["balance_holes"] == "nonconforming"
    values = {finding["rule"]: finding["value"] for finding in answer["findings"]}
    assert values["gripping_holes"] == 2
    assert values["balance_holes"] == 1


def test_unused_finger_hole_fails_from_2020_but_not_on_a_house_ball(
    check: Check, request_for: Make, outcomes: Outcomes
) -> None:
    # USBC: house balls of polyester or basic urethane with a differential under 0.025 in are exempt.
    little = {
        "role": "little",
        "diameter": 0.7,
        "depth": 1.2,
        "at": {"right": -1.8, "up": 1.8},
        "used": False,
    }
    house = {"house_ball": True, "cover": "polyester", "differential": 0.02, "intermediate_differential": 0.0}
    rules = {"on": "2021-06-01"}
    fitted = outcomes(check(with_holes(request_for, little, rules=rules)))
    exempt = outcomes(check(with_holes(request_for, little, rules=rules, ball=house)))
    lively = outcomes(
        check(with_holes(request_for, little, rules=rules, ball={**house, "differential": 0.04}))
    )
    reactive = outcomes(
        check(with_holes(request_for, little, rules=rules, ball={**house, "cover": "reactive"}))
    )
    assert fitted["unused_gripping_holes"] == "nonconforming"
    assert exempt["unused_gripping_holes"] == "conforming"
    assert lively["unused_gripping_holes"] == "nonconforming"
    assert reactive["unused_gripping_holes"] == "nonconforming"


def test_vent_holes(check: Check, request_for: Make, outcomes: Outcomes) -> None:
    # IBF 11.12.4: one a gripping hole, at most 1/4 in.
    places = [{"right": x, "up": -3.6} for x in (-1, -0.5, 0.5, 1)]
    rules = {"body": "ibf", "on": "2021-06-01"}
    three = outcomes(check(with_holes(request_for, *({**VENT, "at": at} for at in places[:3]), rules=rules)))
    four = outcomes(check(with_holes(request_for, *({**VENT, "at": at} for at in places), rules=rules)))
    wide = outcomes(check(with_holes(request_for, {**VENT, "diameter": 0.26}, rules=rules)))
    assert three["excess_vent_holes"] == three["vent_hole_diameter"] == "conforming"
    assert four["excess_vent_holes"] == "nonconforming"
    assert wide["vent_hole_diameter"] == "nonconforming"


@pytest.mark.parametrize(
    ("mills", "failing"),
    [
        ([(0.625, 0.125)], set()),
        ([(0.7, 0.125)], {"mill_hole_diameter"}),
        ([(0.6, 0.2)], {"mill_hole_depth"}),
        ([(0.6, 0.1), (0.6, 0.1)], {"mill_holes"}),
    ],
)
def test_mill_holes(
    check: Check,
    request_for: Make,
    outcomes: Outcomes,
    mills: list[tuple[float, float]],
    failing: set[str],
) -> None:
    # IBF 11.12.5: one, at most 5/8 in wide and 1/8 in deep.
    holes = [
        {"role": "mill", "diameter": d, "depth": depth, "at": {"right": -3, "up": k * 2}}
        for k, (d, depth) in enumerate(mills)
    ]
    found = outcomes(check(with_holes(request_for, *holes, rules={"body": "ibf", "on": "2021-06-01"})))
    assert {
        rule for rule, outcome in found.items() if outcome == "nonconforming" and "mill" in rule
    } == failing


def test_a_size_of_holes_that_are_not_there_is_no_finding(
    check: Check, request_for: Make, outcomes: Outcomes
) -> None:
    found = outcomes(check(request_for(rules={"on": "2021-06-01"})))
    assert not {"vent_hole_diameter", "mill_hole_diameter", "mill_hole_depth", "balance_hole_diameter"} & set(
        found
    )


@pytest.mark.parametrize(
    ("marked", "expected"), [(True, "conforming"), (False, "nonconforming"), (None, "not_assessed")]
)
def test_center_mark_without_thumb_hole(
    check: Check, request_for: Make, outcomes: Outcomes, marked: bool | None, expected: str
) -> None:
    body = request_for(rules={"on": "2021-06-01"})
    body["drilling"]["holes"] = [
        {"role": role, "diameter": 0.9, "depth": 1.5, "at": {"right": x, "up": 2.1}}
        for role, x in (("middle", 0.6), ("ring", -0.6))
    ]
    body["drilling"]["grip"] = (
        {"thumb": False} if marked is None else {"thumb": False, "center_marked": marked}
    )
    answer = check(body)
    assert outcomes(answer)["unmarked_grip_centre"] == expected
    asked = [entry["field"] for entry in answer["missing"]]
    assert ("/drilling/grip/center_marked" in asked) == (marked is None)


def test_no_claim_of_a_mark_that_nobody_stated(check: Check, request_for: Make) -> None:
    answer = check(request_for(drilling={"holes": []}, rules={"on": "2021-06-01"}))
    found = next(f for f in answer["findings"] if f["rule"] == "unmarked_grip_centre")
    assert found["outcome"] == "not_assessed"


def test_slugged_holes_are_no_holes(check: Check, request_for: Make) -> None:
    body = request_for(rules={"on": "2021-06-01"})
    plug = {"role": "thumb", "diameter": 1.2, "depth": 2.6, "slug_density": 1.2}
    body["drilling"]["holes"].insert(0, plug)
    values = {f["rule"]: f["value"] for f in check(body)["findings"]}
    assert values["gripping_holes"] == 3
    assert values["balance_holes"] == 0


@pytest.mark.parametrize("body", ["usbc", "ibf"])
def test_without_a_date_the_rulebook_says_its_own(check: Check, request_for: Make, body: str) -> None:
    answer = check(request_for(rules={"body": body}))
    compiled_on = rulebook(body).compiled_on.isoformat()
    assert answer["rules"]["on"] == compiled_on
    assert any(compiled_on in text for text in answer["assumptions"])
    dated = check(request_for(rules={"body": body, "on": compiled_on}))
    assert not any(compiled_on in text for text in dated["assumptions"])


def test_overlay_is_laid_over_its_own_body(check: Check, request_for: Make) -> None:
    rules = {"body": "ibf", "on": "2019-06-01", "overlay": "australia"}
    answer = check(request_for(rules=rules))
    assert answer["rules"]["overlay"] == "australia"
    assert any(finding["rule"] == "any_two_halves" for finding in answer["findings"])


def test_unknown_overlay_is_refused(check: Check, request_for: Make) -> None:
    with pytest.raises(InvalidInput) as refused:
        check(request_for(rules={"overlay": "atlantis"}))
    assert [(fault.index, fault.pointer) for fault in refused.value.faults] == [(0, "/rules/overlay")]
