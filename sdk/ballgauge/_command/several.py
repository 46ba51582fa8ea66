"""Checks and drillings of several files: what they hold, asked in batches, told as it comes."""

from __future__ import annotations

import csv
import glob
import io
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple

import click

from ballgauge import Client, InvalidRequest, Problem, _check
from ballgauge._command import paper, report, requests_in
from ballgauge._command.report import Document
from ballgauge._encoding import MOST_ITEMS
from ballgauge_schemas.shared.text import utf8
from ballgauge_schemas.shared.words import WORST_FIRST

FORMATS = ("table", "json", "ndjson", "csv")
QUIET = "quiet"
LINES = (".ndjson", ".jsonl")
_COLUMNS = (
    "file", "item", "name", "serial", "outcome", "rule", "finding", "value", "uncertainty", "unit", "min",
    "max", "margin", "probability", "message",
)  # fmt: skip


class Item(NamedTuple):
    """One request, where it stands, and the request itself or why it cannot be read."""

    file: str
    number: int
    request: Any


class Told(NamedTuple):
    """What became of an item: its result, or the problem with it."""

    item: Item
    result: Document | None
    problem: Problem | None


def expand(files: Sequence[str]) -> list[str]:
    """The files that names and patterns stand for, in order. Raises click.BadParameter for those of none."""
    found: list[str] = []
    for name in files:
        matching = [name] if name == "-" or Path(name).exists() else sorted(glob.glob(name, recursive=True))
        if not matching:
            raise click.BadParameter(f"there is no file {name!r}", param_hint="FILE")
        found += matching
    return found


def is_one_document(files: Sequence[str]) -> bool:
    """Whether a single file is read, and sent as it is."""
    return len(files) == 1 and not files[0].endswith(LINES)


def contents(file: str) -> bytes:
    """The bytes of a file, or of standard input. Raises click.BadParameter where it cannot be read."""
    try:
        return sys.stdin.buffer.read() if file == "-" else Path(file).read_bytes()
    except OSError as error:
        raise click.BadParameter(f"{file}: {error.strerror}", param_hint="FILE") from None


def _items(files: Sequence[str], member: str) -> Iterator[Item]:
    for file in files:
        if not file.endswith(LINES):
            for number, request in enumerate(_requests(contents(file), member), 1):
                yield Item(file, number, request)
            continue
        with open(file, "rb") as lines:
            # A file of another encoding than UTF-8 is read whole: its lines end otherwise.
            start = lines.read(4)
            lines.seek(0)
            read = lines if utf8(start) == start else io.BytesIO(utf8(lines.read()))
            for number, line in enumerate(read, 1):
                if line.strip():
                    (request,) = _requests(line, member, batches=False)
                    yield Item(file, number, request)


def _requests(text: bytes, member: str, *, batches: bool = True) -> list[Any]:
    """The requests in a text; a ValueError for one that cannot be read."""
    try:
        found = requests_in.json_object(text)
        if not batches or member not in found:
            return [found]
        approved = found.pop("approved_list", None)
        if unknown := found.keys() - {member, "detail"}:
            raise ValueError(f"has beside {member!r} what no batch has: {', '.join(sorted(unknown))}")
    except ValueError as error:
        return [error]
    items = requests_in.items(found, member)
    for item in items if approved is not None else ():
        if isinstance(item, dict) and isinstance(item.setdefault("rules", {}), dict):
            item["rules"].setdefault("approved_list", approved)
    return items


def ask(
    client: Client, files: Sequence[str], member: str, lay: Callable[[Any], Any], **options: Any
) -> Iterator[Told]:
    """Ask about all that the files hold, a batch at a time; what is refused is told in its place.

    lay : puts what the command line says over a request
    """
    kind = _check.DrillingResult if member == "drillings" else _check.kind_of(options.get("detail") or "full")
    items = _items(files, member)
    while chunk := list(islice(items, MOST_ITEMS)):
        asked = [lay(item.request) for item in chunk if not isinstance(item.request, ValueError)]
        results = client._many(_check.many(kind, member, asked, errors="collect", **options))
        for item in chunk:
            if isinstance(item.request, ValueError):
                yield Told(item, None, Problem(400, "Not a request", f"the request {item.request}", None, ()))
                continue
            result = next(results)
            if isinstance(result, InvalidRequest):
                yield Told(item, None, result.problem)
            else:
                yield Told(item, result.raw, None)


def tell(told: Iterator[Told], form: str) -> list[str]:
    """Write what became of each item; give the outcomes, `refused` for those with a problem."""
    outcomes: list[str] = []
    kept: list[Told] = []
    write = csv.writer(sys.stdout, lineterminator="\n")
    if form == "csv":
        write.writerow(_COLUMNS)
    for each in told:
        outcomes.append("refused" if each.result is None else str(each.result.get("outcome", "conforming")))
        if form == "ndjson":
            click.echo(plain(_document(each)))
        elif form == "csv":
            for row in _rows(each):
                write.writerow(row)
        elif form != QUIET:
            kept.append(each)
        if each.problem is not None and form not in ("json", "ndjson"):
            _complain(each)
    if form == "json":
        click.echo(plain({"results": [_document(each) for each in kept]}))
    if form == "table":
        _table(kept, outcomes)
    return outcomes


def plain(document: Any) -> str:
    """A document as JSON, its names in the order of the service."""
    return json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def _document(told: Told) -> dict[str, Any]:
    place = {"file": told.item.file, "item": told.item.number}
    if told.problem is None:
        return {**place, **(told.result or {})}
    return {**place, "problem": told.problem.to_dict()}


def _rows_of(file: str, number: int, request: Any, result: Document) -> Iterator[Sequence[Any]]:
    """The rows of a result as CSV: one a finding, or one alone where there are none."""
    ball = request.get("ball") if isinstance(request, dict) else None
    ball = ball if isinstance(ball, dict) else {}
    head = (file, number, ball.get("name"), ball.get("serial"), result.get("outcome"))
    for finding in report.found(result) or [{}]:
        limit = finding.get("limit") or {}
        yield (
            *head, finding.get("rule"), finding.get("outcome"), finding.get("value"),
            finding.get("uncertainty"), finding.get("unit"), limit.get("min"), limit.get("max"),
            finding.get("margin"), finding.get("probability"), finding.get("message"),
        )  # fmt: skip


def _rows(told: Told) -> Iterator[Sequence[Any]]:
    if told.result is not None:
        return _rows_of(told.item.file, told.item.number, told.item.request, told.result)
    problem = told.problem.detail if told.problem else ""
    return iter([(told.item.file, told.item.number, None, None, "refused", *(None,) * 9, problem)])


def _complain(told: Told) -> None:
    assert told.problem is not None
    where = f"{told.item.file}, {told.item.number}"
    click.echo(f"ballgauge: {paper.clean(where)}: {paper.clean_lines(told.problem.detail)}", err=True)
    for error in told.problem.errors[:10]:
        click.echo(paper.clean_lines(f"  {error.pointer or '(the whole body)'}: {error.detail}"), err=True)


def _table(told: Sequence[Told], outcomes: Sequence[str]) -> None:
    page = paper.choose()
    rows = []
    for each, outcome in zip(told, outcomes, strict=True):
        why = (
            [each.problem.detail]
            if each.problem
            else [report.title(f) for f in report.bad(each.result or {})]
        )
        rows.append((outcome, each.item.file, str(each.item.number), "; ".join(why)))
    page.table(("outcome", "file", "item", "not conforming"), rows)
    page.heading("Counts")
    words = (*WORST_FIRST, "refused")
    page.table(
        ("outcome", "items"), [(word, str(outcomes.count(word))) for word in words if word in outcomes]
    )
