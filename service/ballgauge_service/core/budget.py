"""What a request may spend: its time, asked by long work between its steps, and its estimated work.

Whoever runs a request sets its `Deadline`; loops over chunks, items and evaluations call `check`. Outside of
a request, in a batch job or a library call, nothing is set and nothing ends. No result holds a clock: a
request that ends in time gives the same bytes as ever.

Where a request says how much it wants, an `Allowance` counts work as estimated from what is asked, so that
the same request always ends the same way; the clock is its last resort alone, for a machine that is much
slower than the estimates.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from ballgauge_service.core.compiled import working_clock
from ballgauge_service.core.refusal import Fault, InvalidInput

WORK_LIMIT = 2e7
"""Most estimated work of the searches and the studies of one request [µs] (ours)."""

DEADLINE = 90.0
"""Seconds after which a request with an allowance is ended in words (ours)."""

_LOOK = 0.1
"""Seconds between two looks at whether a request goes on that waits (ours)."""

Progress = Callable[[float, str], None]
"""Called with the share done (0 to 1) and what is being done."""

CancelToken = Callable[[], bool]
"""Asked between steps; True ends the run with `Canceled`."""


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
        Seconds, rising; never a clock that can be set. Making machine code does not count unless told.
    """

    def __init__(self, seconds: float, clock: Callable[[], float] = working_clock) -> None:
        self.seconds = seconds
        self._clock = clock
        self._end = clock() + seconds
        self._given_up = threading.Event()
        self._lock = threading.Lock()
        self.spent = 0.0
        """Time that others worked for the request, beside its own thread [s]."""

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

    def extend(self, seconds: float) -> None:
        """Give some time back that does not count [s]."""
        self._end += seconds

    def spend(self, seconds: float) -> None:
        """Count time of another thread, or of another machine, that worked for the request [s]."""
        with self._lock:
            self.spent += seconds

    def give_up(self) -> None:
        """End it now: nobody waits for the answer."""
        self._given_up.set()

    def check(self) -> None:
        """Raise DeadlinePassed where the time is up."""
        if self._given_up.is_set():
            raise NobodyWaits("the caller has gone")
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
def helping() -> Iterator[None]:
    """Count the processor time of this thread for the present request, which another thread answers."""
    deadline, began = _current.get(), time.thread_time()
    try:
        yield
    finally:
        if deadline is not None:
            deadline.spend(time.thread_time() - began)


def spend(seconds: float) -> None:
    """Count time that another machine worked for the present request [s]."""
    deadline = _current.get()
    if deadline is not None:
        deadline.spend(seconds)


@contextmanager
def within(deadline: Deadline) -> Iterator[Deadline]:
    """Let `deadline` end what is computed inside; threads started there need a copy of the context."""
    token = _current.set(deadline)
    try:
        yield deadline
    finally:
        _current.reset(token)


def outlast(work: Callable[[], object]) -> None:
    """Do work that nothing ends; a request that waits for it may end before, and leaves it to its thread."""
    deadline = _current.get()
    if deadline is None:
        work()
        return
    thread = threading.Thread(target=work, name="outlasting", daemon=True)
    thread.start()
    while thread.is_alive():
        thread.join(_LOOK)
        deadline.check()


class Canceled(Exception):
    """The caller's cancel token ended a long run; nothing of it is kept."""


class Run:
    """A long run's link to its caller.

    Parameters
    ----------
    progress : callable (float, str), optional
    canceled : callable () -> bool, optional
    """

    def __init__(self, progress: Progress | None = None, canceled: CancelToken | None = None) -> None:
        self._progress = progress
        self._canceled = canceled

    def check(self) -> None:
        """Raise `Canceled` when the caller asked to stop, DeadlinePassed when the request's time is up."""
        check()
        if self._canceled is not None and self._canceled():
            raise Canceled("the run was canceled")

    def add(self, work: float) -> None:
        """Count work beside that of the evaluations [µs]; a run without an allowance counts none.

        What is counted ends nothing: jobs are priced before they begin, and ask `fits` on their way.
        """

    def fits(self, work: float) -> bool:
        """Whether that much more work is still allowed [µs]."""
        return True

    @property
    def unspent(self) -> float:
        """Work that is still allowed [µs]."""
        return math.inf

    def report(self, share: float, doing: str) -> None:
        """Tell the caller how far the run is; also a point where it can be canceled."""
        self.check()
        if self._progress is not None:
            self._progress(min(max(share, 0.0), 1.0), doing)


class Allowance(Run):
    """The run of one request: its jobs share its progress, its work and its time.

    Parameters
    ----------
    jobs : int
        How many jobs there are.
    progress, canceled : optional
        As of `Run`.
    clock : callable () -> float
        Seconds, rising.
    """

    def __init__(
        self,
        jobs: int,
        progress: Progress | None = None,
        canceled: CancelToken | None = None,
        clock: Callable[[], float] = working_clock,
    ) -> None:
        super().__init__(progress, canceled)
        self._jobs, self._job, self._doing = max(jobs, 1), -1, ""
        self._price, self._spent, self._kept, self._told = 0.0, 0.0, 0.0, 0.0
        self._deadline = Deadline(DEADLINE, clock)

    def begin(self, doing: str, price: float = 0.0, kept: float = 0.0) -> None:
        """Begin the next job, each evaluation of which costs `price`; keep work for later ones [µs]."""
        self._job, self._doing, self._price, self._kept = self._job + 1, doing, price, kept
        self.report(0.0, "")

    def check(self) -> None:
        """Count one evaluation. Raises InvalidInput where the time is up, Canceled by the token."""
        super().check()
        self.add(self._price)
        try:
            self._deadline.check()
        except DeadlinePassed as passed:
            raise InvalidInput([Fault("", str(passed))]) from None

    def add(self, work: float) -> None:
        """Count work [µs]."""
        self._spent += work

    def fits(self, work: float) -> bool:
        """Whether that much more work is still allowed [µs]."""
        return work <= self.unspent

    @property
    def unspent(self) -> float:
        """Work that is still allowed to the present job [µs]."""
        return WORK_LIMIT - self._spent - self._kept

    def report(self, share: float, doing: str) -> None:
        """Tell how far the request is, never less than before: the job, and what it says of itself."""
        words = ": ".join(filter(None, (self._doing, "" if doing in ("done", self._doing) else doing)))
        self._told = max(self._told, (max(self._job, 0) + min(max(share, 0.0), 1.0)) / self._jobs)
        super().report(self._told, words)
