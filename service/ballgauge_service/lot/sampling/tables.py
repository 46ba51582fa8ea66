"""Attributes sampling by tables: code letters, single sampling plans and switching of ISO 2859-1.

The tables are data in `iso_2859_1/*.toml`, each with its source and basis; this module reads them.
"""

from __future__ import annotations

import functools
import math
import tomllib
from dataclasses import dataclass, replace
from importlib import resources
from typing import Any

from ballgauge_schemas.shared.limits import INSPECTION, LEVEL
from ballgauge_schemas.shared.words import INSPECTIONS, LEVELS
from ballgauge_service.lot.statistics.basics import (
    BadArgument,
    number,
    one_of,
    whole_number,
)

# Above this AQL the standard counts nonconformities per 100 items, not nonconforming items.
LARGEST_PERCENT_NONCONFORMING = 10.0

# ISO 2859-1:1999, 9.3 and 9.4, from memory.
WINDOW = 5
REJECTIONS_TO_TIGHTEN = 2
ACCEPTANCES_TO_RELAX = 5
SCORE_FOR_REDUCED = 30
SCORE_SMALL_ACCEPTANCE_NUMBER = 2
SCORE_TIGHTER_ACCEPTED = 3
REJECTIONS_TO_DISCONTINUE = 5


@dataclass(frozen=True, slots=True)
class SingleSamplingPlan:
    """How many balls to take and how many nonconforming ones still accept the lot.

    `aql` is in percent (or nonconformities per 100 balls, see `counts`). `code_letter` is the letter of the
    lot, `plan_letter` the one whose plan the arrows led to. `counts` says what to count:
    `nonconforming_balls` or `nonconformities`. With `full_inspection` every ball of the lot is inspected.
    """

    sample_size: int
    acceptance_number: int
    rejection_number: int
    lot_size: int
    code_letter: str
    plan_letter: str
    level: str
    aql: float
    inspection: str
    full_inspection: bool
    counts: str
    source: str
    basis: str

    def outcome(self, count: int) -> str:
        """Judge a lot by its count.

        Parameters
        ----------
        count : int, nonconforming in the sample

        Returns
        -------
        str, `conforming` where that accepts the lot, else `nonconforming`
        """
        found = whole_number("count", count, 0)
        return "conforming" if found <= self.acceptance_number else "nonconforming"


@dataclass(frozen=True, slots=True)
class TablePlan:
    """What a master table says for one code letter and AQL, before the lot's size is looked at."""

    sample_size: int
    acceptance_number: int
    plan_letter: str
    source: str
    basis: str


def acceptable_quality_limits() -> tuple[float, ...]:
    """The AQLs of the tables.

    Returns
    -------
    (26,) tuple of float, percent, 0.010 to 1000

    References
    ----------
    ISO 2859-1:1999, from memory.
    """
    return tuple(float(value) for value in _table("single_normal")["aql"])


def code_letter(lot_size: int, level: str = LEVEL) -> str:
    """Return the sample size code letter of a lot.

    Parameters
    ----------
    lot_size : balls in the lot, at least 2
    level : inspection level: `S-1` to `S-4`, `I`, `II` (the usual one) or `III`

    Returns
    -------
    str

    Raises
    ------
    BadArgument
        Naming `lot_size` or `level`.

    References
    ----------
    ISO 2859-1:1999, Table 1.
    """
    size = whole_number("lot_size", lot_size, 2)
    column = LEVELS.index(one_of("level", level, LEVELS))
    classes = _table("code_letters")["classes"]
    letters = next((row for largest, row in classes if size <= largest), classes[-1][1])
    return str(letters.split()[column])


def single_sampling_plan(
    lot_size: int, aql: float, *, level: str = LEVEL, inspection: str = INSPECTION
) -> SingleSamplingPlan:
    """Return the single sampling plan of a lot.

    Parameters
    ----------
    lot_size : balls in the lot, at least 2
    aql : acceptable quality limit in percent, one of `acceptable_quality_limits()`; above 10 it counts
        nonconformities per 100 balls
    level : inspection level, see `code_letter`
    inspection : `normal`, `tightened` or `reduced`

    Returns
    -------
    SingleSamplingPlan

    Raises
    ------
    BadArgument
        Naming `lot_size`, `aql`, `level` or `inspection`.

    Notes
    -----
    The arrow rule: where the cell of the letter is an arrow, the first plan below (or above) it applies
    with its own sample size. A sample as large as the lot or larger means that every ball is inspected.

    References
    ----------
    ISO 2859-1:1999, Tables 1, 2-A, 2-B and 2-C.
    """
    letter = code_letter(lot_size, level)
    plan = plan_for_letter(letter, aql, inspection)
    full = plan.sample_size >= lot_size
    limit = number("aql", aql)
    return SingleSamplingPlan(
        sample_size=int(lot_size) if full else plan.sample_size,
        acceptance_number=plan.acceptance_number,
        rejection_number=plan.acceptance_number + 1,
        lot_size=int(lot_size),
        code_letter=letter,
        plan_letter=plan.plan_letter,
        level=level,
        aql=limit,
        inspection=inspection,
        full_inspection=full,
        counts="nonconformities" if limit > LARGEST_PERCENT_NONCONFORMING else "nonconforming_balls",
        source=plan.source,
        basis=plan.basis,
    )


def plan_for_letter(letter: str, aql: float, inspection: str = INSPECTION) -> TablePlan:
    """Follow the arrows of a master table from a code letter to a plan; see `single_sampling_plan`.

    Parameters
    ----------
    letter : str, code letter
    aql : float, percent
    inspection : str

    Returns
    -------
    TablePlan

    Raises
    ------
    BadArgument naming the argument
    """
    table = _table("single_" + one_of("inspection", inspection, INSPECTIONS))
    column = _aql_column(aql)
    letters = list(table["sample_size"])
    row = letters.index(one_of("letter", letter, letters))
    cell = _cell(table, letters[row], column)
    while not cell.isdigit():
        if cell == "-":
            raise BadArgument("letter", f"{letter} has no plan at AQL {aql:g} in the {inspection} table")
        row += 1 if cell.startswith("v") else -1
        cell = _cell(table, letters[row], column)
    return TablePlan(
        sample_size=int(table["sample_size"][letters[row]]),
        acceptance_number=int(cell),
        plan_letter=letters[row],
        source=str(table["source"]),
        basis=str(table["basis"]),
    )


def acceptance_number_one_step_tighter(plan: SingleSamplingPlan) -> int:
    """Acceptance number at the plan's own letter with the AQL one step tighter.

    Parameters
    ----------
    plan : SingleSamplingPlan, normal, with an acceptance number of 2 or more

    Returns
    -------
    int

    Raises
    ------
    BadArgument naming `plan` where the table has no such number

    References
    ----------
    ISO 2859-1:1999, 9.3.3.2, which asks it for the switching score (from memory).
    """
    column = _aql_column(plan.aql)
    table = _table("single_" + plan.inspection)
    cell = _cell(table, plan.plan_letter, column - 1) if column else "-"
    if plan.acceptance_number < 2 or not cell.isdigit():
        raise BadArgument("plan", "must have an acceptance number of 2 or more and a plan one AQL tighter")
    return int(cell)


def _aql_column(aql: float) -> int:
    limit = number("aql", aql, above=0.0)
    known = acceptable_quality_limits()
    column = next((i for i, value in enumerate(known) if math.isclose(value, limit, rel_tol=1e-9)), None)
    if column is None:
        raise BadArgument(
            "aql", f"must be one of {', '.join(f'{value:g}' for value in known)}; got {limit:g}"
        )
    return column


def _cell(table: dict[str, Any], letter: str, column: int) -> str:
    return str(table["acceptance"][letter].split()[column])


@functools.cache
def _table(name: str) -> dict[str, Any]:
    text = resources.files(__package__).joinpath("iso_2859_1", f"{name}.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@dataclass(frozen=True, slots=True)
class SwitchingState:
    """Where a series of lots stands before its next lot.

    `recent` holds the outcomes of the last lots under the present inspection (True: accepted), at most five.
    `score` is the switching score. `tightened_rejections` counts the lots not accepted since tightened
    inspection began. `discontinued`: acceptance under this scheme has stopped.
    """

    inspection: str = INSPECTION
    score: int = 0
    recent: tuple[bool, ...] = ()
    tightened_rejections: int = 0
    discontinued: bool = False


@dataclass(frozen=True, slots=True)
class SwitchingStep:
    """One lot of a series: its plan, what was found, its outcome, and what the series does next."""

    lot: int
    plan: SingleSamplingPlan
    count: int
    outcome: str
    next: SwitchingState
    message: str


def next_state(state: SwitchingState, plan: SingleSamplingPlan, count: int) -> tuple[SwitchingState, str]:
    """Return the state after a lot on original inspection, and a sentence on any switch.

    Parameters
    ----------
    state : the state before the lot; its inspection must be the plan's
    plan : the plan the lot was judged by
    count : nonconforming balls (or nonconformities) found in the sample

    Returns
    -------
    tuple[SwitchingState, str]

    Raises
    ------
    BadArgument
        Naming `state`, `plan` or `count`.

    Notes
    -----
    Rules (ISO 2859-1:1999, 9.3, from memory). Normal to tightened: two of the last five or fewer lots not
    accepted. Tightened to normal: five lots accepted one after another. Normal to reduced: a switching
    score of 30; a lot adds 3 if it would have been accepted at an AQL one step tighter (acceptance number 2
    or more), or 2 if it was accepted (acceptance number 0 or 1), and anything else sets the score to 0.
    Reduced to normal: a lot not accepted. Five lots not accepted in one spell of tightened inspection:
    acceptance is discontinued. Reduced inspection is taken as permitted (an option of 9.3.3.1).
    """
    found = whole_number("count", count, 0)
    if state.discontinued:
        raise BadArgument(
            "state", "must not be discontinued: acceptance has stopped until the maker has acted"
        )
    if plan.inspection != state.inspection:
        raise BadArgument("plan", f"must be a {state.inspection} plan; got {plan.inspection}")
    accepted = found <= plan.acceptance_number
    recent = (*state.recent, accepted)[-WINDOW:]
    if state.inspection == "tightened":
        return _after_tightened(state, recent)
    if state.inspection == "reduced":
        return _after_reduced(state, recent)
    score = state.score + _points(plan, found) if _points(plan, found) else 0
    return _after_normal(replace(state, score=score, recent=recent))


def switching_step(
    lot: int, state: SwitchingState, lot_size: int, count: int, aql: float, level: str
) -> SwitchingStep:
    """Judge one lot of a series by the plan in force; see `next_state`.

    Parameters
    ----------
    lot : int, place in the series
    state : SwitchingState, before it
    lot_size : int
    count : int, nonconforming balls that there may be in the sample
    aql : float, percent
    level : str

    Returns
    -------
    SwitchingStep
    """
    plan = single_sampling_plan(lot_size, aql, level=level, inspection=state.inspection)
    following, message = next_state(state, plan, count)
    return SwitchingStep(lot, plan, count, plan.outcome(count), following, message)


def _points(plan: SingleSamplingPlan, found: int) -> int:
    if plan.acceptance_number < 2:
        return SCORE_SMALL_ACCEPTANCE_NUMBER if found <= plan.acceptance_number else 0
    return SCORE_TIGHTER_ACCEPTED if found <= acceptance_number_one_step_tighter(plan) else 0


def _after_normal(state: SwitchingState) -> tuple[SwitchingState, str]:
    if state.recent.count(False) >= REJECTIONS_TO_TIGHTEN:
        return SwitchingState("tightened"), "two of the last five lots were not accepted: tightened from now"
    if state.score >= SCORE_FOR_REDUCED:
        return SwitchingState("reduced"), f"the switching score is {state.score}: reduced from now"
    return state, ""


def _after_tightened(state: SwitchingState, recent: tuple[bool, ...]) -> tuple[SwitchingState, str]:
    rejections = state.tightened_rejections + (not recent[-1])
    if rejections >= REJECTIONS_TO_DISCONTINUE:
        stopped = replace(state, recent=recent, tightened_rejections=rejections, discontinued=True)
        return stopped, "five lots were not accepted under tightened inspection: acceptance is discontinued"
    if len(recent) >= ACCEPTANCES_TO_RELAX and all(recent):
        return SwitchingState("normal"), "five lots were accepted one after another: normal from now"
    return replace(state, recent=recent, tightened_rejections=rejections), ""


def _after_reduced(state: SwitchingState, recent: tuple[bool, ...]) -> tuple[SwitchingState, str]:
    if not recent[-1]:
        return SwitchingState("normal"), "a lot was not accepted under reduced inspection: normal from now"
    return replace(state, recent=recent), ""
