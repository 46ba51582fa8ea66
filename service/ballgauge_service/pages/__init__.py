"""Web pages over the service's own interface: the browser calls `/v1/...`; no ball is judged here."""

from ballgauge_service.pages.blueprint import blueprint

__all__ = ["blueprint"]
