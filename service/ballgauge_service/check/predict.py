"""The drilled balls of a request, drilled once for all that asks about them, and their predicted balance.

Standard uncertainties come from linear propagation of independent inputs (JCGM 100:2008, GUM, 5.1.2), with
each sensitivity taken from the two balls that have the input one standard uncertainty up and down.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas import Quantity
from ballgauge_service.check.drill import Drilled, Work, arrays, drill_balls
from ballgauge_service.check.request import Ball, Check, Drilling, Path, pointer_of, uncertain
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.physics.balance import largest_imbalance
from ballgauge_service.physics.drilling import DRILLED, Records

Array = NDArray[np.float64]

_INPUTS = frozenset(
    ("weight", "diameter", "circumference", "top_weight", "pin_to_cg", "cover_thickness", "cover_density")
)
"""What the predicted balance takes from the ball; it takes the whole drilling."""

_POSITIVE = frozenset(
    {
        "weight", "diameter", "circumference", "cover_thickness", "cover_density", "depth", "slug_density",
        "balance_arm", "span_middle", "span_ring",
    }
)  # fmt: skip
"""Inputs that nothing smaller than their uncertainty can stand for."""

_TOP_WEIGHT = ("ball", "top_weight")


class Prediction(NamedTuple):
    """The predicted balance of one ball: top, side and finger [oz] = fixed + divided / arm.

    shown: at the arm of its own balance; spread: standard uncertainties of the three, of the largest
    imbalance and of the weight; weight: of the drilled ball [lb]. NaN where one is not known.
    """

    fixed: Sequence[float]
    divided: Sequence[float]
    shown: Sequence[float]
    spread: Sequence[float]
    weight: float = math.nan


class DrilledBall(NamedTuple):
    """One drilled ball: its row among those drilled with it, and its predicted balance."""

    among: Drilled
    row: int
    prediction: Prediction


class _Input(NamedTuple):
    """An input that states an uncertainty: of which row, and where it stands in the request."""

    row: int
    path: Path
    quantity: Quantity


def drill_checks(checks: Sequence[Check], work: Work) -> list[DrilledBall | None]:
    """Drill what is to be drilled; None for a ball without a drilling.

    Raises InvalidInput naming every impossible field of every check.
    """
    asked = [
        (index, check.ball, check.drilling)
        for index, check in enumerate(checks)
        if check.drilling is not None
    ]
    found: list[DrilledBall | None] = [None] * len(checks)
    if not asked:
        return found
    indices, balls, drillings = zip(*asked, strict=True)
    inputs = list(_inputs(balls, drillings))
    faults = [
        Fault(
            pointer_of(path),
            "impossible: its uncertainty must be smaller than the value itself",
            indices[row],
        )
        for row, path, quantity in inputs
        if path[-1] in _POSITIVE and (quantity.uncertainty or 0.0) >= quantity.value
    ]
    try:
        drilled = drill_balls(balls, drillings, indices, work)
    except InvalidInput as refused:
        faults.extend(refused.faults)
    if faults:
        raise InvalidInput(faults)
    spreads = {}
    chosen = [each for each in inputs if not math.isnan(sum(drilled.rows[each.row][_SHOWN:]))]
    if chosen:
        rows = [each.row for each in chosen]
        total = np.zeros((len(balls), 5))
        np.add.at(total, rows, _steps(chosen, balls, drillings, indices, work) ** 2)
        spreads = dict(zip(rows, np.sqrt(total[rows]).tolist(), strict=True))
    for row, (index, out) in enumerate(zip(indices, drilled.rows, strict=True)):
        parts = out[_FIXED:_DIVIDED], out[_DIVIDED:_SHOWN], out[_SHOWN:]
        prediction = Prediction(*parts, spreads.get(row, _UNKNOWN), out[_WEIGHT])
        found[index] = DrilledBall(drilled, row, prediction)
    return found


def _inputs(balls: Sequence[Ball], drillings: Sequence[Drilling]) -> Iterator[_Input]:
    for row, (ball, drilling) in enumerate(zip(balls, drillings, strict=True)):
        for path, quantity in uncertain(ball, ("ball",)):
            if path[-1] in _INPUTS:
                yield _Input(row, path, quantity)
        for path, quantity in uncertain(drilling, ("drilling",)):
            yield _Input(row, path, quantity)


_FIXED, _DIVIDED, _SHOWN, _WEIGHT = map(
    (DRILLED.names or ()).index, ("fixed_top", "divided_top", "top", "weight")
)
_UNKNOWN = (math.nan,) * 5


def predicted_readings(out: Records) -> tuple[Array, Array, Array]:
    """Readings of DRILLED balls (n,) as `balance.readings` has them, (n, 3) each."""
    numbers = out.view(np.float64).reshape(len(out), -1)
    return numbers[:, _FIXED:_DIVIDED], numbers[:, _DIVIDED:_SHOWN], numbers[:, _SHOWN:]


def _steps(
    chosen: Sequence[_Input],
    balls: Sequence[Ball],
    drillings: Sequence[Drilling],
    indices: Sequence[int],
    work: Work,
) -> Array:
    """What one standard uncertainty of each input does to balance and weight.

    (k, 5): of readings and largest imbalance [oz], and of the drilled weight [lb].

    An uncertain top weight of 0 whose mark is not known counts in full in every one.

    Raises InvalidInput naming every input that, one standard uncertainty up or down, makes no ball.
    """
    varied = [
        _varied(balls[row], drillings[row], path, quantity.value + sign * (quantity.uncertainty or 0.0))
        for row, path, quantity in chosen
        for sign in (1.0, -1.0)
    ]
    prepared = arrays(*zip(*varied, strict=True))
    drawn = work.drill(*prepared, [indices[each.row] for each in chosen for _ in range(2)])
    shown = predicted_readings(drawn[0])[2]
    five = np.column_stack([shown, largest_imbalance(shown), drawn[0]["weight"]])
    steps: Array = 0.5 * (five[0::2] - five[1::2])
    faults = []
    for k in np.flatnonzero(np.isnan(steps).any(axis=1)).tolist():
        row, path, quantity = chosen[k]
        if path == _TOP_WEIGHT:
            steps[k] = (*(quantity.uncertainty,) * 4, 0.0)
        else:
            words = "impossible: one standard uncertainty up or down makes no ball that can be drilled"
            faults.append(Fault(pointer_of(path), words, indices[row]))
    if faults:
        raise InvalidInput(faults)
    return steps


def _varied(ball: Ball, drilling: Drilling, path: Path, number: float) -> tuple[Ball, Drilling]:
    part, *rest = path
    if part == "ball":
        return _replaced(ball, rest, Quantity(number)), drilling
    return ball, _replaced(drilling, rest, Quantity(number))


def _replaced(part: Any, path: Sequence[str | int], quantity: Quantity) -> Any:
    if not path:
        return quantity
    first, rest = path[0], path[1:]
    if isinstance(first, int):
        return (*part[:first], _replaced(part[first], rest, quantity), *part[first + 1 :])
    return replace(part, **{first: _replaced(getattr(part, first), rest, quantity)})
