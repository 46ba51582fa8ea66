"""The derived numbers of an answer, from the physics' arrays to JSON-ready groups.

A number that is not known is None; a group none of whose numbers are known is None.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from ballgauge_service.check.request import HOLE_RESULT_NAMES, RESULT_NAMES, Drilled, Item, arm, radius, value
from ballgauge_service.physics import box_numbers as metrics
from ballgauge_service.physics.sphere import Vector, angle_between, arcs_from_grip, bearing, dot

Group = dict[str, Any]

_ROUNDING = 1e-12

UNITS = {
    "radius": "in", "mean_density": "g/mL", "asymmetry_ratio": "1", "rg": "in", "rg_intermediate": "in",
    "rg_high": "in", "differential": "in", "intermediate_differential": "in", "inner_density": "g/mL",
    "class_thresholds": "in", "right": "in", "up": "in", "pin_to_pap": "in", "pap_to_psa": "in",
    "pin_to_psa": "in", "pin_to_val": "in", "pin_to_grip_centre": "in", "flare_potential": "1",
    "diameter": "in", "depth": "in", "volume": "in³", "holes.removed_weight": "oz", "slug_weight": "oz",
    "net_weight": "oz", "axis_offset": "in", "bottom_to_centre": "in", "weight": "lb", "removed_weight": "oz",
    "centre_of_mass": "in", "moment": "oz·in", "change.weight": "oz", "moved": "in", "bearing": "deg",
    "drilling_angle": "deg", "val_angle": "deg", "arm": "in", "top": "oz", "side": "oz", "finger": "oz",
    "largest_imbalance": "oz",
}  # fmt: skip
"""Units of the derived numbers by name; a dotted name holds within that group."""

READINGS = ("top", "side", "finger")


def number(x: float) -> float | None:
    """The number, or None where it is not known."""
    return x if math.isfinite(x) else None


def _clean(arc: float) -> float:
    """The arc, or 0 where only rounding is left of it."""
    return 0.0 if abs(arc) < _ROUNDING else arc


def _known(group: Group) -> Group | None:
    return group if any(part is not None for part in group.values()) else None


def point(at: Vector, size: float) -> Group | None:
    """A place on the surface as arcs from the grip centre [in], from its unit vector."""
    if math.isnan(at[0] + at[1] + at[2]):
        return None
    right, up = arcs_from_grip(at, size)
    return {"right": _clean(right), "up": _clean(up)}


def ball_group(item: Item, inner_density: float = math.nan) -> Group:
    """What follows from the box numbers of one ball."""
    ball = item["ball"]
    size, rg, weight = radius(ball), value(ball, "rg"), value(ball, "weight")
    total, part = value(ball, "differential"), value(ball, "intermediate_differential")
    density = float(metrics.mean_density(np.array(weight), np.array(size)))
    ratio = metrics.asymmetry_ratio(total, part)
    return {
        "radius": number(size),
        "mean_density": number(density),
        "floats": None if math.isnan(density) else density < metrics.FRESH_WATER,
        "asymmetry_ratio": number(ratio),
        "rg_intermediate": number(rg + total - part),
        "rg_high": number(rg + total),
        "rg_class": None if math.isnan(rg) else metrics.rg_class(rg),
        "differential_class": None if math.isnan(total) else metrics.differential_class(total),
        "symmetry": None if math.isnan(part) else metrics.symmetry(part),
        "inner_density": number(inner_density),
        "class_thresholds": dict(metrics.THRESHOLDS),
    }


class Row:
    """Plain numbers of one drilled ball: field access without numpy's cost for single values."""

    def __init__(self, drilled: Drilled, index: int, item: Item) -> None:
        self.numbers = dict(zip(RESULT_NAMES, drilled.out[index].item(), strict=True))
        self.size = radius(item["ball"])
        self.arm = arm(item["drilling"])
        self.hand = 1.0 if item["drilling"]["hand"] == "right" else -1.0
        self.holes = [
            dict(zip(HOLE_RESULT_NAMES, row, strict=True))
            for row in drilled.hole_out[index, : len(item["drilling"]["holes"])].tolist()
        ]

    def vector(self, name: str) -> Vector:
        """The vector field `name`."""
        return (self.numbers[f"{name}_x"], self.numbers[f"{name}_y"], self.numbers[f"{name}_z"])


def layout_group(row: Row) -> Group | None:
    """Where the layout puts its marks, and the arcs between them."""
    size = row.size
    pap, pin, psa, cg = (row.vector(name) for name in ("pap", "pin", "psa", "cg"))
    to_pap = size * angle_between(pin, pap)
    gripward = _val_normal(pap)
    group = {
        "pap": point(pap, size),
        "pin": point(pin, size),
        "psa": point(psa, size),
        "cg_mark": point(cg, size),
        "pin_to_pap": number(to_pap),
        "pap_to_psa": number(size * angle_between(pap, psa)),
        "pin_to_psa": number(size * angle_between(pin, psa)),
        "pin_to_val": number(size * abs(0.5 * math.pi - angle_between(pin, gripward))),
        "pin_to_grip_centre": number(size * angle_between(pin, (0.0, 0.0, 1.0))),
        "flare_potential": number(float(metrics.flare_potential(np.array(to_pap), np.array(size)))),
    }
    return {**group, "flare_formula": metrics.FLARE_FORMULA} if _known(group) else None


def _val_normal(pap: Vector) -> Vector:
    """Unit normal of the great circle that is the vertical axis line through the PAP."""
    across = math.hypot(pap[0], pap[2])
    return (pap[2] / across, 0.0, -pap[0] / across) if across > 0.0 else (math.nan, 0.0, 0.0)


def hole_groups(item: Item, row: Row) -> list[Group]:
    """What each hole takes away, in the request's order."""
    groups = []
    for asked, got in zip(item["drilling"]["holes"], row.holes, strict=True):
        bottom = got["bottom_height"]
        groups.append(
            {
                "role": asked["role"],
                "at": point((got["centre_x"], got["centre_y"], got["centre_z"]), row.size),
                "diameter": asked["diameter"].value,
                "depth": asked["depth"].value,
                "volume": number(got["volume"]),
                "removed_weight": number(got["removed_weight"]),
                "slug_weight": number(got["slug_weight"]),
                "net_weight": number(got["removed_weight"] - got["slug_weight"]),
                "axis_offset": number(got["axis_offset"]),
                "bottom_to_centre": number(math.hypot(bottom, got["axis_offset"])),
                "past_centre": bottom < 0.0,
                "meets": [other for other in range(len(row.holes)) if got["meets"] >> other & 1],
            }
        )
    return groups


def drilled_group(item: Item, row: Row) -> Group:
    """Weight, balance and radii of gyration of the drilled ball, and what drilling changed."""
    got, ball = row.numbers, item["ball"]
    low, between, high = got["rg"], got["rg_intermediate"], got["rg_high"]
    total, part = high - low, high - between
    ratio = metrics.asymmetry_ratio(total, part)
    before_total, before_part = value(ball, "differential"), value(ball, "intermediate_differential")
    before_ratio = metrics.asymmetry_ratio(before_total, before_part)
    change = {
        "rg": number(low - value(ball, "rg")),
        "differential": number(total - before_total),
        "intermediate_differential": number(part - before_part),
        "asymmetry_ratio": number(ratio - before_ratio),
        "weight": number(got["slug_weight"] - got["removed_weight"]),
    }
    has_high_mark = before_part > 0.0
    return {
        "weight": number(got["weight"]),
        "removed_weight": number(got["removed_weight"]),
        "centre_of_mass": _xyz(row.vector("centre_of_mass")),
        "moment": _xyz(row.vector("moment")),
        "rg": number(low),
        "rg_intermediate": number(between),
        "rg_high": number(high),
        "differential": number(total),
        "intermediate_differential": number(part),
        "asymmetry_ratio": number(ratio),
        "change": change,
        "low_rg_axis": _axis(row.vector("low_axis"), row.vector("pin"), row.size, before_total > 0.0),
        "high_rg_axis": _axis(row.vector("high_axis"), row.vector("psa"), row.size, has_high_mark),
    }


def _xyz(vector: Vector) -> Group | None:
    if math.isnan(vector[0] + vector[1] + vector[2]):
        return None
    return {"x": vector[0], "y": vector[1], "z": vector[2]}


def _axis(axis: Vector, mark: Vector, size: float, marked: bool) -> Group | None:
    """An axis after drilling, as the pole nearest to its mark, and the arc and bearing it moved."""
    if math.isnan(axis[0]):
        return None
    if dot(axis, mark) < 0.0:
        axis = (-axis[0], -axis[1], -axis[2])
    moved = size * angle_between(mark, axis)
    place = point(axis, size) or {}
    if not marked or math.isnan(moved):
        return {**place, "moved": None, "bearing": None}
    return {**place, "moved": moved, "bearing": math.degrees(bearing(mark, axis))}


def balance_group(item: Item, row: Row, shown: list[float], spread: list[float]) -> Group:
    """Predicted and measured readings, half-against-half differences and the largest imbalance.

    shown, length 3: predicted top, side, finger [oz]; spread, length 4: their standard uncertainties and that
    of the largest imbalance. The largest imbalance of a ball without holes is its top weight.
    """
    halves = [row.numbers["half_z"], row.hand * row.numbers["half_x"], row.numbers["half_y"]]
    moment = row.vector("moment")
    length = math.hypot(*moment)
    imbalance = length / row.arm if row.holes else abs(value(item["ball"], "top_weight"))
    certain = length > 1e-12
    heavy = (moment[0] / length, moment[1] / length, moment[2] / length) if certain else (math.nan,) * 3
    measured = item.get("measured_balance")
    return {
        "arm": row.arm,
        "arm_given": "balance_arm" in item["drilling"],
        "predicted": _readings(shown, spread),
        "measured": measured_group(measured) if measured else None,
        "half_differences": _readings(halves, []),
        "largest_imbalance": number(imbalance),
        "largest_imbalance_at": point(heavy, row.size),
    }


def measured_balance_group(item: Item) -> Group | None:
    """The balance of a ball whose drilling is not known: what was measured, None where nothing was."""
    measured = item.get("measured_balance")
    if not measured:
        return None
    unknown = ("arm", "predicted", "half_differences", "largest_imbalance", "largest_imbalance_at")
    return {**dict.fromkeys(unknown), "arm_given": False, "measured": measured_group(measured)}


def _readings(values: list[float], spread: list[float]) -> Group | None:
    if all(math.isnan(x) for x in values):
        return None
    group: Group = {name: number(x) for name, x in zip(READINGS, values, strict=True)}
    if spread and not all(math.isnan(x) for x in spread):
        group["uncertainty"] = {name: number(x) for name, x in zip(READINGS, spread, strict=False)}
    return group


def measured_group(measured: Item) -> Group:
    """The measured readings as given, with the uncertainties they state."""
    group: Group = {name: number(value(measured, name)) for name in READINGS}
    spread = {name: measured[name].uncertainty if name in measured else None for name in READINGS}
    if any(x is not None for x in spread.values()):
        group["uncertainty"] = spread
    return group


def cautions(item: Item, row: Row | None) -> list[Group]:
    """What deserves a second look: geometry, and the work itself."""
    if row is None:
        return []
    found: list[Group] = []
    for index, hole in enumerate(row.holes):
        here = f"/drilling/holes/{index}"
        met = [other for other in range(index) if hole["meets"] >> other & 1]
        found.extend(caution(*_meeting(item, index, other), here) for other in met if _is_open(item, other))
        if hole["bottom_height"] < 0.0:
            words = f"{_named(item, index)} reaches past the centre of the ball."
            found.append(caution("past_centre", words, here))
    found.extend(_hand_cautions(item, row))
    if row.holes:
        found.append(
            caution(
                "drilling_safety",
                "Drilling machines, dust and solvents can injure: guard the machine, wear eye and breathing "
                "protection, and follow local codes and licensed practice.",
                "/drilling",
            )
        )
    return found


def _is_open(item: Item, index: int) -> bool:
    return "slug_density" not in item["drilling"]["holes"][index]


def _meeting(item: Item, index: int, other: int) -> tuple[str, str]:
    """Code and words of a hole that runs into an open one drilled before it."""
    this, that = _named(item, index), _named(item, other)
    if _is_open(item, index):
        return "holes_meet", (
            f"{this} runs into {that} inside the ball; shared material counts once, and the wall between "
            "them is gone."
        )
    return "slug_fills_hole", (
        f"{this} is slugged and listed after {that}, so its slug fills what they share; a slug that was "
        "there first is listed first."
    )


def _hand_cautions(item: Item, row: Row) -> list[Group]:
    """An axis point or fingers on the side of the other hand."""
    found: list[Group] = []
    hand = item["drilling"]["hand"]
    if value(item["drilling"].get("pap", {}), "over") < 0.0:
        words = (
            f"The positive axis point lies on the other side of the grip than is usual for the {hand} hand."
        )
        found.append(caution("other_hand", words, "/drilling/pap/over"))
    across = {
        asked["role"]: row.hand * hole["centre_x"]
        for asked, hole in zip(item["drilling"]["holes"], row.holes, strict=True)
        if "slug_density" not in asked
    }
    if across.get("middle", -math.inf) > across.get("ring", math.inf):
        words = f"The ring finger's hole lies where the middle finger's is usual for the {hand} hand."
        found.append(caution("other_hand", words, "/drilling/hand"))
    return found


def _named(item: Item, index: int) -> str:
    return f"Hole {index} ({item['drilling']['holes'][index]['role']})"


def caution(code: str, message: str, pointer: str | None = None) -> Group:
    """Something that deserves a second look; pointer: its place in the request, where it has one."""
    return {"code": code, "message": message, "pointer": pointer}
