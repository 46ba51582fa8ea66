"""The oil pattern's format, its volume, and what is refused of it."""

from __future__ import annotations

import copy
import math
from typing import Any

import numpy as np
import pytest

from ballgauge_schemas import ValidationError
from ballgauge_schemas.motion.request import LaneSchema
from ballgauge_schemas.shared.problems import flatten
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.motion.balls import BoxBall, box_ball
from ballgauge_service.motion.delivery import wear_lane
from ballgauge_service.motion.lanes import Wear, uniform_lane, worn_lane
from ballgauge_service.motion.request import read_lane
from ballgauge_service.physics.motion.film import BOARD_WIDTH, film_at

from .shots import HOUSE, LANE, RELEASE, laid


def refused(pattern: Any) -> dict[str, str]:
    """What is wrong with a pattern: to the contract, or else to the engine."""
    try:
        laid(pattern)
    except ValidationError as error:
        found = {one["pointer"]: one["detail"] for one in flatten(error.messages)}
    except InvalidInput as error:
        found = {fault.pointer: fault.words for fault in error.faults}
    else:
        raise AssertionError("the pattern was laid")
    return {pointer.removeprefix("/lane").removeprefix("/pattern"): words for pointer, words in found.items()}


def changed(**zone: Any) -> dict[str, Any]:
    pattern = copy.deepcopy(HOUSE)
    pattern["zones"][0].update(zone)
    return pattern


def test_volume_is_film_times_area() -> None:
    """By hand: area of a board over 40 ft times the mean film."""
    board = 41.5 / 39 / 12
    outside, inside = 14 * 35.0, 25 * 220.0
    assert LANE.volume == pytest.approx(40 * board * (outside + inside) * 1e-3, rel=1e-12)
    assert LANE.scaled(30.0).volume == pytest.approx(30.0, rel=1e-12)


def test_a_zone_that_ends_inside_a_cell_keeps_its_oil() -> None:
    films = [{"boards": [1, 39], "film": 100, "film_end": 40}]
    pattern = {"zones": [{"from": 0, "to": 7.3, "films": films}]}
    assert laid(pattern).volume == pytest.approx(7.3 * 41.5 / 12 * 70.0 * 1e-3, rel=1e-12)


def test_the_films_spline_keeps_an_even_film_and_a_taper() -> None:
    """Cubic B-splines reproduce constants and straight lines."""
    grid = LANE.grid()
    for feet in (3.0, 11.25, 30.0):
        assert film_at(grid, 0.0, 12.0 * feet) == pytest.approx(320.0 - 5.0 * feet, abs=1e-9)
    assert film_at(grid, 0.0, 12.0 * 45.0) == 0.0
    assert film_at(grid, 17.0 * BOARD_WIDTH, 120.0) == pytest.approx(60.0 - 1.25 * 10.0, abs=1e-9)


def test_the_films_spline_keeps_the_volume() -> None:
    """Integral of the smoothed film over the lane against the cells' sum; edges repeat the outer boards."""
    x = (np.arange(-390, 390) + 0.5) * BOARD_WIDTH / 20
    y = (np.arange(0, 1440) + 0.5) * 0.5
    total = sum(film_at(LANE.grid(), a, b) for a in x[::13] for b in y[::11])
    mean = total / (len(x[::13]) * len(y[::11]))
    assert mean * 60 * 41.5 / 12 * 1e-3 == pytest.approx(LANE.volume, rel=0.01)


@pytest.mark.parametrize(
    ("pattern", "pointer"),
    [
        (changed(to=61), "/zones/0/to"),
        (changed(**{"from": 2}), "/zones/0/from"),
        (changed(**{"from": -1}), "/zones/0/from"),
        (changed(to=0), "/zones/0/to"),
        (changed(to=math.nan), "/zones/0/to"),
        (changed(to=True), "/zones/0/to"),
        (changed(films=[{"boards": [1, 38], "film": 10}]), "/zones/0/films"),
        (changed(films=[{"boards": [1, 39], "film": -1}]), "/zones/0/films/0/film"),
        (changed(films=[{"boards": [1, 39], "film": "thick"}]), "/zones/0/films/0/film"),
        (changed(films=[{"boards": [1, 40], "film": 1}]), "/zones/0/films/0/boards/1"),
        (changed(films=[{"boards": [39, 1], "film": 1}]), "/zones/0/films/0/boards"),
        (changed(films=[{"boards": [1.5, 39], "film": 1}]), "/zones/0/films/0/boards/0"),
        (changed(films=[{"boards": [1, 39], "film": 1, "flim": 2}]), "/zones/0/films/0/flim"),
        (changed(films=[]), "/zones/0/films"),
        (changed(films=[7]), "/zones/0/films/0"),
        ({"zones": []}, "/zones"),
        ({"zones": [3]}, "/zones/0"),
        ({**HOUSE, "volume": 99}, "/volume"),
        ({**HOUSE, "volume": -1}, "/volume"),
        ({**HOUSE, "name": 3}, "/name"),
        ({**HOUSE, "a/b": 3}, "/a~1b"),
        ("oil", ""),
    ],
)
def test_bad_patterns_are_refused_by_name(pattern: Any, pointer: str) -> None:
    assert pointer in refused(pattern)


def test_overlaps_are_named_on_both_axes() -> None:
    pattern = changed()
    pattern["zones"].append({"from": 38, "to": 45, "films": [{"boards": [1, 39], "film": 5}]})
    pattern["zones"][0]["films"][1]["boards"] = [7, 32]
    found = refused(pattern)
    assert "overlap" in found["/zones/1/from"]
    assert "board 7" in found["/zones/0/films/1/boards"]


def test_every_bad_field_is_named_at_once() -> None:
    films = [{"boards": [39, 1], "film": 5}, {"boards": [1, 30], "film": 5}, {"boards": [7, 8], "film": 5}]
    places = {"/zones/0/to", "/zones/0/films", "/zones/0/films/0/boards", "/zones/0/films/2/boards"}
    assert set(refused(changed(to=70, films=films))) == places


def test_wear_takes_oil_from_the_track_and_lays_some_beyond() -> None:
    along = np.linspace(0.0, 60.0, 61)
    worn = worn_lane(LANE, along, np.full(61, 15.0), Wear(20, picked_up=0.05, laid_down=0.4))
    taken = LANE.cells[:80] - worn.cells[:80]
    assert taken.min() >= 0.0
    assert taken[:, 14].min() == pytest.approx((LANE.cells[:80, 14] * (1 - 0.95**20)).min())
    assert taken[:, 38].max() < 1e-9
    assert worn.cells[80:].sum() == pytest.approx(0.4 * taken.sum(), rel=1e-12)
    assert worn.notes
    assert "20 deliveries" in worn.notes[-1]


def test_no_delivery_changes_nothing_and_more_wear_more() -> None:
    ball = box_ball(BoxBall())
    volumes = [wear_lane(ball, RELEASE, LANE, Wear(n)).volume for n in (0, 5, 30)]
    assert volumes[0] == LANE.volume
    assert volumes[0] > volumes[1] > volumes[2]


def test_a_pattern_by_ratio_has_its_ratio_volume_and_length() -> None:
    """Against the trade's ratio: boards 18 to 22 over boards 3 to 7."""
    lane = read_lane(LaneSchema().load({"ratio": {"ratio": 8, "volume": "24 mL", "length": 40}}))
    assert lane.volume == pytest.approx(24.0, rel=1e-12)
    for row in (0, 40, 79):
        assert lane.cells[row, 17:22].mean() / lane.cells[row, 2:7].mean() == pytest.approx(8.0)
    assert lane.cells == pytest.approx(lane.cells[:, ::-1])
    assert lane.cells[80:].max() == 0.0
    assert lane.notes


def test_a_pattern_by_tape_passes_through_what_was_read() -> None:
    """In the trade's units, 16.7 µL/ft² (from memory): even between boards and tapes, on to both ends."""
    tape = {
        "length": 40,
        "readings": [
            {"distance": 10, "films": [{"board": 2, "film": "6 unit"}, {"board": 12, "film": "66 unit"}]},
            {"distance": 30, "films": [{"board": 20, "film": {"value": 20, "unit": "unit"}}]},
        ],
    }
    lane = read_lane(LaneSchema().load({"tape": tape}))
    assert lane.cells[5, [0, 1, 6, 11, 38]] / 16.7 == pytest.approx([6.0, 6.0, 36.0, 66.0, 66.0])
    assert lane.cells[[39, 40], 11].mean() / 16.7 == pytest.approx(43.0)
    assert lane.cells[79, 3] / 16.7 == pytest.approx(20.0)
    assert lane.cells[80:].max() == 0.0
    with pytest.raises(InvalidInput) as caught:
        read_lane(LaneSchema().load({"tape": {**tape, "length": 25, "readings": tape["readings"][::-1]}}))
    assert [fault.pointer for fault in caught.value.faults] == ["/lane/tape/readings/1/distance"]


def test_oil_on_a_dry_lane_is_refused() -> None:
    with pytest.raises(InvalidInput):
        uniform_lane(0.0).scaled(5.0)


def test_board_1_lies_at_the_right_edge() -> None:
    """Against the trade: boards are counted from the right, and x is to the bowler's right."""
    films = [
        {"boards": [1, 10], "film": 100, "film_end": 100},
        {"boards": [11, 39], "film": 0, "film_end": 0},
    ]
    grid = laid({"zones": [{"from": 0, "to": 60, "films": films}]}).grid()
    edge = 41.5 / 2
    for board, film in ((1, 100.0), (5, 100.0), (20, 0.0), (35, 0.0), (39, 0.0)):
        to_the_right = edge - (board - 0.5) * BOARD_WIDTH
        assert film_at(grid, to_the_right, 240.0) == pytest.approx(film, abs=0.5), board
