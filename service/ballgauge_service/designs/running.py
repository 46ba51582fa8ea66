"""Progress and cancelling of long runs, and the errors a design can raise."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from .. import deadline
from ..problems import InvalidInput

Progress = Callable[[float, str], None]
"""Called with the share done (0 to 1) and what is being done."""

CancelToken = Callable[[], bool]
"""Asked between steps; True ends the run with `Cancelled`."""


class InvalidDesign(InvalidInput):
    """A design, or what is asked of it, that cannot be computed.

    Parameters
    ----------
    problems : iterable of (str, str)
        JSON pointer (RFC 6901) of each bad field, relative to the design, and what is wrong with it.
    """

    def __init__(self, problems: Iterable[tuple[str, str]]) -> None:
        super().__init__((0, pointer, detail) for pointer, detail in problems)


class Cancelled(Exception):
    """The caller's cancel token ended a long run; nothing of it is kept."""


class Run:
    """A long run's link to its caller.

    Parameters
    ----------
    progress : callable (float, str), optional
    cancelled : callable () -> bool, optional
    """

    def __init__(self, progress: Progress | None = None, cancelled: CancelToken | None = None) -> None:
        self._progress = progress
        self._cancelled = cancelled

    def check(self) -> None:
        """Raise `Cancelled` when the caller asked to stop, DeadlinePassed when the request's time is up."""
        deadline.check()
        if self._cancelled is not None and self._cancelled():
            raise Cancelled("the run was cancelled")

    def report(self, share: float, doing: str) -> None:
        """Tell the caller how far the run is; also a point where it can be cancelled."""
        self.check()
        if self._progress is not None:
            self._progress(min(max(share, 0.0), 1.0), doing)
