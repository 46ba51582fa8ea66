"""The drilled balls of a request, drilled once for everything that asks about them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.check.drill import Work
from ballgauge_service.check.request import Drilled, Item, arm, drill_items
from ballgauge_service.check.uncertainty import (
    predicted_parts,
    predicted_uncertainty,
    too_uncertain,
    uncertain_inputs,
)
from ballgauge_service.core.refusal import InvalidInput

Array = NDArray[np.float64]


class Prediction(NamedTuple):
    """The predicted balance of one ball: top, side and finger [oz] = fixed + divided / arm.

    spread: their standard uncertainties and that of the largest imbalance; NaN where none is known.
    """

    fixed: list[float]
    divided: list[float]
    shown: list[float]
    spread: list[float]


class Balls:
    """The drilled balls among a request's items.

    rows maps an item's index to its row in `drilled`; work is what the request has asked for so far. Raises
    InvalidInput naming every impossible field of every item.
    """

    def __init__(self, items: Sequence[Item]) -> None:
        indices = [index for index, item in enumerate(items) if "drilling" in item]
        chosen = [items[index] for index in indices]
        inputs = [uncertain_inputs(item) for item in chosen]
        errors = [
            (index, *e)
            for index, each in zip(indices, inputs, strict=True)
            if each
            for e in too_uncertain(each)
        ]
        self.work = Work()
        self.rows = {index: row for row, index in enumerate(indices)}
        try:
            self.drilled: Drilled = drill_items(chosen, indices, self.work)
        except InvalidInput as refused:
            errors.extend(refused.errors)
        if errors:
            raise InvalidInput(errors)
        fixed, divided = predicted_parts(self.drilled)
        arms = np.array([arm(item["drilling"]) for item in chosen])
        shown = fixed + divided / arms[:, None]
        spread = predicted_uncertainty(chosen, inputs, indices, shown, self.work)
        parts = (fixed.tolist(), divided.tolist(), shown.tolist(), spread.tolist())
        self.predictions = [Prediction(*each) for each in zip(*parts, strict=True)]

    def prediction(self, index: int) -> Prediction | None:
        """The predicted balance of an item; None where it is not drilled."""
        row = self.rows.get(index)
        return None if row is None else self.predictions[row]
