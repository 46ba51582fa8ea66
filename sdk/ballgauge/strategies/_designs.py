"""Designs: layered balls, and what is asked of them. The ranges are ours."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from typing import Any

from hypothesis import strategies as st

from ballgauge.strategies._balls import drillings
from ballgauge.strategies._fields import (
    Strategy,
    builds,
    draws,
    members_of,
    numbers,
    of_schema,
    walked,
    written,
)
from ballgauge_schemas.design.request import (
    SHAPES,
    AcrossSchema,
    CompareSchema,
    CylinderSchema,
    DensityTargetSchema,
    DesignRequestSchema,
    DesignRulesSchema,
    DesignSchema,
    EllipsoidSchema,
    FamilyChangeSchema,
    FamilySchema,
    FrustumSchema,
    LengthTargetSchema,
    Nominal,
    ParameterSchema,
    ProductionSchema,
    RotationSchema,
    SetSchema,
    SolveSchema,
    SphereSchema,
    TargetsSchema,
    ToleranceSchema,
    VariantSchema,
    WeightTargetSchema,
)
from ballgauge_schemas.shared.base import Part

_CORE = (2.2, 3.0)
_CORES: dict[type[Any], dict[str, tuple[float, float]]] = {
    EllipsoidSchema: {"length_x": (2.5, 4.0), "length_y": (3.0, 4.5), "length_z": (3.5, 5.2)},
    CylinderSchema: {"diameter": (2.0, 3.0), "height": (3.0, 4.5)},
    FrustumSchema: {"bottom_diameter": (2.5, 3.2), "top_diameter": (1.5, 2.4), "height": (2.5, 4.5)},
    SHAPES["cone"]: {"diameter": (2.5, 3.5), "height": (2.5, 4.5)},
    SHAPES["rounded_box"]: {
        "length_x": (1.5, 2.5),
        "length_y": (1.5, 2.5),
        "length_z": (2.0, 4.0),
        "rounding": (0.05, 0.5),
    },
}


def _point(spread: float) -> Strategy:
    return st.tuples(*[numbers(-spread, spread, example=0.0)] * 3).map(list)


@builds(RotationSchema)
def _rotation() -> Strategy:
    axes = st.sampled_from([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.3, 0.4, 1.0]])
    turned = walked(RotationSchema, leave=["z", "x"], take=["axis", "angle"], given={"axis": axes})
    return turned | walked(RotationSchema, leave=["axis", "angle", "x"], take=["z"], given={"z": axes})


def _solid(schema: type[Any], name: str, density: tuple[float, float], **more: Any) -> Strategy:
    given = {"name": st.just(name), **more.pop("given", {})}
    return walked(schema, narrow={"density": density, **more.pop("narrow", {})}, given=given, **more)


def _sphere(
    name: str, role: str, density: tuple[float, float], diameter: tuple[float, float] | None
) -> Strategy:
    return _solid(
        SphereSchema,
        name,
        density,
        narrow={} if diameter is None else {"diameter": diameter},
        leave=["position", "rotation", *(["diameter"] if diameter is None else [])],
        take=["role", *([] if diameter is None else ["diameter"])],
        given={"role": st.just(role)},
    )


@functools.cache
def _core() -> Strategy:
    given = {"role": st.just("inner_core"), "position": _point(0.2)}
    return st.one_of(
        [_solid(shape, "core", _CORE, narrow=narrow, given=given) for shape, narrow in _CORES.items()]
    )


@st.composite
def _design(draw: Any) -> dict[str, Any]:
    solids = [draw(_sphere("cover", "cover", (1.1, 1.25), None))]
    solids.append(draw(_sphere("filler", "outer_core", (0.7, 1.1), (6.8, 7.3))))
    solids.append(draw(_core()))
    if draw(st.booleans()):
        pin = {"position": st.just([0, 0, 3.6]), "role": st.just("pin")}
        size = {"diameter": (0.3, 0.5), "height": (0.8, 1.3)}
        solids.append(
            draw(
                _solid(
                    CylinderSchema, "pin", (1.1, 1.3), narrow=size, given=pin, take=pin, leave=["rotation"]
                )
            )
        )
    narrow = {"diameter": (8.5, 8.6)}
    return dict(
        draw(walked(DesignSchema, narrow=narrow, leave=["meshes"], given={"solids": st.just(solids)}))
    )


builds(DesignSchema)(_design)


def designs() -> Strategy:
    """Layered balls: cover, filler, core, perhaps a pin."""
    return of_schema(DesignSchema)


draws(DesignRulesSchema, leave=["overlay", "overlays"])
draws(CompareSchema, take=["design"], leave=["drilling"])


@builds(ParameterSchema)
def _parameter() -> Strategy:
    leave = [
        name for name in members_of(ParameterSchema) if name not in ("solids", "field", "lower", "upper")
    ]
    reader = Nominal("density", 0.01, 25, 1, "")
    ways = []
    for solid, low, high in (("core", 1.8, 3.2), ("filler", 0.5, 1.6)):
        bounds = {"lower": written(reader, low), "upper": written(reader, high)}
        given = {"solids": st.just([solid]), "field": st.just("density"), **bounds}
        ways.append(walked(ParameterSchema, take=list(given), leave=leave, given=given))
    return st.one_of(ways)


_TARGETS = {type(field.schema) for field in members_of(TargetsSchema).values() if isinstance(field, Part)}
_DRILLED = ("over", "take", "clear_of")


def _target(schema: type[Any], value: tuple[float, float], tolerance: tuple[float, float]) -> Strategy:
    narrow = {"value": value, "tolerance": tolerance}
    return walked(schema, narrow=narrow, take=list(narrow), leave=["at_least", "at_most"])


for _schema in _TARGETS:
    draws(_schema, take=["value", "tolerance"], leave=["at_least", "at_most"])


@builds(TargetsSchema)
def _targets() -> Strategy:
    weight = _target(WeightTargetSchema, (14.0, 16.0), (0.02, 0.5))
    rg = _target(LengthTargetSchema, (2.45, 2.65), (0.005, 0.1))
    densest = walked(
        DensityTargetSchema, narrow={"at_most": (3.0, 4.0)}, take=["at_most"], leave=["value", "at_least"]
    )
    drawn = {"weight": weight, "rg": rg, "max_density": densest}
    return walked(
        TargetsSchema, leave=set(members_of(TargetsSchema)) - set(drawn), take=["weight"], given=drawn
    )


@builds(SolveSchema)
def _solve() -> Strategy:
    parameters = st.lists(of_schema(ParameterSchema), min_size=1, max_size=1)
    narrow = {"starts": (1.0, 3.0)}
    leave = ["trade_off", *_DRILLED]
    return walked(SolveSchema, narrow=narrow, take=["starts"], leave=leave, given={"parameters": parameters})


@builds(FamilySchema)
def _family() -> Strategy:
    weights = st.sampled_from([[14], [14, "7 kg"], [13.5, 15, 16]])
    parameters = st.lists(of_schema(ParameterSchema), min_size=1, max_size=1)
    given = {"weights": weights, "parameters": parameters}
    return walked(FamilySchema, take=["weights"], leave=["hold", "changes", *_DRILLED], given=given)


_DISC = {"name": "disc", "shape": "cylinder", "density": 3.0, "diameter": 1.5, "height": 0.3}
_VARIANTS = (
    {"name": "without disc", "targets": {"weight": {"value": 15, "tolerance": 0.1}}},
    {"name": "with disc", "add": [{**_DISC, "position": [0, 0, -2.6]}]},
)


_CHANGES = ({"up_to": 12, "leave_out": ["pin"]}, {"up_to": "6 kg", "add": _VARIANTS[1]["add"]})
_ACROSS = ({"number": "rg", "within": "0.5 mm"}, {"number": "weight", "within": 0.05})
for _schema, _some in ((FamilyChangeSchema, _CHANGES), (VariantSchema, _VARIANTS), (AcrossSchema, _ACROSS)):
    builds(_schema)(functools.partial(st.sampled_from, _some))


@builds(SetSchema)
def _set() -> Strategy:
    variants = st.just(list(_VARIANTS))
    parameters = st.lists(of_schema(ParameterSchema), max_size=1)
    across = st.lists(of_schema(AcrossSchema), max_size=1)
    given = {"variants": variants, "parameters": parameters, "across": across}
    return walked(SetSchema, narrow={"starts": (1.0, 3.0)}, take=["starts"], leave=_DRILLED, given=given)


@st.composite
def _tolerance(draw: Any) -> dict[str, Any]:
    field, width = draw(st.sampled_from([("density", 0.02), ("offset_z", "0.4 mm"), ("tilt_x", "1 deg")]))
    way = draw(st.sampled_from(["standard_deviation", "half_width"]))
    return {"solids": ["core"], "field": field, way: width}


builds(ToleranceSchema)(_tolerance)


@builds(ProductionSchema)
def _production() -> Strategy:
    tolerances = st.lists(
        of_schema(ToleranceSchema), min_size=1, max_size=2, unique_by=lambda one: one["field"]
    )
    return walked(
        ProductionSchema,
        narrow={"samples": (64.0, 128.0), "confidence": (0.8, 0.99)},
        take=["samples"],
        given={"tolerances": tolerances},
    )


STUDIES = ("compare", "solve", "family", "set", "production")


@builds(DesignRequestSchema)
def design_requests(*, studies: Sequence[str] = STUDIES) -> Strategy:
    """Bodies of ``POST /v1/designs``: a design, drilled or not, with at most one of the `studies`.

    A study costs the service a second or more; ``studies=()`` leaves them out.
    """
    drilled = drillings(laid_out=True).map(_without_arm)
    kinds = [
        walked(
            DesignRequestSchema,
            leave=["layout_map", *(study for study in STUDIES if study != taken)],
            take=[] if taken is None else [taken],
            given={"drilling": drilled},
            narrow={"balance_arm": (2.5, 4.0)},
        )
        for taken in (None, *studies)
    ]
    return st.one_of(kinds)


def _without_arm(drilling: dict[str, Any]) -> dict[str, Any]:
    """The request has an arm of its own; two would have to agree."""
    return {name: member for name, member in drilling.items() if name != "balance_arm"}
