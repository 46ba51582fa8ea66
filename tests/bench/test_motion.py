"""Speed of the motion: ratios to SciPy's solve_ivp on the same equations at the same path error."""

from __future__ import annotations

import importlib
import importlib.util
import sys
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ballgauge_schemas.motion.lineup_request import LINEUP_REQUEST
from ballgauge_schemas.shared.documents import lineup_example
from ballgauge_service.motion.balls import BoxBall, box_ball
from ballgauge_service.motion.bowlers import Scatter, release_row, scattered
from ballgauge_service.motion.line_maps import Line, line_map
from ballgauge_service.motion.lineup.evaluate import evaluate_lineup
from ballgauge_service.motion.lineup.request import read_lineup
from ballgauge_service.motion.starts import USUAL, MotionSettings, Throw, first_states, run, setup_row
from ballgauge_service.motion.surfaces import OilOnBall
from ballgauge_service.physics.motion import equations as eq
from ballgauge_service.physics.motion import notes
from ballgauge_service.physics.motion.sampled import deliver_sampled

ONE, MANY = 100.0, 300.0
DELIVERIES = 1000
WANTED = 1e-6


def _shared(name: str) -> Any:
    """A module that the tests of motion share, whichever tests are run."""
    folder = Path(__file__).parents[1] / "motion"
    if "motion" not in sys.modules:
        place = importlib.util.spec_from_file_location(
            "motion", folder / "__init__.py", submodule_search_locations=[str(folder)]
        )
        assert place is not None
        sys.modules["motion"] = importlib.util.module_from_spec(place)
    return importlib.import_module(f"motion.{name}")


shots, reference = _shared("shots"), _shared("reference")
BALL = box_ball(BoxBall(differential=0.05, intermediate_differential=0.015))


def kernel_path(release: Any, times: Any, error: float, step: float) -> tuple[Any, Any]:
    state = first_states(BALL, release_row(release)[None])[0]
    row, samples, _ = deliver_sampled(state, setup_row(BALL, USUAL), shots.LANE.grid(), times, error, step)
    return row, samples[:, 1 + eq.X : 3 + eq.X]


@pytest.fixture(scope="module")
def rival() -> tuple[Callable[[], object], float, float]:
    """solve_ivp at the loosest tolerance that is right to WANTED, that tolerance, and our own path error."""
    row, _ = kernel_path(shots.RELEASE, np.empty(0), 1e-9, 0.005)
    times = np.linspace(0.0, row[notes.TIME] - 1e-5, 41)
    _, truth = kernel_path(shots.RELEASE, times, 1e-9, 0.005)
    _, ours = kernel_path(shots.RELEASE, times, USUAL.path_error, USUAL.largest_step)
    case, state = shots.as_reference(BALL, shots.RELEASE, shots.LANE)
    for rtol in (1e-6, 1e-7, 1e-8, 1e-9, 1e-10, 1e-11):
        options = {"rtol": rtol, "longest": np.inf, "watched": 0.02}
        places, _, _ = reference.path(case, state, times, **options)
        if np.abs(places - truth).max() <= WANTED:
            solve = partial(reference.path, case, state, times[:0], **options)
            return solve, rtol, float(np.abs(ours - truth).max())
    raise AssertionError("solve_ivp does not reach the wanted path error")


def test_one_delivery_is_a_hundred_times_faster_than_solve_ivp(
    rival: tuple[Callable[[], object], float, float], versus: Any
) -> None:
    solve, rtol, error = rival
    assert error <= WANTED
    state = first_states(BALL, release_row(shots.RELEASE)[None])[0]
    setup, film = setup_row(BALL, USUAL), shots.LANE.grid()
    inputs = (state, setup, film, np.empty(0), USUAL.path_error, USUAL.largest_step)
    deliver_sampled(*inputs)
    versus.race(
        "one delivery, path right to 1e-6 in",
        ("physics.motion.sampled", f"{versus.named('scipy')}: solve_ivp, rtol {rtol:g}"),
        lambda: deliver_sampled(*inputs),
        solve,
        ONE,
        rounds=3,
        calls=(30, 1),
    )


def test_a_delivery_of_many_is_hundreds_of_times_faster(
    rival: tuple[Callable[[], object], float, float], versus: Any
) -> None:
    solve, rtol, _ = rival
    releases = scattered(shots.RELEASE, Scatter(), DELIVERIES, 1)
    throw = Throw(BALL, releases, shots.LANE)
    run([Throw(BALL, releases[:100], shots.LANE)], USUAL)
    versus.race(
        f"{DELIVERIES} deliveries, a delivery",
        ("motions.starts.run", f"{versus.named('scipy')}: solve_ivp, rtol {rtol:g}"),
        lambda: run([throw], USUAL),
        solve,
        MANY,
        rounds=3,
        shares=(DELIVERIES, 1),
    )


def test_oil_on_the_cover_costs_at_most_four_deliveries(versus: Any) -> None:
    """Shorter steps and the marks of earlier revolutions, against the same deliveries without."""
    releases = scattered(shots.RELEASE, Scatter(), 300, 1)
    throw = Throw(BALL, releases, shots.LANE)
    carrying = replace(USUAL, oil_on_ball=OilOnBall())
    run([throw], carrying)
    versus.race(
        "300 deliveries with oil on the cover",
        ("motion.starts.run, carrying", "the same without"),
        lambda: run([throw], carrying),
        lambda: run([throw], USUAL),
        0.25,
        rounds=3,
    )


def test_memory_grows_with_what_is_asked_for_and_not_with_steps(versus: Any) -> None:
    """Allocations: some hundred numbers a delivery, and the rides' room, however fine the steps."""
    releases = scattered(shots.RELEASE, Scatter(), 400, 1)
    run([Throw(BALL, releases, shots.LANE)], MotionSettings())  # machine code is made or read here
    peaks = []
    for step in (0.03, 0.003):
        tracemalloc.start()
        run([Throw(BALL, releases, shots.LANE)], MotionSettings(largest_step=step))
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[0] < 400 * 300 * 8 + 4_000_000
    assert peaks[1] == pytest.approx(peaks[0], rel=0.1)
    versus.hold("memory of 400 deliveries", "steps of 3 ms", "steps of 30 ms", [peaks[0] / peaks[1]], 0.9)


def test_a_line_up_costs_less_than_aiming_every_ball(versus: Any) -> None:
    """The example for one bowler, causes of all differences included, against its balls on a line map."""
    asked = lineup_example("lineup")
    asked["bowlers"] = asked["bowlers"][:1]
    loaded = LINEUP_REQUEST.load(asked)
    request = read_lineup(loaded, {})
    volumes = tuple(column.lane.volume for column in request.columns)
    balls = tuple(entry.ball for entry in request.entries)
    line = Line(balls, request.bowlers, volumes, request.deliveries, request.seed)
    versus.race(
        "five balls on three lanes for one bowler",
        ("motion.lineup: thrown alike, with causes", "motion.line_maps: each ball aimed"),
        lambda: evaluate_lineup(loaded),
        lambda: line_map(line, request.columns[0].lane),
        1.8,
        rounds=3,
    )
