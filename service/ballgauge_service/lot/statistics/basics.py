"""Argument checks shared by the statistics of lots. Each raises ValueError naming the argument."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


# Ours: whole numbers past this are not counts of balls, and floats no longer hold them exactly.
LARGEST_COUNT = 10**15
# Ours: larger readings are no measurements, and their squares would overflow.
LARGEST_READING = 1e100
NEAREST_PROBABILITY = 1e-12


def whole_number(name: str, value: Any, minimum: int, maximum: int = LARGEST_COUNT) -> int:
    """Return `value` as an int; it must be a whole number from `minimum` to `maximum`."""
    wanted = f"a whole number from {minimum} to {maximum}"
    if isinstance(value, (bool, np.bool_)) or not isinstance(value, (int, np.integer)):
        raise ValueError(f"{name} must be {wanted}; got {value!r}")
    result = int(value)
    if not minimum <= result <= maximum:
        got = result if abs(result) <= LARGEST_COUNT else f"a number of {result.bit_length()} bits"
        raise ValueError(f"{name} must be {wanted}; got {got}")
    return result


def number(
    name: str,
    value: Any,
    *,
    above: float | None = None,
    below: float | None = None,
    at_least: float | None = None,
) -> float:
    """Return `value` as a finite float within the open bounds `above`, `below` and the closed `at_least`."""
    if isinstance(value, (bool, np.bool_, str, bytes)) or value is None:
        raise ValueError(f"{name} must be a number; got {value!r}")
    try:
        result = float(value)
    except (TypeError, ValueError, OverflowError) as error:
        raise ValueError(f"{name} must be a number; got {value!r}") from error
    if not abs(result) <= LARGEST_READING:
        raise ValueError(f"{name} must be finite and at most {LARGEST_READING:g} in size; got {result}")
    if above is not None and result <= above:
        raise ValueError(f"{name} must be greater than {above:g}; got {result:g}")
    if below is not None and result >= below:
        raise ValueError(f"{name} must be less than {below:g}; got {result:g}")
    if at_least is not None and result < at_least:
        raise ValueError(f"{name} must be at least {at_least:g}; got {result:g}")
    return result


def probability(name: str, value: Any) -> float:
    """Return `value` as a float strictly between 0 and 1, and no nearer to either than 1e-12 (ours)."""
    result = number(name, value, above=0.0, below=1.0)
    if not NEAREST_PROBABILITY <= result <= 1 - NEAREST_PROBABILITY:
        raise ValueError(f"{name} must not be nearer than {NEAREST_PROBABILITY:g} to 0 or 1; got {result!r}")
    return result


def one_of(name: str, value: Any, options: Iterable[str]) -> str:
    """Return `value` when it is one of `options`."""
    allowed = tuple(options)
    if not isinstance(value, str) or value not in allowed:
        raise ValueError(f"{name} must be one of {', '.join(allowed)}; got {value!r}")
    return value


def numbers(name: str, values: ArrayLike) -> FloatArray:
    """Return `values` as a float array of any shape, unchecked but for being numbers."""
    try:
        return np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError, OverflowError) as error:
        raise ValueError(f"{name} must be a number or an array of numbers, all rows of one length") from error


def readings(name: str, values: ArrayLike, *, minimum_count: int = 1, dimensions: int = 1) -> FloatArray:
    """Return `values` as a finite float array of the stated number of dimensions."""
    result = numbers(name, values)
    if result.ndim != dimensions:
        raise ValueError(f"{name} must have {dimensions} dimension(s); got {result.ndim}")
    if result.size < minimum_count:
        raise ValueError(f"{name} must hold at least {minimum_count} reading(s); got {result.size}")
    unusable = int(np.count_nonzero(~(np.abs(result) <= LARGEST_READING)))
    if unusable:
        raise ValueError(
            f"{name} must be finite; {unusable} reading(s) are missing, infinite or past {LARGEST_READING:g}"
        )
    return result


def whole_numbers(name: str, values: ArrayLike, minimum: int) -> IntArray:
    """Return `values` as an int array of any shape with every entry a whole number of at least `minimum`."""
    result = np.asarray(values)
    if result.dtype == np.bool_ or not np.issubdtype(result.dtype, np.integer):
        raise ValueError(f"{name} must be whole numbers; got {result.dtype}")
    if result.size and int(result.min()) < minimum:
        raise ValueError(f"{name} must be at least {minimum}; got {int(result.min())}")
    return result.astype(np.int64)


def limits(lower: Any, upper: Any) -> tuple[float | None, float | None]:
    """Return (lower, upper) as finite floats or None; one is needed, and lower must be the smaller."""
    if lower is None and upper is None:
        raise ValueError("lower or upper must be given")
    low = None if lower is None else number("lower", lower)
    high = None if upper is None else number("upper", upper)
    if low is not None and high is not None and low >= high:
        raise ValueError(f"lower must be less than upper; got {low:g} and {high:g}")
    return low, high
