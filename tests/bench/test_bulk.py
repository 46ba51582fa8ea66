"""Bulk work on one worker, on two, on threads and in a plain loop, in one run."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from distributed import LocalCluster
from pyarrow import parquet

from ballgauge_schemas import LOT_REQUEST
from ballgauge_schemas.design.request import DESIGN_REQUEST
from ballgauge_schemas.shared.documents import design_example
from ballgauge_service.core.bulk import Bulk, threads_here
from ballgauge_service.core.bulk.cluster import Cluster
from ballgauge_service.core.bulk.pieces import opened, unasked
from ballgauge_service.design.production import Production, Tolerance, study
from ballgauge_service.design.request import Meshes, read_design
from ballgauge_service.lot.evaluate import Lot
from ballgauge_service.lot.request import read_request
from ballgauge_service.motion.answer import line_map_answer
from ballgauge_service.motion.balls import BoxBall, box_ball
from ballgauge_service.motion.bowlers import BOWLERS
from ballgauge_service.motion.lanes import uniform_lane
from ballgauge_service.motion.line_maps import Line, line_map

ROUNDS = 3
NO_SLOWER = 1.25
"""Most that a second worker, or threads, may cost where they gain nothing: the machine may be busy (ours)."""

SKARN = read_design(DESIGN_REQUEST.load(design_example("skarn_disc_below"))["design"], Meshes({}))


class Plain(Bulk):
    """One piece after the other."""

    def map(
        self, work: Any, common: Any, pieces: Iterable[Any], check: Any = unasked, ahead: int = 1
    ) -> Iterator[Any]:
        return (opened(work(common, piece, check)) for piece in pieces)

    def reads(self, path: str, *, own: bool) -> bool:
        return True


@pytest.fixture(scope="module")
def lot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    rng = np.random.default_rng(1)
    rows = 600_000
    columns = {
        "weight": rng.uniform(14.0, 16.05, rows),
        "circumference": rng.uniform(26.71, 27.0, rows),
        "rg": rng.uniform(2.46, 2.75, rows),
        "hardness": rng.uniform(72.9, 80.0, rows),
    }
    table = pa.table({"serial": [f"OW{k:07d}" for k in range(rows)], **columns})
    path: Path = tmp_path_factory.mktemp("bulk") / "lot.parquet"
    parquet.write_table(table, path, row_group_size=75_000)
    return path


def judged(path: Path, bulk: Bulk) -> Any:
    request = read_request(LOT_REQUEST.load({}))
    with Lot(str(path), None, request, bulk=bulk, rows_wanted=False) as lot:
        assert not list(lot)
        return lot.answer()


def studied(bulk: Bulk) -> Any:
    tolerances = (
        Tolerance(("core",), "density", standard_deviation=0.03),
        Tolerance(("filler", "core", "disc", "pin"), "tilt_x", standard_deviation=1.0),
    )
    return study(SKARN, Production(tolerances, 20_000), bulk=bulk)


def mapped(bulk: Bulk) -> Any:
    balls = tuple(
        box_ball(BoxBall(weight=15.0, rg=2.47 + 0.03 * k, differential=0.05, intermediate_differential=0.01))
        for k in range(4)
    )
    line = Line(balls, (BOWLERS["matched_one_handed"],), (18.0,), deliveries=32)
    return line_map_answer(line_map(line, uniform_lane(20.0), bulk=bulk))


def measured(work: Callable[[Bulk], Any], everybody: dict[str, Bulk]) -> dict[str, list[float]]:
    """Times of each [s], taken in turns, so that a busy moment meets all; what they find must agree."""
    found = {name: repr(work(bulk)) for name, bulk in everybody.items()}
    assert len(set(found.values())) == 1
    times: dict[str, list[float]] = {name: [] for name in everybody}
    for _ in range(ROUNDS):
        for name, bulk in everybody.items():
            before = time.perf_counter()
            work(bulk)
            times[name].append(time.perf_counter() - before)
    return times


@pytest.fixture(scope="module")
def everybody() -> Iterator[dict[str, Bulk]]:
    options: dict[str, Any] = {"threads_per_worker": 1, "host": "127.0.0.1", "silence_logs": 50}
    options["dashboard_address"] = "127.0.0.1:0"
    with LocalCluster(n_workers=1, **options) as one, LocalCluster(n_workers=2, **options) as two:
        yield {
            "plain": Plain(),
            "threads": threads_here(),
            "one worker": Cluster(one.scheduler_address),
            "two workers": Cluster(two.scheduler_address),
        }


@pytest.mark.parametrize("kind", ["study of 20,000 samples", "line map", "lot of 600,000 rows"])
def test_two_workers_and_threads_are_no_slower_than_one(
    kind: str, everybody: dict[str, Bulk], lot: Path, versus: Any
) -> None:
    works: dict[str, Callable[[Bulk], Any]] = {
        "study of 20,000 samples": studied,
        "line map": mapped,
        "lot of 600,000 rows": lambda bulk: judged(lot, bulk),
    }
    times = measured(works[kind], everybody)
    for ours, peer in (("two workers", "one worker"), ("threads", "plain")):
        ratios = [theirs / mine for theirs, mine in zip(times[peer], times[ours], strict=True)]
        versus.hold(
            kind, f"{ours}, {versus.named('dask')}", f"{peer}, the same code", ratios, 1.0 / NO_SLOWER
        )
