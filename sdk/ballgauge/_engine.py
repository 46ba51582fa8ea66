"""The one door to the engine, which may not be installed."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from ballgauge._errors import ServiceUnreachable


@contextmanager
def required() -> Iterator[None]:
    """Import the engine inside; a package that it lacks becomes `ServiceUnreachable` and what to install."""
    try:
        yield
    except ModuleNotFoundError as error:
        if (error.name or "").startswith("ballgauge"):
            raise
        raise ServiceUnreachable(
            f"the engine needs {error.name}, which is not installed; "
            "pip install 'ballgauge[service]' brings it, or give the address of a running service"
        ) from error
