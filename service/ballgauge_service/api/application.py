"""The application: blueprints and the handlers around them."""

from __future__ import annotations

from flask import Flask
from werkzeug.middleware.proxy_fix import ProxyFix

from ballgauge_service.api import (
    access,
    bodies,
    cors,
    deprecation,
    designs,
    documentation,
    engine,
    health,
    lots,
    metrics,
    motions,
    refusals,
    request_log,
    signed_records,
    traces,
)
from ballgauge_service.api.settings import SETTINGS, Settings
from ballgauge_service.pages import blueprint as pages


def create(*, json_logs: bool, warm_up: bool, settings: Settings | None) -> Flask:
    """Make the application; see `ballgauge_service.create_app`."""
    settings = Settings.from_environment() if settings is None else settings
    if json_logs:
        request_log.write_json()
    app = Flask("ballgauge_service", static_folder=None)
    app.extensions[SETTINGS] = settings
    # One byte more than is allowed: a body of unknown length is cut there without a word.
    app.config["MAX_CONTENT_LENGTH"] = bodies.LARGEST_BODY + 1
    app.url_map.merge_slashes = False
    request_log.register(app)
    if settings.metrics:
        metrics.register(app)
    if settings.traces is not None:
        traces.register(app, settings.traces)
    refusals.register(app)
    deprecation.register(app)
    cors.register(app, settings)
    access.register(app, settings)
    app.register_blueprint(engine.blueprint)
    app.register_blueprint(lots.blueprint)
    app.register_blueprint(designs.blueprint)
    app.register_blueprint(motions.blueprint)
    app.register_blueprint(documentation.blueprint)
    app.register_blueprint(signed_records.blueprint)
    app.register_blueprint(pages)
    health.register(app, engine.warm_up if warm_up else None)
    if settings.trusted_proxies:
        # A server's address is that of the nearest proxy; the others come from X-Forwarded-For, last first.
        app.wsgi_app = ProxyFix(app.wsgi_app, x_for=settings.trusted_proxies, x_proto=0)  # type: ignore[method-assign]
    return app
