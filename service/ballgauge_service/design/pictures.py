"""What each layout leaves, drawn over pin distances and drilling angles, with lines of equal value."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise

from ballgauge_service.core.report import page
from ballgauge_service.core.report.shapes import Box, Color, Line, Picture, Point, Shape, Word, moved
from ballgauge_service.core.report.style import Style
from ballgauge_service.design.layout_map import MapPoint
from ballgauge_service.physics.drilling import Structs

PANELS = ("drilled_differential", "drilled_intermediate_differential")
"""Numbers that are drawn, one a panel."""

WIDTH, HEIGHT = 640.0, 300.0
LEFT, RIGHT, TOP, FOOT = 52.0, 10.0, 26.0, 40.0
ROOM = (34.0, 12.0)
"""Size of a panel, its margins, and the least cell that holds its number [px] (ours)."""

PALE, DARK = (232, 241, 249), (31, 95, 168)
LINE, INK, LIGHT, OWN = (20, 40, 70), (0, 0, 0), (255, 255, 255), (163, 21, 48)
"""Colors of the least and the greatest value, of lines, of letters on pale and on dark, of the drilling's
own layout (ours)."""

STANDS_OUT = 0.84
"""The share of dark from which on light letters have the better contrast (WCAG 2.2, 1.4.3)."""

LINES = 7
"""Most lines of equal value (ours)."""

Values = dict[tuple[float, float], float | None]


def layout_picture(points: Sequence[MapPoint], layout: Structs) -> str:
    """The map as SVG (SVG 1.1, W3C 2011), in English and trade units.

    Parameters
    ----------
    points : sequence of MapPoint
    layout : row of `physics.drilling.LAYOUT`, of the drilling itself

    Returns
    -------
    str
    """
    panels = layout_panels(points, layout, Style())
    sheet = Picture("What each layout leaves", "", width=WIDTH, height=(HEIGHT + 20.0) * len(panels))
    for at, panel in enumerate(panels):
        sheet.shapes += moved(panel.shapes, 0.0, (HEIGHT + 20.0) * at)
        sheet.shapes.append(Word(8.0, (HEIGHT + 20.0) * (at + 1) - 8.0, panel.caption, "quiet"))
    return page.alone(sheet)


def layout_panels(points: Sequence[MapPoint], layout: Structs, style: Style) -> tuple[Picture, ...]:
    """A picture for differential and one for asymmetry.

    Across arcs from pin to positive axis point, upward drilling angles; darker where more is left.

    Parameters
    ----------
    points : sequence of MapPoint
    layout : row of `physics.drilling.LAYOUT`, of the drilling itself
    style : Style

    Returns
    -------
    tuple of Picture
    """
    found = []
    for name in PANELS:
        values = {(each.pin_to_pap, each.drilling_angle): each.numbers[name] for each in points}
        found.append(_panel(values, name, layout, style))
    return tuple(found)


def _panel(values: Values, name: str, layout: Structs, style: Style) -> Picture:
    _ = style.text
    arcs, angles = (sorted({key[axis] for key in values}) for axis in (0, 1))
    known = [value for value in values.values() if value is not None]
    low, high = min(known, default=0.0), max(known, default=0.0)
    across, upward = _edges(arcs), _edges(angles)

    def at(arc: float, angle: float) -> Point:
        x = (arc - across[0]) / (across[-1] - across[0])
        y = (angle - upward[0]) / (upward[-1] - upward[0])
        return LEFT + x * (WIDTH - LEFT - RIGHT), HEIGHT - FOOT - y * (HEIGHT - TOP - FOOT)

    picture = Picture(style.titled(name, "in"), "", width=WIDTH, height=HEIGHT)
    words, told = [], []
    for column, arc in enumerate(arcs):
        for row, angle in enumerate(angles):
            value = values[arc, angle]
            if value is None:
                continue
            share = (value - low) / (high - low) if high - low > 1e-9 else 0.0
            (x, y), (right, foot) = at(across[column], upward[row + 1]), at(across[column + 1], upward[row])
            picture.shapes.append(Box(x, y, right - x, foot - y, _color(share)))
            if right - x >= ROOM[0] and foot - y >= ROOM[1]:
                text = style.decimal(style.shown(value, "in"), 3 if style.metric else 4)
                ink = LIGHT if share > STANDS_OUT else INK
                words.append(Word((x + right) / 2, (y + foot) / 2 + 3.5, text, ink, "middle"))
    if high - low > 1e-6:
        inch = style.shown(1.0, "in")
        step = _step((high - low) / LINES * inch) / inch
        for time in range(math.ceil(low / step), math.floor(high / step) + 1):
            for ends in _level(values, arcs, angles, time * step):
                picture.shapes.append(Line(tuple(at(*end) for end in ends), LINE, 0.8))
        told.append(
            _("Lines of equal value every {step}, straight between the layouts.").format(
                step=style.value(step, "in", 3)
            )
        )
    picture.shapes += words
    picture.shapes += _axes(arcs, angles, at, style)
    picture.shapes.append(Word(LEFT, 12.0, style.titled(name, "in"), "ink", bold=True))
    arc, angle = float(layout["pin_to_pap"]), float(layout["drilling_angle"])
    if across[0] <= arc <= across[-1] and upward[0] <= angle <= upward[-1]:
        x, y = at(arc, angle)
        turns = [math.tau * side / 36 for side in range(37)]
        ring = tuple((x + 15.0 * math.cos(turn), y + 8.0 * math.sin(turn)) for turn in turns)
        picture.shapes += [Line(ring, LIGHT, 3.2), Line(ring, OWN, 1.6)]
        told.append(_("The ring is the layout of the drilling."))
    picture.caption = " ".join(told)
    return picture


def _axes(
    arcs: list[float], angles: list[float], at: Callable[[float, float], Point], style: Style
) -> Iterator[Shape]:
    """Marks and names of both axes; where the marks would run into each other, every second and so on."""
    _ = style.text
    foot = HEIGHT - FOOT
    for axis, all_, room in ((0, arcs, 30.0), (1, angles, 11.0)):
        last = math.inf
        for value in all_:
            x, y = at(value, angles[0]) if axis == 0 else at(arcs[0], value)
            if abs((x if axis == 0 else y) - last) < room:
                continue
            last = x if axis == 0 else y
            if axis == 0:
                yield Word(x, foot + 14.0, style.number(style.shown(value, "in"), 4), "quiet", "middle")
            else:
                yield Word(LEFT - 6.0, y + 3.5, style.number(value, 4), "quiet", "end")
    middle = (LEFT + WIDTH - RIGHT) / 2
    yield Word(middle, HEIGHT - 8.0, style.titled("pin_to_pap", "in"), "ink", "middle")
    yield Word(14.0, (TOP + foot) / 2, style.titled("drilling_angle", "deg"), "ink", "middle", turned=True)


def _edges(values: Sequence[float]) -> list[float]:
    """Where the cells of values part: half way to the next; the outer ones are as wide as half a cell."""
    if len(values) == 1:
        return [values[0] - 0.5, values[0] + 0.5]
    between = [(one + other) / 2 for one, other in pairwise(values)]
    return [2 * values[0] - between[0], *between, 2 * values[-1] - between[-1]]


def _color(share: float) -> Color:
    red, green, blue = (round(a + (b - a) * share) for a, b in zip(PALE, DARK, strict=True))
    return red, green, blue


def _step(rough: float) -> float:
    """The least of 1, 2 and 5 by a power of ten that is no less."""
    power = 10.0 ** math.floor(math.log10(rough))
    return next(each * power for each in (1.0, 2.0, 5.0, 10.0) if each * power >= rough * (1 - 1e-9))


def _level(
    values: Values, arcs: Sequence[float], angles: Sequence[float], level: float
) -> Iterator[tuple[Point, Point]]:
    """Pieces of a line of equal value: straight through the four triangles about the middle of each four."""
    for west, east in pairwise(arcs):
        for south, north in pairwise(angles):
            corners = ((west, south), (east, south), (east, north), (west, north))
            found = [values[corner] for corner in corners]
            heights = [each - level for each in found if each is not None]
            if len(heights) < len(corners):
                continue
            middle = ((west + east) / 2, (south + north) / 2, sum(heights) / 4)
            around = [(*corner, height) for corner, height in zip(corners, heights, strict=True)]
            for one, other in zip(around, (*around[1:], around[0]), strict=True):
                sides = ((one, other), (other, middle), (middle, one))
                ends = [_crossed(a, b) for a, b in sides if (a[2] >= 0) != (b[2] >= 0)]
                if ends:
                    yield ends[0], ends[1]


def _crossed(a: tuple[float, float, float], b: tuple[float, float, float]) -> Point:
    share = a[2] / (a[2] - b[2])
    return a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1])
