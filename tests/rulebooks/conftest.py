"""What the rulebook tests share: a small rule file, and one ball judged from plain numbers."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import Any

import pytest

from ballgauge_service.core.units import EPOCH
from ballgauge_service.rulebooks import (
    Assessment,
    Decision,
    Fact,
    Facts,
    assess,
    compile_edition,
    edition,
    findings,
    read_rulebook,
)

HEAD = """
[rulebook]
body = "test"
title = "Test body"
document = "Test rules"
edition = "first"
compiled_on = 2026-11-25

[source.text]
document = "Test rules"
date = "2020"
"""

RULE = """
[[rule]]
id = "weight"
title = "Weight"
quantity = "weight"
unit = "lb"
binds = "use"
stages = ["play"]
"""

LIMIT = """
[[rule.limit]]
max = 16.0
basis = "published"
source = "text"
"""


def one_ball(
    values: Mapping[str, float],
    uncertainty: Mapping[str, float],
    alternates: Mapping[str, Sequence[float]],
) -> dict[str, Fact]:
    return {
        name: Fact(float(value), float(uncertainty.get(name, math.nan)), tuple(alternates.get(name, ())))
        for name, value in values.items()
    }


class Judged:
    """One ball's findings by rule id, and the assessment they come from."""

    def __init__(self, assessment: Assessment) -> None:
        self.assessment = assessment
        self.findings = {finding["rule"]: finding for finding in findings(assessment, 0)}

    def outcome(self, rule: str) -> str:
        return str(self.findings[rule]["outcome"])


def judge(
    body: str = "usbc",
    *,
    on: date | None = None,
    stage: Any = "play",
    overlay: str | None = None,
    approved: str | None = None,
    decision: Decision | None = None,
    uncertainty: Mapping[str, float] | None = None,
    alternates: Mapping[str, Sequence[float]] | None = None,
    text: str | None = None,
    **values: float,
) -> Judged:
    """Judge one ball by a body's rules, or by the rule file given as `text`."""
    rules = (
        edition(body, on, stage, overlay) if text is None else compile_edition(read_rulebook(text), on, stage)
    )
    facts = one_ball(values, uncertainty or {}, alternates or {})
    if approved is not None:
        facts["approved_on"] = Fact(float((date.fromisoformat(approved) - EPOCH).days))
    return Judged(assess(rules, [Facts.of(facts)], decision or Decision()))


@pytest.fixture(name="judge", scope="session")
def judge_fixture() -> Callable[..., Judged]:
    return judge


@pytest.fixture(scope="session")
def head() -> str:
    return HEAD


@pytest.fixture(scope="session")
def rule() -> str:
    return RULE


@pytest.fixture(scope="session")
def limit() -> str:
    return LIMIT


@pytest.fixture(scope="session")
def limits() -> Callable[[str, str], str]:
    """A limit from one end to another, for a rule that has none yet."""
    return lambda low, high: LIMIT.replace("max = 16.0", f"min = {low}\nmax = {high}")
