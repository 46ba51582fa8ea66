"""Loaded requests as the structured arrays of the physics, and what geometry refuses."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas import Quantity

from .physics.balance import DEFAULT_ARM
from .physics.drilling import BALL, DRILLED, DRILLED_HOLE, HOLE, LAYOUT, ROLES, drill
from .problems import InvalidInput

Item = dict[str, Any]

COVER_THICKNESS = 0.75
COVER_DENSITY = 1.19
"""Cover of a ball that does not state its own [in, g/mL] (from memory, no source)."""

WORK_LIMIT = 2e7
"""Most estimated work of one request [µs] (ours): keeps the longest answer within seconds."""

_ROLE_NUMBER = {role: number for number, role in enumerate(ROLES)}
_NAN = math.nan


class Drilled(NamedTuple):
    """The drilled balls of a request.

    balls (n,), layouts (n,), holes (n, h), counts (n,): what was drilled, with the dtypes of
    `physics.drilling`; out (n,) DRILLED and hole_out (n, h) DRILLED_HOLE: what came of it.
    """

    balls: NDArray[np.void]
    layouts: NDArray[np.void]
    holes: NDArray[np.void]
    counts: NDArray[np.int64]
    out: NDArray[np.void]
    hole_out: NDArray[np.void]


def value(part: Item, name: str) -> float:
    """Value of an optional quantity in its trade unit; NaN where it is absent."""
    found = part.get(name)
    return _NAN if found is None else float(found[0])


def diameter(ball: Item) -> Quantity | None:
    """Diameter [in] as given, or from the circumference."""
    if "diameter" in ball:
        given: Quantity = ball["diameter"]
        return given
    if "circumference" in ball:
        across, uncertainty = ball["circumference"]
        return Quantity(across / math.pi, None if uncertainty is None else uncertainty / math.pi)
    return None


def radius(ball: Item) -> float:
    """Radius [in]; NaN where neither diameter nor circumference is given."""
    across = diameter(ball)
    return _NAN if across is None else 0.5 * across.value


def arm(drilling: Item) -> float:
    """Arm of the balance [in]: given, or the default."""
    return float(drilling["balance_arm"][0]) if "balance_arm" in drilling else DEFAULT_ARM


def _ball_row(ball: Item, drilling: Item) -> tuple[float, ...]:
    return (
        value(ball, "weight"),
        radius(ball),
        value(ball, "rg"),
        value(ball, "differential"),
        value(ball, "intermediate_differential"),
        value(ball, "top_weight"),
        value(ball, "pin_to_cg"),
        ball["cover_thickness"][0] if "cover_thickness" in ball else COVER_THICKNESS,
        ball["cover_density"][0] if "cover_density" in ball else COVER_DENSITY,
        arm(drilling),
    )


def _layout_row(drilling: Item) -> tuple[float, ...]:
    pap, layout, grip = drilling.get("pap", {}), drilling.get("layout", {}), drilling.get("grip", {})
    return (
        1.0 if drilling["hand"] == "right" else -1.0,
        value(pap, "over"),
        value(pap, "up"),
        value(layout, "drilling_angle"),
        value(layout, "pin_to_pap"),
        value(layout, "val_angle"),
        value(grip, "span_middle"),
        value(grip, "span_ring"),
        float(grip.get("span_kind") == "full"),
        value(grip, "bridge"),
        float(grip.get("thumb", True)),
    )


def _hole_row(hole: Item) -> tuple[float, ...]:
    at = hole.get("at", {})
    return (
        _ROLE_NUMBER[hole["role"]],
        value(at, "right"),
        value(at, "up"),
        hole["diameter"][0],
        hole["depth"][0],
        hole["pitch_forward"][0],
        hole["pitch_lateral"][0],
        value(hole, "slug_density"),
    )


def arrays(
    items: Sequence[Item],
) -> tuple[NDArray[np.void], NDArray[np.void], NDArray[np.void], NDArray[np.int64]]:
    """Balls, layouts, holes and hole counts of items that have a drilling, ready for `physics.drilling.drill`."""
    listed = [item["drilling"]["holes"] for item in items]
    counts = np.array([len(holes) for holes in listed], np.int64)
    most = int(counts.max(initial=0))
    blank = (0, *(_NAN,) * 7)
    balls = np.array([_ball_row(item["ball"], item["drilling"]) for item in items], BALL)
    layouts = np.array([_layout_row(item["drilling"]) for item in items], LAYOUT)
    rows = [[_hole_row(hole) for hole in holes] + [blank] * (most - len(holes)) for holes in listed]
    holes = np.array(rows, HOLE) if most else np.zeros((len(items), 0), HOLE)
    return balls, layouts, holes, counts


def check_work(counts: NDArray[np.int64], repeats: Sequence[int]) -> None:
    """Refuse a request whose estimated work passes WORK_LIMIT.

    counts: holes of each item, (n,); repeats: how often each item is drilled. The estimate takes every pair of
    holes as meeting. Raises InvalidInput.
    """
    holes = counts.astype(float)
    work = (15.0 + 5.0 * holes + 25.0 * holes * (holes - 1.0)) * np.asarray(repeats, float)
    if work.sum() > WORK_LIMIT:
        text = "too much to compute in one request: send fewer balls at a time, or fewer holes and uncertainties"
        raise InvalidInput([(int(work.argmax()), "/drilling/holes", text)])


def drill_items(items: Sequence[Item], indices: Sequence[int]) -> Drilled:
    """Drill every item; `indices` are their places in the request, for the errors.

    Raises InvalidInput naming every impossible field of every item.
    """
    prepared = arrays(items)
    out, hole_out = drill(*prepared)
    drilled = Drilled(*prepared, out, hole_out)
    errors = [
        (indices[row], *error) for row, item in enumerate(items) for error in _impossible(drilled, row, item)
    ]
    if errors:
        raise InvalidInput(errors)
    return drilled


def impossible_ball(ball: Item) -> Iterator[tuple[str, str]]:
    """Pointers and words for box numbers that no ball of this size can have."""
    size, rg = radius(ball), value(ball, "rg")
    high = rg + (0.0 if "differential" not in ball else value(ball, "differential"))
    if rg * rg + 2.0 * high * high > 2.0 * size * size:
        yield (
            "/ball/rg",
            f"impossible: a ball of {2 * size:.3f} in diameter with all its weight in the surface has a radius of "
            f"gyration of {size * math.sqrt(2 / 3):.3f} in",
        )


def _impossible(drilled: Drilled, index: int, item: Item) -> Iterator[tuple[str, str]]:
    yield from impossible_ball(item["ball"])
    out, size = drilled.out[index], float(drilled.balls[index]["radius"])
    if out["inner_density"] <= 0.0:
        name = "cover_density" if "cover_density" in item["ball"] else "weight"
        yield f"/ball/{name}", "impossible: the cover alone weighs more than the ball"
        return
    broken = False
    for number, hole in enumerate(drilled.hole_out[index][: drilled.counts[index]]):
        words = _misplaced(hole, size)
        if words:
            broken = True
            yield (f"/drilling/holes/{number}" if not math.isnan(hole["centre_z"]) else "/drilling/grip"), words
            if math.isnan(hole["centre_z"]):
                break
    if not broken and (not out["weight"] > 0.0 or ("rg" in item["ball"] and _lost_inertia(item, out))):
        yield "/drilling/holes", "impossible: the holes take away more than a ball of these box numbers has"


def _lost_inertia(item: Item, out: np.void) -> bool:
    ball, drilling = item["ball"], item["drilling"]
    known = "layout" in drilling and "differential" in ball and "intermediate_differential" in ball
    coincide = math.isnan(out["psa_x"])
    return known and not coincide and math.isnan(out["rg"])


def _misplaced(hole: np.void, size: float) -> str:
    if math.isnan(hole["centre_z"]):
        return "impossible: spans, bridge and hole sizes make no triangle on the ball"
    if not hole["reach"] < size:
        if hole["bottom_height"] > 0.8 * size:
            return "too shallow for its diameter and pitch: its bottom does not lie wholly inside the ball"
        return "breaks through the surface elsewhere: its bottom does not lie wholly inside the ball"
    return ""


RESULT_NAMES = DRILLED.names or ()
HOLE_RESULT_NAMES = DRILLED_HOLE.names or ()
