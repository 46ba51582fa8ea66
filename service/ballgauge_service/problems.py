"""What the engine refuses: requests that are well-formed one by one but impossible as a whole."""

from __future__ import annotations

from collections.abc import Iterable


class InvalidInput(ValueError):
    """Items of a request that cannot be computed.

    Parameters
    ----------
    errors : iterable of (int, str, str)
        The item's index in the request, the JSON pointer (RFC 6901) of the bad field relative to that item,
        and what is wrong with it. Every bad field of every item, not the first alone.
    """

    def __init__(self, errors: Iterable[tuple[int, str, str]]) -> None:
        self.errors = list(errors)
        super().__init__("; ".join(f"[{index}]{pointer}: {detail}" for index, pointer, detail in self.errors))
