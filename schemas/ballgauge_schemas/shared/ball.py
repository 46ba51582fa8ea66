"""The ball: what its maker states and what was measured before drilling."""

from __future__ import annotations

import math
from typing import Any

from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.base import Choice, Day, Errors, Flag, Schema, Text, add_error, has_error
from ballgauge_schemas.shared.quantity import Quantity, QuantityField


class BallSchema(Schema):
    """A ball before drilling. Only `weight` is required; rules without data are not assessed."""

    name = Text(description="Maker and model, for the reader.", example="Ostrel Works Tarn 48")
    serial = Text(description="Serial number, for the reader.", example="OW7K20431", maximum=60)
    weight = QuantityField(
        "weight",
        minimum=4,
        maximum=20,
        required=True,
        example=15.06,
        description="Weight of the undrilled ball.",
    )
    diameter = QuantityField("length", minimum=7.5, maximum=9.5, example=8.59, description="Mean diameter.")
    circumference = QuantityField(
        "length", minimum=23.5, maximum=29.9, example=26.986, description="Circumference, a great circle."
    )
    roundness = QuantityField(
        "length",
        minimum=0,
        maximum=0.5,
        example=0.004,
        description="Largest diameter less smallest diameter.",
    )
    rg = QuantityField(
        "length",
        minimum=2,
        maximum=3.2,
        example=2.49,
        description="Radius of gyration about the low axis, which is the pin's.",
    )
    differential = QuantityField(
        "length", minimum=0, maximum=0.2, example=0.048, description="Highest less lowest radius of gyration."
    )
    intermediate_differential = QuantityField(
        "length",
        minimum=0,
        maximum=0.2,
        example=0.012,
        description="Highest less intermediate radius of gyration; at most the differential.",
    )
    hardness = QuantityField(
        "hardness",
        minimum=0,
        maximum=100,
        example=75,
        description="Hardness of the cover, at room temperature.",
    )
    friction = QuantityField(
        "ratio",
        minimum=0,
        maximum=1.5,
        example=0.24,
        description="Coefficient of kinetic friction on a dry lane.",
    )
    restitution = QuantityField(
        "ratio", minimum=0, maximum=1, example=0.72, description="Coefficient of restitution."
    )
    roughness = QuantityField(
        "roughness", minimum=0, maximum=500, example=28, description="Surface roughness, Ra."
    )
    oil_absorption_time = QuantityField(
        "time",
        minimum=0,
        maximum=36000,
        example="11 min",
        description="Time the cover takes to absorb the test oil.",
    )
    max_density = QuantityField(
        "density",
        minimum=0.1,
        maximum=25,
        example=2.9,
        description="Density of the densest component.",
    )
    top_weight = QuantityField(
        "imbalance",
        minimum=-16,
        maximum=16,
        example=2.5,
        description="Reading of a balance with the centre-of-gravity mark on top, undrilled.",
    )
    pin_to_cg = QuantityField(
        "length",
        minimum=0,
        maximum=13.5,
        example="2 1/2 in",
        description="Arc from the pin to the centre-of-gravity mark, on the way to the preferred spin axis.",
    )
    pin_to_low_rg_axis = QuantityField(
        "length",
        minimum=0,
        maximum=13.5,
        example=0.25,
        description="Arc from the pin's centre to the measured low axis.",
    )
    mark_to_high_rg_axis = QuantityField(
        "length",
        minimum=0,
        maximum=13.5,
        example=0.5,
        description="Arc from the mass-bias mark to the measured high axis.",
    )
    cover_thickness = QuantityField(
        "length",
        minimum=0.05,
        maximum=3,
        example=0.75,
        description="Thickness of the cover; 0.75 in unless told.",
    )
    cover_density = QuantityField(
        "density",
        minimum=0.5,
        maximum=3,
        example=1.19,
        description="Density of the cover; 1.19 g/mL unless told.",
    )
    approved_on = Day(
        description="Day the governing body approved the model; rules that bind by approval use it.",
        example="2021-05-14",
    )
    house_ball = Flag(
        description="Whether the ball is a house ball, not drilled to fit one bowler.",
        default=False,
        example=False,
    )
    cover = Choice(*words.COVERS, description="Family of the cover.")

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


def require_diameter(ball: Any, errors: Errors, path: tuple[str, ...]) -> None:
    """Add an error at `path`/diameter where a loaded ball, to be drilled, has no size."""
    if not isinstance(ball, dict) or "diameter" in ball or "circumference" in ball:
        return
    if has_error(errors, *path, "diameter") or has_error(errors, *path, "circumference"):
        return
    add_error(errors, (*path, "diameter"), "missing; a drilling needs the ball's diameter or circumference")
