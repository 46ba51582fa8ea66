"""A stand-in for a container engine: a Dockerfile's instructions, carried out in a root of their own.

The root is a folder. While the image is built it sees, read-only, this machine's programs and libraries and
this Python, which stand for the image that the Dockerfile begins with; of the Python packages exactly those
that the Dockerfile installs, copied from this environment instead of downloaded. What is written stays in the
folder. The image itself begins with nothing (`FROM scratch`): what runs in it sees what was copied to it and
no more.
"""

from __future__ import annotations

import importlib.util
import json
import os
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from dockerfile_parse import DockerfileParser

ROOT = Path(__file__).parent.parent.parent
DOCKER = ROOT / "docker"

_spec = importlib.util.spec_from_file_location("licenses", DOCKER / "requirements" / "licenses.py")
assert _spec is not None
assert _spec.loader is not None
licenses = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(licenses)

SYSTEM = ("/usr", "/bin", "/sbin", "/lib", "/lib32", "/lib64", "/libx32", "/etc", "/var/lib/dpkg")

ENTER = """
import ctypes, os, sys
root, directory, user, group, *command = sys.argv[1:]
library = ctypes.CDLL(None, use_errno=True)
os.chroot(root)
os.chdir(directory)
DROP_BOUND, NO_NEW_PRIVILEGES = 24, 38
if user != "0":
    for capability in range(64):
        library.prctl(DROP_BOUND, capability, 0, 0, 0)
library.prctl(NO_NEW_PRIVILEGES, 1, 0, 0, 0)
os.setgroups([])
os.setgid(int(group))
os.setuid(int(user))
os.execvp(command[0], command)
"""
"""Enters a root that may hold no program of its own, as a user who gets no more rights (prctl(2))."""


def dockerfile() -> list[dict[str, str]]:
    """The instructions of the image, in order: `instruction` and `value`, without comments."""
    with (DOCKER / "Dockerfile").open("rb") as file:
        return [one for one in DockerfileParser(fileobj=file).structure if one["instruction"] != "COMMENT"]


@dataclass
class Container:
    """A root and what the instructions have set for the programs that run in it.

    scratch: it sees nothing of this machine's system.
    """

    folder: Path
    scratch: bool = False
    environment: dict[str, str] = field(default_factory=dict)
    arguments: dict[str, str] = field(default_factory=dict)
    directory: str = "/"
    user: str = "0:0"
    entrypoint: list[str] = field(default_factory=list)
    command: list[str] = field(default_factory=list)
    health: list[str] = field(default_factory=list)
    temporary: Path | None = None
    read_only: bool = False

    def __post_init__(self) -> None:
        self.folder.mkdir(parents=True)
        for name in ("tmp", "proc", "dev", "root"):
            (self.folder / name).mkdir()
        if not self.scratch:
            self.environment["PATH"] = f"{sys.base_prefix}/bin:/usr/local/bin:/usr/bin:/bin"

    def path(self, inside: str) -> Path:
        """Where a path of the container lies on this machine."""
        return self.folder / os.path.join(self.directory, inside).lstrip("/")

    def argv(self, command: list[str]) -> list[str]:
        """The command that runs `command` inside: its own mounts, its user, and no way to more rights."""
        enter = [sys.executable, "-I", "-c", ENTER, str(self.folder), self.directory, *self.user.split(":")]
        given = (f"{name}={value}" for name, value in (self.arguments | self.environment).items())
        script = "; ".join([*self._mounts(), 'exec env -i "$@"'])
        return [
            "unshare",
            "--mount",
            "--propagation",
            "private",
            "sh",
            "-euc",
            script,
            "sh",
            *given,
            *enter,
            *command,
        ]

    def run(self, command: list[str], **options: Any) -> subprocess.CompletedProcess[str]:
        """Run `command` inside to its end."""
        return subprocess.run(self.argv(command), capture_output=True, text=True, timeout=900, **options)

    def _mounts(self) -> Iterable[str]:
        root = shlex.quote(str(self.folder))
        yield f"mount --bind {root} {root}"
        # First: this Python may itself lie below /tmp.
        if self.temporary is None:
            yield f"mount -t tmpfs tmpfs {root}/tmp"
        else:
            yield f"mount --bind {shlex.quote(str(self.temporary))} {root}/tmp"
        for place in () if self.scratch else dict.fromkeys((*SYSTEM, sys.base_prefix)):
            if os.path.islink(place):
                yield f"ln -sfn {os.readlink(place)} {root}{place}"
            elif os.path.isdir(place):
                yield f"mkdir -p {root}{place}"
                yield f"mount --bind {place} {root}{place}"
                yield f"mount -o remount,bind,ro {root}{place}"
        yield f"mount --rbind /dev {root}/dev"
        yield f"mount --rbind /proc {root}/proc"
        if self.read_only:
            yield f"mount -o remount,bind,ro {root}"


class Engine:
    """Carries out a Dockerfile."""

    def __init__(self, context: Path, work: Path, arguments: Mapping[str, str]) -> None:
        self._context = context
        self._work = work
        self._given = arguments
        self._stages: dict[str, Container] = {}
        self._now = Container(work / "nothing")

    def build(self) -> Container:
        """Give the last stage, and raise AssertionError where a step fails."""
        for one in dockerfile():
            getattr(self, f"_{one['instruction'].lower()}")(one["value"])
        return self._now

    def _from(self, value: str) -> None:
        name = value.split()[2] if " AS " in value else f"stage {len(self._stages)}"
        folder = self._work / name.replace(" ", "_")
        self._now = self._stages[name] = Container(folder, value.split()[0] == "scratch")

    def _arg(self, value: str) -> None:
        name, _, default = value.partition("=")
        self._now.arguments[name] = self._given.get(name, default.strip('"'))

    def _env(self, value: str) -> None:
        self._now.environment |= dict(part.split("=", 1) for part in shlex.split(value))

    def _workdir(self, value: str) -> None:
        self._now.directory = value
        self._now.path(".").mkdir(parents=True, exist_ok=True)

    def _copy(self, value: str) -> None:
        *sources, target = value.split()
        origin = self._context
        if sources[0].startswith("--from="):
            origin = self._stages[sources.pop(0).removeprefix("--from=")].folder
        for source in sources:
            held = origin / source.lstrip("/")
            place = self._now.path(target)
            if held.is_dir():
                shutil.copytree(held, place, symlinks=True, dirs_exist_ok=True)
            else:
                place.mkdir(parents=True, exist_ok=True)
                shutil.copy2(held, place)

    def _run(self, value: str) -> None:
        done = self._now.run(["sh", "-c", value])
        assert done.returncode == 0, f"RUN {value}\n{done.stdout[-3000:]}\n{done.stderr[-3000:]}"
        words = value.split()
        if words[1].endswith("/tools.sh"):
            install(self._now.path(words[2]), requirements(DOCKER / "requirements" / "build.in"))
        if words[1].endswith("/environment.sh"):
            install(self._now.path(words[2]), licenses.image_requirements())

    def _user(self, value: str) -> None:
        self._now.user = value

    def _entrypoint(self, value: str) -> None:
        self._now.entrypoint = json.loads(value)

    def _cmd(self, value: str) -> None:
        self._now.command = json.loads(value)

    def _healthcheck(self, value: str) -> None:
        self._now.health = json.loads(value.partition("CMD ")[2])

    def _label(self, value: str) -> None:
        shlex.split(value)

    _expose = _stopsignal = _label


def requirements(file: Path) -> list[str]:
    """The requirements of a file, one a line."""
    return [line for line in file.read_text().splitlines() if line and not line.startswith("#")]


def install(environment: Path, wanted: Iterable[str]) -> None:
    """Copy the packages that the requirements need to a virtual environment, uncompiled, from this one."""
    packages = next(environment.glob("lib/python3*/site-packages"))
    for held in licenses.closure(wanted).values():
        tops = {file.parts[0] for file in held.files or () if file.parts[0] not in ("..", "__pycache__")}
        for top in tops:
            source, place = Path(str(held.locate_file(top))).resolve(), packages / top
            if source.is_dir():
                shutil.copytree(
                    source, place, ignore=shutil.ignore_patterns("__pycache__"), dirs_exist_ok=True
                )
            else:
                shutil.copy2(source, place)


@pytest.fixture(scope="session")
def instructions() -> list[dict[str, str]]:
    """The Dockerfile's instructions."""
    return dockerfile()


@pytest.fixture(scope="session")
def image(tracked: list[str], tmp_path_factory: pytest.TempPathFactory) -> Container:
    """The image, built by its Dockerfile with the kernels that checks need."""
    if os.geteuid() != 0:
        pytest.skip("mounting a root of its own takes root")
    if shutil.which("unshare") is None:
        pytest.skip("unshare (util-linux) is not there")
    if subprocess.run(["unshare", "--mount", "true"], check=False).returncode:
        pytest.skip("the system refuses a mount namespace")
    work = tmp_path_factory.mktemp("image")
    for folder in (work, *work.parents):
        if folder.is_relative_to("/tmp") and folder != Path("/tmp"):
            folder.chmod(0o755)
    context = work / "context"
    for name in tracked:
        if name.startswith(("schemas/", "sdk/", "service/", "docker/")) or "/" not in name:
            (context / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, context / name)
    for lock in (context / "docker" / "requirements").glob("*.txt"):
        lock.write_text("")
    return Engine(context, work, {"KERNELS": "checks"}).build()
