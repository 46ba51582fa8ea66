"""What is answered about a line-up, as JSON-ready dicts; the unit of each name is in UNITS."""

from __future__ import annotations

import base64
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from ballgauge_schemas.shared.words import MEASURES
from ballgauge_service.core.caution import Caution
from ballgauge_service.motion.answer import assumptions, launched, throws
from ballgauge_service.motion.line_maps import GAP, OVERLAP, placed
from ballgauge_service.motion.lineup.places import (
    ENOUGH,
    Difference,
    Opening,
    Pair,
    Place,
    Row,
    Value,
    value,
)
from ballgauge_service.motion.lineup.request import Entry, LineupRequest
from ballgauge_service.motion.lineup.wording import Speaker, Wording, shares
from ballgauge_service.motion.surfaces import surface_friction

Group = dict[str, Any]

UNITS = {
    "reads": "ft",
    "covers": "boards",
    "sharpness": "deg/ft",
    "finish": "board from the bowler's side",
    "start": "ft",
    "end": "ft",
    "volume": "mL",
    "launch_angle": "deg",
    "launch_board": "board from the bowler's side",
    "shares": "1",
    "effects.reads": "ft",
    "effects.covers": "boards",
    "separation": "1",
    "weight": "lb",
    "rg": "in",
    "differential": "in",
    "intermediate_differential": "in",
    "roughness": "µin",
}

DEFINITIONS = {
    "reads": "distance at which a quarter of the whole turn in direction is made",
    "covers": "boards from where the ball reads to the pins, positive away from the bowler's side",
    "sharpness": "mean rate of turning from a quarter to nine tenths of the whole turn",
    "throws": "every ball is thrown by the same releases, on the line that brings the reference to the "
    "pocket on the lane's greatest amount of oil",
    "uncertainty": "of a place the standard deviation of single deliveries: the bowler's scatter, the phase "
    "of the grip, and what calibrated frictions leave open; of a difference the standard uncertainty of its "
    "mean over all deliveries, thrown alike with both balls, with all that calibrated frictions leave open",
    "unpaired": "uncertainty of the mean difference, were each ball thrown by deliveries of its own",
    "effects": "mean of a trait's effect swapped first and swapped last, in the mean over the phases of the "
    "grip; together is what only several traits do; they add up to the difference by the launch itself",
    "separation": "distance in reads and covers, each over the root of the sum of both variances",
    "overlaps": f"pairs of balls under a separation of {OVERLAP:g}",
    "gaps": f"neighbors more than {GAP:g} spreads apart in where they read, and the middle between them",
    "pair": "the two balls that leave every other ball nearest to one of them, over all columns",
    "partners": "of each ball the one with which it does so",
    "openings": "when the oil of a lane has gone from one column to the next, the ball that does most nearly "
    "what a ball did, thrown alike",
    "correlations": "of reads and covers over the balls of each column, where they are four or more",
    "taken": "balls that lose a delivery take no part in overlaps, gaps, pairs and openings; a difference is "
    f"told where {ENOUGH:.0%} of the deliveries come to the pins with both balls, over these",
}
"""How the measures are meant, told with them."""


def lineup_answer(
    asked: LineupRequest, rows: Sequence[Row], wording: Wording, sheets: Mapping[str, bytes]
) -> Group:
    """The whole answer; sheets: by format, those that come with it."""
    speaker = Speaker(asked, wording)
    first = placed(asked.entries[asked.reference].ball, asked.bowlers[0])
    taken = [*asked.assumptions, *assumptions(first, asked.columns[0].lane, asked.settings)]
    return {
        "reference": asked.entries[asked.reference].name,
        "balls": [_ball(entry, asked) for entry in asked.entries],
        "columns": [
            {"name": speaker.column(k), "lane": each.lane.name, "volume": each.lane.volume}
            for k, each in enumerate(asked.columns)
        ],
        "bowlers": [_row(asked, row, speaker) for row in rows],
        "deliveries": asked.deliveries,
        "seed": asked.seed,
        "definitions": DEFINITIONS,
        "cautions": [each.to_dict() for each in (*asked.cautions, *_cautions(asked, rows, speaker))],
        "assumptions": list(dict.fromkeys(taken)),
        "units": UNITS,
        "sheets": None if not sheets else {name: _text(name, page) for name, page in sheets.items()},
    }


def _text(name: str, page: bytes) -> str:
    return base64.b64encode(page).decode() if name == "pdf" else page.decode()


def _ball(entry: Entry, asked: LineupRequest) -> Group:
    ball = placed(entry.ball, asked.bowlers[0])
    rg, differential, intermediate = ball.numbers
    friction = surface_friction(ball.surface, asked.settings.friction)
    return {
        "name": entry.name,
        "new": entry.new,
        "by": entry.way,
        "weight": ball.weight,
        "rg": rg,
        "differential": differential,
        "intermediate_differential": intermediate,
        "cover": ball.surface.cover,
        "roughness": friction.roughness,
    }


def _cautions(asked: LineupRequest, rows: Sequence[Row], speaker: Speaker) -> Iterator[Caution]:
    first = asked.entries[asked.reference].name
    for k, row in enumerate(rows):
        if not all(each.reached for each in row.aims):
            words = f"No launch within usual limits brings {first} to the pocket for {row.bowler.name}."
            yield Caution("not_aimed", words, f"/bowlers/{k}")
        missing = [
            f"{asked.entries[ball].name} on {speaker.column(column)}"
            for column, places in enumerate(row.places)
            for ball, place in enumerate(places)
            if not place.sound
        ]
        if missing:
            told = ", ".join(missing)
            words = (
                "With lost deliveries, and so left out of overlaps, gaps, pairs and openings, for "
                f"{row.bowler.name}: {told}."
            )
            yield Caution("places_left_out", words, f"/bowlers/{k}")


def _row(asked: LineupRequest, row: Row, speaker: Speaker) -> Group:
    columns, balls = range(len(asked.columns)), range(len(asked.entries))
    return {
        "name": row.bowler.name,
        "thrown": throws(row.bowler),
        "launches": [launched(row.aims[column.group]) for column in asked.columns],
        "places": [
            {"ball": speaker.ball(ball), "column": column, **_place(row.places[column][ball])}
            for column in columns
            for ball in balls
        ],
        "differences": [_difference(each, speaker) for each in row.differences],
        "overlaps": [{"column": k, **_pair(each, speaker)} for k in columns for each in row.overlaps[k]],
        "gaps": [
            {
                "column": k,
                "between": [speaker.ball(ball) for ball in each.between],
                "start": each.start,
                "end": each.end,
                "room": each.room,
            }
            for k in columns
            for each in row.gaps[k]
        ],
        "pair": None if row.best is None else _pair(row.best, speaker),
        "partners": [
            {"ball": speaker.ball(k), **_pair(pair, speaker)} for k, pair in sorted(row.partners.items())
        ],
        "openings": [_opening(each, speaker) for each in row.openings],
        "correlations": [
            {"column": k, "correlation": each} for k, each in enumerate(row.correlations) if each is not None
        ],
        "sentences": list(speaker.row(row)),
    }


def _place(place: Place) -> Group:
    return {
        **{name: _value(value(getattr(place, name))) for name in MEASURES},
        "lost": place.lost,
        "compared": place.sound,
    }


def _value(found: Value) -> Group | None:
    """Mean and uncertainty; null where there is no number."""
    return None if math.isnan(found.mean) else asdict(found)


def _difference(found: Difference, speaker: Speaker) -> Group:
    return {
        "ball": speaker.ball(found.ball),
        "column": found.column,
        "deliveries": found.deliveries,
        **{name: {**asdict(each), "unpaired": found.unpaired[name]} for name, each in found.values.items()},
        "effects": found.causes,
        "shares": {measure: shares(found, measure) for measure in found.causes},
        "sentence": speaker.difference(found),
    }


def _pair(pair: Pair, speaker: Speaker) -> Group:
    return {"balls": [speaker.ball(k) for k in pair.balls], "separation": pair.separation}


def _opening(found: Opening, speaker: Speaker) -> Group:
    return {
        "columns": [*found.columns],
        "ball": speaker.ball(found.ball),
        "take": speaker.ball(found.take),
        "changed": {name: _value(each) for name, each in found.changed.items()},
        "stays": found.stays and {name: _value(each) for name, each in found.stays.items()},
        "sentence": speaker.opening(found),
    }
