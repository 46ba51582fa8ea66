"""Two ways to write the same report: for a terminal, and for a pipe or a file."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.text import Text

Row = Sequence[str]

_STYLES = {
    "nonconforming": "bold red",
    "inconclusive": "yellow",
    "not_assessed": "cyan",
    "conforming": "green",
}
_SIGNS = {"nonconforming": "✘", "inconclusive": "≈", "not_assessed": "○", "conforming": "✔"}
_PLAIN_SIGNS = {"nonconforming": "x", "inconclusive": "~", "not_assessed": "o", "conforming": "+"}


class Paper:
    """Where a report is written: text in columns, without colors, one line a row however long."""

    def verdict(self, outcome: str, text: str) -> None:
        """Write an outcome with its sign, and what it is about."""
        self._line(f"{outcome}  {text}")

    def heading(self, text: str) -> None:
        """Begin a part of the report."""
        self._line("")
        self._line(text)

    def table(self, head: Row, rows: Sequence[Row], heading: str = "") -> None:
        """Write rows under a head; a first cell that is an outcome gets its sign. Nothing without rows."""
        if rows:
            if heading:
                self.heading(heading)
            self._rows(head, rows)

    def notes(self, texts: Sequence[str], heading: str = "") -> None:
        """Write one paragraph a text; nothing, and no heading, where there is none."""
        if texts and heading:
            self.heading(heading)
        for text in texts:
            self._note(text)

    def _rows(self, head: Row, rows: Sequence[Row]) -> None:
        cells = [[clean(cell) for cell in row] for row in (head, *rows)]
        widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
        for row in cells:
            self._line("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)))

    def _note(self, text: str) -> None:
        self._line(f"  {text}")

    def _line(self, text: str) -> None:
        print(clean(text).rstrip())  # noqa: T201


class Terminal(Paper):
    """Writes with colors and as wide as the window."""

    def __init__(self) -> None:
        from rich.console import Console

        self._console = Console(highlight=False)
        self._signs = _SIGNS if _can_write(_SIGNS) else _PLAIN_SIGNS

    def verdict(self, outcome: str, text: str) -> None:
        """Write an outcome with its sign, and what it is about."""
        from rich.text import Text

        self._console.print(self._sign(outcome), Text(clean(text)))

    def heading(self, text: str) -> None:
        """Begin a part of the report."""
        from rich.text import Text

        self._console.print()
        self._console.print(Text(clean(text), style="bold underline"))

    def _rows(self, head: Row, rows: Sequence[Row]) -> None:
        from rich.box import SIMPLE_HEAD
        from rich.table import Table
        from rich.text import Text

        table = Table(
            box=SIMPLE_HEAD, header_style="bold", pad_edge=False, show_edge=False, collapse_padding=True
        )
        for number, name in enumerate(head):
            table.add_column(Text(name), overflow="fold", no_wrap=number == 0)
        for first, *others in rows:
            table.add_row(self._sign(first), *(Text(clean(cell)) for cell in others))
        self._console.print(table)

    def _note(self, text: str) -> None:
        from rich.padding import Padding
        from rich.text import Text

        self._console.print(Padding(Text(clean(text)), (0, 0, 0, 2)))

    def _sign(self, cell: str) -> Text:
        from rich.text import Text

        sign = f"{self._signs[cell]} " if cell in self._signs else ""
        return Text(sign + clean(cell), style=_STYLES.get(cell, ""), no_wrap=bool(sign))


@contextmanager
def progress(wanted: bool, doing: str) -> Iterator[Callable[..., None] | None]:
    """A bar on standard error, moved by (done, total, doing); None where it is not wanted."""
    if not wanted:
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (BarColumn(), TaskProgressColumn(), TimeRemainingColumn(), TextColumn("{task.description}"))
    with Progress(*columns, console=Console(stderr=True)) as bar:
        task = bar.add_task(doing, total=None)

        def tell(done: float, total: float | None, now: str = doing) -> None:
            bar.update(task, completed=done, total=total, description=now.replace("[", "("))

        yield tell
        bar.update(task, completed=bar.tasks[0].total)


def words(name: str) -> str:
    """A name of the contract as words."""
    return name.replace("_", " ")


def choose() -> Paper:
    """Give the paper for standard output."""
    if sys.stdout.isatty():
        return Terminal()
    return Paper()


def clean(text: str) -> str:
    """Replace what a terminal would obey instead of show: names come from request files."""
    return "".join(letter if letter.isprintable() else "\N{REPLACEMENT CHARACTER}" for letter in text)


def clean_lines(text: str) -> str:
    """Clean a text line by line."""
    return "\n".join(map(clean, text.splitlines()))


def _can_write(signs: dict[str, str]) -> bool:
    try:
        "".join(signs.values()).encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        return False
    return True
