"""What the tests share: a request, the real service in this process, and the real server on a free port."""

from __future__ import annotations

import copy
import fcntl
import json
import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
import requests

with suppress(ModuleNotFoundError):  # the oldest libraries of a client are tried without it
    import hypothesis

    hypothesis.settings.register_profile("untimed", deadline=None)
    hypothesis.settings.load_profile("untimed")

ROOT = Path(__file__).parent.parent

SLOW = (
    "bench", "compatibility", "docker", "fuzz", "load", "pages", "supply",
    "check/test_desk.py::test_no_request", "check/test_material_error",
    "core/test_cluster", "core/test_compiled", "core/test_extras.py::test_an_extra",
    "core/test_threads.py::test_a_solid_that_leaves",
    "design/test_detail", "design/test_memory", "design/test_meshes.py::test_every_format",
    "design/test_meshes.py::test_nested", "design/test_step",
    "lot/test_decisions.py::test_a_sample_is_drawn", "lot/test_reading_hostile.py::test_a_zip_bomb_that",
    "lot/test_unpacking.py::test_what",
    "motion/test_calibration", "motion/test_frohlich", "motion/test_independent",
    "motion/test_laws.py::test_an_upright", "motion/test_trade_facts.py::test_an_easy_pattern",
    "motion/test_studies.py::test_spread_is_that",
    "published/test_hole_integrals.py::test_meshes", "published/test_hole_integrals.py::test_what_two",
    "record/test_prints.py::test_the_command", "record/test_sheet.py::test_by",
    "schemas/test_defaults.py::test_a_check", "schemas/test_unreadable",
    "sdk/test_contract_kit", "sdk/test_generated_clients",
    "sdk/test_designs.py::test_the_command_runs", "sdk/test_floors", "sdk/test_notebook",
    "sdk/test_release.py::test_the_code_needs", "sdk/test_strategies", "sdk/test_types",
    "web/test_contract", "web/test_motions.py::test_friction", "web/test_metrics.py::test_processes",
    "web/test_served", "web/test_server_gate.py::test_a_large_answer",
)  # fmt: skip
"""Folders, files and tests that the fast lane leaves out, by the beginning of their ids below `tests`."""

STARTING = 180
"""Seconds a server may take to compile its kernels on a slow machine."""

DRILLED = {
    "ball": {
        "name": "test ball",
        "weight": 15.2,
        "diameter": 8.55,
        "rg": 2.5,
        "differential": 0.047,
        "intermediate_differential": 0.012,
        "top_weight": 2.5,
        "pin_to_cg": 2.5,
    },
    "drilling": {
        "hand": "right",
        "pap": {"over": 5.0, "up": 0.5},
        "layout": {"drilling_angle": 50, "pin_to_pap": 4.5, "val_angle": 35},
        "grip": {"span_middle": 4.25, "span_ring": 4.375, "bridge": 0.25},
        "holes": [
            {"role": "thumb", "diameter": 0.95, "depth": 2.5},
            {"role": "middle", "diameter": 0.75, "depth": 2.0},
            {"role": "ring", "diameter": 0.75, "depth": 2.0},
        ],
    },
    "rules": {"body": "usbc", "on": "2026-05-01", "stage": "play"},
}

BALL_NUMBERS = {
    "weight": 15.2,
    "radius": 4.275,
    "rg": 2.5,
    "differential": 0.047,
    "intermediate_differential": 0.012,
    "top_weight": 2.5,
    "pin_to_cg": 2.5,
    "cover_thickness": 0.75,
    "cover_density": 1.19,
    "balance_arm": 3.2,
}
LAYOUT_NUMBERS = {
    "hand": 1.0,
    "over": 5.0,
    "up": 0.5,
    "drilling_angle": 50.0,
    "pin_to_pap": 4.5,
    "val_angle": 35.0,
    "span_middle": 4.25,
    "span_ring": 4.375,
    "bridge": 0.25,
    "full_span": 0.0,
}
"""The same ball and its layout as the physics has them."""


SENTENCES = ROOT / "tests" / "sentences.json"
"""The one home of the sentences that tests hold, by a name in words."""


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the option that takes over sentences that changed."""
    parser.addoption("--update-sentences", action="store_true", help=f"rewrite {SENTENCES.name}")


class Sentence:
    """A kept sentence, or texts as JSON has them, equal to that text alone; where updating, it becomes it."""

    def __init__(self, name: str, *, update: bool) -> None:
        self.name, self.update = name, update

    def __eq__(self, text: object) -> bool:
        text = json.loads(json.dumps(text))
        if self.update:
            self._keep(text)
        return bool(self._kept().get(self.name) == text)

    __hash__ = None  # type: ignore[assignment]

    def __call__(self, error: BaseException) -> bool:
        """What `pytest.raises` asks of an error: `check=sentence(name)`."""
        return self == str(error)

    def __repr__(self) -> str:
        return repr(self._kept().get(self.name))

    @staticmethod
    def _kept() -> dict[str, Any]:
        with SENTENCES.open(encoding="utf-8") as file:
            fcntl.flock(file, fcntl.LOCK_SH)
            return json.load(file)

    def _keep(self, text: Any) -> None:
        with SENTENCES.open("r+", encoding="utf-8") as file:
            fcntl.flock(file, fcntl.LOCK_EX)
            kept = {**json.load(file), self.name: text}
            file.seek(0)
            file.truncate()
            json.dump(kept, file, ensure_ascii=False, indent=1, sort_keys=True)
            file.write("\n")


@pytest.fixture(scope="session")
def sentence(pytestconfig: pytest.Config) -> Callable[[str], Sentence]:
    """The sentence of a name, to be compared with `==`."""
    update = pytestconfig.getoption("--update-sentences")
    return lambda name: Sentence(name, update=update)


def _below_tests(path: Path) -> str:
    return path.relative_to(ROOT / "tests").as_posix() if path.is_relative_to(ROOT / "tests") else ""


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Leave files that are slow as a whole unread in the fast lane: some draw their requests when read."""
    slow = _below_tests(collection_path).startswith(SLOW)
    return True if slow and config.option.markexpr == "not slow" else None


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark the slow tests by their ids."""
    for item in items:
        if item.nodeid.removeprefix("tests/").startswith(SLOW):
            item.add_marker(pytest.mark.slow)


@pytest.fixture
def drilled() -> dict[str, Any]:
    """A sound request: a 15.2 lb asymmetrical ball with three holes, laid out for a right-hander."""
    return copy.deepcopy(DRILLED)


@pytest.fixture
def conforming(drilled: dict[str, Any]) -> dict[str, Any]:
    """The same ball with all that its rules ask for, well inside every limit."""
    drilled["ball"] |= {
        "roundness": 0.003, "hardness": 75, "approved_on": "2022-03-01", "cover": "reactive",
        "identity": "checked_by_hand",
    }  # fmt: skip
    return drilled


@pytest.fixture(scope="session")
def app() -> Any:
    """The application, as the server makes it but silent."""
    from ballgauge_service.web.server.application import create_app

    return create_app(json_logs=False, warm_up=False)


@pytest.fixture(scope="session")
def make_records() -> Callable[..., tuple[Any, Any, Any, Any]]:
    """Makes the physics' arrays of one ball by the trade's words: make(ball, layout, holes).

    What is not given is that of a 15.2 lb asymmetrical ball laid out for a right-hander.
    """
    import numpy as np

    from ballgauge_service.physics.drilling import HOLE, empty_balls

    unknown = {"role": 0, "right": np.nan, "up": np.nan, "slug_density": np.nan}

    def make(
        ball: Mapping[str, float], layout: Mapping[str, float], holes: Sequence[Mapping[str, float]]
    ) -> tuple[Any, Any, Any, Any]:
        balls, layouts = empty_balls(1)
        for name, value in (BALL_NUMBERS | dict(ball)).items():
            balls[name] = value
        for name, value in (LAYOUT_NUMBERS | dict(layout)).items():
            layouts[name] = value
        rows = np.zeros((1, len(holes)), HOLE)
        for k, hole in enumerate(holes):
            for name, value in (unknown | dict(hole)).items():
                rows[name][0, k] = value
        return balls, layouts, rows, np.array([len(holes)])

    return make


@contextmanager
def running(command: Callable[[int], list[str]], **options: Any) -> Iterator[str]:
    """Run a server on a free loopback port until it is ready; end it by its own process id."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    address = f"http://127.0.0.1:{port}"
    with subprocess.Popen(command(port), **options) as process:
        try:
            _wait_until_ready(address, process)
            yield address
        finally:
            process.terminate()
            process.wait(timeout=30)


def _wait_until_ready(address: str, process: subprocess.Popen[bytes]) -> None:
    end = time.monotonic() + STARTING
    while time.monotonic() < end:
        assert process.poll() is None, f"the server left with code {process.returncode}"
        try:
            if requests.get(f"{address}/readyz", timeout=5).status_code == 200:
                return
        except requests.ConnectionError:
            pass
        time.sleep(0.1)
    raise AssertionError(f"the server was not ready after {STARTING} s")


@pytest.fixture(scope="session")
def run_server() -> Callable[..., AbstractContextManager[str]]:
    """Runs a server given the command for a port; see `running`."""
    return running


@pytest.fixture(scope="session")
def server_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The file that takes the server's standard error."""
    return tmp_path_factory.mktemp("server") / "log"


@pytest.fixture(scope="session")
def server(server_log: Path) -> Iterator[str]:
    """The address of `ballgauge serve`, or of a service that runs already: BALLGAUGE_TESTED."""
    if running_there := os.environ.get("BALLGAUGE_TESTED"):
        yield running_there
        return
    program = str(Path(sys.executable).with_name("ballgauge"))
    with (
        server_log.open("wb") as log,
        running(lambda port: [program, "serve", "--port", str(port)], stdout=log, stderr=log) as address,
    ):
        yield address


@pytest.fixture(scope="session")
def tracked() -> list[str]:
    """The files of the repository, also those not committed yet."""
    if not (ROOT / ".git").exists() or shutil.which("git") is None:
        pytest.skip("the list of the project's files is git's, and this is no git repository")
    listed = subprocess.run(
        [
            "git",
            "-c",
            f"safe.directory={ROOT}",
            "ls-files",
            "-z",
            "--cached",
            "--others",
            "--exclude-standard",
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split("\0")
    return sorted(name for name in listed if name and (ROOT / name).is_file())


@pytest.fixture(scope="session")
def signing_client() -> Any:
    """A service that signs with the published key."""
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("BALLGAUGE_KEYS_FILE", raising=False)
        patch.setenv("BALLGAUGE_KEYS", "demo")
        from ballgauge_service.web.server.application import create_app

        made = create_app(json_logs=False, warm_up=False).test_client()
        assert made.get("/v1/records/keys").status_code == 200
    return made


@pytest.fixture(autouse=True)
def _shipped_rulebooks() -> Iterator[None]:
    """An application leaves its rulebooks to its thread; the next test begins with the shipped ones."""
    yield
    loader = sys.modules.get("ballgauge_service.rulebooks.loader")
    if loader is not None:
        loader.use(None)
