"""What whoever runs the service has set: one frozen value, read from the environment once."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from typing import Any

PREFIX = "BALLGAUGE_"


class BadSettings(ValueError):
    """Environment variables that cannot be used; the text names each of them."""


def _whole(least: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        if not (text.isascii() and text.isdigit()) or int(text) < least:
            raise ValueError(f"must be a whole number, {least} or more")
        return int(text)

    return read


def _seconds(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not 0.0 < value <= 86_400.0:
        raise ValueError("must be seconds, more than 0 and at most 86400")
    return value


def _list(text: str) -> tuple[str, ...]:
    return tuple(part for part in text.replace(",", " ").split() if part)


def _yes(text: str) -> bool:
    if text not in ("0", "1"):
        raise ValueError("must be 0 or 1")
    return text == "1"


@dataclass(frozen=True)
class Settings:
    """The service's settings; the defaults are those of a service for this machine alone.

    Each field is read from the variable BALLGAUGE_ and its name in capitals. Numbers are ours.
    """

    access_keys: str | None = None
    """File of access keys; without it nobody is asked for one."""

    requests_per_minute: int = 0
    """Requests a minute that one key, or one address without keys, may send; 0 sets no limit."""

    cors_origins: tuple[str, ...] = ()
    """Origins whose pages may call the service from a browser; none by default."""

    trusted_proxies: int = 0
    """Reverse proxies in front whose X-Forwarded-For is believed."""

    deadline: float = 60.0
    """Seconds after which an answer that has not begun is given up."""

    computing: int = os.cpu_count() or 1
    """Requests that one process computes side by side."""

    waiting: int = 64
    """Requests that wait in one process for their turn; further ones are refused with 503."""

    longest_wait: float = 5.0
    """Seconds a request waits for its turn before it is refused with 503."""

    metrics: bool = True
    """Whether /metrics is answered."""

    traces: str | None = None
    """Address that takes traces by OTLP over HTTP; without it none are made."""

    scheduler: str | None = None
    """Address of a Dask scheduler for bulk work; without it threads of this process do it."""

    @classmethod
    def from_environment(cls, environment: Mapping[str, str] | None = None) -> Settings:
        """Read the settings; raises BadSettings that names every variable at fault."""
        given = os.environ if environment is None else environment
        found: dict[str, Any] = {}
        errors = []
        for field in fields(cls):
            text = given.get(PREFIX + field.name.upper(), "").strip()
            if not text:
                continue
            try:
                found[field.name] = _READERS[field.name](text)
            except ValueError as error:
                errors.append(f"{PREFIX}{field.name.upper()} {error}, unlike {text[:100]!r}")
        if errors:
            raise BadSettings("; ".join(errors))
        return cls(**found)

    def environment(self) -> dict[str, str]:
        """The variables that say what differs from the defaults, for another process."""
        told = {}
        for field in fields(self):
            value = getattr(self, field.name)
            if value != field.default:
                told[PREFIX + field.name.upper()] = _text(value)
        return told


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return str(int(value))
    return " ".join(value) if isinstance(value, tuple) else str(value)


_READERS: dict[str, Callable[[str], Any]] = {
    "access_keys": str,
    "requests_per_minute": _whole(0),
    "cors_origins": _list,
    "trusted_proxies": _whole(0),
    "deadline": _seconds,
    "computing": _whole(1),
    "waiting": _whole(0),
    "longest_wait": _seconds,
    "metrics": _yes,
    "traces": str,
    "scheduler": str,
}
