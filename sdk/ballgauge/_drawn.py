"""Pictures of results for a notebook, as SVG, from what the answer or the request holds."""

from __future__ import annotations

import math
from collections.abc import Mapping
from html import escape
from typing import Any

_MARKS = {"pin": "pin", "cg_mark": "CG", "pap": "PAP", "psa": "PSA"}
_LANE_BOARDS, _LANE_FEET = 39, 60


def ball(derived: Mapping[str, Any]) -> str:
    """The drilled ball as one looks at its grip: holes, and the marks on this side."""
    radius, holes = derived["ball"]["radius"], derived.get("holes") or ()
    parts = [f'<circle r="{radius:.3f}" fill="none" stroke="currentColor" stroke-width=".05"/>']
    for hole in holes:
        x, y, front = _seen(hole["at"], radius)
        ring = f'<circle cx="{x:.3f}" cy="{y:.3f}" r="{hole["diameter"] / 2:.3f}" stroke="currentColor"'
        dashes = "" if front else ' stroke-dasharray=".12"'
        parts.append(f'{ring} stroke-width=".04" fill="#888" fill-opacity=".35"{dashes}/>')
    for name, label in _MARKS.items():
        place = (derived.get("layout") or {}).get(name)
        if place and (seen := _seen(place, radius))[2]:
            parts.append(f'<circle cx="{seen[0]:.3f}" cy="{seen[1]:.3f}" r=".09" fill="#0a5f63"/>')
            parts.append(_text(seen[0] + 0.15, seen[1] + 0.12, label, 0.42))
    return _svg("the ball, seen at its grip", -4.6, -4.6, 10.4, 9.2, parts, 294)


def _seen(place: Mapping[str, float], radius: float) -> tuple[float, float, bool]:
    """Where a place on the surface is in the picture [in], and whether it is on this side."""
    right, up = place["right"] / radius, place["up"] / radius
    x, y = math.cos(up) * math.sin(right), math.sin(up)
    return radius * x, -radius * y, math.cos(up) * math.cos(right) >= 0


def lot(quantities: list[Mapping[str, Any]]) -> str:
    """Every quantity's readings, least to greatest with the mean, against its limits."""
    rows = [each for each in quantities if None not in (each.get("minimum"), each.get("mean"))]
    parts = []
    for at, each in enumerate(rows):
        limits = each.get("limits") or {}
        ends = [each["minimum"], each["maximum"], *(limits.get(end) for end in ("min", "max"))]
        known = [end for end in ends if end is not None]
        low, width = min(known), (max(known) - min(known)) or 1.0
        readings = (each["minimum"], each["maximum"], each["mean"])
        least, most, mean = ((value - low) / width * 260 + 190 for value in readings)
        y = 22 * at + 16
        parts += [
            _text(0, y + 4, f"{each['quantity']} [{each['unit']}]".replace("_", " "), 12),
            f'<path d="M{least:.1f} {y}H{most:.1f}" stroke="#0a5f63" stroke-width="5"/>',
            f'<circle cx="{mean:.1f}" cy="{y}" r="4" fill="currentColor"/>',
        ]
        for end in (limits.get(name) for name in ("min", "max")):
            if end is not None:
                x = (end - low) / width * 260 + 190
                parts.append(f'<path d="M{x:.1f} {y - 8}V{y + 8}" stroke="#b3261e" stroke-width="2"/>')
    title = "readings from least to greatest, their mean, and the limits"
    return _svg(title, 0, 0, 470, 22 * len(rows) + 8, parts, 470)


def path(motion: Mapping[str, Any]) -> str:
    """The ball's path from the foul line (left) to the pins; boards count from the bowler's own side."""
    curves = motion.get("curves") or {}
    points = zip(curves.get("distance", ()), curves.get("board", ()), strict=True)
    line = " ".join(f"{10 * feet:.1f},{4 * board:.1f}" for feet, board in points)
    parts = [
        f'<rect width="{10 * _LANE_FEET}" height="{4 * _LANE_BOARDS}" fill="none" stroke="currentColor"/>',
        f'<polyline points="{line}" fill="none" stroke="#0a5f63" stroke-width="3"/>',
    ]
    for feet in range(10, _LANE_FEET, 10):
        parts.append(_text(10 * feet, 4 * _LANE_BOARDS + 14, f"{feet} ft", 12))
    return _svg("the ball's path on the lane", -4, -4, 610, 180, parts, 610)


def section(design: Any) -> str:
    """A design cut through pin (up) and mark (right), what is turned only named; empty for what is none."""
    try:
        outlines = [(solid["name"], _outline(solid, design["diameter"])) for solid in design["solids"]]
    except (KeyError, TypeError, ModuleNotFoundError):
        return ""
    look = 'fill="#0a5f63" fill-opacity=".15" stroke="currentColor" stroke-width=".04"'
    parts = [f"<{outline} {look}/>" for _, outline in outlines if outline]
    left_out = ", ".join(str(name) for name, outline in outlines if not outline)
    if left_out:
        parts.append(_text(-4.5, 4.5, f"not drawn: {left_out}", 0.4))
    return _svg("the design, cut through pin and mark", -4.6, -4.6, 9.2, 9.2, parts, 260)


def _outline(solid: Mapping[str, Any], diameter: Any) -> str:
    """The element of an upright solid's section; empty for a mesh and for what is turned."""
    shape = solid["shape"]
    if "rotation" in solid or shape == "mesh":
        return ""
    x, _, z = map(_inches, solid.get("position", (0, 0, 0)))
    if shape in ("sphere", "ellipsoid", "rounded_box"):
        wide = _inches(solid.get("length_x", solid.get("diameter", diameter)))
        high = _inches(solid.get("length_z", wide))
        if shape == "rounded_box":
            left, top, round_by = x - wide / 2, -z - high / 2, _inches(solid.get("rounding", 0))
            return f'rect x="{left}" y="{top}" width="{wide}" height="{high}" rx="{round_by}"'
        return f'ellipse cx="{x:.3f}" cy="{-z:.3f}" rx="{wide / 2:.3f}" ry="{high / 2:.3f}"'
    if shape == "profile":
        across, along = solid.get("radial_scale", 1), solid.get("axial_scale", 1)
        half = [(_inches(radius) * across, _inches(height) * along) for height, radius in solid["points"]]
    else:
        bottom = _inches(solid.get("bottom_diameter", solid.get("diameter"))) / 2
        top = 0.0 if shape == "cone" else _inches(solid["top_diameter"]) / 2 if shape == "frustum" else bottom
        high = _inches(solid["height"]) / 2
        half = [(bottom, -high), (top, high)]
    corners = [*half, *((-radius, height) for radius, height in reversed(half))]
    return f'polygon points="{" ".join(f"{x + radius:.3f},{-z - height:.3f}" for radius, height in corners)}"'


def _inches(value: Any) -> float:
    """A length of a request in inches, read as the service reads it. Raises TypeError where it is none."""
    if isinstance(value, (int, float)):
        return float(value)
    # Deferred: the client by itself has neither, and draws numbers alone.
    from marshmallow import ValidationError

    from ballgauge_schemas.shared.quantity import QuantityField

    try:
        return QuantityField("length", -1000, 1000, 0, "A length of a design.").read(value).value
    except ValidationError as none:
        raise TypeError(value) from none


def _text(x: float, y: float, text: str, size: float) -> str:
    return f'<text x="{x:.2f}" y="{y:.2f}" font-size="{size}" fill="currentColor">{escape(text)}</text>'


def _svg(title: str, x: float, y: float, width: float, height: float, parts: list[str], pixels: int) -> str:
    frame = f'viewBox="{x} {y} {width} {height}" width="{pixels}" style="font-family:sans-serif"'
    head = f'<svg xmlns="http://www.w3.org/2000/svg" role="img" {frame}><title>{title}</title>'
    return f"{head}{''.join(parts)}</svg>"
