"""A squad's lane over the games, as one SVG and as an HTML page that needs nothing else."""

from __future__ import annotations

import html
from collections.abc import Sequence
from itertools import groupby
from typing import Any

from ballgauge_schemas.shared import limits
from ballgauge_service.motion.lanes import LANE_FEET, Lane
from ballgauge_service.physics.motion.film import BOARDS

Group = dict[str, Any]
Film = Sequence[Sequence[float]]

COLORS = ("#1f5fa8", "#b3541e", "#2f6f4f", "#7a1f3d", "#8a6d00", "#444444", "#5b3f8c", "#00707a")
BARE, OILED, TAKEN = (0xF6, 0xEA, 0xD2), (0x1F, 0x5F, 0x5A), (0xB3, 0x54, 0x1E)
SHADES = 24
"""Colors of bowlers; of no oil and most oil, and most taken; steps between (ours)."""

BOARD, FOOT, GAP, LEFT, TOP, HEAD = 5.0, 5.0, 36.0, 60.0, 30.0, 60.0
"""Pixels of a board and a foot, between panels, beside and above them (ours)."""

WIDE, TALL = BOARD * BOARDS, FOOT * LANE_FEET
CHART, NAMES = 220.0, 250.0
LEAST_CHANGE = 0.5
"""Height of the chart, room for names; least change of the film [µL/ft²] in full color (ours)."""


def _text(x: float, y: float, words: str, anchor: str = "middle", size: int = 13, color: str = "#222") -> str:
    place = f'x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}" fill="{color}"'
    return f"<text {place}>{html.escape(words)}</text>"


def _line(points: Sequence[tuple[float, float]], color: str, width: float = 1.0) -> str:
    places = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    return f'<polyline points="{places}" fill="none" stroke="{color}" stroke-width="{width:g}"/>'


def _box(x: float, y: float, width: float, height: float, style: str) -> str:
    return f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}" {style}/>'


def _shade(step: int) -> str:
    """A color of SHADES - 1 steps from bare to oiled, or of a negative one toward what was taken."""
    share = abs(step) / (SHADES - 1)
    far = OILED if step >= 0 else TAKEN
    return "#" + "".join(f"{round(a + share * (b - a)):02x}" for a, b in zip(BARE, far, strict=True))


def _film(film: Film, most: float, left: float, top: float) -> list[str]:
    """A film or its change, foul line below, board 1 on the right: a rectangle a run of one shade."""
    tall = TALL / len(film)
    found = ['<g shape-rendering="crispEdges">']
    for k, row in enumerate(film):
        shares = [max(min(value / most, 1.0), -1.0) for value in row]
        shades = [round((SHADES - 1) * abs(share) ** 0.5) * (1 if share >= 0.0 else -1) for share in shares]
        at = 0
        for shade, run in groupby(shades):
            count = len([*run])
            x, y = left + BOARD * (BOARDS - at - count), top + TALL - tall * (k + 1)
            found.append(_box(x, y, BOARD * count, tall, f'fill="{_shade(shade)}"'))
            at += count
    return [*found, "</g>"]


def _panel(film: Film, most: float, left: float, top: float, lane: Lane, titles: Sequence[str]) -> list[str]:
    bottom, middle = top + TALL, left + 0.5 * WIDE
    end = bottom - FOOT * lane.length
    boards = range(5, BOARDS, 5)
    return [
        *_film(film, most, left, top),
        _line([(left, end), (left + WIDE, end)], "#7a1f3d"),
        _box(left, top, WIDE, TALL, 'fill="none" stroke="#444"'),
        *[_text(middle, top - 8 - 17 * k, words) for k, words in enumerate(reversed(titles))],
        *[_text(left + BOARD * (BOARDS - b + 0.5), bottom + 15, str(b), size=11) for b in boards],
    ]


def _feet(top: float) -> list[str]:
    marks = range(0, int(LANE_FEET) + 1, 10)
    return [_text(LEFT - 6, top + TALL - FOOT * feet + 4, f"{feet} ft", "end", 11) for feet in marks]


def _change(film: Film, fresh: Film) -> list[list[float]]:
    return [[a - b for a, b in zip(*rows, strict=True)] for rows in zip(film, fresh, strict=True)]


def _told(place: Group | None) -> str:
    return "not at the pins" if place is None or place["moved"] is None else f"{place['moved']:+.1f} boards"


def _places(played: Group, top: float, wide: float) -> list[str]:
    """Where every bowler's usual release meets the head pin, game by game."""
    states, names = played["states"], [each["name"] for each in played["bowlers"]]
    rows = [[state["bowlers"][k]["place"] for state in states] for k in range(len(names))]
    boards = [place["contact_board"] for row in rows for place in row if place]
    low, high = min([*boards, limits.WINDOW_BOARD[0]]) - 1.0, max([*boards, limits.WINDOW_BOARD[1]]) + 1.0

    def at(game: int, board: float) -> tuple[float, float]:
        return LEFT + wide * game / (len(states) - 1), top + CHART * (high - board) / (high - low)

    head = "Board at the head pin, from the bowler's side: usual release, clean ball (band: the pocket)"
    found = [_text(LEFT, top - 12, head, "start", 15)]
    for board in range(int(low) + 1, int(high) + 1, max(1, round((high - low) / 8.0))):
        y = at(0, board)[1]
        found += [_line([(LEFT, y), (LEFT + wide, y)], "#ddd"), _text(LEFT - 8, y + 4, str(board), "end", 11)]
    last, first = (at(0, board)[1] for board in limits.WINDOW_BOARD)
    found.append(_box(LEFT, first, wide, last - first, 'fill="#2f6f4f" fill-opacity="0.12"'))
    for game in range(len(states)):
        words = f"after game {game}" if game else "fresh"
        found.append(_text(at(game, low)[0], top + CHART + 18, words, size=12))
    ends = []
    for k, (name, row) in enumerate(zip(names, rows, strict=True)):
        color = COLORS[k % len(COLORS)]
        known = [at(game, place["contact_board"]) for game, place in enumerate(row) if place]
        found.append(_line(known, color, 2.0))
        found += [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.5" fill="{color}"/>' for x, y in known]
        ends.append((known[-1][1] if known else top + CHART, f"{name}: {_told(row[-1])}", color))
    lowest = -1e9
    for y, words, color in sorted(ends):
        lowest = max(y, lowest + 16.0)
        found.append(_text(LEFT + wide + 10, lowest + 4, words, "start", 13, color))
    return found


def squad_svg(played: Group, lane: Lane) -> str:
    """The lane fresh and after each game, and every bowler's place, from what `answer.squad_answer` gives."""
    states = played["states"]
    fresh = states[0]["film"]
    most = max(value for row in fresh for value in row) or 1.0
    changes = [_change(state["film"], fresh) for state in states]
    strongest = max([LEAST_CHANGE, *(abs(value) for change in changes for row in change for value in row)])
    first, second = TOP + HEAD, TOP + 2.0 * HEAD + TALL + 20.0
    head = "Oil film from above, foul line below, board 1 on the right; line: end of the pattern"
    parts = [_text(LEFT, 20, head, "start", 15), *_feet(first), *_feet(second)]
    for k, (state, change) in enumerate(zip(states, changes, strict=True)):
        left, oil = LEFT + (WIDE + GAP) * k, state["oil"]
        name = f"after game {k}" if k else "before the first shot"
        titles = (name, f"{oil['on_lane']:.2f} mL, {1e3 * oil['beyond_pattern']:.0f} µL beyond")
        parts += _panel(state["film"], most, left, first, lane, titles)
        if k:
            taken = f"taken (orange) {1e3 * (oil['on_balls'] + oil['absorbed']):.0f} µL, laid (green)"
            parts += _panel(change, strongest, left, second, lane, ("since the fresh lane", taken))
    parts.append(_text(LEFT + 0.5 * WIDE, second + 0.5 * TALL, f"full color: {strongest:.0f} µL/ft²"))
    across = max(LEFT + (WIDE + GAP) * len(states), 900.0)
    chart = second + TALL + 70.0
    parts += _places(played, chart, across - LEFT - NAMES)
    label = "The oil on the lane, fresh and after each game, and every bowler's board at the pins"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {across:.0f} {chart + CHART + 40:.0f}" '
        f'role="img" aria-label="{label}" font-family="sans-serif">'
        f'<rect width="100%" height="100%" fill="#fff"/>{"".join(parts)}</svg>'
    )


def squad_page(played: Group, lane: Lane) -> str:
    """The same as an HTML page."""
    title = html.escape(lane.name or "The lane")
    head = f"{title}: {played['states'][-1]['shots']} shots in {played['games']} games"
    style = "body{font-family:sans-serif;margin:1rem}svg{width:100%;height:auto}"
    return (
        f'<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>{head}</title>'
        f"<style>{style}</style></head><body><h1>{head}</h1><p>{html.escape(played['depletion'])}</p>"
        f"{squad_svg(played, lane)}</body></html>"
    )
