"""Decision rules: what they refuse, and the order of outcomes (our own definitions)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from ballgauge_service.rulebooks import OUTCOMES, Decision, grade, overall


@pytest.mark.parametrize(
    ("rule", "risk"), [("bold", 0.05), ("simple", 0.0), ("guarded", 0.5), ("guarded", float("nan"))]
)
def test_other_rules_and_risks_are_refused(rule: Any, risk: float) -> None:
    with pytest.raises(ValueError, match=r"rule|risk"):
        Decision(rule, risk)


def test_grades_of_a_probability() -> None:
    codes = grade(np.array([1.0, 0.95, 0.94, 0.06, 0.05, 0.0, np.nan]), 0.05)
    assert [OUTCOMES[code] for code in codes] == [
        "conforming",
        "conforming",
        "inconclusive",
        "inconclusive",
        "nonconforming",
        "nonconforming",
        "not_assessed",
    ]


def test_the_worst_outcome_wins_and_what_is_not_judged_never_decides() -> None:
    worst_first = ["nonconforming", "inconclusive", "not_assessed", "conforming"]
    for place, outcome in enumerate(worst_first):
        codes = np.array([[OUTCOMES.index(name)] for name in worst_first[place:]], dtype=np.int8)
        assert OUTCOMES[overall(codes)[0]] == outcome
    unjudged = np.array([[-1, -1], [0, -1]], dtype=np.int8)
    assert [OUTCOMES[code] for code in overall(unjudged)] == ["conforming", "not_assessed"]
