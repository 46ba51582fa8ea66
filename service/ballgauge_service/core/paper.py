"""Paper: PDF files that come out the same for the same input, in one font."""

from __future__ import annotations

import datetime
from functools import cache

from font_roboto import Roboto, RobotoBold
from fontTools.ttLib import TTFont
from fpdf import FPDF

from ballgauge_service.core.report.shapes import Ink, Word
from ballgauge_service.core.units import MM_PER_INCH

POINT = MM_PER_INCH / 72
"""Millimeters of a point of print."""

PAGES = {"a4": "A4", "letter": "Letter"}
"""Pages by their words in the contract."""


def prepare(paper: FPDF, *, title: str, day: datetime.date, margin: float, language: str = "en") -> None:
    """Give a paper its title, language, font (`print`) and margin [mm]; dated `day`, not by a clock."""
    paper.set_creation_date(datetime.datetime(day.year, day.month, day.day, tzinfo=datetime.UTC))
    paper.set_title(title)
    paper.set_lang(language)
    paper.add_font("print", "", Roboto)
    paper.add_font("print", "B", RobotoBold)
    paper.set_auto_page_break(auto=True, margin=margin)


@cache
def _letters() -> frozenset[int]:
    with TTFont(Roboto) as font:
        return frozenset(font.getBestCmap())


@cache
def _widths() -> dict[int, float]:
    with TTFont(Roboto) as font:
        size, advances = font["head"].unitsPerEm, font["hmtx"].metrics
        return {code: advances[name][0] / size for code, name in font.getBestCmap().items()}


def text_width(text: str, size: float) -> float:
    """Width [mm] of a text of this size [pt]."""
    known = _widths()
    return sum(known.get(ord(letter), 0.6) for letter in text) * size * POINT


def wrapped(text: str, size: float, width: float) -> list[str]:
    """A text of this size [pt] in lines that are no wider [mm] than asked."""
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
) -> tuple[list[Word], float]:
    """A text of this size [pt] in lines from a place down, and where the next one begins [mm]."""
    step = 1.28 * size * POINT
    lines = wrapped(text, size, width)
    words = [
        Word(x, y + step * (k + 0.78), line, ink, size=size * POINT, bold=bold, length=text_width(line, size))
        for k, line in enumerate(lines)
    ]
    return words, y + step * len(lines)


def printable(text: str) -> str:
    """A text with letters that the font lacks as question marks."""
    return "".join(letter if ord(letter) in _letters() else "?" for letter in text)
