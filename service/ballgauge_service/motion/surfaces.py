"""The ball's surface, and the friction it finds on a film of oil.

Everything here is ours: a smooth curve with the shape of mixed lubrication, its constants set so that a dull
reactive ball reads early in a usual pattern and a polished one skids through it, and open to change.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ballgauge_schemas.shared import limits
from ballgauge_service.core.arrays import Array
from ballgauge_service.core.units import ML_PER_CUBIC_INCH, SQUARE_INCH_PER_SQUARE_FOOT

MICROINCH_PER_FILM = 1000.0 / (SQUARE_INCH_PER_SQUARE_FOOT * ML_PER_CUBIC_INCH)
"""Thickness of 1 µL/ft² [µin]: a microliter spread over 144 in²."""

DROP_FILM = 2000.0
"""Film [µL/ft²] of a drop in the test of oil absorption (ours): 2 µL spread over 0.14 in²."""


@dataclass(frozen=True, slots=True)
class FrictionModel:
    """Constants of the friction curve µ = oiled + (dry − oiled) exp(−film / scale), all ours.

    oiled: coefficient on a full film; polyester, urethane, reactive: on a dry lane by cover; base [µL/ft²]
    and per_roughness: the scale is base + per_roughness times the film as thick as the surface is rough (Ra);
    grit_roughness [µin] and grit_power: Ra = grit_roughness (500 / grit)^grit_power; polish: what polishing
    leaves of it.
    """

    oiled: float = limits.OILED
    polyester: float = limits.DRY["polyester"]
    urethane: float = limits.DRY["urethane"]
    reactive: float = limits.DRY["reactive"]
    base: float = limits.FRICTION_BASE
    per_roughness: float = limits.PER_ROUGHNESS
    grit_roughness: float = limits.GRIT_ROUGHNESS
    grit_power: float = limits.GRIT_POWER
    polish: float = limits.POLISH

    def dry(self, cover: str) -> float:
        """Coefficient of friction on a dry lane.

        Parameters
        ----------
        cover : polyester, urethane or reactive

        Returns
        -------
        the coefficient
        """
        found: float = getattr(self, cover)
        return found


@dataclass(frozen=True, slots=True)
class OilOnBall:
    """What the cover carries, by the model of `physics.motion.cover` (all ours).

    split: share of the film between ball and lane that the cover keeps; capacity: the most it keeps, in films
    as thick as its surface is rough (Ra); footprint [in]: standard deviation of a pass across;
    absorption_time [s]: in which a drop of the test of covers is drawn in; None: nothing is drawn in.
    """

    split: float = limits.SPLIT
    capacity: float = limits.CAPACITY
    footprint: float = limits.FOOTPRINT
    absorption_time: float | None = None

    @property
    def absorption(self) -> float:
        """Oil that the cover draws in [µL/ft²/s]: a drop's film over its time."""
        return DROP_FILM / self.absorption_time if self.absorption_time else 0.0


@dataclass(frozen=True, slots=True)
class Curve:
    """A friction curve as it was calibrated: coefficients on a full film and a dry lane, scale [µL/ft²].

    covariance, (3, 3), of the three in this order; zeros: exactly known.
    """

    oiled: float
    dry: float
    scale: float
    covariance: tuple[tuple[float, ...], ...] = ((0.0,) * 3,) * 3


def drawn_frictions(surfaces: Sequence[Surface], n: int, seed: int) -> list[Array | None]:
    """Draws of oiled, dry and scale of each surface.

    Normal, by the covariance, clipped to what friction can be. One curve has the same draws everywhere.

    Parameters
    ----------
    surfaces : of the balls
    n : draws
    seed : of the draws

    Returns
    -------
    (n, 3) of each surface; None where nothing is uncertain
    """
    known: dict[Curve, Array] = {}
    found: list[Array | None] = []
    for curve in (surface.curve for surface in surfaces):
        if curve is None or not np.any(curve.covariance):
            found.append(None)
            continue
        if curve not in known:
            generator = np.random.Generator(np.random.PCG64([seed, 3, len(known)]))
            values, axes = np.linalg.eigh(np.array(curve.covariance))
            root = axes * np.sqrt(np.maximum(values, 0.0))
            draws = (
                np.array([curve.oiled, curve.dry, curve.scale]) + generator.standard_normal((n, 3)) @ root.T
            )
            draws = np.maximum(draws, [1e-4, 1e-3, 0.1])
            draws[:, 0] = np.minimum(draws[:, 0], draws[:, 1])
            known[curve] = draws
        found.append(known[curve])
    return found


@dataclass(frozen=True, slots=True)
class Surface:
    """Surface of a ball.

    cover: polyester, urethane or reactive; roughness: Ra [µin], or else grit of the last pad and whether it
    was polished after; friction: measured coefficient on a dry lane, in place of the cover's; curve: the
    calibrated one, in place of all of it.
    """

    cover: str = limits.COVER
    roughness: float | None = None
    grit: float = limits.GRIT
    polished: bool = False
    friction: float | None = None
    curve: Curve | None = None


@dataclass(frozen=True, slots=True)
class Friction:
    """Ra [µin], coefficients on a dry lane and a full film, and the scale of film [µL/ft²] between."""

    roughness: float
    dry: float
    oiled: float
    scale: float


def surface_friction(surface: Surface, model: FrictionModel) -> Friction:
    """Roughness as given, or what grit and polish leave; the friction that goes with it.

    Parameters
    ----------
    surface : of the ball
    model : constants of the friction curve

    Returns
    -------
    Ra [µin], coefficients, and scale of film [µL/ft²]
    """
    rough = surface.roughness
    if rough is None:
        rough = model.grit_roughness * (500.0 / surface.grit) ** model.grit_power
        rough *= model.polish if surface.polished else 1.0
    if (curve := surface.curve) is not None:
        return Friction(rough, curve.dry, curve.oiled, curve.scale)
    dry = model.dry(surface.cover) if surface.friction is None else surface.friction
    scale = model.base + model.per_roughness * (rough / MICROINCH_PER_FILM)
    return Friction(rough, dry, min(model.oiled, dry), scale)
