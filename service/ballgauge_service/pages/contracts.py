"""What the scripts of the Design, Motion and Line-up pages make their fields from: the contract, once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import cache
from typing import Any

from ballgauge_schemas.design.request import (
    SHAPES,
    DesignSchema,
    TargetsSchema,
    target_kind,
    unit_of,
)
from ballgauge_schemas.motion.lineup_request import LineupBallSchema
from ballgauge_schemas.motion.request import BoxBallSchema, OwnBowlerSchema, PrecisionSchema, ReleaseSchema
from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.ball import BallSchema
from ballgauge_schemas.shared.drilling import DrillingSchema
from ballgauge_schemas.shared.quantity import KINDS
from ballgauge_service.core.units import METRIC
from ballgauge_service.pages import forms, labels

Translate = Callable[[str], str]

PARAMETERS = ("density", *words.SIZES, *words.FACTORS, *words.POSITIONS)
"""What may move of one solid by itself."""
BODIES = (*words.OFFSETS, *words.TURNS, words.GROUP_SCALE)
"""How several solids may move as one body."""
ASSUMED: Mapping[str, Sequence[float]] = {
    "pin_to_pap": limits.MAP_PIN_TO_PAP,
    "drilling_angle": limits.MAP_DRILLING_ANGLE,
    "weights": limits.FAMILY_WEIGHTS,
    "points": (limits.FRONT,),
    "samples": (limits.DESIGN_SAMPLES,),
    "confidence": (limits.CONFIDENCE,),
}
"""What searches and studies take where nothing is typed."""


@cache
def shapes() -> dict[str, list[forms.Field]]:
    """The fields of each shape's solid."""
    return {name: forms.walk(schema()) for name, schema in SHAPES.items()}


@cache
def design_fields() -> list[forms.Field]:
    """The fields of a design itself, of its drilling and of a hole."""
    own = [field for field in forms.walk(DesignSchema(), "design.") if field.name.count(".") == 1]
    return [*own, *forms.walk(DrillingSchema(), "drilling.")]


@cache
def release_fields() -> list[forms.Field]:
    """The main numbers of a delivery."""
    return [field for field in forms.walk(ReleaseSchema(), "release.") if field.key in words.RELEASE]


@cache
def precision_fields() -> list[forms.Field]:
    """How well shots were measured."""
    return forms.walk(PrecisionSchema(), "calibrate.precision.")


BALL = (
    *("rg", "differential", "intermediate_differential", "layout.pin_to_pap", "surface.cover"),
    *("surface.grit", "surface.polished"),
)
BOWLER = ("name", "bowler", *(f"release.{name}" for name in words.RELEASE[:4]))


@cache
def lineup_fields() -> dict[str, list[forms.Field]]:
    """The columns of the tables of a line-up: balls by their box numbers, and bowlers."""
    own = [forms.field_at(LineupBallSchema(), name) for name in ("name", "new")]
    balls = [*own, *(forms.field_at(BoxBallSchema(), name) for name in BALL)]
    ticked = [replace(field, control="flag") if field.control == "check" else field for field in balls]
    return {"balls": ticked, "bowlers": [forms.field_at(OwnBowlerSchema(), name) for name in BOWLER]}


def every_field() -> Iterable[forms.Field]:
    """Every field that these pages make, for the catalogs."""
    yield from (field for fields in shapes().values() for field in fields)
    yield from design_fields()
    yield from release_fields()
    yield from precision_fields()
    yield from (field for fields in lineup_fields().values() for field in fields)


def of(page: str, translate: Translate) -> dict[str, Any] | None:
    """The contract of a page as its scripts read it; None for a page that has none."""
    if page == "motion":
        return {
            "fields": _told(release_fields(), translate, labels.RELEASE_LABELS),
            "precision": _told(precision_fields(), translate, labels.PRECISION_LABELS),
            "ball": list(BallSchema().fields),
            "box": list(BoxBallSchema().fields),
        }
    if page == "lineup":
        fields = lineup_fields().items()
        return {name: _told(several, translate, labels.LINEUP_LABELS) for name, several in fields}
    if page != "design":
        return None
    return {
        "fields": _told(design_fields(), translate, {**labels.LABELS, "name": labels.SOLID_LABELS["name"]}),
        "shapes": {name: _told(fields, translate, labels.SOLID_LABELS) for name, fields in shapes().items()},
        "titles": {name: translate(labels.WORDS[name]) for name in SHAPES},
        "targets": {name: _target(name, field, translate) for name, field in TargetsSchema().fields.items()},
        "parameters": {name: _number(name, unit_of(name), translate) for name in PARAMETERS},
        "bodies": {name: _number(name, unit_of(name), translate) for name in BODIES},
        "sizes": words.SIZES,
        "assumed": {name: "; ".join(f"{each:g}" for each in several) for name, several in ASSUMED.items()},
        "mesh": {
            "units": words.MESH_UNITS,
            "formats": words.MESH_FORMATS,
            "bytes": limits.MESH_BYTES_MAXIMUM,
            "count": limits.MESHES_MAXIMUM,
        },
    }


def _told(
    fields: Iterable[forms.Field], translate: Translate, names: Mapping[str, str]
) -> list[dict[str, Any]]:
    return [forms.told(field, translate, names[field.key]) for field in fields]


def _target(name: str, field: Any, translate: Translate) -> dict[str, Any]:
    """A number to reach, with a first value and tolerance: the contract's examples."""
    first = {
        member: field.schema.fields[of].metadata["examples"][0]
        for member, of in (("example", "value"), ("tolerance", "tolerance"))
    }
    return {**_number(name, KINDS[target_kind(name)].unit, translate), **first}


def _number(name: str, unit: str, translate: Translate) -> dict[str, Any]:
    metric, size = METRIC.get(unit, (unit, 1.0))
    label = labels.NUMBERS.get(name) or labels.SOLID_LABELS[name]
    shown = {"unit": "" if unit == "1" else unit, "metric": "" if metric == "1" else metric}
    return {"label": translate(label), **shown, "metric_size": size}
