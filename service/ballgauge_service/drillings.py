"""What drilling does to a ball: every number of the drilled balls of a request, rules or not."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .derived import (
    UNITS,
    Group,
    Row,
    balance_group,
    ball_group,
    cautions,
    drilled_group,
    hole_groups,
    layout_group,
)
from .physics.balance import DEFAULT_ARM, PLAUSIBLE_ARMS
from .records import COVER_DENSITY, COVER_THICKNESS, Drilled, Item, check_work, drill_items
from .uncertainty import predicted_readings, predicted_uncertainty, uncertain_inputs

Array = NDArray[np.float64]


class Balls:
    """The drilled balls among a request's items, drilled once.

    rows maps an item's index to its row in `drilled`, shown (m, 3) and spread (m, 4).
    """

    def __init__(self, items: Sequence[Item]) -> None:
        indices = [index for index, item in enumerate(items) if "drilling" in item]
        chosen = [items[index] for index in indices]
        counts = np.array([len(item["drilling"]["holes"]) for item in chosen], np.int64)
        inputs = [uncertain_inputs(item) for item in chosen]
        check_work(counts, [1 + 2 * len(found) for found in inputs])
        self.rows = {index: row for row, index in enumerate(indices)}
        self.drilled: Drilled = drill_items(chosen, indices)
        self.shown: Array = predicted_readings(self.drilled)
        self.spread: Array = predicted_uncertainty(chosen, inputs)


def derive(item: Item, balls: Balls, index: int) -> tuple[Group, Row | None]:
    """The derived groups of one item, and its row where it is drilled."""
    row_number = balls.rows.get(index)
    if row_number is None:
        empty = dict.fromkeys(("layout", "holes", "drilled", "balance", "remedies"))
        return {"ball": ball_group(item), **empty}, None
    row = Row(balls.drilled, row_number)
    return {
        "ball": ball_group(item, row.numbers["inner_density"]),
        "layout": layout_group(row),
        "holes": hole_groups(item, row),
        "drilled": drilled_group(item, row),
        "balance": balance_group(item, row, balls.shown[row_number], balls.spread[row_number]),
        "remedies": None,
    }, row


def assumptions(item: Item) -> list[str]:
    """What was taken for granted in an item's numbers."""
    ball, drilling = item["ball"], item.get("drilling")
    taken = []
    if "diameter" not in ball and "circumference" in ball:
        taken.append("The diameter is the circumference divided by pi.")
    if drilling is None:
        return taken
    if "cover_thickness" not in ball or "cover_density" not in ball:
        thick = ball["cover_thickness"].value if "cover_thickness" in ball else COVER_THICKNESS
        dense = ball["cover_density"].value if "cover_density" in ball else COVER_DENSITY
        taken.append(
            f"The holes go through a cover {thick:g} in thick at {dense:g} g/mL (not all given: from memory, no "
            "source)."
        )
    taken.append("Inside the cover the material is uniform, at the density that makes up the ball's weight.")
    if "balance_arm" not in drilling:
        low, high = PLAUSIBLE_ARMS
        taken.append(
            f"The balance shows the moment divided by an arm of {DEFAULT_ARM:g} in (from memory, no source); a "
            f"verdict on a predicted reading that changes between {low:g} in and {high:g} in is inconclusive."
        )
    if "top_weight" not in ball:
        taken.append("No top weight is given: radii of gyration take the undrilled centre of mass as the centre.")
    if any("slug_density" in hole for hole in drilling["holes"]):
        taken.append("A slug fills its hole to the surface.")
    return taken


def missing_for_drilling(item: Item) -> list[Group]:
    """Fields that were not given, and the derived groups that need them."""
    ball, drilling = item["ball"], item["drilling"]
    needs: list[Group] = []
    for name, present, groups in (
        ("/drilling/pap", "pap" in drilling, ["layout", "balance", "drilled"]),
        ("/drilling/layout", "layout" in drilling, ["layout", "balance", "drilled"]),
        ("/ball/rg", "rg" in ball, ["drilled"]),
        ("/ball/differential", "differential" in ball, ["drilled"]),
        ("/ball/intermediate_differential", "intermediate_differential" in ball, ["drilled"]),
        ("/ball/top_weight", "top_weight" in ball, ["balance"]),
        ("/ball/pin_to_cg", "pin_to_cg" in ball or _is_zero(ball, "top_weight"), ["balance"]),
    ):
        if not present:
            needs.append({"field": name, "needed_for": groups})
    return needs


def _is_zero(ball: Item, name: str) -> bool:
    return name in ball and math.isclose(ball[name].value, 0.0, abs_tol=1e-12)


def evaluate_drillings(items: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Answer loaded drilling requests, in order, as JSON-ready dicts.

    Remedies are sought for the balance limits of the default rulebook, which the assumptions name. Raises
    InvalidInput naming every impossible field.
    """
    from .checks import balance_remedies

    balls = Balls(items)
    answers = []
    for index, item in enumerate(items):
        derived, row = derive(item, balls, index)
        mends, named = balance_remedies(items, balls, index)
        derived["remedies"] = mends
        answers.append(
            {
                "derived": derived,
                "missing": missing_for_drilling(item),
                "cautions": cautions(item, row),
                "assumptions": [*assumptions(item), named],
                "units": UNITS,
                "remedies": mends,
            }
        )
    return answers
