"""Ask the Ballgauge service whether a bowling ball meets the published equipment rules.

>>> import ballgauge
>>> with ballgauge.Client.embedded() as client:
...     result = client.check({"ball": {"weight": 15.2, "rg": 2.5, "differential": 0.047}})
>>> result.outcome
'not_assessed'

`Client(url)` talks to a running service, `Client.embedded()` runs the same service inside this process.
"""

from typing import TYPE_CHECKING

from ballgauge._check import BriefResult, CheckResult, DrillingResult, Finding, Limit, Unmet, read_overlay
from ballgauge._client import Client
from ballgauge._deprecation import BallgaugeDeprecation
from ballgauge._design import DesignResult
from ballgauge._failures import (
    AccessRefused,
    BallgaugeError,
    FieldError,
    InvalidRequest,
    Problem,
    ServiceError,
    ServiceUnreachable,
    TooManyRequests,
)
from ballgauge._lot import LotResult, LotRow, LotRows, LotSeriesResult
from ballgauge._motion import MotionResult
from ballgauge._values import Record

if TYPE_CHECKING:
    __version__: str

__all__ = [
    "AccessRefused",
    "BallgaugeDeprecation",
    "BallgaugeError",
    "BriefResult",
    "CheckResult",
    "Client",
    "DesignResult",
    "DrillingResult",
    "FieldError",
    "Finding",
    "InvalidRequest",
    "Limit",
    "LotResult",
    "LotRow",
    "LotRows",
    "LotSeriesResult",
    "MotionResult",
    "Problem",
    "Record",
    "ServiceError",
    "ServiceUnreachable",
    "TooManyRequests",
    "Unmet",
    "read_overlay",
]


def __getattr__(name: str) -> str:
    if name != "__version__":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    # Deferred: what reads a package's metadata takes longer to import than all of this one.
    from importlib.metadata import version

    return version("ballgauge")
