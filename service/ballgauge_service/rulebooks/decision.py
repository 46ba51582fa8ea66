"""Decision rules: from a value, its standard uncertainty and a limit to a verdict.

Source: JCGM 106:2012, *The role of measurement uncertainty in conformity assessment*: probability of
conformity for a normal distribution (7.2 to 7.4), simple acceptance (8.2), guarded acceptance and guarded
rejection (8.3). Section numbers from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from ballgauge_schemas.shared.limits import RISK
from ballgauge_schemas.shared.words import DECISION_RULES, OUTCOMES, DecisionRule

CONFORMING, NOT_ASSESSED, INCONCLUSIVE, NONCONFORMING = range(len(OUTCOMES))
"""The codes of the outcomes, their positions in OUTCOMES: a greater code is worse."""

NOT_JUDGED = -1
"""The code of a rule that gives no finding on a ball."""


@dataclass(frozen=True, slots=True)
class Decision:
    """How a value with uncertainty is judged.

    `simple`: by the value alone. `guarded`: conforming if the probability of conformity is at least
    1 - `risk`, nonconforming if it is at most `risk`, inconclusive between. `risk` is the greatest accepted
    probability of a wrong verdict, above 0 and below 0.5.

    Raises ValueError on any other rule or risk.
    """

    rule: DecisionRule = "simple"
    risk: float = RISK

    def __post_init__(self) -> None:
        if self.rule not in DECISION_RULES:
            raise ValueError(f"decision rule must be simple or guarded; got {self.rule!r}")
        if not 0.0 < self.risk < 0.5:
            raise ValueError(f"risk must be above 0 and below 0.5; got {self.risk!r}")


def conformity_probability(value: float, uncertainty: float, minimum: float, maximum: float) -> float:
    """The probability that the true value lies within the limits, given a normal distribution about `value`.

    Parameters
    ----------
    value, uncertainty : value and its standard uncertainty, in one unit; an uncertainty of 0 or NaN is exact
    minimum, maximum : the limits, in the same unit; infinite: open

    Returns
    -------
    probability [0..1]; NaN where the value or a limit is NaN. p = F((max - value)/u) - F((min - value)/u),
    with F the standard normal distribution function (JCGM 106:2012, 7.2).
    """
    if value != value or minimum != minimum or maximum != maximum:
        return math.nan
    if not uncertainty > 0.0:
        return 1.0 if minimum <= value <= maximum else 0.0
    low, high = (minimum - value) / uncertainty, (maximum - value) / uncertainty
    # Above the mean the lower tails round to 1: mirror, so that the small upper tails are subtracted instead.
    if low > 0.0:
        low, high = -high, -low
    half = -math.sqrt(0.5)
    return max(0.5 * math.erfc(high * half) - 0.5 * math.erfc(low * half), 0.0)


def grade(probability: float, risk: float) -> int:
    """The guarded verdict of a probability of conformity (JCGM 106:2012, 8.3): an outcome code.

    NaN gives not_assessed.
    """
    if probability != probability:
        return NOT_ASSESSED
    if probability >= 1.0 - risk:
        return CONFORMING
    return NONCONFORMING if probability <= risk else INCONCLUSIVE
