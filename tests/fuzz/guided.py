"""Fuzzes one parser, guided by coverage, for so many minutes or inputs.

    python tests/fuzz/guided.py csv --minutes 5
    python tests/fuzz/guided.py csv --runs 2000

Needs atheris. Inputs that reach new code are kept in `--grown`, a directory of the parser's own that a later
run starts from; an input that is a finding stands in `--findings`. The committed corpus is never written to.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import atheris

sys.path.insert(0, str(Path(__file__).parent))

from harnesses import CORPUS, HARNESSES

SERVICE = Path(__file__).parents[2] / "service"
OURS = ("ballgauge_schemas", "ballgauge_service")
READERS = ("trimesh", "werkzeug", "zipfile", "json", "csv")
"""Libraries whose branches guide too: they do the reading."""

LONGEST = 20
"""Seconds for one input before it is a finding (ours); it takes milliseconds."""

MEMORY = 3072
"""MiB of the process before it is a finding (ours)."""


def compiled_modules() -> list[str]:
    """Modules with compiled kernels: numba takes no code that something else has written into."""
    paths = [path for path in SERVICE.rglob("*.py") if "compiled" in path.read_text("utf-8")]
    return [".".join(path.relative_to(SERVICE).with_suffix("").parts) for path in paths]


def main() -> None:
    """Fuzz, as the module says; ends with another code than 0 where there is a finding."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("parser", choices=HARNESSES)
    parser.add_argument("--minutes", type=float, default=3.0)
    parser.add_argument("--runs", type=int, default=-1, help="inputs at most; no end to them unless told")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--grown", type=Path, help="where to keep inputs; a passing directory unless told")
    parser.add_argument("--findings", type=Path, default=Path("."))
    asked = parser.parse_args()
    harness = HARNESSES[asked.parser]
    with atheris.instrument_imports(include=[*OURS, *READERS], exclude=compiled_modules()):
        feed = harness.make()
    # What is loaded and compiled at a first call is no matter of the input.
    for data in harness.corpus():
        feed(data)
    grown = asked.grown or Path(tempfile.mkdtemp(prefix=f"fuzz-{harness.name}-"))
    grown.mkdir(parents=True, exist_ok=True)
    options = [
        f"-max_total_time={round(60 * asked.minutes)}",
        f"-runs={asked.runs}",
        f"-seed={asked.seed}",
        f"-max_len={harness.longest}",
        f"-timeout={LONGEST}",
        f"-rss_limit_mb={MEMORY}",
        f"-artifact_prefix={asked.findings}/{harness.name}-",
        "-print_final_stats=1",
    ]
    if harness.dictionary is not None:
        options.append(f"-dict={harness.dictionary}")
    atheris.Setup([sys.argv[0], *options, str(grown), str(CORPUS / harness.name)], feed)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
