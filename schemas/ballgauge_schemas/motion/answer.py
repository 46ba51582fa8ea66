"""What is answered about a motion. Every member's unit is under `units` in the answer itself."""

from __future__ import annotations

from typing import Any

from ballgauge_schemas.check.answer import CautionSchema
from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.base import Part, Schema, Several, Table, Text


def _group(description: str, example: dict[str, Any], *, allow_none: bool = False) -> Table:
    return Table(None, example, description, required=True, allow_none=allow_none)


class MotionResultSchema(Schema):
    """One delivery, and the studies that were asked for; those that were not are null."""

    ball = _group(
        "The ball as it moved: name, weight, radius, hand.",
        {"name": "Ostrel Works Tarn 48", "weight": 15.0, "radius": 4.29, "hand": "right"},
    )
    bowler = _group(
        "Who threw it: name, hand, pap, release, scatter; all that was taken.",
        {"name": "matched_one_handed", "hand": "right", "pap": {"over": 5.0, "up": 0.5}},
    )
    marks = Table(
        None,
        {"rev_rate": 331.0, "uncertainty": {"rev_rate": 4.0}},
        "What a marked ball told: rev_rate, axis_rotation, axis_tilt, and their standard uncertainties.",
        allow_none=True,
    )
    lane = _group(
        "The lane as it was, wear among it: name, volume of oil, length of the pattern.",
        {"name": "Ostrel house", "volume": 19.5, "length": 39.0},
    )
    motion = _group(
        "The delivery: ending, message, entry, phases, breakpoint, boards_crossed, hook, total_turn, "
        "turn_left, sharpness, flare with its rings, oil_taken by the cover, revolutions, roll_phases "
        "with the ranges by phase of the grip, energy, and curves where samples were asked for.",
        {"ending": "pins", "entry": {"board": 17.4, "angle": 4.1, "speed": 14.9}},
    )
    spread = _group(
        "Board and angle at the pins over many deliveries, and the share inside the window.",
        {"deliveries": 500, "seed": 7, "entry_board": {"mean": 17.5, "standard_deviation": 1.2}},
        allow_none=True,
    )
    line_map = _group(
        "Points of every ball by bowler and volume, with overlaps, gaps and pairs.",
        {"volumes": [25.0], "deliveries": 12, "seed": 7, "bowlers": []},
        allow_none=True,
    )
    surface_change = Several(
        Table(None, {"bowler": "own", "volume": 25.0}, "One bowler and volume."),
        limits.VOLUMES_MAXIMUM * (len(words.PRESETS) + 1 + limits.OWN_BOWLERS_MAXIMUM),
        "How far the other surface moves the ball on the map.",
        minimum=1,
        required=True,
        allow_none=True,
    )
    squad = Table(
        None,
        {"states": [{"game": 0, "shots": 0, "oil": {"on_lane": 19.5}}], "seed": 7},
        "The lane fresh and after each game: film, oil on lane and balls, every bowler's place and shots.",
        allow_none=True,
    )
    calibration = Table(
        None,
        {"curve": {"oiled": 0.041, "dry": 0.21, "scale": 47.0}, "chi_square": 151.4, "freedom": 157},
        "The friction found: curve, to be put into `surface.curve`, uncertainty, correlation, chi_square, "
        "freedom, sensors and shots with what is left of them in standard uncertainties.",
        allow_none=True,
    )
    explain = _group(
        "Boards at the pins by trait: their shares add up to the difference.",
        {"difference": -0.8, "traits": {"rg": {"share": 0.6}}},
        allow_none=True,
    )
    cautions = Several(Part(CautionSchema, "A caution."), 1000, "What to mind.", required=True)
    assumptions = Several(
        Text("There is no rolling resistance.", "One sentence.", maximum=1000),
        1000,
        "What was taken for granted.",
        required=True,
    )
    units = Table(
        Text("ft", "A unit.", maximum=60),
        {"distance": "ft", "board": "board from the bowler's side"},
        "Unit of each name in the answer.",
        required=True,
    )


MOTION_RESULT = MotionResultSchema()
