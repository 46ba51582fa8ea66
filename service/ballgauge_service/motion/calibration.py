"""Friction from measured shots: what curve and what releases make sensors along the lane see what they saw.

Least squares over the friction of one surface, common to all shots, and over each shot's own release, known
only as well as it was measured. The grip's phase of a shot, where it is not given, is one of its unknowns;
so is the zero of its clock.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from ballgauge_schemas.shared import limits
from ballgauge_schemas.shared.words import PASSED, RELEASE
from ballgauge_service.core.arrays import Array
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.motion.balls import MotionBall
from ballgauge_service.motion.bowlers import Release, release_row
from ballgauge_service.motion.lanes import Lane
from ballgauge_service.motion.starts import (
    ANGLE,
    BOARD,
    LOFT,
    MPH,
    PHASE,
    REVS,
    ROTATION,
    SPEED,
    TILT,
    MotionSettings,
    first_states,
    setup_row,
    to_board,
)
from ballgauge_service.motion.surfaces import Curve, surface_friction
from ballgauge_service.physics.motion import equations as eq
from ballgauge_service.physics.motion.delivery import INTERPRETING, pass_rows
from ballgauge_service.physics.motion.film import BOARD_WIDTH

FRICTIONS = ("oiled", "dry", "scale")
NUISANCES = (SPEED, REVS, ROTATION, TILT, ANGLE, BOARD, PHASE)
STEPS = (0.02, 2.0, 0.5, 0.5, 0.02, 0.1, 5.0)
"""Parts of a release that are fitted with the friction, and steps of their differences (ours)."""

LOG_STEP = 0.01
"""Step of the differences of the friction's logarithms (ours)."""

ACCURACY = 1e-4
"""Error of the path that a fit aims at, where no coarser one is asked for [in] (ours): a thousandth of what
sensors tell."""

MISSED = 1000.0
"""What a passage counts at which the fitted ball does not arrive, in standard uncertainties (ours)."""

NEAR = 2.0
"""Standard uncertainties within which a launch begins to be fitted (ours)."""

TRIED_PHASES = 8
"""Phases of the grip from which the fit of a shot may begin (ours)."""

TRIES = (6, 8, 25)
"""Evaluations after which the best phases are looked for again, twice, and of the last fit (ours)."""

CORRELATED = 0.98
"""Correlation of two frictions from which the shots do not tell them apart (ours)."""

UNCERTAIN = 0.5
"""Relative standard uncertainty of a friction beyond which the shots do not tell it (ours)."""

ADDED = 5
"""Shots of one kind whose worth is computed where a calibration is refused (ours)."""


@dataclass(frozen=True, slots=True)
class Passage:
    """What a sensor saw: distance [ft]; time [s] by a clock of unknown zero, speed [mph], board, or None."""

    distance: float
    time: float | None = None
    speed: float | None = None
    board: float | None = None


@dataclass(frozen=True, slots=True)
class Shot:
    """One delivery as it was measured."""

    release: Release
    passages: tuple[Passage, ...]


@dataclass(frozen=True, slots=True)
class Precision:
    """Standard uncertainties of the sensors [s, mph, boards] and of the releases, in the units of Release."""

    time: float = limits.SENSOR_TIME
    passing_speed: float = limits.SENSOR_SPEED
    passing_board: float = limits.SENSOR_BOARD
    speed: float = limits.RELEASE_KNOWN["speed"]
    rev_rate: float = limits.RELEASE_KNOWN["rev_rate"]
    axis_rotation: float = limits.RELEASE_KNOWN["axis_rotation"]
    axis_tilt: float = limits.RELEASE_KNOWN["axis_tilt"]
    launch_angle: float = limits.RELEASE_KNOWN["launch_angle"]
    launch_board: float = limits.RELEASE_KNOWN["launch_board"]

    @property
    def releases(self) -> Array:
        """Of the parts of a release in the order of NUISANCES, the phase left out, (6,)."""
        return np.array([getattr(self, name) for name in RELEASE])


@dataclass(frozen=True, slots=True)
class Sensor:
    """Sensors at a distance [ft]: readings, mean and root mean square of what is left of them, in sigmas."""

    distance: float
    quantity: str
    readings: int
    mean: float
    root_mean_square: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """The friction found.

    curve: with its covariance; correlation, (3, 3), of oiled, dry and scale; chi_square and freedom: of the
    whole fit; sensors; releases: as fitted, of every shot; left: root mean square by shot, in sigmas;
    deliveries: followed for it.
    """

    curve: Curve
    correlation: Array
    chi_square: float
    freedom: int
    sensors: list[Sensor]
    releases: list[Release]
    left: list[float]
    deliveries: int


def fitting(settings: MotionSettings) -> MotionSettings:
    """The settings by which a fit follows deliveries, no finer than ACCURACY.

    Parameters
    ----------
    settings : how deliveries are computed elsewhere

    Returns
    -------
    settings : of the fit
    """
    return replace(settings, path_error=max(settings.path_error, ACCURACY))


class _Fit:
    """Residuals and their derivatives of all shots, followed together."""

    def __init__(
        self,
        ball: MotionBall,
        lane: Lane,
        settings: MotionSettings,
        shots: tuple[Shot, ...],
        precision: Precision,
        check: Callable[[], None],
    ) -> None:
        self.ball, self.lane, self.settings, self.shots = ball, lane, fitting(settings), shots
        self.film = lane.grid()
        self.precision, self.check = precision, check
        self.base = setup_row(ball, settings)
        self.distances = np.unique([p.distance for shot in shots for p in shot.passages])
        self.measured = np.full((len(shots), len(self.distances), 3), np.nan)
        for k, shot in enumerate(shots):
            for p in shot.passages:
                row = self.measured[k, np.searchsorted(self.distances, p.distance)]
                row[:] = [np.nan if v is None else v for v in (p.time, p.speed, p.board)]
        self.start = np.array([release_row(shot.release) for shot in shots])
        self.sigmas = np.array([precision.time, precision.passing_speed, precision.passing_board])
        self.overlooked = np.zeros(self.measured.shape[:2], bool)
        self.free = [i for i, shot in enumerate(shots) if shot.release.phase is None]
        self.deliveries = 0

    def lined(self) -> Array:
        """The releases as measured, (n, 8), of them the launches as the first two boards have them.

        Sensors know a launch far better than its reading does, by which a ball may lie in the gutter.
        """
        found = self.start.copy()
        for row, boards in zip(found, self.measured[..., 2], strict=True):
            first = np.flatnonzero(np.isfinite(boards))[:2]
            if len(first) == 2:
                (near, far), (one, other) = self.distances[first], boards[first]
                slope = (other - one) / (far - near)
                launch = one - slope * near, -np.degrees(np.arctan(slope * BOARD_WIDTH / 12.0))
                away = NEAR * self.precision.releases[[5, 4]]
                row[[BOARD, ANGLE]] = np.clip(launch, row[[BOARD, ANGLE]] - away, row[[BOARD, ANGLE]] + away)
        return found

    def seen(self, frictions: Array, releases: Array) -> Array:
        """Time, speed and board at every distance, (n, d, 3), of n releases with their frictions, (n, 3)."""
        self.check()
        setups = np.tile(self.base, (len(releases), 1))
        setups[:, [eq.OILED, eq.DRY, eq.SCALE]] = frictions
        setups[:, eq.LOFT] = 12.0 * releases[:, LOFT]
        out = np.empty((len(releases), len(self.distances), 4))
        follow = pass_rows.expecting(INTERPRETING * len(releases))
        states = first_states(self.ball, releases)
        accuracy = (self.settings.path_error, self.settings.largest_step)
        follow(states, setups, self.film, 12.0 * self.distances, *accuracy, out)
        self.deliveries += len(releases)
        speed = np.hypot(out[..., 2], out[..., 3]) / MPH
        return np.stack([out[..., 0], speed, to_board(out[..., 1], self.ball.side)], axis=-1)

    def left(self, seen: Array) -> Array:
        """Measured less seen in sigmas, (..., n, d, 3); times about their mean; 0 where nothing was measured.

        A ball that does not come to a sensor that saw it is far off, MISSED, but where it is overlooked.
        """
        found = (self.measured - seen) / self.sigmas
        missed = np.isnan(seen) & ~np.isnan(self.measured)
        found = np.where(self.overlooked[..., None], np.nan, np.where(missed, MISSED, found))
        times = found[..., 0]
        counted = np.isfinite(times)
        number = np.maximum(counted.sum(axis=-1, keepdims=True), 1)
        found[..., 0] = times - np.where(counted, times, 0.0).sum(axis=-1, keepdims=True) / number
        return np.nan_to_num(found, nan=0.0)

    def releases(self, x: Array) -> Array:
        found = self.start.copy()
        found[:, NUISANCES] = x[3:].reshape(len(self.shots), -1)
        return found

    def residuals(self, x: Array) -> Array:
        releases = self.releases(x)
        frictions = np.tile(np.exp(x[:3]), (len(releases), 1))
        return self._all(self.left(self.seen(frictions, releases)), releases)

    def _all(self, left: Array, releases: Array) -> Array:
        away = (releases - self.start)[:, NUISANCES[:-1]] / self.precision.releases
        return np.concatenate([left.reshape(len(releases), -1), away], axis=1).ravel()

    def jacobian(self, x: Array) -> Array:
        """Central differences: each shot's residuals depend on the friction and on its own release only."""
        n, wide = len(self.shots), len(NUISANCES)
        releases = self.releases(x)
        frictions, thrown = [], []
        for sign in (1.0, -1.0):
            for j in range(3 + wide):
                logs, moved = np.tile(x[:3], (n, 1)), releases.copy()
                if j < 3:
                    logs[:, j] += sign * LOG_STEP
                else:
                    moved[:, NUISANCES[j - 3]] += sign * STEPS[j - 3]
                frictions.append(np.exp(logs))
                thrown.append(moved)
        seen = self.seen(np.concatenate(frictions), np.concatenate(thrown))
        seen = seen.reshape(2, 3 + wide, n, len(self.distances), 3)
        left = self.left(seen).reshape(2, 3 + wide, n, -1)
        steps = np.array([LOG_STEP] * 3 + list(STEPS))
        slopes = (left[0] - left[1]) / (2.0 * steps[:, None, None])
        rows = left.shape[-1] + wide - 1
        out = np.zeros((n, rows, len(x)))
        for k in range(n):
            out[k, : left.shape[-1], :3] = slopes[:3, k].T
            out[k, : left.shape[-1], 3 + wide * k : 3 + wide * (k + 1)] = slopes[3:, k].T
            for j in range(wide - 1):
                out[k, left.shape[-1] + j, 3 + wide * k + j] = 1.0 / self.precision.releases[j]
            if k not in self.free:
                out[k, :, 3 + wide * (k + 1) - 1] = 0.0
        return out.reshape(n * rows, len(x))

    def best_phases(self, x: Array) -> Array:
        """The same with the phase of every shot, where it is free, that leaves least.

        Sensors to which a ball does not come even so are overlooked from here: off the lane nothing tells
        which way leads back to it, but what the other shots say of the friction.
        """
        self.overlooked[:] = False
        releases = self.releases(x)
        turned = np.repeat(releases[None], TRIED_PHASES, axis=0)
        turned[:, self.free, PHASE] += (np.arange(TRIED_PHASES) * 360.0 / TRIED_PHASES)[:, None]
        flat = turned.reshape(-1, turned.shape[-1])
        seen = self.seen(np.tile(np.exp(x[:3]), (len(flat), 1)), flat)
        seen = seen.reshape(TRIED_PHASES, len(releases), len(self.distances), 3)
        left = self.left(seen)
        best, shots = np.argmin((left**2).sum(axis=(-1, -2)), axis=0), np.arange(len(releases))
        self.overlooked = (np.isnan(seen[best, shots]) & ~np.isnan(self.measured)).any(axis=-1)
        found = x.copy()
        found[3:].reshape(len(releases), -1)[:, -1] = turned[best, shots, PHASE]
        return found


def calibrate(
    ball: MotionBall,
    lane: Lane,
    shots: tuple[Shot, ...],
    precision: Precision,
    settings: MotionSettings,
    check: Callable[[], None] = lambda: None,
) -> Calibration:
    """Find oiled, dry and scale of the ball's surface from shots on one lane.

    Parameters
    ----------
    ball : with its usual friction, from which the fit begins
    lane : as it was laid
    shots : releases and passages
    precision : standard uncertainties of both
    settings : how deliveries are computed
    check : asked before every batch of deliveries

    Returns
    -------
    the friction with its covariance, and what is left of every sensor

    Raises
    ------
    InvalidInput
        The shots do not tell two of them apart, or nothing near explains them.
    """
    fit = _Fit(ball, lane, settings, shots, precision, check)
    first = surface_friction(ball.surface, settings.friction)
    x = np.concatenate([np.log([first.oiled, first.dry, first.scale]), fit.lined()[:, NUISANCES].ravel()])
    scale = np.concatenate([[0.3] * 3, np.tile([*precision.releases, 60.0], len(shots))])
    low, high = np.full(len(x), -np.inf), np.full(len(x), np.inf)
    low[:3], high[:3] = np.log([1e-3, 5e-3, 0.5]), np.log([1.0, 1.0, 5000.0])
    for most in TRIES:
        # In units of what is likely, about the present place: a step's size then means the same for all.
        here = fit.best_phases(x)
        done = least_squares(
            lambda z, here=here: fit.residuals(here + scale * z),
            np.zeros(len(x)),
            lambda z, here=here: fit.jacobian(here + scale * z) * scale,
            ((low - here) / scale, (high - here) / scale),
            ftol=1e-4,
            xtol=1e-4,
            gtol=1e-10,
            max_nfev=most,
        )
        x = here + scale * done.x
    value, fit.overlooked[:] = np.exp(x[:3]), False
    left = fit.left(fit.seen(np.tile(value, (len(shots), 1)), fit.releases(x)))
    if lost := [k for k, one in enumerate(left) if np.abs(one).max() > 0.5 * MISSED]:
        words = (
            "no ball near this release comes to every sensor that saw it: look at the release and the lane"
        )
        raise InvalidInput([Fault(f"/calibrate/shots/{k}", words) for k in lost])
    jacobian = done.jac / scale
    covariance, correlation = _covariance(jacobian)
    _refuse_alike(fit, x, jacobian, covariance, correlation)
    if np.abs(x[:3] - low[:3]).min() < 0.01 or np.abs(high[:3] - x[:3]).min() < 0.01 or value[0] > value[1]:
        words = "no friction of this model explains these shots: look at lane, releases and units"
        raise InvalidInput([Fault("/calibrate/shots", words)])
    used = np.isfinite(fit.measured)
    freedom = int(used.sum()) - 3 - len(fit.free) - int(used[..., 0].any(axis=1).sum())
    return Calibration(
        Curve(
            float(value[0]),
            float(value[1]),
            float(value[2]),
            tuple(map(tuple, (covariance * np.outer(value, value)).tolist())),
        ),
        correlation,
        2.0 * float(done.cost),
        freedom,
        _sensors(fit, left, used),
        [_released(shot, row) for shot, row in zip(shots, fit.releases(x), strict=True)],
        [float(np.sqrt((one[here] ** 2).mean())) for one, here in zip(left, used, strict=True)],
        fit.deliveries,
    )


def _covariance(jacobian: Array) -> tuple[Array, Array]:
    """Of the logarithms of the friction, whatever the releases, and their correlation; (3, 3) each."""
    known = np.linalg.pinv(jacobian.T @ jacobian, rcond=1e-14, hermitian=True)[:3, :3].astype(np.float64)
    return _correlated(known)


def _correlated(covariance: Array) -> tuple[Array, Array]:
    deviation = np.sqrt(np.diag(covariance))
    return covariance, covariance / np.outer(deviation, deviation)


def _refuse_alike(fit: _Fit, x: Array, jacobian: Array, covariance: Array, correlation: Array) -> None:
    """Refuse frictions that the shots do not tell, and say which further shots would."""
    pairs = [(abs(correlation[i, j]), i, j) for i in range(3) for j in range(i)]
    worst, i, j = max(pairs)
    deviation = np.sqrt(np.diag(covariance))
    if worst <= CORRELATED and deviation.max() <= UNCERTAIN:
        return
    tried = []
    for board in (8.0, 15.0, 22.0, 29.0):
        for angle in (0.0, 2.0, 4.0):
            release = fit.start[0].copy()
            release[[BOARD, ANGLE, PHASE]] = board, angle, 0.0
            known, alike = _correlated(_with_more(fit, x, jacobian, release))
            tried.append((float(np.sqrt(known.diagonal().max())), board, angle, known, alike))
    _, board, angle, known, alike = min(tried, key=lambda each: each[0])
    kind = f"{ADDED} more by this bowler from board {board:g} at {angle:g} deg, past the same sensors, would"
    if worst > CORRELATED:
        words = (
            f"these shots cannot tell {FRICTIONS[j]} and {FRICTIONS[i]} apart: their correlation is "
            f"{correlation[i, j]:.3f}, beyond {CORRELATED:g}; {kind} bring it to {alike[i, j]:.2f}"
        )
    else:
        k = int(np.argmax(deviation))
        after = float(np.sqrt(known[k, k]))
        words = f"these shots leave {FRICTIONS[k]} uncertain by {deviation[k]:.0%}; {kind} leave {after:.0%}"
    raise InvalidInput([Fault("/calibrate/shots", words)])


def _with_more(fit: _Fit, x: Array, jacobian: Array, release: Array) -> Array:
    """The covariance with ADDED further shots by one release, by their derivatives alone."""
    passages = tuple(Passage(float(d), 0.0, None, 0.0) for d in fit.distances)
    more = _Fit(
        fit.ball, fit.lane, fit.settings, (Shot(Release(*release[:-1]), passages),), fit.precision, fit.check
    )
    slopes = more.jacobian(np.concatenate([x[:3], release[list(NUISANCES)]]))
    known = np.zeros((3, 3))
    for part in (jacobian, *[slopes] * ADDED):
        own, common = part[:, 3:], part[:, :3]
        known += common.T @ (common - own @ np.linalg.pinv(own, rcond=1e-10) @ common)
    if np.abs(slopes).max() > 1e5:
        return np.eye(3)
    return np.linalg.pinv(known).astype(np.float64)


def _sensors(fit: _Fit, left: Array, used: NDArray[np.bool_]) -> list[Sensor]:
    found = []
    for k, distance in enumerate(fit.distances):
        for q, quantity in enumerate(PASSED):
            here = left[used[:, k, q], k, q]
            if len(here):
                rms = float(np.sqrt((here**2).mean()))
                found.append(Sensor(float(distance), quantity, len(here), float(here.mean()), rms))
    return found


def _released(shot: Shot, row: Array) -> Release:
    values = dict(zip(limits.RELEASE, row.tolist(), strict=False))
    return replace(shot.release, **values, phase=float(row[PHASE] % 360.0))
