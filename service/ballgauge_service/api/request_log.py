"""A request id for every request, and one line of JSON in the log."""

from __future__ import annotations

import json
import logging
import re
import sys
import time
import uuid
from datetime import UTC, datetime

from flask import Flask, Response, g, request

REQUEST_ID = "X-Request-Id"

_SANE_ID = re.compile(r"[!-~]{1,128}")
_FIELDS = ("request_id", "method", "path", "status", "ms")
_LONGEST_PATH = 300

_log = logging.getLogger("ballgauge_service.requests")


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


def register(app: Flask) -> None:
    """Give each request its id and start time, and log it when it is answered."""
    app.before_request(_begin)
    app.after_request(_end)


def _begin() -> None:
    sent = request.headers.get(REQUEST_ID, "")
    g.request_id = sent if _SANE_ID.fullmatch(sent) else uuid.uuid4().hex
    g.started = time.perf_counter()


def _end(response: Response) -> Response:
    response.headers[REQUEST_ID] = g.request_id
    response.headers["X-Content-Type-Options"] = "nosniff"
    _log.info(
        "request",
        extra={
            "request_id": g.request_id,
            "method": request.method,
            "path": request.path[:_LONGEST_PATH],
            "status": response.status_code,
            "ms": round((time.perf_counter() - g.started) * 1000, 3),
        },
    )
    return response
