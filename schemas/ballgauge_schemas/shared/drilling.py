"""The drilling: hand, axis, layout, grip and holes.

Arcs are great-circle arcs on the ball's surface. The grip frame has its origin at the grip centre, `up`
towards the fingers and `right` to the bowler's right.
"""

from __future__ import annotations

from typing import Any

from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.base import Choice, Errors, Flag, Part, Schema, Several, add_error, has_error
from ballgauge_schemas.shared.quantity import QuantityField


class PapSchema(Schema):
    """The positive axis point, seen from the grip centre."""

    over = QuantityField(
        "length",
        minimum=-8,
        maximum=8,
        required=True,
        example=5,
        description="Arc along the midline, away from the grip centre towards the bowler's own side.",
    )
    up = QuantityField(
        "length",
        minimum=-4,
        maximum=4,
        required=True,
        example=0.5,
        description="Arc along the vertical axis line, up towards the fingers; negative is down.",
    )


class LayoutSchema(Schema):
    """The layout by two angles and a distance."""

    drilling_angle = QuantityField(
        "angle",
        minimum=0,
        maximum=180,
        required=True,
        example=50,
        description="Angle at the pin from the line to the positive axis point to the line to the spin axis.",
    )
    pin_to_pap = QuantityField(
        "length",
        minimum=0,
        maximum=13.5,
        required=True,
        example=4.5,
        description="Arc from the pin to the positive axis point.",
    )
    val_angle = QuantityField(
        "angle",
        minimum=0,
        maximum=180,
        required=True,
        example=35,
        description="Angle at the positive axis point from the upward vertical axis line to the pin's line.",
    )


class GripSchema(Schema):
    """Spans and bridge, from which holes without `at` are placed."""

    span_middle = QuantityField(
        "length",
        minimum=1,
        maximum=7,
        example="4 1/4 in",
        description="Span from the thumb to the middle finger.",
    )
    span_ring = QuantityField(
        "length",
        minimum=1,
        maximum=7,
        example="4 3/8 in",
        description="Span from the thumb to the ring finger.",
    )
    span_kind = Choice(
        *words.SPAN_KINDS,
        default="cut_to_cut",
        description="Whether spans run between the holes' front edges or between their centres.",
    )
    bridge = QuantityField(
        "length",
        minimum=0,
        maximum=3,
        example="1/4 in",
        description="Surface gap between the two finger holes.",
    )
    thumb = Flag(default=True, description="Whether the bowler grips with the thumb.")
    center_marked = Flag(description="Whether the grip centre is marked with a plus.")


class PlaceSchema(Schema):
    """A place on the ball, as arcs from the grip centre."""

    right = QuantityField(
        "length",
        minimum=-13.5,
        maximum=13.5,
        required=True,
        example=-0.7,
        description="Arc along the midline to the bowler's right; negative is left.",
    )
    up = QuantityField(
        "length",
        minimum=-13.5,
        maximum=13.5,
        required=True,
        example=2.6,
        description="Arc along the meridian towards the fingers; negative is towards the thumb.",
    )


class HoleSchema(Schema):
    """One hole: a cylinder with a flat bottom. With `slug_density` it is a plug: drilled and filled again."""

    role = Choice(*words.ROLES, required=True, description="What the hole is for.")
    diameter = QuantityField(
        "length",
        minimum=0.05,
        maximum=2.5,
        required=True,
        example="31/32 in",
        description="Diameter of the hole.",
    )
    depth = QuantityField(
        "length",
        minimum=0.02,
        maximum=8,
        required=True,
        example=2.25,
        description="Depth along the hole's axis, from the surface at the hole's centre.",
    )
    pitch_forward = QuantityField(
        "length",
        minimum=-3,
        maximum=3,
        default=0,
        example="1/8 in",
        description="Pitch towards the grip centre; negative is reverse pitch.",
    )
    pitch_lateral = QuantityField(
        "length",
        minimum=-3,
        maximum=3,
        default=0,
        example=-0.125,
        description=(
            "Pitch along the surface tangent to the bowler's right, whatever the forward pitch; negative is "
            "left."
        ),
    )
    at = Part(PlaceSchema, description="Where the hole is, where the spans do not say.")
    used = Flag(description="Whether the hole is used on every delivery.")
    slug_density = QuantityField(
        "density",
        minimum=0.1,
        maximum=25,
        example=1.2,
        description="Density of the slug that fills the hole.",
    )


class DrillingSchema(Schema):
    """A drilling for one hand."""

    hand = Choice(*words.HANDS, required=True, description="The bowler's hand.")
    pap = Part(PapSchema, description="The bowler's positive axis point.")
    layout = Part(LayoutSchema, description="Where pin and spin axis lie; needs the positive axis point.")
    grip = Part(GripSchema, description="The grip; may be left out where every hole has `at`.")
    holes = Several(
        Part(HoleSchema, description="One hole."),
        description="Every hole, in any order.",
        minimum=0,
        maximum=limits.HOLES_MAXIMUM,
        make=list,
    )
    balance_arm = QuantityField(
        "length",
        minimum=0.5,
        maximum=8,
        example=3.2,
        description="Lever arm of the balance: moment divided by reading; 3.2 in unless told.",
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Find a layout without axis, doubled digits, unplaced holes, and a thumb at odds with the grip."""
        if "layout" in loaded and "pap" not in loaded and not has_error(errors, "pap"):
            add_error(errors, ("pap",), "missing; the layout is measured from it")
        holes = loaded.get("holes")
        if isinstance(holes, list):
            _check_digits(holes, errors)
            if not has_error(errors, "grip") or isinstance(loaded.get("grip"), dict):
                _check_places(holes, loaded.get("grip", {}), errors)
                _check_thumb(holes, loaded.get("grip"), errors)


def _check_digits(holes: list[dict[str, Any]], errors: Errors) -> None:
    first: dict[str, int] = {}
    for index, hole in enumerate(holes):
        role = hole.get("role")
        if (
            role not in words.DIGITS
            or "slug_density" in hole
            or has_error(errors, "holes", index, "slug_density")
        ):
            continue
        if role in first:
            text = (
                f"duplicate {role} hole: hole {first[role]} is one already; a plugged hole has a slug_density"
            )
            add_error(errors, ("holes", index, "role"), text)
        else:
            first[role] = index


def _needed_spans(role: str, grip: dict[str, Any], both_fingers: bool) -> list[str]:
    """Name the missing fields of the grip that would place a hole of this role."""
    if role == "thumb":
        return [] if "span_middle" in grip or "span_ring" in grip else ["grip.span_middle or grip.span_ring"]
    needed = [f"grip.span_{role}"] if f"span_{role}" not in grip else []
    if both_fingers and "bridge" not in grip:
        needed.append("grip.bridge")
    return needed


def _check_places(holes: list[dict[str, Any]], grip: dict[str, Any], errors: Errors) -> None:
    known = {**grip, **errors.get("grip", {})}
    unplaced = [
        index
        for index, hole in enumerate(holes)
        if "at" not in hole and "role" in hole and not has_error(errors, "holes", index, "at")
    ]
    fingers = {holes[index]["role"] for index in unplaced} & {"middle", "ring"}
    for index in unplaced:
        role = holes[index]["role"]
        if role in ("thumb", "middle", "ring"):
            needed = " and ".join(_needed_spans(role, known, len(fingers) == 2))
            text = f"missing; to place the {role} hole give at, or else {needed}" if needed else ""
        else:
            text = f"missing; spans do not place a {role} hole, so give at"
        if text:
            add_error(errors, ("holes", index, "at"), text)


def _check_thumb(holes: list[dict[str, Any]], grip: dict[str, Any] | None, errors: Errors) -> None:
    if grip is None or "thumb" not in grip or any("role" not in hole for hole in holes):
        return
    thumbs = [hole for hole in holes if hole["role"] == "thumb" and "slug_density" not in hole]
    if not grip["thumb"] and any(hole.get("used", True) for hole in thumbs):
        add_error(
            errors,
            ("grip", "thumb"),
            "the grip is without thumb, but there is an open thumb hole; say used: false at that hole",
        )
    by_span = any(hole["role"] in ("middle", "ring") and "at" not in hole for hole in holes)
    if grip["thumb"] and by_span and not any(hole["role"] == "thumb" for hole in holes):
        add_error(errors, ("grip", "thumb"), "the grip is with thumb, but there is no thumb hole")
