"""The verdict on every ball of a chunk: overall outcome, the rule that decides it, margin and reason."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from ballgauge_service.lot.reading.columns import Balls, rule_columns
from ballgauge_service.rulebooks import OUTCOMES, Decision, Edition, judge_columns, reasons
from ballgauge_service.rulebooks.judge import SIDES

FloatArray = NDArray[np.float64]
CodeArray = NDArray[np.int8]


class Words(NamedTuple):
    """What a verdict says beside its number: its outcome, the rule that decides, its unit, and why."""

    outcome: str
    rule: str | None
    unit: str | None
    reason: str


@lru_cache(maxsize=64)
def words_of(edition: Edition) -> tuple[Words, ...]:
    """The words of every verdict that an edition can give, by `Verdicts.reason`."""
    ways = [
        (outcome, edition.rules[state.rule])
        for state in edition.regime.states
        for outcome in OUTCOMES
        for _ in range(SIDES)
    ]
    *told, nothing = reasons(edition)
    found = [Words(outcome, rule.id, rule.unit, why) for (outcome, rule), why in zip(ways, told, strict=True)]
    return (*found, Words("not_assessed", None, None, nothing))


@dataclass(frozen=True, slots=True)
class Verdicts:
    """Verdicts on n balls.

    `rows` (n,) in the file; `serial` Arrow strings or None; `outcome` (n,) codes, positions in OUTCOMES;
    `rule` (n,) position in `rules` of the rule that decides, -1 for none; `margin` (n,) to that rule's limit
    in its unit, NaN where there is none, and `nearness` (n,), the same in proportion to the limits; `reason`
    (n,) position in `words`; `by_rule` (rules, n) outcome codes, -1: not judged. `unknown` (n,): the rules
    that count and are not assessed, as bits; `held`: balls with a value by state of the rules. `rules` and
    `words` are the same for all chunks of an edition.
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
    words: tuple[Words, ...]

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
        words=words_of(edition),
    )
