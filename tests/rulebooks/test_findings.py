"""The wording of findings: full sentences with value, limit, dates and basis (our own definitions)."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from ballgauge_service.rulebooks import COLUMNS, Decision, missing, unmet

FIELDS = {
    "rule", "title", "clause", "basis", "source", "quantity", "unit", "limit", "value", "uncertainty",
    "margin", "probability", "outcome", "advisory", "message",
}  # fmt: skip


def test_a_finding_has_every_field_and_is_json(judge: Callable[..., Any]) -> None:
    judged = judge(weight=15.0, rg=2.45, uncertainty={"weight": 0.1}, decision=Decision("guarded"))
    for finding in judged.findings.values():
        assert set(finding) == FIELDS
        assert finding["rule"] != "hardness" or finding["advisory"]
        assert finding["basis"] in ("published", "secondary", "from_memory")
        assert finding["source"]
    assert json.loads(json.dumps(judged.findings)) == judged.findings


def test_the_sentence_of_a_broken_limit(judge: Callable[..., Any], sentence: Any) -> None:
    finding = judge(rg=2.44, approved="2012-03-01").findings["rg_minimum"]
    assert finding["message"] == sentence("finding: a broken limit")
    assert finding["margin"] == pytest.approx(-0.02)


@pytest.mark.parametrize(
    ("rg", "on", "outcome"),
    [
        (2.44, date(2010, 6, 30), "conforming"),
        (2.44, date(2010, 7, 1), "inconclusive"),
        (2.42, date(2015, 1, 1), "nonconforming"),
        (2.46, date(2015, 1, 1), "conforming"),
    ],
)
def test_without_a_date_of_approval_the_eras_until_the_day_of_use_decide_where_they_agree(
    judge: Callable[..., Any], rg: float, on: date, outcome: str, sentence: Any
) -> None:
    judged = judge(rg=rg, on=on)
    finding = judged.findings["rg_minimum"]
    assert finding["outcome"] == outcome
    assert finding["message"] == sentence(f"finding: rg {rg} on {on} without a date of approval")
    lacking = [each["field"] for each in missing(judged.assessment, 0) if "rg_minimum" in each["needed_for"]]
    assert lacking == (["approved_on"] if outcome == "inconclusive" else [])


def test_without_a_date_of_use_the_date_of_the_rulebook_stands_in(
    judge: Callable[..., Any], sentence: Any
) -> None:
    judged = judge(weight=15.0)
    assert not judged.assessment.edition.on_given
    assert judged.assessment.edition.on == date(2026, 11, 25)
    assert judged.findings["weight"]["message"] == sentence("finding: no date of use")
    assert judge(weight=15.0, on=date(2026, 11, 25)).assessment.edition.on_given


def test_a_date_before_any_known_limit_is_said_in_words(judge: Callable[..., Any], sentence: Any) -> None:
    finding = judge("ibf", on=date(2018, 6, 1), weight=15.0, balance_side=0.5, balance_holes=0).findings[
        "balance_side"
    ]
    assert finding["outcome"] == "not_assessed"
    assert finding["message"] == sentence("finding: no limit for the date")
    assert not finding["advisory"]


def test_a_value_just_outside_is_not_rounded_onto_the_limit(judge: Callable[..., Any], sentence: Any) -> None:
    assert judge(weight=16.000000001).findings["weight"]["message"] == sentence("finding: just outside")


def test_what_is_missing_names_column_and_rules(judge: Callable[..., Any]) -> None:
    judged = judge(weight=15.0, balance_side=0.5, balance_top=1.0, balance_finger=0.0)
    lacking = {item["field"]: item["needed_for"] for item in missing(judged.assessment, 0)}
    assert lacking["identity"] == ["identity"]
    assert "rg" not in lacking
    assert lacking["gripping_holes"] == ["gripping_holes"]
    assert "friction" not in lacking
    assert "balance_side" not in lacking


def test_a_missing_condition_is_named(judge: Callable[..., Any], sentence: Any) -> None:
    judged = judge(on=date(2019, 5, 1), weight=15.0, balance_side=1.5)
    finding = judged.findings["balance_side"]
    assert finding["outcome"] == "inconclusive"
    assert finding["message"] == sentence("finding: depends on balance holes")
    assert {"field": "balance_holes", "needed_for": ["balance_holes", "balance_side"]} in missing(
        judged.assessment, 0
    )


def test_where_several_limits_may_hold_the_least_sure_basis_is_given(judge: Callable[..., Any]) -> None:
    finding = judge(balance_top=2.5).findings["balance_top"]
    assert (finding["outcome"], finding["basis"]) == ("inconclusive", "from_memory")
    assert finding["source"].count(";") == 1


def test_inconclusive_says_why(judge: Callable[..., Any], sentence: Any) -> None:
    guarded = judge(weight=15.99, uncertainty={"weight": 0.1}, decision=Decision("guarded")).findings[
        "weight"
    ]
    assert guarded["outcome"] == "inconclusive"
    assert guarded["message"] == sentence("finding: guarded and inconclusive")
    varying = judge(weight=15.0, balance_side=2.9, alternates={"balance_side": [2.1, 4.0]}).findings[
        "balance_side"
    ]
    assert varying["outcome"] == "inconclusive"
    assert varying["message"] == sentence("finding: varying and inconclusive")


def test_no_sentence_says_approved_as_a_verdict(judge: Callable[..., Any]) -> None:
    """Only the governing body approves: the word stands only with a date, after on, from or until."""
    for stage in ("approval", "play"):
        judged = judge(
            stage=stage, weight=15.0, rg=2.5, hardness=74.0, differential=0.05, approved="2022-01-01"
        )
        for finding in judged.findings.values():
            words = finding["message"].split("approved ")[1:]
            allowed = ("on 2", "from 1", "from 2", "until 2", "list", "below")
            assert all(rest.startswith(allowed) for rest in words), finding["message"]
            assert "approved" not in finding["outcome"]


@pytest.mark.parametrize("column", COLUMNS)
def test_what_is_judged_is_what_is_told(
    judge: Callable[..., Any], head: str, rule: str, limits: Callable[[str, str], str], column: str
) -> None:
    """Of every quantity that a rule may be about, the days among them."""
    unit = COLUMNS[column]
    text = head + rule.replace('quantity = "weight"', f'quantity = "{column}"').replace('"lb"', f'"{unit}"')
    low, high = ("1990-01-01", "2000-01-01") if unit == "date" else ("0.5", "0.75")
    ends = (7305.0, 10957.0) if unit == "date" else (0.5, 0.75)
    for value, outcome in ((ends[0], "conforming"), (ends[1] + 2.0, "nonconforming")):
        judged = judge(text=text + limits(low, high), **{column: value})
        (finding,) = judged.findings.values()
        assert (finding["outcome"], finding["value"]) == (outcome, value)
        assert finding["margin"] == min(value - ends[0], ends[1] - value)
        assert [each["value"] for each in unmet(judged.assessment, 0)] == [value][outcome == "conforming" :]


def test_a_day_is_told_as_a_day_and_how_far_off_it_is_in_days(
    judge: Callable[..., Any], head: str, rule: str, limits: Callable[[str, str], str], sentence: Any
) -> None:
    text = head + rule.replace('quantity = "weight"', 'quantity = "approved_on"').replace('"lb"', '"date"')
    for approved in ("1989-12-31", "2000-05-31"):
        finding = judge(text=text + limits("1990-01-01", "2000-01-01"), approved=approved).findings["weight"]
        assert finding["message"] == sentence(f"finding: a ball approved on {approved}")
