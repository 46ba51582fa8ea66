"""Classes of defects: one decision each, the lot by the worst."""

from __future__ import annotations

from typing import Any

import pytest
from marshmallow import ValidationError

from ballgauge_schemas import LOT_REQUEST, flatten
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.lot.report.page import write_report
from ballgauge_service.lot.request import read_request

from .test_decisions import decided

MAJOR = {"name": "major", "aql": 1.0}
MINOR = {"name": "minor", "aql": 4.0}


def lot(dense: int = 0, soft: int = 0, off: int = 0, balls: int = 80) -> str:
    """Balls of which some are too dense (critical), some too soft (major), some badly marked (minor)."""
    kinds = ["dense"] * dense + ["soft"] * soft + ["off"] * off
    kinds += ["good"] * (balls - len(kinds))
    rows = [
        f"B{k},15,{3.9 if kind == 'dense' else 2.9},{70 if kind == 'soft' else 75},"
        f"{1.4 if kind == 'off' else 0.2},2024-03-01"
        for k, kind in enumerate(kinds)
    ]
    return "serial,weight,max_density,hardness,pin_to_low_rg_axis,approved_on\n" + "\n".join(rows) + "\n"


def judged(text: str, *classes: dict[str, Any], **sampling: Any) -> dict[str, Any]:
    plan = {"lot_size": 1000, "plan": {"aql": 0.65}, "classes": [*classes], **sampling}
    plan = {name: value for name, value in plan.items() if value is not None}
    return decided(text, rules={"on": "2026-05-01"}, sampling=plan)


def outcomes(answer: dict[str, Any]) -> dict[str, tuple[int, int, str]]:
    """By class: found, accepted, outcome."""
    counts = {each["name"]: each["by_count"] for each in answer["acceptance"]["classes"]}
    return {
        name: (count["nonconforming"], count["acceptance_number"], count["outcome"])
        for name, count in counts.items()
    }


@pytest.mark.parametrize(
    ("defects", "found"),
    [
        ({}, {"critical": (0, 0, True), "major": (0, 2, True), "minor": (0, 7, True)}),
        ({"soft": 2, "off": 7}, {"critical": (0, 0, True), "major": (2, 2, True), "minor": (7, 7, True)}),
        ({"dense": 1}, {"critical": (1, 0, False), "major": (0, 2, True), "minor": (0, 7, True)}),
        ({"soft": 3}, {"critical": (0, 0, True), "major": (3, 2, False), "minor": (0, 7, True)}),
        ({"off": 8}, {"critical": (0, 0, True), "major": (0, 2, True), "minor": (8, 7, False)}),
    ],
)
def test_each_class_is_decided_by_its_own_limit(
    defects: dict[str, int], found: dict[str, tuple[int, int, bool]]
) -> None:
    """Against ISO 2859-1 for a lot of 1000, letter J: 80 balls, accepts 2 at AQL 1.0 and 7 at AQL 4.0; a
    critical defect accepts none. The worst class decides the lot.
    """
    answer = judged(lot(**defects), MAJOR, MINOR)
    words = {True: "conforming", False: "nonconforming"}
    expected = {name: (bad, most, words[good]) for name, (bad, most, good) in found.items()}
    assert outcomes(answer) == expected
    accepted = all(good for _, _, good in found.values())
    assert answer["acceptance"]["lot_accepted"] is accepted
    assert answer["acceptance"]["to_remove"] == sum(defects.values())


def test_the_caller_puts_a_rule_in_a_class() -> None:
    """Against the same three soft balls, as a minor defect."""
    moved = {**MINOR, "rules": ["hardness"]}
    answer = judged(lot(soft=3), MAJOR, moved)
    assert outcomes(answer)["minor"] == (3, 7, "conforming")
    assert answer["acceptance"]["lot_accepted"] is True
    by_name = {each["name"]: each["rules"] for each in answer["acceptance"]["classes"]}
    assert "hardness" in by_name["minor"]
    assert "hardness" not in by_name["major"]
    together = [rule for rules in by_name.values() for rule in rules]
    assert len(together) == len(set(together))


def test_a_ball_that_was_not_decided_may_break_the_rules_of_its_class_alone() -> None:
    """Against three balls without a hardness: open for the major rules, good for the others."""
    text = lot(balls=77) + "".join(f"C{k},15,2.9,,0.2,2024-03-01\n" for k in range(3))
    counts = {each["name"]: each["by_count"] for each in judged(text, MAJOR, MINOR)["acceptance"]["classes"]}
    assert (counts["major"]["undecided"], counts["major"]["outcome"]) == (3, "not_assessed")
    assert (counts["minor"]["undecided"], counts["minor"]["outcome"]) == (0, "conforming")


def test_more_balls_than_the_sample_are_drawn_from_for_each_class() -> None:
    """Against 400 balls, each tenth too soft: the plan's 80 are drawn for every class, by one seed."""
    answer = judged(lot(soft=40, balls=400), MAJOR, MINOR)
    drawn = [each["by_count"]["drawn"] for each in answer["acceptance"]["classes"]]
    assert [each["drawn_from"] for each in drawn] == [400] * 3
    assert drawn[1]["rows"] == drawn[2]["rows"]
    assert outcomes(answer)["major"][2] == "nonconforming"
    assert outcomes(answer)["minor"][2] == "conforming"


def test_every_ball_measured_is_decided_by_class_too() -> None:
    """Against 1 % of 100 balls: one major defect is accepted without it, two are not."""
    for soft, accepted in ((1, True), (2, False)):
        answer = judged(lot(soft=soft, balls=100), MAJOR, MINOR, rows="every_ball", lot_size=None)
        assert answer["acceptance"]["lot_accepted"] is accepted


def test_the_report_has_a_line_for_each_class() -> None:
    """Against its table of what decided."""
    page = write_report(judged(lot(soft=3), MAJOR, MINOR))
    for text in ("critical rules, none accepted", "major rules, AQL 1 %", "minor rules, AQL 4 %"):
        assert text in page
    assert "All balls" not in page


@pytest.mark.parametrize(
    ("sampling", "pointer"),
    [
        ({"classes": [MAJOR, MAJOR]}, "/sampling/classes/1/name"),
        ({"classes": [{**MAJOR, "rules": ["a"]}, {**MINOR, "rules": ["a"]}]}, "/sampling/classes/1/rules/0"),
        ({"classes": [MAJOR], "plan": {"kind": "zero_acceptance", "limiting_quality": 5}}, "/sampling/plan"),
        (
            {"classes": [MAJOR], "plan": {"aql": 1}, "history": {"inspection": "normal", "aql": 1}},
            "/sampling/history",
        ),
        ({"classes": [{"name": "grave"}], "plan": {"aql": 1}}, "/sampling/classes/0/name"),
        ({"classes": [{**MAJOR, "aql": 1.1}], "plan": {"aql": 1}}, "/sampling/classes/0/aql"),
        ({"classes": [{**MAJOR, "rules": ["none"]}], "plan": {"aql": 1}}, "/sampling/classes/0/rules/0"),
    ],
)
def test_classes_that_cannot_be_are_refused(sampling: dict[str, Any], pointer: str) -> None:
    """Against the pointer to each."""
    try:
        read_request(LOT_REQUEST.load({"sampling": {"lot_size": 1000, **sampling}}))
    except ValidationError as error:
        found = {each["pointer"] for each in flatten(error.messages)}
    except InvalidInput as error:
        found = {fault.pointer for fault in error.faults}
    assert pointer in found
