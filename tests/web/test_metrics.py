"""Metrics against what was asked, read by the client library's own parser."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families

from ballgauge_service.web.http.settings import Settings
from ballgauge_service.web.server.application import create_app


def samples(text: str) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def count(client: Any, name: str, **labels: str) -> float:
    return samples(client.get("/metrics").text).get((name, tuple(sorted(labels.items()))), 0.0)


@pytest.fixture
def client(app: Any) -> Any:
    return app.test_client()


def test_requests_are_counted_by_template_and_status(client: Any, drilled: dict[str, Any]) -> None:
    name = "ballgauge_request_seconds_count"
    asked = [("/v1/checks", "200"), ("/v1/checks", "400"), ("/static/<path:name>", "200"), ("(none)", "404")]
    before = [count(client, name, route=route, status=status) for route, status in asked]
    client.post("/v1/checks", json=drilled)
    client.post("/v1/checks", data=b"{", content_type="application/json")
    client.get("/static/pages.css")
    for n in range(3):
        client.get(f"/SECRET-{n}")
    after = [count(client, name, route=route, status=status) for route, status in asked]
    assert [b - a for a, b in zip(before, after, strict=True)] == [1, 1, 1, 3]
    assert "SECRET" not in client.get("/metrics").text


def test_outcomes_are_counted_by_rulebook(client: Any, drilled: dict[str, Any]) -> None:
    answer = client.post("/v1/checks", json={"checks": [drilled, drilled]}).json
    (outcome,) = {result["outcome"] for result in answer["results"]}
    before = count(client, "ballgauge_outcomes_total", rulebook="usbc", outcome=outcome)
    client.post("/v1/checks", json={"checks": [drilled] * 3})
    assert count(client, "ballgauge_outcomes_total", rulebook="usbc", outcome=outcome) == before + 3


def test_metrics_can_be_left_out() -> None:
    app = create_app(json_logs=False, warm_up=False, settings=Settings(metrics=False))
    assert app.test_client().get("/metrics").status_code == 404


MANY = """
import json, os, sys
from ballgauge_service.web.server.application import create_app
from ballgauge_service.web.http import metrics
client = create_app(json_logs=False, warm_up=False).test_client()
if sys.argv[1] == "ask":
    client.get("/healthz")
    metrics.show_turns("cheap", 1, 1)
    metrics.show_turns("heavy", 0, 1)
else:
    print(client.get("/metrics").text)
"""


def test_processes_are_added_up_and_the_dead_compute_no_more(tmp_path: Any) -> None:
    """Against three processes that each answered once and ended, one of them while it computed."""
    environment = os.environ | {"PROMETHEUS_MULTIPROC_DIR": str(tmp_path)}

    def run(what: str) -> str:
        done = subprocess.run(
            [sys.executable, "-c", MANY, what], env=environment, capture_output=True, text=True, check=True
        )
        return done.stdout

    for _ in range(3):
        run("ask")
    found = samples(run("tell"))
    labels = (("route", "/healthz"), ("status", "200"))
    assert found["ballgauge_request_seconds_count", labels] == 3
    assert found.get(("ballgauge_computing", ()), 0.0) == 0.0


def test_the_log_of_an_error_holds_no_value(capsys: pytest.CaptureFixture[str]) -> None:
    """Against an exception, and one it came of, that both repeat what a customer sent."""
    import logging

    from ballgauge_service.web.http.request_log import JsonFormatter

    logger, handler = logging.getLogger("test_metrics.errors"), logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonFormatter())
    logger.addHandler(handler)
    try:
        try:
            try:
                float("SECRET")
            except ValueError as error:
                raise RuntimeError("about SECRET") from error
        except RuntimeError:
            logger.exception("it failed")
    finally:
        logger.removeHandler(handler)
    line = capsys.readouterr().err
    record = json.loads(line)
    assert "SECRET" not in line
    assert "builtins.RuntimeError" in record["exception"]
    assert "caused by builtins.ValueError" in record["exception"]
    assert "test_the_log_of_an_error_holds_no_value" in record["exception"]
