"""Decision rules: from a value, its standard uncertainty and a limit to a verdict.

Source: JCGM 106:2012, *The role of measurement uncertainty in conformity assessment*: probability of
conformity for a normal distribution (7.2 to 7.4), simple acceptance (8.2), guarded acceptance and guarded
rejection (8.3). Section numbers from memory.
"""

from __future__ import annotations

import importlib.util
import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas.shared.words import OUTCOMES as OUTCOMES

FloatArray = NDArray[np.float64]
CodeArray = NDArray[np.int8]

CONFORMING, NOT_ASSESSED, INCONCLUSIVE, NONCONFORMING = 0, 1, 2, 3
NOT_JUDGED = -1
"""Codes of the outcomes, positions in OUTCOMES: a greater code is worse."""

# Below this many values the loop over math.erfc costs less than importing and calling scipy (ours).
_FEW = 64


@dataclass(frozen=True, slots=True)
class Decision:
    """How a value with uncertainty is judged.

    `simple`: by the value alone. `guarded`: conforming if the probability of conformity is at least
    1 - `risk`, nonconforming if it is at most `risk`, inconclusive between. `risk` is the greatest accepted
    probability of a wrong verdict, above 0 and below 0.5.

    Raises ValueError on any other rule or risk.
    """

    rule: Literal["simple", "guarded"] = "simple"
    risk: float = 0.05

    def __post_init__(self) -> None:
        if self.rule not in ("simple", "guarded"):
            raise ValueError(f"decision rule must be simple or guarded; got {self.rule!r}")
        if not 0.0 < self.risk < 0.5:
            raise ValueError(f"risk must be above 0 and below 0.5; got {self.risk!r}")


def conformity_probability(
    value: FloatArray, uncertainty: FloatArray, minimum: FloatArray, maximum: FloatArray
) -> FloatArray:
    """The probability that the true value lies within the limits, given a normal distribution about `value`.

    Parameters
    ----------
    value, uncertainty : value and its standard uncertainty, in one unit; an uncertainty of 0 or NaN is exact
    minimum, maximum : the limits, in the same unit; infinite: open
        All four broadcast against one another.

    Returns
    -------
    probability [0..1]; NaN where the value or a limit is NaN. p = F((max - value)/u) - F((min - value)/u),
    with F the standard normal distribution function (JCGM 106:2012, 7.2).
    """
    exact = ~(uncertainty > 0.0)
    scale = np.where(exact, 1.0, uncertainty)
    with np.errstate(over="ignore"):
        low, high = np.broadcast_arrays((minimum - value) / scale, (maximum - value) / scale)
    # Above the mean the lower tails round to 1: mirror, so that the small upper tails are subtracted instead.
    above = low > 0.0
    probability = _normal(np.where(above, -low, high)) - _normal(np.where(above, -high, low))
    sure = np.where((value >= minimum) & (value <= maximum), 1.0, 0.0)
    known = ~(np.isnan(low) | np.isnan(high))
    return np.where(known, np.where(exact, sure, np.maximum(probability, 0.0)), np.nan)


def _normal(deviate: FloatArray) -> FloatArray:
    """The standard normal distribution function, elementwise."""
    if deviate.size < _FEW or importlib.util.find_spec("scipy") is None:
        scaled = (deviate * -math.sqrt(0.5)).ravel().tolist()
        return np.array([0.5 * math.erfc(x) for x in scaled]).reshape(deviate.shape)
    from scipy.special import ndtr

    result: FloatArray = ndtr(deviate)
    return result


def grade(probability: FloatArray, risk: float) -> CodeArray:
    """The guarded verdict of a probability of conformity (JCGM 106:2012, 8.3): outcome codes, same shape.

    NaN gives not_assessed.
    """
    codes = np.full(probability.shape, INCONCLUSIVE, dtype=np.int8)
    codes[probability >= 1.0 - risk] = CONFORMING
    codes[probability <= risk] = NONCONFORMING
    codes[np.isnan(probability)] = NOT_ASSESSED
    return codes


def overall(codes: CodeArray) -> CodeArray:
    """The worst outcome along the first axis: nonconforming, inconclusive, not_assessed, conforming.

    Parameters
    ----------
    codes : (rules, ...) outcome codes; -1 (not judged, or not counted) never decides

    Returns
    -------
    (...) codes; not_assessed where nothing is judged.
    """
    worst: CodeArray = codes.max(axis=0, initial=NOT_JUDGED)
    return np.where(worst == NOT_JUDGED, np.int8(NOT_ASSESSED), worst)
