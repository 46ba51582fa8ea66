"""Standard uncertainties of what drilling predicts, from those of what was given.

Linear propagation of independent inputs (JCGM 100:2008, GUM, 5.1.2), with each sensitivity taken from the two
balls that have the input one standard uncertainty up and down.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas import Quantity
from ballgauge_service.check.drill import Work
from ballgauge_service.check.request import Drilled, Item, arrays
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.physics.balance import largest_imbalance, reading_parts, readings

_BALL_INPUTS = (
    "weight", "diameter", "circumference", "top_weight", "pin_to_cg", "cover_thickness", "cover_density",
)  # fmt: skip
_TOP_WEIGHT = ("ball", "top_weight")
_POSITIVE = {
    "weight", "diameter", "circumference", "cover_thickness", "cover_density", "depth", "slug_density",
    "balance_arm", "span_middle", "span_ring",
}  # fmt: skip
"""Inputs that nothing smaller than their uncertainty can stand for."""

Array = NDArray[np.float64]
Path = tuple[str | int, ...]
Inputs = list[tuple[Path, Quantity]]


def uncertain_inputs(item: Item) -> Inputs:
    """Path and quantity of every input of the predicted balance that states an uncertainty above 0."""
    ball = item["ball"]
    given = [name for name in _BALL_INPUTS if name in ball and ball[name].uncertainty]
    found: Inputs = [(("ball", name), ball[name]) for name in given]
    found.extend(_quantities(item["drilling"], ("drilling",)))
    return found


def _quantities(node: dict[str, Any], path: Path) -> Iterator[tuple[Path, Quantity]]:
    for name, part in node.items():
        if isinstance(part, Quantity):
            if part.uncertainty:
                yield (*path, name), part
        elif isinstance(part, dict):
            yield from _quantities(part, (*path, name))
        elif isinstance(part, list):
            for index, entry in enumerate(part):
                yield from _quantities(entry, (*path, name, index))


def too_uncertain(inputs: Inputs) -> Iterator[tuple[str, str]]:
    """Pointers and words of inputs whose uncertainty is as large as themselves."""
    for path, quantity in inputs:
        if path[-1] in _POSITIVE and (quantity.uncertainty or 0.0) >= quantity.value:
            yield _pointer(path), "impossible: its uncertainty must be smaller than the value itself"


def _pointer(path: Path) -> str:
    return "/" + "/".join(map(str, path))


def _replaced(node: Any, path: Path, quantity: Quantity) -> Any:
    if not path:
        return quantity
    if isinstance(node, list):
        return [_replaced(part, path[1:], quantity) if k == path[0] else part for k, part in enumerate(node)]
    return {**node, path[0]: _replaced(node[path[0]], path[1:], quantity)}


def vectors(records: NDArray[np.void], name: str) -> Array:
    """The vector field `name` of structured records (n,), as (n, 3)."""
    return np.stack([records[f"{name}_{axis}"] for axis in "xyz"], axis=-1)


def predicted_parts(drilled: Drilled) -> tuple[Array, Array]:
    """What the arm does not change [oz] and what it divides [oz in] of top, side and finger, two (n, 3)."""
    out, balls = drilled.out, drilled.balls
    moment = vectors(out, "hole_moment")
    return reading_parts(balls["top_weight"], vectors(out, "cg"), moment, drilled.layouts["hand"])


def predicted_readings(drilled: Drilled) -> Array:
    """Predicted top, side and finger readings [oz], shape (n, 3)."""
    out, balls = drilled.out, drilled.balls
    moment = vectors(out, "hole_moment")
    hand = drilled.layouts["hand"]
    return readings(balls["top_weight"], vectors(out, "cg"), moment, balls["balance_arm"], hand)


def predicted_uncertainty(
    items: Sequence[Item], inputs: Sequence[Inputs], indices: Sequence[int], shown: Array, work: Work
) -> Array:
    """Standard uncertainty of top, side and finger reading and of the largest imbalance [oz], (n, 4).

    inputs: what `uncertain_inputs` finds in each item; indices: the items' places in the request; shown,
    (n, 3): their predicted readings. NaN for an item that states no uncertainty or whose readings are not
    known. An uncertain top weight of 0 whose mark is not known counts in full in every reading.

    Raises InvalidInput naming every input that, one standard uncertainty up or down, makes no ball.
    """
    spread = np.full((len(items), 4), np.nan)
    known = [not any(row) for row in np.isnan(shown).tolist()]
    chosen = [
        (row, path, quantity) for row, each in enumerate(inputs) if known[row] for path, quantity in each
    ]
    if not chosen:
        return spread
    varied = [
        _replaced(items[row], path, Quantity(quantity.value + sign * (quantity.uncertainty or 0.0)))
        for row, path, quantity in chosen
        for sign in (1.0, -1.0)
    ]
    owners = [row for row, _, _ in chosen]
    prepared = arrays(varied)
    drawn = work.drill(*prepared, [indices[row] for row in owners for _ in range(2)])
    other = predicted_readings(Drilled(*prepared, *drawn))
    four = np.column_stack([other, largest_imbalance(other)])
    steps = 0.5 * (four[0::2] - four[1::2])
    _settle_unknown(chosen, steps, indices)
    total = np.zeros((len(items), 4))
    np.add.at(total, owners, steps**2)
    rows = np.unique(owners)
    spread[rows] = np.sqrt(total[rows])
    return spread


def _settle_unknown(
    chosen: Sequence[tuple[int, Path, Quantity]], steps: Array, indices: Sequence[int]
) -> None:
    """Give a top weight without a known mark its bound, in place; refuse what else has no effect to show."""
    errors = []
    for k in np.flatnonzero(np.isnan(steps).any(axis=1)).tolist():
        row, path, quantity = chosen[k]
        if path == _TOP_WEIGHT:
            steps[k] = quantity.uncertainty
        else:
            text = "impossible: one standard uncertainty up or down makes no ball that can be drilled"
            errors.append((indices[row], _pointer(path), text))
    if errors:
        raise InvalidInput(errors)
