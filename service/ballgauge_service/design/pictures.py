"""What each layout leaves, drawn: pin distances by drilling angles, as one SVG (SVG 1.1, W3C 2011)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from ballgauge_service.design.layout_map import MapPoint

PANELS = (
    ("drilled_differential", "Differential, drilled [in]"),
    ("drilled_intermediate_differential", "Intermediate differential, drilled [in]"),
)
CELL, LEFT, TOP, GAP = (46, 24), 70, 56, 56
PALE, DARK = (238, 244, 250), (31, 95, 168)
"""Panels of the map; width and height of a cell, margins [px]; colors of the least and the greatest value
(ours)."""


def layout_picture(points: Sequence[MapPoint]) -> str:
    """The map as SVG: a panel each for differential and asymmetry, every cell with its number.

    Columns are arcs from pin to positive axis point, rows drilling angles; darker is more.

    Parameters
    ----------
    points : sequence of MapPoint

    Returns
    -------
    str
    """
    arcs = list(dict.fromkeys(point.pin_to_pap for point in points))
    angles = list(dict.fromkeys(point.drilling_angle for point in points))
    width, height = LEFT + CELL[0] * len(arcs) + 20, TOP + CELL[1] * len(angles) + GAP
    panels = [
        "".join(_panel(points, name, title, arcs, angles, height * at))
        for at, (name, title) in enumerate(PANELS)
    ]
    size = f'width="{width}" height="{height * len(PANELS)}"'
    head = f'<svg xmlns="http://www.w3.org/2000/svg" {size} font-family="sans-serif" font-size="11">'
    return "".join([head, '<rect width="100%" height="100%" fill="white"/>', *panels, "</svg>"])


def _panel(
    points: Sequence[MapPoint], name: str, title: str, arcs: list[float], angles: list[float], down: int
) -> Iterator[str]:
    values = {(each.pin_to_pap, each.drilling_angle): each.numbers[name] for each in points}
    known = [value for value in values.values() if value is not None]
    low, high = min(known, default=0.0), max(known, default=0.0)
    yield _text(10, down + 20, title, size=13)
    yield _text(10, down + 40, "drilling angle [deg], down; pin to positive axis point [in], across")
    for row, angle in enumerate(angles):
        y = down + TOP + CELL[1] * row
        yield _text(LEFT - 8, y + 16, f"{angle:g}", anchor="end")
        for column, arc in enumerate(arcs):
            value = values[arc, angle]
            share = 0.0 if value is None or high - low < 1e-9 else (value - low) / (high - low)
            x = LEFT + CELL[0] * column
            color = ",".join(str(round(a + (b - a) * share)) for a, b in zip(PALE, DARK, strict=True))
            yield f'<rect x="{x}" y="{y}" width="{CELL[0]}" height="{CELL[1]}" fill="rgb({color})"/>'
            words = "" if value is None else f"{value:.4f}"
            ink = "white" if share > 0.6 else "black"
            yield _text(x + CELL[0] / 2, y + 16, words, anchor="middle", ink=ink)
    for column, arc in enumerate(arcs):
        middle, foot = LEFT + CELL[0] * (column + 0.5), down + TOP + CELL[1] * len(angles) + 16
        yield _text(middle, foot, f"{arc:g}", anchor="middle")


def _text(
    x: float, y: float, words: str, *, anchor: str = "start", ink: str = "black", size: int = 11
) -> str:
    return f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}" fill="{ink}" font-size="{size}">{words}</text>'
