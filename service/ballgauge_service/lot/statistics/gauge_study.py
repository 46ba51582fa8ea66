"""Measurement studies: crossed gauge repeatability and reproducibility, and offsets between durometers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from ballgauge_schemas.shared.limits import CONFIDENCE
from ballgauge_service.lot.statistics.basics import (
    BadArgument,
    FloatArray,
    number,
    probability,
    readings,
    whole_number,
)

# Measurement Systems Analysis reference manual, 4th edition 2010, from memory: the study variation spans six
# standard deviations, 1.41 turns the ratio of spreads into distinct categories, and interactions with a
# p-value above 0.25 are pooled into repeatability.
STUDY_SPREADS = 6.0
DISTINCT_CATEGORIES = 1.41
POOL_ABOVE = 0.25

GOOD_UNDER, UNFIT_OVER = 10.0, 30.0
"""Percent of the tolerance, or of the study's variation, under which a gauge is taken as acceptable and
over which as unacceptable; between them it may be, by what is at stake (the same manual, from memory)."""


@dataclass(frozen=True, slots=True)
class AnovaRow:
    """One source of variation; `f` and `p_value` are None where nothing is tested."""

    source: str
    degrees_of_freedom: int
    sum_of_squares: float
    mean_square: float
    f: float | None
    p_value: float | None


@dataclass(frozen=True, slots=True)
class GaugeComponent:
    """One component of the variation: variance, standard deviation, and percent of the study's."""

    source: str
    variance: float
    standard_deviation: float
    study_variation: float
    percent_contribution: float
    percent_study_variation: float
    percent_tolerance: float | None


@dataclass(frozen=True, slots=True)
class GaugeBias:
    """How far readings lie from what is true, in the readings' unit, and how that changes over the range.

    `bias` with a two-sided confidence interval; `slope` of the bias over the reference, with the p-value of
    there being none; None where all references are alike.
    """

    bias: float
    lower: float
    upper: float
    differs: bool
    slope: float | None
    intercept: float | None
    slope_p_value: float | None
    linear: bool | None
    confidence: float


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """A gauge study. Standard deviations and uncertainties are in the readings' unit.

    `standard_uncertainty` is that of one reading by one operator (repeatability and reproducibility);
    `readings_averaged` tells how many readings the guarded decision averages. Uncertainty of the gauge's
    calibration is not in it, nor is the bias.
    """

    parts: int
    operators: int
    replicates: int
    anova: tuple[AnovaRow, ...]
    interaction_pooled: bool
    components: tuple[GaugeComponent, ...]
    distinct_categories: int | None
    readings_averaged: int
    standard_uncertainty: float
    bias: GaugeBias | None
    notes: tuple[str, ...]

    def within(self, tolerance: float) -> GaugeStudy:
        """The same with percent of a tolerance.

        Parameters
        ----------
        tolerance : float, the width that limits leave [the readings' unit]

        Returns
        -------
        GaugeStudy
        """
        width = number("tolerance", tolerance, above=0.0)
        components = [
            replace(each, percent_tolerance=100 * each.study_variation / width) for each in self.components
        ]
        return replace(self, components=tuple(components))

    def judged(self) -> tuple[str, str]:
        """Judge the gauge in the usual words.

        Returns
        -------
        word : str, the usual one for the gauge
        by : str, `tolerance` if that is known, else `study_variation`
        """
        gauge = next(each for each in self.components if each.source == "gauge")
        by = "study_variation" if gauge.percent_tolerance is None else "tolerance"
        percent = (
            gauge.percent_study_variation if gauge.percent_tolerance is None else gauge.percent_tolerance
        )
        if percent < GOOD_UNDER:
            return "acceptable", by
        return "unacceptable" if percent > UNFIT_OVER else "may_be_acceptable", by


@dataclass(frozen=True, slots=True)
class InstrumentOffset:
    """How far an instrument reads from the reference, with a two-sided confidence interval."""

    instrument: str
    mean: float
    offset: float
    lower: float
    upper: float
    p_value: float | None
    differs: bool


@dataclass(frozen=True, slots=True)
class InstrumentOffsets:
    """Offsets between instruments that read the same balls, in the readings' unit."""

    reference: str
    balls: int
    confidence: float
    residual_standard_deviation: float
    degrees_of_freedom: int
    offsets: tuple[InstrumentOffset, ...]
    assumptions: tuple[str, ...]


def gauge_study(
    measurements: ArrayLike,
    *,
    tolerance: float | None = None,
    pool_above: float = POOL_ABOVE,
    readings_averaged: int = 1,
    references: ArrayLike | None = None,
    confidence: float = CONFIDENCE,
) -> GaugeStudy:
    """Analyze a crossed gauge study by the two-way random-effects analysis of variance.

    Parameters
    ----------
    measurements : (parts, operators, replicates) float, each at least 2
    tolerance : width between the limits, in the readings' unit; gives percent of tolerance
    pool_above : the interaction is pooled into repeatability where its p-value is above this
    readings_averaged : readings by one operator that make up one result in use
    references : (parts,) float, what each part truly has; confidence : of the bias they give

    Returns
    -------
    GaugeStudy

    Raises
    ------
    BadArgument

    Notes
    -----
    Components by equating mean squares to their expectations; a negative one is set to 0 and a note says
    so. u = sqrt(repeatability/readings_averaged + reproducibility).

    References
    ----------
    Montgomery, Design and Analysis of Experiments, 2012, chapter 13 (components); the constants above.
    """
    array = readings("measurements", measurements, dimensions=3)
    parts, operators, replicates = array.shape
    if min(array.shape) < 2:
        raise BadArgument(
            "measurements", f"must have at least 2 parts, operators and replicates; got {array.shape}"
        )
    limit = number("pool_above", pool_above, at_least=0.0)
    averaged = whole_number("readings_averaged", readings_averaged, 1)
    width = None if tolerance is None else number("tolerance", tolerance, above=0.0)
    rows, pooled = _anova(array, limit)
    raw = _variances({row.source: row.mean_square for row in rows}, array.shape, pooled)
    notes = [
        f"the {source} component came out negative ({value:.3g}) and is set to 0"
        for source, value in raw.items()
        if value < 0
    ]
    if pooled:
        notes.append(f"the interaction (p above {limit:g}) is pooled into repeatability")
    variance = {source: max(value, 0.0) for source, value in raw.items()}
    components = _components(variance, width)
    gauge = next(item for item in components if item.source == "gauge")
    if gauge.percent_study_variation > 99:
        notes.append("almost all variation is the gauge's: the parts are too alike for it to tell apart")
    ratio = math.sqrt(variance["part"] / gauge.variance) if gauge.variance > 0 else None
    reproducibility = variance["operator"] + variance["interaction"]
    return GaugeStudy(
        parts,
        operators,
        replicates,
        rows,
        pooled,
        components,
        None if ratio is None else int(DISTINCT_CATEGORIES * ratio),
        averaged,
        math.sqrt(variance["repeatability"] / averaged + reproducibility),
        None if references is None else gauge_bias(array, references, confidence=confidence),
        tuple(notes),
    )


def gauge_bias(
    measurements: ArrayLike, references: ArrayLike, *, confidence: float = CONFIDENCE
) -> GaugeBias:
    """Bias and linearity of a gauge from parts whose values are known better.

    Parameters
    ----------
    measurements : (parts, operators, replicates) float; references : (parts,) float, in the same unit
    confidence : of the interval of the bias, and of the test of its slope

    Returns
    -------
    GaugeBias

    Raises
    ------
    BadArgument

    Notes
    -----
    Each part's mean bias counts once, so that its readings, which are alike, do not pass for more than they
    are:
    the mean of them with Student's t, and their regression on the references (the manual regresses every
    reading, from memory).
    """
    array = readings("measurements", measurements, dimensions=3)
    known = readings("references", references, minimum_count=2)
    if known.size != array.shape[0]:
        raise BadArgument("references", f"must be one a part: {array.shape[0]}; got {known.size}")
    sure = probability("confidence", confidence)
    bias = array.mean(axis=(1, 2)) - known
    mean, count = float(bias.mean()), bias.size
    reach = float(stats.t.isf((1 - sure) / 2, count - 1) * bias.std(ddof=1) / math.sqrt(count))
    slope = intercept = p_value = None
    if count > 2 and known.min() < known.max():
        line = stats.linregress(known, bias)
        slope, intercept, p_value = float(line.slope), float(line.intercept), float(line.pvalue)
    return GaugeBias(
        mean, mean - reach, mean + reach, abs(mean) > reach, slope, intercept, p_value,
        None if p_value is None else p_value >= 1 - sure, sure,
    )  # fmt: skip


def instrument_offsets(
    measurements: ArrayLike,
    instruments: Sequence[str],
    *,
    reference: str | None = None,
    confidence: float = CONFIDENCE,
) -> InstrumentOffsets:
    """Compare instruments, such as durometers, that read the same balls.

    Parameters
    ----------
    measurements : (balls, instruments) float, at least 2 by 2, one reading each
    instruments : names, one a column, all different
    reference : the instrument the others are compared with; without one, the mean of all instruments
    confidence : of each interval; the intervals are not simultaneous

    Returns
    -------
    InstrumentOffsets

    Raises
    ------
    BadArgument

    Notes
    -----
    Two-way layout without replication: residual variance with (balls - 1)(instruments - 1) degrees of
    freedom; an offset from the reference has variance 2 MS/balls, one from the mean of all MS (instruments
    - 1)/(instruments balls); Student's t.

    References
    ----------
    Montgomery, Design and Analysis of Experiments, 2012, chapter 4.
    """
    array = readings("measurements", measurements, dimensions=2)
    balls, columns = array.shape
    if min(array.shape) < 2:
        raise BadArgument("measurements", f"must have at least 2 balls and 2 instruments; got {array.shape}")
    names = tuple(instruments)
    if len(names) != columns or len(set(names)) != columns:
        raise BadArgument(
            "instruments", f"must be {columns} different names; got {', '.join(map(str, names))}"
        )
    if reference is not None and reference not in names:
        raise BadArgument("reference", f"must be one of {', '.join(names)}; got {reference!r}")
    sure = probability("confidence", confidence)
    means = array.mean(axis=0)
    residual = array - means - array.mean(axis=1, keepdims=True) + array.mean()
    freedom = (balls - 1) * (columns - 1)
    variance = float(np.sum(residual**2)) / freedom
    base = float(array.mean()) if reference is None else float(means[names.index(reference)])
    share = (columns - 1) / columns if reference is None else 2.0
    error = math.sqrt(variance * share / balls)
    reach = float(stats.t.isf((1 - sure) / 2, freedom)) * error
    offsets = tuple(
        _offset(name, float(mean), base, reach, error, freedom, is_reference=name == reference)
        for name, mean in zip(names, means, strict=True)
    )
    return InstrumentOffsets(
        reference or "mean of all instruments",
        balls,
        sure,
        math.sqrt(variance),
        freedom,
        offsets,
        ("an instrument's offset is the same on every ball", "readings of one ball were taken on like spots"),
    )


def _anova(array: FloatArray, pool_above: float) -> tuple[tuple[AnovaRow, ...], bool]:
    parts, operators, replicates = array.shape
    mean = array.mean()
    part, operator = array.mean(axis=(1, 2)), array.mean(axis=(0, 2))
    cell = array.mean(axis=2)
    interaction = cell - part[:, None] - operator[None, :] + mean
    freedom = {
        "part": parts - 1,
        "operator": operators - 1,
        "interaction": (parts - 1) * (operators - 1),
        "repeatability": parts * operators * (replicates - 1),
    }
    squares = {
        "part": operators * replicates * float(np.sum((part - mean) ** 2)),
        "operator": parts * replicates * float(np.sum((operator - mean) ** 2)),
        "interaction": replicates * float(np.sum(interaction**2)),
        "repeatability": float(np.sum((array - cell[:, :, None]) ** 2)),
    }
    tested = _tested("interaction", squares, freedom, "repeatability")
    pooled = tested.p_value is not None and tested.p_value > pool_above
    if pooled:
        squares["repeatability"] += squares.pop("interaction")
        freedom["repeatability"] += freedom.pop("interaction")
    error = "repeatability" if pooled else "interaction"
    rows = [_tested(source, squares, freedom, error) for source in ("part", "operator")]
    # A pooled interaction stays in the table with its own test, so that the pooling can be followed.
    rows.append(tested)
    rows.append(_tested("repeatability", squares, freedom, None))
    return tuple(rows), pooled


def _tested(source: str, squares: dict[str, float], freedom: dict[str, int], error: str | None) -> AnovaRow:
    square = squares[source] / freedom[source]
    if error is None or squares[error] <= 0:
        return AnovaRow(source, freedom[source], squares[source], square, None, None)
    ratio = square / (squares[error] / freedom[error])
    p_value = float(stats.f.sf(ratio, freedom[source], freedom[error]))
    return AnovaRow(source, freedom[source], squares[source], square, ratio, p_value)


def _variances(mean_square: dict[str, float], shape: tuple[int, ...], pooled: bool) -> dict[str, float]:
    parts, operators, replicates = shape
    error = mean_square["repeatability"]
    between = error if pooled else mean_square["interaction"]
    return {
        "repeatability": error,
        "operator": (mean_square["operator"] - between) / (parts * replicates),
        "interaction": 0.0 if pooled else (between - error) / replicates,
        "part": (mean_square["part"] - between) / (operators * replicates),
    }


def _components(variance: dict[str, float], tolerance: float | None) -> tuple[GaugeComponent, ...]:
    reproducibility = variance["operator"] + variance["interaction"]
    gauge = variance["repeatability"] + reproducibility
    table = {
        "gauge": gauge,
        "repeatability": variance["repeatability"],
        "reproducibility": reproducibility,
        "operator": variance["operator"],
        "interaction": variance["interaction"],
        "part": variance["part"],
        "total": gauge + variance["part"],
    }
    total = table["total"]
    if total <= 0:
        raise BadArgument("measurements", "must differ: there is no variation at all to split")
    return tuple(
        GaugeComponent(
            source,
            value,
            math.sqrt(value),
            STUDY_SPREADS * math.sqrt(value),
            100 * value / total,
            100 * math.sqrt(value / total),
            None if tolerance is None else 100 * STUDY_SPREADS * math.sqrt(value) / tolerance,
        )
        for source, value in table.items()
    )


def _offset(
    name: str, mean: float, base: float, reach: float, error: float, freedom: int, *, is_reference: bool
) -> InstrumentOffset:
    if is_reference:
        return InstrumentOffset(name, mean, 0.0, 0.0, 0.0, None, False)
    offset = mean - base
    p_value = 2 * float(stats.t.sf(abs(offset) / error, freedom)) if error > 0 else None
    return InstrumentOffset(name, mean, offset, offset - reach, offset + reach, p_value, abs(offset) > reach)
