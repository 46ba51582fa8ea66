"""Headings of a lot's file: which column stands for which field of a ball, and in which unit.

The names, limits and units are the contract's (`BallSchema`). A heading may carry its unit in brackets,
"weight [kg]" or "weight (kg)". A quantity's standard uncertainty has the heading of the quantity with
`_uncertainty` behind it; without a unit of its own it is in the unit of its quantity's heading.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, Literal

from ballgauge_schemas import KINDS, QuantityField, unit_size
from ballgauge_schemas.shared.ball import BallSchema
from ballgauge_schemas.shared.limits import COLUMNS_MAXIMUM
from ballgauge_schemas.shared.wording import UnknownField, listed, shown_text
from ballgauge_service.core.refusal import Fault, InvalidInput

HEADING_MAXIMUM = 200
"""Longest heading, in characters (ours)."""

FAULT_MAXIMUM = 2000
"""Longest text of a fault, in characters (ours)."""

UNCERTAINTY = "_uncertainty"

_BRACKETS = re.compile(r"(.*?)\s*(?:\[([^\[\]]*)\]|\(([^()]*)\))\s*", re.DOTALL)
_NUMERAL = re.compile(r"\s*[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?\s*")

FIELDS: Mapping[str, Any] = MappingProxyType(dict(BallSchema().load_fields))
"""The contract's fields of a ball, by name."""

QUANTITIES: Mapping[str, QuantityField] = MappingProxyType(
    {name: field for name, field in FIELDS.items() if isinstance(field, QuantityField)}
)
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

    `text` as it stands in the file; `field` of the contract, None for a column left out by the mapping;
    `part` of a quantity; `unit` as written, or the trade unit; `size` of that unit in the trade unit [1].
    """

    text: str
    field: str | None
    part: Literal["value", "uncertainty"] = "value"
    unit: str | None = None
    size: float = 1.0
    own_unit: bool = False

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
    texts: Sequence[str],
    mapping: Mapping[str, str | None],
    *,
    required: bool = True,
    ignore_unknown: bool = False,
) -> list[Heading]:
    """Tell what each heading stands for, in order.

    mapping: a heading, whole or without its unit, to a field's name (which may carry a unit), or to None to
    leave the column out. required: refuse a file without the contract's required fields. ignore_unknown:
    leave a column of no known name out too.

    Raises InvalidInput naming every heading that is unknown, doubled or has no fitting unit, the required
    ones that are missing, and a file of more than `COLUMNS_MAXIMUM` columns.
    """
    if len(texts) > COLUMNS_MAXIMUM:
        raise bad_file(f"the file has {len(texts)} columns; at most {COLUMNS_MAXIMUM} are read")
    found: list[Heading] = []
    faults: list[Fault] = []
    for text in texts:
        try:
            found.append(resolve_heading(text, mapping, ignore_unknown=ignore_unknown))
        except UnclearHeading as error:
            faults.append(file_fault(str(error), column=text[:HEADING_MAXIMUM], suggestion=error.suggestion))
    faults.extend(_doubled(found))
    if required and not faults:
        given = {heading.name for heading in found}
        faults.extend(
            file_fault(f"missing; every lot needs a column {name!r}", column=name)
            for name, field in FIELDS.items()
            if field.required and name not in given
        )
    if faults:
        raise InvalidInput(faults)
    return with_units(found)


def no_headings(texts: Sequence[str]) -> bool:
    """Tell whether a first row looks like a ball and not like headings: a cell of it is a number."""
    return any(_NUMERAL.fullmatch(text) for text in texts)


def recognised(texts: Iterable[str], mapping: Mapping[str, str | None]) -> int:
    """Count the headings that stand for something."""
    count = 0
    for text in texts:
        try:
            resolve_heading(text, mapping)
        except UnclearHeading:
            continue
        count += 1
    return count


def resolve_heading(text: str, mapping: Mapping[str, str | None], *, ignore_unknown: bool = False) -> Heading:
    """Tell what one heading stands for; see `resolve_headings`. Raises UnclearHeading."""
    plain = text.strip()
    if len(plain) > HEADING_MAXIMUM:
        raise UnclearHeading(f"a heading must be at most {HEADING_MAXIMUM} characters long")
    bare, unit = _split(plain)
    for key in (text, plain, bare):
        if key in mapping:
            target = mapping[key]
            if target is None:
                return Heading(text, None)
            name, own = _split(target.strip())
            if unit and own and unit != own:
                raise UnclearHeading(f"the mapping gives the unit {shown_text(own)}, the heading another")
            return _named(text, name, own or (unit if key == bare and bare != plain else None))
    if ignore_unknown and _known(bare) not in NAMES:
        return Heading(text, None)
    return _named(text, bare, unit)


def _known(name: str) -> str:
    """A name as the contract writes it."""
    return re.sub(r"[ -]+", "_", name.casefold())


def _split(text: str) -> tuple[str, str | None]:
    match = _BRACKETS.fullmatch(text)
    return (text, None) if match is None else (match[1].strip(), (match[2] or match[3] or "").strip())


def _named(text: str, name: str, unit: str | None) -> Heading:
    known = _known(name)
    if known not in NAMES:
        if not name:
            raise UnclearHeading("a column without a heading; name it, or map it to nothing")
        told = UnknownField.of(known, NAMES)
        raise UnclearHeading(str(told).replace("unknown field", "unknown heading"), told.suggestion)
    field = known.removesuffix(UNCERTAINTY)
    quantity = QUANTITIES.get(field)
    if quantity is None:
        if unit is not None:
            raise UnclearHeading(f"{known} has no unit; got {shown_text(unit)}")
        return Heading(text, field)
    part: Literal["value", "uncertainty"] = "value" if field == known else "uncertainty"
    kind = KINDS[quantity.kind]
    if unit is None:
        return Heading(text, field, part, kind.unit)
    size = unit_size(quantity.kind, unit)
    if size is None:
        offered = listed(kind.offered, "or")
        raise UnclearHeading(
            f"{shown_text(unit)} is not a unit of {kind.measures}; use for instance {offered}"
        )
    return Heading(text, field, part, unit, size, own_unit=True)


def _doubled(headings: Iterable[Heading]) -> list[Fault]:
    first: dict[str, str] = {}
    faults = []
    for heading in headings:
        if heading.name is not None:
            before = first.setdefault(heading.name, heading.text)
            if heading.text is not before:
                text = f"doubled: {shown_text(before)} already stands for {heading.name}"
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
