"""Decision rules: what they refuse, and the order of outcomes (our own definitions)."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest
from tests.rulebooks.conftest import HEAD, LIMIT, RULE

from ballgauge_service.rulebooks import OUTCOMES, Decision, grade

SIDE = RULE.replace("weight", "balance_side").replace('"lb"', '"oz"') + LIMIT.replace("16.0", "1.0")
RULES = HEAD + RULE + LIMIT + SIDE


@pytest.mark.parametrize(
    ("rule", "risk"), [("bold", 0.05), ("simple", 0.0), ("guarded", 0.5), ("guarded", float("nan"))]
)
def test_other_rules_and_risks_are_refused(rule: Any, risk: float) -> None:
    with pytest.raises(ValueError, match=r"rule|risk"):
        Decision(rule, risk)


def test_grades_of_a_probability() -> None:
    codes = [grade(probability, 0.05) for probability in (1.0, 0.95, 0.94, 0.06, 0.05, 0.0, math.nan)]
    assert [OUTCOMES[code] for code in codes] == [
        "conforming",
        "conforming",
        "inconclusive",
        "inconclusive",
        "nonconforming",
        "nonconforming",
        "not_assessed",
    ]


def test_the_worst_counted_outcome_wins(judge: Callable[..., Any]) -> None:
    varying = {"balance_side": [0.9, 1.5]}
    for worst, values in (
        ("nonconforming", {"weight": 17.0, "balance_side": 0.9, "alternates": varying}),
        ("inconclusive", {"weight": 15.0, "balance_side": 0.9, "alternates": varying}),
        ("not_assessed", {"weight": 15.0}),
        ("conforming", {"weight": 15.0, "balance_side": 0.9}),
        ("not_assessed", {"rg": 2.5}),
    ):
        judged = judge(text=RULES, **values)
        assert OUTCOMES[judged.assessment.overall[0]] == worst
