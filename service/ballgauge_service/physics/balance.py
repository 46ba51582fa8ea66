"""Static balance: from the moment about the geometric center to a scale's readings.

The moment M = sum m r [oz in] is the physical quantity. A balance shows M / arm [oz]; the arm [in] is the
scale's. The undrilled part is a reading of the same scale, so the arm cancels from it and remains only in
what the holes contribute.
"""

from __future__ import annotations

import numpy as np

from ballgauge_service.core.arrays import Array
from ballgauge_service.core.compiled import compiled
from ballgauge_service.physics.sphere import Vector

PLAUSIBLE_ARMS = (2.3, 4.3)
"""Arms [in] between which a verdict must hold where the arm is not known (ours)."""


@compiled
def readings(
    top_weight: float, cg: Vector, hole_moment: Vector, arm: float, hand: float
) -> tuple[Vector, Vector, Vector]:
    """Predict the readings of a drilled ball.

    Parameters
    ----------
    top_weight : float
        Undrilled reading along the CG mark [oz]; 0 needs no mark.
    cg : Vector
        Unit vector of the mark.
    hole_moment : Vector
        Moment that the holes add [oz in], away from where they take weight.
    arm : float
        Of the balance [in].
    hand : float
        +1 right, -1 left.

    Returns
    -------
    fixed, divided, shown : Vector
        What no arm changes [oz], what is divided by the arm [oz in], and fixed + divided / arm [oz]; each top
        (+ to the grip), side (+ to the PAP), finger (+ to the fingers). NaN where something is unknown.
    """
    fixed = (0.0, 0.0, 0.0)
    if top_weight != 0.0:
        fixed = (top_weight * cg[2], hand * (top_weight * cg[0]), top_weight * cg[1])
    divided = (hole_moment[2], hand * hole_moment[0], hole_moment[1])
    # A balance of arm a shows M / a (statics of the lever).
    shown = (fixed[0] + divided[0] / arm, fixed[1] + divided[1] / arm, fixed[2] + divided[2] / arm)
    return fixed, divided, shown


def largest_imbalance(shown: Array) -> Array:
    """Greatest imbalance between any two halves.

    Parameters
    ----------
    shown : (..., 3) array, readings on three axes [oz]

    Returns
    -------
    (...) array, |M| / arm [oz]
    """
    # The two halves across M differ most: by |M| / arm.
    length: Array = np.sqrt((shown * shown).sum(axis=-1))
    return length
