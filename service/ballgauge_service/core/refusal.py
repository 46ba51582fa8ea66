"""What the engine refuses: requests that are well-formed one by one but impossible as a whole."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong with a request, wherever it is found.

    `pointer` (RFC 6901) of the bad field, relative to its item; `words` for a person; `index` of the item in
    a batch. Of a lot's file: `row` as a person counts it, `column` by its heading, `suggestion` of a known
    name.
    """

    pointer: str
    words: str
    index: int = 0
    row: int | None = None
    column: str | None = None
    suggestion: str | None = None


class InvalidInput(ValueError):
    """A request, or items of one, that cannot be computed.

    Parameters
    ----------
    faults : iterable of Fault
        Every bad field of every item, not the first alone, in any order of the items.
    """

    def __init__(self, faults: Iterable[Fault | tuple[int, str, str]]) -> None:
        # Triples (index, pointer, words) until all that raise it make faults.
        named = [f if isinstance(f, Fault) else Fault(f[1], f[2], f[0]) for f in faults]
        self.faults = sorted(named, key=lambda fault: fault.index)
        super().__init__("; ".join(f"[{f.index}]{f.pointer}: {f.words}" for f in self.faults))

    @property
    def errors(self) -> list[tuple[int, str, str]]:
        """The faults as (index, pointer, words)."""
        return [(fault.index, fault.pointer, fault.words) for fault in self.faults]


class InvalidDesign(InvalidInput):
    """A design, or what is asked of it, that cannot be computed.

    Parameters
    ----------
    problems : iterable of (str, str)
        JSON pointer (RFC 6901) of each bad field, relative to the design, and what is wrong with it.
    """

    def __init__(self, problems: Iterable[tuple[str, str]]) -> None:
        super().__init__((0, pointer, detail) for pointer, detail in problems)


@contextmanager
def below(*prefixes: tuple[str, str]) -> Iterator[None]:
    """Put the request's pointers in place of the engine's: the first prefix that fits gives way to its own.

    prefixes: (what the engine's pointer begins with, what goes before it)
    """
    try:
        yield
    except InvalidInput as refused:
        raise InvalidInput(
            (0, next((place for start, place in prefixes if pointer.startswith(start)), "") + pointer, detail)
            for _, pointer, detail in refused.errors
        ) from None
