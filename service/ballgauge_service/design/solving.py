"""Find designs that meet targets: several starts, distinct solutions, conflicts, trade-offs, sensitivities.

One ball or several that share parameters are searched alike. The misses, each times its target's weight, are
made least in squares within the bounds (scipy.optimize.least_squares, trust region reflective) from Sobol
starts, so that the same seed gives the same answer.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares, minimize
from scipy.stats import qmc

from ballgauge_schemas.shared.limits import BALANCE_ARM, DEFAULT_SEED, FRONT, SOLUTIONS, STARTS
from ballgauge_service.core.budget import Run
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.design.parameters import Parameter
from ballgauge_service.design.solids.shapes import Floats
from ballgauge_service.design.solids.solids import Design
from ballgauge_service.design.targets import (
    EDGE,
    MET,
    Across,
    Aim,
    Ball,
    Numbers,
    Target,
    Variant,
    drilled_numbers,
    plain,
    resolved,
)

DISTINCT = 0.02
OUTSIDE = 1e-3
STEP = 1e-6
ITERATIONS = 8
SEARCHING = 0.7
"""Of ours: distance, as a part of the bounds, beyond which two solutions differ; inches by which a solid may
leave the ball at the cost of all misses once more while searching; step of the derivatives, as a part of the
bounds; steps that a search takes at least; part of the work that is left that a search may do."""


@dataclass(frozen=True, slots=True)
class Front:
    """A trade-off to follow between two of the targets, point by point."""

    first: str
    second: str
    points: int = FRONT


@dataclass(frozen=True, slots=True)
class Set:
    """One ball, or several that share solids and parameters: what may move, what is wanted of them.

    seed and starts: of the Sobol starts, the designs themselves being the first; keep: most distinct
    solutions; across: what the balls share; front: of two targets of one ball.
    """

    variants: tuple[Variant, ...]
    parameters: tuple[Parameter, ...] = ()
    across: tuple[Across, ...] = ()
    seed: int = DEFAULT_SEED
    starts: int = STARTS
    keep: int = SOLUTIONS
    front: Front | None = None


@dataclass(frozen=True, slots=True)
class FoundBall:
    """One ball of a solution: its design and numbers, and its misses in tolerances.

    numbers: also those asked for that a ball as made does not have, the worst over the drillings; drilled:
    drilling by drilling; met: each of its targets; error_bound: of weight, RG and differential.
    """

    name: str
    design: Design
    numbers: dict[str, float | None]
    misses: dict[str, float]
    met: bool
    drilled: tuple[dict[str, float | None], ...]
    error_bound: dict[str, float]


@dataclass(frozen=True, slots=True)
class Agreement:
    """How far the balls of a solution lie apart in a number, and whether that is within what was asked."""

    number: str
    balls: tuple[str, ...]
    within: float
    apart: float | None
    met: bool


@dataclass(frozen=True, slots=True)
class Solution:
    """Designs that were found together, and where they put the parameters.

    met: every target of every ball and across them. at_bounds: parameters that a bound holds.
    """

    values: tuple[float, ...]
    balls: tuple[FoundBall, ...]
    across: tuple[Agreement, ...]
    met: bool
    cost: float
    at_bounds: tuple[str, ...]

    @property
    def only(self) -> FoundBall:
        """The ball, where there is one alone."""
        return self.balls[0]


@dataclass(frozen=True, slots=True)
class Conflict:
    """A target that cannot be met together with the others.

    nearest, off: its number, and by how much that misses the nearest end of the tolerance, once the others
    are met; where they cannot be met together (others_met), in the best compromise. balls: names of those it
    is of; with_targets: those that stand against it, out of so many others.
    """

    target: Target
    balls: tuple[str, ...]
    nearest: float
    off: float
    others_met: bool
    with_targets: tuple[str, ...]
    others: int


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """How a number answers a parameter: per unit, and over the parameter's range in tolerances."""

    number: str
    parameter: str
    per_unit: float
    range_in_tolerances: float
    balls: tuple[str, ...]


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


def _least_price(balls: Sequence[Ball], moving: int, drillings: int) -> float:
    """Estimated work of one start and of its solution [µs]."""
    prices = [ball.prices(min(moving, ball.moving), drillings) for ball in balls]
    steps = sum(each for ball, (_, each) in zip(balls, prices, strict=True) if ball.moving)
    return sum(once for once, _ in prices) + (ITERATIONS * (1 + moving) * steps if moving else 0.0)


def _checked_price(balls: Sequence[Ball], unspent: float) -> float:
    """The least work of a search [µs]; raises InvalidInput with what fits where that is too much."""
    moving = max(ball.moving for ball in balls)
    drillings = max(len(ball.variant.held.drills) for ball in balls)
    least = _least_price(balls, moving, drillings)
    if least <= unspent:
        return least
    for fewer in reversed(range(moving)):
        if _least_price(balls, fewer, drillings) <= unspent:
            most = f"at most {fewer} sizes and places" if fewer else "only densities"
            raise InvalidInput(
                [Fault("/parameters", f"too much to compute for this design: {most} may move")]
            )
    fit = next((n for n in reversed(range(drillings)) if _least_price(balls, 0, n) <= unspent), 0)
    words = f"at most {fit} drillings, of {drillings}," if fit else "fewer balls or solids"
    raise InvalidInput([Fault("", f"too much to compute for this design: {words} fit")])


def _aims_and_balls(job: Set, arm: float, run: Run) -> tuple[list[Aim], list[Ball]]:
    aims = [Aim(target, (at,)) for at, each in enumerate(job.variants) for target in each.targets]
    aims += [Aim(Target(each.number, 0.0, each.within, each.weight), each.balls) for each in job.across]
    balls = [
        Ball(each, job.parameters, [aim.target.number for aim in aims if at in aim.balls], arm, run)
        for at, each in enumerate(job.variants)
    ]
    return aims, balls


def search_price(job: Set, unspent: float) -> float:
    """The least work of a search [µs], before it begins.

    Parameters
    ----------
    job : Set
    unspent : float, work that is allowed [µs]

    Returns
    -------
    float [µs]

    Raises
    ------
    InvalidInput where that is too much, or a solid leaves a ball
    """
    return _checked_price(_aims_and_balls(job, BALANCE_ARM, Run())[1], unspent)


class _WorkDone(Exception):
    """The work that a search may do is done; what it found until then is worth having."""


class Problem:
    """One or more balls as a function of parameters scaled to 0..1."""

    def __init__(self, job: Set, arm: float, run: Run) -> None:
        self.parameters = job.parameters
        aims, self.balls = _aims_and_balls(job, arm, run)
        self.low = np.array([each.lower for each in job.parameters])
        self.range = np.array([each.upper for each in job.parameters]) - self.low
        self.run, self.evaluations = run, 0
        self.share = (0.0, 1.0)
        self._last: tuple[bytes, tuple[list[Numbers], float]] | None = None
        self._reserve: float | None = None
        self.nearest: tuple[float, Floats] | None = None
        self.aims = resolved(aims, [ball.at(self.own(at))[0] for at, ball in enumerate(self.balls)])
        self.weights = [aim.target.weight for aim in self.aims]

    def aim_at(self, targets: Sequence[Target]) -> None:
        """Aim at other targets of the one ball; what a ball as made does not have must be among the first.

        Parameters
        ----------
        targets : sequence of Target
        """
        self.aims = tuple(Aim(target, (0,)) for target in targets)
        self.weights = [target.weight for target in targets]

    def leave(self, share: float) -> None:
        """Keep a share of the work that is left for later; 0: none, for what must be done.

        Parameters
        ----------
        share : float, 0..1
        """
        bounded = share > 0.0 and math.isfinite(self.run.unspent)
        self._reserve = share * max(self.run.unspent, 0.0) if bounded else None

    @property
    def work(self) -> float:
        """Work counted so far [µs]."""
        return sum(ball.work for ball in self.balls)

    def own(self, at: int) -> Floats:
        """The parameters' present values in one of the balls; those that it does not have, in the middle.

        Parameters
        ----------
        at : int, a ball

        Returns
        -------
        (d,) array
        """
        ball = self.balls[at]
        values: Floats = self.low + 0.5 * self.range
        for place in ball.places:
            values[place] = self.parameters[place].value(ball.variant.design)
        return values

    def found(self, scaled: Floats) -> tuple[list[Numbers], float]:
        """Numbers of the balls at a point, and how far the worst solid leaves its ball [in].

        Parameters
        ----------
        scaled : (d,) array, 0..1

        Returns
        -------
        numbers : list of mappings, one a ball
        beyond : float [in]

        Raises
        ------
        _WorkDone where only what is kept for later is left
        """
        key = scaled.tobytes()
        if self._last is not None and self._last[0] == key:
            return self._last[1]
        if self._reserve is not None and not self.run.fits(self._reserve):
            raise _WorkDone
        self.run.check()
        self.evaluations += 1
        values = self.low + self.range * scaled
        balls = [ball.at(values) for ball in self.balls]
        self._last = (key, ([numbers for numbers, _ in balls], max(beyond for _, beyond in balls)))
        return self._last[1]

    def residuals(self, keep: NDArray[np.bool_]) -> Callable[[Floats], Floats]:
        """The weighted misses of the kept aims, and the penalty of leaving the ball.

        Parameters
        ----------
        keep : (a,) array of bool

        Returns
        -------
        callable (d,) to (r,)
        """

        def of(scaled: Floats) -> Floats:
            found, beyond = self.found(scaled)
            misses = [
                self.weights[at] * each / math.sqrt(len(each))
                for at in np.flatnonzero(keep)
                for each in (self.aims[at].misses(found, EDGE),)
            ]
            off = 1.0 + math.sqrt(sum(float(each @ each) for each in misses))
            both = np.concatenate([*misses, [off * beyond / OUTSIDE]])
            cost = float(both @ both)
            if self.nearest is None or cost < self.nearest[0]:
                self.nearest = cost, scaled.copy()
            return both

        return of

    def excess(self, scaled: Floats) -> tuple[Floats, float]:
        """Tolerances by which each aim is missed at worst (a,), and the distance outside the ball [in].

        Parameters
        ----------
        scaled : (d,) array, 0..1

        Returns
        -------
        excess : (a,) array
        beyond : float [in]
        """
        found, beyond = self.found(scaled)
        return np.array([aim.excess(found).max() for aim in self.aims]), beyond

    def slack(self, scaled: Floats, within: Mapping[int, float]) -> Floats:
        """What is left to aims held below limits, by their places, and of the ball around the solids (k,).

        Smooth, in tolerances, and negative where it is not kept.

        Parameters
        ----------
        scaled : (d,) array, 0..1
        within : mapping of an aim's place to its limit [tolerances]

        Returns
        -------
        (k,) array
        """
        found, beyond = self.found(scaled)
        left = [limit + self.aims[at].slack(found) for at, limit in within.items()]
        return np.concatenate([*left, [1e-9 - beyond / OUTSIDE]])

    def meets(self, scaled: Floats) -> bool:
        """Whether a point meets everything.

        Parameters
        ----------
        scaled : (d,) array, 0..1

        Returns
        -------
        bool
        """
        excess, beyond = self.excess(scaled)
        return bool(excess.max(initial=0.0) <= MET and beyond <= 1e-9)

    def starts(self, count: int, seed: int) -> Floats:
        """The design itself where the bounds hold it, then Sobol points, (count, d).

        Parameters
        ----------
        count, seed : int

        Returns
        -------
        (count, d) array, 0..1
        """
        sampler = qmc.Sobol(len(self.parameters), rng=np.random.default_rng(seed))
        points = 0.05 + 0.9 * sampler.random_base2(max(1, math.ceil(math.log2(count))))[:count]
        own = self.low + 0.5 * self.range
        for at in reversed(range(len(self.balls))):
            places = list(self.balls[at].places)
            own[places] = self.own(at)[places]
        points[0] = np.clip((own - self.low) / self.range, 0.01, 0.99)
        return np.asarray(points, dtype=np.float64)

    def best(self, start: Floats, keep: NDArray[np.bool_]) -> Floats:
        """The point of least residuals reached from a start.

        Parameters
        ----------
        start : (d,) array, 0..1
        keep : (a,) array of bool, aims that count

        Returns
        -------
        (d,) array
        """
        found = least_squares(
            self.residuals(keep), start, bounds=(0.0, 1.0), diff_step=STEP, xtol=1e-12, ftol=1e-12,
            gtol=1e-12, max_nfev=60,
        )  # fmt: skip
        return np.asarray(found.x, dtype=np.float64)

    def inside(self, scaled: Floats) -> Floats:
        """The point nearest to one, on the way from the first start, at which no solid leaves its ball.

        Parameters
        ----------
        scaled : (d,) array, 0..1

        Returns
        -------
        (d,) array; the same where it holds already, or the first start does not
        """

        def holds(share: float) -> bool:
            values = self.low + self.range * (home + share * (scaled - home))
            return max(ball.beyond(values) for ball in self.balls) <= 0.0

        home = self.starts(1, 0)[0]
        if holds(1.0) or not holds(0.0):
            return scaled
        low, high = 0.0, 1.0
        while high - low > 1e-7:
            middle = 0.5 * (low + high)
            low, high = (middle, high) if holds(middle) else (low, middle)
        reached: Floats = home + low * (scaled - home)
        return reached

    def names(self, aim: Aim) -> tuple[str, ...]:
        """Names of the balls of an aim.

        Parameters
        ----------
        aim : Aim

        Returns
        -------
        tuple of str
        """
        return tuple(self.balls[at].variant.name for at in aim.balls)

    def title(self, aim: Aim) -> str:
        """The aim in words: its number, and where there are several balls, which.

        Parameters
        ----------
        aim : Aim

        Returns
        -------
        str
        """
        where = f" of {', '.join(self.names(aim))}" if len(self.balls) > 1 else ""
        return f"{aim.target.number}{where}"

    def solution(self, scaled: Floats) -> Solution:
        """The solution at a point.

        Parameters
        ----------
        scaled : (d,) array, 0..1

        Returns
        -------
        Solution
        """
        values = self.low + self.range * scaled
        found = [ball.at(values, drilled=True)[0] for ball in self.balls]
        cost = float(np.sum(self.residuals(np.ones(len(self.aims), np.bool_))(scaled) ** 2))
        across = [aim for aim in self.aims if aim.across]
        return Solution(
            values=tuple(values.tolist()),
            balls=tuple(self._ball(at, values, found) for at in range(len(self.balls))),
            across=tuple(self._agreement(aim, found) for aim in across),
            met=self.meets(scaled),
            cost=cost,
            at_bounds=tuple(
                each.label
                for each, at in zip(self.parameters, scaled, strict=True)
                if at < 1e-6 or at > 1.0 - 1e-6
            ),
        )

    def _ball(self, at: int, values: Floats, found: Sequence[Numbers]) -> FoundBall:
        ball = self.balls[at]
        aims = [aim for aim in self.aims if aim.balls == (at,)]
        worst = {aim.target.number: aim.worst(found) for aim in aims}
        return FoundBall(
            name=ball.variant.name,
            design=ball.design_at(values),
            numbers=plain(found[at], aims, at, found),
            misses={name: miss for name, (_, miss, _) in worst.items()},
            met=all(excess <= MET for _, _, excess in worst.values()),
            drilled=tuple(drilled_numbers(found[at])),
            error_bound=ball.error_at(values),
        )

    def _agreement(self, aim: Aim, found: Sequence[Numbers]) -> Agreement:
        apart, _, excess = aim.worst(found)
        far = None if math.isnan(apart) else abs(apart)
        return Agreement(aim.target.number, self.names(aim), aim.target.tolerance, far, excess <= MET)


def _distinct(points: list[tuple[float, Floats]], most: int) -> list[Floats]:
    kept: list[Floats] = []
    for _, point in sorted(points, key=lambda each: each[0]):
        if all(float(np.abs(point - other).max()) > DISTINCT for other in kept):
            kept.append(point)
        if len(kept) == most:
            break
    return kept


def search(
    problem: Problem, starts: Floats, keep: NDArray[np.bool_], doing: str
) -> tuple[list[tuple[float, Floats]], int]:
    """The points reached from the starts, each with its squared misses, and how many starts were searched.

    Where the work allows no more, the nearest point of a search that it ended is among them.

    Parameters
    ----------
    problem : Problem
    starts : (n, d) array, 0..1
    keep : (a,) array of bool, aims that count
    doing : str, for the progress

    Returns
    -------
    found : list of (squared misses, (d,) array)
    searched : int
    """
    found: list[tuple[float, Floats]] = []
    residuals = problem.residuals(keep)
    first, last = problem.share
    before = problem.work
    for at, start in enumerate(starts):
        # A start that would end the request for its work is left out: those before it are worth having.
        if at and not problem.run.fits((problem.work - before) / at):
            break
        problem.run.report(first + (last - first) * at / len(starts), doing)
        problem.nearest = None
        try:
            point = problem.inside(problem.best(start, keep))
            found.append((round(float(np.sum(residuals(point) ** 2)), 9), point))
        except _WorkDone:
            if problem.nearest is not None or not found:
                cost, point = problem.nearest or (math.inf, start)
                found.append((cost, problem.inside(point)))
            return found, at
    return found, len(found)


def settled(problem: Problem, found: list[tuple[float, Floats]]) -> list[tuple[float, Floats]]:
    """The points found, led by one that meets all targets where there is one near the best of them.

    Least squares may leave a target out for the sake of the middles of others.

    Parameters
    ----------
    problem : Problem
    found : list of (squared misses, (d,) array)

    Returns
    -------
    list, as `found`
    """
    try:
        if any(problem.meets(point) for _, point in found) or not problem.parameters:
            return found
        best = min(found, key=lambda each: each[0])[1]
        point = _feasible(problem, best)
        return [(0.0, point), *found] if problem.meets(point) else found
    except _WorkDone:
        return found


def _feasible(problem: Problem, start: Floats) -> Floats:
    """The point nearest to a start at which every target is met, as far as it is found (SLSQP)."""

    def slack(scaled: Floats) -> Floats:
        return problem.slack(scaled, dict.fromkeys(range(len(problem.aims)), -1e-4))

    return _least(lambda scaled: float(np.sum((scaled - start) ** 2)), start, slack, 60, 1e-12)


def _least(
    goal: Callable[[Floats], float],
    start: Floats,
    slack: Callable[[Floats], Floats],
    steps: int,
    error: float,
) -> Floats:
    """The point of the least goal from a start, as far as it is found where no slack is negative (SLSQP)."""
    found = minimize(
        goal,
        start,
        method="SLSQP",
        bounds=[(0.0, 1.0)] * len(start),
        constraints=[{"type": "ineq", "fun": slack}],
        options={"maxiter": steps, "ftol": error, "eps": STEP},
    )
    point: Floats = np.clip(found.x, 0.0, 1.0)
    return point


def _conflict(problem: Problem, starts: Floats, at: int, best: Floats) -> Conflict:
    """What happens to one target when the others come first; where they cannot, in the best compromise."""
    keep = np.arange(len(problem.aims)) != at
    aim = problem.aims[at]
    doing = f"without {problem.title(aim)}"
    _, point = min(search(problem, starts, keep, doing)[0], key=lambda each: each[0])
    # The others held within their tolerances, as the point holds them.
    point = _constrained(problem, point, at, dict.fromkeys(np.flatnonzero(keep).tolist(), 0.0))
    excess, _ = problem.excess(point)
    others_met = bool(excess[keep].max(initial=0.0) <= 1e-3)
    if not others_met:
        point = best
        excess, _ = problem.excess(point)
    number, _, beyond = aim.worst(problem.found(point)[0])
    against = tuple(
        problem.title(each) for each, over in zip(problem.aims, excess, strict=True)
        if each is not aim and over > -0.1
    )  # fmt: skip
    names = against or tuple(problem.title(each) for each in problem.aims if each is not aim)
    off = max(beyond, 0.0) * aim.target.tolerance
    others = len(problem.aims) - 1
    return Conflict(aim.target, problem.names(aim), number, off, others_met, names, others)


def _constrained(problem: Problem, start: Floats, at: int, within: dict[int, float]) -> Floats:
    """Least squared miss of aim `at` with the excess of others below the given limits (SLSQP)."""

    def slack(scaled: Floats) -> Floats:
        return problem.slack(scaled, within)

    def aim(scaled: Floats) -> float:
        misses = problem.aims[at].misses(problem.found(scaled)[0])
        return float(np.mean(misses**2))

    # The scale keeps the objective of order one, which the method's stopping rule takes for granted.
    size = max(aim(start), 1.0)
    point = _least(lambda scaled: aim(scaled) / size, start, slack, 100, 1e-10)
    better = aim(point) <= aim(start) and float(slack(point).min()) > -1e-3
    return point if better else start


def _sensitivities(problem: Problem, scaled: Floats) -> tuple[Sensitivity, ...]:
    found = []
    for at, parameter in enumerate(problem.parameters):
        ends = []
        for sign in (-1.0, 1.0):
            point = scaled.copy()
            point[at] = min(max(point[at] + sign * 1e-4, 0.0), 1.0)
            balls = problem.found(point)[0]
            ends.append((point[at], [float(np.mean(aim.of(balls))) for aim in problem.aims]))
        for aim, low, high in zip(problem.aims, ends[0][1], ends[1][1], strict=True):
            slope = (high - low) / (ends[1][0] - ends[0][0])
            slope = slope if math.isfinite(slope) else 0.0
            per_unit, number = slope / float(problem.range[at]), aim.target.number
            of_range = slope / aim.target.tolerance
            found.append(Sensitivity(number, parameter.label, per_unit, of_range, problem.names(aim)))
    return tuple(found)


def solve(job: Set, *, balance_arm: float = BALANCE_ARM, run: Run | None = None) -> Solved:
    """Find designs of one ball or of several, which share parameters, that meet the targets.

    Parameters
    ----------
    job : Set
        Its parameters must fit the designs (`Parameter.faults`). Without parameters, the balls as they are.
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
    Canceled
        By the token.

    References
    ----------
    Trust region reflective least squares: Branch, Coleman & Li (1999), as `scipy.optimize.least_squares` has
    it. Where that meets no design, sequential quadratic programming (Kraft, 1988, SLSQP) looks for one.
    """
    problem = Problem(job, balance_arm, run or Run())
    if not job.parameters:
        one = problem.solution(np.empty(0))
        return Solved(one.met, (one,), (), (), problem.evaluations, 1)
    points = problem.starts(job.starts, job.seed)
    problem.share = (0.0, 0.7)
    every = np.ones(len(problem.aims), np.bool_)
    problem.leave(1.0 - SEARCHING)
    found, searched = search(problem, points, every, "solving")
    problem.leave(0.5)
    found = settled(problem, found)
    best = min(found, key=lambda each: each[0])[1]
    each_one = (1 + len(problem.balls)) * problem.work / max(problem.evaluations, 1)
    problem.leave(0.0)
    solutions: list[Solution] = []
    for point in _distinct(found, job.keep * 4):
        if not solutions or problem.run.fits(3.0 * each_one):
            solutions.append(problem.solution(point))
    met = [each for each in solutions if each.met][: job.keep]
    conflicts: list[Conflict] = []
    if not met:
        problem.share = (0.7, 1.0)
        conflicts = _conflicts(problem, points[: min(4, searched)], best)
    problem.run.report(1.0, "done")
    affordable = problem.run.fits(2.0 * len(problem.parameters) * each_one)
    return Solved(
        bool(met),
        tuple(met or solutions[:1]),
        tuple(conflicts),
        _sensitivities(problem, best) if affordable else (),
        problem.evaluations,
        searched,
    )


def _conflicts(problem: Problem, starts: Floats, best: Floats) -> list[Conflict]:
    """What happens to each target when the others come first, largest miss first, as far as work allows."""
    found: list[Conflict] = []
    each_start = problem.work / max(len(starts), 1)
    problem.leave(0.2)
    for at in range(len(problem.aims) if len(starts) else 0):
        if problem.run.fits((len(starts) + 1) * each_start):
            try:
                found.append(_conflict(problem, starts, at, best))
            except _WorkDone:
                break
    problem.leave(0.0)
    return sorted(
        (each for each in found if each.off > 0.0), key=lambda each: -each.off / each.target.tolerance
    )


@dataclass(frozen=True, slots=True)
class Along:
    """The points of a trade-off, none where the other targets cannot be met together.

    followed: how many were looked for, fewer than asked for where the work allows no more.
    """

    solutions: tuple[Solution, ...]
    followed: int


def _end_of_front(
    problem: Problem, starts: list[Floats], lead: int, other: int, others: dict[int, float]
) -> Floats:
    """The least miss of `lead`, and there the least of `other`, with the other targets met."""
    points = [_constrained(problem, start, lead, others) for start in starts]
    best = min(points, key=lambda point: _rank(problem, point, lead, others))
    reach = max(_beyond(problem, best, lead), 1e-3 - 1.0)
    return _constrained(problem, best, other, {**others, lead: reach + 1e-6})


def _beyond(problem: Problem, point: Floats, at: int) -> float:
    return float(problem.excess(point)[0][at])


def _rank(problem: Problem, point: Floats, lead: int, others: dict[int, float]) -> tuple[bool, float]:
    excess, _ = problem.excess(point)
    return any(excess[n] > 1e-3 for n in others), float(excess[lead])


def trade_off(job: Set, front: Front, *, balance_arm: float = BALANCE_ARM, run: Run | None = None) -> Along:
    """The front of two targets that conflict, all other targets kept within their tolerances.

    Parameters
    ----------
    job : Set
        Of one ball.
    front : Front
        Two of its targets, and how many points.
    balance_arm : float
        Arm of the shop balance [in].
    run : Run, optional
        Progress and cancel token.

    Returns
    -------
    Along
        From the first target's best to the second's, none worse than another in both.

    Raises
    ------
    InvalidInput
        A solid leaves the ball; or sizes or places move in a design for which that takes too much.
    Canceled
        By the token.

    References
    ----------
    The epsilon-constraint method (Haimes et al., 1971, from memory): the miss of the second is made least
    with the miss of the first held below levels between its least and its value at the best of the second.
    """
    problem = Problem(job, balance_arm, run or Run())
    names = [aim.target.number for aim in problem.aims]
    a, b = names.index(front.first), names.index(front.second)
    others = {n: 0.0 for n in range(len(names)) if n not in (a, b)}
    starts = problem.starts(6, job.seed)
    problem.share = (0.0, 0.4)
    keep = np.array([n in others for n in range(len(names))])
    problem.leave(1.0 - 0.5 * SEARCHING)
    found, searched = search(problem, starts, keep, "ends of the front")
    reached = [point for cost, point in found if cost <= len(others) + 1e-6]
    if not reached and searched < len(starts):
        problem.leave(0.0)
        return Along((problem.solution(min(found, key=lambda each: each[0])[1]),), 1)
    along: list[Floats] = []
    problem.leave(1.0 - SEARCHING)
    try:
        if reached:
            _follow(problem, [point for _, point in found], front, (a, b), others, along)
    except _WorkDone:
        along = along or reached
    problem.leave(0.0)
    problem.run.report(1.0, "done")
    solutions: list[Solution] = []
    each = problem.work / max(problem.evaluations, 1)
    for point in along:
        if not solutions or problem.run.fits(each):
            solutions.append(problem.solution(point))
    return Along(_undominated(solutions, front), len(solutions))


def _follow(
    problem: Problem,
    starts: list[Floats],
    front: Front,
    pair: tuple[int, int],
    others: dict[int, float],
    along: list[Floats],
) -> None:
    """Append the points of a front: its two ends, and those between them."""
    a, b = pair
    along += [_end_of_front(problem, starts, *each, others) for each in (pair, (b, a))]
    ends = list(along)
    levels = [_beyond(problem, end, a) for end in ends]
    last = ends[0]
    for step in range(1, front.points - 1):
        problem.run.report(0.4 + 0.6 * step / front.points, "along the front")
        level = levels[0] + (levels[1] - levels[0]) * step / (front.points - 1)
        limits = {**others, a: max(level, 1e-3 - 1.0)}
        tries = [_constrained(problem, start, b, limits) for start in (last, ends[1])]
        sound = [
            each
            for each in tries
            if _beyond(problem, each, a) <= limits[a] + 0.01 * abs(limits[a] + 1.0) + 1e-3
        ]
        if sound:
            last = min(sound, key=lambda each: _beyond(problem, each, b))
            along.append(last)


def _undominated(solutions: list[Solution], front: Front) -> tuple[Solution, ...]:
    def both(each: Solution) -> tuple[float, float]:
        return abs(each.only.misses[front.first]), abs(each.only.misses[front.second])

    kept = []
    for each in solutions:
        x, y = both(each)
        if not any(p <= x and q <= y and (p, q) != (x, y) for p, q in map(both, solutions)):
            kept.append(each)
    return tuple(sorted(kept, key=both))
