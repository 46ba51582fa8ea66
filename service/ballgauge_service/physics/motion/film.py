"""Oil film on the lane and the friction it leaves, as the kernels see them.

A film is an array (ROWS, COLUMNS) of the mean film [µL/ft²] in cells one board wide and half a foot long,
with MARGIN further cells on every side. Between cells it is a cubic B-spline of the cell means (de Boor, A
Practical Guide to Splines, 1978, from memory): twice continuously differentiable, nowhere negative, it keeps
the volume and softens an edge over about one cell, as a machine's tip and the oil itself do (ours).
"""

from __future__ import annotations

import math

import numpy as np

from ballgauge_service.core.arrays import Array
from ballgauge_service.core.compiled import compiled

LANE_LENGTH = 720.0
LANE_WIDTH = 41.5
BOARDS = 39
"""Foul line to head pin and width [in], and boards across (USBC lane specification)."""

BOARD_WIDTH = LANE_WIDTH / BOARDS
CELL_LENGTH = 6.0
CELLS = 120
MARGIN = 3
ROWS = CELLS + 2 * MARGIN
COLUMNS = BOARDS + 2 * MARGIN
"""Cells of the film grid (ours); x runs over the columns from the right edge, y over the rows."""


@compiled
def _weights(t: float) -> tuple[float, float, float, float]:
    """Weights of four neighboring cells, t in [0, 1) between the centers of the middle two."""
    u = 1.0 - t
    tt = t * t
    uu = u * u
    return (
        uu * u / 6.0,
        2.0 / 3.0 - tt + 0.5 * tt * t,
        2.0 / 3.0 - uu + 0.5 * uu * u,
        tt * t / 6.0,
    )


@compiled
def film_at(film: Array, x: float, y: float) -> float:
    """Film at a place.

    Parameters
    ----------
    film : (ROWS, COLUMNS) array
    x, y : float, to the right of the lane's middle and beyond the foul line [in]

    Returns
    -------
    float [µL/ft²]
    """
    across = (0.5 * LANE_WIDTH - x) / BOARD_WIDTH - 0.5 + MARGIN
    along = y / CELL_LENGTH - 0.5 + MARGIN
    across = min(max(across, 1.0), COLUMNS - 2.5)
    along = min(max(along, 1.0), ROWS - 2.5)
    # Unsigned, so that indexing need not ask for the sign.
    column = np.uint64(across)
    row = np.uint64(along)
    a0, a1, a2, a3 = _weights(across - float(column))
    b0, b1, b2, b3 = _weights(along - float(row))
    total = 0.0
    for i, b in enumerate((b0, b1, b2, b3)):
        cells = film[row + np.uint64(i) - np.uint64(1)]
        total += b * (
            a0 * cells[column - np.uint64(1)]
            + a1 * cells[column]
            + a2 * cells[column + np.uint64(1)]
            + a3 * cells[column + np.uint64(2)]
        )
    return total


@compiled
def change_film(change: Array, film: Array, x: float, y: float, amount: float) -> None:
    """Add an amount of oil at a place to a change of the film, exactly.

    What is laid down is shared by the weights of `film_at`; what is taken also by what each cell holds,
    so that none gives more than it has.

    Parameters
    ----------
    change, film : (ROWS, COLUMNS) arrays, the first added to
    x, y : float [in]
    amount : float [µL/ft² times cells]
    """
    across = (0.5 * LANE_WIDTH - x) / BOARD_WIDTH - 0.5 + MARGIN
    along = y / CELL_LENGTH - 0.5 + MARGIN
    across = min(max(across, 1.0), COLUMNS - 2.5)
    along = min(max(along, 1.0), ROWS - 2.5)
    column = int(across)
    row = int(along)
    a = _weights(across - float(column))
    b = _weights(along - float(row))
    total = 0.0
    for turn in range(2):
        for i in range(4):
            r = min(max(row + i - 1, MARGIN), ROWS - MARGIN - 1)
            for j in range(4):
                c = min(max(column + j - 1, MARGIN), COLUMNS - MARGIN - 1)
                weight = a[j] * b[i]
                if amount < 0.0:
                    weight *= film[r, c]
                if turn == 0:
                    total += weight
                elif total > 0.0:
                    change[r, c] += amount * weight / total


@compiled
def friction(film: float, oiled: float, dry: float, scale: float) -> float:
    """Coefficient of sliding friction.

    Ours: full film friction where the film is thick beside the roughness it must cover, dry friction
    where there is none, and a smooth passage between (the shape of mixed lubrication).

    Parameters
    ----------
    film, scale : float [µL/ft²]
    oiled, dry : float, coefficients on full film and on none

    Returns
    -------
    float, oiled + (dry − oiled) exp(−film / scale)
    """
    return oiled + (dry - oiled) * math.exp(-film / scale)
