"""Ask the Ballgauge service whether a bowling ball meets the published equipment rules.

>>> import ballgauge
>>> with ballgauge.Client.embedded() as client:
...     result = client.check({"ball": {"weight": 15.2, "rg": 2.5, "differential": 0.047}})
>>> result.outcome
'not_assessed'

`Client(url)` talks to a running service, `Client.embedded()` runs the same service inside this process.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ballgauge._async import AsyncClient, AsyncLotRows
    from ballgauge._check import BriefResult, CheckResult, DrillingResult, Finding, Limit, Unmet, read_overlay
    from ballgauge._client import Client
    from ballgauge._deprecation import BallgaugeDeprecation, BallgaugeVersionWarning
    from ballgauge._design import DesignResult
    from ballgauge._failures import (
        AccessRefused,
        BallgaugeError,
        ConnectionFailed,
        FieldError,
        InvalidRequest,
        Problem,
        RateLimited,
        Redirected,
        ServiceError,
        ServiceUnreachable,
        Timeout,
        TlsFailed,
        TooManyRequests,
    )
    from ballgauge._lineup import LineupResult
    from ballgauge._lot import LotResult, LotRow, LotRows, LotSeriesResult
    from ballgauge._motion import MotionResult
    from ballgauge._network import Timeouts
    from ballgauge._values import Record

    __version__: str

__all__ = [
    "AccessRefused",
    "AsyncClient",
    "AsyncLotRows",
    "BallgaugeDeprecation",
    "BallgaugeError",
    "BallgaugeVersionWarning",
    "BriefResult",
    "CheckResult",
    "Client",
    "ConnectionFailed",
    "DesignResult",
    "DrillingResult",
    "FieldError",
    "Finding",
    "InvalidRequest",
    "Limit",
    "LineupResult",
    "LotResult",
    "LotRow",
    "LotRows",
    "LotSeriesResult",
    "MotionResult",
    "Problem",
    "RateLimited",
    "Record",
    "Redirected",
    "ServiceError",
    "ServiceUnreachable",
    "Timeout",
    "Timeouts",
    "TlsFailed",
    "TooManyRequests",
    "Unmet",
    "read_overlay",
]


_NAMES = {
    "_async": ("AsyncClient", "AsyncLotRows"),
    "_check": ("BriefResult", "CheckResult", "DrillingResult", "Finding", "Limit", "Unmet", "read_overlay"),
    "_client": ("Client",),
    "_deprecation": ("BallgaugeDeprecation", "BallgaugeVersionWarning"),
    "_design": ("DesignResult",),
    "_failures": (
        "AccessRefused",
        "BallgaugeError",
        "ConnectionFailed",
        "FieldError",
        "InvalidRequest",
        "Problem",
        "RateLimited",
        "Redirected",
        "ServiceError",
        "ServiceUnreachable",
        "Timeout",
        "TlsFailed",
        "TooManyRequests",
    ),
    "_lineup": ("LineupResult",),
    "_lot": ("LotResult", "LotRow", "LotRows", "LotSeriesResult"),
    "_motion": ("MotionResult",),
    "_network": ("Timeouts",),
    "_values": ("Record",),
}
_HOME = {name: module for module, names in _NAMES.items() for name in names}
"""Where each name lives. It is loaded when it is first asked for: a plug-in of pytest that nobody uses, and
whoever wants a part alone, wait for nothing."""


if not TYPE_CHECKING:

    def __getattr__(name: str) -> Any:
        if name in _HOME:
            found = globals()[name] = getattr(import_module(f"ballgauge.{_HOME[name]}"), name)
            return found
        if name != "__version__":
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        # Deferred: what reads a package's metadata takes longer to import than all of this one.
        from importlib.metadata import version

        return version("ballgauge")


def __dir__() -> list[str]:
    return __all__
