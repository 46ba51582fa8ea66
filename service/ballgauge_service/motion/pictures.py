"""Pictures of motion as single HTML files that need nothing else: lane and ball, and the line map."""

from __future__ import annotations

import html
import importlib.util
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import orjson

from ballgauge_service.core.arrays import Array
from ballgauge_service.motion.answer import message
from ballgauge_service.motion.delivery import Delivery
from ballgauge_service.motion.lanes import CELL_FEET, LANE_FEET, Lane
from ballgauge_service.motion.line_maps import LineMap, Point
from ballgauge_service.motion.spreads import statistics
from ballgauge_service.motion.starts import to_board
from ballgauge_service.physics.motion import equations as eq
from ballgauge_service.physics.motion.film import BOARDS
from ballgauge_service.physics.motion.notes import OILY

Group = dict[str, Any]

PATH_COLORS = {"flight": "#777777", "slip": "#b3541e", "roll": "#1f5fa8"}
MARKS = ("circle", "square", "diamond", "cross", "x", "star", "hexagon", "pentagon")
VOLUME_COLORS = ("#1f5fa8", "#b3541e", "#2f6f4f", "#7a1f3d", "#c9a227", "#444444")
COLUMNS = 3
"""Colors and marks of the pictures, and most panels side by side (ours)."""

RING_POINTS = 91

_AXIS = {"gridcolor": "white", "linecolor": "white", "zerolinecolor": "white", "automargin": True}
_TEMPLATE = {"layout": {"title": {"x": 0.05}, "plot_bgcolor": "#e5ecf6", "xaxis": _AXIS, "yaxis": _AXIS}}
_BUTTONS = ["zoom2d", "pan2d", "resetScale2d", "toImage"]
"""What may be done to a picture: all of it stays in the reader's browser."""

_PAGE = """<!doctype html>
<html lang="en">
<head><meta charset="utf-8"><title>%s</title><script>%s</script></head>
<body><div id="picture" style="min-width: 900px"></div>
<script>Plotly.newPlot("picture", %s)</script>
</body>
</html>
"""


def _page(title: str, traces: list[Group], layout: Group) -> str:
    """A page that draws the traces, by the script of plotly.js that the package plotly brings."""
    found = importlib.util.find_spec("plotly")
    if found is None or found.origin is None:
        raise ModuleNotFoundError("plotly is not installed", name="plotly")
    script = (
        Path(found.origin).with_name("package_data").joinpath("plotly.min.js").read_text(encoding="utf-8")
    )
    figure = {
        "data": traces,
        "layout": {"title": {"text": title}, "template": _TEMPLATE, **layout},
        "config": {"responsive": True, "displaylogo": False, "modeBarButtons": [_BUTTONS]},
    }
    told = orjson.dumps(figure, option=orjson.OPT_SERIALIZE_NUMPY, default=np.ndarray.tolist).decode()
    return _PAGE % (title, script, told.replace("<", "\\u003c"))


def _placed(trace: Group, panel: str) -> Group:
    """The trace on the axes of a panel, which plotly.js names "", "2", "3" and so on."""
    return trace | {"xaxis": f"x{panel}", "yaxis": f"y{panel}"}


def _heading(text: str, panel: str) -> Group:
    """A heading above a panel."""
    where = {"x": 0.5, "y": 1.0, "xref": f"x{panel} domain", "yref": f"y{panel} domain"}
    return {"text": text, "font": {"size": 16}, "showarrow": False, "yanchor": "bottom", **where}


def motion_picture(thrown: Delivery, lane: Lane) -> str:
    """One delivery, with its samples, as an HTML page: oil and path on the lane, rings on the ball."""
    side = thrown.ball.side
    lane_traces = [_film(lane, side), *_path(thrown)]
    ball_traces = [_outline(), *_rings(thrown), *_axis_path(thrown)]
    traces = [_placed(trace, "") for trace in lane_traces] + [_placed(trace, "2") for trace in ball_traces]
    boards = [BOARDS + 0.5, 0.5] if side > 0.0 else [0.5, BOARDS + 0.5]
    layout = {
        "xaxis": _titled("board, counted from the bowler's side", range=boards, domain=[0.0, 0.336]),
        "yaxis": _titled("distance from the foul line [ft]", range=[0, LANE_FEET]),
        "xaxis2": _titled(
            "to the bowler's right [radii]", range=[-1.1, 1.1], domain=[0.536, 1.0], anchor="y2"
        ),
        "yaxis2": _titled("to the fingers [radii]", range=[-1.1, 1.1], scaleanchor="x2", anchor="x2"),
        "annotations": [
            _heading("Lane from above", ""),
            _heading("Ball, looking at the grip center: rings of contact (dotted: behind)", "2"),
        ],
        "height": 820,
    }
    title = html.escape(thrown.ball.name) or "Delivery"
    return _page(f"{title}: {html.escape(message(thrown))}", traces, layout)


def _titled(title: str, **told: Any) -> Group:
    return {"title": {"text": title}, **told}


def _film(lane: Lane, side: float) -> Group:
    cells = lane.cells if side > 0.0 else lane.cells[:, ::-1]
    return {
        "type": "heatmap",
        "x": np.arange(1, BOARDS + 1).tolist(),
        "y": CELL_FEET.tolist(),
        "z": np.round(cells, 2).tolist(),
        "colorscale": [[0.0, "#f6ead2"], [1.0, "#4f7f7a"]],
        "colorbar": {"title": {"text": "film [µL/ft²]"}, "x": 0.35, "len": 0.8},
        "name": "oil",
    }


def _path(thrown: Delivery) -> list[Group]:
    """The path, one trace a phase; neighbors share their joint so that the line does not break."""
    samples = thrown.samples
    boards = to_board(samples[:, 1 + eq.X], thrown.ball.side)
    phases = samples[:, eq.STATE + 1]
    before = np.concatenate([phases[:1], phases[:-1]])
    traces = []
    for phase, (name, color) in enumerate(PATH_COLORS.items()):
        here = (phases == phase) | (before == phase)
        if here.any():
            x, y = np.where(here, boards, np.nan), np.where(here, samples[:, 1 + eq.Y] / 12.0, np.nan)
            line = {"color": color, "width": 4}
            traces.append(_scatter(x=x, y=y, mode="lines", line=line, name=name))
    return traces


def _scatter(**told: Any) -> Group:
    return {"type": "scatter", **told}


def _outline() -> Group:
    turn = np.linspace(0.0, 2.0 * np.pi, 181)
    line = {"color": "#444444", "width": 2}
    return _scatter(x=np.cos(turn), y=np.sin(turn), mode="lines", line=line, hoverinfo="skip", name="ball")


def _seen(points: Array, line: Group, name: str, legend: bool) -> list[Group]:
    """A curve on the unit sphere, (3, m), as seen from the grip center's side: what lies behind is dotted."""
    traces = []
    for front in (True, False):
        part = np.where((points[2] >= 0.0) == front, points[:2], np.nan)
        if not np.isfinite(part).any():
            continue
        style = line if front else {**line, "dash": "dot", "width": 1}
        traces.append(
            _scatter(x=part[0], y=part[1], mode="lines", line=style, name=name, showlegend=legend and front)
        )
    return traces


def _rings(thrown: Delivery) -> list[Group]:
    traces = []
    for ring in thrown.rings:
        points = _circle(ring[:3] @ thrown.ball.axes, ring[3])
        line = {"color": "#2f6f4f" if ring[4] >= OILY else "#c9a227", "width": 2}
        traces.extend(_seen(points, line, f"ring at {ring[5] / 12.0:.1f} ft", False))
    return traces


def _circle(pole: Array, angle: float) -> Array:
    """Points, (3, m), of the circle on the unit sphere at an angle [rad] from a pole."""
    helper = np.eye(3)[np.argmin(np.abs(pole))]
    first = np.cross(pole, helper)
    first /= np.linalg.norm(first)
    second = np.cross(pole, first)
    turn = np.linspace(0.0, 2.0 * np.pi, RING_POINTS)
    ring: Array = math.cos(angle) * pole[:, None] + math.sin(angle) * (
        first[:, None] * np.cos(turn) + second[:, None] * np.sin(turn)
    )
    return ring


def _axis_path(thrown: Delivery) -> list[Group]:
    spins = thrown.samples[:, 1 + eq.SPIN : 4 + eq.SPIN]
    rates = np.linalg.norm(spins, axis=1)
    if not rates.any():
        return []
    points = thrown.axes(spins[rates > 0.0] / rates[rates > 0.0, None]).T
    line = {"color": "#7a1f3d", "width": 4}
    mark = {"color": "#7a1f3d", "size": 10}
    start = _scatter(
        x=points[0, :1], y=points[1, :1], mode="markers", marker=mark, name="positive axis point"
    )
    return [*_seen(points, line, "spin axis", True), start]


def line_map_picture(mapped: LineMap, bowler: str | None = None) -> str:
    """The line map as an HTML page: computed length against computed sharpness, a panel for each bowler.

    bowler: the only one that is drawn.
    """
    shown = [one for one in mapped.maps if bowler in (None, one.bowler)]
    columns = min(len(shown), COLUMNS)
    rows = -(-len(shown) // columns)
    traces, axes = [], {}
    panels = ["", *map(str, range(2, len(shown) + 1))]
    for panel, one in zip(panels, shown, strict=True):
        for k, (volume, points) in enumerate(zip(mapped.volumes, one.points, strict=True)):
            trace = _points(mapped.names, points, f"{volume:g} mL of oil", MARKS[k % len(MARKS)])
            trace["marker"]["color"] = VOLUME_COLORS[k % len(VOLUME_COLORS)]
            traces.append(_placed(trace | {"legendgroup": str(k), "showlegend": not panel}, panel))
        axes[f"xaxis{panel}"] = _titled(
            "length to the hook [ft]: a quarter of the turn is made", anchor=f"y{panel}"
        )
        axes[f"yaxis{panel}"] = _titled(
            "sharpness of the turn [deg/ft]: from a quarter to nine tenths of it", anchor=f"x{panel}"
        )
    layout = {
        "grid": {"rows": rows, "columns": columns, "pattern": "independent"},
        "annotations": [
            _heading(html.escape(one.bowler.replace("_", " ")), panel)
            for panel, one in zip(panels, shown, strict=True)
        ],
        "height": 160 + 600 * rows,
        **axes,
    }
    bars = "Bars: one standard deviation of the deliveries; open marks: not aimed, or with deliveries lost"
    return _page(bars, traces, layout)


def _points(names: Sequence[str], points: Sequence[Point], name: str, mark: str) -> Group:
    known = []
    for ball, point in zip(names, points, strict=True):
        length, sharpness = statistics(point.length), statistics(point.sharpness)
        if length and sharpness:
            known.append((_label(ball, point), length, sharpness, point.sound))
    return _scatter(
        x=[length.mean for _, length, _, _ in known],
        y=[sharpness.mean for _, _, sharpness, _ in known],
        error_x={"type": "data", "array": [length.standard_deviation for _, length, _, _ in known]},
        error_y={"type": "data", "array": [sharpness.standard_deviation for _, _, sharpness, _ in known]},
        text=[html.escape(label) for label, _, _, _ in known],
        mode="markers+text",
        textposition="top center",
        marker={"symbol": [mark if sound else f"{mark}-open" for _, _, _, sound in known], "size": 11},
        name=name,
    )


def _label(ball: str, point: Point) -> str:
    if not point.aim.reached:
        return f"{ball}: not aimed"
    return f"{ball}: {point.lost} lost" if point.lost else ball
