"""Shapes on a sheet [mm], drawn alike as SVG (SVG 1.1, W3C 2011) and as PDF."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal, NamedTuple
from xml.sax.saxutils import escape, quoteattr

from fpdf import FPDF

from ballgauge_service.core.paper import printable, text_width

Ink = Literal["ink", "quiet", "faint", "band", "new", "first", "paper", "none"]

COLORS: dict[Ink, tuple[int, int, int]] = {
    "ink": (27, 31, 36),
    "quiet": (88, 96, 105),
    "faint": (208, 213, 219),
    "band": (241, 236, 222),
    "new": (179, 63, 10),
    "first": (22, 84, 150),
    "paper": (255, 255, 255),
}
POINT = 25.4 / 72
DASH = (0.7, 0.6)
"""Strokes and gaps of a dashed line [mm] (ours)."""


class Line(NamedTuple):
    """A line through points."""

    points: tuple[tuple[float, float], ...]
    ink: Ink
    width: float = 0.15
    dashed: bool = False


class Disc(NamedTuple):
    """A disc with its rim."""

    x: float
    y: float
    radius: float
    fill: Ink
    rim: Ink
    width: float = 0.25
    dashed: bool = False


class Box(NamedTuple):
    """A box, filled or with a frame."""

    x: float
    y: float
    width: float
    height: float
    fill: Ink
    rim: Ink = "none"


class Word(NamedTuple):
    """A text at a place on its base line; size [pt]; anchor: start, middle or end."""

    x: float
    y: float
    text: str
    size: float = 7.0
    ink: Ink = "ink"
    anchor: str = "start"
    bold: bool = False
    turned: bool = False


Shape = Line | Disc | Box | Word


def moved(shapes: Iterable[Shape], x: float, y: float) -> list[Shape]:
    """Shapes in another place."""
    found: list[Shape] = []
    for shape in shapes:
        if isinstance(shape, Line):
            found.append(shape._replace(points=tuple((a + x, b + y) for a, b in shape.points)))
        else:
            found.append(shape._replace(x=shape.x + x, y=shape.y + y))
    return found


def wrapped(text: str, size: float, width: float) -> list[str]:
    """A text in lines that are no wider [mm] than asked, by the letters of the paper's font."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and text_width(longer, size) > width:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def paragraph(
    x: float, y: float, text: str, width: float, size: float = 7.0, ink: Ink = "ink", *, bold: bool = False
) -> tuple[list[Shape], float]:
    """A text in lines from a place down, and where the next one begins [mm]."""
    step = 1.28 * size * POINT
    lines = wrapped(text, size, width)
    words: list[Shape] = [
        Word(x, y + step * (k + 0.78), line, size, ink, bold=bold) for k, line in enumerate(lines)
    ]
    return words, y + step * len(lines)


def svg(shapes: Sequence[Shape], width: float, height: float, label: str, *, alone: bool) -> str:
    """Shapes as SVG; alone: a file of its own with its colors, else colored by the classes of a page."""
    head = f'viewBox="0 0 {width:.2f} {height:.2f}" role="img" aria-label={quoteattr(label)}'
    style = ""
    if alone:
        head = f'xmlns="http://www.w3.org/2000/svg" width="{width:.2f}mm" height="{height:.2f}mm" {head}'
        colors = {name: f"rgb{color}".replace(" ", "") for name, color in COLORS.items()}
        style = "".join(f".f-{name}{{fill:{c}}}.s-{name}{{stroke:{c}}}" for name, c in colors.items())
        style = f"<style>text{{font-family:Roboto,Helvetica,Arial,sans-serif}}{style}</style>"
        shapes = [Box(0.0, 0.0, width, height, "paper"), *shapes]
    return f"<svg {head}>{style}{''.join(map(_drawn, shapes))}</svg>"


def _drawn(shape: Shape) -> str:
    if isinstance(shape, Word):
        turn = f' transform="rotate(-90 {shape.x:.2f} {shape.y:.2f})"' if shape.turned else ""
        weight = ' font-weight="bold"' if shape.bold else ""
        return (
            f'<text class="f-{shape.ink}" x="{shape.x:.2f}" y="{shape.y:.2f}" '
            f'font-size="{shape.size * POINT:.2f}" text-anchor="{shape.anchor}"{weight}{turn}>'
            f"{escape(shape.text)}</text>"
        )
    if isinstance(shape, Box):
        rim = "" if shape.rim == "none" else f' s-{shape.rim}" stroke-width="0.15'
        return (
            f'<rect class="f-{shape.fill}{rim}" x="{shape.x:.2f}" y="{shape.y:.2f}" '
            f'width="{shape.width:.2f}" height="{shape.height:.2f}"/>'
        )
    dash = f' stroke-dasharray="{DASH[0]} {DASH[1]}"' if shape.dashed else ""
    if isinstance(shape, Disc):
        return (
            f'<circle class="f-{shape.fill} s-{shape.rim}" cx="{shape.x:.2f}" cy="{shape.y:.2f}" '
            f'r="{shape.radius:.2f}" stroke-width="{shape.width:g}"{dash}/>'
        )
    points = " ".join(f"{x:.2f},{y:.2f}" for x, y in shape.points)
    ink = f'class="s-{shape.ink}" fill="none" stroke-width="{shape.width:g}"{dash}'
    return f'<polyline {ink} points="{points}"/>'


def draw(paper: FPDF, shapes: Iterable[Shape], left: float, top: float, scale: float) -> None:
    """Draw shapes on the present page, moved [mm] and scaled."""
    for shape in shapes:
        if isinstance(shape, Word):
            _write(paper, shape, left, top, scale)
        elif isinstance(shape, Box):
            _fill(paper, shape.fill)
            where = left + shape.x * scale, top + shape.y * scale, shape.width * scale, shape.height * scale
            paper.set_line_width(0.15 * scale)
            if shape.rim != "none":
                paper.set_draw_color(*COLORS[shape.rim])
            paper.rect(*where, style="DF" if shape.rim != "none" else "F")
        else:
            paper.set_line_width(shape.width * scale)
            if shape.dashed:
                paper.set_dash_pattern(DASH[0] * scale, DASH[1] * scale)
            if isinstance(shape, Disc):
                _fill(paper, shape.fill)
                paper.set_draw_color(*COLORS[shape.rim])
                paper.circle(left + shape.x * scale, top + shape.y * scale, shape.radius * scale, style="DF")
            else:
                paper.set_draw_color(*COLORS[shape.ink])
                paper.polyline([(left + x * scale, top + y * scale) for x, y in shape.points])
            paper.set_dash_pattern()


def _fill(paper: FPDF, ink: Ink) -> None:
    paper.set_fill_color(*COLORS[ink])


def _write(paper: FPDF, word: Word, left: float, top: float, scale: float) -> None:
    paper.set_font("print", "B" if word.bold else "", word.size * scale)
    paper.set_text_color(*COLORS[word.ink])
    text = printable(word.text)
    back = {"start": 0.0, "middle": 0.5, "end": 1.0}[word.anchor] * paper.get_string_width(text)
    x, y = left + word.x * scale, top + word.y * scale
    if word.turned:
        with paper.rotation(90, x, y):
            paper.text(x - back, y, text)
    else:
        paper.text(x - back, y, text)
