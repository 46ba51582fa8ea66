"""Finding and reading the rule files beside this module."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from functools import lru_cache
from importlib.resources import files
from typing import Any

from marshmallow import ValidationError

from ballgauge_service.rulebooks.model import Rulebook
from ballgauge_service.rulebooks.schema import parse_rulebook

_OVERLAY_PREFIX = "overlay_"


class UnknownRulebookError(LookupError):
    """No rulebook or overlay of this name; the text names those there are."""


class RulebookError(ValueError):
    """A rule file breaks the schema; `messages` holds every fault by its place."""

    def __init__(self, name: str, messages: Any) -> None:
        super().__init__(f"{name}: {messages}")
        self.messages = messages


def read_rulebook(text: str, name: str = "rulebook") -> Rulebook:
    """A rulebook from the TOML text of a rule file.

    Raises RulebookError with every fault, tomllib.TOMLDecodeError where the text is no TOML.
    """
    try:
        return parse_rulebook(tomllib.loads(text))
    except ValidationError as error:
        raise RulebookError(name, error.messages) from error


def bodies() -> tuple[str, ...]:
    """The names of the bodies with a rulebook, sorted."""
    return tuple(name for name in _names() if not name.startswith(_OVERLAY_PREFIX))


def overlays() -> dict[str, str]:
    """The overlays of national differences: name and the body whose rules it lies over."""
    names = [name.removeprefix(_OVERLAY_PREFIX) for name in _names() if name.startswith(_OVERLAY_PREFIX)]
    return {name: str(_read(_OVERLAY_PREFIX + name).base) for name in names}


@lru_cache(maxsize=32)
def rulebook(body: str, overlay: str | None = None) -> Rulebook:
    """The rulebook of a body, with an overlay's rules laid over it.

    A rule of the overlay replaces the body's rule of the same id; others are added.

    Raises UnknownRulebookError for a body or overlay that is not there, or that do not belong together.
    """
    if body not in bodies():
        raise UnknownRulebookError(f"no rulebook of the body {body!r}; there are: {', '.join(bodies())}")
    base = _read(body)
    if overlay is None:
        return base
    known = overlays()
    if known.get(overlay) != body:
        fitting = [name for name, over in known.items() if over == body]
        raise UnknownRulebookError(
            f"no overlay {overlay!r} for the body {body!r}; there are: {', '.join(fitting) or 'none'}"
        )
    over = _read(_OVERLAY_PREFIX + overlay)
    rules = {rule.id: rule for rule in (*base.rules, *over.rules)}
    return replace(
        base,
        title=f"{base.title}, with {over.title}",
        edition=f"{base.edition}; {over.title}: {over.edition}",
        compiled_on=max(base.compiled_on, over.compiled_on),
        rules=tuple(rules.values()),
        notes=base.notes + over.notes,
    )


@lru_cache(maxsize=1)
def _names() -> tuple[str, ...]:
    found = (item.name for item in files(__package__).iterdir())
    return tuple(sorted(name.removesuffix(".toml") for name in found if name.endswith(".toml")))


@lru_cache(maxsize=32)
def _read(name: str) -> Rulebook:
    text = files(__package__).joinpath(f"{name}.toml").read_text(encoding="utf-8")
    return read_rulebook(text, f"{name}.toml")
