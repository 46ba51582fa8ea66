"""Production: how tolerances on density, size, core offset and tilt spread the numbers, and what fails.

Two ways side by side: Sobol samples through the whole model, and linear propagation (JCGM 100, 5.1.2). Sobol
points are scrambled from the seed; the confidence interval of a fraction is the exact binomial one of
Clopper & Pearson (1934), on the cautious side for such samples.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta, norm, qmc

from ballgauge_schemas.shared.limits import BALANCE_ARM, DESIGN_SAMPLES
from ballgauge_service.core.budget import Run
from ballgauge_service.core.bulk import Bulk, Check, threads_here
from ballgauge_service.core.refusal import InvalidDesign
from ballgauge_service.design.mass import LENGTH, check_arm
from ballgauge_service.design.model import (
    SOLVABLE,
    STUDY_CELLS,
    Slot,
    checked,
    number_index,
    numbers_of_many,
    table_numbers,
    tilt_row,
)
from ballgauge_service.design.solids.packing import POSITION, SIZE, Packed
from ballgauge_service.design.solids.shapes import Floats
from ballgauge_service.design.solids.solids import Design

MOST_SAMPLES = 1_000_000
BLOCK = 2048
PIECE = 64
CLIP = 1e-12
"""Samples at most; samples that are looked at together for solids that leave the ball, and
make a piece of bulk work in closed form; of a piece where the first sample has none; distance of a uniform
number from 0 and 1 (all ours)."""

MOVES = ("offset_x", "offset_y", "offset_z", "tilt_x", "tilt_y")
"""Fields that move the named solids together: offsets [in], and tilts [deg] about the first one's place."""


@dataclass(frozen=True)
class Tolerance:
    """How one number of a design varies in production, about its nominal value.

    field: density, a size, offset_x, offset_y, offset_z [in], tilt_x or tilt_y [deg]. Exactly one of
    standard_deviation (normal) and half_width (uniform) is given, in the field's unit. The named solids vary
    together.
    """

    solids: tuple[str, ...]
    field: str
    standard_deviation: float | None = None
    half_width: float | None = None

    def label(self) -> str:
        """The tolerance in words."""
        return f"{self.field} of {', '.join(self.solids)}"

    @property
    def deviation(self) -> float:
        """Standard deviation; of a uniform distribution half width / sqrt(3) (JCGM 100, 4.3.7)."""
        if self.standard_deviation is not None:
            return self.standard_deviation
        assert self.half_width is not None
        return self.half_width / math.sqrt(3.0)

    def halved(self) -> Tolerance:
        """The same tolerance, half as wide."""
        return replace(
            self,
            standard_deviation=None if self.standard_deviation is None else 0.5 * self.standard_deviation,
            half_width=None if self.half_width is None else 0.5 * self.half_width,
        )


@dataclass(frozen=True)
class Spread:
    """How one number spreads.

    The nominal; mean, standard deviation and quantiles of the samples; the linear standard deviation; shares
    (0..1) of the sampled variance by tolerance, from the linear and square terms of a least-squares fit;
    explained: their sum.
    """

    number: str
    nominal: float
    mean: float
    standard_deviation: float
    quantiles: dict[str, float]
    linear_standard_deviation: float
    shares: dict[str, float]
    explained: float


@dataclass(frozen=True)
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


@dataclass(frozen=True)
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


@dataclass(frozen=True)
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


def _problems(
    design: Design, tolerances: Sequence[Tolerance], limits: Mapping[str, object], samples: int
) -> None:
    found: list[tuple[str, str]] = []
    if not tolerances:
        found.append(("/tolerances", "must name at least one tolerance"))
    for at, each in enumerate(tolerances):
        pointer = f"/tolerances/{at}"
        widths = [width for width in (each.standard_deviation, each.half_width) if width is not None]
        if len(widths) != 1 or not (math.isfinite(widths[0]) and widths[0] > 0.0):
            found.append((pointer, "needs either a standard_deviation or a half_width, greater than zero"))
        field = "position_x" if each.field in MOVES else each.field
        if each.field.startswith("position"):
            found.append((f"{pointer}/field", f"must be density, a size or one of {', '.join(MOVES)}"))
        else:
            found.extend((pointer + p, detail) for p, detail in Slot(each.solids, field).problems(design))
    found.extend(
        (f"/limits/{name}", f"must be one of {', '.join(SOLVABLE)}")
        for name in limits
        if name not in SOLVABLE
    )
    if not 16 <= samples <= MOST_SAMPLES:
        found.append(("/samples", f"must be 16 to {MOST_SAMPLES}; got {samples}"))
    if found:
        raise InvalidDesign(found)


class _Plan:
    """Which cells of the table each tolerance adds to, and which solids it tilts."""

    def __init__(self, design: Design, tolerances: Sequence[Tolerance]) -> None:
        rows: list[int] = []
        columns: list[int] = []
        sources: list[int] = []
        tilts: list[list[float]] = []
        for source, each in enumerate(tolerances):
            members = [design.index(name) for name in each.solids]
            if each.field.startswith("tilt"):
                pivot = design.solids[members[0]].position
                tilts += [[source, row, "xy".index(each.field[-1]), *pivot] for row in members]
                continue
            if each.field.startswith("offset"):
                cells = [(row, POSITION + "xyz".index(each.field[-1])) for row in members]
            else:
                cells = Slot(each.solids, each.field).cells(design)
            for row, column in cells:
                rows.append(row)
                columns.append(column)
                sources.append(source)
        self.rows, self.columns, self.sources = (
            np.array(each, np.int64) for each in (rows, columns, sources)
        )
        # A pin is turned flush with the surface after moulding, so it may stand out while the core moves.
        self.held = np.array([solid.role != "pin" for solid in design.solids])
        self.tilts = np.array(tilts, np.float64).reshape(len(tilts), 6)

    def numbers(
        self, packed: Packed, samples: Floats, arm: float, run: Run, cells: int, bulk: Bulk
    ) -> Floats:
        """Numbers (n, LENGTH) of the variants; raises InvalidDesign where one leaves the ball."""
        self._check_positive(packed, samples)
        size = len(samples)
        out, beyond = np.empty((size, LENGTH)), np.empty(size)
        piece = self._piece(packed, samples, arm)
        pieces = [samples[start : start + piece] for start in range(0, size, piece)]
        run.report(0.0, "sampling")
        done = 0
        for numbers, over in bulk.map(sample_piece, (self, packed, arm, cells), pieces, run.check):
            out[done : done + piece], beyond[done : done + piece] = numbers, over
            done += len(over)
            run.report(done / size, "sampling")
            if done % BLOCK == 0 or done == size:
                _require_inside(beyond[(done - 1) // BLOCK * BLOCK : done])
        return out

    def _piece(self, packed: Packed, samples: Floats, arm: float) -> int:
        """Samples of a piece, by what the first of them takes."""
        beyond = np.empty(1)
        self.write(packed, samples[:1], arm, np.empty((1, LENGTH)), beyond)
        return PIECE if np.isnan(beyond[0]) else BLOCK

    def write(self, packed: Packed, samples: Floats, arm: float, out: Floats, beyond: Floats) -> None:
        """Write what is in closed form, as `numbers_of_many` does."""
        numbers_of_many(
            packed, samples, self.rows, self.columns, self.sources, self.tilts, self.held, arm, out, beyond
        )

    def _check_positive(self, packed: Packed, samples: Floats) -> None:
        least = packed.table[self.rows, self.columns] + samples[:, self.sources].min(axis=0)
        sized = (self.columns < POSITION) | (self.columns >= SIZE)
        bad = sorted({int(source) for source in self.sources[sized & (least <= 0.0)]})
        if bad:
            raise InvalidDesign((f"/tolerances/{at}", "is so wide that it reaches zero") for at in bad)

    def variant(self, packed: Packed, sample: Floats) -> Packed:
        table = packed.table.copy()
        for source, row, axis, *pivot in self.tilts:
            tilt_row(table, int(row), int(axis), float(sample[int(source)]), np.array(pivot))
        np.add.at(table, (self.rows, self.columns), sample[self.sources])
        return packed._replace(table=table)


def sample_piece(
    common: tuple[_Plan, Packed, float, int], samples: Floats, check: Check
) -> tuple[Floats, Floats]:
    """Numbers (n, LENGTH) of a piece of the samples, and how far a solid leaves the ball [in] in each, (n,).

    common: plan, packed design, arm of the balance, cells of the cubature.
    """
    plan, packed, arm, cells = common
    out, beyond = np.empty((len(samples), LENGTH)), np.empty(len(samples))
    plan.write(packed, samples, arm, out, beyond)
    for n in np.flatnonzero(np.isnan(beyond)):
        check()
        out[n], beyond[n] = table_numbers(plan.variant(packed, samples[n]), arm, cells, plan.held)
    return out, beyond


def _require_inside(beyond: Floats) -> None:
    """Raise InvalidDesign where in one of a block of samples a solid leaves the ball."""
    failed = int((beyond > 0.0).sum())
    if failed:
        reach = f"by up to {beyond.max():.3g} in"
        text = f"in {failed} of {len(beyond)} samples a solid leaves the ball, {reach}"
        raise InvalidDesign([("/tolerances", text)])


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
    """Exact binomial confidence interval of a fraction (Clopper & Pearson, 1934), from beta quantiles."""
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


def _linear(
    packed: Packed, plan: _Plan, deviations: Floats, arm: float, run: Run, cells: int, bulk: Bulk
) -> Floats:
    """Standard deviations (LENGTH,) by linear propagation: central differences of one standard deviation."""
    count = len(deviations)
    steps = np.vstack([np.diag(deviations), -np.diag(deviations)])
    numbers = plan.numbers(packed, steps, arm, run, cells, bulk)
    slopes = 0.5 * (numbers[:count] - numbers[count:])
    spread: Floats = np.sqrt((slopes * slopes).sum(axis=0))
    return spread


def _outside(values: Floats, limit: tuple[float | None, float | None]) -> NDArray[np.bool_]:
    low = -math.inf if limit[0] is None else limit[0]
    high = math.inf if limit[1] is None else limit[1]
    return (values < low) | (values > high)


def _linear_fraction(nominal: float, deviation: float, limit: tuple[float | None, float | None]) -> float:
    if deviation <= 0.0:
        return float(_outside(np.array([nominal]), limit)[0])
    low = 0.0 if limit[0] is None else float(norm.cdf((limit[0] - nominal) / deviation))
    high = 0.0 if limit[1] is None else float(norm.sf((limit[1] - nominal) / deviation))
    return low + high


def _advice(
    spreads: dict[str, Spread],
    nonconforming: Sequence[Nonconformity],
    limits: Mapping[str, tuple[float | None, float | None]],
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
    tolerances: Sequence[Tolerance],
    limits: Mapping[str, tuple[float | None, float | None]] | None = None,
    *,
    samples: int = DESIGN_SAMPLES,
    seed: int = 0,
    confidence: float = 0.95,
    balance_arm: float = BALANCE_ARM,
    cells: int = STUDY_CELLS,
    run: Run | None = None,
    bulk: Bulk | None = None,
) -> ProductionStudy:
    """Study a design in production.

    Parameters
    ----------
    tolerances : what varies, independently of each other
    limits : (lower, upper) of numbers, either None where there is none; from the rulebooks, by the caller
    samples, seed : of the Sobol sequence
    confidence : of the intervals
    cells : budget of the cubature for samples whose solids cut each other off a common axis
    run : progress and cancel token
    bulk : who samples, in pieces of PIECE; threads of this process unless given

    A pin that stands out of the ball in a sample counts whole, against the cover, which is much like it.

    Raises
    ------
    InvalidDesign : tolerances or limits that do not fit the design; tolerances that push a solid other than a
        pin out of the ball, or a density or size to zero
    Cancelled : by the token
    BulkUnavailable
    """
    bounds = dict(limits or {})
    _problems(design, tolerances, bounds, samples)
    if not 0.0 < confidence < 1.0:
        raise InvalidDesign([("/confidence", f"must be between 0 and 1; got {confidence:g}")])
    link = run or Run()
    check_arm(balance_arm)
    packed = checked(design, [])
    plan = _Plan(design, tolerances)
    scores, deviations = _draw(tolerances, samples, seed)
    nominal, _ = table_numbers(packed, balance_arm, cells)
    linear = _linear(
        packed,
        plan,
        np.array([each.deviation for each in tolerances]),
        balance_arm,
        link,
        cells,
        threads_here(),
    )
    workers = bulk or threads_here()
    numbers = plan.numbers(packed, deviations, balance_arm, link, cells, workers)
    names = [name for name in SOLVABLE if not np.isnan(numbers[:, number_index(name)]).any()]
    missing = tuple(name for name in bounds if name not in names)
    bounds = {name: limit for name, limit in bounds.items() if name in names}
    spreads = {
        name: _spread(name, nominal, numbers, linear, scores, [each.label() for each in tolerances])
        for name in names
    }
    failing = _nonconforming(bounds, numbers, linear, nominal, confidence)
    advice = None
    chosen = _advice(spreads, failing, bounds)
    if chosen is not None:
        number, label = chosen
        halved = [each.halved() if each.label() == label else each for each in tolerances]
        now, then = None, None
        if bounds:
            again = plan.numbers(packed, _draw(halved, samples, seed)[1], balance_arm, link, cells, workers)
            now = float(_any_outside(numbers, bounds).mean())
            then = float(_any_outside(again, bounds).mean())
        advice = Advice(label, number, spreads[number].shares[label], now, then)
    link.report(1.0, "done")
    return ProductionStudy(
        samples, seed, tuple(spreads.values()), tuple(failing), missing, advice,
        "Sobol samples through the whole model; linear propagation from central differences of one deviation",
    )  # fmt: skip


def _any_outside(
    numbers: Floats, limits: Mapping[str, tuple[float | None, float | None]]
) -> NDArray[np.bool_]:
    failed = np.zeros(len(numbers), np.bool_)
    for name, limit in limits.items():
        failed |= _outside(numbers[:, number_index(name)], limit)
    return failed


def _spread(
    name: str, nominal: Floats, numbers: Floats, linear: Floats, scores: Floats, labels: Sequence[str]
) -> Spread:
    at = number_index(name)
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
    )


def _nonconforming(
    limits: Mapping[str, tuple[float | None, float | None]], numbers: Floats, linear: Floats, nominal:
    Floats, confidence: float,
) -> list[Nonconformity]:  # fmt: skip
    found = []
    samples = len(numbers)
    for name, limit in limits.items():
        at = number_index(name)
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
