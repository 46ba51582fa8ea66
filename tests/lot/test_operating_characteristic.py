"""Curves of attributes plans against textbook numbers, scipy and counting every sample."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from ballgauge_service.lot.answer import plain
from ballgauge_service.lot.statistics.operating_characteristic import (
    acceptance_probability,
    average_outgoing_quality,
    average_outgoing_quality_limit,
    average_total_inspection,
    operating_characteristic,
    quality_at_acceptance,
)

MODELS = ("hypergeometric", "binomial", "poisson")


def test_textbook_plan() -> None:
    """n = 89, c = 2 in lots of 10,000 at 1 %: Pa 0.9397, ATI 687, AOQL 0.0155 (read from a chart).

    Montgomery, Introduction to Statistical Quality Control, chapter 15, from memory.
    """
    assert acceptance_probability(89, 2, 0.01) == pytest.approx(0.9397, abs=5e-5)
    assert average_total_inspection(89, 2, 0.01, 10_000) == pytest.approx(687, abs=0.6)
    assert average_outgoing_quality(89, 2, 0.01) == pytest.approx(0.0094, abs=5e-5)
    assert average_outgoing_quality_limit(89, 2)[0] == pytest.approx(0.0155, abs=3e-4)


def test_models_are_scipys_distributions() -> None:
    """scipy.stats distribution functions, over a grid."""
    quality = np.array([0.0, 0.01, 0.05, 0.2, 1.0])
    binomial = acceptance_probability(50, 3, quality)
    assert binomial == pytest.approx(stats.binom.cdf(3, 50, quality))
    poisson = acceptance_probability(50, 3, quality, model="poisson")
    assert poisson == pytest.approx(stats.poisson.cdf(3, 50 * quality))
    exact = acceptance_probability(50, 3, quality, model="hypergeometric", lot_size=200)
    assert exact == pytest.approx([stats.hypergeom.cdf(3, 200, bad, 50) for bad in (0, 2, 10, 40, 200)])


def test_hypergeometric_curves_by_counting_every_sample() -> None:
    """All samples of 4 from a lot of 9 with 3 bad balls, counted one by one."""
    lot, size, accept = [1] * 3 + [0] * 6, 4, 1
    samples = list(itertools.combinations(range(9), size))
    found = [sum(lot[i] for i in sample) for sample in samples]
    accepted = sum(count <= accept for count in found) / len(samples)
    outgoing = sum((3 - count) / 9 for count in found if count <= accept) / len(samples)
    arguments = {"model": "hypergeometric", "lot_size": 9}
    assert acceptance_probability(size, accept, 3 / 9, **arguments) == pytest.approx(accepted)
    assert average_outgoing_quality(size, accept, 3 / 9, **arguments) == pytest.approx(outgoing)


@pytest.mark.parametrize("model", MODELS)
def test_outgoing_limit_is_the_top_of_its_curve(model: str) -> None:
    """A dense grid of the same curve has no higher point, and one as high."""
    limit, at = average_outgoing_quality_limit(32, 1, model=model, lot_size=600)
    grid = np.arange(601) / 600 if model == "hypergeometric" else np.linspace(0, 0.3, 30_001)
    curve = average_outgoing_quality(32, 1, grid, model=model, lot_size=600)
    assert limit == pytest.approx(float(curve.max()), rel=1e-6)
    assert average_outgoing_quality(32, 1, at, model=model, lot_size=600) == pytest.approx(limit)


def test_outgoing_limit_of_a_very_large_lot_is_the_binomials() -> None:
    """Limit: for a lot of a hundred million balls the exact curve is the binomial one."""
    exact = average_outgoing_quality_limit(89, 2, model="hypergeometric", lot_size=100_000_000)
    assert exact == pytest.approx(average_outgoing_quality_limit(89, 2), rel=1e-4)


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("accepted", [0.95, 0.5, 0.1])
def test_quality_at_acceptance_inverts_the_curve(model: str, accepted: float) -> None:
    """Inverse of the distribution function; on whole balls the next smaller fraction is accepted oftener."""
    quality = quality_at_acceptance(80, 3, accepted, model=model, lot_size=1000)
    back = acceptance_probability(80, 3, quality, model=model, lot_size=1000)
    if model == "hypergeometric":
        before = acceptance_probability(80, 3, quality - 1 / 1000, model=model, lot_size=1000)
        assert back <= accepted < before
    else:
        assert back == pytest.approx(accepted)


@settings(max_examples=60, deadline=None)
@given(
    size=st.integers(1, 120),
    accept=st.integers(0, 12),
    lot=st.integers(120, 3000),
    model=st.sampled_from(MODELS),
    qualities=st.lists(st.floats(0, 1), min_size=2, max_size=8),
)
def test_acceptance_falls_as_quality_falls(
    size: int, accept: int, lot: int, model: str, qualities: list[float]
) -> None:
    """Invariant: more nonconforming balls, a larger sample or a smaller acceptance number never help."""
    quality = np.sort(qualities)
    chance = acceptance_probability(size, accept, quality, model=model, lot_size=lot)
    assert np.all(np.diff(chance) <= 1e-12)
    assert np.all((chance >= 0) & (chance <= 1))
    more = acceptance_probability(min(size + 1, lot), accept, quality, model=model, lot_size=lot)
    assert np.all(more <= chance + 1e-12)
    easier = acceptance_probability(size, accept + 1, quality, model=model, lot_size=lot)
    assert np.all(easier >= chance - 1e-12)


@pytest.mark.parametrize("model", MODELS)
def test_curves_of_a_plan_are_of_one_length_and_end_low(model: str) -> None:
    """Our own contract, and JSON-ready data; acceptance starts at 1 and ends near one in a thousand."""
    curves = operating_characteristic(80, 2, model=model, lot_size=1000, points=51)
    data = plain(curves)
    lengths = {len(data[name]) for name in ("fraction", "acceptance", "average_outgoing_quality")}
    assert lengths == {len(data["average_total_inspection"])}
    assert data["acceptance"][0] == 1
    assert data["acceptance"][-1] == pytest.approx(0.001, rel=0.2)
    assert data["average_total_inspection"][0] == 80


def test_inspecting_every_ball_lets_nothing_bad_through() -> None:
    """Limit: with the whole lot inspected and zero accepted the outgoing quality is perfect."""
    curves = operating_characteristic(10, 0, model="hypergeometric", lot_size=10)
    assert curves.average_outgoing_quality_limit == 0
    assert set(curves.average_outgoing_quality) == {0.0}


@pytest.mark.parametrize(
    ("arguments", "name"),
    [
        ({"sample_size": 0}, "sample_size"),
        ({"acceptance_number": -1}, "acceptance_number"),
        ({"model": "normal"}, "model"),
        ({"model": "hypergeometric"}, "lot_size"),
        ({"lot_size": 5}, "lot_size"),
        ({"points": 1}, "points"),
    ],
)
def test_bad_arguments_are_named(arguments: dict[str, object], name: str) -> None:
    """Our own contract: ValueError begins with the argument's name."""
    with pytest.raises(ValueError, match=rf"^{name}\b"):
        operating_characteristic(**{"sample_size": 10, "acceptance_number": 1, **arguments})  # type: ignore[arg-type]
    with pytest.raises(ValueError, match=r"^fraction "):
        acceptance_probability(10, 1, 1.5)
