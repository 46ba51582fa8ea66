"""The assessor: balls in, a few as facts or many as columns, and what the judge finds on them out."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from itertools import chain, repeat, zip_longest
from statistics import NormalDist
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.rulebooks.decision import Decision
from ballgauge_service.rulebooks.editions import APPROVED_ON, POSITIONS, Edition, Regime, State
from ballgauge_service.rulebooks.judge import NOWHERE, Values, Verdicts, judge
from ballgauge_service.rulebooks.model import COLUMNS, EPOCH, Limit

DayArray = NDArray[np.datetime64]
FloatArray = NDArray[np.float64]

# Balls judged at a time, so that the work of one part stays in the processor's cache (ours, measured).
_PART = 4096
# What a ball in lists and one in arrays cost the interpreter, and what compiling costs [s] (ours, measured).
_LISTED, _ARRAYED, _COMPILING = 2e-5, 2e-4, 15.0
_SIMPLE = Decision()
_BY_BALL = ("overall", "decider", "margin", "nearness", "reason", "unknown")
_EPOCH = EPOCH.toordinal()


class Fact(NamedTuple):
    """One quantity of one ball, in the unit COLUMNS gives.

    `uncertainty`: standard uncertainty, NaN: none given. `alternates`: the values the quantity would have for
    other settings of something unknown; a verdict that differs among them is inconclusive.
    """

    value: float
    uncertainty: float = math.nan
    alternates: tuple[float, ...] = ()


_UNKNOWN = Fact(math.nan)

UNMEASURED = Fact(math.nan, math.inf)
"""A quantity that the ball has for sure, and of which nothing else is known: a hole nobody measured."""


class Column(NamedTuple):
    """One quantity of n balls: `values` (n,) float64, NaN: no data; `uncertainty` (n,) or None, NaN: none."""

    values: FloatArray
    uncertainty: FloatArray | None = None


@dataclass(frozen=True, eq=False, slots=True)
class Assessment:
    """The verdicts of an edition on balls given as facts; of each ball its day of approval, None: unknown."""

    edition: Edition
    facts: Sequence[Mapping[str, Fact]]
    approved_on: Sequence[date | None]
    decision: Decision
    verdicts: Verdicts
    codes: Sequence[Sequence[int]]
    held: Sequence[Sequence[int]]
    """Of each ball the outcome codes of all rules, and the numbers of the states that hold."""

    @property
    def overall(self) -> list[int]:
        """The worst counted outcome of each ball, as codes.

        Advisory rules, and rules that do not reach a ball, do not count; where nothing is judged the outcome
        is not_assessed.
        """
        codes: list[int] = self.verdicts.overall
        return codes

    def outcomes(self, ball: int) -> Sequence[int]:
        """The outcome code of every rule on a ball, -1: not judged."""
        return self.codes[ball]

    def limits(self, ball: int) -> list[Limit | None]:
        """The limit of every rule that decides on a ball: of several that may hold the narrowest.

        Of a nonconforming ball the widest; None where no limit is known, or where they disagree.
        """
        pairs = zip(self.states(ball), self.outcomes(ball), strict=True)
        return [state.quoted(code) for state, code in pairs]

    def states(self, ball: int) -> list[State]:
        """Which limits of every rule hold for a ball."""
        states = self.edition.regime.states
        return [states[number] for number in self.held[ball]]


def assess(
    edition: Edition,
    facts: Sequence[Mapping[str, Fact]],
    approved_on: Sequence[date | None] | None = None,
    decision: Decision = _SIMPLE,
) -> Assessment:
    """Judge balls, each given as its facts, by every rule of an edition.

    Parameters
    ----------
    facts : by column name (see COLUMNS), one mapping a ball; what is not there is unknown
    approved_on : one a ball, None where unknown: there every limit in force until the edition's date may hold
    decision : how values with uncertainty are judged; a value so uncertain that it may lie in one class or
        the next (a weight near 10 lb) is judged by the limits of both

    Raises ValueError for an unknown column or a different number of dates.
    """
    size = len(facts)
    days = [None] * size if approved_on is None else approved_on
    if len(days) != size:
        raise ValueError(f"{size} balls and {len(days)} dates of approval")
    risk = decision.risk if decision.rule == "guarded" else 0.0
    values = values_of(edition, facts, days, decision)
    run = judge.expecting(size * _LISTED, _COMPILING)
    if run == judge.interpreted:
        verdicts = room_in_lists(edition.regime, size)
        run(edition.regime.lists, values, risk, size, verdicts)
    else:
        arrays = room(edition.regime, size)
        run(edition.regime.tables, as_arrays(values, size), risk, size, arrays)
        verdicts = Verdicts(*(each.tolist() for each in arrays))
    codes, held = (list(zip(*each, strict=True)) for each in (verdicts.outcome, verdicts.state))
    return Assessment(edition, facts, days, decision, verdicts, codes, held)


def values_of(
    edition: Edition, facts: Sequence[Mapping[str, Fact]], days: Sequence[date | None], decision: Decision
) -> Values:
    """The values of balls as lists, the day of approval last."""
    size = len(facts)
    names = list(dict.fromkeys(chain.from_iterable(facts)))
    _known(names)
    row = [NOWHERE] * len(POSITIONS)
    for k, name in enumerate((*names, APPROVED_ON)):
        row[POSITIONS[name]] = k
    blank = [math.nan] * size
    values: dict[str, list[float]] = {}
    spread: dict[str, list[float]] = {}
    alternates: dict[str, list[list[float]]] = {}
    rows = [list(zip(*map(each.get, names, repeat(_UNKNOWN)), strict=True)) for each in facts if names]
    if rows:
        known, uncertain, others = zip(*rows, strict=True)
        values = dict(zip(names, map(list, zip(*known, strict=True)), strict=True))
        for k in {k for row in uncertain for k, u in enumerate(row) if u > 0.0}:
            spread[names[k]] = [row[k] if row[k] > 0.0 else math.nan for row in uncertain]
        for k in {k for row in others for k, each in enumerate(row) if each}:
            further = zip_longest(*(row[k] for row in others), fillvalue=math.nan)
            alternates[names[k]] = list(map(list, further))
    for name in edition.regime.twins.keys() & values.keys():
        values[name] = [edition.met(name, value) for value in values[name]]
    by_day = [math.nan if day is None else float(day.toordinal() - _EPOCH) for day in days]
    return Values(
        _reach(decision),
        row,
        [*values.values(), by_day],
        [spread.get(name) or blank if spread else [] for name in (*names, APPROVED_ON)],
        [alternates.get(name, []) for name in (*names, APPROVED_ON)],
    )


@lru_cache(maxsize=64)
def _reach(decision: Decision) -> float:
    return NormalDist().inv_cdf(1.0 - decision.risk)


def _known(names: Sequence[str]) -> None:
    unknown = {APPROVED_ON}.intersection(names) | set(names) - COLUMNS.keys()
    if unknown:
        raise ValueError(f"unknown columns: {', '.join(sorted(unknown))}")


def as_arrays(values: Values, size: int) -> Values:
    """The same values of so many balls as arrays, for the compiled judge."""
    rows, most = len(values.values), max(map(len, values.alternates))
    alternates = np.full((rows, most, size), np.nan)
    for k, each in enumerate(values.alternates):
        if each:
            alternates[k, : len(each)] = each
    number, spread = _flat(values.values).reshape(rows, size), _flat(values.spread).reshape(rows, -1)
    return Values(values.reach, np.array(values.row), number, spread, alternates)


def _flat(rows: Iterable[Sequence[float]]) -> FloatArray:
    return np.fromiter(chain.from_iterable(rows), np.float64)


def room(regime: Regime, length: int, *, held: bool = False) -> Verdicts:
    """Room for the verdicts of the compiled judge; held: whether balls are counted by state."""
    rules, conditions = len(regime.rules), len(regime.tables.condition)
    return Verdicts(
        outcome=np.empty((rules, length), np.int8),
        state=np.empty((rules, length), np.int16),
        overall=np.empty(length, np.int8),
        decider=np.empty(length, np.int16),
        margin=np.empty(length),
        nearness=np.empty(length),
        reason=np.empty(length, np.int32),
        unknown=np.empty(length, np.int64),
        held=np.zeros(len(regime.states) if held else 0, np.int64),
        cells=np.empty((conditions, length), np.int16),
        level=np.empty(conditions, np.bool_),
        shared=np.empty(rules, np.int64),
        worst=np.empty(rules, np.int64),
    )


def room_in_lists(regime: Regime, length: int) -> Verdicts:
    """Room for the verdicts of the interpreted judge."""
    rules, conditions = range(len(regime.rules)), range(len(regime.lists.condition))
    blank = [0] * length
    return Verdicts(
        outcome=[blank[:] for _ in rules],
        state=[blank[:] for _ in rules],
        overall=blank[:],
        decider=blank[:],
        margin=blank[:],
        nearness=blank[:],
        reason=blank[:],
        unknown=blank[:],
        held=(),
        cells=[blank[:] for _ in conditions],
        level=[True for _ in conditions],
        shared=[0 for _ in rules],
        worst=[0 for _ in rules],
    )


def judge_columns(
    edition: Edition,
    columns: Mapping[str, Column],
    approved_on: DayArray | None = None,
    decision: Decision = _SIMPLE,
) -> Verdicts:
    """Judge n balls by every rule of an edition: `Verdicts` as arrays, without `state` and the judge's own.

    Parameters
    ----------
    columns : column name (see COLUMNS) to Column; at least one; absent columns are unknown for every ball
    approved_on : (n,) datetime64[D], NaT where unknown; see `assess`

    Raises ValueError for an unknown column or arrays of different lengths.
    """
    size = _size(columns, approved_on)
    found = room(edition.regime, size, held=True)._replace(state=np.empty((0, 0)), cells=np.empty((0, 0)))
    part = room(edition.regime, min(size, _PART), held=True)
    risk = decision.risk if decision.rule == "guarded" else 0.0
    uncertain = any(column.uncertainty is not None for column in columns.values())
    values = _part_of(columns, min(size, _PART), decision, uncertain=uncertain)
    run = judge.expecting(size * _ARRAYED, _COMPILING)
    for start in range(0, size, _PART):
        here = slice(start, min(start + _PART, size))
        length = here.stop - start
        for row, (name, column) in enumerate(columns.items()):
            values.values[row, :length] = edition.met_all(name, column.values[here])
            if column.uncertainty is not None:
                values.spread[row, :length] = column.uncertainty[here]
        values.values[-1, :length] = _days(approved_on, here)
        verdicts = part._replace(**{name: getattr(found, name)[here] for name in _BY_BALL})
        run(edition.regime.tables, values, risk if uncertain else 0.0, length, verdicts)
        found.outcome[:, here] = part.outcome[:, :length]
    return found._replace(held=part.held)


def _part_of(columns: Mapping[str, Column], length: int, decision: Decision, *, uncertain: bool) -> Values:
    """Room for the values of a part, the day of approval last."""
    row = np.full(len(POSITIONS), NOWHERE)
    for place, name in enumerate((*columns, APPROVED_ON)):
        row[POSITIONS[name]] = place
    rows = len(columns) + 1
    spread = np.full((rows, length if uncertain else 0), np.nan)
    return Values(_reach(decision), row, np.empty((rows, length)), spread, np.empty((rows, 0, length)))


def _days(approved_on: DayArray | None, part: slice) -> Any:
    """Days of approval since 1970, NaN where unknown."""
    if approved_on is None:
        return math.nan
    given = approved_on[part].astype("datetime64[D]", copy=False)
    return np.where(np.isnat(given), math.nan, given.view(np.int64))


def _size(columns: Mapping[str, Column], approved_on: DayArray | None) -> int:
    _known(tuple(columns))
    lengths = {name: column.values.shape for name, column in columns.items()}
    lengths |= {
        f"{name}'s uncertainty": c.uncertainty.shape
        for name, c in columns.items()
        if c.uncertainty is not None
    }
    if approved_on is not None:
        lengths["approved_on"] = approved_on.shape
    if not columns or len(set(lengths.values())) > 1 or len(next(iter(lengths.values()))) != 1:
        raise ValueError(f"columns must be of one dimension and one length; got {lengths}")
    return int(next(iter(lengths.values()))[0])
