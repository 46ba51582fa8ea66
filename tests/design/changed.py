"""A design with one number, or one solid, changed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ballgauge_service.design.parameters import Moves, Parameter, unpacked
from ballgauge_service.design.solids.packing import pack
from ballgauge_service.design.solids.solids import Design, Solid


def with_value(design: Design, parameter: Parameter, value: float) -> Design:
    return unpacked(design, Moves(design, pack(design), (parameter,), (0,)).at(np.array([value])))


def with_solid(design: Design, name: str, solid: Solid) -> Design:
    at = design.index(name)
    return replace(design, solids=(*design.solids[:at], solid, *design.solids[at + 1 :]))
