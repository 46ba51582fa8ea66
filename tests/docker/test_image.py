"""The image, built step by step and run as an engine would: no root, nothing to write to but /tmp."""

from __future__ import annotations

import base64
import copy
import dataclasses
import io
import json
import os
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import openpyxl
import pytest
import requests
import trimesh
from pyarrow import csv, parquet

import ballgauge
from ballgauge_service.record.keys import new_key

LARGEST = 575_000_000
"""Bytes of the image's files on the machines that test it, with the kernels of checks."""

READY_WITHIN = 120
"""Seconds to wait at the most; none of the tests passes or fails by how long it took."""

PYTHON = "/opt/ballgauge/environment/bin/python"


@dataclasses.dataclass
class Running:
    container: Any
    process: subprocess.Popen[str]
    port: int
    log: Path
    temporary: Path

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def as_started(image: Any, temporary: Path) -> Any:
    """The image as the manifests start it: a read-only root and a folder for /tmp."""
    user, group = map(int, image.user.split(":"))
    temporary.mkdir()
    os.chown(temporary, user, group)
    started = copy.deepcopy(image)
    started.temporary, started.read_only = temporary, True
    return started


@pytest.fixture(scope="module")
def running(image: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """The service of the image, ready, with half of a copy that an earlier start left behind."""
    work = tmp_path_factory.mktemp("run")
    container = as_started(image, work / "tmp")
    container.environment["BALLGAUGE_KEYS"] = json.dumps(new_key("2026-a"))
    user, group = map(int, image.user.split(":"))
    kept = next((image.folder / "opt/ballgauge/kernels/ballgauge").iterdir()).name
    broken = work / "tmp" / "cache" / "ballgauge" / f"{kept}.new"
    broken.mkdir(parents=True)
    broken.joinpath("half").touch()
    for folder in (broken, *list(broken.parents)[:2]):
        os.chown(folder, user, group)
    os.chown(broken / "half", user, group)
    port = free_port()
    command = [*image.entrypoint, "--host", "127.0.0.1", "--port", str(port)]
    with (
        (work / "log").open("w") as log,
        subprocess.Popen(container.argv(command), stdout=log, stderr=log, text=True) as process,
    ):
        found = Running(container, process, port, work / "log", work / "tmp")
        try:
            wait_until_ready(found)
            yield found
        finally:
            if process.poll() is None:
                process.kill()


def wait_until_ready(found: Running) -> None:
    end = time.monotonic() + READY_WITHIN
    while time.monotonic() < end:
        assert found.process.poll() is None, found.log.read_text()
        try:
            if requests.get(f"{found.address}/readyz", timeout=5).status_code == 200:
                return
        except requests.ConnectionError:
            pass
        time.sleep(0.1)
    raise AssertionError(found.log.read_text())


def tree(folder: Path) -> set[str]:
    return {str(file.relative_to(folder)) for file in folder.rglob("*") if file.is_file()}


def test_a_check_gives_the_same_answer_as_the_engine_here(running: Running, conforming: Any) -> None:
    """Against the engine in this process, which is compiled for this very processor."""
    with ballgauge.Client.embedded() as here, ballgauge.Client(running.address) as there:
        assert there.check(conforming).raw == here.check(conforming).raw
        assert there.check(conforming).outcome == "conforming"


def test_it_runs_the_kernels_of_the_image_and_compiles_none(running: Running, conforming: Any) -> None:
    """The code kept in the image is all the code there is, after checks too."""
    with ballgauge.Client(running.address) as client:
        client.check(conforming)
    kept = running.container.folder / "opt/ballgauge/kernels/ballgauge"
    assert tree(running.temporary / "cache" / "ballgauge") == tree(kept)
    assert any(name.endswith(".nbc") for name in tree(kept))


def test_it_has_no_rights(running: Running) -> None:
    """As Linux itself tells of the process that serves: credentials(7), capabilities(7)."""
    children = Path(f"/proc/{running.process.pid}/task/{running.process.pid}/children").read_text().split()
    for pid in (running.process.pid, *children):
        told = dict(
            line.split(":\t", 1)
            for line in Path(f"/proc/{pid}/status").read_text().splitlines()
            if ":\t" in line
        )
        assert told["Uid"].split() == ["10001"] * 4
        assert told["Gid"].split() == ["10001"] * 4
        assert int(told["CapEff"], 16) == int(told["CapPrm"], 16) == int(told["CapBnd"], 16) == 0
        assert told["NoNewPrivs"] == "1"


@pytest.mark.parametrize("place", ["/opt/ballgauge/bin/x", "/opt/x", "/x", "/usr/x", "/root/x"])
def test_nothing_can_be_written_but_tmp(running: Running, place: str) -> None:
    """Not even by root."""
    for user in (running.container.user, "0:0"):
        container = copy.deepcopy(running.container)
        container.user = user
        done = container.run([PYTHON, "-I", "-c", f"open({place!r}, 'w')"])
        assert done.returncode != 0
        assert "Read-only file system" in done.stderr or "Permission denied" in done.stderr
    assert running.container.run([PYTHON, "-I", "-c", "open('/tmp/x', 'w')"]).returncode == 0


def test_the_health_check_tells_ready_from_not(running: Running) -> None:
    asked = copy.deepcopy(running.container)
    for port, code in ((running.port, 0), (free_port(), 1)):
        asked.environment["HEALTH_PORT"] = str(port)
        assert asked.run(running.container.health).returncode == code


def test_no_program_to_install_with_is_left(running: Running) -> None:
    """The environment of the image has no pip, and none of the tools that built it; nor is there a shell."""
    assert running.container.scratch
    for program in ("sh", "apt-get", "dpkg"):
        assert "FileNotFoundError" in running.container.run([program]).stderr, program
    for module in ("pip", "setuptools", "build", "hatchling", "pytest", "cyclonedx"):
        done = running.container.run([PYTHON, "-I", "-c", f"import {module}"])
        assert "ModuleNotFoundError" in done.stderr, module
    assert not (running.container.folder / "source").exists()
    assert not (running.container.folder / "opt" / "tools").exists()


def test_the_bill_of_materials_names_what_is_in_the_image(running: Running) -> None:
    """Against importlib.metadata inside the image; pip built it and left."""
    bill = json.loads((running.container.folder / "opt/ballgauge/bill-of-materials.json").read_text())
    code = (
        "from importlib.metadata import distributions; import json;"
        "print(json.dumps([[d.name.lower(), d.version] for d in distributions()]))"
    )
    inside = json.loads(running.container.run([PYTHON, "-I", "-c", code]).stdout)
    told = [[part["name"].lower(), part["version"]] for part in bill["components"]]
    assert sorted(told) == sorted(inside)
    assert ["ballgauge", ballgauge.__version__] in told


def example(folder: str, name: str) -> bytes:
    return files("ballgauge_schemas").joinpath(folder, name).read_bytes()


def sent(running: Running, path: str, body: bytes, media: str, accept: str = "application/json") -> bytes:
    answer = requests.post(
        f"{running.address}/v1/{path}", body, headers={"Content-Type": media, "Accept": accept}, timeout=600
    )
    assert answer.status_code == 200, answer.text[:500]
    assert answer.headers["Content-Type"].startswith(accept)
    return answer.content


ASKING = """
import json
from ballgauge_service.web.server.application import create_app

client = create_app(json_logs=False, warm_up=False).test_client()
for path, body, accept in json.load(open("/tmp/asked.json")):
    answer = client.post(f"/v1/{path}", json=body, headers={"Accept": accept})
    print(json.dumps([answer.status_code, answer.content_type, answer.data.decode("latin-1")]))
"""
"""Asks the service in a process that interprets the kernels: the image of the tests has not all of them."""


def asked_inside(running: Running, asked: list[tuple[str, Any, str]]) -> list[str]:
    """The bodies of the answers to `asked`: path, request and kind of answer."""
    running.temporary.joinpath("asked.json").write_text(json.dumps(asked))
    done = running.container.run([PYTHON, "-I", "-c", ASKING])
    assert done.returncode == 0, done.stderr
    answers = [json.loads(line) for line in done.stdout.splitlines()]
    for (_, _, accept), (status, media, body) in zip(asked, answers, strict=True):
        assert (status, media.partition(";")[0]) == (200, accept), body[:500]
    return [body for _, _, body in answers]


JSON, PDF, HTML, SVG = "application/json", "application/pdf", "text/html", "image/svg+xml"
CSV, PARQUET = "text/csv", "application/vnd.apache.parquet"
EXCEL = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def test_what_the_image_draws(running: Running) -> None:
    """Sheets, pages, pictures and solids."""
    design = {"design": json.loads(example("example_designs", "skarn.json"))["design"]}
    motion = json.loads(example("example_motions", "motion.json"))
    sheet = {"check": json.loads(example("examples", "drilled.json"))}
    begins = [
        (("drillings/sheets", sheet, PDF), "%PDF-"),
        (("designs", design, PDF), "%PDF-"),
        (("designs", design, HTML), "<!doctype html>"),
        (("designs", design, SVG), "<svg"),
        (("designs", design, "model/3mf"), "PK"),
        (("motions", motion, HTML), "<"),
    ]
    bodies = asked_inside(running, [asked for asked, _ in begins])
    for body, (asked, beginning) in zip(bodies, begins, strict=True):
        assert body.lower().startswith(beginning.lower()), asked


def test_the_image_reads_solids(running: Running) -> None:
    """A core as STL and as 3MF is the same core."""
    core = trimesh.creation.icosphere(subdivisions=3, radius=50.0)
    asked = []
    for kind in ("stl", "3mf"):
        design = json.loads(example("example_designs", "skarn.json"))["design"]
        data = base64.b64encode(core.export(file_type=kind)).decode()
        design["meshes"] = [{"name": "core", "unit": "mm", "format": kind, "data": data}]
        design["solids"][2] = {
            "name": "core", "role": "inner_core", "shape": "mesh", "mesh": "core", "density": 2.7,
        }  # fmt: skip
        asked.append(("designs", {"design": design}, JSON))
    one, other = (json.loads(body)["properties"] for body in asked_inside(running, asked))
    assert one["asymmetry_ratio"] == pytest.approx(other["asymmetry_ratio"], abs=1e-6)
    assert one["contributions"][2]["mass"] == pytest.approx(other["contributions"][2]["mass"], rel=1e-6)


def test_the_image_reads_and_writes_lots(running: Running) -> None:
    """One lot as CSV, Parquet, lines of JSON and a workbook; then every form of answer."""
    # Hardnesses stand with a unit in some rows alone, which a column of text cannot say.
    table = csv.read_csv(io.BytesIO(example("example_lots", "ostrel_tarn_48.csv"))).drop(["hardness"])
    text, written = io.BytesIO(), io.BytesIO()
    csv.write_csv(table, text)
    parquet.write_table(table, written)
    lines = "".join(json.dumps(row, default=str) + "\n" for row in table.to_pylist()).encode()
    book, sheet = openpyxl.Workbook(), io.BytesIO()
    for row in [table.column_names, *(list(row.values()) for row in table.to_pylist())]:
        book.active.append(row)
    book.save(sheet)
    counts = [
        json.loads(sent(running, "lots", body, media))["counts"]
        for body, media in (
            (text.getvalue(), CSV),
            (written.getvalue(), PARQUET),
            (lines, "application/x-ndjson"),
            (sheet.getvalue(), EXCEL),
        )
    ]
    assert counts == counts[:1] * 4
    begins = {
        CSV: b"row,",
        PARQUET: b"PAR1",
        PDF: b"%PDF-",
        HTML: b"<!doctype html>",
        "application/zip": b"PK",
    }
    for accept, beginning in begins.items():
        assert sent(running, "lots", text.getvalue(), CSV, accept).lower().startswith(beginning.lower()), (
            accept
        )


def test_the_image_signs_prints_and_reads_records(running: Running, conforming: Any) -> None:
    signed = json.loads(sent(running, "records", json.dumps({"check": conforming}).encode(), JSON))
    for form, media in (("label", PDF), ("code", "image/png")):
        asked = json.dumps({"record": signed["record"], "form": form}).encode()
        found = sent(running, "records/read", sent(running, "records/prints", asked, JSON, media), media)
        assert json.loads(found)["record"] in (signed["record"], signed["label"])


@pytest.mark.parametrize(
    "path", ["", "guide", "guide/operations", "guide/motion", "docs/", "openapi.json", "metrics"]
)
@pytest.mark.parametrize("language", ["en", "de"])
def test_the_image_has_its_pages(running: Running, path: str, language: str) -> None:
    answer = requests.get(f"{running.address}/{path}", headers={"Accept-Language": language}, timeout=60)
    assert answer.status_code == 200


CLUSTER = """
import cryptography, granian, lxml.etree, manifold3d, uvloop, zxingcpp, rapidfuzz.process
from distributed import LocalCluster
from ballgauge_service.core.bulk import bulk_at
from ballgauge_service.web.http.traces import require_extra
from ballgauge_service.check.identity import looked_up
if __name__ == "__main__":
    require_extra()
    with LocalCluster(1, threads_per_worker=1, dashboard_address=None) as cluster:
        print(cluster.get_client().submit(sum, (40, 2)).result())
"""


def test_the_image_has_a_cluster_traces_and_its_command(running: Running) -> None:
    """A worker of its own process computes; the program of the command reads a request."""
    running.temporary.joinpath("one.py").write_text(CLUSTER)
    done = running.container.run([PYTHON, "-I", "/tmp/one.py"])
    assert done.stdout == "42\n", done.stderr
    running.temporary.joinpath("one.json").write_bytes(example("examples", "as_made.json"))
    done = running.container.run(["ballgauge", "check", "/tmp/one.json"])
    assert done.returncode == 0, done.stderr
    assert "conforming" in done.stdout.lower()


def test_the_image_is_no_larger_than_it_says(running: Running) -> None:
    """In bytes of files; the kernels of other kinds than checks come on top."""
    size = sum(file.lstat().st_size for file in running.container.folder.rglob("*"))
    assert size < LARGEST, f"{size / 1e6:.0f} MB"


def test_zz_a_signal_stops_it_in_order(running: Running, conforming: Any) -> None:
    """SIGTERM, as the engine sends it to the first process: it ends by itself and without an error."""
    running.process.send_signal(signal.SIGTERM)
    assert running.process.wait(timeout=60) == 0
    lines = [json.loads(line) for line in running.log.read_text().splitlines()]
    assert not [line for line in lines if line["level"] == "error"]
    with pytest.raises(requests.ConnectionError):
        requests.get(f"{running.address}/healthz", timeout=5)
