"""The log: one line of JSON a request, under its id.

The log says who asked, by the id of the key and the network address, and holds nothing that a customer sent:
of a path its template, of an error its kind and the places in the code it came through, never its message,
which may repeat a value.
"""

from __future__ import annotations

import json
import logging
import os
import re
import sys
import time
import traceback
from datetime import UTC, datetime
from types import TracebackType

REQUEST_ID = "X-Request-Id"
VERSION = "X-Ballgauge-Version"

NO_PATH = "(none)"
"""What the log says for every path that is no address: it could hold anything."""

_SANE_ID = re.compile(r"[!-~]{1,128}")
_FIELDS = ("request_id", "method", "path", "status", "ms", "key", "address", "reason")
METHODS = frozenset(("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "CONNECT"))

_log = logging.getLogger("ballgauge_service.requests")

_Raised = tuple[type[BaseException], BaseException, TracebackType | None] | tuple[None, None, None]


class JsonFormatter(logging.Formatter):
    """Log records as JSON objects, one a line."""

    def format(self, record: logging.LogRecord) -> str:
        """Write one record: time (UTC), level, message, and the request's fields where it has them."""
        line = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
        }
        line |= {name: getattr(record, name) for name in _FIELDS if hasattr(record, name)}
        if record.exc_info:
            line["exception"] = self.formatException(record.exc_info)
        return json.dumps(line)

    def formatException(self, ei: _Raised) -> str:  # noqa: N802 - the name is the library's
        """Write an exception, and those it came of, without their messages."""
        written: list[str] = []
        error: BaseException | None = ei[1]
        while error is not None and len(written) < 10:
            frames = traceback.extract_tb(error.__traceback__)
            places = "".join(f"\n  {frame.filename}, line {frame.lineno}, {frame.name}" for frame in frames)
            written.append(f"{type(error).__module__}.{type(error).__qualname__}{places}")
            error = error.__cause__ or (None if error.__suppress_context__ else error.__context__)
        return "\ncaused by ".join(written)


def write_json() -> None:
    """Send the service's log to standard error as JSON; a second call changes nothing."""
    logger = logging.getLogger("ballgauge_service")
    if any(isinstance(handler.formatter, JsonFormatter) for handler in logger.handlers):
        return
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonFormatter())
    logger.addHandler(handler)
    logger.setLevel(logging.INFO)
    logger.propagate = False


def request_id(sent: str) -> str:
    """The id that came with a request, where it can be used, or a new one."""
    return sent if _SANE_ID.fullmatch(sent) else os.urandom(16).hex()


def write(request_id: str, method: str, path: str, status: int, started: float, **who: str | None) -> None:
    """Write the line of one request; started by `time.perf_counter` [s].

    who: `key`, the id of the access key, `address`, as it is believed, and `reason`, why it was denied; None
    where there is none
    """
    if not _log.isEnabledFor(logging.INFO):
        return
    _log.info(
        "request",
        extra={
            **{name: told for name, told in who.items() if told is not None},
            "request_id": request_id,
            "method": method if method in METHODS else "other",
            "path": path,
            "status": status,
            "ms": round((time.perf_counter() - started) * 1000, 3),
        },
    )
