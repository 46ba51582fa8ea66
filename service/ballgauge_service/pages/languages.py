"""Languages of the pages: gettext catalogs (`translations/<language>.po`), read once, through Babel.

Babel is imported when a page is asked for: a command that checks a ball has no use for it.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from functools import cache, lru_cache
from pathlib import Path

from werkzeug.datastructures import LanguageAccept
from werkzeug.http import parse_accept_header

SOURCE = "en"
"""The language the texts are written in."""

FOLDER = Path(__file__).parent / "translations"
SCRIPT = "script"
"""Comment of a catalog on the texts that the browser needs."""
SHARED = {"labels.py", "rulebooks"}
"""Where the words and titles come from that any script may show."""


@cache
def codes() -> tuple[str, ...]:
    """Every language that can be read here, the source language first; without Babel there is no other."""
    catalogs = sorted(file.stem for file in FOLDER.glob("*.po")) if importlib.util.find_spec("babel") else ()
    return SOURCE, *catalogs


@cache
def names() -> dict[str, str]:
    """Every language by its code, in its own words; the source language first."""
    from babel import Locale

    return {code: (Locale.parse(code).display_name or code).capitalize() for code in codes()}


@lru_cache(maxsize=256)
def negotiate(asked: str | None, header: str) -> str:
    """The language asked for by the address, or else by Accept-Language, or else the source language."""
    if asked in codes():
        return str(asked)
    accepted = parse_accept_header(header, LanguageAccept)
    wanted = (tag.partition("-")[0].lower() for tag, quality in accepted if quality > 0)
    return next((language for language in wanted if language in codes()), SOURCE)


@cache
def gettext(language: str) -> Callable[[str], str]:
    """The function that turns a source text into the language's; a text it lacks stays as it is."""
    words = texts(language)
    return lambda text: words.get(text, text)


@cache
def texts(language: str) -> dict[str, str]:
    """Every text with its translation; empty for the source language."""
    return {text: translated for text, translated, _ in _translated(language)}


@cache
def script_words(language: str, modules: tuple[str, ...]) -> dict[str, str]:
    """The translated texts that these scripts use; empty for the source language."""
    places = {*(f"static/{name}" for name in modules), *SHARED}
    return {text: translated for text, translated, used in _translated(language) if used & places}


@cache
def _translated(language: str) -> list[tuple[str, str, set[str]]]:
    """Texts with translations, and the places of those that scripts use; none for the source language."""
    if language == SOURCE:
        return []
    from babel.messages.pofile import read_po

    with (FOLDER / f"{language}.po").open("rb") as file:
        catalog = read_po(file, locale=language, charset="utf-8")
    return [
        (str(message.id), str(message.string), {place for place, _ in message.locations if is_said})
        for message in catalog
        for is_said in [SCRIPT in message.auto_comments]
        if message.id and message.string and not message.fuzzy
    ]
