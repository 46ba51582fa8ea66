"""What is asked of a design: its solids, and what to do with them.

A design is an ordered list of solids; the first is the ball, and each later one displaces what lies beneath
it. Its frame: origin at the ball's center, z to the pin, x to the mass-bias mark. The numbers of a design are
nominal, so that none of them takes an uncertainty; how they spread in production is asked under `production`.
The limits of these fields are ours.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from marshmallow import ValidationError, fields
from marshmallow.exceptions import SCHEMA

from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.base import (
    REQUIRED,
    Choice,
    Day,
    Errors,
    Number,
    Part,
    Schema,
    Several,
    Text,
    Whole,
    add_error,
    has_error,
    seed,
)
from ballgauge_schemas.shared.drilling import DrillingSchema
from ballgauge_schemas.shared.overlay import made_by_field, overlay_fields
from ballgauge_schemas.shared.quantity import KINDS, NominalField, Quantity, QuantityField
from ballgauge_schemas.shared.wording import json_type, listed, shown_text

_NAMED = r"^\S(.*\S)?$"

NO_UNCERTAINTY = "a design's numbers are nominal; how they spread is asked under production"


class Nominal(NominalField):
    """A quantity of a design; it takes no uncertainty."""

    reason = NO_UNCERTAINTY


def _length(
    description: str, example: Any, minimum: float = 0.001, maximum: float = 9.5, **more: Any
) -> Nominal:
    return Nominal("length", minimum, maximum, example, description, **more)


def _density(description: str, example: Any, **more: Any) -> Nominal:
    return Nominal("density", 0.01, 25, example, description, **more)


def _factor(description: str) -> Number:
    return Number(0.01, 100.0, 1.02, description, assumed=1.0)


def _name(description: str, example: str = "core", **more: Any) -> Text:
    return Text(example, description, maximum=60, pattern=_NAMED, **more)


def _three(entry: fields.Field[Any], description: str) -> Several:
    return Several(entry, 3, 3, description)


def kind_of(field: str) -> str:
    """Kind of quantity of a solid's field, as parameters and tolerances name it. Raises KeyError."""
    return _KINDS[field]


_KINDS: Mapping[str, str] = {
    "density": "density",
    **dict.fromkeys((*words.SIZES, *words.POSITIONS, *words.OFFSETS), "length"),
    **dict.fromkeys(words.FACTORS, "ratio"),
    **dict.fromkeys(words.TILTS, "angle"),
}


class KindOfField(fields.Field[Any]):
    """A quantity whose kind is that of the field its object names; that object's schema calls `resolve`."""

    def __init__(self, *, description: str, example: Any, required: bool = False) -> None:
        refs = [{"$ref": f"#/components/schemas/Quantity{name}"} for name in ("Text", "Object")]
        super().__init__(
            required=required,
            metadata={
                "description": description,
                "examples": [example],
                "x-unit": "that of the field: g/mL, in, 1 or deg",
                "oneOf": [{"type": "number", "minimum": -45, "maximum": 100}, *refs],
            },
        )

    def read(self, value: Any) -> Any:
        """Give `value` as it is, where it could be a quantity; raises ValidationError."""
        if isinstance(value, bool) or not isinstance(value, (int, float, str, dict)):
            raise ValidationError(
                f"must be a number, a string with a unit, or an object with a value; got {json_type(value)}"
            )
        return value


@functools.lru_cache(maxsize=64)
def _bound(field: str) -> QuantityField:
    """Reads a bound of a parameter: what the solids' own field takes."""
    if field == "density":
        return _density("", 1)
    if field in words.FACTORS:
        return Nominal("ratio", 0.01, 100, 1, "")
    return _length("", 1, 0.0 if field == "rounding" else -9.5 if field in words.POSITIONS else 0.001)


_WIDEST = {"density": 25.0, "length": 9.5, "ratio": 1.0, "angle": 45.0}


@functools.lru_cache(maxsize=64)
def _width(field: str) -> QuantityField:
    """Reads the width of a tolerance."""
    kind = kind_of(field)
    return Nominal(kind, 0, _WIDEST[kind], 1, "", exclusive_minimum=True)


def resolve(
    loaded: dict[str, Any], errors: Errors, names: Iterable[str], reader: Callable[[str], QuantityField]
) -> None:
    """Read the `KindOfField` members of an object with the reader of its `field`; add the errors."""
    for name in names:
        raw = loaded.pop(name, None)
        if raw is None or "field" not in loaded:
            continue
        try:
            loaded[name] = reader(loaded["field"]).read(raw)
        except ValidationError as error:
            errors[name] = error.messages


class RotationSchema(Schema):
    """How a solid is turned: by an angle about an axis, or by where its own z (and x) point."""

    axis = _three(
        Number(-1e3, 1e3, 1.0, "A component."),
        "Axis of the turn, in the design's frame; its length does not matter.",
    )
    angle = Nominal("angle", -360, 360, 90, "Angle of the turn, right-handed.")
    z = _three(Number(-1e3, 1e3, 0.0, "A component."), "Direction of the solid's own axis z.")
    x = _three(
        Number(-1e3, 1e3, 0.0, "A component."), "Direction its own axis x is turned to as nearly as can be."
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for one of the two ways, whole."""
        given = {name for name in ("axis", "angle", "z", "x") if name in loaded or name in errors}
        if given not in ({"axis", "angle"}, {"z"}, {"z", "x"}):
            add_error(errors, (SCHEMA,), "must hold axis and angle, or z and perhaps x")


class _SolidSchema(Schema):
    name = _name("Name of the solid, no other's in the design.", required=True)
    role = Choice(words.SOLID_ROLES, "What the solid is in the ball.", default="other")
    density = _density("Density of its material.", 1.2, required=True)
    position = _three(
        _length("A coordinate.", 0.0, -9.5, 9.5),
        "Place of the solid's middle: x to the mass-bias mark, y, z to the pin.",
    )
    rotation = Part(RotationSchema, "How it is turned; default: not.")


class SphereSchema(_SolidSchema):
    """A sphere."""

    shape = Choice(("sphere",), "The shape.", required=True)
    diameter = _length("Diameter; the first solid's is the design's.", 7.0)


class EllipsoidSchema(_SolidSchema):
    """An ellipsoid."""

    shape = Choice(("ellipsoid",), "The shape.", required=True)
    length_x = _length("Full length along its own x.", 3.7, required=True)
    length_y = _length("Full length along its own y.", 4.4, required=True)
    length_z = _length("Full length along its own z.", 5.2, required=True)


class CylinderSchema(_SolidSchema):
    """A cylinder about its own z; a disc is a flat one."""

    shape = Choice(("cylinder",), "The shape.", required=True)
    diameter = _length("Diameter.", 2.4, required=True)
    height = _length("Height.", 0.36, required=True)


class ConeSchema(_SolidSchema):
    """A cone about its own z, the base at z = -height/2."""

    shape = Choice(("cone",), "The shape.", required=True)
    diameter = _length("Diameter of the base.", 2.0, required=True)
    height = _length("Height.", 1.5, required=True)


class FrustumSchema(_SolidSchema):
    """A cone cut parallel to its base, about its own z, the bottom at z = -height/2."""

    shape = Choice(("frustum",), "The shape.", required=True)
    bottom_diameter = _length("Diameter at the bottom.", 3.0, required=True)
    top_diameter = _length("Diameter at the top.", 2.0, required=True)
    height = _length("Height.", 1.5, required=True)


class ProfileSchema(_SolidSchema):
    """A polyline turned about the solid's own z: stacked frustums."""

    shape = Choice(("profile",), "The shape.", required=True)
    points = Several(
        Several(_length("Height along z, or radius.", 1.5, -9.5, 9.5), 2, 2, "Height and radius."),
        2,
        limits.POINTS_MAXIMUM,
        "Points of height and radius, heights rising; two at one height make a step.",
        required=True,
    )
    radial_scale = _factor("What every radius is multiplied by.")
    axial_scale = _factor("What every height is multiplied by.")


class RoundedBoxSchema(_SolidSchema):
    """A box with rounded edges and corners."""

    shape = Choice(("rounded_box",), "The shape.", required=True)
    length_x = _length("Full length along its own x.", 1.5, required=True)
    length_y = _length("Full length along its own y.", 1.2, required=True)
    length_z = _length("Full length along its own z.", 1.0, required=True)
    rounding = _length("Radius of edges and corners.", 0.1, 0.0, 5.0, assumed=0.0)


class MeshSolidSchema(_SolidSchema):
    """A closed surface of triangles, drawn elsewhere."""

    shape = Choice(("mesh",), "The shape.", required=True)
    mesh = _name("Name of one of the design's meshes.", required=True)
    scale = _factor("What every length is multiplied by.")


SHAPES: Mapping[str, type[Schema]] = {
    "sphere": SphereSchema,
    "ellipsoid": EllipsoidSchema,
    "cylinder": CylinderSchema,
    "cone": ConeSchema,
    "frustum": FrustumSchema,
    "profile": ProfileSchema,
    "rounded_box": RoundedBoxSchema,
    "mesh": MeshSolidSchema,
}


class SolidField(fields.Field[dict[str, Any]]):
    """A solid, read by the schema of its shape."""

    schemas = tuple(SHAPES.values())

    def __init__(self) -> None:
        super().__init__(metadata={"description": "One solid."})

    def read(self, value: Any) -> dict[str, Any]:
        """Read the solid in `value`; raises ValidationError."""
        if not isinstance(value, dict):
            raise ValidationError(f"must be an object; got {json_type(value)}")
        if "shape" not in value:
            raise ValidationError({"shape": [REQUIRED]})
        shape = value["shape"]
        if not isinstance(shape, str) or shape not in SHAPES:
            got = shown_text(shape) if isinstance(shape, str) else json_type(shape)
            raise ValidationError({"shape": [f"must be {listed(tuple(SHAPES), 'or')}; got {got}"]})
        return _solid(shape).load(value)


@functools.lru_cache(maxsize=len(SHAPES))
def _solid(shape: str) -> Schema:
    return SHAPES[shape]()


class MeshSchema(Schema):
    """A closed surface of triangles: in the form's part of that file name, or within the JSON as base64."""

    name = _name("Name by which solids use it.", required=True)
    unit = Choice(words.MESH_UNITS, "What one unit of its numbers is.", required=True)
    format = Choice(words.MESH_FORMATS, "Format; default: the extension of the file's name.")
    file = Text(
        "core.stl",
        "File name of the form's part that holds it; for the command, its path from the design's folder.",
        maximum=200,
        pattern=_NAMED,
    )
    data = Text(
        "c29saWQ=",
        "The file itself as base64, where it is small.",
        maximum=limits.MESH_DATA_MAXIMUM,
        pattern=r"^[A-Za-z0-9+/]*={0,2}$",
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for one source, and for a format where no file's name tells it."""
        given = [name for name in ("file", "data") if name in loaded or name in errors]
        if len(given) != 1:
            add_error(errors, (SCHEMA,), "must hold either file or data")
        if "format" in loaded or "format" in errors:
            return
        ending = loaded.get("file", "").rpartition(".")[2].lower()
        if ending in words.MESH_FORMATS:
            loaded["format"] = ending
        elif given:
            add_error(errors, ("format",), f"missing; give {listed(words.MESH_FORMATS, 'or')}")


class DesignSchema(Schema):
    """A layered ball: an ordered list of solids, the ball first, each displacing what lies beneath it."""

    name = Text("Ostrel Works Skarn", "Name of the design, for the reader.")
    diameter = _length("Diameter of the ball.", 8.58, 7.5, 9.5, required=True)
    meshes = Several(
        Part(MeshSchema, "One mesh."), 0, limits.MESHES_MAXIMUM, "Meshes that solids use.", default=[]
    )
    solids = Several(SolidField(), 1, limits.SOLIDS_MAXIMUM, "The solids, the ball first.", required=True)

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Find doubled names, spheres without size and meshes that are not there."""
        meshes, solids = loaded.get("meshes"), loaded.get("solids")
        if isinstance(meshes, list):
            _check_names(meshes, errors, "meshes")
        if not isinstance(solids, list):
            return
        _check_names(solids, errors, "solids")
        for at, solid in enumerate(solids):
            unsized = solid.get("shape") == "sphere" and "diameter" not in solid
            if at and unsized and not has_error(errors, "solids", at, "diameter"):
                add_error(errors, ("solids", at, "diameter"), REQUIRED)
        if isinstance(meshes, list) and not has_error(errors, "meshes"):
            _check_meshes(solids, {mesh["name"] for mesh in meshes}, errors)


def _check_names(entries: Sequence[Mapping[str, Any]], errors: Errors, member: str) -> None:
    first: dict[str, int] = {}
    for at, entry in enumerate(entries):
        name = entry.get("name")
        if name in first:
            add_error(errors, (member, at, "name"), f"duplicate name; number {first[name]} has it too")
        elif name is not None:
            first[name] = at


def _check_meshes(solids: Sequence[Mapping[str, Any]], known: set[str], errors: Errors) -> None:
    for at, solid in enumerate(solids):
        if "mesh" in solid and solid["mesh"] not in known:
            names = ", ".join(sorted(known)) or "none"
            text = f"no mesh is named {shown_text(solid['mesh'])}; the meshes are {names}"
            add_error(errors, ("solids", at, "mesh"), text)


class _TargetSchema(Schema):
    weight = Number(1e-3, 1e3, 2.0, "How much a miss counts.", assumed=limits.TARGET_WEIGHT)


def _value(kind: str, low: float, high: float, example: float) -> Nominal:
    return Nominal(kind, low, high, example, "What it should be.", required=True)


def _miss(kind: str, most: float, example: float) -> Nominal:
    words = "How far off still meets it."
    return Nominal(kind, 0, most, example, words, exclusive_minimum=True, required=True)


class WeightTargetSchema(_TargetSchema):
    """A target of the weight."""

    value = _value("weight", 4, 20, 15)
    tolerance = _miss("weight", 20, 0.05)


class LengthTargetSchema(_TargetSchema):
    """A target of a radius of gyration, of a difference of two, or of an arc."""

    value = _value("length", 0, 13.5, 2.5)
    tolerance = _miss("length", 9.5, 0.005)


class ImbalanceTargetSchema(_TargetSchema):
    """A target of the top weight."""

    value = _value("imbalance", 0, 64, 2.5)
    tolerance = _miss("imbalance", 64, 0.25)


class RatioTargetSchema(_TargetSchema):
    """A target of the asymmetry ratio."""

    value = _value("ratio", 0, 1, 0.3)
    tolerance = _miss("ratio", 1, 0.02)


class TargetsSchema(Schema):
    """What the numbers of the design should be."""

    weight = Part(WeightTargetSchema, "Weight.")
    rg = Part(LengthTargetSchema, "Radius of gyration about the low axis.")
    rg_intermediate = Part(LengthTargetSchema, "Radius of gyration about the intermediate axis.")
    rg_high = Part(LengthTargetSchema, "Radius of gyration about the high axis.")
    differential = Part(LengthTargetSchema, "Highest less lowest radius of gyration.")
    intermediate_differential = Part(LengthTargetSchema, "Highest less intermediate radius of gyration.")
    asymmetry_ratio = Part(RatioTargetSchema, "Intermediate differential over differential.")
    top_weight = Part(ImbalanceTargetSchema, "Reading with the center-of-gravity mark on top.")
    pin_to_cg = Part(LengthTargetSchema, "Arc from pin to center-of-gravity mark.")
    pin_to_low_rg_axis = Part(LengthTargetSchema, "Arc from pin to low axis.")
    mark_to_high_rg_axis = Part(LengthTargetSchema, "Arc from mass-bias mark to high axis.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for one target at least."""
        if not loaded and not errors:
            add_error(errors, (SCHEMA,), f"must hold at least one of {', '.join(words.NUMBERS)}")


def _solid_names() -> Several:
    return Several(
        _name("Name of a solid."),
        1,
        limits.SOLIDS_MAXIMUM,
        "Solids of which the number is one and the same.",
        required=True,
    )


class ParameterSchema(Schema):
    """A number of the design that may move between two bounds."""

    solids = _solid_names()
    field = Choice(
        ("density", *words.SIZES, *words.FACTORS, *words.POSITIONS),
        "Which of the solids' numbers.",
        required=True,
    )
    lower = KindOfField(required=True, description="Least value.", example=1.8)
    upper = KindOfField(required=True, description="Greatest value.", example=3.2)

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Read the bounds in the field's unit, and compare them."""
        resolve(loaded, errors, ("lower", "upper"), _bound)
        _check_bounds(loaded, errors)


def _check_bounds(loaded: Mapping[str, Any], errors: Errors) -> None:
    lower, upper = loaded.get("lower"), loaded.get("upper")
    if isinstance(lower, Quantity) and isinstance(upper, Quantity) and lower.value >= upper.value:
        add_error(errors, ("upper",), f"must be more than lower, {lower.value:g}; got {upper.value:g}")


class TradeOffSchema(Schema):
    """The front of two targets that conflict, the others kept."""

    first = Choice(words.NUMBERS, "One target.", required=True)
    second = Choice(words.NUMBERS, "The other.", required=True)
    points = Whole(2, limits.FRONT_MAXIMUM, 9, "Points of the front.", assumed=limits.FRONT)


class SolveSchema(Schema):
    """Find designs that meet targets."""

    targets = Part(TargetsSchema, "What should come out.", required=True)
    parameters = Several(
        Part(ParameterSchema, "One parameter."), 1, limits.PARAMETERS_MAXIMUM, "What may move.", required=True
    )
    seed = seed()
    starts = Whole(
        1,
        limits.STARTS_MAXIMUM,
        12,
        "Places to search from, the design itself the first.",
        assumed=limits.STARTS,
    )
    keep = Whole(1, limits.SOLUTIONS_MAXIMUM, 5, "Most solutions to give.", assumed=limits.SOLUTIONS)
    trade_off = Part(TradeOffSchema, "A front to follow as well.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Hold the front to the targets."""
        front, targets = loaded.get("trade_off"), loaded.get("targets")
        if not isinstance(front, dict) or not isinstance(targets, dict):
            return
        known = set(targets) | set(errors.get("targets", {}))
        for name in ("first", "second"):
            if name in front and front[name] not in known:
                add_error(errors, ("trade_off", name), f"must be one of the targets, {', '.join(targets)}")
        if "first" in front and front.get("second") == front["first"]:
            add_error(errors, ("trade_off", "second"), "must be another target than first")


class DensityParameterSchema(Schema):
    """A density that may move between two bounds."""

    solids = _solid_names()
    lower = _density("Least density.", 0.7, required=True)
    upper = _density("Greatest density.", 1.4, required=True)

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Compare the bounds."""
        _check_bounds(loaded, errors)


class FamilySchema(Schema):
    """The same shape in other weights, by densities alone, its numbers as near to the design's as can be."""

    weights = Several(
        Nominal("weight", 6, 20, 14, "A weight."),
        1,
        limits.FAMILY_MAXIMUM,
        "The weights.",
        assumed=list(limits.FAMILY_WEIGHTS),
    )
    parameters = Several(
        Part(DensityParameterSchema, "One density."),
        1,
        limits.PARAMETERS_MAXIMUM,
        "The densities that may move.",
        required=True,
    )
    seed = seed()


class ToleranceSchema(Schema):
    """How a number of the design varies from ball to ball, about its nominal value."""

    solids = _solid_names()
    field = Choice(
        ("density", *words.SIZES, *words.FACTORS, *words.OFFSETS, *words.TILTS),
        "Which of the solids' numbers; offsets and tilts move the solids together.",
        required=True,
    )
    standard_deviation = KindOfField(description="Of a normal distribution.", example=0.02)
    half_width = KindOfField(description="Of a uniform distribution.", example=0.04)

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Read the width in the field's unit; ask for one of the two."""
        names = ("standard_deviation", "half_width")
        given = [name for name in names if name in loaded or name in errors]
        resolve(loaded, errors, names, _width)
        if len(given) != 1:
            add_error(errors, (SCHEMA,), "must hold either standard_deviation or half_width")


class ProductionSchema(Schema):
    """How tolerances spread the numbers, and what share of balls breaks which rule."""

    tolerances = Several(
        Part(ToleranceSchema, "One tolerance."),
        1,
        limits.TOLERANCES_MAXIMUM,
        "What varies, each by itself.",
        required=True,
    )
    samples = Whole(
        64,
        limits.DESIGN_SAMPLES_MAXIMUM,
        limits.DESIGN_SAMPLES,
        "Balls to draw (Sobol points).",
        assumed=limits.DESIGN_SAMPLES,
    )
    seed = seed()
    confidence = Number(
        0.5, 0.9999, limits.CONFIDENCE, "Confidence of the intervals.", assumed=limits.CONFIDENCE
    )


class DesignRulesSchema(Schema):
    """Which rulebook: the design is judged as made, for approval; drilled, for play."""

    body = Choice(words.BODIES, "The governing body.", default="usbc")
    on = Day(
        "2026-05-01",
        "Day of submission and of use; without it, the day the rulebook was compiled, which the "
        "answer names.",
    )
    overlay, overlays = overlay_fields()
    as_made = made_by_field()


class CompareSchema(Schema):
    """What to set beside the design: another design, another drilling, or both."""

    design = Part(DesignSchema, "The second design; default: the first.")
    drilling = Part(DrillingSchema, "The second drilling; default: the first.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for one of the two."""
        if not loaded and not errors:
            add_error(errors, (SCHEMA,), "must hold a design, a drilling or both")
        _require_layout(loaded.get("drilling"), errors, ())


def _require_layout(drilling: Any, errors: Errors, path: tuple[str, ...]) -> None:
    """A design has a pin and a mass-bias mark, which only a layout places under the grip."""
    here = (*path, "drilling")
    if isinstance(drilling, dict) and "layout" not in drilling and not has_error(errors, *here, "layout"):
        add_error(errors, (*here, "layout"), "missing; it places the design's pin and mark under the grip")


class DesignRequestSchema(Schema):
    """A design, and what is asked of it."""

    design = Part(DesignSchema, "The design.", required=True)
    drilling = Part(DrillingSchema, "A drilling through its layers; it needs a layout.")
    balance_arm = QuantityField(
        "length",
        0.5,
        8,
        3.2,
        f"Lever arm of the balance; default: the drilling's, or else {limits.BALANCE_ARM} in.",
    )
    rules = Part(DesignRulesSchema, "The rules to judge it by.", default={})
    compare = Part(CompareSchema, "What to compare it with.")
    solve = Part(SolveSchema, "Targets to meet.")
    family = Part(FamilySchema, "The same shape in other weights.")
    production = Part(ProductionSchema, "A tolerance study.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for a layout, a drilling to compare with, and one arm."""
        drilling, compare = loaded.get("drilling"), loaded.get("compare")
        _require_layout(drilling, errors, ())
        second = isinstance(compare, dict) and "drilling" in compare
        if second and drilling is None and not has_error(errors, "drilling"):
            add_error(errors, ("drilling",), "missing; compare has a drilling")
        arms = [part.get("balance_arm") for part in (loaded, drilling) if isinstance(part, dict)]
        if len(arms) == 2 and None not in arms and arms[0] != arms[1]:
            add_error(errors, ("balance_arm",), "must equal the drilling's")


DESIGN_REQUEST = DesignRequestSchema()


def unit_of(field: str) -> str:
    """Trade unit of a solid's field, as parameters and tolerances name it. Raises KeyError."""
    return KINDS[kind_of(field)].unit
