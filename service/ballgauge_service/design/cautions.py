"""What deserves a second look in the answer about a design."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from ballgauge_service.core.caution import Caution
from ballgauge_service.core.units import MM_PER_INCH
from ballgauge_service.design.drilling import Drill, DrilledDesign
from ballgauge_service.design.mass import MassProperties
from ballgauge_service.design.production import ProductionStudy
from ballgauge_service.design.solids.solids import Design, Mesh
from ballgauge_service.design.solids.step import DEVIATION
from ballgauge_service.design.solving import Front

ADVICE = Caution(
    "advice_only",
    "This is advice from the numbers of a design: only the governing body decides and approves, by measuring "
    "balls.",
)


def of_properties(made: MassProperties) -> Iterator[Caution]:
    """Solids that are not there, and bounds of what is not exact.

    Parameters
    ----------
    made : MassProperties

    Returns
    -------
    iterator of Caution
    """
    for name in made.covered:
        words = f"{name!r} is wholly covered by later solids: it is not there."
        yield Caution("covered_solid", words, "/design/solids")
    if made.method != "exact":
        bounds = {name: bound for name, bound in made.error_bound.items() if math.isfinite(bound)}
        listed = ", ".join(f"{name} {bound:.1e}" for name, bound in bounds.items())
        words = f"Solids cut each other off a common axis: the numbers have the error bounds {listed}."
        yield Caution("error_bound", words, "/design/solids")


SPECK = 0.05
"""Width of a mesh [in] under which its unit is doubtful (ours)."""


def of_meshes(design: Design, place: str) -> Iterator[Caution]:
    """Several bodies, specks and facets.

    Parameters
    ----------
    design : Design
    place : str, pointer of the design

    Returns
    -------
    iterator of Caution
    """
    for at, solid in enumerate(design.solids):
        if isinstance(solid.shape, Mesh):
            across = float(np.ptp(solid.shape.vertices, axis=0).max()) * solid.shape.scale
            if across < SPECK:
                words = f"The mesh of {solid.name!r} is {across:.2g} in across: is the unit right?"
                yield Caution("speck", words, f"{place}/solids/{at}")
        if isinstance(solid.shape, Mesh) and abs(solid.shape.missed or 0.0) > 1e-6:
            share, off = 100.0 * abs(solid.shape.missed or 0.0), DEVIATION / MM_PER_INCH
            words = (
                f"The surface of {solid.name!r} is cut in {len(solid.shape.faces)} facets, which lie within "
                f"{off:.1g} in of it: its volume is off by {share:.2g} %, beside the error that is told."
            )
            yield Caution("facets", words, f"{place}/solids/{at}")
        if isinstance(solid.shape, Mesh) and solid.shape.bodies > 1:
            words = (
                f"The mesh of {solid.name!r} holds {solid.shape.bodies} bodies, which are united: where they "
                "overlap their material counts once. Give each a solid of its own to weigh it, or turn its "
                "faces inward for a void."
            )
            yield Caution("bodies_united", words, f"{place}/solids/{at}")


def left_out(place: str) -> Caution:
    """What each solid adds is too much to compute.

    Parameters
    ----------
    place : str, pointer of the design

    Returns
    -------
    Caution
    """
    words = "What each solid adds is left out: too many solids cut each other off a common axis."
    return Caution("contributions_left_out", words, f"{place}/solids")


def of_drilling(found: DrilledDesign, drill: Drill, *, second: bool, first_holes: bool) -> Iterator[Caution]:
    """Holes in the core and uncertainties left out.

    Parameters
    ----------
    found : DrilledDesign
    drill : Drill
    second : bool, whether it is the one compared with
    first_holes : bool, whether no caution on drilling machines is told yet

    Returns
    -------
    iterator of Caution
    """
    for entry in found.entries:
        cost = entry.hole
        words = (
            f"{'In the second ball, hole' if second else 'Hole'} {cost.index} ({cost.role}) enters the "
            f"{entry.role.replace('_', ' ')} {entry.solid!r} and removes {entry.weight:.3f} oz of it: "
            "a matter of warranty and of cracking."
        )
        yield Caution("core_drilled", words, f"{drill.place}/holes/{cost.index}")
    for pointer in drill.uncertain:
        words = "This uncertainty is not carried into the numbers of a drilled design."
        yield Caution("uncertainty_left_out", words, f"{drill.place}{pointer}")
    if found.costs and first_holes:
        words = (
            "Drilling machines, dust and solvents can injure: guard the machine, wear eye and breathing "
            "protection, and follow local codes and licensed practice."
        )
        yield Caution("drilling_safety", words, drill.place)


def starts_left_out(searched: int, starts: int, place: str) -> Caution:
    """A search that the work ended early.

    Parameters
    ----------
    searched, starts : int, those searched and those asked for
    place : str, pointer

    Returns
    -------
    Caution
    """
    words = (
        f"Only {searched} of {starts} starts were searched to the end: more is too much to compute for this "
        "design. Fewer sizes and places that move, or densities alone, leave more to search."
    )
    return Caution("starts_left_out", words, place)


def points_left_out(followed: int, points: int) -> Caution:
    """A trade-off that the work ended early.

    Parameters
    ----------
    followed, points : int, those looked for and those asked for

    Returns
    -------
    Caution
    """
    words = (
        f"Only {followed} of {points} points of the trade-off were looked for: more is too much to compute "
        "for this design. Fewer sizes and places that move, or densities alone, leave more to search."
    )
    return Caution("points_left_out", words, "/solve/trade_off")


MISSED = 0.05
"""Share of a number's spread that the fit of a tolerance study may miss unsaid (ours)."""


def of_production(found: ProductionStudy) -> Iterator[Caution]:
    """Numbers whose spread the fit does not carry.

    Parameters
    ----------
    found : ProductionStudy

    Returns
    -------
    iterator of Caution
    """
    missed = [
        f"{each.number} {each.fit_error:.1e}"
        for each in found.spreads
        if each.fit_error is not None and each.fit_error > MISSED * each.standard_deviation
    ]
    if missed:
        words = (
            "Solids cut each other off a common axis: the samples are fitted, and miss some numbers by more "
            f"than {100 * MISSED:g} % of their standard deviation: {', '.join(missed)}."
        )
        yield Caution("fit_error", words, "/production/tolerances")


def no_front(front: Front) -> Caution:
    """A trade-off that no design allows.

    Parameters
    ----------
    front : Front

    Returns
    -------
    Caution
    """
    words = (
        f"There is no front of {front.first} and {front.second}: the other targets cannot be met together."
    )
    return Caution("no_trade_off", words, "/solve/trade_off")
