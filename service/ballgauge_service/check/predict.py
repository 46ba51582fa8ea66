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
from ballgauge_schemas.shared.limits import COVER_THICKNESS
from ballgauge_schemas.shared.words import BALANCE_READINGS, BOX_NUMBERS, RADII
from ballgauge_service.check.drill import Drilled, Work, arrays, drill_balls
from ballgauge_service.check.request import (
    Ball,
    Check,
    Drilling,
    LayersDrilled,
    Path,
    pointer_of,
    uncertain,
    value,
)
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.physics.balance import largest_imbalance
from ballgauge_service.physics.box_numbers import mean_density
from ballgauge_service.physics.drilling import DRILLED, Structs
from ballgauge_service.physics.material_error import material_error

Array = NDArray[np.float64]

_INPUTS = frozenset(
    ("weight", "diameter", "circumference", "top_weight", "pin_to_cg", "cover_thickness", "cover_density")
)
"""What the predicted balance takes from the ball; it takes the whole drilling."""

_RADII = frozenset(BOX_NUMBERS)
"""What the drilled radii of gyration take from it besides."""

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
    imbalance and of the weight; weight: of the drilled ball [lb]; radii: standard uncertainties of the low
    radius of gyration and both differentials [in]. Both take in what the material model leaves open, `model`:
    the eight alone. NaN where one is not known.
    """

    fixed: Sequence[float]
    divided: Sequence[float]
    shown: Sequence[float]
    spread: Sequence[float]
    weight: float = math.nan
    radii: Sequence[float] = (math.nan,) * 3
    model: Sequence[float] = (math.nan,) * 8


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
    layers = [check.layers for check in checks if check.drilling is not None]
    balls = tuple(ball if own is None else _uniform(ball) for ball, own in zip(balls, layers, strict=True))
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
    model = material_error(drilled.balls, drilled.holes, drilled.out, drilled.hole_out)
    total, stated = model * model, np.zeros(model.shape, np.bool_)
    if inputs:
        known = [not math.isnan(sum(out[_SHOWN:])) for out in drilled.rows]
        steps = _steps(inputs, balls, drillings, indices, known, work)
        for each, step in zip(inputs, steps, strict=True):
            total[each.row] += step * step
            stated[each.row, 5 if each.path[-1] in _RADII else 0 :] = True
    for row, own in enumerate(layers):
        if own is not None and own.drilled is not None:
            total[row] -= model[row] * model[row]
            model[row] = 0.0
            _set_layers(drilled, row, own.drilled, drillings[row])
    if any(own is not None for own in layers):
        drilled = drilled._replace(rows=drilled.out.tolist(), hole_rows=drilled.hole_out.tolist())
    spreads = np.where(stated | (total > 0.0), np.sqrt(total), math.nan).tolist()
    for row, (index, out) in enumerate(zip(indices, drilled.rows, strict=True)):
        parts = out[_FIXED:_DIVIDED], out[_DIVIDED:_SHOWN], out[_SHOWN:]
        of_balance, of_radii = spreads[row][:5], spreads[row][5:]
        prediction = Prediction(*parts, of_balance, out[_WEIGHT], of_radii, model[row].tolist())
        found[index] = DrilledBall(drilled, row, prediction)
    return found


def _uniform(ball: Ball) -> Ball:
    """A ball of known layers as one of a single material, to place its marks and holes in."""
    density = Quantity(mean_density(value(ball.weight), ball.radius))
    return replace(ball, cover_thickness=Quantity(COVER_THICKNESS), cover_density=density)


def _set_layers(drilled: Drilled, row: int, layers: LayersDrilled, drilling: Drilling) -> None:
    """Put what the holes take of the real layers where the two materials' numbers stand."""
    out, nowhere = drilled.out[row], (math.nan,) * 3
    x, y, z = layers.moment
    divided = (z, drilling.side * x, y)
    for name, vector in (
        ("cg", layers.cg), ("moment", layers.moment), ("hole_moment", layers.hole_moment),
        ("centre_of_mass", layers.centre_of_mass), ("low_axis", layers.low_axis),
        ("high_axis", layers.high_axis), ("half", None),
    ):  # fmt: skip
        for axis, number in zip("xyz", vector or nowhere, strict=True):
            out[f"{name}_{axis}"] = number
    numbers = (math.nan, layers.removed_weight, layers.slug_weight, layers.weight, *layers.rg)
    for name, number in zip(_NUMBERS, numbers, strict=True):
        out[name] = number
    for place, name in enumerate(BALANCE_READINGS):
        out[f"fixed_{name}"], out[f"divided_{name}"] = 0.0, divided[place]
        out[name] = divided[place] / drilling.arm
    for hole, (removed, slug) in enumerate(layers.holes):
        drilled.hole_out[row, hole]["removed_weight"] = removed
        drilled.hole_out[row, hole]["slug_weight"] = slug


_NUMBERS = ("inner_density", "removed_weight", "slug_weight", "weight", "rg", "rg_intermediate", "rg_high")


def _inputs(balls: Sequence[Ball], drillings: Sequence[Drilling]) -> Iterator[_Input]:
    for row, (ball, drilling) in enumerate(zip(balls, drillings, strict=True)):
        for path, quantity in uncertain(ball, ("ball",)):
            if path[-1] in _INPUTS or path[-1] in _RADII:
                yield _Input(row, path, quantity)
        for path, quantity in uncertain(drilling, ("drilling",)):
            yield _Input(row, path, quantity)


_FIXED, _DIVIDED, _SHOWN, _WEIGHT = map(
    (DRILLED.names or ()).index, ("fixed_top", "divided_top", "top", "weight")
)


def predicted_readings(out: Structs) -> tuple[Array, Array, Array]:
    """Readings of DRILLED balls (n,) as `balance.readings` has them, (n, 3) each."""
    numbers = out.view(np.float64).reshape(len(out), -1)
    return numbers[:, _FIXED:_DIVIDED], numbers[:, _DIVIDED:_SHOWN], numbers[:, _SHOWN:]


def _steps(
    chosen: Sequence[_Input],
    balls: Sequence[Ball],
    drillings: Sequence[Drilling],
    indices: Sequence[int],
    known: Sequence[bool],
    work: Work,
) -> Array:
    """What one standard uncertainty of each input does to balance, weight and radii of gyration.

    known: whether the balance of each ball is. (k, 8): of readings and largest imbalance [oz], of the drilled
    weight [lb], of the low radius of gyration and both differentials [in].

    An uncertain top weight of 0 whose mark is not known counts in full in every one.

    Raises InvalidInput naming every input that, one standard uncertainty up or down, makes no ball.
    """
    varied = [
        _varied(balls[row], drillings[row], path, quantity.value + sign * (quantity.uncertainty or 0.0))
        for row, path, quantity in chosen
        for sign in (1.0, -1.0)
    ]
    prepared = arrays(*zip(*varied, strict=True))
    drawn, _ = work.drill(*prepared, [indices[each.row] for each in chosen for _ in range(2)])
    shown = predicted_readings(drawn)[2]
    low, between, high = (drawn[name] for name in RADII)
    every = np.column_stack(
        [shown, largest_imbalance(shown), drawn["weight"], low, high - low, high - between]
    )
    steps: Array = 0.5 * (every[0::2] - every[1::2])
    faults = []
    for k in np.flatnonzero(np.isnan(steps[:, :5]).any(axis=1)).tolist():
        row, path, quantity = chosen[k]
        if known[row] and path == _TOP_WEIGHT:
            steps[k, :5] = (*(quantity.uncertainty,) * 4, 0.0)
        elif known[row]:
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
