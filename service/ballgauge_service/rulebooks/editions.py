"""An edition: one rulebook as it stands on a date and at a stage, compiled to the tables of the judge."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import lru_cache
from itertools import accumulate, chain
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas.shared.words import STAGES, Stage
from ballgauge_service.core.units import EPOCH
from ballgauge_service.rulebooks.cells import DATE, GAP, build_table, with_open_cells
from ballgauge_service.rulebooks.decision import INCONCLUSIVE, NONCONFORMING, NOT_ASSESSED
from ballgauge_service.rulebooks.loader import Own, RulebookError, rulebook
from ballgauge_service.rulebooks.model import COLUMNS, Limit, Rule, Rulebook

APPROVED_ON, MADE_ON = "approved_on", "made_on"
_DAYS = {"approval": APPROVED_ON, "made": MADE_ON}

POSITIONS = {name: position for position, name in enumerate((*COLUMNS, None))}
"""The columns by number: those of the rules, and that of a rule which has none."""

OPEN_RULES_MAXIMUM = 63
"""Most rules of an edition: the judge marks the open ones of a ball in the bits of one integer."""

CELLS_MAXIMUM = 1_000_000
"""Most cells of the tables of an edition (ours)."""
_SAME = 1e-9
"""How far a value in metric units may lie off a printed one after conversion (ours)."""

Interval = tuple[float, float]
_NONE: Interval = (math.nan, math.nan)
_ALL: Interval = (-math.inf, math.inf)


@dataclass(frozen=True, slots=True)
class State:
    """The limits of one rule that may hold for a ball as far as its conditions are known.

    Attributes
    ----------
    rule : position of the rule in the edition
    limits : the limits that may hold, None where none may be known
    unknown : the columns without which, or so near the edge of whose classes, it is open which of several
        holds
    inner, hull : the interval inside which every one of them is kept, and outside which every one is broken
    tight, wide : the narrowest and the widest of them
    exempt : the rule asks nothing
    uncounted : the rule does not reach here
    """

    rule: int
    limits: tuple[Limit | None, ...]
    unknown: tuple[str, ...]
    inner: Interval
    hull: Interval
    tight: Limit | None
    wide: Limit | None
    exempt: bool
    uncounted: bool

    @property
    def printed(self) -> Interval:
        """`inner` by the bounds as they are printed."""
        lows, highs = zip(*(limit.printed for limit in self.limits if limit is not None), strict=True)
        return max(lows), min(highs)

    def quoted(self, code: int) -> Limit | None:
        """The limit that decides on an outcome: the narrowest that may hold; where it is broken the widest.

        None where they disagree.
        """
        if code in (NOT_ASSESSED, INCONCLUSIVE) and len(self.limits) > 1:
            return None
        return self.wide if code == NONCONFORMING else self.tight


class Tables(NamedTuple):
    """The rules as the judge reads them: arrays, or lists for the interpreter.

    Conditions, the columns that decide which limit holds: `condition` their numbers; `edges` cut the values
    of condition k, from `edge_start[k]` to `edge_start[k + 1]`, into cells; then come a cell for each edge,
    of values too uncertain to lie on either side, and that of an unknown value. Rules: `column` of
    the value, `only_measured`, `advisory`, `partial`: some of its states are uncounted; the state of a ball
    is that at `offset` plus stride times cell over the axes from
    `axis_start[r]` to `axis_start[r + 1]` in `table`. States: the ends of `State`'s intervals, the ends, as
    printed, of its narrowest and widest limit, one over what a margin to these is in proportion to, `exempt`,
    `uncounted`.
    """

    condition: Any
    edge_start: Any
    edges: Any
    column: Any
    only_measured: Any
    advisory: Any
    partial: Any
    axis_start: Any
    axis: Any
    stride: Any
    offset: Any
    table: Any
    inner_low: Any
    inner_high: Any
    hull_low: Any
    hull_high: Any
    tight_low: Any
    tight_high: Any
    wide_low: Any
    wide_high: Any
    tight_scale: Any
    wide_scale: Any
    exempt: Any
    uncounted: Any


_KINDS: dict[str, type] = {
    **dict.fromkeys(
        ("condition", "edge_start", "column", "axis_start", "axis", "stride", "offset"), np.int64
    ),
    **dict.fromkeys(("only_measured", "advisory", "partial", "exempt", "uncounted"), bool),
    "table": np.int16,
}


def in_arrays(tables: Tables) -> Tables:
    """Tables of lists as tables of arrays, which compiled code reads."""
    return Tables(**{name: np.array(row, _KINDS.get(name, float)) for name, row in tables._asdict().items()})


@dataclass(frozen=True, eq=False, slots=True)
class Regime:
    """The rules of a rulebook at a stage, over dates between which none that binds by use changes.

    Attributes
    ----------
    rules : the rules of that stage, and `index`, their positions by id
    states : all states of all rules
    tables, lists : the same as the judge reads them, compiled and interpreted
    twins : of a column, the metric twins printed beside limits, and these limits
    """

    rules: tuple[Rule, ...]
    index: dict[str, int]
    states: tuple[State, ...]
    tables: Tables
    lists: Tables
    twins: dict[str, tuple[tuple[float, float], ...]]


@dataclass(frozen=True, eq=False, slots=True)
class Edition:
    """A rulebook compiled for a date and a stage.

    Attributes
    ----------
    source : the rulebook
    on : the date of use (of submission, at the stage approval)
    on_given : False where no date was given and the rulebook's own `compiled_on` stands in
    stage : approval or play
    regime : the rules of that stage in force on that date
    """

    source: Rulebook = field(repr=False)
    on: date
    on_given: bool
    stage: Stage
    regime: Regime = field(repr=False)

    @property
    def body(self) -> str:
        """The body's name."""
        return self.source.body

    @property
    def edition(self) -> str:
        """Which state of the rules this is, in words."""
        return self.source.edition

    def met(self, column: str, value: float) -> float:
        """The value as it is judged: where it is just a limit's printed metric twin, the limit."""
        for twin, limit in self.regime.twins.get(column, ()):
            if abs(value - twin) <= _SAME:
                return limit
        return value

    def met_all(self, column: str, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """The same for many values."""
        for twin, limit in self.regime.twins.get(column, ()):
            values = np.where(np.abs(values - twin) <= _SAME, limit, values)
        return values

    @property
    def overlay(self) -> str | None:
        """The names of the overlays laid over it, None where there are none."""
        return ", ".join(each.body for each in self.source.overlays) or None

    @property
    def rules(self) -> tuple[Rule, ...]:
        """The rules in force, in the order of the rulebook."""
        return self.regime.rules


def edition(
    body: str,
    on: date | None = None,
    stage: Stage = "play",
    *overlays: str | Own | None,
    as_made: str | None = None,
) -> Edition:
    """The rules of a body on a date at a stage, with overlays laid over them, compiled once and kept.

    Raises UnknownRulebookError for an unknown body or overlay, RulebookError for an overlay of one's own that
    does not fit, ValueError for an unknown stage.
    """
    return compile_edition(rulebook(body, *overlays, as_made=as_made), on, stage)


@lru_cache(maxsize=256)
def compile_edition(source: Rulebook, on: date | None = None, stage: Stage = "play") -> Edition:
    """Compile a rulebook for a date (None: its `compiled_on`) and a stage.

    Raises ValueError for an unknown stage, RulebookError for a rulebook too large to compile.
    """
    if stage not in STAGES:
        raise ValueError(f"stage must be approval or play; got {stage!r}")
    day = on or source.compiled_on
    stretch = bisect_right(_changes(source), (day - EPOCH).days)
    return Edition(source, day, on is not None, stage, _regime(source, stretch, stage))


@lru_cache(maxsize=32)
def _changes(source: Rulebook) -> tuple[float, ...]:
    """The days on which a rule changes, in days since 1970-01-01."""
    days = set()
    for table in (build_table(rule.limits) for rule in source.rules):
        for axis, edges in zip(table.axes, table.edges, strict=True):
            days |= set(edges) if axis in (DATE, APPROVED_ON, MADE_ON) else set()
    return tuple(sorted(days))


@lru_cache(maxsize=128)
def _regime(source: Rulebook, stretch: int, stage: Stage) -> Regime:
    day = (-math.inf, *_changes(source))[stretch]
    rules = tuple(
        replace(rule, advisory=rule.advisory or stage in rule.advice_at)
        for rule in source.rules
        if stage in rule.stages
    )
    if len(rules) > OPEN_RULES_MAXIMUM:
        raise RulebookError(source.title, [f"more than {OPEN_RULES_MAXIMUM} rules at one stage"], None)
    states: list[State] = []
    grids = [_grid(rule, place, day, states) for place, rule in enumerate(rules)]
    if _cells(grids) > CELLS_MAXIMUM:
        text = "the conditions of all rules together cut balls into too many kinds"
        raise RulebookError(source.title, [text], None)
    lists = _tables(rules, grids, states, stage)
    tables = in_arrays(lists)
    twins: dict[str, tuple[tuple[float, float], ...]] = {}
    for rule in rules:
        pairs = [
            (each.twin, each.max) for each in rule.limits if each.twin is not None and each.max is not None
        ]
        if pairs:
            twins[str(rule.quantity)] = (*twins.get(str(rule.quantity), ()), *pairs)
    index = {rule.id: place for place, rule in enumerate(rules)}
    return Regime(rules, index, tuple(states), tables, lists, twins)


class _Grid(NamedTuple):
    """The states of a rule: (cells of each axis) numbers, see `with_open_cells`."""

    axes: tuple[str, ...]
    edges: tuple[tuple[float, ...], ...]
    states: NDArray[np.int16]


def _grid(rule: Rule, place: int, day: float, states: list[State]) -> _Grid:
    table = build_table(rule.limits)
    sets, axes, edges = table.sets, (_DAYS.get(rule.binds, DATE), *table.axes[1:]), table.edges
    if rule.binds == "use":
        sets, axes, edges = sets[bisect_right(edges[0], day)], axes[1:], edges[1:]
    sets = np.asarray(sets, dtype=object)
    for k, (axis, cuts) in enumerate(zip(axes, edges, strict=True)):
        # No ball is approved or made after the day of use.
        last = bisect_right(cuts, day) if axis in (APPROVED_ON, MADE_ON) else len(cuts)
        sets = with_open_cells(sets, k, last, eras=k == 0 and rule.binds != "use")
    for k in reversed(range(len(axes))):
        if (sets == np.take(sets, [0], axis=k)).all():
            sets, axes, edges = np.take(sets, 0, axis=k), axes[:k] + axes[k + 1 :], edges[:k] + edges[k + 1 :]
    sets = np.asarray(sets, dtype=object)
    numbers: dict[tuple[frozenset[int], tuple[str, ...]], int] = {}
    grid = np.empty(sets.shape, dtype=np.int16)
    for cell, holding in np.ndenumerate(sets):
        lacking = tuple(
            axis
            for k, (axis, cuts) in enumerate(zip(axes, edges, strict=True))
            if cell[k] > len(cuts)
            and any(sets[(*cell[:k], c, *cell[k + 1 :])] != holding for c in range(len(cuts) + 1))
        )
        key = (holding, lacking if len(holding) > 1 else ())
        if key not in numbers:
            numbers[key] = len(states)
            states.append(_state(place, holding, key[1], rule.limits))
        grid[cell] = numbers[key]
    return _Grid(axes, edges, grid)


def _state(rule: int, holding: frozenset[int], unknown: tuple[str, ...], limits: Sequence[Limit]) -> State:
    held = tuple(None if position == GAP else limits[position] for position in sorted(holding))
    effects = {"gap" if limit is None else limit.effect for limit in held}
    judging = [limit for limit in held if limit is not None and limit.effect in ("limit", "exempt")]
    inner, hull = _NONE, _NONE
    if judging and effects <= {"limit", "exempt", "unbound"}:
        lows, highs = zip(*(limit.interval for limit in judging), strict=True)
        least, most = zip(*(limit.outer for limit in judging), strict=True)
        inner = max(lows), min(highs)
        hull = _ALL if "unbound" in effects else (min(least), max(most))
    elif judging:
        inner, hull = (math.inf, -math.inf), _ALL
    by_width = sorted(judging, key=_width) or held
    return State(
        rule,
        held,
        unknown,
        inner,
        hull,
        tight=by_width[0],
        wide=by_width[-1],
        exempt=effects == {"exempt"},
        uncounted=effects <= {"unbound"},
    )


def _width(limit: Limit) -> tuple[float, float, float]:
    low, high = limit.interval
    return high - low, high, -low


def _tables(rules: Sequence[Rule], grids: Sequence[_Grid], states: Sequence[State], stage: Stage) -> Tables:
    cuts: dict[str, set[float]] = {}
    for axis, edges in chain.from_iterable(zip(grid.axes, grid.edges, strict=True) for grid in grids):
        cuts.setdefault(axis, set()).update(edges)
    conditions = sorted(cuts)
    edges_of = {axis: sorted(cuts[axis]) for axis in conditions}
    spread = [_spread(grid, edges_of) for grid in grids]
    ends = [(_ends(state.tight), _ends(state.wide)) for state in states]
    return Tables(
        condition=[POSITIONS[axis] for axis in conditions],
        edge_start=_starts(len(edges_of[axis]) for axis in conditions),
        edges=[edge for axis in conditions for edge in edges_of[axis]],
        column=[POSITIONS[rule.quantity] for rule in rules],
        only_measured=[stage in rule.when_measured for rule in rules],
        advisory=[rule.advisory for rule in rules],
        partial=[
            any(states[number].uncounted for number in set(grid.states.ravel().tolist())) for grid in grids
        ],
        axis_start=_starts(len(grid.axes) for grid in grids),
        axis=[conditions.index(axis) for grid in grids for axis in grid.axes],
        stride=[math.prod(table.shape[k + 1 :]) for table in spread for k in range(table.ndim)],
        offset=_starts(table.size for table in spread)[:-1],
        table=[number for table in spread for number in table.ravel().tolist()],
        inner_low=[state.inner[0] for state in states],
        inner_high=[state.inner[1] for state in states],
        hull_low=[state.hull[0] for state in states],
        hull_high=[state.hull[1] for state in states],
        tight_low=[tight[0] for tight, _ in ends],
        tight_high=[tight[1] for tight, _ in ends],
        wide_low=[wide[0] for _, wide in ends],
        wide_high=[wide[1] for _, wide in ends],
        tight_scale=[_scale(tight) for tight, _ in ends],
        wide_scale=[_scale(wide) for _, wide in ends],
        exempt=[state.exempt for state in states],
        uncounted=[state.uncounted for state in states],
    )


def _cells(grids: Sequence[_Grid]) -> int:
    """How many cells the tables of all rules have together."""
    cuts: dict[str, set[float]] = {}
    for axis, edges in chain.from_iterable(zip(grid.axes, grid.edges, strict=True) for grid in grids):
        cuts.setdefault(axis, set()).update(edges)
    return sum(math.prod(len(cuts[axis]) + 2 for axis in grid.axes) for grid in grids)


def _starts(counts: Any) -> list[int]:
    return list(accumulate(counts, initial=0))


def _spread(grid: _Grid, edges_of: dict[str, list[float]]) -> NDArray[np.int16]:
    """The rule's states over the cells that all rules together cut of each condition."""
    states = grid.states
    for k, (axis, own) in enumerate(zip(grid.axes, grid.edges, strict=True)):
        cuts = edges_of[axis]
        places = [bisect_right(own, cut) for cut in (-math.inf, *cuts)]
        between = [
            len(own) + place if cut in own else place for cut, place in zip(cuts, places[1:], strict=True)
        ]
        states = np.take(states, [*places, *between, -1], axis=k)
    return states


def _ends(limit: Limit | None) -> Interval:
    return limit.printed if limit is not None and limit.effect in ("limit", "exempt") else _NONE


def _scale(ends: Interval) -> float:
    """One over what a margin is in proportion to: the width of the limits, or the only limit."""
    finite = [end for end in ends if math.isfinite(end)]
    return 1.0 / (abs(finite[-1] - (finite[0] if len(finite) > 1 else 0.0)) or 1.0) if finite else 1.0
