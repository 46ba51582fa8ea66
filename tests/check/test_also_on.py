"""A ball on further days of use: against the same ball checked on each day by itself."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from ballgauge_schemas import example, load_check_body
from ballgauge_service.check.evaluate import evaluate_checks
from ballgauge_service.record import evaluate as records
from ballgauge_service.record.keys import Keyring

DAYS = ["2018-07-31", "2020-07-31", "2020-08-01", "2019-01-01"]


def answers(body: Any) -> list[dict[str, Any]]:
    return evaluate_checks(load_check_body(body)[0])


def on(day: str, request: dict[str, Any]) -> dict[str, Any]:
    return {**request, "rules": {**request.get("rules", {}), "on": day}}


def with_balance_hole() -> dict[str, Any]:
    request = example("drilled")
    hole = {"role": "balance", "diameter": 1, "depth": 1.5, "at": {"right": 4.5, "up": 0}}
    request["drilling"]["holes"].append(hole)
    return on("2020-07-31", request)


@pytest.mark.parametrize("detail", ["full", "findings", "brief"])
def test_each_day_is_what_a_check_of_that_day_says(detail: str) -> None:
    request = with_balance_hole()
    (answer,) = answers({**request, "also_on": DAYS, "detail": detail})
    assert [day["on"] for day in answer["also_on"]] == DAYS
    assert [day["outcome"] for day in answer["also_on"]] == [
        answers(on(day, request))[0]["outcome"] for day in DAYS
    ]
    (plain,) = answers({**request, "detail": detail})
    assert {name: value for name, value in answer.items() if name != "also_on"} == plain


def test_the_rules_that_change_are_those_whose_outcomes_differ() -> None:
    """The last day of balance holes is 2020-07-31 (USBC, 2020)."""
    request = with_balance_hole()
    (answer,) = answers({**request, "also_on": ["2020-08-01"]})
    (day,) = answer["also_on"]
    found = {each["rule"]: (each["before"], each["outcome"]) for each in day["changes"]}
    assert found["balance_holes"] == ("conforming", "nonconforming")
    before, after = (
        {each["rule"]: each["outcome"] for each in answers(on(when, request))[0]["findings"]}
        for when in ("2020-07-31", "2020-08-01")
    )
    for rule, (was, now) in found.items():
        assert was is None or was == before[rule]
        assert now is None or now == after[rule]


def test_a_batch_answers_each_of_its_own() -> None:
    request = with_balance_hole()
    first, second, third = answers(
        {"checks": [{**request, "also_on": DAYS[:1]}, request, {**request, "also_on": DAYS[1:3]}]}
    )
    assert [day["on"] for day in first["also_on"]] == DAYS[:1]
    assert "also_on" not in second
    assert [day["outcome"] for day in third["also_on"]] == [third["outcome"], "nonconforming"]


def test_a_record_carries_what_further_days_say() -> None:
    keys = Keyring.from_environment({"BALLGAUGE_KEYS": "demo"})
    check = load_check_body({**with_balance_hole(), "also_on": DAYS})[0][0]
    del check["detail"]
    signed = records.sign({"check": check, "issued_on": date(2020, 7, 31)}, keys)
    assert [day["on"] for day in signed["content"]["also_on"]] == DAYS
    found = records.verify(signed["record"], None, keys)
    assert (found["state"], found["recheck"]["rules_changed"]) == ("genuine", False)
