"""The ball's surface, and the friction it finds on a film of oil.

Everything here is ours: a smooth curve with the shape of mixed lubrication, its constants set so that a dull
reactive ball reads early in a usual pattern and a polished one skids through it, and open to change.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from types import MappingProxyType
from typing import Any

from ballgauge_schemas.shared import limits
from ballgauge_schemas.shared.words import COVERS
from ballgauge_service.core.refusal import number_problem, refuse
from ballgauge_service.core.units import ML_PER_CUBIC_INCH

MICROINCH_PER_FILM = 1000.0 / (144.0 * ML_PER_CUBIC_INCH)
"""Thickness of 1 µL/ft² [µin]: a microlitre spread over 144 in²."""

GRITS = (60.0, 20000.0)
ROUGHNESSES = (0.5, 500.0)
FRICTIONS = (0.01, 1.0)


@dataclass(frozen=True)
class FrictionModel:
    """Constants of the friction curve µ = oiled + (dry − oiled) exp(−film / scale), all ours.

    oiled: coefficient on a full film; dry: on a dry lane by cover; base [µL/ft²] and per_roughness: the scale
    is base + per_roughness times the film as thick as the surface is rough (Ra); grit_roughness [µin] and
    grit_power: Ra = grit_roughness (500 / grit)^grit_power; polish: what polishing leaves of it.
    """

    oiled: float = limits.OILED
    dry: Mapping[str, float] = field(default_factory=lambda: MappingProxyType(limits.DRY))
    base: float = limits.FRICTION_BASE
    per_roughness: float = limits.PER_ROUGHNESS
    grit_roughness: float = limits.GRIT_ROUGHNESS
    grit_power: float = limits.GRIT_POWER
    polish: float = limits.POLISH

    def __reduce__(self) -> tuple[Any, ...]:
        # A mapping that cannot be written does not travel to another process.
        given = (getattr(self, part.name) for part in fields(self))
        return type(self), tuple(dict(value) if isinstance(value, Mapping) else value for value in given)

    def __post_init__(self) -> None:
        problems = [
            (f"/friction/{name}", words)
            for name, low, high in (
                ("oiled", 0.0, 1.0),
                ("base", 0.1, 1e4),
                ("per_roughness", 0.0, 100.0),
                ("grit_roughness", 1.0, 500.0),
                ("grit_power", 0.0, 3.0),
                ("polish", 0.0, 1.0),
            )
            if (words := number_problem(getattr(self, name), low, high, ""))
        ]
        for cover in COVERS:
            words = "missing" if cover not in self.dry else number_problem(self.dry[cover], *FRICTIONS, "")
            if words:
                problems.append((f"/friction/dry/{cover}", words))
        refuse(problems)


@dataclass(frozen=True)
class Surface:
    """Surface of a ball.

    cover: polyester, urethane or reactive; roughness: Ra [µin], or else grit of the last pad and whether it
    was polished after; friction: measured coefficient on a dry lane, in place of the cover's.
    """

    cover: str = limits.COVER
    roughness: float | None = None
    grit: float = limits.GRIT
    polished: bool = False
    friction: float | None = None

    def __post_init__(self) -> None:
        problems = []
        if self.cover not in COVERS:
            problems.append(("/surface/cover", f"must be one of {', '.join(COVERS)}; got {self.cover!r}"))
        for name, ends, unit in (
            ("roughness", ROUGHNESSES, "µin"),
            ("grit", GRITS, ""),
            ("friction", FRICTIONS, ""),
        ):
            value = getattr(self, name)
            if value is not None and (words := number_problem(value, *ends, unit)):
                problems.append((f"/surface/{name}", words))
        if not isinstance(self.polished, bool):
            problems.append(("/surface/polished", "must be true or false"))
        refuse(problems)


def surface_roughness(surface: Surface, model: FrictionModel) -> float:
    """Ra [µin]: as given, or what the grit and the polish leave."""
    if surface.roughness is not None:
        return surface.roughness
    rough = float(model.grit_roughness * (500.0 / surface.grit) ** model.grit_power)
    return rough * (model.polish if surface.polished else 1.0)


def friction_constants(surface: Surface, model: FrictionModel) -> tuple[float, float, float]:
    """Friction on a full film, on a dry lane, and the scale of film [µL/ft²] between them."""
    dry = model.dry[surface.cover] if surface.friction is None else surface.friction
    rough_film = surface_roughness(surface, model) / MICROINCH_PER_FILM
    return min(model.oiled, dry), dry, model.base + model.per_roughness * rough_film
