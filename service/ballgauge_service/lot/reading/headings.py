"""Headings of a lot's file: which column stands for which field of a ball, and in which unit.

The names, limits and units are the contract's (`BallSchema`). A heading may carry its unit in brackets,
"weight [kg]" or "weight (kg)". A quantity's standard uncertainty has the heading of the quantity with
`_uncertainty` behind it; without a unit of its own it is in the unit of its quantity's heading. Words that
stand for a name in a factory's language are in `synonyms.toml`; what was read by them is told.
"""

from __future__ import annotations

import difflib
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import Any, Literal, NamedTuple

from ballgauge_schemas import KINDS, QuantityField
from ballgauge_schemas.lot.request import LABELS, LotIdentitySchema
from ballgauge_schemas.shared.ball import BallSchema
from ballgauge_schemas.shared.limits import COLUMNS_MAXIMUM
from ballgauge_schemas.shared.wording import UnknownField, listed, shown_text
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.lot.reading.options import ReadingOptions
from ballgauge_service.lot.reading.synonyms import name_of, synonyms, unit_named

HEADING_MAXIMUM = 200
"""Longest heading, in characters (ours)."""

FAULT_MAXIMUM = 2000
"""Longest text of a fault, in characters (ours)."""

UNCERTAINTY = "_uncertainty"

ALIKE = 0.82
"""How like a name (difflib ratio) a heading is that is asked about and not left out (ours)."""

_BRACKETS = re.compile(r"(.*?)\s*(?:\[([^\[\]]*)\]|\(([^()]*)\))\s*", re.DOTALL)
_LAST = re.compile(r"(.+?)[\s_,/:;-]+(?:in[\s_]+)?(\S+)")
_NUMBERED = re.compile(r"(.+?)_?(\d{1,2})")
_NUMERAL = re.compile(r"\s*[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?\s*")

FIELDS: Mapping[str, Any] = {
    **BallSchema().load_fields,
    **{name: LotIdentitySchema().load_fields[name] for name in LABELS},
}
"""The contract's fields of a ball, and of its lot what a column may tell, by name."""

QUANTITIES: Mapping[str, QuantityField] = {
    name: field for name, field in FIELDS.items() if isinstance(field, QuantityField)
}
"""Those of them that are quantities."""

DAYS, FLAGS = ("approved_on", "made_on"), ("house_ball", "high_performance_core")
"""Fields of days, and of truth values."""

NAMES = (*FIELDS, *(name + UNCERTAINTY for name in QUANTITIES))
"""Every heading a file may have."""


def file_fault(
    words: str, *, row: int | None = None, column: str | None = None, suggestion: str | None = None
) -> Fault:
    """A fault of the file: its row as a person counts, its column by the heading, the nearest known name."""
    shown = None if column is None else "".join(c if c.isprintable() else "\ufffd" for c in column)
    places = [] if row is None else [f"row {row}"]
    places += [] if shown is None else [f"column {shown!r}"]
    text = f"{', '.join(places)}: {words}" if places else words
    return Fault("/file", text[:FAULT_MAXIMUM], row=row, column=shown, suggestion=suggestion)


def bad_file(words: str, *, row: int | None = None, column: str | None = None) -> InvalidInput:
    """The refusal of a file that cannot be judged as a whole."""
    return InvalidInput([file_fault(words, row=row, column=column)])


def printable(error: BaseException) -> str:
    """What a library says of a file, in one short line."""
    text = "".join(letter if letter.isprintable() else " " for letter in str(error))[:200]
    return text or type(error).__name__


@dataclass(frozen=True, slots=True)
class Heading:
    """One column of a file.

    `text` as it stands in the file; `field` of the contract, None for a column left out; `part` of a
    quantity; `unit` as written, or the trade unit; `size` of that unit in the trade unit [1]; `reading`:
    which of several columns of the quantity; `guessed`: whether a synonym tells it.
    """

    text: str
    field: str | None
    part: Literal["value", "uncertainty"] = "value"
    unit: str | None = None
    size: float = 1.0
    own_unit: bool = False
    reading: int | None = None
    guessed: bool = False

    @property
    def quantity(self) -> QuantityField | None:
        """The contract's field, where it is a quantity."""
        return QUANTITIES.get(self.field or "")

    @property
    def name(self) -> str | None:
        """The field's name, with `_uncertainty` behind it where that is what the column holds."""
        return self.field if self.field is None or self.part == "value" else self.field + UNCERTAINTY


class UnclearHeading(ValueError):
    """A heading that stands for nothing; `suggestion` is the nearest name."""

    def __init__(self, text: str, suggestion: str | None = None) -> None:
        self.suggestion = suggestion
        super().__init__(text)


def resolve_headings(
    texts: Sequence[str], options: ReadingOptions, *, required: bool | None = None
) -> list[Heading]:
    """Tell what each heading stands for, in order.

    options: their `mapping` takes a heading, whole or without its unit, to a field's name (which may carry a
    unit), or to None to leave the column out. required: refuse a file without the contract's required fields
    (None: where the options ask for whole balls).

    Raises InvalidInput naming every heading that is unclear, doubled or has no fitting unit, the required
    ones that are missing, and a file of more than `COLUMNS_MAXIMUM` columns.
    """
    if len(texts) > COLUMNS_MAXIMUM:
        raise bad_file(f"the file has {len(texts)} columns; at most {COLUMNS_MAXIMUM} are read")
    found: list[Heading] = []
    faults: list[Fault] = []
    for text in texts:
        try:
            found.append(resolve_heading(text, options))
        except UnclearHeading as error:
            faults.append(file_fault(str(error), column=text[:HEADING_MAXIMUM], suggestion=error.suggestion))
    averaged = options.readings == "mean"
    if averaged:
        found = _numbered(found)
    faults.extend(_doubled(found, averaged=averaged))
    if (options.whole if required is None else required) and not faults:
        given = {heading.name for heading in found}
        faults.extend(
            file_fault(f"missing; a lot judged by all rules needs a column {name!r}", column=name)
            for name, field in FIELDS.items()
            if field.required and name not in given
        )
        if faults:
            faults += [
                file_fault("unknown heading", column=heading.text[:HEADING_MAXIMUM])
                for heading in found
                if heading.field is None and heading.text not in options.mapping
            ]
    if faults:
        raise InvalidInput(faults)
    return with_units(found)


def no_headings(texts: Sequence[str]) -> bool:
    """Tell whether a first row looks like a ball and not like headings: a cell of it is a number."""
    return any(_NUMERAL.fullmatch(text) for text in texts)


def recognized(texts: Iterable[str], options: ReadingOptions) -> tuple[bool, int]:
    """Whether every required heading is among some, and how many of them stand for something.

    Of more than a file may have, which is refused, no more are looked at.
    """
    strict = replace(options, unknown_columns="refuse")
    names: set[tuple[str | None, int | None, str]] = set()
    for text in islice(texts, COLUMNS_MAXIMUM):
        try:
            found = resolve_heading(text, strict)
        except UnclearHeading:
            continue
        names.add((found.name, found.reading, "" if found.name else found.text))
    given = {name for name, _, _ in names}
    return all(name in given for name, field in FIELDS.items() if field.required), len(names)


def resolve_heading(text: str, options: ReadingOptions) -> Heading:
    """Tell what one heading stands for; see `resolve_headings`. Raises UnclearHeading."""
    whole = text.strip()
    if len(whole) > HEADING_MAXIMUM:
        raise UnclearHeading(f"a heading must be at most {HEADING_MAXIMUM} characters long")
    bare, unit = _split(whole)
    for key in (text, whole, bare):
        if key in options.mapping:
            target = options.mapping[key]
            if target is None:
                return Heading(text, None)
            name, own = _split(target.strip())
            if unit and own and unit != own:
                raise UnclearHeading(f"the mapping gives the unit {shown_text(own)}, the heading another")
            named = _named(text, name, own or (unit if key == bare and bare != whole else None))
            return replace(named, guessed=False)
    if options.unknown_columns == "ignore" and _meaning(bare) is None and _with_unit(bare) is None:
        near = difflib.get_close_matches(name_of(bare), NAMES, n=1, cutoff=ALIKE)
        if not near:
            return Heading(text, None)
    return _named(text, bare, unit)


class _Meaning(NamedTuple):
    """The name a heading stands for, which of several readings it is, and whether a synonym tells it."""

    name: str
    reading: int | None
    guessed: bool


def _meaning(text: str) -> _Meaning | None:
    """What a heading without its unit stands for; None where that is not known."""
    word = name_of(text)
    if word in NAMES:
        return _Meaning(word, None, False)
    known = synonyms().headings
    if word in known:
        return _Meaning(known[word], None, True)
    match = _NUMBERED.fullmatch(word)
    name = None if match is None else known.get(match[1], match[1])
    if match is None or name not in QUANTITIES:
        return None
    return _Meaning(str(name), int(match[2]), match[1] in known)


def _with_unit(text: str) -> tuple[_Meaning, str] | None:
    """What a heading stands for whose last word is a unit, and that unit; None where it is none."""
    match = _LAST.fullmatch(text)
    meaning = None if match is None else _meaning(match[1])
    if match is None or meaning is None or meaning.name not in QUANTITIES:
        return None
    return (meaning, match[2]) if unit_named(QUANTITIES[meaning.name].kind, match[2]) else None


def _split(text: str) -> tuple[str, str | None]:
    match = _BRACKETS.fullmatch(text)
    return (text, None) if match is None else (match[1].strip(), (match[2] or match[3] or "").strip())


def _named(text: str, name: str, unit: str | None) -> Heading:
    found = _meaning(name)
    if found is None and unit is None:
        found, unit = _with_unit(name) or (None, None)
    if found is None:
        if not name:
            raise UnclearHeading("a column without a heading; name it, or map it to nothing")
        told = UnknownField.of(name_of(name), NAMES)
        raise UnclearHeading(str(told).replace("unknown field", "unknown heading"), told.suggestion)
    known = found.name
    field = known.removesuffix(UNCERTAINTY)
    quantity = QUANTITIES.get(field)
    if quantity is None:
        if unit is not None:
            raise UnclearHeading(f"{known} has no unit; got {shown_text(unit)}")
        return Heading(text, field, guessed=found.guessed)
    part: Literal["value", "uncertainty"] = "value" if field == known else "uncertainty"
    kind = KINDS[quantity.kind]
    if unit is None:
        return Heading(text, field, part, kind.unit, reading=found.reading, guessed=found.guessed)
    sized = unit_named(quantity.kind, unit)
    if sized is None:
        offered = listed(kind.offered, "or")
        raise UnclearHeading(
            f"{shown_text(unit)} is not a unit of {kind.measures}; use for instance {offered}"
        )
    return Heading(text, field, part, *sized, own_unit=True, reading=found.reading, guessed=found.guessed)


def _numbered(headings: list[Heading]) -> list[Heading]:
    """Number the columns of a quantity that stands more than once, and no other."""
    names = [heading.name for heading in headings]
    met: Counter[str | None] = Counter()
    found = []
    for heading in headings:
        several = heading.quantity is not None and heading.part == "value" and names.count(heading.name) > 1
        met[heading.name] += 1
        found.append(replace(heading, reading=met[heading.name] if several else None))
    return found


def _doubled(headings: Iterable[Heading], *, averaged: bool) -> list[Fault]:
    first: dict[str, Heading] = {}
    faults = []
    for heading in headings:
        if heading.name is not None:
            before = first.setdefault(heading.name, heading)
            if heading is not before and not (before.reading and heading.reading and averaged):
                text = f"duplicate: {shown_text(before.text)} already stands for {heading.name}"
                if heading.quantity is not None:
                    text += "; name one, or take the mean of several readings"
                faults.append(file_fault(text, column=heading.text))
    return faults


def with_units(headings: list[Heading]) -> list[Heading]:
    """Give each uncertainty without a unit of its own that of its quantity."""
    values = {heading.field: heading for heading in headings if heading.part == "value"}
    return [
        replace(heading, unit=values[heading.field].unit, size=values[heading.field].size)
        if heading.part == "uncertainty" and not heading.own_unit and heading.field in values
        else heading
        for heading in headings
    ]
