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
    given,
    has_error,
    require,
    seed,
)
from ballgauge_schemas.shared.drilling import DrillingSchema
from ballgauge_schemas.shared.overlay import made_by_field, overlay_fields
from ballgauge_schemas.shared.quantity import KINDS, NominalField, Quantity, QuantityField
from ballgauge_schemas.shared.report import ReportFields
from ballgauge_schemas.shared.wording import json_type, listed, shown_text

DESIGN_ANSWERS = (
    "application/json", "application/x-ndjson", "text/html", "application/pdf", "image/svg+xml", "model/3mf",
    "model/stl", "model/step", "application/zip",
)  # fmt: skip
"""Media types of what is told of a design: numbers, the same with progress, its report, its drawing, its
solids, and an archive of them."""

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
    return Several(entry, 3, description, minimum=3)


def kind_of(field: str) -> str:
    """Kind of quantity of a solid's field, as parameters and tolerances name it. Raises KeyError."""
    return _KINDS[field]


_KINDS: Mapping[str, str] = {
    "density": "density",
    **dict.fromkeys((*words.SIZES, *words.POSITIONS, *words.OFFSETS), "length"),
    **dict.fromkeys(words.POINT_FIELDS, "length"),
    **dict.fromkeys((*words.FACTORS, words.GROUP_SCALE, words.RATIO), "ratio"),
    **dict.fromkeys(words.TURNS, "angle"),
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
                "oneOf": [{"type": "number", "minimum": -180, "maximum": 100}, *refs],
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
    kind = kind_of(field)
    if kind == "density":
        return _density("", 1)
    if kind == "ratio":
        return Nominal("ratio", 0.01, 100, 1, "")
    if kind == "angle":
        return Nominal("angle", -180, 180, 1, "")
    signed = field in (*words.POSITIONS, *words.OFFSETS, words.POINT_FIELDS[0])
    return _length("", 1, -9.5 if signed else 0.0 if field in ("rounding", "point_radius") else 0.001)


_WIDEST = {"density": 25.0, "length": 9.5, "ratio": 1.0, "angle": 45.0}
"""Greatest width of a tolerance, and of a parameter about its present value."""


@functools.lru_cache(maxsize=64)
def _width(field: str) -> QuantityField:
    """Reads the width of a tolerance."""
    kind = kind_of(field)
    return Nominal(kind, 0, _WIDEST[kind], 1, "", exclusive_minimum=True)


def resolve(
    loaded: dict[str, Any],
    errors: Errors,
    names: Iterable[str],
    reader: Callable[[str], QuantityField],
    of: str = "field",
) -> None:
    """Read the `KindOfField` members of an object with the reader of what it is `of`; add the errors."""
    for name in names:
        raw = loaded.pop(name, None)
        if raw is None or of not in loaded:
            continue
        try:
            loaded[name] = reader(loaded[of]).read(raw)
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
        ways = given(("axis", "angle", "z", "x"), loaded, errors)
        if ways not in (["axis", "angle"], ["z"], ["z", "x"]):
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


class EllipsoidSchema(_SolidSchema, whole=True):
    """An ellipsoid."""

    shape = Choice(("ellipsoid",), "The shape.")
    length_x = _length("Full length along its own x.", 3.7)
    length_y = _length("Full length along its own y.", 4.4)
    length_z = _length("Full length along its own z.", 5.2)


class CylinderSchema(_SolidSchema, whole=True):
    """A cylinder about its own z; a disc is a flat one."""

    shape = Choice(("cylinder",), "The shape.")
    diameter = _length("Diameter.", 2.4)
    height = _length("Height.", 0.36)


class ConeSchema(_SolidSchema, whole=True):
    """A cone about its own z, the base at z = -height/2."""

    shape = Choice(("cone",), "The shape.")
    diameter = _length("Diameter of the base.", 2.0)
    height = _length("Height.", 1.5)


class FrustumSchema(_SolidSchema, whole=True):
    """A cone cut parallel to its base, about its own z, the bottom at z = -height/2."""

    shape = Choice(("frustum",), "The shape.")
    bottom_diameter = _length("Diameter at the bottom.", 3.0)
    top_diameter = _length("Diameter at the top.", 2.0)
    height = _length("Height.", 1.5)


class ProfileSchema(_SolidSchema):
    """A polyline turned about the solid's own z: stacked frustums."""

    shape = Choice(("profile",), "The shape.", required=True)
    points = Several(
        Several(_length("Height along z, or radius.", 1.5, -9.5, 9.5), 2, "Height and radius.", minimum=2),
        limits.POINTS_MAXIMUM,
        "Points of height and radius, heights rising; two at one height make a step.",
        minimum=2,
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
    """A closed surface, triangles or STEP: in the form's part of that file name, or in the JSON as base64."""

    name = _name("Name by which solids use it.", required=True)
    unit = Choice(
        words.MESH_UNITS,
        "What one unit of its numbers is; 3MF and STEP state it themselves, and it may only agree.",
    )
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
        """Ask for one source, a format where no file's name tells it, and a unit where no file does."""
        sources = given(("file", "data"), loaded, errors)
        if len(sources) != 1:
            add_error(errors, (SCHEMA,), "must hold either file or data")
        if "format" not in loaded and "format" not in errors:
            ending = loaded.get("file", "").rpartition(".")[2].lower().replace("stp", "step")
            if ending in words.MESH_FORMATS:
                loaded["format"] = ending
            elif sources:
                add_error(errors, ("format",), f"missing; give {listed(words.MESH_FORMATS, 'or')}")
        if "unit" not in loaded and "unit" not in errors and loaded.get("format") not in words.OWN_UNITS:
            add_error(errors, ("unit",), REQUIRED)


class DesignSchema(Schema):
    """A layered ball: an ordered list of solids, the ball first, each displacing what lies beneath it."""

    name = Text("Ostrel Works Skarn", "Name of the design, for the reader.")
    diameter = _length("Diameter of the ball.", 8.58, 7.5, 9.5, required=True)
    meshes = Several(
        Part(MeshSchema, "One mesh."), limits.MESHES_MAXIMUM, "Meshes that solids use.", default=[]
    )
    solids = Several(
        SolidField(), limits.SOLIDS_MAXIMUM, "The solids, the ball first.", minimum=1, required=True
    )

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

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for a tolerance, alone or with a value, or for limits."""
        limited, valued = (given(names, loaded, errors) for names in (("at_least", "at_most"), ("value",)))
        if limited and valued:
            add_error(errors, ("value",), "must not be given together with at_least or at_most")
        elif not limited and not given(("tolerance",), loaded, errors):
            add_error(errors, ("tolerance",), "missing; how far off still meets it" if valued else REQUIRED)
        low, high = loaded.get("at_least"), loaded.get("at_most")
        if isinstance(low, Quantity) and isinstance(high, Quantity) and low.value > high.value:
            add_error(
                errors, ("at_most",), f"must not be less than at_least, {low.value:g}; got {high.value:g}"
            )


def _members(
    kind: str, low: float, high: float, most: float, *examples: float
) -> tuple[Nominal, Nominal, Nominal, Nominal]:
    """Value, tolerance, at_least and at_most of a target of one kind, with an example each."""
    valued = "What it should be; without limits and without this, what the design has now."
    missed = "How far off still meets the value; beside a limit, what counts as one miss."
    value, tolerance, at_least, at_most = examples
    return (
        Nominal(kind, low, high, value, valued),
        Nominal(kind, 0, most, tolerance, missed, exclusive_minimum=True),
        Nominal(kind, low, high, at_least, "Limit from below, in place of a value."),
        Nominal(kind, low, high, at_most, "Limit from above, in place of a value."),
    )


class WeightTargetSchema(_TargetSchema):
    """A target of the weight."""

    value, tolerance, at_least, at_most = _members("weight", 4, 20, 20, 15, 0.05, 14.9, 16)


class LengthTargetSchema(_TargetSchema):
    """A target of a radius of gyration, of a difference of two, of an arc, or of a depth."""

    value, tolerance, at_least, at_most = _members("length", 0, 13.5, 9.5, 2.5, 0.005, 2.46, 2.8)


class ImbalanceTargetSchema(_TargetSchema):
    """A target of the top weight."""

    value, tolerance, at_least, at_most = _members("imbalance", 0, 64, 64, 2.5, 0.25, 2, 4)


class ReadingTargetSchema(_TargetSchema):
    """A target of a balance reading of the drilled ball, which has a sign."""

    value, tolerance, at_least, at_most = _members("imbalance", -64, 64, 64, 0, 0.25, -3, 3)


class RatioTargetSchema(_TargetSchema):
    """A target of the asymmetry ratio."""

    value, tolerance, at_least, at_most = _members("ratio", 0, 1, 1, 0.3, 0.02, 0.2, 0.4)


class DensityTargetSchema(_TargetSchema):
    """A target of a density."""

    value, tolerance, at_least, at_most = _members("density", 0.01, 25, 25, 1.3, 0.02, 0.7, 3.8)


class ClearanceTargetSchema(_TargetSchema):
    """A target of the clearance of the holes, which is negative where one enters a solid."""

    value, tolerance, at_least, at_most = _members("length", -9.5, 9.5, 9.5, 0.1, 0.05, 0, 1)


class TargetsSchema(Schema):
    """What the numbers of a design should be, as made and drilled."""

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
    mean_density = Part(DensityTargetSchema, "Mean density.")
    max_density = Part(DensityTargetSchema, "Density of the densest solid.")
    cover_depth_shallowest = Part(LengthTargetSchema, "Least depth of cover over the core.")
    cover_depth_deepest = Part(LengthTargetSchema, "Greatest depth of cover over the core.")
    drilled_weight = Part(WeightTargetSchema, "Weight, drilled.")
    drilled_rg = Part(LengthTargetSchema, "Radius of gyration about the low axis, drilled.")
    drilled_rg_intermediate = Part(LengthTargetSchema, "The same about the intermediate axis.")
    drilled_rg_high = Part(LengthTargetSchema, "The same about the high axis.")
    drilled_differential = Part(LengthTargetSchema, "Differential, drilled.")
    drilled_intermediate_differential = Part(LengthTargetSchema, "Intermediate differential, drilled.")
    drilled_asymmetry_ratio = Part(RatioTargetSchema, "Asymmetry ratio, drilled.")
    drilled_top = Part(ReadingTargetSchema, "Top weight, drilled; positive toward the grip.")
    drilled_side = Part(ReadingTargetSchema, "Side weight, drilled; positive toward the positive axis point.")
    drilled_finger = Part(ReadingTargetSchema, "Finger weight, drilled; positive toward the fingers.")
    clearance = Part(ClearanceTargetSchema, "Least distance of the holes from the solids of `clear_of`.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for one target at least."""
        if not loaded and not errors:
            add_error(errors, (SCHEMA,), f"must hold at least one of {', '.join(words.TARGETS)}")


def target_kind(number: str) -> str:
    """Kind of quantity of a number that targets can name. Raises KeyError."""
    field = _TARGET_FIELDS[number].schema.fields["tolerance"]
    assert isinstance(field, QuantityField)
    return field.kind


_TARGET_FIELDS: Mapping[str, Part] = {
    name: field for name, field in TargetsSchema._declared_fields.items() if isinstance(field, Part)
}


def _needs_drilling(targets: Any) -> list[str]:
    """The targets that only a drilled ball has."""
    held = (*words.DRILLED_NUMBERS, words.CLEARANCE)
    return [name for name in held if isinstance(targets, dict) and name in targets]


class _HeldSchema(Schema):
    over = Several(
        Part(DrillingSchema, "A drilling; it needs a layout."),
        limits.OVER_MAXIMUM,
        "Drillings that targets of the drilled ball are held over; default: the request's.",
        minimum=1,
    )
    take = Choice(
        words.TAKES,
        "Whether such a target is held for each drilling, the worst case, or for the mean of them.",
        default="worst",
    )
    clear_of = Several(
        _name("Name of a solid.", "disc"),
        limits.SOLIDS_MAXIMUM,
        "Solids that the clearance is measured from; default: all but the cover. Of a solid that is not "
        "convex, its convex hull counts.",
        minimum=1,
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for a layout in every drilling."""
        for at, drilling in enumerate(loaded.get("over", ())):
            require(drilling, ("layout",), errors, ("over", at), NEEDS_LAYOUT)


NEEDS_LAYOUT = "missing; it places the design's pin and mark under the grip"


def _solid_names() -> Several:
    return Several(
        _name("Name of a solid."),
        limits.SOLIDS_MAXIMUM,
        "Solids of which the number is one and the same.",
        minimum=1,
        required=True,
    )


class ParameterSchema(Schema):
    """Something of the design that may move, between two bounds or about its present value."""

    solids = _solid_names()
    field = Choice(
        words.PARAMETER_FIELDS,
        "A number of each solid, set to one and the same value; or of the solids as one body, from where "
        "they are: a shift (offset_x, offset_y, offset_z), a turn about the first solid's place (tilt_x, "
        "tilt_y, turn about z), or a scale about it (group_scale); or the ratio of two of its lengths; or a "
        "point of a profile.",
        default="density",
    )
    lower = KindOfField(description="Least value.", example=1.8)
    upper = KindOfField(description="Greatest value.", example=3.2)
    within = KindOfField(
        description="In place of both: how far it may move from its present value, either way.", example=0.2
    )
    point = Whole(0, limits.POINTS_MAXIMUM - 1, 2, "Of point_height and point_radius: which point, from 0.")
    length = Choice(words.SIZES, "Of a ratio: the length that is set.")
    over = Choice(words.SIZES, "Of a ratio: the length that it is a multiple of.")
    variants = Several(
        _name("Name of a variant.", "with disc"),
        limits.VARIANTS_MAXIMUM,
        "In a set: the variants in which it moves; default: all that have the solids.",
        minimum=1,
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Read the bounds in the field's unit, compare them, and ask for what the field needs."""
        bounds = ("lower", "upper")
        told = given((*bounds, "within"), loaded, errors)
        if "field" in loaded:
            resolve(loaded, errors, bounds, _bound)
            resolve(loaded, errors, ("within",), _width)
            _check_needs(loaded, errors)
        if "within" not in told:
            for name in bounds:
                if name not in told:
                    add_error(errors, (name,), REQUIRED)
        elif len(told) > 1:
            add_error(errors, ("within",), "stands in place of lower and upper")
        _check_bounds(loaded, errors)


_NEEDS = {"point": words.POINT_FIELDS, "length": (words.RATIO,), "over": (words.RATIO,)}


def _check_needs(loaded: Mapping[str, Any], errors: Errors) -> None:
    field = loaded["field"]
    for name, takers in _NEEDS.items():
        if field in takers and not given((name,), loaded, errors):
            add_error(errors, (name,), f"missing; {field} needs it")
        elif field not in takers and name in loaded:
            add_error(errors, (name,), f"{field} takes none")
    if field == words.RATIO and "over" in loaded and loaded.get("length") == loaded["over"]:
        add_error(errors, ("over",), "must be another length")


def _check_bounds(loaded: Mapping[str, Any], errors: Errors) -> None:
    lower, upper = loaded.get("lower"), loaded.get("upper")
    if isinstance(lower, Quantity) and isinstance(upper, Quantity) and lower.value >= upper.value:
        add_error(errors, ("upper",), f"must be more than lower, {lower.value:g}; got {upper.value:g}")


def _parameters(minimum: int = 1, **more: Any) -> Several:
    return Several(
        Part(ParameterSchema, "One parameter."),
        limits.PARAMETERS_MAXIMUM,
        "What may move.",
        minimum=minimum,
        **more,
    )


def _starts() -> Whole:
    return Whole(
        1,
        limits.STARTS_MAXIMUM,
        12,
        "Places to search from, the design itself the first.",
        assumed=limits.STARTS,
    )


def _keep() -> Whole:
    return Whole(1, limits.SOLUTIONS_MAXIMUM, 5, "Most solutions to give.", assumed=limits.SOLUTIONS)


class TradeOffSchema(Schema):
    """The front of two targets that conflict, the others kept."""

    first = Choice(words.TARGETS, "One target.", required=True)
    second = Choice(words.TARGETS, "The other.", required=True)
    points = Whole(2, limits.FRONT_MAXIMUM, 9, "Points of the front.", assumed=limits.FRONT)


class SolveSchema(_HeldSchema):
    """Find designs that meet targets."""

    targets = Part(TargetsSchema, "What should come out.", required=True)
    parameters = _parameters(required=True)
    seed = seed()
    starts = _starts()
    keep = _keep()
    trade_off = Part(TradeOffSchema, "A front to follow as well.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Hold the front to the targets."""
        super().check(loaded, errors)
        front, targets = loaded.get("trade_off"), loaded.get("targets")
        if not isinstance(front, dict) or not isinstance(targets, dict):
            return
        known = set(targets) | set(errors.get("targets", {}))
        for name in ("first", "second"):
            if name in front and front[name] not in known:
                add_error(errors, ("trade_off", name), f"must be one of the targets, {', '.join(targets)}")
        if "first" in front and front.get("second") == front["first"]:
            add_error(errors, ("trade_off", "second"), "must be another target than first")


class ChangeSchema(Schema):
    """Parts left out, put in place of others, or added on top of all, in this order."""

    leave_out = Several(
        _name("Name of a solid.", "disc"), limits.SOLIDS_MAXIMUM, "Solids that are not there.", default=[]
    )
    replace = Several(
        SolidField(), limits.SOLIDS_MAXIMUM, "Solids in the place of those of the same names.", default=[]
    )
    add = Several(
        SolidField(), limits.SOLIDS_MAXIMUM, "More solids, which displace what lies beneath them.", default=[]
    )


class FamilyChangeSchema(ChangeSchema):
    """Another core, or other parts, in the balls of a family up to a weight."""

    up_to = Nominal("weight", 6, 20, 12, "In balls of this weight and below.", required=True)


class FamilySchema(_HeldSchema):
    """The design in other weights, what is held as near to the design's own as can be."""

    weights = Several(
        Nominal("weight", 6, 20, 14, "A weight."),
        limits.FAMILY_MAXIMUM,
        "The weights.",
        minimum=1,
        assumed=list(limits.FAMILY_WEIGHTS),
    )
    parameters = _parameters(required=True)
    hold = Part(
        TargetsSchema,
        "What is held, by default at the design's own values; default: "
        + " and ".join(f"{name} within {most:g} in" for name, most in limits.FAMILY_HELD.items())
        + ".",
    )
    changes = Several(
        Part(FamilyChangeSchema, "One change."),
        limits.FAMILY_CHANGES_MAXIMUM,
        "Other parts in lighter balls; of several, the one of the least weight that is not below the ball's.",
        default=[],
    )
    seed = seed()

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Refuse a weight that is held, and two changes from one weight."""
        super().check(loaded, errors)
        if isinstance(loaded.get("hold"), dict) and "weight" in loaded["hold"]:
            add_error(errors, ("hold", "weight"), "the weights are asked for by themselves")
        seen = set()
        for at, change in enumerate(loaded.get("changes", ())):
            weight = change.get("up_to")
            if isinstance(weight, Quantity) and weight.value in seen:
                add_error(errors, ("changes", at, "up_to"), "another change has this weight")
            elif isinstance(weight, Quantity):
                seen.add(weight.value)


class VariantSchema(ChangeSchema, _HeldSchema):
    """One ball of a set: the shared design with parts left out, replaced or added, and its targets."""

    name = _name("Name of the variant, no other's in the set.", "with disc", required=True)
    targets = Part(TargetsSchema, "What its numbers should be.")


class AcrossSchema(Schema):
    """A number that should be the same in several variants."""

    number = Choice(words.TARGETS, "The number.", required=True)
    variants = Several(
        _name("Name of a variant.", "with disc"),
        limits.VARIANTS_MAXIMUM,
        "The variants; default: all of the set.",
        minimum=2,
    )
    within = KindOfField(
        description="How far apart the number may lie in any two of them.", example=0.0005, required=True
    )
    weight = Number(1e-3, 1e3, 2.0, "How much a miss counts.", assumed=limits.TARGET_WEIGHT)

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Read the distance in the number's unit."""
        resolve(loaded, errors, ("within",), _span, "number")


@functools.lru_cache(maxsize=64)
def _span(number: str) -> QuantityField:
    """Reads how far apart a number may lie."""
    return Nominal(target_kind(number), 0, 64, 1, "", exclusive_minimum=True)


class SetSchema(_HeldSchema):
    """Several balls that share solids and parameters, solved together and answered side by side."""

    variants = Several(
        Part(VariantSchema, "One ball."), limits.VARIANTS_MAXIMUM, "The balls.", minimum=2, required=True
    )
    parameters = _parameters(0, default=[])
    across = Several(
        Part(AcrossSchema, "One number."), limits.ACROSS_MAXIMUM, "What the balls share.", default=[]
    )
    seed = seed()
    starts = _starts()
    keep = _keep()

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Find doubled names, variants that are not there, and parameters without a target."""
        super().check(loaded, errors)
        variants = loaded.get("variants")
        if not isinstance(variants, list) or has_error(errors, "variants"):
            return
        _check_names(variants, errors, "variants")
        known = {variant.get("name") for variant in variants}
        for member in ("parameters", "across"):
            for at, each in enumerate(loaded.get(member) or ()):
                for place, name in enumerate(each.get("variants") or ()):
                    if name is not None and name not in known:
                        text = f"no variant is named {shown_text(name)}"
                        add_error(errors, (member, at, "variants", place), text)
        wanted = any("targets" in variant for variant in variants) or loaded.get("across")
        if loaded.get("parameters") and not wanted and not errors:
            add_error(errors, ("parameters",), "nothing is wanted of any variant, nor across them")


class LayoutMapSchema(Schema):
    """What each layout leaves: the request's drilling with other pin distances and drilling angles."""

    pin_to_pap = Several(
        Nominal("length", 0, 13.5, 4.5, "An arc."),
        limits.MAP_MAXIMUM,
        "Arcs from pin to positive axis point.",
        minimum=1,
        assumed=list(limits.MAP_PIN_TO_PAP),
    )
    drilling_angle = Several(
        Nominal("angle", 0, 180, 50, "An angle."),
        limits.MAP_MAXIMUM,
        "Drilling angles.",
        minimum=1,
        assumed=list(limits.MAP_DRILLING_ANGLE),
    )


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
        ways = given(names, loaded, errors)
        resolve(loaded, errors, names, _width)
        if len(ways) != 1:
            add_error(errors, (SCHEMA,), "must hold either standard_deviation or half_width")


class ProductionSchema(Schema):
    """How tolerances spread the numbers, and what share of balls breaks which rule."""

    tolerances = Several(
        Part(ToleranceSchema, "One tolerance."),
        limits.TOLERANCES_MAXIMUM,
        "What varies, each by itself.",
        minimum=1,
        required=True,
    )
    samples = Whole(
        limits.DESIGN_SAMPLES_MINIMUM,
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
        require_layout(loaded.get("drilling"), errors)


def require_layout(drilling: Any, errors: Errors) -> None:
    """Ask for a layout, which alone places pin and mass-bias mark of a design under the grip."""
    require(drilling, ("layout",), errors, ("drilling",), NEEDS_LAYOUT)
    layout = drilling.get("layout") if isinstance(drilling, dict) else None
    if isinstance(layout, dict) and "cg" in layout:
        text = "must not be given together with a design, which tells it"
        add_error(errors, ("drilling", "layout", "cg"), text)


class DesignReportSchema(ReportFields):
    """How a design's report and drawing are written; nothing of its own answer depends on it."""


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
    family = Part(FamilySchema, "The design in other weights.")
    set = Part(SetSchema, "Variants of the design that share parts, side by side.")
    layout_map = Part(LayoutMapSchema, "What each layout leaves of the drilled ball's numbers.")
    production = Part(ProductionSchema, "A tolerance study.")
    detail = Choice(
        words.DESIGN_DETAILS,
        "How much is computed of the design and its drilling. full: everything. numbers: the same numbers at "
        "once, for a drawing board, without what each solid adds; where solids cut each other off a common "
        "axis, and across holes, with fewer cells and a wider bound of the error, which is told.",
        default="full",
    )
    report = Part(DesignReportSchema, "How its report and drawing are written.", default={})

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for a layout, a drilling to compare with, one to hold targets over, and one arm."""
        drilling, compare = loaded.get("drilling"), loaded.get("compare")
        require_layout(drilling, errors)
        second = isinstance(compare, dict) and "drilling" in compare
        if second and drilling is None and not has_error(errors, "drilling"):
            add_error(errors, ("drilling",), "missing; compare has a drilling")
        if drilling is None and not has_error(errors, "drilling"):
            _check_undrilled(loaded, errors)
        arms = [part.get("balance_arm") for part in (loaded, drilling) if isinstance(part, dict)]
        if len(arms) == 2 and None not in arms and arms[0] != arms[1]:
            add_error(errors, ("balance_arm",), "must equal the drilling's")


def _check_undrilled(loaded: Mapping[str, Any], errors: Errors) -> None:
    """Without a drilling, targets of the drilled ball need drillings of their own, and a map has no holes."""
    if isinstance(loaded.get("layout_map"), dict):
        add_error(errors, ("drilling",), "missing; the map is of its layouts")
    asked: list[tuple[tuple[str | int, ...], Any, Any]] = [
        ((job, member), loaded.get(job), (loaded.get(job) or {}).get(member))
        for job, member in (("solve", "targets"), ("family", "hold"))
    ]
    every = loaded.get("set") or {}
    for at, variant in enumerate(every.get("variants") or ()):
        holder = variant if "over" in variant else every
        asked.append((("set", "variants", at, "targets"), holder, variant.get("targets")))
    for path, holder, targets in asked:
        for name in _needs_drilling(targets):
            if "over" not in holder and not has_error(errors, *path, name):
                add_error(errors, (*path, name), "needs a drilling, or some in over")
    for at, each in enumerate(every.get("across") or ()):
        over = all("over" in variant for variant in every.get("variants", ())) or "over" in every
        if _needs_drilling({each.get("number"): None}) and not over:
            add_error(errors, ("set", "across", at, "number"), "needs a drilling, or some in over")


DESIGN_REQUEST = DesignRequestSchema()


def unit_of(field: str) -> str:
    """Trade unit of a solid's field, as parameters and tolerances name it. Raises KeyError."""
    return KINDS[kind_of(field)].unit
