"""Attributes sampling by tables: code letters and single sampling plans of ISO 2859-1.

The tables are data in `tables/*.toml`, each with its source and basis; this module reads them. Cells the
memory is less sure of are marked there, and a plan that comes from one says so in `doubtful`.
"""

from __future__ import annotations

import functools
import math
import tomllib
from dataclasses import dataclass
from importlib import resources
from typing import Any

from ballgauge_schemas.shared.words import INSPECTIONS, LEVELS
from ballgauge_service.lot.statistics.basics import number, one_of, whole_number
from ballgauge_service.lot.statistics.statements import Statement

# Above this AQL the standard counts nonconformities per 100 items, not nonconforming items.
LARGEST_PERCENT_NONCONFORMING = 10.0


@dataclass(frozen=True)
class SingleSamplingPlan(Statement):
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
    doubtful: bool
    notes: tuple[str, ...]

    def outcome(self, count: int) -> str:
        """Return `conforming` when `count` found in the sample accepts the lot, else `nonconforming`."""
        found = whole_number("count", count, 0)
        return "conforming" if found <= self.acceptance_number else "nonconforming"


@dataclass(frozen=True)
class TablePlan(Statement):
    """What a master table says for one code letter and AQL, before the lot's size is looked at."""

    sample_size: int
    acceptance_number: int
    plan_letter: str
    source: str
    basis: str
    doubtful: bool
    notes: tuple[str, ...]


def acceptable_quality_limits() -> tuple[float, ...]:
    """Return the 26 AQLs of the tables, in percent: 0.010 to 1000 (ISO 2859-1:1999, from memory)."""
    return tuple(float(value) for value in _table("single_normal")["aql"])


def code_letter(lot_size: int, level: str = "II") -> str:
    """Return the sample size code letter of a lot.

    Parameters
    ----------
    lot_size : balls in the lot, at least 2
    level : inspection level: `S-1` to `S-4`, `I`, `II` (the usual one) or `III`

    Source: ISO 2859-1:1999, Table 1, from memory.
    Raises ValueError naming `lot_size` or `level`.
    """
    size = whole_number("lot_size", lot_size, 2)
    column = LEVELS.index(one_of("level", level, LEVELS))
    classes = _table("code_letters")["classes"]
    letters = next((row for largest, row in classes if size <= largest), classes[-1][1])
    return str(letters.split()[column])


def single_sampling_plan(
    lot_size: int, aql: float, *, level: str = "II", inspection: str = "normal"
) -> SingleSamplingPlan:
    """Return the single sampling plan of a lot.

    Parameters
    ----------
    lot_size : balls in the lot, at least 2
    aql : acceptable quality limit in percent, one of `acceptable_quality_limits()`; above 10 it counts
        nonconformities per 100 balls
    level : inspection level, see `code_letter`
    inspection : `normal`, `tightened` or `reduced`

    The arrow rule: where the cell of the letter is an arrow, the first plan below (or above) it applies with
    its own sample size. A sample as large as the lot or larger means that every ball is inspected.

    Source: ISO 2859-1:1999, Tables 1, 2-A, 2-B and 2-C, from memory.
    Raises ValueError naming `lot_size`, `aql`, `level` or `inspection`.
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
        doubtful=plan.doubtful,
        notes=plan.notes,
    )


def plan_for_letter(letter: str, aql: float, inspection: str = "normal") -> TablePlan:
    """Follow the arrows of a master table from a code letter to a plan; see `single_sampling_plan`."""
    table = _table("single_" + one_of("inspection", inspection, INSPECTIONS))
    column = _aql_column(aql)
    letters = list(table["sample_size"])
    row = letters.index(one_of("letter", letter, letters))
    doubtful = False
    cell = _cell(table, letters[row], column)
    while not cell.rstrip("?").isdigit():
        if cell == "-":
            raise ValueError(f"letter {letter} has no plan at AQL {aql:g} in the {inspection} table")
        doubtful |= cell.endswith("?")
        row += 1 if cell.startswith("v") else -1
        cell = _cell(table, letters[row], column)
    return TablePlan(
        sample_size=int(table["sample_size"][letters[row]]),
        acceptance_number=int(cell.rstrip("?")),
        plan_letter=letters[row],
        source=str(table["source"]),
        basis=str(table["basis"]),
        doubtful=doubtful or cell.endswith("?"),
        notes=tuple(table["notes"]),
    )


def acceptance_number_one_step_tighter(plan: SingleSamplingPlan) -> int:
    """Return the acceptance number at the plan's own letter with the AQL one step tighter.

    The switching score of ISO 2859-1:1999, 9.3.3.2 (from memory) asks it of normal plans with an acceptance
    number of 2 or more. Raises ValueError naming `plan` where the table has no such number.
    """
    column = _aql_column(plan.aql)
    table = _table("single_" + plan.inspection)
    cell = _cell(table, plan.plan_letter, column - 1).rstrip("?") if column else "-"
    if plan.acceptance_number < 2 or not cell.isdigit():
        raise ValueError("plan must have an acceptance number of 2 or more and a plan one AQL tighter")
    return int(cell)


def _aql_column(aql: float) -> int:
    limit = number("aql", aql, above=0.0)
    known = acceptable_quality_limits()
    column = next((i for i, value in enumerate(known) if math.isclose(value, limit, rel_tol=1e-9)), None)
    if column is None:
        raise ValueError(f"aql must be one of {', '.join(f'{value:g}' for value in known)}; got {limit:g}")
    return column


def _cell(table: dict[str, Any], letter: str, column: int) -> str:
    return str(table["acceptance"][letter].split()[column])


@functools.cache
def _table(name: str) -> dict[str, Any]:
    text = resources.files(__package__).joinpath("iso_2859_1", f"{name}.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)
