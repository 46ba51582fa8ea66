"""The image, built step by step and run as an engine would: no root, nothing to write to but /tmp."""

from __future__ import annotations

import copy
import dataclasses
import json
import os
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import requests

import ballgauge

READY_WITHIN = 120
"""Seconds to wait at the most; none of the tests passes or fails by how long it took."""


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
        done = container.run(["touch", place])
        assert done.returncode != 0
        assert "Read-only file system" in done.stderr or "Permission denied" in done.stderr
    assert running.container.run(["touch", "/tmp/x"]).returncode == 0


def test_the_health_check_tells_ready_from_not(running: Running) -> None:
    asked = copy.deepcopy(running.container)
    for port, code in ((running.port, 0), (free_port(), 1)):
        asked.environment["HEALTH_PORT"] = str(port)
        assert asked.run(running.container.health).returncode == code


def test_no_program_to_install_with_is_left(running: Running) -> None:
    """The environment of the image has no pip, and none of the tools that built it."""
    python = "/opt/ballgauge/environment/bin/python"
    for module in ("pip", "setuptools", "build", "hatchling", "pytest", "cyclonedx"):
        done = running.container.run([python, "-I", "-c", f"import {module}"])
        assert "ModuleNotFoundError" in done.stderr, module
    assert not (running.container.folder / "source").exists()
    assert not (running.container.folder / "opt" / "tools").exists()


def test_the_bill_of_materials_names_what_is_in_the_image(running: Running) -> None:
    """Against importlib.metadata inside the image; pip built it and left."""
    bill = json.loads((running.container.folder / "opt/ballgauge/bill-of-materials.json").read_text())
    python = "/opt/ballgauge/environment/bin/python"
    code = (
        "from importlib.metadata import distributions; import json;"
        "print(json.dumps([[d.name.lower(), d.version] for d in distributions()]))"
    )
    inside = json.loads(running.container.run([python, "-I", "-c", code]).stdout)
    told = [[part["name"].lower(), part["version"]] for part in bill["components"]]
    assert sorted(told) == sorted(inside)
    assert ["ballgauge", ballgauge.__version__] in told


def test_zz_a_signal_stops_it_in_order(running: Running, conforming: Any) -> None:
    """SIGTERM, as the engine sends it to the first process: it ends by itself and without an error."""
    running.process.send_signal(signal.SIGTERM)
    assert running.process.wait(timeout=60) == 0
    lines = [json.loads(line) for line in running.log.read_text().splitlines()]
    assert not [line for line in lines if line["level"] == "error"]
    with pytest.raises(requests.ConnectionError):
        requests.get(f"{running.address}/healthz", timeout=5)
