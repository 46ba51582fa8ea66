"""Decisions on lots from files: what is judged is what was given, and a row is counted as what it is."""

from __future__ import annotations

from typing import Any

import pytest

from ballgauge_schemas.lot.answer import LOT_RESULT

from .test_assessment import SAMPLE, judged

HEAD = "serial,weight,hardness,oil_absorption_time,roughness,approved_on"


def lot_of(count: int, *rows: str, day: str = "2024-03-01", head: str = HEAD) -> str:
    """A lot of good balls, then `rows`."""
    good = [f"A{n:05d},15,75,600,30,{day}" for n in range(count)]
    return "\n".join([head, *good, *rows]) + "\n"


def decided(text: str | bytes, **options: Any) -> dict[str, Any]:
    """The whole answer on a lot, within the scope of what it measures; it fits the contract."""
    answer = judged(text, **{"scope": "measured", **options})
    LOT_RESULT.load(answer)
    return answer


def verdict(answer: dict[str, Any]) -> tuple[bool | None, int, int]:
    counts = answer["counts"]
    return answer["acceptance"]["lot_accepted"], counts["balls"], counts["nonconforming"]


@pytest.mark.parametrize(
    ("day", "odd", "rule"),
    [
        ("2015-01-01", "B1,15,75,100,30,2015-01-01", "oil_absorption_sample"),
        ("2008-01-01", "B1,15,75,600,70,2008-01-01", "roughness_sample"),
    ],
)
def test_a_rule_on_samples_binds_the_balls_approved_since_it(day: str, odd: str, rule: str) -> None:
    """Against the rules' dates: oil absorption binds approvals from 2020-08-01, roughness from April 2009."""
    older = decided(lot_of(79, odd, day=day), sampling=SAMPLE)
    (found,) = [each for each in older["sample_rules"] if each["rule"] == rule]
    assert (found["outcome"], found["balls_not_bound"]) == ("not_assessed", 80)
    assert verdict(older) == (True, 80, 0)
    # Beside them one ball that the rule binds, and breaks: it alone is judged, the others are told apart.
    newer = decided(lot_of(79, odd.replace(day, "2024-03-01"), day=day), sampling=SAMPLE)
    (found,) = [each for each in newer["sample_rules"] if each["rule"] == rule]
    assert (found["outcome"], found["balls_not_bound"]) == ("nonconforming", 79)
    assert found["result"]["count"] == 1
    assert newer["acceptance"]["lot_accepted"] is False
    assert newer["acceptance"]["by_count"]["outcome"] == "conforming"
    assert found["title"] in newer["acceptance"]["message"]
    assert "plan" not in newer["acceptance"]["message"]
