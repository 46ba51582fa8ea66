"""What the engine found about a design, as JSON-ready groups."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from ballgauge_schemas.design.request import unit_of
from ballgauge_service.check.answer import point
from ballgauge_service.design.comparison import Row
from ballgauge_service.design.drilling import DrilledDesign
from ballgauge_service.design.mass import MassProperties
from ballgauge_service.design.production import ProductionStudy
from ballgauge_service.design.request import design_group
from ballgauge_service.design.rules import BOX_NUMBERS, Judged
from ballgauge_service.design.solving import Member, Parameter, Solution, Solved, TradeOff
from ballgauge_service.physics.sphere import angle_between

Group = dict[str, Any]

UNITS = {
    "weight": "lb", "mass": "lb", "rg": "in", "rg_intermediate": "in", "rg_high": "in",
    "differential": "in", "intermediate_differential": "in", "asymmetry_ratio": "1", "top_weight": "oz",
    "pin_to_cg": "in", "pin_to_low_rg_axis": "in", "mark_to_high_rg_axis": "in", "diameter": "in",
    "mean_density": "g/mL", "max_density": "g/mL", "cover_depth_shallowest": "in",
    "cover_depth_deepest": "in", "centre_of_mass": "in", "moment": "oz·in", "inertia": "lb·in²",
    "balance_arm": "in", "removed_weight": "oz", "slug_weight": "oz", "removed_from.weight": "oz",
    "change.weight": "oz", "volume": "in³", "axis_offset": "in", "top": "oz", "side": "oz",
    "finger": "oz", "right": "in", "up": "in", "moved": "in", "density": "g/mL", "position": "in",
    "angle": "deg",
}  # fmt: skip
"""Units of the numbers by name; a dotted name holds within that group."""

_INERTIA = (
    "rg",
    "rg_intermediate",
    "rg_high",
    "differential",
    "intermediate_differential",
    "asymmetry_ratio",
)


def properties_group(made: MassProperties) -> Group:
    """The mass properties of a design, in its own frame."""
    group = asdict(made)
    del group["cautions"]
    for name in ("centre_of_mass", "moment", "low_rg_axis", "high_rg_axis", "cg_mark"):
        group[name] = _xyz(group[name])
    group["inertia"] = [[value + 0.0 for value in row] for row in made.inertia]
    group["contributions"] = [
        {**each, "role": each["role"].replace(" ", "_")} for each in group["contributions"]
    ]
    return group


def ball_of(made: MassProperties, name: str | None) -> Group:
    """The numbers of a design as a check takes those of a ball."""
    numbers = {each: getattr(made, each) for each in BOX_NUMBERS}
    return {
        **({} if name is None else {"name": name}),
        **{each: value for each, value in numbers.items() if value is not None},
    }


def _xyz(vector: Sequence[float] | None) -> Group | None:
    return None if vector is None else dict(zip("xyz", vector, strict=True))


def drilled_group(found: DrilledDesign, radius: float, arm: float) -> Group:
    """A drilled design in the grip frame, what each hole costs, and what drilling changed."""
    group: Group = {
        name: getattr(found, name)
        for name in ("weight", "removed_weight", "slug_weight", *_INERTIA, "top", "side", "finger", "method")
    }
    before = found.undrilled
    change = {name: _less(getattr(found, name), before[name]) for name in _INERTIA}
    return {
        **group,
        "balance_arm": arm,
        "centre_of_mass": _xyz(found.centre_of_mass),
        "moment": _xyz(found.moment),
        "pin": point(found.pin, radius),
        "psa": point(found.psa, radius),
        "low_rg_axis": _axis(found.low_rg_axis, found.pin, radius),
        "high_rg_axis": _axis(found.high_rg_axis, found.psa, radius),
        "change": {**change, "weight": found.slug_weight - found.removed_weight},
        "holes": [_hole(asdict(cost)) for cost in found.costs],
    }


def _less(after: float | None, before: float | None) -> float | None:
    return None if after is None or before is None else after - before


def _axis(axis: Any, mark: Any, radius: float) -> Group | None:
    if axis is None:
        return None
    return {**(point(axis, radius) or {}), "moved": radius * angle_between(mark, axis)}


def _hole(cost: Group) -> Group:
    parts = [{"part": name, "weight": weight} for name, weight in cost["removed_from"].items()]
    return {**cost, "removed_from": parts}


def comparison_group(designs: Sequence[Row] | None, drillings: Sequence[Row] | None) -> Group:
    """Two designs, two drillings, or both, number by number."""
    return {
        "designs": None if designs is None else [_row(row) for row in designs],
        "drillings": None if drillings is None else [_row(row) for row in drillings],
    }


def _row(row: Row) -> Group:
    group = asdict(row)
    return {**group, "unit": UNITS[row.number], "causes": list(group["causes"])}


def _values(solution: Solution, parameters: Sequence[Parameter]) -> list[Group]:
    return [
        {
            "solids": list(each.slot.solids),
            "field": each.slot.field,
            "unit": unit_of(each.slot.field),
            "value": value,
            "at_bound": each.slot.label() in solution.at_bounds,
        }
        for each, value in zip(parameters, solution.values, strict=True)
    ]


def _solution(solution: Solution, parameters: Sequence[Parameter], spec: Mapping[str, Any]) -> Group:
    return {
        "met": solution.met,
        "values": _values(solution, parameters),
        "numbers": solution.numbers,
        "misses": solution.misses,
        "design": design_group(solution.design, spec),
    }


def solved_group(
    found: Solved, parameters: Sequence[Parameter], spec: Mapping[str, Any], seed: int, starts: int
) -> Group:
    """The designs found, or why none meets the targets."""
    return {
        "met": found.met,
        "seed": seed,
        "starts": starts,
        "evaluations": found.evaluations,
        "solutions": [_solution(each, parameters, spec) for each in found.solutions],
        "conflicts": [
            {**asdict(each), "unit": UNITS[each.number], "with_targets": list(each.with_targets)}
            for each in found.conflicts
        ],
        "sensitivities": [{**asdict(each), "unit": UNITS[each.number]} for each in found.sensitivities],
    }


def trade_off_group(found: TradeOff, parameters: Sequence[Parameter], spec: Mapping[str, Any]) -> Group:
    """The front of two targets."""
    points = [_solution(each, parameters, spec) for each in found.points]
    return {"first": found.first, "second": found.second, "points": points}


def family_group(
    found: Sequence[Member], parameters: Sequence[Parameter], spec: Mapping[str, Any], seed: int
) -> Group:
    """The members of a family, in the order of the weights asked for."""
    members = []
    for each in found:
        group = _solution(each.solution, parameters, spec)
        group["met"] = abs(each.solution.misses["weight"]) <= 1.0
        changes = {"rg_change": each.rg_change, "differential_change": each.differential_change}
        members.append({"weight": each.weight, **group, **changes})
    return {"seed": seed, "members": members}


def study_group(found: ProductionStudy, judged: Judged) -> Group:
    """The spread of each number, the share of balls that break each rule, and the tolerance to buy first."""
    failing = []
    for each in found.nonconforming:
        group = asdict(each)
        low, high = group.pop("interval")
        limit = {"min": group.pop("lower"), "max": group.pop("upper")}
        rules = judged.limit_rules.get(each.number) or sorted(
            {r for rs in judged.limit_rules.values() for r in rs}
        )
        failing.append({**group, "rules": rules, "limit": limit, "interval": {"min": low, "max": high}})
    missing = [
        {"rule": rule, "reason": f"in some samples the ball has no {number}"}
        for number in found.not_assessed
        for rule in judged.limit_rules[number]
    ]
    missing += [{"rule": rule, "reason": "not a number of this study"} for rule in judged.not_studied]
    return {
        "samples": found.samples,
        "seed": found.seed,
        "method": found.method,
        "spreads": [_spread(asdict(each)) for each in found.spreads],
        "nonconforming": failing,
        "not_assessed": missing,
        "tighten_first": None if found.tighten_first is None else asdict(found.tighten_first),
    }


def _spread(group: Group) -> Group:
    quantiles = [{"probability": float(p), "value": value} for p, value in group["quantiles"].items()]
    shares = [{"tolerance": name, "share": share} for name, share in group["shares"].items()]
    return {**group, "unit": UNITS[group["number"]], "quantiles": quantiles, "shares": shares}
