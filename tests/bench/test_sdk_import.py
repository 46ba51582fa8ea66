"""The SDK is light: it brings neither engine nor command, and costs little more than its HTTP client."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

TWICE = 0.5
SCRIPT = """
import json, sys, time
before = time.perf_counter()
import {name}
took = time.perf_counter() - before
print(json.dumps({{"took": took, "modules": sorted({{name.partition(".")[0] for name in sys.modules}})}}))
"""
HEAVY = {
    "numpy",
    "pint",
    "flask",
    "numba",
    "scipy",
    "marshmallow",
    "click",
    "rich",
    "granian",
    "ballgauge_service",
}


def imported(name: str) -> Any:
    """How long a fresh interpreter takes to import a package [s], and all it then holds."""
    command = [sys.executable, "-c", SCRIPT.format(name=name)]
    return json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)


def test_the_sdk_imports_without_the_engine() -> None:
    assert not HEAVY & set(imported("ballgauge")["modules"])


def test_the_sdk_takes_at_most_twice_the_import_of_requests(versus: Any) -> None:
    """requests is what it talks HTTP with, so a part of it; the least of a round's imports counts."""
    ratios = []
    for _ in range(5):
        taken = [[imported(name)["took"] for name in ("ballgauge", "requests")] for _ in range(2)]
        ours, theirs = (min(times) for times in zip(*taken, strict=True))
        ratios.append(theirs / ours)
    versus.hold("import of the SDK", "import ballgauge", versus.named("requests"), ratios, TWICE)
