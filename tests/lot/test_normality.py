"""Normality test against scipy and statsmodels, and its warning in words."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.diagnostic import normal_ad

from ballgauge_service.lot.statistics.process import normality_test


@pytest.mark.parametrize("count", [8, 43, 1000])
@pytest.mark.parametrize("shape", ["normal", "uniform", "exponential"])
def test_statistic_and_p_value(count: int, shape: str) -> None:
    """statsmodels.stats.diagnostic.normal_ad: same statistic, and same p-value formula."""
    values = getattr(np.random.default_rng(count), shape)(size=count)
    test = normality_test(values)
    statistic, p_value = normal_ad(values)
    assert test.statistic == pytest.approx(statistic, rel=1e-9)
    assert test.p_value == pytest.approx(p_value, rel=1e-6, abs=1e-25)


def test_size_of_the_test_by_simulation() -> None:
    """Definition: about 5 % of normal samples are doubted at 0.05 (1000 simulated samples, error 0.7 %)."""
    draws = np.random.default_rng(11).normal(size=(1000, 20))
    doubted = sum(not normality_test(row).normal for row in draws)
    assert 0.03 < doubted / 1000 < 0.07


def test_skewed_readings_bring_a_warning(sentence: Any) -> None:
    """An exponential sample is no normal one (scipy's Shapiro-Wilk agrees): the warning says what follows."""
    values = np.random.default_rng(4).exponential(size=200)
    assert stats.shapiro(values).pvalue < 1e-6
    test = normality_test(values)
    assert test.normal is False
    assert test.warning == sentence("normality: normal theory")
    assert normality_test(np.random.default_rng(4).normal(size=200)).warning == ""


def test_coarse_gauges_are_told() -> None:
    """Our own rule: fewer than six different readings say more about the gauge than about the balls."""
    values = np.round(np.random.default_rng(4).normal(73, 0.6, size=100))
    assert "coarse" in normality_test(values).warning


@pytest.mark.parametrize("values", [[1.0, 2.0, 3.0], [5.0] * 20])
def test_what_cannot_be_tested_is_not_assessed(values: list[float], sentence: Any) -> None:
    """Our own contract: too few or all equal readings give no verdict, and say so."""
    test = normality_test(values)
    assert test.normal is None
    assert test.p_value is None
    assert test.warning == sentence(f"normality: not assessed of {len(values)}")
    assert test.statistic is None


def test_readings_very_far_from_normal_keep_a_p_value() -> None:
    """Limit: the fitted formula must not turn up again for huge statistics."""
    values = np.concatenate([np.zeros(5000) + np.linspace(0, 1e-3, 5000), [1e6]])
    assert normality_test(values).p_value == pytest.approx(0, abs=1e-20)
