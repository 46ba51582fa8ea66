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

from .physics.balance import largest_imbalance, readings
from .physics.drilling import drill
from .records import Drilled, Item, arrays

_BALL_INPUTS = (
    "weight", "diameter", "circumference", "top_weight", "pin_to_cg", "cover_thickness", "cover_density",
)  # fmt: skip

Path = tuple[str | int, ...]


def uncertain_inputs(item: Item) -> list[tuple[Path, Quantity]]:
    """Path and quantity of every input of the predicted balance that states an uncertainty above 0."""
    ball = item["ball"]
    found: list[tuple[Path, Quantity]] = [(("ball", n), ball[n]) for n in _BALL_INPUTS if n in ball]
    found.extend(_quantities(item["drilling"], ("drilling",)))
    return [(path, quantity) for path, quantity in found if quantity.uncertainty]


def _quantities(node: Any, path: Path) -> Iterator[tuple[Path, Quantity]]:
    if isinstance(node, Quantity):
        yield path, node
    elif isinstance(node, dict):
        for name, part in node.items():
            yield from _quantities(part, (*path, name))
    elif isinstance(node, list):
        for index, part in enumerate(node):
            yield from _quantities(part, (*path, index))


def _replaced(node: Any, path: Path, quantity: Quantity) -> Any:
    if not path:
        return quantity
    if isinstance(node, list):
        return [_replaced(part, path[1:], quantity) if k == path[0] else part for k, part in enumerate(node)]
    return {**node, path[0]: _replaced(node[path[0]], path[1:], quantity)}


def predicted_readings(drilled: Drilled) -> NDArray[np.float64]:
    """Predicted top, side and finger readings [oz], shape (n, 3)."""
    out, balls = drilled.out, drilled.balls
    return readings(
        balls["top_weight"],
        np.stack([out["cg_x"], out["cg_y"], out["cg_z"]], axis=1),
        np.stack([out["hole_moment_x"], out["hole_moment_y"], out["hole_moment_z"]], axis=1),
        balls["balance_arm"],
        drilled.layouts["hand"],
    )


def predicted_uncertainty(
    items: Sequence[Item], inputs: Sequence[Sequence[tuple[Path, Quantity]]]
) -> NDArray[np.float64]:
    """Standard uncertainty of top, side and finger reading and of the largest imbalance [oz], (n, 4).

    inputs: what `uncertain_inputs` finds in each item. NaN for an item that states no uncertainty.
    """
    spread = np.full((len(items), 4), np.nan)
    varied: list[Item] = []
    owners: list[int] = []
    for index, item in enumerate(items):
        for path, quantity in inputs[index]:
            step = quantity.uncertainty or 0.0
            for sign in (1.0, -1.0):
                varied.append(_replaced(item, path, Quantity(quantity.value + sign * step)))
            owners.append(index)
    if not varied:
        return spread
    prepared = arrays(varied)
    shown = predicted_readings(Drilled(*prepared, *drill(*prepared)))
    four = np.column_stack([shown, largest_imbalance(shown)])
    squares = (0.5 * (four[0::2] - four[1::2])) ** 2
    total = np.zeros((len(items), 4))
    np.add.at(total, owners, squares)
    rows = np.unique(owners)
    spread[rows] = np.sqrt(total[rows])
    return spread
