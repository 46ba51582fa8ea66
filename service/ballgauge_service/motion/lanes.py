"""The lane: an oil pattern, its film, and what deliveries do to it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from ballgauge_schemas.shared import limits
from ballgauge_service.core.arrays import Array
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.core.units import SQUARE_INCH_PER_SQUARE_FOOT
from ballgauge_service.physics.motion.film import BOARD_WIDTH, BOARDS, CELL_LENGTH, CELLS, LANE_LENGTH, MARGIN

LANE_FEET = LANE_LENGTH / 12.0
OUTER, MIDDLE = (3, 7), (18, 22)
"""Boards whose films make a ratio (common practice, no source)."""

TAPER = 0.2
"""Film at the end of a pattern of which only the ratio is known, over that at the foul line (ours)."""

VOLUME_AGREEMENT = 0.02
"""Greatest relative gap between a stated volume and that of the films (ours)."""

CELL_AREA = CELL_LENGTH * BOARD_WIDTH / SQUARE_INCH_PER_SQUARE_FOOT
"""Area of a film cell [ft²]."""


CELL_FEET = (np.arange(CELLS) + 0.5) * CELL_LENGTH / 12.0
"""Distances of the middles of the film's cells [ft]."""


@dataclass(frozen=True, slots=True)
class Film:
    """Oil on boards first to last from the right edge: film [µL/ft²] that runs evenly to film_end."""

    first: int
    last: int
    film: float
    film_end: float


@dataclass(frozen=True, slots=True)
class Zone:
    """Films that cover boards 1 to 39 once, from start to end [ft] beyond the foul line."""

    start: float
    end: float
    films: tuple[Film, ...]


@dataclass(frozen=True, slots=True)
class Pattern:
    """Zones one after another from the foul line, beyond the last of which the lane is dry.

    volume [mL], where it is stated, must agree with the films.
    """

    name: str
    volume: float | None
    zones: tuple[Zone, ...]


@dataclass(frozen=True, slots=True)
class Lane:
    """A lane with its film.

    cells: mean film [µL/ft²] by distance and board from the right edge, (CELLS, BOARDS); length [ft] of the
    pattern; notes: what was assumed of it.
    """

    name: str
    cells: Array
    length: float
    notes: tuple[str, ...] = ()

    @property
    def volume(self) -> float:
        """Oil on the lane [mL]."""
        return float(self.cells.sum()) * CELL_AREA * 1e-3

    def grid(self) -> Array:
        """The film with its margins, as the kernels take it.

        Returns
        -------
        (CELLS + 2 MARGIN, BOARDS + 2 MARGIN) [µL/ft²]
        """
        return np.ascontiguousarray(np.pad(self.cells, MARGIN, mode="edge"))

    def after(self, change: Array) -> Lane:
        """The lane after a delivery.

        Parameters
        ----------
        change : of the film with its margins, as the kernels write it [µL/ft²]

        Returns
        -------
        the lane
        """
        return replace(self, cells=self.cells + change[MARGIN:-MARGIN, MARGIN:-MARGIN])

    def scaled(self, volume: float) -> Lane:
        """The same pattern with another amount of oil.

        Parameters
        ----------
        volume : [mL]

        Returns
        -------
        the lane

        Raises
        ------
        InvalidInput
            Oil is asked for on a dry lane.
        """
        if volume > 0.0 and self.volume == 0.0:
            raise InvalidInput([Fault("/line_map/volumes", "a dry lane has no pattern to scale")])
        factor = volume / self.volume if self.volume > 0.0 else 0.0
        return replace(self, cells=self.cells * factor)


def uniform_lane(film: float) -> Lane:
    """A lane with the same film everywhere.

    Parameters
    ----------
    film : [µL/ft²]; 0 is a dry lane

    Returns
    -------
    the lane
    """
    return Lane("uniform", np.full((CELLS, BOARDS), float(film)), LANE_FEET if film > 0.0 else 0.0)


def lane_from_pattern(pattern: Pattern) -> Lane:
    """Lay an oil pattern on a lane.

    Parameters
    ----------
    pattern : zones of films between boards

    Returns
    -------
    the lane

    Raises
    ------
    InvalidInput
        Zones or films leave a gap, overlap or run past the lane, or hold another volume than is stated.
    """
    if faults := [*_zone_faults(pattern.zones)]:
        raise InvalidInput(faults)
    cells = np.zeros((CELLS, BOARDS))
    for zone in pattern.zones:
        for part in zone.films:
            cells[:, part.first - 1 : part.last] += _zone_cells(zone, part)[:, None]
    lane = Lane(pattern.name, cells, pattern.zones[-1].end)
    stated = pattern.volume
    if stated is not None and abs(lane.volume - stated) > VOLUME_AGREEMENT * max(stated, lane.volume):
        words = f"the films hold {lane.volume:.2f} mL, which is not the stated {stated:g} mL"
        raise InvalidInput([Fault("/volume", words)])
    return lane


@dataclass(frozen=True, slots=True)
class TapeReading:
    """Films [µL/ft²] read with tape across the lane at a distance [ft], at rising boards, (n,) each."""

    distance: float
    boards: tuple[float, ...]
    films: tuple[float, ...]


def lane_from_tape(readings: Sequence[TapeReading], length: float, name: str = "") -> Lane:
    """Lay what tape read at rising distances, even between readings, boards and from the foul line (ours).

    Beyond the last reading its film runs on to the pattern's end.

    Parameters
    ----------
    readings : boards and films at each distance
    length : of the pattern [ft]
    name : of the lane

    Returns
    -------
    the lane

    Raises
    ------
    InvalidInput
        Readings do not rise or lie beyond the length.
    """
    faults = [
        Fault(f"/readings/{k}/distance", f"must lie beyond the reading before, {before.distance:g} ft")
        for k, (before, here) in enumerate(pairwise(readings), 1)
        if here.distance <= before.distance
    ]
    if readings[-1].distance > length:
        faults.append(Fault("/length", f"must be beyond the last reading, {readings[-1].distance:g} ft"))
    if faults:
        raise InvalidInput(faults)
    numbers = range(1, BOARDS + 1)
    rows = [np.interp(numbers, reading.boards, reading.films) for reading in readings]
    edges = [0.0, *(reading.distance for reading in readings), length]
    rows = [rows[0], *rows, rows[-1]]
    zones = [
        Zone(start, end, tuple(map(Film, numbers, numbers, first.tolist(), last.tolist())))
        for (start, end), (first, last) in zip(pairwise(edges), pairwise(rows), strict=True)
        if end > start
    ]
    note = "The film runs evenly between the tapes and boards that were read, and on to both ends."
    return replace(lane_from_pattern(Pattern(name, None, tuple(zones))), notes=(note,))


def lane_from_ratio(ratio: float, volume: float, length: float, name: str = "") -> Lane:
    """A pattern of which only ratio, volume and length are known; its shape is ours.

    Between the MIDDLE and the OUTER boards the film runs evenly, and down the lane to TAPER of what it was at
    the foul line.

    Parameters
    ----------
    ratio : film of the MIDDLE boards over that of the OUTER ones (common practice, no source)
    volume : [mL]
    length : [ft]
    name : of the lane

    Returns
    -------
    the lane
    """
    numbers = range(1, BOARDS + 1)
    from_edge = [min(board, BOARDS + 1 - board) for board in numbers]
    across = np.interp(from_edge, [OUTER[1], MIDDLE[0]], [1.0, ratio])
    films = tuple(map(Film, numbers, numbers, across.tolist(), (TAPER * across).tolist()))
    lane = lane_from_pattern(Pattern(name, None, (Zone(0.0, length, films),)))
    note = (
        f"Of the pattern only ratio, volume and length are known: films run evenly from boards {OUTER[0]} to "
        f"{OUTER[1]} to boards {MIDDLE[0]} to {MIDDLE[1]}, and down the lane to {TAPER:.0%} (ours)."
    )
    return replace(lane.scaled(volume), notes=(note,))


def _zone_cells(zone: Zone, part: Film) -> Array:
    """Mean over each cell down the lane, (CELLS,), of a film that changes evenly along a zone."""
    edges = np.arange(CELLS + 1) * CELL_LENGTH / 12.0
    low, high = np.clip(edges[:-1], zone.start, zone.end), np.clip(edges[1:], zone.start, zone.end)
    middle = 0.5 * (low + high)
    change = part.film_end - part.film
    inside: Array = part.film + change * (middle - zone.start) / (zone.end - zone.start)
    share: Array = inside * (high - low) / (CELL_LENGTH / 12.0)
    return share


def _zone_faults(zones: Sequence[Zone]) -> Iterator[Fault]:
    reached = 0.0
    for index, zone in enumerate(zones):
        here, start, end = f"/zones/{index}", zone.start, zone.end
        if end > LANE_FEET:
            words = f"the pattern is longer than the lane: {end:g} ft, and the lane {LANE_FEET:g} ft"
            yield Fault(f"{here}/to", words)
        if start > reached:
            yield Fault(f"{here}/from", f"a gap: nothing covers {reached:g} to {start:g} ft")
        elif start < reached:
            yield Fault(f"{here}/from", f"an overlap: {start:g} to {reached:g} ft is covered before")
        if end <= start:
            yield Fault(f"{here}/to", f"must be beyond from, {start:g} ft")
        yield from _film_faults(zone.films, f"{here}/films")
        reached = end


def _film_faults(films: Sequence[Film], here: str) -> Iterator[Fault]:
    owner: dict[int, int] = {}
    for index, part in enumerate(films):
        if part.first > part.last:
            words = f"must run upwards from 1 to {BOARDS}; got {part.first} to {part.last}"
            yield Fault(f"{here}/{index}/boards", words)
        boards = range(part.first, part.last + 1)
        taken = next((board for board in boards if board in owner), None)
        if taken is not None:
            words = f"an overlap: board {taken} has the film of films/{owner[taken]} already"
            yield Fault(f"{here}/{index}/boards", words)
        owner = {**dict.fromkeys(boards, index), **owner}
    missing = [board for board in range(1, BOARDS + 1) if board not in owner]
    if missing:
        listed = ", ".join(map(str, missing[:5])) + (" and more" if len(missing) > 5 else "")
        yield Fault(here, f"a gap: no film is given for board {listed} (a dry board has film 0)")


@dataclass(frozen=True, slots=True)
class Wear:
    """What deliveries do to the film they roll over (all ours).

    deliveries: how many; picked_up: share of the film that each takes from the middle of the track;
    track_width [boards]: standard deviation of a normal profile across it, which also stands for the bowler's
    scatter; laid_down: share of what was picked up that is laid beyond the pattern; fade [ft]: over which
    that trail thins by a factor e.
    """

    deliveries: int
    picked_up: float = limits.PICKED_UP
    track_width: float = limits.TRACK_WIDTH
    laid_down: float = limits.LAID_DOWN
    fade: float = limits.FADE


def worn_lane(lane: Lane, distance: Array, board: Array, wear: Wear) -> Lane:
    """The lane after deliveries over one track.

    Assumes that every delivery follows the track of the first, and that each takes the same share of what
    film is left.

    Parameters
    ----------
    lane : before them
    distance : of the track, rising, (m,) [ft]
    board : of the track from the right edge, (m,)
    wear : deliveries, and what each takes

    Returns
    -------
    the lane
    """
    along = CELL_FEET
    track = np.interp(along, distance, board)
    passed = (along >= distance[0]) & (along <= distance[-1])
    numbers = np.arange(1, BOARDS + 1)
    profile = np.exp(-0.5 * ((numbers - track[:, None]) / wear.track_width) ** 2) * passed[:, None]
    left = lane.cells * (1.0 - wear.picked_up * profile) ** wear.deliveries
    taken = float((lane.cells - left).sum())
    beyond = np.where(along > lane.length, np.exp(-(along - lane.length) / wear.fade), 0.0)[:, None] * profile
    if beyond.sum() > 0.0:
        left = left + wear.laid_down * taken * beyond / beyond.sum()
    note = (
        f"After {wear.deliveries} deliveries over one track, each taking {wear.picked_up:.1%} of the film in "
        f"its middle ({wear.track_width:g} boards wide) and laying {wear.laid_down:.0%} of it beyond the "
        "pattern (ours)."
    )
    return replace(lane, cells=left, notes=(*lane.notes, note))
