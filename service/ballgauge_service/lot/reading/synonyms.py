"""What files call things: headings, units, months and rows that are no balls, from one file of words."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

from ballgauge_schemas import unit_size


def name_of(text: str) -> str:
    """A name as the contract writes it: small letters, no accents, one underline between words."""
    letters = unicodedata.normalize("NFKD", text.casefold())
    return re.sub(r"[\W_]+", "_", "".join(c for c in letters if not unicodedata.combining(c))).strip("_")


@dataclass(frozen=True, slots=True)
class Synonyms:
    """The words.

    `headings`: name to field; `units`: small letters to the contract's spelling; `months`: name,
    whole or its first three letters, to number; `no_balls` in small letters.
    """

    headings: Mapping[str, str]
    units: Mapping[str, str]
    months: Mapping[str, int]
    no_balls: tuple[str, ...]


@lru_cache(maxsize=1)
def synonyms() -> Synonyms:
    """The words of `synonyms.toml`."""
    held = tomllib.loads(resources.files(__package__).joinpath("synonyms.toml").read_text("utf-8"))
    months: dict[str, int] = {}
    for names in held["months"].values():
        for number, name in enumerate(names, 1):
            months[name_of(name)] = number
            months.setdefault(name_of(name)[:3], number)
    del months["jui"]  # of two French months
    return Synonyms(
        {
            name_of(word): name
            for name, languages in held["headings"].items()
            for words in languages.values()
            for word in words
        },
        {word.casefold(): unit for unit, words in held["units"].items() for word in words},
        months,
        tuple(word.lower() for words in held["no_balls"].values() for word in words),
    )


def unit_named(kind: str, text: str) -> tuple[str, float] | None:
    """A unit of a kind as the contract spells it, however it is written, and its size; None where none is."""
    for spelled in (text, synonyms().units.get(text.casefold()), text.casefold()):
        size = None if spelled is None else unit_size(kind, spelled)
        if spelled is not None and size is not None:
            return spelled, size
    return None
