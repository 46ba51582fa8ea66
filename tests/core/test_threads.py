"""Bulk work on threads: order, room, errors and deadlines, and the same bits as one call over everything."""

from __future__ import annotations

import math
import pickle
import threading
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ballgauge_schemas import LOT_REQUEST
from ballgauge_schemas.design.request import DESIGN_REQUEST
from ballgauge_schemas.shared.documents import design_example
from ballgauge_service.core import budget
from ballgauge_service.core.budget import Canceled, Run
from ballgauge_service.core.bulk import Bulk, BulkUnavailable, bulk_at, threads_here
from ballgauge_service.core.bulk.pieces import Failure, name_of, named, perform
from ballgauge_service.core.bulk.sameness import differences, mark
from ballgauge_service.core.bulk.threads import Threads
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.design.production import BLOCK, Production, Tolerance, study
from ballgauge_service.design.request import Meshes, read_design
from ballgauge_service.lot.evaluate import Lot
from ballgauge_service.lot.reading import reading
from ballgauge_service.lot.reading.headings import bad_file
from ballgauge_service.lot.request import read_request
from ballgauge_service.motion.balls import BoxBall, box_ball
from ballgauge_service.motion.bowlers import BOWLERS, scattered
from ballgauge_service.motion.lanes import uniform_lane
from ballgauge_service.motion.starts import (
    LOFT,
    PIECE,
    USUAL,
    Throw,
    first_states,
    follow_piece,
    run,
    setup_row,
)
from ballgauge_service.physics.motion.delivery import deliver_rows
from ballgauge_service.physics.motion.notes import SUMMARY

from .works import Plain, packed

EVERY = (Plain(), Threads(1), Threads(2), Threads(5))
SKARN = read_design(DESIGN_REQUEST.load(design_example("skarn_disc_below"))["design"], Meshes({}))
CORE = Tolerance(("core",), "density", standard_deviation=0.03)
DISC = Tolerance(("disc",), "diameter", standard_deviation=0.01)


def added(common: int, piece: int, check: Callable[[], object]) -> int:
    check()
    if piece < 0:
        raise InvalidInput([Fault("/piece", f"{piece} is below zero")])
    return common + piece


@given(st.lists(st.integers(0, 99), max_size=40), st.integers(0, 4))
@settings(max_examples=30, deadline=None)
def test_results_come_in_the_order_of_the_pieces(pieces: list[int], ahead: int) -> None:
    for bulk in EVERY:
        assert list(bulk.map(added, 7, pieces, ahead=ahead)) == [7 + piece for piece in pieces]


@pytest.mark.parametrize("bulk", EVERY[1:])
def test_errors_come_in_their_turn(bulk: Bulk) -> None:
    """The first wrong piece counts, not the one that was found first, and what comes before it is given."""
    found = bulk.map(added, 0, [1, 2, -3, 4, -5])
    assert [next(found), next(found)] == [1, 2]
    with pytest.raises(InvalidInput, match="-3 is below zero"):
        next(found)


@pytest.mark.parametrize("bulk", EVERY[1:])
def test_an_error_of_the_source_comes_after_its_pieces(bulk: Bulk) -> None:
    def source() -> Iterator[int]:
        yield 1
        yield 2
        raise bad_file("it breaks off", row=3)

    found = bulk.map(added, 0, source())
    assert [next(found), next(found)] == [1, 2]
    with pytest.raises(InvalidInput, match="row 3"):
        next(found)


@given(st.integers(1, 3), st.integers(0, 3), st.integers(0, 20))
@settings(max_examples=30, deadline=None)
def test_no_more_pieces_are_taken_than_there_is_room_for(count: int, ahead: int, wanted: int) -> None:
    taken = []

    def source() -> Iterator[int]:
        for piece in range(1000):
            taken.append(piece)
            yield piece

    found = Threads(count).map(added, 0, source(), ahead=ahead)
    for _ in range(wanted):
        next(found)
    assert len(taken) <= wanted + max(count * ahead, 1)


def test_a_passed_deadline_ends_the_work_on_every_thread() -> None:
    """The request's deadline is a variable of its context: every piece has to have it."""
    clock = [0.0]
    seen = []

    def slow(common: None, piece: int, check: Callable[[], object]) -> None:
        seen.append(threading.current_thread().name)
        clock[0] += 1.0
        check()

    limit = budget.Deadline(5.0, lambda: clock[0])
    with budget.within(limit), pytest.raises(budget.DeadlinePassed):
        list(Threads(2).map(slow, None, range(100)))
    assert 5 <= len(seen) <= 16
    assert any(name.startswith("bulk") for name in seen)


def test_who_gives_up_ends_the_work() -> None:
    calls = [0]

    def canceled() -> bool:
        calls[0] += 1
        return calls[0] > 3

    with pytest.raises(Canceled):
        study(SKARN, Production((CORE,), 8192), run=Run(canceled=canceled), bulk=Threads(2))


@pytest.mark.parametrize(
    ("tolerance", "expected"),
    [
        # The nominal, the samples of the linear law, the pieces of the others from their beginning; the end.
        (DISC, 2 + 2 + (1 + math.ceil(3000 / BLOCK)) + 1),
        # What is visible of each solid serves all samples, and is told before them.
        (CORE, 1 + 2 + 2 + (1 + math.ceil(3000 / BLOCK)) + 1),
    ],
)
def test_progress_is_the_same_on_any_number_of_threads(tolerance: Tolerance, expected: int) -> None:
    told: list[list[tuple[float, str]]] = []
    for bulk in EVERY:
        steps: list[tuple[float, str]] = []
        link = Run(lambda share, doing, steps=steps: steps.append((share, doing)))  # type: ignore[misc]
        study(SKARN, Production((tolerance,), 3000), run=link, bulk=bulk)
        told.append(steps)
    assert told[0] == told[1] == told[2] == told[3]
    assert len(told[0]) == expected


def test_only_functions_of_the_package_have_names(sentence: Any) -> None:
    assert named(name_of(follow_piece)) is follow_piece
    for work in (added, lambda: None, pickle.loads):
        with pytest.raises((ValueError, AttributeError)):
            name_of(work)
    with pytest.raises(ValueError, check=sentence("bulk: no function of")):
        named("os:system")


@pytest.mark.parametrize(
    "error",
    [
        InvalidInput([Fault("/solids/1", "is wrong"), Fault("/a~1b", "too")]),
        bad_file("x", row=4),
    ],
)
def test_errors_survive_their_way_from_a_worker(error: Any) -> None:
    def fails(common: None, piece: None, check: Any) -> None:
        raise error

    found = pickle.loads(pickle.dumps(perform(fails, None, None, lambda: None)))
    assert isinstance(found, Failure)
    assert type(found.error) is type(error)
    assert str(found.error) == str(error)
    assert vars(found.error).keys() >= vars(error).keys()
    assert "in fails" in found.error.__notes__[0]


def test_what_differs_between_processes_is_told() -> None:
    assert differences(mark()) == ""
    other = {**mark(), "numpy": "1.0", "sources": "00"}
    assert "numpy 1.0" in differences(other)
    assert "sources 00" in differences(other)
    assert "arithmetic none" in differences({})


def test_deliveries_are_those_of_one_call_of_the_physics() -> None:
    """Against the physics' own loop, which cuts nothing."""
    count = PIECE + 5
    bowler, lane, chosen = BOWLERS["matched_one_handed"], uniform_lane(20.0), USUAL
    ball = box_ball(BoxBall(weight=15.0, rg=2.5, differential=0.05, intermediate_differential=0.01))
    releases = scattered(bowler.release, bowler.scatter, count, 5)
    setups = np.concatenate([setup_row(ball, chosen, loft)[None] for loft in releases[:, LOFT]])
    lanes, films, expected = np.zeros(count, np.int64), lane.grid()[None], np.empty((count, SUMMARY))
    states, errors = first_states(ball, releases), (chosen.path_error, chosen.largest_step)
    deliver_rows(0, count, states, setups, lanes, films, *errors, expected)
    for bulk in EVERY:
        assert run([Throw(ball, releases, lane)], chosen, bulk)[0].tobytes() == expected.tobytes()


def test_a_study_has_the_same_bits_on_any_number_of_threads() -> None:
    tolerances = (CORE, Tolerance(("filler", "core"), "tilt_x", standard_deviation=0.2))
    limits = {"weight": (None, 15.2), "rg": (2.4, None)}
    found = [study(SKARN, Production(tolerances, 1000, 9), limits, bulk=bulk) for bulk in EVERY]
    assert all(repr(each) == repr(found[0]) for each in found)


def test_a_solid_that_leaves_the_ball_is_told_by_the_same_block(sentence: Any) -> None:
    """The text counts the samples of the first block that fails, however the block is cut."""
    wide = (Tolerance(("core",), "offset_x", standard_deviation=1.0),)
    texts = set()
    for bulk in EVERY:
        with pytest.raises(InvalidInput) as refused:
            study(SKARN, Production(wide, 3000), bulk=bulk)
        texts.add(str(refused.value))
    assert list(texts) == sentence("production: a solid leaves the ball")


@pytest.fixture
def small_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "PIECE_ROWS", 100)


def _lot(path: Any, bulk: Bulk, **options: Any) -> tuple[dict[str, Any], list[int]]:
    request = read_request(LOT_REQUEST.load({"rules": {"on": "2026-05-01"}}))
    with Lot(str(path), "lot.parquet", request, bulk=bulk, **options) as lot:
        rows = [int(row) for verdicts in lot for row in verdicts.rows]
        return lot.answer(), rows


@pytest.mark.usefixtures("small_pieces")
def test_a_lot_by_row_groups_is_the_lot_in_one_pass(tmp_path: Any) -> None:
    """Against the file read batch by batch in one pass, whose batches cross the row groups otherwise."""
    rng = np.random.default_rng(2)
    table = pa.table({"serial": [f"S{k % 900}" for k in range(1000)], "weight": rng.uniform(14, 16.5, 1000)})
    path = tmp_path / "lot.parquet"
    path.write_bytes(packed(table, 37))
    expected = _lot(path, Plain())
    assert expected[1] == list(range(1, 1001))
    assert expected[0]["left_out"]["repeated_serials"]["count"] == 100
    for bulk in EVERY[1:]:
        assert _lot(path, bulk) == expected


@pytest.mark.usefixtures("small_pieces")
def test_rows_judged_are_told_and_left_away_where_nobody_wants_them(tmp_path: Any) -> None:
    path = tmp_path / "lot.parquet"
    path.write_bytes(packed(pa.table({"weight": np.linspace(14.0, 16.5, 1000)}), 50))
    told: list[tuple[int, int | None]] = []
    result, rows = _lot(
        path, Threads(2), rows_wanted=False, told=lambda done, there_are: told.append((done, there_are))
    )
    assert rows == []
    assert told == [(done, 1000) for done in range(100, 1001, 100)]
    assert result == _lot(path, Threads(2))[0]


@pytest.mark.usefixtures("small_pieces")
def test_a_file_changed_while_it_is_judged_is_refused(tmp_path: Any, sentence: Any) -> None:
    path = tmp_path / "lot.parquet"
    path.write_bytes(packed(pa.table({"weight": np.linspace(14.0, 16.0, 1000)}), 50))
    with Lot(str(path), None, read_request(LOT_REQUEST.load({})), bulk=Threads(1)) as lot:
        judged = iter(lot)
        next(judged)
        path.write_bytes(packed(pa.table({"weight": np.linspace(14.0, 16.0, 1001)}), 50))
        with pytest.raises(InvalidInput) as caught:
            list(judged)
        assert str(caught.value) == sentence("lot: file changed")


def test_a_large_row_group_is_not_held_at_once(tmp_path: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its verdicts come chunk by chunk, as those of a stream do."""
    monkeypatch.setattr(reading, "PIECE_ROWS_MAXIMUM", 500)
    path = tmp_path / "lot.parquet"
    path.write_bytes(packed(pa.table({"weight": np.linspace(14.0, 16.5, 3000)}), 1000))
    told: list[int] = []
    result, rows = _lot(path, Threads(2), chunk_bytes=64 * 100, told=lambda done, _: told.append(done))
    assert rows == list(range(1, 3001))
    assert told == list(range(100, 3001, 100))
    assert result == _lot(path, Plain())[0]


def test_without_a_scheduler_threads_do_the_work() -> None:
    assert bulk_at(None) is threads_here()
    assert issubclass(BulkUnavailable, Exception)
