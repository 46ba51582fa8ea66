"""Strategies for the contract's fields, read off the fields themselves.

Kinds, units, ranges, words, lengths and what is required come from the marshmallow schemas, so that a changed
contract changes what is drawn. Every strategy shrinks to the example that the field itself gives.
"""

from __future__ import annotations

import datetime
import functools
import math
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from hypothesis import strategies as st
from marshmallow import fields

from ballgauge_schemas import ValidationError
from ballgauge_schemas.shared.approved_list import ApprovedBallSchema, ApprovedListField
from ballgauge_schemas.shared.base import Choice, Day, Flag, Number, Part, Schema, Several, Text, Whole
from ballgauge_schemas.shared.overlay import Named
from ballgauge_schemas.shared.quantity import KINDS, NominalField, QuantityField, unit_size

# The first look at a unit loads all of them; Hypothesis would take that for slow generation.
unit_size("length", "mm")

Strategy = st.SearchStrategy[Any]
Range = tuple[float, float]

_SHORT = 40
"""Longest text drawn, in characters, and half of it in entries of an array (ours)."""

_BUILDERS: dict[type[Schema], Callable[[], Strategy]] = {}


@functools.cache
def members_of(schema: type[Schema]) -> Mapping[str, fields.Field[Any]]:
    """The fields that a schema reads, by name."""
    return schema().load_fields


def builds(*schemas: type[Schema]) -> Callable[[Callable[[], Strategy]], Callable[[], Strategy]]:
    """Register what draws an object of schemas whose members depend on each other."""

    def register(build: Callable[[], Strategy]) -> Callable[[], Strategy]:
        _BUILDERS.update(dict.fromkeys(schemas, build))
        return build

    return register


def draws(schema: type[Schema], **ways: Any) -> None:
    """Register that an object of a schema is drawn by `walked`, with the options of that."""
    _BUILDERS[schema] = functools.partial(walked, schema, **ways)


def of_schema(schema: type[Schema]) -> Strategy:
    """Draw requests' objects of one schema of the contract."""
    return st.deferred(lambda: _built(schema))


@functools.cache
def _built(schema: type[Schema]) -> Strategy:
    build = _BUILDERS.get(schema)
    return walked(schema) if build is None else build()


def walked(
    schema: type[Schema],
    *,
    narrow: Mapping[str, Range] | None = None,
    leave: Iterable[str] = (),
    take: Iterable[str] = (),
    given: Mapping[str, Strategy] | None = None,
) -> Strategy:
    """Draw an object member by member.

    `narrow` keeps numbers within a part of their field's range, `leave` names members that are not drawn,
    `take` optional ones that always are, and `given` replaces what would be drawn. Names that the schema does
    not have raise KeyError.
    """
    known = members_of(schema)
    narrow, given, leave, take = narrow or {}, given or {}, set(leave), set(take)
    for name in (*narrow, *given, *leave, *take):
        known[name]
    members = {
        name: given[name] if name in given else of_field(field, narrow.get(name))
        for name, field in known.items()
        if name not in leave
    }
    required = {name for name in members if known[name].required} | take
    return st.fixed_dictionaries(
        {name: drawn for name, drawn in members.items() if name in required},
        optional={name: drawn for name, drawn in members.items() if name not in required},
    )


def of_field(field: fields.Field[Any], within: Range | None = None) -> Strategy:
    """Draw what one field reads; `within` narrows a number's range."""
    for kind, draw in _BY_KIND:
        if isinstance(field, kind):
            return draw(field, within)
    raise TypeError(f"no strategy for a {type(field).__name__}")


def numbers(low: float, high: float, example: float | None = None) -> Strategy:
    """Draw numbers of at most five digits from `low` to `high`, ends included; they shrink to `example`."""
    digits = 4 - math.ceil(math.log10(high - low)) if high > low else 0
    scale = 10.0**digits
    grid = st.integers(math.ceil(low * scale), math.floor(high * scale)).map(
        lambda steps: min(max(round(steps / scale, max(digits, 0)), low), high)
    )
    first = [example] if example is not None and low <= example <= high else []
    return st.sampled_from([*first, low, high]) | grid


def written(field: QuantityField, value: float, *, uncertain: bool = True) -> Strategy:
    """Draw the ways to write `value`, in the trade unit: a number, a text with a unit, an object."""
    kind = KINDS[field.kind]
    ways: list[Any] = [value, {"value": value}, {"value": value, "unit": kind.unit}]
    for unit in (kind.unit, *kind.offered):
        size = unit_size(field.kind, unit)
        if size is not None:
            number = float(f"{value / size:.13g}")
            ways += [f"{number:.13g} {unit}", {"value": number, "unit": unit}]
    if uncertain and not isinstance(field, NominalField):
        width = field.maximum - field.minimum
        ways += [{"value": value, "uncertainty": float(f"{part * width:.3g}")} for part in (0.0, 1e-4, 1e-3)]
    return st.sampled_from([way for way in ways if reads(field, way)])


def reads(field: Any, value: Any) -> bool:
    """Say whether a field of the contract takes a value."""
    try:
        field.read(value)
    except ValidationError:
        return False
    return True


def quantity(field: QuantityField, within: Range | None = None) -> Strategy:
    """Draw quantities of a field, in all ways to write them."""
    low, high = _narrowed(field.minimum, field.maximum, within)
    if field.exclusive_minimum and low == field.minimum:
        low += (high - low) / 1000.0
    example = _trade_value(field)
    return numbers(low, high, example).flatmap(lambda value: written(field, value))


def _trade_value(field: QuantityField) -> float | None:
    examples = field.metadata.get("examples") or [None]
    return field.read(examples[0]).value if reads(field, examples[0]) else None


def _narrowed(minimum: float, maximum: float, within: Range | None) -> Range:
    low, high = within if within is not None else (minimum, maximum)
    low, high = max(low, minimum), min(high, maximum)
    if low > high:
        raise ValueError(f"{within} lies outside the field's own {minimum} to {maximum}")
    return low, high


def _number(field: Number, within: Range | None) -> Strategy:
    low, high = _narrowed(field.minimum, field.maximum, within)
    drawn = numbers(low, high, field.metadata["examples"][0])
    return drawn.filter(lambda value: low < value < high) if field.exclusive else drawn


def _whole(field: Whole, within: Range | None) -> Strategy:
    low, high = map(int, _narrowed(field.minimum, field.maximum, within))
    example = field.metadata["examples"][0]
    first = [example] if low <= example <= high else []
    return st.sampled_from([*first, low, high]) | st.integers(low, high)


def _text(field: Text, _within: Range | None) -> Strategy:
    example = st.sampled_from(field.metadata["examples"])
    if field.pattern is not None:
        return example
    plain = st.characters(exclude_categories=("Cc", "Cs"))
    return example | st.text(plain, max_size=min(field.maximum, _SHORT))


def _day(field: Day, _within: Range | None) -> Strategy:
    days = st.dates(datetime.date(1900, 1, 1), datetime.date(2100, 12, 31))
    return st.sampled_from(field.metadata["examples"]) | days.map(datetime.date.isoformat)


def _several(field: Several, _within: Range | None) -> Strategy:
    most = min(field.maximum, field.minimum + _SHORT // 10)
    return st.lists(of_field(field.inner), min_size=field.minimum, max_size=most)


def _approved_list(_field: ApprovedListField, _within: Range | None) -> Strategy:
    """Rows of different models."""
    return st.lists(of_schema(ApprovedBallSchema), max_size=4, unique_by=lambda drawn: drawn["model"])


@builds(ApprovedBallSchema)
def _approved_ball() -> Strategy:
    first = st.dates(datetime.date(1991, 1, 1), datetime.date(2010, 12, 31)).map(datetime.date.isoformat)
    last = st.dates(datetime.date(2011, 1, 1), datetime.date(2100, 12, 31)).map(datetime.date.isoformat)
    days = {"approved_on": first, "withdrawn_on": last, "made_from": first, "made_to": last}
    models = st.sampled_from(["Tarn 48", "Tarn 50", "Curlew 44", "Gannet 38"])
    return walked(ApprovedBallSchema, given={"model": models, **days})


def _nested(field: Part, _within: Range | None) -> Strategy:
    return of_schema(type(field.schema))


_BY_KIND: tuple[tuple[type[Any], Callable[[Any, Range | None], Strategy]], ...] = (
    (QuantityField, quantity),
    (Named, lambda field, _: st.sampled_from(field.metadata["examples"])),
    (Part, _nested),
    (ApprovedListField, _approved_list),
    (Several, _several),
    (Choice, lambda field, _: st.sampled_from(field.words)),
    (Flag, lambda field, _: st.sampled_from([*field.metadata["examples"], True, False])),
    (Number, _number),
    (Whole, _whole),
    (Day, _day),
    (Text, _text),
)
