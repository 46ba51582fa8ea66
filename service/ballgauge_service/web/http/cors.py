"""Pages of other origins: none may call, but those that whoever runs the service names."""

from __future__ import annotations

import re

from flask import Flask, Response, request

from ballgauge_service.web.http.settings import Settings, require_origins

_FOLDER = "/v1/"
_SENT = ("Authorization", "Content-Type", "X-Request-Id")
_READ = (
    "RateLimit",
    "RateLimit-Policy",
    "Retry-After",
    "WWW-Authenticate",
    "X-Ballgauge-Version",
    "X-Request-Id",
)
_KEPT = 600
"""Seconds that a browser keeps what it was told (ours)."""


def register(app: Flask, settings: Settings) -> None:
    """Let the pages of these origins call; cookies are never asked for. Raises BadSettings."""
    require_origins(settings.cors_origins)
    if not settings.cors_origins:
        return
    # Deferred: an engine inside another process has no use for it.
    from flask_cors import CORS

    CORS(
        app,
        resources=f"{_FOLDER}.*",
        # As patterns, since the library takes the brackets of an IPv6 address for one.
        origins=[re.compile(rf"{re.escape(origin)}\Z") for origin in settings.cors_origins],
        methods=["GET", "POST"],
        allow_headers=list(_SENT),
        expose_headers=list(_READ),
        max_age=_KEPT,
        supports_credentials=False,
        always_send=False,
        vary_header=False,
        intercept_exceptions=False,
    )
    app.after_request(_vary)


def _vary(response: Response) -> Response:
    # Also where there was no origin, or a strange one: a cache must not give that answer to those allowed.
    if request.path.startswith(_FOLDER):
        response.vary.add("Origin")
    return response


def told(path: str, origin: str, allowed: tuple[str, ...]) -> dict[str, str]:
    """What an answer tells a page's browser that the application does not make: as `register` has it."""
    if not allowed or not path.startswith(_FOLDER):
        return {}
    vary = {"Vary": "Origin"}
    if origin not in allowed:
        return vary
    return vary | {"Access-Control-Allow-Origin": origin, "Access-Control-Expose-Headers": ", ".join(_READ)}
