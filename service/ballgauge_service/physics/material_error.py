"""What the model of two materials, a cover and one inside, leaves open in a drilled ball's numbers.

Holes are drilled through the layers that box numbers tell of; a real ball has a filler and a core, and what a
hole takes of them differs hole by hole. The sizes here are ours: drillings of a family of layered designs
(three-piece balls of 12.5 to 16 lb with cores, discs and covers of many kinds), each beside the ball that has
its box numbers alone. `tests/check/test_material_error.py` draws the family again, and holds them to it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.units import OZ_PER_CUBIC_INCH, OZ_PER_LB
from ballgauge_service.physics.drilling import Structs

Array = NDArray[np.float64]

REMOVED = 0.13
DEEP_FROM, DEEP = 2.75, 0.2
"""Standard uncertainty of what one hole takes away, as a part of it, and by how much it grows with each inch
of depth beyond where cores begin [in, 1/in] (ours)."""

SHARED_BY_THREE = 0.01
"""Standard uncertainty of what a hole leaves to two others that it meets and that meet each other, as a part
of it (ours): the outline of what all three share is not located, see `overlaps.shared_region`."""

NUMBERS = 8
"""Numbers of one ball, see `material_error`."""


def shared_by_three(balls: Structs, out: Structs, hole_out: Structs) -> Array:
    """Standard uncertainties of what holes take where three and more share material; else 0.

    Parameters
    ----------
    balls, out : (n,) rows
    hole_out : (n, h) rows

    Returns
    -------
    (n, h) array [oz]: what a hole leaves to others is at most its volume at the greater of the two
        densities, less what it took
    """
    found = np.zeros(hole_out.shape)
    meets = hole_out["meets"]
    for n in np.flatnonzero(((meets & (meets - 1)) != 0).any(axis=1)).tolist():
        density = max(float(balls["cover_density"][n]), float(out["inner_density"][n])) * OZ_PER_CUBIC_INCH
        for hole, others in enumerate(meets[n].tolist()):
            if any(others >> k & 1 and others & int(meets[n, k]) for k in range(meets.shape[1])):
                one = hole_out[n, hole]
                left = max(density * float(one["volume"]) - float(one["removed_weight"]), 0.0)
                found[n, hole] = SHARED_BY_THREE * left
    return found


def material_error(balls: Structs, holes: Structs, out: Structs, hole_out: Structs) -> Array:
    """Standard uncertainties that the material model leaves in the numbers of drilled balls.

    Each hole's uncertain weight u = `REMOVED` w, more for a deep one or where three share material, lies
    half way down it, at r from the center. It moves the balance by u r / arm along the hole, hole by hole on
    its own (root of the sum of squares), the weight by u, all holes alike (sum), and the radii of gyration
    by about u RG / (2 m) and u r^2 / (2 m RG).

    Parameters
    ----------
    balls : array (n,) of BALL
    holes, hole_out : array (n, h) of HOLE, of DRILLED_HOLE
    out : array (n,) of DRILLED

    Returns
    -------
    array (n, 8)
        Of top, side and finger reading and the largest imbalance [oz], of the drilled weight [lb], of the low
        radius of gyration, the differential and the intermediate differential [in]; 0 without holes, NaN
        where what they rest on is not known. Twice as much held 94 % or more of the family, number by number.
    """
    found = np.zeros((len(out), NUMBERS))
    if hole_out.shape[1] == 0:
        return found
    removed = np.abs(hole_out["removed_weight"])
    own = removed * (REMOVED + DEEP * np.maximum(np.nan_to_num(holes["depth"]) - DEEP_FROM, 0.0))
    own = np.hypot(own, shared_by_three(balls, out, hole_out))
    middle = balls["radius"][:, None] - 0.5 * np.nan_to_num(holes["depth"])
    for k, axis in enumerate("zxy"):
        lever = middle * np.nan_to_num(hole_out[f"center_{axis}"])
        found[:, k] = np.sqrt(((own * lever) ** 2).sum(axis=1)) / balls["balance_arm"]
    shown = np.column_stack([out["top"], out["side"], out["finger"]])
    length = np.sqrt((shown * shown).sum(axis=1))
    along = np.sqrt(((shown * found[:, :3]) ** 2).sum(axis=1))
    known = length > 0.0
    found[:, 3] = np.where(known, along / np.where(known, length, 1.0), found[:, :3].max(axis=1))
    found[:, 4] = own.sum(axis=1) / OZ_PER_LB
    mass, rg = OZ_PER_LB * balls["weight"], balls["rg"]
    spread = np.sqrt(((own * middle * middle) ** 2).sum(axis=1)) / (2.0 * mass * rg)
    found[:, 5] = own.sum(axis=1) * rg / (2.0 * mass)
    found[:, 6] = found[:, 7] = spread
    return found
