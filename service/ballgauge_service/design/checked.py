"""A design in place of box numbers: made and drilled before the check, which takes what comes out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from ballgauge_schemas import Quantity
from ballgauge_schemas.shared.limits import BALANCE_ARM
from ballgauge_service.check.drill import WORK_LIMIT
from ballgauge_service.check.request import Layers, LayersDrilled
from ballgauge_service.core import budget
from ballgauge_service.core.caution import Caution
from ballgauge_service.core.compiled import run_compiled
from ballgauge_service.core.refusal import Fault, InvalidInput, below
from ballgauge_service.core.units import OZ_PER_LB
from ballgauge_service.design import cautions
from ballgauge_service.design.drilling import DrilledDesign, drill_design
from ballgauge_service.design.mass import MassProperties, pack_inside, properties
from ballgauge_service.design.model import STUDY_CELLS
from ballgauge_service.design.prices import (
    BOARD_HOLE_CELLS,
    cell_price,
    cells_for,
    hole_cell_price,
    hole_cells_for,
)
from ballgauge_service.design.request import Meshes, read_design, read_drill
from ballgauge_service.design.rules import BOX_NUMBERS
from ballgauge_service.design.solids.solids import Design

Item = dict[str, Any]

_FEW = 2
"""Designs beyond which machine code pays (ours)."""


def with_layers(items: Sequence[Item]) -> list[Item]:
    """Loaded checks or drillings, each that has a design with its box numbers and its `Layers` instead.

    Parameters
    ----------
    items : sequence of dict, as `ballgauge_schemas` loads them

    Returns
    -------
    list of dict

    Raises
    ------
    InvalidInput, naming every impossible field of every design, and the design with which they are too much
        to compute in one request
    """
    if sum("design" in item for item in items) > _FEW:
        run_compiled("design")
    found, faults, spent = [], list[Fault](), 0.0
    for index, item in enumerate(items):
        if "design" in item:
            budget.check()
            try:
                design = _read(item)
                spent += _price(design, len(item.get("drilling", {}).get("holes", ())))
                if spent > WORK_LIMIT:
                    words = "too much to compute in one request, reached here: send fewer designs at a time"
                    raise InvalidInput([Fault("/design", words)])
                item = _computed(item, design)
            except InvalidInput as refused:
                faults += [replace(fault, index=index) for fault in refused.faults]
                if spent > WORK_LIMIT:
                    break
        found.append(item)
    if faults:
        raise InvalidInput(faults)
    return found


def _read(item: Item) -> Design:
    with below("/design"):
        return read_design(item["design"], Meshes({}))


def _price(design: Design, holes: int) -> float:
    """Estimated work of a design and its drilling [µs]."""
    packed = pack_inside(design)
    return STUDY_CELLS * cell_price(design) + holes * BOARD_HOLE_CELLS * hole_cell_price(packed, holes)


def _computed(item: Item, design: Design) -> Item:
    drilling = item.get("drilling")
    arm = drilling["balance_arm"].value if drilling and "balance_arm" in drilling else BALANCE_ARM
    with below("/design"):
        cells, _ = cells_for(design)
        made = properties(design, arm, contributions=False, cells=min(cells, STUDY_CELLS))
    told = [*cautions.of_properties(made), *cautions.of_meshes(design, "/design")]
    drilled = None
    if drilling is not None:
        asked = read_drill(drilling, arm, "/drilling", design.diameter)
        with below("/drilling"):
            drilled = drill_design(
                design,
                asked.layout,
                asked.holes,
                arm,
                cells=min(hole_cells_for(design, len(asked.holes)), BOARD_HOLE_CELLS),
                made_cells=STUDY_CELLS,
            )
        entered = cautions.of_drilling(drilled, replace(asked, uncertain=()), second=False, first_holes=False)
        told += entered
    ball = {**item["ball"], **_box_numbers(made)}
    rest = {name: member for name, member in item.items() if name != "design"}
    return {**rest, "ball": ball, "layers": _layers(made, drilled, told)}


def _box_numbers(made: MassProperties) -> dict[str, Quantity]:
    numbers = {name: getattr(made, name) for name in BOX_NUMBERS}
    return {name: Quantity(number) for name, number in numbers.items() if number is not None}


def _layers(made: MassProperties, drilled: DrilledDesign | None, told: list[Caution]) -> Layers:
    if drilled is None:
        return Layers(made.method, tuple(told), None)
    body = np.column_stack([drilled.psa, np.cross(drilled.pin, drilled.psa), drilled.pin])
    before = body @ np.array(made.moment)
    length = float(np.sqrt(before @ before))
    after = np.array(drilled.moment)
    drill = LayersDrilled(
        weight=drilled.weight,
        removed_weight=drilled.removed_weight,
        slug_weight=drilled.slug_weight,
        rg=(drilled.rg, drilled.rg_intermediate, drilled.rg_high),
        cg=tuple((before / length).tolist()) if length > 1e-9 * made.weight * OZ_PER_LB else None,
        moment=drilled.moment,
        hole_moment=tuple((after - before).tolist()),
        centre_of_mass=drilled.centre_of_mass,
        low_axis=drilled.low_rg_axis,
        high_axis=drilled.high_rg_axis,
        holes=tuple((cost.removed_weight, cost.slug_weight) for cost in drilled.costs),
    )
    return Layers(drilled.method, tuple(told), drill)
