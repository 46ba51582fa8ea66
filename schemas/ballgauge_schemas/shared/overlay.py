"""An overlay: rules of one's own, laid over a body's, as a request or a file of its own holds them."""

from __future__ import annotations

import re
from typing import Any

from marshmallow import ValidationError

from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.base import (
    Choice,
    Day,
    Errors,
    Flag,
    Number,
    Part,
    Schema,
    Several,
    Table,
    Text,
)
from ballgauge_schemas.shared.wording import json_type

OVERLAY_PATTERN = r"^[a-z][a-z0-9_-]{0,39}$"
TWIN_PATTERN = r"^[0-9]+(\.[0-9]+)? (mm|kg)$"
_WORD = r"^[a-z][a-z0-9_]*$"
_FILLED = r"^[^\u0000-\u001f\u007f-\u009f]+$"


def word(example: str, description: str, **options: Any) -> Text:
    """A field of lower-case words joined by underscores."""
    return Text(example, description, maximum=60, pattern=_WORD, **options)


def line(example: str, description: str, maximum: int = 300, **options: Any) -> Text:
    """A field of one line that is not empty."""
    return Text(example, description, maximum=maximum, pattern=_FILLED, **options)


class End(Number):
    """An end of what is allowed: a number, or the day of a quantity that is one."""

    def __init__(self, example: float, description: str) -> None:
        super().__init__(-1e9, 1e9, example, description)
        self.day = Day("2022-08-01", "The day, of a quantity that is one.")

    def read(self, value: Any) -> Any:
        """Read the number or the day in `value`; raises ValidationError."""
        return self.day.read(value) if isinstance(value, str) else super().read(value)


class BoundsSchema(Schema):
    """An interval: `min` and `max` belong to it, `over` and `under` do not."""

    min = End(78, "Least value, itself inside.")
    max = End(16, "Greatest value, itself inside.")
    over = End(10, "Lower end, itself outside.")
    under = End(10, "Upper end, itself outside.")


class Named(Table):
    """An object whose members have names of their own, each read by one field."""

    _NAME = re.compile(_WORD)

    def __init__(
        self, entry: Part, maximum: int, example: dict[str, Any], description: str, **options: Any
    ) -> None:
        super().__init__(entry, example, description, **options)
        names = {"maxLength": 60, "pattern": _WORD}
        self.metadata = {**self.metadata, "maxProperties": maximum, "propertyNames": names}
        self.entry, self.maximum = entry, maximum

    def read(self, value: Any) -> dict[str, Any]:
        """Read the members of `value`; raises ValidationError."""
        if not isinstance(value, dict):
            raise ValidationError(f"must be an object; got {json_type(value)}")
        if not 0 < len(value) <= self.maximum:
            raise ValidationError(f"must hold 1 to {self.maximum} members; got {len(value)}")
        loaded: dict[str, Any] = {}
        errors: Errors = {}
        for name, member in value.items():
            if len(name) > 60 or not self._NAME.fullmatch(name):
                errors[name] = ["the name must be lower-case words joined by underscores"]
                continue
            try:
                loaded[name] = self.entry.read(member)
            except ValidationError as error:
                errors[name] = error.messages
        if errors:
            raise ValidationError(errors)
        return loaded


class Conditions(Several):
    """Bounds by quantity, or an array of such objects of which any one suffices."""

    def __init__(self, description: str, maximum: int = limits.CONDITIONS_MAXIMUM) -> None:
        entry = Part(BoundsSchema, "Bounds of one quantity.")
        one = Named(entry, maximum, {"weight": {"over": 10}}, "Bounds by quantity; all must hold.")
        super().__init__(one, maximum, description, minimum=1)

    def read(self, value: Any) -> list[Any]:
        """Read one object, or an array of them; raises ValidationError."""
        return super().read(value) if isinstance(value, list) else [self.inner.read(value)]  # type: ignore[attr-defined]


class OverlayLimitSchema(Schema):
    """What a rule asks of some balls on some days."""

    effect = Choice(
        words.EFFECTS,
        "limit: min, max or both; exempt: nothing is asked here; unbound: the rule does not reach here; "
        "words: it cannot be judged from numbers.",
        assumed="limit",
    )
    min = End(78, "Least value that conforms.")
    max = End(16, "Greatest value that conforms.")
    judged_min = Number(-1e9, 1e9, 8.499988, "Least value judged to conform, where `min` is rounded.")
    judged_max = Number(-1e9, 1e9, 8.595004, "Greatest value judged to conform, where `max` is rounded.")
    doubtful = Choice(("min", "max"), "An end that not every source has: beyond it nothing is decided.")
    metric_twin = Text(
        "31.8 mm",
        "What is printed beside `max` in metric units; just that meets it.",
        maximum=20,
        pattern=TWIN_PATTERN,
    )
    effective_from = Day("2026-01-01", "First day it holds; without it, always.")
    effective_to = Day("2022-07-31", "Last day it holds; without it, still.")
    when = Conditions("Which balls it is for; without it, all.")
    basis = Choice(words.BASES, "How sure it is.", assumed="published")
    source = word("release", "Name of the source it comes from; without it, the overlay itself.")
    note = line("For this event only.", "What else there is to know.")


class OverlayMessageSchema(Schema):
    """Sentences of one's own; {value} and {limit} stand for the numbers."""

    conforming = line("The cover is hard enough.", "Where the rule is met.")
    nonconforming = line("{value} is softer than {limit}.", "Where it is broken.")


class OverlayRuleSchema(Schema):
    """A rule: it takes the place of the body's rule of the same id, or is added."""

    id = word("event_hardness", "Id of the rule.", required=True)
    title = line("Hardness at this event", "The rule in a few words; without it, the id.", 120)
    clause = line("4.2", "Clause of its document.", 60)
    quantity = word("hardness", "What is judged; `ballgauge rules new` lists the quantities.")
    unit = line("Shore D", "Unit of its limits, which must be the quantity's own.", 20)
    binds = Choice(words.BINDS, "The day that binds a ball.", assumed="use")
    stages = Several(
        Choice(words.STAGES, "A stage."), 2, "Stages it belongs to; without them, play alone.", minimum=1
    )
    when_measured = Several(
        Choice(words.STAGES, "A stage."), 2, "Stages at which it is judged only where there is a value."
    )
    advisory = Flag("Whether it is advice only.", example=False)
    advice_at = Several(Choice(words.STAGES, "A stage."), 2, "Stages at which it is advice only.")
    as_made = Flag("Whether it is of the ball as made, which another body may take over.", example=False)
    notes = Several(line("Read by the desk.", "One note."), 5, "What else there is to know.")
    message = Part(OverlayMessageSchema, "Sentences in place of the usual ones.")
    limit = Several(
        Part(OverlayLimitSchema, "One limit."),
        limits.OVERLAY_LIMITS_MAXIMUM,
        "Its limits, no two of which may hold for one ball on one day.",
        minimum=1,
        required=True,
    )


class OverlayHeadSchema(Schema):
    """Whose rules these are, and over which body's they lie."""

    name = Text("city_open_2026", "Name of the overlay.", required=True, maximum=40, pattern=_WORD)
    base = Choice(words.BODIES, "The body whose rules it lies over.", required=True)
    title = line("City Open 2026", "Its title; without it, the name.", 120)
    document = line("City Open 2026, ball rules", "Document it comes from; without it, the title.")
    edition = line("of 2026-01-10", "Which state of the document this is.", 120)
    compiled_on = Day("2026-01-10", "Day it was written down; without it, that of the body's rulebook.")


class OverlaySourceSchema(Schema, whole=True):
    """A document that limits come from."""

    document = line("City Open 2026, ball rules", "Its title.")
    date = Text(
        "2026-01",
        "Its date, as far as it is known, or undated.",
        maximum=10,
        pattern=r"^([0-9]{4}(-[0-9]{2}(-[0-9]{2})?)?|undated)$",
    )


class OverlaySchema(Schema):
    """Rules of an event, a league, a shop or a federation, laid over a body's; the same in TOML and JSON."""

    overlay = Part(OverlayHeadSchema, "Its head.", required=True)
    notes = Several(line("Read by the desk.", "One note."), 10, "What else there is to know.")
    source = Named(
        Part(OverlaySourceSchema, "One source."),
        10,
        {"release": {"document": "City Open 2026, ball rules", "date": "2026-01"}},
        "The documents that limits name, by a short name.",
    )
    rule = Several(
        Part(OverlayRuleSchema, "One rule."),
        limits.OVERLAY_RULES_MAXIMUM,
        "Its rules.",
        minimum=1,
        required=True,
    )


class OverlayField(Part):
    """The name of an overlay that the service knows, or a whole overlay."""

    def __init__(self) -> None:
        super().__init__(OverlaySchema, "The name of an overlay that the service knows, or an overlay.")
        self.name_of = Text("national_events_78d", "Name of an overlay.", maximum=40, pattern=OVERLAY_PATTERN)

    @property
    def read(self) -> Any:
        """The reader of either."""
        whole = super().read
        return lambda value: self.name_of.read(value) if isinstance(value, str) else whole(value)


def overlay_fields() -> tuple[Text, Several]:
    """The members of a request's rules that lay overlays over them."""
    one = Text(
        "national_events_78d",
        "National or local differences laid over the rulebook.",
        pattern=OVERLAY_PATTERN,
        maximum=40,
    )
    several = Several(
        OverlayField(),
        limits.OVERLAYS_MAXIMUM,
        "Overlays laid over the rulebook in this order, after `overlay`: names, or overlays of one's own.",
    )
    return one, several


def made_by_field() -> Choice:
    """The member of a request's rules that has another body judge the ball as made."""
    return Choice(
        words.MADE_BY, "The body whose rules judge the ball as made, where the rulebook has none of its own."
    )
