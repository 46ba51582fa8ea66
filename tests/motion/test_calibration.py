"""Friction from measured shots: the truth behind synthetic ones is found; what cannot be known is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ballgauge_schemas.shared.documents import motion_example
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.motion.balls import BoxBall, MotionBall, box_ball
from ballgauge_service.motion.bowlers import Release, release_row, scattered
from ballgauge_service.motion.calibration import Passage, Precision, Shot, calibrate
from ballgauge_service.motion.explanations import explain
from ballgauge_service.motion.line_maps import Line, line_map
from ballgauge_service.motion.spreads import Sampling, spread
from ballgauge_service.motion.starts import ANGLE, BOARD, MPH, USUAL, first_states, setup_row, to_board
from ballgauge_service.motion.surfaces import Curve, Surface, drawn_frictions
from ballgauge_service.physics.motion import equations as eq
from ballgauge_service.physics.motion import notes
from ballgauge_service.physics.motion.delivery import pass_rows
from ballgauge_service.physics.motion.sampled import deliver_sampled

from .shots import BOWLER, LANE, RELEASE, laid

HOUSE = laid(motion_example("motion")["lane"]["pattern"])
SENSORS = (6.0, 20.0, 36.0, 48.0, 58.0)
TRUTH = np.array([0.045, 0.2, 55.0])
CURVE = Curve(0.045, 0.2, 55.0, ((4e-6, 0.0, 0.0), (0.0, 1e-4, -0.02), (0.0, -0.02, 25.0)))


def seen(ball: MotionBall, releases: np.ndarray, film: np.ndarray, samples: int = 601) -> np.ndarray:
    """Time [s], speed [mph] and board at the sensors, (n, 5, 3), by samples in time of the delivery."""
    out = np.empty((len(releases), len(SENSORS), 3))
    for k, (state, release) in enumerate(zip(first_states(ball, releases), releases, strict=True)):
        inputs = (state, setup_row(ball, USUAL, release[6]), film)
        row, _, _ = deliver_sampled(*inputs, np.empty(0), 1e-6, 0.03)
        times = np.linspace(0.0, row[notes.TIME], samples)
        _, taken, _ = deliver_sampled(*inputs, times, 1e-6, 0.03)
        y = taken[:, 1 + eq.Y] / 12.0
        speed = np.hypot(taken[:, 1 + eq.VX], taken[:, 1 + eq.VY]) / MPH
        for q, values in enumerate((taken[:, 0], speed, to_board(taken[:, 1 + eq.X], ball.side))):
            out[k, :, q] = np.interp(SENSORS, y, values)
    return out


def measured(n: int, seed: int) -> tuple[MotionBall, tuple[Shot, ...]]:
    """Shots from boards 10 to 36, fanned out, by a truth that the fit does not know, measured as stated."""
    draws = np.random.default_rng([seed, 9])
    base = replace(BOWLER.release, launch_board=26.0, launch_angle=3.2)
    true = scattered(base, BOWLER.scatter, n, seed)
    across = np.linspace(-16.0, 10.0, n) if n > 1 else np.zeros(1)
    true[:, BOARD] += across
    true[:, ANGLE] += 0.15 * across
    ball = box_ball(BoxBall(surface=Surface(curve=Curve(*TRUTH))))
    found = seen(ball, true, HOUSE.grid())
    known = Precision()
    told = true.copy()
    told[:, :6] += draws.normal(size=(n, 6)) * known.releases
    found[..., 0] += draws.normal(size=found.shape[:2]) * known.time + draws.uniform(0.0, 9.0, (n, 1))
    found[..., 2] += draws.normal(size=found.shape[:2]) * known.passing_board
    shots = tuple(
        Shot(
            Release(*one[:-1]),
            tuple(Passage(d, float(p[0]), None, float(p[2])) for d, p in zip(SENSORS, row, strict=True)),
        )
        for one, row in zip(told, found, strict=True)
    )
    return replace(ball, surface=Surface()), shots


def test_passages_are_those_of_the_path() -> None:
    """Against 3,001 samples in time of the same path: to 10 µs, a thousandth of a mph and of a board."""
    ball = box_ball(BoxBall(differential=0.06))
    releases = np.array([release_row(replace(RELEASE, phase=p, loft=2.0)) for p in (0.0, 100.0)])
    out = np.empty((2, len(SENSORS), 4))
    setups = np.array([setup_row(ball, USUAL, 2.0)] * 2)
    states = first_states(ball, releases)
    pass_rows(states, setups, LANE.grid(), 12.0 * np.array(SENSORS), 1e-6, 0.015, out)
    wanted = seen(ball, releases, LANE.grid(), 3001)
    assert out[..., 0] == pytest.approx(wanted[..., 0], abs=1e-5)
    assert np.hypot(out[..., 2], out[..., 3]) / MPH == pytest.approx(wanted[..., 1], abs=1e-3)
    assert to_board(out[..., 1], 1.0) == pytest.approx(wanted[..., 2], abs=1e-3)


def test_twenty_shots_past_five_sensors_tell_the_friction() -> None:
    """Against the truth they were made by: within three standard uncertainties, oiled and dry to 3 %.

    The bound of Cramér and Rao at the truth is 2.5 to 2.7 %, 2.2 to 2.5 % and 4.8 to 5.5 % over such sets of
    shots, and what is told is as much.
    """
    ball, shots = measured(20, 5)
    found = calibrate(ball, HOUSE, shots, Precision(), USUAL)
    value = np.array([found.curve.oiled, found.curve.dry, found.curve.scale])
    deviation = np.sqrt(np.diag(found.curve.covariance))
    assert (np.abs(value - TRUTH) < 3.0 * deviation).all()
    assert (deviation / value < [0.03, 0.03, 0.07]).all()
    assert (deviation / value > [0.02, 0.018, 0.04]).all()
    assert abs(found.chi_square - found.freedom) < 5.0 * np.sqrt(2.0 * found.freedom)
    assert {sensor.quantity for sensor in found.sensors} == {"time", "board"}
    assert all(sensor.root_mean_square < 2.0 for sensor in found.sensors)
    assert found.deliveries < 600 * 20


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_one_shot_does_not_tell_the_friction(seed: int) -> None:
    ball, shots = measured(1, seed)
    with pytest.raises(InvalidInput) as caught:
        calibrate(ball, HOUSE, shots, Precision(), USUAL)
    (fault,) = caught.value.faults
    assert fault.pointer == "/calibrate/shots"
    assert "from board" in fault.words


def test_a_wrong_lane_shows_in_what_is_left() -> None:
    """Half the oil that there was: chi-square is far beyond its degrees of freedom, or nothing fits."""
    ball, shots = measured(8, 5)
    flat = laid(motion_example("motion_line_map")["lane"]["pattern"])
    try:
        found = calibrate(ball, flat.scaled(8.0), shots, Precision(), USUAL)
    except InvalidInput:
        return
    assert found.chi_square > 3.0 * found.freedom


def test_draws_have_the_covariance_and_one_curve_the_same_draws() -> None:
    same, also, other, sure = drawn_frictions(
        [Surface(curve=CURVE), Surface(curve=CURVE), Surface(curve=replace(CURVE, dry=0.21)), Surface()],
        4000,
        1,
    )
    assert sure is None
    assert same is not None
    assert other is not None
    assert (same == also).all()
    assert abs(np.corrcoef(same[:, 1], other[:, 1])[0, 1]) < 0.1
    wanted = np.array(CURVE.covariance)
    assert np.diag(np.cov(same.T)) == pytest.approx(np.diag(wanted), rel=0.1)
    assert np.cov(same.T)[1, 2] == pytest.approx(-0.02, rel=0.2)


def test_spreads_maps_and_explanations_carry_what_is_uncertain() -> None:
    """Against the same curve without its covariance."""
    sure, unsure = (
        BoxBall("A", surface=Surface(curve=c)) for c in (replace(CURVE, covariance=((0.0,) * 3,) * 3), CURVE)
    )
    bowler = replace(
        BOWLER,
        release=RELEASE,
        scatter=replace(
            BOWLER.scatter,
            **dict.fromkeys(
                ("speed", "rev_rate", "axis_rotation", "axis_tilt", "launch_angle", "launch_board"), 0.0
            ),
        ),
    )
    spreads = [spread(box_ball(b), bowler, LANE, Sampling(100)).ends.board.std() for b in (sure, unsure)]
    assert spreads[1] > 1.5 * spreads[0]
    maps = [line_map(Line((b,), (bowler,), deliveries=20), LANE).maps[0] for b in (sure, unsure)]
    lengths = [one.points[0][0].length.std() for one in maps]
    assert lengths[1] > 1.5 * lengths[0]
    told = [
        explain(box_ball(b), box_ball(replace(b, rg=2.55)), LANE, bowler).friction_uncertainty
        for b in (sure, unsure)
    ]
    assert told[0] == 0.0
    # One cover on both balls: most of what is uncertain is common to them.
    others = [box_ball(unsure), box_ball(replace(unsure, surface=Surface()))]
    apart = explain(others[0], others[1], LANE, bowler).friction_uncertainty
    assert 0.0 < told[1] < 0.3 * apart
