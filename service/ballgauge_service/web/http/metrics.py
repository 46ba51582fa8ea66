"""What can be counted without telling of anybody: latency, outcomes, turns and who was turned away.

With several processes the counts lie in the folder that PROMETHEUS_MULTIPROC_DIR names before this module is
imported, and any process tells those of all. No label holds what a caller sent: routes are the templates
of addresses, all unknown paths are one, keys are the ids of those that were let in.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import suppress
from functools import cache, partial
from pathlib import Path

import prometheus_client
from flask import Blueprint, Flask, Response, request
from prometheus_client import CollectorRegistry, Gauge, Histogram, generate_latest
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.multiprocess import MultiProcessCollector, mark_process_dead
from prometheus_client.registry import Collector

from ballgauge_schemas.shared.words import DEGRADED
from ballgauge_service.web.http.running import METRICS_FOLDER

CGROUP = Path("/sys/fs/cgroup")
"""Where Linux tells a container of its memory (control groups, version 2)."""

NO_ROUTE = "(none)"
"""The route of every request to an address that does not exist."""

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"

KEYS_SHOWN = 200
OTHER_KEYS = "(other)"
"""Access keys that a process counts by their ids, and the name of all others together (ours)."""

_known_keys: set[str] = set()
_BUCKETS = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0)

_REGISTRY = CollectorRegistry()
_counter = partial(prometheus_client.Counter, registry=_REGISTRY)
_gauge = partial(Gauge, registry=_REGISTRY, multiprocess_mode="livesum")

_SECONDS = Histogram(
    "ballgauge_request_seconds",
    "Seconds from a request's arrival to the beginning of its answer.",
    ("route", "status"),
    buckets=_BUCKETS,
    registry=_REGISTRY,
)
_OUTCOMES = _counter("ballgauge_outcomes", "Checks by rulebook and outcome.", ("rulebook", "outcome"))
_REJECTS = _counter("ballgauge_rejects", "Requests turned away or given up, by reason.", ("reason",))
_KEYS = _counter(
    "ballgauge_key_requests",
    "Requests by the id of their access key and the kind of answer.",
    ("key", "status"),
)
_COMPUTING = _gauge("ballgauge_computing", "Requests that compute now.")
_WAITING = _gauge("ballgauge_waiting", "Requests that wait for their turn.")
_DEGRADED = _gauge(
    "ballgauge_degraded",
    "Whether something does not work while the service answers, by reason: 1, else 0.",
    ("reason",),
    multiprocess_mode="livemax",
)

_TURNS: dict[str, tuple[int, int]] = {}

blueprint = Blueprint("metrics", __name__)


def register(app: Flask) -> None:
    """Tell at /metrics."""
    for reason in DEGRADED:
        _DEGRADED.labels(reason)
    app.register_blueprint(blueprint)


def turned_away(reason: str) -> None:
    """Count a request that was turned away or given up."""
    _REJECTS.labels(reason).inc()


def count_outcomes(outcomes: Iterable[tuple[str, str]]) -> None:
    """Count checks, each by its rulebook and outcome."""
    for labels, count in Counter(outcomes).items():
        _OUTCOMES.labels(*labels).inc(count)


def show_turns(lane: str, computing: int, waiting: int) -> None:
    """Show how many requests of a lane compute and wait in this process, with those of the others."""
    _TURNS[lane] = computing, waiting
    _COMPUTING.set(sum(each[0] for each in _TURNS.values()))
    _WAITING.set(sum(each[1] for each in _TURNS.values()))


def observe(address: str, status: int, seconds: float, key: str | None) -> None:
    """Measure a request by the template of its address, and count it for its access key."""
    _SECONDS.labels(address, str(status)).observe(seconds)
    if key is not None:
        if len(_known_keys) < KEYS_SHOWN:
            _known_keys.add(key)
        shown = key if key in _known_keys else OTHER_KEYS
        _KEYS.labels(shown, f"{status // 100}xx").inc()


def show_degraded(reason: str, is_so: bool) -> None:
    """Show whether something does not work as it should."""
    _DEGRADED.labels(reason).set(is_so)


def route() -> str:
    """The present request's address as its template."""
    return request.url_rule.rule if request.url_rule is not None else NO_ROUTE


@blueprint.get("/metrics")
def tell() -> Response:
    """Tell all counts in the text format of Prometheus."""
    return Response(generate_latest(_told()), content_type=CONTENT_TYPE)


def _told() -> CollectorRegistry:
    folder = os.environ.get(METRICS_FOLDER)
    if folder is None:
        return _single()
    for path in Path(folder).glob("gauge_live*_*.db"):
        process = int(path.stem.rsplit("_", 1)[1])
        # Another process may be at it at the same time.
        with suppress(FileNotFoundError):
            if not _lives(process):
                mark_process_dead(process, folder)  # type: ignore[no-untyped-call]
    registry = CollectorRegistry()
    MultiProcessCollector(registry, folder)  # type: ignore[no-untyped-call]
    registry.register(_Memory())
    return registry


@cache
def _single() -> CollectorRegistry:
    _REGISTRY.register(_Memory())
    return _REGISTRY


class _Memory(Collector):
    """Memory of the container, or of the machine where it has no limit, of which any process can tell."""

    def collect(self) -> Iterator[GaugeMetricFamily]:
        with suppress(OSError, ValueError, KeyError):
            used, limit = _memory()
            yield GaugeMetricFamily("ballgauge_memory_bytes", "Memory that is held.", used)
            yield GaugeMetricFamily("ballgauge_memory_limit_bytes", "Memory that may be held.", limit)


def _memory() -> tuple[int, int]:
    with suppress(OSError, ValueError):
        limit = int((CGROUP / "memory.max").read_text())
        return _rows(CGROUP / "memory.stat")["anon"], limit
    machine = _rows(Path("/proc/meminfo"))
    return 1024 * (machine["MemTotal:"] - machine["MemAvailable:"]), 1024 * machine["MemTotal:"]


def _rows(path: Path) -> dict[str, int]:
    return {words[0]: int(words[1]) for words in map(str.split, path.read_text().splitlines())}


def _lives(process: int) -> bool:
    try:
        os.kill(process, 0)
    except OSError as error:
        return isinstance(error, PermissionError)
    return True
