"""An approved list: the balls that a governing body has approved, as a request or a file of one's own has it.

Names are compared without regard to case, spaces and diacritics.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date, timedelta
from functools import cached_property
from itertools import pairwise
from typing import Any

from marshmallow import ValidationError

from ballgauge_schemas.shared import limits
from ballgauge_schemas.shared.base import Day, Errors, Part, Schema, Several, Text, add_error
from ballgauge_schemas.shared.problems import flatten

_FILLED = r"^[^\u0000-\u001f\u007f-\u009f]*[^\s\u0000-\u001f\u007f-\u009f][^\u0000-\u001f\u007f-\u009f]*$"


class ApprovedBallSchema(Schema):
    """A model on an approved list; one that was made twice, or withdrawn in part, has a row for each part."""

    brand = Text("Ostrel Works", "Its maker or brand.", required=True, pattern=_FILLED)
    model = Text("Tarn 48", "Its model.", required=True, pattern=_FILLED)
    approved_on = Day("2021-05-14", "Day it was approved.")
    withdrawn_on = Day("2024-02-01", "First day on which it is approved no longer.")
    made_from = Day("2021-05-14", "First day of manufacture that the row is for; without it, from the first.")
    made_to = Day("2023-12-31", "Last day of manufacture that the row is for; without it, to the last.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Find days in the wrong order."""
        for first, last in (("approved_on", "withdrawn_on"), ("made_from", "made_to")):
            start, end = loaded.get(first), loaded.get(last)
            if isinstance(start, date) and isinstance(end, date) and start > end:
                add_error(errors, (last,), f"must not lie before {first}")


@dataclass(frozen=True, slots=True)
class Approved:
    """A row of an approved list."""

    brand: str
    model: str
    approved_on: date | None = None
    withdrawn_on: date | None = None
    made_from: date | None = None
    made_to: date | None = None

    @property
    def name(self) -> str:
        """Brand and model."""
        return f"{self.brand} {self.model}"

    @property
    def made(self) -> tuple[date, date]:
        """First and last day of manufacture that the row is for."""
        return self.made_from or date.min, self.made_to or date.max

    def to_dict(self) -> dict[str, Any]:
        """The members that are told, as JSON has them."""
        return {name: str(value) for name, value in sorted(asdict(self).items()) if value is not None}


def folded(text: str) -> str:
    """A name as it is compared: without regard to case, spaces and diacritics."""
    apart = unicodedata.normalize("NFD", unicodedata.normalize("NFD", text).casefold())
    return " ".join("".join(mark for mark in apart if not unicodedata.combining(mark)).split())


@dataclass(frozen=True, eq=False)
class ApprovedList:
    """The rows of an approved list; lists of the same rows are the same, in whatever order."""

    rows: tuple[Approved, ...]

    @cached_property
    def digest(self) -> str:
        """SHA-256, in hexadecimal, of the rows."""
        rows = sorted(json.dumps(row.to_dict(), sort_keys=True, ensure_ascii=False) for row in self.rows)
        return hashlib.sha256("\n".join(rows).encode()).hexdigest()

    @cached_property
    def by_name(self) -> Mapping[str, tuple[Approved, ...]]:
        """The rows of each folded name, by days of manufacture."""
        found: dict[str, list[Approved]] = {}
        for row in self.rows:
            found.setdefault(folded(row.name), []).append(row)
        return {name: tuple(sorted(rows, key=lambda row: row.made)) for name, rows in found.items()}

    @cached_property
    def spellings(self) -> Mapping[str, tuple[Approved, ...]]:
        """The first row of each name, by the folded name and by the folded model alone."""
        found: dict[str, list[Approved]] = {}
        for name, rows in self.by_name.items():
            for spelling in dict.fromkeys((name, folded(rows[0].model))):
                found.setdefault(spelling, []).append(rows[0])
        return {spelling: tuple(rows) for spelling, rows in found.items()}

    def told(self) -> dict[str, Any]:
        """What an answer says of the list."""
        return {"digest": self.digest, "rows": len(self.rows)}

    def __eq__(self, other: object) -> bool:
        return isinstance(other, ApprovedList) and self.digest == other.digest

    def __hash__(self) -> int:
        return hash(self.digest)


def covers_every_day(rows: Sequence[Approved]) -> bool:
    """Whether rows, by days of manufacture, leave out no day."""
    ends = [row.made for row in rows]
    joined = (last != date.max and last + timedelta(1) == first for (_, last), (first, _) in pairwise(ends))
    return ends[0][0] == date.min and ends[-1][1] == date.max and all(joined)


def clashes(rows: Iterable[tuple[int, Approved]]) -> Iterator[tuple[int, int]]:
    """The rows, by number, for days of manufacture that another row of the same name, the second, is for."""
    by_name: dict[str, list[tuple[date, date, int]]] = {}
    for number, row in rows:
        by_name.setdefault(folded(row.name), []).append((*row.made, number))
    for found in by_name.values():
        (_, reach, widest), *others = sorted(found)
        for first, last, number in others:
            if first <= reach:
                yield max(number, widest), min(number, widest)
            if last > reach:
                reach, widest = last, number


class ApprovedListField(Several):
    """A whole approved list; it is read as an `ApprovedList`."""

    def __init__(self, description: str) -> None:
        super().__init__(Part(ApprovedBallSchema, "One model."), limits.APPROVED_ROWS_MAXIMUM, description)

    def read(self, value: Any) -> Any:
        """Read the rows in `value`; raises ValidationError."""
        rows = [Approved(**row) for row in super().read(value)]
        errors: Errors = {}
        for number, other in sorted(clashes(enumerate(rows)))[: limits.ERRORS_MAXIMUM]:
            add_error(
                errors, (number,), f"duplicate; entry {other} is for the same name and days of manufacture"
            )
        if errors:
            raise ValidationError(errors)
        return ApprovedList(tuple(rows))


class BadApprovedListError(ValueError):
    """A file that is no approved list; the text names each bad line."""


COLUMNS = tuple(ApprovedBallSchema().load_fields)
_SCHEMA = ApprovedBallSchema()


def read_file(path: str | os.PathLike[str]) -> ApprovedList:
    """The approved list in a CSV file (RFC 4180, UTF-8) whose heading names the fields of a row.

    Raises OSError where it cannot be read, BadApprovedListError naming every line that is wrong.
    """
    with open(path, "rb") as file:
        data = file.read(limits.APPROVED_FILE_MAXIMUM + 1)
    if len(data) > limits.APPROVED_FILE_MAXIMUM:
        raise BadApprovedListError(f"larger than {limits.APPROVED_FILE_MAXIMUM >> 20} MiB")
    try:
        return read_csv(data.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise BadApprovedListError("not UTF-8") from None


def read_csv(text: str) -> ApprovedList:
    """The approved list in the text of a CSV file. Raises BadApprovedListError; see `read_file`."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: dict[int, Approved] = {}
    faults: dict[int, str] = {}
    try:
        heading = [name.strip().casefold() for name in next(reader, [])]
        wrong = [name for name in heading if name not in COLUMNS or heading.count(name) > 1]
        if wrong or not {"brand", "model"} <= set(heading):
            told = f"; not {', '.join(map(repr, dict.fromkeys(wrong)))}" if wrong else ""
            raise BadApprovedListError(f"line 1: the heading names {', '.join(COLUMNS)}, once each{told}")
        line = reader.line_num + 1
        for cells in reader:
            if any(cell.strip() for cell in cells):
                try:
                    rows[line] = _row(heading, cells)
                except ValidationError as error:
                    faults[line] = _words(error)
            line = reader.line_num + 1
    except csv.Error as error:
        faults[reader.line_num] = str(error)
    for line, other in clashes(rows.items()):
        faults[line] = f"duplicate; line {other} is for the same name and days of manufacture"
    if not rows and not faults:
        faults[1] = "no rows"
    if faults:
        listed = [f"line {line}: {faults[line]}" for line in sorted(faults)[: limits.APPROVED_FAULTS_LISTED]]
        more = len(faults) - len(listed)
        raise BadApprovedListError("; ".join([*listed, *([f"{more} more"] if more else [])]))
    return ApprovedList(tuple(rows.values()))


def _row(heading: Sequence[str], cells: Sequence[str]) -> Approved:
    if len(cells) != len(heading):
        raise ValidationError(f"{len(cells)} cells under {len(heading)} headings")
    given = {name: cell.strip() for name, cell in zip(heading, cells, strict=True) if cell.strip()}
    return Approved(**_SCHEMA.load(given))


def _words(error: ValidationError) -> str:
    return ", ".join(
        f"{each['pointer'].strip('/')} {each['detail']}".strip() for each in flatten(error.messages)
    )
