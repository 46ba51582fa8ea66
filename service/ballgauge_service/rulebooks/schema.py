"""The schema of a rule file: that of an overlay, with what a body's rulebook has besides, and what must hold.

Strict, so that a slip in the data is an error and never a silent limit.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from datetime import date, time
from typing import Any, ClassVar

from marshmallow import ValidationError

from ballgauge_schemas.shared.base import (
    REQUIRED,
    Choice,
    Day,
    Errors,
    Number,
    Part,
    Schema,
    Several,
    Text,
    Whole,
    add_error,
)
from ballgauge_schemas.shared.overlay import (
    BoundsSchema,
    Conditions,
    Named,
    OverlayHeadSchema,
    OverlayLimitSchema,
    OverlayRuleSchema,
    OverlaySchema,
    OverlaySourceSchema,
    line,
    word,
)
from ballgauge_schemas.shared.words import BASES
from ballgauge_service.core.units import DAY, EPOCH
from ballgauge_service.rulebooks.cells import OverlapError, TooFineError, build_table
from ballgauge_service.rulebooks.model import (
    COLUMNS,
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

PLACEHOLDERS = ("{value}", "{limit}")
_UNKNOWN = "no such quantity; `ballgauge rules new` lists them"
_ENDS = ("min", "max", "over", "under")

ENTRIES_MAXIMUM = 500
"""Rules, sources, procedures and facts of a file (ours)."""

Faults = Iterator[tuple[str | tuple[str | int, ...], str]]
"""The member that is wrong, or the way to it, and how."""


class _Sound(Schema):
    """An object that needs more than an overlay does, and whose members are held against one another."""

    needed: ClassVar[tuple[str, ...]] = ()

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Add what is missing, and the faults between fields where no field is wrong by itself."""
        for name in self.needed:
            if name not in loaded and name not in errors:
                errors[name] = [REQUIRED]
        if not errors:
            for place, told in self.faults(loaded):
                add_error(errors, (place,) if isinstance(place, str) else place, told)

    def faults(self, loaded: dict[str, Any]) -> Faults:
        """What is wrong between the members."""
        raise NotImplementedError


class LimitSchema(_Sound, OverlayLimitSchema):
    """One row of a rule."""

    needed = ("basis", "source")
    when = Conditions("Which balls it is for; without it, all.", ENTRIES_MAXIMUM)

    def faults(self, loaded: dict[str, Any]) -> Faults:
        """Bounds where they belong and in order; dates in order; words where no bounds speak."""
        effect, row = loaded.get("effect", "limit"), _in_numbers(loaded)
        bounded = "min" in row or "max" in row
        if effect == "limit" and not bounded:
            yield "min", "a limit needs min or max"
        beside = {"judged_min": "min", "judged_max": "max", "metric_twin": "max"}
        beside["doubtful"] = row.get("doubtful", "min")
        for name, bound in beside.items():
            if name in row and bound not in row:
                yield name, f"stands beside {bound}, which is not given"
        if row.get("judged_min", -math.inf) > row.get("min", math.inf):
            yield "judged_min", "judged_min lies above min"
        if row.get("judged_max", math.inf) < row.get("max", -math.inf):
            yield "judged_max", "judged_max lies below max"
        if effect != "limit" and bounded:
            yield "effect", "only a row of effect limit has min or max"
        if effect != "limit" and "note" not in row:
            yield "note", "a row without bounds needs a note that says why"
        if row.get("min", -math.inf) > row.get("max", math.inf):
            yield "min", "min lies above max"
        if row.get("effective_from", date.min) > row.get("effective_to", date.max):
            yield "effective_from", "effective_from lies after effective_to"
        yield from _when_faults(loaded)


def _when_faults(loaded: Mapping[str, Any]) -> Faults:
    for alternative in loaded.get("when", ()):
        for column, ends in alternative.items():
            fault = _fault_of(ends, dated=COLUMNS[column] == DAY) if column in COLUMNS else _UNKNOWN
            if fault:
                yield "when", f"{column}: {fault}"


def _fault_of(ends: Mapping[str, Any], *, dated: bool = False) -> str | None:
    """What is wrong with an interval: ends of another kind, none, two on a side, or out of order."""
    if any(isinstance(end, date) != dated for end in ends.values()):
        return f"the ends must be {'dates' if dated else 'numbers'}"
    if not ends:
        return "give at least one of min, max, over, under"
    if {"min", "over"} <= ends.keys() or {"max", "under"} <= ends.keys():
        return "give min or over, and max or under, not both"
    low, high = _bounds(ends).closed
    return "the lower end lies above the upper end" if low > high else None


class _Column(Text):
    """The name of a quantity."""

    def read(self, value: Any) -> str:
        """Read the name in `value`; raises ValidationError."""
        if super().read(value) not in COLUMNS:
            raise ValidationError(_UNKNOWN)
        return str(value)


class RuleSchema(_Sound, OverlayRuleSchema):
    """A rule and its limits."""

    needed = ("title", "binds", "stages")
    quantity = _Column("hardness", "What is judged.")
    procedures = Several(line("12", "Number of a procedure."), ENTRIES_MAXIMUM, "How it is measured.")
    limit = Several(Part(LimitSchema, "One limit."), ENTRIES_MAXIMUM, "Its limits.", minimum=1, required=True)

    def faults(self, loaded: dict[str, Any]) -> Faults:
        """A quantity in its unit, stages there are, whole sentences, limits that do not overlap."""
        yield from self._quantity_faults(loaded)
        for name in ("when_measured", "advice_at"):
            if not set(loaded.get(name, ())) <= set(loaded["stages"]):
                yield name, "names a stage that is not among the stages"
        for text in loaded.get("message", {}).values():
            for placeholder in PLACEHOLDERS:
                text = text.replace(placeholder, "")
            if "{" in text or "}" in text:
                yield "message", "only {value} and {limit} may stand in braces"
        try:
            build_table([_limit(row, {}) for row in loaded["limit"]])
        except (OverlapError, TooFineError) as error:
            yield "limit", f"rule {loaded['id']}: {error}"

    @staticmethod
    def _quantity_faults(loaded: Mapping[str, Any]) -> Faults:
        rows, quantity = loaded["limit"], loaded.get("quantity")
        ends = [row[name] for row in rows for name in ("min", "max") if name in row]
        if any(isinstance(end, date) != (loaded.get("unit") == DAY) for end in ends):
            yield "limit", "only the bounds of a quantity that is a day are dates"
        if quantity is None:
            if not all(row.get("effect", "limit") in ("words", "unbound") for row in rows):
                yield "quantity", "a rule with bounds needs a quantity"
        elif loaded.get("unit") != COLUMNS[quantity]:
            yield "unit", f"the unit of {quantity} is {COLUMNS[quantity]}"


class MoreBallsSchema(BoundsSchema):
    """When a sample calls for more balls, and for how many."""

    statistic = Choice(("single", "average"), "What of the sample.", required=True)
    count = Whole(1, ENTRIES_MAXIMUM, 2, "How many more.")


class SampleRuleSchema(_Sound):
    """A rule on samples of a model."""

    id = word("oil_absorption", "Its id.", required=True)
    title = line("Oil absorption of a sample", "It in a few words.", required=True)
    rule = word("oil_absorption_time", "The rule that bounds each ball.", required=True)
    average = Part(BoundsSchema, "Bounds of the mean.")
    max_rate = Number(0.0, 1.0, 0.0, "Greatest share of balls that break the rule.")
    more_balls = Part(MoreBallsSchema, "When more balls are measured.")
    when = Conditions("Which balls it is for; without it, all.")
    basis = Choice(BASES, "How sure it is.", required=True)
    source = word("release", "Name of its source.", required=True)
    note = line("For this model only.", "What else there is to know.")

    def faults(self, loaded: dict[str, Any]) -> Faults:
        """Intervals that are none."""
        for name in ("average", "more_balls"):
            ends = {each: loaded[name][each] for each in _ENDS if each in loaded.get(name, ())}
            if name in loaded and (fault := _fault_of(ends)):
                yield name, fault
        yield from _when_faults(loaded)


class ProcedureSchema(Schema):
    """A laboratory procedure."""

    number = line("12", "Its number.", required=True)
    title = line("Hardness", "Its title.", required=True)
    source = word("release", "Name of its source.", required=True)


class FactSchema(Schema):
    """A fact beside the rules."""

    id = word("lane_length", "Its id.", required=True)
    statement = line("A lane is 60 ft long.", "It in words.", required=True)
    value = Number(-1e9, 1e9, 2, "Its number.", required=True)
    unit = line("ft", "Unit of the number.", required=True)
    basis = Choice((*BASES, "common_practice"), "How sure it is.", required=True)
    source = word("release", "Name of its source.", required=True)


class HeadSchema(Schema):
    """The head of a body's rulebook."""

    body = Text("usbc", "The body.", required=True)
    title = line("United States Bowling Congress", "Its title.", required=True)
    document = line("Ball rules", "Document it comes from.", required=True)
    edition = line("of 2026-01-10", "Which state of the document this is.", required=True)
    compiled_on = Day("2026-01-10", "Day it was written down.", required=True)


_BODYS = ("sample_rule", "procedure", "fact")
_BODYS_ALONE = "only a body's rulebook has these"


def _entries(schema: type[Schema], description: str, minimum: int = 0, **options: Any) -> Several:
    return Several(Part(schema, "One of them."), ENTRIES_MAXIMUM, description, minimum=minimum, **options)


class RulebookSchema(_Sound, OverlaySchema):
    """A whole rule file: a body's rulebook, or an overlay."""

    rulebook = Part(HeadSchema, "Head of a body's rulebook.")
    overlay = Part(OverlayHeadSchema, "Head of an overlay.")
    notes = Several(line("Read by the desk.", "One note."), ENTRIES_MAXIMUM, "What else there is to know.")
    source = Named(Part(OverlaySourceSchema, "One source."), ENTRIES_MAXIMUM, {}, "The documents, by name.")
    rule = _entries(RuleSchema, "Its rules.", 1, required=True)
    sample_rule = _entries(SampleRuleSchema, "Its rules on samples.", default=())
    procedure = _entries(ProcedureSchema, "How things are measured.", default=())
    fact = _entries(FactSchema, "Facts beside the rules.", default=())

    def faults(self, loaded: dict[str, Any]) -> Faults:
        """One head with what belongs to it, names given once, and what they refer to."""
        if ("rulebook" in loaded) == ("overlay" in loaded):
            yield "rulebook", "give either [rulebook] or [overlay]"
        if "overlay" in loaded:
            yield from ((name, _BODYS_ALONE) for name in _BODYS if loaded[name])
            numbered = [place for place, rule in enumerate(loaded["rule"]) if rule.get("procedures")]
            yield from ((("rule", place, "procedures"), _BODYS_ALONE) for place in numbered)
        for table, key in (("rule", "id"), ("sample_rule", "id"), ("procedure", "number"), ("fact", "id")):
            names = [item[key] for item in loaded[table]]
            if twice := sorted({name for name in names if names.count(name) > 1}):
                yield table, f"given more than once: {', '.join(twice)}"
        rows = [row for rule in loaded["rule"] for row in rule["limit"]]
        used = {item["source"] for item in (*rows, *(each for name in _BODYS for each in loaded[name]))}
        if unpaired := used ^ loaded.get("source", {}).keys():
            yield "source", f"named or given but not both: {', '.join(sorted(unpaired))}"
        named = {number for rule in loaded["rule"] for number in rule.get("procedures", ())}
        if unlisted := named - {item["number"] for item in loaded["procedure"]}:
            yield "procedure", f"no such procedure: {', '.join(sorted(unlisted))}"
        effects = {
            rule["id"]: [row.get("effect", "limit") for row in rule["limit"]] for rule in loaded["rule"]
        }
        for sample in loaded["sample_rule"]:
            if effects.get(sample["rule"], []).count("limit") != 1:
                yield "sample_rule", f"{sample['rule']} is no rule with exactly one limit"


def parse_rulebook(data: Mapping[str, Any]) -> Rulebook:
    """A rulebook from the parsed TOML of a rule file, or from an overlay as the contract loads it.

    Raises marshmallow.ValidationError whose messages name every fault: unknown keys, limits that hold at
    once, bounds or dates out of order, missing or unknown sources, columns and procedures.
    """
    loaded = RulebookSchema().load(_as_json(data))
    head = loaded.get("rulebook") or {**loaded["overlay"], "body": loaded["overlay"]["name"]}
    sources = {name: Source(**item) for name, item in loaded["source"].items()}
    rules = tuple(_rule(item, sources) for item in loaded["rule"])
    by_id = {rule.id: rule for rule in rules}
    return Rulebook(
        **{name: each for name, each in head.items() if name != "name"},
        rules=rules,
        sample_rules=tuple(_sample_rule(item, by_id, sources) for item in loaded["sample_rule"]),
        procedures=tuple(Procedure(**_sourced(item, sources)) for item in loaded["procedure"]),
        notes=tuple(loaded.get("notes", ())),
        facts=tuple(BackgroundFact(**_sourced(item, sources)) for item in loaded["fact"]),
    )


def _as_json(value: Any) -> Any:
    """What TOML holds, as JSON has it: days as texts."""
    if isinstance(value, Mapping):
        return {name: _as_json(each) for name, each in value.items()}
    if isinstance(value, list):
        return [_as_json(each) for each in value]
    return value.isoformat() if isinstance(value, date | time) else value


def _in_numbers(ends: Mapping[str, Any]) -> dict[str, Any]:
    """The same with the ends that are days as days since 1970-01-01."""
    days = {name: float((ends[name] - EPOCH).days) for name in _ENDS if isinstance(ends.get(name), date)}
    return {**ends, **days}


def _sourced(item: dict[str, Any], sources: dict[str, Source]) -> dict[str, Any]:
    return item | {"source": sources.get(item["source"], item["source"])}


def _bounds(item: Mapping[str, Any]) -> Bounds:
    ends = _in_numbers(item)
    return Bounds(**{name: ends[name] for name in _ENDS if name in ends})


def _when(item: dict[str, Any]) -> tuple[tuple[tuple[str, Bounds], ...], ...]:
    return tuple(
        tuple((column, _bounds(ends)) for column, ends in alternative.items())
        for alternative in item.get("when", ())
    )


_OPTIONAL = (
    "min", "max", "judged_min", "judged_max", "doubtful", "metric_twin", "effective_from", "effective_to",
)  # fmt: skip


def _limit(row: dict[str, Any], sources: dict[str, Source]) -> Limit:
    absent: dict[str, Any] = {"effect": "limit", **dict.fromkeys(_OPTIONAL)}
    return Limit(**(absent | _sourced(_in_numbers(row), sources) | {"when": _when(row)}))


def _rule(item: dict[str, Any], sources: dict[str, Source]) -> Rule:
    plain: dict[str, Any] = {
        key: item.get(key) for key in ("id", "title", "clause", "quantity", "unit", "binds")
    }
    plain |= {key: item.get(key, False) for key in ("advisory", "as_made")}
    lists = ("stages", "when_measured", "advice_at", "notes", "procedures")
    plain |= {key: tuple(item.get(key, ())) for key in lists}
    limits = tuple(_limit(row, sources) for row in item["limit"])
    return Rule(**plain, message=tuple(item.get("message", {}).items()), limits=limits)


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
