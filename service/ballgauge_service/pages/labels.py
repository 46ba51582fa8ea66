"""Short names of the form's fields and words; the long descriptions are the schemas'."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType


def _(text: str) -> str:
    """Mark a text for extraction; it is translated where it is shown."""
    return text


LABELS: Mapping[str, str] = MappingProxyType(
    {
        "already_drilled": _("The holes exist"),
        "approved_on": _("Approved on"),
        "as_made": _("Ball as made by the rules of"),
        "at.right": _("Place: right"),
        "at.up": _("Place: up"),
        "balance_arm": _("Arm of the balance"),
        "body": _("Governing body"),
        "bridge": _("Bridge"),
        "center_marked": _("Grip center marked"),
        "circumference": _("Circumference"),
        "cover": _("Cover"),
        "cover_density": _("Density of the cover"),
        "cover_thickness": _("Thickness of the cover"),
        "depth": _("Depth"),
        "diameter": _("Diameter"),
        "differential": _("Differential"),
        "drilled_weight": _("Weight, drilled"),
        "drilling_angle": _("Drilling angle"),
        "event": _("Event"),
        "finger": _("Finger weight"),
        "finger_depth_min": _("Least finger depth"),
        "friction": _("Friction"),
        "hand": _("Hand"),
        "hardness": _("Hardness"),
        "high_performance_core": _("High-performance core"),
        "house_ball": _("House ball"),
        "identity": _("Approved list, serial, brand and model"),
        "intermediate_differential": _("Intermediate differential"),
        "issued_on": _("Date of the record"),
        "made_on": _("Made on"),
        "margin": _("Margin inside the limit"),
        "mark_to_high_rg_axis": _("Mass-bias mark to high axis"),
        "max_density": _("Densest component"),
        "name": _("Maker and model"),
        "oil_absorption_time": _("Oil absorption time"),
        "on": _("Day of use"),
        "over": _("PAP: over"),
        "overlay": _("Overlay"),
        "pin_to_cg": _("Pin to CG"),
        "pin_to_low_rg_axis": _("Pin to low axis"),
        "pin_to_pap": _("Pin to PAP"),
        "pitch_forward": _("Forward pitch"),
        "pitch_lateral": _("Lateral pitch"),
        "player": _("Player"),
        "restitution": _("Restitution"),
        "rg": _("RG, low axis"),
        "risk": _("Risk"),
        "role": _("Hole"),
        "roughness": _("Surface roughness"),
        "roundness": _("Roundness"),
        "rule": _("Decision"),
        "serial": _("Serial number"),
        "side": _("Side weight"),
        "slug_density": _("Density of the slug"),
        "span_kind": _("Spans measured"),
        "span_middle": _("Span, middle"),
        "span_ring": _("Span, ring"),
        "stage": _("Stage"),
        "thumb": _("Grips with the thumb"),
        "thumb_depth_min": _("Least thumb depth"),
        "top": _("Top weight"),
        "top_weight": _("Top weight, undrilled"),
        "up": _("PAP: up"),
        "used": _("Used on every delivery"),
        "vents": _("Vents hole"),
        "val_angle": _("VAL angle"),
        "weight": _("Weight"),
    }
)

WORDS: Mapping[str, str] = MappingProxyType(
    {
        "approval": _("approval, as made"),
        "australia": _("Australia"),
        "balance": _("balance"),
        "checked_by_hand": _("checked by hand"),
        "cut_to_cut": _("front edge to front edge"),
        "full": _("center to center"),
        "guarded": _("guarded, with a zone between"),
        "ibf": _("IBF"),
        "index": _("index"),
        "left": _("left"),
        "little": _("little"),
        "middle": _("middle"),
        "mill": _("mill"),
        "play": _("play"),
        "polyester": _("polyester"),
        "reactive": _("reactive"),
        "right": _("right"),
        "ring": _("ring"),
        "simple": _("simple, value against limit"),
        "thumb": _("thumb"),
        "urethane": _("urethane"),
        "usbc": _("USBC"),
        "vent": _("vent"),
    }
)
