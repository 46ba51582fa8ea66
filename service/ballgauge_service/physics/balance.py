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
    """Split predicted readings into what no arm changes and what is divided by the arm.

    Parameters
    ----------
    top_weight : array (n,)
        Undrilled reading along the CG mark [oz]; 0 needs no mark.
    cg : array (n, 3)
        Unit vectors of the mark.
    hole_moment : array (n, 3)
        Moment that the holes add [oz in], away from where they take weight.
    hand : array (n,)
        +1 right, -1 left.

    Returns
    -------
    fixed, divided : array (n, 3)
        [oz] and [oz in]; columns top (+ to the grip), side (+ to the PAP), finger (+ to the fingers). NaN
        where something is unknown.
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
    # A balance of arm a shows M / a (statics of the lever).
    fixed, divided = reading_parts(top_weight, cg, hole_moment, hand)
    shown: Array = fixed + divided / arm[:, None]
    return shown


def largest_imbalance(shown: Array) -> Array:
    """Greatest imbalance between any two halves, |M| / arm [oz], from readings: (..., 3) to (...)."""
    # The two halves across M differ most: by |M| / arm.
    length: Array = np.sqrt((shown * shown).sum(axis=-1))
    return length
