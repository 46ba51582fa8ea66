"""Sampling by variables: k-method plans for normal data, designed from two points: no table of a standard."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from ballgauge_schemas.shared.limits import CONSUMER_RISK, PRODUCER_RISK
from ballgauge_service.lot.statistics.basics import (
    BadArgument,
    FloatArray,
    SampleSummary,
    limits,
    number,
    numbers,
    probability,
    whole_number,
)
from ballgauge_service.lot.statistics.nonconforming import estimated_fraction_outside

LARGEST_SAMPLE = 100_000


@dataclass(frozen=True, slots=True)
class VariablesPlan:
    """A plan for one measured quantity.

    Accept when the quality statistic, (mean - lower)/s or (upper - mean)/s, is at least
    `acceptability_constant`; for two limits when the estimated fraction outside them is at most
    `maximum_fraction`. `producer_risk` and `consumer_risk` are those the plan really has.
    """

    sample_size: int
    acceptability_constant: float
    maximum_fraction: float
    sigma_known: bool
    producer_quality: float
    producer_risk: float
    consumer_quality: float
    consumer_risk: float
    assumptions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class VariablesDecision:
    """A lot judged by a variables plan. Fractions are of the lot; a statistic without its limit is None."""

    outcome: str
    quality_lower: float | None
    quality_upper: float | None
    fraction_below: float | None
    fraction_above: float | None
    fraction_outside: float
    acceptability_constant: float
    maximum_fraction: float
    message: str


def variables_plan(
    producer_quality: float,
    consumer_quality: float,
    *,
    producer_risk: float = PRODUCER_RISK,
    consumer_risk: float = CONSUMER_RISK,
    sigma_known: bool = False,
) -> VariablesPlan:
    """Return the k-method plan with the smallest sample that keeps both risks for one limit.

    Parameters
    ----------
    producer_quality, consumer_quality : nonconforming fractions, the first smaller
    producer_risk, consumer_risk : largest probabilities of rejecting the first and accepting the second
    sigma_known : the process standard deviation is known; otherwise the sample's is used

    Returns
    -------
    VariablesPlan

    Raises
    ------
    BadArgument
        Naming the argument, also where the qualities are too close together.

    Notes
    -----
    Sigma unknown: sqrt(n) k lies between the consumer's quantile and the producer's of the noncentral t
    with n - 1 degrees of freedom and noncentrality sqrt(n) z(1-p); the middle of the two is taken. Sigma
    known: the same with the normal distribution.

    References
    ----------
    Lieberman and Resnikoff, Journal of the American Statistical Association 50, 1955, from memory.
    """
    good = probability("producer_quality", producer_quality)
    bad = number("consumer_quality", consumer_quality, above=good, below=1.0)
    alpha, beta = probability("producer_risk", producer_risk), probability("consumer_risk", consumer_risk)
    if alpha + beta >= 1:
        raise BadArgument("producer_risk", "and consumer_risk must add up to less than 1")
    # The estimate of the fraction outside two limits needs three balls where sigma is unknown.
    low, high = (0, LARGEST_SAMPLE) if sigma_known else (2, LARGEST_SAMPLE)
    if not _meets(high, good, bad, alpha, beta, sigma_known):
        raise BadArgument("consumer_quality", f"is too close to the AQL for {LARGEST_SAMPLE} balls")
    while high - low > 1:
        middle = (low + high) // 2
        meets = _meets(middle, good, bad, alpha, beta, sigma_known)
        low, high = (low, middle) if meets else (middle, high)
    size = high
    constant = sum(_constants(size, good, bad, alpha, beta, sigma_known)) / 2
    accepted = variables_acceptance_probability(size, constant, [good, bad], sigma_known=sigma_known)
    return VariablesPlan(
        size,
        constant,
        maximum_fraction(size, constant, sigma_known=sigma_known),
        bool(sigma_known),
        good,
        1 - float(accepted[0]),
        bad,
        float(accepted[1]),
        ("the quantity is normally distributed over the lot", "the risks hold for one limit"),
    )


def variables_acceptance_probability(
    sample_size: int, acceptability_constant: float, fraction: ArrayLike, *, sigma_known: bool = False
) -> FloatArray:
    """Return the probability that a k-method plan with one limit accepts at nonconforming fraction(s).

    Parameters
    ----------
    sample_size : int
    acceptability_constant : float
    fraction : array_like, strictly between 0 and 1
    sigma_known : bool

    Returns
    -------
    FloatArray

    Raises
    ------
    BadArgument

    Notes
    -----
    `fraction`: any shape, strictly between 0 and 1. P(T >= k sqrt(n)) for the noncentral t with n - 1
    degrees of freedom and noncentrality sqrt(n) z(1-p), or the normal equivalent for a known sigma.

    References
    ----------
    Lieberman and Resnikoff, 1955.
    """
    size = whole_number("sample_size", sample_size, 1 if sigma_known else 2)
    constant = number("acceptability_constant", acceptability_constant)
    quality = numbers("fraction", fraction)
    if not np.all((quality > 0) & (quality < 1)):
        raise BadArgument("fraction", "must be between 0 and 1")
    deviate, root = stats.norm.isf(quality), math.sqrt(size)
    if sigma_known:
        return np.asarray(stats.norm.cdf(root * (deviate - constant)), dtype=np.float64)
    return np.asarray(stats.nct.sf(constant * root, size - 1, root * deviate), dtype=np.float64)


def maximum_fraction(sample_size: int, acceptability_constant: float, *, sigma_known: bool = False) -> float:
    """Estimated fraction outside a limit at which the quality statistic equals the constant.

    Parameters
    ----------
    sample_size : int
    acceptability_constant : float
    sigma_known : bool

    Returns
    -------
    float, the M of the M-method; with one limit both methods decide alike

    Raises
    ------
    BadArgument naming `sample_size` or `acceptability_constant`

    References
    ----------
    Lieberman and Resnikoff, 1955.
    """
    constant = number("acceptability_constant", acceptability_constant)
    below, _ = estimated_fraction_outside(
        constant, 1.0, sample_size, lower=0.0, upper=None, sigma_known=sigma_known
    )
    return below


def judge_by_variables(
    plan: VariablesPlan,
    sample: SampleSummary,
    *,
    lower: float | None = None,
    upper: float | None = None,
    sigma: float | None = None,
) -> VariablesDecision:
    """Judge a lot by a variables plan.

    Parameters
    ----------
    plan : the plan; the sample must have its size
    sample : `summarize(values)` of the sample, in the unit of the limits
    lower, upper : limits, one or both
    sigma : process standard deviation, for plans with sigma known only

    Returns
    -------
    VariablesDecision

    Raises
    ------
    BadArgument

    Notes
    -----
    One limit: accept when the quality statistic is at least k. Two: accept when the estimated fraction
    outside both together is at most M.

    References
    ----------
    As `variables_plan`.
    """
    low, high = limits(lower, upper)
    if sample.count != plan.sample_size:
        raise BadArgument("sample", f"must have the plan's {plan.sample_size} balls; got {sample.count}")
    if plan.sigma_known != (sigma is not None):
        raise BadArgument("sigma", "must be given for a plan with sigma known, and for no other")
    spread = number(
        "sigma" if plan.sigma_known else "standard_deviation",
        sigma if plan.sigma_known else sample.standard_deviation,
        above=0.0,
    )
    below, above = estimated_fraction_outside(
        sample.mean, spread, sample.count, lower=low, upper=high, sigma_known=plan.sigma_known
    )
    statistic_lower = None if low is None else (sample.mean - low) / spread
    statistic_upper = None if high is None else (high - sample.mean) / spread
    if low is not None and high is not None:
        accepted = below + above <= plan.maximum_fraction
        message = f"estimated fraction outside {below + above:.3g} against {plan.maximum_fraction:.3g}"
    else:
        statistic = statistic_lower if statistic_lower is not None else statistic_upper
        accepted = statistic is not None and statistic >= plan.acceptability_constant
        message = f"quality statistic {statistic:.4g} against k = {plan.acceptability_constant:.4g}"
    return VariablesDecision(
        "conforming" if accepted else "nonconforming",
        statistic_lower,
        statistic_upper,
        None if low is None else below,
        None if high is None else above,
        below + above,
        plan.acceptability_constant,
        plan.maximum_fraction,
        message,
    )


def _constants(
    size: int, good: float, bad: float, alpha: float, beta: float, sigma_known: bool
) -> tuple[float, float]:
    """Return the largest constant the producer's risk allows and the smallest the consumer's does."""
    root = math.sqrt(size)
    deviate_good, deviate_bad = float(stats.norm.isf(good)), float(stats.norm.isf(bad))
    if sigma_known:
        return (
            deviate_good + float(stats.norm.ppf(alpha)) / root,
            deviate_bad + float(stats.norm.isf(beta)) / root,
        )
    return (
        float(stats.nct.ppf(alpha, size - 1, root * deviate_good)) / root,
        float(stats.nct.ppf(1 - beta, size - 1, root * deviate_bad)) / root,
    )


def _meets(size: int, good: float, bad: float, alpha: float, beta: float, sigma_known: bool) -> bool:
    largest, smallest = _constants(size, good, bad, alpha, beta, sigma_known)
    return largest >= smallest
