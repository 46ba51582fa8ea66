"""Where each ball of a line stands beside the others: computed length to the hook against computed sharpness.

Length: the distance [ft] at which a quarter of the whole turn in direction is made. Sharpness: the mean rate
of turning [deg/ft] from there to nine tenths of it. Both come from the motion, for one bowler and one amount
of oil; their spread comes from the bowler's scatter. Every ball is aimed at the pocket; one that is not
brought there, or loses deliveries, is shown and takes no part in what is said of several.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, count, pairwise

import numpy as np

from ballgauge_schemas.shared import limits
from ballgauge_service.core.arrays import Array
from ballgauge_service.core.bulk import Bulk
from ballgauge_service.motion.aiming import Aim, aim
from ballgauge_service.motion.balls import BoxBall, MotionBall, box_ball
from ballgauge_service.motion.bowlers import Bowler, scattered
from ballgauge_service.motion.delivery import Ends, Window
from ballgauge_service.motion.lanes import Lane
from ballgauge_service.motion.spreads import statistics
from ballgauge_service.motion.starts import USUAL, MotionSettings, Throw, run
from ballgauge_service.motion.surfaces import Surface, drawn_frictions
from ballgauge_service.physics.motion import notes

Ball = BoxBall | MotionBall

OVERLAP = 1.0
GAP = 2.0
"""Separations (ours): under OVERLAP two balls do the same thing as far as this bowler can tell; between two
neighbors in length more than GAP apart there is room for a ball that overlaps neither."""


@dataclass(frozen=True, slots=True)
class Line:
    """Balls to map, for several amounts of oil [mL] on one pattern and several bowlers.

    deliveries: scattered releases a point from one seed, the same for every ball; volumes: the lane's own
    where there are none; surface: another one for the first ball, to see how far it moves.
    """

    balls: tuple[Ball, ...]
    bowlers: tuple[Bowler, ...]
    volumes: tuple[float, ...] = ()
    deliveries: int = limits.POINT_DELIVERIES
    seed: int = limits.DEFAULT_SEED
    surface: Surface | None = None


@dataclass(frozen=True, slots=True)
class Point:
    """One ball on one lane for one bowler: length [ft], sharpness [deg/ft] of each delivery that arrived.

    share: of the deliveries in the pocket's window; sound: whether the point may be compared with others.
    """

    length: Array
    sharpness: Array
    aim: Aim
    entry_angle: Array
    total_turn: Array
    lost: int
    share: float

    @property
    def sound(self) -> bool:
        """Aimed, and with every delivery at the pins."""
        return self.aim.reached and self.lost == 0


@dataclass(frozen=True, slots=True)
class Pair:
    """Two balls by name, and the separation that they were chosen by."""

    balls: list[str]
    separation: float


@dataclass(frozen=True, slots=True)
class Gap:
    """Two neighbors in length [ft], nearer first, and the place with room for a ball between them."""

    between: list[str]
    from_length: float
    to_length: float
    room_at: dict[str, float]


@dataclass(frozen=True, slots=True)
class BowlerMap:
    """The map of one bowler.

    Of every volume: points of the balls, pairs that overlap, gaps between neighbors. The pair that leaves
    every other ball nearest to one of them, and the pair farthest apart on the mean; None with fewer than two
    balls that may be compared. changed: the first ball with the other surface, by the same releases, of every
    volume; or nothing.
    """

    bowler: str
    points: list[list[Point]]
    overlaps: list[list[Pair]]
    gaps: list[list[Gap]]
    best_pair: Pair | None
    widest_pair: Pair | None
    changed: list[Point]


@dataclass(frozen=True, slots=True)
class LineMap:
    """The maps of a line's bowlers, for these volumes [mL] and names of balls."""

    line: Line
    volumes: Sequence[float]
    names: list[str]
    maps: list[BowlerMap]


def placed(ball: Ball, bowler: Bowler) -> MotionBall:
    """The ball in the bowler's hand: a boxed ball is laid out from the bowler's positive axis point.

    Parameters
    ----------
    ball : boxed or drilled
    bowler : who holds it

    Returns
    -------
    the ball as it is thrown
    """
    if isinstance(ball, MotionBall):
        return ball
    return box_ball(replace(ball, hand=bowler.hand, over=bowler.over, up=bowler.up))


def line_map(line: Line, lane: Lane, settings: MotionSettings = USUAL, bulk: Bulk | None = None) -> LineMap:
    """Map a line of balls.

    Parameters
    ----------
    line : balls, bowlers and volumes
    lane : with the pattern
    settings : how deliveries are computed
    bulk : who follows the deliveries; threads of this process unless given

    Returns
    -------
    a map of every bowler

    Raises
    ------
    InvalidInput
        Oil is asked for on a dry lane.
    BulkUnavailable
    """
    volumes = line.volumes or (lane.volume,)
    lanes = [lane.scaled(volume) for volume in volumes]
    balls = list(line.balls)
    if line.surface is not None:
        balls.append(replace(balls[0], surface=line.surface))
    names = _names(line.balls)
    maps = []
    for bowler in line.bowlers:
        points = measure(balls, lanes, bowler, line, settings, bulk)
        changed = [row.pop() for row in points if line.surface]
        apart = np.array([[[separation(p, q) for q in row] for p in row] for row in points])
        overlaps = [_overlaps(one, names) for one in apart]
        gaps = [list(_gaps(row, names)) for row in points]
        maps.append(BowlerMap(bowler.name, points, overlaps, gaps, *_pairs(apart, names), changed))
    return LineMap(line, volumes, names, maps)


def _names(balls: Sequence[Ball]) -> list[str]:
    """A name for each ball, numbered where another has it already."""
    names: list[str] = []
    for index, ball in enumerate(balls):
        name = ball.name or f"ball {index + 1}"
        tries = (f"{name} ({n})" if n > 1 else name for n in count(1))
        names.append(next(each for each in tries if each not in names))
    return names


def measure(
    balls: Sequence[Ball],
    lanes: Sequence[Lane],
    bowler: Bowler,
    line: Line,
    settings: MotionSettings,
    bulk: Bulk | None,
) -> list[list[Point]]:
    """Points of every ball on every lane for one bowler, by the line's deliveries and seed.

    Parameters
    ----------
    balls : of the line
    lanes : one a volume
    bowler : who throws them
    line : its deliveries and seed
    settings : how deliveries are computed
    bulk : who follows the deliveries; threads of this process unless given

    Returns
    -------
    [lane][ball]
    """
    held = [placed(ball, bowler) for ball in balls]
    thrown = [(ball, lane) for lane in lanes for ball in held]
    aims = aim(thrown, bowler, Window(), settings, bulk)
    drawn = drawn_frictions([ball.surface for ball, _ in thrown], line.deliveries, line.seed)
    throws = [
        Throw(
            ball,
            scattered(found.release, bowler.scatter, line.deliveries, line.seed),
            lane,
            frictions=frictions,
        )
        for (ball, lane), found, frictions in zip(thrown, aims, drawn, strict=True)
    ]
    points = [
        _point(rows, throw.ball, found)
        for rows, throw, found in zip(run(throws, settings, bulk), throws, aims, strict=True)
    ]
    return [points[i : i + len(balls)] for i in range(0, len(points), len(balls))]


def _point(rows: Array, ball: MotionBall, found: Aim) -> Point:
    """Only deliveries that come to the pins count: those in the gutter have not made their turn."""
    ends = Ends(rows, ball)
    known = Ends(np.where(ends.arrived[:, None], rows, np.nan), ball)
    lost, share = int((~ends.arrived).sum()), ends.inside(Window())[1]
    length = known.rows[:, notes.TURN_START] / 12.0
    return Point(length, known.sharpness, found, known.heading, known.total, lost, share)


def separation(a: Point, b: Point) -> float:
    """Distance between two points in units of their spread.

    Parameters
    ----------
    a, b : of one bowler and lane

    Returns
    -------
    infinite where one of them has no spread, NaN where one of them may not be compared
    """
    if not (a.sound and b.sound):
        return float("nan")
    total = 0.0
    for first, second in ((a.length, b.length), (a.sharpness, b.sharpness)):
        one, two = first[np.isfinite(first)], second[np.isfinite(second)]
        if len(one) < 2 or len(two) < 2:
            return float("inf")
        gap = float(one.mean() - two.mean())
        total += gap * gap / max(float(one.var(ddof=1) + two.var(ddof=1)), 1e-12)
    return float(np.sqrt(total))


def _overlaps(apart: Array, names: Sequence[str]) -> list[Pair]:
    pairs = combinations(range(len(names)), 2)
    return [Pair([names[i], names[j]], float(apart[i, j])) for i, j in pairs if apart[i, j] < OVERLAP]


def _gaps(points: Sequence[Point], names: Sequence[str]) -> Iterator[Gap]:
    known = []
    for name, point in zip(names, points, strict=True):
        length, sharp = statistics(point.length), statistics(point.sharpness)
        if length and sharp and point.sound:
            known.append((length.mean, length.standard_deviation, sharp.mean, name))
    known.sort()
    for near, far in pairwise(known):
        if far[0] - near[0] > GAP * float(np.hypot(near[1], far[1])):
            room = {"length": 0.5 * (near[0] + far[0]), "sharpness": 0.5 * (near[2] + far[2])}
            yield Gap([near[3], far[3]], near[0], far[0], room)


def _pairs(apart: Array, names: Sequence[str]) -> tuple[Pair | None, Pair | None]:
    """Best and widest pair of the balls that may be compared on every volume."""
    sound = [k for k in range(len(names)) if not np.isnan(apart[:, k, k]).any()]
    pairs = list(combinations(sound, 2))
    if not pairs:
        return None, None
    cover = [float(np.minimum(apart[:, i, sound], apart[:, j, sound]).max()) for i, j in pairs]
    wide = [float(apart[:, i, j].mean()) for i, j in pairs]
    best, widest = int(np.argmin(cover)), int(np.argmax(wide))
    return (
        Pair([names[k] for k in pairs[best]], cover[best]),
        Pair([names[k] for k in pairs[widest]], wide[widest]),
    )
