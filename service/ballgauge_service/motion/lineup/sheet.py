"""The sheet of a line-up: rows bowlers, columns lanes, as one SVG, one page of PDF, or one HTML file."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import jinja2
from fpdf import FPDF
from markupsafe import Markup

from ballgauge_service.core.paper import POINT, paragraph, prepare, printable
from ballgauge_service.core.report.page import POLICY, alone, colored, svg
from ballgauge_service.core.report.paper import draw
from ballgauge_service.core.report.shapes import Dot, Ink, Line, Picture, Shape, Word, moved
from ballgauge_service.motion.line_maps import placed
from ballgauge_service.motion.lineup.panels import Panel, Scale, scales
from ballgauge_service.motion.lineup.places import Difference, Row
from ballgauge_service.motion.lineup.request import LineupRequest
from ballgauge_service.motion.lineup.wording import Speaker, Wording

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
MARGIN, SIDE, ROW, LEAST_ROW = 11.0, 45.0, 44.0, 30.0
"""Margin, width of the words beside a row, and greatest and least height of a row's panels [mm] (ours)."""

INKS: dict[str, Ink] = {"new": "new", "first": "main", "other": "ink"}
"""Colors of balls by their kind."""

SAID = 12
"""Most sentences at the foot of the sheet (ours); the HTML page has all."""

DAY = datetime.date(2000, 1, 1)
"""Date of a PDF, which holds no clock: the same request, the same bytes."""


def write_sheet(asked: LineupRequest, rows: Sequence[Row], wording: Wording, kind: str) -> bytes:
    """The sheet as svg, pdf or html."""
    sheet = Sheet(asked, rows, Speaker(asked, wording))
    return {"svg": sheet.svg, "pdf": sheet.pdf, "html": sheet.html}[kind]()


@dataclass(frozen=True, slots=True)
class Key:
    """A ball in the legend: its number, name, numbers in words, and kind: new, first or other."""

    number: int
    name: str
    told: str
    kind: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """What stands on the sheet."""

    asked: LineupRequest
    rows: Sequence[Row]
    speaker: Speaker

    @property
    def title(self) -> str:
        """Its title."""
        _ = self.speaker.wording.text
        return _("Line-up: where each ball reads, and what it covers from there")

    def reading(self) -> str:
        """How it is read."""
        _ = self.speaker.wording.text
        first = self.speaker.ball(self.asked.reference)
        told = _(
            "Across: where the ball reads [ft], early at the left. Up: boards that it covers from there to "
            "the pins. The larger the mark, the sharper the turn. Thin bars: one standard deviation of "
            "single deliveries, by the bowler's scatter and the phase of the grip; thick bars: how well the "
            "mean difference to {first} is known, both thrown alike. Dashed: deliveries were lost. Shaded: "
            "a gap."
        ).format(first=first)
        how = _(
            "All balls are thrown alike, on the line that brings {first} to the pocket where the oil is most."
        )
        return f"{told} {how.format(first=first)}"

    def keys(self) -> list[Key]:
        """The legend."""
        _, number, found = self.speaker.wording.text, self.speaker.wording.number, []
        for k, entry in enumerate(self.asked.entries):
            ball = placed(entry.ball, self.asked.bowlers[0])
            rg, differential, intermediate = ball.numbers
            surface = ball.surface
            grit = f"{surface.roughness:g} µin Ra" if surface.roughness is not None else f"{surface.grit:g}"
            if surface.polished:
                grit += " " + _("polished")
            text = _("RG {rg}, differential {differential}, intermediate {intermediate}; {cover} {grit}")
            told = text.format(
                rg=number(rg, 3), differential=number(differential, 3), intermediate=number(intermediate, 3),
                cover=_(surface.cover), grit=grit,
            )  # fmt: skip
            kind = "new" if entry.new else "first" if k == self.asked.reference else "other"
            found.append(Key(k + 1, entry.name, told, kind))
        return found

    def heading(self, row: Row) -> str:
        """A bowler in words."""
        _ = self.speaker.wording.text
        release, number = row.bowler.release, self.speaker.wording.number
        return _("{speed} mph, {revs} rpm, rotation {rotation}°, tilt {tilt}°").format(
            speed=number(release.speed, 1), revs=number(release.rev_rate, 0),
            rotation=number(release.axis_rotation, 0), tilt=number(release.axis_tilt, 0),
        )  # fmt: skip

    def launch(self, row: Row) -> str:
        """How a bowler lines up."""
        _ = self.speaker.wording.text
        number = self.speaker.wording.number
        told = [
            _("from board {board} at {angle}°").format(
                board=number(each.release.launch_board, 1), angle=number(each.release.launch_angle, 1)
            )
            for each in row.aims
        ]
        missed = _("pocket not reached")
        return " / ".join(told) + ("" if all(each.reached for each in row.aims) else f" ({missed})")

    def beside(self, row: Row) -> list[str]:
        """The words beside a row."""
        return [*self.speaker.row(row), *self._relations(row)]

    def _relations(self, row: Row) -> Iterator[str]:
        _, names = self.speaker.wording.text, self.speaker
        for column, gaps in enumerate(row.gaps):
            if gaps:
                places = ", ".join(names.wording.number(each.room["reads"], 0) for each in gaps)
                yield _("Room on {lane} at {places} ft.").format(lane=names.column(column), places=places)
        counts = [f"{names.column(k)} {len(pairs)}" for k, pairs in enumerate(row.overlaps) if pairs]
        if counts:
            yield _("Pairs that overlap: {counts}.").format(counts=", ".join(counts))

    def foremost(self) -> list[tuple[Row, Difference]]:
        """What is said first: the new balls, or all, against the reference where the oil is most."""
        new = [k for k, entry in enumerate(self.asked.entries) if entry.new and k != self.asked.reference]
        return [
            (row, each)
            for ball in (new or range(len(self.asked.entries)))
            for row in self.rows
            for each in row.differences
            if each.ball == ball and each.column == 0
        ]

    def svg(self) -> bytes:
        """As one picture."""
        width = PAPERS[self.asked.sheet.paper][0]
        shapes, height = self._shapes(width)
        return alone(Picture(self.title, "", shapes=shapes, width=width, height=height)).encode()

    def pdf(self) -> bytes:
        """As one page, made smaller where there is much on it."""
        width, height = PAPERS[self.asked.sheet.paper]
        shapes, used = self._shapes(width)
        scale = min(1.0, height / used)
        paper = FPDF(unit="mm", format=(width, height))
        language = self.speaker.wording.language
        prepare(paper, title=printable(self.title), day=DAY, margin=0.0, language=language)
        paper.set_auto_page_break(auto=False)
        paper.add_page()
        draw(paper, shapes, 0.5 * width * (1.0 - scale), 0.0, scale)
        return bytes(paper.output())

    def html(self) -> bytes:
        """As a page that needs nothing else, neither scripts nor a wide window."""
        pictures = [
            [
                svg(
                    Picture(
                        self._label(panel),
                        "",
                        shapes=[*panel.shapes()],
                        width=panel.width,
                        height=panel.height,
                    )
                )
                for panel in (
                    Panel(self.asked, row, column, scale, 58.0, 40.0, self.speaker.wording)
                    for column in range(len(self.asked.columns))
                )
            ]
            for row, scale in zip(self.rows, scales(self.rows), strict=True)
        ]
        page = _environment().get_template("sheet.html").render(
            sheet=self, pictures=pictures, policy=POLICY, css=colored() + Markup(_asset("sheet.css")),  # nosec B704
            _=self.speaker.wording.text, speaker=self.speaker, language=self.speaker.wording.language,
        )  # fmt: skip
        return page.encode()

    def _label(self, panel: Panel) -> str:
        return f"{panel.row.bowler.name}, {self.speaker.column(panel.column)}"

    def _shapes(self, width: float) -> tuple[list[Shape], float]:
        """All shapes of a page of this width, and the height that they take [mm]."""
        inner = width - 2.0 * MARGIN
        words: Sequence[Shape]
        words, y = paragraph(MARGIN, MARGIN, self.title, inner, 13.0, bold=True)
        shapes: list[Shape] = [*words]
        words, y = paragraph(MARGIN, y + 1.2, self.reading(), inner, 6.6, "quiet")
        shapes += words
        words, y = self._legend(y + 2.0, inner)
        shapes += words
        words, y = self._grid(y + 2.5, inner)
        shapes += words
        words, y = self._said(y + 1.5, inner)
        shapes += words
        return shapes, y + MARGIN

    def _legend(self, y: float, inner: float) -> tuple[list[Shape], float]:
        keys, shapes = self.keys(), list[Shape]()
        each = inner / 3
        bottoms = [y, y, y]
        for at, key in enumerate(keys):
            column = at * 3 // len(keys) if len(keys) > 3 else at
            x, top = MARGIN + each * column, bottoms[column]
            ink = INKS[key.kind]
            fill: Ink = "paper" if ink == "ink" else ink
            shapes.append(Dot(x + 1.6, top + 1.7, fill, radius=1.2, rim=ink, width=0.25))
            name = f"{key.number}  {key.name}{self._kind(key)}"
            words, below = paragraph(x + 4.2, top, name, each - 6.0, 7.2, ink, bold=ink != "ink")
            shapes += words
            words, below = paragraph(x + 4.2, below, key.told, each - 6.0, 5.8, "quiet")
            shapes += words
            bottoms[column] = below + 0.8
        return shapes, max(bottoms)

    def _kind(self, key: Key) -> str:
        _ = self.speaker.wording.text
        kind = {"new": _("new"), "first": _("reference")}.get(key.kind)
        return f" ({kind})" if kind else ""

    def _grid(self, y: float, inner: float) -> tuple[list[Shape], float]:
        _ = self.speaker.wording.text
        columns = len(self.asked.columns)
        each = (inner - SIDE) / columns
        shapes: list[Shape] = []
        for k in range(columns):
            middle = MARGIN + each * (k + 0.5)
            name = self.speaker.column(k)
            shapes.append(Word(middle, y + 2.6, name, "ink", "middle", size=8.0 * POINT, bold=True))
        y += 4.0
        height = ROW if len(self.rows) <= 3 else max(LEAST_ROW, ROW * 3 / len(self.rows))
        for row, scale in zip(self.rows, scales(self.rows), strict=True):
            words, y = self._row(row, scale, y, each, height)
            shapes += words
        axis = _("Across: reads [ft]. Up: covers [boards].")
        shapes.append(Word(MARGIN + 5.5, y + 1.4, axis, "quiet", size=6.0 * POINT))
        return shapes, y + 2.6

    def _row(self, row: Row, scale: Scale, y: float, each: float, height: float) -> tuple[list[Shape], float]:
        columns = len(self.asked.columns)
        full = MARGIN + each * columns
        launched = f"{self.heading(row)}; {self.launch(row)}"
        shapes: list[Shape] = [
            Line(((MARGIN, y), (full + SIDE, y)), "faint", 0.2),
            Word(MARGIN, y + 3.4, row.bowler.name, "ink", size=8.0 * POINT, bold=True),
            Word(full - 1.0, y + 3.4, launched, "quiet", "end", size=6.0 * POINT),
        ]
        for column in range(columns):
            panel = Panel(self.asked, row, column, scale, each, height, self.speaker.wording)
            shapes += moved(panel.shapes(), MARGIN + each * column, y + 4.4)
        below = y + 3.0
        for sentence in self.beside(row):
            words, below = paragraph(full + 2.5, below, sentence, SIDE - 3.0, 6.2)
            shapes += words
            below += 0.8
        return shapes, max(y + 4.6 + height, below) + 1.2

    def _said(self, y: float, inner: float) -> tuple[list[Shape], float]:
        said, shapes = self.foremost(), list[Shape]()
        if not said:
            return shapes, y
        words, y = paragraph(MARGIN, y, self.against(), inner, 8.0, bold=True)
        shapes += words
        for row, each in said[:SAID]:
            text = f"{row.bowler.name}: {self.speaker.difference(each)}"
            words, y = paragraph(MARGIN, y + 0.6, text, inner, 6.8)
            shapes += words
        return shapes, y

    def against(self) -> str:
        """The heading of what is said of differences."""
        _ = self.speaker.wording.text
        return _("Against {first}").format(first=self.speaker.ball(self.asked.reference))


@lru_cache(maxsize=1)
def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        loader=jinja2.FunctionLoader(_asset),
    )


@lru_cache(maxsize=4)
def _asset(name: str) -> str:
    return files(__package__).joinpath("assets", name).read_text(encoding="utf-8")
