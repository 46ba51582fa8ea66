"""The rulebooks as a listing: every rule with its limits, dates, basis and source, JSON-ready."""

from __future__ import annotations

from datetime import date
from typing import Any

from ballgauge_service.rulebooks.loader import rulebook
from ballgauge_service.rulebooks.model import EPOCH, Bounds, Limit, MoreBalls, Rule, SampleRule, Stage


def describe(
    body: str, on: date | None = None, stage: Stage | None = None, overlay: str | None = None
) -> dict[str, Any]:
    """A body's rules on a date (None: the rulebook's `compiled_on`) and at a stage (None: all stages).

    Each rule has `limits`, those in force on that date, and `other_limits`, those of other dates: a ball is
    judged by the latter where the rule binds by the date of approval. Dates are ISO 8601 strings.

    Raises UnknownRulebookError for an unknown body or overlay, ValueError for an unknown stage.
    """
    if stage not in (None, "approval", "play"):
        raise ValueError(f"stage must be approval or play; got {stage!r}")
    book = rulebook(body, overlay)
    day = on or book.compiled_on
    return {
        "body": book.body,
        "title": book.title,
        "document": book.document,
        "edition": book.edition,
        "compiled_on": book.compiled_on.isoformat(),
        "on": day.isoformat(),
        "stage": stage,
        "overlay": overlay,
        "notes": list(book.notes),
        "rules": [_rule(rule, day) for rule in book.rules if stage is None or stage in rule.stages],
        "sample_rules": [_sample_rule(rule) for rule in book.sample_rules],
        "procedures": [
            {"number": item.number, "title": item.title, "source": str(item.source)}
            for item in book.procedures
        ],
        "facts": [
            {
                "id": item.id,
                "statement": item.statement,
                "value": item.value,
                "unit": item.unit,
                "basis": item.basis,
                "source": str(item.source),
            }
            for item in book.facts
        ],
    }


def sample_rules(body: str, overlay: str | None = None) -> dict[str, SampleRule]:
    """A body's rules on samples of a model, by id.

    Raises UnknownRulebookError for an unknown body or overlay.
    """
    return {rule.id: rule for rule in rulebook(body, overlay).sample_rules}


def _rule(rule: Rule, day: date) -> dict[str, Any]:
    number = float((day - EPOCH).days)
    held = [limit.days[0] <= number <= limit.days[1] for limit in rule.limits]
    rows = [_limit(limit) for limit in rule.limits]
    return {
        "rule": rule.id,
        "title": rule.title,
        "clause": rule.clause,
        "quantity": rule.quantity,
        "unit": rule.unit,
        "binds": rule.binds,
        "stages": list(rule.stages),
        "when_measured": list(rule.when_measured),
        "advisory": rule.advisory,
        "notes": list(rule.notes),
        "procedures": list(rule.procedures),
        "limits": [row for row, now in zip(rows, held, strict=True) if now],
        "other_limits": [row for row, now in zip(rows, held, strict=True) if not now],
    }


def _limit(limit: Limit) -> dict[str, Any]:
    return {
        "effect": limit.effect,
        "min": limit.min,
        "max": limit.max,
        "effective_from": limit.effective_from and limit.effective_from.isoformat(),
        "effective_to": limit.effective_to and limit.effective_to.isoformat(),
        "when": _when(limit.when),
        "basis": limit.basis,
        "source": str(limit.source),
        "note": limit.note,
    }


def _when(when: tuple[tuple[tuple[str, Bounds], ...], ...]) -> list[dict[str, dict[str, float]]]:
    return [{column: bounds.as_dict() for column, bounds in alternative} for alternative in when]


def _sample_rule(rule: SampleRule) -> dict[str, Any]:
    return {
        "rule": rule.id,
        "title": rule.title,
        "single_rule": rule.rule,
        "quantity": rule.quantity,
        "unit": rule.unit,
        "effective_from": rule.effective_from and rule.effective_from.isoformat(),
        "single": rule.single.as_dict(),
        "average": rule.average and rule.average.as_dict(),
        "max_rate": rule.max_rate,
        "more_balls": rule.more_balls and _more_balls(rule.more_balls),
        "when": _when(rule.when),
        "basis": rule.basis,
        "source": str(rule.source),
        "note": rule.note,
    }


def _more_balls(more: MoreBalls) -> dict[str, Any]:
    return {"statistic": more.statistic, "bounds": more.bounds.as_dict(), "count": more.count}
