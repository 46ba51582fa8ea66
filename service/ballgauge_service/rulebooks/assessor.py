"""The assessor: balls in, a few as facts or many as columns, and what the judge finds on them out."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import chain, zip_longest
from statistics import NormalDist
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.rulebooks.decision import Decision
from ballgauge_service.rulebooks.editions import APPROVED_ON, POSITIONS, Edition, Regime, State
from ballgauge_service.rulebooks.judge import NOWHERE, Values, Verdicts, judge
from ballgauge_service.rulebooks.model import COLUMNS, Limit

DayArray = NDArray[np.datetime64]
FloatArray = NDArray[np.float64]

# Balls judged at a time, so that the work of one part stays in the processor's cache (ours, measured).
_PART = 4096
# What a ball in lists and one in arrays cost the interpreter, and what compiling costs [s] (ours, measured).
_LISTED, _ARRAYED, _COMPILING = 2e-5, 2e-4, 15.0
_SIMPLE = Decision()
_BY_BALL = ("overall", "decider", "margin", "nearness", "reason", "unknown")


class Fact(NamedTuple):
    """One quantity of one ball, in the unit COLUMNS gives.

    `uncertainty`: standard uncertainty, NaN: none given. `alternates`: the values the quantity would have for
    other settings of something unknown; a verdict that differs among them is inconclusive.
    """

    value: float
    uncertainty: float = math.nan
    alternates: tuple[float, ...] = ()


UNMEASURED = Fact(math.nan, math.inf)
"""A quantity that the ball has for sure, and of which nothing else is known: a hole nobody measured."""


class Facts(NamedTuple):
    """What is known of one ball, by the numbers of the columns, see `POSITIONS`.

    `values`, one a column, NaN: not known; `spread`: standard uncertainties where there are, infinite: see
    `UNMEASURED`; `alternates`, see `Fact`.
    """

    values: list[float]
    spread: dict[int, float]
    alternates: dict[int, tuple[float, ...]]

    @classmethod
    def none(cls) -> Facts:
        """Nothing, to add to."""
        return cls(_BLANK.copy(), {}, {})

    @classmethod
    def of(cls, given: Mapping[str, Fact]) -> Facts:
        """Facts by the names of their columns. Raises ValueError for an unknown one."""
        _known(given)
        facts = cls.none()
        for name, fact in given.items():
            facts.add(POSITIONS[name], *fact)
        return facts

    def add(
        self, column: int, value: float, uncertainty: float = math.nan, alternates: tuple[float, ...] = ()
    ) -> None:
        """Add what is known of a column."""
        self.values[column] = value
        if uncertainty == uncertainty:
            self.spread[column] = uncertainty
        if alternates:
            self.alternates[column] = alternates

    def knows(self, column: int) -> bool:
        """Whether the ball has the quantity, measured or not."""
        return self.values[column] == self.values[column] or column in self.spread


_BLANK = [math.nan] * len(POSITIONS)
_EVERYWHERE = list(range(len(POSITIONS)))
_ROWS = np.arange(len(POSITIONS))


class Column(NamedTuple):
    """One quantity of n balls: `values` (n,) float64, NaN: no data; `uncertainty` (n,) or None, NaN: none."""

    values: FloatArray
    uncertainty: FloatArray | None = None


@dataclass(frozen=True, eq=False, slots=True)
class Assessment:
    """The verdicts of an edition on balls given as facts."""

    edition: Edition
    facts: Sequence[Facts]
    decision: Decision
    verdicts: Verdicts
    overall: Sequence[int]
    """The worst counted outcome of each ball, as codes.

    Advisory rules, and rules that do not reach a ball, do not count; where nothing is judged the outcome is
    not_assessed.
    """
    codes: Sequence[Sequence[int]]
    held: Sequence[Sequence[int]]
    """Of each ball the outcome codes of all rules, and the numbers of the states that hold."""

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


def assess(edition: Edition, facts: Sequence[Facts], decision: Decision = _SIMPLE) -> Assessment:
    """Judge balls, each given as its facts, by every rule of an edition.

    Parameters
    ----------
    facts : one a ball; where the day of approval is unknown, every limit in force until the edition's date
        may hold
    decision : how values with uncertainty are judged; a value so uncertain that it may lie in one class or
        the next (a weight near 10 lb) is judged by the limits of both
    """
    size = len(facts)
    risk = decision.risk if decision.rule == "guarded" else 0.0
    run = judge.expecting(size * _LISTED, _COMPILING)
    if run == judge.interpreted:
        found = room_in_lists(edition.regime, size)
        run(edition.regime.lists, values_of(edition, facts, decision), risk, size, found)
        codes, held = (list(zip(*each, strict=True)) for each in (found.outcome, found.state))
        return Assessment(edition, facts, decision, found, found.overall, codes, held)
    found = room(edition.regime, size)
    run(edition.regime.tables, as_arrays(values_of(edition, facts, decision), size), risk, size, found)
    overall, codes, held = (each.T.tolist() for each in (found.overall, found.outcome, found.state))
    return Assessment(edition, facts, decision, found, overall, codes, held)


def values_of(edition: Edition, facts: Sequence[Facts], decision: Decision) -> Values:
    """The values of balls as lists, of every column."""
    values = list(map(list, zip(*(each.values for each in facts), strict=True))) or [[] for _ in _EVERYWHERE]
    for name in edition.regime.twins:
        column = POSITIONS[name]
        values[column] = [edition.met(name, value) for value in values[column]]
    return Values(_reach(decision), _EVERYWHERE, values, _spread_of(facts), _alternates_of(facts))


def _spread_of(facts: Sequence[Facts]) -> list[list[float]]:
    """Standard uncertainties of balls by column, none for every column where there are none at all."""
    columns = {column for each in facts for column, u in each.spread.items() if u > 0.0}
    if not columns:
        return [[] for _ in _EVERYWHERE]
    blank = [math.nan] * len(facts)
    spread = [blank] * len(_EVERYWHERE)
    for column in columns:
        known = [each.spread.get(column, math.nan) for each in facts]
        spread[column] = [u if u > 0.0 else math.nan for u in known]
    return spread


def _alternates_of(facts: Sequence[Facts]) -> list[list[list[float]]]:
    """The values that quantities of balls may also have, by column."""
    alternates: list[list[list[float]]] = [[] for _ in _EVERYWHERE]
    for column in {column for each in facts for column in each.alternates}:
        others = (each.alternates.get(column, ()) for each in facts)
        alternates[column] = list(map(list, zip_longest(*others, fillvalue=math.nan)))
    return alternates


@lru_cache(maxsize=64)
def _reach(decision: Decision) -> float:
    return NormalDist().inv_cdf(1.0 - decision.risk)


def _known(names: Iterable[str]) -> None:
    unknown = set(names) - COLUMNS.keys()
    if unknown:
        raise ValueError(f"unknown columns: {', '.join(sorted(unknown))}")


def as_arrays(values: Values, size: int) -> Values:
    """The same values of so many balls as arrays, for the compiled judge."""
    rows, most = len(values.values), max(map(len, values.alternates))
    alternates = np.full((rows, most, size), np.nan)
    for k, each in enumerate(values.alternates if most else ()):
        if each:
            alternates[k, : len(each)] = each
    number, spread = _flat(values.values).reshape(rows, size), _flat(values.spread).reshape(rows, -1)
    return Values(values.reach, _ROWS, number, spread, alternates)


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
    _known(columns)
    if APPROVED_ON in columns:
        raise ValueError("days of approval are not a column")
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
