"""Whatever stands where an entry should: a refusal that names it, and never another failure."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from contextlib import suppress
from typing import Any

import pytest
from marshmallow import ValidationError, fields

from ballgauge_schemas.check.request import CHECK_REQUEST
from ballgauge_schemas.design.request import DESIGN_REQUEST
from ballgauge_schemas.lot.request import LOT_REQUEST
from ballgauge_schemas.motion.request import MOTION_REQUEST
from ballgauge_schemas.record.documents import RECORD_PRINT, RECORD_REQUEST, RECORD_VERIFICATION

REQUESTS = {
    type(schema).__name__: schema
    for schema in (
        *(CHECK_REQUEST, DESIGN_REQUEST, LOT_REQUEST, MOTION_REQUEST),
        *(RECORD_PRINT, RECORD_REQUEST, RECORD_VERIFICATION),
    )
}
JUNK: tuple[Any, ...] = ({}, [], None, 1, "x")


def _whole(field: Any, depth: int = 0) -> Any:
    """Something of a field's shape, with every member that it may have."""
    if isinstance(field, fields.Nested):
        held = {} if depth > 6 else field.schema.load_fields
        return {name: _whole(each, depth + 1) for name, each in held.items()}
    if isinstance(field, fields.List):
        return [_whole(field.inner, depth + 1) for _ in range(2)]
    examples = field.metadata.get("examples") or [1]
    return copy.deepcopy(examples[0])


def _places(document: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Every place of a document, of a list the first alone."""
    members = document.items() if isinstance(document, dict) else enumerate(document[:1])
    for key, value in members:
        yield (*path, key)
        if isinstance(value, dict | list):
            yield from _places(value, (*path, key))


@pytest.mark.parametrize("name", REQUESTS)
def test_junk_in_any_place_is_refused_in_words(name: str) -> None:
    schema = REQUESTS[name]
    document = {member: _whole(field) for member, field in schema.load_fields.items()}
    places = list(_places(document))
    assert places
    for place in places:
        *above, last = place
        changed = copy.deepcopy(document)
        held: Any = changed
        for key in above:
            held = held[key]
        for junk in JUNK:
            held[last] = junk
            if isinstance(held, list):
                held[:] = [junk, junk]
            # Any other exception fails the test.
            with suppress(ValidationError):
                schema.load(changed)
