"""The bowler: how the ball is released, how much that scatters, and what a person can do."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from ballgauge_schemas.shared import limits
from ballgauge_service.core.arrays import Array
from ballgauge_service.core.caution import Caution

UNITS = ("mph", "rpm", "deg", "deg", "deg", "", "ft")
"""Unit of each number of a release, in the order of `limits.RELEASE`."""

ROLL_PHASES = 4
"""Phases of the grip over which a mean is taken (ours): what depends on the phase is nearly a sine of it, so
that four leave under 0.0003 board of its error for usual balls and 0.003 for a differential of 0.2 in."""


@dataclass(frozen=True, slots=True)
class Release:
    """The ball as it leaves the hand, over the foul line.

    speed [mph] of the ball's center, level; rev_rate [rpm]; axis_rotation [deg]: 0 rolls end over end, 90
    spins square to the travel; axis_tilt [deg]: how far the positive axis point stands above the level;
    launch_angle [deg]: positive toward the bowler's own side; launch_board: where the center crosses the
    foul line; loft [ft]: how far down the lane the ball lands, keeping its speed and spin, with nothing lost
    in the landing.

    phase [deg]: how far the ball has turned about its axis since the grip center faced, as nearly as the axis
    lets it, midway between straight back and straight down; None where nobody knows, so that every phase is
    as likely as any other.
    """

    speed: float = 18.0
    rev_rate: float = 330.0
    axis_rotation: float = 45.0
    axis_tilt: float = 12.0
    launch_angle: float = limits.LAUNCH_ANGLE
    launch_board: float = limits.LAUNCH_BOARD
    loft: float = limits.LOFT
    phase: float | None = None

    @property
    def at_one_phase(self) -> Release:
        """The same at its phase, or at 0 where nobody knows it."""
        return replace(self, phase=self.phase or 0.0)


@dataclass(frozen=True, slots=True)
class Scatter:
    """Standard deviations of a bowler's releases, in the units of Release (ours: a practiced bowler's)."""

    speed: float = 0.3
    rev_rate: float = 10.0
    axis_rotation: float = 2.5
    axis_tilt: float = 1.5
    launch_angle: float = 0.25
    launch_board: float = 0.5
    loft: float = 0.0


@dataclass(frozen=True, slots=True)
class Bowler:
    """A bowler by name: hand, usual release, its scatter, and the positive axis point (over, up) [in]."""

    name: str
    release: Release = field(default_factory=Release)
    scatter: Scatter = field(default_factory=Scatter)
    hand: str = limits.HAND
    over: float = limits.PAP_OVER
    up: float = limits.PAP_UP


def _preset(name: str, speed: float, revs: float, rotation: float, tilt: float, loose: float) -> Bowler:
    scatter = Scatter(
        speed=0.3 * loose, rev_rate=10.0 * loose, axis_rotation=2.5 * loose, launch_angle=0.25 * loose
    )
    return Bowler(name, Release(speed, revs, rotation, tilt), scatter)


BOWLERS: Mapping[str, Bowler] = {
    bowler.name: bowler
    for bowler in (
        _preset("speed_dominant_one_handed", 20.0, 280.0, 40.0, 14.0, 1.0),
        _preset("matched_one_handed", 18.0, 330.0, 45.0, 12.0, 1.0),
        _preset("rev_dominant_one_handed", 16.5, 400.0, 55.0, 12.0, 1.0),
        _preset("speed_dominant_two_handed", 20.0, 380.0, 45.0, 6.0, 1.1),
        _preset("matched_two_handed", 18.5, 430.0, 50.0, 6.0, 1.1),
        _preset("rev_dominant_two_handed", 17.0, 500.0, 60.0, 6.0, 1.1),
    )
}
"""Six bowlers to compare balls with (ours)."""


def cautions(release: Release) -> list[Caution]:
    """Numbers of a release that few people throw.

    Parameters
    ----------
    release : of the request

    Returns
    -------
    one caution each
    """
    unusual = []
    for (name, (low, high)), unit in zip(limits.USUAL_RELEASE.items(), UNITS, strict=True):
        value = getattr(release, name)
        if not low <= value <= high:
            said = f"A {name.replace('_', ' ')} of {value:g} {unit}".rstrip()
            words = f"{said} is outside what bowlers do, {low:g} to {high:g}."
            unusual.append(Caution("unusual_release", words, f"/release/{name}"))
    return unusual


def release_row(release: Release) -> Array:
    """The release as an array.

    Parameters
    ----------
    release : of one delivery

    Returns
    -------
    (8,), in the order of `limits.RELEASE`, then its phase, 0 where unknown
    """
    return np.array([*(getattr(release, name) for name in limits.RELEASE), release.phase or 0.0])


def scattered(release: Release, scatter: Scatter, n: int, seed: int) -> Array:
    """Releases drawn around one: normal, independent, clipped to what is not refused.

    An unknown phase is drawn too: uniform, one from each n-th of a turn, in a random order. The draws come
    from numpy's PCG64 generator: the same seed, the same releases.

    Parameters
    ----------
    release : the usual one
    scatter : standard deviations
    n : draws
    seed : of the draws

    Returns
    -------
    (n, 8), see `release_row`
    """
    spread = np.array([getattr(scatter, name) for name in limits.RELEASE])
    draws = np.random.Generator(np.random.PCG64(seed)).standard_normal((n, len(spread)))
    low, high = np.array([*limits.RELEASE.values()]).T
    drawn = np.tile(release_row(release), (n, 1))
    drawn[:, :-1] = np.clip(drawn[:, :-1] + draws * spread, low, high)
    if release.phase is None:
        turned = np.random.Generator(np.random.PCG64([seed, 2]))
        drawn[:, -1] = 360.0 / n * (turned.permutation(n) + turned.random(n))
    return drawn


def phased(release: Release) -> Array:
    """The release at each phase that a mean is taken over.

    Parameters
    ----------
    release : of one delivery

    Returns
    -------
    (p, 8), one row where the phase is known; see `release_row`
    """
    count = ROLL_PHASES if release.phase is None else 1
    rows = np.tile(release_row(release), (count, 1))
    rows[:, -1] += 360.0 / count * np.arange(count)
    return rows
