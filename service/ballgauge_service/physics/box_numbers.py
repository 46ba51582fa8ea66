"""Numbers that follow from the box numbers, and the words the trade puts on them.

The class thresholds are ours: the trade draws them in many places. They are returned with every class.
"""

from __future__ import annotations

import math
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.units import GRAM_PER_OZ, ML_PER_CUBIC_INCH, OZ_PER_LB

Either = float | NDArray[np.float64]
Numbers = TypeVar("Numbers", float, NDArray[np.float64])

FRESH_WATER = 0.9982
"""Density of fresh water at 20 degC [g/mL] (CRC Handbook of Chemistry and Physics, from memory)."""

RG_LOW_BELOW = 2.520
RG_HIGH_FROM = 2.570
DIFFERENTIAL_LOW_BELOW = 0.030
DIFFERENTIAL_HIGH_FROM = 0.045
ASYMMETRIC_FROM = 0.008
"""Thresholds of the classes [in], ours."""

THRESHOLDS = {
    "differential_high_from": DIFFERENTIAL_HIGH_FROM,
    "differential_low_below": DIFFERENTIAL_LOW_BELOW,
    "intermediate_differential_asymmetric_from": ASYMMETRIC_FROM,
    "rg_high_from": RG_HIGH_FROM,
    "rg_low_below": RG_LOW_BELOW,
}

FLARE_FORMULA = "|sin(2 * pin_to_pap / radius)|"


def mean_density(weight: Numbers, radius: Numbers) -> Numbers:
    """Mean density of whole balls.

    Parameters
    ----------
    weight : float or array [lb]
    radius : float or array of the same shape [in]

    Returns
    -------
    float or array [g/mL]
    """
    volume = 4.0 / 3.0 * math.pi * radius**3 * ML_PER_CUBIC_INCH
    return weight * OZ_PER_LB * GRAM_PER_OZ / volume


def asymmetry_ratio(differential: float, intermediate_differential: float) -> float:
    """How asymmetric a ball is.

    Parameters
    ----------
    differential, intermediate_differential : float [in]

    Returns
    -------
    float, intermediate over total; NaN where the differential is 0 or not known
    """
    return intermediate_differential / differential if differential > 0.0 else math.nan


def exceeds_size(
    radius: Either, rg: Either, differential: Either, intermediate_differential: Either
) -> NDArray[np.bool_]:
    """Whether no ball of a radius can have these radii of gyration.

    The principal moments of inertia add up to 2 sum m r^2, at most 2 m R^2.

    Parameters
    ----------
    radius, rg, differential, intermediate_differential : float or arrays of one shape [in]; a
        differential may be NaN, not known, and is then at least nought

    Returns
    -------
    bool array; False where radius or rg is NaN
    """
    high = np.fmax(rg + differential, rg)
    between = np.fmax(rg + differential - intermediate_differential, rg)
    return np.asarray(rg * rg + between * between + high * high > 2.0 * radius * radius)


def flare_potential(pin_to_pap: float, radius: float) -> float:
    """Share of the greatest flare that the pin's distance from the PAP allows.

    The torque that moves the spin axis of a body with a symmetry axis is (I_high - I_low) w^2 sin a cos
    a, with a = pin_to_pap / radius.

    Parameters
    ----------
    pin_to_pap, radius : float [in]

    Returns
    -------
    float, 0 to 1: it peaks at 45 degrees and vanishes at 0 and 90

    References
    ----------
    Euler's equations; Landau & Lifshitz, Mechanics, 1976, § 36, from memory.
    """
    return abs(math.sin(2.0 * pin_to_pap / radius))


def rg_class(rg: float) -> str:
    """Class of a radius of gyration.

    Parameters
    ----------
    rg : float, of the low axis [in]

    Returns
    -------
    str: low (reads early), medium or high
    """
    return "low" if rg < RG_LOW_BELOW else "high" if rg >= RG_HIGH_FROM else "medium"


def differential_class(differential: float) -> str:
    """Class of a differential.

    Parameters
    ----------
    differential : float, total [in]

    Returns
    -------
    str: low, medium or high flare
    """
    if differential < DIFFERENTIAL_LOW_BELOW:
        return "low"
    return "high" if differential >= DIFFERENTIAL_HIGH_FROM else "medium"


def symmetry(intermediate_differential: float) -> str:
    """Whether a ball counts as symmetric.

    Parameters
    ----------
    intermediate_differential : float [in]

    Returns
    -------
    str: symmetric or asymmetric
    """
    return "asymmetric" if intermediate_differential >= ASYMMETRIC_FROM else "symmetric"
