"""The service: rulebooks, physics and the HTTP interface over both."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from flask import Flask

    from ballgauge_service.api.settings import Settings

__all__ = ["create_app"]


def create_app(*, json_logs: bool = True, warm_up: bool = True, settings: Settings | None = None) -> Flask:
    """Make the WSGI application.

    Parameters
    ----------
    json_logs : bool
        Write one line of JSON a request to standard error. Off, records go to the logger
        ``ballgauge_service`` alone and its owner decides.
    warm_up : bool
        Compile the numeric kernels in the background at once; ``/readyz`` answers 503 until they are.
        Off, the first request compiles them, and ``/readyz`` says ready.
    settings : Settings, optional
        Access, limits and the like; without them the environment is read (`Settings.from_environment`).

    Raises
    ------
    BadSettings
        A variable of the environment cannot be used.
    ModuleNotFoundError
        The extra ``service`` is not installed.
    """
    # Deferred, so that the physics and the rulebooks can be used without the web framework.
    from ballgauge_service.api import application

    return application.create(json_logs=json_logs, warm_up=warm_up, settings=settings)
