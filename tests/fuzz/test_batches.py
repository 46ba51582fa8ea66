"""Many at once against one at a time, byte for byte; and a lot in any chunks, by any number of threads.

Oracle: the same service, asked for each ball alone, and the same file read whole by one thread.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numba
import numpy as np
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyarrow import csv, parquet

from ballgauge_schemas import LOT_REQUEST, example
from ballgauge_service.lot.evaluate import Lot
from ballgauge_service.lot.request import read_request

RANGES = {
    "weight": (6.0, 16.2), "diameter": (8.49, 8.6), "rg": (2.42, 2.81), "differential": (0.02, 0.062),
    "intermediate_differential": (0.0, 0.02), "top_weight": (-1.0, 6.0), "pin_to_cg": (0.0, 6.0),
}  # fmt: skip
PLACES = {
    ("layout", "drilling_angle"): (0.0, 90.0), ("layout", "pin_to_pap"): (0.5, 6.5),
    ("layout", "val_angle"): (0.0, 90.0), ("pap", "over"): (2.0, 6.5), ("pap", "up"): (-1.5, 1.5),
    ("grip", "bridge"): (0.2, 0.5),
}  # fmt: skip
CASES = settings(
    max_examples=15, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)


@st.composite
def drillings(draw: st.DrawFn) -> dict[str, Any]:
    """A drilling that can be made of a ball that can be, its numbers all over what is usual."""
    asked = example("drilling")

    def number(low: float, high: float) -> Any:
        value = draw(st.floats(low, high))
        spread = draw(st.none() | st.floats(0.0, 0.01 * (high - low)).map(abs))
        return value if spread is None else {"value": value, "uncertainty": spread}

    asked["ball"] |= {name: number(*limits) for name, limits in RANGES.items()}
    for (part, name), limits in PLACES.items():
        asked["drilling"][part][name] = draw(st.floats(*limits))
    for hole in asked["drilling"]["holes"]:
        hole["depth"] = draw(st.floats(0.5, 3.0))
    asked["drilling"]["hand"] = draw(st.sampled_from(["right", "left"]))
    return asked


@st.composite
def checks(draw: st.DrawFn) -> dict[str, Any]:
    """The same as a check, or a ball as made."""
    asked = draw(drillings())
    asked.pop("remedies", None)
    if draw(st.booleans()):
        asked.pop("drilling")
        asked.pop("measured_balance", None)
    on = draw(st.sampled_from(["1999-01-01", "2019-06-01", "2026-05-01"]))
    asked["rules"] = {"body": draw(st.sampled_from(["usbc", "ibf"])), "on": on}
    asked["decision"] = {"rule": draw(st.sampled_from(["simple", "guarded"]))}
    return asked


def held_to_one_at_a_time(app: Any, path: str, name: str, items: list[dict[str, Any]]) -> int:
    """Ask for all that are answered alone in one request; gives how many they were."""
    client = app.test_client()
    alone = [(item, client.post(path, json=item)) for item in items]
    assert {answer.status_code for _, answer in alone} <= {200, 422}
    sound = [(item, answer.data.strip()) for item, answer in alone if answer.status_code == 200]
    if sound:
        together = client.post(path, json={name: [item for item, _ in sound]})
        assert together.status_code == 200
        assert b"[" + b",".join(data for _, data in sound) + b"]" in together.data
    return len(sound)


@pytest.mark.parametrize("strategy", [checks, drillings])
def test_a_batch_is_answered_with_the_bytes_of_its_parts(app: Any, strategy: Any) -> None:
    name = strategy.__name__
    sizes: list[int] = []

    @CASES
    @given(st.lists(strategy(), min_size=2, max_size=7))
    def held(items: list[dict[str, Any]]) -> None:
        sizes.append(held_to_one_at_a_time(app, f"/v1/{name}", name, items))

    held()
    assert max(sizes) >= 3


def lot(seed: int) -> pa.Table:
    """Twenty thousand balls, some beyond a limit, some without a number."""
    chance, size = np.random.default_rng(seed), 20_000
    columns: dict[str, Any] = {
        name: pa.array(chance.uniform(*RANGES[name], size).round(4), mask=chance.random(size) < 0.02)
        for name in ("weight", "diameter", "rg", "differential")
    }
    columns["serial"] = pa.array([f"S{number}" for number in range(size)])
    columns["hardness_uncertainty"] = pa.array(np.full(size, 0.4))
    columns["hardness"] = pa.array(chance.normal(74.0, 1.0, size).round(2))
    columns["approved_on"] = pa.array(chance.choice(["2019-01-01", "2023-01-01"], size))
    return pa.table(columns)


def written(table: pa.Table, kind: str) -> bytes:
    sink = io.BytesIO()
    if kind == "csv":
        csv.write_csv(table, sink)
    elif kind == "parquet":
        parquet.write_table(table, sink, row_group_size=3000)
    else:
        sink.write("".join(json.dumps(row) + "\n" for row in table.to_pylist()).encode())
    return sink.getvalue()


@contextmanager
def threads(count: int) -> Iterator[None]:
    before = pa.cpu_count(), numba.get_num_threads()
    pa.set_cpu_count(count)
    numba.set_num_threads(min(count, numba.config.NUMBA_NUM_THREADS))
    try:
        yield
    finally:
        pa.set_cpu_count(before[0])
        numba.set_num_threads(before[1])


def judged(data: bytes, kind: Any, chunk: int, rule: Any) -> tuple[str, list[bytes]]:
    """The answer, and the verdicts' columns, as bytes."""
    options = {"rules": {"on": "2026-05-01", "stage": "play"}, "decision": {"rule": rule}}
    request = read_request(LOT_REQUEST.load({**options, "file": {"format": kind}}))
    with Lot(io.BytesIO(data), None, request, chunk_bytes=chunk) as lot:
        found = list(lot)
        answer = json.dumps(lot.answer())
    joined = [
        np.concatenate([getattr(part, name) for part in found], axis=-1)
        for name in ("rows", "outcome", "rule", "margin", "reason", "by_rule")
    ]
    return answer, [column.tobytes() for column in joined]


@pytest.mark.parametrize("rule", ["simple", "guarded"])
@pytest.mark.parametrize("kind", ["csv", "ndjson", "parquet"])
def test_a_lot_is_the_same_in_any_chunks_and_by_any_threads(kind: str, rule: str) -> None:
    data = written(lot(seed=7), kind)
    with threads(1):
        expected = judged(data, kind, len(data), rule)
    for chunk in (5_000, 70_001, 1 << 22):
        for count in (1, 2, 3):
            with threads(count):
                assert judged(data, kind, chunk, rule) == expected, (chunk, count)
