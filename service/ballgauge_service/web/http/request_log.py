"""The log: one line of JSON a request, under its id.

The log says who asked, by the id of the key and the network address, and holds nothing that a customer sent:
of a path its template, of an error its kind and the places in the code it came through, never its message,
which may repeat a value.
"""

from __future__ import annotations

import logging
import random
import re
import select
import sys
import time
import traceback
from datetime import UTC, datetime
from types import TracebackType

from ballgauge_service.web.http import serializer

REQUEST_ID = "X-Request-Id"
VERSION = "X-Ballgauge-Version"

NO_PATH = "(none)"
"""What the log says for every path that is no address: it could hold anything."""

_SANE_ID = re.compile(r"[!-~]{1,128}")
_FIELDS = ("request_id", "method", "path", "status", "ms", "key", "address", "reason")
TRACE = 3000
"""Letters of an exception in a line (ours): a line is no longer than a pipe takes at once (PIPE_BUF)."""

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
        told = vars(record)
        line |= {name: told[name] for name in _FIELDS if name in told}
        if record.exc_info:
            text = self.formatException(record.exc_info)
            cut = len(text) > TRACE
            line["exception"] = f"{text[: TRACE // 2]}\n  ...\n{text[-TRACE // 2 :]}" if cut else text
        return serializer.dump_in_order(line).decode()

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


class Handler(logging.StreamHandler):  # type: ignore[type-arg]
    """Writes lines where there is room for them: whoever reads the log, and stops, stops no request."""

    lost = 0
    """Lines that there was no room for, until that is told."""

    def emit(self, record: logging.LogRecord) -> None:
        """Write a line, or count it as lost."""
        if not self._has_room():
            self.lost += 1
            return
        if self.lost:
            words = f"lines lost while nobody read the log: {self.lost}"
            super().emit(_log.makeRecord(_log.name, logging.WARNING, "", 0, words, (), None))
            self.lost = 0
        super().emit(record)

    def _has_room(self) -> bool:
        try:
            return bool(select.select([], [self.stream], [], 0)[1])
        except (OSError, ValueError, TypeError):  # no file of this system's that could be asked
            return True


def write_json() -> None:
    """Send the service's log to standard error as JSON; a second call changes nothing."""
    logger = logging.getLogger("ballgauge_service")
    if any(isinstance(handler.formatter, JsonFormatter) for handler in logger.handlers):
        return
    handler = Handler(sys.stderr)
    handler.setFormatter(JsonFormatter())
    logger.addHandler(handler)
    logger.setLevel(logging.INFO)
    logger.propagate = False


def request_id(sent: str) -> str:
    """The id that came with a request, where it can be used, or a new one, which is no secret."""
    return sent if _SANE_ID.fullmatch(sent) else f"{random.getrandbits(128):032x}"


def write(request_id: str, method: str, path: str, status: int, started: float, **who: str | None) -> None:
    """Write the line of one request; started by `time.perf_counter` [s].

    who: `key`, the id of the access key, `address`, as it is believed, and `reason`, why it was denied; None
    where there is none
    """
    if not _log.isEnabledFor(logging.INFO):
        return
    told = {
        **{name: told for name, told in who.items() if told is not None},
        "request_id": request_id,
        "method": method if method in METHODS else "other",
        "path": path,
        "status": status,
        "ms": round((time.perf_counter() - started) * 1000, 3),
    }
    # Made here: `Logger.info` looks for the line of code that calls it, which no line of the log tells.
    _log.handle(_log.makeRecord(_log.name, logging.INFO, "", 0, "request", (), None, extra=told))
