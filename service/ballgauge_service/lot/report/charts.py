"""Charts of a lot's report, as the drawing library's plain data: traces and layout.

Colours are names of the page's own (`$ink`), put in by the page so that light and dark both keep their
contrast. Every limit is named in words, and balls outside have another sign as well as another colour.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

Chart = dict[str, Any]

_INK, _FAINT, _MAIN, _BAD, _NOTE = "$ink", "$faint", "$main", "$bad", "$note"


def histogram(statement: Mapping[str, Any]) -> Chart:
    """The histogram of a quantity against its limits."""
    bins = statement["histogram"]
    width, counts = bins["width"], bins["counts"]
    centres = [bins["start"] + (place + 0.5) * width for place in range(len(counts))]
    low, high = statement["limits"]["min"], statement["limits"]["max"]
    outside = [(low is not None and x < low) or (high is not None and x > high) for x in centres]
    bars = {
        "type": "bar",
        "x": centres,
        "y": counts,
        "width": width,
        "marker": {
            "color": [_BAD if out else _MAIN for out in outside],
            "line": {"color": _INK, "width": 1},
            "pattern": {"shape": ["x" if out else "" for out in outside], "fgcolor": _INK},
        },
        "hovertemplate": "%{y} balls near %{x}<extra></extra>",
    }
    layout = _layout(_axis_title(statement), "balls")
    reach = _reach(bins["start"], bins["start"] + width * len(counts), low, high)
    layout["xaxis"]["range"] = reach
    marks = _limit_marks(low, high, statement["unit"], reach, vertical=True)
    marks = [*marks, _mark(statement["mean"], "", _INK, "dot", vertical=True, place=1.0)]
    return _with_marks([bars], layout, marks)


def run_chart(statement: Mapping[str, Any]) -> Chart:
    """A quantity ball by ball, or group by group, in order."""
    chart = statement["run_chart"]
    points = chart["points"]
    low, high = statement["limits"]["min"], statement["limits"]["max"]
    values = [point["value"] for point in points]
    x = list(range(1, len(points) + 1))
    outside = [(low is not None and v < low) or (high is not None and v > high) for v in values]
    grouped = chart["balls_a_point"] > 1
    trace: Chart = {
        "type": "scatter",
        "mode": "lines+markers",
        "x": x,
        "y": values,
        "text": [escape(str(point["serial"] or f"row {point['row']}")) for point in points],
        "line": {"color": _FAINT, "width": 1},
        "marker": {
            "color": [_BAD if out else _MAIN for out in outside],
            "symbol": ["x" if out else "circle" for out in outside],
            "size": [11 if out else 6 for out in outside],
            "line": {"color": _INK, "width": 1},
        },
        "hovertemplate": "%{text}: %{y}<extra></extra>",
    }
    if grouped:
        trace["error_y"] = {
            "type": "data",
            "symmetric": False,
            "array": [point["highest"] - point["value"] for point in points],
            "arrayminus": [point["value"] - point["lowest"] for point in points],
            "color": _FAINT,
            "width": 0,
        }
    words = "serial order" if chart["order"] == "serial" else "the order of the file"
    unit = f"groups of {chart['balls_a_point']} balls" if grouped else "balls"
    layout = _layout(f"{unit} in {words}", _axis_title(statement))
    least = min([point.get("lowest", point["value"]) for point in points])
    most = max([point.get("highest", point["value"]) for point in points])
    reach = _reach(least, most, low, high)
    layout["yaxis"]["range"] = reach
    marks = _limit_marks(low, high, statement["unit"], reach, vertical=False)
    marks = [*marks, _mark(statement["mean"], "", _INK, "dot", vertical=False, place=1.0)]
    return _with_marks([trace], layout, marks)


def operating_characteristic(curves: Mapping[str, Any], plan: Mapping[str, Any]) -> Chart:
    """Acceptance probability of a plan over the quality of the lot."""
    percent = [100 * value for value in curves["fraction"]]
    trace = _line(percent, [100 * value for value in curves["acceptance"]], "accepted", _MAIN, "solid")
    trace["hovertemplate"] = "%{x:.2f} % nonconforming: accepted %{y:.1f} %<extra></extra>"
    layout = _layout("nonconforming balls in the lot, %", "lots accepted, %")
    layout["yaxis"]["range"] = [0, 104]
    marks = []
    if plan["aql"] is not None:
        marks.append(_mark(plan["aql"], f"AQL {plan['aql']:g} %", _INK, "dash", vertical=True, place=0.12))
    if plan["limiting_quality"] is not None:
        text = f"limiting quality {plan['limiting_quality']:.3g} %"
        marks.append(_mark(plan["limiting_quality"], text, _BAD, "dashdot", vertical=True, place=0.5))
    return _with_marks([trace], layout, marks)


def outgoing_quality(curves: Mapping[str, Any]) -> Chart:
    """What is sent on after screening rejected lots, and how many balls a lot that costs to inspect."""
    percent = [100 * value for value in curves["fraction"]]
    outgoing = _line(
        percent, [100 * value for value in curves["average_outgoing_quality"]], "outgoing, %", _MAIN, "solid"
    )
    layout = _layout("nonconforming balls coming in, %", "nonconforming balls sent on, %")
    traces = [outgoing]
    if curves["average_total_inspection"] is not None:
        inspected = _line(
            percent, curves["average_total_inspection"], "inspected, balls a lot", _NOTE, "dash"
        )
        traces.append({**inspected, "yaxis": "y2"})
        layout["yaxis2"] = {
            **layout["yaxis"],
            "title": {"text": "balls inspected a lot"},
            "overlaying": "y",
            "side": "right",
            "tickmode": "auto",
        }
        layout["yaxis2"]["showgrid"] = False
        layout["margin"]["r"] = 64
    layout["showlegend"] = True
    layout["legend"] = {"orientation": "h", "y": 1.12, "x": 0}
    return {"data": traces, "layout": layout}


def drift(entry: Mapping[str, Any]) -> Chart:
    """Lot means with their limits, the moving average, and a mark at every signal."""
    shewhart, ewma = entry["shewhart"], entry["ewma"]
    names = [escape(name) for name in shewhart["names"]]
    x = list(range(1, len(names) + 1))
    signalled = {signal["lot"] for signal in entry["signals"]}
    means = _line(x, shewhart["means"], "mean of the lot", _MAIN, "solid")
    means |= {
        "mode": "lines+markers",
        "text": names,
        "hovertemplate": "%{text}: %{y:.5g}<extra></extra>",
        "marker": {
            "symbol": ["x" if place in signalled else "circle" for place in range(len(names))],
            "size": [12 if place in signalled else 7 for place in range(len(names))],
            "color": [_BAD if place in signalled else _MAIN for place in range(len(names))],
            "line": {"color": _INK, "width": 1},
        },
    }
    traces = [
        means,
        _line(x, ewma["average"], "moving average", _NOTE, "dash"),
        _line(x, shewhart["mean_upper"], "limits of the mean", _INK, "dot"),
        {**_line(x, shewhart["mean_lower"], "", _INK, "dot"), "showlegend": False},
    ]
    layout = _layout("lots in time order", f"{words(entry['quantity'])}, {entry['unit']}")
    layout["showlegend"] = True
    layout["legend"] = {"orientation": "h", "y": 1.15, "x": 0}
    layout["xaxis"] |= {"tickmode": "array", "tickvals": x[:: max(len(x) // 12, 1)]}
    return {"data": traces, "layout": layout}


def words(name: str) -> str:
    """A field's name in words."""
    return " ".join("RG" if word == "rg" else word for word in name.split("_"))


def _axis_title(statement: Mapping[str, Any]) -> str:
    unit = "" if statement["unit"] == "1" else f", {statement['unit']}"
    return f"{words(statement['quantity'])}{unit}"


def _line(x: Sequence[float], y: Sequence[float], name: str, color: str, dash: str) -> Chart:
    return {
        "type": "scatter",
        "mode": "lines",
        "x": list(x),
        "y": list(y),
        "name": name,
        "line": {"color": color, "width": 2.5, "dash": dash},
    }


def _layout(x_title: str, y_title: str) -> Chart:
    axis: Chart = {
        "gridcolor": _FAINT,
        "linecolor": _INK,
        "zeroline": False,
        "automargin": True,
        "ticks": "outside",
        "showline": True,
        "exponentformat": "none",
    }
    return {
        "xaxis": {**axis, "title": {"text": x_title}, "showgrid": False},
        "yaxis": {**axis, "title": {"text": y_title}},
        "font": {"color": _INK, "size": 14},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "margin": {"l": 56, "r": 16, "t": 40, "b": 48},
        "showlegend": False,
        "bargap": 0,
        "hoverlabel": {"font": {"size": 14}},
        "shapes": [],
        "annotations": [],
    }


def _reach(least: float, most: float, low: float | None, high: float | None) -> list[float]:
    """The range of an axis: the values, and a limit where it is near enough to show without crushing them."""
    span = (most - least) or abs(least) * 0.02 or 1.0
    start, end = least, most
    if low is not None and low > least - 3 * span:
        start = min(start, low)
    if high is not None and high < most + 3 * span:
        end = max(end, high)
    edge = 0.06 * (end - start or span)
    return [start - edge, end + edge]


def _limit_marks(
    low: float | None, high: float | None, unit: str, reach: Sequence[float], *, vertical: bool
) -> list[Chart]:
    """The limits within reach as lines, those beyond it as words at the edge."""
    marks = []
    tail = "" if unit == "1" else f" {unit}"
    for name, limit, end in (("min", low, reach[0]), ("max", high, reach[1])):
        if limit is None:
            continue
        text = f"{name} {limit:g}{tail}"
        if reach[0] <= limit <= reach[1]:
            marks.append(_mark(limit, text, _BAD, "dash", vertical=vertical, place=1.0))
        else:
            marks.append(
                {
                    **_mark(end, f"{text}, beyond this scale", _BAD, None, vertical=vertical, place=1.0),
                    "end": name,
                }
            )
    return marks


def _mark(at: float, text: str, color: str, dash: str | None, *, vertical: bool, place: float) -> Chart:
    return {"at": at, "text": text, "color": color, "dash": dash, "vertical": vertical, "place": place}


def _with_marks(traces: list[Chart], layout: Chart, marks: list[Chart]) -> Chart:
    span = layout["xaxis"].get("range") or layout["yaxis"].get("range") or [0.0, 1.0]
    middle = (span[0] + span[1]) / 2
    for mark in marks:
        here, across = ("x", "y") if mark["vertical"] else ("y", "x")
        if mark["dash"] is not None:
            layout["shapes"].append(
                {
                    "type": "line",
                    f"{here}0": mark["at"],
                    f"{here}1": mark["at"],
                    f"{across}0": 0,
                    f"{across}1": 1,
                    f"{across}ref": "paper",
                    "line": {"color": mark["color"], "width": 2, "dash": mark["dash"]},
                }
            )
        if not mark["text"]:
            continue
        note: Chart = {
            "text": escape(mark["text"]),
            "showarrow": False,
            "font": {"color": mark["color"], "size": 13},
        }
        note |= {"bgcolor": "$paper", "borderpad": 2}
        if "end" in mark:
            first = mark["end"] == "min"
            arrow = ("← " if first else "→ ") if mark["vertical"] else ("↓ " if first else "↑ ")
            note |= {
                "text": arrow + note["text"],
                "x": 0.0 if first else 1.0,
                "xref": "paper",
                "y": 1.0,
                "yref": "paper",
            }
            note |= {"xanchor": "left" if first else "right", "yanchor": "bottom"}
        elif mark["vertical"]:
            top = mark["place"] >= 1.0
            note |= {"x": mark["at"], "xanchor": "left" if mark["at"] <= middle else "right", "yref": "paper"}
            note |= {"y": mark["place"], "yanchor": "bottom" if top else "middle"}
        else:
            note |= {"y": mark["at"], "x": 0.99, "xref": "paper", "xanchor": "right"}
            note["yanchor"] = "bottom" if mark["at"] <= middle else "top"
        layout["annotations"].append(note)
    return {"data": traces, "layout": layout}
