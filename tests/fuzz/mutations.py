"""Runs harnesses on their corpus and on mutants of it, drawn from a fixed seed.

    python tests/fuzz/mutations.py csv ndjson --count 500 --seed 1 --keep DIRECTORY

The input at hand is kept in the directory, so that one which ends the process is there to be looked at. An
input that takes more than `LONGEST` seconds, or more than `MEMORY` bytes, is a finding.
"""

from __future__ import annotations

import argparse
import ast
import faulthandler
import random
import re
import resource
import sys
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from harnesses import HARNESSES, Feed, Harness

LONGEST = 60.0
"""Seconds (ours); inputs of these lengths take milliseconds."""

MEMORY = 2 << 30
"""Bytes beyond those held once the corpus has been fed (ours)."""

NUMBERS = (
    b"0", b"-1", b"1e999", b"-0.0", b"1e-400", b"9999999999999999999", b"4294967296", b"NaN", b"0x10", b"1,5",
    b"1.", b".5", b"1_0", b"\xd9\xa1",
)  # fmt: skip
"""What is put in the place of a number; the last is the Arabic digit one."""

_DIGITS = re.compile(rb"[0-9]+")
_WORDS = re.compile(rb"[A-Za-z_]{2,}")


def _flip(data: bytearray, chance: random.Random, _: list[bytes]) -> None:
    place = chance.randrange(len(data))
    data[place] ^= 1 << chance.randrange(8)


def _set(data: bytearray, chance: random.Random, _: list[bytes]) -> None:
    data[chance.randrange(len(data))] = chance.choice(b"\0\xff\x7f\x80\n\r\",;.{}[]:< '\\")


def _delete(data: bytearray, chance: random.Random, _: list[bytes]) -> None:
    start = chance.randrange(len(data))
    del data[start : start + chance.choice((1, 1, 2, 8, 64))]


def _double(data: bytearray, chance: random.Random, _: list[bytes]) -> None:
    start = chance.randrange(len(data))
    piece = data[start : start + chance.choice((1, 2, 8, 64))]
    data[start:start] = piece * chance.choice((1, 1, 2, 30))


def _cut(data: bytearray, chance: random.Random, _: list[bytes]) -> None:
    del data[chance.randrange(len(data)) :]


def _insert(data: bytearray, chance: random.Random, tokens: list[bytes]) -> None:
    place = chance.randrange(len(data) + 1)
    data[place:place] = chance.choice(tokens)


def _number(data: bytearray, chance: random.Random, _: list[bytes]) -> None:
    _replace(data, chance, _DIGITS, NUMBERS)


def _word(data: bytearray, chance: random.Random, tokens: list[bytes]) -> None:
    _replace(data, chance, _WORDS, tokens)


def _replace(
    data: bytearray, chance: random.Random, pattern: re.Pattern[bytes], by: tuple[bytes, ...] | list[bytes]
) -> None:
    found = [match.span() for match in pattern.finditer(data)]
    if found:
        start, end = chance.choice(found)
        data[start:end] = chance.choice(by)


_Change = Callable[[bytearray, random.Random, list[bytes]], None]
_CHANGES: tuple[_Change, ...] = (
    _flip,
    _set,
    _delete,
    _double,
    _cut,
    _insert,
    _insert,
    _number,
    _number,
    _word,
)


def tokens_of(harness: Harness) -> list[bytes]:
    """The words of a harness's dictionary, and numbers."""
    if harness.dictionary is None:
        return list(NUMBERS)
    lines = harness.dictionary.read_text("ascii").splitlines()
    quoted = [line for line in lines if line.startswith('"')]
    return [*NUMBERS, *(ast.literal_eval(f"b{line}") for line in quoted)]


def mutants(harness: Harness, count: int, seed: int) -> Iterator[bytes]:
    """The corpus, then `count` mutants of it, the same for the same seed."""
    corpus = harness.corpus()
    yield from corpus
    chance = random.Random(f"{harness.name} {seed}")
    tokens = tokens_of(harness)
    for _ in range(count):
        data = bytearray(chance.choice(corpus))
        if chance.random() < 0.1:
            other = chance.choice(corpus)
            data[chance.randrange(len(data) + 1) :] = other[chance.randrange(len(other) + 1) :]
        for _ in range(chance.choice((1, 1, 2, 3, 5))):
            if data:
                chance.choice(_CHANGES)(data, chance, tokens)
        yield bytes(data[: harness.longest])


def run(feed: Feed, inputs: Iterable[bytes], kept: Path) -> int:
    """Feed them all and count them. Raises what the harness raises, with the input left in `kept`."""
    fed = 0
    try:
        for data in inputs:
            kept.write_bytes(data)
            faulthandler.dump_traceback_later(LONGEST, exit=True)
            feed(data)
            fed += 1
    finally:
        # After a finding too: the timer would end a process that goes on.
        faulthandler.cancel_dump_traceback_later()
    kept.unlink()
    return fed


def limit_memory() -> None:
    """Let this process have no more than `MEMORY` bytes beyond those it has."""
    held = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (held + MEMORY, resource.RLIM_INFINITY))


def main() -> None:
    """Run them, as the module says."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("parsers", choices=HARNESSES, nargs="+", metavar="parser")
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, default=Path("."), help="directory for the input at hand")
    asked = parser.parse_args()
    harnesses = [HARNESSES[name] for name in asked.parsers]
    feeds = [harness.make() for harness in harnesses]
    # What is loaded and compiled at a first call is no matter of the input.
    for harness, feed in zip(harnesses, feeds, strict=True):
        for data in harness.corpus():
            feed(data)
    limit_memory()
    for harness, feed in zip(harnesses, feeds, strict=True):
        fed = run(feed, mutants(harness, asked.count, asked.seed), asked.keep / f"{harness.name}.input")
        print(f"{harness.name}: {fed} inputs", flush=True)


if __name__ == "__main__":
    main()
