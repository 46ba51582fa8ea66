"""Defaults of the document: valid, read from one place, and what the engine does where a field is absent."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from typing import Any

import pytest
from marshmallow import EXCLUDE, ValidationError, fields, post_load, validate, validates_schema

from ballgauge_schemas import CHECK_REQUEST, DRILLING_REQUEST, LOT_REQUEST, example, example_names
from ballgauge_schemas.design.request import DESIGN_REQUEST, SolidField
from ballgauge_schemas.motion.lineup_request import LINEUP_REQUEST
from ballgauge_schemas.motion.request import MOTION_REQUEST
from ballgauge_schemas.shared.base import Part, Schema, Several, Text
from ballgauge_schemas.shared.documents import design_example, motion_example

REQUESTS = {
    "check": CHECK_REQUEST,
    "drilling": DRILLING_REQUEST,
    "lot": LOT_REQUEST,
    "design": DESIGN_REQUEST,
    "motion": MOTION_REQUEST,
    "lineup": LINEUP_REQUEST,
}


def with_default(schema: Schema, above: str) -> Iterator[tuple[str, fields.Field[Any]]]:
    """Every field below a schema that has a default, with its place."""
    for name, field in schema.load_fields.items():
        place = f"{above}/{name}"
        if "default" in field.metadata:
            yield place, field
        entry = field.inner if isinstance(field, Several) else field
        if isinstance(entry, Part):
            yield from with_default(entry.schema, place)
        elif isinstance(entry, SolidField):
            for solid in entry.schemas:
                yield from with_default(solid(), place)


DEFAULTS = {place: field for name, schema in REQUESTS.items() for place, field in with_default(schema, name)}


@pytest.mark.parametrize("place", DEFAULTS)
def test_a_default_is_what_its_own_field_takes(place: str) -> None:
    """Against the field: a default outside its range, or of another type, is refused by it."""
    field: Any = DEFAULTS[place]
    field.read(field.metadata["default"])


def filled(schema: Schema, given: dict[str, Any], leave: tuple[str, ...]) -> dict[str, Any]:
    """A request with every default written out, besides those of `leave`."""
    made = copy.deepcopy(given)
    for name, field in schema.load_fields.items():
        if name not in made and "default" in field.metadata and name not in leave:
            made[name] = copy.deepcopy(field.metadata["default"])
        entry = field.inner if isinstance(field, Several) else field
        if name in made and isinstance(entry, Part):
            several = made[name] if isinstance(field, Several) else [made[name]]
            several = [filled(entry.schema, each, leave) for each in several]
            made[name] = several if isinstance(field, Several) else several[0]
    return made


def numbers(answer: Any) -> Any:
    """An answer without what tells apart a stated number from an assumed one."""
    if isinstance(answer, dict):
        spoken = ("assumptions", "missing", "cautions", "arm_given")
        return {name: numbers(member) for name, member in answer.items() if name not in spoken}
    return [numbers(entry) for entry in answer] if isinstance(answer, list) else answer


def answers(app: Any, path: str, *requests: dict[str, Any]) -> list[Any]:
    found = [app.test_client().post(path, json=request) for request in requests]
    assert [answer.status_code for answer in found] == [200] * len(found), found[-1].json
    return [answer.json for answer in found]


CHECKS = [name for name in example_names(drillings=False) if "checks" not in example(name)]
DRILLINGS = [name for name in example_names(drillings=True) if "drillings" not in example(name)]


@pytest.mark.parametrize("name", CHECKS)
def test_a_check_without_a_default_is_the_check_with_it(app: Any, name: str) -> None:
    """Against the engine; a stated arm decides where an assumed one leaves a reading inconclusive."""
    request = example(name)
    full = filled(CHECK_REQUEST, request, ("balance_arm",))
    absent, given = answers(app, "/v1/checks", request, full)
    assert numbers(given) == numbers(absent)


@pytest.mark.parametrize("name", DRILLINGS)
def test_a_drilling_without_a_default_is_the_drilling_with_it(app: Any, name: str) -> None:
    """Against the engine, the arm among the defaults."""
    request = example(name)
    absent, given = answers(app, "/v1/drillings", request, filled(DRILLING_REQUEST, request, ()))
    assert numbers(given["derived"]["drilled"]) == numbers(absent["derived"]["drilled"])
    assert numbers(given["derived"]["balance"]) == numbers(absent["derived"]["balance"])


def test_a_design_without_a_default_is_the_design_with_it(app: Any) -> None:
    """Against the engine: mass properties and findings of a design, drilled."""
    request = design_example("skarn")
    absent, given = answers(app, "/v1/designs", request, filled(DESIGN_REQUEST, request, ()))
    assert numbers(given["properties"]) == numbers(absent["properties"])
    assert numbers(given["findings"]) == numbers(absent["findings"])


@pytest.mark.parametrize("settings", [{}, {"friction": {"dry": {}}}])
def test_a_motion_without_a_default_is_the_motion_with_it(app: Any, settings: dict[str, Any]) -> None:
    """Against the engine: surface, release, axis point, wear and the constants of the friction curve."""
    request = {**motion_example("motion"), "wear": {"deliveries": 20}, "settings": settings}
    request = {name: request[name] for name in ("ball", "bowler", "lane", "wear", "settings")}
    request["ball"] = {**request["ball"], "surface": {}}
    del request["ball"]["diameter"]
    full = filled(MOTION_REQUEST, {**request, "release": {}}, ())
    absent, given = answers(app, "/v1/motions", request, full)
    assert numbers(given["motion"]) == numbers(absent["motion"])


def test_what_marshmallow_would_run_and_a_schema_does_not_is_refused() -> None:
    """Against hooks, validators and options that would be overlooked in silence."""
    with pytest.raises(TypeError, match="hooks"):

        class Loading(Schema):
            @post_load
            def more(self, data: Any, **_: Any) -> Any:
                return data

    with pytest.raises(TypeError, match="hooks"):

        class Validating(Schema):
            @validates_schema
            def more(self, data: Any, **_: Any) -> None:
                raise ValidationError("never")

    with pytest.raises(TypeError, match="validate"):

        class Limited(Schema):
            name = fields.String(validate=validate.Length(max=3))

    with pytest.raises(TypeError, match="unknown"):

        class Lenient(Schema):
            class Meta:
                unknown = EXCLUDE

    with pytest.raises(TypeError, match="error_messages"):

        class Worded(Schema):
            error_messages = {"unknown": "never"}  # noqa: RUF012 - as marshmallow has it

    with pytest.raises(TypeError, match="partial"):
        Schema(partial=True)  # type: ignore[call-arg]

    with pytest.raises(TypeError, match="data_key"):

        class Renamed(Schema):
            name = Text("e", "d")
            other = fields.String(data_key="more")
