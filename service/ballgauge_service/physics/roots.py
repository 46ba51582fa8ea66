"""Where a function of one variable passes zero between two places: the Illinois method, for kernels.

Regula falsi that halves the function at an end which stays a second time, so that both ends close in (Dowell
& Jarratt, BIT 11, 1971, from memory). Who seeks a root calls the function, since kernels take no functions.
"""

from __future__ import annotations

from typing import NamedTuple

from ballgauge_service.core.compiled import compiled


class Bracket(NamedTuple):
    """Two places with a root between them, in either order, the function there, and which of them moved last.

    moved: 1 the second, -1 the first, 0 neither yet.
    """

    first: float
    second: float
    at_first: float
    at_second: float
    moved: float = 0.0


@compiled
def secant(bracket: Bracket) -> float:
    """Place where the straight line between the ends passes zero.

    Parameters
    ----------
    bracket : Bracket

    Returns
    -------
    float
    """
    first, second, at_first, at_second, _ = bracket
    return (first * at_second - second * at_first) / (at_second - at_first)


@compiled
def narrowed(bracket: Bracket, at: float, value: float) -> Bracket:
    """The bracket with a place instead of the end of the same sign.

    Parameters
    ----------
    bracket : Bracket
    at, value : float, a place and the function there

    Returns
    -------
    Bracket
    """
    first, second, at_first, at_second, moved = bracket
    if (value < 0.0) == (at_second < 0.0):
        return Bracket(first, at, at_first * (0.5 if moved == 1.0 else 1.0), value, 1.0)
    return Bracket(at, second, value, at_second * (0.5 if moved == -1.0 else 1.0), -1.0)
