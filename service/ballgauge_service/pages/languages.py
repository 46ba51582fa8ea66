"""Languages of the pages: gettext catalogues (`translations/<language>.po`), read once, through Babel.

Babel is imported when a page is asked for: a command that checks a ball has no use for it.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

from werkzeug.datastructures import LanguageAccept

SOURCE = "en"
"""The language the texts are written in."""

FOLDER = Path(__file__).parent / "translations"
SCRIPT_DOMAIN = ".js"


@cache
def names() -> dict[str, str]:
    """Every language by its code, in its own words; the source language first."""
    from babel import Locale

    codes = [SOURCE, *sorted(file.stem for file in FOLDER.glob("*.po"))]
    return {code: (Locale.parse(code).display_name or code).capitalize() for code in codes}


def negotiate(asked: str | None, accepted: LanguageAccept) -> str:
    """The language asked for by the address, or else by the browser, or else the source language."""
    if asked in names():
        return str(asked)
    wanted = (tag.partition("-")[0].lower() for tag, quality in accepted if quality > 0)
    return next((language for language in wanted if language in names()), SOURCE)


@cache
def gettext(language: str) -> Callable[[str], str]:
    """The function that turns a source text into the language's; a text it lacks stays as it is."""
    if language == SOURCE:
        return str
    from babel.messages.mofile import write_mo
    from babel.support import Translations

    written = io.BytesIO()
    write_mo(written, _catalogue(language))
    written.seek(0)
    return Translations(written).gettext


@cache
def script_words(language: str) -> dict[str, str]:
    """The translated texts that the page's scripts use; empty for the source language."""
    if language == SOURCE:
        return {}
    return {
        str(message.id): str(message.string)
        for message in _catalogue(language)
        if message.id and message.string and not message.fuzzy and "script" in message.auto_comments
    }


@cache
def _catalogue(language: str) -> Any:
    from babel.messages.pofile import read_po

    with (FOLDER / f"{language}.po").open("rb") as file:
        return read_po(file, locale=language, charset="utf-8")
