"""Traces against the W3C's Trace Context and the SDK's exporter in memory."""

from __future__ import annotations

import subprocess
import sys
from typing import Any

import pytest
from opentelemetry.sdk.trace import TracerProvider
from opentelemetry.sdk.trace.export import SimpleSpanProcessor
from opentelemetry.sdk.trace.export.in_memory_span_exporter import InMemorySpanExporter

from ballgauge_service.web.http import traces
from ballgauge_service.web.http.settings import BadSettings, Settings
from ballgauge_service.web.server.application import create_app

TRACE, PARENT = "0af7651916cd43dd8448eb211c80319c", "b7ad6b7169203331"


@pytest.fixture
def traced() -> tuple[Any, InMemorySpanExporter]:
    app = create_app(json_logs=False, warm_up=False)
    exporter, provider = InMemorySpanExporter(), TracerProvider()
    provider.add_span_processor(SimpleSpanProcessor(exporter))
    traces.trace_with(app, provider)
    return app.test_client(), exporter


def test_a_span_goes_on_where_the_caller_was(traced: Any, drilled: dict[str, Any]) -> None:
    client, exporter = traced
    client.post("/v1/checks", json=drilled, headers={"traceparent": f"00-{TRACE}-{PARENT}-01"})
    (span,) = exporter.get_finished_spans()
    assert f"{span.context.trace_id:032x}" == TRACE
    assert f"{span.parent.span_id:016x}" == PARENT
    assert span.name == "POST /v1/checks"
    assert dict(span.attributes) == {
        "http.request.method": "POST", "http.route": "/v1/checks", "http.response.status_code": 200,
    }  # fmt: skip


@pytest.mark.parametrize("sent", [None, "", "nonsense", f"00-{'0' * 32}-{PARENT}-01", "x" * 9000])
def test_without_a_sound_parent_a_trace_begins(traced: Any, sent: str | None) -> None:
    client, exporter = traced
    client.get("/healthz", headers={} if sent is None else {"traceparent": sent})
    (span,) = exporter.get_finished_spans()
    assert span.parent is None


def test_a_span_tells_nothing_of_what_was_sent(traced: Any) -> None:
    client, exporter = traced
    client.post("/SECRET?name=SECRET", json={"name": "SECRET"}, headers={"X-Name": "SECRET"})
    client.post("/v1/checks", json={"SECRET": "SECRET"})
    client.open("/v1/checks", method="SECRET")
    assert "SECRET" not in "".join(span.to_json() for span in exporter.get_finished_spans())
    names = [span.name for span in exporter.get_finished_spans()]
    assert names == ["POST (none)", "POST /v1/checks", "_OTHER (none)"]


def test_none_are_made_unless_asked_for() -> None:
    """Against the modules a plain application loads."""
    code = (
        "import sys; from ballgauge_service.web.server.application import create_app; "
        "create_app(json_logs=False, warm_up=False).test_client().get('/healthz'); "
        "print([name for name in sys.modules if name.startswith('opentelemetry')])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_missing_extra_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "opentelemetry.sdk.trace", None)
    with pytest.raises(BadSettings, match=r"ballgauge\[tracing\]"):
        create_app(
            json_logs=False, warm_up=False, settings=Settings(traces="http://127.0.0.1:4318/v1/traces")
        )
