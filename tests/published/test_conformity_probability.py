"""Probabilities of conformity against JCGM 106:2012 and against scipy's normal distribution."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from ballgauge_service import rulebooks

conformity_probability = np.vectorize(rulebooks.conformity_probability, otypes=[float])


def test_the_zener_diode_of_jcgm_106_from_memory() -> None:
    """JCGM 106:2012, 7.4 (from memory): upper limit -5.40 V, value -5.47 V, u = 0.05 V: 0.92."""
    found = conformity_probability(
        np.array([-5.47]), np.array([0.05]), np.array([-np.inf]), np.array([-5.40])
    )
    assert round(float(found[0]), 2) == 0.92


@pytest.mark.parametrize("size", [1, 1000], ids=["few", "many"])
def test_against_the_normal_distribution_of_scipy(size: int) -> None:
    """scipy.stats.norm, differences of its distribution and survival functions."""
    random = np.random.default_rng(106)
    value, low = random.normal(size=(2, size))
    spread = random.uniform(0.01, 2.0, size)
    high = low + random.uniform(0.0, 2.0, size)
    found = conformity_probability(value, spread, low, high)
    np.testing.assert_allclose(
        found, norm.cdf(high, value, spread) - norm.cdf(low, value, spread), atol=1e-14
    )
    above = conformity_probability(value, spread, low, np.full(size, np.inf))
    np.testing.assert_allclose(above, norm.sf(low, value, spread), rtol=1e-12)


def test_small_tails_keep_their_digits() -> None:
    """scipy.stats.norm.sf eight and nine standard deviations out, on either side."""
    expected = norm.sf(8.0) - norm.sf(9.0)
    for low, high in ((8.0, 9.0), (-9.0, -8.0)):
        found = conformity_probability(np.zeros(1), np.ones(1), np.array([low]), np.array([high]))
        np.testing.assert_allclose(found, expected, rtol=1e-12)


@given(
    st.floats(-1e6, 1e6), st.floats(1e-9, 1e6), st.floats(-1e6, 1e6), st.floats(0.0, 1e6), st.floats(0.0, 1e6)
)
def test_wider_limits_are_never_less_probable(
    value: float, spread: float, low: float, width: float, more: float
) -> None:
    lows, highs = np.array([low, low - more]), np.array([low + width, low + width + more])
    narrow, broad = conformity_probability(np.full(2, value), np.full(2, spread), lows, highs)
    assert 0.0 <= narrow <= broad + 1e-15 <= 1.0 + 2e-15


@given(st.floats(-1e3, 1e3), st.floats(-1e3, 1e3), st.sampled_from([0.0, np.nan]))
def test_without_uncertainty_the_comparison_is_exact(value: float, limit: float, spread: float) -> None:
    found = conformity_probability(
        np.array([value]), np.array([spread]), np.array([-np.inf]), np.array([limit])
    )
    assert found[0] == (1.0 if value <= limit else 0.0)


def test_an_unknown_value_has_no_probability() -> None:
    found = conformity_probability(np.array([np.nan]), np.ones(1), np.array([-np.inf]), np.array([1.0]))
    assert np.isnan(found[0])
