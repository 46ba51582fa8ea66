"""What stands on a report, in order: the page and the paper are written from these blocks.

Neither says what the other does not, but for what is `Folded`, which paper leaves out since its numbers stand
in a table too.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import NamedTuple

from ballgauge_service.core.report.shapes import Picture
from ballgauge_service.core.report.style import Style

Said = Callable[[str], str]


class Cell(NamedTuple):
    """A cell of a table; `outcome` where it is one, `number` where it is set as one."""

    text: str
    outcome: str | None = None
    number: bool = False


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading, 2 or 3 deep."""

    text: str
    level: int = 2


@dataclass(frozen=True, slots=True)
class Verdict:
    """The decision: its word, and sentences to it."""

    outcome: str
    word: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Facts:
    """Names and what is said of each."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Table:
    """A table. `shares`: widths of its columns on paper, in parts."""

    head: tuple[Cell, ...]
    rows: tuple[tuple[Cell, ...], ...]
    shares: tuple[int, ...]
    caption: str = ""


class Column(NamedTuple):
    """A column of a table: its head, its share of a paper's width, and whether it has numbers."""

    head: str
    share: int
    number: bool = False


Row = tuple[str | Cell, ...]
"""What stands in a row, column by column."""


def table(columns: Iterable[Column], rows: Iterable[Row], caption: str = "") -> Table:
    """A table of columns; what is no outcome stands in its rows as a text."""
    columns = tuple(columns)
    cells = tuple(
        tuple(
            (each if isinstance(each, Cell) else Cell(each))._replace(number=column.number)
            for each, column in zip(row, columns, strict=True)
        )
        for row in rows
    )
    heads = tuple(Cell(column.head, number=column.number) for column in columns)
    return Table(heads, cells, tuple(column.share for column in columns), caption)


@dataclass(frozen=True, slots=True)
class Charts:
    """Pictures beside one another, so many in a row."""

    charts: tuple[Picture, ...]
    across: int = 2


@dataclass(frozen=True, slots=True)
class Notes:
    """Sentences, one under another; `english`: names of sources, which no language changes."""

    lines: tuple[str, ...]
    english: bool = False


@dataclass(frozen=True, slots=True)
class Folded:
    """Blocks that the page opens when they are asked for, and paper leaves out."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Signatures:
    """Lines to sign on, by role, and the words for day and signature."""

    roles: tuple[str, ...]
    fields: tuple[str, ...]


Block = Heading | Verdict | Facts | Table | Charts | Notes | Folded | Signatures


@dataclass(frozen=True, slots=True)
class Report:
    """A whole report: `name` stands on each page, `day` dates the file."""

    title: str
    name: str
    day: str
    style: Style
    blocks: tuple[Block, ...]


def shown(text: object) -> str:
    """A text from a file, with what would not print made visible."""
    return "".join(letter if letter.isprintable() else "�" for letter in str(text))


def outcome_word(outcome: str, _: Said) -> str:
    """An outcome in the report's language."""
    return {
        "conforming": _("conforming"),
        "nonconforming": _("nonconforming"),
        "inconclusive": _("inconclusive"),
        "not_assessed": _("not assessed"),
    }[outcome]
