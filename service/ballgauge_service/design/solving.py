"""Find designs that meet targets: several starts, distinct solutions, conflicts, trade-offs, sensitivities.

A miss is (value - target) / tolerance; a target is met where the miss lies within -1 and 1. The misses, each
times the target's weight, are made least in squares within the bounds (scipy.optimize.least_squares, trust
region reflective) from Sobol starts, so that the same seed gives the same answer.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares, minimize
from scipy.stats import qmc

from ballgauge_schemas.shared.limits import (
    BALANCE_ARM,
    DEFAULT_SEED,
    FAMILY_WEIGHTS,
    FRONT,
    SOLUTIONS,
    STARTS,
    TARGET_WEIGHT,
)
from ballgauge_schemas.shared.words import NUMBERS
from ballgauge_service.core.budget import Run
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.design.mass import CELLS, finite, pack_inside
from ballgauge_service.design.model import STUDY_CELLS, Shapes, Slot, with_value
from ballgauge_service.design.prices import cell_price, cubature_price
from ballgauge_service.design.solids.shapes import Floats
from ballgauge_service.design.solids.solids import Design

DISTINCT = 0.02
OUTSIDE = 1e-3
MET = 1.0 + 1e-6
STEP = 1e-6
ITERATIONS = 8
"""Of ours: distance, as a part of the bounds, beyond which two solutions differ; inches by which a solid may
leave the ball at the cost of one tolerance while searching; the largest miss that is met; step of the
derivatives, as a part of the bounds; steps that a search takes at least."""

FAMILY_TOLERANCES = {"weight": 0.02, "rg": 0.01, "differential": 0.002}
WEIGHT_COUNTS = 100.0
"""What a miss is measured in between the balls of a family [lb, in, in], and how much more often than the
others the weight's counts (ours)."""


@dataclass(frozen=True, slots=True)
class Parameter(Slot):
    """A number of a design that may move between two bounds."""

    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class Target:
    """What a number should be: value and tolerance in its unit; weight: how much a miss counts."""

    number: str
    value: float
    tolerance: float
    weight: float = TARGET_WEIGHT


@dataclass(frozen=True, slots=True)
class Front:
    """A trade-off to follow between two of the targets, point by point."""

    first: str
    second: str
    points: int = FRONT


@dataclass(frozen=True, slots=True)
class Solve:
    """What may move, and what should come out.

    seed and starts: of the Sobol starts, the design itself being the first; keep: most distinct solutions.
    """

    parameters: tuple[Parameter, ...]
    targets: tuple[Target, ...]
    seed: int = DEFAULT_SEED
    starts: int = STARTS
    keep: int = SOLUTIONS
    front: Front | None = None


@dataclass(frozen=True, slots=True)
class Family:
    """Weights [lb] in which the shape is wanted too, and the densities that may move for it."""

    parameters: tuple[Parameter, ...]
    weights: tuple[float, ...] = FAMILY_WEIGHTS
    seed: int = DEFAULT_SEED


@dataclass(frozen=True, slots=True)
class Solution:
    """A design that was found, its parameters' values and numbers, and its misses in tolerances.

    met: every target within its tolerance. at_bounds: parameters that a bound holds.
    """

    design: Design
    values: tuple[float, ...]
    numbers: dict[str, float | None]
    misses: dict[str, float]
    met: bool
    cost: float
    at_bounds: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Conflict:
    """A target that cannot be met together with the others.

    nearest, off: its number, and by how much that misses the nearest end of the tolerance, once the others
    are met; where they cannot be met together (others_met), in the best compromise. with_targets: those
    that stand against it.
    """

    target: Target
    nearest: float
    off: float
    others_met: bool
    with_targets: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """How a number answers a parameter: per unit, and over the parameter's range in tolerances."""

    number: str
    parameter: str
    per_unit: float
    range_in_tolerances: float


@dataclass(frozen=True, slots=True)
class Solved:
    """Distinct solutions, best first; without one that meets all targets, the conflicts say why.

    searched: the starts that were searched, fewer than asked for where the work allows no more.
    """

    met: bool
    solutions: tuple[Solution, ...]
    conflicts: tuple[Conflict, ...]
    sensitivities: tuple[Sensitivity, ...]
    evaluations: int
    searched: int


def moving(parameters: Sequence[Parameter]) -> int:
    """How many of the parameters change shapes, so that each step of theirs takes a cubature of its own."""
    return sum(each.field != "density" for each in parameters)


def shapes_of(design: Design, parameters: Sequence[Parameter], run: Run) -> Shapes:
    """The design's shapes, each cubature counted as work; one alone is as fine as the properties'."""
    cells = STUDY_CELLS if moving(parameters) else CELLS
    return Shapes(cells, cubature_price(design, 1), run)


def check_price(design: Design, parameters: Sequence[Parameter], run: Run) -> None:
    """Raise InvalidInput before the work where not one start can be searched."""
    each = ITERATIONS * cubature_price(design, STUDY_CELLS)
    count = moving(parameters)
    if not count or cell_price(design) == 0.0 or run.fits((1 + count) * each):
        return
    fit = max((n for n in range(count) if run.fits((1 + n) * each)), default=0)
    most = f"at most {fit} sizes and places" if fit else "only densities"
    words = f"too much to compute: the solids cut each other off a common axis, so {most} may move"
    raise InvalidInput([Fault("/parameters", words)])


class _Problem:
    """The design as a function of parameters scaled to 0..1."""

    def __init__(
        self,
        design: Design,
        parameters: Sequence[Parameter],
        targets: Sequence[Target],
        arm: float,
        run: Run,
        shapes: Shapes | None = None,
    ) -> None:
        self.packed = pack_inside(design)
        self.design, self.parameters, self.targets = design, tuple(parameters), tuple(targets)
        self.cells = [each.cells(design) for each in parameters]
        self.low = np.array([each.lower for each in parameters])
        self.range = np.array([each.upper for each in parameters]) - self.low
        self.rows = [NUMBERS.index(each.number) for each in targets]
        self.arm, self.run, self.evaluations = arm, run, 0
        self.share = (0.0, 1.0)
        self.shapes = shapes or shapes_of(design, parameters, run)

    def numbers(self, scaled: Floats) -> tuple[Floats, float]:
        """Numbers at a point, and how far the worst solid leaves the ball [in]."""
        self.run.check()
        self.evaluations += 1
        table = self.packed.table.copy()
        for value, cells in zip(self.low + self.range * scaled, self.cells, strict=True):
            for row, column in cells:
                table[row, column] = value
        return self.shapes.numbers(self.packed._replace(table=table), self.arm)

    def misses(self, scaled: Floats) -> tuple[Floats, float]:
        """Misses in tolerances, unweighted, and the distance outside the ball [in]."""
        numbers, beyond = self.numbers(scaled)
        each = [
            (_or(numbers[row], target.value + 1e3 * target.tolerance) - target.value) / target.tolerance
            for row, target in zip(self.rows, self.targets, strict=True)
        ]
        return np.array(each), beyond

    def residuals(self, keep: NDArray[np.bool_]) -> Callable[[Floats], Floats]:
        """The weighted misses of the kept targets, and the penalty of leaving the ball."""
        weights = np.array([target.weight for target in self.targets])

        def of(scaled: Floats) -> Floats:
            misses, beyond = self.misses(scaled)
            values: Floats = np.append((weights * misses)[keep], beyond / OUTSIDE)
            return values

        return of

    def starts(self, count: int, seed: int) -> Floats:
        """The design itself where the bounds hold it, then Sobol points, (count, d)."""
        sampler = qmc.Sobol(len(self.parameters), rng=np.random.default_rng(seed))
        points = 0.05 + 0.9 * sampler.random_base2(max(1, math.ceil(math.log2(count))))[:count]
        own = (np.array([each.value(self.design) for each in self.parameters]) - self.low) / self.range
        points[0] = np.clip(own, 0.01, 0.99)
        return np.asarray(points, dtype=np.float64)

    def best(self, start: Floats, keep: NDArray[np.bool_]) -> Floats:
        """The point of least residuals reached from a start."""
        found = least_squares(
            self.residuals(keep), start, bounds=(0.0, 1.0), diff_step=STEP, xtol=1e-12, ftol=1e-12,
            gtol=1e-12, max_nfev=60,
        )  # fmt: skip
        return np.asarray(found.x, dtype=np.float64)

    def solution(self, scaled: Floats) -> Solution:
        """The solution at a point."""
        values = self.low + self.range * scaled
        design = self.design
        for parameter, value in zip(self.parameters, values, strict=True):
            design = with_value(design, parameter, float(value))
        numbers, _ = self.numbers(scaled)
        misses, beyond = self.misses(scaled)
        weights = np.array([target.weight for target in self.targets])
        return Solution(
            design=design,
            values=tuple(values.tolist()),
            numbers={name: finite(numbers[at]) for at, name in enumerate(NUMBERS)},
            misses={target.number: float(miss) for target, miss in zip(self.targets, misses, strict=True)},
            met=bool(np.abs(misses).max() <= MET and beyond <= 1e-9),
            cost=float(np.sum((weights * misses) ** 2) + (beyond / OUTSIDE) ** 2),
            at_bounds=tuple(
                each.label
                for each, at in zip(self.parameters, scaled, strict=True)
                if at < 1e-6 or at > 1.0 - 1e-6
            ),
        )


def _or(value: float, instead: float) -> float:
    return float(instead if math.isnan(value) else value)


def _distinct(points: list[tuple[float, Floats]], most: int) -> list[Floats]:
    kept: list[Floats] = []
    for _, point in sorted(points, key=lambda each: each[0]):
        if all(float(np.abs(point - other).max()) > DISTINCT for other in kept):
            kept.append(point)
        if len(kept) == most:
            break
    return kept


def _search(
    problem: _Problem, starts: Floats, keep: NDArray[np.bool_], doing: str
) -> list[tuple[float, Floats]]:
    found = []
    residuals = problem.residuals(keep)
    first, last = problem.share
    before = problem.shapes.work
    for at, start in enumerate(starts):
        # A start that would end the request for its work is left out: those before it are worth having.
        if at and not problem.run.fits((problem.shapes.work - before) / at):
            break
        problem.run.report(first + (last - first) * at / len(starts), doing)
        point = problem.best(start, keep)
        found.append((round(float(np.sum(residuals(point) ** 2)), 9), point))
    return found


def _conflict(problem: _Problem, starts: Floats, at: int, best: Floats) -> Conflict:
    """What happens to one target when the others come first; where they cannot, in the best compromise."""
    keep = np.arange(len(problem.targets)) != at
    target = problem.targets[at]
    _, point = min(_search(problem, starts, keep, f"without {target.number}"), key=lambda each: each[0])
    misses, _ = problem.misses(_nearest_with_others(problem, point, at))
    others_met = bool(np.abs(misses[keep]).max(initial=0.0) <= 1.0 + 1e-3)
    if not others_met:
        misses, _ = problem.misses(best)
    number = target.value + float(misses[at]) * target.tolerance
    off = max(abs(float(misses[at])) - 1.0, 0.0) * target.tolerance
    against = tuple(
        each.number for each, miss in zip(problem.targets, misses, strict=True)
        if each is not target and abs(miss) > 0.9
    )  # fmt: skip
    names = against or tuple(each.number for each in problem.targets if each is not target)
    return Conflict(target, number, off, others_met, names)


def _nearest_with_others(problem: _Problem, start: Floats, at: int) -> Floats:
    """The least miss of one target, the others held within their tolerances as the start holds them."""
    others = [n for n in range(len(problem.targets)) if n != at]
    return _constrained(problem, start, at, dict.fromkeys(others, 1.0))


def _constrained(problem: _Problem, start: Floats, at: int, within: dict[int, float]) -> Floats:
    """Least squared miss of target `at` with |miss| <= the given limits for others (SLSQP)."""
    rows = list(within)
    limits = np.array([within[row] for row in rows])

    def slack(scaled: Floats) -> Floats:
        misses, beyond = problem.misses(scaled)
        return np.concatenate([limits - misses[rows], limits + misses[rows], [-beyond / OUTSIDE + 1e-9]])

    def aim(scaled: Floats) -> float:
        return float(problem.misses(scaled)[0][at]) ** 2

    # The scale keeps the objective of order one, which the method's stopping rule takes for granted.
    size = max(aim(start), 1.0)
    found = minimize(
        lambda scaled: aim(scaled) / size,
        start,
        method="SLSQP",
        bounds=[(0.0, 1.0)] * len(start),
        constraints=[{"type": "ineq", "fun": slack}],
        options={"maxiter": 100, "ftol": 1e-10, "eps": STEP},
    )
    point: Floats = np.clip(found.x, 0.0, 1.0)
    better = aim(point) <= aim(start) and float(slack(point).min()) > -1e-3
    return point if better else start


def _sensitivities(problem: _Problem, scaled: Floats) -> tuple[Sensitivity, ...]:
    found = []
    for at, parameter in enumerate(problem.parameters):
        ends = []
        for sign in (-1.0, 1.0):
            point = scaled.copy()
            point[at] = min(max(point[at] + sign * 1e-4, 0.0), 1.0)
            ends.append((point[at], problem.misses(point)[0]))
        slope = (ends[1][1] - ends[0][1]) / (ends[1][0] - ends[0][0])
        for target, each in zip(problem.targets, slope, strict=True):
            per_unit = float(each) * target.tolerance / float(problem.range[at])
            found.append(Sensitivity(target.number, parameter.label, per_unit, float(each)))
    return tuple(found)


def solve(design: Design, job: Solve, *, balance_arm: float = BALANCE_ARM, run: Run | None = None) -> Solved:
    """Find designs that meet the targets.

    Parameters
    ----------
    design : Design
    job : Solve
        Its slots must fit the design (`Slot.faults`).
    balance_arm : float
        Arm of the shop balance [in].
    run : Run, optional
        Progress and cancel token.

    Returns
    -------
    Solved
        Where no start meets all targets, `solutions` holds the best compromise and `conflicts` one entry for
        each target that cannot be met with the others, largest miss first.

    Raises
    ------
    InvalidInput
        A solid leaves the ball; or sizes or places move in a design for which that takes too much.
    Cancelled
        By the token.

    References
    ----------
    Trust region reflective least squares: Branch, Coleman & Li (1999), as `scipy.optimize.least_squares` has
    it.
    """
    targets = job.targets
    problem = _Problem(design, job.parameters, targets, balance_arm, run or Run())
    check_price(design, job.parameters, problem.run)
    points = problem.starts(job.starts, job.seed)
    problem.share = (0.0, 0.7)
    found = _search(problem, points, np.ones(len(targets), np.bool_), "solving")
    best = min(found, key=lambda each: each[0])[1]
    solutions = [problem.solution(point) for point in _distinct(found, job.keep * 4)]
    met = [each for each in solutions if each.met][: job.keep]
    conflicts: list[Conflict] = []
    if not met:
        problem.share = (0.7, 1.0)
        each_start = problem.shapes.work / len(found)
        starts = points[: min(4, len(found))]
        for at in range(len(targets)):
            if problem.run.fits((len(starts) + 1) * each_start):
                conflicts.append(_conflict(problem, starts, at, best))
        conflicts = sorted(
            (each for each in conflicts if each.off > 0.0), key=lambda each: -each.off / each.target.tolerance
        )
    problem.run.report(1.0, "done")
    return Solved(
        bool(met),
        tuple(met or solutions[:1]),
        tuple(conflicts),
        _sensitivities(problem, best),
        problem.evaluations,
        len(found),
    )


def _end_of_front(
    problem: _Problem, starts: list[Floats], lead: int, other: int, others: dict[int, float]
) -> Floats:
    """The least miss of `lead`, and there the least of `other`, with the other targets met."""
    points = [_constrained(problem, start, lead, others) for start in starts]
    best = min(points, key=lambda point: _rank(problem, point, lead, others))
    reach = max(abs(float(problem.misses(best)[0][lead])), 1e-3)
    return _constrained(problem, best, other, {**others, lead: reach * (1.0 + 1e-6)})


def _rank(problem: _Problem, point: Floats, lead: int, others: dict[int, float]) -> tuple[bool, float]:
    misses, _ = problem.misses(point)
    return any(abs(misses[n]) > 1.0 + 1e-3 for n in others), abs(float(misses[lead]))


def trade_off(
    design: Design, job: Solve, front: Front, *, balance_arm: float = BALANCE_ARM, run: Run | None = None
) -> tuple[Solution, ...] | None:
    """The front of two targets that conflict, all other targets kept within their tolerances.

    Parameters
    ----------
    design : Design
    job : Solve
    front : Front
        Two of the job's targets, and how many points.
    balance_arm : float
        Arm of the shop balance [in].
    run : Run, optional
        Progress and cancel token.

    Returns
    -------
    tuple of Solution, or None
        From the first target's best to the second's, none worse than another in both; None where the other
        targets cannot be met together.

    Raises
    ------
    InvalidInput
        A solid leaves the ball; or sizes or places move in a design for which that takes too much.
    Cancelled
        By the token.

    References
    ----------
    The epsilon-constraint method (Haimes et al., 1971, from memory): the miss of the second is made least
    with the miss of the first held below levels between its least and its value at the best of the second.
    """
    problem = _Problem(design, job.parameters, job.targets, balance_arm, run or Run())
    names = [target.number for target in job.targets]
    a, b = names.index(front.first), names.index(front.second)
    others = {n: 1.0 for n in range(len(names)) if n not in (a, b)}
    starts = problem.starts(6, job.seed)
    problem.share = (0.0, 0.4)
    keep = np.array([n in others for n in range(len(names))])
    found = _search(problem, starts, keep, "ends of the front")
    if min(found, key=lambda each: each[0])[0] > len(others) + 1e-6:
        return None
    ends = [_end_of_front(problem, [point for _, point in found], *pair, others) for pair in ((a, b), (b, a))]
    levels = [abs(float(problem.misses(end)[0][a])) for end in ends]
    along = [ends[0]]
    for step in range(1, front.points - 1):
        problem.run.report(0.4 + 0.6 * step / front.points, "along the front")
        level = levels[0] + (levels[1] - levels[0]) * step / (front.points - 1)
        limits = {**others, a: max(level, 1e-3)}
        tries = [_constrained(problem, start, b, limits) for start in (along[-1], ends[1])]
        sound = [each for each in tries if abs(float(problem.misses(each)[0][a])) <= limits[a] * 1.01 + 1e-3]
        if sound:
            along.append(min(sound, key=lambda each: abs(float(problem.misses(each)[0][b]))))
    along.append(ends[1])
    problem.run.report(1.0, "done")
    return _undominated([problem.solution(point) for point in along], front)


def _undominated(solutions: list[Solution], front: Front) -> tuple[Solution, ...]:
    def both(each: Solution) -> tuple[float, float]:
        return abs(each.misses[front.first]), abs(each.misses[front.second])

    kept = []
    for each in solutions:
        x, y = both(each)
        if not any(p <= x and q <= y and (p, q) != (x, y) for p, q in map(both, solutions)):
            kept.append(each)
    return tuple(sorted(kept, key=both))


@dataclass(frozen=True, slots=True)
class Member:
    """One ball of a family: weight [lb], design, and the changes of RG and differential [in]."""

    weight: float
    solution: Solution
    rg_change: float
    differential_change: float


def family(
    design: Design, job: Family, *, balance_arm: float = BALANCE_ARM, run: Run | None = None
) -> tuple[Member, ...]:
    """The same shape in other weights, by densities only, with RG and differential as near as can be.

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
        A solid leaves the ball.
    Cancelled
        By the token.
    """
    link = run or Run()
    shapes = shapes_of(design, job.parameters, link)
    model, _ = shapes.numbers(pack_inside(design), balance_arm)
    members = []
    for at, weight in enumerate(job.weights):
        link.report(at / len(job.weights), f"{weight:g} lb")
        targets = (
            Target("weight", weight, FAMILY_TOLERANCES["weight"], WEIGHT_COUNTS),
            *(
                Target(name, float(model[NUMBERS.index(name)]), FAMILY_TOLERANCES[name])
                for name in ("rg", "differential")
            ),
        )
        problem = _Problem(design, job.parameters, targets, balance_arm, _Quiet(link), shapes)
        found = _search(problem, problem.starts(4, job.seed), np.ones(3, np.bool_), f"{weight:g} lb")
        solution = problem.solution(min(found, key=lambda each: each[0])[1])
        shift = {name: solution.misses[name] * FAMILY_TOLERANCES[name] for name in solution.misses}
        members.append(Member(weight, solution, shift["rg"], shift["differential"]))
    link.report(1.0, "done")
    return tuple(members)


class _Quiet(Run):
    """A run inside a run: it can be cancelled, but its progress is the outer one's to tell."""

    def __init__(self, outer: Run) -> None:
        super().__init__()
        self._outer = outer

    def check(self) -> None:
        self._outer.check()

    def add(self, work: float) -> None:
        self._outer.add(work)

    def fits(self, work: float) -> bool:
        return self._outer.fits(work)
