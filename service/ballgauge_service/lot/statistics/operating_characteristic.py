"""What an attributes plan does at each quality: acceptance, outgoing quality and inspection effort.

Three models. `hypergeometric`: a sample from one lot of known size (exact). `binomial`: a sample from a long
series of balls with a steady nonconforming fraction. `poisson`: nonconformities per ball, which may exceed 1.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, stats

from ballgauge_schemas.shared.limits import LOT_MAXIMUM
from ballgauge_schemas.shared.words import MODELS
from ballgauge_service.lot.statistics.basics import (
    LARGEST_COUNT,
    BadArgument,
    FloatArray,
    numbers,
    one_of,
    probability,
    whole_number,
)


@dataclass(frozen=True, slots=True)
class OperatingCharacteristic:
    """Curves of a plan over quality, each a tuple of one length.

    `fraction` is the nonconforming fraction of what comes in (nonconformities per ball for `poisson`),
    `acceptance` the probability of acceptance, `average_outgoing_quality` the fraction left after screening
    rejected lots, `average_total_inspection` balls inspected a lot (None without a lot size).
    `average_outgoing_quality_limit` is the largest outgoing fraction, reached at `limit_fraction`.
    `curve_type` is `A` or `B`, see `curve_type`.
    """

    sample_size: int
    acceptance_number: int
    model: str
    lot_size: int | None
    fraction: tuple[float, ...]
    acceptance: tuple[float, ...]
    average_outgoing_quality: tuple[float, ...]
    average_total_inspection: tuple[float, ...] | None
    average_outgoing_quality_limit: float
    limit_fraction: float
    assumptions: tuple[str, ...]
    curve_type: str


def curve_type(model: str) -> str:
    """Whose risk a curve tells.

    Parameters
    ----------
    model : str, `hypergeometric` or another

    Returns
    -------
    str: `A`, of one lot of known size; `B`, of lots from a steady process

    References
    ----------
    ISO 3534-2:2006, 4.6.8 and 4.6.9, from memory.
    """
    return "A" if model == "hypergeometric" else "B"


def acceptance_probability(
    sample_size: ArrayLike,
    acceptance_number: ArrayLike,
    fraction: ArrayLike,
    *,
    model: str = "binomial",
    lot_size: int | None = None,
) -> FloatArray:
    """Return the probability that a lot is accepted, P(count <= acceptance number).

    Parameters
    ----------
    sample_size, acceptance_number : whole numbers, any shapes that broadcast
    fraction : nonconforming fraction, 0 to 1 (for `poisson`: nonconformities per ball, 0 or more)
    model : `hypergeometric`, `binomial` or `poisson`
    lot_size : balls in the lot; needed by `hypergeometric`. Where fraction * lot_size is no whole number of
        balls it takes lots of the two next to it, mixed so that fraction is their mean

    Returns
    -------
    FloatArray

    Raises
    ------
    BadArgument

    Notes
    -----
    Returns an array of the broadcast shape.

    References
    ----------
    The distributions of that name, scipy.stats.
    """
    one_of("model", model, MODELS)
    size, accept = _counts("sample_size", sample_size, 1), _counts("acceptance_number", acceptance_number, 0)
    quality = _quality(fraction, model)
    if model == "binomial":
        return np.asarray(stats.binom.cdf(accept, size, quality), dtype=np.float64)
    if model == "poisson":
        return np.asarray(stats.poisson.cdf(accept, size * quality), dtype=np.float64)
    lot = whole_number("lot_size", lot_size, 1, LOT_MAXIMUM)
    if np.any(size > lot):
        raise BadArgument("sample_size", f"must be at most lot_size ({lot})")
    below = np.floor(quality * lot)
    share = quality * lot - below
    fewer = hypergeometric_acceptance(size, accept, below, lot)
    more = hypergeometric_acceptance(size, accept, np.minimum(below + 1, lot), lot)
    return np.asarray(fewer + share * (more - fewer), dtype=np.float64)


def hypergeometric_acceptance(
    sample_size: ArrayLike, acceptance_number: ArrayLike, nonconforming: ArrayLike, lot_size: ArrayLike
) -> FloatArray:
    """Probability that a sample of a lot with `nonconforming` such balls is accepted.

    Counts that the sample cannot reach or must exceed are settled here: scipy's routine does not take
    them.

    Parameters
    ----------
    sample_size, acceptance_number, nonconforming, lot_size : array_like, which broadcast, unchecked

    Returns
    -------
    array of float, P(X <= acceptance number)
    """
    size, accept, bad, lot = np.broadcast_arrays(sample_size, acceptance_number, nonconforming, lot_size)
    least = np.maximum(0, size - (lot - bad))
    most = np.minimum(size, bad)
    inside = (accept >= least) & (accept < most)
    result = np.where(accept >= most, 1.0, 0.0)
    result[inside] = stats.hypergeom.cdf(accept[inside], lot[inside], bad[inside], size[inside])
    return np.asarray(result, dtype=np.float64)


def quality_at_acceptance(
    sample_size: int,
    acceptance_number: int,
    accepted: float,
    *,
    model: str = "binomial",
    lot_size: int | None = None,
) -> float:
    """Nonconforming fraction at which a plan accepts with a probability.

    Parameters
    ----------
    sample_size, acceptance_number : int
    accepted : float, the probability
    model : str
    lot_size : int or None

    Returns
    -------
    float, the nonconforming fraction; for `hypergeometric` the smallest of whole balls at which the plan
        accepts no oftener than that

    Raises
    ------
    ValueError naming the argument; also where the plan accepts everything

    References
    ----------
    Beta quantile (binomial), chi-square quantile (Poisson): Hald, Statistical Theory of Sampling
    Inspection by Attributes, 1981.
    """
    one_of("model", model, MODELS)
    size = whole_number("sample_size", sample_size, 1)
    accept = whole_number("acceptance_number", acceptance_number, 0)
    chance = probability("accepted", accepted)
    if model == "poisson":
        return float(stats.chi2.isf(chance, 2 * accept + 2) / (2 * size))
    if accept >= size:
        raise BadArgument("acceptance_number", f"must be less than sample_size ({size}); got {accept}")
    if model == "binomial":
        return float(stats.beta.isf(chance, accept + 1, size - accept))
    lot = whole_number("lot_size", lot_size, size, LOT_MAXIMUM)
    low, high = accept, lot
    while high - low > 1:
        middle = (low + high) // 2
        within = float(hypergeometric_acceptance(size, accept, middle, lot)) <= chance
        low, high = (low, middle) if within else (middle, high)
    return high / lot


def average_outgoing_quality(
    sample_size: int,
    acceptance_number: int,
    fraction: ArrayLike,
    *,
    model: str = "binomial",
    lot_size: int | None = None,
) -> FloatArray:
    """Return the average nonconforming fraction sent on when rejected lots are screened.

    Parameters
    ----------
    sample_size, acceptance_number : int
    fraction : array_like, nonconforming in the lots
    model : str
    lot_size : int or None, large against the sample

    Returns
    -------
    FloatArray

    Notes
    -----
    Nonconforming balls found are replaced by conforming ones. Without a lot size the lot is taken as large
    against the sample. For `hypergeometric` the nonconforming balls left in accepted lots are counted
    exactly: p (N - n)/N times the acceptance probability of one nonconforming ball fewer in a lot one ball
    smaller.

    References
    ----------
    Dodge and Romig, Sampling Inspection Tables, 1959 (the exact form: ours, an identity of the
    distribution).
    """
    one_of("model", model, MODELS)
    quality = _quality(fraction, model)
    size = whole_number("sample_size", sample_size, 1)
    if model == "hypergeometric":
        lot = whole_number("lot_size", lot_size, size, LOT_MAXIMUM)
        bad = np.rint(quality * lot)
        if lot == 1:
            return np.zeros_like(bad)
        accept = whole_number("acceptance_number", acceptance_number, 0)
        fewer = np.maximum(bad - 1, 0)
        smaller = min(size, lot - 1)
        kept = hypergeometric_acceptance(smaller, accept, fewer, lot - 1)
        return np.asarray(bad / lot * (lot - size) / lot * kept, dtype=np.float64)
    left = 1.0 if lot_size is None else 1 - size / whole_number("lot_size", lot_size, size, LOT_MAXIMUM)
    accepted = acceptance_probability(size, acceptance_number, quality, model=model)
    return np.asarray(accepted * quality * left, dtype=np.float64)


def average_total_inspection(
    sample_size: int,
    acceptance_number: int,
    fraction: ArrayLike,
    lot_size: int,
    *,
    model: str = "binomial",
) -> FloatArray:
    """Return the average number of balls inspected a lot, rejected lots screened: n + (1 - Pa)(N - n).

    Parameters
    ----------
    sample_size, acceptance_number : int
    fraction : array_like, nonconforming in the lots
    lot_size : int
    model : str

    Returns
    -------
    FloatArray

    References
    ----------
    Dodge and Romig, Sampling Inspection Tables, 1959.
    """
    size = whole_number("sample_size", sample_size, 1)
    lot = whole_number("lot_size", lot_size, size, LOT_MAXIMUM)
    accepted = acceptance_probability(size, acceptance_number, fraction, model=model, lot_size=lot)
    return np.asarray(size + (1 - accepted) * (lot - size), dtype=np.float64)


def operating_characteristic(
    sample_size: int,
    acceptance_number: int,
    *,
    model: str = "binomial",
    lot_size: int | None = None,
    points: int = 101,
) -> OperatingCharacteristic:
    """Return the curves of a plan from perfect quality to where it accepts once in a thousand lots.

    Parameters
    ----------
    sample_size, acceptance_number : the plan
    model, lot_size : see `acceptance_probability`
    points : points of the curves, 2 to 10,000 (fewer for `hypergeometric` where a lot has fewer whole balls)

    Returns
    -------
    OperatingCharacteristic

    Raises
    ------
    BadArgument
    """
    one_of("model", model, MODELS)
    size = whole_number("sample_size", sample_size, 1)
    accept = whole_number("acceptance_number", acceptance_number, 0)
    count = whole_number("points", points, 2, 10_000)
    lot = None if lot_size is None else whole_number("lot_size", lot_size, size, LOT_MAXIMUM)
    if model == "hypergeometric" and lot is None:
        raise BadArgument("lot_size", "must be given for the hypergeometric model")
    last = _last_fraction(size, accept, model, lot)
    fraction = np.linspace(0.0, last, count)
    if model == "hypergeometric" and lot is not None:
        fraction = np.unique(np.rint(fraction * lot)) / lot
    acceptance = acceptance_probability(size, accept, fraction, model=model, lot_size=lot)
    outgoing = average_outgoing_quality(size, accept, fraction, model=model, lot_size=lot)
    limit, at = average_outgoing_quality_limit(size, accept, model=model, lot_size=lot)
    total = None if lot is None else average_total_inspection(size, accept, fraction, lot, model=model)
    return OperatingCharacteristic(
        size,
        accept,
        model,
        lot,
        tuple(fraction.tolist()),
        tuple(acceptance.tolist()),
        tuple(outgoing.tolist()),
        None if total is None else tuple(total.tolist()),
        limit,
        at,
        ("rejected lots are inspected ball by ball and nonconforming balls replaced by conforming ones",),
        curve_type(model),
    )


def average_outgoing_quality_limit(
    sample_size: int, acceptance_number: int, *, model: str = "binomial", lot_size: int | None = None
) -> tuple[float, float]:
    """Largest average outgoing quality.

    Parameters
    ----------
    sample_size, acceptance_number, model, lot_size : as in `average_outgoing_quality`

    Returns
    -------
    limit, fraction : float, the largest average outgoing quality and the incoming fraction where it is
        reached

    Raises
    ------
    ValueError naming the argument

    References
    ----------
    Dodge and Romig, Sampling Inspection Tables, 1959.
    """
    one_of("model", model, MODELS)
    whole_number("sample_size", sample_size, 1)
    whole_number("acceptance_number", acceptance_number, 0)

    def outgoing(fraction: ArrayLike) -> FloatArray:
        return average_outgoing_quality(
            sample_size, acceptance_number, fraction, model=model, lot_size=lot_size
        )

    grid = np.linspace(0.0, _last_fraction(sample_size, acceptance_number, model, lot_size), 801)
    best = int(np.argmax(outgoing(grid)))
    low, high = float(grid[max(best - 1, 0)]), float(grid[min(best + 1, 800)])
    if model == "hypergeometric" and lot_size is not None:
        return _whole_ball_limit(outgoing, low * lot_size, high * lot_size, lot_size)
    found = optimize.minimize_scalar(
        lambda fraction: -float(outgoing(fraction)),
        bounds=(low, high),
        method="bounded",
        options={"xatol": 1e-12},
    )
    at = max((float(found.x), low, high), key=lambda fraction: float(outgoing(fraction)))
    return float(outgoing(at)), at


def _whole_ball_limit(
    outgoing: Callable[[ArrayLike], FloatArray], low: float, high: float, lot_size: int
) -> tuple[float, float]:
    while True:
        whole = np.unique(np.clip(np.rint(np.linspace(low, high, 801)), 0, lot_size))
        quality = outgoing(whole / lot_size)
        best = int(np.argmax(quality))
        if high - low <= 800:
            return float(quality[best]), float(whole[best] / lot_size)
        low, high = float(whole[max(best - 1, 0)]), float(whole[min(best + 1, whole.size - 1)])


def _last_fraction(size: int, accept: int, model: str, lot: int | None) -> float:
    if model != "poisson" and accept >= size:
        return 1.0
    return quality_at_acceptance(size, accept, 0.001, model=model, lot_size=lot)


def _counts(name: str, values: ArrayLike, minimum: int) -> FloatArray:
    counts = numbers(name, values)
    if not np.all((counts >= minimum) & (counts <= LARGEST_COUNT) & (counts == np.floor(counts))):
        raise BadArgument(name, f"must be whole numbers of at least {minimum}")
    return counts


def _quality(fraction: ArrayLike, model: str) -> FloatArray:
    quality = numbers("fraction", fraction)
    most = np.inf if model == "poisson" else 1.0
    if not (np.isfinite(quality).all() and np.all(quality >= 0) and np.all(quality <= most)):
        raise BadArgument("fraction", "must be from 0 to 1" if most == 1 else "fraction must be 0 or more")
    return quality
