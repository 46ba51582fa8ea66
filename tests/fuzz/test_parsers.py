"""Every parser, fed with its corpus and with mutants of it: it answers, or refuses as it documents.

What else is held to is in `harnesses`: a lot read in chunks of any size, a form in pieces of any size, a text
that loads and the documented pattern, a record that is genuine to the last letter.
"""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

from . import harnesses, mutations
from .harnesses import HARNESSES

HERE = Path(__file__).parent
MUTANTS = 300
GROUPS = {
    "requests": ("requests", "quantity", "pattern", "form"),
    "lots": ("csv", "ndjson", "parquet", "xlsx", "sheet"),
    "meshes": ("stl", "3mf", "model", "obj", "ply"),
    "records": ("record", "label", "document"),
}
"""Parsers that share a process, because they share what it has to load."""

CORPUS_MAXIMUM = 16_384
"""Bytes of a parser's corpus (ours): it is kept small."""


def run(*command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, *command], capture_output=True, text=True, check=False)


@pytest.mark.parametrize("group", GROUPS)
def test_parsers_answer_or_refuse_and_do_nothing_else(group: str, tmp_path: Path) -> None:
    """In a process of their own, so that an input that ends the process is found as one."""
    ended = run(str(HERE / "mutations.py"), *GROUPS[group], "--count", str(MUTANTS), "--keep", str(tmp_path))
    left = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert ended.returncode == 0, f"{left}\n{ended.stderr[-4000:]}"
    assert ended.stdout.splitlines() == [
        f"{name}: {MUTANTS + len(HARNESSES[name].corpus())} inputs" for name in GROUPS[group]
    ]


def test_no_parser_is_left_out() -> None:
    assert sorted(name for names in GROUPS.values() for name in names) == sorted(HARNESSES)


@pytest.mark.parametrize("name", HARNESSES)
def test_corpora_are_small_and_taken_whole(name: str) -> None:
    corpus = HARNESSES[name].corpus()
    assert sum(map(len, corpus)) <= CORPUS_MAXIMUM
    assert all(len(data) <= HARNESSES[name].longest for data in corpus)


def test_mutants_are_the_same_for_the_same_seed_only() -> None:
    first, again, other = (
        [*mutations.mutants(HARNESSES["csv"], 100, seed)][len(HARNESSES["csv"].corpus()) :]
        for seed in (1, 1, 2)
    )
    assert first == again
    assert len(set(first)) > 90
    assert first != other


def test_a_harness_that_raises_is_reported_with_its_input(tmp_path: Path) -> None:
    """A parser that cannot read a nine."""

    def feed(data: bytes) -> None:
        if b"9" in data:
            raise KeyError("9")

    kept = tmp_path / "input"
    with pytest.raises(KeyError):
        mutations.run(feed, mutations.mutants(HARNESSES["csv"], 500, 1), kept)
    assert b"9" in kept.read_bytes()


def test_chunks_that_change_a_result_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader that forgets the last row of every chunk."""
    from ballgauge_service.lot.reading import columns

    real = columns.read_balls

    def forgetful(chunk: columns.RawChunk, *more: object) -> columns.Balls:
        short = {heading: cells[:-1] for heading, cells in chunk.columns.items()}
        return real(chunk._replace(rows=chunk.rows[:-1], columns=short), *more)  # type: ignore[arg-type]

    monkeypatch.setattr(columns, "read_balls", forgetful)
    with pytest.raises(AssertionError, match="chunks change"):
        harnesses.HARNESSES["csv"].make()(b"weight\n" + b"15\n" * 100)


@pytest.mark.skipif(
    importlib.util.find_spec("atheris") is None, reason="atheris has wheels for Linux on x86-64 only"
)
def test_the_guided_program_runs(tmp_path: Path) -> None:
    ended = run(
        str(HERE / "guided.py"), "quantity", "--runs", "200", "--findings", str(tmp_path), "--grown",
        str(tmp_path / "grown"),
    )  # fmt: skip
    assert ended.returncode == 0, ended.stderr[-4000:]
    assert "number_of_executed_units: 200" in ended.stderr
    assert list((tmp_path / "grown").iterdir())
