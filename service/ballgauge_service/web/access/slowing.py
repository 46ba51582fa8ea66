"""Callers who keep being refused wait for it, so that it costs them more than the service."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable

FREE = 30
"""Refusals a minute that one address is told at once (ours)."""

LEAST = 1.0
"""Seconds that each further one is held back (ours)."""

RATE = 100.0
"""Refusals a second that are told to all who are held back (ours): more wait longer."""

LONGEST = 20.0
"""Seconds that one is held back at most (ours): shorter than a caller's own patience."""

_MINUTE = 60.0


class Slowing:
    """Says how long a refusal is held back; nothing but a connection waits."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._counts: Counter[str] = Counter()
        self._end = clock() + _MINUTE
        self._next = 0.0

    def wait(self, caller: str) -> float:
        """Count a refusal of a caller, by address, and give the seconds it waits."""
        now = self._clock()
        if now >= self._end:
            self._counts.clear()
            self._end = now + _MINUTE
        self._counts[caller] += 1
        if self._counts[caller] <= FREE:
            return 0.0
        self._next = min(max(self._next + 1.0 / RATE, now + LEAST), now + LONGEST)
        return self._next - now
