"""The assessor: columns of values in, outcomes by rule out. It knows no limit by itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.rulebooks.decision import (
    CONFORMING,
    INCONCLUSIVE,
    NONCONFORMING,
    NOT_ASSESSED,
    NOT_JUDGED,
    CodeArray,
    Decision,
    FloatArray,
    conformity_probability,
    grade,
    overall,
)
from ballgauge_service.rulebooks.editions import APPROVED_ON, UNDETERMINED, Edition, Group, Plan, plan
from ballgauge_service.rulebooks.model import COLUMNS

DayArray = NDArray[np.datetime64]

# Balls judged at a time, so that the work of one part stays in the processor's cache (ours, measured).
_PART = 8192
_SIMPLE = Decision()


class Column(NamedTuple):
    """One quantity of n balls, in the unit COLUMNS gives.

    `values` (n,) float64, NaN: no data. `uncertainty` (n,) standard uncertainty, NaN: none given.
    `alternates` (k, n): the values the quantity would have for other settings of something unknown; a
    verdict that differs among them is inconclusive.
    """

    values: FloatArray
    uncertainty: FloatArray | None = None
    alternates: FloatArray | None = None


@dataclass(frozen=True, slots=True)
class RuleResult:
    """One rule over n balls.

    `limit_index` is the position in the rule's limits, -1 where no single limit decides; `minimum` and
    `maximum` (NaN: open), `value` and `margin` (distance to the nearest limit, negative outside) are in the
    rule's unit; `probability` of conformity [0..1] is NaN without an uncertainty. All are (n,).
    """

    limit_index: NDArray[np.intp]
    value: FloatArray
    minimum: FloatArray
    maximum: FloatArray
    margin: FloatArray
    probability: FloatArray
    outcome: CodeArray


@dataclass(frozen=True, eq=False)
class Assessment:
    """The verdicts of an edition on n balls.

    Attributes
    ----------
    size : n
    outcome : (rules, n) outcome codes, in the row order of the plan; -1: not judged
    split_states : (split rules, n) states of the rules that depend on the ball
    approved_on : (n,) datetime64[D] as given, NaT unknown; or None
    """

    edition: Edition
    plan: Plan
    columns: Mapping[str, Column]
    approved_on: DayArray | None
    decision: Decision
    size: int
    outcome: CodeArray
    split_states: NDArray[np.int16]

    @cached_property
    def overall(self) -> CodeArray:
        """The worst counted outcome of each ball, (n,) codes.

        Advisory rules, and rules that do not reach a ball, do not count; where nothing is judged the outcome
        is not_assessed.
        """
        counted = self.outcome.copy()
        counted[self.plan.uncounted] = NOT_JUDGED
        if self.plan.split_uncounted:
            plain = len(self.plan.plain_states)
            split = counted[plain : plain + len(self.split_states)]
            split[self.edition.regime.uncounted[self.split_states]] = NOT_JUDGED
        return overall(counted)

    def states_of(self, position: int) -> NDArray[np.int16]:
        """The state of every ball under the rule at a position of the regime, (n,)."""
        row = self.plan.row[position]
        plain = len(self.plan.plain_states)
        idle = plain + len(self.split_states)
        if plain <= row < idle:
            split: NDArray[np.int16] = self.split_states[row - plain]
            return split
        fixed = int(self.plan.plain_states[row]) if row < plain else self.plan.idle_states[row - idle]
        if fixed == UNDETERMINED:
            return self._undetermined[position]
        return np.full(self.size, fixed, dtype=np.int16)

    @cached_property
    def _undetermined(self) -> dict[int, NDArray[np.int16]]:
        """The states the plan leaves open, for want of the rule's own value, by position of the rule."""
        found = {}
        idle = len(self.plan.order) - len(self.plan.idle_states)
        for position, state in zip(self.plan.order[idle:], self.plan.idle_states, strict=True):
            if state == UNDETERMINED:
                item = self.edition.regime.rules[position]
                places = tuple(self._cells(*pair) for pair in zip(item.axes, item.edges, strict=True))
                found[position] = item.states[places]
        return found

    @cached_property
    def _approval_days(self) -> FloatArray:
        return _days(self.edition, self.approved_on, slice(None), self.size)

    def _cells(self, axis: str, edges: tuple[float, ...]) -> NDArray[np.intp]:
        if axis == APPROVED_ON:
            values = self._approval_days
        elif axis in self.columns:
            values = self.columns[axis].values
        else:
            values = np.full(self.size, np.nan)
        # A search puts NaN after the sentinel: the cell that stands for an unknown value.
        return np.searchsorted(np.array([*edges, np.inf]), values, side="right")

    def rule(self, rule_id: str) -> RuleResult:
        """The arrays of one rule.

        Raises KeyError where the edition has no such rule.
        """
        position = self.edition.regime.index[rule_id]
        rule = self.edition.regime.rules[position].rule
        outcome = self.outcome[self.plan.row[position]]
        limit_index = self._limit_index(position, outcome)
        column = self.columns.get(rule.quantity or "")
        value = np.full(self.size, np.nan) if column is None else column.values
        intervals = np.array([limit.interval for limit in rule.limits] + [(np.nan, np.nan)])
        low, high = intervals[limit_index].T
        margin = np.minimum(value - low, high - value)
        probability = np.full(self.size, np.nan)
        if column is not None and column.uncertainty is not None:
            given = ~np.isnan(column.uncertainty) & np.isfinite(margin)
            found = conformity_probability(value, column.uncertainty, low, high)
            probability = np.where(given, found, np.nan)
        return RuleResult(
            limit_index=limit_index,
            value=value,
            minimum=np.where(np.isinf(low), np.nan, low),
            maximum=np.where(np.isinf(high), np.nan, high),
            margin=np.where(np.isinf(margin), np.nan, margin),
            probability=probability,
            outcome=outcome,
        )

    def _limit_index(self, position: int, outcome: CodeArray) -> NDArray[np.intp]:
        """The narrowest limit that may hold, of a nonconforming ball the widest; -1 where they disagree."""
        states = self.edition.regime.states
        tight = np.array([state.tight for state in states])
        wide = np.array([state.wide for state in states])
        single = np.array([len(state.limits) == 1 for state in states])
        held = self.states_of(position)
        chosen = np.where(outcome == NONCONFORMING, wide[held], tight[held])
        return np.where((outcome > NOT_ASSESSED) | (outcome == CONFORMING) | single[held], chosen, -1)


def assess(
    edition: Edition,
    columns: Mapping[str, Column],
    approved_on: DayArray | None = None,
    decision: Decision = _SIMPLE,
) -> Assessment:
    """Judge n balls by every rule of an edition.

    Parameters
    ----------
    columns : column name (see COLUMNS) to Column; at least one; absent columns are unknown for every ball
    approved_on : (n,) datetime64[D], NaT where unknown: there the rule in force on the edition's date applies
    decision : how values with uncertainty are judged; the uncertainty of a value that only decides which
        limit holds (a weight near the edge of its class) is not regarded

    Raises ValueError for an unknown column or arrays of different lengths.
    """
    size = _size(columns, approved_on)
    steps = plan(edition.regime, frozenset(columns))
    judged = len(steps.order) - len(steps.idle_states)
    outcome = np.empty((len(steps.order), size), dtype=np.int8)
    outcome[judged:] = steps.idle_codes
    split_states = np.empty((len(steps.split.columns), size), dtype=np.int16)
    for start in range(0, size, _PART):
        part = slice(start, start + _PART)
        _assess_part(
            edition,
            steps,
            columns,
            approved_on,
            decision,
            part,
            outcome[:judged, part],
            split_states[:, part],
        )
    return Assessment(edition, steps, columns, approved_on, decision, size, outcome, split_states)


def _size(columns: Mapping[str, Column], approved_on: DayArray | None) -> int:
    if not columns or not columns.keys() <= COLUMNS.keys():
        raise ValueError(
            f"unknown columns: {', '.join(sorted(columns.keys() - COLUMNS.keys())) or 'none given'}"
        )
    shape = next(iter(columns.values())).values.shape
    for name, (values, uncertainty, alternates) in columns.items():
        if (
            values.shape != shape
            or (uncertainty is not None and uncertainty.shape != shape)
            or (alternates is not None and alternates.shape[1:] != shape)
        ):
            raise ValueError(f"column {name} is not as long as the others")
    if len(shape) != 1 or (approved_on is not None and approved_on.shape != shape):
        raise ValueError("columns and approved_on must be of one dimension and one length")
    return len(next(iter(columns.values())).values)


def _assess_part(
    edition: Edition,
    steps: Plan,
    columns: Mapping[str, Column],
    approved_on: DayArray | None,
    decision: Decision,
    part: slice,
    outcome: CodeArray,
    split_states: NDArray[np.int16],
) -> None:
    plain = len(steps.plain_states)
    if plain:
        values = _stack(steps.plain.columns, columns, part)
        _judge(values, steps.plain_bounds, decision, outcome[:plain], steps.plain, columns, part)
        _settle(values, steps.plain, steps.plain_exempt, outcome[:plain])
    if len(split_states):
        values = _stack(steps.split.columns, columns, part)
        split_states[...] = _find_states(edition, steps, columns, approved_on, part)
        bounds = edition.regime.bounds.take(split_states, axis=1)
        _judge(values, bounds, decision, outcome[plain:], steps.split, columns, part)
        exempt = edition.regime.exempt.take(split_states) if steps.split_exempt else None
        _settle(values, steps.split, exempt, outcome[plain:])


def _stack(names: tuple[str, ...], columns: Mapping[str, Column], part: slice) -> FloatArray:
    """(names, part) values; NaN rows for columns that are not there."""
    absent = [name for name in names if name not in columns]
    known = columns if not absent else {**columns, **dict.fromkeys(absent, _blank(columns))}
    return np.concatenate([known[name].values[part] for name in names]).reshape(len(names), -1)


def _blank(columns: Mapping[str, Column]) -> Column:
    return Column(np.full_like(next(iter(columns.values())).values, np.nan))


def _find_states(
    edition: Edition, steps: Plan, columns: Mapping[str, Column], approved_on: DayArray | None, part: slice
) -> NDArray[np.int16]:
    """(split rules, part) states."""
    length = next(iter(columns.values())).values[part].size
    conditions = np.empty((len(steps.conditions), length))
    for row, name in enumerate(steps.conditions):
        dated = name == APPROVED_ON
        conditions[row] = _days(edition, approved_on, part, length) if dated else columns[name].values[part]
    reached = (conditions[steps.edge_conditions] >= steps.edges).view(np.int8)
    cells = np.add.reduceat(reached, steps.starts, axis=0, dtype=np.int8)
    cells += steps.unknown_cells * np.isnan(conditions)
    places = np.repeat(steps.offsets, length, axis=1)
    for picks, strides in zip(steps.picks, steps.strides, strict=True):
        places += strides * cells[picks]
    return steps.table.take(places)


def _days(edition: Edition, approved_on: DayArray | None, part: slice, length: int) -> FloatArray:
    """(part,) approval dates in days since 1970; where unknown the edition's date."""
    if approved_on is None:
        return np.full(length, edition.on_day)
    given = approved_on[part].astype("datetime64[D]", copy=False)
    return np.where(np.isnat(given), edition.on_day, given.view(np.int64))


def _judge(
    values: FloatArray,
    bounds: FloatArray,
    decision: Decision,
    outcome: CodeArray,
    group: Group,
    columns: Mapping[str, Column],
    part: slice,
) -> None:
    """Outcome codes of (rules, part) values against (4, rules, part or 1) bounds, into `outcome`."""
    _compare(values, bounds, outcome)
    uncertain: list[int] = []
    varying: dict[int, list[int]] = {}
    for row, name in enumerate(group.columns):
        column = columns.get(name)
        if column is not None:
            if column.uncertainty is not None:
                uncertain.append(row)
            if column.alternates is not None:
                varying.setdefault(len(column.alternates), []).append(row)
    spread = np.zeros_like(values) if uncertain and decision.rule == "guarded" else None
    if spread is not None:
        spread[uncertain] = [columns[group.columns[row]].uncertainty[part] for row in uncertain]  # type: ignore[index]
        outcome[uncertain] = _guarded(
            values[uncertain], spread[uncertain], bounds[:, uncertain], decision.risk
        )
    for rows in varying.values():
        others = np.stack([columns[group.columns[row]].alternates[:, part] for row in rows])  # type: ignore[index]
        scatter = None if spread is None else spread[rows, None]
        outcome[rows] = _weigh(others, scatter, bounds[:, rows, None], decision.risk, outcome[rows])


def _compare(values: FloatArray, bounds: FloatArray, outcome: CodeArray) -> None:
    kept = values >= bounds[0]
    kept &= values <= bounds[1]
    broken = values < bounds[2]
    broken |= values > bounds[3]
    np.subtract(broken.view(np.int8) * np.int8(2) + np.int8(1), kept.view(np.int8), out=outcome)


def _guarded(values: FloatArray, spread: FloatArray, bounds: FloatArray, risk: float) -> CodeArray:
    """The verdict every possible limit gives; not_assessed where they give different ones."""
    codes = grade(conformity_probability(values, spread, bounds[0::2], bounds[1::2]), risk)
    return np.where(codes[0] == codes[1], codes[0], np.int8(NOT_ASSESSED))


def _weigh(
    alternates: FloatArray, spread: FloatArray | None, bounds: FloatArray, risk: float, outcome: CodeArray
) -> CodeArray:
    """The outcomes (rules, part), inconclusive where one of the (rules, k, part) alternates gives another."""
    if spread is None:
        codes = np.empty(alternates.shape, dtype=np.int8)
        _compare(alternates, bounds, codes)
    else:
        codes = _guarded(alternates, spread, bounds, risk)
    differs = ((codes != outcome[:, None]) & ~np.isnan(alternates)).any(axis=1)
    return np.where(differs & (outcome != NOT_ASSESSED), np.int8(INCONCLUSIVE), outcome)


def _settle(values: FloatArray, group: Group, exempt: NDArray[np.bool_] | None, outcome: CodeArray) -> None:
    """Exempt balls conform with or without a value; a rule judged only where measured gives no finding."""
    if exempt is not None:
        outcome[exempt] = CONFORMING
    if group.only_measured is not None:
        outcome[group.only_measured & np.isnan(values)] = NOT_JUDGED
