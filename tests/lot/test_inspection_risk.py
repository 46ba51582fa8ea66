"""Risks of an inspection against quadrature by scipy, simulation and limits that are known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from ballgauge_service.lot.statistics.basics import BadArgument
from ballgauge_service.lot.statistics.inspection_risk import inspection_risk, joint_risk


@settings(deadline=None)
@given(st.floats(-2, 2), st.floats(0.05, 0.9), st.floats(-3, 0.5), st.floats(0.2, 4), st.floats(0, 2))
def test_against_quadrature(mean: float, share: float, lower: float, width: float, guard: float) -> None:
    """JCGM 106, 9.5: scipy's adaptive integrals of true value outside and reading inside, and the
    opposite.
    """
    upper = lower + width
    found = inspection_risk(mean, 1.0, share, lower=lower, upper=upper, guard=guard)
    process = math.sqrt(1 - share**2)

    def accepted(true: float) -> float:
        inside = stats.norm.cdf((upper - guard * share - true) / share)
        return max(float(inside - stats.norm.cdf((lower + guard * share - true) / share)), 0.0)

    def density(true: float) -> float:
        return float(stats.norm.pdf(true, mean, process))

    outside = [(mean - 12, lower), (upper, mean + 12)]
    consumer = sum(
        integrate.quad(lambda t: density(t) * accepted(t), a, b, points=[a, b], limit=200)[0]
        for a, b in outside
        if a < b
    )
    producer = integrate.quad(lambda t: density(t) * (1 - accepted(t)), lower, upper, limit=200)[0]
    assert found.consumer_risk == pytest.approx(consumer, abs=2e-6)
    assert found.producer_risk == pytest.approx(producer, abs=2e-6)


def test_against_simulation() -> None:
    """Two million balls, seeded: a process at one limit, read with a third of its spread."""
    rng = np.random.default_rng(5)
    true = rng.normal(74.0, 0.6, 2_000_000)
    read = true + rng.normal(0, 0.3, true.size)
    found = inspection_risk(74.0, math.hypot(0.6, 0.3), 0.3, lower=73.0)
    assert found.consumer_risk == pytest.approx(np.mean((true < 73) & (read >= 73)), abs=3e-4)
    assert found.producer_risk == pytest.approx(np.mean((true >= 73) & (read < 73)), abs=3e-4)
    assert found.accepted == pytest.approx(np.mean(read >= 73), abs=1e-3)


def test_a_perfect_gauge_has_no_risk_and_a_guard_moves_it_to_the_producer() -> None:
    """Limits that are known: no uncertainty, no wrong decision; a guard band of two uncertainties."""
    assert inspection_risk(0, 1, 1e-6, lower=-1).consumer_risk == pytest.approx(0, abs=1e-6)
    plain, guarded = (inspection_risk(0, 1, 0.2, lower=-1, guard=guard) for guard in (0, 2))
    assert guarded.consumer_risk < plain.consumer_risk / 20
    assert guarded.producer_risk > plain.producer_risk


def test_several_quantities_at_once() -> None:
    """Simulation, seeded, of two quantities that vary independently."""
    rng = np.random.default_rng(6)
    a, b = rng.normal(0, 1, (2, 1_000_000))
    read_a, read_b = a + rng.normal(0, 0.4, a.size), b + rng.normal(0, 0.3, b.size)
    each = [
        inspection_risk(0, math.hypot(1, 0.4), 0.4, lower=-1.5),
        inspection_risk(0, math.hypot(1, 0.3), 0.3, lower=-2, upper=2),
    ]
    good, taken = (a >= -1.5) & (abs(b) <= 2), (read_a >= -1.5) & (abs(read_b) <= 2)
    consumer, producer = joint_risk(each)
    assert consumer == pytest.approx(np.mean(taken & ~good), abs=1e-3)
    assert producer == pytest.approx(np.mean(good & ~taken), abs=1e-3)


def test_a_gauge_that_explains_all_spread_is_told() -> None:
    """Our own contract: no true spread is left to speak of."""
    with pytest.raises(BadArgument, match="uncertainty"):
        inspection_risk(0, 1, 1, lower=-1)
