"""Requests with one thing broken, and the JSON pointer that has to be named for it.

A valid request is walked along its schema; each member of it can be broken in the ways that its field
refuses. Rules between fields, which no field knows, are broken by hand.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from hypothesis import strategies as st
from marshmallow import fields

from ballgauge.strategies._fields import Strategy
from ballgauge_schemas.design.request import SHAPES, SolidField
from ballgauge_schemas.shared.base import Choice, Day, Flag, Number, Part, Schema, Several, Text, Whole
from ballgauge_schemas.shared.problems import escape
from ballgauge_schemas.shared.quantity import NominalField, QuantityField

Way = tuple[str | int, ...]

UNKNOWN = "color_of_the_box"
"""A member that no schema has."""

_FEW = 64
"""Longest array that is overfilled, and a hundredth of the longest text that is overfilled."""


@dataclass(frozen=True)
class Broken:
    """A request that has to be refused with status 422, `pointer` being among the errors' pointers."""

    request: Any
    pointer: str
    why: str


class Break(NamedTuple):
    """One way to break a request: what is put at a place (or taken away there), and what is to be named."""

    why: str
    way: Way
    value: Any
    named: Way


class _Gone:
    """Marks a member that is taken away."""


GONE = _Gone()


def pointer(way: Way) -> str:
    """Write a way into a request as a JSON pointer (RFC 6901)."""
    return "".join(f"/{escape(str(step))}" for step in way)


def apply(request: Any, change: Break) -> Broken:
    """Break a copy of a request."""
    whole = copy.deepcopy(request)
    *above, last = change.way
    place = whole
    for step in above:
        place = place[step]
    if change.value is GONE:
        del place[last]
    else:
        place[last] = change.value
    return Broken(whole, pointer(change.named), change.why)


def breaks(schema: Schema, value: Any, way: Way = ()) -> Iterator[Break]:
    """Every way to break an object of a schema, member by member."""
    yield Break("a member that nobody knows", (*way, UNKNOWN), 1, (*way, UNKNOWN))
    known = schema.load_fields
    for name, member in value.items():
        if known[name].required:
            yield Break("a required member is missing", (*way, name), GONE, (*way, name))
        yield from _of_field(known[name], member, (*way, name))


def _of_field(field: fields.Field[Any], value: Any, way: Way) -> Iterator[Break]:
    for why, wrong, *below in _wrong_values(field):
        yield Break(why, way, wrong, (*way, *below))
    if isinstance(field, Part):
        # An overlay may be a name alone.
        yield from breaks(field.schema, value, way) if isinstance(value, dict) else ()
    elif isinstance(field, SolidField):
        yield from breaks(SHAPES[value["shape"]](), value, way)
    elif isinstance(field, Several) and isinstance(value, list):
        yield from _of_array(field, value, way)


def _of_array(field: Several, value: list[Any], way: Way) -> Iterator[Break]:
    if value and field.maximum <= _FEW:
        yield Break("too many entries", way, [value[0]] * (field.maximum + 1), way)
    if field.minimum:
        yield Break("too few entries", way, value[: field.minimum - 1], way)
    for at, entry in enumerate(value):
        yield from _of_field(field.inner, entry, (*way, at))


Wrong = tuple[Any, ...]


def _quantity(field: QuantityField) -> Iterator[Wrong]:
    width = field.maximum - field.minimum
    above, below = field.maximum + width, field.minimum - width
    yield "no quantity", [1]
    yield "a truth value", True
    yield "too large", above
    yield "too small", below
    yield "no number", "wide"
    yield "a text without its unit", f"{field.minimum + width / 2:.6g}"
    yield "a unit of something else", "5 candela"
    yield "an object without a value", {"uncertainty": 0}, "value"
    yield "a value too large", {"value": above}, "value"
    yield "an unknown unit", {"value": field.maximum, "unit": "candela"}, "unit"
    kept = field.minimum + width / 2
    refused = 0.0 if isinstance(field, NominalField) else -1.0
    yield "an uncertainty that cannot be", {"value": kept, "uncertainty": refused}, "uncertainty"
    yield "an unknown member of a quantity", {"value": kept, "precision": 1}, "precision"


def _number(field: Number | Whole) -> Iterator[Wrong]:
    yield "no number", "5"
    yield "too large", field.maximum * 2 + 1
    yield "too small", field.minimum - abs(field.minimum) - 1
    if isinstance(field, Whole):
        yield "no whole number", field.minimum + 0.5


def _text(field: Text) -> Iterator[Wrong]:
    yield "no text", 5
    yield "a control character", "a\tb"
    if field.maximum <= 100 * _FEW:
        yield "too long", "x" * (field.maximum + 1)


def _wrong_values(field: fields.Field[Any]) -> Iterator[Wrong]:
    for kind, wrong in _WRONG:
        if isinstance(field, kind):
            yield from wrong(field)
            return


_WRONG: tuple[tuple[type[Any], Callable[[Any], Any]], ...] = (
    (QuantityField, _quantity),
    (Number, _number),
    (Whole, _number),
    (Text, _text),
    (Choice, lambda field: [("no such word", "neither"), ("no word", 5)]),
    (Flag, lambda field: [("neither true nor false", "yes"), ("neither true nor false", 1)]),
    (Day, lambda field: [("no day of the calendar", "2024-02-30"), ("no date", 20240901)]),
    (Part, lambda field: [("no object", [])]),
    (SolidField, lambda field: [("no object", []), ("no shape", {"name": "x"}, "shape")]),
    (Several, lambda field: [("no array", {})]),
)


class Clash(NamedTuple):
    """A rule between fields, broken: members put in, where they go, what is named, and members taken away."""

    why: str
    inside: Way
    members: dict[str, Any]
    named: Way
    gone: Way = ()


@st.composite
def broken(
    draw: Any, valid: Strategy, schema: Schema, clashes: Sequence[Clash] = (), kept: Collection[str] = ()
) -> Broken:
    """Draw a valid request and break one thing in it; members in `kept` are not taken away from the top."""
    request = draw(valid)
    found: dict[str, list[Break]] = {}
    for change in breaks(schema, request):
        if not (change.value is GONE and len(change.way) == 1 and change.way[0] in kept):
            found.setdefault(change.why, []).append(change)
    fitting = [clash for clash in clashes if _reaches(request, clash.inside)]
    why = draw(st.sampled_from(sorted({*found, *(clash.why for clash in fitting)})))
    if why in found:
        return apply(request, draw(st.sampled_from(found[why])))
    clash = draw(st.sampled_from([clash for clash in fitting if clash.why == why]))
    whole = copy.deepcopy(request)
    place = whole
    for step in clash.inside:
        place = place[step]
    for name in clash.gone:
        place.pop(name, None)
    place.update(clash.members)
    return Broken(whole, pointer((*clash.inside, *clash.named)), why)


def _reaches(request: Any, way: Way) -> bool:
    for step in way:
        found = isinstance(step, str) and isinstance(request, dict) and step in request
        if not found and not (isinstance(step, int) and isinstance(request, list) and len(request) > step):
            return False
        request = request[step]
    return isinstance(request, dict)


_DIFFERENTIALS = {"differential": 0.01, "intermediate_differential": 0.02}
_SIZES = {"diameter": 8.5, "circumference": 29.0}
_HOLE = {"role": "vent", "diameter": 0.25, "depth": 1}


def ball_clashes(inside: Way = ("ball",)) -> list[Clash]:
    """Rules between the members of a ball."""
    return [
        Clash("parts larger than the whole", inside, _DIFFERENTIALS, ("intermediate_differential",)),
        Clash("sizes that disagree", inside, _SIZES, ("circumference",)),
    ]


def drilling_clashes(inside: Way = ("drilling",)) -> list[Clash]:
    """Rules between the members of a drilling."""
    return [
        Clash("a hole without a place", inside, {"holes": [_HOLE]}, ("holes", 0, "at")),
    ]


def check_clashes(inside: Way = ()) -> list[Clash]:
    """Rules between the members of a check or of a drilling's request."""
    unsized = {"ball": {"weight": 15}, "drilling": {"hand": "right"}}
    return [
        *ball_clashes((*inside, "ball")),
        *drilling_clashes((*inside, "drilling")),
        Clash("a ball to drill without its size", inside, unsized, ("ball", "diameter"), ("design",)),
        Clash(
            "a layout without its axis point",
            inside,
            {
                "ball": {"weight": 15, "diameter": 8.59},
                "drilling": {
                    "hand": "left",
                    "layout": {"drilling_angle": 50, "pin_to_pap": 4, "val_angle": 30},
                },
            },
            ("drilling", "pap"),
            ("design",),
        ),
    ]


LOT_CLASHES = [
    Clash(
        "a plan without what it goes by",
        ("sampling",),
        {"lot_size": 100, "plan": {"kind": "table"}},
        ("plan", "aql"),
    ),
    Clash("a size beside every ball", ("sampling",), {"rows": "every_ball", "lot_size": 100}, ("lot_size",)),
]
MOTION_CLASHES = [
    Clash("two kinds of lane", ("lane",), {"film": 10, "pattern": {"zones": []}}, ()),
    Clash("one sample", (), {"samples": 1}, ("samples",)),
]
LINEUP_CLASHES = [
    Clash("a reference that is not there", (), {"reference": "Nobody's"}, ("reference",)),
    Clash("two kinds of lane", ("lanes", 0), {"film": 10, "pattern": {"zones": []}}, ()),
]
DESIGN_CLASHES = [
    Clash(
        "one name twice",
        ("design",),
        {"solids": [{"name": "a", "shape": "sphere", "density": 1, "diameter": 8}] * 2},
        ("solids", 1, "name"),
    ),
    Clash("nothing to compare", (), {"compare": {}}, ("compare",)),
    Clash("a drilling without a layout", (), {"drilling": {"hand": "right"}}, ("drilling", "layout")),
]
