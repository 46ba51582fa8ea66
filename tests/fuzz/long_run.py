"""Holds the service to its document for so many minutes, along its links and address by address.

    python tests/fuzz/long_run.py --minutes 30 --log fuzz.log

Each round has a seed of its own, so that a round that found something can be run again: `--first SEED`. A
finding is told once, by its first lines, and the run goes on. Ends with 1 where there was any.
"""

from __future__ import annotations

import argparse
import logging
import sys
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis.stateful import run_state_machine_as_test

sys.path.insert(0, str(Path(__file__).parent))

from contract import contract, linked

ROUND = settings(
    max_examples=12,
    stateful_step_count=8,
    deadline=None,
    database=None,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)
log = logging.getLogger("long_run")


class Run:
    """The rounds, and what they found."""

    def __init__(self, minutes: float) -> None:
        self.ends = time.monotonic() + 60.0 * minutes
        self.answers: Counter[tuple[str, int]] = Counter()
        self.found: Counter[str] = Counter()
        self.machine: Any = linked(contract({"generation": {"mode": "positive"}}))
        self.machine.taken = self.answers
        self.operations = [result.ok() for result in contract().get_all_operations()]

    @property
    def over(self) -> bool:
        """Whether the time is up."""
        return time.monotonic() > self.ends

    def round(self, number: int) -> None:
        """Walk along the links, then ask every address, valid and invalid."""
        self._watched(number, "links", lambda: self._walk(number))
        for operation in self.operations:
            if not self.over:
                self._watched(number, operation.label, lambda each=operation: self._ask(each, number))

    def _walk(self, number: int) -> None:
        run_state_machine_as_test(seed(number)(self.machine), settings=ROUND)

    def _ask(self, operation: Any, number: int) -> None:
        @seed(number)
        @settings(ROUND)
        @given(case=operation.as_strategy())
        def ask(case: Any) -> None:
            if not self.over:
                response = case.call()
                self.answers[operation.label, response.status_code] += 1
                case.validate_response(response)

        ask()

    def _watched(self, number: int, what: str, work: Callable[[], None]) -> None:
        try:
            work()
        except Exception as error:  # noqa: BLE001 - whatever is raised is what is looked for
            text = f"{what}: {type(error).__name__}: {error}\n{getattr(error, '__notes__', '')}"
            key = text[:200]
            self.found[key] += 1
            if self.found[key] == 1:
                log.error("round %d found: %s", number, text[:6000])


def main() -> int:
    """Run, as the module says."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--first", type=int, default=1, help="seed of the first round")
    parser.add_argument("--log", type=Path, help="file for what is told; standard error unless told")
    asked = parser.parse_args()
    logging.basicConfig(filename=asked.log, level=logging.WARNING, format="%(asctime)s %(name)s %(message)s")
    log.setLevel(logging.INFO)
    run = Run(asked.minutes)
    number = asked.first
    while not run.over:
        run.round(number)
        log.info("round %d: %d answers, %d findings", number, run.answers.total(), len(run.found))
        number += 1
    for (label, status), count in sorted(run.answers.items()):
        log.info("%-28s %d %6d", label, status, count)
    return 1 if run.found else 0


if __name__ == "__main__":
    sys.exit(main())
