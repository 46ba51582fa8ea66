"""The two sections of a design through the pin, with dimensions: by the mark, and square to it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
import trimesh
from scipy.spatial import ConvexHull

from ballgauge_service.core.report.shapes import Area, Line, Picture, Point, Word
from ballgauge_service.core.report.style import Style
from ballgauge_service.design.drilling import Bore
from ballgauge_service.design.solids.solids import Design
from ballgauge_service.design.solids.tessellation import tessellated

DIMENSIONED = 7
"""Most solids whose dimensions stand beside a section; sizes of all stand in the table of parts (ours)."""

RADIUS, MIDDLE = 120.0, (130.0, 140.0)
"""The ball's radius and middle on a section's sheet (ours)."""

_OFF = 1e-6
"""Inches that a section lies beside the pin, so that it goes through no vertex."""

_STEP, _FIRST, _TICK = 14.0, 16.0, 2.5

_SIDES = 48
"""Sides of a hole (ours)."""


class Cut(NamedTuple):
    """Where a section cuts a solid: its number, role, and rings of points (across, up) [in]."""

    number: int
    role: str
    rings: tuple[np.ndarray, ...]

    def reach(self) -> tuple[float, float, float, float]:
        """Least and greatest place across, and up [in].

        Returns
        -------
        left, right, low, high : float [in]
        """
        points = np.concatenate(self.rings)
        (left, low), (right, high) = points.min(0), points.max(0)
        return float(left), float(right), float(low), float(high)


def cuts(design: Design, plane: int) -> list[Cut]:
    """The solids cut by a plane through the pin: 0 holds the mark, 1 lies square to it.

    Parameters
    ----------
    design : Design
    plane : int, 0 or 1

    Returns
    -------
    list of Cut
    """
    every = ((at, solid, _rings(tessellated(solid), plane)) for at, solid in enumerate(design.solids, 1))
    return [Cut(at, solid.role, rings) for at, solid, rings in every if rings]


def _rings(body: trimesh.Trimesh, plane: int) -> tuple[np.ndarray, ...]:
    """Where a plane cuts a body, (n, 2) [in] each."""
    normal = np.eye(3)[1 - plane]
    section = body.section(plane_normal=normal, plane_origin=_OFF * normal)
    return () if section is None else tuple(np.asarray(ring)[:, [plane, 2]] for ring in section.discrete)


def opened(bore: Bore, radius: float) -> trimesh.Trimesh:
    """What a hole takes of a ball, which is convex.

    Parameters
    ----------
    bore : Bore
    radius : float, of the ball [in]

    Returns
    -------
    trimesh.Trimesh
    """
    foot = np.asarray(bore.bottom)
    along = np.asarray(bore.mouth) - foot
    along /= np.linalg.norm(along)
    side = np.cross(along, np.eye(3)[np.argmin(abs(along))])
    side /= np.linalg.norm(side)
    turn = np.linspace(0.0, 2.0 * math.pi, _SIDES, endpoint=False)[:, None]
    rim = 0.5 * bore.diameter * (np.cos(turn) * side + np.sin(turn) * np.cross(along, side))
    points = [foot + rim]
    for share in (1.0, 0.7, 0.4, 0.0):
        ring = foot + share * rim
        below = ring @ along
        rise = np.sqrt(np.maximum(below**2 - (ring**2).sum(1) + radius**2, 0.0)) - below
        points.append(ring + rise[:, None] * along)
    found: trimesh.Trimesh = trimesh.Trimesh(np.concatenate(points)).convex_hull
    return found


def section(design: Design, plane: int, style: Style, bores: Sequence[Bore] = ()) -> Picture:
    """One section with its dimensions, each with the number of its solid in the table of parts.

    Holes are open where the plane cuts them, and dashed where they lie before and behind it.

    Parameters
    ----------
    design : Design
    plane : int, 0 or 1
    style : Style
    bores : sequence of Bore, the holes that are drilled

    Returns
    -------
    Picture
    """
    _ = style.text
    title = (
        _("Section through pin and mark") if plane == 0 else _("Section through the pin, square to the mark")
    )
    seen = cuts(design, plane)
    scale = 2.0 * RADIUS / design.diameter
    told = [seen[0], *seen[1:][: DIMENSIONED - 1]]
    beyond = RADIUS + _FIRST + _STEP * (len(told) - 1) + 6.0
    picture = Picture(
        f"{title}: {design.name}".rstrip(": "), title, width=MIDDLE[0] + beyond, height=MIDDLE[1] + beyond
    )

    def at(across: float, up: float) -> Point:
        return MIDDLE[0] + scale * across, MIDDLE[1] - scale * up

    for cut in seen:
        rings = tuple(tuple(at(*point) for point in ring) for ring in cut.rings)
        picture.shapes.append(Area(rings, cut.role))
    for number, bore in enumerate(bores, 1):
        picture.shapes += _bored(bore, number, plane, 0.5 * design.diameter, at)
    reach = 0.53 * design.diameter
    for ends in ((at(-reach, 0), at(reach, 0)), (at(0, -reach), at(0, reach))):
        picture.shapes.append(Line(ends, "quiet", 0.5, (7.0, 3.0)))
    picture.shapes += [_numbered(cut, at) for cut in seen]
    wide = sorted(told, key=lambda cut: cut.reach()[1] - cut.reach()[0])
    tall = sorted(told, key=lambda cut: cut.reach()[3] - cut.reach()[2])
    for place, cut in enumerate(wide):
        left, right, low, high = cut.reach()
        base = MIDDLE[1] + RADIUS + _FIRST + _STEP * place
        middle = 0.5 * (low + high)
        text = f"{cut.number}: {style.value(right - left, 'in', 4)}"
        picture.shapes += _dimension(at(left, middle), at(right, middle), base, text, upright=False)
    for place, cut in enumerate(tall):
        left, right, low, high = cut.reach()
        base = MIDDLE[0] + RADIUS + _FIRST + _STEP * place
        middle = 0.5 * (left + right)
        text = f"{cut.number}: {style.value(high - low, 'in', 4)}"
        picture.shapes += _dimension(at(middle, high), at(middle, low), base, text, upright=True)
    if len(seen) > len(told):
        picture.caption += ". " + _("Dimensions of the first {count} parts; the table has all.").format(
            count=len(told)
        )
    picture.shapes.append(Word(MIDDLE[0] + 3, 11, _("pin"), "quiet"))
    if plane == 0:
        picture.shapes.append(Word(MIDDLE[0] + RADIUS - 2, MIDDLE[1] - 4, _("mark"), "quiet", "end"))
    return picture


def _numbered(cut: Cut, at: Callable[[float, float], Point]) -> Word:
    """The number of a part, just within its edge, each in another direction."""
    turn = math.radians(150.0 - 33.0 * cut.number)
    way = np.array([math.cos(turn), math.sin(turn)])
    points = np.concatenate(cut.rings)
    x, y = at(*points[np.argmax(points @ way)])
    x, y = x - 7.0 * way[0], y + 7.0 * way[1] + 3.5
    return Word(x, y, str(cut.number), "ink", "middle")


def _bored(
    bore: Bore, number: int, plane: int, radius: float, at: Callable[[float, float], Point]
) -> list[Area | Line | Word]:
    """A hole in a section: what is cut of it, its outline as projected, and its number at the bottom."""
    body = opened(bore, radius)
    rings = tuple(tuple(at(*point) for point in ring) for ring in _rings(body, plane))
    shapes: list[Area | Line | Word] = [Area(rings, "hole")] if rings else []
    flat = body.vertices[:, [plane, 2]]
    outline = flat[ConvexHull(flat).vertices]
    seen = tuple(at(*point) for point in (*outline, outline[0]))
    x, y = at(bore.bottom[plane], bore.bottom[2])
    return [*shapes, Line(seen, "main", 0.8, (3.0, 2.0)), Word(x, y + 3.5, f"H{number}", "main", "middle")]


def _dimension(start: Point, end: Point, base: float, text: str, *, upright: bool) -> list[Line | Word]:
    """A dimension line at `base` from below (or beside) two points, with ticks at its ends."""
    if upright:
        feet = ((base, start[1]), (base, end[1]))
        word = Word(base - 2.5, 0.5 * (start[1] + end[1]), text, "ink", "middle", turned=True)
    else:
        feet = ((start[0], base), (end[0], base))
        word = Word(0.5 * (start[0] + end[0]), base - 2.5, text, "ink", "middle")
    ticks = [Line(((x - _TICK, y + _TICK), (x + _TICK, y - _TICK)), "ink", 0.9) for x, y in feet]
    leaders = [Line((one, foot), "faint", 0.5) for one, foot in zip((start, end), feet, strict=True)]
    return [*leaders, Line(feet, "ink", 0.6), *ticks, word]
