"""The governing body's two rules on samples: oil absorption time and surface roughness.

The limits are arguments: they live in the rulebook data. What a rule's text says and what the sample proves
statistically are reported apart.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from ballgauge_schemas.shared.limits import CONFIDENCE
from ballgauge_schemas.shared.words import WORST_FIRST
from ballgauge_service.lot.statistics.basics import (
    BadArgument,
    number,
    probability,
    readings,
    summarize,
    whole_number,
)
from ballgauge_service.lot.statistics.nonconforming import clopper_pearson
from ballgauge_service.lot.statistics.tolerance import one_sided_factor

# Ours: no ball weighs more, lb; and no practical test takes more balls.
HEAVIEST = 100.0
LARGEST_FURTHER_SAMPLE = 1_000_000


@dataclass(frozen=True, slots=True)
class FurtherBalls:
    """How many more balls would settle a criterion; None where no practical number would."""

    criterion: str
    met: bool
    further_balls: int | None
    message: str


@dataclass(frozen=True, slots=True)
class OilAbsorptionResult:
    """Oil absorption of a sample: times in seconds, rates as fractions, bounds one-sided at `confidence`."""

    outcome: str
    count: int
    under_limit: tuple[int, ...]
    nonconformance_rate: float | None
    rate_lower_bound: float | None
    rate_upper_bound: float | None
    average: float | None
    average_lower_bound: float | None
    further_balls_required: bool
    settles: tuple[FurtherBalls, ...]
    confidence: float
    message: str


@dataclass(frozen=True, slots=True)
class RoughnessClass:
    """Surface roughness of one weight class (whole pounds); roughness in µin."""

    weight_class: int
    outcome: str
    count: int
    over_limit: tuple[int, ...]
    largest: float
    average: float
    average_upper_bound: float | None
    from_threshold: tuple[int, ...]
    further_balls: int
    message: str


@dataclass(frozen=True, slots=True)
class RoughnessResult:
    """Surface roughness of a sample by weight class; `not_bound` are balls too light for the rule."""

    outcome: str
    count: int
    classes: tuple[RoughnessClass, ...]
    not_bound: tuple[int, ...]
    confidence: float
    message: str


def oil_absorption_rule(
    times: ArrayLike,
    *,
    single_minimum: float,
    maximum_rate: float,
    average_minimum: float,
    confidence: float = CONFIDENCE,
) -> OilAbsorptionResult:
    """Judge the oil absorption times of a sample of one model.

    Parameters
    ----------
    times : (n,) seconds; none at all gives `not_assessed`
    single_minimum : no sample may be under it, s
    maximum_rate : largest non-conformance rate, a fraction
    average_minimum : an average under it calls for more balls, s
    confidence : of the one-sided bounds and of every criterion in `settles`

    Returns
    -------
    OilAbsorptionResult

    Raises
    ------
    BadArgument

    Notes
    -----
    Outcome: `nonconforming` where any ball is under the single limit; `inconclusive` where the average is
    under the second limit and the rate is not yet proven; `conforming` otherwise. Three criteria say what
    would settle it (ours): `rate_by_count`, no further ball under the limit until the Clopper-Pearson upper
    bound is at most the rate; `rate_by_measurement`, the mean less k standard deviations stays above the
    single limit, k the exact one-sided tolerance factor for 1 - rate (normal data, mean and spread as now);
    `average`, the lower confidence bound of the mean (Student's t) clears the second limit, mean and spread
    as now. The rule: see the rulebook's sample rules.
    """
    single = number("single_minimum", single_minimum, above=0.0)
    second = number("average_minimum", average_minimum, above=0.0)
    rate, sure = probability("maximum_rate", maximum_rate), probability("confidence", confidence)
    array = readings("times", times, minimum_count=0)
    if array.size == 0:
        return OilAbsorptionResult(
            "not_assessed", 0, (), None, None, None, None, None, False, (), sure, "no oil absorption times"
        )
    under = tuple(np.flatnonzero(array < single).tolist())
    count, found = array.size, len(under)
    lower, _ = clopper_pearson(found, count, confidence=sure, side="lower")
    _, upper = clopper_pearson(found, count, confidence=sure, side="upper")
    average = math.fsum(array.tolist()) / count
    settles = _settling(array, found, single, rate, second, sure)
    required = average < second
    outcome = "nonconforming" if found else "conforming"
    if required and not found and not settles[0].met:
        outcome = "inconclusive"
    bound = _mean_bound(array, sure)
    return OilAbsorptionResult(
        outcome,
        count,
        under,
        found / count,
        float(lower),
        float(upper),
        average,
        None if bound is None else average - bound,
        required,
        settles,
        sure,
        _oil_message(outcome, found, count, average, second, single),
    )


def roughness_rule(
    roughness: ArrayLike,
    weight: ArrayLike,
    *,
    single_maximum: float,
    average_maximum: float,
    threshold: float,
    further_balls: int,
    minimum_weight: float,
    confidence: float = CONFIDENCE,
) -> RoughnessResult:
    """Judge the surface roughness of a sample, weight class by weight class.

    Parameters
    ----------
    roughness : (n,) Ra in µin
    weight : (n,) lb; the class is the nearest whole pound (ours)
    single_maximum : no ball over it, µin
    average_maximum : largest average of a weight class, µin
    threshold : a ball at or over it calls for `further_balls` further balls of its class, µin
    minimum_weight : lighter balls are not bound, lb
    confidence : of the upper bound of the class average

    Returns
    -------
    RoughnessResult

    Raises
    ------
    BadArgument

    Notes
    -----
    A class is `nonconforming` where a ball is over the single limit or the average over its own;
    `inconclusive` where a ball is at the threshold and the class has not yet one ball and `further_balls`
    more (ours); `conforming` otherwise. No bound ball at all: `not_assessed`. The rule: see the rulebook's
    sample rules.
    """
    array = readings("roughness", roughness, minimum_count=0)
    pounds = readings("weight", weight, minimum_count=0)
    if array.shape != pounds.shape:
        raise BadArgument("weight", f"must be one a roughness reading: {array.size}; got {pounds.size}")
    if np.any((pounds < 0) | (pounds > HEAVIEST)):
        raise BadArgument("weight", f"must be from 0 to {HEAVIEST:g} lb")
    single = number("single_maximum", single_maximum, above=0.0)
    most = number("average_maximum", average_maximum, above=0.0)
    start = number("threshold", threshold, above=0.0)
    further = whole_number("further_balls", further_balls, 0)
    sure = probability("confidence", confidence)
    bound = pounds >= number("minimum_weight", minimum_weight, at_least=0.0)
    weight_class = np.floor(pounds + 0.5).astype(np.int64)
    classes = tuple(
        _roughness_class(
            int(pound),
            np.flatnonzero(bound & (weight_class == pound)),
            array,
            single,
            most,
            start,
            further,
            sure,
        )
        for pound in np.unique(weight_class[bound])
    )
    outcomes = [item.outcome for item in classes] or ["not_assessed"]
    outcome = min(outcomes, key=WORST_FIRST.index)
    message = "; ".join(item.message for item in classes) or "no ball that the rule binds was measured"
    return RoughnessResult(
        outcome, array.size, classes, tuple(np.flatnonzero(~bound).tolist()), sure, message
    )


def further_balls_for_rate(count: int, found: int, maximum_rate: float, confidence: float) -> int | None:
    """Return how many further balls, all conforming, bring the Clopper-Pearson upper bound to the rate.

    Parameters
    ----------
    count, found : int, balls so far and the nonconforming of them
    maximum_rate, confidence : float

    Returns
    -------
    int | None

    Raises
    ------
    BadArgument

    Notes
    -----
    `count` balls so far with `found` nonconforming; None past a million.

    References
    ----------
    Clopper and Pearson, 1934.
    """
    size = whole_number("count", count, 1)
    bad = whole_number("found", found, 0, size)
    rate, sure = probability("maximum_rate", maximum_rate), probability("confidence", confidence)

    def proven(total: int) -> bool:
        return bool(stats.binom.cdf(bad, total, rate) <= 1 - sure)

    return _smallest(size, proven)


def _settling(
    array: np.ndarray, found: int, single: float, rate: float, second: float, sure: float
) -> tuple[FurtherBalls, ...]:
    count = array.size
    rate_by_count = _criterion(
        "rate_by_count",
        further_balls_for_rate(count, found, rate, sure),
        f"a rate of at most {rate:.3g} at {sure:.3g} confidence",
        "none of them under the limit",
    )
    if count < 2 or (summary := summarize(array)).standard_deviation == 0:
        reason = "needs at least two different times"
        return (
            rate_by_count,
            FurtherBalls("rate_by_measurement", False, None, reason),
            FurtherBalls("average", False, None, reason),
        )
    mean, spread = summary.mean, summary.standard_deviation

    def rate_shown(total: int) -> bool:
        return mean - one_sided_factor(total, 1 - rate, sure) * spread >= single

    def average_shown(total: int) -> bool:
        return mean - float(stats.t.ppf(sure, total - 1)) * spread / math.sqrt(total) >= second

    # However many balls are added, the bound tends to the mean less z spreads: past it nothing is reached.
    reachable = mean - float(stats.norm.ppf(1 - rate)) * spread > single
    condition = f"if mean {mean:.4g} s and standard deviation {spread:.3g} s stay"
    return (
        rate_by_count,
        _criterion(
            "rate_by_measurement",
            _smallest(count, rate_shown) if reachable else None,
            f"a rate of at most {rate:.3g} at {sure:.3g} confidence for normal data",
            condition,
        ),
        _criterion(
            "average",
            _smallest(count, average_shown) if mean > second else None,
            f"an average of at least {second:.4g} s at {sure:.3g} confidence",
            condition,
        ),
    )


def _smallest(count: int, shown: Callable[[int], bool]) -> int | None:
    """Return the fewest further balls with `shown(count + further)`, doubling then bisecting."""
    if shown(count):
        return 0
    step = 1
    while not shown(count + step):
        step *= 2
        if step > LARGEST_FURTHER_SAMPLE:
            return None
    low, high = step // 2, step
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if shown(count + middle) else (middle, high)
    return high


def _criterion(name: str, further: int | None, what: str, condition: str) -> FurtherBalls:
    if further is None:
        return FurtherBalls(name, False, None, f"{what}: no practical number of balls shows it, {condition}")
    message = f"{what}: shown already" if further == 0 else f"{what}: {further} further balls, {condition}"
    return FurtherBalls(name, further == 0, further, message)


def _mean_bound(array: np.ndarray, sure: float) -> float | None:
    """Return how far the one-sided confidence bound lies from the mean; None for a single ball."""
    if array.size < 2:
        return None
    spread = summarize(array).standard_deviation
    return float(stats.t.ppf(sure, array.size - 1)) * spread / math.sqrt(array.size)


def _oil_message(outcome: str, found: int, count: int, average: float, second: float, single: float) -> str:
    if outcome == "nonconforming":
        return f"{found} of {count} balls under {single:.4g} s"
    if outcome == "inconclusive":
        return (
            f"no ball under {single:.4g} s, but the average {average:.4g} s is under {second:.4g} s: "
            "more balls must be tested"
        )
    return f"no ball of {count} under {single:.4g} s; average {average:.4g} s"


def _roughness_class(
    pound: int,
    rows: np.ndarray,
    array: np.ndarray,
    single: float,
    most: float,
    start: float,
    further: int,
    sure: float,
) -> RoughnessClass:
    values = array[rows]
    over = tuple(rows[values > single].tolist())
    at_threshold = tuple(rows[values >= start].tolist())
    average = math.fsum(values.tolist()) / values.size
    wanted = max(further + 1 - values.size, 0) if at_threshold else 0
    reasons = []
    if over:
        reasons.append(f"{len(over)} over {single:g} µin")
    if average > most:
        reasons.append(f"average {average:.4g} µin over {most:g} µin")
    outcome = "nonconforming" if reasons else "inconclusive" if wanted else "conforming"
    if wanted:
        reasons.append(f"a ball at {start:g} µin or more: {wanted} further balls to measure")
    bound = _mean_bound(values, sure)
    return RoughnessClass(
        pound,
        outcome,
        values.size,
        over,
        float(values.max()),
        average,
        None if bound is None else average + bound,
        at_threshold,
        wanted,
        f"{pound} lb: " + ("; ".join(reasons) or f"average {average:.4g} µin of {values.size} balls"),
    )
