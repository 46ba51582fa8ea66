"""The rulebooks as a listing: every rule with its limits, dates, basis and source, JSON-ready."""

from __future__ import annotations

import hashlib
import json
from datetime import date
from functools import lru_cache
from typing import Any

from ballgauge_schemas.shared.words import Stage
from ballgauge_service.core.units import EPOCH
from ballgauge_service.rulebooks.editions import Edition
from ballgauge_service.rulebooks.loader import rulebook
from ballgauge_service.rulebooks.model import (
    ROUNDING,
    BackgroundFact,
    Bounds,
    Limit,
    MoreBalls,
    Procedure,
    Rule,
    Rulebook,
    SampleRule,
    Source,
)


def describe(
    body: str, on: date | None = None, stage: Stage | None = None, overlay: str | None = None
) -> dict[str, Any]:
    """The rules of a body, with a known overlay laid over them; see `describe_rulebook`."""
    return describe_rulebook(rulebook(body, overlay), on, stage)


def describe_rulebook(book: Rulebook, on: date | None = None, stage: Stage | None = None) -> dict[str, Any]:
    """A rulebook's rules on a date (None: its `compiled_on`) and at a stage (None: all stages).

    Each rule has `limits`, those in force on that date, and `other_limits`, those of other dates: a ball is
    judged by the latter where the rule binds by the date of approval. Dates are ISO 8601 strings.

    Raises ValueError for an unknown stage.
    """
    if stage not in (None, "approval", "play"):
        raise ValueError(f"stage must be approval or play; got {stage!r}")
    day = on or book.compiled_on
    return {
        **_told(book, "body", "title", "document", "edition", "compiled_on"),
        "on": day.isoformat(),
        "stage": stage,
        "overlay": ", ".join(each.body for each in book.overlays) or None,
        "notes": [ROUNDING, *book.notes],
        "rules": [_rule(rule, day) for rule in book.rules if stage is None or stage in rule.stages],
        "sample_rules": [_sample_rule(rule) for rule in book.sample_rules],
        "procedures": [_told(item, "number", "title", "source") for item in book.procedures],
        "facts": [_told(item, "id", "statement", "value", "unit", "basis", "source") for item in book.facts],
    }


def _told(
    found: Rulebook | Rule | Limit | SampleRule | Procedure | BackgroundFact, *names: str
) -> dict[str, Any]:
    """Members by name: days and sources as texts, bounds as objects."""
    return {name: _plain(getattr(found, name)) for name in names}


def _plain(value: Any) -> Any:
    if isinstance(value, (date, Source)):
        return str(value)
    if isinstance(value, Bounds):
        return value.as_dict()
    return list(value) if isinstance(value, tuple) else value


@lru_cache(maxsize=256)
def digest(book: Rulebook) -> str:
    """SHA-256, in hexadecimal, of every rule and limit, of all dates and stages, that judge a ball."""
    names = (
        "rule", "quantity", "unit", "binds", "stages", "when_measured", "advisory", "advice_at", "as_made",
    )  # fmt: skip
    bounds = (
        "effect", "min", "max", "judged_min", "judged_max", "doubtful", "metric_twin", "effective_from",
        "effective_to", "when",
    )  # fmt: skip
    judged = [
        {name: rule[name] for name in names}
        | {"limits": sorted(json.dumps({name: limit[name] for name in bounds}) for limit in limits)}
        for rule in describe_rulebook(book)["rules"]
        for limits in ((*rule["limits"], *rule["other_limits"]),)
    ]
    return hashlib.sha256(json.dumps(judged, sort_keys=True, ensure_ascii=False).encode()).hexdigest()


def used_rules(judged_by: Edition) -> dict[str, Any]:
    """The rules that an answer used, as it names them."""
    source = judged_by.source
    return {
        "as_made": source.as_made,
        "body": source.body,
        "digest": digest(source),
        "edition": source.edition,
        "on": judged_by.on.isoformat(),
        "overlay": judged_by.overlay,
        "overlays": [{"digest": digest(each), "name": each.body} for each in source.overlays],
        "stage": judged_by.stage,
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
        **_told(rule, "title", "clause", "quantity", "unit", "binds", "stages", "when_measured", "advisory"),
        **_told(rule, "advice_at", "as_made", "notes", "procedures"),
        "limits": [row for row, now in zip(rows, held, strict=True) if now],
        "other_limits": [row for row, now in zip(rows, held, strict=True) if not now],
    }


def _limit(limit: Limit) -> dict[str, Any]:
    return {
        **_told(limit, "effect", "min", "max", "judged_min", "judged_max", "doubtful", "metric_twin"),
        **_told(limit, "effective_from", "effective_to"),
        "when": _when(limit.when),
        **_told(limit, "basis", "source", "note"),
    }


def _when(when: tuple[tuple[tuple[str, Bounds], ...], ...]) -> list[dict[str, dict[str, float]]]:
    return [{column: bounds.as_dict() for column, bounds in alternative} for alternative in when]


def _sample_rule(rule: SampleRule) -> dict[str, Any]:
    return {
        "rule": rule.id,
        "title": rule.title,
        "single_rule": rule.rule,
        **_told(rule, "quantity", "unit", "effective_from", "single", "average", "max_rate"),
        "more_balls": rule.more_balls and _more_balls(rule.more_balls),
        "when": _when(rule.when),
        **_told(rule, "basis", "source", "note"),
    }


def _more_balls(more: MoreBalls) -> dict[str, Any]:
    return {"statistic": more.statistic, "bounds": more.bounds.as_dict(), "count": more.count}
