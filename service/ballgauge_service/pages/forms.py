"""Forms read off the schemas: name, words, unit, range, description and example of each field."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import cache
from types import MappingProxyType
from typing import Any

from marshmallow import fields, missing

from ballgauge_schemas import CHECK, KINDS, QuantityField
from ballgauge_schemas.shared.approved_list import ApprovedListField
from ballgauge_schemas.shared.base import Choice, Day, Flag, Number, Part, Schema, Several, Text, Whole
from ballgauge_schemas.shared.overlay import OverlayField
from ballgauge_service import rulebooks
from ballgauge_service.core.units import METRIC
from ballgauge_service.pages import labels

_DIGITS = 6
COORDINATES = 3


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a form.

    `name` is its path with dots, as in the page's address; `control` is text, choice, flag, check or day.
    `default` is filled in; `assumed` is what the engine takes where empty. `least` and `most` are in the
    trade unit; `metric_size` is the trade unit in metric ones.
    """

    name: str
    control: str
    description: str
    required: bool
    default: str = ""
    assumed: str = ""
    words: tuple[str, ...] = ()
    unit: str = ""
    least: float | None = None
    most: float | None = None
    metric: str = ""
    metric_size: float = 1.0
    example: str = ""

    @property
    def key(self) -> str:
        """The last part of the name, which `labels` knows; those of a place keep their parent's."""
        parts = self.name.split(".")
        return ".".join(parts[-2:]) if "at" in parts[-2:-1] or parts[-1].isdigit() else parts[-1]

    def limits(self, *, metric: bool) -> tuple[str, str] | None:
        """Least and greatest value as texts, in the trade unit or the metric one."""
        if self.least is None or self.most is None:
            return None
        size = self.metric_size if metric else 1.0
        return _short(self.least * size), _short(self.most * size)


def _short(value: float) -> str:
    return f"{value:.{_DIGITS}g}".replace("-", "−")


def told(field: Field, translate: Callable[[str], str], label: str) -> dict[str, Any]:
    """A field as the scripts make it on the page, in the page's language."""
    return {
        **{name: value for name, value in asdict(field).items() if value not in ("", (), None)},
        "label": translate(label),
        "description": translate(field.description),
        "words": [[word, translate(labels.WORDS.get(word, word.replace("_", " ")))] for word in field.words],
    }


@cache
def check_fields() -> Mapping[str, Field]:
    """The fields of a check by name; those of one hole are under `drilling.holes.*`."""
    return MappingProxyType({field.name: field for field in _walk(CHECK, "")})


def chosen(names: Sequence[str]) -> list[Field]:
    """The fields of these names, in this order. Raises KeyError for a name that no schema has."""
    known = check_fields()
    return [known[name] for name in names]


def walk(schema: Schema, above: str = "") -> list[Field]:
    """The fields of a schema; those of a list's objects under `*`, those of a triple under their places."""
    return _walk(schema, above)


def field_at(schema: Schema, path: str) -> Field:
    """The field at a path of a schema. Raises KeyError where there is none."""
    *above, name = path.split(".")
    for step in above:
        part = schema.load_fields[step]
        if not isinstance(part, Part):
            raise KeyError(path)
        schema = part.schema
    return _field(path, schema.load_fields[name])


_LAYOUTS = ("pap_to_psa", "pin_to_val", "pin_below", "pin", "psa", "cg")
IN_REQUESTS_ALONE = frozenset(
    ("design", "drilling.grip.insert_thickness", *(f"drilling.layout.{name}" for name in _LAYOUTS))
)
"""What has no field on a page, and is kept as it was opened: a design as the ball's material, and further
ways to give a layout.
"""


def _walk(schema: Schema, above: str) -> list[Field]:
    found: list[Field] = []
    for name, field in schema.load_fields.items():
        path = f"{above}{name}"
        if path in IN_REQUESTS_ALONE:
            continue
        if isinstance(field, Part):
            found += _walk(field.schema, f"{path}.")
        elif isinstance(field, Several):
            # Days, overlays and an approved list have no field of a form.
            own = isinstance(field.inner, OverlayField) or isinstance(field, ApprovedListField)
            if isinstance(field.inner, Part) and not own:
                found += _walk(field.inner.schema, f"{path}.*.")
            elif field.minimum == field.maximum == COORDINATES:
                found += [_field(f"{path}.{at}", field.inner) for at in range(COORDINATES)]
        else:
            found.append(_field(path, field))
    return found


def _field(path: str, field: fields.Field[Any]) -> Field:
    said: dict[str, Any] = {
        "name": path,
        "description": field.metadata["description"],
        "required": field.required,
        "assumed": _shown_default(field) if field.load_default is missing else "",
        "example": _example(field.metadata["examples"][0]),
    }
    if isinstance(field, QuantityField):
        return Field(control="text", default=_default(field), **_quantity(field), **said)
    if isinstance(field, (Number, Whole)):
        return Field(control="text", default=_default(field), least=field.minimum, most=field.maximum, **said)
    if isinstance(field, Choice):
        return Field(control="choice", default=_default(field), words=field.words, **said)
    if isinstance(field, Flag):
        plain = field.load_default is not missing
        return Field(control="flag" if plain else "check", default=_default(field), **said)
    if isinstance(field, Day):
        return Field(control="day", **said)
    if path.endswith("overlay"):
        return Field(control="choice", words=tuple(sorted(rulebooks.overlays())), **said)
    assert isinstance(field, Text), path
    return Field(control="line", most=float(field.maximum), **said)


def _quantity(field: QuantityField) -> dict[str, Any]:
    unit = KINDS[field.kind].unit
    metric, size = METRIC.get(unit, (unit, 1.0))
    return {
        "unit": "" if unit == "1" else unit,
        "least": field.minimum,
        "most": field.maximum,
        "metric": "" if metric == "1" else metric,
        "metric_size": size,
    }


def _default(field: fields.Field[Any]) -> str:
    return "" if field.load_default is missing else _shown_default(field)


def _shown_default(field: fields.Field[Any]) -> str:
    value = field.metadata.get("default", "")
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(field, QuantityField) and value:
        # With its unit, so that it means the same whichever units are shown.
        return f"{value:g} {KINDS[field.kind].unit}"
    return f"{value:g}" if isinstance(value, (int, float)) else str(value)


def _example(value: Any) -> str:
    if isinstance(value, dict):
        return str(value.get("value", ""))
    return "" if isinstance(value, bool) else str(value)
