"""Pages of other origins: none may call, but those that whoever runs the service names."""

from __future__ import annotations

from functools import partial

from flask import Flask, Response, request

from ballgauge_service.web.http.settings import Settings, require_origins

_FOLDER = "/v1/"
_READ = "RateLimit, RateLimit-Policy, Retry-After, WWW-Authenticate, X-Ballgauge-Version, X-Request-Id"
_PREFLIGHT = {
    "Access-Control-Allow-Methods": "GET, POST",
    "Access-Control-Allow-Headers": "Authorization, Content-Type, X-Request-Id",
    "Access-Control-Max-Age": "600",
}
"""What is answered to OPTIONS; seconds that a browser keeps it (ours)."""


def register(app: Flask, settings: Settings) -> None:
    """Let the pages of these origins call; cookies are never asked for. Raises BadSettings."""
    require_origins(settings.cors_origins)
    if settings.cors_origins:
        app.after_request(partial(_tell, settings.cors_origins))


def _tell(allowed: tuple[str, ...], response: Response) -> Response:
    found = told(request.path, request.headers.get("Origin", ""), allowed)
    if "Vary" in found:
        response.vary.add(found.pop("Vary"))
    response.headers.update(found)
    if found and request.method == "OPTIONS":
        response.headers.update(_PREFLIGHT)
    return response


def told(path: str, origin: str, allowed: tuple[str, ...]) -> dict[str, str]:
    """What an answer tells a page's browser, whoever makes it (Fetch, 3.3).

    A cache must not give an answer to no origin, or to a strange one, to those allowed.
    """
    if not allowed or not path.startswith(_FOLDER):
        return {}
    found = {"Vary": "Origin"}
    if origin in allowed:
        found |= {"Access-Control-Allow-Origin": origin, "Access-Control-Expose-Headers": _READ}
    return found
