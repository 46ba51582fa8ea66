"""How the fields of a check are grouped on the pages."""

from __future__ import annotations

from typing import NamedTuple


class Section(NamedTuple):
    """A group of fields: those always shown, and those that unfold under `more`."""

    key: str
    names: tuple[str, ...]
    more: tuple[str, ...] = ()


def _under(prefix: str, *names: str) -> tuple[str, ...]:
    return tuple(f"{prefix}.{name}" for name in names)


BALL = Section(
    "ball",
    _under(
        "ball",
        "weight",
        "diameter",
        "rg",
        "differential",
        "intermediate_differential",
        "top_weight",
        "pin_to_cg",
        "approved_on",
        "identity",
        "cover",
        "house_ball",
    ),
    _under(
        "ball",
        "name",
        "serial",
        "made_on",
        "drilled_weight",
        "circumference",
        "roundness",
        "hardness",
        "roughness",
        "friction",
        "restitution",
        "oil_absorption_time",
        "high_performance_core",
        "max_density",
        "pin_to_low_rg_axis",
        "mark_to_high_rg_axis",
        "cover_thickness",
        "cover_density",
    ),
)
LAYOUT = Section(
    "layout",
    (
        "drilling.hand",
        *_under("drilling.pap", "over", "up"),
        *_under("drilling.layout", "drilling_angle", "pin_to_pap", "val_angle"),
    ),
)
GRIP = Section(
    "grip",
    _under("drilling.grip", "span_middle", "span_ring", "bridge", "span_kind", "thumb", "center_marked"),
)
DESK = Section(
    "desk",
    (
        *_under("ball", "serial", "name", "drilled_weight", "circumference"),
        *_under("measured_balance", "top", "side", "finger"),
        "ball.identity",
    ),
    _under("ball", "made_on", "approved_on", "hardness"),
)
SEEN = Section(
    "seen",
    _under(
        "holes_seen",
        "finger_holes",
        "thumb_holes",
        "unused_finger_holes",
        "thumb_used",
        "gripping_hole_diameter",
        "gripping_hole_depth",
        "center_marked",
        "balance_holes",
        "balance_hole_diameter",
        "vent_holes",
        "vent_hole_diameter",
        "mill_holes",
        "mill_hole_diameter",
        "mill_hole_depth",
    ),
)
BALANCE = Section("balance", _under("measured_balance", "top", "side", "finger"), ("drilling.balance_arm",))
RULES = Section(
    "rules", _under("rules", "body", "on", "stage", "overlay", "as_made"), _under("decision", "rule", "risk")
)
REMEDIES = Section(
    "remedies",
    (),
    _under("remedies", "already_drilled", "margin", "thumb_depth_min", "finger_depth_min"),
)
HOLE = Section(
    "hole",
    _under("drilling.holes.*", "role", "diameter", "depth", "pitch_forward", "pitch_lateral"),
    _under("drilling.holes.*", "at.right", "at.up", "used", "vents", "slug_density"),
)
