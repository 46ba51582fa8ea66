"""What is said where a part of the installation lacks, in processes in which a package cannot be imported."""

from __future__ import annotations

import subprocess
import sys
from importlib.resources import files

import pytest

SCRIPT = """
import sys
sys.modules.update(dict.fromkeys({blocked!r}))
from ballgauge._command import program
sys.exit(program.run({arguments!r}))
"""
EXAMPLES = files("ballgauge_schemas")


def run(blocked: list[str], *arguments: str) -> subprocess.CompletedProcess[str]:
    script = SCRIPT.format(blocked=blocked, arguments=list(arguments))
    return subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)


@pytest.mark.parametrize(
    ("lacks", "command", "file", "work", "extra"),
    [
        ("pyarrow", "lot", "example_lots/ostrel_tarn_48.csv", "lots", "lots"),
        ("scipy", "design", "example_designs/skarn.json", "designs", "designs"),
        ("scipy", "motion", "example_motions/motion.json", "motions", "motion"),
        ("numpy", "check", "examples/drilled.json", "checks", "check"),
    ],
)
def test_the_extra_is_named_in_one_sentence(
    lacks: str, command: str, file: str, work: str, extra: str
) -> None:
    done = run([lacks], command, str(EXAMPLES.joinpath(file)))
    assert done.returncode == 3
    said = f"{work} need {lacks}, which is not installed: pip install 'ballgauge[{extra}]'"
    assert said in done.stderr


def test_a_check_needs_none_of_the_other_extras() -> None:
    others = ["numba", "llvmlite", "scipy", "pyarrow", "plotly", "dask", "trimesh", "jinja2.ext", "babel"]
    done = run(others, "check", str(EXAMPLES.joinpath("examples/batch.json")))
    assert done.returncode in (0, 1), done.stderr
