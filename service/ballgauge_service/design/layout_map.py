"""What each layout leaves of a design's numbers: the drilled ball over pin distances and drilling angles."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ballgauge_schemas.shared.limits import MAP_DRILLING_ANGLE, MAP_PIN_TO_PAP
from ballgauge_schemas.shared.words import CLEARANCE
from ballgauge_service.core.budget import Run
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.design.drilling import Drill
from ballgauge_service.design.prices import hole_price
from ballgauge_service.design.solids.solids import Design
from ballgauge_service.design.targets import Ball, Held, Variant, drilled_numbers


@dataclass(frozen=True, slots=True)
class LayoutMap:
    """Arcs from pin to positive axis point [in] and drilling angles [deg], each with each."""

    pin_to_pap: tuple[float, ...] = MAP_PIN_TO_PAP
    drilling_angle: tuple[float, ...] = MAP_DRILLING_ANGLE


@dataclass(frozen=True, slots=True)
class MapPoint:
    """One layout [in, deg] and the numbers of the ball that is drilled with it."""

    pin_to_pap: float
    drilling_angle: float
    numbers: dict[str, float | None]


def map_price(design: Design, drill: Drill, job: LayoutMap, unspent: float) -> float:
    """Estimated work of a map [µs]; raises InvalidInput with the layouts that fit where that is too much.

    Parameters
    ----------
    design : Design
    drill : Drill
    job : LayoutMap
    unspent : float, work that is allowed [µs]

    Returns
    -------
    float [µs]

    Raises
    ------
    InvalidInput with the layouts that fit
    """
    each = hole_price(design, len(drill.holes))
    count = len(job.pin_to_pap) * len(job.drilling_angle)
    if each * count > unspent:
        most = int(unspent / each)
        words = f"too much to compute: at most {most} layouts for this design and these holes"
        raise InvalidInput([Fault("", words)])
    return each * count


def layout_map(design: Design, drill: Drill, job: LayoutMap, run: Run | None = None) -> tuple[MapPoint, ...]:
    """The drilled ball for every layout, all else of the drilling the same.

    Parameters
    ----------
    design : Design
    drill : Drill
        Its layout's pin distance and drilling angle give way to those of the map.
    job : LayoutMap
    run : Run, optional
        Progress and cancel token.

    Returns
    -------
    tuple of MapPoint
        Pin distance by pin distance.

    Raises
    ------
    InvalidInput
        A hole has no place.
    Canceled
        By the token.
    """
    link = run or Run()
    layouts = [(arc, angle) for arc in job.pin_to_pap for angle in job.drilling_angle]
    drills = tuple(_laid(drill, arc, angle) for arc, angle in layouts)
    one = Variant("", design, (), Held(drills))
    found, _ = Ball(one, (), (CLEARANCE,), drill.arm, link).at(np.empty(0), drilled=True)
    link.report(1.0, "done")
    return tuple(
        MapPoint(*layout, numbers) for layout, numbers in zip(layouts, drilled_numbers(found), strict=True)
    )


def _laid(drill: Drill, arc: float, angle: float) -> Drill:
    layout = drill.layout.copy()
    layout["pin_to_pap"], layout["drilling_angle"] = arc, angle
    return replace(drill, layout=layout)
