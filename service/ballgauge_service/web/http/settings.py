"""What whoever runs the service has set: one frozen value, read from the environment once."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Mapping, MutableMapping, Sequence
from dataclasses import Field, dataclass, fields, replace
from pathlib import Path
from typing import Any

from ballgauge_schemas.shared.approved_list import BadApprovedListError, read_file
from ballgauge_service.rulebooks import BadFolderError, Shelf, read_folder, shipped

PREFIX = "BALLGAUGE_"

SETTINGS = "ballgauge_settings"
"""The name of the settings among the application's extensions."""

MEMORY = "memory://"
"""Storage of counts in each process for itself."""

_OWN_PORTS = {"http": "80", "https": "443"}
_ORIGIN = re.compile(
    r"(?P<scheme>https?)://"
    r"(?:[a-z0-9](?:[a-z0-9-]*[a-z0-9])?(?:\.[a-z0-9](?:[a-z0-9-]*[a-z0-9])?)*|\[[0-9a-f:.]+\])"
    r"(?::(?P<port>[1-9][0-9]{0,4}))?"
)


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


def require_origins(origins: Sequence[str]) -> None:
    """Raise BadSettings, naming each, where origins are not as browsers send them (RFC 6454, 6.2)."""
    wrong = [origin for origin in origins if not _is_origin(origin)]
    if wrong:
        raise BadSettings(
            f"an origin is http:// or https://, a host in small letters and perhaps a port that is not the "
            f"scheme's own, and nothing behind it; not so: {', '.join(map(repr, wrong))}"
        )


def _is_origin(text: str) -> bool:
    found = _ORIGIN.fullmatch(text)
    return found is not None and found["port"] != _OWN_PORTS[found["scheme"]]


def _origins(text: str) -> tuple[str, ...]:
    origins = _list(text)
    require_origins(origins)
    return origins


def _yes(text: str) -> bool:
    if text not in ("0", "1"):
        raise ValueError("must be 0 or 1")
    return text == "1"


@dataclass(frozen=True)
class Settings:
    """The service's settings; the defaults are those of a service for this machine alone.

    Each field is read from the variable BALLGAUGE_ and its name in capitals; what it sets is told in a table
    of `pages/guide/operations.md`. Times are in seconds; numbers are ours.
    """

    access_keys: str | None = None
    requests_per_minute: int = 0
    limits_storage: str = MEMORY
    processes: int = 1
    """Those of this server, which `serve` tells its own."""

    hosts: tuple[str, ...] = ()
    cors_origins: tuple[str, ...] = ()
    trusted_proxies: int = 0

    deadline: float = 60.0
    computing: int = os.cpu_count() or 1
    waiting: int = 2048
    longest_wait: float = 5.0

    patience: float = 20.0
    least_rate: int = 10_000
    uploads: int = 32
    uploads_of_one: int = 8
    upload_time: float = 3600.0
    largest_lot: int = 1 << 30

    stuck: float = 60.0
    drain: float = 1.0
    ending: float = 10.0

    metrics: bool = True
    traces: str | None = None
    scheduler: str | None = None

    rulebooks: str | None = None
    approved_list: str | None = None

    def shelf(self) -> Shelf | None:
        """What the folder of rulebooks and the approved list hold, beside what is shipped; None: neither is.

        Raises BadSettings.
        """
        if self.rulebooks is None and self.approved_list is None:
            return None
        try:
            found = shipped() if self.rulebooks is None else read_folder(Path(self.rulebooks))
        except BadFolderError as bad:
            raise BadSettings(f"the rulebooks cannot be used: {bad}") from None
        if self.approved_list is None:
            return found
        try:
            return replace(found, approved_list=read_file(self.approved_list))
        except (OSError, BadApprovedListError) as bad:
            reason = bad.strerror if isinstance(bad, OSError) else bad
            text = f"the approved list cannot be used: {self.approved_list}: {reason}"
            raise BadSettings(text) from None

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
                found[field.name] = _reader(field)(text)
            except ValueError as error:
                errors.append(f"{PREFIX}{field.name.upper()} {error}, unlike {text[:100]!r}")
        if errors:
            raise BadSettings("; ".join(errors))
        return cls(**found)

    def set_environment(self, environment: MutableMapping[str, str]) -> None:
        """Make the variables of an environment say these settings, for processes that read it later."""
        for field in fields(self):
            environment.pop(PREFIX + field.name.upper(), None)
        environment.update(self.environment())

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


_BY_NAME: dict[str, Callable[[str], Any]] = {
    "requests_per_minute": _whole(0),
    "trusted_proxies": _whole(0),
    "waiting": _whole(0),
    "cors_origins": _origins,
}
_BY_TYPE: dict[str, Callable[[str], Any]] = {
    "bool": _yes,
    "float": _seconds,
    "int": _whole(1),
    "tuple[str, ...]": _list,
}


def _reader(field: Field[Any]) -> Callable[[str], Any]:
    """What reads a setting from the text of its variable, by its name or else by its type as written."""
    return _BY_NAME.get(field.name) or _BY_TYPE.get(str(field.type), str)
