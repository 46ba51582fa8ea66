"""Bulk work on threads of this process, by Dask's threaded scheduler."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextvars import copy_context
from functools import partial
from typing import Any

from ballgauge_service.core import budget
from ballgauge_service.core.bulk.pieces import (
    AHEAD,
    Bulk,
    Check,
    Common,
    Failure,
    Feed,
    Piece,
    Result,
    Task,
    asking,
    opened,
    perform,
    unasked,
)


class Threads(Bulk):
    """As many threads as there are processors, shared by all bulk work of the process.

    Pieces run in waves, so that what waits for its turn is bounded.
    """

    def __init__(self, count: int | None = None) -> None:
        self.count = count or os.cpu_count() or 1
        self._lock = threading.Lock()
        self._pool: tuple[int, ThreadPoolExecutor] | None = None

    def map(
        self,
        work: Task[Common, Piece, Result],
        common: Common,
        pieces: Iterable[Piece],
        check: Check = unasked,
        ahead: int = AHEAD,
    ) -> Iterator[Result]:
        """See `Bulk.map`."""
        feed, ask = Feed(pieces), asking(check)
        while wave := feed.take(max(ahead * self.count, 1)):
            ask()
            tasks = [partial(perform, work, common, piece, ask) for piece in wave]
            yield from map(opened, self._results(tasks))
        feed.finish()

    def _results(self, tasks: Sequence[partial[Any | Failure]]) -> Iterable[Any | Failure]:
        if len(tasks) == 1 or self.count == 1:
            return (task() for task in tasks)
        # Every piece has its own copy of the context, and with it the request's deadline.
        return self._wave([partial(copy_context().run, _helping, task) for task in tasks])

    def _wave(self, tasks: Sequence[partial[Any | Failure]]) -> tuple[Any | Failure, ...]:
        # Deferred: a single check or motion has no bulk work.
        from dask.threaded import get

        found: tuple[Any | Failure, ...] = get(
            {str(k): (task,) for k, task in enumerate(tasks)},
            [str(k) for k in range(len(tasks))],
            pool=self._threads(),
        )
        return found

    def _threads(self) -> ThreadPoolExecutor:
        """The pool; a forked process makes its own."""
        with self._lock:
            if self._pool is None or self._pool[0] != os.getpid():
                self._pool = os.getpid(), ThreadPoolExecutor(self.count, thread_name_prefix="bulk")
            return self._pool[1]

    def reads(self, path: str, *, own: bool) -> bool:
        """See `Bulk.reads`."""
        return True


def _helping(task: partial[Any | Failure]) -> Any | Failure:
    with budget.helping():
        return task()
