"""The panels of a line-up's sheet: one bowler in one column, each ball a mark with its error bars."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ballgauge_schemas.shared.words import PLACED
from ballgauge_service.core.paper import POINT
from ballgauge_service.core.report.shapes import Box, Dot, Ink, Line, Word
from ballgauge_service.motion.lineup.places import Place, Row, Value, value
from ballgauge_service.motion.lineup.request import LineupRequest
from ballgauge_service.motion.lineup.wording import Wording

LEAST, GREATEST = 0.75, 1.75
"""Radii of the marks of the least and the greatest sharpness [mm] (ours)."""

SMALL, NUMBER, DASH = 5.8 * POINT, 6.2 * POINT, (0.7, 0.6)
"""Sizes of an axis' and a mark's number, strokes and gaps of a dashed rim [mm] (ours)."""

Drawn = Box | Dot | Line | Word


@dataclass(frozen=True, slots=True)
class Scale:
    """Ranges of a row: reads [ft] across, covers [boards] up; of the whole sheet: sharpness [deg/ft]."""

    reads: tuple[float, float]
    covers: tuple[float, float]
    sharpness: tuple[float, float]

    def radius(self, sharpness: float) -> float:
        """Radius of a mark [mm]."""
        low, high = self.sharpness
        share = (sharpness - low) / (high - low) if high > low else 0.5
        return LEAST + (GREATEST - LEAST) * min(max(share, 0.0), 1.0)


def scales(rows: Sequence[Row]) -> list[Scale]:
    """The scale of every row."""
    sharp = _range([each for row in rows for each in _barred(row, "sharpness")], 0.0)
    return [
        Scale(_range(list(_barred(row, "reads")), 0.06), _range(list(_barred(row, "covers")), 0.10), sharp)
        for row in rows
    ]


def _barred(row: Row, measure: str) -> Iterator[Value]:
    """Every mark of a row with each of its two bars."""
    for places in row.places:
        yield from (value(getattr(place, measure)) for place in places)
    for each in row.differences:
        mark = value(getattr(row.places[each.column][each.ball], measure)).mean
        yield Value(mark, each.values[measure].uncertainty)


def _range(marks: Sequence[Value], margin: float) -> tuple[float, float]:
    """Least and greatest end of all error bars, with a margin; of means where there is no margin."""
    known = [each for each in marks if not math.isnan(each.mean)]
    if not known:
        return 0.0, 1.0
    bars = [each.uncertainty if margin else 0.0 for each in known]
    low = min(each.mean - bar for each, bar in zip(known, bars, strict=True))
    high = max(each.mean + bar for each, bar in zip(known, bars, strict=True))
    spare = margin * (high - low) or (0.5 if margin else 0.0)
    return low - spare, high + spare


def ticks(low: float, high: float, most: int) -> list[float]:
    """Round numbers within a range, at most so many."""
    rough = max((high - low) / most, 1e-6)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * each for each in (1.0, 2.0, 5.0, 10.0) if power * each >= rough)
    first = math.ceil(low / step)
    return [step * k for k in range(first, math.floor(high / step) + 1)]


@dataclass(frozen=True, slots=True)
class Panel:
    """One panel: its row and column, size [mm] and scale; y_axis, whether it has numbers at its left."""

    asked: LineupRequest
    row: Row
    column: int
    scale: Scale
    width: float
    height: float
    wording: Wording
    y_axis: bool = True

    @property
    def left(self) -> float:
        """Where the frame begins [mm]."""
        return 5.5 if self.y_axis else 1.2

    @property
    def base(self) -> float:
        """Where the frame ends [mm]."""
        return self.height - 3.6

    def x(self, reads: float) -> float:
        """Where a distance lies across."""
        low, high = self.scale.reads
        return self.left + (reads - low) / (high - low) * (self.width - 1.0 - self.left)

    def y(self, covers: float) -> float:
        """Where boards lie from the top."""
        low, high = self.scale.covers
        return self.base - (covers - low) / (high - low) * (self.base - 0.6)

    def shapes(self) -> list[Drawn]:
        """All that is drawn."""
        return [*self._frame(), *self._bars(), *self._marks()]

    def _frame(self) -> Iterator[Drawn]:
        right = self.width - 1.0
        yield Box(self.left, 0.6, right - self.left, self.base - 0.6, "paper", rim="faint")
        for gap in self.row.gaps[self.column]:
            start, end = self.x(gap.start), self.x(gap.end)
            yield Box(start, 0.7, end - start, self.base - 0.8, "band")
        for number in ticks(*self.scale.reads, most=max(int((right - self.left) / 9.0), 2)):
            at = self.x(number)
            yield Line(((at, 0.6), (at, self.base)), "faint", 0.1)
            text = self.wording.number(number, _places(number))
            yield Word(at, self.base + 2.6, text, "quiet", "middle", size=SMALL)
        for number in ticks(*self.scale.covers, most=max(int(self.base / 6.5), 2)):
            at = self.y(number)
            yield Line(((self.left, at), (right, at)), "faint", 0.1)
            if self.y_axis:
                text = self.wording.number(number, _places(number))
                yield Word(self.left - 0.8, at + 0.8, text, "quiet", "end", size=SMALL)

    def _known(self) -> list[tuple[int, Place, float, float]]:
        """Balls that came to the pins, with the places of their marks; new ones lie on top."""
        found = []
        for ball, place in enumerate(self.row.places[self.column]):
            reads, covers = value(place.reads).mean, value(place.covers).mean
            if not math.isnan(reads + covers):
                found.append((ball, place, self.x(reads), self.y(covers)))
        return sorted(
            found, key=lambda each: (self.asked.entries[each[0]].new, each[0] == self.asked.reference)
        )

    def _ink(self, ball: int) -> Ink:
        if self.asked.entries[ball].new:
            return "new"
        return "main" if ball == self.asked.reference else "ink"

    def _bars(self) -> Iterator[Drawn]:
        """Thin: single deliveries of the ball; thick: its mean difference to the reference."""
        paired = {each.ball: each.values for each in self.row.differences if each.column == self.column}
        for ball, place, x, y in self._known():
            ink: Ink = "quiet" if self._ink(ball) == "ink" else self._ink(ball)
            whole = [value(numbers).uncertainty for numbers in (place.reads, place.covers)]
            yield from self._cross(x, y, whole, "faint" if ink == "quiet" else ink, 0.12)
            if ball in paired:
                own = [paired[ball][name].uncertainty for name in PLACED]
                yield from self._cross(x, y, own, ink, 0.45)

    def _cross(self, x: float, y: float, bars: Sequence[float], ink: Ink, width: float) -> Iterator[Drawn]:
        across = self.x(bars[0]) - self.x(0.0)
        up = self.y(0.0) - self.y(bars[1])
        yield Line(((x - across, y), (x + across, y)), ink, width)
        yield Line(((x, y - up), (x, y + up)), ink, width)

    def _marks(self) -> Iterator[Drawn]:
        known = self._known()
        taken = [(x, y, self.scale.radius(value(place.sharpness).mean)) for _, place, x, y in known]
        labels: list[tuple[float, float]] = []
        for (ball, place, x, y), (_, _, radius) in zip(known, taken, strict=True):
            ink = self._ink(ball)
            fill: Ink = "paper" if ink == "ink" or not place.sound else ink
            dash = () if place.sound else DASH
            yield Dot(x, y, fill, radius=radius, rim=ink, width=0.25, dash=dash)
        for (ball, _, x, y), (_, _, radius) in reversed(list(zip(known, taken, strict=True))):
            at = self._label(x, y, radius, taken, labels)
            labels.append(at)
            if math.hypot(at[0] - x, at[1] - y) > radius + 2.2:
                yield Line(((x, y), at), "quiet", 0.1)
            ink = self._ink(ball)
            yield Word(at[0], at[1] + 0.8, str(ball + 1), ink, "middle", size=NUMBER, bold=ink != "ink")
        missing = [
            str(ball + 1)
            for ball, place in enumerate(self.row.places[self.column])
            if math.isnan(value(place.reads).mean)
        ]
        if missing:
            _ = self.wording.text
            text = _("not at the pins: {balls}").format(balls=", ".join(missing))
            yield Word(self.width - 1.8, 3.0, text, "quiet", "end", size=SMALL)

    def _label(
        self,
        x: float,
        y: float,
        radius: float,
        marks: Sequence[tuple[float, float, float]],
        labels: Sequence[tuple[float, float]],
    ) -> tuple[float, float]:
        """The place beside a mark that covers least of the other marks and numbers."""
        best, least = (x, y), math.inf
        for away in (1.5, 3.0, 4.6):
            for turn in range(12):
                angle = math.pi / 6.0 * (turn + 1)
                at = x + (radius + away) * math.cos(angle), y - (radius + away) * math.sin(angle)
                inside = self.left + 1 < at[0] < self.width - 2 and 1.8 < at[1] < self.base - 1
                cost = 0.35 * away + (0.0 if inside else 20.0)
                for other_x, other_y, other in marks:
                    cost += 4.0 * max(0.0, other + 1.1 - math.hypot(at[0] - other_x, at[1] - other_y))
                for other_x, other_y in labels:
                    cost += 5.0 * max(0.0, 2.3 - math.hypot(at[0] - other_x, at[1] - other_y))
                if cost < least - 1e-9:
                    best, least = at, cost
        return best


def _places(number: float) -> int:
    return 0 if abs(number - round(number)) < 1e-6 else 1
