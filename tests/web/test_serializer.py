"""The bytes of an answer, against the standard library's json."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ballgauge_service.web.http import serializer

# Numbers of every size, and many between 1e-12 and 1, where forms of numbers part.
NUMBERS = st.one_of(
    st.floats(),
    st.builds(lambda digits, power: digits * 10.0**power, st.floats(-10.0, 10.0), st.integers(-12, 0)),
    st.integers(),
)
TEXTS = st.one_of(st.text(), st.text(st.characters(categories=["Cs"])), st.sampled_from(["0.00001", "1e-7"]))
DOCUMENTS = st.recursive(
    st.one_of(st.none(), st.booleans(), NUMBERS, TEXTS),
    lambda inner: st.one_of(
        st.lists(inner), st.lists(inner).map(tuple), st.dictionaries(TEXTS, inner, max_size=4)
    ),
    max_leaves=20,
)


def finite(document: Any) -> Any:
    if isinstance(document, dict):
        return {name: finite(member) for name, member in document.items()}
    if isinstance(document, (list, tuple)):
        return [finite(member) for member in document]
    return None if isinstance(document, float) and not math.isfinite(document) else document


@given(document=DOCUMENTS)
def test_every_document_is_read_back_as_it_was(document: Any) -> None:
    """Against the standard library: every number to its last digit, names in their order or sorted."""
    expected = json.loads(json.dumps(finite(document)))
    for dump, in_order in ((serializer.dump_in_order, True), (serializer.dump, False)):
        written = dump(document)
        assert json.dumps(json.loads(written), sort_keys=not in_order) == json.dumps(
            expected, sort_keys=not in_order
        )
        assert dump(json.loads(written)) == written


@pytest.mark.parametrize("digits", ["1", "9.999999999999999", "2.2250738585072014"])
def test_numbers_of_every_power_of_ten_are_exact_and_as_short_as_python_writes_them(digits: str) -> None:
    numbers = [sign * float(f"{digits}e{power}") for power in range(-324, 308) for sign in (1.0, -1.0)]
    for number in numbers:
        written = serializer.dump({"a": number}).decode().removeprefix('{"a":').removesuffix("}")
        assert float(written) == number
        assert mantissa(written) == mantissa(repr(number))


def test_numbers_of_numpy_are_written_as_others() -> None:
    """What an interpreted kernel gives may be one of them: the bytes of an answer do not tell."""
    for number in (1e-8, 0.1, -2.5e300, math.nan, math.inf):
        assert serializer.dump({"a": [np.float64(number)]}) == serializer.dump({"a": [number]})
    assert serializer.dump([np.float64(1e-8), 2**70]) == serializer.dump([1e-8, 2**70])


def mantissa(number: str) -> str:
    return number.partition("e")[0].lstrip("-").replace(".", "").strip("0")
