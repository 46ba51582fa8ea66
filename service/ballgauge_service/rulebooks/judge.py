"""The judge: the values of balls against the tables of an edition. It knows no limit by itself.

One kernel serves a check of one ball, interpreted, and a lot of millions, compiled: rule by rule, so that
where all balls share a rule's limits, which is the rule, its loops are plain enough for the processor's
vectors.

Which rule decides (ours): of the rules that count and have the worst outcome, the one with the smallest
margin in proportion to the width of its limits, or to the limit itself where only one side is limited; of
rules that are not assessed the first in the rulebook.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from ballgauge_schemas.shared.words import OUTCOMES
from ballgauge_service.core.compiled import compiled
from ballgauge_service.rulebooks.decision import (
    CONFORMING,
    INCONCLUSIVE,
    NONCONFORMING,
    NOT_ASSESSED,
    NOT_JUDGED,
    conformity_probability,
    grade,
)
from ballgauge_service.rulebooks.editions import Tables

FAR = 1e300
"""The proportional margin of a rule that has none."""

SIDES = 4
LACKING, UNDECIDED = 0, 1
BELOW, ABOVE, NEAR_LOW, NEAR_HIGH = range(SIDES)
"""What a reason tells beside its outcome: of one not assessed what is wanting, of any other where the value
lies. A reason is counted state by state, then outcome by outcome, then by these."""

NOWHERE = -1

_probability, _grade = compiled(conformity_probability), compiled(grade)


class Values(NamedTuple):
    """What is known of n balls: arrays, or lists for the interpreter.

    `reach`: how many standard uncertainties a value may lie off when its class is told. `row` of each
    column (numbers of `editions.POSITIONS`) in the others, -1: not there. `values` (rows, n), NaN: no data;
    `spread` (rows, n) standard uncertainties, NaN: none, or (rows, 0) where none is;
    `alternates` (rows, k, n): values that a quantity may also have, NaN: none.
    """

    reach: Any
    row: Any
    values: Any
    spread: Any
    alternates: Any


class Verdicts(NamedTuple):
    """What the judge fills in, of n balls: arrays, or lists for the interpreter.

    Of each rule, (rules, n): `outcome` codes, -1: not judged; `state`, the limits that hold. Of each ball,
    (n,): `overall`, the worst counted outcome, not_assessed where nothing is judged; `decider`, position of
    the rule that decides, -1: none; its `margin` in its unit, NaN: none; `nearness`, that margin in
    proportion, `FAR`: none; `reason`, see `SIDES`, one past the last where nothing is judged; `unknown`, the
    rules that count and are not assessed, as bits. `held` (states, or 0): balls with a value under a state.
    The judge's own: `cells` (conditions, n); `level` (conditions,), whether all balls lie in one cell;
    `shared` (rules,), the state common to all balls or -1; `worst` (rules,), the worst counted outcome.
    """

    outcome: Any
    state: Any
    overall: Any
    decider: Any
    margin: Any
    nearness: Any
    reason: Any
    unknown: Any
    held: Any
    cells: Any
    level: Any
    shared: Any
    worst: Any


@compiled
def judge(tables: Tables, values: Values, risk: float, length: int, verdicts: Verdicts) -> None:
    """Judge `length` balls; risk: that of a guarded decision, 0 under the simple rule."""
    overall, decider, nearness = verdicts.overall, verdicts.decider, verdicts.nearness
    for ball in range(length):
        overall[ball] = NOT_JUDGED
        verdicts.unknown[ball] = 0
        nearness[ball] = math.inf
        decider[ball] = NOWHERE
    _find_cells(tables, values, length, verdicts)
    common, lacking = NOT_JUDGED, 0
    for rule in range(len(tables.column)):
        state = _shared_state(tables, verdicts, rule)
        verdicts.shared[rule] = state
        counts = not (tables.advisory[rule] or (state >= 0 and tables.uncounted[state]))
        if state >= 0 and values.row[tables.column[rule]] < 0:
            worst = _judge_unmeasured(tables, length, verdicts, rule, state)
            if counts:
                common = max(common, worst)
                lacking |= (1 if worst == NOT_ASSESSED else 0) << rule
        else:
            _judge_measured(tables, values, risk, length, verdicts, rule)
            worst = _count(tables, length, verdicts, rule) if counts else NOT_JUDGED
        verdicts.worst[rule] = worst if counts else NOT_JUDGED
    mildest = NONCONFORMING
    for ball in range(length):
        overall[ball] = max(overall[ball], common)
        verdicts.unknown[ball] |= lacking
        mildest = min(mildest, overall[ball])
    for rule in range(len(tables.column)):
        # Of a ball that is not assessed the bits tell which rule decides.
        if verdicts.worst[rule] >= mildest and not verdicts.worst[rule] == mildest == NOT_ASSESSED:
            _find_decider(tables, values, length, verdicts, rule)
    _explain(tables, values, length, verdicts)
    if len(verdicts.held) > 0:
        _count_held(tables, values, length, verdicts)


@compiled
def _find_cells(tables: Tables, values: Values, length: int, verdicts: Verdicts) -> None:
    """The cell of every condition of every ball."""
    for k in range(len(tables.condition)):
        first, last = tables.edge_start[k], tables.edge_start[k + 1]
        row, cells, unknown = values.row[tables.condition[k]], verdicts.cells[k], 2 * (last - first) + 1
        verdicts.level[k] = length > 0
        if row < 0:
            for ball in range(length):
                cells[ball] = unknown
        else:
            own, spread = values.values[row], values.spread[row]
            for ball in range(length):
                cells[ball] = 0 if own[ball] == own[ball] else unknown
            for edge in range(first, last):
                cut = tables.edges[edge]
                for ball in range(length):
                    cells[ball] += 1 if own[ball] >= cut else 0
            for ball in range(length if len(spread) > 0 else 0):
                if spread[ball] > 0.0:
                    cells[ball] = _class_of(
                        tables, first, last, own[ball], values.reach * spread[ball], cells[ball]
                    )
            differing = 0
            for ball in range(length):
                differing |= cells[ball] ^ cells[0]
            verdicts.level[k] = differing == 0 and length > 0


@compiled
def _class_of(tables: Tables, first: int, last: int, value: float, off: float, cell: int) -> int:
    """The cell of an uncertain value: its own, one between two, or where it may lie in more the unknown."""
    low, high = 0, 0
    for edge in range(first, last):
        low += 1 if value - off >= tables.edges[edge] else 0
        high += 1 if value + off >= tables.edges[edge] else 0
    if low == high:
        return cell
    return last - first + high if high == low + 1 else 2 * (last - first) + 1


@compiled
def _shared_state(tables: Tables, verdicts: Verdicts, rule: int) -> int:
    """The state that all balls are in under a rule, -1 where they differ."""
    place = tables.offset[rule]
    for k in range(tables.axis_start[rule], tables.axis_start[rule + 1]):
        if not verdicts.level[tables.axis[k]]:
            return NOWHERE
        place += tables.stride[k] * verdicts.cells[tables.axis[k]][0]
    return int(tables.table[place])


@compiled
def _find_states(tables: Tables, length: int, verdicts: Verdicts, rule: int) -> None:
    states, offset = verdicts.state[rule], tables.offset[rule]
    for ball in range(length):
        states[ball] = 0
    for k in range(tables.axis_start[rule], tables.axis_start[rule + 1]):
        stride, cells = tables.stride[k], verdicts.cells[tables.axis[k]]
        for ball in range(length):
            states[ball] += stride * cells[ball]
    for ball in range(length):
        states[ball] = tables.table[offset + states[ball]]


@compiled
def _judge_unmeasured(tables: Tables, length: int, verdicts: Verdicts, rule: int, state: int) -> int:
    """The one code of all balls, none of which has a value."""
    code = NOT_JUDGED if tables.only_measured[rule] else CONFORMING if tables.exempt[state] else NOT_ASSESSED
    outcome, states = verdicts.outcome[rule], verdicts.state[rule]
    for ball in range(length):
        outcome[ball] = code
        states[ball] = state
    return code


@compiled
def _judge_measured(
    tables: Tables, values: Values, risk: float, length: int, verdicts: Verdicts, rule: int
) -> None:
    row, state = values.row[tables.column[rule]], verdicts.shared[rule]
    outcome, states = verdicts.outcome[rule], verdicts.state[rule]
    if state < 0:
        _find_states(tables, length, verdicts, rule)
    else:
        for ball in range(length):
            states[ball] = state
    plain = row >= 0 and risk == 0.0 and len(values.alternates[row]) == 0
    own = values.values[row]
    if plain and state >= 0 and not tables.exempt[state]:
        low, high = tables.inner_low[state], tables.inner_high[state]
        least, most = tables.hull_low[state], tables.hull_high[state]
        for ball in range(length):
            outcome[ball] = _compare(own[ball], low, high, least, most)
    elif plain:
        for ball in range(length):
            state = states[ball]
            low, high = tables.inner_low[state], tables.inner_high[state]
            code = _compare(own[ball], low, high, tables.hull_low[state], tables.hull_high[state])
            outcome[ball] = CONFORMING if tables.exempt[state] else code
    else:
        _judge_each(tables, values, risk, length, outcome, states, row)
    if tables.only_measured[rule]:
        spread = values.spread[row]
        for ball in range(length):
            if row < 0 or own[ball] != own[ball]:
                # Of what is there and was not measured the spread is infinite: it is asked for.
                there = row >= 0 and len(spread) > 0 and spread[ball] == math.inf
                outcome[ball] = NOT_ASSESSED if there else NOT_JUDGED


@compiled
def _judge_each(
    tables: Tables, values: Values, risk: float, length: int, outcome: Any, states: Any, row: int
) -> None:
    """Exempt balls conform with or without a value; a verdict that alternates turn is inconclusive."""
    for ball in range(length):
        state = states[ball]
        if tables.exempt[state] or row < 0:
            outcome[ball] = CONFORMING if tables.exempt[state] else NOT_ASSESSED
            continue
        low, high = tables.inner_low[state], tables.inner_high[state]
        least, most = tables.hull_low[state], tables.hull_high[state]
        spread = values.spread[row][ball] if risk > 0.0 and len(values.spread[row]) > 0 else 0.0
        code = _guarded(values.values[row][ball], spread, low, high, least, most, risk)
        outcome[ball] = code
        others = values.alternates[row]
        for k in range(len(others) if code != NOT_ASSESSED else 0):
            other = others[k][ball]
            if other == other and _guarded(other, spread, low, high, least, most, risk) != code:
                outcome[ball] = INCONCLUSIVE


@compiled
def _guarded(
    value: float, spread: float, low: float, high: float, least: float, most: float, risk: float
) -> int:
    """The verdict that every limit that may hold gives; not_assessed where they give different ones."""
    if not spread > 0.0 or value != value:
        return _compare(value, low, high, least, most)
    code = _grade(_probability(value, spread, low, high), risk)
    if low == least and high == most:
        return code
    other = _grade(_probability(value, spread, least, most), risk)
    return code if code == other else INCONCLUSIVE


@compiled
def _compare(value: float, low: float, high: float, least: float, most: float) -> int:
    """0 kept, 1 no value or no limit, 2 open, 3 broken, without a branch."""
    known = (value == value) & (low == low)
    return 1 + known + ((value < least) | (value > most)) - 2 * ((value >= low) & (value <= high))


@compiled
def _count(tables: Tables, length: int, verdicts: Verdicts, rule: int) -> int:
    """Take a rule's outcomes into the overall ones, where it reaches the ball; the worst of them."""
    state, outcome, states = verdicts.shared[rule], verdicts.outcome[rule], verdicts.state[rule]
    overall, unknown, worst, lacking = verdicts.overall, verdicts.unknown, NOT_JUDGED, False
    if state >= 0 or not tables.partial[rule]:
        for ball in range(length):
            overall[ball] = max(overall[ball], outcome[ball])
            worst = max(worst, outcome[ball])
            lacking |= outcome[ball] == NOT_ASSESSED
        if lacking:
            for ball in range(length):
                unknown[ball] |= (1 if outcome[ball] == NOT_ASSESSED else 0) << rule
        return worst
    for ball in range(length):
        if not tables.uncounted[states[ball]]:
            overall[ball] = max(overall[ball], outcome[ball])
            worst = max(worst, outcome[ball])
            unknown[ball] |= (1 if outcome[ball] == NOT_ASSESSED else 0) << rule
    return worst


@compiled
def _find_decider(tables: Tables, values: Values, length: int, verdicts: Verdicts, rule: int) -> None:
    """Let a rule decide where it has the overall outcome and is nearer its limit than those before it."""
    row, state = values.row[tables.column[rule]], verdicts.shared[rule]
    outcome, states = verdicts.outcome[rule], verdicts.state[rule]
    overall, decider, nearness = verdicts.overall, verdicts.decider, verdicts.nearness
    if row < 0:
        if state < 0 or tables.exempt[state]:
            for ball in range(length):
                if outcome[ball] == CONFORMING and overall[ball] == CONFORMING and nearness[ball] > FAR:
                    nearness[ball], decider[ball] = FAR, rule
        return
    own = values.values[row]
    if state < 0:
        for ball in range(length):
            each, broken = states[ball], outcome[ball] == NONCONFORMING
            under = own[ball] - (tables.wide_low[each] if broken else tables.tight_low[each])
            over = (tables.wide_high[each] if broken else tables.tight_high[each]) - own[ball]
            scale = tables.wide_scale[each] if broken else tables.tight_scale[each]
            near = (under if under < over else over) * scale
            near = _kept(near, outcome[ball]) if near < FAR else FAR
            better = (outcome[ball] == overall[ball]) & (near < nearness[ball])
            better = better & (not tables.uncounted[each])
            nearness[ball] = near if better else nearness[ball]
            decider[ball] = rule if better else decider[ball]
        return
    low, high, scale = tables.tight_low[state], tables.tight_high[state], tables.tight_scale[state]
    low_wide, high_wide, scale_wide = (
        tables.wide_low[state],
        tables.wide_high[state],
        tables.wide_scale[state],
    )
    for ball in range(length):
        broken = outcome[ball] == NONCONFORMING
        under = own[ball] - (low_wide if broken else low)
        over = (high_wide if broken else high) - own[ball]
        near = (under if under < over else over) * (scale_wide if broken else scale)
        near = _kept(near, outcome[ball]) if near < FAR else FAR
        better = (outcome[ball] == overall[ball]) & (near < nearness[ball])
        nearness[ball] = near if better else nearness[ball]
        decider[ball] = rule if better else decider[ball]


@compiled
def _kept(margin: float, code: int) -> float:
    """A margin; 0 of a value that conforms though it lies beyond a limit that is printed rounded."""
    return 0.0 if margin < 0.0 and code == CONFORMING else margin


@compiled
def _explain(tables: Tables, values: Values, length: int, verdicts: Verdicts) -> None:
    """The margin and the reason of every ball, from the rule that decides."""
    for ball in range(length):
        verdicts.margin[ball] = math.nan
        code, rule, side = verdicts.overall[ball], verdicts.decider[ball], NEAR_LOW
        if code == NOT_JUDGED:
            verdicts.overall[ball] = NOT_ASSESSED
            verdicts.decider[ball], verdicts.nearness[ball] = NOWHERE, FAR
            verdicts.reason[ball] = len(tables.exempt) * len(OUTCOMES) * SIDES
            continue
        if code == NOT_ASSESSED:
            rule = 0
            while not (verdicts.unknown[ball] >> rule) & 1:
                rule += 1
            verdicts.decider[ball] = rule
            verdicts.nearness[ball] = FAR
        row, state = values.row[tables.column[rule]], verdicts.state[rule][ball]
        value = values.values[row][ball] if row >= 0 else math.nan
        if code == NOT_ASSESSED:
            side = UNDECIDED if value == value else LACKING
        elif row >= 0:
            broken = code == NONCONFORMING
            under = value - (tables.wide_low[state] if broken else tables.tight_low[state])
            over = (tables.wide_high[state] if broken else tables.tight_high[state]) - value
            margin = _kept(min(under, over), code)
            low, high = tables.inner_low[state], tables.inner_high[state]
            several = low != tables.hull_low[state] or high != tables.hull_high[state]
            if verdicts.nearness[ball] < FAR and not (code == INCONCLUSIVE and several):
                verdicts.margin[ball] = margin
            side = (ABOVE if over < under else BELOW) + (0 if margin < 0.0 else NEAR_LOW)
        verdicts.reason[ball] = (state * len(OUTCOMES) + code) * SIDES + side


@compiled
def _count_held(tables: Tables, values: Values, length: int, verdicts: Verdicts) -> None:
    for rule in range(len(tables.column)):
        row, shared = values.row[tables.column[rule]], verdicts.shared[rule]
        if row >= 0:
            own, states, count = values.values[row], verdicts.state[rule], 0
            if shared >= 0:
                for ball in range(length):
                    count += 1 if own[ball] == own[ball] else 0
                verdicts.held[shared] += count
            else:
                for ball in range(length):
                    verdicts.held[states[ball]] += 1 if own[ball] == own[ball] else 0
