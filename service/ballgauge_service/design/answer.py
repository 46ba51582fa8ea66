"""What the engine found about a design, as JSON-ready groups."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from ballgauge_schemas.design.request import unit_of
from ballgauge_schemas.shared.limits import BALANCE_ARM
from ballgauge_schemas.shared.words import INERTIA
from ballgauge_service.check.answer import point
from ballgauge_service.core.caution import Caution
from ballgauge_service.design.comparison import Row
from ballgauge_service.design.drilling import DrilledDesign, HoleCost
from ballgauge_service.design.family import Member
from ballgauge_service.design.layout_map import MapPoint
from ballgauge_service.design.mass import MassProperties
from ballgauge_service.design.parameters import Parameter
from ballgauge_service.design.pictures import layout_picture
from ballgauge_service.design.production import Nonconformity, ProductionStudy, Spread
from ballgauge_service.design.request import DesignRequest, MeshFile
from ballgauge_service.design.rules import BOX_NUMBERS, Judged
from ballgauge_service.design.solids.packing import COLUMNS
from ballgauge_service.design.solids.rotations import UNTURNED
from ballgauge_service.design.solids.solids import Design, Mesh, Profile, Solid, Vector3
from ballgauge_service.design.solving import (
    Agreement,
    Conflict,
    FoundBall,
    Sensitivity,
    Set,
    Solution,
    Solved,
)
from ballgauge_service.design.targets import Target
from ballgauge_service.physics.sphere import angle_between
from ballgauge_service.rulebooks import OUTCOMES, Edition, used_rules

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
    "angle": "deg", "drilled_weight": "lb", "drilled_rg": "in", "drilled_rg_intermediate": "in",
    "drilled_rg_high": "in", "drilled_differential": "in", "drilled_intermediate_differential": "in",
    "drilled_asymmetry_ratio": "1", "drilled_top": "oz", "drilled_side": "oz", "drilled_finger": "oz",
    "clearance": "in", "pin_to_pap": "in", "drilling_angle": "deg",
}  # fmt: skip
"""Units of the numbers by name; a dotted name holds within that group."""


@dataclass(frozen=True, slots=True)
class Result:
    """What was found about a design; None for what was not asked.

    designs, drillings: the comparisons, number by number; front: None also where there is none; variants: the
    balls of the set at its best solution; judge: gives the rules on a ball that was found.
    """

    made: MassProperties
    judged: Judged
    drilled: DrilledDesign | None
    judged_drilled: Judged | None
    designs: tuple[Row, ...] | None
    drillings: tuple[Row, ...] | None
    solved: Solved | None
    front: tuple[Solution, ...] | None
    family: tuple[Member, ...] | None
    set: Solved | None
    variants: tuple[tuple[MassProperties, Judged], ...]
    layout_map: tuple[MapPoint, ...] | None
    judge: Callable[[FoundBall], Judged]
    production: ProductionStudy | None
    cautions: tuple[Caution, ...]


def answer_of(request: DesignRequest, result: Result) -> Group:
    """The whole answer, as a JSON-ready dict.

    Parameters
    ----------
    request : DesignRequest
    result : Result

    Returns
    -------
    dict
    """
    judged = result.judged
    return {
        "properties": _properties(result.made),
        "ball": _ball(result.made, request.design.name, judged.edition),
        "outcome": judged.outcome,
        "findings": judged.findings,
        "missing": judged.missing,
        "rules": used_rules(judged.edition),
        "drilled": _drilled(request, result),
        "comparison": _comparison(result) if request.compare else None,
        "solved": None if result.solved is None else _solved(request, result, result.solved),
        "family": None if result.family is None else _family(request, result, result.family),
        "set": None if result.set is None else _set(request, result, result.set),
        "layout_map": None if result.layout_map is None else _layout_map(request, result.layout_map),
        "production": None if result.production is None else _study(result.production, judged),
        "assumptions": list(_assumptions(request, judged.edition)),
        "units": UNITS,
        "cautions": [caution.to_dict() for caution in result.cautions],
    }


def _assumptions(request: DesignRequest, judged_by: Edition) -> Iterator[str]:
    yield "Every solid has one density throughout, and the numbers of the design are met exactly."
    day = judged_by.on.isoformat()
    yield f"The design is judged by the rules for an approval on {day}, the day of the rules."
    if not request.arm_given:
        arm = f"an arm of {BALANCE_ARM:g} in (from memory, no source)"
        yield f"The balance shows the moment divided by {arm}."
    if not judged_by.on_given:
        yield f"No date is given: the rules are those in force on {day}, the day the rulebook was compiled."
    if request.drill is not None:
        yield "The holes are drilled in the order given; a slug fills its hole to the surface."
    if request.production is not None:
        yield (
            "The tolerances are independent of each other, and what has none stays nominal; the limits are "
            "those in force at approval."
        )


def _design(design: Design, meshes: Sequence[MeshFile]) -> Group:
    """A design as a request writes it; meshes are named, not repeated."""
    group: Group = {"name": design.name} if design.name else {}
    group |= {"diameter": design.diameter, "solids": [_solid(solid) for solid in design.solids]}
    del group["solids"][0]["diameter"]
    if meshes:
        group["meshes"] = [
            {name: value for name, value in asdict(mesh).items() if value is not None} for mesh in meshes
        ]
    return group


def _solid(solid: Solid) -> Group:
    shape = solid.shape
    group: Group = {"name": solid.name, "role": solid.role, "shape": shape.kind, "density": solid.density}
    group |= {name: getattr(shape, name) for name in COLUMNS[type(shape)]}
    if isinstance(shape, Profile):
        group["points"] = [list(point) for point in shape.points]
    if any(solid.position):
        group["position"] = list(solid.position)
    if solid.rotation != UNTURNED:
        x, _, z = zip(*solid.rotation, strict=True)
        group["rotation"] = {"z": list(z), "x": list(x)}
    if isinstance(shape, Mesh):
        group["mesh"] = shape.name
    return group


def _properties(made: MassProperties) -> Group:
    """The mass properties of a design, in its own frame."""
    group = asdict(made)
    del group["covered"]
    for name in ("centre_of_mass", "moment", "low_rg_axis", "high_rg_axis", "cg_mark"):
        group[name] = _xyz(group[name])
    group["inertia"] = [[value + 0.0 for value in row] for row in made.inertia]
    group["contributions"] = list(group["contributions"])
    return group


def _ball(made: MassProperties, name: str, judged_by: Edition) -> Group:
    """The numbers of a design as a check takes those of a ball, with the day of approval it is judged by."""
    numbers = {each: getattr(made, each) for each in BOX_NUMBERS}
    known = {each: value for each, value in numbers.items() if value is not None}
    known["approved_on"] = judged_by.on.isoformat()
    return {"name": name, **known} if name else known


def _xyz(vector: Sequence[float] | None) -> Group | None:
    return None if vector is None else dict(zip("xyz", vector, strict=True))


def _drilled(request: DesignRequest, result: Result) -> Group | None:
    """A drilled design in the grip frame, what each hole costs, what changed, and the rules on it."""
    drilled, judged = result.drilled, result.judged_drilled
    if drilled is None or judged is None:
        return None
    radius = 0.5 * request.design.diameter
    names = ("weight", "removed_weight", "slug_weight", *INERTIA, "top", "side", "finger", "method")
    change = {name: _less(getattr(drilled, name), drilled.undrilled[name]) for name in INERTIA}
    return {
        **{name: getattr(drilled, name) for name in names},
        "balance_arm": request.arm,
        "centre_of_mass": _xyz(drilled.centre_of_mass),
        "moment": _xyz(drilled.moment),
        "pin": point(drilled.pin, radius),
        "psa": point(drilled.psa, radius),
        "low_rg_axis": _axis(drilled.low_rg_axis, drilled.pin, radius),
        "high_rg_axis": _axis(drilled.high_rg_axis, drilled.psa, radius),
        "change": {**change, "weight": drilled.slug_weight - drilled.removed_weight},
        "holes": [_hole(cost) for cost in drilled.costs],
        "outcome": judged.outcome,
        "findings": judged.findings,
    }


def _less(after: float | None, before: float | None) -> float | None:
    return None if after is None or before is None else after - before


def _axis(axis: Vector3 | None, mark: Vector3, radius: float) -> Group | None:
    if axis is None:
        return None
    return {**(point(axis, radius) or {}), "moved": radius * angle_between(mark, axis)}


def _hole(cost: HoleCost) -> Group:
    parts = [{"part": name, "weight": weight} for name, weight in cost.removed_from.items()]
    ends = {"mouth": _xyz(cost.mouth), "bottom": _xyz(cost.bottom)}
    return {**asdict(cost), **ends, "removed_from": parts}


def _comparison(result: Result) -> Group:
    """Two designs, two drillings, or both, number by number."""
    both = {"designs": result.designs, "drillings": result.drillings}
    return {
        name: None
        if rows is None
        else [_with_unit(row, causes=[asdict(each) for each in row.causes]) for row in rows]
        for name, rows in both.items()
    }


def _with_unit(value: Row | Spread, **more: Any) -> Group:
    return {**asdict(value), "unit": UNITS[value.number], **more}


def _values(solution: Solution, parameters: Sequence[Parameter]) -> list[Group]:
    return [
        {
            "parameter": each.label,
            "solids": list(each.solids),
            "field": each.field,
            "unit": unit_of(each.field),
            "value": value,
            "at_bound": each.label in solution.at_bounds,
        }
        for each, value in zip(parameters, solution.values, strict=True)
    ]


def _found(ball: FoundBall, judged: Judged, meshes: Sequence[MeshFile]) -> Group:
    """A ball that was found, with the rules that it breaks or that cannot be decided."""
    broken = [each for each in judged.findings if each["outcome"] in OUTCOMES[2:]]
    return {
        "numbers": ball.numbers,
        "misses": ball.misses,
        "drilled": list(ball.drilled),
        "error_bound": ball.error_bound,
        "outcome": judged.outcome,
        "findings": broken,
        "design": _design(ball.design, meshes),
    }


def _solution(
    request: DesignRequest, result: Result, solution: Solution, parameters: Sequence[Parameter]
) -> Group:
    return {
        "met": solution.met,
        "values": _values(solution, parameters),
        **_found(solution.only, result.judge(solution.only), request.meshes),
    }


def _solved(request: DesignRequest, result: Result, solved: Solved) -> Group:
    """The designs found, or why none meets the targets; and the front of two targets."""
    job, points = request.solve, result.front
    assert job is not None
    front = None
    if job.front is not None and points is not None:
        front = {
            "first": job.front.first,
            "second": job.front.second,
            "points": [_solution(request, result, each, job.parameters) for each in points],
        }
    solutions = [_solution(request, result, each, job.parameters) for each in solved.solutions]
    return {**_searched(job, solved, solutions), "trade_off": front}


def _searched(job: Set, solved: Solved, solutions: list[Group]) -> Group:
    """How a search went, with what it found."""
    return {
        "met": solved.met,
        "seed": job.seed,
        "starts": job.starts,
        "evaluations": solved.evaluations,
        "solutions": solutions,
        "conflicts": [_conflict(each) for each in solved.conflicts],
        "sensitivities": [_sensitivity(each) for each in solved.sensitivities],
    }


def _set(request: DesignRequest, result: Result, solved: Solved) -> Group:
    """The balls of a set at each solution, and at the best one what each solid gives each of them."""
    job = request.set
    assert job is not None
    solutions = [
        {
            "met": each.met,
            "values": _values(each, job.parameters),
            "across": [_agreement(one) for one in each.across],
            "variants": [
                {"name": ball.name, "met": ball.met, **_found(ball, result.judge(ball), request.meshes)}
                for ball in each.balls
            ],
        }
        for each in solved.solutions
    ]
    return {
        **_searched(job, solved, solutions),
        "variants": [
            {
                "name": variant.name,
                "properties": _properties(made),
                "outcome": judged.outcome,
                "findings": judged.findings,
                "missing": judged.missing,
            }
            for variant, (made, judged) in zip(job.variants, result.variants, strict=True)
        ],
    }


def _agreement(found: Agreement) -> Group:
    return {
        "number": found.number,
        "unit": UNITS[found.number],
        "variants": list(found.balls),
        "within": found.within,
        "apart": found.apart,
        "met": found.met,
    }


def _named_balls(names: Sequence[str]) -> list[str]:
    return [name for name in names if name]


def _sensitivity(found: Sensitivity) -> Group:
    group = asdict(found)
    balls = _named_balls(group.pop("balls"))
    return {**group, "variants": balls, "unit": UNITS[found.number]}


def _conflict(conflict: Conflict) -> Group:
    target, names = conflict.target, conflict.with_targets
    balls = _named_balls(conflict.balls)
    title = f"{target.number}{' of ' if balls else ''}{', '.join(balls)}"
    wanted, beyond = _wanted(target), f"({conflict.off:.3g} beyond it)"
    if not target.one_sided:
        beyond = f"({conflict.off:.3g} beyond its tolerance of {target.tolerance:g})"
    if conflict.others_met:
        words = f"{title} comes no nearer to {wanted} than {conflict.nearest:.5g} {beyond}"
        if names:
            words += f" while {', '.join(names)} {'is' if len(names) == 1 else 'are'} met"
    else:
        alone = f"{names[0]} is not met without it either"
        several = "the other targets are not all met without it either"
        words = f"{title} is {conflict.nearest:.5g} in the best compromise {beyond}; "
        words += alone if conflict.others == 1 else several
    return {
        "number": target.number,
        "variants": balls,
        "wanted": target.wanted,
        "nearest": conflict.nearest,
        "off": conflict.off,
        "others_met": conflict.others_met,
        "with_targets": list(names),
        "message": words,
        "unit": UNITS[target.number],
    }


def _wanted(target: Target) -> str:
    if not target.one_sided:
        return f"{target.wanted:g}"
    limits = (("at least", target.at_least), ("at most", target.at_most))
    told = " and ".join(f"{side} {limit:g}" for side, limit in limits if limit is not None)
    return f"the limit of {told}"


def _family(request: DesignRequest, result: Result, members: Sequence[Member]) -> Group:
    """The members of a family, in the order of the weights asked for."""
    job = request.family
    assert job is not None
    return {
        "seed": job.seed,
        "members": [
            {
                "weight": each.weight,
                **_solution(request, result, each.solution, job.parameters),
                "changes": each.changes,
                **{
                    f"{name}_change": _less(each.solution.only.numbers[name], getattr(result.made, name))
                    for name in ("rg", "differential")
                },
            }
            for each in members
        ],
    }


def _layout_map(request: DesignRequest, points: Sequence[MapPoint]) -> Group:
    """What each layout leaves of the drilled ball's numbers, and the same drawn."""
    job = request.layout_map
    assert job is not None
    assert request.drill is not None
    return {
        "pin_to_pap": list(job.pin_to_pap),
        "drilling_angle": list(job.drilling_angle),
        "points": [
            {"pin_to_pap": each.pin_to_pap, "drilling_angle": each.drilling_angle, "numbers": each.numbers}
            for each in points
        ],
        "picture": layout_picture(points, request.drill.layout),
    }


def _study(study: ProductionStudy, judged: Judged) -> Group:
    """The spread of each number, the share of balls that break each rule, and the tolerance to buy first."""
    missing = [
        {"rule": rule, "reason": f"in some samples the ball has no {number}"}
        for number in study.not_assessed
        for rule in judged.limit_rules[number]
    ]
    missing += [{"rule": rule, "reason": "not a number of this study"} for rule in judged.not_studied]
    return {
        "samples": study.samples,
        "seed": study.seed,
        "method": study.method,
        "spreads": [_spread(each) for each in study.spreads],
        "nonconforming": [_nonconforming(each, judged) for each in study.nonconforming],
        "not_assessed": missing,
        "tighten_first": None if study.tighten_first is None else asdict(study.tighten_first),
    }


def _nonconforming(found: Nonconformity, judged: Judged) -> Group:
    every = {rule for rules in judged.limit_rules.values() for rule in rules}
    return {
        "number": found.number,
        "fraction": found.fraction,
        "confidence": found.confidence,
        "linear": found.linear,
        "rules": judged.limit_rules.get(found.number) or sorted(every),
        "limit": {"min": found.lower, "max": found.upper},
        "interval": {"min": found.interval[0], "max": found.interval[1]},
    }


def _spread(spread: Spread) -> Group:
    return _with_unit(
        spread,
        quantiles=[{"probability": float(p), "value": value} for p, value in spread.quantiles.items()],
        shares=[{"tolerance": name, "share": share} for name, share in spread.shares.items()],
    )
