"""Where each ball of a line reads and what it covers from there, for every bowler and lane.

A bowler lines up with the reference ball, on each lane with its greatest amount of oil, and throws every ball
alike: the same scattered releases, the same phases of the grip, the same draws of uncertain frictions. So the
difference of two balls is known far better than the place of either.

A difference is told in the mean over the deliveries, with the standard uncertainty of this mean: scatter and
phases count by their share of so many throws, an uncertain friction in full, for it is one for all of them.

Reads: the distance [ft] at which a quarter of the whole turn in direction is made. Covers: boards from there
to the pins. Sharpness: the mean rate of turning [deg/ft] from a quarter of the turn to nine tenths.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, groupby, pairwise

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas.shared.words import MEASURES, PLACED
from ballgauge_service.core.arrays import Array
from ballgauge_service.core.budget import Run
from ballgauge_service.core.bulk import Bulk
from ballgauge_service.motion.aiming import Aim, aim
from ballgauge_service.motion.bowlers import Bowler, release_row, scattered
from ballgauge_service.motion.delivery import Ends, Window
from ballgauge_service.motion.line_maps import GAP, OVERLAP, placed
from ballgauge_service.motion.lineup.causes import Causes, causes
from ballgauge_service.motion.lineup.request import Column, LineupRequest
from ballgauge_service.motion.starts import Throw, run, to_board
from ballgauge_service.motion.surfaces import drawn_frictions
from ballgauge_service.physics.motion import notes

ENOUGH = 0.75
"""Share of deliveries that has to come to the pins with both balls for their difference to be told (ours)."""


@dataclass(frozen=True, slots=True)
class Place:
    """One ball for one bowler on one lane, delivery by delivery, (n,) each; NaN for those that were lost.

    reads [ft]; covers [boards]; sharpness [deg/ft]; finish: board at the pins; lost: deliveries that did not
    come there; unsure: by the launch alone, at the frictions that are drawn, None for one that is known.
    """

    reads: Array
    covers: Array
    sharpness: Array
    finish: Array
    lost: int
    unsure: Place | None = None

    @property
    def sound(self) -> bool:
        """Every delivery came to the pins and turned: the place may be compared."""
        return self.lost == 0 and bool(np.isfinite(self.reads).all())


@dataclass(frozen=True, slots=True)
class Value:
    """A mean, and of a place the standard deviation of single deliveries, of a difference the mean's own."""

    mean: float
    uncertainty: float


@dataclass(frozen=True, slots=True)
class Difference:
    """A ball less the reference, over the deliveries that came to the pins with both.

    Of each measure; unpaired: what the two places, each by throws of its own, would leave open; causes: what
    makes the differences in reads and covers.
    """

    ball: int
    column: int
    deliveries: int
    values: dict[str, Value]
    unpaired: dict[str, float]
    causes: Causes


@dataclass(frozen=True, slots=True)
class Pair:
    """Two balls, and how far apart they are in units of their spread."""

    balls: tuple[int, int]
    separation: float


@dataclass(frozen=True, slots=True)
class Gap:
    """Two neighbors in where they read [ft], the earlier first, and the place between them."""

    between: tuple[int, int]
    start: float
    end: float
    room: dict[str, float]


@dataclass(frozen=True, slots=True)
class Opening:
    """When a lane opens, from one column to another with less oil: what to take after a ball.

    take: the ball that does most nearly what the first did; changed: it less the first ball before; stays:
    the first ball itself, after less before.
    """

    columns: tuple[int, int]
    ball: int
    take: int
    changed: dict[str, Value]
    stays: dict[str, Value] | None


@dataclass(frozen=True, slots=True)
class Row:
    """What one bowler finds: of every column places by ball, overlaps and gaps; the rest over all columns.

    aims: the launch on each lane; best: the pair that leaves every other ball nearest to one of them, None
    where too few may be compared; partners: of each ball the one that completes it so; correlations: of reads
    and covers over the balls of each column, None for fewer than four.
    """

    bowler: Bowler
    aims: list[Aim]
    places: list[list[Place]]
    differences: list[Difference]
    overlaps: list[list[Pair]]
    gaps: list[list[Gap]]
    best: Pair | None
    partners: dict[int, Pair]
    openings: list[Opening]
    correlations: list[float | None]


def value(numbers: Array) -> Value:
    """Mean and standard deviation of what is not NaN.

    Parameters
    ----------
    numbers : (n,) array

    Returns
    -------
    Value, in their unit, the deviation with n - 1; both NaN of fewer than two
    """
    known = numbers[np.isfinite(numbers)]
    if len(known) < 2:
        return Value(float("nan"), float("nan"))
    return Value(float(known.mean()), float(known.std(ddof=1)))


def line_up(asked: LineupRequest, told: Run, bulk: Bulk | None = None) -> list[Row]:
    """A row for every bowler.

    Parameters
    ----------
    asked : LineupRequest
    told : Run, hears how far it is
    bulk : who follows the deliveries

    Returns
    -------
    list of Row

    Raises
    ------
    BulkUnavailable, and what `told` does
    """
    rows = []
    for k, bowler in enumerate(asked.bowlers):
        told.report(k / len(asked.bowlers), bowler.name)
        rows.append(_row(asked, bowler, bulk))
    told.report(1.0, "sheet")
    return rows


def freshest(columns: Sequence[Column]) -> list[Column]:
    """Of each lane the column with the most oil, on which a bowler lines up.

    Parameters
    ----------
    columns : sequence of Column, those of a lane together

    Returns
    -------
    list of Column, one a lane
    """
    groups = groupby(columns, key=lambda column: column.group)
    return [max(group, key=lambda column: column.lane.volume) for _, group in groups]


def _row(asked: LineupRequest, bowler: Bowler, bulk: Bulk | None) -> Row:
    held = [placed(entry.ball, bowler) for entry in asked.entries]
    first = held[asked.reference]
    lanes = [column.lane for column in freshest(asked.columns)]
    aims = aim([(first, lane) for lane in lanes], bowler, Window(), asked.settings, bulk)
    launched = [scattered(each.release, bowler.scatter, asked.deliveries, asked.seed) for each in aims]
    usual = [np.tile(release_row(each.release), (asked.deliveries, 1)) for each in aims]
    drawn = drawn_frictions([ball.surface for ball in held], asked.deliveries, asked.seed)
    every, alone = (
        [
            Throw(ball, releases[column.group], column.lane, frictions=frictions)
            for column in asked.columns
            for ball, frictions in zip(held, drawn, strict=True)
        ]
        for releases in (launched, usual)
    )
    throws = [*every, *(throw for throw in alone if throw.frictions is not None)]
    thrown = zip(run(throws, asked.settings, bulk), throws, strict=True)
    each_place = [_place(Ends(rows, throw.ball)) for rows, throw in thrown]
    unsure = iter(each_place[len(every) :])
    found = [
        place if throw.frictions is None else replace(place, unsure=next(unsure))
        for place, throw in zip(each_place[: len(every)], every, strict=True)
    ]
    places = [found[i : i + len(held)] for i in range(0, len(found), len(held))]
    wanted = [
        (column, ball)
        for column, row in enumerate(places)
        for ball, place in enumerate(row)
        if ball != asked.reference and comparable(place, row[asked.reference])
    ]
    apart = np.array([[[separation(p, q) for q in row] for p in row] for row in places])
    names = [entry.name for entry in asked.entries]

    def nearest(pair: Pair) -> tuple[float, float, list[str]]:
        """Of pairs that do as well, the one farther apart; by their names at last."""
        return pair.separation, -float(apart[:, *pair.balls].mean()), sorted(names[k] for k in pair.balls)

    pairs = list(_pairs(apart))
    return Row(
        bowler,
        aims,
        places,
        list(_differences(asked, places, causes(asked, held, aims, wanted, bulk))),
        [[pair for pair in _every_pair(one) if pair.separation < OVERLAP] for one in apart],
        [list(_gaps(row)) for row in places],
        min(pairs, key=nearest, default=None),
        {k: min((p for p in pairs if k in p.balls), key=nearest) for pair in pairs for k in pair.balls},
        list(_openings(asked.columns, places, names)),
        [_correlation(row) for row in places],
    )


def _place(ends: Ends) -> Place:
    known = Ends(np.where(ends.arrived[:, None], ends.rows, np.nan), ends.ball)
    covers = known.board - to_board(known.rows[:, notes.TURN_START_X], ends.side)
    reads = known.rows[:, notes.TURN_START] / 12.0
    return Place(reads, covers, known.sharpness, known.board, int((~ends.arrived).sum()))


def separation(a: Place, b: Place) -> float:
    """Distance between two places in reads and covers, each in units of both spreads together.

    Parameters
    ----------
    a, b : Place

    Returns
    -------
    float, without unit; NaN where one of them may not be compared
    """
    if not (a.sound and b.sound):
        return float("nan")
    total = 0.0
    for name in PLACED:
        one, two = value(getattr(a, name)), value(getattr(b, name))
        gap = one.mean - two.mean
        total += gap * gap / max(one.uncertainty**2 + two.uncertainty**2, 1e-12)
    return float(np.sqrt(total))


def together(a: Place, b: Place) -> NDArray[np.bool_]:
    """Deliveries that came to the pins with both balls.

    Parameters
    ----------
    a, b : Place

    Returns
    -------
    (n,) array of bool
    """
    both: NDArray[np.bool_] = np.isfinite(a.reads) & np.isfinite(b.reads)
    return both


def comparable(a: Place, b: Place) -> bool:
    """Whether enough deliveries came to the pins with both.

    Parameters
    ----------
    a, b : Place

    Returns
    -------
    bool
    """
    return bool(together(a, b).mean() >= ENOUGH)


def less(a: Place, b: Place) -> dict[str, Value]:
    """One place less another in the mean over the deliveries that came to the pins with both.

    Parameters
    ----------
    a, b : Place

    Returns
    -------
    Value by measure: [ft], [boards], [deg/ft], [board], with the standard uncertainty of the mean
    """
    return {
        name: Value(value(apart := getattr(a, name) - getattr(b, name)).mean, _known(apart, name, a, b))
        for name in MEASURES
    }


def _known(numbers: Array, measure: str, place: Place, other: Place | None = None) -> float:
    """Standard uncertainty of the mean over deliveries of a measure of a place, or of it less another's.

    What is thrown has the draws of the frictions in it, but as so many samples of them. Where the launch
    alone does not come to the pins with them, a single delivery's spread stands for what they leave open.
    """
    single = value(numbers).uncertainty
    sampled = single / math.sqrt(max(np.isfinite(numbers).sum(), 1))
    drawn = [
        sign * getattr(each.unsure, measure)
        for each, sign in ((place, 1.0), (other, -1.0))
        if each is not None and each.unsure is not None
    ]
    if not drawn:
        return sampled
    left = value(np.sum(drawn, axis=0)).uncertainty
    return math.hypot(sampled, single if math.isnan(left) else left)


def _differences(
    asked: LineupRequest, places: Sequence[Sequence[Place]], found: dict[tuple[int, int], Causes]
) -> Iterator[Difference]:
    for column, row in enumerate(places):
        first = row[asked.reference]
        for ball, place in enumerate(row):
            if ball == asked.reference or not comparable(place, first):
                continue
            both = together(place, first)
            unpaired = {
                name: math.hypot(*(_known(getattr(each, name)[both], name, each) for each in (place, first)))
                for name in MEASURES
            }
            known = found.get((column, ball), {"reads": {}, "covers": {}})
            yield Difference(ball, column, int(both.sum()), less(place, first), unpaired, known)


def _every_pair(apart: Array) -> Iterator[Pair]:
    for i, j in combinations(range(len(apart)), 2):
        yield Pair((i, j), float(apart[i, j]))


def _correlation(row: Sequence[Place]) -> float | None:
    known = np.array([[value(p.reads).mean, value(p.covers).mean] for p in row if p.sound])
    if len(known) < 4 or known.std(axis=0).min() < 1e-9:
        return None
    return float(np.clip(np.corrcoef(known.T)[0, 1], -1.0, 1.0))


def _pairs(apart: Array) -> Iterator[Pair]:
    """Two balls that may be compared on all columns, and how far another is from both of them at most."""
    sound = [k for k in range(apart.shape[1]) if not np.isnan(apart[:, k, k]).any()]
    for i, j in combinations(sound, 2):
        yield Pair((i, j), float(np.minimum(apart[:, i, sound], apart[:, j, sound]).max()))


def _gaps(row: Sequence[Place]) -> Iterator[Gap]:
    known = sorted((value(place.reads).mean, k) for k, place in enumerate(row) if place.sound)
    for (start, near), (end, far) in pairwise(known):
        spreads = [value(row[k].reads).uncertainty for k in (near, far)]
        if end - start > GAP * math.hypot(*spreads):
            room = {
                name: 0.5 * (value(getattr(row[near], name)).mean + value(getattr(row[far], name)).mean)
                for name in PLACED
            }
            yield Gap((near, far), start, end, room)


def _openings(
    columns: Sequence[Column], places: Sequence[Sequence[Place]], names: Sequence[str]
) -> Iterator[Opening]:
    order = sorted(range(len(columns)), key=lambda k: (columns[k].group, -columns[k].lane.volume))
    for before, after in pairwise(order):
        if columns[before].group != columns[after].group:
            continue
        for ball, place in enumerate(places[before]):
            others = [(separation(place, other), names[k], k) for k, other in enumerate(places[after])]
            sound = [each for each in others if np.isfinite(each[0])]
            if not sound:
                continue
            *_, take = min(sound)
            own = places[after][ball]
            stays = less(own, place) if own.sound else None
            yield Opening((before, after), ball, take, less(places[after][take], place), stays)
