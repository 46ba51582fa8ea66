"""Bulk work on a Dask cluster of processes on this machine: the same bytes, whatever becomes of workers."""

from __future__ import annotations

import json
import os
import pickle
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from distributed import LocalCluster
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import ballgauge
from ballgauge._command.program import run as command
from ballgauge_schemas.design.request import DESIGN_REQUEST
from ballgauge_schemas.shared.documents import design_example
from ballgauge_service.core import bulk
from ballgauge_service.core.budget import Canceled, Run
from ballgauge_service.core.bulk import BulkUnavailable, bulk_at, cluster, pieces, sameness, threads_here
from ballgauge_service.core.bulk.cluster import Cluster, cluster_at
from ballgauge_service.design.production import Production, Tolerance, study
from ballgauge_service.design.request import Meshes, read_design
from ballgauge_service.lot.reading import reading
from ballgauge_service.motion.balls import BoxBall, box_ball
from ballgauge_service.motion.bowlers import BOWLERS, scattered
from ballgauge_service.motion.lanes import uniform_lane
from ballgauge_service.motion.starts import PIECE, USUAL, Throw
from ballgauge_service.motion.starts import run as follow
from ballgauge_service.web.http.settings import Settings
from ballgauge_service.web.server.application import create_app

from .works import (
    LINE_MAPS,
    LINES,
    LOT_OPTIONS,
    PRODUCTIONS,
    SPREADS,
    Plain,
    ask,
    ask_lot,
    packed,
    production,
    tables,
)

FEW = settings(
    max_examples=5, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)
NOBODY = "tcp://127.0.0.1:1"
SKARN = read_design(DESIGN_REQUEST.load(design_example("skarn_disc_below"))["design"], Meshes({}))


@contextmanager
def workers(count: int) -> Iterator[LocalCluster]:
    """Processes of one thread each behind a scheduler on a free port of the loopback; all ended after it."""
    with LocalCluster(
        n_workers=count, threads_per_worker=1, host="127.0.0.1", dashboard_address="127.0.0.1:0",
        silence_logs=50,
    ) as found:  # fmt: skip
        yield found


@pytest.fixture(scope="module")
def two() -> Iterator[LocalCluster]:
    with workers(2) as found:
        yield found


@pytest.fixture(scope="module")
def services(two: LocalCluster) -> Iterator[dict[str, Any]]:
    """The same application with a plain loop, with threads and with the cluster."""
    plain, known = Plain(), bulk_at
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(bulk, "bulk_at", lambda address: plain if address == "plain" else known(address))
        addresses = {"plain": "plain", "threads": None, "cluster": two.scheduler_address}
        yield {
            name: create_app(
                json_logs=False, warm_up=False, settings=Settings(scheduler=address)
            ).test_client()
            for name, address in addresses.items()
        }


@pytest.fixture
def small_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "PIECE_ROWS", 10)


@FEW
@given(PRODUCTIONS, st.sampled_from(("application/json", LINES)))
def test_studies_have_the_same_bytes(services: dict[str, Any], asked: dict[str, Any], accept: str) -> None:
    """The progress, too, comes in the same steps."""
    found = {name: ask(client, "/v1/designs", asked, accept) for name, client in services.items()}
    assert found["cluster"] == found["threads"] == found["plain"]
    assert found["plain"][0] in (200, 422)


@FEW
@given(st.one_of(SPREADS, LINE_MAPS))
def test_motions_have_the_same_bytes(services: dict[str, Any], asked: dict[str, Any]) -> None:
    found = {name: ask(client, "/v1/motions", asked) for name, client in services.items()}
    assert found["cluster"] == found["threads"] == found["plain"]
    assert found["plain"][0] == 200


@settings(FEW, max_examples=25)
@given(tables(), LOT_OPTIONS, st.sampled_from(("application/json", LINES, "text/csv")))
def test_lots_have_the_same_bytes(
    services: dict[str, Any], file: bytes, options: dict[str, Any], accept: str
) -> None:
    """The plain loop reads the file in one piece; bad rows and refusals are the same too.

    Rows that leave at once leave before a later piece can be refused, so there the pieces are alike.
    """
    with pytest.MonkeyPatch.context() as patch:
        if accept == LINES:
            patch.setattr(reading, "PIECE_ROWS", 10)
        plain = ask_lot(services["plain"], file, options, accept)
        patch.setattr(reading, "PIECE_ROWS", 10)
        assert ask_lot(services["threads"], file, options, accept) == plain
        assert ask_lot(services["cluster"], file, options, accept) == plain
    assert plain[0] in (200, 422)


def lot_file(path: Path, rows: int = 400) -> Path:
    rng = np.random.default_rng(4)
    table = pa.table(
        {
            "serial": [f"S{k % 390}" for k in range(rows)],
            "weight": np.round(rng.uniform(14.0, 16.4, rows), 3),
            "hardness": [("75", "71", "soft", None)[k % 4] for k in range(rows)],
        }
    )
    path.write_bytes(packed(table, 20))
    return path


@pytest.mark.usefixtures("small_pieces")
def test_workers_read_a_local_file_by_its_row_groups(
    two: LocalCluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing of the file is sent: its pieces name row groups. The answer is that of a file that was sent."""
    path = lot_file(tmp_path / "lot.parquet")
    sent: list[Any] = []

    def dumps(value: Any, protocol: int) -> bytes:
        sent.append(value)
        return pickle.dumps(value, protocol)

    monkeypatch.setattr(cluster, "pickle", SimpleNamespace(dumps=dumps))
    told: list[tuple[int, int | None]] = []
    options = {"rules": {"on": "2026-05-01"}}
    with (
        ballgauge.Client.embedded() as here,
        ballgauge.Client.embedded(scheduler=two.scheduler_address) as there,
    ):
        expected = here.assess_lot(path, options, rows=tmp_path / "here.csv")
        found = there.assess_lot(
            path, options, rows=tmp_path / "there.csv", progress=lambda *now: told.append(now)
        )
    assert found.raw == expected.raw
    assert (tmp_path / "there.csv").read_bytes() == (tmp_path / "here.csv").read_bytes()
    assert [type(each) for each in sent[1:]] == [reading.RowGroups] * 20
    size = path.stat().st_size
    assert told == [(size * row // 400, size) for row in range(20, 401, 20)]


@pytest.mark.parametrize("name", ["missing.parquet", "other.parquet"])
def test_a_file_that_workers_do_not_see_is_sent_to_them(
    two: LocalCluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    there = bulk_at(two.scheduler_address)
    path = lot_file(tmp_path / "lot.parquet")
    assert there.reads(str(path), own=False)
    assert not there.reads(str(path), own=True)
    assert not there.reads(str(tmp_path / name), own=False)
    monkeypatch.setattr(
        Cluster, "_asked", lambda *_, **__: {"one worker": cluster.file_mark(str(path)), "two": (1, 1)}
    )
    assert not there.reads(str(path), own=False)


def test_a_spoilt_page_is_told_alike(two: LocalCluster, tmp_path: Path) -> None:
    path = lot_file(tmp_path / "lot.parquet", 4000)
    data = bytearray(path.read_bytes())
    data[len(data) // 3 : len(data) // 3 + 2000] = bytes(2000)
    path.write_bytes(data)
    texts = []
    for scheduler in (None, two.scheduler_address):
        with ballgauge.Client.embedded(scheduler=scheduler) as client:
            with pytest.raises(ballgauge.InvalidRequest) as bad:
                client.assess_lot(path, {"rules": {"on": "2026-05-01"}})
            texts.append([(error.pointer, error.detail) for error in bad.value.errors])
    assert texts[0] == texts[1]
    assert "cannot be read" in texts[0][0][1]


def throws(count: int) -> list[Throw]:
    bowler = BOWLERS["matched_one_handed"]
    ball = box_ball(BoxBall(weight=15.0, rg=2.5, differential=0.05, intermediate_differential=0.01))
    return [Throw(ball, scattered(bowler.release, bowler.scatter, count, 5), uniform_lane(20.0))]


def test_killing_a_worker_changes_nothing_but_time() -> None:
    asked = throws(8 * PIECE)
    expected = follow(asked, USUAL, threads_here())[0]
    with workers(2) as found:
        there = Killing(bulk_at(found.scheduler_address), found, after=2)
        assert follow(asked, USUAL, there)[0].tobytes() == expected.tobytes()
        assert there.killed


class Killing(bulk.Bulk):
    """Kills one worker of a cluster after some results."""

    def __init__(self, inner: bulk.Bulk, found: LocalCluster, after: int) -> None:
        self.inner, self.found, self.after, self.killed = inner, found, after, False

    def map(self, *arguments: Any, **named: Any) -> Iterator[Any]:
        for number, result in enumerate(self.inner.map(*arguments, **named)):
            if number == self.after:
                os.kill(next(iter(self.found.workers.values())).pid, signal.SIGKILL)
                self.killed = True
            yield result

    def reads(self, path: str, *, own: bool) -> bool:
        return self.inner.reads(path, own=own)


def test_what_nobody_takes_any_more_is_cancelled(two: LocalCluster) -> None:
    there = bulk_at(two.scheduler_address)
    found = there.map(*_piecewise(throws(40 * PIECE)))
    next(found)
    found.close()  # type: ignore[attr-defined]
    until(lambda: not any(each.state == "processing" for each in list(two.scheduler.tasks.values())))
    until(lambda: len(two.scheduler.tasks) == 0)


def _piecewise(asked: list[Throw]) -> tuple[Any, Any, Any]:
    """What `follow` gives to `map`."""

    class Seen(Plain):
        def map(self, *arguments: Any, **_: Any) -> Iterator[Any]:
            seen.append(arguments)
            return iter(())

    seen: list[tuple[Any, Any, Any]] = []
    with pytest.raises(ValueError, match="at least one array"):
        follow(asked, USUAL, Seen())
    return seen[0]


def until(true: Callable[[], bool], seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end
        time.sleep(0.05)


def test_a_cancelled_study_leaves_nothing_behind(two: LocalCluster) -> None:
    calls = [0]

    def canceled() -> bool:
        calls[0] += 1
        return calls[0] > 6

    core, there = Tolerance(("core",), "density", standard_deviation=0.03), bulk_at(two.scheduler_address)
    with pytest.raises(Canceled):
        study(SKARN, Production((core,), 20_000), run=Run(canceled=canceled), bulk=there)
    until(lambda: len(two.scheduler.tasks) == 0)


def test_pieces_wait_for_who_takes_them(two: LocalCluster) -> None:
    """At most as many pieces are made ahead as each of the two threads may have in flight."""
    work, common, cut = _piecewise(throws(30 * PIECE))
    taken: list[Any] = []
    found = bulk_at(two.scheduler_address).map(
        work, common, (taken.append(piece) or piece for piece in cut), ahead=2
    )
    for number in range(1, 4):
        next(found)
        assert len(taken) <= number + 4
    found.close()  # type: ignore[attr-defined]


@pytest.mark.parametrize("address", [NOBODY, "nonsense", "http://127.0.0.1:1"])
def test_a_scheduler_out_of_reach_is_told_in_bounded_time(address: str) -> None:
    began = time.monotonic()
    with pytest.raises(BulkUnavailable, match=re.escape(address)):
        follow(throws(2 * PIECE), USUAL, Cluster(address))
    assert time.monotonic() - began < 6 * cluster.CONNECTING


def test_the_command_says_so_and_ends_with_3(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    asked = tmp_path / "study.json"
    asked.write_text(json.dumps(production(300, 1, [1.0] * 4)))
    assert command(["design", str(asked), "--scheduler", NOBODY]) == 3
    assert NOBODY in capsys.readouterr().err
    lot = lot_file(tmp_path / "lot.parquet")
    assert command(["lot", str(lot), "--on", "2026-05-01", "--scheduler", NOBODY]) == 3
    assert NOBODY in capsys.readouterr().err
    assert command(["lot", str(lot), "--scheduler", NOBODY, "--url", "http://127.0.0.1:1"]) == 2
    assert "has its own" in capsys.readouterr().err


def test_the_command_works_on_a_cluster(
    two: LocalCluster, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = tmp_path / "study.json"
    asked.write_text(json.dumps(production(700, 1, [1.0])))
    printed = []
    for more in ([], ["--scheduler", two.scheduler_address]):
        assert command(["design", str(asked), "--json", *more]) in (0, 1)
        printed.append(capsys.readouterr().out)
    assert printed[0] == printed[1]


def test_the_service_answers_503_and_still_does_what_needs_no_scheduler() -> None:
    client = create_app(json_logs=False, warm_up=False, settings=Settings(scheduler=NOBODY)).test_client()
    refused = client.post("/v1/designs", json=production(300, 1, [1.0] * 4))
    assert refused.status_code == 503
    assert refused.headers["Retry-After"].isdigit()
    assert NOBODY in refused.get_json()["detail"]
    lines = client.post("/v1/designs", json=production(300, 1, [1.0] * 4), headers={"Accept": LINES})
    assert json.loads(lines.data.splitlines()[-1])["problem"]["status"] == 503
    alone = production(300, 1, [1.0] * 4)
    del alone["production"]
    assert client.post("/v1/designs", json=alone).status_code == 200


def test_workers_of_another_version_are_refused(two: LocalCluster, monkeypatch: pytest.MonkeyPatch) -> None:
    """Found out when they are connected, and by those that join later themselves."""
    asked = throws(2 * PIECE)
    monkeypatch.setattr(sameness, "_sources", lambda: "0123")
    sameness.mark.cache_clear()
    with pytest.raises(BulkUnavailable, match=r"tcp://\S+ .*\bsources\b"):
        follow(asked, USUAL, Cluster(two.scheduler_address))
    late = Cluster(two.scheduler_address)
    monkeypatch.setattr(late, "_require_same", lambda client, workers: None)
    with pytest.raises(BulkUnavailable, match="sources 0123"):
        follow(asked, USUAL, late)
    monkeypatch.undo()
    sameness.mark.cache_clear()
    follow(asked, USUAL, Cluster(two.scheduler_address))


def test_a_scheduler_without_workers_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "CONNECTING", 2.0)
    with workers(0) as none, pytest.raises(BulkUnavailable, match=re.escape(none.scheduler_address)):
        follow(throws(2 * PIECE), USUAL, Cluster(none.scheduler_address))


def test_workers_or_a_scheduler_lost_for_good_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "WITHOUT_WORKERS", 1.0)
    with workers(1) as one:
        found = Cluster(one.scheduler_address).map(*_piecewise(throws(60 * PIECE)))
        next(found)
        one.scale(0)
        with pytest.raises(BulkUnavailable, match="lost"):
            list(found)
    with workers(1) as one:
        found = Cluster(one.scheduler_address).map(*_piecewise(throws(60 * PIECE)))
        next(found)
        one.close()
        with pytest.raises(BulkUnavailable, match="lost"):
            list(found)


def test_a_function_of_another_package_is_not_run() -> None:
    with pytest.raises(ValueError, match="os:getcwd"):
        cluster.perform_there("os:getcwd", dict(sameness.mark()), pieces.__name__.encode(), b"")


@pytest.fixture
def hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    """Clocks that pass soon, so that a test of silence is short."""
    for name, seconds in (("CONNECTING", 0.5), ("HEARING", 1.0), ("CANCELING", 0.5)):
        monkeypatch.setattr(cluster, name, seconds)


def test_a_scheduler_that_accepts_and_says_nothing_ends_studies_in_words(hasty: None) -> None:
    """Against a socket nobody reads: studies are refused, a check is answered, readiness says degraded."""
    with socket.create_server(("127.0.0.1", 0)) as silent:
        address = f"tcp://127.0.0.1:{silent.getsockname()[1]}"
        client = create_app(
            json_logs=False, warm_up=False, settings=Settings(scheduler=address)
        ).test_client()
        design = production(300, 1, [1.0] * 4)
        for _ in range(2):
            refused = client.post("/v1/designs", json=design)
            assert (refused.status_code, refused.headers["Retry-After"]) == (503, "10")
            assert address in refused.get_json()["detail"]
        assert client.post("/v1/checks", json={"ball": {"weight": 15}}).status_code == 200
        ready = client.get("/readyz")
        assert (ready.status_code, ready.get_json()["degraded"]) == (200, ["scheduler"])
    cluster_at(address).trouble = None
    assert client.get("/readyz").get_json() == {"status": "ok"}


def test_a_scheduler_that_is_stopped_is_given_up_and_found_again(hasty: None) -> None:
    """Against SIGSTOP once it is connected, and SIGCONT."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = str(probe.getsockname()[1])
    command_ = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", port]
    with subprocess.Popen([*command_, "--no-dashboard"], stderr=subprocess.DEVNULL) as scheduler:
        try:
            found = Cluster(f"tcp://127.0.0.1:{port}")
            until(lambda: connects(found))
            (_, client) = found._client or (0, None)
            assert client is not None
            assert not found._workers(client)
            scheduler.send_signal(signal.SIGSTOP)
            with pytest.raises(BulkUnavailable) as told:
                found._workers(client)
            assert found.trouble == str(told.value)
            # Whoever asks next is told at once.
            with pytest.raises(BulkUnavailable):
                found._connected()
            scheduler.send_signal(signal.SIGCONT)
            until(lambda: connects(found))
        finally:
            scheduler.kill()
            found.trouble = None


def connects(found: Cluster) -> bool:
    with suppress(BulkUnavailable):
        found._open()
        return True
    return False
