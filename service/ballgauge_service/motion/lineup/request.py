"""What is asked of a line-up, from a loaded request: made once, and all that the engine takes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ballgauge_schemas.motion.lineup_request import name_of
from ballgauge_schemas.shared import limits
from ballgauge_schemas.shared.words import WAYS
from ballgauge_service.check.request import Drilling
from ballgauge_service.core.arrays import Array
from ballgauge_service.core.caution import Caution
from ballgauge_service.core.refusal import Fault, InvalidInput, below
from ballgauge_service.motion.balls import HANDS, BoxBall, MotionBall
from ballgauge_service.motion.bowlers import Bowler
from ballgauge_service.motion.lanes import Lane
from ballgauge_service.motion.line_maps import Ball
from ballgauge_service.motion.request import Loaded, Reader, plain, read_lane, read_settings
from ballgauge_service.motion.starts import MotionSettings
from ballgauge_service.physics.sphere import Vector, positive_axis_point

ACCURACY = 1e-3
"""Error of the path that a line-up aims at, where no coarser one is asked for [in] (ours)."""


@dataclass(frozen=True, slots=True)
class MadeDesign:
    """The numbers of a design, computed elsewhere: [lb], [in].

    Undrilled: weight, diameter, rg, differential, intermediate_differential. Drilled, in the grip frame: also
    its center of mass, and unit vectors of its low and high axes.
    """

    weight: float
    diameter: float
    rg: float
    differential: float
    intermediate_differential: float
    centre_of_mass: Vector | None = None
    low_axis: Vector | None = None
    high_axis: Vector | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """A ball of the line: its name on the sheet, whether it is new, and whence its numbers are."""

    name: str
    ball: Ball
    new: bool
    way: str


@dataclass(frozen=True, slots=True)
class Column:
    """A lane with one amount of oil; group: the place of the lane among those asked for."""

    lane: Lane
    group: int


@dataclass(frozen=True, slots=True)
class SheetWishes:
    """How the sheet is written; formats: those that come within the JSON."""

    language: str = "en"
    paper: str = "a4"
    formats: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LineupRequest:
    """Balls, bowlers and lanes; reference: the place of the ball that the others are set against."""

    entries: tuple[Entry, ...]
    reference: int
    bowlers: tuple[Bowler, ...]
    columns: tuple[Column, ...]
    deliveries: int
    seed: int
    settings: MotionSettings
    sheet: SheetWishes
    assumptions: tuple[str, ...]
    cautions: tuple[Caution, ...]


def read_lineup(request: Loaded, made: Mapping[int, MadeDesign]) -> LineupRequest:
    """Read a request as `ballgauge_schemas.motion.lineup_request.LINEUP_REQUEST` loads it.

    made: the numbers of each design, by the place of its ball. Raises InvalidInput for a ball or a pattern
    that cannot be.
    """
    reader, hand = Reader(), request.get("hand", limits.HAND)
    bowlers = tuple(reader.own_bowler(each, hand) for each in request["bowlers"])
    entries = tuple(
        _entry(reader, each, k, bowlers[0], made.get(k)) for k, each in enumerate(request["balls"])
    )
    names = [each.name for each in entries]
    first = next((each.name for each in entries if not each.new), names[0])
    given = {name: request[name] for name in ("deliveries", "seed") if name in request}
    if "hand" not in request:
        reader.assumptions.append("No hand is given: the bowlers are right-handed.")
    settings = read_settings(plain(request.get("settings", {})), request.get("oil_on_ball"))
    wishes = request.get("sheet", {})
    return LineupRequest(
        entries,
        names.index(request.get("reference", first).strip()),
        bowlers,
        tuple(_columns(request["lanes"])),
        given.get("deliveries", limits.LINEUP_DELIVERIES),
        given.get("seed", limits.DEFAULT_SEED),
        replace(settings, path_error=max(settings.path_error, ACCURACY)),
        SheetWishes(**{**wishes, "formats": tuple(wishes.get("formats", ()))}),
        tuple(dict.fromkeys(reader.assumptions)),
        tuple(reader.cautions),
    )


def _entry(reader: Reader, item: Loaded, k: int, bowler: Bowler, made: MadeDesign | None) -> Entry:
    name, way = name_of(dict(item)), next(each for each in WAYS if each in item)
    ball: Ball
    if way == "box":
        ball = reader.box({**item["box"], "name": name}, bowler, f"/balls/{k}/box")
    elif way == "drilled":
        ball = replace(reader.drilled(item["drilled"], ("balls", k, "drilled")), name=name)
    else:
        assert made is not None
        ball = _designed(reader, item["design"], name, bowler, made, f"/balls/{k}/design")
    return Entry(name, ball, item.get("new", False), way)


def _designed(reader: Reader, item: Loaded, name: str, bowler: Bowler, made: MadeDesign, place: str) -> Ball:
    surface = reader.surface(item, name)
    if made.low_axis is None or made.high_axis is None:
        with below(place):
            return BoxBall(
                name=name, weight=made.weight, rg=made.rg, differential=made.differential,
                intermediate_differential=made.intermediate_differential, radius=0.5 * made.diameter,
                over=bowler.over, up=bowler.up, hand=bowler.hand, surface=surface, **plain(item["layout"]),
            )  # fmt: skip
    drilling = Drilling.of(item["drilling"])
    radius, high = 0.5 * made.diameter, made.rg + made.differential
    pap = item["drilling"]["pap"]
    moments = (made.rg**2, (high - made.intermediate_differential) ** 2, high**2)
    return MotionBall(
        name,
        made.weight,
        radius,
        moments,
        _axes(made.low_axis, made.high_axis),
        made.centre_of_mass or (0.0, 0.0, 0.0),
        positive_axis_point(HANDS[drilling.hand], pap["over"].value, pap["up"].value, radius),
        drilling.hand,
        surface,
    )


def _axes(low: Vector, high: Vector) -> Array:
    """Rows: low, intermediate and high axis; the high one is turned square to the low one where it is not."""
    first, last = np.array(low), np.array(high)
    last = last - last @ first * first
    last /= np.linalg.norm(last)
    return np.array([first, np.cross(last, first), last])


def _columns(lanes: Sequence[Loaded]) -> Iterator[Column]:
    for k, asked in enumerate(lanes):
        lane = read_lane(asked, f"/lanes/{k}")
        for at, volume in enumerate(plain(asked.get("volumes", []))):
            if lane.volume == 0.0:
                raise InvalidInput([Fault(f"/lanes/{k}/volumes/{at}", "a dry lane has no pattern to scale")])
            yield Column(lane.scaled(volume), k)
        if "volumes" not in asked:
            yield Column(lane, k)
