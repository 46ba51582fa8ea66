"""The OpenAPI document, and a page to read it and try it; everything on the page comes from this service."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import flask_swagger_ui
from flask import Blueprint, Response, redirect, send_from_directory

from ballgauge_schemas import openapi_document
from ballgauge_service.pages.blueprint import POLICY
from ballgauge_service.web.http import serializer

blueprint = Blueprint("documentation", __name__)

_OURS = Path(__file__).parent.parent / "assets"
_INSTALLED = Path(flask_swagger_ui.__file__).parent / "dist"
_FILES = {
    "init.js": _OURS,
    **dict.fromkeys(("swagger-ui.css", "swagger-ui-bundle.js", "favicon-32x32.png"), _INSTALLED),
}
"""What the page needs, and where it lies."""


@cache
def _document() -> bytes:
    return serializer.dump(openapi_document())


@blueprint.get("/openapi.json")
def document() -> Response:
    """Give the OpenAPI 3.1 document of this service."""
    return serializer.kept(Response(_document(), content_type="application/json"))


@blueprint.get("/docs/")
def moved() -> Response:
    """Send on whoever adds a slash."""
    return redirect("../docs", 308)  # type: ignore[return-value]


@blueprint.get("/docs")
def page() -> Response:
    """Give the page."""
    response = send_from_directory(_OURS, "docs.html")
    response.headers["Content-Security-Policy"] = POLICY
    return response


@blueprint.get(f"/docs/<any({', '.join(map(repr, _FILES))}):name>")
def asset(name: str) -> Response:
    """Give a file that the page needs."""
    return send_from_directory(_FILES[name], name)
