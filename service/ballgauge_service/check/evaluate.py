"""Checks and drillings: requests in, answers out, one ball or many through the same arrays."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from ballgauge_schemas.shared.limits import OVERLAY_SETS_MAXIMUM
from ballgauge_service.check.answer import (
    Group,
    brief_answer,
    check_answer,
    derivations,
    drilling_answer,
    findings_answer,
    other_day,
)
from ballgauge_service.check.drill import Work
from ballgauge_service.check.facts import BalanceLimits, balance_limits, ball_facts
from ballgauge_service.check.identity import identified
from ballgauge_service.check.predict import DrilledBall, drill_checks
from ballgauge_service.check.remedies import Limits, Remedy, not_through_layers, remedies
from ballgauge_service.check.request import Check, Rules, impossible_ball
from ballgauge_service.core import budget
from ballgauge_service.core.collector import uncollected
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.rulebooks import Assessment, Decision, Edition, Own, assess, edition

_Asked = tuple[Rules, Decision]
"""What decides which checks are judged together."""

Loaded = Mapping[str, Any]


@uncollected()
def evaluate_checks(items: Sequence[Loaded]) -> list[Group]:
    """Answer loaded check requests, in order, as JSON-ready dicts.

    Raises InvalidInput naming every impossible field of every item.
    """
    checks, work = [identified(Check.of(item)) for item in items], Work()
    groups: dict[_Asked, list[int]] = {}
    for index, check in enumerate(checks):
        groups.setdefault((check.rules, check.decision), []).append(index)
    editions, balls = _prepared(checks, groups, work)
    judged: dict[_Asked, tuple[Assessment, Sequence[int]]] = {}
    whole = any(check.detail == "full" for check in checks)
    derived = derivations(checks, balls) if whole else [None] * len(checks)
    answers: list[Group] = [{}] * len(checks)
    for asked, indices in groups.items():
        assessment = _judged(editions[asked], asked[1], checks, balls, indices)
        judged[asked] = assessment, indices
        limits = balance_limits(assessment, asked[1]) if whole else None
        for place, index in enumerate(indices):
            budget.check()
            check = checks[index]
            if check.detail == "brief":
                answers[index] = brief_answer(check, assessment, place)
            elif check.detail == "findings":
                answers[index] = findings_answer(check, assessment, place)
            else:
                mended = _mended(check, balls[index], index, limits, place, work)
                answers[index] = check_answer(check, derived[index], assessment, place, mended)
    days = _other_days(checks, balls, judged)
    return [
        {"also_on": told, **answer} if told else answer for answer, told in zip(answers, days, strict=True)
    ]


def _other_days(
    checks: Sequence[Check],
    balls: Sequence[DrilledBall | None],
    judged: Mapping[_Asked, tuple[Assessment, Sequence[int]]],
) -> list[list[Group]]:
    """What further days change, of each check that asks for them."""
    told: list[dict[date, Group]] = [{} for _ in checks]
    for (rules, decision), (assessment, indices) in judged.items():
        places = {index: place for place, index in enumerate(indices)}
        for day in sorted({day for index in indices for day in checks[index].also_on}):
            budget.check()
            asking = [index for index in indices if day in checks[index].also_on]
            other = _judged(replace(rules, on=day).edition(), decision, checks, balls, asking)
            for place, index in enumerate(asking):
                told[index][day] = other_day(day, other, place, assessment, places[index])
    return [[days[day] for day in check.also_on] for check, days in zip(checks, told, strict=True)]


def evaluate_drillings(items: Sequence[Loaded]) -> list[Group]:
    """Answer loaded drilling requests, in order, as JSON-ready dicts.

    Remedies are sought for the balance limits of the default rulebook, which the assumptions name. Raises
    InvalidInput naming every impossible field.
    """
    if not items:
        return []
    checks, work = [Check.of(item) for item in items], Work()
    balls = drill_checks(checks, work)
    book = edition("usbc")
    named = (
        f"Remedies are sought for the balance limits of {book.source.title} in force on {book.on}; a check "
        "judges by the rules of any date."
    )
    limits = balance_limits(_judged(book, Decision(), checks, balls, range(len(checks))), Decision())
    answers = []
    for index, derived in enumerate(derivations(checks, balls)):
        budget.check()
        assert derived is not None, "the contract asks for a drilling"
        mended = _mended(checks[index], balls[index], index, limits, index, work) or []
        answers.append(drilling_answer(checks[index], derived, mended, named))
    return answers


def _prepared(
    checks: Sequence[Check], groups: Mapping[_Asked, Sequence[int]], work: Work
) -> tuple[dict[_Asked, Edition], list[DrilledBall | None]]:
    """The editions asked for and the drilled balls. Raises InvalidInput with all that either refuses."""
    editions: dict[_Asked, Edition] = {}
    faults = _too_many_overlays(groups)
    for asked, indices in () if faults else groups.items():
        try:
            editions[asked] = asked[0].edition()
        except InvalidInput as refused:
            faults.extend(replace(fault, index=index) for fault in refused.faults for index in indices)
    for index, check in enumerate(checks):
        if check.drilling is None:
            faults.extend(impossible_ball(check.ball, index))
    try:
        balls = drill_checks(checks, work)
    except InvalidInput as refused:
        faults.extend(refused.faults)
    if faults:
        raise InvalidInput(faults)
    return editions, balls


def _too_many_overlays(groups: Mapping[_Asked, Sequence[int]]) -> list[Fault]:
    """Refuse more sets of overlays of one's own in one request than are compiled for it."""
    sets: dict[tuple[str | Own, ...], int] = {}
    for rules, decision in groups:
        if any(isinstance(each, Own) for each in rules.overlays):
            sets.setdefault(rules.overlays, groups[rules, decision][0])
    text = f"more than {OVERLAY_SETS_MAXIMUM} different sets of custom overlays in one request"
    return [Fault("/rules/overlays", text, index) for index in list(sets.values())[OVERLAY_SETS_MAXIMUM:]]


def _judged(
    judged_by: Edition,
    decision: Decision,
    checks: Sequence[Check],
    balls: Sequence[DrilledBall | None],
    indices: Sequence[int],
) -> Assessment:
    """The verdicts on some of the checks."""
    facts = []
    for index in indices:
        ball = balls[index]
        facts.append(ball_facts(checks[index], None if ball is None else ball.prediction, judged_by.on))
    return assess(judged_by, facts, decision)


def _mended(
    check: Check, ball: DrilledBall | None, index: int, limits: BalanceLimits | None, place: int, work: Work
) -> list[Remedy] | None:
    """Remedies where the drilled ball's balance fails, None where nothing needs mending."""
    if limits is None or ball is None or not limits.failing[place]:
        return None
    if check.layers is not None:
        return [not_through_layers()]
    return remedies(check, ball, index, Limits(limits.low[place], limits.high[place], limits.guard), work)
