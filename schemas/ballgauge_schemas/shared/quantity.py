"""Quantities of a request: a number, a string with a unit, or an object with value, unit and uncertainty.

A loaded quantity is always in the trade unit of its kind (`KINDS`). Units are resolved by pint, which is
imported only when the first text or object with a unit arrives. Free text never reaches pint: numbers are
read by the patterns below, and pint is asked only about single unit names of letters.

Unit relations are pint's: the international pound of 0.45359237 kg and the inch of 25.4 mm, both exact
(NIST SP 811, 2008, appendix B).
"""

from __future__ import annotations

import functools
import math
import re
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, ClassVar, NamedTuple, Unpack

from marshmallow import ValidationError, fields, missing
from marshmallow.exceptions import SCHEMA

from ballgauge_schemas.shared.base import Options, told
from ballgauge_schemas.shared.wording import (
    TOO_LARGE,
    UnknownField,
    json_type,
    listed,
    shown_number,
    shown_text,
)

TEXT_MAXIMUM = 64
"""Longest text read as a quantity, in characters (ours)."""

UNIT_MAXIMUM = 24
"""Longest unit, in characters (ours)."""

UNIT_SIZE_MAXIMUM = 1e9
"""Largest ratio, either way, between a unit and the trade unit (ours): beyond it the unit is refused as
a slip of the pen, such as a dalton for a ball's weight."""

SIGNIFICANT_DIGITS = 14
"""Digits kept when a unit is converted (ours), so that 218.313 mm is 8.595 in and not one rounding error
more, which a limit of 8.595 in would turn into a failure."""

_LETTER = 'A-Za-zµμ°%#"″'
_UNIT = rf"[{_LETTER}]+(?:\^?[23²³])?(?:/[A-Za-zµμ]+(?:\^?[23²³])?)?"
_NUMBER = r"(?:[0-9]{1,15}(?:[.,][0-9]{0,15})?|[.,][0-9]{1,15})(?:[eE][+-]?[0-9]{1,3})?"
_FRACTION = r"(?:([0-9]{1,6})[ -]+)?([0-9]{1,6})/([0-9]{1,6})"
_PART = re.compile(rf" *(?:{_FRACTION}|({_NUMBER})) *([Ss]hore [Dd]|{_UNIT}) *")
_BARE = re.compile(rf" *(?:{_FRACTION}|({_NUMBER})) *")
_ATOM = re.compile(rf"([{_LETTER}]+)\^?([23²³])?")
_POWERS = {None: 1, "2": 2, "²": 2, "3": 3, "³": 3}
_MARKS = str.maketrans(
    {"¼": " 1/4", "½": " 1/2", "¾": " 3/4", "⅛": " 1/8", "⅜": " 3/8", "⅝": " 5/8", "⅞": " 7/8"}
    | {"−": "-", "–": "-", "⁄": "/", "\u00a0": " ", "\u202f": " "}
)
_SPELLINGS = {'"': "in", "″": "in", "°": "degree"}
_SPREAD = re.compile(r"(.*?[^ ]) *(?:±|\+/?-) *(.*)")
_PAIRS = {
    "weight": (
        re.compile(r"([0-9]{1,3})-([0-9]{1,2}(?:[.,][0-9]{1,4})?)(?: ?(?:lbs?|#))?"),
        16.0,
        "lb",
        "oz",
    ),
    "time": (re.compile(r"([0-9]{1,4}):([0-9]{2}(?:[.,][0-9]{1,4})?)(?: ?(?:min|s))?"), 60.0, "min", "s"),
}
"""Pairs that name no unit: 14-8 for pounds and ounces, 11:20 for minutes and seconds."""

TEXT_PATTERN = (
    r"^[ \u00a0\u202f+\-−–]*[0-9.,¼½¾⅛⅜⅝⅞]"
    r'[0-9A-Za-zµμ°%#"″²³^/⁄ \u00a0\u202f.,:+\-−–±¼½¾⅛⅜⅝⅞]*$'
)
"""What a documented text quantity looks like (ECMA 262, flag u, and Python). It takes in what loads."""


@dataclass(frozen=True, slots=True, init=False)
class Quantity:
    """A value in the trade unit of its field, with its standard uncertainty (GUM, k = 1) where known."""

    value: float
    uncertainty: float | None = None

    def __init__(self, value: float, uncertainty: float | None = None) -> None:
        # The slots' own setters: 0.6 µs where a frozen dataclass takes 1 µs, thirty times a ball.
        _set_value(self, value)
        _set_uncertainty(self, uncertainty)


_set_value, _set_uncertainty = (vars(Quantity)[name].__set__ for name in ("value", "uncertainty"))


class Kind(NamedTuple):
    """A kind of quantity.

    `unit` is the trade unit as shown. `reference` names it for pint, as one unit or one quotient; it is
    empty where pint has no such unit. `own` maps unit spellings to their size in the trade unit and is
    looked at first: those of every day are pint's numbers, so that it need not be loaded for them. `offered`
    are the units named in error texts.
    """

    measures: str
    unit: str
    reference: str
    offered: tuple[str, ...]
    own: Mapping[str, float] = MappingProxyType({})


KINDS: Mapping[str, Kind] = {
    "weight": Kind(
        "weight",
        "lb",
        "lb",
        ("lb", "oz", "kg", "g"),
        {
            **dict.fromkeys(("#", "lbs", "Pfund"), 1.0),
            **dict.fromkeys(("oz", "Unze", "Unzen"), 0.0625),
            **dict.fromkeys(("kg", "Kilogramm"), 2.2046226218487757),
            **dict.fromkeys(("g", "Gramm"), 0.0022046226218487754),
        },
    ),
    "length": Kind(
        "length",
        "in",
        "in",
        ("in", "mm", "cm"),
        {'"': 1.0, "Zoll": 1.0, "mm": 0.03937007874015748, "cm": 0.3937007874015748},
    ),
    "imbalance": Kind(
        "imbalance",
        "oz",
        "oz",
        ("oz", "g"),
        {"Unze": 1.0, "Unzen": 1.0, "g": 0.03527396194958041, "Gramm": 0.03527396194958041},
    ),
    "hardness": Kind(
        "Shore D hardness",
        "Shore D",
        "",
        ("Shore D",),
        {"D": 1.0, "HD": 1.0, "Shore D": 1.0, "shore d": 1.0},
    ),
    "roughness": Kind("roughness", "µin", "µin", ("µin", "µm"), {"µm": 39.37007874015749}),
    "time": Kind("time", "s", "s", ("s", "min"), {"min": 60.0}),
    "density": Kind("density", "g/mL", "g/mL", ("g/mL", "g/cm3", "kg/m3"), {"g/cm3": 1.0, "kg/m3": 0.001}),
    "angle": Kind("angle", "deg", "degree", ("deg", "rad")),
    "ratio": Kind("a ratio", "1", "", ("%", "1"), {"1": 1.0, "%": 0.01}),
    "speed": Kind("speed", "mph", "mph", ("mph", "m/s", "ft/s")),
    "rotation_rate": Kind("rotation rate", "rpm", "rpm", ("rpm", "rad/s")),
    "lane_distance": Kind("distance", "ft", "ft", ("ft", "in", "m")),
    "oil_volume": Kind("volume", "mL", "mL", ("mL", "µL", "L")),
    "film": Kind("film of oil", "µL/ft²", "µL/ft²", ("µL/ft²", "µm", "unit"), {"unit": 16.7, "units": 16.7}),
}
"""Every kind of quantity a request can hold. A new kind is one more line.

`Pfund` is the pound of the trade, not the 500 g of a German market. The trade's unit of oil is 0.0167
mL/ft² (from memory, no source)."""


_REGISTRY_LOCK = threading.Lock()


@functools.lru_cache(maxsize=1)
def _make_registry() -> Any:
    import pint

    return pint.UnitRegistry()


def _registry() -> Any:
    # Units of two registries do not compare: the first requests of two threads must share one.
    with _REGISTRY_LOCK:
        return _make_registry()


@functools.lru_cache(maxsize=4096)
def _atom(name: str) -> tuple[float, Any] | None:
    """Give size and root units of one unit name, None where there is no such unit."""
    registry = _registry()
    spelled = _SPELLINGS.get(name, name)
    if not registry.parse_unit_name(spelled):  # four times as fast as letting pint raise
        return None
    try:
        size, root = registry.get_root_units(spelled)
    except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError):
        return None  # a name pint knows and cannot use, such as a prefixed degree Celsius
    return float(size), root


@functools.lru_cache(maxsize=4096)
def _quotient(unit: str) -> tuple[float, Any] | None:
    size, root = 1.0, None
    for position, part in enumerate(unit.split("/")):
        match = _ATOM.fullmatch(part)
        atom = _atom(match[1]) if match else None
        if match is None or atom is None:
            return None
        power = _POWERS[match[2]] * (-1 if position else 1)
        size *= atom[0] ** power
        root = atom[1] ** power if root is None else root * atom[1] ** power
    return size, root


@functools.lru_cache(maxsize=4096)
def unit_size(kind: str, unit: str) -> float | None:
    """Give the size of `unit` in the trade unit of `kind` [1]; None where `unit` does not measure that kind.

    Root units are compared, not dimensions, so that an angle is no ratio and a frequency no rotation rate.

    Raises KeyError for a kind that is not in `KINDS`.
    """
    known = KINDS[kind]
    if unit == known.unit:
        return 1.0
    if unit in known.own:
        return known.own[unit]
    size = _size_by_pint(known, unit)
    if size is None:
        # Letters as people write them, Kg or MM or zoll: where no unit is spelled just so, its letters count.
        written = {name.casefold(): size for name, size in (*known.own.items(), (known.unit, 1.0))}
        size = written.get(unit.casefold())
    return size


def _size_by_pint(known: Kind, unit: str) -> float | None:
    if not known.reference or len(unit) > UNIT_MAXIMUM or not re.fullmatch(_UNIT, unit):
        return None
    found, trade = _quotient(unit), _quotient(known.reference)
    if found is None or trade is None or found[1] != trade[1]:
        return None
    size = found[0] / trade[0]
    return size if 1.0 / UNIT_SIZE_MAXIMUM <= size <= UNIT_SIZE_MAXIMUM else None


def convert(value: float, size: float) -> float:
    """Multiply `value` by the unit's `size`, to `SIGNIFICANT_DIGITS`; untouched where the size is 1."""
    return value if size == 1.0 else float(f"{value * size:.{SIGNIFICANT_DIGITS}g}")


def _split(text: str) -> list[tuple[float, str]]:
    """Split a text into numbers and units, at most three pairs; empty where it is anything else."""
    parts: list[tuple[float, str]] = []
    position = 0
    while position < len(text) and len(parts) < 3:
        match = _PART.match(text, position)
        if match is None or (match[3] is not None and int(match[3]) == 0):
            return []
        whole, above, below, number, unit = match.groups()
        value = (
            float(number.replace(",", "."))
            if number is not None
            else int(whole or 0) + int(above) / int(below)
        )
        parts.append((value, unit))
        position = match.end()
    return parts if position == len(text) else []


def _size(kind: str, unit: str) -> float:
    size = unit_size(kind, unit)
    if size is None:
        known = KINDS[kind]
        raise ValidationError(
            f"{shown_text(unit)} is not a unit of {known.measures}; use for instance "
            f"{listed(known.offered, 'or')}"
        )
    return size


@functools.lru_cache(maxsize=4096)
def _parsed(kind: str, text: str) -> tuple[float, float | None]:
    """Read a text in the trade unit of `kind`, and what is behind its ±; a shop writes the same few."""
    if len(text) > TEXT_MAXIMUM:
        raise ValidationError(f"must be at most {TEXT_MAXIMUM} characters long")
    plain = text.translate(_MARKS).strip(" ")
    sign = -1.0 if plain.startswith("-") else 1.0
    plain = plain[1:] if plain[:1] in ("-", "+") else plain
    if spread := _SPREAD.fullmatch(plain):
        # One unit may stand for both: 6.83 kg ± 0.001, or 15.1 ± 0.02 lb.
        value, around = _pairs(kind, spread[1]), _pairs(kind, spread[2])
        if not value and around and _BARE.fullmatch(spread[1]):
            value = _pairs(kind, f"{spread[1]} {around[-1][1]}")
        elif value and not around and _BARE.fullmatch(spread[2]):
            around = _pairs(kind, f"{spread[2]} {value[-1][1]}")
        if value and around:
            return sign * _total(kind, text, value), _total(kind, text, around)
    parts = _pairs(kind, plain)
    if not parts or spread:
        bare = _BARE.fullmatch(spread[1] if spread else plain)
        raise ValidationError(_unreadable(kind, text, bare=bare is not None))
    return sign * _total(kind, text, parts), None


def _pairs(kind: str, plain: str) -> list[tuple[float, str]]:
    """Split a text, or a pair such as 14-8, into numbers and units; empty where it is anything else."""
    if kind in _PAIRS:
        pattern, limit, *units = _PAIRS[kind]
        match = pattern.fullmatch(plain)
        numbers = [float(number.replace(",", ".")) for number in match.groups()] if match else []
        if numbers and numbers[1] < limit:
            return list(zip(numbers, units, strict=True))
    return _split(plain)


def _total(kind: str, text: str, parts: list[tuple[float, str]]) -> float:
    total, last = 0.0, math.inf
    for number, unit in parts:
        size = _size(kind, unit)
        if size >= last:
            raise ValidationError(f"{shown_text(text)} must name each unit once, the largest first")
        total, last = total + (number if len(parts) == 1 else number * size), size
    return convert(total, last) if len(parts) == 1 else float(f"{total:.{SIGNIFICANT_DIGITS}g}")


def _unreadable(kind: str, text: str, *, bare: bool) -> str:
    unit = KINDS[kind].offered[0]
    if bare and KINDS[kind].unit == "1":
        return f"{shown_text(text)} is a string; write it as a number"
    if bare:
        return f"{shown_text(text)} has no unit; write it as '{text.strip(' ')} {unit}' or as a number"
    return f"{shown_text(text)} is not a number with a unit; write it like '1.5 {unit}' or '1 1/2 {unit}'"


class QuantityField(fields.Field[Quantity]):
    """A quantity of one kind within limits given in its trade unit.

    Loads a number, a text such as "6.85 kg", "6 3/4 in", "6,83 kg ± 0,001", "2 min 15 s" or "14-8" (pounds
    and ounces), or an object with `value`,
    `unit` (the trade unit where absent) and `uncertainty`, into a `Quantity`. Raises ValidationError for
    all else; an object's errors are keyed by its members.
    """

    def __init__(
        self,
        kind: str,
        minimum: float,
        maximum: float,
        example: float | str | dict[str, Any],
        description: str,
        *,
        exclusive_minimum: bool = False,
        **options: Unpack[Options],
    ) -> None:
        shape = {"description": description, "x-unit": KINDS[kind].unit, "examples": [example]}
        super().__init__(**told(shape, **options))
        if "default" in options:
            self.load_default = Quantity(float(options["default"]))
        self.kind = kind
        self.minimum = float(minimum)
        self.maximum = float(maximum)
        self.exclusive_minimum = exclusive_minimum
        self._lowest = math.nextafter(self.minimum, math.inf) if exclusive_minimum else self.minimum

    def read(self, value: Any) -> Quantity:
        """Read the quantity in `value`; raises ValidationError."""
        if type(value) is float or type(value) is int:
            if self._lowest <= value <= self.maximum:
                return Quantity(value + 0.0)
            raise ValidationError(self._outside(value))
        if isinstance(value, str):
            number, uncertainty = _parsed(self.kind, value)
            if uncertainty is None:
                return Quantity(self._within(number))
            return self._read_object({"value": number, "uncertainty": uncertainty})
        if isinstance(value, dict):
            return self._read_object(value)
        raise ValidationError(
            f"must be a number{self._trade_unit()}, a string with a unit, or an object with a value; "
            f"got {json_type(value)}"
        )

    def _trade_unit(self) -> str:
        unit = KINDS[self.kind].unit
        return "" if unit == "1" else f" ({unit})"

    def _with_unit(self, value: float) -> str:
        unit, shown = KINDS[self.kind].unit, shown_number(value)
        return shown if unit == "1" or shown == TOO_LARGE else f"{shown} {unit}"

    def _outside(self, value: float) -> str:
        if value != value or value in (math.inf, -math.inf):
            return "must be a finite number"
        if self.exclusive_minimum:
            limits = f"more than {self._with_unit(self.minimum)} and at most {self._with_unit(self.maximum)}"
        else:
            limits = f"from {self._with_unit(self.minimum)} to {self._with_unit(self.maximum)}"
        return f"must be {limits}; got {self._with_unit(value)}"

    def _within(self, value: float) -> float:
        if self._lowest <= value <= self.maximum:
            return value + 0.0
        raise ValidationError(self._outside(value))

    def _read_object(self, given: dict[Any, Any]) -> Quantity:
        errors: dict[str, Any] = {}
        for name in given:
            if name not in ("value", "unit", "uncertainty"):
                errors[str(name)] = [UnknownField.of(name, ("value", "unit", "uncertainty"))]
        size = _noting(errors, "unit", self._read_unit, given.get("unit", missing))
        value = _noting(errors, "value", self._read_number, given.get("value", missing), size, self._within)
        uncertainty = None
        if "uncertainty" in given:
            uncertainty = _noting(
                errors, "uncertainty", self._read_number, given["uncertainty"], size, self._within_uncertainty
            )
        if errors or value is None:
            raise ValidationError(errors)
        return Quantity(value, uncertainty)

    def _read_unit(self, unit: Any) -> float:
        if unit is missing:
            return 1.0
        if not isinstance(unit, str):
            raise ValidationError(f"must be a string; got {json_type(unit)}")
        return _size(self.kind, unit.strip(" ") if len(unit) <= TEXT_MAXIMUM else unit)

    def _read_number(self, number: Any, size: float | None, within: Any) -> float | None:
        if number is missing:
            raise ValidationError("missing; an object must give its value")
        if isinstance(number, bool) or not isinstance(number, (int, float)):
            raise ValidationError(f"must be a number; got {json_type(number)}")
        if not -math.inf < number < math.inf:
            raise ValidationError("must be a finite number")
        if size is None:
            return None
        try:
            result: float = within(convert(float(number), size))
        except OverflowError:
            raise ValidationError(self._outside(number)) from None
        return result

    def _within_uncertainty(self, value: float) -> float:
        widest = self.maximum - self.minimum
        if 0.0 <= value <= widest:
            return value + 0.0
        raise ValidationError(
            f"must be from 0 to {self._with_unit(widest)}, the width of the field's range; "
            f"got {self._with_unit(value)}"
        )


def _noting(errors: dict[str, Any], name: str, read: Any, *given: Any) -> float | None:
    try:
        result: float | None = read(*given)
    except ValidationError as error:
        errors[name] = error.messages
        return None
    return result


class NominalField(QuantityField):
    """A quantity that takes no uncertainty; `reason` tells the sender why."""

    reason: ClassVar[str]

    def read(self, value: Any) -> Quantity:
        """Read the quantity in `value`; raises ValidationError."""
        if not isinstance(value, dict) or "uncertainty" not in value:
            return super().read(value)
        errors: dict[Any, Any] = {}
        try:
            super().read({name: member for name, member in value.items() if name != "uncertainty"})
        except ValidationError as error:
            errors |= error.messages if isinstance(error.messages, dict) else {SCHEMA: error.messages}
        raise ValidationError({**errors, "uncertainty": [self.reason]})

    def _read_object(self, given: dict[Any, Any]) -> Quantity:
        if "uncertainty" in given:  # behind the ± of a text
            raise ValidationError({"uncertainty": [self.reason]})
        return super()._read_object(given)
