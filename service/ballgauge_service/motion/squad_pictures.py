"""A squad's lane over the games, as one picture and as an HTML page that needs nothing else."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import groupby
from typing import Any

from markupsafe import Markup

from ballgauge_schemas.shared import limits
from ballgauge_service.core.report.page import alone, colored, svg
from ballgauge_service.core.report.shapes import Box, Color, Dot, Ink, Line, Picture, Shape, Word
from ballgauge_service.motion.lanes import LANE_FEET, Lane
from ballgauge_service.motion.lineup.wording import Wording
from ballgauge_service.physics.motion.film import BOARDS

Group = dict[str, Any]
Film = Sequence[Sequence[float]]

COLORS: tuple[Color, ...] = (
    (47, 120, 190), (190, 95, 40), (60, 140, 95), (170, 60, 105), (150, 120, 20), (120, 120, 120),
    (125, 90, 185), (0, 130, 140),
)  # fmt: skip
BARE, OILED, TAKEN = (0xF6, 0xEA, 0xD2), (0x1F, 0x5F, 0x5A), (0xB3, 0x54, 0x1E)
SHADES = 24
"""Colors of bowlers, on light and dark; of no oil and most oil, and most taken; steps between (ours)."""

BOARD, FOOT, GAP, LEFT, TOP, HEAD = 4.0, 4.0, 44.0, 48.0, 26.0, 50.0
"""Lengths of a board and a foot, between panels, beside and above them, letters being 10.5 high (ours)."""

WIDE, TALL = BOARD * BOARDS, FOOT * LANE_FEET
CHART, NAMES, LEAST_ACROSS = 180.0, 210.0, 760.0
LEAST_CHANGE = 0.5
"""Height of the chart, room for names, least width; least change in full color [µL/ft²] (ours)."""

STYLE = "body{margin:1rem;background:var(--paper);color:var(--ink);font:16px/1.5 system-ui,sans-serif}"
STYLE += "svg{width:100%;height:auto;font:10.5px system-ui,sans-serif}h1{font-size:1.4rem}"


def _color(step: int) -> Color:
    """A color of SHADES - 1 steps from bare to oiled, or of a negative one toward what was taken."""
    share = abs(step) / (SHADES - 1)
    red, green, blue = (
        round(a + share * (b - a)) for a, b in zip(BARE, OILED if step >= 0 else TAKEN, strict=True)
    )
    return red, green, blue


def _film(film: Film, most: float, left: float, top: float) -> Iterator[Shape]:
    """A film or its change, foul line below, board 1 on the right: a box a run of one shade."""
    tall = TALL / len(film)
    yield Box(left, top, WIDE, TALL, BARE)
    for k, row in enumerate(film):
        shares = [max(min(value / most, 1.0), -1.0) for value in row]
        shades = [round((SHADES - 1) * abs(share) ** 0.5) * (1 if share >= 0.0 else -1) for share in shares]
        at = 0
        for shade, run in groupby(shades):
            count = len([*run])
            x, y = left + BOARD * (BOARDS - at - count), top + TALL - tall * (k + 1)
            if shade:
                yield Box(x, y, BOARD * count, tall, _color(shade))
            at += count


def _panel(
    film: Film, most: float, left: float, top: float, lane: Lane, titles: Sequence[str]
) -> Iterator[Shape]:
    bottom, middle = top + TALL, left + 0.5 * WIDE
    end = bottom - FOOT * lane.length
    yield from _film(film, most, left, top)
    yield Line(((left, end), (left + WIDE, end)), "bad")
    around = ((left, top), (left + WIDE, top), (left + WIDE, bottom), (left, bottom), (left, top))
    yield Line(around, "quiet")
    for k, words in enumerate(reversed(titles)):
        yield Word(middle, top - 6 - 13 * k, words, "ink", "middle")
    for board in range(5, BOARDS, 5):
        yield Word(left + BOARD * (BOARDS - board + 0.5), bottom + 12, str(board), "quiet", "middle")


def _feet(top: float) -> Iterator[Shape]:
    for feet in range(0, int(LANE_FEET) + 1, 10):
        yield Word(LEFT - 5, top + TALL - FOOT * feet + 3.5, f"{feet} ft", "quiet", "end")


def _change(film: Film, fresh: Film) -> list[list[float]]:
    return [[a - b for a, b in zip(*rows, strict=True)] for rows in zip(film, fresh, strict=True)]


def _places(played: Group, top: float, wide: float, wording: Wording) -> Iterator[Shape]:
    """Where every bowler's usual release meets the head pin, game by game."""
    _ = wording.text
    states, names = played["states"], [each["name"] for each in played["bowlers"]]
    rows = [[state["bowlers"][k]["place"] for state in states] for k in range(len(names))]
    boards = [place["contact_board"] for row in rows for place in row if place]
    low, high = min([*boards, limits.WINDOW_BOARD[0]]) - 1.0, max([*boards, limits.WINDOW_BOARD[1]]) + 1.0

    def at(game: int, board: float) -> tuple[float, float]:
        return LEFT + wide * game / (len(states) - 1), top + CHART * (high - board) / (high - low)

    head = _("Board at the head pin, from the bowler's side: usual release, clean ball (band: the pocket)")
    yield Word(LEFT, top - 10, head, "ink")
    last, first = (at(0, board)[1] for board in limits.WINDOW_BOARD)
    yield Box(LEFT, first, wide, last - first, "band")
    for board in range(int(low) + 1, int(high) + 1, max(1, round((high - low) / 8.0))):
        y = at(0, board)[1]
        yield Line(((LEFT, y), (LEFT + wide, y)), "faint", 0.6)
        yield Word(LEFT - 6, y + 3.5, str(board), "quiet", "end")
    for game in range(len(states)):
        anchor = "middle" if game else "start"
        yield Word(at(game, low)[0], top + CHART + 14, _named(game, _), "quiet", anchor)
    ends: list[tuple[float, str, Ink]] = []
    for k, (name, row) in enumerate(zip(names, rows, strict=True)):
        color = COLORS[k % len(COLORS)]
        known = [at(game, place["contact_board"]) for game, place in enumerate(row) if place]
        yield Line(tuple(known), color, 2.0)
        yield from (Dot(x, y, color, radius=3.0) for x, y in known)
        ends.append((known[-1][1] if known else top + CHART, f"{name}: {_moved(row[-1], wording)}", color))
    lowest = -1e9
    for y, words, ink in sorted(ends, key=lambda each: each[:2]):
        lowest = max(y, lowest + 13.0)
        yield Dot(LEFT + wide + 12, lowest, ink, radius=3.0)
        yield Word(LEFT + wide + 19, lowest + 3.5, words, "ink")


def _named(game: int, _: Callable[[str], str]) -> str:
    return _("after game {game}").format(game=game) if game else _("before the first shot")


def _moved(place: Group | None, wording: Wording) -> str:
    _ = wording.text
    if place is None or place["moved"] is None:
        return _("not at the pins")
    sign = "+" if place["moved"] > 0.0 else ""
    return _("{count} boards").format(count=sign + wording.number(place["moved"], 1))


def squad_picture(played: Group, lane: Lane, wording: Wording) -> Picture:
    """The lane fresh and after each game, and every bowler's place, from what `answer.squad_answer` gives."""
    _ = wording.text
    states = played["states"]
    fresh = states[0]["film"]
    most = max(value for row in fresh for value in row) or 1.0
    changes = [_change(state["film"], fresh) for state in states]
    strongest = max([LEAST_CHANGE, *(abs(value) for change in changes for row in change for value in row)])
    first, second = TOP + HEAD, TOP + 2.0 * HEAD + TALL + 20.0
    head = _("Oil film from above, foul line below, board 1 on the right; line: end of the pattern")
    shapes: list[Shape] = [Word(LEFT, 16, head, "ink"), *_feet(first), *_feet(second)]
    for k, (state, change) in enumerate(zip(states, changes, strict=True)):
        left, oil = LEFT + (WIDE + GAP) * k, state["oil"]
        lies = _("{lane} mL, of it {beyond} µL beyond").format(
            lane=wording.number(oil["on_lane"], 2), beyond=wording.number(1e3 * oil["beyond_pattern"], 0)
        )
        shapes += _panel(state["film"], most, left, first, lane, (_named(k, _), lies))
        if k:
            taken = _("{oil} µL taken").format(
                oil=wording.number(1e3 * (oil["on_balls"] + oil["absorbed"]), 0)
            )
            shapes += _panel(change, strongest, left, second, lane, (_("since the fresh lane"), taken))
    full = _("full color: {film} µL/ft²").format(film=wording.number(strongest, 0))
    for k, words in enumerate((_("orange: taken"), _("green: laid down"), full)):
        shapes.append(Word(LEFT + 0.5 * WIDE, second + 0.5 * TALL + 14 * k, words, "ink", "middle"))
    across = max(LEFT + (WIDE + GAP) * len(states), LEAST_ACROSS)
    chart = second + TALL + 60.0
    shapes += _places(played, chart, across - LEFT - NAMES, wording)
    label = _("The oil on the lane, fresh and after each game, and every bowler's board at the pins")
    return Picture(label, "", shapes=shapes, width=across, height=chart + CHART + 30.0)


def squad_svg(played: Group, lane: Lane, wording: Wording) -> str:
    """The same as a file of its own."""
    return alone(squad_picture(played, lane, wording))


def squad_page(played: Group, lane: Lane, wording: Wording) -> str:
    """The same as an HTML page."""
    head = wording.text("{lane}: {shots} shots in {games} games").format(
        lane=lane.name or wording.text("The lane"), shots=played["states"][-1]["shots"], games=played["games"]
    )
    drawn = svg(squad_picture(played, lane, wording))
    page = Markup(  # nosec B704
        '<!DOCTYPE html><html lang="{}"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1"><title>{}</title>'
        "<style>{}{}</style></head><body><h1>{}</h1><p>{}</p>{}</body></html>"
    )
    said = wording.text(played["depletion"])
    return str(page.format(wording.language, head, colored(), Markup(STYLE), head, said, drawn))  # nosec B704
