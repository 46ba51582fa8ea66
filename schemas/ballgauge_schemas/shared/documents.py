"""The documents that come with the package: the OpenAPI document and example requests."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any


def openapi_document() -> dict[str, Any]:
    """Give the committed OpenAPI 3.1 document."""
    document: dict[str, Any] = json.loads(_text("openapi.json"))
    return document


class Examples:
    """Example requests of one kind, a file each in a folder of the package."""

    def __init__(self, folder: str) -> None:
        self.folder = folder

    def names(self) -> tuple[str, ...]:
        """Give their names, sorted."""
        found = [file.name for file in (files("ballgauge_schemas") / self.folder).iterdir()]
        return tuple(sorted(name.removesuffix(".json") for name in found if name.endswith(".json")))

    def text(self, name: str) -> str:
        """Give the example of this name as it is laid out. Raises KeyError where there is none."""
        if name not in self.names():
            raise KeyError(f"no example named {name!r}; there are {', '.join(self.names())}")
        return _text(f"{self.folder}/{name}.json")

    def request(self, name: str) -> dict[str, Any]:
        """Give the example of this name, as decoded JSON. Raises KeyError where there is none."""
        request: dict[str, Any] = json.loads(self.text(name))
        return request


_BALLS, _DESIGNS, _MOTIONS = Examples("examples"), Examples("example_designs"), Examples("example_motions")
_LINEUPS = Examples("example_lineups")
EXAMPLES = (_BALLS, _DESIGNS, _MOTIONS, _LINEUPS)
"""Those of every kind."""

example, example_text = _BALLS.request, _BALLS.text
design_example, design_example_names, design_example_text = _DESIGNS.request, _DESIGNS.names, _DESIGNS.text
motion_example, motion_example_names, motion_example_text = _MOTIONS.request, _MOTIONS.names, _MOTIONS.text
lineup_example, lineup_example_names, lineup_example_text = _LINEUPS.request, _LINEUPS.names, _LINEUPS.text


def example_names(*, drillings: bool | None = None) -> tuple[str, ...]:
    """Give the names of the examples for balls, sorted.

    With `drillings`, only those for `/v1/drillings`, whose names begin with "drilling", or only those for
    `/v1/checks`.
    """
    return tuple(name for name in _BALLS.names() if drillings in (None, name.startswith("drilling")))


def _text(path: str) -> str:
    return files("ballgauge_schemas").joinpath(path).read_text(encoding="utf-8")
