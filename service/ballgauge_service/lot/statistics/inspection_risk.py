"""What an inspection with an uncertain gauge lets through, and what it turns away."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from ballgauge_service.lot.statistics.basics import BadArgument, limits, number

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(12)
_REACH = 10
# Ours: standard deviations within which a normal distribution is added up.


@dataclass(frozen=True, slots=True)
class InspectionRisk:
    """Risks of judging one quantity, as fractions of all balls.

    `conforming`: balls that truly conform; `accepted`: balls accepted; `consumer_risk`: accepted though
    they do not
    conform; `producer_risk`: conform and not accepted. `process_deviation` is the spread of the true values.
    """

    uncertainty: float
    process_deviation: float
    conforming: float
    accepted: float
    consumer_risk: float
    producer_risk: float


def inspection_risk(
    mean: float,
    standard_deviation: float,
    uncertainty: float,
    *,
    lower: float | None = None,
    upper: float | None = None,
    guard: float = 0.0,
) -> InspectionRisk:
    """Global risks of accepting a ball whose reading lies within its limits.

    Parameters
    ----------
    mean, standard_deviation : of readings over the balls, in the readings' unit
    uncertainty : standard, of a reading
    lower, upper : limits, one or both
    guard : how far inside its limits a reading must lie to be accepted, in standard uncertainties

    Returns
    -------
    InspectionRisk

    Raises
    ------
    BadArgument
        Naming the argument; also where the readings spread no more than the gauge alone explains.

    Notes
    -----
    True values are normal with variance standard_deviation^2 - uncertainty^2, readings normal about them. The
    consumer's risk is the probability of a true value outside and a reading inside, the producer's of the
    opposite (JCGM 106:2012, 9.5, equations 15 to 18, from memory); the integrals over the true value are
    summed by Gauss nodes between points a standard deviation or uncertainty apart.
    """
    middle = number("mean", mean)
    unsure = number("uncertainty", uncertainty, above=0.0)
    spread = number("standard_deviation", standard_deviation, above=0.0)
    inside = number("guard", guard, at_least=0.0) * unsure
    low, high = limits(lower, upper)
    if spread <= unsure:
        raise BadArgument("uncertainty", "must be less than the spread of the readings")
    process = math.sqrt(spread**2 - unsure**2)
    steps = np.arange(-_REACH, _REACH + 1)
    marks = [middle + steps * process]
    for limit, side in ((low, 1), (high, -1)):
        if limit is not None:
            marks += [limit + steps * unsure, limit + side * inside + steps * unsure]
    edges = np.unique(np.clip(np.concatenate(marks), marks[0][0], marks[0][-1]))
    half = np.diff(edges)[:, None] / 2
    true = edges[:-1, None] + half * (1 + _NODES)
    weight = half * _WEIGHTS * stats.norm.pdf(true, middle, process)
    accepted = np.ones_like(true)
    conforms = np.ones(true.shape, dtype=np.bool_)
    if high is not None:
        accepted = stats.norm.cdf((high - inside - true) / unsure)
        conforms &= true <= high
    if low is not None:
        accepted = accepted - stats.norm.cdf((low + inside - true) / unsure)
        conforms &= true >= low
    accepted = np.maximum(accepted, 0.0)
    return InspectionRisk(
        unsure,
        process,
        float(np.sum(weight * conforms)),
        float(np.sum(weight * accepted)),
        float(np.sum(weight * accepted * ~conforms)),
        float(np.sum(weight * (1 - accepted) * conforms)),
    )


def joint_risk(each: Sequence[InspectionRisk]) -> tuple[float, float]:
    """Join the risks of several quantities.

    Parameters
    ----------
    each : sequence of InspectionRisk, of quantities that vary independently of each other

    Returns
    -------
    consumer, producer : float, the risks of judging by all of them
    """
    accepted = math.prod(risk.accepted for risk in each)
    conforming = math.prod(risk.conforming for risk in each)
    both = math.prod(max(risk.conforming - risk.producer_risk, 0.0) for risk in each)
    return max(accepted - both, 0.0), max(conforming - both, 0.0)
