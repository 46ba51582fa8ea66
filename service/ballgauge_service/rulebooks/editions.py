"""An edition: one rulebook as it stands on a date and at a stage, compiled to arrays."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.rulebooks.cells import GAP, build_table
from ballgauge_service.rulebooks.decision import CONFORMING, NOT_ASSESSED, NOT_JUDGED, CodeArray, FloatArray
from ballgauge_service.rulebooks.loader import rulebook
from ballgauge_service.rulebooks.model import EPOCH, Limit, Rule, Rulebook, Stage

APPROVED_ON = "approved_on"
UNDETERMINED = -1


@dataclass(frozen=True, slots=True)
class State:
    """The limits that may hold for a ball as far as its conditions are known.

    Attributes
    ----------
    limits : positions in the rule's limits; GAP where none may be known
    inner, hull : the interval inside which every one of them is kept, and outside which every one is broken
    tight, wide : positions of the narrowest and the widest of them; GAP where there is none
    exempt : the rule asks nothing
    uncounted : the rule does not reach here, or cannot be judged from numbers
    """

    limits: tuple[int, ...]
    inner: tuple[float, float]
    hull: tuple[float, float]
    tight: int
    wide: int
    exempt: bool
    uncounted: bool


@dataclass(frozen=True, slots=True)
class Compiled:
    """A rule with its table of states: (cells + 1 of each axis) indices into the regime's states."""

    rule: Rule
    axes: tuple[str, ...]
    edges: tuple[tuple[float, ...], ...]
    states: NDArray[np.int16]
    only_measured: bool


@dataclass(frozen=True, eq=False, slots=True)
class Regime:
    """The rules of a rulebook at a stage, over dates between which none that binds by use changes.

    Attributes
    ----------
    rules : the rules of that stage, and `index`, their positions by id
    states : all states of all rules; `bounds` (4, states) holds inner low, inner high, hull low, hull high
    exempt, uncounted : (states,) flags
    """

    rules: tuple[Compiled, ...]
    index: dict[str, int]
    states: tuple[State, ...]
    bounds: FloatArray
    exempt: NDArray[np.bool_]
    uncounted: NDArray[np.bool_]


@dataclass(frozen=True, eq=False, slots=True)
class Edition:
    """A rulebook compiled for a date and a stage.

    Attributes
    ----------
    source : the rulebook
    on : the date of use (of submission, at the stage approval)
    on_given : False where no date was given and the rulebook's own `compiled_on` stands in
    stage : approval or play
    overlay : name of the overlay, or None
    regime : the rules of that stage in force on that date
    """

    source: Rulebook = field(repr=False)
    on: date
    on_given: bool
    stage: Stage
    overlay: str | None
    regime: Regime = field(repr=False)

    @property
    def body(self) -> str:
        """The body's name."""
        return self.source.body

    @property
    def edition(self) -> str:
        """Which state of the rules this is, in words."""
        return self.source.edition

    @property
    def on_day(self) -> float:
        """`on` in days since 1970-01-01."""
        return float((self.on - EPOCH).days)


@lru_cache(maxsize=256)
def edition(body: str, on: date | None = None, stage: Stage = "play", overlay: str | None = None) -> Edition:
    """The rules of a body on a date at a stage, compiled once and kept.

    Raises UnknownRulebookError for an unknown body or overlay, ValueError for an unknown stage.
    """
    return compile_edition(rulebook(body, overlay), on, stage, overlay)


def compile_edition(
    source: Rulebook, on: date | None = None, stage: Stage = "play", overlay: str | None = None
) -> Edition:
    """Compile a rulebook for a date (None: its `compiled_on`) and a stage.

    Raises ValueError for an unknown stage.
    """
    if stage not in ("approval", "play"):
        raise ValueError(f"stage must be approval or play; got {stage!r}")
    day = on or source.compiled_on
    stretch = bisect_right(_changes(source), (day - EPOCH).days)
    return Edition(source, day, on is not None, stage, overlay, _regime(source, stretch, stage))


@lru_cache(maxsize=32)
def _changes(source: Rulebook) -> tuple[float, ...]:
    """The days on which a rule that binds by use changes, in days since 1970-01-01."""
    tables = [build_table(rule.limits) for rule in source.rules if rule.binds == "use"]
    return tuple(sorted({day for table in tables for day in table.edges[0]}))


@lru_cache(maxsize=128)
def _regime(source: Rulebook, stretch: int, stage: Stage) -> Regime:
    day = (-math.inf, *_changes(source))[stretch]
    states: list[State] = []
    rules = tuple(_compile(rule, day, stage, states) for rule in source.rules if stage in rule.stages)
    return Regime(
        rules=rules,
        index={item.rule.id: position for position, item in enumerate(rules)},
        states=tuple(states),
        bounds=np.array([(*state.inner, *state.hull) for state in states]).reshape(-1, 4).T.copy(),
        exempt=np.array([state.exempt for state in states], dtype=np.bool_),
        uncounted=np.array([state.uncounted for state in states], dtype=np.bool_),
    )


def _compile(rule: Rule, day: float, stage: Stage, states: list[State]) -> Compiled:
    table = build_table(rule.limits)
    sets, axes, edges = table.sets, (APPROVED_ON, *table.axes[1:]), table.edges
    if rule.binds == "use":
        sets, axes, edges = sets[bisect_right(edges[0], day)], axes[1:], edges[1:]
    for k in reversed(range(len(axes))):
        first = np.take(sets, [0], axis=k)
        if (sets == first).all():
            sets, axes, edges = np.take(sets, 0, axis=k), axes[:k] + axes[k + 1 :], edges[:k] + edges[k + 1 :]
    numbers: dict[frozenset[int], int] = {}
    flat = [sets] if isinstance(sets, frozenset) else sets.ravel().tolist()
    for holding in flat:
        if holding not in numbers:
            numbers[holding] = len(states)
            states.append(_state(holding, rule.limits))
    shape = tuple(
        len(cuts) + (1 if axis == APPROVED_ON else 2) for axis, cuts in zip(axes, edges, strict=True)
    )
    positions = np.array([numbers[holding] for holding in flat], dtype=np.int16).reshape(shape)
    return Compiled(rule, axes, edges, positions, stage in rule.when_measured)


def _state(holding: Iterable[int], limits: tuple[Limit, ...]) -> State:
    positions = tuple(sorted(holding))
    rows = [limits[position] for position in positions if position != GAP]
    effects = {row.effect for row in rows} | ({"gap"} if GAP in positions else set())
    judging = [p for p in positions if p != GAP and limits[p].effect in ("limit", "exempt")]
    intervals = [limits[p].interval for p in judging]
    if not judging:
        inner = hull = (math.nan, math.nan)
    elif effects <= {"limit", "exempt"}:
        inner = (max(low for low, _ in intervals), min(high for _, high in intervals))
        hull = (min(low for low, _ in intervals), max(high for _, high in intervals))
    else:
        inner, hull = (math.inf, -math.inf), (-math.inf, math.inf)
    by_width = sorted(judging, key=lambda p: _width(limits[p].interval))
    return State(
        limits=positions,
        inner=inner,
        hull=hull,
        tight=by_width[0] if by_width else positions[0],
        wide=by_width[-1] if by_width else positions[0],
        exempt=effects == {"exempt"},
        uncounted=effects <= {"unbound", "words"},
    )


def _width(interval: tuple[float, float]) -> tuple[float, float, float]:
    low, high = interval
    return high - low, high, -low


@dataclass(frozen=True, eq=False, slots=True)
class Group:
    """Rules judged together: their columns, and the rows whose missing value means no finding."""

    columns: tuple[str, ...]
    only_measured: NDArray[np.bool_] | None


@dataclass(frozen=True, eq=False, slots=True)
class Plan:
    """How a regime judges balls of which a given set of columns is known.

    Rows: first the `plain` rules, of one state each; then the `split` rules, whose state depends on the
    ball; last the idle ones, whose outcome is the same for every ball. `order` holds the rule of each row,
    `row` the row of each rule. The state of a split rule is `table[place]`: `edges` (of the conditions
    `edge_conditions`, each condition's from `starts` on) cut a condition's values into cells, `unknown_cells`
    is the cell of a missing value, and the place is the rule's offset and the sum of stride times cell over
    the conditions it picks.
    `uncounted` holds the rows that never count in the overall outcome.
    """

    order: tuple[int, ...]
    row: tuple[int, ...]
    plain: Group
    plain_states: NDArray[np.int16]
    split: Group
    idle_codes: CodeArray
    idle_states: tuple[int, ...]
    conditions: tuple[str, ...]
    edge_conditions: NDArray[np.intp]
    edges: FloatArray
    starts: NDArray[np.intp]
    unknown_cells: NDArray[np.int8]
    picks: NDArray[np.intp]
    strides: NDArray[np.int16]
    offsets: NDArray[np.int16]
    table: NDArray[np.int16]
    plain_bounds: FloatArray
    plain_exempt: NDArray[np.bool_]
    split_exempt: bool
    uncounted: NDArray[np.intp]
    split_uncounted: bool


@lru_cache(maxsize=256)
def plan(regime: Regime, present: frozenset[str]) -> Plan:
    """The plan for a regime and the columns that are there (kept; equal sets give the same plan)."""
    reduced = [_reduce(item, present) for item in regime.rules]
    plain: list[int] = []
    split: list[int] = []
    idle: list[int] = []
    for position, item in enumerate(regime.rules):
        states = reduced[position].states
        absent = item.rule.quantity not in present
        special = bool((regime.exempt[states] | regime.uncounted[states]).any())
        if absent and (item.only_measured or states.size == 1 or not special):
            idle.append(position)
        else:
            (plain if states.size == 1 else split).append(position)
    order = (*plain, *split, *idle)
    plain_states = np.array([reduced[p].states.item() for p in plain], dtype=np.int16)
    return Plan(
        order=order,
        row=tuple(order.index(position) for position in range(len(order))),
        plain=_group(regime, plain),
        plain_states=plain_states,
        split=_group(regime, split),
        idle_codes=np.array([_idle_code(regime, p, reduced[p].states) for p in idle], dtype=np.int8)[:, None],
        idle_states=tuple(
            reduced[p].states.item() if reduced[p].states.size == 1 else UNDETERMINED for p in idle
        ),
        plain_bounds=regime.bounds[:, plain_states][:, :, None],
        plain_exempt=regime.exempt[plain_states],
        uncounted=np.array(
            [row for row, p in enumerate(order) if _never_counts(regime, p, reduced[p].states)], dtype=np.intp
        ),
        split_uncounted=any(regime.uncounted[reduced[p].states].any() for p in split),
        split_exempt=any(regime.exempt[reduced[p].states].any() for p in split),
        **_encode([reduced[p] for p in split]),
    )


class _Reduced(NamedTuple):
    axes: tuple[str, ...]
    edges: tuple[tuple[float, ...], ...]
    states: NDArray[np.int16]


def _reduce(item: Compiled, present: frozenset[str]) -> _Reduced:
    """The rule's table with every column that is not there set to unknown."""
    axes, edges, states = item.axes, item.edges, item.states
    for k in reversed(range(len(axes))):
        if axes[k] != APPROVED_ON and axes[k] not in present:
            states = np.take(states, -1, axis=k)
            axes, edges = axes[:k] + axes[k + 1 :], edges[:k] + edges[k + 1 :]
    return _Reduced(axes, edges, np.asarray(states, dtype=np.int16))


def _idle_code(regime: Regime, position: int, states: NDArray[np.int16]) -> int:
    if regime.rules[position].only_measured:
        return NOT_JUDGED
    return CONFORMING if states.size == 1 and regime.exempt[states.item()] else NOT_ASSESSED


def _never_counts(regime: Regime, position: int, states: NDArray[np.int16]) -> bool:
    return regime.rules[position].rule.advisory or bool(regime.uncounted[states].all())


def _group(regime: Regime, positions: list[int]) -> Group:
    rules = [regime.rules[position] for position in positions]
    measured = np.array([item.only_measured for item in rules], dtype=np.bool_)[:, None]
    return Group(tuple(str(item.rule.quantity) for item in rules), measured if measured.any() else None)


def _encode(split: list[_Reduced]) -> dict[str, Any]:
    """The state tables of the split rules, end to end, and what finds a ball's place in them."""
    pairs = [pair for axes, edges, _ in split for pair in zip(axes, edges, strict=True)]
    cuts = {
        axis: sorted({cut for other, edges in pairs if other == axis for cut in edges}) for axis, _ in pairs
    }
    conditions = tuple(sorted(cuts))
    counts = [len(cuts[axis]) for axis in conditions]
    tables = [_spread(item, cuts) for item in split]
    depth = max((len(item.axes) for item in split), default=0)
    picks = np.zeros((depth, len(split)), dtype=np.intp)
    strides = np.zeros((depth, len(split), 1), dtype=np.int16)
    for row, item in enumerate(split):
        for k, axis in enumerate(item.axes):
            picks[k, row] = conditions.index(axis)
            strides[k, row] = math.prod(tables[row].shape[k + 1 :])
    sizes = [table.size for table in tables]
    return {
        "conditions": conditions,
        "edge_conditions": np.repeat(np.arange(len(conditions)), counts),
        "edges": np.array([cut for axis in conditions for cut in cuts[axis]])[:, None],
        "starts": np.cumsum([0, *counts])[:-1],
        "unknown_cells": np.array(counts, dtype=np.int8)[:, None] + np.int8(1),
        "picks": picks,
        "strides": strides,
        "offsets": np.cumsum([0, *sizes], dtype=np.int16)[:-1, None],
        "table": np.concatenate([table.ravel() for table in tables])
        if tables
        else np.empty(0, dtype=np.int16),
    }


def _spread(item: _Reduced, cuts: dict[str, list[float]]) -> NDArray[np.int16]:
    """The rule's table over the cells that all rules together cut of each condition, the unknown one last."""
    states = item.states
    for k, (axis, own) in enumerate(zip(item.axes, item.edges, strict=True)):
        place = [bisect_right(own, cut) for cut in (-math.inf, *cuts[axis])]
        states = np.take(states, [*place, -1], axis=k)
    return states
