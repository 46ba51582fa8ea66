"""Pictures of motion as single HTML files that need nothing else: lane and ball, and the line map."""

from __future__ import annotations

import html
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.refusal import refuse
from ballgauge_service.motion.balls import HANDS, MotionBall
from ballgauge_service.motion.lanes import LANE_FEET, Lane
from ballgauge_service.physics.motion.film import BOARDS, CELL_LENGTH, CELLS
from ballgauge_service.physics.motion.notes import OILY
from ballgauge_service.physics.sphere import place

Array = NDArray[np.float64]
Group = dict[str, Any]

PATH_COLOURS = {"flight": "#777777", "slip": "#b3541e", "roll": "#1f5fa8"}
MARKS = ("circle", "square", "diamond", "cross", "x", "star", "hexagon", "pentagon")
"""Colours and marks of the pictures (ours)."""

RING_POINTS = 91


def _page(figure: Any) -> str:
    page: str = figure.to_html(full_html=True, include_plotlyjs=True)
    return page


def _graphs() -> Any:
    # Deferred: drawing is rare, and its library is slow to import.
    import plotly.graph_objects

    return plotly.graph_objects


def motion_picture(result: Group, ball: MotionBall, lane: Lane) -> str:
    """One delivery as an HTML page: oil and path on the lane, rings on the ball.

    result: from `deliveries.deliver` with samples. Raises InvalidMotion where it has no curves.
    """
    if not result.get("curves"):
        refuse([("/samples", "a picture needs the curves of the delivery: ask for samples")])
    graphs = _graphs()
    from plotly.subplots import make_subplots

    figure = make_subplots(
        rows=1,
        cols=2,
        column_widths=[0.42, 0.58],
        horizontal_spacing=0.2,
        subplot_titles=[
            "Lane from above",
            "Ball, looking at the grip centre: rings of contact (dotted: behind)",
        ],
    )
    side = HANDS[ball.hand]
    figure.add_trace(_film(graphs, lane, side), row=1, col=1)
    for trace in _path(graphs, result["curves"]):
        figure.add_trace(trace, row=1, col=1)
    for trace in [_outline(graphs), *_rings(graphs, result, ball), *_axis_path(graphs, result["curves"])]:
        figure.add_trace(trace, row=1, col=2)
    boards = [BOARDS + 0.5, 0.5] if side > 0.0 else [0.5, BOARDS + 0.5]
    figure.update_xaxes(title="board, counted from the bowler's side", range=boards, row=1, col=1)
    figure.update_yaxes(title="distance from the foul line [ft]", range=[0, LANE_FEET], row=1, col=1)
    figure.update_xaxes(title="to the bowler's right [radii]", range=[-1.1, 1.1], row=1, col=2)
    figure.update_yaxes(title="to the fingers [radii]", scaleanchor="x2", range=[-1.1, 1.1], row=1, col=2)
    title = html.escape(ball.name) or "Delivery"
    figure.update_layout(title=f"{title}: {html.escape(result['message'])}", height=820)
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


def _path(graphs: Any, curves: Group) -> list[Any]:
    """The path, one trace a phase; neighbours share their joint so that the line does not break."""
    traces = []
    for phase, colour in PATH_COLOURS.items():
        x: list[float | None] = []
        y: list[float | None] = []
        for k, (board, distance) in enumerate(zip(curves["board"], curves["distance"], strict=True)):
            here = phase in curves["phase"][max(k - 1, 0) : k + 1]
            x.append(board if here else None)
            y.append(distance if here else None)
        if any(value is not None for value in x):
            line = {"color": colour, "width": 4}
            traces.append(graphs.Scatter(x=x, y=y, mode="lines", line=line, name=phase))
    return traces


def _outline(graphs: Any) -> Any:
    turn = np.linspace(0.0, 2.0 * np.pi, 181)
    line = {"color": "#444444", "width": 2}
    return graphs.Scatter(
        x=np.cos(turn), y=np.sin(turn), mode="lines", line=line, hoverinfo="skip", name="ball"
    )


def _seen(graphs: Any, points: Array, line: Group, name: str, legend: bool) -> list[Any]:
    """A curve on the unit sphere, (3, m), as seen from the grip centre's side: what lies behind is dotted."""
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


def _rings(graphs: Any, result: Group, ball: MotionBall) -> list[Any]:
    traces = []
    for ring in result["flare"]["rings"]:
        pole = np.array(place(ring["axis"]["right"], ring["axis"]["up"], ball.radius))
        points = _circle(pole, math.radians(ring["angle_from_contact"]))
        line = {"color": "#2f6f4f" if ring["film"] >= OILY else "#c9a227", "width": 2}
        traces.extend(_seen(graphs, points, line, f"ring at {ring['distance']:.1f} ft", False))
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


def _axis_path(graphs: Any, curves: Group) -> list[Any]:
    known = [axis for axis in curves["axis"] if axis is not None]
    if not known:
        return []
    points = np.array(known).T
    line = {"color": "#7a1f3d", "width": 4}
    mark = {"color": "#7a1f3d", "size": 10}
    start = graphs.Scatter(
        x=points[0, :1], y=points[1, :1], mode="markers", marker=mark, name="positive axis point"
    )
    return [*_seen(graphs, points, line, "spin axis", True), start]


def line_map_picture(mapped: Group, bowler: str) -> str:
    """The line map of one bowler as an HTML page: computed length against computed sharpness.

    mapped: from `line_maps.line_map`. Raises InvalidMotion where the bowler is not in it.
    """
    chosen = [picture for picture in mapped["bowlers"] if picture["bowler"] == bowler]
    if not chosen:
        known = ", ".join(picture["bowler"] for picture in mapped["bowlers"])
        refuse([("/bowler", f"not in this map; known are {known}")])
    graphs = _graphs()
    figure = graphs.Figure()
    for k, volume in enumerate(mapped["volumes"]):
        points = [p for p in chosen[0]["points"] if p["volume"] == volume and p["length"] and p["sharpness"]]
        figure.add_trace(_points(graphs, points, f"{volume:g} mL of oil", MARKS[k % len(MARKS)]))
    figure.update_xaxes(title="length to the hook [ft]: a quarter of the turn is made")
    figure.update_yaxes(title="sharpness of the turn [deg/ft]: from a quarter to nine tenths of it")
    title = html.escape(bowler.replace("_", " "))
    figure.update_layout(title=f"{title}; bars: one standard deviation of the deliveries", height=760)
    return _page(figure)


def _points(graphs: Any, points: list[Group], name: str, mark: str) -> Any:
    return graphs.Scatter(
        x=[p["length"]["mean"] for p in points],
        y=[p["sharpness"]["mean"] for p in points],
        error_x={"type": "data", "array": [p["length"]["standard_deviation"] for p in points]},
        error_y={"type": "data", "array": [p["sharpness"]["standard_deviation"] for p in points]},
        text=[html.escape(p["ball"]) for p in points],
        mode="markers+text",
        textposition="top center",
        marker={"symbol": mark, "size": 11},
        name=name,
    )
