"""Shapes on a sheet, which the page draws as SVG and the paper as PDF."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

Role = Literal["ink", "faint", "main", "bad", "note", "quiet", "band", "new", "paper"]
Color = tuple[int, int, int]
Ink = Role | Color
"""A role, colored by the sheet's style, or a color of its own where there are many."""

Point = tuple[float, float]

WIDTH, HEIGHT = 360.0, 200.0
LETTER = 10.5
"""Usual size of a picture, and of its letters, in the same units (ours)."""


class Line(NamedTuple):
    """A line through points; `dash` lengths of strokes and gaps, none where solid."""

    points: tuple[Point, ...]
    ink: Ink
    width: float = 1.0
    dash: tuple[float, ...] = ()


class Box(NamedTuple):
    """A filled box; `crossed`: with a cross in it; `rim`: its edge, none where empty."""

    x: float
    y: float
    width: float
    height: float
    ink: Ink
    crossed: bool = False
    rim: Ink | None = None


class Dot(NamedTuple):
    """A value: a filled disc, or a cross where it lies outside; `rim`, `width`, `dash`: its edge."""

    x: float
    y: float
    ink: Ink
    crossed: bool = False
    radius: float = 2.2
    rim: Ink | None = None
    width: float = 1.0
    dash: tuple[float, ...] = ()


class Word(NamedTuple):
    """A text at a place on its base line; `anchor` start, middle or end; `turned` to read upwards.

    `length`: the width that it was given, kept where a reader has other letters.
    """

    x: float
    y: float
    text: str
    ink: Ink
    anchor: str = "start"
    turned: bool = False
    size: float = LETTER
    bold: bool = False
    length: float | None = None


class Area(NamedTuple):
    """A filled region within lines of points, with an edge; `tint`: of a part, by its role."""

    rings: tuple[tuple[Point, ...], ...]
    tint: str


Shape = Line | Box | Dot | Word | Area


@dataclass
class Picture:
    """Shapes on a sheet of a size. `label` says in words what the picture shows."""

    label: str
    caption: str
    shapes: list[Shape] = field(default_factory=list, kw_only=True)
    width: float = field(default=WIDTH, kw_only=True)
    height: float = field(default=HEIGHT, kw_only=True)


def moved(shapes: Iterable[Shape], x: float, y: float) -> list[Shape]:
    """Shapes in another place."""
    return [_moved(shape, x, y) for shape in shapes]


def _moved(shape: Shape, x: float, y: float) -> Shape:
    if isinstance(shape, Line):
        return shape._replace(points=tuple((a + x, b + y) for a, b in shape.points))
    if isinstance(shape, Area):
        return shape._replace(rings=tuple(tuple((a + x, b + y) for a, b in ring) for ring in shape.rings))
    return shape._replace(x=shape.x + x, y=shape.y + y)
