"""What mends a balance that fails: other depths, or a shift of the grip along the layout.

Candidates lie on a grid of 1/32 in and are drilled by the same kernel as the ball itself; the smallest change
that brings every reading inside its limits by the margin is offered. Thumb and fingers together are tried
where neither alone is enough: holes that do not meet add their moments, so that the pairs worth drilling are
known from the single changes, and each is drilled before it is offered.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas.shared.limits import BALANCE_ARM, FINGER_DEPTH_MIN, THUMB_DEPTH_MIN
from ballgauge_schemas.shared.words import LAYOUT_ANGLES
from ballgauge_service.check.drill import Work, ball_work
from ballgauge_service.check.predict import DrilledBall, predicted_readings
from ballgauge_service.check.request import Check, MeasuredBalance, value
from ballgauge_service.physics.balance import PLAUSIBLE_ARMS, largest_imbalance
from ballgauge_service.physics.drilling import MIDDLE, RING, ROLES, THUMB, vector_of
from ballgauge_service.physics.material_error import material_error
from ballgauge_service.physics.sphere import cross, dot, layout_from_marks, turned, unit

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

STEP = 1.0 / 32.0
SHIFT_REACH = 1.0
CENTER_CLEARANCE = 0.5
"""Step, greatest shift of the grip, least depths that still hold a digit, and what must stay between a hole's
bottom and the level of the center [in] (ours)."""

REMEDY_WORK = 5e5
"""Most estimated work for the remedies of one ball [µs] (ours)."""

_TRIALS = 200
_PORTION = 24
_ROUNDING = 1e-9


class Limits(NamedTuple):
    """Least and greatest allowed top, side and finger reading and largest imbalance [oz], each shape (4,).

    They are inside the rules' limits by `guard` standard uncertainties of the readings as they are now.
    """

    low: Array
    high: Array
    guard: float = 0.0


@dataclass(frozen=True, slots=True)
class Remedy:
    """What mends the balance, in `words`; of kind `none`, why nothing is offered.

    change [in]; depths: (hole, new depth [in]) of the holes that change; readings: top, side and finger [oz]
    afterwards; layout [deg, in, deg] after a shift of the grip.
    """

    kind: str
    words: str
    change: float | None = None
    depths: tuple[tuple[int, float], ...] = ()
    readings: Sequence[float] | None = None
    layout: tuple[float, float, float] | None = None


class _Change(NamedTuple):
    """Holes at other depths [in], or the layout [deg, in, deg] after a shift of the grip; its size [in]."""

    size: float
    depths: tuple[tuple[int, float], ...]
    layout: tuple[float, float, float] | None = None


_Best = tuple[_Change, list[float]]
"""A change that keeps the limits, and the readings it leads to [oz]."""


class _Tried(NamedTuple):
    """Changes that were drilled, and the smallest of them that keeps the limits.

    divided, (n, 3): what the arm divides of their readings [oz in]; sound, (n,): whether the holes are.
    """

    changes: list[_Change]
    divided: Array
    sound: Flags
    best: _Best | None


def remedies(check: Check, ball: DrilledBall, index: int, limits: Limits, work: Work) -> list[Remedy]:
    """Remedies of one drilled ball, the smallest of each kind, or one entry of kind `none`.

    index: the place of its check in the request; limits: what to keep.
    """
    bench = _Bench(check, ball, index, limits, work)
    if np.isnan(bench.shown).any():
        return [_none("The balance cannot be predicted from what is given, so no remedy is computed.")]
    if bench.work_of_one * _TRIALS > REMEDY_WORK:
        return [_none("So many holes run through one another that no remedy is computed.")]
    if not work.affords(bench.work_of_one * _TRIALS):
        return [
            _none(
                "Not computed: so many balls of this request need remedies that the rest must be sent apart. "
                "The findings on this ball are whole; send it in a request of its own for what mends it."
            )
        ]
    families = (*bench.depth_changes(), bench.shifts())
    thumb, fingers, shift = (bench.try_all(changes) for changes in families)
    found = [("thumb_depth", thumb.best), ("finger_depth", fingers.best), ("grip_shift", shift.best)]
    if thumb.best is None and fingers.best is None:
        found.insert(2, ("thumb_and_finger_depth", bench.smallest_pair(thumb, fingers)))
    offers = [_offer(kind, *best, bench.one.holes[0]) for kind, best in found if best is not None]
    return offers or [_none(bench.words_for_none())]


def not_through_layers() -> Remedy:
    """Remedies drill a hundred times, which only two materials are quick enough for."""
    return _none(
        "Remedies are sought for box numbers alone: try other depths, or the map of layouts of the design."
    )


class _Bench:
    """One ball, and the means to try changes on it."""

    def __init__(self, check: Check, ball: DrilledBall, index: int, limits: Limits, work: Work) -> None:
        self.one = ball.among.only(ball.row)
        self.index, self.work = index, work
        asked, given = check.remedies, check.measured_balance
        thumb, finger = asked.thumb_depth_min, asked.finger_depth_min
        self.margin = asked.margin.value
        self.least = (
            THUMB_DEPTH_MIN if thumb is None else thumb.value,
            FINGER_DEPTH_MIN if finger is None else finger.value,
        )
        self.holes_exist = asked.already_drilled or given is not None
        self.low, self.high = limits.low + self.margin, limits.high - self.margin
        self.fixed, self.divided, self.shown = (part[0] for part in predicted_readings(self.one.out))
        spread, model = ball.prediction.spread[:4], np.array(ball.prediction.model[:4])
        self.guard, self.spread = limits.guard, np.nan_to_num(np.array(spread))
        self.inputs = np.maximum(self.spread * self.spread - model * model, 0.0)
        self.measured = np.array([value(quantity) for quantity in (given or MeasuredBalance()).readings])
        self.arm = float(self.one.balls["balance_arm"][0])
        arm_known = check.drilling is not None and check.drilling.balance_arm is not None
        self.arms = (self.arm,) if arm_known else (BALANCE_ARM, *PLAUSIBLE_ARMS)
        self.work_of_one = ball_work(
            self.one.balls, self.one.holes, int(self.one.counts[0]), self.one.hole_out
        )

    def words_for_none(self) -> str:
        """What was tried in vain."""
        if self.holes_exist:
            tried = "The holes exist and can only be deepened; no greater depth that keeps holes apart"
        else:
            tried = (
                f"No depth of the thumb hole from {self.least[0]:g} in or of the finger holes from "
                f"{self.least[1]:g} in that keeps holes apart, and no shift of the grip up to "
                f"{SHIFT_REACH:g} in along the line to the CG mark,"
            )
        hint = ""
        if len(self.arms) > 1:
            low, high = PLAUSIBLE_ARMS
            hint = (
                f" on a balance of any arm from {low:g} in to {high:g} in; a known balance_arm asks for less"
            )
        return f"{tried} brings every reading {self.margin:g} oz inside its limit{hint}."

    def digits(self, *roles: int) -> list[int]:
        """The open holes of some roles."""
        holes = self.one.holes[0][: self.one.counts[0]]
        return [
            k for k, hole in enumerate(holes) if hole["role"] in roles and math.isnan(hole["slug_density"])
        ]

    def depth_changes(self) -> tuple[list[_Change], list[_Change]]:
        """Other depths of the thumb hole, and of the finger holes, which change together."""
        thumb, fingers = (
            list(self._depths(self.digits(*roles), least))
            for roles, least in zip(((THUMB,), (MIDDLE, RING)), self.least, strict=True)
        )
        return thumb, fingers

    def _depths(self, digits: list[int], least: float) -> Iterator[_Change]:
        if not digits:
            return
        depth = self.one.holes[0]["depth"][digits]
        deepest = (self.one.hole_out[0]["bottom_height"][digits] - CENTER_CLEARANCE).min()
        shallowest = 0.0 if self.holes_exist else (np.minimum(least, depth) - depth).max()
        first = math.ceil(shallowest / STEP - _ROUNDING)
        for k in range(first, math.floor(max(deepest, 0.0) / STEP + _ROUNDING) + 1):
            if k != 0:
                yield _Change(
                    k * STEP, tuple((d, float(x + k * STEP)) for d, x in zip(digits, depth, strict=True))
                )

    def shifts(self) -> list[_Change]:
        """Shifts of the grip along the great circle to the CG mark, where that is told from the pin.

        The marks stay on the ball, so the layout changes; one that no request could state is left out.
        """
        out, layout = self.one.out[0], self.one.layouts[0]
        cg, pin, psa = (vector_of(out, name) for name in ("cg", "pin", "psa"))
        across = cross((0.0, 0.0, 1.0), cg)
        if self.holes_exist or not dot(across, across) > 1e-12 or not math.isnan(layout["cg_right"]):
            return []
        axis, size = unit(across), float(self.one.balls[0]["radius"])
        hand, over, up = (float(layout[name]) for name in ("hand", "over", "up"))
        changes = []
        count = round(SHIFT_REACH / STEP)
        for k in (*range(-count, 0), *range(1, count + 1)):
            angle = -k * STEP / size
            marks = layout_from_marks(
                hand, over, up, turned(pin, axis, angle), turned(psa, axis, angle), size
            )
            degrees = (math.degrees(marks[0]), float(marks[1]), math.degrees(marks[2]))
            if 0.0 <= degrees[0] <= 180.0 and 0.0 <= degrees[2] <= 180.0:
                changes.append(_Change(k * STEP, (), degrees))
        return changes

    def try_all(self, changes: Sequence[_Change]) -> _Tried:
        """Drill changes, smallest first, until one keeps the limits."""
        ordered = sorted(changes, key=lambda change: abs(change.size))
        done = _Tried([], np.empty((0, 3)), np.empty(0, np.bool_), None)
        for start in range(0, len(ordered), _PORTION):
            portion = ordered[start : start + _PORTION]
            fixed, divided, wider, sound = self._try(portion)
            fits = np.flatnonzero(self._keeps(fixed, divided, wider) & sound).tolist()
            best = None
            if fits:
                shown = self._shown(fixed[fits[0]], divided[fits[0]], self.arm)
                best = (portion[fits[0]], shown.tolist())
            done = _Tried(
                [*done.changes, *portion],
                np.concatenate([done.divided, divided]),
                np.concatenate([done.sound, sound]),
                best,
            )
            if best:
                break
        return done

    def smallest_pair(self, first: _Tried, second: _Tried) -> _Best | None:
        """The same of thumb and finger depths together; of equal sums that of the least single change."""
        thumb, fingers = first.changes, second.changes
        if not thumb or not fingers:
            return None
        divided = (first.divided[:, None] + second.divided - self.divided).reshape(-1, 3)
        sound = (first.sound[:, None] & second.sound).ravel()
        promising = np.flatnonzero(self._keeps(self.fixed, divided) & sound)
        pairs = [(thumb[k // len(fingers)], fingers[k % len(fingers)]) for k in promising.tolist()]
        pairs.sort(key=lambda pair: (_total(*pair), max(abs(change.size) for change in pair)))
        return self.try_all([_Change(_total(a, b), (*a.depths, *b.depths)) for a, b in pairs]).best

    def _try(self, changes: Sequence[_Change]) -> tuple[Array, Array, Array, Flags]:
        """Drill changes: parts of the readings, how much wider the guard band becomes, sound or not.

        (n, 3) each, (n, 4) [oz], (n,).
        """
        n = len(changes)
        one = self.one
        balls, layouts = one.balls.repeat(n), one.layouts.repeat(n)
        holes, counts = one.holes.repeat(n, axis=0), one.counts.repeat(n)
        for k, change in enumerate(changes):
            for hole, depth in change.depths:
                holes[k, hole]["depth"] = depth
            if change.layout is not None:
                for name, asked in zip(LAYOUT_ANGLES, change.layout, strict=True):
                    layouts[k][name] = asked
        out, hole_out = self.work.drill(balls, layouts, holes, counts, [self.index] * n)
        fixed, divided, _ = predicted_readings(out)
        model = material_error(balls, holes, out, hole_out)[:, :4]
        wider = self.guard * (np.sqrt(self.inputs + model * model) - self.spread)
        # A measured reading has an uncertainty of its own, which no depth changes.
        wider[:, np.flatnonzero(~np.isnan([*self.measured, self.measured.sum()]))] = 0.0
        return fixed, divided, wider, self._sound(hole_out)

    def _sound(self, hole_out: NDArray[np.void]) -> Flags:
        """True where every hole ends inside the ball and no two open holes meet that did not meet before."""
        count = int(self.one.counts[0])
        open_holes = np.isnan(self.one.holes[0]["slug_density"][:count])
        bits = sum(1 << k for k in np.flatnonzero(open_holes).tolist())
        inside = hole_out["reach"][:, :count] < self.one.balls["radius"]
        new = hole_out["meets"][:, :count] & ~self.one.hole_out["meets"][:, :count] & bits
        sound: Flags = (inside & ((new == 0) | ~open_holes)).all(axis=1)
        return sound

    def _shown(self, fixed: Array, divided: Array, at: float) -> Array:
        """Readings on a balance of an arm; a measured one changes by as much as its prediction does."""
        known = ~np.isnan(self.measured)
        before = self.fixed + self.divided / at
        return fixed + divided / at + np.where(known, self.measured - before, 0.0)

    def _keeps(self, fixed: Array, divided: Array, wider: Array | float = 0.0) -> Flags:
        """True where the limits are kept, with the margin, on a balance of every arm there may be.

        wider: how much farther inside them than now the guard band wants the readings [oz], (n, 4).
        """
        kept = np.ones(len(divided), np.bool_)
        for at in self.arms:
            shown = self._shown(fixed, divided, at)
            four = np.column_stack([shown, largest_imbalance(shown)])
            kept &= ((four >= self.low + wider) & (four <= self.high - wider)).all(axis=1)
        return kept


def _total(*changes: _Change) -> float:
    return sum(abs(change.size) for change in changes)


def _none(words: str) -> Remedy:
    return Remedy("none", words)


def _offer(kind: str, change: _Change, shown: list[float], holes: NDArray[np.void]) -> Remedy:
    return Remedy(kind, _words(change, holes), change.size, change.depths, shown, change.layout)


def _words(change: _Change, holes: NDArray[np.void]) -> str:
    if change.layout is not None:
        way = "toward" if change.size > 0.0 else "away from"
        angle, distance, val = change.layout
        return (
            f"Shift the grip, with every hole and slug of this request, {_inches(change.size)} {way} the CG "
            f"mark; the layout becomes {angle:.1f}° x {distance:.3f} in x {val:.1f}°."
        )
    parts = []
    for k, depth in change.depths:
        by = depth - float(holes[k]["depth"])
        way = "deeper" if by > 0.0 else "shallower"
        parts.append(f"the {ROLES[holes[k]['role']]} hole {_inches(by)} {way}, to {depth:.3f} in")
    return f"Drill {'; and '.join(parts)}."


def _inches(change: float) -> str:
    """A change on the grid as a mixed fraction: 1 3/32 in."""
    whole, rest = divmod(Fraction(round(abs(change) / STEP), round(1.0 / STEP)), 1)
    return " ".join(str(part) for part in (whole, rest) if part) + " in"
