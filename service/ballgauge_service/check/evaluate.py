"""Checks: requests against a rulebook, one ball or many through the same arrays."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from statistics import NormalDist
from typing import Any, NamedTuple

from ballgauge_service.check.answer import UNITS, Group, caution, cautions
from ballgauge_service.check.drillings import assumptions, derive, missing_for_drilling
from ballgauge_service.check.facts import BalanceLimits, balance_limits, ball_facts, judge
from ballgauge_service.check.predict import Balls
from ballgauge_service.check.remedies import Limits, remedies
from ballgauge_service.check.request import Item, impossible_ball
from ballgauge_service.core import budget
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.rulebooks import (
    COLUMNS,
    OUTCOMES,
    Assessment,
    Decision,
    Edition,
    UnknownRulebookError,
    edition,
    findings,
    missing,
)

_POINTERS = {
    **{name: f"/ball/{name}" for name in COLUMNS},
    **dict.fromkeys(
        (
            "holes", "gripping_holes", "unused_gripping_holes", "thumb_holes", "balance_holes",
            "balance_hole_diameter", "vent_holes", "excess_vent_holes", "vent_hole_diameter", "mill_holes",
            "mill_hole_diameter", "mill_hole_depth",
        ),
        "/drilling",
    ),
    "unmarked_grip_centre": "/drilling/grip/center_marked",
    "reactive_cover": "/ball/cover",
    "asymmetric": "/ball/intermediate_differential",
    "balance_top": "/measured_balance/top",
    "balance_side": "/measured_balance/side",
    "balance_finger": "/measured_balance/finger",
    "largest_imbalance": "/measured_balance",
}  # fmt: skip
"""Where each column of the rules comes from in a request."""


class _Ask(NamedTuple):
    """What decides which items are judged together."""

    body: str
    on: datetime.date | None
    stage: str
    overlay: str | None
    rule: str
    risk: float


def evaluate_checks(items: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Answer loaded check requests, in order, as JSON-ready dicts.

    Raises InvalidInput naming every impossible field of every item.
    """
    groups = _groups(items)
    editions, balls = _prepared(items, groups)
    answers: list[dict[str, Any]] = [{} for _ in items]
    for ask, indices in groups.items():
        facts = [ball_facts(items[index], balls, index) for index in indices]
        days = [items[index]["ball"].get("approved_on") for index in indices]
        assessment = judge(editions[ask], facts, days, Decision(ask.rule, ask.risk))  # type: ignore[arg-type]
        guard = NormalDist().inv_cdf(1.0 - ask.risk) if ask.rule == "guarded" else 0.0
        limits = balance_limits(assessment, guard)
        overall = assessment.overall.tolist()
        for place, index in enumerate(indices):
            budget.check()
            answer = _answer(items[index], balls, index, assessment, place, OUTCOMES[overall[place]])
            if limits is not None and index in balls.rows and limits.failing[place]:
                answer["derived"]["remedies"] = _remedies(items[index], balls, index, limits, place)
            answers[index] = answer
    return answers


def _prepared(items: Sequence[Item], groups: dict[_Ask, list[int]]) -> tuple[dict[_Ask, Edition], Balls]:
    """The editions asked for and the drilled balls. Raises InvalidInput with all that either refuses."""
    editions, errors = _editions(groups)
    for index, item in enumerate(items):
        if "drilling" not in item:
            errors.extend((index, *error) for error in impossible_ball(item["ball"]))
    try:
        balls = Balls(items)
    except InvalidInput as refused:
        raise InvalidInput(errors + refused.errors) from None
    if errors:
        raise InvalidInput(errors)
    return editions, balls


def _ask(item: Item) -> _Ask:
    rules, decision = item["rules"], item["decision"]
    overlay = rules.get("overlay")
    return _Ask(rules["body"], rules.get("on"), rules["stage"], overlay, decision["rule"], decision["risk"])


def _groups(items: Sequence[Item]) -> dict[_Ask, list[int]]:
    groups: dict[_Ask, list[int]] = {}
    for index, item in enumerate(items):
        groups.setdefault(_ask(item), []).append(index)
    return groups


def _editions(
    groups: dict[_Ask, list[int]],
) -> tuple[dict[_Ask, Edition], list[tuple[int, str, str]]]:
    found: dict[_Ask, Edition] = {}
    errors: list[tuple[int, str, str]] = []
    for ask, indices in groups.items():
        try:
            found[ask] = edition(ask.body, ask.on, ask.stage, ask.overlay)
        except UnknownRulebookError as unknown:
            errors.extend((index, "/rules/overlay", str(unknown)) for index in indices)
    return found, errors


def _answer(
    item: Item, balls: Balls, index: int, assessment: Assessment, place: int, outcome: str
) -> dict[str, Any]:
    derived, row = derive(item, balls, index)
    found = findings(assessment, place)
    judged_by = assessment.edition
    taken = assumptions(item)
    if "circumference" not in item["ball"] and "diameter" in item["ball"]:
        taken.append("The circumference is the diameter times pi, to 0.001 in.")
    if not judged_by.on_given:
        taken.append(
            f"No date is given: the rules are those in force on {judged_by.on}, the day the rulebook was "
            "compiled."
        )
    return {
        "outcome": outcome,
        "findings": found,
        "derived": derived,
        "missing": _merged(
            [{**each, "field": _POINTERS[each["field"]]} for each in missing(assessment, place)],
            [] if row is None else missing_for_drilling(item),
        ),
        "cautions": [
            *cautions(item, row),
            *_date_cautions(item, judged_by),
            *_unjudged(found),
            _advice(outcome),
        ],
        "assumptions": taken,
        "rules": {
            "body": judged_by.source.body,
            "on": judged_by.on.isoformat(),
            "stage": judged_by.stage,
            "edition": judged_by.source.edition,
            "overlay": judged_by.overlay,
        },
        "decision": {"rule": item["decision"]["rule"], "risk": item["decision"]["risk"]},
        "units": UNITS,
    }


def _merged(*lists: list[Group]) -> list[Group]:
    """One entry a field, with all that needs it."""
    needed: dict[str, list[str]] = {}
    for each in (entry for entries in lists for entry in entries):
        names = needed.setdefault(each["field"], [])
        names.extend(name for name in each["needed_for"] if name not in names)
    return [{"field": field, "needed_for": names} for field, names in needed.items()]


def _date_cautions(item: Item, judged_by: Edition) -> list[Group]:
    """Dates that the rulebook, or the other date, does not reach."""
    found: list[Group] = []
    compiled, approved = judged_by.source.compiled_on, item["ball"].get("approved_on")
    if judged_by.on > compiled:
        words = f"The rulebook was compiled on {compiled}; later changes of rules are not in it."
        found.append(caution("date_beyond_rulebook", words, "/rules/on"))
    if approved is not None and approved > judged_by.on:
        words = f"The day of approval, {approved}, lies after the day of use, {judged_by.on}."
        found.append(caution("used_before_approval", words, "/ball/approved_on"))
    return found


def _unjudged(found: list[dict[str, Any]]) -> list[Group]:
    """A caution for every rule that no number can judge."""
    return [caution("not_judged", finding["message"]) for finding in found if finding["quantity"] is None]


def _advice(outcome: str) -> Group:
    words = {
        "conforming": "Every rule that was judged is met.",
        "nonconforming": "At least one rule is not met.",
        "inconclusive": "At least one rule cannot be decided from these values.",
        "not_assessed": "Not every rule could be judged; this is not a pass.",
    }[outcome]
    advice = "This is advice from the values given: only the governing body decides and approves."
    return caution("advice_only", f"{words} {advice}")


def _remedies(item: Item, balls: Balls, index: int, limits: BalanceLimits, place: int) -> list[Group]:
    kept = Limits(limits.low[place], limits.high[place])
    return remedies(balls.drilled, balls.rows[index], item, index, kept, balls.work)
