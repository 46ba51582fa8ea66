"""Ratios to named peers: measured in turns, held to a floor, and printed as one table at the end."""

from __future__ import annotations

import io
import statistics
import timeit
from collections.abc import Callable, Sequence
from importlib import metadata
from typing import Any

import pytest
from rich.console import Console
from rich.table import Table

from ballgauge_service.core.compiled import run_compiled

Work = Callable[[], object]

ROW = "ratio"
WIDTH = 160
HEADINGS = ("what", "ours", "peer", "ratio", "min – max", "floor")


def seconds(work: Work, calls: int) -> float:
    """Time of one of several calls [s], without the collector of cycles, which goes over all that lives."""
    return timeit.timeit(work, number=calls) / calls


class Versus:
    """Puts the ratios of one test into the table.

    A ratio tells how many times better ours is than the peer: the peer's time or memory over ours.
    """

    def __init__(self, properties: list[tuple[str, object]]) -> None:
        self.properties = properties

    @staticmethod
    def named(*packages: str) -> str:
        """Packages with their versions."""
        return " + ".join(f"{name} {metadata.version(name)}" for name in packages)

    def hold(self, what: str, ours: str, peer: str, ratios: Sequence[float], floor: float | None) -> None:
        """Add a row, and fail where the median is below the floor; without one it is only reported."""
        middle = statistics.median(ratios)
        span = f"{shown(min(ratios))} – {shown(max(ratios))}" if len(ratios) > 1 else ""
        limit = "none" if floor is None else shown(floor)
        self.properties.append((ROW, [what, ours, peer, shown(middle), span, limit]))
        assert floor is None or middle >= floor

    def race(
        self,
        what: str,
        names: tuple[str, str],
        ours: Work,
        theirs: Work,
        floor: float | None,
        *,
        rounds: int = 5,
        calls: tuple[int, int] = (1, 1),
        shares: tuple[float, float] = (1.0, 1.0),
    ) -> None:
        """Time both in turns, so that a busy machine meets both alike, and hold the ratio to the floor.

        names: of ours and of the peer; calls: how often each runs in a round; shares: how much of the same
        task one call of each does. What is compiled or imported at the first call is called before.
        """
        ratios = []
        for _ in range(rounds):
            taken = [
                seconds(work, count) / share
                for work, count, share in zip((ours, theirs), calls, shares, strict=True)
            ]
            ratios.append(taken[1] / taken[0])
        self.hold(what, *names, ratios, floor)


@pytest.fixture(autouse=True, scope="session")
def warm() -> None:
    """Measure the engine as a server runs it: compiled from the first call on."""
    run_compiled()


@pytest.fixture
def versus(request: pytest.FixtureRequest) -> Versus:
    """Measures against a peer; rows travel with the test's report, from any process of a parallel run."""
    return Versus(request.node.user_properties)


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """Print the table of all that was measured."""
    reports = [report for kind in ("passed", "failed") for report in terminalreporter.stats.get(kind, ())]
    rows = [row for report in reports for name, row in report.user_properties if name == ROW]
    if not rows:
        return
    terminalreporter.section("ratios to named peers")
    table = Table(*HEADINGS, box=None, pad_edge=False)
    for column in table.columns[3:]:
        column.justify = "right"
    for row in rows:
        table.add_row(*row)
    text = io.StringIO()
    Console(width=WIDTH, file=text).print(table)
    terminalreporter.write_line("A ratio is the peer's time or memory over ours: median, least and greatest.")
    terminalreporter.write(text.getvalue())


def shown(number: float) -> str:
    """Three figures."""
    return f"{number:,.0f}" if number >= 100.0 else f"{number:.3g}"
