"""The end of a request's time, asked by long work between its steps.

Whoever runs a request sets its `Deadline`; loops over chunks, items and evaluations call `check`. Outside of
a request, in a batch job or a library call, nothing is set and nothing ends. No result holds a clock: a
request that ends in time gives the same bytes as ever.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

Progress = Callable[[float, str], None]
"""Called with the share done (0 to 1) and what is being done."""

CancelToken = Callable[[], bool]
"""Asked between steps; True ends the run with `Cancelled`."""


class DeadlinePassed(Exception):
    """A request's time is up, or nobody waits for its answer any more; nothing of it is kept."""


class NobodyWaits(DeadlinePassed):
    """It was ended from outside: the caller left, or was told already."""


class Deadline:
    """How long a request may go on without anything coming of it.

    Parameters
    ----------
    seconds : float
        From now, and from each call of `renew` [s].
    clock : callable () -> float
        Seconds, rising; never a clock that can be set.
    """

    def __init__(self, seconds: float, clock: Callable[[], float] = time.monotonic) -> None:
        self.seconds = seconds
        self._clock = clock
        self._end = clock() + seconds
        self._given_up = threading.Event()

    @property
    def left(self) -> float:
        """Seconds until the end, negative after it."""
        return self._end - self._clock()

    @property
    def given_up(self) -> bool:
        """Whether `give_up` was called."""
        return self._given_up.is_set()

    def renew(self) -> None:
        """Begin the time anew: part of the body was taken, or part of the answer given."""
        self._end = self._clock() + self.seconds

    def give_up(self) -> None:
        """End it now: nobody waits for the answer."""
        self._given_up.set()

    def check(self) -> None:
        """Raise DeadlinePassed where the time is up."""
        if self._given_up.is_set():
            raise NobodyWaits("nobody waits for the answer any more")
        if self.left < 0.0:
            text = f"not done after {self.seconds:g} s, and ended: ask for less at a time"
            raise DeadlinePassed(text)


_current: ContextVar[Deadline | None] = ContextVar("ballgauge_deadline", default=None)


def check() -> None:
    """Raise DeadlinePassed where the present request's time is up."""
    deadline = _current.get()
    if deadline is not None:
        deadline.check()


@contextmanager
def within(deadline: Deadline) -> Iterator[Deadline]:
    """Let `deadline` end what is computed inside; threads started there need a copy of the context."""
    token = _current.set(deadline)
    try:
        yield deadline
    finally:
        _current.reset(token)


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
        check()
        if self._cancelled is not None and self._cancelled():
            raise Cancelled("the run was cancelled")

    def report(self, share: float, doing: str) -> None:
        """Tell the caller how far the run is; also a point where it can be cancelled."""
        self.check()
        if self._progress is not None:
            self._progress(min(max(share, 0.0), 1.0), doing)
