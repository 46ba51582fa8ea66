"""Tells, once, that something a program asks for will go."""

from __future__ import annotations

import re
import sys
import warnings
from datetime import UTC, datetime

from ballgauge._failures import Answer

_MOMENT = re.compile(r" *@(-?[0-9]{1,15}) *")


class BallgaugeDeprecation(DeprecationWarning):
    """The service says that an address, or something a request holds, will go (RFC 9745, RFC 8594)."""


class BallgaugeVersionWarning(UserWarning):
    """Client and service are of different versions, and may not know each other's members."""


VERSION = "X-Ballgauge-Version"
"""The header that tells the service's version."""


class Notice:
    """Warns once for each address of a service, and again where the dates change; once of another version."""

    def __init__(self) -> None:
        self._told: set[tuple[str, str, str]] = set()
        self._version: str | None = None

    def __call__(self, method: str, path: str, response: Answer) -> None:
        """Warn where the answer carries a Deprecation header that is one, or tells of another version."""
        self._compare(response.headers.get(VERSION))
        since = deprecated_since(response.headers.get("Deprecation", ""))
        if since is None:
            return
        what = f"{method} {path.partition('?')[0]}"
        sunset = response.headers.get("Sunset", "")
        key = (what, response.headers["Deprecation"], sunset)
        if key not in self._told:
            self._told.add(key)
            warnings.warn(
                _words(what, since, sunset, response), BallgaugeDeprecation, stacklevel=_callers_level()
            )

    def _compare(self, theirs: str | None) -> None:
        if theirs is None or theirs == self._version:
            return
        self._version = theirs
        # Deferred: what reads a package's metadata takes long to import.
        from importlib.metadata import version

        ours = version("ballgauge")
        if theirs.split(".")[:2] != ours.split(".")[:2]:
            older, newer = (
                ("service", "client") if _numbers(theirs) < _numbers(ours) else ("client", "service")
            )
            warnings.warn(
                f"the service is {theirs}, this client {ours}: what the {newer} has and the {older} has not "
                "is refused or not seen",
                BallgaugeVersionWarning,
                stacklevel=_callers_level(),
            )


def _numbers(version: str) -> list[int]:
    return [int(number) for number in re.findall(r"[0-9]{1,9}", version)[:3]]


def deprecated_since(header: str) -> datetime | None:
    """Read a Deprecation header, a date as a structured field (RFC 9745, 2.1); None where it is none."""
    found = _MOMENT.fullmatch(header.partition(";")[0])
    if found is None:
        return None
    try:
        return datetime.fromtimestamp(int(found[1]), UTC)
    except (OverflowError, OSError, ValueError):
        return None


def _words(what: str, since: datetime, sunset: str, response: Answer) -> str:
    parts = [f"{what}, or something this request holds, is deprecated since {since.date()}"]
    if sunset:
        parts.append(f"and may be gone on {sunset}")
    # Deferred: an answer that comes from this process at once needs no HTTP client.
    from requests.utils import parse_header_links

    links = parse_header_links(response.headers.get("Link", ""))
    address = next((link["url"] for link in links if link.get("rel") == "deprecation"), None)
    return " ".join(parts) + (f"; see {address}" if address else "")


def _callers_level() -> int:
    """How many frames up the first one lies that is neither this package's nor the HTTP library's."""
    level, frame = 1, sys._getframe(1)
    while frame.f_back is not None and _is_ours(frame.f_globals.get("__name__", "")):
        frame = frame.f_back
        level += 1
    return level


def _is_ours(module: str) -> bool:
    return module.partition(".")[0] in ("ballgauge", "requests", "contextlib")
