"""Pictures of motion as single HTML files that need nothing else: lane and ball, and the line map."""

from __future__ import annotations

import html
import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from ballgauge_service.core.arrays import Array
from ballgauge_service.motion.answer import message
from ballgauge_service.motion.delivery import Delivery
from ballgauge_service.motion.lanes import LANE_FEET, Lane
from ballgauge_service.motion.line_maps import LineMap, Point
from ballgauge_service.motion.spreads import statistics
from ballgauge_service.motion.starts import to_board
from ballgauge_service.physics.motion import equations as eq
from ballgauge_service.physics.motion.film import BOARDS, CELL_LENGTH, CELLS
from ballgauge_service.physics.motion.notes import OILY

Group = dict[str, Any]

PATH_COLORS = {"flight": "#777777", "slip": "#b3541e", "roll": "#1f5fa8"}
MARKS = ("circle", "square", "diamond", "cross", "x", "star", "hexagon", "pentagon")
VOLUME_COLORS = ("#1f5fa8", "#b3541e", "#2f6f4f", "#7a1f3d", "#c9a227", "#444444")
COLUMNS = 3
"""Colors and marks of the pictures, and most panels side by side (ours)."""

RING_POINTS = 91


def _page(figure: Any) -> str:
    page: str = figure.to_html(full_html=True, include_plotlyjs=True)
    return page


def _graphs() -> Any:
    # Deferred: drawing is rare, and its library is slow to import.
    import plotly.graph_objects

    return plotly.graph_objects


def motion_picture(thrown: Delivery, lane: Lane) -> str:
    """One delivery, with its samples, as an HTML page: oil and path on the lane, rings on the ball."""
    graphs = _graphs()
    from plotly.subplots import make_subplots

    figure = make_subplots(
        rows=1,
        cols=2,
        column_widths=[0.42, 0.58],
        horizontal_spacing=0.2,
        subplot_titles=[
            "Lane from above",
            "Ball, looking at the grip center: rings of contact (dotted: behind)",
        ],
    )
    side = thrown.ball.side
    figure.add_trace(_film(graphs, lane, side), row=1, col=1)
    for trace in _path(graphs, thrown):
        figure.add_trace(trace, row=1, col=1)
    for trace in [_outline(graphs), *_rings(graphs, thrown), *_axis_path(graphs, thrown)]:
        figure.add_trace(trace, row=1, col=2)
    boards = [BOARDS + 0.5, 0.5] if side > 0.0 else [0.5, BOARDS + 0.5]
    figure.update_xaxes(title="board, counted from the bowler's side", range=boards, row=1, col=1)
    figure.update_yaxes(title="distance from the foul line [ft]", range=[0, LANE_FEET], row=1, col=1)
    figure.update_xaxes(title="to the bowler's right [radii]", range=[-1.1, 1.1], row=1, col=2)
    figure.update_yaxes(title="to the fingers [radii]", scaleanchor="x2", range=[-1.1, 1.1], row=1, col=2)
    title = html.escape(thrown.ball.name) or "Delivery"
    figure.update_layout(title=f"{title}: {html.escape(message(thrown))}", height=820)
    return _page(figure)


def _film(graphs: Any, lane: Lane, side: float) -> Any:
    cells = lane.cells if side > 0.0 else lane.cells[:, ::-1]
    along = (np.arange(CELLS) + 0.5) * CELL_LENGTH / 12.0
    return graphs.Heatmap(
        x=np.arange(1, BOARDS + 1).tolist(),
        y=along.tolist(),
        z=np.round(cells, 2).tolist(),
        colorscale=[[0.0, "#f6ead2"], [1.0, "#4f7f7a"]],
        colorbar={"title": "film [µL/ft²]", "x": 0.35, "len": 0.8},
        name="oil",
    )


def _path(graphs: Any, thrown: Delivery) -> list[Any]:
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
            traces.append(graphs.Scatter(x=x, y=y, mode="lines", line=line, name=name))
    return traces


def _outline(graphs: Any) -> Any:
    turn = np.linspace(0.0, 2.0 * np.pi, 181)
    line = {"color": "#444444", "width": 2}
    return graphs.Scatter(
        x=np.cos(turn), y=np.sin(turn), mode="lines", line=line, hoverinfo="skip", name="ball"
    )


def _seen(graphs: Any, points: Array, line: Group, name: str, legend: bool) -> list[Any]:
    """A curve on the unit sphere, (3, m), as seen from the grip center's side: what lies behind is dotted."""
    traces = []
    for front in (True, False):
        part = np.where((points[2] >= 0.0) == front, points[:2], np.nan)
        if not np.isfinite(part).any():
            continue
        style = line if front else {**line, "dash": "dot", "width": 1}
        traces.append(
            graphs.Scatter(
                x=part[0], y=part[1], mode="lines", line=style, name=name, showlegend=legend and front
            )
        )
    return traces


def _rings(graphs: Any, thrown: Delivery) -> list[Any]:
    traces = []
    for ring in thrown.rings:
        points = _circle(ring[:3] @ thrown.ball.axes, ring[3])
        line = {"color": "#2f6f4f" if ring[4] >= OILY else "#c9a227", "width": 2}
        traces.extend(_seen(graphs, points, line, f"ring at {ring[5] / 12.0:.1f} ft", False))
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


def _axis_path(graphs: Any, thrown: Delivery) -> list[Any]:
    spins = thrown.samples[:, 1 + eq.SPIN : 4 + eq.SPIN]
    rates = np.linalg.norm(spins, axis=1)
    if not rates.any():
        return []
    points = thrown.axes(spins[rates > 0.0] / rates[rates > 0.0, None]).T
    line = {"color": "#7a1f3d", "width": 4}
    mark = {"color": "#7a1f3d", "size": 10}
    start = graphs.Scatter(
        x=points[0, :1], y=points[1, :1], mode="markers", marker=mark, name="positive axis point"
    )
    return [*_seen(graphs, points, line, "spin axis", True), start]


def line_map_picture(mapped: LineMap, bowler: str | None = None) -> str:
    """The line map as an HTML page: computed length against computed sharpness, a panel for each bowler.

    bowler: the only one that is drawn.
    """
    graphs = _graphs()
    from plotly.subplots import make_subplots

    shown = [one for one in mapped.maps if bowler in (None, one.bowler)]
    columns = min(len(shown), COLUMNS)
    rows = -(-len(shown) // columns)
    titles = [html.escape(one.bowler.replace("_", " ")) for one in shown]
    figure = make_subplots(rows=rows, cols=columns, subplot_titles=titles)
    for place, one in enumerate(shown):
        for k, (volume, points) in enumerate(zip(mapped.volumes, one.points, strict=True)):
            trace = _points(graphs, mapped.names, points, f"{volume:g} mL of oil", MARKS[k % len(MARKS)])
            color = {"color": VOLUME_COLORS[k % len(VOLUME_COLORS)]}
            trace.update(legendgroup=str(k), showlegend=place == 0, marker=color)
            figure.add_trace(trace, row=place // columns + 1, col=place % columns + 1)
    figure.update_xaxes(title="length to the hook [ft]: a quarter of the turn is made")
    figure.update_yaxes(title="sharpness of the turn [deg/ft]: from a quarter to nine tenths of it")
    bars = "Bars: one standard deviation of the deliveries; open marks: not aimed, or with deliveries lost"
    figure.update_layout(title=bars, height=160 + 600 * rows)
    return _page(figure)


def _points(graphs: Any, names: Sequence[str], points: Sequence[Point], name: str, mark: str) -> Any:
    known = []
    for ball, point in zip(names, points, strict=True):
        length, sharpness = statistics(point.length), statistics(point.sharpness)
        if length and sharpness:
            known.append((_label(ball, point), length, sharpness, point.sound))
    return graphs.Scatter(
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
