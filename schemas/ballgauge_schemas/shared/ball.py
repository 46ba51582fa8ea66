"""The ball: what its maker states and what was measured before drilling."""

from __future__ import annotations

import math
from typing import Any

from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.base import (
    REQUIRED,
    Choice,
    Day,
    Errors,
    Flag,
    Schema,
    Text,
    add_error,
    has_error,
    require,
)
from ballgauge_schemas.shared.quantity import Quantity, QuantityField


class BallSchema(Schema):
    """A ball before drilling, and what is known of it since. Only `weight` is required."""

    name = Text(
        "Ostrel Works Tarn 48", "Maker and model; looked up on the approved list, where there is one."
    )
    serial = Text("OW7K20431", "Serial number, for the reader.", maximum=60)
    weight = QuantityField("weight", 4, 20, 15.06, "Weight of the undrilled ball.", required=True)
    drilled_weight = QuantityField(
        "weight",
        4,
        20,
        14.9,
        "Measured weight of the drilled ball, which rules of play judge; without it that of the drilling.",
    )
    diameter = QuantityField("length", 7.5, 9.5, 8.59, "Mean diameter.")
    circumference = QuantityField("length", 23.5, 29.9, 26.986, "Circumference, a great circle.")
    roundness = QuantityField("length", 0, 0.5, 0.004, "Largest diameter less smallest diameter.")
    rg = QuantityField("length", 2, 3.2, 2.49, "Radius of gyration about the low axis, which is the pin's.")
    differential = QuantityField("length", 0, 0.2, 0.048, "Highest less lowest radius of gyration.")
    intermediate_differential = QuantityField(
        "length", 0, 0.2, 0.012, "Highest less intermediate radius of gyration; at most the differential."
    )
    hardness = QuantityField("hardness", 0, 100, 75, "Hardness of the cover, at room temperature.")
    friction = QuantityField("ratio", 0, 1.5, 0.24, "Coefficient of kinetic friction on a dry lane.")
    restitution = QuantityField("ratio", 0, 1, 0.72, "Coefficient of restitution.")
    roughness = QuantityField("roughness", 0, 500, 28, "Surface roughness, Ra.")
    oil_absorption_time = QuantityField(
        "time", 0, 36000, "11 min", "Time the cover takes to absorb the test oil."
    )
    high_performance_core = Flag(
        "Whether the core is a high-performance one, as the governing body's manual defines it.",
        example=False,
    )
    max_density = QuantityField("density", 0.1, 25, 2.9, "Density of the densest component.")
    top_weight = QuantityField(
        "imbalance", -16, 16, 2.5, "Reading of a balance with the center-of-gravity mark on top, undrilled."
    )
    pin_to_cg = QuantityField(
        "length",
        0,
        13.5,
        "2 1/2 in",
        "Arc from the pin to the center-of-gravity mark, on the way to the preferred spin axis.",
    )
    pin_to_low_rg_axis = QuantityField(
        "length", 0, 13.5, 0.25, "Arc from the pin's center to the measured low axis."
    )
    mark_to_high_rg_axis = QuantityField(
        "length", 0, 13.5, 0.5, "Arc from the mass-bias mark to the measured high axis."
    )
    cover_thickness = QuantityField(
        "length", 0.05, 3, 0.75, "Thickness of the cover.", assumed=limits.COVER_THICKNESS
    )
    cover_density = QuantityField(
        "density", 0.5, 3, 1.19, "Density of the cover.", assumed=limits.COVER_DENSITY
    )
    approved_on = Day(
        "2021-05-14", "Day the governing body approved the model; rules that bind by approval use it."
    )
    made_on = Day("2021-06-02", "Day the ball was made, as its serial number tells.")
    identity = Choice(
        words.IDENTITIES,
        "How the ball was found on the governing body's approved list, its serial number, brand and model "
        "legible; what is checked by hand is not judged, unless a list given here rejects the ball.",
    )
    house_ball = Flag(
        "Whether the ball is a house ball, not drilled to fit one bowler.", default=False, example=False
    )
    cover = Choice(words.COVERS, "Family of the cover.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Compare the two differentials, and the diameter with the circumference."""
        differential, intermediate = loaded.get("differential"), loaded.get("intermediate_differential")
        if (
            isinstance(differential, Quantity)
            and isinstance(intermediate, Quantity)
            and intermediate.value > differential.value
        ):
            text = "intermediate_differential must not exceed differential"
            add_error(errors, ("intermediate_differential",), text)
            add_error(errors, ("differential",), text)
        diameter, circumference = loaded.get("diameter"), loaded.get("circumference")
        if isinstance(diameter, Quantity) and isinstance(circumference, Quantity):
            implied = circumference.value / math.pi
            if abs(implied - diameter.value) > limits.DIAMETER_AGREEMENT:
                text = (
                    f"diameter {diameter.value:g} in and circumference {circumference.value:g} in disagree: "
                    f"that circumference means a diameter of {implied:.3f} in"
                )
                add_error(errors, ("diameter",), text)
                add_error(errors, ("circumference",), text)


class CheckedBallSchema(BallSchema):
    """A ball to be checked: one that is drilled may be known by `drilled_weight` alone."""

    weight = QuantityField(
        "weight",
        4,
        20,
        15.06,
        "Weight of the undrilled ball; it, `drilled_weight` or a design is required.",
    )


class BallToDrillSchema(BallSchema):
    """A ball to be drilled."""

    weight = QuantityField(
        "weight", 4, 20, 15.06, "Weight of the undrilled ball; it or a design is required."
    )


def require_any_weight(ball: Any, errors: Errors, *names: str) -> None:
    """Add an error at /ball/weight where a loaded ball has none of some weights."""
    if isinstance(ball, dict) and not any(name in ball or has_error(errors, "ball", name) for name in names):
        add_error(errors, ("ball", "weight"), REQUIRED)


DESIGN_TELLS = (
    "weight", "diameter", "circumference", "rg", "differential", "intermediate_differential", "max_density",
    "top_weight", "pin_to_cg", "pin_to_low_rg_axis", "mark_to_high_rg_axis", "cover_thickness",
    "cover_density",
)  # fmt: skip
"""Numbers of a ball that its design tells."""


def refuse_told(ball: Any, errors: Errors) -> None:
    """Add an error for each number of a loaded ball that its design tells as well."""
    for name in DESIGN_TELLS:
        if isinstance(ball, dict) and name in ball:
            add_error(errors, ("ball", name), "must not be given together with a design, which tells it")


def require_weight(ball: Any, errors: Errors, path: tuple[str, ...]) -> None:
    """Add an error at `path`/weight where a loaded ball, to be drilled, has none."""
    require(ball, ("weight",), errors, path, "missing; a drilling needs the undrilled ball's weight")


def require_diameter(ball: Any, errors: Errors, path: tuple[str, ...]) -> None:
    """Add an error at `path`/diameter where a loaded ball, to be drilled, has no size."""
    if not isinstance(ball, dict) or "diameter" in ball or "circumference" in ball:
        return
    if has_error(errors, *path, "diameter") or has_error(errors, *path, "circumference"):
        return
    add_error(errors, (*path, "diameter"), "missing; a drilling needs the ball's diameter or circumference")
