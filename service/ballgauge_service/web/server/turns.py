"""Who may compute, who waits, and who is turned away: decided on the event loop, without a thread.

At most `Settings.computing` requests compute side by side and at most `Settings.waiting` wait for that, none
longer than `Settings.longest_wait`. A stream that waits for its caller gives its turn away and gets the next
one before those who have not begun.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable


class Full(Exception):
    """There is no turn for this request; the text is the reason's name in the metrics."""


class Turns:
    """The turns of one process. All calls from its event loop.

    Parameters
    ----------
    computing, waiting : int
    longest_wait : float
        [s]
    show : callable (int, int), optional
        Told how many compute and wait whenever that changes.
    """

    def __init__(
        self,
        computing: int,
        waiting: int,
        longest_wait: float,
        show: Callable[[int, int], object] = lambda computing, waiting: None,
    ) -> None:
        self._free = computing
        self._show = show
        self._waiting = waiting
        self._longest_wait = longest_wait
        self._computing = computing
        self._line: deque[asyncio.Future[None]] = deque()
        self._returning: deque[asyncio.Future[None]] = deque()

    @property
    def free(self) -> int:
        """Turns that can be taken at once."""
        return self._free

    async def take(self) -> None:
        """Take a turn, at once or after a wait. Raises Full."""
        if self._free:
            self._free -= 1
            self._changed()
            return
        if len(self._line) >= self._waiting:
            raise Full("line_full")
        turn = asyncio.get_running_loop().create_future()
        self._line.append(turn)
        self._changed()
        try:
            async with asyncio.timeout(self._longest_wait):
                await turn
        except TimeoutError:
            self._withdraw(turn, self._line)
            raise Full("waited_too_long") from None
        except BaseException:
            self._withdraw(turn, self._line)
            raise

    async def take_again(self) -> None:
        """Take a turn for a request that had one; it is never turned away."""
        if self._free:
            self._free -= 1
            self._changed()
            return
        turn = asyncio.get_running_loop().create_future()
        self._returning.append(turn)
        try:
            await turn
        except BaseException:
            self._withdraw(turn, self._returning)
            raise

    def give(self) -> None:
        """Give a turn back; the next in line has it."""
        for line in (self._returning, self._line):
            while line:
                turn = line.popleft()
                if not turn.done():
                    turn.set_result(None)
                    self._changed()
                    return
        self._free += 1
        self._changed()

    def _changed(self) -> None:
        self._show(self._computing - self._free, len(self._line))

    def _withdraw(self, turn: asyncio.Future[None], line: deque[asyncio.Future[None]]) -> None:
        if turn.done() and not turn.cancelled():
            self.give()
        elif turn in line:
            line.remove(turn)
            self._changed()
