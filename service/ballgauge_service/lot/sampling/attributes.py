"""Attributes plans computed from stated risks: two-point plans and plans that accept on zero."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from ballgauge_schemas.shared.limits import CONSUMER_RISK, LOT_MAXIMUM, PRODUCER_RISK
from ballgauge_schemas.shared.words import MODELS
from ballgauge_service.lot.statistics.basics import (
    BadArgument,
    FloatArray,
    number,
    one_of,
    probability,
    whole_number,
)
from ballgauge_service.lot.statistics.operating_characteristic import (
    acceptance_probability,
    hypergeometric_acceptance,
)

# Ours: past these the two qualities are too close for sampling to tell apart at a sane cost.
LARGEST_ACCEPTANCE_NUMBER = 500
UNBOUNDED_SAMPLE = 10**12


# Acceptance probabilities at the two qualities, for sample sizes and acceptance numbers that broadcast.
AcceptanceFunctions = Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]


@dataclass(frozen=True, slots=True)
class AttributesPlan:
    """A single sampling plan and the risks it really has at the two stated qualities.

    Qualities are fractions (nonconformities per ball for `poisson`). `producer_risk` is the probability that
    a lot at `producer_quality` is not accepted, `consumer_risk` that one at `consumer_quality` is; None
    where the plan was not designed for that point.
    """

    sample_size: int
    acceptance_number: int
    model: str
    lot_size: int | None
    producer_quality: float | None
    producer_risk: float | None
    consumer_quality: float | None
    consumer_risk: float | None
    full_inspection: bool
    assumptions: tuple[str, ...]


def two_point_plan(
    producer_quality: float,
    consumer_quality: float,
    *,
    producer_risk: float = PRODUCER_RISK,
    consumer_risk: float = CONSUMER_RISK,
    model: str = "binomial",
    lot_size: int | None = None,
) -> AttributesPlan:
    """Return the plan with the smallest sample that keeps both risks.

    Parameters
    ----------
    producer_quality, consumer_quality : fractions (nonconformities per ball for `poisson`), the first smaller
    producer_risk : largest probability of rejecting a lot of the producer's quality
    consumer_risk : largest probability of accepting a lot of the consumer's quality
    model, lot_size : see `acceptance_probability`; `hypergeometric` takes at most producer_quality *
        lot_size nonconforming balls (rounded down) as good and at least consumer_quality * lot_size
        (rounded up) as bad

    Returns
    -------
    AttributesPlan

    Raises
    ------
    BadArgument
        Naming the argument, also where the qualities are too close together.

    Notes
    -----
    For each acceptance number the smallest sample that keeps the consumer's risk is found by bisection; the
    first acceptance number whose sample keeps the producer's risk too is taken.

    References
    ----------
    Guenther, Journal of Quality Technology 1, 1969 (the search), from memory.
    """
    one_of("model", model, MODELS)
    alpha, beta = probability("producer_risk", producer_risk), probability("consumer_risk", consumer_risk)
    good, bad = _two_qualities(producer_quality, consumer_quality, model)
    if alpha + beta >= 1:
        raise BadArgument("producer_risk", "and consumer_risk must add up to less than 1")
    lot = _lot(model, lot_size)
    accept_at = _acceptance_functions(good, bad, model, lot)
    largest = lot or LOT_MAXIMUM
    last, reach = LARGEST_ACCEPTANCE_NUMBER, UNBOUNDED_SAMPLE
    if model == "hypergeometric" and lot is not None:
        last, reach = min(last, _whole_balls(good, bad, lot)[1] - 1), lot
    # The last numbers first: where not even they have a plan, the search of all the others is spared.
    if _first_plan(accept_at, max(last - 31, 0), last + 1, alpha, beta, reach) is not None:
        for first in range(0, last + 1, 32):
            plan = _first_plan(accept_at, first, min(first + 32, last + 1), alpha, beta, largest)
            if plan is not None:
                return _two_point_result(*plan, good, bad, model, lot)
    raise BadArgument(
        "consumer_quality",
        "must be further from the AQL: no plan with an acceptance number up to "
        f"{last} and a sample up to {largest} keeps both risks",
    )


def zero_acceptance_plan_for_consumer(
    consumer_quality: float,
    *,
    consumer_risk: float = CONSUMER_RISK,
    model: str = "hypergeometric",
    lot_size: int | None = None,
) -> AttributesPlan:
    """Return the smallest sample that, accepting on zero only, keeps the consumer's risk.

    Parameters
    ----------
    consumer_quality : the fraction to be kept out; `hypergeometric` rounds it up to whole balls
    consumer_risk : largest probability of accepting a lot that bad
    model, lot_size : see `acceptance_probability`

    Returns
    -------
    AttributesPlan

    Raises
    ------
    BadArgument

    Notes
    -----
    Closed form for the binomial, n = ln(risk)/ln(1 - quality) rounded up; search on the exact probability
    otherwise. No published c = 0 table is used.
    """
    one_of("model", model, MODELS)
    risk = probability("consumer_risk", consumer_risk)
    _, bad = _two_qualities(0.0, consumer_quality, model)
    lot = _lot(model, lot_size)
    accept_at = _acceptance_functions(0.0, bad, model, lot)
    zero = np.zeros(1)
    kept = partial(_kept, accept_at, zero, risk)
    largest = lot or LOT_MAXIMUM
    size = int(_first_sample(kept, zero, largest)[0])
    if size > largest:
        raise BadArgument(
            "consumer_quality", f"is too small: {largest} balls do not keep the consumer's risk"
        )
    reached = float(accept_at(np.array([float(size)]), zero)[1][0])
    return AttributesPlan(
        size, 0, model, lot, None, None, bad, reached, size == lot, _assumptions(model, bad, lot)
    )


def _two_point_result(
    size: int, accept: int, good: float, bad: float, model: str, lot: int | None
) -> AttributesPlan:
    chances = _acceptance_functions(good, bad, model, lot)(np.array([float(size)]), np.array([float(accept)]))
    return AttributesPlan(
        size,
        accept,
        model,
        lot,
        good,
        1 - float(chances[0][0]),
        bad,
        float(chances[1][0]),
        size == lot,
        _assumptions(model, bad, lot),
    )


def _acceptance_functions(good: float, bad: float, model: str, lot: int | None) -> AcceptanceFunctions:
    if model != "hypergeometric" or lot is None:
        return lambda n, c: (
            acceptance_probability(n, c, good, model=model),
            acceptance_probability(n, c, bad, model=model),
        )
    good_balls, bad_balls = _whole_balls(good, bad, lot)
    return lambda n, c: (
        hypergeometric_acceptance(n, c, float(good_balls), float(lot)),
        hypergeometric_acceptance(n, c, float(bad_balls), float(lot)),
    )


def _whole_balls(good: float, bad: float, lot: int) -> tuple[int, int]:
    # A product such as 1000 * 0.029 must not fall short of 29 by rounding.
    good_balls, bad_balls = math.floor(good * lot + 1e-9 * lot), math.ceil(bad * lot - 1e-9 * lot)
    if good_balls >= bad_balls:
        raise BadArgument("consumer_quality", f"must differ from the AQL by a whole ball in a lot of {lot}")
    return good_balls, bad_balls


def _first_plan(
    accept_at: AcceptanceFunctions, first: int, stop: int, alpha: float, beta: float, largest: int
) -> tuple[int, int] | None:
    """Return (sample size, acceptance number) of the first acceptance number in the range with a plan."""
    accept = np.arange(first, stop, dtype=np.float64)
    smallest = _first_sample(partial(_kept, accept_at, accept, beta), accept, largest)
    chances = accept_at(np.clip(smallest, 1, largest), accept)[0]
    meets = (smallest <= largest) & (chances >= 1 - alpha)
    index = int(np.argmax(meets))
    return (int(smallest[index]), int(accept[index])) if meets[index] else None


def _kept(
    accept_at: AcceptanceFunctions,
    accept: FloatArray,
    risk: float,
    sample_size: FloatArray,
) -> np.ndarray:
    return accept_at(sample_size, accept)[1] <= risk


def _first_sample(kept: Callable[[FloatArray], np.ndarray], accept: FloatArray, largest: int) -> FloatArray:
    """Return the smallest whole sample size at which `kept` holds, `largest` + 1 where none does."""
    low, high = np.maximum(accept, 0.0), np.full_like(accept, float(largest) + 1)
    while np.any(high - low > 1):
        middle = np.floor((low + high) / 2)
        trial = np.clip(middle, 1.0, float(largest))
        hold = kept(trial) & (middle <= largest)
        open_ = high - low > 1
        high = np.where(open_ & hold, middle, high)
        low = np.where(open_ & ~hold, middle, low)
    return high


def _two_qualities(producer_quality: float, consumer_quality: float, model: str) -> tuple[float, float]:
    good = number("producer_quality", producer_quality, at_least=0.0)
    bad = number("consumer_quality", consumer_quality, above=good)
    if model != "poisson" and bad >= 1:
        raise BadArgument("consumer_quality", f"must be less than 1; got {bad:g}")
    return good, bad


def _lot(model: str, lot_size: int | None) -> int | None:
    if lot_size is None and model != "hypergeometric":
        return None
    return whole_number("lot_size", lot_size, 1, LOT_MAXIMUM)


def _assumptions(model: str, bad: float, lot: int | None) -> tuple[str, ...]:
    if model == "hypergeometric" and lot is not None and bad:
        balls = _whole_balls(0.0, bad, lot)[1]
        return (f"in a lot of {lot}, {balls} nonconforming balls or more count as the consumer's quality",)
    if model == "poisson":
        return ("nonconformities occur singly and independently; a ball may have several",)
    return ("the sample is small against the lot, or the lot is one of a steady series",)
