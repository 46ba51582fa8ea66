"""A design in other weights: what is asked of it held as near as can be, by what may move."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from ballgauge_schemas.shared.limits import BALANCE_ARM, DEFAULT_SEED, FAMILY_HELD, FAMILY_WEIGHTS
from ballgauge_service.core.budget import Run
from ballgauge_service.design.mass import finite
from ballgauge_service.design.parameters import Parameter
from ballgauge_service.design.solids.solids import Design
from ballgauge_service.design.solving import SEARCHING, Problem, Set, Solution, search, settled
from ballgauge_service.design.targets import AS_MADE, Held, Target, Variant

WEIGHT_TOLERANCE = 0.02
WEIGHT_COUNTS = 100.0
"""What a miss of the weight is measured in [lb], and how much more often than the others it counts (ours)."""

FAMILY_STARTS = 4
"""Places searched from for each weight (ours)."""

USUAL_HELD = tuple(Target(name, None, tolerance) for name, tolerance in FAMILY_HELD.items())


@dataclass(frozen=True, slots=True)
class Family:
    """Weights [lb] in which the design is wanted too, and what may move for it.

    hold: what is kept, targets without a value at the design's own; designs: by the greatest weight that they
    serve, the designs that stand in for it, such as one of another core.
    """

    parameters: tuple[Parameter, ...]
    weights: tuple[float, ...] = FAMILY_WEIGHTS
    seed: int = DEFAULT_SEED
    hold: tuple[Target, ...] = USUAL_HELD
    held: Held = AS_MADE
    designs: Mapping[float, Design] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Member:
    """One ball of a family: weight [lb], and the changes of what is held from the design's own numbers.

    searched: the starts that were searched, fewer than `FAMILY_STARTS` where the work allows no more.
    """

    weight: float
    solution: Solution
    changes: dict[str, float | None]
    searched: int


def family(
    design: Design, job: Family, *, balance_arm: float = BALANCE_ARM, run: Run | None = None
) -> tuple[Member, ...]:
    """The design in other weights, with what is held as near as can be.

    Parameters
    ----------
    design : Design
    job : Family
    balance_arm : float
        Arm of the shop balance [in].
    run : Run, optional
        Progress and cancel token.

    Returns
    -------
    tuple of Member
        One a weight.

    Raises
    ------
    InvalidInput
        A solid leaves the ball; or sizes or places move in a design for which that takes too much.
    Canceled
        By the token.
    """
    link = run or Run()
    model = Problem(member_of(job, design, job.hold), balance_arm, link)
    own = {aim.target.number: float(np.mean(aim.of(model.found(_start(model))[0]))) for aim in model.aims}
    hold = tuple(aim.target for aim in model.aims)
    problems: dict[float | None, Problem] = {None: model}
    members = []
    for at, weight in enumerate(job.weights):
        served = min((most for most in job.designs if weight <= most), default=None)
        if served is not None and served not in problems:
            problems[served] = Problem(member_of(job, job.designs[served], hold), balance_arm, link)
        problem = problems[served]
        targets = (Target("weight", weight, WEIGHT_TOLERANCE, WEIGHT_COUNTS), *hold)
        problem.aim_at(targets)
        problem.share = (at / len(job.weights), (at + 1) / len(job.weights))
        every = np.ones(len(targets), np.bool_)
        # Each weight has its part of the work that is left.
        problem.leave(1.0 - SEARCHING / (len(job.weights) - at))
        found, searched = search(problem, problem.starts(FAMILY_STARTS, job.seed), every, f"{weight:g} lb")
        found = settled(problem, found)
        problem.leave(0.0)
        solution = problem.solution(min(found, key=lambda each: each[0])[1])
        reached = solution.only.numbers
        changes = {name: _less(reached[name], value) for name, value in own.items()}
        members.append(Member(weight, solution, changes, searched))
    link.report(1.0, "done")
    return tuple(members)


def member_of(job: Family, design: Design, hold: tuple[Target, ...]) -> Set:
    """The search for one ball of a family.

    Parameters
    ----------
    job : Family
    design : Design
    hold : tuple of Target

    Returns
    -------
    Set
    """
    return Set((Variant("", design, hold, job.held),), job.parameters)


def _less(reached: float | None, own: float) -> float | None:
    return None if reached is None else finite(reached - own)


def _start(problem: Problem) -> np.ndarray:
    own: np.ndarray = (problem.own(0) - problem.low) / problem.range
    return own
