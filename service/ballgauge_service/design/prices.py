"""What a design costs to compute, estimated from its solids: the prices that `core.budget` counts.

Prices are estimates of ours, measured and rounded up, so that the same request always ends the same way.
"""

from __future__ import annotations

import numpy as np

from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.design.drilling import HOLE_CELLS
from ballgauge_service.design.mass import CELLS
from ballgauge_service.design.model import STUDY_CELLS
from ballgauge_service.design.solids.packing import Packed, pack
from ballgauge_service.design.solids.solids import Design
from ballgauge_service.design.solids.visible import add_visible

PROPERTIES_LIMIT = 1e7
"""Most estimated work of the mass properties of one design [µs] (ours)."""

DRILLING_LIMIT = 5e6
LEAST_HOLE_CELLS = 100
"""Most estimated work of one drilling [µs], and the least cells across a hole worth having (ours)."""

BOARD_HOLE_CELLS = 150
"""Most cells across one hole where the numbers alone are asked for, at once (ours)."""

EVALUATION = 120.0
SAMPLE = 30.0
VERTEX = 0.02
"""Estimated work of one evaluation of the numbers, in a search and in a study, and for each vertex of the
meshes [µs] (ours, measured and rounded up)."""

CELL = 40.0
CELL_PAIR = 1.0
CELL_POINT = 0.25
CELL_FACE = 0.003
"""Estimated work of one cell of the cubature where solids cut each other off a common axis: for each pair of
solids, point of a profile and face of a mesh [µs] (ours, measured and rounded up)."""

CLEARANCE_PRICE, CLEARANCE_VERTEX = 300.0, 2.5
"""Estimated work of the distance of one hole from one solid, and for each vertex of the meshes [µs] (ours,
measured and rounded up)."""


def clearance_price(packed: Packed, holes: int, solids: int) -> float:
    """Estimated work of the clearance of some holes from some solids [µs].

    Parameters
    ----------
    packed : Packed
    holes, solids : int, how many

    Returns
    -------
    float [µs]
    """
    return holes * (CLEARANCE_PRICE * solids + CLEARANCE_VERTEX * len(packed.vertices))


HOLE_USUAL_CELLS = 80
"""Cells that a hole usually takes (ours, measured and rounded up)."""


def hole_price(design: Design, holes: int) -> float:
    """Estimated work of a drilling as it usually is, with its clearance of every solid [µs].

    Parameters
    ----------
    design : Design
    holes : int, how many

    Returns
    -------
    float [µs]
    """
    packed = pack(design)
    clear = clearance_price(packed, holes, len(design.solids))
    return holes * HOLE_USUAL_CELLS * hole_cell_price(packed, holes) + clear


def hole_cell_price(packed: Packed, holes: int) -> float:
    """Estimated work of one cell of the cubature across a hole [µs].

    Parameters
    ----------
    packed : Packed
    holes : int, of the drilling

    Returns
    -------
    float [µs]
    """
    return _price_packed(len(packed.table) + holes, packed)


def _price(cut: int, design: Design) -> float:
    return _price_packed(cut, pack(design))


def _price_packed(cut: int, packed: Packed) -> float:
    return CELL + CELL_PAIR * cut**2 + CELL_POINT * len(packed.points) + CELL_FACE * len(packed.faces)


def cell_price(design: Design) -> float:
    """Estimated work of one cell of the cubature [µs]; 0 where all of the design is closed form.

    Parameters
    ----------
    design : Design

    Returns
    -------
    float [µs]
    """
    packed = pack(design)
    count = len(design.solids)
    group, beneath = np.empty(count, np.int64), np.empty(count, np.int64)
    cut = add_visible(packed, np.ones(count, np.bool_), group, beneath, np.empty((count, 10)))
    return _price(cut, design) if cut else 0.0


def evaluation_price(design: Design, *, sampled: bool = False) -> float:
    """Estimated work of one evaluation of a design's numbers [µs], in a search, or sampled in a study.

    The cubature, where there is one, comes on top of it.

    Parameters
    ----------
    design : Design
    sampled : bool

    Returns
    -------
    float [µs]
    """
    return (SAMPLE if sampled else EVALUATION) + VERTEX * len(pack(design).vertices)


def cubature_price(design: Design, cells: int) -> float:
    """Estimated work of a cubature [µs] where solids of the design cut each other, or begin to.

    Parameters
    ----------
    design : Design
    cells : int

    Returns
    -------
    float [µs]
    """
    return cells * (cell_price(design) or _price(len(design.solids), design))


def check_design(design: Design) -> None:
    """Raise InvalidInput where a design's properties are too much to compute.

    Parameters
    ----------
    design : Design

    Raises
    ------
    InvalidInput
    """
    if cell_price(design) * CELLS > PROPERTIES_LIMIT:
        text = "too much to compute: too many solids, points or faces that cut each other off a common axis"
        raise InvalidInput([Fault("/solids", text)])


def cells_for(design: Design) -> tuple[int, bool]:
    """Cells of the cubature for a design's properties, and whether what each solid adds is affordable too.

    Parameters
    ----------
    design : Design

    Returns
    -------
    cells : int
    affordable : bool
    """
    price = cell_price(design)
    if price == 0.0:
        return CELLS, True
    affordable = int(PROPERTIES_LIMIT / (price * len(design.solids)))
    if affordable >= STUDY_CELLS:
        return min(affordable, CELLS), True
    return min(int(PROPERTIES_LIMIT / price), CELLS), False


def hole_cells_for(design: Design, holes: int) -> int:
    """Cells of the cubature across each of some holes.

    Parameters
    ----------
    design : Design
    holes : int

    Returns
    -------
    int

    Raises
    ------
    InvalidInput
    """

    def affordable(count: int) -> int:
        return int(DRILLING_LIMIT / (max(count, 1) * _price(len(design.solids) + count, design)))

    if affordable(holes) < LEAST_HOLE_CELLS:
        fit = next((k for k in range(holes - 1, 0, -1) if affordable(k) >= LEAST_HOLE_CELLS), 0)
        text = f"too much to compute: at most {fit} holes in so many solids, points and faces"
        raise InvalidInput([Fault("/holes", text)])
    return min(affordable(holes), HOLE_CELLS)
