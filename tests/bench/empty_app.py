"""The service as it is served, with one more address that does nothing but answer, to measure against.

Whichever address it is for, a request goes through the gate and through all that stands before and after the
application's addresses: id, log, metrics, languages, deprecations and packing.
"""

from __future__ import annotations

from flask import Response

from ballgauge_service.web.access.access import ENTRANCE
from ballgauge_service.web.http import packing
from ballgauge_service.web.http.settings import Settings
from ballgauge_service.web.routes import health
from ballgauge_service.web.server.application import create_app
from ballgauge_service.web.server.gate import Gate


def create() -> Gate:
    settings = Settings()
    app = create_app(settings=settings)
    packing.register(app)
    app.add_url_rule(
        "/v1/empty", view_func=lambda: Response("{}", content_type="application/json"), methods=["POST"]
    )
    paths = frozenset(("/v1/checks", "/v1/empty"))
    return Gate(app, settings, paths, app.extensions[ENTRANCE], health.told(app))
