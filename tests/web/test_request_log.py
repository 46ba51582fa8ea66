"""The log: lines of JSON, and nobody waits for whoever reads them."""

from __future__ import annotations

import json
import logging
import os
import select
from pathlib import Path

import pytest

from ballgauge_service.web.http import running
from ballgauge_service.web.http.request_log import Handler, JsonFormatter

LINES = 2000


def test_a_log_that_nobody_reads_stops_nobody_and_says_what_was_lost() -> None:
    """Against a pipe that is full, as that of a collector which hangs; each line that came is whole."""
    reading, writing = os.pipe()
    logger = logging.Logger("log")
    with open(reading, encoding="utf-8") as reader, open(writing, "w", encoding="utf-8") as writer:
        handler = Handler(writer)
        handler.setFormatter(JsonFormatter())
        logger.addHandler(handler)
        for number in range(LINES):
            logger.info("line %d", number)
        lost = handler.lost
        assert 0 < lost < LINES
        lines = []
        while select.select([reader], [], [], 0)[0]:
            lines.append(reader.readline())
        logger.info("the last")
        handler.close()
        writer.close()
        lines += list(reader)
    told = [json.loads(line)["message"] for line in lines if line]
    assert len(told) == LINES - lost + 2
    assert told[-2:] == [f"lines lost while nobody read the log: {lost}", "the last"]


def test_a_line_is_no_longer_than_a_pipe_takes_at_once() -> None:
    """Against PIPE_BUF, up to which what several processes write does not mix (POSIX.1-2017, write)."""

    def deep(level: int) -> None:
        if not level:
            raise RuntimeError
        deep(level - 1)

    with pytest.raises(RuntimeError) as found:
        deep(100)
    raised = (found.type, found.value, found.tb)
    record = logging.LogRecord("log", logging.ERROR, "", 0, "failed", (), raised)
    line = JsonFormatter().format(record)
    assert len(line) < select.PIPE_BUF < len(JsonFormatter().formatException(raised))
    told = json.loads(line)["exception"]
    assert told.startswith("builtins.RuntimeError")
    assert told.endswith("deep")


def test_the_end_is_looked_for_a_few_times_a_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Against how often the disk is asked; who tells it looks at once."""
    monkeypatch.setenv(running.FOLDER, str(tmp_path))
    asked: list[str] = []
    exists = os.path.exists
    monkeypatch.setattr(os.path, "exists", lambda path: asked.append(path) or exists(path))
    monkeypatch.setattr(running, "_looked", 0.0)
    assert not any(running.is_ending() for _ in range(1000))
    assert len(asked) <= 40
    running.say_ending(os.getpid())
    assert running.is_ending()
    monkeypatch.setattr(running, "_looked", 0.0)
