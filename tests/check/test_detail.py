"""A shorter answer says the same as the whole one, and no more than it is asked for."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from typing import Any

import pytest

from ballgauge_schemas import (
    CHECK_BRIEF,
    CHECK_FINDINGS,
    CHECK_REQUEST,
    ValidationError,
    example,
    example_names,
    load_check_body,
)
from ballgauge_service.check.evaluate import evaluate_checks

Body = dict[str, Any]
Check = Callable[[Body], Body]

DETAILS = ("full", "findings", "brief")
BRIEF_SHARE = 20
"""How many times shorter a brief answer is at least."""


def without_groups(missing: list[Body]) -> dict[str, list[str]]:
    """What the rules miss: needs of derived groups are left out."""
    groups = {"layout", "balance", "drilled"}
    needs = {each["field"]: [name for name in each["needed_for"] if name not in groups] for each in missing}
    return {field: names for field, names in needs.items() if names}


@pytest.mark.parametrize("name", example_names(drillings=False))
def test_shorter_answers_are_parts_of_the_whole(check: Check, name: str) -> None:
    """Against the whole answer to the same examples."""
    for item in load_check_body(example(name))[0]:
        whole, findings, brief = (evaluate_checks([{**item, "detail": how}])[0] for how in DETAILS)
        assert CHECK_FINDINGS.validate(findings) == CHECK_BRIEF.validate(brief) == {}
        for member in ("outcome", "findings", "rules", "decision"):
            assert findings[member] == whole[member]
        assert brief["outcome"] == whole["outcome"]
        assert brief["missing"] == findings["missing"]
        assert without_groups(whole["missing"]) == without_groups(brief["missing"])
        counted = [
            each for each in whole["findings"] if not each["advisory"] and each["outcome"] != "conforming"
        ]
        assert [each["rule"] for each in brief["unmet"]] == [each["rule"] for each in counted]
        for short, finding in zip(brief["unmet"], counted, strict=True):
            limit = short.pop("limit") or {"min": None, "max": None}
            assert limit == finding["limit"]
            assert short.items() <= finding.items()


def test_brief_is_a_twentieth_of_the_bytes(drilled: Body) -> None:
    whole, brief = (
        json.dumps(evaluate_checks([CHECK_REQUEST.load({**drilled, "detail": how})])[0])
        for how in ("full", "brief")
    )
    assert len(brief) * BRIEF_SHARE <= len(whole)


def test_the_detail_of_a_batch_stands_beside_the_checks(drilled: Body) -> None:
    items, _ = load_check_body({"checks": [drilled, drilled], "detail": "brief"})
    assert [set(answer) for answer in evaluate_checks(items)] == [{"outcome", "unmet", "missing"}] * 2
    with pytest.raises(ValidationError) as refused:
        load_check_body({"checks": [{**copy.deepcopy(drilled), "detail": "brief"}]})
    assert set(refused.value.messages_dict["checks"][0]) == {"detail"}


def test_a_brief_answer_names_what_is_broken_and_by_how_much(drilled: Body) -> None:
    """Against a ball whose remedies and findings the whole answer holds."""
    drilled["ball"] |= {"top_weight": 5.5, "pin_to_cg": 1.5}
    drilled["drilling"]["layout"] = {"drilling_angle": 90, "pin_to_pap": 5.5, "val_angle": 60}
    drilled["drilling"]["balance_arm"] = 3.2
    drilled["rules"] = {"on": "2024-09-01"}
    whole, brief = (
        evaluate_checks([CHECK_REQUEST.load({**drilled, "detail": how})])[0] for how in DETAILS[::2]
    )
    assert whole["derived"]["remedies"]
    broken = {each["rule"]: each["margin"] for each in brief["unmet"] if each["outcome"] == "nonconforming"}
    assert brief["outcome"] == "nonconforming"
    assert broken
    assert all(margin < 0.0 for margin in broken.values())
