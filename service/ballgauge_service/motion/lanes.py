"""The lane: an oil pattern's text format, its film, and what deliveries do to it.

A pattern is an object
    {"name": "...", "volume": 24.5, "zones": [
        {"from": 0, "to": 8, "films": [{"boards": [1, 7], "film": 40}, {"boards": [8, 39], "film": 300}]},
        {"from": 8, "to": 40, "films": [{"boards": [1, 39], "film": 250, "film_end": 20}]}]}
Zones run one after another from the foul line, distances in feet. In each, films cover boards 1 to 39,
counted from the right edge, both ends included; film [µL/ft²] holds along the zone, or runs evenly to
film_end. Beyond the last zone the lane is dry. `volume` [mL] is optional and must agree with the films.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas.shared import limits
from ballgauge_service.core.refusal import is_number, number_problem, refuse
from ballgauge_service.physics.motion.film import BOARD_WIDTH, BOARDS, CELL_LENGTH, CELLS, LANE_LENGTH, MARGIN

Array = NDArray[np.float64]
Problems = list[tuple[str, str]]

LANE_FEET = LANE_LENGTH / 12.0
"""Greatest film [µL/ft²] that is not refused (ours)."""

VOLUME_AGREEMENT = 0.02
"""Greatest relative gap between a stated volume and that of the films (ours)."""

CELL_AREA = CELL_LENGTH * BOARD_WIDTH / 144.0
"""Area of a film cell [ft²]."""


@dataclass(frozen=True)
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
        """The film with its margins, as the kernels take it."""
        return np.ascontiguousarray(np.pad(self.cells, MARGIN, mode="edge"))

    def scaled(self, volume: float) -> Lane:
        """The same pattern with `volume` [mL] of oil. Raises InvalidMotion for a dry lane or a bad volume."""
        words = number_problem(volume, 0.0, 500.0, "mL")
        if not words and self.volume == 0.0 and volume > 0.0:
            words = "a dry lane has no pattern to scale"
        refuse([("/volume", words)] if words else [])
        factor = volume / self.volume if self.volume > 0.0 else 0.0
        return replace(self, cells=self.cells * factor)

    def mirrored(self) -> Lane:
        """The lane seen in a mirror: board 1 becomes board 39."""
        return replace(self, cells=np.ascontiguousarray(self.cells[:, ::-1]))


def uniform_lane(film: float = 0.0, name: str = "uniform") -> Lane:
    """A lane with the same film [µL/ft²] everywhere; 0 is a dry lane."""
    words = number_problem(film, 0.0, limits.FILM_MAXIMUM, "µL/ft²")
    refuse([("/film", words)] if words else [])
    return Lane(name, np.full((CELLS, BOARDS), float(film)), LANE_FEET if film > 0.0 else 0.0)


def lane_from_pattern(pattern: Any) -> Lane:
    """Lay an oil pattern (see the module) on a lane. Raises InvalidMotion naming every bad field."""
    problems: Problems = []
    zones = _zones(pattern, problems)
    refuse(problems)
    cells = np.zeros((CELLS, BOARDS))
    for zone in zones:
        for part in zone["films"]:
            first, last = part["boards"]
            end = part.get("film_end", part["film"])
            band = _zone_cells(zone["from"], zone["to"], part["film"], end)
            cells[:, first - 1 : last] += band[:, None]
    lane = Lane(str(pattern.get("name", "")), cells, float(zones[-1]["to"]))
    stated = pattern.get("volume")
    if stated is not None and abs(lane.volume - stated) > VOLUME_AGREEMENT * max(stated, lane.volume):
        words = f"the films hold {lane.volume:.2f} mL, which is not the stated {stated:g} mL"
        refuse([("/volume", words)])
    return lane


def _zone_cells(start: float, end: float, film: float, film_end: float) -> Array:
    """Mean over each cell down the lane, (CELLS,), of a film that changes evenly along a zone."""
    edges = np.arange(CELLS + 1) * CELL_LENGTH / 12.0
    low, high = np.clip(edges[:-1], start, end), np.clip(edges[1:], start, end)
    middle = 0.5 * (low + high)
    inside: Array = film + (film_end - film) * (middle - start) / (end - start)
    share: Array = inside * (high - low) / (CELL_LENGTH / 12.0)
    return share


def _zones(pattern: Any, problems: Problems) -> list[dict[str, Any]]:
    if not isinstance(pattern, Mapping):
        problems.append(("", "an oil pattern must be an object with zones"))
        return []
    _unknown(pattern, ("name", "volume", "zones"), "", problems)
    if "volume" in pattern and (words := number_problem(pattern["volume"], 0.0, 500.0, "mL")):
        problems.append(("/volume", words))
    if not isinstance(pattern.get("name", ""), str):
        problems.append(("/name", "must be text"))
    zones = pattern.get("zones")
    if not isinstance(zones, list) or not 1 <= len(zones) <= limits.ZONES_MAXIMUM:
        problems.append(("/zones", f"must be a list of 1 to {limits.ZONES_MAXIMUM} zones"))
        return []
    reached = 0.0
    for index, zone in enumerate(zones):
        reached = _zone(zone, f"/zones/{index}", reached, problems)
    return zones


def _unknown(given: Mapping[Any, Any], known: tuple[str, ...], here: str, problems: Problems) -> None:
    for key in given:
        if key not in known:
            token = str(key)[:40].replace("~", "~0").replace("/", "~1")
            problems.append((f"{here}/{token}", f"unknown field; known are {', '.join(known)}"))


def _zone(zone: Any, here: str, reached: float, problems: Problems) -> float:
    """Check one zone; return how far the pattern is covered with it [ft]."""
    if not isinstance(zone, Mapping):
        problems.append((here, "must be an object with from, to and films"))
        return math.nan
    _unknown(zone, ("from", "to", "films"), here, problems)
    ends = {}
    for name in ("from", "to"):
        if not is_number(zone.get(name)):
            problems.append((f"{here}/{name}", "must be a number of feet from the foul line"))
        else:
            ends[name] = float(zone[name])
    start, end = ends.get("from", math.nan), ends.get("to", math.nan)
    if end > LANE_FEET:
        problems.append(
            (f"{here}/to", f"the pattern is longer than the lane: {end:g} ft, and the lane {LANE_FEET:g} ft")
        )
    if start < 0.0:
        problems.append((f"{here}/from", "must not be before the foul line"))
    elif start > reached:
        problems.append((f"{here}/from", f"a gap: nothing covers {reached:g} to {start:g} ft"))
    elif start < reached:
        problems.append((f"{here}/from", f"an overlap: {start:g} to {reached:g} ft is covered before"))
    if end <= start:
        problems.append((f"{here}/to", f"must be beyond from, {start:g} ft"))
    _films(zone.get("films"), f"{here}/films", problems)
    return end


def _films(films: Any, here: str, problems: Problems) -> None:
    if not isinstance(films, list) or not 1 <= len(films) <= BOARDS:
        problems.append((here, f"must be a list of 1 to {BOARDS} films by boards"))
        return
    owner: dict[int, int] = {}
    for index, part in enumerate(films):
        boards = _film(part, f"{here}/{index}", problems)
        for board in boards:
            if board in owner:
                words = f"an overlap: board {board} has the film of films/{owner[board]} already"
                problems.append((f"{here}/{index}/boards", words))
                break
            owner[board] = index
    missing = [board for board in range(1, BOARDS + 1) if board not in owner]
    if missing:
        listed = ", ".join(map(str, missing[:5])) + (" and more" if len(missing) > 5 else "")
        problems.append((here, f"a gap: no film is given for board {listed} (a dry board has film 0)"))


def _film(part: Any, here: str, problems: Problems) -> range:
    """Check one film; return the boards it covers."""
    if not isinstance(part, Mapping):
        problems.append((here, "must be an object with boards and film"))
        return range(0)
    _unknown(part, ("boards", "film", "film_end"), here, problems)
    for name in ("film", "film_end"):
        if name == "film" or name in part:
            words = number_problem(part.get(name), 0.0, limits.FILM_MAXIMUM, "µL/ft²")
            if words:
                problems.append((f"{here}/{name}", words))
    boards = part.get("boards")
    pair = boards if isinstance(boards, (list, tuple)) and len(boards) == 2 else ()
    if not pair or not all(isinstance(board, int) and not isinstance(board, bool) for board in pair):
        problems.append(
            (f"{here}/boards", "must be two whole numbers, first and last board from the right edge")
        )
        return range(0)
    first, last = pair
    if not 1 <= first <= last <= BOARDS:
        problems.append((f"{here}/boards", f"must run upwards from 1 to {BOARDS}; got {first} to {last}"))
        return range(0)
    return range(first, last + 1)


@dataclass(frozen=True)
class Wear:
    """What one delivery does to the film it rolls over (all ours).

    picked_up: share of the film taken from the middle of the track; track_width [boards]: standard deviation
    of a normal profile across it, which also stands for the bowler's scatter; laid_down: share of what was
    picked up that is laid beyond the pattern; fade [ft]: over which that trail thins by a factor e.
    """

    picked_up: float = limits.PICKED_UP
    track_width: float = limits.TRACK_WIDTH
    laid_down: float = limits.LAID_DOWN
    fade: float = limits.FADE

    def __post_init__(self) -> None:
        problems = [
            (f"/wear/{name}", words)
            for name, low, high, unit in (
                ("picked_up", 0.0, 1.0, ""),
                ("track_width", 0.2, 20.0, "boards"),
                ("laid_down", 0.0, 1.0, ""),
                ("fade", 0.1, 60.0, "ft"),
            )
            if (words := number_problem(getattr(self, name), low, high, unit))
        ]
        refuse(problems)


def worn_lane(lane: Lane, distance: Array, board: Array, deliveries: int, wear: Wear) -> Lane:
    """The lane after n deliveries over one track.

    distance [ft], rising, and board (from the right edge) of the track, both (m,). Assumes that every
    delivery follows the track of the first, and that each takes the same share of what film is left.
    """
    if not isinstance(deliveries, int) or isinstance(deliveries, bool) or not 0 <= deliveries <= 1000:
        refuse([("/deliveries", "must be a whole number from 0 to 1000")])
    along = (np.arange(CELLS) + 0.5) * CELL_LENGTH / 12.0
    track = np.interp(along, distance, board)
    passed = (along >= distance[0]) & (along <= distance[-1])
    numbers = np.arange(1, BOARDS + 1)
    profile = np.exp(-0.5 * ((numbers - track[:, None]) / wear.track_width) ** 2) * passed[:, None]
    left = lane.cells * (1.0 - wear.picked_up * profile) ** deliveries
    taken = float((lane.cells - left).sum())
    beyond = np.where(along > lane.length, np.exp(-(along - lane.length) / wear.fade), 0.0)[:, None] * profile
    if beyond.sum() > 0.0:
        left = left + wear.laid_down * taken * beyond / beyond.sum()
    note = (
        f"After {deliveries} deliveries over one track, each taking {wear.picked_up:.0%} of the film in its "
        f"middle ({wear.track_width:g} boards wide) and laying {wear.laid_down:.0%} of it beyond the pattern "
        "(ours)."
    )
    return replace(lane, cells=left, notes=(*lane.notes, note))
