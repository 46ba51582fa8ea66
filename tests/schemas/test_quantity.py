"""Quantities: what loads, to which value, and what is said of the rest."""

from __future__ import annotations

import json
import math
import re
import time
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from marshmallow import ValidationError

from ballgauge_schemas import KINDS, Quantity, QuantityField, unit_size
from ballgauge_schemas.shared.quantity import TEXT_PATTERN, _atom, _quotient, _registry

WEIGHT = QuantityField("weight", 4, 20, 15, "d")
LENGTH = QuantityField("length", 0, 100, 1, "d")
SIGNED = QuantityField("imbalance", -32, 32, 1, "d")
POSITIVE = QuantityField("length", 0, 2, 1, "d", exclusive_minimum=True)


def errors(field: QuantityField, value: Any) -> Any:
    with pytest.raises(ValidationError) as caught:
        field.read(value)
    return caught.value.messages


@pytest.mark.parametrize(
    ("kind", "unit", "size"),
    [
        ("weight", "kg", 1 / 0.45359237),
        ("weight", "g", 1 / 453.59237),
        ("weight", "oz", 1 / 16),
        ("weight", "lbs", 1.0),
        ("weight", "pound", 1.0),
        ("weight", "pounds", 1.0),
        ("imbalance", "g", 16 / 453.59237),
        ("imbalance", "lb", 16.0),
        ("length", "mm", 1 / 25.4),
        ("length", "cm", 1 / 2.54),
        ("length", "m", 1 / 0.0254),
        ("length", "ft", 12.0),
        ("length", "inch", 1.0),
        ("length", "inches", 1.0),
        ("length", '"', 1.0),
        ("length", "″", 1.0),
        ("roughness", "uin", 1.0),
        ("roughness", "μin", 1.0),
        ("roughness", "microinch", 1.0),
        ("roughness", "µm", 1 / 0.0254),
        ("roughness", "um", 1 / 0.0254),
        ("time", "min", 60.0),
        ("time", "h", 3600.0),
        ("density", "g/cm3", 1.0),
        ("density", "g/cm^3", 1.0),
        ("density", "g/cm³", 1.0),
        ("density", "g/ml", 1.0),
        ("density", "g/cc", 1.0),
        ("density", "kg/L", 1.0),
        ("density", "kg/m3", 1e-3),
        ("density", "kg/m³", 1e-3),
        ("density", "lb/in^3", 453.59237 / 2.54**3),
        ("density", "lb/ft3", 453.59237 / 30.48**3),
        ("angle", "degree", 1.0),
        ("angle", "°", 1.0),
        ("angle", "rad", 180 / math.pi),
        ("hardness", "D", 1.0),
        ("hardness", "HD", 1.0),
        ("ratio", "%", 0.01),
        ("ratio", "1", 1.0),
    ],
)
def test_unit_sizes_are_the_exact_definitions(kind: str, unit: str, size: float) -> None:
    """NIST SP 811 (2008), appendix B: lb = 0.45359237 kg, in = 25.4 mm, both exact; degree = pi/180 rad."""
    assert unit_size(kind, unit) == pytest.approx(size, rel=1e-15)


@pytest.mark.parametrize(
    ("kind", "unit"),
    [
        ("weight", "mm"),
        ("weight", "lbf"),
        ("weight", "N"),
        ("weight", "Da"),
        ("weight", "degC"),
        ("weight", "mdegC"),
        ("weight", "kg/m"),
        ("length", "min"),
        ("length", "oz"),
        ("length", "nan"),
        ("length", "inf"),
        ("length", "lambda"),
        ("length", "m2"),
        ("length", "in/in"),
        ("length", "in*in"),
        ("length", "__import__"),
        ("angle", "1"),
        ("angle", "%"),
        ("ratio", "deg"),
        ("ratio", "dB"),
        ("hardness", "debye"),
        ("density", "mL/g"),
        ("density", "g/mL/mL"),
        ("time", "Hz"),
        ("time", "x" * 100),
    ],
)
def test_a_unit_that_does_not_measure_the_kind_has_no_size(kind: str, unit: str) -> None:
    """Against the meaning of the units: other dimensions, other kinds of number, absurd sizes, no units."""
    assert unit_size(kind, unit) is None


SAID = {"#": "lb", "Pfund": "lb", "Unze": "oz", "Unzen": "oz", "Kilogramm": "kg", "Gramm": "g", "Zoll": "in"}
"""Units of every day that pint does not know, with those that they are."""


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("unit", SAID)
def test_other_words_for_a_unit(kind: str, unit: str) -> None:
    """Against the unit's own name."""
    assert unit_size(kind, unit) in (None, unit_size(kind, SAID[unit]))


@pytest.mark.parametrize(
    ("kind", "unit"),
    [
        (name, unit)
        for name, kind in KINDS.items()
        if kind.reference
        for unit in kind.own
        if unit not in ("unit", "units", *SAID)
    ],
)
def test_the_units_of_every_day_are_those_of_pint(kind: str, unit: str) -> None:
    """Against pint, to the last bit: an answer does not depend on whether it was asked."""
    asked, trade = _quotient(unit), _quotient(KINDS[kind].reference)
    assert asked is not None
    assert trade is not None
    assert unit_size(kind, unit) == asked[0] / trade[0]


def test_every_unit_name_of_pint_can_be_asked_for() -> None:
    """Against pint's own list of units: none of its names, prefixed or not, raises."""
    names = [name for name in dir(_registry()) if re.fullmatch("[A-Za-zµμ°]{1,24}", name)]
    assert len(names) > 400
    for name in names:
        assert _atom(name) is None or _atom(name)[0] > 0
        _atom("k" + name)


@pytest.mark.parametrize(
    ("text", "inches"),
    [
        ("6 3/4 in", 6.75),
        ("6-3/4 in", 6.75),
        ("6¾ in", 6.75),
        ("½ in", 0.5),
        ("31/32in", 0.96875),
        ("3 3/8 inches", 3.375),
        ('4.5"', 4.5),
        (".25 in", 0.25),
        ("+1.5e1 in", 15.0),
        ("218.313 mm", 8.595),
        ("1 ft 3 1/2 in", 15.5),
        ("  8.59   in  ", 8.59),
        ("-0 in", 0.0),
    ],
)
def test_texts_of_length(text: str, inches: float) -> None:
    """Against arithmetic; 218.313 mm is 8.595 in exactly (inch = 25.4 mm), to the last bit."""
    assert LENGTH.read(text) == Quantity(inches)
    assert math.copysign(1, LENGTH.read(text).value) == 1


def test_texts_of_other_kinds() -> None:
    """Against arithmetic."""
    time_field = QuantityField("time", 0, 36000, 1, "d")
    hardness = QuantityField("hardness", 0, 100, 1, "d")
    ratio = QuantityField("ratio", 0, 1, 1, "d")
    assert time_field.read("2 min 15 s") == Quantity(135.0)
    assert time_field.read("1 h 2 min 3 s") == Quantity(3723.0)
    assert (
        hardness.read("75 Shore D") == hardness.read("75 D") == hardness.read("75 shore d") == Quantity(75.0)
    )
    assert ratio.read("24 %") == Quantity(0.24)
    assert WEIGHT.read("15 lb 4 oz") == Quantity(15.25)
    assert SIGNED.read("-1 1/4 oz") == SIGNED.read("−1.25 oz") == Quantity(-1.25)


@pytest.mark.parametrize(
    ("text", "pounds", "uncertainty"),
    [
        ("15#", 15, None),
        ("15 LBS", 15, None),
        ("15 pfund", 15, None),
        ("15½ lb", 15.5, None),
        ("15,25 lb", 15.25, None),
        ("14-8", 14.5, None),
        ("14-8 lb", 14.5, None),
        ("14-8#", 14.5, None),
        ("4.53592370 Kg", 10, None),
        ("4,5359237\u00a0KG", 10, None),
        ("15.1 ± 0.02 lb", 15.1, 0.02),
        ("15.1 lb ± 0.02", 15.1, 0.02),
        ("15.1 lb +/- 4 oz", 15.1, 0.25),
        ("15,1 lb+-0,02", 15.1, 0.02),
        ("14 lb 8 oz ± 1 oz", 14.5, 0.0625),
    ],
)
def test_texts_as_people_write_them(text: str, pounds: float, uncertainty: float | None) -> None:
    """Against arithmetic: a pound of 16 ounces and 0.45359237 kg; ± is the standard uncertainty."""
    assert WEIGHT.read(text) == Quantity(pounds, uncertainty)
    assert re.search(TEXT_PATTERN, text)


def test_fractions_as_keyboards_and_scales_write_them() -> None:
    """Against arithmetic."""
    for text in ("8 19⁄32 in", '8-19/32"', "8 19/32 Zoll", "8 19/32 IN", "8,59375 in"):
        assert LENGTH.read(text) == Quantity(8.59375)
    field = QuantityField("time", 0, 36000, 1, "d")
    assert field.read("11:20") == field.read("11:20 s") == Quantity(680.0)
    with pytest.raises(ValidationError):
        field.read("11:60")


@pytest.mark.parametrize(
    "value",
    [
        200,
        "200 lb",
        "90.718474 kg",
        math.nan,
        -math.inf,
        True,
        None,
        [],
        "15",
        "15 1/2",
        "15 mm",
        "15 zorkmid",
        "15 oz 1 lb",
        "3 lb 4 lb",
        "9**9**9 lb",
        "1/0 lb",
        "6,8,5 kg",
        "14-17",
        "15 ± 0.02",
        "15 lb ± -1 lb",
        "",
        "nan lb",
        "١٥ lb",
        "15 lb\n",
        "1e999 lb",
        "15 lb" + " " * 60,
    ],
)
def test_what_is_said_of_a_bad_quantity(value: Any, sentence: Any) -> None:
    """Against the words of the contract."""
    assert errors(WEIGHT, value) == [sentence(f"weight of {value!r}")]


def test_a_number_beyond_all_doubles_is_out_of_range(sentence: Any) -> None:
    """Against IEEE 754: no double holds 10 to the 400th."""
    said = sentence("number too large to show")
    assert errors(WEIGHT, 10**400) == errors(WEIGHT, -(10**400)) == [said]
    assert errors(WEIGHT, {"value": 10**400, "unit": "kg"}) == {"value": [said]}


def test_an_exclusive_minimum_is_not_reached(sentence: Any) -> None:
    """Against the meaning of an open interval."""
    assert errors(POSITIVE, 0) == [sentence("at an exclusive minimum")]
    assert errors(POSITIVE, "0 mm") == [sentence("at an exclusive minimum")]
    assert POSITIVE.read(5e-324) == Quantity(5e-324)


def test_objects() -> None:
    """Against the inch of 25.4 mm: the unit counts for the uncertainty too."""
    assert LENGTH.read({"value": 2.54, "unit": "cm", "uncertainty": 0.254}) == Quantity(1.0, 0.1)
    assert LENGTH.read({"value": 3}) == Quantity(3.0, None)
    assert LENGTH.read({"value": 3, "uncertainty": 0}) == Quantity(3.0, 0.0)


@pytest.mark.parametrize(
    "value",
    [
        {},
        {"value": "3 in"},
        {"value": True, "unit": 5},
        {"value": math.nan},
        {"value": 1, "uncertainty": -1},
        {"value": 1, "uncertainty": math.inf},
        {"value": 1, "uncertainty": None},
        {"value": 1, "unit": "kg"},
        {"value": 1, "units": "in"},
        {"value": 1, "unit": "in" * 1000},
    ],
)
def test_what_is_said_of_a_bad_object(value: Any, sentence: Any) -> None:
    """Against the words of the contract."""
    assert errors(LENGTH, value) == sentence(f"length of {value!r:.60}")


@pytest.mark.parametrize(
    "hostile", ["9**9**9 in", "(" * 60, "1" * 1_000_000, "1 " + "m" * 1_000_000, "9" * 15 + "e999 in"]
)
def test_a_hostile_text_costs_nothing(hostile: str) -> None:
    """Against a tenth of a second, a thousand times what one takes."""
    started = time.perf_counter()
    for _ in range(10):
        said = json.dumps(errors(LENGTH, hostile))
    assert time.perf_counter() - started < 0.1
    assert len(said) < 300


@given(st.floats(4, 20), st.sampled_from(["lb", "oz", "kg", "g", "lbs", "pound"]))
def test_texts_objects_and_numbers_agree(pounds: float, unit: str) -> None:
    """Against each other, to the fourteen digits a conversion keeps."""
    size = unit_size("weight", unit)
    assert size is not None
    given = float(f"{pounds / size:.12g}")
    text, member = f"{given!r} {unit}", {"value": given, "unit": unit}
    in_range = pounds * (1 - 1e-11) >= 4 and pounds * (1 + 1e-11) <= 20
    if in_range and "e" not in text.split()[0]:
        assert WEIGHT.read(text) == WEIGHT.read(member)
        assert WEIGHT.read(text).value == pytest.approx(pounds, rel=1e-11)


@given(st.integers(0, 99), st.integers(0, 63), st.sampled_from([2, 4, 8, 16, 32, 64]))
def test_fractions_are_exact(whole: int, above: int, below: int) -> None:
    """Against binary arithmetic: halves to sixty-fourths have exact doubles."""
    value = whole + above / below
    if value <= 100:
        assert LENGTH.read(f"{whole} {above}/{below} in").value == value


@given(
    st.text(max_size=80) | st.from_regex(r"[0-9]{1,3}[ .]?[0-9]{0,2} ?[a-zµ°%\"/0-9^]{0,8}", fullmatch=True)
)
def test_any_text_loads_or_is_refused_and_what_loads_is_documented(text: str) -> None:
    """Against the documented pattern, for every kind."""
    for kind in KINDS:
        field = QuantityField(kind, -1e30, 1e30, 1, "d")
        try:
            value = field.read(text).value
        except ValidationError:
            continue
        assert math.isfinite(value)
        assert re.search(TEXT_PATTERN, text)


@given(st.floats() | st.integers())
def test_any_number_loads_within_its_limits_only(value: float) -> None:
    """Against the comparison itself."""
    if 4 <= value <= 20:
        assert WEIGHT.read(value) == Quantity(value)
    else:
        errors(WEIGHT, value)
