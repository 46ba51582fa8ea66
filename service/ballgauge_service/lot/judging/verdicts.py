"""The verdict on every ball of a chunk: overall outcome, the rule that decides it, margin and reason."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from ballgauge_service.lot.reading.columns import Balls, rule_columns
from ballgauge_service.rulebooks import Decision, Edition, judge_columns, reasons

FloatArray = NDArray[np.float64]
CodeArray = NDArray[np.int8]


@dataclass(frozen=True, slots=True)
class Verdicts:
    """Verdicts on n balls.

    `rows` (n,) in the file; `serial` Arrow strings or None; `outcome` (n,) codes, positions in OUTCOMES;
    `rule` (n,) position in `rules` of the rule that decides, -1 for none; `margin` (n,) to that rule's limit
    in its unit, NaN where there is none, and `nearness` (n,), the same in proportion to the limits; `reason`
    (n,) position in `reasons`; `by_rule` (rules, n) outcome codes, -1: not judged. `unknown` (n,): the rules
    that count and are not assessed, as bits; `held`: balls with a value by state of the rules. `rules`,
    `units` and `reasons` are the same for all chunks of an edition.
    """

    rows: NDArray[np.int64]
    serial: pa.Array | None
    outcome: CodeArray
    rule: NDArray[np.int16]
    margin: FloatArray
    nearness: FloatArray
    reason: NDArray[np.int32]
    by_rule: CodeArray
    unknown: NDArray[np.int64]
    held: NDArray[np.int64]
    rules: tuple[str, ...]
    units: tuple[str | None, ...]
    reasons: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.rows)


def judge_balls(
    balls: Balls, edition: Edition, decision: Decision, uncertainties: Mapping[str, float] | None = None
) -> Verdicts:
    """Judge the balls of a chunk by every rule of an edition.

    uncertainties: standard uncertainty of a quantity in its trade unit, for balls that state none of their
    own; it decides only under the guarded rule.
    """
    columns = rule_columns(balls, uncertainties or {}, play=edition.stage == "play")
    found = judge_columns(edition, columns, balls.approved_on, decision)
    return Verdicts(
        rows=balls.rows,
        serial=balls.serial,
        outcome=found.overall,
        rule=found.decider,
        margin=found.margin,
        nearness=found.nearness,
        reason=found.reason,
        by_rule=found.outcome,
        unknown=found.unknown,
        held=found.held,
        rules=tuple(rule.id for rule in edition.rules),
        units=tuple(rule.unit for rule in edition.rules),
        reasons=reasons(edition),
    )
