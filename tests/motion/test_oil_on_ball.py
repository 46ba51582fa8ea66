"""Oil on the cover: conserved, carried to the next revolution, and the reason why differential hooks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ballgauge_schemas.shared.documents import motion_example
from ballgauge_service.motion.balls import BoxBall, MotionBall, box_ball
from ballgauge_service.motion.bowlers import Release, phased, release_row
from ballgauge_service.motion.lanes import CELL_AREA, Lane, uniform_lane
from ballgauge_service.motion.starts import USUAL, Throw, first_states, run, setup_row, to_board
from ballgauge_service.motion.surfaces import OilOnBall, Surface
from ballgauge_service.physics.motion import notes
from ballgauge_service.physics.motion.film import MARGIN
from ballgauge_service.physics.motion.sampled import deliver_sampled

from .shots import BOWLER, LANE, RELEASE, laid
from .test_laws import boxes, offsets, releases, seen_in_a_mirror

Array = np.ndarray
CARRYING = replace(USUAL, oil_on_ball=OilOnBall())


def thrown(
    box: BoxBall | MotionBall, oil: OilOnBall | None, lane: Lane = LANE, release: Release = RELEASE
) -> Array:
    """Summaries of the phases."""
    ball = box_ball(box) if isinstance(box, BoxBall) else box
    return run([Throw(ball, phased(release), lane)], replace(USUAL, oil_on_ball=oil))[0]


def board(box: BoxBall, oil: OilOnBall | None, side: float = 1.0, lane: Lane = LANE) -> float:
    return float(to_board(thrown(box, oil, lane)[:, notes.END_X], side).mean())


def changed(ball: MotionBall, release: Release, lane: Lane, oil: OilOnBall) -> tuple[float, Array]:
    """Oil on the cover [µL], and the change of the lane's cells."""
    change = np.zeros_like(lane.grid())
    state = first_states(ball, release_row(release)[None])[0]
    setup = setup_row(ball, replace(USUAL, oil_on_ball=oil), release.loft)
    row, _, _ = deliver_sampled(
        state, setup, lane.grid(), np.empty(0), USUAL.path_error, USUAL.largest_step, change
    )
    return float(row[notes.ON_COVER]), change


@settings(max_examples=25, deadline=None, derandomize=True)
@given(boxes, offsets, releases, st.floats(0.0, 1.0), st.sampled_from([None, 60.0]))
def test_no_oil_is_lost(
    box: BoxBall, offset: tuple[float, float, float], release: Release, split: float, drawn_in: float | None
) -> None:
    """What the lane lacks is on the cover or in it, to rounding; no cell holds less than nothing."""
    oil = OilOnBall(split=split, absorption_time=drawn_in)
    ball = replace(box_ball(box), centre_of_mass=offset)
    on_cover, change = changed(ball, release, LANE, oil)
    inner = change[MARGIN:-MARGIN, MARGIN:-MARGIN]
    assert np.abs(change).sum() == pytest.approx(np.abs(inner).sum(), rel=1e-14)
    assert -inner.sum() * CELL_AREA == pytest.approx(on_cover, abs=1e-9)
    assert on_cover >= 0.0
    after = LANE.after(change)
    assert after.cells.min() >= 0.0
    assert after.volume + 1e-3 * on_cover == pytest.approx(LANE.volume, abs=1e-12)


@pytest.mark.parametrize("drawn_in", [None, 200.0])
def test_rings_on_each_other_fill_to_their_closed_form(drawn_in: float | None) -> None:
    """A uniform ball that rolls straight on an even film: q' = s (F + q' - A t), t a revolution."""
    radius, speed, film, split, footprint = 4.3, 12.0, 100.0, 0.3, 0.1
    spin = speed * 17.6 / radius
    oil = OilOnBall(split, 100.0, footprint, drawn_in)
    ball = box_ball(BoxBall(differential=0.0, radius=radius))
    release = Release(speed, spin * 30.0 / np.pi, 0.0, 0.0, 0.0, 20.0)
    on_cover, _ = changed(ball, release, uniform_lane(film), oil)
    turn, turns = 2.0 * np.pi / spin, 720.0 / (2.0 * np.pi * radius)
    lost = oil.absorption * turn
    kept = split * (film - lost) / (1.0 - split)
    strip = 2.0 * np.pi * radius * np.sqrt(2.0 * np.pi) * footprint / 144.0
    # What lies on it, and what it drew in since the first revolution.
    assert on_cover == pytest.approx(strip * (kept + lost * (turns - 1.0)), rel=0.02)


def test_a_cover_that_keeps_nothing_is_the_ball_without() -> None:
    """Shorter steps alone: within 0.006 board."""
    for box in (BoxBall(), BoxBall(differential=0.055, intermediate_differential=0.02, hand="left")):
        without = thrown(box, None)[:, notes.END_X]
        assert np.abs(thrown(box, OilOnBall(split=0.0))[:, notes.END_X] - without).max() < 0.006


def test_differential_hooks_by_the_oil_that_flare_leaves_behind() -> None:
    """The trade: more differential, more hook (common practice, no source); and it saturates."""
    lane = laid(motion_example("motion")["lane"]["pattern"])
    release = replace(BOWLER.release, launch_board=26.0, launch_angle=3.4)
    found = [
        [
            to_board(thrown(BoxBall(differential=d), oil, lane, release)[:, notes.END_X], 1.0).mean()
            for d in (0.0, 0.015, 0.03, 0.045, 0.06)
        ]
        for oil in (None, OilOnBall())
    ]
    without, carrying = np.array(found)
    assert 0.2 < without[3] - without[0] < 0.45
    assert 1.7 < carrying[3] - carrying[0] < 2.3
    assert (np.diff(carrying) > 0.0).all()
    assert carrying[4] - carrying[3] < 0.15 * (carrying[3] - carrying[0])
    assert (carrying < without).all()


@pytest.mark.parametrize("pin", [0.25, 6.5])
def test_a_layout_without_flare_loses_it(pin: float) -> None:
    flaring = board(BoxBall(differential=0.045, pin_to_pap=3.375), OilOnBall())
    assert flaring - board(BoxBall(differential=0.045, pin_to_pap=pin), OilOnBall()) > 1.2


def test_the_surface_decides_more_than_the_core() -> None:
    """USBC's motion study (press): cover and surface first."""
    surface = [board(BoxBall(surface=Surface(grit=g)), OilOnBall()) for g in (4000.0, 500.0)]
    core = [board(BoxBall(differential=d), OilOnBall()) for d in (0.0, 0.06)]
    assert surface[1] - surface[0] > core[1] - core[0]


def test_oil_is_carried_down_the_lane() -> None:
    """Beyond the pattern the lane is dry: what lies there came with the ball, some tenths of what it took."""
    on_cover, change = changed(box_ball(BoxBall()), replace(RELEASE, phase=0.0), LANE, OilOnBall())
    cells = change[MARGIN:-MARGIN, MARGIN:-MARGIN]
    beyond = cells[82:].sum() * CELL_AREA
    assert cells[82:].min() >= 0.0
    assert 0.02 * on_cover < beyond < 0.3 * on_cover
    assert 5.0 < on_cover < 25.0


def test_absorption_leaves_less_for_the_next_revolution() -> None:
    """Against none: a thirsty cover reads earlier, and ends nearer to one that carries nothing."""
    box = BoxBall(differential=0.0)
    slow, quick = (board(box, OilOnBall(absorption_time=time)) for time in (5400.0, 20.0))
    assert board(box, OilOnBall()) <= slow < quick < board(box, None)


def test_a_left_hander_carries_oil_as_the_mirror_image() -> None:
    right = board(BoxBall(), OilOnBall())
    left = board(BoxBall(hand="left"), OilOnBall(), -1.0, seen_in_a_mirror(LANE))
    assert left == pytest.approx(right, abs=1e-6)
