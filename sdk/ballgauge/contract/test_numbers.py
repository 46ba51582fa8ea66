"""Verdicts follow from their numbers, numbers from the request, limits from the rules listed.

The kit computes no ball of its own: it compares answers with each other, with `/v1/rulebooks`, and with
answers recorded from the release that it came with, to a millionth.
"""

from __future__ import annotations

import copy
import json
from datetime import date, timedelta
from importlib.resources import files
from typing import Any

import pytest

from ballgauge.contract._sense import hold_check, hold_limits, recorded_numbers, same_number
from ballgauge.contract._server import Server, answer_of
from ballgauge.strategies import lot_text
from ballgauge_schemas.shared.documents import example
from ballgauge_schemas.shared.words import BODIES

RECORDED: list[dict[str, Any]] = json.loads(
    files("ballgauge.contract").joinpath("recorded.json").read_text(encoding="utf-8")
)
DIRECT = {
    "roundness", "hardness", "rg", "differential", "friction", "restitution", "max_density",
    "pin_to_low_rg_axis", "oil_absorption_time",
}  # fmt: skip
"""Quantities of the rules that a ball is told of by the same name and unit."""

BASE = {
    "weight": 15.06,
    "diameter": 8.59,
    "rg": 2.5,
    "differential": 0.048,
    "intermediate_differential": 0.01,
}


def check(service: Server, asked: dict[str, Any]) -> dict[str, Any]:
    """One answer, held to what was asked and to itself."""
    answer: dict[str, Any] = answer_of(service.post("/v1/checks", asked))
    hold_check(answer, asked)
    return answer


def finding(answer: dict[str, Any], rule: str) -> dict[str, Any]:
    """The finding on one rule."""
    found = [each for each in answer["findings"] if each["rule"] == rule]
    assert found, f"no finding on {rule} among {[each['rule'] for each in answer['findings']]}"
    return dict(found[0])


def listing(service: Server, body: str) -> dict[str, Any]:
    """Every row of a body's rules, of every day."""
    (book,) = answer_of(service.get("/v1/rulebooks", {"body": body}))["rulebooks"]
    return dict(book)


@pytest.mark.parametrize("case", RECORDED, ids=[case["name"] for case in RECORDED])
def test_an_answer_has_the_numbers_recorded(service: Server, case: dict[str, Any]) -> None:
    """Every number and word of the recorded answer, to a millionth; more may be answered, not less."""
    told = dict(recorded_numbers(answer_of(service.post(case["path"], case["request"]))))
    wrong = {
        place: (told.get(place, "not there"), number)
        for place, number in case["numbers"].items()
        if place not in told or not same_number(told[place], number)
    }
    assert not wrong, f"told and recorded, of {case['request']}: {wrong}"


@pytest.mark.parametrize("body", BODIES)
def test_limits_and_dates_are_the_rulebooks(service: Server, body: str) -> None:
    """On the day before and the day of every change of use and approval, against `/v1/rulebooks`."""
    listed = listing(service, body)
    changes = {row[end] for row in listed["rules"] for end in ("effective_from", "effective_to") if row[end]}
    days = sorted({str(date.fromisoformat(day) + timedelta(step)) for day in changes for step in (-1, 0, 1)})
    drilled = example("drilled")
    used = [{**drilled, "rules": {"body": body, "on": day}} for day in days]
    rules = {"body": body, "on": days[-1], "stage": "approval"}
    approved = [{"ball": {**drilled["ball"], "approved_on": day}, "rules": rules} for day in days]
    for asked in (used, approved):
        for one, answer in zip(
            asked, answer_of(service.post("/v1/checks", {"checks": asked}))["results"], strict=True
        ):
            hold_check(answer, one)
            hold_limits(answer, listed, one["ball"]["approved_on"])


@pytest.mark.parametrize("body", BODIES)
def test_a_value_at_its_limit_conforms_and_one_beyond_does_not(service: Server, body: str) -> None:
    """Of every limit on what a ball is told of, on a day of its own."""
    for row in listing(service, body)["rules"]:
        if row["quantity"] not in DIRECT or row["effect"] != "limit" or row["applies_to"] or row["advisory"]:
            continue
        day = row["effective_from"] or row["effective_to"] or "2015-01-01"
        rules = {"body": body, "on": "2026-01-01", "stage": "approval"}
        for end, sign in (("min", -1.0), ("max", 1.0)):
            limit = row["limit"][end]
            for value in [] if limit is None else [limit, limit + sign * 0.001]:
                ball = {**BASE, "approved_on": day, row["quantity"]: value}
                ball.update({"intermediate_differential": 0.0} if row["quantity"] == "differential" else {})
                told = finding(check(service, {"ball": ball, "rules": rules}), row["rule"])
                wanted = "conforming" if value == limit else "nonconforming"
                assert told["outcome"] == wanted, (
                    f"{row['rule']}: {told['outcome']} at {value}, limit {limit}"
                )


def test_what_is_not_known_is_no_pass(service: Server) -> None:
    """Of a ball known by its weight alone, the rules say what they miss."""
    answer = check(service, {"ball": {"weight": 15}})
    assert answer["outcome"] == "not_assessed"
    assert "/ball/diameter" in [each["field"] for each in answer["missing"]]


def test_what_is_measured_goes_before_what_is_predicted(service: Server) -> None:
    """The balance's own readings are judged, with their sign."""
    measured = {"top": 1.25, "side": -0.5, "finger": 0.375}
    answer = check(service, {**example("drilled"), "measured_balance": measured})
    told = {name: finding(answer, f"balance_{name}")["value"] for name in measured}
    assert told == measured
    assert {name: answer["derived"]["balance"]["measured"][name] for name in measured} == measured


def test_a_prediction_is_judged_where_nothing_is_measured(service: Server) -> None:
    """The readings derived are those of the findings."""
    answer = check(service, example("drilled"))
    predicted = answer["derived"]["balance"]["predicted"]
    for name in ("top", "side", "finger"):
        assert same_number(finding(answer, f"balance_{name}")["value"], float(predicted[name])), name


def test_an_uncertainty_is_told_and_guards(service: Server) -> None:
    """A value as near its limit as a fraction of its uncertainty is not decided under the guarded rule."""
    rules = {"body": "usbc", "on": "2026-01-01", "stage": "approval"}
    rg = {"value": 2.799, "uncertainty": 0.004}
    ball = {**BASE, "approved_on": "2020-01-01", "rg": rg}
    decision = {"rule": "guarded", "risk": 0.05}
    told = finding(check(service, {"ball": ball, "rules": rules, "decision": decision}), "rg_maximum")
    assert same_number(told["uncertainty"], 0.004)
    assert told["probability"] is not None
    assert told["outcome"] == "inconclusive"
    assert finding(check(service, {"ball": ball, "rules": rules}), "rg_maximum")["outcome"] == "conforming"


def test_a_left_hand_mirrors_a_right_one(service: Server) -> None:
    """The mirrored drilling has the same readings, and every place on the other side."""
    right = copy.deepcopy(example("drilled"))
    left = copy.deepcopy(right)
    left["drilling"]["hand"] = "left"
    for hole, other in zip(right["drilling"]["holes"], left["drilling"]["holes"], strict=True):
        hole["pitch_lateral"] = {"thumb": 0.125, "middle": -0.25}.get(hole["role"], 0.25)
        other["pitch_lateral"] = -hole["pitch_lateral"]
    one, other = (check(service, each)["derived"] for each in (right, left))
    for name in ("top", "side", "finger"):
        assert same_number(other["balance"]["predicted"][name], float(one["balance"]["predicted"][name])), (
            name
        )
    for name in ("pin", "pap", "psa", "cg_mark"):
        assert same_number(-other["layout"][name]["right"], float(one["layout"][name]["right"])), name
        assert same_number(other["layout"][name]["up"], float(one["layout"][name]["up"])), name
    for first, second in zip(one["holes"], other["holes"], strict=True):
        assert same_number(-second["at"]["right"], float(first["at"]["right"]))


def test_units_are_exact(service: Server) -> None:
    """The same ball in kilograms, grams, millimeters, centimeters has the same numbers, to a millionth."""
    trade = check(service, {"ball": {**BASE, "top_weight": 2.5}})
    ball = {
        "weight": f"{15.06 * 0.45359237:.12g} kg",
        "diameter": f"{8.59 * 25.4:.12g} mm",
        "rg": f"{2.5 * 2.54:.12g} cm",
        "differential": {"value": 0.048 * 25.4, "unit": "mm"},
        "intermediate_differential": "0.254 mm",
        "top_weight": f"{2.5 * 28.349523125:.12g} g",
    }
    other = dict(recorded_numbers(check(service, {"ball": ball})))
    for place, number in recorded_numbers(trade):
        number = (
            float(number) if isinstance(number, (int, float)) and not isinstance(number, bool) else number
        )
        assert same_number(other[place], number), f"{place}: {other[place]} in other units, {number}"


def test_the_order_of_balls_changes_nothing(service: Server) -> None:
    """Of a batch turned about."""
    checks = [{"ball": {**BASE, "rg": rg}} for rg in (2.4, 2.5, 2.9)]
    there, back = (
        answer_of(service.post("/v1/checks", {"checks": each, "detail": "brief"}))["results"]
        for each in (checks, checks[::-1])
    )
    assert there == back[::-1]


@pytest.mark.parametrize("bad", [0, 1, 8])
def test_a_lot_is_accepted_by_its_own_counts_and_plan(service: Server, bad: int) -> None:
    """Rejected where more are nonconforming than its acceptance number, accepted where all conform."""
    rows = [
        {"serial": f"OW{number:05d}", "weight": 15.0, "rg": 2.9 if number < bad else 2.5 + number / 1e4}
        for number in range(80)
    ]
    rules = {"body": "usbc", "on": "2026-05-01", "stage": "approval"}
    options = {"sampling": {"lot_size": 1000, "plan": {"aql": 1.0}}, "rules": rules, "scope": "measured"}
    lot = answer_of(service.post_lot(options, lot_text(rows)))
    counts, acceptance = lot["counts"], lot["acceptance"]
    by_count = acceptance["by_count"]
    assert counts["nonconforming"] == by_count["nonconforming"] == bad
    assert sum(counts[each] for each in ("conforming", "nonconforming", "inconclusive", "not_assessed")) == 80
    if by_count["fewest"] > by_count["acceptance_number"]:
        assert acceptance["lot_accepted"] is False, f"accepted with {by_count}"
    elif by_count["most"] <= by_count["acceptance_number"] and acceptance["outcome"] == "conforming":
        assert acceptance["lot_accepted"] is True, f"rejected with {by_count}"
    assert by_count["acceptance_number"] == 2, "of 80 balls for an AQL of 1 % (ISO 2859-1, table 2-A)"


def test_a_record_tells_what_the_rules_became(service: Server) -> None:
    """Verified on another day, it is what a check of that day says, and names the rules that changed."""
    asked = example("side_weight_over")
    asked["rules"] = {"body": "usbc", "on": "2016-09-01", "stage": "play"}
    signed = service.post("/v1/records", {"check": asked, "issued_on": "2016-09-01"})
    if signed.status_code == 409:
        pytest.skip("the service has no key to sign with, which the contract allows")
    record = {"record": answer_of(signed)["record"], "on": "2024-09-01"}
    again = answer_of(service.post("/v1/records/verify", record))["recheck"]
    before, after = (
        check(service, {**asked, "rules": {**asked["rules"], "on": day}})
        for day in ("2016-09-01", "2024-09-01")
    )
    assert again["on"] == "2024-09-01"
    assert again["outcome"] == after["outcome"]
    limits = [[(each["rule"], each["limit"]) for each in answer["findings"]] for answer in (before, after)]
    assert again["rules_changed"] == (limits[0] != limits[1])
