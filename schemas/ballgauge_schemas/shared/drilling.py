"""The drilling: hand, axis, layout, grip and holes.

Arcs are great-circle arcs on the ball's surface. The grip frame has its origin at the grip center, `up`
toward the fingers and `right` to the bowler's right.
"""

from __future__ import annotations

from typing import Any

from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.base import (
    REQUIRED,
    Choice,
    Errors,
    Flag,
    Part,
    Schema,
    Several,
    Whole,
    add_error,
    has_error,
)
from ballgauge_schemas.shared.quantity import QuantityField


class PapSchema(Schema, whole=True):
    """The positive axis point, seen from the grip center."""

    over = QuantityField(
        "length", -8, 8, 5, "Arc along the midline, away from the grip center toward the bowler's own side."
    )
    up = QuantityField(
        "length", -4, 4, 0.5, "Arc along the vertical axis line, up toward the fingers; negative is down."
    )


class PlaceSchema(Schema, whole=True):
    """A place on the ball, as arcs from the grip center."""

    right = QuantityField(
        "length", -13.5, 13.5, -0.7, "Arc along the midline to the bowler's right; negative is left."
    )
    up = QuantityField(
        "length", -13.5, 13.5, 2.6, "Arc along the meridian toward the fingers; negative is toward the thumb."
    )


class LayoutSchema(Schema):
    """The layout in one of the trade's ways; the answer has all of them.

    By the pin's arc with `drilling_angle` or `pap_to_psa`, and `val_angle` or `pin_to_val`; or by the places
    of pin and mark.
    """

    drilling_angle = QuantityField(
        "angle",
        0,
        180,
        50,
        "Angle at the pin from the line to the positive axis point to the line to the spin axis.",
    )
    pin_to_pap = QuantityField("length", 0, 13.5, 4.5, "Arc from the pin to the positive axis point.")
    val_angle = QuantityField(
        "angle",
        0,
        180,
        35,
        "Angle at the positive axis point from the upward vertical axis line to the pin's line.",
    )
    pap_to_psa = QuantityField(
        "length", 0, 13.5, 3.9, "Arc from the mark of the spin axis to the positive axis point."
    )
    pin_to_val = QuantityField("length", 0, 6.75, 2.4, "Arc from the pin to the vertical axis line.")
    pin_below = Flag(
        "Whether the pin of `pin_to_val` lies below the axis point, the angle between them over 90°.",
        example=False,
    )
    pin = Part(PlaceSchema, "Place of the pin, in place of arcs and angles.")
    psa = Part(
        PlaceSchema,
        "Place of the mark of the spin axis, a quarter turn from the pin; without it `cg` tells the way.",
    )
    cg = Part(PlaceSchema, "Place of the center-of-gravity mark, in place of the ball's `pin_to_cg`.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for one way, whole."""
        given = {*loaded, *errors}
        if given & {"pin", "psa"}:
            _check_marks(given, errors)
            return
        if "pin_to_pap" not in given:
            add_error(errors, ("pin_to_pap",), REQUIRED)
        for first, other in (_TURNS, _LIES):
            if not {first, other} & given:
                add_error(errors, (first,), REQUIRED)
            elif {first, other} <= given:
                add_error(errors, (other,), f"must not be given together with {first}, which tells it")
        if "pin_below" in given and "pin_to_val" not in given:
            add_error(
                errors, ("pin_below",), "tells on which side the pin of pin_to_val lies; that is not given"
            )


_TURNS, _LIES = ("drilling_angle", "pap_to_psa"), ("val_angle", "pin_to_val")
_BY_ARCS = ("pin_to_pap", *_TURNS, *_LIES, "pin_below")
"""Which way the mark lies from the pin, and the pin from the axis point: each by an angle or by an arc;
all of the layout but places."""


def _check_marks(given: set[str], errors: Errors) -> None:
    for name in _BY_ARCS:
        if name in given:
            add_error(errors, (name,), "must not be given together with the places of pin and mark")
    if "pin" not in given:
        add_error(errors, ("pin",), REQUIRED)
    if not given & {"psa", "cg"}:
        add_error(errors, ("psa",), "missing; give it, or cg on a ball without a mark")


class GripSchema(Schema):
    """Spans and bridge, from which holes without `at` are placed."""

    span_middle = QuantityField("length", 1, 7, "4 1/4 in", "Span from the thumb to the middle finger.")
    span_ring = QuantityField("length", 1, 7, "4 3/8 in", "Span from the thumb to the ring finger.")
    span_kind = Choice(
        words.SPAN_KINDS,
        "Between what spans run: cut_to_cut, the holes' front edges; edge_to_edge, those of inserts in them; "
        "center_to_center, the holes' centers, for which full is the old word.",
        default="cut_to_cut",
    )
    insert_thickness = QuantityField(
        "length",
        0,
        0.5,
        "1/8 in",
        "Thickness of the inserts between the ends of an edge_to_edge span: the finger's, and the thumb's if "
        "it has one.",
    )
    bridge = QuantityField("length", 0, 3, "1/4 in", "Surface gap between the two finger holes.")
    thumb = Flag("Whether the bowler grips with the thumb.", default=True)
    center_marked = Flag("Whether the grip center is marked with a plus.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for inserts where spans run between them, and not elsewhere."""
        by_inserts = loaded.get("span_kind") == "edge_to_edge"
        named = "insert_thickness" in loaded or "insert_thickness" in errors
        if by_inserts and not named:
            add_error(errors, ("insert_thickness",), "missing; edge_to_edge spans run between inserts")
        elif named and not by_inserts and not has_error(errors, "span_kind"):
            add_error(errors, ("insert_thickness",), "only edge_to_edge spans run between inserts")


class HoleSchema(Schema):
    """One hole: a cylinder with a flat bottom. With `slug_density` it is a plug: drilled and filled again."""

    role = Choice(words.ROLES, "What the hole is for.", required=True)
    diameter = QuantityField("length", 0.05, 2.5, "31/32 in", "Diameter of the hole.", required=True)
    depth = QuantityField(
        "length",
        0.02,
        8,
        2.25,
        "Depth along the hole's axis, from the surface at the hole's center.",
        required=True,
    )
    pitch_forward = QuantityField(
        "length", -3, 3, "1/8 in", "Pitch toward the grip center; negative is reverse pitch.", default=0
    )
    pitch_lateral = QuantityField(
        "length",
        -3,
        3,
        -0.125,
        "Pitch along the surface tangent to the bowler's right, whatever the forward pitch; negative is "
        "left.",
        default=0,
    )
    at = Part(PlaceSchema, "Where the hole is, where the spans do not say.")
    used = Flag("Whether the hole is used on every delivery; taken as used where it is not told.")
    vents = Whole(
        0, limits.HOLES_MAXIMUM - 1, 0, "Of a vent: the place in `holes`, from 0, of the hole it serves."
    )
    slug_density = QuantityField("density", 0.1, 25, 1.2, "Density of the slug that fills the hole.")


class HolesSeenSchema(Schema):
    """The open holes of a ball as a desk counts and measures them; what was not looked at is left out."""

    finger_holes = Whole(0, limits.HOLES_MAXIMUM, 2, "Holes for fingers.")
    thumb_holes = Whole(0, limits.HOLES_MAXIMUM, 1, "Holes for the thumb.")
    unused_finger_holes = Whole(
        0, limits.HOLES_MAXIMUM, 0, "Finger holes not used on every delivery; not told: none.", assumed=0
    )
    thumb_used = Flag("Whether the thumb hole is used on every delivery; taken as used if not told.")
    gripping_hole_diameter = QuantityField(
        "length", 0.05, 4, "31/32 in", "Diameter of the widest finger or thumb hole."
    )
    gripping_hole_depth = QuantityField("length", 0.02, 8, 2.5, "Depth of the deepest finger or thumb hole.")
    balance_holes = Whole(0, limits.HOLES_MAXIMUM, 0, "Holes for no digit, vent and mill hole aside.")
    balance_hole_diameter = QuantityField("length", 0.05, 4, 1, "Diameter of the widest balance hole.")
    vent_holes = Whole(0, limits.HOLES_MAXIMUM, 1, "Vent holes.")
    vent_hole_diameter = QuantityField("length", 0.02, 4, "1/4 in", "Diameter of the widest vent hole.")
    mill_holes = Whole(0, limits.HOLES_MAXIMUM, 0, "Mill holes for inspection.")
    mill_hole_diameter = QuantityField("length", 0.02, 4, "5/8 in", "Diameter of the widest mill hole.")
    mill_hole_depth = QuantityField("length", 0.005, 8, "1/8 in", "Depth of the deepest mill hole.")
    center_marked = Flag("Whether the grip center is marked with a plus.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Find more unused fingers than there are holes for."""
        holes, unused = loaded.get("finger_holes"), loaded.get("unused_finger_holes")
        if holes is not None and unused is not None and unused > holes:
            add_error(
                errors, ("unused_finger_holes",), f"must be at most finger_holes, {holes}; got {unused}"
            )


class DrillingSchema(Schema):
    """A drilling for one hand."""

    hand = Choice(words.HANDS, "The bowler's hand.", required=True)
    pap = Part(PapSchema, "The bowler's positive axis point.")
    layout = Part(LayoutSchema, "Where pin and spin axis lie; needs the positive axis point.")
    grip = Part(GripSchema, "The grip; may be left out where every hole has `at`.")
    holes = Several(
        Part(HoleSchema, "One hole."), limits.HOLES_MAXIMUM, "Every hole, in any order.", default=[]
    )
    balance_arm = QuantityField(
        "length",
        0.5,
        8,
        3.2,
        "Lever arm of the balance: moment divided by reading.",
        assumed=limits.BALANCE_ARM,
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Find a layout without axis, unplaced holes, astray vents, and a thumb at odds with the grip."""
        if "layout" in loaded and "pap" not in loaded and not has_error(errors, "pap"):
            add_error(errors, ("pap",), "missing; the layout is measured from it")
        holes = loaded.get("holes")
        if isinstance(holes, list):
            _check_vents(holes, errors)
            if not has_error(errors, "grip") or isinstance(loaded.get("grip"), dict):
                _check_places(holes, loaded.get("grip", {}), errors)
                _check_thumb(holes, loaded.get("grip"), errors)


def _check_vents(holes: list[dict[str, Any]], errors: Errors) -> None:
    for index, hole in enumerate(holes):
        if "vents" not in hole or "role" not in hole:
            continue
        if hole["role"] != "vent":
            add_error(errors, ("holes", index, "vents"), "only a vent serves another hole")
        elif hole["vents"] >= len(holes):
            add_error(errors, ("holes", index, "vents"), f"there is no hole {hole['vents']}")


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
    first: dict[str, int] = {}
    for index in unplaced:
        role = holes[index]["role"]
        doubled = "slug_density" not in holes[index] and first.setdefault(role, index) != index
        if doubled and role in ("thumb", "middle", "ring"):
            text = f"missing; the spans place one {role} hole, and that is hole {first[role]}"
        elif role in ("thumb", "middle", "ring"):
            needed = " and ".join(_needed_spans(role, known, len(fingers) == 2))
            text = f"missing; the {role} hole needs at, or {needed}" if needed else ""
        else:
            text = f"missing; spans cannot place a {role} hole"
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
            "the grip has no thumb, but there is an open thumb hole; set used to false on that hole",
        )
    by_span = any(hole["role"] in ("middle", "ring") and "at" not in hole for hole in holes)
    if grip["thumb"] and by_span and not any(hole["role"] == "thumb" for hole in holes):
        add_error(errors, ("grip", "thumb"), "the grip includes the thumb, but there is no thumb hole")
