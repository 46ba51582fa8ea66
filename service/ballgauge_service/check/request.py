"""Loaded requests as the structured arrays of the physics, and what geometry refuses."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas import Quantity
from ballgauge_schemas.shared import limits
from ballgauge_service.check.drill import Work
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.physics.drilling import BALL, DRILLED, DRILLED_HOLE, HOLE, LAYOUT, ROLES

Item = dict[str, Any]

DENSEST = 22.6
"""Density of osmium, the densest of all materials [g/mL] (CRC Handbook, from memory)."""

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
    return _NAN if found is None else float(found.value)


def diameter(ball: Item) -> Quantity | None:
    """Diameter [in] as given, or from the circumference."""
    if "diameter" in ball:
        given: Quantity = ball["diameter"]
        return given
    if "circumference" in ball:
        around = ball["circumference"]
        spread = around.uncertainty
        return Quantity(around.value / math.pi, None if spread is None else spread / math.pi)
    return None


def as_printed(length: float) -> float:
    """A length [in] that was computed from another one, to the 0.001 in that its limit is printed with.

    The limits of diameter and circumference are one rule, each rounded by itself: without this a ball just at
    one of them would break the other.
    """
    return round(1000.0 * length) / 1000.0


def radius(ball: Item) -> float:
    """Radius [in]; NaN where neither diameter nor circumference is given."""
    across = diameter(ball)
    return _NAN if across is None else 0.5 * across.value


def arm(drilling: Item) -> float:
    """Arm of the balance [in]: given, or the default."""
    return float(drilling["balance_arm"].value) if "balance_arm" in drilling else limits.BALANCE_ARM


def _ball_row(ball: Item, drilling: Item) -> tuple[float, ...]:
    return (
        value(ball, "weight"),
        radius(ball),
        value(ball, "rg"),
        value(ball, "differential"),
        value(ball, "intermediate_differential"),
        value(ball, "top_weight"),
        value(ball, "pin_to_cg"),
        ball["cover_thickness"].value if "cover_thickness" in ball else limits.COVER_THICKNESS,
        ball["cover_density"].value if "cover_density" in ball else limits.COVER_DENSITY,
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
    )


def _hole_row(hole: Item) -> tuple[float, ...]:
    at = hole.get("at", {})
    return (
        _ROLE_NUMBER[hole["role"]],
        value(at, "right"),
        value(at, "up"),
        hole["diameter"].value,
        hole["depth"].value,
        hole["pitch_forward"].value,
        hole["pitch_lateral"].value,
        value(hole, "slug_density"),
    )


def arrays(
    items: Sequence[Item],
) -> tuple[NDArray[np.void], NDArray[np.void], NDArray[np.void], NDArray[np.int64]]:
    """Balls, layouts, holes and hole counts of drilled items, ready for `physics.drilling.drill`."""
    listed = [item["drilling"]["holes"] for item in items]
    counts = np.array([len(holes) for holes in listed], np.int64)
    most = int(counts.max(initial=0))
    blank = (0, *(_NAN,) * 7)
    balls = np.array([_ball_row(item["ball"], item["drilling"]) for item in items], BALL)
    layouts = np.array([_layout_row(item["drilling"]) for item in items], LAYOUT)
    rows = [[_hole_row(hole) for hole in holes] + [blank] * (most - len(holes)) for holes in listed]
    holes = np.array(rows, HOLE) if most else np.zeros((len(items), 0), HOLE)
    return balls, layouts, holes, counts


def drill_items(items: Sequence[Item], indices: Sequence[int], work: Work) -> Drilled:
    """Drill every item; `indices` are their places in the request, for the errors.

    Raises InvalidInput naming every impossible field of every item.
    """
    prepared = arrays(items)
    drilled = Drilled(*prepared, *work.drill(*prepared, indices))
    errors = [
        (indices[row], *error) for row, item in enumerate(items) for error in _impossible(drilled, row, item)
    ]
    if errors:
        raise InvalidInput(errors)
    return drilled


def impossible_ball(ball: Item) -> Iterator[tuple[str, str]]:
    """Pointers and words for box numbers that no ball of this size can have.

    The principal moments of inertia add up to 2 sum m r^2, at most 2 m R^2; an intermediate moment that is
    not given is at least the low one.
    """
    size, low = radius(ball), value(ball, "rg")
    high = low + (value(ball, "differential") if "differential" in ball else 0.0)
    part = "intermediate_differential"
    between = high - value(ball, part) if "differential" in ball and part in ball else low
    if low * low + between * between + high * high > 2.0 * size * size:
        yield (
            "/ball/rg",
            (
                f"impossible: a ball of {2 * size:.3f} in diameter with all its weight in the surface has a "
                f"radius of gyration of {size * math.sqrt(2 / 3):.3f} in"
            ),
        )


def _impossible(drilled: Drilled, row: int, item: Item) -> list[tuple[str, str]]:
    out, ball = drilled.out[row], item["ball"]
    found = [*impossible_ball(ball), *_impossible_material(float(out["inner_density"]), ball)]
    found.extend(_misplaced_holes(drilled, row))
    if not found and (not out["weight"] > 0.0 or _lost_inertia(item, out)):
        words = "impossible: the holes take away more than a ball of these box numbers has"
        found.append(("/drilling/holes", words))
    return found


def _impossible_material(inner_density: float, ball: Item) -> Iterator[tuple[str, str]]:
    """Pointer and words where cover and weight leave no material for the inside."""
    if 0.0 < inner_density <= DENSEST:
        return
    name = next((name for name in ("cover_density", "cover_thickness") if name in ball), "weight")
    if inner_density > DENSEST:
        words = f"the inside of the cover would weigh {inner_density:.1f} g/mL, more than any material"
    else:
        words = "the cover alone weighs more than the ball"
    yield f"/ball/{name}", f"impossible: {words}"


def _misplaced_holes(drilled: Drilled, row: int) -> Iterator[tuple[str, str]]:
    size, triangle = float(drilled.balls[row]["radius"]), True
    for number, hole in enumerate(drilled.hole_out[row][: drilled.counts[row]]):
        if math.isnan(hole["centre_z"]):
            if triangle:
                yield (
                    "/drilling/grip",
                    "impossible: spans, bridge and hole sizes make no triangle on the ball",
                )
            triangle = False
        elif not hole["reach"] < size:
            yield f"/drilling/holes/{number}", _where_it_breaks(hole, size)


def _where_it_breaks(hole: np.void, size: float) -> str:
    if hole["bottom_height"] > 0.8 * size:
        return "too shallow for its diameter and pitch: its bottom does not lie wholly inside the ball"
    return "breaks through the surface elsewhere: its bottom does not lie wholly inside the ball"


def _lost_inertia(item: Item, out: np.void) -> bool:
    """True where the box numbers and the layout are known and yet a principal moment comes out negative."""
    ball = item["ball"]
    given = all(name in ball for name in ("rg", "differential", "intermediate_differential"))
    return (
        given
        and "layout" in item["drilling"]
        and bool(np.isnan([out["rg"], out["rg_intermediate"], out["rg_high"]]).any())
    )


RESULT_NAMES = DRILLED.names or ()
HOLE_RESULT_NAMES = DRILLED_HOLE.names or ()


def plain(value: Any) -> Any:
    """A loaded value with its quantities as plain numbers in trade units."""
    if isinstance(value, Quantity):
        return value.value
    if isinstance(value, Mapping):
        return {name: plain(member) for name, member in value.items()}
    return [plain(member) for member in value] if isinstance(value, list) else value


def points_of(drilling: Mapping[str, Any]) -> Sequence[str]:
    """Pointers, within a drilling, of the quantities that state an uncertainty."""
    return list(_uncertain(drilling, ""))


def _uncertain(value: Any, pointer: str) -> Iterator[str]:
    if isinstance(value, Quantity):
        if value.uncertainty:
            yield pointer
    elif isinstance(value, Mapping):
        for name, member in value.items():
            yield from _uncertain(member, f"{pointer}/{name}")
    elif isinstance(value, list):
        for at, member in enumerate(value):
            yield from _uncertain(member, f"{pointer}/{at}")
