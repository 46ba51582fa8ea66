"""What the statistics of lots share: checks of arguments, the summary of a sample, the draw of one.

Each check raises ValueError naming the argument.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ballgauge_schemas.shared.limits import SEED_MAXIMUM

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


# Ours: whole numbers past this are not counts of balls, and floats no longer hold them exactly.
LARGEST_COUNT = 10**15
# Ours: larger readings are no measurements, and their squares would overflow.
LARGEST_READING = 1e100
NEAREST_PROBABILITY = 1e-12
SIDES = ("two_sided", "lower", "upper")
SAMPLED = ("the quantity is normally distributed over the lot", "the balls are a random sample")
"""What intervals and estimates from measurements assume."""


class BadArgument(ValueError):
    """An argument that cannot be: `name` says which, and begins the text."""

    def __init__(self, name: str, words: str) -> None:
        super().__init__(f"{name} {words}")
        self.name, self.words = name, words


def whole_number(name: str, value: Any, minimum: int, maximum: int = LARGEST_COUNT) -> int:
    """Check a whole number.

    Parameters
    ----------
    name : str, of the argument, for the error
    value : Any
    minimum, maximum : int

    Returns
    -------
    int

    Raises
    ------
    BadArgument naming the argument
    """
    wanted = f"a whole number from {minimum} to {maximum}"
    if isinstance(value, (bool, np.bool_)) or not isinstance(value, (int, np.integer)):
        raise BadArgument(name, f"must be {wanted}; got {value!r}")
    result = int(value)
    if not minimum <= result <= maximum:
        got = result if abs(result) <= LARGEST_COUNT else f"a number of {result.bit_length()} bits"
        raise BadArgument(name, f"must be {wanted}; got {got}")
    return result


def number(
    name: str,
    value: Any,
    *,
    above: float | None = None,
    below: float | None = None,
    at_least: float | None = None,
) -> float:
    """Check a finite number.

    Parameters
    ----------
    name : str, of the argument, for the error
    value : Any
    above, below, at_least : float or None, open bounds and a closed one

    Returns
    -------
    float, finite

    Raises
    ------
    BadArgument naming the argument
    """
    if isinstance(value, (bool, np.bool_, str, bytes)) or value is None:
        raise BadArgument(name, f"must be a number; got {value!r}")
    try:
        result = float(value)
    except (TypeError, ValueError, OverflowError) as error:
        raise BadArgument(name, f"must be a number; got {value!r}") from error
    if not abs(result) <= LARGEST_READING:
        raise BadArgument(name, f"must be finite and at most {LARGEST_READING:g} in size; got {result}")
    if above is not None and result <= above:
        raise BadArgument(name, f"must be greater than {above:g}; got {result:g}")
    if below is not None and result >= below:
        raise BadArgument(name, f"must be less than {below:g}; got {result:g}")
    if at_least is not None and result < at_least:
        raise BadArgument(name, f"must be at least {at_least:g}; got {result:g}")
    return result


def probability(name: str, value: Any) -> float:
    """Check a probability strictly between 0 and 1.

    Parameters
    ----------
    name : str, of the argument, for the error
    value : Any

    Returns
    -------
    float, no nearer to 0 or 1 than 1e-12 (ours)

    Raises
    ------
    BadArgument naming the argument
    """
    result = number(name, value, above=0.0, below=1.0)
    if not NEAREST_PROBABILITY <= result <= 1 - NEAREST_PROBABILITY:
        raise BadArgument(name, f"must not be nearer than {NEAREST_PROBABILITY:g} to 0 or 1; got {result!r}")
    return result


def one_of(name: str, value: Any, options: Iterable[str]) -> str:
    """Check a word of a list.

    Parameters
    ----------
    name : str, of the argument, for the error
    value : Any
    options : iterable of str

    Returns
    -------
    str

    Raises
    ------
    BadArgument naming the argument
    """
    allowed = tuple(options)
    if not isinstance(value, str) or value not in allowed:
        raise BadArgument(name, f"must be one of {', '.join(allowed)}; got {value!r}")
    return value


def numbers(name: str, values: ArrayLike) -> FloatArray:
    """Check that an array holds numbers.

    Parameters
    ----------
    name : str, of the argument, for the error
    values : array_like

    Returns
    -------
    array of float, of the same shape, otherwise unchecked

    Raises
    ------
    BadArgument naming the argument
    """
    try:
        return np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError, OverflowError) as error:
        raise BadArgument(name, "must be a number or an array of numbers, all rows of one length") from error


def readings(name: str, values: ArrayLike, *, minimum_count: int = 1, dimensions: int = 1) -> FloatArray:
    """Check readings.

    Parameters
    ----------
    name : str, of the argument, for the error
    values : array_like
    minimum_count : int, fewest values
    dimensions : int

    Returns
    -------
    array of float, finite

    Raises
    ------
    BadArgument naming the argument
    """
    result = numbers(name, values)
    if result.ndim != dimensions:
        raise BadArgument(name, f"must have {dimensions} dimension(s); got {result.ndim}")
    if result.size < minimum_count:
        raise BadArgument(name, f"must hold at least {minimum_count} reading(s); got {result.size}")
    unusable = int(np.count_nonzero(~(np.abs(result) <= LARGEST_READING)))
    if unusable:
        raise BadArgument(
            name, f"must be finite; {unusable} reading(s) are missing, infinite or past {LARGEST_READING:g}"
        )
    return result


def whole_numbers(name: str, values: ArrayLike, minimum: int) -> IntArray:
    """Check an array of whole numbers.

    Parameters
    ----------
    name : str, of the argument, for the error
    values : array_like
    minimum : int

    Returns
    -------
    array of int, of the same shape

    Raises
    ------
    BadArgument naming the argument
    """
    result = np.asarray(values)
    if result.dtype == np.bool_ or not np.issubdtype(result.dtype, np.integer):
        raise BadArgument(name, f"must be whole numbers; got {result.dtype}")
    if result.size and int(result.min()) < minimum:
        raise BadArgument(name, f"must be at least {minimum}; got {int(result.min())}")
    return result.astype(np.int64)


def limits(lower: Any, upper: Any) -> tuple[float | None, float | None]:
    """Check a pair of limits.

    Parameters
    ----------
    lower, upper : number or None

    Returns
    -------
    lower, upper : float or None, not both None, the lower one smaller

    Raises
    ------
    BadArgument naming the argument
    """
    if lower is None and upper is None:
        raise BadArgument("lower", "or upper must be given")
    low = None if lower is None else number("lower", lower)
    high = None if upper is None else number("upper", upper)
    if low is not None and high is not None and low >= high:
        raise BadArgument("lower", f"must be less than upper; got {low:g} and {high:g}")
    return low, high


@dataclass(frozen=True, slots=True)
class SampleSummary:
    """What normal theory needs of a sample; all but the count in the readings' unit."""

    count: int
    mean: float
    standard_deviation: float
    minimum: float
    maximum: float


def summarize(values: ArrayLike) -> SampleSummary:
    """Summarize readings.

    Parameters
    ----------
    values : (n,) float, n >= 2, in any unit

    Returns
    -------
    SampleSummary with the sample standard deviation (divisor n - 1). The readings are sorted before they
    are added, so that neither their order nor their chunks change a digit.

    Raises
    ------
    ValueError : fewer than two readings, or one that is missing or infinite
    """
    ordered = np.sort(readings("values", values, minimum_count=2))
    count, smallest, largest = ordered.size, float(ordered[0]), float(ordered[-1])
    mean = float(np.sum(ordered)) / count
    # A constant column must show no spread at all, though its mean may be rounded.
    variance = 0.0 if smallest == largest else float(np.sum((ordered - mean) ** 2)) / (count - 1)
    return SampleSummary(count, mean, math.sqrt(variance), smallest, largest)


def checked_summary(count: int, mean: float, standard_deviation: float) -> tuple[int, float, float]:
    """Check a sample's summary.

    Parameters
    ----------
    count : int, 2 or more
    mean : float
    standard_deviation : float, over 0

    Returns
    -------
    count, mean, standard_deviation : the same, checked

    Raises
    ------
    BadArgument naming the argument
    """
    return (
        whole_number("count", count, 2),
        number("mean", mean),
        number("standard_deviation", standard_deviation, above=0.0),
    )


@dataclass(frozen=True, slots=True)
class DrawnSample:
    """The serials to measure, in the order of sorting, and how they were drawn."""

    serials: tuple[str, ...]
    sample_size: int
    lot_size: int
    seed: int
    generator: str = "PCG64"


def draw_sample(serials: Iterable[str], sample_size: int, seed: int) -> DrawnSample:
    """Draw a simple random sample without replacement.

    Parameters
    ----------
    serials : the lot's serials, all different, in any order
    sample_size : balls to draw, at most the lot
    seed : whole number from 0 to 2^53 - 1; the same seed and serials give the same sample

    Returns
    -------
    DrawnSample

    Raises
    ------
    BadArgument

    Notes
    -----
    The serials are sorted, each gets one raw 64-bit word of the PCG64 stream, and those with the smallest
    words are drawn. The raw stream of PCG64 is fixed across numpy versions (NEP 19, 2018), methods of the
    Generator are not; and a larger sample from the same seed contains the smaller one.
    """
    lot = sorted(serials)
    if not all(isinstance(serial, str) for serial in lot):
        raise BadArgument("serials", "must be strings")
    repeated = sorted({a for a, b in itertools.pairwise(lot) if a == b})
    if repeated:
        raise BadArgument("serials", f"must all be different; repeated: {', '.join(repeated[:5])}")
    if not lot:
        raise BadArgument("serials", "must hold at least one serial")
    size = whole_number("sample_size", sample_size, 1, len(lot))
    words = np.random.PCG64(whole_number("seed", seed, 0, SEED_MAXIMUM)).random_raw(len(lot))
    drawn = np.sort(np.argsort(words, kind="stable")[:size])
    return DrawnSample(tuple(lot[i] for i in drawn), size, len(lot), int(seed))
