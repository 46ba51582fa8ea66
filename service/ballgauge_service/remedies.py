"""What mends a balance that fails: other depths, or a shift of the grip along the layout.

Candidates lie on a grid of 1/32 in (depths of thumb and fingers together: 1/8 in) and are all drilled by the
same kernel; the smallest change that brings every reading inside its limits by the margin is offered.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from .derived import READINGS, Group
from .physics.balance import PLAUSIBLE_ARMS, largest_imbalance
from .physics.drilling import MIDDLE, RING, THUMB, drill
from .physics.sphere import Vector, cross, dot, layout_from_marks, turned, unit
from .records import Drilled, Item, value
from .uncertainty import predicted_readings

Array = NDArray[np.float64]

STEP = 1.0 / 32.0
COARSE_STEP = 1.0 / 8.0
SHIFT_REACH = 1.0
THUMB_DEPTH_MIN = 2.0
FINGER_DEPTH_MIN = 1.25
CENTRE_CLEARANCE = 0.5
"""Steps, greatest shift of the grip, least depths that still hold a digit, and what must stay between a hole's
bottom and the centre's level [in] (ours)."""


class Limits(NamedTuple):
    """Least and greatest allowed top, side and finger reading and largest imbalance [oz], each shape (4,)."""

    low: Array
    high: Array


class _Trial(NamedTuple):
    kind: str
    change: float
    depths: tuple[tuple[int, float], ...]
    layout: tuple[float, float, float] | None


def remedies(drilled: Drilled, index: int, item: Item, limits: Limits) -> list[Group]:
    """Remedies of one drilled ball, the smallest of each kind, or one entry of kind `none`."""
    shown = predicted_readings(_rows(drilled, [index]))[0]
    offset = np.array([value(item.get("measured_balance", {}), name) for name in READINGS]) - shown
    offset = np.where(np.isnan(offset), 0.0, offset)
    if np.isnan(shown).any():
        return [_none("The balance cannot be predicted from what is given, so no remedy is computed.")]
    found: list[Group] = []
    for family in _families(drilled, index, item):
        best = _best(drilled, index, item, limits, family, offset)
        if best is not None:
            found.append(best)
    if not any(entry["kind"].endswith("depth") for entry in found):
        best = _best(drilled, index, item, limits, _both_depths(drilled, index, item), offset)
        if best is not None:
            found.append(best)
    margin = item["remedies"]["margin"].value
    return found or [
        _none(
            f"{_tried(item)} brings every reading {margin:g} oz inside its limit."
        )
    ]


def _holes_exist(item: Item) -> bool:
    """A ball that was measured, or is said to be drilled: its holes can only become deeper, and stay in place."""
    return bool(item["remedies"]["already_drilled"] or item.get("measured_balance"))


def _tried(item: Item) -> str:
    if _holes_exist(item):
        return "The holes exist and can only be deepened; no depth within reach"
    return f"No depth of the thumb or finger holes within reach, and no shift of the grip up to {SHIFT_REACH:g} in,"


def _none(message: str) -> Group:
    return {"kind": "none", "change": None, "unit": None, "holes": None, "readings": None, "message": message}


def _rows(drilled: Drilled, rows: Sequence[int]) -> Drilled:
    return Drilled(*(part[list(rows)] for part in drilled))


def _digits(drilled: Drilled, index: int, roles: tuple[int, ...]) -> list[int]:
    holes = drilled.holes[index][: drilled.counts[index]]
    return [k for k, hole in enumerate(holes) if hole["role"] in roles and math.isnan(hole["slug_density"])]


def _depth_changes(drilled: Drilled, index: int, item: Item, digits: list[int], least: float, step: float) -> Array:
    """Changes of depth, without 0, that keep every one of the holes between its least and greatest depth."""
    if not digits:
        return np.empty(0)
    depth = drilled.holes[index]["depth"][digits]
    opening = drilled.hole_out[index]["bottom_height"][digits] + depth
    deepest = (opening - CENTRE_CLEARANCE - depth).min()
    shallowest = 0.0 if _holes_exist(item) else (np.minimum(least, depth) - depth).max()
    steps = np.arange(math.ceil(shallowest / step), math.floor(max(deepest, 0.0) / step) + 1) * step
    return steps[steps != 0.0]


def _limits_of_depth(item: Item) -> tuple[float, float]:
    asked = item["remedies"]
    thumb, finger = value(asked, "thumb_depth_min"), value(asked, "finger_depth_min")
    return (
        THUMB_DEPTH_MIN if math.isnan(thumb) else thumb,
        FINGER_DEPTH_MIN if math.isnan(finger) else finger,
    )


def _families(drilled: Drilled, index: int, item: Item) -> list[list[_Trial]]:
    thumb_least, finger_least = _limits_of_depth(item)
    depth = drilled.holes[index]["depth"]
    families = []
    for kind, roles, least in (
        ("thumb_depth", (THUMB,), thumb_least),
        ("finger_depth", (MIDDLE, RING), finger_least),
    ):
        digits = _digits(drilled, index, roles)
        changes = _depth_changes(drilled, index, item, digits, least, STEP)
        families.append(
            [
                _Trial(kind, float(change), tuple((k, float(depth[k] + change)) for k in digits), None)
                for change in changes
            ]
        )
    if not _holes_exist(item):
        families.append(_shifts(drilled, index))
    return families


def _both_depths(drilled: Drilled, index: int, item: Item) -> list[_Trial]:
    thumb_least, finger_least = _limits_of_depth(item)
    thumb = _digits(drilled, index, (THUMB,))
    fingers = _digits(drilled, index, (MIDDLE, RING))
    depth = drilled.holes[index]["depth"]
    trials = []
    for a in _depth_changes(drilled, index, item, thumb, thumb_least, COARSE_STEP):
        for b in _depth_changes(drilled, index, item, fingers, finger_least, COARSE_STEP):
            depths = [(k, float(depth[k] + a)) for k in thumb] + [(k, float(depth[k] + b)) for k in fingers]
            trials.append(_Trial("thumb_and_finger_depth", float(abs(a) + abs(b)), tuple(depths), None))
    return trials


def _shifts(drilled: Drilled, index: int) -> list[_Trial]:
    """Shifts of the grip along the great circle to the CG mark; the marks stay on the ball, the layout changes."""
    out, layout = drilled.out[index], drilled.layouts[index]
    cg: Vector = (float(out["cg_x"]), float(out["cg_y"]), float(out["cg_z"]))
    pin: Vector = (float(out["pin_x"]), float(out["pin_y"]), float(out["pin_z"]))
    psa: Vector = (float(out["psa_x"]), float(out["psa_y"]), float(out["psa_z"]))
    across = cross((0.0, 0.0, 1.0), cg)
    if not dot(across, across) > 1e-12:
        return []
    axis, size = unit(across), float(drilled.balls[index]["radius"])
    trials = []
    count = round(SHIFT_REACH / STEP)
    for k in range(-count, count + 1):
        if k == 0:
            continue
        angle = -k * STEP / size
        marks = layout_from_marks(
            float(layout["hand"]), float(layout["over"]), float(layout["up"]),
            turned(pin, axis, angle), turned(psa, axis, angle), size,
        )  # fmt: skip
        if not any(math.isnan(x) for x in marks):
            degrees = (math.degrees(marks[0]), marks[1], math.degrees(marks[2]))
            trials.append(_Trial("grip_shift", k * STEP, (), degrees))
    return trials


def _best(
    drilled: Drilled, index: int, item: Item, limits: Limits, trials: list[_Trial], offset: Array
) -> Group | None:
    if not trials:
        return None
    balls, layouts, holes, counts, _, _ = _rows(drilled, [index] * len(trials))
    for k, trial in enumerate(trials):
        for hole, depth in trial.depths:
            holes[k, hole]["depth"] = depth
        if trial.layout is not None:
            layouts[k]["drilling_angle"], layouts[k]["pin_to_pap"], layouts[k]["val_angle"] = trial.layout
    out, hole_out = drill(balls, layouts, holes, counts)
    tried = Drilled(balls, layouts, holes, counts, out, hole_out)
    margin = item["remedies"]["margin"].value
    shown = predicted_readings(tried) + offset
    fits = _inside(shown, limits, margin)
    if "balance_arm" not in item["drilling"]:
        for arm in PLAUSIBLE_ARMS:
            balls["balance_arm"] = arm
            fits &= _inside(predicted_readings(tried) + offset, limits, margin)
    whole = hole_out["reach"] < balls["radius"][:, None]
    fits &= (whole | (np.arange(holes.shape[1]) >= counts[:, None])).all(axis=1)
    if not fits.any():
        return None
    sizes = np.array([abs(trial.change) for trial in trials])
    best = int(np.where(fits, sizes, np.inf).argmin())
    return _offer(trials[best], shown[best].tolist())


def _inside(shown: Array, limits: Limits, margin: float) -> NDArray[np.bool_]:
    four = np.column_stack([shown, largest_imbalance(shown)])
    inside: NDArray[np.bool_] = ((four >= limits.low + margin) & (four <= limits.high - margin)).all(axis=1)
    return inside


def _offer(trial: _Trial, shown: list[float]) -> Group:
    entry: dict[str, Any] = {
        "kind": trial.kind,
        "change": trial.change,
        "unit": "in",
        "holes": [{"index": k, "depth": depth} for k, depth in trial.depths] or None,
        "readings": dict(zip(READINGS, shown, strict=True)),
        "message": _words(trial),
    }
    if trial.layout is not None:
        entry["layout"] = dict(zip(("drilling_angle", "pin_to_pap", "val_angle"), trial.layout, strict=True))
    return entry


def _words(trial: _Trial) -> str:
    if trial.kind == "grip_shift":
        way = "towards" if trial.change > 0.0 else "away from"
        return f"Shift the grip {abs(trial.change):.4g} in {way} the CG mark; the layout changes with it."
    if trial.kind == "thumb_and_finger_depth":
        depths = ", ".join(f"hole {k} to {depth:.4g} in" for k, depth in trial.depths)
        return f"Change the depths: {depths}."
    way = "deeper" if trial.change > 0.0 else "shallower"
    what = "the thumb hole" if trial.kind == "thumb_depth" else "the finger holes"
    return f"Drill {what} {abs(trial.change):.4g} in {way}."
