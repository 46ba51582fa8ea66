"""Charts of a lot's report.

Every limit is named in words, and what lies outside has another sign as well as another color.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ballgauge_service.core.report.shapes import HEIGHT, LETTER, WIDTH, Box, Dot, Ink, Line, Picture, Word
from ballgauge_service.core.report.style import Style

_LEFT, _RIGHT, _TOP, _BOTTOM = 48.0, 10.0, 22.0, 36.0


@dataclass
class Chart(Picture):
    """Axes and what is drawn in them."""

    style: Style
    x_range: tuple[float, float]
    y_range: tuple[float, float]

    def x(self, value: float) -> float:
        """Where a value lies from the left."""
        low, high = self.x_range
        return _LEFT + (value - low) / (high - low) * (WIDTH - _LEFT - _RIGHT)

    def y(self, value: float) -> float:
        """Where a value lies from the top."""
        low, high = self.y_range
        return HEIGHT - _BOTTOM - (value - low) / (high - low) * (HEIGHT - _BOTTOM - _TOP)

    def axes(self, x_title: str, y_title: str, *, whole: bool = False) -> None:
        """Draw the axes with their ticks and titles; `whole`: only whole numbers stand at x."""
        base, right = HEIGHT - _BOTTOM, WIDTH - _RIGHT
        for value, text in _ticks(self.y_range, 5, self.style):
            self.shapes += [
                Line(((_LEFT, self.y(value)), (right, self.y(value))), "faint", 0.6),
                Word(_LEFT - 4, self.y(value) + 3.5, text, "quiet", "end"),
            ]
        for value, text in _ticks(self.x_range, 6, self.style, whole=whole):
            self.shapes += [
                Line(((self.x(value), base), (self.x(value), base + 3)), "ink", 0.8),
                Word(self.x(value), base + 13, text, "quiet", "middle"),
            ]
        self.shapes += [
            Line(((_LEFT, _TOP), (_LEFT, base), (right, base)), "ink", 0.8),
            Word((_LEFT + right) / 2, HEIGHT - 6, x_title, "quiet", "middle"),
            Word(10, (_TOP + base) / 2, y_title, "quiet", "middle", turned=True),
        ]

    def curve(
        self,
        x: Sequence[float],
        y: Sequence[float],
        ink: Ink,
        width: float = 1.8,
        dash: tuple[float, ...] = (),
    ) -> None:
        """Draw a line through values."""
        points = tuple((self.x(a), self.y(b)) for a, b in zip(x, y, strict=True))
        self.shapes.append(Line(points, ink, width, dash))

    def upright(self, at: float, text: str, ink: Ink, dash: tuple[float, ...]) -> None:
        """A value of x as a line through the chart, with its text above."""
        middle, place = sum(self.x_range) / 2, self.x(at)
        self.shapes.append(Line(((place, _TOP), (place, HEIGHT - _BOTTOM)), ink, 1.3, dash))
        if text:
            anchor = "start" if at <= middle else "end"
            self.shapes.append(Word(place, _TOP - 4, text, ink, anchor))

    def level(self, at: float, text: str, ink: Ink, dash: tuple[float, ...]) -> None:
        """A value of y as a line through the chart, with its text at the right."""
        self.shapes.append(Line(((_LEFT, self.y(at)), (WIDTH - _RIGHT, self.y(at))), ink, 1.3, dash))
        if text:
            below = at > sum(self.y_range) / 2
            self.shapes.append(Word(WIDTH - _RIGHT - 2, self.y(at) + (11 if below else -4), text, ink, "end"))

    def aside(self, text: str, ink: Ink, *, right: bool) -> None:
        """A text at an upper corner."""
        place = (WIDTH - _RIGHT, "end") if right else (_LEFT, "start")
        self.shapes.append(Word(place[0], _TOP - 4, text, ink, place[1]))

    def legend(self, entries: Sequence[tuple[str, Ink, tuple[float, ...]]]) -> None:
        """What the lines mean, above them."""
        place = _LEFT
        for text, ink, dash in entries:
            self.shapes += [
                Line(((place, _TOP - 8), (place + 18, _TOP - 8)), ink, 1.8, dash),
                Word(place + 21, _TOP - 4.5, text, "quiet"),
            ]
            place += 30 + 0.52 * LETTER * len(text)


DASH, DOT = (6.0, 4.0), (1.5, 3.0)


def histogram(each: Mapping[str, Any], style: Style) -> Chart:
    """The histogram of a quantity against its limits."""
    _, bins, unit = style.text, each["histogram"], each["unit"]
    start, width = style.shown(bins["start"], unit), style.shown(bins["width"], unit)
    low, high = (style.shown(each["limits"][side], unit) for side in ("min", "max"))
    counts = bins["counts"]
    name = style.quantity(each["quantity"])
    chart = Chart(
        _("Histogram of {quantity}, {count} balls; limits {limits}").format(
            quantity=name, count=each["count"], limits=style.limits(each["limits"], unit)
        ),
        _("Limits dashed, mean dotted; bars with a cross lie outside."),
        style,
        _reach(start, start + width * len(counts), low, high),
        (0.0, max(counts) * 1.05),
    )
    chart.axes(style.titled(each["quantity"], unit), _("balls"))
    for place, count in enumerate(counts):
        left, middle = start + place * width, start + (place + 0.5) * width
        out = (low is not None and middle < low) or (high is not None and middle > high)
        if count:
            span = chart.x(left + width) - chart.x(left)
            top = chart.y(count)
            chart.shapes.append(
                Box(chart.x(left) + 0.4, top, span - 0.8, chart.y(0) - top, "bad" if out else "main", out)
            )
    _mark_limits(chart, low, high, upright=True)
    chart.upright(style.shown(each["mean"], unit), "", "ink", DOT)
    return chart


def run_chart(each: Mapping[str, Any], style: Style) -> Chart:
    """A quantity ball by ball, or group by group, in order."""
    _, run, unit = style.text, each["run_chart"], each["unit"]
    low, high = (style.shown(each["limits"][side], unit) for side in ("min", "max"))
    points = run["points"]
    values = [style.shown(point["value"], unit) for point in points]
    lowest = [style.shown(point.get("lowest", point["value"]), unit) for point in points]
    highest = [style.shown(point.get("highest", point["value"]), unit) for point in points]
    order = _("in serial order") if run["order"] == "serial" else _("in the order of the file")
    chart = Chart(
        _("{quantity} ball by ball, {order}").format(quantity=style.quantity(each["quantity"]), order=order),
        _("Limits dashed, mean dotted; crosses lie outside."),
        style,
        (0.0, len(points) + 1.0),
        _reach(min(lowest), max(highest), low, high),
    )
    many = run["balls_a_point"]
    chart.axes(
        _("balls {order}").format(order=order)
        if many == 1
        else _("groups of {count} balls {order}").format(count=many, order=order),
        style.titled(each["quantity"], unit),
        whole=True,
    )
    _mark_limits(chart, low, high, upright=False)
    chart.level(style.shown(each["mean"], unit), "", "ink", DOT)
    x = range(1, len(points) + 1)
    if many > 1:
        for place, least, most in zip(x, lowest, highest, strict=True):
            chart.curve((place, place), (least, most), "faint", 1.0)
    chart.curve(x, values, "faint", 0.8)
    _dots(chart, x, values, low, high)
    return chart


def operating_characteristic(curves: Mapping[str, Any], plan: Mapping[str, Any], style: Style) -> Chart:
    """Acceptance probability of a plan over the quality of the lot."""
    _ = style.text
    percent = [100 * value for value in curves["fraction"]]
    kind = _("one lot of this size") if curves["curve_type"] == "A" else _("lots from a steady process")
    chart = Chart(
        _("Operating characteristic: share of lots accepted over the share of nonconforming balls"),
        _("How often lots of each quality are accepted; type {kind}: {what}.").format(
            kind=curves["curve_type"], what=kind
        ),
        style,
        (0.0, percent[-1]),
        (0.0, 104.0),
    )
    chart.axes(_("nonconforming balls in the lot, %"), _("lots accepted, %"))
    chart.curve(percent, [100 * value for value in curves["acceptance"]], "main")
    if plan["aql"] is not None and plan["aql"] < percent[-1]:
        chart.upright(plan["aql"], f"AQL {style.number(plan['aql'], 4)} %", "ink", DASH)
    if plan["limiting_quality"] is not None and plan["limiting_quality"] < percent[-1]:
        text = _("limiting quality {value} %").format(value=style.number(plan["limiting_quality"], 3))
        chart.shapes.append(Word(chart.x(plan["limiting_quality"]) + 4, chart.y(50), text, "bad", "start"))
        chart.upright(plan["limiting_quality"], "", "bad", DASH)
    return chart


def outgoing_quality(curves: Mapping[str, Any], style: Style) -> Chart:
    """What is sent on after screening rejected lots."""
    _ = style.text
    percent = [100 * value for value in curves["fraction"]]
    outgoing = [100 * value for value in curves["average_outgoing_quality"]]
    chart = Chart(
        _("Average outgoing quality over the quality that comes in"),
        _("If rejected lots are screened ball by ball: what is sent on, at most {limit} on average.").format(
            limit=style.percent(curves["average_outgoing_quality_limit"])
        ),
        style,
        (0.0, percent[-1]),
        (0.0, max(*outgoing, 1e-9) * 1.1),
    )
    chart.axes(_("nonconforming balls coming in, %"), _("sent on, %"))
    chart.curve(percent, outgoing, "main")
    return chart


def drift_of_means(entry: Mapping[str, Any], style: Style) -> Chart:
    """Lot means and their moving average with the limits of both, and a cross at every signal."""
    _ = style.text
    chart = _drift_chart(
        entry,
        style,
        [entry["shewhart"]["means"], entry["shewhart"]["mean_lower"], entry["shewhart"]["mean_upper"]],
        _("Lot means of {quantity} with their limits and their moving average"),
    )
    x, shewhart, ewma = _places(entry), entry["shewhart"], entry["ewma"]
    for side in ("lower", "upper"):
        chart.curve(x, _values(entry, shewhart[f"mean_{side}"], style), "ink", 1.0, DASH)
        chart.curve(x, _values(entry, ewma[side], style), "note", 0.8, DOT)
    chart.curve(x, _values(entry, ewma["average"], style), "note", 1.6)
    _signaled(chart, entry, shewhart["means"], ("mean", "ewma"), style)
    chart.legend(
        [
            (_("mean"), "main", ()),
            (_("limits"), "ink", DASH),
            (_("moving average, limits dotted"), "note", ()),
        ]
    )
    return chart


def drift_of_spreads(entry: Mapping[str, Any], style: Style) -> Chart:
    """Standard deviations within the lots with their limits."""
    _ = style.text
    shewhart = entry["shewhart"]
    chart = _drift_chart(
        entry,
        style,
        [shewhart["standard_deviations"], shewhart["spread_lower"], shewhart["spread_upper"]],
        _("Standard deviation of {quantity} within the lots with its limits"),
    )
    x = _places(entry)
    for side in ("lower", "upper"):
        chart.curve(x, _values(entry, shewhart[f"spread_{side}"], style), "ink", 1.0, DASH)
    _signaled(chart, entry, shewhart["standard_deviations"], ("spread",), style)
    chart.legend([(_("standard deviation within the lot"), "main", ()), (_("limits"), "ink", DASH)])
    return chart


def _drift_chart(
    entry: Mapping[str, Any], style: Style, ranges: Sequence[Sequence[float]], label: str
) -> Chart:
    _, places = style.text, _places(entry)
    values = [value for each in ranges for value in _values(entry, each, style)]
    chart = Chart(
        label.format(quantity=style.quantity(entry["quantity"])),
        _("Crosses mark lots beyond a limit."),
        style,
        (places[0] - 0.5, places[-1] + 0.5),
        _reach(min(values), max(values), None, None),
    )
    chart.axes(_("lots in time order"), style.titled(entry["quantity"], entry["unit"]), whole=True)
    return chart


def _places(entry: Mapping[str, Any]) -> list[int]:
    return [place + 1 for place in entry["places"]]


def _values(entry: Mapping[str, Any], values: Sequence[float], style: Style) -> list[float]:
    return [style.shown(value, entry["unit"]) for value in values]


def _signaled(
    chart: Chart, entry: Mapping[str, Any], values: Sequence[float], charts: Sequence[str], style: Style
) -> None:
    found = {signal["lot"] for signal in entry["signals"] if signal["chart"] in charts}
    x, shown = _places(entry), _values(entry, values, style)
    chart.curve(x, shown, "main", 1.2)
    for place, value in zip(x, shown, strict=True):
        out = place - 1 in found
        chart.shapes.append(Dot(chart.x(place), chart.y(value), "bad" if out else "main", out))


def _dots(
    chart: Chart, x: Sequence[float], values: Sequence[float], low: float | None, high: float | None
) -> None:
    for place, value in zip(x, values, strict=True):
        out = (low is not None and value < low) or (high is not None and value > high)
        chart.shapes.append(Dot(chart.x(place), chart.y(value), "bad" if out else "main", out))


def _mark_limits(chart: Chart, low: float | None, high: float | None, *, upright: bool) -> None:
    """The limits within reach as lines, those beyond it as words at a corner."""
    _, reach = chart.style.text, chart.x_range if upright else chart.y_range
    for name, limit, right in ((_("min"), low, False), (_("max"), high, True)):
        if limit is None:
            continue
        text = f"{name} {chart.style.number(limit)}"
        if not reach[0] <= limit <= reach[1]:
            chart.aside(_("{limit}: beyond this scale").format(limit=text), "bad", right=right)
        elif upright:
            chart.upright(limit, text, "bad", DASH)
        else:
            chart.level(limit, text, "bad", DASH)


def _reach(least: float, most: float, low: float | None, high: float | None) -> tuple[float, float]:
    """The range of an axis: the values, and a limit where it is near enough to show without crushing them."""
    span = (most - least) or abs(least) * 0.02 or 1.0
    start, end = least, most
    if low is not None and low > least - 3 * span:
        start = min(start, low)
    if high is not None and high < most + 3 * span:
        end = max(end, high)
    edge = 0.06 * (end - start or span)
    return start - edge, end + edge


def _ticks(
    reach: tuple[float, float], most: int, style: Style, *, whole: bool = False
) -> list[tuple[float, str]]:
    """Round values within a range, at most so many, as they are written."""
    power = 10.0 ** math.floor(math.log10((reach[1] - reach[0]) / most))
    step = next(k * power for k in (1.0, 2.0, 5.0, 10.0) if k * power * most >= reach[1] - reach[0])
    step = max(step, 1.0) if whole else step
    first, last = math.ceil(reach[0] / step - 1e-9), math.floor(reach[1] / step + 1e-9)
    digits = max(-math.floor(math.log10(step) + 1e-9), 0)
    return [(place * step, style.decimal(place * step, digits)) for place in range(first, last + 1)]
