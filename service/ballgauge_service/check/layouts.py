"""Layouts in the trade's ways, as the two angles and the distance that the physics takes.

With R the radius, p the arc from pin to positive axis point (PAP), the laws of spherical trigonometry give,
for a pin d from the vertical axis line (VAL) and a mark m from the PAP, a quarter turn from the pin:
sin(val_angle) = sin(d/R) / sin(p/R) and cos(drilling_angle) = cos(m/R) / sin(p/R). Places of pin and mark
give all three at once. Todhunter, Spherical Trigonometry, 1886, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

from ballgauge_service.check.request import Ball, Drilling, Layout, Place
from ballgauge_service.core.refusal import Fault
from ballgauge_service.physics.sphere import (
    Vector,
    angle_between,
    layout_from_marks,
    place,
    toward,
)

MARK_OFF = 0.5
"""How far from a quarter turn pin and mark may be measured [in] (ours)."""

_NAN = math.nan
_NOWHERE = (_NAN, _NAN, _NAN)
_ROUNDING = 1e-9
"""How far rounding may carry a sine or cosine past 1."""


def angles_of(drilling: Drilling, radius: float) -> tuple[float, float, float]:
    """drilling_angle [deg], pin_to_pap [in] and val_angle [deg] of a drilling; NaN where impossible."""
    layout = drilling.layout
    if layout is None:
        return _NOWHERE
    if layout.pin is not None:
        return _of_places(drilling, layout, layout.pin, radius)
    assert layout.pin_to_pap is not None
    arc = layout.pin_to_pap.value
    sine = math.sin(arc / radius)
    if layout.val_angle is not None:
        val = layout.val_angle.value
    else:
        assert layout.pin_to_val is not None
        val = _degrees(math.asin, math.sin(layout.pin_to_val.value / radius), sine)
        val = 180.0 - val if layout.pin_below else val
    if layout.drilling_angle is not None:
        drilled = layout.drilling_angle.value
    else:
        assert layout.pap_to_psa is not None
        drilled = _degrees(math.acos, math.cos(layout.pap_to_psa.value / radius), sine)
    return drilled, arc, val


def _degrees(inverse: Callable[[float], float], part: float, whole: float) -> float:
    """The angle whose sine or cosine is part / whole; NaN where there is none."""
    if not (whole > 0.0 and abs(part) <= whole * (1.0 + _ROUNDING)):
        return _NAN
    return math.degrees(inverse(min(1.0, max(-1.0, part / whole))))


def _of_places(drilling: Drilling, layout: Layout, pin: Place, radius: float) -> tuple[float, float, float]:
    assert drilling.pap is not None
    at, mark = _point(pin, radius), _mark(layout, radius)
    over, up = drilling.pap.over.value, drilling.pap.up.value
    drilled, arc, val = layout_from_marks(drilling.side, over, up, at, toward(at, mark), radius)
    return math.degrees(drilled), arc, math.degrees(val)


def _point(at: Place, radius: float) -> Vector:
    return place(at.right.value, at.up.value, radius)


def _mark(layout: Layout, radius: float) -> Vector:
    """The mark that tells which way the spin axis lies: its own, or that of a ball without one, the CG's."""
    at = layout.cg if layout.psa is None else layout.psa
    return _NOWHERE if at is None else _point(at, radius)


def layout_faults(ball: Ball, drilling: Drilling, index: int = 0) -> Iterator[Fault]:
    """What no ball of this size can have of a drilling's layout."""
    layout, radius = drilling.layout, ball.radius
    if layout is None or math.isnan(radius):
        return
    here = "/drilling/layout"
    if layout.pin is not None:
        pin, mark = _point(layout.pin, radius), _mark(layout, radius)
        off = radius * angle_between(pin, mark)
        quarter = 0.5 * math.pi * radius
        if layout.psa is not None and abs(off - quarter) > MARK_OFF:
            words = (
                f"impossible: it lies {off:.3f} in from the pin; a mark lies a quarter turn from it, "
                f"{quarter:.3f} in"
            )
            yield Fault(f"{here}/psa", words, index)
        elif math.isnan(toward(pin, mark)[0]):
            yield Fault(f"{here}/cg", "impossible: it lies on the pin, and tells no way to the mark", index)
        elif math.isnan(sum(angles_of(drilling, radius))):
            yield Fault(f"{here}/pin", "impossible: it lies on the axis point; give the angles", index)
        return
    drilled, arc, val = angles_of(drilling, radius)
    if math.isnan(val):
        words = f"impossible: a pin {arc:.3f} in from the axis point lies nearer to the vertical axis line"
        yield Fault(f"{here}/pin_to_val", words, index)
    if math.isnan(drilled):
        low, high = sorted(abs(0.5 * math.pi * radius + sign * _folded(arc, radius)) for sign in (-1.0, 1.0))
        words = (
            f"impossible: with the pin {arc:.3f} in from the axis point a mark lies {low:.3f} to "
            f"{high:.3f} in from it"
        )
        yield Fault(f"{here}/pap_to_psa", words, index)


def _folded(arc: float, radius: float) -> float:
    """An arc from a point as the lesser one from it or from its opposite [in]."""
    return min(arc, math.pi * radius - arc)
