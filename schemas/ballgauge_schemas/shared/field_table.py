"""What a request may hold: every field with its unit, range and default, read off the contract's document."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from ballgauge_schemas.shared.documents import openapi_document

_PARTS = "#/components/schemas/"


def names(begun: str = "") -> list[str]:
    """The schemas of requests and their parts, by their beginning."""
    return sorted(name for name in walked() if name.startswith(begun))


def walked() -> list[str]:
    """The schemas of requests and their parts, each request before its parts."""
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
        name = pending.pop(0)
        if name not in found:
            found[name] = None
            pending += _named(document["components"]["schemas"].get(name, {}))
    return list(found)


def _named(node: Any) -> Iterator[str]:
    if isinstance(node, Mapping):
        if str(node.get("$ref", "")).startswith(_PARTS):
            yield node["$ref"].removeprefix(_PARTS)
        for value in node.values():
            yield from _named(value)
    elif isinstance(node, list):
        for value in node:
            yield from _named(value)


def rows(schema: str) -> list[dict[str, Any]]:
    """The fields of a schema: field, kind, range, required, default, description; KeyError for none."""
    found = openapi_document()["components"]["schemas"][schema]
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
