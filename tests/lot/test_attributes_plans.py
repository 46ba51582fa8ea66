"""Computed attributes plans against published ones and against trying every sample size."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from ballgauge_service.lot.sampling.attributes import (
    two_point_plan,
    zero_acceptance_plan_for_consumer,
)


def test_published_two_point_plan() -> None:
    """Producer 2 % at 0.05, consumer 8 % at 0.10: n = 98, c = 4 (binomial; textbooks, from memory)."""
    plan = two_point_plan(0.02, 0.08)
    assert (plan.sample_size, plan.acceptance_number) == (98, 4)


@settings(max_examples=25, deadline=None)
@given(
    good=st.floats(0.0, 0.08),
    ratio=st.floats(3.0, 12.0),
    alpha=st.sampled_from([0.01, 0.05, 0.10]),
    beta=st.sampled_from([0.05, 0.10]),
    model=st.sampled_from(["hypergeometric", "binomial", "poisson"]),
)
def test_no_smaller_plan_keeps_both_risks(
    good: float, ratio: float, alpha: float, beta: float, model: str
) -> None:
    """Every sample size from 1 up is tried with scipy; the first that works is the plan's."""
    bad, lot = max(good * ratio, 0.03), 400
    if bad >= 0.9:
        return
    plan = two_point_plan(
        good,
        bad,
        producer_risk=alpha,
        consumer_risk=beta,
        model=model,
        lot_size=lot if model[0] == "h" else None,
    )

    def accepted(size: int, accept: int, quality: float, whole: int) -> float:
        if model == "hypergeometric":
            return float(stats.hypergeom.cdf(accept, lot, whole, size))
        if model == "binomial":
            return float(stats.binom.cdf(accept, size, quality))
        return float(stats.poisson.cdf(accept, size * quality))

    good_balls, bad_balls = math.floor(good * lot + 1e-9), math.ceil(bad * lot - 1e-9)
    for size in range(1, plan.sample_size + 1):
        # The largest acceptance number the consumer allows is the best for the producer.
        accept = -1
        while accept + 1 < size and accepted(size, accept + 1, bad, bad_balls) <= beta:
            accept += 1
        works = accept >= 0 and accepted(size, accept, good, good_balls) >= 1 - alpha
        assert works is (size == plan.sample_size)
    assert plan.producer_risk is not None
    assert plan.consumer_risk is not None
    assert plan.producer_risk <= alpha + 1e-12
    assert plan.consumer_risk <= beta + 1e-12


def test_zero_acceptance_by_consumers_risk() -> None:
    """Success-run sizes ln(0.05)/ln(0.99) = 299 and ln(0.10)/ln(0.95) = 45 (closed form)."""
    assert zero_acceptance_plan_for_consumer(0.01, consumer_risk=0.05, model="binomial").sample_size == 299
    assert zero_acceptance_plan_for_consumer(0.05, consumer_risk=0.10, model="binomial").sample_size == 45


@pytest.mark.parametrize(("lot", "quality"), [(50, 0.02), (1000, 0.01), (1000, 0.029), (20_000, 0.003)])
def test_zero_acceptance_on_a_finite_lot(lot: int, quality: float) -> None:
    """scipy's hypergeometric law: one ball fewer would not do; 1000 x 0.029 is 29 balls, not 30."""
    plan = zero_acceptance_plan_for_consumer(quality, lot_size=lot)
    bad = round(quality * lot)
    assert stats.hypergeom.cdf(0, lot, bad, plan.sample_size) <= 0.10
    assert stats.hypergeom.cdf(0, lot, bad, plan.sample_size - 1) > 0.10
    assert plan.consumer_risk == pytest.approx(stats.hypergeom.cdf(0, lot, bad, plan.sample_size))


@settings(max_examples=40, deadline=None)
@given(st.integers(2, 5000), st.floats(0.001, 0.5))
def test_a_finite_lot_never_needs_more_than_an_endless_one(lot: int, quality: float) -> None:
    """Invariant: without replacement a sample tells at least as much as with it; a lot caps it."""
    finite = zero_acceptance_plan_for_consumer(quality, lot_size=lot).sample_size
    endless = zero_acceptance_plan_for_consumer(quality, model="binomial").sample_size
    assert finite <= min(endless, lot)


@pytest.mark.parametrize(
    ("arguments", "name"),
    [
        ({"producer_quality": 0.08, "consumer_quality": 0.02}, "consumer_quality"),
        ({"producer_quality": 0.02, "consumer_quality": 0.0201}, "consumer_quality"),
        ({"producer_quality": 0.02, "consumer_quality": 1.2}, "consumer_quality"),
        ({"producer_quality": -0.1, "consumer_quality": 0.2}, "producer_quality"),
        ({"producer_risk": 0.0}, "producer_risk"),
        ({"producer_risk": 0.6, "consumer_risk": 0.5}, "producer_risk"),
        ({"model": "hypergeometric"}, "lot_size"),
        (
            {
                "model": "hypergeometric",
                "lot_size": 10,
                "producer_quality": 0.3,
                "consumer_quality": 0.3 + 1e-11,
            },
            "consumer_quality",
        ),
        ({"lot_size": 10**400}, "lot_size"),
    ],
)
def test_bad_arguments_are_named(arguments: dict[str, object], name: str) -> None:
    """Our own contract: ValueError begins with the argument's name, also where no plan exists."""
    good: dict[str, object] = {"producer_quality": 0.02, "consumer_quality": 0.08}
    with pytest.raises(ValueError, match=rf"^{name}\b"):
        two_point_plan(**{**good, **arguments})  # type: ignore[arg-type]
