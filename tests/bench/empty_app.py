"""The service with one more address that does nothing but answer, to measure against."""

from __future__ import annotations

from flask import Flask, Response

from ballgauge_service import create_app


def create() -> Flask:
    app = create_app()
    app.add_url_rule(
        "/empty", view_func=lambda: Response("{}", content_type="application/json"), methods=["POST"]
    )
    return app
