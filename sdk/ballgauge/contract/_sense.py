"""What follows from an answer's own words and numbers, from what was asked, and from the rules listed."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from statistics import NormalDist
from typing import Any

from ballgauge_schemas.shared.words import WORST_FIRST

_SLACK = 1e-9
"""In proportion: the numbers told are rounded; a value as near to its limit as that says nothing (ours)."""
_LIKELY = 1e-6
"""How far a probability told may lie from that of the numbers told (ours)."""
_APPROVAL = re.compile(r"\b(ball|model|it)\b[^.]{0,20}\b(is|are|stands|was found) (hereby )?approved\b", re.I)


def hold_check(answer: Mapping[str, Any], asked: Mapping[str, Any] | None = None) -> None:
    """Hold a check's answer to what was asked, its outcome to its findings, and each finding to its numbers.

    Only a finding that counts makes the outcome worse. `not_assessed` is never a pass, and says what is
    missing. No word says that a ball is approved.
    """
    findings = answer["findings"]
    counted = {finding["outcome"] for finding in findings if not finding.get("advisory")}
    if counted:
        worst = next(outcome for outcome in WORST_FIRST if outcome in counted)
        assert answer["outcome"] == worst, f"outcome {answer['outcome']}, though a finding is {worst}"
    if answer["outcome"] == "not_assessed" and counted:
        assert answer["missing"], "not_assessed, and nothing is missing"
    wanted = {rule for each in answer["missing"] for rule in each["needed_for"]}
    for finding in findings:
        _hold_numbers(finding)
        if finding["outcome"] == "not_assessed" and not finding.get("advisory"):
            assert finding["rule"] in wanted, (
                f"{finding['rule']} is not assessed, and nothing is missing for it"
            )
    for text in (*(each["message"] for each in findings), *(each["message"] for each in answer["cautions"])):
        assert not _APPROVAL.search(text), f"says that a ball is approved: {text}"
    if asked is not None:
        _hold_asked(answer, asked)


def _hold_asked(answer: Mapping[str, Any], asked: Mapping[str, Any]) -> None:
    """The body, the day and the decision are those asked for; a guarded verdict follows from its numbers."""
    rules, decision = asked.get("rules", {}), asked.get("decision", {})
    for name in ("body", "on", "stage"):
        if name in rules:
            assert answer["rules"][name] == rules[name], f"asked for {name} {rules[name]}"
    for name in ("rule", "risk"):
        if name in decision:
            assert answer["decision"][name] == decision[name], f"asked for {name} {decision[name]}"
    if answer["decision"]["rule"] == "guarded":
        for finding in answer["findings"]:
            _hold_guard(finding, answer["decision"]["risk"])


def _hold_guard(finding: Mapping[str, Any], risk: float) -> None:
    """JCGM 106:2012, 8.3; an inconclusive verdict may also come of limits or arms that are not known."""
    probability, told = finding.get("probability"), finding["outcome"]
    if probability is None or told not in ("conforming", "nonconforming"):
        return
    sure = probability >= 1.0 - risk - _LIKELY if told == "conforming" else probability <= risk + _LIKELY
    assert sure, f"{finding['rule']}: {told} with a probability of {probability} at a risk of {risk}"


def _hold_numbers(finding: Mapping[str, Any]) -> None:
    """Outcome, margin and probability of one finding, against its value, uncertainty and limit."""
    told, limit, value = finding["outcome"], finding.get("limit") or {}, finding.get("value")
    least, most = limit.get("min"), limit.get("max")
    if value is None or (least is None and most is None) or told == "not_assessed":
        return
    low, high = -math.inf if least is None else least, math.inf if most is None else most
    words = f"{finding['rule']}: {told} at {value}, the limit being {least} to {most}"
    distance, slack = min(value - low, high - value), _SLACK * max(1.0, abs(value))
    spread = finding.get("uncertainty")
    if told == "conforming":
        assert distance >= -slack or finding.get("margin") == 0.0, words
    if told == "nonconforming" and not spread:
        assert distance <= slack, words
    margin = finding.get("margin")
    if margin is not None:
        expected = max(distance, 0.0) if told == "conforming" else distance
        assert abs(margin - expected) <= 1e-6 * max(1.0, abs(distance)), f"{words}: margin {margin}"
    probability = finding.get("probability")
    if probability is not None and spread:
        # Where a printed twin of a limit was met, the probability is that of the limit as it is judged.
        expected = _within(value, spread, low, high)
        assert abs(probability - expected) <= max(_LIKELY, 1e-3 * slack / spread) or margin == 0.0, (
            f"{words}: probability {probability}, by its numbers {expected}"
        )


def _within(value: float, spread: float, low: float, high: float) -> float:
    """The probability of a normal value to lie within limits (JCGM 106:2012, 7.2)."""
    normal = NormalDist(value, spread)
    return normal.cdf(high) - normal.cdf(low)


def hold_limits(answer: Mapping[str, Any], listed: Mapping[str, Any], approved_on: str | None) -> None:
    """Hold every limit told, with its basis and source, to the rows of the rulebook on the day that binds."""
    for finding in answer["findings"]:
        limit = finding["limit"]
        if limit is None or (limit["min"] is None and limit["max"] is None):
            continue
        rows = list(_rows(listed, finding["rule"], answer["rules"]["on"], approved_on))
        named = f"{finding['rule']}: {limit} of {finding['basis']}, {finding['source']}"
        told = (limit["min"], limit["max"], finding["basis"], finding["source"])
        assert told in rows, f"{named} on {answer['rules']['on']}, approved {approved_on}, is none of {rows}"


def _rows(
    listed: Mapping[str, Any], rule: str, on: str, approved_on: str | None
) -> Iterator[tuple[Any, ...]]:
    """Limit, basis and source of every row of a rule in force on the day that binds, if that is given."""
    for row in listed["rules"]:
        if row["rule"] == rule and row["effect"] == "limit":
            day = {"use": on, "approval": approved_on}.get(row["binds"])
            first, last = row["effective_from"] or "0000", row["effective_to"] or "9999"
            if day is None or first <= day <= last:
                yield row["limit"]["min"], row["limit"]["max"], row["basis"], row["source"]


def recorded_numbers(value: Any, place: str = "") -> Iterator[tuple[str, Any]]:
    """Numbers and words of an answer by their place; sentences and sources are no numbers.

    Findings are found by their rule, so that a rule added between them moves none.
    """
    if isinstance(value, Mapping):
        for name, member in value.items():
            if name not in ("message", "source", "title", "edition", "digest", "notes", "units"):
                yield from recorded_numbers(member, f"{place}/{name}")
    elif isinstance(value, list):
        for index, member in enumerate(value):
            name = member.get("rule", index) if isinstance(member, Mapping) else index
            yield from recorded_numbers(member, f"{place}/{name}")
    else:
        yield place, value


def same_number(told: Any, recorded: Any) -> bool:
    """Whether a number told is the one recorded, but for a millionth; words and what is unknown are equal."""
    numbers = isinstance(recorded, float) and isinstance(told, (int, float)) and not isinstance(told, bool)
    return math.isclose(told, recorded, rel_tol=1e-6, abs_tol=1e-7) if numbers else told == recorded
