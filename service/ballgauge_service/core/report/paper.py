"""A report as PDF, with its name and the page's number at the foot of each page."""

from __future__ import annotations

import datetime
from collections.abc import Iterable
from typing import Literal

from fpdf import FPDF
from fpdf.enums import IntersectionRule, TableCellFillMode
from fpdf.fonts import FontFace

from ballgauge_service.core.paper import PAGES, POINT, prepare, printable
from ballgauge_service.core.report.blocks import (
    Block,
    Cell,
    Charts,
    Facts,
    Heading,
    Notes,
    Report,
    Signatures,
    Table,
    Verdict,
)
from ballgauge_service.core.report.shapes import Area, Box, Color, Dot, Ink, Line, Shape, Word

_MARGIN = 13.0
_GAP = 6.0
_COLORS = {
    "ink": (0, 0, 0), "faint": (201, 205, 200), "quiet": (69, 75, 80), "main": (45, 95, 139),
    "bad": (163, 21, 48), "note": (106, 61, 143), "conforming": (13, 95, 54), "nonconforming": (163, 21, 48),
    "inconclusive": (122, 74, 0), "not_assessed": (69, 75, 80), "band": (241, 236, 222),
    "new": (179, 63, 10), "paper": (255, 255, 255),
}  # fmt: skip

_TINTS = {
    "cover": (226, 229, 224), "outer_core": (244, 240, 225), "inner_core": (190, 211, 231),
    "disc": (231, 205, 160), "pin": (226, 178, 187), "other": (214, 203, 230), "hole": (255, 255, 255),
}  # fmt: skip


def print_report(report: Report) -> bytes:
    """The paper of a report, as PDF."""
    paper = _Paper(report)
    for block in report.blocks:
        paper.draw(block)
    return bytes(paper.output())


class _Paper(FPDF):
    """Pages with a foot, and a block drawn on them one after another."""

    def __init__(self, report: Report) -> None:
        super().__init__(unit="mm", format=PAGES[report.style.paper])
        self._name = printable(report.name)
        title = f"{self._name} – {report.title}"
        day = datetime.date.fromisoformat(report.day)
        prepare(self, title=title, day=day, margin=_MARGIN + 4, language=report.style.language)
        self.set_margin(_MARGIN)
        self.set_auto_page_break(auto=True, margin=_MARGIN + 4)
        self.add_page()
        self._text(report.title, 8, color="quiet")
        self._text(report.name, 14, bold=True)

    def footer(self) -> None:
        """The report's name and the page's number."""
        self.set_y(-_MARGIN)
        self.set_font("print", "", 7.5)
        self.set_text_color(*_COLORS["quiet"])
        self.cell(self.epw - 20, 4, self._name)
        self.cell(20, 4, f"{self.page_no()} / {{nb}}", align="R")

    def draw(self, block: Block) -> None:
        """Draw a block; what is folded is left out."""
        if isinstance(block, Heading):
            self._heading(block)
        elif isinstance(block, Verdict):
            self._verdict(block)
        elif isinstance(block, Facts):
            self._facts(block)
        elif isinstance(block, Table):
            self._table(block)
        elif isinstance(block, Charts):
            self._charts(block)
        elif isinstance(block, Notes):
            for line in block.lines:
                self._text(line, 8)
            self.ln(0.8)
        elif isinstance(block, Signatures):
            self._signatures(block)

    def _text(self, text: str, size: float, *, bold: bool = False, color: str = "ink") -> None:
        self.set_font("print", "B" if bold else "", size)
        self.set_text_color(*_COLORS[color])
        self.multi_cell(0, size * 0.44, printable(text), new_x="LMARGIN", new_y="NEXT", align="L")

    def _room(self, height: float) -> None:
        """Begin a page where so much [mm] is not left on this one."""
        if self.get_y() + height > self.page_break_trigger:
            self.add_page()

    def _heading(self, block: Heading) -> None:
        self._room(28 if block.level == 2 else 50)
        if block.level == 2:
            self.ln(2)
            self.set_draw_color(*_COLORS["ink"])
            self.set_line_width(0.4)
            self.line(self.l_margin, self.get_y(), self.w - self.r_margin, self.get_y())
            self.ln(0.8)
        self._text(block.text, 10.5 if block.level == 2 else 9, bold=True)
        self.ln(0.6)

    def _verdict(self, block: Verdict) -> None:
        top = self.get_y() + 1.5
        self.set_y(top)
        self.set_left_margin(_MARGIN + 5)
        self._text(block.word, 15, bold=True, color=block.outcome)
        for line in block.lines:
            self._text(line, 9)
        self.set_left_margin(_MARGIN)
        self.set_fill_color(*_COLORS[block.outcome])
        self.rect(self.l_margin, top, 2.5, self.get_y() - top, style="F")
        self.set_y(self.get_y() + 1.5)

    def _facts(self, block: Facts) -> None:
        columns = 3
        width = (self.epw - (columns - 1) * 4) / columns
        for start in range(0, len(block.pairs), columns):
            row = block.pairs[start : start + columns]
            self.set_font("print", "B", 8.5)
            lines: list[list[str]] = [
                self.multi_cell(width, 3.8, printable(text), dry_run=True, output="LINES", align="L")  # type: ignore[misc]
                for _, text in row
            ]
            height = 3.8 + 3.8 * max(map(len, lines))
            self._room(height)
            top = self.get_y()
            for place, ((name, _), told) in enumerate(zip(row, lines, strict=True)):
                self.set_xy(self.l_margin + place * (width + 4), top)
                self.set_font("print", "", 7.5)
                self.set_text_color(*_COLORS["quiet"])
                self.cell(width, 3.6, printable(name))
                self.set_font("print", "B", 8.5)
                self.set_text_color(*_COLORS["ink"])
                for number, text in enumerate(told):
                    self.set_xy(self.l_margin + place * (width + 4), top + 3.6 + 3.8 * number)
                    self.cell(width, 3.8, text)
            self.set_xy(self.l_margin, top + height + 0.4)
        self.ln(0.6)

    def _table(self, block: Table) -> None:
        if block.caption:
            self._text(block.caption, 7.5, color="quiet")
        self.set_font("print", "", 7.8)
        self.set_text_color(*_COLORS["ink"])
        self.set_draw_color(*_COLORS["faint"])
        self.set_fill_color(255)
        self.set_line_width(0.2)
        heads = FontFace(emphasis="BOLD", color=_COLORS["quiet"], size_pt=7.2)
        with self.table(
            col_widths=block.shares,
            text_align=tuple("RIGHT" if each.number else "LEFT" for each in block.head),
            headings_style=heads,
            borders_layout="HORIZONTAL_LINES",
            cell_fill_mode=TableCellFillMode.NONE,
            line_height=3.7,
            padding=(0.25, 0.8, 0.25, 0),
        ) as table:
            for cells in (block.head, *block.rows):
                row = table.row()
                for each in cells:
                    row.cell(printable(each.text), style=_face(each))
        self.ln(1.2)

    def _charts(self, block: Charts) -> None:
        width = (self.epw - (block.across - 1) * _GAP) / block.across
        for start in range(0, len(block.charts), block.across):
            row = block.charts[start : start + block.across]
            height = max(each.height * width / each.width for each in row)
            self.set_font("print", "", 7)
            lines: list[list[str]] = [
                self.multi_cell(width, 3, printable(each.caption), dry_run=True, output="LINES", align="L")  # type: ignore[misc]
                for each in row
            ]
            captions = 3 * max(map(len, lines))
            self._room(height + captions + 2)
            top = self.get_y()
            for place, picture in enumerate(row):
                left = self.l_margin + place * (width + _GAP)
                draw(self, picture.shapes, left, top, width / picture.width)
                self.set_xy(left, top + height)
                self.set_font("print", "", 7)
                self.set_text_color(*_COLORS["quiet"])
                self.multi_cell(width, 3, printable(picture.caption), align="L")
            self.set_xy(self.l_margin, top + height + captions + 1.5)

    def _signatures(self, block: Signatures) -> None:
        self._room(10 + 9 * len(block.fields))
        self.ln(3)
        width, top = (self.epw - 10) / 2, self.get_y()
        self.set_draw_color(*_COLORS["ink"])
        self.set_line_width(0.2)
        for place, role in enumerate(block.roles):
            left = self.l_margin + place * (width + 10)
            self.set_xy(left, top)
            self.set_font("print", "B", 9)
            self.set_text_color(*_COLORS["ink"])
            self.cell(width, 4.5, printable(role))
            self.set_font("print", "", 7.5)
            self.set_text_color(*_COLORS["quiet"])
            for number, name in enumerate(block.fields):
                base = top + 11 + 8 * number
                self.text(left, base - 0.8, printable(name))
                self.line(left, base, left + width, base)
        self.set_xy(self.l_margin, top + 12 + 8 * len(block.fields))


def _face(each: Cell) -> FontFace | None:
    return None if each.outcome is None else FontFace(emphasis="BOLD", color=_COLORS[each.outcome])


def draw(paper: FPDF, shapes: Iterable[Shape], left: float, top: float, scale: float) -> None:
    """Draw shapes on the present page of a prepared paper, from a place [mm]; scale: mm of their unit."""
    for shape in shapes:
        if isinstance(shape, Area):
            _area(paper, shape, left, top, scale)
            continue
        paper.set_draw_color(*_color(shape.ink))
        paper.set_fill_color(*_color(shape.ink))
        if isinstance(shape, Line):
            paper.set_line_width(shape.width * scale)
            paper.set_dash_pattern(*(each * scale for each in shape.dash))
            paper.polyline([(left + x * scale, top + y * scale) for x, y in shape.points])
            paper.set_dash_pattern()
            continue
        x, y = left + shape.x * scale, top + shape.y * scale
        if isinstance(shape, Box):
            _box(paper, shape, x, y, scale)
        elif isinstance(shape, Dot):
            _dot(paper, shape, x, y, scale)
        else:
            _word(paper, shape, x, y, scale)


def _color(ink: Ink) -> Color:
    return _COLORS[ink] if isinstance(ink, str) else ink


def _edge(paper: FPDF, rim: Ink | None, width: float) -> Literal["F", "DF"]:
    """How a shape with this edge is drawn."""
    if rim is None:
        return "F"
    paper.set_draw_color(*_color(rim))
    paper.set_line_width(width)
    return "DF"


def _box(paper: FPDF, box: Box, x: float, y: float, scale: float) -> None:
    width, height = box.width * scale, box.height * scale
    paper.rect(x, y, width, height, style=_edge(paper, box.rim, 0.15 * scale))
    if box.crossed:
        paper.set_draw_color(255)
        paper.set_line_width(0.2)
        paper.line(x, y, x + width, y + height)
        paper.line(x, y + height, x + width, y)


def _dot(paper: FPDF, dot: Dot, x: float, y: float, scale: float) -> None:
    if dot.crossed:
        paper.set_line_width(0.4)
        paper.line(x - 1, y - 1, x + 1, y + 1)
        paper.line(x - 1, y + 1, x + 1, y - 1)
        return
    paper.set_dash_pattern(*(each * scale for each in dot.dash))
    paper.circle(x, y, dot.radius * scale, style=_edge(paper, dot.rim, dot.width * scale))
    paper.set_dash_pattern()


def _word(paper: FPDF, word: Word, x: float, y: float, scale: float) -> None:
    paper.set_font("print", "B" if word.bold else "", word.size * scale / POINT)
    paper.set_text_color(*_color(word.ink))
    text = printable(word.text)
    back = {"start": 0.0, "middle": 0.5, "end": 1.0}[word.anchor] * paper.get_string_width(text)
    if word.turned:
        with paper.rotation(90, x, y):
            paper.text(x - back, y, text)
    else:
        paper.text(x - back, y, text)


def _area(paper: FPDF, area: Area, left: float, top: float, scale: float) -> None:
    with paper.new_path() as path:
        path.style.fill_color = "#" + bytes(_TINTS[area.tint]).hex()
        path.style.stroke_color = "#000000"
        path.style.stroke_width = 0.15
        path.style.intersection_rule = IntersectionRule.EVENODD
        for ring in area.rings:
            path.move_to(left + ring[0][0] * scale, top + ring[0][1] * scale)
            for x, y in ring[1:]:
                path.line_to(left + x * scale, top + y * scale)
            path.close()
