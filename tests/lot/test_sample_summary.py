"""Mean and standard deviation against numpy, exact fractions, and any order of the readings."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ballgauge_service.lot.statistics.basics import summarize
from ballgauge_service.lot.statistics.process import normality_test
from ballgauge_service.lot.statistics.tolerance import distribution_free_interval


def test_against_numpy() -> None:
    """numpy's mean and sample standard deviation."""
    values = np.random.default_rng(3).normal(8.55, 0.01, 500)
    summary = summarize(values)
    assert summary.mean == pytest.approx(values.mean(), rel=1e-14)
    assert summary.standard_deviation == pytest.approx(values.std(ddof=1), rel=1e-12)


def test_large_offsets_cost_no_digits() -> None:
    """Exact rational arithmetic on readings with an offset of a thousand million."""
    values = [1e9 + step for step in (0.25, 0.5, 0.75, 1.0)]
    exact = [Fraction(value) for value in values]
    mean = sum(exact) / 4
    variance = sum((value - mean) ** 2 for value in exact) / 3
    assert summarize(values).standard_deviation ** 2 == pytest.approx(float(variance), rel=1e-12)


def test_a_constant_column_has_no_spread() -> None:
    """Closed form: equal readings have standard deviation 0 exactly, though 0.1 is no binary number."""
    assert summarize([0.1] * 7).standard_deviation == 0


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=60),
    st.randoms(use_true_random=False),
)
def test_shuffling_changes_no_digit(values: list[float], random: object) -> None:
    """Invariant: the order of the readings changes no result, to the last bit."""
    shuffled = list(values)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert summarize(shuffled) == summarize(values)
    assert normality_test(shuffled) == normality_test(values)
    assert distribution_free_interval(shuffled) == distribution_free_interval(values)


@pytest.mark.parametrize(
    "values", [[], [1.0], [1.0, float("nan")], [1.0, float("inf")], ["a", "b"], [[1.0, 2.0]]]
)
def test_bad_values_are_named(values: object) -> None:
    """Our own contract: ValueError begins with the argument's name."""
    with pytest.raises(ValueError, match=r"^values "):
        summarize(values)  # type: ignore[arg-type]
