"""The service with one more address that does nothing but answer, to measure against."""

from __future__ import annotations

from flask import Response

from ballgauge_service.web.http.settings import Settings
from ballgauge_service.web.server.application import create_app
from ballgauge_service.web.server.gate import Gate


def create() -> Gate:
    app = create_app()
    app.add_url_rule(
        "/empty", view_func=lambda: Response("{}", content_type="application/json"), methods=["POST"]
    )
    return Gate(app, Settings(), frozenset())
