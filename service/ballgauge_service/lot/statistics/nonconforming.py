"""How much of a lot does not conform: exact bounds from counts, and estimates from measurements."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, stats

from ballgauge_schemas.shared.limits import CONFIDENCE, LOT_MAXIMUM
from ballgauge_service.lot.statistics.basics import (
    SAMPLED,
    SIDES,
    BadArgument,
    FloatArray,
    checked_summary,
    limits,
    number,
    one_of,
    probability,
    whole_number,
    whole_numbers,
)
from ballgauge_service.lot.statistics.operating_characteristic import hypergeometric_acceptance

MILLION = 1_000_000.0
# Beyond this many sigmas a normal fraction is below the smallest float.
LARGEST_DEVIATE = 40.0
# Beyond this the bound too lies more than LARGEST_DEVIATE sigmas away, for any sample and confidence.
LARGEST_STATISTIC = 1e20


@dataclass(frozen=True, slots=True)
class NonconformingFraction:
    """A nonconforming fraction from a count. Bounds are fractions at `confidence`.

    `lower` and `upper` are a two-sided interval, `upper_one_sided` the bound from above alone. The `lot_`
    bounds are for this lot of `lot_size` balls (exact, hypergeometric), in whole balls; None without a lot
    size.
    """

    count: int
    sample_size: int
    lot_size: int | None
    confidence: float
    fraction: float
    lower: float
    upper: float
    upper_one_sided: float
    lot_lower_balls: int | None
    lot_upper_balls: int | None
    lot_upper_balls_one_sided: int | None
    methods: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FractionOutside:
    """The fraction outside limits, estimated for normal data; fractions of the lot, per million likewise."""

    count: int
    mean: float
    standard_deviation: float
    lower: float | None
    upper: float | None
    confidence: float
    fraction_below: float
    fraction_above: float
    fraction: float
    upper_bound: float
    per_million: float
    upper_bound_per_million: float
    assumptions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class DefectsPerMillion:
    """Defects per million opportunities, with the exact two-sided interval and the one-sided upper bound."""

    defects: int
    balls: int
    opportunities: int
    confidence: float
    per_million: float
    lower: float
    upper: float
    upper_one_sided: float


def clopper_pearson(
    count: ArrayLike, sample_size: ArrayLike, *, confidence: float = CONFIDENCE, side: str = "two_sided"
) -> tuple[FloatArray, FloatArray]:
    """Return exact bounds (lower, upper) of a binomial fraction; arrays broadcast.

    Parameters
    ----------
    count : whole numbers, nonconforming balls found
    sample_size : whole numbers, balls looked at
    confidence : between 0 and 1
    side : `two_sided` shares the risk equally; `upper` and `lower` put it all on one side (the other bound
        is then 1 or 0)

    Returns
    -------
    tuple[FloatArray, FloatArray]

    Raises
    ------
    BadArgument

    Notes
    -----
    Beta quantiles: Clopper and Pearson, Biometrika 26, 1934.
    """
    found, size = np.broadcast_arrays(
        whole_numbers("count", count, 0), whole_numbers("sample_size", sample_size, 1)
    )
    if np.any(found > size):
        raise BadArgument("count", "must be at most sample_size")
    risk = _risk(confidence, side)
    lower, upper = np.zeros(found.shape), np.ones(found.shape)
    some, not_all = found > 0, found < size
    if side != "upper":
        lower[some] = stats.beta.ppf(risk, found[some], size[some] - found[some] + 1)
    if side != "lower":
        upper[not_all] = stats.beta.isf(risk, found[not_all] + 1, size[not_all] - found[not_all])
    return lower, upper


def hypergeometric_bounds(
    count: int, sample_size: int, lot_size: int, *, confidence: float = CONFIDENCE, side: str = "two_sided"
) -> tuple[int, int]:
    """Return exact bounds (lower, upper) of the nonconforming balls in a lot, from a sample of it.

    Parameters
    ----------
    count, sample_size, lot_size : whole numbers, count <= sample_size <= lot_size
    confidence, side : see `clopper_pearson`

    Returns
    -------
    tuple[int, int]

    Raises
    ------
    BadArgument

    Notes
    -----
    The upper bound is the largest number of nonconforming balls with P(X <= count) above the risk, the
    lower the smallest with P(X >= count) above it; bisection over whole balls.

    References
    ----------
    Buonaccorsi, The American Statistician 41, 1987, from memory.
    """
    lot = whole_number("lot_size", lot_size, 1, LOT_MAXIMUM)
    size = whole_number("sample_size", sample_size, 1, lot)
    found = whole_number("count", count, 0, size)
    risk = _risk(confidence, side)
    least, most = found, lot - (size - found)
    lower, upper = least, most
    if side != "lower":
        low, high = least, most + 1
        while high - low > 1:
            middle = (low + high) // 2
            likely = float(hypergeometric_acceptance(size, found, middle, lot)) > risk
            low, high = (middle, high) if likely else (low, middle)
        upper = low
    if side != "upper" and found > 0:
        low, high = least - 1, most
        while high - low > 1:
            middle = (low + high) // 2
            likely = 1 - float(hypergeometric_acceptance(size, found - 1, middle, lot)) > risk
            low, high = (low, middle) if likely else (middle, high)
        lower = high
    return (lower if side != "upper" else 0), (upper if side != "lower" else lot)


def nonconforming_fraction(
    count: int, sample_size: int, *, lot_size: int | None = None, confidence: float = CONFIDENCE
) -> NonconformingFraction:
    """State the nonconforming fraction with every bound; see `clopper_pearson`, `hypergeometric_bounds`.

    Parameters
    ----------
    count, sample_size : int
    lot_size : int or None, not known
    confidence : float

    Returns
    -------
    NonconformingFraction

    Raises
    ------
    ValueError naming the argument
    """
    size = whole_number("sample_size", sample_size, 1)
    found = whole_number("count", count, 0, size)
    lower, upper = clopper_pearson(found, size, confidence=confidence)
    _, one_sided = clopper_pearson(found, size, confidence=confidence, side="upper")
    methods = ["Clopper-Pearson bounds for the process that made the balls"]
    lot_lower = lot_upper = lot_one_sided = None
    if lot_size is not None:
        lot_lower, lot_upper = hypergeometric_bounds(found, size, lot_size, confidence=confidence)
        _, lot_one_sided = hypergeometric_bounds(found, size, lot_size, confidence=confidence, side="upper")
        methods.append("exact hypergeometric bounds for this lot")
    return NonconformingFraction(
        found,
        size,
        lot_size,
        float(confidence),
        found / size,
        float(lower),
        float(upper),
        float(one_sided),
        lot_lower,
        lot_upper,
        lot_one_sided,
        tuple(methods),
    )


def estimated_fraction_outside(
    mean: float,
    standard_deviation: float,
    count: int,
    *,
    lower: float | None,
    upper: float | None,
    sigma_known: bool = False,
) -> tuple[float, float]:
    """Return the minimum-variance unbiased estimates of the fractions below `lower` and above `upper`.

    Parameters
    ----------
    mean, standard_deviation : of the sample (or the known sigma), in the unit of the limits
    count : balls in the sample, at least 3 (2 where sigma is known)
    lower, upper : limits; a missing one gives 0

    Returns
    -------
    tuple[float, float]

    Raises
    ------
    BadArgument

    Notes
    -----
    Sigma unknown: the beta distribution with both parameters n/2 - 1 at 1/2 - Q sqrt(n)/(2 (n - 1)); sigma
    known: the normal distribution at -Q sqrt(n/(n - 1)).

    References
    ----------
    Lieberman and Resnikoff, Journal of the American Statistical Association 50, 1955.
    """
    low, high = limits(lower, upper)
    size = whole_number("count", count, 1 if sigma_known else 3)
    center = number("mean", mean)
    spread = number("standard_deviation", standard_deviation, above=0.0)

    def estimate(statistic: float) -> float:
        if sigma_known:
            # One ball with a known sigma: the estimate steps from 0 to 1 at the limit.
            scale = math.sqrt(size / (size - 1)) if size > 1 else math.inf
            return float(stats.norm.sf(statistic * scale)) if statistic else 0.5
        place = 0.5 - statistic * math.sqrt(size) / (2 * (size - 1))
        return float(stats.beta.cdf(min(max(place, 0.0), 1.0), size / 2 - 1, size / 2 - 1))

    below = 0.0 if low is None else estimate((center - low) / spread)
    above = 0.0 if high is None else estimate((high - center) / spread)
    return below, above


def fraction_outside(
    count: int,
    mean: float,
    standard_deviation: float,
    *,
    lower: float | None = None,
    upper: float | None = None,
    confidence: float = CONFIDENCE,
) -> FractionOutside:
    """Estimate the fraction outside limits for normal data, with an upper confidence bound.

    Parameters
    ----------
    count, mean, standard_deviation : of the sample (`summarize`), count >= 3, in the unit of the limits
    lower, upper : limits, one or both
    confidence : of the bound

    Returns
    -------
    FractionOutside

    Raises
    ------
    BadArgument

    Notes
    -----
    The estimate is that of `estimated_fraction_outside`. The bound for one limit is exact, from the
    noncentral t (Owen, SIAM Review 10, 1968, from memory); for two limits each side's bound takes half the
    risk and the two are added, which is safe and a little wide.
    """
    low, high = limits(lower, upper)
    size, center, spread = checked_summary(count, mean, standard_deviation)
    risk = 1 - probability("confidence", confidence)
    below, above = estimated_fraction_outside(center, spread, size, lower=low, upper=high)
    statistics = [
        *([] if low is None else [(center - low) / spread]),
        *([] if high is None else [(high - center) / spread]),
    ]
    bound = min(sum(_upper_fraction(value, size, risk / len(statistics)) for value in statistics), 1.0)
    assumptions = [*SAMPLED]
    if len(statistics) == 2:
        assumptions.append("the bound adds one bound a limit, each at half the risk")
    return FractionOutside(
        size,
        center,
        spread,
        low,
        high,
        float(confidence),
        below,
        above,
        below + above,
        bound,
        (below + above) * MILLION,
        bound * MILLION,
        tuple(assumptions),
    )


def defects_per_million(
    defects: int, balls: int, *, opportunities: int = 1, confidence: float = CONFIDENCE
) -> DefectsPerMillion:
    """State defects per million opportunities (DPMO).

    Parameters
    ----------
    defects : whole number found
    balls : whole number looked at
    opportunities : characteristics judged on each ball; each is one chance of one defect

    Returns
    -------
    DefectsPerMillion

    Raises
    ------
    BadArgument

    Notes
    -----
    Bounds as `clopper_pearson` over balls * opportunities.
    """
    looked = whole_number("balls", balls, 1)
    chances = looked * whole_number("opportunities", opportunities, 1)
    found = whole_number("defects", defects, 0, chances)
    lower, upper = clopper_pearson(found, chances, confidence=confidence)
    _, one_sided = clopper_pearson(found, chances, confidence=confidence, side="upper")
    scaled = (found / chances, float(lower), float(upper), float(one_sided))
    return DefectsPerMillion(
        found, looked, int(opportunities), float(confidence), *(value * MILLION for value in scaled)
    )


def _risk(confidence: float, side: str) -> float:
    risk = 1 - probability("confidence", confidence)
    return risk / 2 if one_of("side", side, SIDES) == "two_sided" else risk


def _upper_fraction(statistic: float, count: int, risk: float) -> float:
    """Return the fraction beyond a limit at the lower confidence bound of the true (mean - limit)/sigma."""
    if statistic < -LARGEST_DEVIATE:
        return 1.0
    if statistic > LARGEST_STATISTIC:
        return 0.0
    root, freedom = math.sqrt(count), count - 1
    observed = root * statistic

    def excess(deviate: float) -> float:
        return float(stats.nct.sf(observed, freedom, root * deviate)) - risk

    width = math.sqrt(1 / count + statistic**2 / (2 * freedom))
    low = high = statistic - float(stats.norm.isf(risk)) * width
    if low > LARGEST_DEVIATE:
        return 0.0
    while excess(low) > 0:
        low, width = low - width, 2 * width
    while excess(high) < 0:
        high, width = high + width, 2 * width
    deviate = low if low == high else float(optimize.brentq(excess, low, high, xtol=1e-12))
    return float(stats.norm.sf(deviate))
