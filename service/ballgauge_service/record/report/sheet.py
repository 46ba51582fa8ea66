"""The sheet that a driller works from: one page, in the order one drills, with what was predicted."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from math import cos, pi, sin
from typing import Any

import numpy as np
from fpdf import FPDF

from ballgauge_schemas.shared.quantity import Quantity
from ballgauge_schemas.shared.words import BALANCE_READINGS, LAYOUT_ANGLES
from ballgauge_service.core.paper import PAGES, prepare, printable
from ballgauge_service.core.report.style import Style

_MARGIN = 12.0
_RADIUS = 33.0
"""Of the ball as it is drawn [mm] (ours)."""
_FINEST = 64
"""Parts of an inch in which the trade drills (common practice, no source)."""
_UNITS = {"weight": "lb", "top_weight": "oz", "drilling_angle": "°", "val_angle": "°"}
"""Of what is given; everything else is a length."""

_MARKS = {"pap": "PAP", "pin": "pin", "psa": "PSA", "cg_mark": "CG"}

Document = Mapping[str, Any]
Facts = list[tuple[str, str]]


def print_sheet(
    check: Document, owner: str, answer: Document, style: Style, word: Callable[[str], str]
) -> bytes:
    """The sheet of a loaded check with a drilling and of its answer, as PDF.

    `word` gives the language's form of a word of the contract.
    """
    return bytes(_Sheet(check, owner, answer, style, word).output())


class _Sheet(FPDF):
    def __init__(
        self, check: Document, owner: str, answer: Document, style: Style, word: Callable[[str], str]
    ) -> None:
        super().__init__(unit="mm", format=PAGES[style.paper])
        self._check, self._answer, self._style, self.word = check, answer, style, word
        day = answer["rules"]["on"]
        title = style.text("Drilling sheet")
        prepare(self, title=title, day=date.fromisoformat(day), margin=_MARGIN, language=style.language)
        self.set_margin(_MARGIN)
        self.add_page()
        self._heading(owner, day)
        self._ball_and_numbers()
        self._holes()
        self._steps()
        self._verdict()

    # What is drawn, from top to bottom

    def _heading(self, owner: str, day: str) -> None:
        _, ball = self._style.text, self._check["ball"]
        self._line(_("Drilling sheet"), 15, bold=True)
        self._facts(
            [
                (_("Owner"), owner or "_" * 24),
                (_("Ball"), ball.get("name") or "_" * 20),
                (_("Serial"), ball.get("serial") or "_" * 14),
                (_("Day"), day),
                (_("Drilled by"), "_" * 16),
            ],
            self.epw,
        )
        self.ln(1)

    def _ball_and_numbers(self) -> None:
        _, drilling, top = self._style.text, self._check["drilling"], self.get_y()
        _Picture(
            self, self._answer["derived"], self.w - self.r_margin - _RADIUS - 6, top + _RADIUS + 4
        ).draw()
        width = self.epw - 2 * _RADIUS - 16
        balance = self._answer["derived"]["balance"]["predicted"] or {}
        drilled, layout = self._answer["derived"]["drilled"], self._answer["derived"]["layout"] or {}
        hand = [(self._style.label("hand"), self.word(drilling["hand"]))]
        for title, facts in (
            (_("Ball"), self._given("ball", ("weight", "diameter", "top_weight", "pin_to_cg"))),
            (
                _("Layout"),
                [
                    *hand,
                    *self._given("drilling.pap", ("over", "up")),
                    *self._given("drilling.layout", LAYOUT_ANGLES),
                    *self._arcs(layout),
                ],
            ),
            (
                _("Grip"),
                self._given("drilling.grip", ("span_middle", "span_ring", "span_kind", "bridge", "thumb")),
            ),
            (
                _("Predicted"),
                [
                    *((self._style.label(way), self._value(balance.get(way), "oz", 2, signed=True))
                      for way in BALANCE_READINGS if way in balance),
                    (self._style.label("weight"), self._value(drilled["weight"], "lb", 2)),
                ],
            ),
        ):  # fmt: skip
            if facts:
                self._title(title, width)
                self._facts(facts, width)
        self.set_y(max(self.get_y(), top + 2 * _RADIUS + 10))

    def _arcs(self, layout: Document) -> Facts:
        _ = self._style.text
        arcs = (("pin_to_grip_centre", _("pin to grip center")), ("pin_to_val", _("pin to VAL")))
        found = ((words, layout.get(name)) for name, words in arcs)
        return [(words, self.length(value, nearest=True)) for words, value in found if value is not None]

    def _holes(self) -> None:
        _ = self._style.text
        found = self._answer["derived"]["holes"]
        if not found:
            return
        self._title(_("Holes"), self.epw)
        self.set_font("print", "", 8.5)
        label = self._style.label
        heads = (
            *(_("hole"), label("diameter"), label("depth"), label("pitch_forward"), label("pitch_lateral")),
            *(_("Place"), label("weight"), _("drilled")),
        )
        widths = (21, 20, 15, 24, 24, 49, 16, 15)
        with self.table(
            col_widths=widths,
            line_height=5,
            padding=0.7,
            borders_layout="HORIZONTAL_LINES",
            text_align="LEFT",
        ) as table:
            table.row([printable(head) for head in heads])
            for asked, drilled in zip(self._check["drilling"]["holes"], found, strict=True):
                table.row([printable(cell) for cell in self._hole(asked, drilled)])
        told = _(
            "Pitches: forward is toward the grip center, lateral to the bowler's right; a minus is reverse, "
            "left."
        )
        self._line(told, 8)

    def _hole(self, asked: Document, drilled: Document) -> Sequence[str]:
        _ = self._style.text
        role = self.word(asked["role"])
        if "slug_density" in asked:
            role += ", " + _("plugged")
        place = drilled["at"]
        return (
            role,
            self.length(asked["diameter"].value),
            self.length(asked["depth"].value),
            self.length(asked["pitch_forward"].value),
            self.length(asked["pitch_lateral"].value),
            _("right {right}, up {up}").format(
                right=self.length(place["right"], nearest=True), up=self.length(place["up"], nearest=True)
            ),
            self._value(drilled["net_weight"], "oz", 2),
            "",
        )

    def _steps(self) -> None:
        """The order in which a ball is drilled: common practice, no source."""
        _ = self._style.text
        self._title(_("In this order"), self.epw)
        for number, text in enumerate(
            (
                _("Weigh the ball, and read top, side and finger weight undrilled."),
                _(
                    "Mark the axis point, the pin's place and the grip center by the layout; check the arcs "
                    "with the tape."
                ),
                _("Mark center line and spans, and each hole's center."),
                _("Set the pitches, drill to the depths, one hole after the other; bevel the edges."),
                _("Read the balance again, and compare it with what was predicted here."),
            ),
            1,
        ):
            top = self.get_y()
            self.rect(self.l_margin + 0.5, top + 0.9, 2.8, 2.8)
            self.set_x(self.l_margin + 5)
            self._line(f"{number}. {text}", 9)
        self.ln(1)
        read = [(self._style.label(way), "_" * 10) for way in ("weight", "top", "side", "finger")]
        self._facts([(_("Read, drilled"), ""), *read], self.epw)

    def _verdict(self) -> None:
        _, answer = self._style.text, self._answer
        rules = answer["rules"]
        where = ", ".join((rules["body"].upper(), self.word(rules["stage"]), rules["on"]))
        self._title(f"{self._outcome(answer)} ({where})", self.epw)
        for each in answer["findings"]:
            if each["outcome"] != "conforming" and not each["advisory"]:
                self._line(f"{self._outcome(each)}: {each['message']}", 8)
        self._title(_("Cautions"), self.epw)
        for text in (
            *(each["message"] for each in answer["cautions"]),
            _("Advice from the numbers above. Only the governing body decides and approves."),
        ):
            self._line(f"– {text}", 8)

    # How it is written

    def _outcome(self, judged: Document) -> str:
        return self._style.text(judged["outcome"].replace("_", " "))

    def _line(self, text: str, size: float, *, bold: bool = False) -> None:
        self.set_font("print", "B" if bold else "", size)
        left = self.get_x()
        self.multi_cell(
            self.w - self.r_margin - left,
            size * 0.45,
            printable(text),
            new_x="LMARGIN",
            new_y="NEXT",
            align="L",
        )

    def _title(self, text: str, width: float) -> None:
        self.ln(1.2)
        self.set_font("print", "B", 10)
        self.cell(width, 5, printable(text), border="B", new_x="LMARGIN", new_y="NEXT")
        self.ln(0.8)

    def _facts(self, facts: Facts, width: float) -> None:
        """Names and values one after another, a new line where one is full."""
        right = self.l_margin + width
        for name, value in facts:
            self.set_font("print", "", 9)
            short = self.get_string_width(printable(f"{name}: "))
            self.set_font("print", "B", 9)
            long = self.get_string_width(printable(value))
            if self.get_x() + short + long > right and self.get_x() > self.l_margin:
                self.ln(4.8)
            self.set_font("print", "", 9)
            self.cell(short, 4.6, printable(f"{name}: "))
            self.set_font("print", "B", 9)
            self.cell(long + 5, 4.6, printable(value))
        self.ln(4.8)

    def _given(self, path: str, names: Sequence[str]) -> Facts:
        """What was given in a part of the check, each as the trade says it."""
        part = self._check
        for step in path.split("."):
            part = part.get(step) or {}
        return [(self._style.label(name), self._said(part[name], name)) for name in names if name in part]

    def _said(self, value: Any, name: str) -> str:
        _ = self._style.text
        if isinstance(value, bool):
            return _("yes") if value else _("no")
        if not isinstance(value, Quantity):
            return self.word(str(value))
        unit = _UNITS.get(name)
        return self._style.value(value.value, unit) if unit else self.length(value.value)

    def _value(self, value: float | None, unit: str, digits: int, *, signed: bool = False) -> str:
        if value is None:
            return "–"
        shown = self._style.shown(value, unit)
        sign = "+" if signed and shown > 0 else ""
        return f"{sign}{self._style.decimal(shown, digits)} {self._style.unit(unit)}"

    def length(self, value: float, *, nearest: bool = False) -> str:
        """A length: in mm; or in inches, as a fraction where it is one, or to the `nearest` one."""
        if self._style.metric:
            return self._value(value, "in", 1)
        parts = round(abs(value) * _FINEST)
        if not nearest and abs(abs(value) * _FINEST - parts) > 1e-6:
            return self._style.value(value, "in")
        whole, rest = divmod(parts, _FINEST)
        below = _FINEST
        while rest and rest % 2 == 0:
            rest, below = rest // 2, below // 2
        pieces = [str(whole)] * bool(whole or not rest) + [f"{rest}/{below}"] * bool(rest)
        return f"{'−' if value < 0 and parts else ''}{' '.join(pieces)} in"


class _Picture:
    """The ball as one looks on the grip center: what is behind is drawn dotted and open."""

    def __init__(self, sheet: _Sheet, derived: Document, left: float, top: float) -> None:
        self._sheet, self._derived, self._middle = sheet, derived, (left, top)
        self._radius = derived["ball"]["radius"]
        self._taken: list[tuple[float, float, float]] = []

    def draw(self) -> None:
        """Draw the ball, its lines, holes, marks and arcs."""
        sheet, (x, y) = self._sheet, self._middle
        sheet.set_draw_color(0)
        sheet.set_line_width(0.4)
        sheet.ellipse(x - _RADIUS, y - _RADIUS, 2 * _RADIUS, 2 * _RADIUS)
        sheet.set_line_width(0.15)
        for line in (self._meridian(0.0), self._midline()):
            self._path(line, dotted=True)
        layout = self._derived["layout"] or {}
        marks = {name: self._point(layout[name]) for name in _MARKS if layout.get(name)}
        if "pap" in marks:
            self._path(self._meridian(layout["pap"]["right"]), dotted=True)
        for first, second, name in (("pin", "pap", "pin_to_pap"), ("pap", "psa", "pap_to_psa")):
            if first in marks and second in marks:
                self._arc(marks[first], marks[second], layout[name])
        sheet.set_line_width(0.3)
        for hole in self._derived["holes"] or ():
            self._hole(hole)
        for name, place in marks.items():
            self._mark(place, sheet.word(_MARKS[name]))

    def _point(self, place: Document) -> np.ndarray[Any, np.dtype[np.float64]]:
        across, rise = place["right"] / self._radius, place["up"] / self._radius
        return np.array((cos(rise) * sin(across), sin(rise), cos(rise) * cos(across)))

    def _meridian(self, right: float) -> list[Any]:
        quarter = self._radius * pi / 2
        return [self._point({"right": right, "up": up}) for up in np.linspace(-quarter, quarter, 49)]

    def _midline(self) -> list[Any]:
        quarter = self._radius * pi / 2
        return [self._point({"right": right, "up": 0.0}) for right in np.linspace(-quarter, quarter, 49)]

    def _on_paper(self, point: Any) -> tuple[float, float]:
        x, y = self._middle
        return x + _RADIUS * float(point[0]), y - _RADIUS * float(point[1])

    def _path(self, points: Sequence[Any], *, dotted: bool = False) -> None:
        if dotted:
            self._sheet.set_dash_pattern(dash=1, gap=1)
        self._sheet.polyline([self._on_paper(point) for point in points])
        self._sheet.set_dash_pattern()

    def _arc(self, first: Any, second: Any, length: float) -> None:
        whole = float(np.arctan2(np.linalg.norm(np.cross(first, second)), first @ second))
        if whole < 1e-6:
            return
        shares = np.linspace(0, 1, 33)
        points = [(sin((1 - t) * whole) * first + sin(t * whole) * second) / sin(whole) for t in shares]
        self._path(points, dotted=bool(points[16][2] < 0))
        x, y = self._on_paper(points[23])
        text = self._sheet.length(length, nearest=True)
        inward = -1 if x > self._middle[0] else 1
        self._text((x + 0.8 * inward, y), text, inward)

    def _hole(self, hole: Document) -> None:
        middle = self._point(hole["at"])
        side = np.array((middle[2], 0.0, -middle[0]))
        side /= np.linalg.norm(side) or 1.0
        other = np.cross(middle, side)
        far = hole["diameter"] / 2 / self._radius
        turns = np.linspace(0, 2 * pi, 33)
        rim = [cos(far) * middle + sin(far) * (cos(t) * side + sin(t) * other) for t in turns]
        self._path(rim, dotted=bool(middle[2] < 0))
        name = self._sheet.word(hole["role"])
        x, y = self._on_paper(middle)
        wide = _RADIUS * far + 0.8
        outward = 1 if middle[0] > 0.02 else -1 if middle[0] < -0.02 else 0
        self._text((x + outward * wide, y + (0.9 if outward else wide + 2)), name, outward)

    def _mark(self, place: Any, text: str) -> None:
        x, y = self._on_paper(place)
        self._sheet.set_fill_color(0)
        self._sheet.ellipse(x - 0.8, y - 0.8, 1.6, 1.6, style="F" if place[2] >= 0 else "D")
        side = 1 if x < self._middle[0] + 0.9 * _RADIUS else -1
        self._text((x + 1.2 * side, y - 1.2), text, side, bold=True)

    def _text(self, at: tuple[float, float], text: str, side: int, *, bold: bool = False) -> None:
        """Write to the right (1) or left (-1) of a point, or about it (0); lower where one stands."""
        self._sheet.set_font("print", "B" if bold else "", 7)
        width = self._sheet.get_string_width(printable(text))
        left, base = at[0] - {1: 0.0, 0: 0.5, -1: 1.0}[side] * width, at[1]
        while any(
            left < end and start < left + width and abs(base - y) < 2.4 for start, end, y in self._taken
        ):
            base += 0.6
        self._taken.append((left, left + width, base))
        self._sheet.text(left, base, printable(text))
