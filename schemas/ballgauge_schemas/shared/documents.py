"""The documents that come with the package: the OpenAPI document and example requests."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any


def openapi_document() -> dict[str, Any]:
    """Give the committed OpenAPI 3.1 document."""
    document: dict[str, Any] = json.loads(_text("openapi.json"))
    return document


def example_names(*, drillings: bool | None = None) -> tuple[str, ...]:
    """Give the names of the example requests, sorted.

    With `drillings`, only those for `/v1/drillings`, whose names begin with "drilling", or only those for
    `/v1/checks`.
    """
    found = sorted(
        file.name.removesuffix(".json") for file in (files("ballgauge_schemas") / "examples").iterdir()
    )
    return tuple(name for name in found if drillings in (None, name.startswith("drilling")))


def example_text(name: str) -> str:
    """Give the example request of this name as it is laid out. Raises KeyError where there is none."""
    if name not in example_names():
        raise KeyError(f"no example is named {name!r}; there are {', '.join(example_names())}")
    return _text(f"examples/{name}.json")


def example(name: str) -> dict[str, Any]:
    """Give the example request of this name, as decoded JSON. Raises KeyError where there is none."""
    request: dict[str, Any] = json.loads(example_text(name))
    return request


def _text(path: str) -> str:
    return files("ballgauge_schemas").joinpath(path).read_text(encoding="utf-8")
