"""The rules on a design: as made, at approval; and drilled, in play."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from ballgauge_schemas import Quantity
from ballgauge_schemas.shared.words import NUMBERS
from ballgauge_service.check.facts import BALANCE, ball_facts
from ballgauge_service.check.predict import Prediction
from ballgauge_service.check.request import Ball, Check, Rules
from ballgauge_service.design.drilling import Drill, DrilledDesign
from ballgauge_service.design.mass import MassProperties
from ballgauge_service.design.solving import FoundBall
from ballgauge_service.rulebooks import (
    OUTCOMES,
    POSITIONS,
    Assessment,
    Decision,
    Edition,
    assess,
    findings,
    missing,
)

Group = dict[str, Any]

HOLE_FACTS = (
    *BALANCE, "weight", "holes", "gripping_holes", "gripping_hole_diameter", "gripping_hole_depth",
    "doubled_digits", "unused_gripping_holes", "thumb_holes", "unused_thumb", "balance_holes",
    "balance_hole_diameter", "vent_holes", "excess_vent_holes", "vent_hole_diameter", "mill_holes",
    "mill_hole_diameter", "mill_hole_depth", "plug_density", "unmarked_grip_centre",
)  # fmt: skip
"""What the rules ask of a drilled ball that they do not ask of it as made, or ask again: its weight."""

BOX_NUMBERS = (
    "weight", "diameter", "rg", "differential", "intermediate_differential", "top_weight", "pin_to_cg",
    "pin_to_low_rg_axis", "mark_to_high_rg_axis", "max_density",
)  # fmt: skip
"""Numbers of a design that a check takes as those of a ball."""


@dataclass(frozen=True, slots=True)
class Judged:
    """Findings on a design, and the limits in force on its numbers with the rules that set them.

    limits : (lower, upper) by number; not_studied : judged rules about what is no number of a tolerance study
    """

    outcome: str
    findings: list[Group]
    missing: list[Group]
    edition: Edition
    limits: dict[str, tuple[float | None, float | None]] = field(default_factory=dict)
    limit_rules: dict[str, list[str]] = field(default_factory=dict)
    not_studied: list[str] = field(default_factory=list)


def judge_design(rules: Rules, made: MassProperties) -> Judged:
    """Judge a design as made by the rules of approval.

    Raises InvalidInput for an overlay there is not.

    Parameters
    ----------
    rules : Rules
    made : MassProperties

    Returns
    -------
    Judged
    """
    return _judged(rules, _ball(made))


def judge_found(rules: Rules, found: FoundBall) -> Judged:
    """Judge a design that a search found as made, like the design itself.

    Parameters
    ----------
    rules : Rules
    found : FoundBall

    Returns
    -------
    Judged
    """
    numbers = {name: found.numbers[name] for name in BOX_NUMBERS if name in found.numbers}
    densest = max(solid.density for solid in found.design.solids)
    return _judged(rules, _of({**numbers, "diameter": found.design.diameter, "max_density": densest}))


def _judged(rules: Rules, ball: Ball) -> Judged:
    judged_by = rules.edition("approval")
    assessment = _assess(judged_by, Check(ball), None)
    judged = Judged(
        outcome=OUTCOMES[int(assessment.overall[0])],
        findings=findings(assessment, 0),
        missing=[{**each, "field": _pointer(each["field"])} for each in missing(assessment, 0)],
        edition=judged_by,
    )
    _add_limits(assessment, judged)
    return judged


def judge_drilled(
    rules: Rules, made: MassProperties, drilled: DrilledDesign, drill: Drill, *, arm_given: bool
) -> Judged:
    """Judge what drilling adds to a design, its holes and its balance, by the rules of play.

    A verdict that turns with an arm that is not given is inconclusive.

    Parameters
    ----------
    rules : Rules
    made : MassProperties
    drilled : DrilledDesign
    drill : Drill
    arm_given : bool, whether the request states the balance's arm

    Returns
    -------
    Judged
    """
    judged_by = rules.edition("play")
    arm = drill.arm
    moment = [reading * arm for reading in (drilled.top, drilled.side, drilled.finger)]
    predicted = Prediction([0.0] * 3, moment, [part / arm for part in moment], [math.nan] * 5, drilled.weight)
    asked = replace(drill.drilling, balance_arm=Quantity(arm)) if arm_given else drill.drilling
    assessment = _assess(judged_by, Check(_ball(made), asked), predicted)
    listed = [each for each in findings(assessment, 0) if each["quantity"] in HOLE_FACTS]
    counted = [each["outcome"] for each in listed if not each["advisory"]]
    outcome = max(counted, key=OUTCOMES.index, default="not_assessed")
    return Judged(outcome, listed, [], judged_by)


def _ball(made: MassProperties) -> Ball:
    return _of({name: getattr(made, name) for name in BOX_NUMBERS})


def _of(numbers: Mapping[str, float | None]) -> Ball:
    return Ball.of({name: Quantity(value) for name, value in numbers.items() if value is not None})


def _pointer(column: str | None) -> str:
    return "/rules/overlays" if column in (None, "as_made") else f"/ball/{column}"


def _assess(judged_by: Edition, check: Check, predicted: Prediction | None) -> Assessment:
    """A design is judged as if it were approved on the day of the rules."""
    dated = replace(check, ball=replace(check.ball, approved_on=judged_by.on))
    return assess(judged_by, [ball_facts(dated, predicted, judged_by.on)], Decision())


def _add_limits(assessment: Assessment, judged: Judged) -> None:
    """Collect the limits in force: of two on one number, both."""
    for rule, limit in zip(assessment.edition.rules, assessment.limits(0), strict=True):
        if rule.advisory or not assessment.facts[0].knows(POSITIONS[rule.quantity]) or limit is None:
            continue
        if limit.min is None and limit.max is None:
            continue
        number = rule.quantity
        if number not in NUMBERS:
            judged.not_studied.append(rule.id)
            continue
        before = judged.limits.get(number, (None, None))
        lows = [x for x in (before[0], limit.min) if x is not None]
        highs = [x for x in (before[1], limit.max) if x is not None]
        judged.limits[number] = (max(lows, default=None), min(highs, default=None))
        judged.limit_rules.setdefault(number, []).append(rule.id)
