"""What a request may hold: every field with its unit, range and default, read off the contract's document."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import click

from ballgauge._command.paper import Paper

FIRST = "CheckedBall"
_PARTS = "#/components/schemas/"


def names(begun: str = "") -> list[str]:
    """The schemas of requests and their parts, by their beginning."""
    from ballgauge_schemas import openapi_document

    document = openapi_document()
    found: dict[str, None] = {}
    bodies = [
        operation["requestBody"].get("content", {})
        for path in document["paths"].values()
        for operation in path.values()
        if "requestBody" in operation
    ]
    pending = list(_named(bodies))
    while pending:
        name = pending.pop()
        if name not in found:
            found[name] = None
            pending += _named(document["components"]["schemas"].get(name, {}))
    return sorted(name for name in found if name.startswith(begun))


def _named(node: Any) -> Iterator[str]:
    if isinstance(node, Mapping):
        if str(node.get("$ref", "")).startswith(_PARTS):
            yield node["$ref"].removeprefix(_PARTS)
        for value in node.values():
            yield from _named(value)
    elif isinstance(node, list):
        for value in node:
            yield from _named(value)


def of(schema: str | None) -> list[dict[str, Any]]:
    """The fields of a schema. Raises click.BadParameter for one that is none."""
    from ballgauge_schemas import openapi_document

    known = {name.lower(): name for name in names()}
    name = known.get((schema or FIRST).lower())
    if name is None:
        raise click.BadParameter(
            f"there is no {schema!r}; there are {', '.join(known.values())}", param_hint="SCHEMA"
        )
    found = openapi_document()["components"]["schemas"][name]
    required = found.get("required", ())
    return [
        {
            "field": field, "kind": _kind(told), "range": _range(told), "required": field in required,
            "default": told.get("default", told.get("x-default")),
            "description": told.get("description", ""),
        }
        for field, told in found.get("properties", {}).items()
    ]  # fmt: skip


def _numbers(told: Mapping[str, Any]) -> Mapping[str, Any]:
    """The alternative of a field that is a plain number, or the field itself."""
    kinds: Sequence[Mapping[str, Any]] = told.get("oneOf") or told.get("anyOf") or [told]
    return next((each for each in kinds if each.get("type") in ("number", "integer")), told)


def _kind(told: Mapping[str, Any]) -> str:
    unit = told.get("x-unit")
    if unit and unit != "1":
        return str(unit)
    if "$ref" in told:
        return str(told["$ref"].removeprefix(_PARTS))
    if "enum" in told:
        return " | ".join(map(str, told["enum"]))
    if told.get("type") == "array":
        return f"list of {_kind(told.get('items', {}))}"
    if "oneOf" in told or "anyOf" in told:
        kinds = map(_kind, told.get("oneOf") or told["anyOf"])
        return " | ".join(dict.fromkeys(kind for kind in kinds if not kind.startswith("Quantity")))
    return str(told.get("format") or told.get("type") or "any")


def _range(told: Mapping[str, Any]) -> str:
    number = _numbers(told)
    low, high = (
        next((f"{mark}{number[name]:g}" for name, mark in pairs if name in number), "")
        for pairs in (
            (("minimum", ""), ("exclusiveMinimum", "over ")),
            (("maximum", ""), ("exclusiveMaximum", "under ")),
        )
    )
    if low and high:
        return f"{low} to {high}"
    if "maxLength" in told:
        return f"{told['maxLength']} characters"
    if "maxItems" in told:
        return f"{told.get('minItems', 0)} to {told['maxItems']}"
    return low or high


def tell(paper: Paper, found: Sequence[Mapping[str, Any]], schema: str | None) -> None:
    """Report the fields."""
    rows = [
        (
            each["field"] + (" *" if each["required"] else ""), each["kind"], each["range"],
            "" if each["default"] is None else str(each["default"]), each["description"],
        )
        for each in found
    ]  # fmt: skip
    paper.table(("field", "unit or kind", "range", "default", "what it is"), rows, schema or FIRST)
    paper.notes(['* is required. A number is in the unit; a text may have another: "6.85 kg".'])
    if schema is None:
        paper.notes([", ".join(names())], "Schemas")
