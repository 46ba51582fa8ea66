"""Two designs, or two drillings, side by side: every number, the difference and what caused it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from ballgauge_schemas.shared import words
from ballgauge_service.design.drilling import DrilledDesign
from ballgauge_service.design.mass import CHANGES, MassProperties


@dataclass(frozen=True, slots=True)
class Cause:
    """A part's share in a difference: what a solid or hole gives in either, None where it is not."""

    part: str
    first: float | None
    second: float | None
    difference: float


@dataclass(frozen=True, slots=True)
class Row:
    """One number of both, the difference second - first, its causes (largest first) and what they leave over.

    The causes are each part's own contribution, found with all else in place; where parts act together they
    do not add up, and `unexplained` is the rest. Numbers without causes have none and unexplained None.
    """

    number: str
    first: float | None
    second: float | None
    difference: float | None
    causes: tuple[Cause, ...] = ()
    unexplained: float | None = None


def _row(
    number: str,
    first: float | None,
    second: float | None,
    parts: tuple[Mapping[str, float], Mapping[str, float]] | None,
) -> Row:
    if first is None or second is None:
        return Row(number, first, second, None)
    difference = second - first
    if parts is None:
        return Row(number, first, second, difference)
    one, other = parts
    causes = [
        Cause(name, one.get(name), other.get(name), other.get(name, 0.0) - one.get(name, 0.0))
        for name in dict.fromkeys((*one, *other))
    ]
    # Rounded, so that of causes as large as each other the order of the solids decides, not the last digit.
    causes = sorted(
        (cause for cause in causes if cause.difference), key=lambda cause: -round(abs(cause.difference), 12)
    )
    rest = difference - sum(cause.difference for cause in causes)
    return Row(number, first, second, difference, tuple(causes), rest)


def _given(found: MassProperties, number: str) -> dict[str, float]:
    if number == "weight":
        return {part.name: part.mass for part in found.contributions}
    values = {part.name: getattr(part, number) for part in found.contributions}
    return {name: value for name, value in values.items() if value is not None}


def compare_designs(first: MassProperties, second: MassProperties) -> tuple[Row, ...]:
    """Compare two designs' mass properties; causes are the solids' contributions, matched by name.

    The weight's causes are the visible masses of the solids, which add up exactly.

    Parameters
    ----------
    first, second : MassProperties

    Returns
    -------
    tuple of Row
    """
    rows = []
    for number in (*words.NUMBERS, "diameter", *words.MORE_NUMBERS):
        known = number in CHANGES and first.contributions and second.contributions
        parts = (_given(first, number), _given(second, number)) if known else None
        rows.append(_row(number, getattr(first, number), getattr(second, number), parts))
    return tuple(rows)


_COSTS = {
    "rg": "rg", "differential": "differential", "intermediate_differential": "intermediate_differential",
    "removed_weight": "removed_weight", "slug_weight": "slug_weight", "top": "top_weight",
}  # fmt: skip


def _cost(found: DrilledDesign, number: str) -> dict[str, float]:
    costs = {f"hole {cost.index} ({cost.role})": float(getattr(cost, _COSTS[number])) for cost in found.costs}
    drilled = getattr(found, number) - sum(costs.values())
    if abs(drilled) > 1e-12:
        return {"undrilled ball": float(drilled), **costs}
    return costs


def compare_drillings(first: DrilledDesign, second: DrilledDesign) -> tuple[Row, ...]:
    """Compare two drilled balls; causes are the costs of the holes and the undrilled ball, which add up.

    Parameters
    ----------
    first, second : DrilledDesign

    Returns
    -------
    tuple of Row
    """
    rows = []
    for number in ("weight", "removed_weight", "slug_weight", *words.INERTIA, *words.BALANCE_READINGS):
        parts = (_cost(first, number), _cost(second, number)) if number in _COSTS else None
        rows.append(_row(number, getattr(first, number), getattr(second, number), parts))
    return tuple(rows)
