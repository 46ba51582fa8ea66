"""The schema of a rule file: strict, so that a slip in the data is an error and never a silent limit."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from marshmallow import Schema, ValidationError, fields, validate, validates_schema

from ballgauge_schemas.shared.overlay import TWIN_PATTERN
from ballgauge_schemas.shared.words import BASES, STAGES
from ballgauge_service.rulebooks.cells import OverlapError, TooFineError, build_table
from ballgauge_service.rulebooks.model import (
    COLUMNS,
    EPOCH,
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

OUTCOME_WORDS = ("conforming", "nonconforming")
PLACEHOLDERS = ("{value}", "{limit}")

_IDENTIFIER = validate.Regexp(r"^[a-z][a-z0-9_]*\Z", error="Must be lower-case words joined by underscores.")
_COLUMN = validate.OneOf(list(COLUMNS), error="Unknown column: {input}.")
_TEXT = validate.Length(min=1)


class Number(fields.Field[float]):
    """A finite TOML number; booleans and strings are refused."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise ValidationError("Must be a finite number.")
        return float(value)


class Bound(Number):
    """A finite number, or a date as days since 1970-01-01."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> float:
        if isinstance(value, date) and not isinstance(value, datetime):
            return float((value - EPOCH).days)
        return super()._deserialize(value, attr, data, **kwargs)


class Day(fields.Field[date]):
    """A TOML local date; a string or a date with a time is refused."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> date:
        if isinstance(value, datetime) or not isinstance(value, date):
            raise ValidationError("Must be a date without quotes, such as 2020-08-01.")
        return value


class Conditions(fields.Field[list[dict[str, Bounds]]]):
    """A table {column = bounds}, or an array of such tables of which any one suffices."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> list[dict[str, Bounds]]:
        alternatives = value if isinstance(value, list) else [value]
        if not alternatives or not all(isinstance(item, dict) and item for item in alternatives):
            raise ValidationError("Must be a table of columns and bounds, or an array of such tables.")
        return [self._alternative(item) for item in alternatives]

    @staticmethod
    def _alternative(table: dict[str, Any]) -> dict[str, Bounds]:
        unknown = sorted(set(table) - set(COLUMNS))
        if unknown:
            raise ValidationError(f"Unknown column: {', '.join(unknown)}.")
        for column, bounds in table.items():
            dated = COLUMNS[column] == "date"
            if isinstance(bounds, dict) and any(isinstance(end, date) != dated for end in bounds.values()):
                raise ValidationError(f"The bounds of {column} must be {'dates' if dated else 'numbers'}.")
        return {column: _bounds(BoundsSchema().load(bounds)) for column, bounds in table.items()}


class BoundsSchema(Schema):
    """An interval: `min`, `max` (inclusive), `over`, `under` (exclusive)."""

    min = Bound()
    max = Bound()
    over = Bound()
    under = Bound()

    @validates_schema
    def check_order(self, data: dict[str, Any], **kwargs: Any) -> None:
        """At least one bound, at most one a side, and the lower not above the upper."""
        if not data:
            raise ValidationError("Give at least one of min, max, over, under.")
        if {"min", "over"} <= set(data) or {"max", "under"} <= set(data):
            raise ValidationError("Give min or over, and max or under, not both.")
        low, high = _bounds(data).closed
        if low > high:
            raise ValidationError("The lower bound lies above the upper bound.")


class SourceSchema(Schema):
    """A document and its date."""

    document = fields.String(required=True, validate=_TEXT)
    date = fields.String(
        required=True,
        validate=validate.Regexp(
            r"^(\d{4}(-\d{2}(-\d{2})?)?|undated)\Z", error="Must be YYYY, YYYY-MM, YYYY-MM-DD or undated."
        ),
    )


class LimitSchema(Schema):
    """One row of a rule."""

    effect = fields.String(
        load_default="limit", validate=validate.OneOf(("limit", "exempt", "unbound", "words"))
    )
    min = Bound()
    max = Bound()
    judged_min = Number()
    judged_max = Number()
    doubtful = fields.String(validate=validate.OneOf(("min", "max")))
    metric_twin = fields.String(
        validate=validate.Regexp(TWIN_PATTERN, error="Must be a length in mm or a mass in kg.")
    )
    effective_from = Day()
    effective_to = Day()
    when = Conditions()
    basis = fields.String(required=True, validate=validate.OneOf(BASES))
    source = fields.String(required=True, validate=_TEXT)
    note = fields.String(validate=_TEXT)

    @validates_schema
    def check_row(self, data: dict[str, Any], **kwargs: Any) -> None:
        """Bounds where they belong and in order; dates in order; words where no bounds speak."""
        bounded = "min" in data or "max" in data
        if data["effect"] == "limit" and not bounded:
            raise ValidationError("A limit needs min or max.", "min")
        beside = {"judged_min": "min", "judged_max": "max", "metric_twin": "max"}
        beside["doubtful"] = data.get("doubtful", "min")
        for name, bound in beside.items():
            if name in data and bound not in data:
                raise ValidationError(f"Stands beside {bound}, which is not given.", name)
        if data.get("judged_min", -math.inf) > data.get("min", math.inf):
            raise ValidationError("judged_min lies above min.", "judged_min")
        if data.get("judged_max", math.inf) < data.get("max", -math.inf):
            raise ValidationError("judged_max lies below max.", "judged_max")
        if data["effect"] != "limit" and bounded:
            raise ValidationError("Only a row of effect limit has min or max.", "effect")
        if data["effect"] != "limit" and "note" not in data:
            raise ValidationError("A row without bounds needs a note that says why.", "note")
        if data.get("min", -math.inf) > data.get("max", math.inf):
            raise ValidationError("min lies above max.", "min")
        if data.get("effective_from", date.min) > data.get("effective_to", date.max):
            raise ValidationError("effective_from lies after effective_to.", "effective_from")


class RuleSchema(Schema):
    """A rule and its limits."""

    id = fields.String(required=True, validate=_IDENTIFIER)
    title = fields.String(required=True, validate=_TEXT)
    clause = fields.String(validate=_TEXT)
    quantity = fields.String(validate=_COLUMN)
    unit = fields.String()
    binds = fields.String(required=True, validate=validate.OneOf(("approval", "made", "use")))
    stages = fields.List(
        fields.String(validate=validate.OneOf(STAGES)), required=True, validate=validate.Length(min=1)
    )
    when_measured = fields.List(fields.String(validate=validate.OneOf(STAGES)), load_default=list)
    advisory = fields.Boolean(load_default=False, truthy={True}, falsy={False})
    advice_at = fields.List(fields.String(validate=validate.OneOf(STAGES)), load_default=list)
    as_made = fields.Boolean(load_default=False, truthy={True}, falsy={False})
    notes = fields.List(fields.String(validate=_TEXT), load_default=list)
    procedures = fields.List(fields.String(validate=_TEXT), load_default=list)
    message = fields.Dict(
        keys=fields.String(validate=validate.OneOf(OUTCOME_WORDS)),
        values=fields.String(validate=_TEXT),
        load_default=dict,
    )
    limit = fields.List(fields.Nested(LimitSchema), required=True, validate=validate.Length(min=1))

    @validates_schema(pass_original=True)
    def check_dates(self, data: dict[str, Any], given: dict[str, Any], **kwargs: Any) -> None:
        """The bounds of a day are dates, those of anything else numbers."""
        ends = [row[name] for row in given["limit"] for name in ("min", "max") if name in row]
        if any(isinstance(end, date) != (data.get("unit") == "date") for end in ends):
            raise ValidationError("Only the bounds of a quantity that is a day are dates.", "limit")

    @validates_schema
    def check_quantity(self, data: dict[str, Any], **kwargs: Any) -> None:
        """A rule that bounds a value names its quantity, in the unit of that column."""
        worded = all(row["effect"] in ("words", "unbound") for row in data["limit"])
        if "quantity" not in data:
            if not worded:
                raise ValidationError("A rule with bounds needs a quantity.", "quantity")
        elif data.get("unit") != COLUMNS[data["quantity"]]:
            raise ValidationError(f"The unit of {data['quantity']} is {COLUMNS[data['quantity']]}.", "unit")
        for name in ("when_measured", "advice_at"):
            if not set(data[name]) <= set(data["stages"]):
                raise ValidationError("Names a stage that is not among the stages.", name)
        for text in data["message"].values():
            for placeholder in PLACEHOLDERS:
                text = text.replace(placeholder, "")
            if "{" in text or "}" in text:
                raise ValidationError("Only {value} and {limit} may stand in braces.", "message")

    @validates_schema
    def check_overlap(self, data: dict[str, Any], **kwargs: Any) -> None:
        """No two limits may hold on the same date under the same conditions."""
        try:
            build_table([_limit(row, {}) for row in data["limit"]])
        except (OverlapError, TooFineError) as error:
            raise ValidationError(f"Rule {data['id']}: {error}.", "limit") from error


class MoreBallsSchema(BoundsSchema):
    """When a sample calls for more balls, and for how many."""

    statistic = fields.String(required=True, validate=validate.OneOf(("single", "average")))
    count = fields.Integer(strict=True, validate=validate.Range(min=1))


class SampleRuleSchema(Schema):
    """A rule on samples of a model."""

    id = fields.String(required=True, validate=_IDENTIFIER)
    title = fields.String(required=True, validate=_TEXT)
    rule = fields.String(required=True, validate=_IDENTIFIER)
    average = fields.Nested(BoundsSchema)
    max_rate = Number(validate=validate.Range(min=0.0, max=1.0))
    more_balls = fields.Nested(MoreBallsSchema)
    when = Conditions()
    basis = fields.String(required=True, validate=validate.OneOf(BASES))
    source = fields.String(required=True, validate=_TEXT)
    note = fields.String(validate=_TEXT)


class ProcedureSchema(Schema):
    """A laboratory procedure."""

    number = fields.String(required=True, validate=_TEXT)
    title = fields.String(required=True, validate=_TEXT)
    source = fields.String(required=True, validate=_TEXT)


class FactSchema(Schema):
    """A fact beside the rules."""

    id = fields.String(required=True, validate=_IDENTIFIER)
    statement = fields.String(required=True, validate=_TEXT)
    value = Number(required=True)
    unit = fields.String(required=True, validate=_TEXT)
    basis = fields.String(required=True, validate=validate.OneOf((*BASES, "common_practice")))
    source = fields.String(required=True, validate=_TEXT)


class HeadSchema(Schema):
    """The head of a body's rulebook."""

    body = fields.String(required=True, validate=_IDENTIFIER)
    title = fields.String(required=True, validate=_TEXT)
    document = fields.String(required=True, validate=_TEXT)
    edition = fields.String(required=True, validate=_TEXT)
    compiled_on = Day(required=True)


class OverlayHeadSchema(HeadSchema):
    """The head of an overlay: its own name, and the body whose rules it lies over."""

    body = fields.String(required=True, data_key="name", validate=_IDENTIFIER)
    base = fields.String(required=True, validate=_IDENTIFIER)


_BODYS = ("sample_rule", "procedure", "fact")
_BODYS_ALONE = "Only a body's rulebook has these."


class RulebookSchema(Schema):
    """A whole rule file: a body's rulebook, or an overlay."""

    rulebook = fields.Nested(HeadSchema)
    overlay = fields.Nested(OverlayHeadSchema)
    notes = fields.List(fields.String(validate=_TEXT), load_default=list)
    source = fields.Dict(
        keys=fields.String(validate=_IDENTIFIER), values=fields.Nested(SourceSchema), required=True
    )
    rule = fields.List(fields.Nested(RuleSchema), required=True, validate=validate.Length(min=1))
    sample_rule = fields.List(fields.Nested(SampleRuleSchema), load_default=list)
    procedure = fields.List(fields.Nested(ProcedureSchema), load_default=list)
    fact = fields.List(fields.Nested(FactSchema), load_default=list)

    @validates_schema
    def check_head(self, data: dict[str, Any], **kwargs: Any) -> None:
        """Exactly one head."""
        if ("rulebook" in data) == ("overlay" in data):
            raise ValidationError("Give either [rulebook] or [overlay].", "rulebook")

    @validates_schema
    def check_overlay(self, data: dict[str, Any], **kwargs: Any) -> None:
        """An overlay has rules alone: what else a body's rulebook holds would be read by nothing."""
        if "overlay" in data:
            refused: dict[str, Any] = {name: [_BODYS_ALONE] for name in _BODYS if data[name]}
            numbered = [place for place, rule in enumerate(data["rule"]) if rule["procedures"]]
            if numbered:
                refused["rule"] = {place: {"procedures": [_BODYS_ALONE]} for place in numbered}
            if refused:
                raise ValidationError(refused)

    @validates_schema
    def check_identifiers(self, data: dict[str, Any], **kwargs: Any) -> None:
        """Identifiers are given once."""
        for table, key in (("rule", "id"), ("sample_rule", "id"), ("procedure", "number"), ("fact", "id")):
            names = [item[key] for item in data[table]]
            twice = sorted({name for name in names if names.count(name) > 1})
            if twice:
                raise ValidationError(f"Given more than once: {', '.join(twice)}.", table)

    @validates_schema
    def check_references(self, data: dict[str, Any], **kwargs: Any) -> None:
        """Sources, procedures and the rules of sample rules exist; every source is used."""
        rows = [row for rule in data["rule"] for row in rule["limit"]]
        used = {item["source"] for item in (*rows, *data["sample_rule"], *data["procedure"], *data["fact"])}
        if used ^ set(data["source"]):
            raise ValidationError(
                f"Named or given but not both: {', '.join(sorted(used ^ set(data['source'])))}.", "source"
            )
        named = {number for rule in data["rule"] for number in rule["procedures"]}
        unlisted = named - {item["number"] for item in data["procedure"]}
        if unlisted:
            raise ValidationError(f"No such procedure: {', '.join(sorted(unlisted))}.", "procedure")
        bounded = {
            rule["id"]: [row["effect"] for row in rule["limit"]].count("limit") for rule in data["rule"]
        }
        for sample in data["sample_rule"]:
            if bounded.get(sample["rule"]) != 1:
                raise ValidationError(f"{sample['rule']} is no rule with exactly one limit.", "sample_rule")


def parse_rulebook(data: Mapping[str, Any]) -> Rulebook:
    """A rulebook from the parsed TOML of a rule file.

    Raises marshmallow.ValidationError whose messages name every fault: unknown keys, limits that hold at
    once, bounds or dates out of order, missing or unknown sources, columns and procedures.
    """
    loaded: dict[str, Any] = RulebookSchema().load(data)
    head = loaded.get("rulebook") or loaded["overlay"]
    sources = {name: Source(**item) for name, item in loaded["source"].items()}
    rules = tuple(_rule(item, sources) for item in loaded["rule"])
    by_id = {rule.id: rule for rule in rules}
    return Rulebook(
        **head,
        rules=rules,
        sample_rules=tuple(_sample_rule(item, by_id, sources) for item in loaded["sample_rule"]),
        procedures=tuple(Procedure(**_sourced(item, sources)) for item in loaded["procedure"]),
        notes=tuple(loaded["notes"]),
        facts=tuple(BackgroundFact(**_sourced(item, sources)) for item in loaded["fact"]),
    )


def _sourced(item: dict[str, Any], sources: dict[str, Source]) -> dict[str, Any]:
    return item | {"source": sources.get(item["source"], item["source"])}


def _bounds(item: dict[str, Any]) -> Bounds:
    return Bounds(**{name: item[name] for name in ("min", "max", "over", "under") if name in item})


def _when(item: dict[str, Any]) -> tuple[tuple[tuple[str, Bounds], ...], ...]:
    return tuple(tuple(alternative.items()) for alternative in item.get("when", ()))


_OPTIONAL = (
    "min", "max", "judged_min", "judged_max", "doubtful", "metric_twin", "effective_from", "effective_to",
)  # fmt: skip


def _limit(row: dict[str, Any], sources: dict[str, Source]) -> Limit:
    absent: dict[str, Any] = dict.fromkeys(_OPTIONAL)
    return Limit(**(absent | _sourced(row, sources) | {"when": _when(row)}))


def _rule(item: dict[str, Any], sources: dict[str, Source]) -> Rule:
    named = ("id", "title", "clause", "quantity", "unit", "binds", "advisory", "as_made")
    plain = {key: item.get(key) for key in named}
    lists = {key: tuple(item[key]) for key in ("stages", "when_measured", "advice_at", "notes", "procedures")}
    limits = tuple(_limit(row, sources) for row in item["limit"])
    return Rule(**plain, **lists, message=tuple(item["message"].items()), limits=limits)  # type: ignore[arg-type]


def _sample_rule(item: dict[str, Any], rules: dict[str, Rule], sources: dict[str, Source]) -> SampleRule:
    rule = rules[item["rule"]]
    limit = next(row for row in rule.limits if row.effect == "limit")
    more = item.get("more_balls")
    return SampleRule(
        id=item["id"],
        title=item["title"],
        rule=rule.id,
        quantity=str(rule.quantity),
        unit=str(rule.unit),
        effective_from=limit.effective_from,
        single=Bounds(min=limit.min, max=limit.max),
        average=_bounds(item["average"]) if "average" in item else None,
        max_rate=item.get("max_rate"),
        more_balls=more and MoreBalls(more["statistic"], _bounds(more), more.get("count")),
        when=_when(item),
        basis=item["basis"],
        source=sources[item["source"]],
        note=item.get("note"),
    )
