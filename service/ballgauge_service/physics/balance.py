"""Static balance: from the moment about the geometric centre to a scale's readings.

The moment M = sum m r [oz in] is the physical quantity. A balance shows M / arm [oz]; the arm [in] is the
scale's. The undrilled part is a reading of the same scale, so the arm cancels from it and remains only in
what the holes contribute.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

PLAUSIBLE_ARMS = (2.3, 4.3)
"""Arms [in] between which a verdict must hold where the arm is not known (ours)."""


def reading_parts(top_weight: Array, cg: Array, hole_moment: Array, hand: Array) -> tuple[Array, Array]:
    """Split predicted readings into what no arm changes [oz] and what is divided by the arm [oz in].

    top_weight: undrilled reading along the CG mark [oz], (n,); cg: unit vectors of the mark, (n, 3);
    hole_moment: moment added by the holes [oz in], (n, 3), negative where they take weight away; hand: +1
    right, -1 left, (n,). Returns two (n, 3) arrays with columns top (+ to the grip), side (+ to the PAP),
    finger (+ to the fingers); NaN where something is unknown. A top weight of 0 needs no mark.
    """
    undrilled = np.where((top_weight == 0.0)[:, None], 0.0, top_weight[:, None] * cg)
    order = [2, 0, 1]
    fixed, divided = undrilled[:, order], hole_moment[:, order]
    fixed[:, 1] *= hand
    divided[:, 1] *= hand
    return fixed, divided


def readings(top_weight: Array, cg: Array, hole_moment: Array, arm: Array, hand: Array) -> Array:
    """Predicted readings [oz], (n, 3): top (+ to the grip), side (+ to the PAP), finger (+ to the fingers).

    arm: of the balance [in], (n,); the others as for `reading_parts`.
    """
    fixed, divided = reading_parts(top_weight, cg, hole_moment, hand)
    shown: Array = fixed + divided / arm[:, None]
    return shown


def largest_imbalance(shown: Array) -> Array:
    """Greatest imbalance between any two halves, |M| / arm [oz], from readings: (..., 3) to (...)."""
    length: Array = np.sqrt((shown * shown).sum(axis=-1))
    return length
