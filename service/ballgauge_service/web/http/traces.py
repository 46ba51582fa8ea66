"""A span a request by OpenTelemetry, where whoever runs the service asked for it."""

from __future__ import annotations

import logging
from typing import Any

from flask import Flask, Response, g, request

from ballgauge_service.web.http import metrics, request_log
from ballgauge_service.web.http.settings import BadSettings

_log = logging.getLogger("ballgauge_service.traces")


def register(app: Flask, address: str) -> None:
    """Send a span of every request to `address` (OTLP over HTTP).

    It is a child of the caller's span where one came with it (W3C traceparent, Trace Context 1). A span tells
    the method, the route's template and the status, and nothing of what was sent. Raises BadSettings.
    """
    require_extra()
    from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter
    from opentelemetry.sdk.resources import Resource
    from opentelemetry.sdk.trace import TracerProvider
    from opentelemetry.sdk.trace.export import BatchSpanProcessor

    provider = TracerProvider(resource=Resource.create({"service.name": "ballgauge"}))
    provider.add_span_processor(BatchSpanProcessor(OTLPSpanExporter(endpoint=address)))
    trace_with(app, provider)


def require_extra() -> None:
    """Raise BadSettings where the extra ``tracing`` is not installed."""
    try:
        import opentelemetry.exporter.otlp.proto.http.trace_exporter
        import opentelemetry.sdk.trace.export  # noqa: F401
    except ModuleNotFoundError as missing:
        text = f"BALLGAUGE_TRACES needs the extra tracing: pip install 'ballgauge[tracing]' ({missing.name})"
        raise BadSettings(text) from None


def trace_with(app: Flask, provider: Any) -> None:
    """Make a span of every request by a provider of tracers."""
    from opentelemetry.trace import SpanKind, Status, StatusCode
    from opentelemetry.trace.propagation.tracecontext import TraceContextTextMapPropagator

    tracer = provider.get_tracer("ballgauge_service")
    propagator = TraceContextTextMapPropagator()

    def begin() -> None:
        parent = propagator.extract(dict(request.headers.items(lower=True)))
        method = request.method if request.method in request_log.METHODS else "_OTHER"
        g.span = tracer.start_span(
            f"{method} {metrics.route()}",
            parent,
            SpanKind.SERVER,
            {"http.request.method": method, "http.route": metrics.route()},
        )

    def end(response: Response) -> Response:
        g.span.set_attribute("http.response.status_code", response.status_code)
        if response.status_code >= 500:
            g.span.set_status(Status(StatusCode.ERROR))
        return response

    def close(error: BaseException | None) -> None:
        span = g.pop("span", None)
        if span is not None:
            span.end()

    app.before_request(begin)
    app.after_request(end)
    app.teardown_request(close)
