"""What machines that drive a page at random have in common: a browser behind a line that is slow or cut."""

from __future__ import annotations

import base64
import functools
import json
import os
import time
import traceback
from collections.abc import Callable
from pprint import pformat
from typing import Any, ClassVar

import requests
from hypothesis import HealthCheck, Phase, seed, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, rule, run_state_machine_as_test
from selenium.common.exceptions import WebDriverException

STEPS = int(os.environ.get("BALLGAUGE_PAGE_STEPS", "80"))
"""How many steps are taken on each page, at least; the usual ones are the same in every run."""
IS_USUAL = "BALLGAUGE_PAGE_STEPS" not in os.environ
AT_ONCE = 40 if IS_USUAL else 100
SETTLED = ("current", "refused", "empty")


class Broken(BaseException):
    """What broke, after which steps; not for Hypothesis to try again, which takes minutes in a browser."""


def noted(step: Any) -> Any:
    """Count a step; one that fails is told with those before it: no two runs take the same time."""

    @functools.wraps(step)
    def taken(self: Driven, **given: Any) -> None:
        own = type(self)
        if step.__name__ != "start" and (given or not step.__name__.startswith("what_")):
            own.steps += 1
            own.acted += self.stood == "current"
            self.taken.append(f"{step.__name__} {given} ({self.stood})")
        try:
            step(self, **given)
        except Exception as error:
            told = [*self.taken, self.shown(), traceback.format_exc()]
            raise Broken("\n".join(told)) from error

    return taken


class Driven(RuleBasedStateMachine):
    """One page in a browser, behind a line; `seen()` is what it shows."""

    browser: ClassVar[Any]
    line: ClassVar[Any]
    service: ClassVar[str]
    path: ClassVar[str]
    steps: ClassVar[int] = 0
    acted: ClassVar[int] = 0
    """Steps taken while a verdict stood."""
    verdicts: ClassVar[int] = 0
    """Verdicts that were compared with the service's own."""
    records: ClassVar[int] = 0
    """Signed records that were compared with what was shown."""
    stood = ""
    """The page's state when it was last looked at."""
    seen: Callable[[], dict[str, Any]]

    def __init__(self) -> None:
        super().__init__()
        self.taken: list[str] = []

    def shown(self) -> str:
        """What the page shows, for people."""
        try:
            return pformat(self.seen(), width=160)
        except WebDriverException as error:
            return f"nothing is seen: {error}"

    def look(self, script: str) -> dict[str, Any]:
        """What a script finds on the page, its state among it."""
        found: dict[str, Any] = self.browser.run(script)
        self.stood = found["state"]
        return found

    def begin(self) -> None:
        """Open the page afresh."""
        self.line.is_cut, self.line.latency = False, 0.0
        self.browser.open(self.path)

    def loaded(self) -> None:
        """Wait for the page itself, which is there before any answer."""
        self.browser.wait(
            lambda: self.browser.run("return document.documentElement.dataset.state"), "no page"
        )

    def spoken(self) -> str:
        """The page's language."""
        return str(self.browser.run("return document.documentElement.lang"))

    @rule(light=st.sampled_from(["light", "dark", "auto"]))
    @noted
    def shine(self, light: str) -> None:
        self.browser.fill("light", light)

    @rule(seconds=st.sampled_from([0.0, 0.0, 0.1, 0.3, 0.3, 2.0]))
    @noted
    def slow(self, seconds: float) -> None:
        self.line.latency = seconds

    @rule(is_cut=st.booleans())
    @noted
    def cut(self, is_cut: bool) -> None:
        self.line.is_cut = is_cut

    def elsewhere(self, look: Callable[[], Any]) -> Any:
        """What another reader sees at the page's address, with other units from before."""
        driver = self.browser.driver
        address, own = driver.current_url, driver.current_window_handle
        use = "localStorage.setItem('ballgauge.units', arguments[0])"
        kept = self.browser.run("return localStorage.getItem('ballgauge.units')") or "trade"
        self.browser.run(use, "metric" if kept == "trade" else "trade")
        driver.switch_to.new_window("tab")
        try:
            driver.get(address)
            self.loaded()
            found = look()
            self.browser.run(use, kept)
        finally:
            driver.close()
            driver.switch_to.window(own)
        return found

    def is_new(self) -> bool:
        """Whether anything was done since another reader looked."""
        return not self.taken or not self.taken[-1].startswith("open_elsewhere")

    def teardown(self) -> None:
        self.line.is_cut, self.line.latency = False, 0.0


def drive(machine: type[Driven], behind_a_line: Any, service: str, path: str, steps: int = STEPS) -> None:
    """Take at least so many steps on a page; fails with the first that breaks what the machine holds to."""
    browser, line = behind_a_line
    driven = type("OnePage", (machine,), {"browser": browser, "line": line, "service": service, "path": path})
    while driven.steps < steps:
        chosen = settings(
            max_examples=max(
                2, (steps - driven.steps) // AT_ONCE
            ),  # the first takes one rule again and again
            stateful_step_count=min(AT_ONCE, steps // 2),
            deadline=None,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        if IS_USUAL:
            seed(driven.steps)(driven)
        try:
            run_state_machine_as_test(driven, settings=chosen)
        except Broken as error:
            raise AssertionError(str(error)) from None
    assert driven.verdicts > 0, "nothing was ever answered"
    print(
        f"{path}: {driven.steps} steps, {driven.acted} of them upon a verdict; "
        f"{driven.verdicts} verdicts and {driven.records} records compared"
    )


@functools.lru_cache(maxsize=256)
def asked(address: str, text: str, language: str = "en") -> requests.Response:
    """What the service says to a request, once its kernels are compiled."""
    headers = {"Content-Type": "application/json", "Accept-Language": language}
    while True:
        answer = requests.post(address, data=text.encode(), headers=headers, timeout=180)
        if answer.status_code != 503:
            return answer
        time.sleep(1)


def content(record: str) -> dict[str, Any]:
    """The payload of a JWS in its compact form (RFC 7515)."""
    payload = record.split(".")[1]
    found: dict[str, Any] = json.loads(base64.urlsafe_b64decode(payload + "=" * (-len(payload) % 4)))
    return found
