"""Where each ball of a line stands beside the others: computed length to the hook against computed sharpness.

Length: the distance [ft] at which a quarter of the whole turn in direction is made. Sharpness: the mean rate
of turning [deg/ft] from there to nine tenths of it. Both come from the motion, for one bowler and one amount
of oil; their spread comes from the bowler's scatter. Every ball is aimed at the pocket over the bowler's own
line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas.shared import limits
from ballgauge_service.core.bulk import Bulk
from ballgauge_service.core.refusal import refuse
from ballgauge_service.motion.aiming import POCKET, aim, over_arrows
from ballgauge_service.motion.balls import HANDS, BoxBall, MotionBall, box_ball
from ballgauge_service.motion.bowlers import Bowler, is_whole, release_row, scattered
from ballgauge_service.motion.lanes import Lane
from ballgauge_service.motion.spreads import statistics
from ballgauge_service.motion.starts import Settings, Throw, run
from ballgauge_service.motion.surfaces import Surface
from ballgauge_service.physics.motion import notes
from ballgauge_service.physics.motion.delivery import PINS

Array = NDArray[np.float64]
Group = dict[str, Any]
Ball = BoxBall | MotionBall

OVERLAP = 1.0
GAP = 2.0
"""Separations (ours): under OVERLAP two balls do the same thing as far as this bowler can tell; between two
neighbours in length more than GAP apart there is room for a ball that overlaps neither."""

MOST_DELIVERIES = 200_000

DEFINITIONS = {
    "length": "distance [ft] at which a quarter of the whole turn in direction is made",
    "sharpness": "mean rate of turning [deg/ft] from a quarter to nine tenths of the whole turn",
    "separation": "distance between two points, each direction over the root of the sum of both variances",
    "overlaps": f"pairs of balls under a separation of {OVERLAP:g}",
    "gaps": f"neighbours in length more than {GAP:g} such units of length apart, and the middle between them",
    "best_pair": "the two balls that leave every other ball nearest to one of them, over all volumes",
    "widest_pair": "the two balls farthest apart on the mean over all volumes",
}


def placed(ball: Ball, bowler: Bowler) -> MotionBall:
    """The ball in the bowler's hand: a boxed ball is laid out from the bowler's positive axis point."""
    if isinstance(ball, MotionBall):
        return ball
    return box_ball(replace(ball, hand=bowler.hand, over=bowler.over, up=bowler.up))


def line_map(
    balls: Sequence[Ball],
    lane: Lane,
    volumes: Sequence[float],
    bowlers: Sequence[Bowler],
    *,
    deliveries: int = 24,
    seed: int = limits.DEFAULT_SEED,
    settings: Settings | None = None,
    bulk: Bulk | None = None,
) -> Group:
    """Map a line of balls for several amounts of oil [mL] on one pattern and several bowlers.

    deliveries: scattered releases a point; every ball gets the same ones; bulk: who follows them. Raises
    InvalidMotion for empty lists, a bad volume, a ball drilled for the other hand, or too much to compute,
    and BulkUnavailable.
    """
    _check(balls, volumes, bowlers, deliveries, seed)
    lanes = [lane.scaled(volume) for volume in volumes]
    chosen = settings or Settings()
    pictures = [
        _picture(balls, lanes, volumes, bowler, (deliveries, seed), chosen, bulk) for bowler in bowlers
    ]
    return {
        "bowlers": pictures,
        "volumes": list(volumes),
        "deliveries": deliveries,
        "seed": seed,
        "definitions": DEFINITIONS,
    }


def _check(
    balls: Sequence[Ball], volumes: Sequence[float], bowlers: Sequence[Bowler], deliveries: int, seed: int
) -> None:
    problems = [
        (f"/{name}", "must not be empty")
        for name, given in (("balls", balls), ("volumes", volumes), ("bowlers", bowlers))
        if not given
    ]
    if not is_whole(deliveries, 2, 10000):
        problems.append(("/deliveries", "must be a whole number from 2 to 10000"))
    elif (work := len(balls) * len(volumes) * len(bowlers) * (deliveries + limits.AIMING)) > MOST_DELIVERIES:
        words = f"too much to compute: {work} deliveries with aiming, at most {MOST_DELIVERIES}"
        problems.append(("/deliveries", words))
    if not is_whole(seed, 0, limits.SEED_MAXIMUM):
        problems.append(("/seed", f"must be a whole number from 0 to {limits.SEED_MAXIMUM}"))
    for index, ball in enumerate(balls):
        for bowler in bowlers:
            if isinstance(ball, MotionBall) and ball.hand != bowler.hand:
                problems.append(
                    (f"/balls/{index}", f"drilled for the other hand than bowler {bowler.name!r}")
                )
    refuse(problems)


def _picture(
    balls: Sequence[Ball],
    lanes: Sequence[Lane],
    volumes: Sequence[float],
    bowler: Bowler,
    draw: tuple[int, int],
    settings: Settings,
    bulk: Bulk | None,
) -> Group:
    """The map of one bowler: points, and for each volume overlaps and gaps."""
    points = measure(balls, lanes, bowler, draw, settings, bulk)
    names = [ball.name or f"ball {index + 1}" for index, ball in enumerate(balls)]
    told = [
        {"ball": names[b], "volume": volume, **points[v][b].told()}
        for v, volume in enumerate(volumes)
        for b in range(len(balls))
    ]
    apart = np.array([[[separation(p, q) for q in row] for p in row] for row in points])
    return {
        "bowler": bowler.name,
        "points": told,
        "overlaps": [
            {"volume": volume, "balls": [names[i], names[j]], "separation": float(apart[v, i, j])}
            for v, volume in enumerate(volumes)
            for i, j in combinations(range(len(balls)), 2)
            if apart[v, i, j] < OVERLAP
        ],
        "gaps": [
            {"volume": volume, **gap} for v, volume in enumerate(volumes) for gap in _gaps(points[v], names)
        ],
        **_pairs(apart, names),
    }


@dataclass(frozen=True)
class Point:
    """One ball on one lane for one bowler: length [ft], sharpness [deg/ft] of each delivery that arrived."""

    length: Array
    sharpness: Array
    launch_angle: float
    aimed: bool
    entry_angle: Array
    total_turn: Array
    lost: int

    def told(self) -> Group:
        """The point as a group; a spread is one standard deviation."""
        return {
            "length": statistics(self.length),
            "sharpness": statistics(self.sharpness),
            "total_turn": statistics(self.total_turn),
            "entry_angle": statistics(self.entry_angle),
            "launch_angle": self.launch_angle,
            "aimed": self.aimed,
            "lost": self.lost,
        }


def measure(
    balls: Sequence[Ball],
    lanes: Sequence[Lane],
    bowler: Bowler,
    draw: tuple[int, int],
    settings: Settings,
    bulk: Bulk | None = None,
) -> list[list[Point]]:
    """Points of every ball on every lane, [lane][ball], for one bowler; draw: deliveries and seed."""
    held = [placed(ball, bowler) for ball in balls]
    usual = release_row(bowler.release)[None]
    throws = [Throw(ball, usual, lane) for lane in lanes for ball in held]
    angles, hit = aim(throws, settings, POCKET, bulk)
    releases = scattered(bowler.release, bowler.scatter, *draw)
    away = releases - usual
    many = [
        Throw(throw.ball, over_arrows(usual, angles[k : k + 1]) + away, throw.lane)
        for k, throw in enumerate(throws)
    ]
    found = [
        _point(rows, HANDS[bowler.hand], float(angle), bool(reached))
        for rows, angle, reached in zip(run(many, settings, bulk), angles, hit, strict=True)
    ]
    return [found[i : i + len(balls)] for i in range(0, len(found), len(balls))]


def _point(rows: Array, side: float, angle: float, aimed: bool) -> Point:
    """Only deliveries that come to the pins count: those in the gutter have not made their turn."""
    lost = rows[:, notes.ENDING] != PINS
    known = np.where(lost[:, None], np.nan, rows)
    length = known[:, notes.TURN_START] / 12.0
    turn = -side * np.degrees(known[:, notes.TURN_TOTAL])
    reach = known[:, notes.TURN_END] / 12.0 - length
    with np.errstate(divide="ignore", invalid="ignore"):
        sharp = np.where(reach > 0.0, (notes.LATE - notes.EARLY) * np.abs(turn) / reach, np.nan)
    entry = np.degrees(np.arctan2(-side * known[:, notes.END_VX], known[:, notes.END_VY]))
    return Point(length, sharp, angle, aimed, entry, turn, int(lost.sum()))


def separation(a: Point, b: Point) -> float:
    """Distance between two points in units of their spread; infinite where one of them has none."""
    total = 0.0
    for first, second in ((a.length, b.length), (a.sharpness, b.sharpness)):
        one, two = first[np.isfinite(first)], second[np.isfinite(second)]
        if len(one) < 2 or len(two) < 2:
            return float("inf")
        gap = float(one.mean() - two.mean())
        total += gap * gap / max(float(one.var(ddof=1) + two.var(ddof=1)), 1e-12)
    return float(np.sqrt(total))


def _gaps(points: Sequence[Point], names: Sequence[str]) -> list[Group]:
    known = []
    for name, point in zip(names, points, strict=True):
        length, sharp = statistics(point.length), statistics(point.sharpness)
        if length and sharp:
            known.append((length["mean"], length["standard_deviation"], sharp["mean"], name))
    known.sort()
    return [
        {
            "between": [a[3], b[3]],
            "from_length": a[0],
            "to_length": b[0],
            "room_at": {"length": 0.5 * (a[0] + b[0]), "sharpness": 0.5 * (a[2] + b[2])},
        }
        for a, b in pairwise(known)
        if b[0] - a[0] > GAP * float(np.hypot(a[1], b[1]))
    ]


def _pairs(apart: Array, names: Sequence[str]) -> Group:
    """The pair that covers the line best and the pair farthest apart; None with fewer than two balls."""
    if len(names) < 2:
        return {"best_pair": None, "widest_pair": None}
    pairs = list(combinations(range(len(names)), 2))
    cover = [float(np.minimum(apart[:, i, :], apart[:, j, :]).max()) for i, j in pairs]
    wide = [float(apart[:, i, j].mean()) for i, j in pairs]
    best, widest = int(np.argmin(cover)), int(np.argmax(wide))
    return {
        "best_pair": {"balls": [names[k] for k in pairs[best]], "largest_separation": _finite(cover[best])},
        "widest_pair": {"balls": [names[k] for k in pairs[widest]], "separation": _finite(wide[widest])},
    }


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def surface_change(
    ball: Ball,
    surface: Surface,
    lane: Lane,
    volumes: Sequence[float],
    bowlers: Sequence[Bowler],
    *,
    deliveries: int = 24,
    seed: int = limits.DEFAULT_SEED,
    settings: Settings | None = None,
    bulk: Bulk | None = None,
) -> list[Group]:
    """How far another surface moves one ball on the map: change of length and sharpness, same releases.

    Each change has the mean and the standard deviation of the delivery-by-delivery difference. Raises
    InvalidMotion as `line_map` does.
    """
    _check([ball], volumes, bowlers, deliveries, seed)
    other = replace(ball, surface=surface)
    lanes = [lane.scaled(volume) for volume in volumes]
    changes = []
    for bowler in bowlers:
        draw = (deliveries, seed)
        points = measure([ball, other], lanes, bowler, draw, settings or Settings(), bulk)
        for volume, (before, after) in zip(volumes, points, strict=True):
            changes.append(
                {
                    "bowler": bowler.name,
                    "volume": volume,
                    "before": before.told(),
                    "after": after.told(),
                    "length_change": statistics(after.length - before.length),
                    "sharpness_change": statistics(after.sharpness - before.sharpness),
                }
            )
    return changes
