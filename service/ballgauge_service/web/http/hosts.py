"""Requests that are addressed to another host: a page elsewhere may have its own name lead to this machine.

A browser then takes this service for a part of that page, which could have records signed (DNS rebinding).
Only a name of the internet, which has a dot, can be led so; an address or a bare name of this network cannot.
"""

from __future__ import annotations

from urllib.parse import urlsplit

from flask import Flask, request

from ballgauge_service.web.http.refusals import Refusal
from ballgauge_service.web.http.settings import Settings

LOOPBACK = ("localhost",)


def register(app: Flask, settings: Settings) -> None:
    """Refuse what is addressed to none of `Settings.hosts`, where any are named."""
    if not settings.hosts:
        return
    known = frozenset(name.lower() for name in settings.hosts)

    def refuse() -> None:
        name = _named(request.headers.get("Host", ""))
        # What ends in a number is an address, and no name (WHATWG URL, 3.5).
        is_address = name.rpartition(".")[2].isdecimal()
        if "." in name.strip(".") and name not in known and not is_address:
            raise Refusal(
                421, "the request is addressed to another host than this service's (BALLGAUGE_HOSTS)"
            )

    app.before_request(refuse)


def _named(host: str) -> str:
    try:
        return urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return host
