"""What the kinds of bulk work share: functions named by module, results in order, errors in order."""

from __future__ import annotations

import traceback
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Iterator
from importlib import import_module
from typing import Any, Generic, TypeVar, cast

from ballgauge_service.core import budget

Common = TypeVar("Common")
Piece = TypeVar("Piece")
Result = TypeVar("Result")

Check = Callable[[], object]
"""Asked between steps; it raises where the work is not wanted any more."""

Task = Callable[[Common, Piece, Check], Result]
"""A function of this package: what all pieces share, the piece, and a check to ask on the way."""

AHEAD = 8
"""Pieces in flight for each thread that works, unless the caller knows better (ours)."""

_PACKAGE = __name__.split(".", maxsplit=1)[0]


def unasked() -> None:
    """The check of work that nobody ends."""


class BulkUnavailable(Exception):
    """The workers cannot be used: out of reach, lost, or of another version. The text says which."""


class Bulk(ABC):
    """Who does bulk work."""

    @abstractmethod
    def map(
        self,
        work: Task[Common, Piece, Result],
        common: Common,
        pieces: Iterable[Piece],
        check: Check = unasked,
        ahead: int = AHEAD,
    ) -> Iterator[Result]:
        """Results of `work` on every piece, in the pieces' order, as they are made.

        `check`, and the deadline of the present request, are asked on the way. Pieces are taken as there is
        room for them: `ahead` of them for each thread that works are in flight, with 0 one in all. Closing
        the iterator ends what is not done. An error of a piece, or of the iterable of pieces, is raised in
        its place, after the results before it. Raises BulkUnavailable.
        """

    @abstractmethod
    def reads(self, path: str, *, own: bool) -> bool:
        """Whether whoever works on a piece can read the file at a path; `own`: a spool of this process."""


class Failure:
    """An error of a piece, kept until its turn; it travels without code."""

    def __init__(self, error: Exception) -> None:
        self.error = error

    def __reduce__(self) -> tuple[Any, ...]:
        error = self.error
        trace = "".join(traceback.format_exception(error))
        return _rebuilt, (type(error), error.args, dict(error.__dict__), trace)


def _rebuilt(kind: type[Exception], args: tuple[Any, ...], state: dict[str, Any], trace: str) -> Failure:
    error = kind.__new__(kind)
    error.args = args
    error.__dict__.update(state)
    error.add_note(f"On a worker:\n{trace}")
    return Failure(error)


def perform(
    work: Task[Common, Piece, Result], common: Common, piece: Piece, check: Check
) -> Result | Failure:
    """Work on one piece; what it raises becomes its result."""
    try:
        return work(common, piece, check)
    except Exception as error:  # noqa: BLE001 - it is raised again, in its turn
        return Failure(error)


def opened(result: Result | Failure) -> Result:
    """A piece's result; raises its error."""
    if isinstance(result, Failure):
        raise result.error
    return result


def asking(check: Check) -> Check:
    """The check, and the present request's deadline."""

    def ask() -> None:
        budget.check()
        check()

    return ask


def name_of(work: Callable[..., Any]) -> str:
    """The name under which another process of this version finds a function. Raises ValueError."""
    name = f"{work.__module__}:{work.__qualname__}"
    if named(name) is not work:
        raise ValueError(f"{name} is no function of a module")
    return name


def named(name: str) -> Callable[..., Any]:
    """The function of this package with a name. Raises ValueError for any other name."""
    module, _, function = name.partition(":")
    if module.split(".", maxsplit=1)[0] != _PACKAGE:
        raise ValueError(f"{name} is no function of {_PACKAGE}")
    return cast("Callable[..., Any]", getattr(import_module(module), function))


class Feed(Generic[Piece]):
    """Pieces as they are wanted; an error among them is kept until those before it have been worked on."""

    def __init__(self, pieces: Iterable[Piece]) -> None:
        self._pieces: Iterator[Piece] | None = iter(pieces)
        self._error: Exception | None = None

    def take(self, most: int) -> list[Piece]:
        """The next pieces, at most so many; none at the end."""
        found: list[Piece] = []
        while self._pieces is not None and len(found) < most:
            try:
                found.append(next(self._pieces))
            except StopIteration:
                self._pieces = None
            except Exception as error:  # noqa: BLE001 - it is raised again, in its turn
                self._pieces, self._error = None, error
        return found

    def finish(self) -> None:
        """Raise what ended the pieces early."""
        if self._error is not None:
            raise self._error
