"""The verdict on every ball of a chunk: overall outcome, the rule that decides it, its margin and the reason.

The rules, their limits and their dates come compiled from the rulebook (`Edition`, `Plan`). Values without
uncertainty, or under the simple decision rule, are compared with them here in one pass; guarded verdicts are
the rulebook's own `assess`, and the same pass finds what decides them.

Which rule decides (ours): of the rules with the worst outcome, the one with the smallest margin in proportion
to the width of its limits, or to the limit itself where only one side is limited; of rules that are not
assessed the first in the rulebook. The margin is told in the rule's unit, negative outside the limits.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from ballgauge_service.core.compiled import compiled
from ballgauge_service.lot.reading.columns import Balls, rule_columns
from ballgauge_service.rulebooks import OUTCOMES, Assessment, Column, Decision, Edition, assess
from ballgauge_service.rulebooks.decision import (
    INCONCLUSIVE,
    NONCONFORMING,
    NOT_ASSESSED,
    NOT_JUDGED,
    CodeArray,
)
from ballgauge_service.rulebooks.editions import APPROVED_ON, Plan, State, plan
from ballgauge_service.rulebooks.model import Limit, Rule
from ballgauge_service.rulebooks.wording import amount, column_words, limit_words

FloatArray = NDArray[np.float64]

# Balls judged at a time, so that their values stay in the processor's cache (ours, measured).
_PART = 4096
_SIDES = 4
_BELOW, _ABOVE, _NEAR_LOW, _NEAR_HIGH = range(_SIDES)


@dataclass(frozen=True, slots=True)
class Verdicts:
    """Verdicts on n balls.

    `rows` (n,) in the file; `serial` Arrow strings or None; `outcome` (n,) codes, positions in OUTCOMES;
    `rule` (n,) position in `rules` of the rule that decides, -1 for none; `margin` (n,) to that rule's limit
    in its unit, NaN where there is none; `reason` (n,) position in `reasons`; `by_rule` (rules, n) outcome
    codes, -1: not judged. `rules`, `units` and `reasons` are the same for all chunks of an edition.
    """

    rows: NDArray[np.int64]
    serial: pa.Array | None
    outcome: CodeArray
    rule: NDArray[np.int16]
    margin: FloatArray
    reason: NDArray[np.int32]
    by_rule: CodeArray
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
    return judge_columns(
        rule_columns(balls, uncertainties or {}),
        balls.approved_on,
        edition,
        decision,
        balls.rows,
        balls.serial,
    )


def judge_columns(
    columns: Mapping[str, Column],
    approved_on: NDArray[np.datetime64] | None,
    edition: Edition,
    decision: Decision,
    rows: NDArray[np.int64],
    serial: pa.Array | None = None,
) -> Verdicts:
    """Judge columns as `rulebooks.assess` takes them, without alternates; see `judge_balls`."""
    size = len(rows)
    steps = plan(edition.regime, frozenset(columns))
    uncertain = any(column.uncertainty is not None for column in columns.values())
    judged = (
        assess(edition, columns, approved_on, decision) if uncertain and decision.rule == "guarded" else None
    )
    tables = _tables(edition, steps)
    found = _Found.of(size, len(steps.order))
    _judge(columns, approved_on, edition, steps, tables, judged, found)
    return Verdicts(
        rows=rows,
        serial=serial,
        outcome=found.outcome,
        rule=found.rule,
        margin=found.margin,
        reason=found.reason,
        by_rule=found.by_rule,
        rules=tuple(item.rule.id for item in edition.regime.rules),
        units=tuple(item.rule.unit for item in edition.regime.rules),
        reasons=_reasons(edition),
    )


class _Found(NamedTuple):
    """The arrays that the pass fills in."""

    outcome: CodeArray
    rule: NDArray[np.int16]
    margin: FloatArray
    reason: NDArray[np.int32]
    by_rule: CodeArray

    @classmethod
    def of(cls, size: int, rules: int) -> _Found:
        return cls(
            np.empty(size, np.int8),
            np.empty(size, np.int16),
            np.empty(size),
            np.empty(size, np.int32),
            np.empty((rules, size), np.int8),
        )


class _Tables(NamedTuple):
    """A plan as the pass reads it; one entry a rule in the order of the rulebook unless said otherwise.

    `column` of its values, in `names`, -1: idle; `states` of a plain or idle rule; `code` of an idle one;
    `only_measured`, `uncounted` flags. `limits` (6, states): inner low and high, hull low and high, and the
    scale of margins at the narrowest and widest limit. `ends` (4, states): the narrowest and widest limit's
    ends. `state_flags` (3, states): exempt, uncounted, more than one limit. Of the split rules: `offset`,
    `picks` and `strides` (depth, rules), depth 0 for the others.
    """

    names: tuple[str, ...]
    column: NDArray[np.int64]
    state: NDArray[np.int64]
    code: CodeArray
    only_measured: NDArray[np.bool_]
    uncounted: NDArray[np.bool_]
    split: NDArray[np.bool_]
    offset: NDArray[np.int64]
    picks: NDArray[np.int64]
    strides: NDArray[np.int64]
    conditions: tuple[str, ...]
    edges: FloatArray
    edge_ends: NDArray[np.int64]
    table: NDArray[np.int64]
    bounds: FloatArray
    ends: FloatArray
    scale: FloatArray
    flags: NDArray[np.bool_]


@lru_cache(maxsize=64)
def _tables(edition: Edition, steps: Plan) -> _Tables:
    regime = edition.regime
    count = len(steps.order)
    plain, split = len(steps.plain_states), len(steps.split.columns)
    names = tuple(dict.fromkeys((*steps.plain.columns, *steps.split.columns)))
    own = (*steps.plain.columns, *steps.split.columns)
    column, state = np.full(count, -1, np.int64), np.full(count, -1, np.int64)
    code = np.full(count, NOT_JUDGED, np.int8)
    offset = np.zeros(count, np.int64)
    depth = len(steps.picks)
    picks, strides = np.zeros((depth, count), np.int64), np.zeros((depth, count), np.int64)
    for place, position in enumerate(steps.order):
        if place < plain + split:
            column[position] = names.index(own[place])
        if place < plain:
            state[position] = steps.plain_states[place]
        elif place < plain + split:
            offset[position] = steps.offsets[place - plain, 0]
            picks[:, position] = steps.picks[:, place - plain]
            strides[:, position] = steps.strides[:, place - plain, 0]
        else:
            state[position] = steps.idle_states[place - plain - split]
            code[position] = steps.idle_codes[place - plain - split, 0]
    rows = np.array(steps.row)
    uncounted = np.isin(rows, steps.uncounted)
    ends, scale = _ends(edition)
    return _Tables(
        names=names,
        column=column,
        state=state,
        code=code,
        only_measured=np.array([item.only_measured for item in regime.rules], np.bool_),
        uncounted=uncounted,
        split=(rows >= plain) & (rows < plain + split),
        offset=offset,
        picks=picks,
        strides=strides,
        conditions=steps.conditions,
        edges=steps.edges[:, 0].astype(np.float64) if len(steps.edges) else np.empty(0),
        edge_ends=np.append(steps.starts, len(steps.edges))[: len(steps.conditions) + 1].astype(np.int64),
        table=steps.table.astype(np.int64),
        bounds=np.ascontiguousarray(regime.bounds),
        ends=ends,
        scale=scale,
        flags=np.array([regime.exempt, regime.uncounted, [len(each.limits) > 1 for each in regime.states]]),
    )


def _ends(edition: Edition) -> tuple[FloatArray, FloatArray]:
    """Every state's ends of its narrowest and widest limit, (4, states), and one over their scales."""
    ends = np.full((4, len(edition.regime.states)), np.nan)
    scale = np.ones((2, len(edition.regime.states)))
    for place, limits in enumerate(_state_limits(edition)):
        for k, limit in enumerate(limits):
            if limit is not None and limit.effect in ("limit", "exempt"):
                ends[2 * k : 2 * k + 2, place] = limit.interval
                scale[k, place] = 1.0 / _width(*limit.interval)
    return ends, scale


def _width(low: float, high: float) -> float:
    """What a margin is in proportion to."""
    if np.isfinite(low) and np.isfinite(high):
        return (high - low) or 1.0
    return abs(low if np.isfinite(low) else high if np.isfinite(high) else 1.0) or 1.0


def _state_limits(edition: Edition) -> list[tuple[Limit | None, Limit | None]]:
    """The narrowest and the widest limit of every state; None where there is none."""
    owner = _owners(edition)
    found = []
    for state, rule in zip(edition.regime.states, owner, strict=True):
        pair = [
            None if rule is None or place < 0 else rule.limits[place] for place in (state.tight, state.wide)
        ]
        found.append((pair[0], pair[1]))
    return found


def _owners(edition: Edition) -> list[Rule | None]:
    """The rule that each state belongs to."""
    owner: list[Rule | None] = [None] * len(edition.regime.states)
    for item in edition.regime.rules:
        for place in np.unique(item.states).tolist():
            owner[place] = item.rule
    return owner


def _judge(
    columns: Mapping[str, Column],
    approved_on: NDArray[np.datetime64] | None,
    edition: Edition,
    steps: Plan,
    tables: _Tables,
    judged: Assessment | None,
    found: _Found,
) -> None:
    size = len(found.outcome)
    values = np.empty((len(tables.names), _PART))
    places = np.zeros((len(tables.conditions), _PART))
    order = np.array(steps.row)
    for start in range(0, size, _PART):
        part = slice(start, min(start + _PART, size))
        length = part.stop - start
        for k, name in enumerate(tables.names):
            values[k, :length] = columns[name].values[part] if name in columns else np.nan
        for k, name in enumerate(tables.conditions):
            places[k, :length] = (
                _days(approved_on, edition.on_day, part)
                if name == APPROVED_ON
                else columns[name].values[part]
            )
        given = np.empty((0, 0), np.int8) if judged is None else judged.outcome[order, part]
        _kernel.expecting(1e-4 * size, compiling=4.0)(
            values,
            places,
            length,
            *tables[1:10],
            *tables[11:],
            given,
            found.outcome[part],
            found.rule[part],
            found.margin[part],
            found.reason[part],
            found.by_rule[:, part],
        )


def _days(approved_on: NDArray[np.datetime64] | None, today: float, part: slice) -> Any:
    """Days of approval since 1970, the edition's date where unknown."""
    if approved_on is None:
        return today
    given = approved_on[part].astype("datetime64[D]", copy=False)
    return np.where(np.isnat(given), today, given.view(np.int64))


@compiled
def _kernel(  # noqa: C901 - compiled as one function, its loops in the order of the docstring
    values: Any, conditions: Any, length: int, column: Any, state: Any, code: Any, only_measured: Any,
    uncounted: Any, split: Any, offset: Any, picks: Any, strides: Any, edges: Any, edge_ends: Any, table: Any,
    bounds: Any, ends: Any, scale: Any, flags: Any, given: Any, outcome: Any, rule: Any, margin: Any,
    reason: Any, by_rule: Any,
) -> None:  # fmt: skip
    """Fill in outcome, rule, margin and reason of `length` balls; see `_Tables` for what comes in.

    `given` (rules, length): outcome codes already found, or empty. `values` (columns, part) and `conditions`
    (conditions, part), NaN: no data. First the cell of every condition; then rule by rule the state, the
    outcome and the overall one; then rule by rule the least margin of those with the overall outcome; last,
    ball by ball, what the deciding rule says. Where all balls share a rule's state, which is the rule, the
    loops over the balls are plain enough for the processor's vectors.
    """
    rules = len(column)
    known = given.shape[0] > 0
    count = len(edge_ends) - 1
    cells = np.zeros((max(count, 1), length), np.int64)
    level = np.ones(max(count, 1), np.bool_)
    for k in range(count):
        first, last = edge_ends[k], edge_ends[k + 1]
        own = cells[k]
        for ball in range(length):
            value = conditions[k, ball]
            own[ball] = 0 if value == value else last - first + 1
        for edge in range(first, last):
            cut = edges[edge]
            for ball in range(length):
                own[ball] += conditions[k, ball] >= cut
        spread = np.int64(0)
        for ball in range(length):
            spread |= own[ball] ^ own[0]
        level[k] = spread == 0
    shared = state.copy()
    states = np.empty((rules, length), np.int64)
    for ball in range(length):
        outcome[ball] = -1
    for position in range(rules):
        verdicts = by_rule[position]
        if column[position] < 0:
            for ball in range(length):
                verdicts[ball] = code[position]
            if not uncounted[position]:
                for ball in range(length):
                    outcome[ball] = max(outcome[ball], verdicts[ball])
            continue
        if split[position]:
            place = offset[position]
            alike = True
            for k in range(picks.shape[0]):
                if strides[k, position]:
                    alike = alike and level[picks[k, position]]
                    place += strides[k, position] * cells[picks[k, position], 0]
            shared[position] = table[place] if alike else -1
        now = shared[position]
        own = values[column[position]]
        if now < 0:
            held = states[position]
            for ball in range(length):
                held[ball] = offset[position]
            for k in range(picks.shape[0]):
                stride = strides[k, position]
                if stride:
                    moved = cells[picks[k, position]]
                    for ball in range(length):
                        held[ball] += stride * moved[ball]
            for ball in range(length):
                held[ball] = table[held[ball]]
        if known:
            for ball in range(length):
                verdicts[ball] = given[position, ball]
        elif now < 0:
            for ball in range(length):
                value, each = own[ball], states[position, ball]
                kept = (value >= bounds[0, each]) & (value <= bounds[1, each])
                broken = (value < bounds[2, each]) | (value > bounds[3, each])
                verdicts[ball] = 0 if flags[0, each] else 2 * broken + 1 - kept
        else:
            low, high, least_low, most_high = bounds[0, now], bounds[1, now], bounds[2, now], bounds[3, now]
            asked = 0 if flags[0, now] else 1
            for ball in range(length):
                kept = np.int8((own[ball] >= low) & (own[ball] <= high))
                broken = np.int8((own[ball] < least_low) | (own[ball] > most_high))
                verdicts[ball] = asked * (2 * broken + 1 - kept)
        if only_measured[position] and not known:
            for ball in range(length):
                verdicts[ball] = verdicts[ball] if own[ball] == own[ball] else -1
        if uncounted[position] or (now >= 0 and flags[1, now]):
            continue
        for ball in range(length):
            if now >= 0 or not flags[1, states[position, ball]]:
                outcome[ball] = max(outcome[ball], verdicts[ball])
    least = np.full(length, np.inf)
    decider = np.full(length, -1, np.int64)
    for position in range(rules):
        now = shared[position]
        if uncounted[position] or (now >= 0 and flags[1, now]):
            continue
        verdicts = by_rule[position]
        if column[position] < 0:
            for ball in range(length):
                if verdicts[ball] == outcome[ball] and least[ball] > 1e300:
                    least[ball], decider[ball] = 1e300, position
            continue
        own = values[column[position]]
        if now < 0:
            for ball in range(length):
                each, verdict = states[position, ball], verdicts[ball]
                if verdict == outcome[ball] and not flags[1, each]:
                    wide = 2 if verdict == 3 else 0
                    distance = min(own[ball] - ends[wide, each], ends[wide + 1, each] - own[ball])
                    relative = distance * scale[wide // 2, each]
                    relative = relative if relative < 1e300 else 1e300
                    if relative < least[ball]:
                        least[ball], decider[ball] = relative, position
            continue
        low, high, low_wide, high_wide = ends[0, now], ends[1, now], ends[2, now], ends[3, now]
        tight, loose = scale[0, now], scale[1, now]
        for ball in range(length):
            broken = verdicts[ball] == 3
            under = own[ball] - (low_wide if broken else low)
            over = (high_wide if broken else high) - own[ball]
            relative = (under if under < over else over) * (loose if broken else tight)
            relative = relative if relative < 1e300 else 1e300
            better = (verdicts[ball] == outcome[ball]) & (relative < least[ball])
            least[ball] = relative if better else least[ball]
            decider[ball] = position if better else decider[ball]
    for ball in range(length):
        verdict, position = outcome[ball], decider[ball]
        margin[ball] = np.nan
        if verdict == 1:
            for each in range(rules):
                now = shared[each] if shared[each] >= 0 or not split[each] else states[each, ball]
                if by_rule[each, ball] == 1 and not uncounted[each] and not (now >= 0 and flags[1, now]):
                    position = each
                    break
            held_value = values[column[position], ball] if column[position] >= 0 else np.nan
            reason[ball] = position if held_value != held_value else rules + position
        elif verdict < 0:
            outcome[ball], position = 1, -1
            reason[ball] = 2 * rules
        else:
            now = shared[position] if shared[position] >= 0 or not split[position] else states[position, ball]
            wide = 2 if verdict == 3 else 0
            side = 2
            if column[position] >= 0:
                under = values[column[position], ball] - ends[wide, now]
                over = ends[wide + 1, now] - values[column[position], ball]
                distance = min(under, over)
                if least[ball] < 1e300:
                    margin[ball] = distance
                side = (1 if over < under else 0) + (0 if distance < 0.0 else 2)
            reason[ball] = 2 * rules + 1 + 16 * max(now, 0) + 4 * verdict + side
        rule[ball] = position


@lru_cache(maxsize=64)
def _reasons(edition: Edition) -> tuple[str, ...]:
    """Every reason there can be, in the order in which the pass counts them.

    For each rule: no value; for each rule: its limit is not known; none was judged; for each state, outcome
    and side of the limit: what that outcome says.
    """
    rules = [item.rule for item in edition.regime.rules]
    lacking = [
        f"{rule.title} is not assessed: no value of {column_words(rule.quantity or 'it')} was given"
        for rule in rules
    ]
    unknown = [
        f"{rule.title} is not assessed: which limit holds depends on what was not given" for rule in rules
    ]
    texts = [*lacking, *unknown, "no rule could be judged"]
    states = zip(edition.regime.states, _owners(edition), _state_limits(edition), strict=True)
    for state, rule, limits in states:
        for verdict in range(len(OUTCOMES)):
            limit = limits[1] if verdict == NONCONFORMING else limits[0]
            texts.extend(_reason(state, rule, limit, verdict, side) for side in range(_SIDES))
    return tuple(texts)


def _reason(state: State, rule: Rule | None, limit: Limit | None, verdict: int, side: int) -> str:
    if rule is None or limit is None or verdict == NOT_ASSESSED:
        return ""
    allowed = limit_words(limit.min, limit.max, rule.unit)
    if state.exempt or allowed == "none":
        return f"{rule.title}: nothing is asked here"
    if verdict == INCONCLUSIVE:
        return f"{rule.title} is too near the limit of {allowed} to decide with its uncertainty"
    if verdict != NONCONFORMING:
        return f"{rule.title} is nearest its limit of {allowed}"
    if side in (_NEAR_LOW, _NEAR_HIGH):
        return f"{rule.title} is too near the limit of {allowed} for its uncertainty"
    if side == _BELOW:
        return f"{rule.title} is under the limit of {amount(limit.min or 0.0, rule.unit)}"
    return f"{rule.title} is over the limit of {amount(limit.max or 0.0, rule.unit)}"
