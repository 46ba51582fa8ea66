"""The application: blueprints and the handlers around them."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from flask import Flask
from werkzeug.middleware.proxy_fix import ProxyFix

from ballgauge_schemas.shared.limits import BODY_MAXIMUM
from ballgauge_service import rulebooks
from ballgauge_service.pages import blueprint as pages
from ballgauge_service.web.access import access
from ballgauge_service.web.http import (
    cors,
    deprecation,
    hosts,
    language,
    metrics,
    refusals,
    request_ids,
    request_log,
    traces,
)
from ballgauge_service.web.http.settings import SETTINGS, Settings
from ballgauge_service.web.routes import (
    checks,
    designs,
    documentation,
    health,
    lineups,
    lots,
    motions,
    records,
)


class _Application(Flask):
    def ensure_sync(self, func: Callable[..., Any]) -> Callable[..., Any]:
        """The function itself: none of ours is a coroutine, and asking each costs every request time."""
        return func


def create_app(*, json_logs: bool = True, warm_up: bool = True, settings: Settings | None = None) -> Flask:
    """Make the WSGI application, by default with the settings that the environment names.

    json_logs: write one line of JSON a request to standard error; off, records go to the logger
    `ballgauge_service` alone and its owner decides. warm_up: compile the numeric kernels in the background at
    once, until when /readyz answers 503; off, the first request compiles them. Raises BadSettings.
    """
    settings = Settings.from_environment() if settings is None else settings
    if json_logs:
        request_log.write_json()
    books = settings.shelf()
    app = _Application("ballgauge_service", static_folder=None)
    app.extensions[SETTINGS] = settings
    # One byte more than is allowed: a body of unknown length is cut there without a word.
    app.config["MAX_CONTENT_LENGTH"] = BODY_MAXIMUM + 1
    app.url_map.merge_slashes = False
    request_ids.register(app, measured=settings.metrics)
    app.before_request(partial(rulebooks.use, books))
    if settings.metrics:
        metrics.register(app)
    if settings.traces is not None:
        traces.register(app, settings.traces)
    refusals.register(app)
    deprecation.register(app)
    language.register(app)
    hosts.register(app, settings)
    cors.register(app, settings)
    access.register(app, settings)
    for routes in (checks, lots, designs, motions, lineups, documentation, records):
        app.register_blueprint(routes.blueprint)
    app.register_blueprint(pages)
    health.register(app, checks.warm_up if warm_up else None)
    if settings.trusted_proxies:
        # A server's address is that of the nearest proxy; the others come from X-Forwarded-For, last first.
        app.wsgi_app = ProxyFix(app.wsgi_app, x_for=settings.trusted_proxies, x_proto=0)  # type: ignore[method-assign]
    return app
