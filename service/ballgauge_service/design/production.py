"""Production: how tolerances on density, size, core offset and tilt spread the numbers, and what fails.

Two ways side by side: Sobol samples through the whole model, and linear propagation (JCGM 100, 5.1.2). Sobol
points are scrambled from the seed; the confidence interval of a fraction is the exact binomial one of
Clopper & Pearson (1934), on the cautious side for such samples.

Samples whose solids cut each other off a common axis take no cubature of their own: what is visible of each
solid is fitted by a full quadratic in sizes, places and tilts (a central composite, Box & Wilson 1951), its
moments being linear in the densities anyway. What the fit misses is measured at samples, by cubature.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, combinations_with_replacement

import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta, norm, qmc

from ballgauge_schemas.shared.limits import BALANCE_ARM, CONFIDENCE, DEFAULT_SEED, DESIGN_SAMPLES
from ballgauge_schemas.shared.words import NUMBERS, OFFSETS, TILTS
from ballgauge_service.core.budget import Run
from ballgauge_service.core.bulk import Bulk, Check, threads_here
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.design.mass import CELLS, LENGTH, numbers_at, pack_inside, summed, visible_moments
from ballgauge_service.design.model import STUDY_CELLS, Slot, fit_roundings, numbers_of_many, vary
from ballgauge_service.design.prices import cubature_price
from ballgauge_service.design.solids.packing import POSITION, SIZE, Packed, pack
from ballgauge_service.design.solids.relations import reach_from_center
from ballgauge_service.design.solids.shapes import Floats
from ballgauge_service.design.solids.solids import Design

BLOCK = 2048
CLIP = 1e-12
"""Samples that are looked at together for solids that leave the ball, and make a piece of bulk work; distance
of a uniform number from 0 and 1 (both ours)."""

STEP = math.sqrt(3.0)
PROBES = 8
FIT_WORK = 4e6
"""Deviations from nominal at which the quadratic meets the cubature: the ends of a uniform tolerance, the
outer nodes of three of a normal one; samples at which what it misses is measured; estimated work of all
cubatures [µs], as far as each has STUDY_CELLS (all ours)."""

WHOLE = "Sobol samples through the whole model; linear propagation from central differences of one deviation"
FITTED = (
    "Sobol samples through quadratics, fitted by cubature, where solids cut each other off a common axis; "
    "linear propagation from central differences of one deviation"
)
"""How a study was done."""

Limits = Mapping[str, tuple[float | None, float | None]]
"""(lower, upper) of numbers, either None where there is none."""


@dataclass(frozen=True, slots=True)
class Tolerance(Slot):
    """How one number of a design varies in production, about its nominal value.

    field: density, a size, offset_x, offset_y, offset_z [in], tilt_x or tilt_y [deg], the tilts about the
    first solid's place. Exactly one of standard_deviation (normal) and half_width (uniform) is given, in the
    field's unit. The named solids vary together.
    """

    standard_deviation: float | None = None
    half_width: float | None = None

    @property
    def deviation(self) -> float:
        """Standard deviation; of a uniform distribution half width / sqrt(3) (JCGM 100, 4.3.7)."""
        if self.standard_deviation is not None:
            return self.standard_deviation
        assert self.half_width is not None
        return self.half_width / math.sqrt(3.0)

    def halved(self) -> Tolerance:
        """The same tolerance, half as wide.

        Returns
        -------
        Tolerance
        """
        return replace(
            self,
            standard_deviation=None if self.standard_deviation is None else 0.5 * self.standard_deviation,
            half_width=None if self.half_width is None else 0.5 * self.half_width,
        )


@dataclass(frozen=True, slots=True)
class Production:
    """What varies, each by itself; samples and seed of the Sobol sequence; confidence of the intervals."""

    tolerances: tuple[Tolerance, ...]
    samples: int = DESIGN_SAMPLES
    seed: int = DEFAULT_SEED
    confidence: float = CONFIDENCE


@dataclass(frozen=True, slots=True)
class Spread:
    """How one number spreads.

    The nominal; mean, standard deviation and quantiles of the samples; the linear standard deviation; shares
    (0..1) of the sampled variance by tolerance, from the linear and square terms of a least-squares fit;
    explained: their sum. fit_error: the most by which the fit missed it at PROBES samples, None where no
    sample takes it.
    """

    number: str
    nominal: float
    mean: float
    standard_deviation: float
    quantiles: dict[str, float]
    linear_standard_deviation: float
    shares: dict[str, float]
    explained: float
    fit_error: float | None


@dataclass(frozen=True, slots=True)
class Nonconformity:
    """Expected nonconforming fraction against one limit or ("any") all of them.

    With its confidence interval; linear: the same from linear propagation and the normal distribution, None
    for "any".
    """

    number: str
    lower: float | None
    upper: float | None
    fraction: float
    confidence: float
    interval: tuple[float, float]
    linear: float | None


@dataclass(frozen=True, slots=True)
class Advice:
    """The tolerance to tighten first.

    The one with the largest share in the number that fails most (or has least room); the fractions now and
    with this tolerance halved (None without limits).
    """

    tolerance: str
    number: str
    share: float
    fraction_now: float | None
    fraction_halved: float | None


@dataclass(frozen=True, slots=True)
class ProductionStudy:
    """Result of a tolerance study. `samples` is the number drawn, `seed` repeats them.

    not_assessed: limits on numbers that some samples do not have (an axis without direction).
    """

    samples: int
    seed: int
    spreads: tuple[Spread, ...]
    nonconforming: tuple[Nonconformity, ...]
    not_assessed: tuple[str, ...]
    tighten_first: Advice | None
    method: str


class _Plan:
    """Which cells of the table each tolerance adds to, which solids it tilts, and the fit of what is cut."""

    def __init__(self, packed: Packed, design: Design, tolerances: Sequence[Tolerance], arm: float) -> None:
        rows: list[int] = []
        columns: list[int] = []
        sources: list[int] = []
        tilts: list[list[float]] = []
        for source, each in enumerate(tolerances):
            members = [design.index(name) for name in each.solids]
            if each.field in TILTS:
                pivot = design.solids[members[0]].position
                tilts += [[source, row, TILTS.index(each.field), *pivot] for row in members]
                continue
            if each.field in OFFSETS:
                cells = [(row, POSITION + OFFSETS.index(each.field)) for row in members]
            else:
                cells = each.cells(design)
            for row, column in cells:
                rows.append(row)
                columns.append(column)
                sources.append(source)
        self.rows, self.columns, self.sources = (
            np.array(each, np.int64) for each in (rows, columns, sources)
        )
        # A pin is turned flush with the surface after molding, so it may stand out while the core moves.
        self.held = np.array([solid.role != "pin" for solid in design.solids])
        self.tilts = np.array(tilts, np.float64).reshape(len(tilts), 6)
        self.packed, self.arm = packed, arm
        moving = [at for at, each in enumerate(tolerances) if each.field != "density"]
        pairs = [(-1, -1), *((at, -1) for at in moving), *combinations_with_replacement(moving, 2)]
        self.terms = np.array(pairs, np.int64)
        steps = STEP * np.diag([each.deviation for each in tolerances])[moving]
        both = [one + other for one, other in combinations(steps, 2)]
        self.nodes = np.array([np.zeros(len(tolerances)), *steps, *-steps, *both])
        self.fit = np.empty((0, len(packed.table), 10))
        self.same = not moving
        self.cubatures = len(self.nodes) + (0 if self.same else PROBES)
        affordable = int(FIT_WORK / (self.cubatures * cubature_price(design, 1)))
        self.cells = CELLS if self.same else min(max(affordable, STUDY_CELLS), CELLS)

    def numbers(self, samples: Floats, run: Run, bulk: Bulk) -> tuple[Floats, NDArray[np.bool_]]:
        """Numbers (n, LENGTH) of the variants, and which of them (n,) the fit gave.

        Raises InvalidInput where one leaves the ball.
        """
        self._check_positive(samples)
        if self.same:
            self._require_fit(run)
        size = len(samples)
        out, cut = np.empty((size, LENGTH)), np.empty(size, np.bool_)
        pieces = [samples[start : start + BLOCK] for start in range(0, size, BLOCK)]
        run.report(0.0, "sampling")
        done = 0
        for piece, found in zip(pieces, bulk.map(sample_piece, self, pieces, run.check), strict=True):
            if np.isnan(found[0][:, 0]).any():
                self._require_fit(run)
                found = self.write(piece)
            numbers, beyond, by_fit = found
            _require_inside(beyond)
            out[done : done + BLOCK], cut[done : done + BLOCK] = numbers, by_fit
            done += len(piece)
            run.report(done / size, "sampling")
        return out, cut

    def write(self, samples: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """Numbers (n, LENGTH), how far a solid leaves the ball [in], and whether it is not closed form."""
        size = len(samples)
        out, beyond, cut = np.empty((size, LENGTH)), np.empty(size), np.empty(size, np.bool_)
        numbers_of_many(
            self.packed, samples, self.rows, self.columns, self.sources, self.tilts, self.held, self.fit,
            self.terms, self.arm, out, beyond, cut,
        )  # fmt: skip
        return out, beyond, cut

    def _require_fit(self, run: Run) -> None:
        """Fit what is visible of each solid, by cubature at the nodes."""
        if len(self.fit):
            return
        self._check_positive(self.nodes)
        found = []
        for done, node in enumerate(self.nodes):
            run.report(done / len(self.nodes), "fitting")
            found.append(self._visible(node).ravel())
        # A column of ones stands for what a term lacks.
        columns = np.column_stack([self.nodes, np.ones(len(self.nodes))])
        basis = columns[:, self.terms].prod(axis=2)
        self.fit = np.linalg.solve(basis, np.array(found)).reshape(len(found), *self.fit.shape[1:])

    def _visible(self, sample: Floats) -> Floats:
        return visible_moments(self.variant(sample), cells=self.cells, any_density=True).moments

    def missed(self, samples: Floats, numbers: Floats, run: Run) -> Floats:
        """The most (LENGTH,) by which the fit misses the numbers of some samples, found by cubature."""
        worst = np.zeros(LENGTH)
        moments = np.empty(10)
        for sample, fitted in zip(samples, numbers, strict=True):
            run.check()
            packed = self.variant(sample)
            summed(self._visible(sample), packed.table, moments)
            out = numbers_at(moments, reach_from_center(packed, 0), self.arm)
            worst = np.fmax(worst, np.abs(out - fitted))
        return worst

    def _check_positive(self, samples: Floats) -> None:
        least = self.packed.table[self.rows, self.columns] + samples[:, self.sources].min(axis=0)
        sized = (self.columns < POSITION) | (self.columns >= SIZE)
        bad = sorted({int(source) for source in self.sources[sized & (least <= 0.0)]})
        if bad:
            raise InvalidInput(Fault(f"/tolerances/{at}", "is so wide that it reaches zero") for at in bad)

    def variant(self, sample: Floats) -> Packed:
        table = self.packed.table.copy()
        vary(table, sample, self.rows, self.columns, self.sources, self.tilts)
        fit_roundings(table)
        return self.packed._replace(table=table)


def sample_piece(plan: _Plan, samples: Floats, check: Check) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Numbers (n, LENGTH) of a piece of the samples, and what `numbers_of_many` tells beside them.

    Parameters
    ----------
    plan : plan of the study
    samples : (n, d) array, deviations
    check : callable, unused: a piece is short

    Returns
    -------
    numbers : (n, LENGTH) array
    beyond : (n,) array [in]
    cut : (n,) array of bool
    """
    return plan.write(samples)


def fit_price(design: Design, tolerances: Sequence[Tolerance]) -> float:
    """Estimated work of the cubatures of a study [µs], none where all nodes of the fit are closed form.

    Parameters
    ----------
    design : Design
    tolerances : sequence of Tolerance

    Returns
    -------
    float [µs]
    """
    plan = _Plan(pack(design), design, tolerances, BALANCE_ARM)
    cut = plan.write(plan.nodes)[2].any()
    return plan.cubatures * cubature_price(design, plan.cells) if cut else 0.0


def _require_inside(beyond: Floats) -> None:
    """Raise InvalidInput where in one of a block of samples a solid leaves the ball."""
    failed = int((beyond > 0.0).sum())
    if failed:
        reach = f"by up to {beyond.max():.3g} in"
        text = f"in {failed} of {len(beyond)} samples a solid leaves the ball, {reach}"
        raise InvalidInput([Fault("/tolerances", text)])


def _draw(tolerances: Sequence[Tolerance], samples: int, seed: int) -> tuple[Floats, Floats]:
    """Standard scores (n, d) with unit variance, and the deviations (n, d) from nominal."""
    sampler = qmc.Sobol(len(tolerances), rng=np.random.default_rng(seed))
    power = math.ceil(math.log2(samples))
    uniform = np.clip(sampler.random_base2(power)[:samples], CLIP, 1.0 - CLIP)
    scores = np.empty_like(uniform)
    for at, each in enumerate(tolerances):
        if each.standard_deviation is not None:
            scores[:, at] = norm.ppf(uniform[:, at])
        else:
            scores[:, at] = math.sqrt(3.0) * (2.0 * uniform[:, at] - 1.0)
    return scores, scores * np.array([each.deviation for each in tolerances])


def clopper_pearson(failed: int, samples: int, confidence: float) -> tuple[float, float]:
    """Exact binomial confidence interval of a fraction (Clopper & Pearson, 1934), from beta quantiles.

    Parameters
    ----------
    failed, samples : int
    confidence : float, 0..1

    Returns
    -------
    low, high : float, 0..1
    """
    tail = 0.5 * (1.0 - confidence)
    low = 0.0 if failed == 0 else float(beta.ppf(tail, failed, samples - failed + 1))
    high = 1.0 if failed == samples else float(beta.ppf(1.0 - tail, failed + 1, samples - failed))
    return low, high


def _shares(scores: Floats, values: Floats) -> NDArray[np.float64]:
    """Share of the variance of `values` (n,) that each column of independent scores (n, d) explains, (d,)."""
    squares = scores * scores
    squares = squares - squares.mean(axis=0)
    spread = float(values.var())
    if spread < 1e-24:
        return np.zeros(scores.shape[1])
    basis = np.column_stack([np.ones(len(values)), scores, squares])
    fit = np.linalg.lstsq(basis, values - values.mean(), rcond=None)[0]
    count = scores.shape[1]
    parts = scores * fit[1 : 1 + count] + squares * fit[1 + count :]
    shares: NDArray[np.float64] = parts.var(axis=0) / spread
    return shares


def _linear(plan: _Plan, deviations: Floats, run: Run) -> Floats:
    """Standard deviations (LENGTH,) by linear propagation: central differences of one standard deviation."""
    count = len(deviations)
    steps = np.vstack([np.diag(deviations), -np.diag(deviations)])
    numbers = plan.numbers(steps, run, threads_here())[0]
    slopes = 0.5 * (numbers[:count] - numbers[count:])
    spread: Floats = np.sqrt((slopes * slopes).sum(axis=0))
    return spread


def _outside(values: Floats, limit: tuple[float | None, float | None]) -> NDArray[np.bool_]:
    low = -math.inf if limit[0] is None else limit[0]
    high = math.inf if limit[1] is None else limit[1]
    return (values < low) | (values > high)


def _any_outside(numbers: Floats, limits: Limits) -> NDArray[np.bool_]:
    failed = np.zeros(len(numbers), np.bool_)
    for name, limit in limits.items():
        failed |= _outside(numbers[:, NUMBERS.index(name)], limit)
    return failed


def _linear_fraction(nominal: float, deviation: float, limit: tuple[float | None, float | None]) -> float:
    if deviation <= 0.0:
        return float(_outside(np.array([nominal]), limit)[0])
    low = 0.0 if limit[0] is None else float(norm.cdf((limit[0] - nominal) / deviation))
    high = 0.0 if limit[1] is None else float(norm.sf((limit[1] - nominal) / deviation))
    return low + high


def _advice(
    spreads: dict[str, Spread], nonconforming: Sequence[Nonconformity], limits: Limits
) -> tuple[str, str] | None:
    """The number to mend and the tolerance with the largest share in it."""
    per_limit = [each for each in nonconforming if each.number in limits]
    if per_limit and max(each.fraction for each in per_limit) > 0.0:
        number = max(per_limit, key=lambda each: each.fraction).number
    elif limits:

        def room(name: str) -> float:
            spread = spreads[name]
            ends = [abs(end - spread.mean) for end in limits[name] if end is not None]
            return min(ends, default=math.inf) / max(spread.standard_deviation, 1e-300)

        number = min(limits, key=room)
    else:
        number = "differential"
    shares = spreads[number].shares
    best = max(shares, key=lambda name: shares[name])
    return (number, best) if shares[best] > 0.0 else None


def study(
    design: Design,
    job: Production,
    limits: Limits | None = None,
    *,
    balance_arm: float = BALANCE_ARM,
    run: Run | None = None,
    bulk: Bulk | None = None,
) -> ProductionStudy:
    """Study a design in production.

    A pin that stands out of the ball in a sample counts whole, against the cover, which is much like it.

    Parameters
    ----------
    design : Design
    job : Production
        Its slots must fit the design (`Slot.faults`).
    limits : mapping of str to (float or None, float or None), optional
        Lower and upper limits of numbers, from the rulebooks.
    balance_arm : float
        Arm of the shop balance [in].
    run : Run, optional
        Progress and cancel token.
    bulk : Bulk, optional
        Who samples, in pieces; threads of this process unless given.

    Returns
    -------
    ProductionStudy

    Raises
    ------
    InvalidInput
        Tolerances that push a solid other than a pin out of the ball, or a density or size to zero.
    Canceled
        By the token.
    BulkUnavailable
        By the cluster.

    References
    ----------
    Linear propagation: JCGM 100:2008, 5.1.2. Intervals: Clopper & Pearson, Biometrika 26 (1934).
    """
    tolerances, samples, seed = job.tolerances, job.samples, job.seed
    link, workers = run or Run(), bulk or threads_here()
    plan = _Plan(pack_inside(design), design, tolerances, balance_arm)
    scores, deviations = _draw(tolerances, samples, seed)
    nominal = plan.numbers(np.zeros((1, len(tolerances))), link, threads_here())[0][0]
    linear = _linear(plan, np.array([each.deviation for each in tolerances]), link)
    numbers, cut = plan.numbers(deviations, link, workers)
    missed = None
    if cut.any() and not plan.same:
        probes = np.random.default_rng(seed).permutation(np.flatnonzero(cut))[:PROBES]
        missed = plan.missed(deviations[probes], numbers[probes], link)
    names = [name for at, name in enumerate(NUMBERS) if not np.isnan(numbers[:, at]).any()]
    asked = limits or {}
    bounds = {name: limit for name, limit in asked.items() if name in names}
    labels = [each.label for each in tolerances]
    spreads = {name: _spread(name, nominal, numbers, linear, missed, scores, labels) for name in names}
    failing = _nonconforming(bounds, numbers, linear, nominal, job.confidence)
    advice = None
    chosen = _advice(spreads, failing, bounds)
    if chosen is not None:
        number, label = chosen
        halved = [each.halved() if each.label == label else each for each in tolerances]
        now, then = None, None
        if bounds:
            again = plan.numbers(_draw(halved, samples, seed)[1], link, workers)[0]
            now = float(_any_outside(numbers, bounds).mean())
            then = float(_any_outside(again, bounds).mean())
        advice = Advice(label, number, spreads[number].shares[label], now, then)
    link.report(1.0, "done")
    return ProductionStudy(
        samples, seed, tuple(spreads.values()), tuple(failing),
        tuple(name for name in asked if name not in names), advice,
        WHOLE if missed is None else FITTED,
    )  # fmt: skip


def _spread(
    name: str, nominal: Floats, numbers: Floats, linear: Floats, missed: Floats | None, scores: Floats,
    labels: Sequence[str],
) -> Spread:  # fmt: skip
    at = NUMBERS.index(name)
    values = numbers[:, at]
    shares = _shares(scores, values)
    points = (0.00135, 0.025, 0.5, 0.975, 0.99865)
    return Spread(
        number=name,
        nominal=float(nominal[at]),
        mean=float(values.mean()),
        standard_deviation=float(values.std(ddof=1)),
        quantiles={
            f"{point:g}": float(value)
            for point, value in zip(points, np.quantile(values, points), strict=True)
        },
        linear_standard_deviation=float(linear[at]),
        shares={label: float(share) for label, share in zip(labels, shares, strict=True)},
        explained=float(shares.sum()),
        fit_error=None if missed is None else float(missed[at]),
    )


def _nonconforming(
    limits: Limits, numbers: Floats, linear: Floats, nominal: Floats, confidence: float
) -> list[Nonconformity]:
    found = []
    samples = len(numbers)
    for name, limit in limits.items():
        at = NUMBERS.index(name)
        failed = int(_outside(numbers[:, at], limit).sum())
        interval = clopper_pearson(failed, samples, confidence)
        expected = _linear_fraction(float(nominal[at]), float(linear[at]), limit)
        found.append(
            Nonconformity(name, limit[0], limit[1], failed / samples, confidence, interval, expected)
        )
    if limits:
        failed = int(_any_outside(numbers, limits).sum())
        interval = clopper_pearson(failed, samples, confidence)
        found.append(Nonconformity("any", None, None, failed / samples, confidence, interval, None))
    return found
