"""What the engine refuses: requests that are well-formed one by one but impossible as a whole."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace


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

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = sorted(faults, key=lambda fault: fault.index)
        super().__init__("; ".join(f"[{f.index}]{f.pointer}: {f.words}" for f in self.faults))


@contextmanager
def below(place: str) -> Iterator[None]:
    """Put a pointer before those of what is refused within."""
    try:
        yield
    except InvalidInput as refused:
        faults = [replace(fault, pointer=place + fault.pointer) for fault in refused.faults]
        raise InvalidInput(faults) from None
