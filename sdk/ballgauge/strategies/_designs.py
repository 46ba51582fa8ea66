"""Designs: layered balls, and what is asked of them. The ranges are ours."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from typing import Any

from hypothesis import strategies as st

from ballgauge.strategies._balls import drillings
from ballgauge.strategies._fields import Strategy, builds, members_of, numbers, of_schema, walked, written
from ballgauge_schemas.design.request import (
    SHAPES,
    CompareSchema,
    CylinderSchema,
    DensityParameterSchema,
    DesignRequestSchema,
    DesignRulesSchema,
    DesignSchema,
    EllipsoidSchema,
    FamilySchema,
    FrustumSchema,
    LengthTargetSchema,
    Nominal,
    ParameterSchema,
    ProductionSchema,
    RotationSchema,
    SolveSchema,
    SphereSchema,
    TargetsSchema,
    ToleranceSchema,
    WeightTargetSchema,
)

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


@builds(DesignRulesSchema)
def _rules() -> Strategy:
    return walked(DesignRulesSchema, leave=["overlay", "overlays"])


def _bounded(schema: type[Any], solids: list[str], field: str | None, low: float, high: float) -> Strategy:
    reader = Nominal("density", 0.01, 25, 1, "")
    given: dict[str, Strategy] = {"solids": st.just(solids)}
    given |= {name: written(reader, value) for name, value in (("lower", low), ("upper", high))}
    if field is not None:
        given["field"] = st.just(field)
    return walked(schema, given=given)


@builds(ParameterSchema)
def _parameter() -> Strategy:
    return _bounded(ParameterSchema, ["core"], "density", 1.8, 3.2)


@builds(DensityParameterSchema)
def _density_parameter() -> Strategy:
    filler = _bounded(DensityParameterSchema, ["filler"], None, 0.5, 1.6)
    return filler | _bounded(DensityParameterSchema, ["core"], None, 1.5, 3.5)


@builds(TargetsSchema)
def _targets() -> Strategy:
    weight = walked(WeightTargetSchema, narrow={"value": (14.0, 16.0), "tolerance": (0.02, 0.5)})
    rg = walked(LengthTargetSchema, narrow={"value": (2.45, 2.65), "tolerance": (0.005, 0.1)})
    leave = set(members_of(TargetsSchema)) - {"weight", "rg"}
    return walked(TargetsSchema, leave=leave, take=["weight"], given={"weight": weight, "rg": rg})


@builds(SolveSchema)
def _solve() -> Strategy:
    parameters = st.lists(of_schema(ParameterSchema), min_size=1, max_size=1)
    narrow = {"starts": (1.0, 3.0)}
    return walked(
        SolveSchema, narrow=narrow, take=["starts"], leave=["trade_off"], given={"parameters": parameters}
    )


@builds(FamilySchema)
def _family() -> Strategy:
    weights = st.sampled_from([[14], [14, "7 kg"], [13.5, 15, 16]])
    parameters = st.lists(of_schema(DensityParameterSchema), min_size=1, max_size=1)
    return walked(FamilySchema, take=["weights"], given={"weights": weights, "parameters": parameters})


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


@builds(CompareSchema)
def _compare() -> Strategy:
    return walked(CompareSchema, take=["design"], leave=["drilling"])


STUDIES = ("compare", "solve", "family", "production")


@builds(DesignRequestSchema)
def design_requests(*, studies: Sequence[str] = STUDIES) -> Strategy:
    """Bodies of ``POST /v1/designs``: a design, drilled or not, with at most one of the `studies`.

    A study costs the service a second or more; ``studies=()`` leaves them out.
    """
    drilled = drillings(laid_out=True).map(_without_arm)
    kinds = [
        walked(
            DesignRequestSchema,
            leave=[study for study in STUDIES if study != taken],
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
