"""Sentences of an answer in the language that the caller asks for by Accept-Language.

Codes, names and numbers stay as they are: they are the contract. A signed document is never changed.
"""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

import orjson

from ballgauge_schemas.shared.problems import MEDIA_TYPE
from ballgauge_service.core.report.style import Style
from ballgauge_service.pages import labels, languages, sentences
from ballgauge_service.web.http import serializer

if TYPE_CHECKING:
    from flask import Flask, Response

_SAID = frozenset(
    (
        *("applies_to", "assumptions", "definition", "definitions", "detail", "meaning", "message", "method"),
        *("depletion", "note", "notes", "reason", "reasons", "title"),
    )
)
"""Members that hold sentences."""

LONGEST = 4000
"""A longer text stays in English."""


def register(app: Flask) -> None:
    """Translate the sentences of JSON answers."""
    app.after_request(_translate)


def asked_for(response: Response) -> str:
    """The language that the caller asks for, by which the answer varies."""
    from flask import request

    response.vary.add("Accept-Language")
    return languages.negotiate(None, request.headers.get("Accept-Language", ""))


def _translate(response: Response) -> Response:
    from flask import request

    is_kept = response.status_code == HTTPStatus.NOT_MODIFIED
    is_said = is_kept or response.mimetype in ("application/json", MEDIA_TYPE)
    if not (request.path.startswith("/v1/") and is_said):
        return response
    language = asked_for(response)
    if language != languages.SOURCE and not (is_kept or response.is_streamed):
        response.set_data(serializer.dump_in_order(translated(orjson.loads(response.get_data()), language)))
        response.content_language.add(language)
    return response


def translated(document: Any, language: str) -> Any:
    """A document with its sentences in a language."""
    translate = sentences.translator(language)
    return document if translate is None else _said(document, translate, "")


def _said(document: Any, translate: sentences.Translator, name: str) -> Any:
    """A part of a document, which its member `name` holds."""
    if isinstance(document, dict):
        return {member: _said(value, translate, member) for member, value in document.items()}
    if isinstance(document, list):
        return [_said(value, translate, name) for value in document]
    if name in _SAID and isinstance(document, str) and 0 < len(document) <= LONGEST:
        return translate(document)
    return document


def style(language: str, units: str, paper: str, names: Mapping[str, str] = labels.LABELS) -> Style:
    """How a report is written that is asked for so; `names` are those of its quantities, in English."""
    text = languages.gettext(language)
    return Style(language, units == "metric", paper, text, lambda name: text(names[name]))
