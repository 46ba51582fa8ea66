"""The desk as a model: whatever happens beside it, every ball is in the list once, with its own values."""

from __future__ import annotations

import os
from typing import Any

from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from selenium.webdriver.common.keys import Keys

from .desks import Desk

STEPS = int(os.environ.get("BALLGAUGE_DESK_STEPS", "60"))
"""Steps in all; a long run is asked for by hand."""

WEIGHTS = st.integers(1200, 1900).map(lambda hundredths: f"{hundredths / 100:g}")
SIDES = st.integers(-40, 40).map(lambda tenths: f"{tenths / 10:g}")
LATENCIES = st.sampled_from((0.0, 0.1, 0.5, 2.0))
ALL = settings(
    max_examples=max(STEPS // 30, 1),
    stateful_step_count=30,
    deadline=None,
    database=None,
    derandomize=STEPS < 500,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)


class Model(RuleBasedStateMachine):
    """What was scanned, by serial, beside what two tabs hold."""

    desk: Desk

    def __init__(self) -> None:
        super().__init__()
        self.desk.line.latency, self.desk.line.is_cut = 0.0, False
        driver = self.desk.browser.driver
        for other in driver.window_handles[1:]:
            driver.switch_to.window(other)
            driver.close()
        driver.switch_to.window(driver.window_handles[0])
        self.desk.open()
        self.desk.browser.run("localStorage.clear(); sessionStorage.clear()")
        self.desk.open()
        self.balls: dict[str, tuple[str, str]] = {}
        self.removed: tuple[str, tuple[str, str]] | None = None
        self.half = ""
        self.count = 0

    @precondition(lambda self: not self.half)
    @rule(weight=WEIGHTS, side=SIDES, more=st.integers(0, 2))
    def scan(self, weight: str, side: str, more: int) -> None:
        """Scan a ball, type its readings, and press Enter once or more."""
        self.count += 1
        serial = f"B{self.count}"
        self.desk.focus()
        self.desk.scan(serial, weight, side)
        for _ in range(more):
            self.desk.type(Keys.ENTER)
        self.balls[serial] = (weight, side)
        self.removed = None

    @precondition(lambda self: not self.half)
    @rule()
    def type_half(self) -> None:
        """Leave a ball half typed."""
        self.count += 1
        self.half = f"H{self.count}"
        self.desk.focus()
        self.desk.type(self.half, Keys.ENTER, Keys.TAB, "14")

    @precondition(lambda self: self.half)
    @rule()
    def finish(self) -> None:
        """Go on with the half-typed ball, whatever has happened to the page since."""
        self.desk.browser.run("document.getElementById('measured_balance.side').focus()")
        self.desk.type("1", Keys.ENTER)
        self.balls[self.half] = ("14", "1")
        self.half = ""
        self.removed = None

    @rule(language=st.sampled_from(("en", "de")))
    def change_language(self, language: str) -> None:
        """Choose a language."""
        spoken = "return document.readyState === 'complete' && document.documentElement.lang"
        if self.desk.browser.run(spoken) == language:
            return
        self.desk.browser.fill("language", language)
        self.desk.browser.wait(lambda: self.desk.browser.run(spoken) == language)
        self.removed = None

    @rule()
    def reload(self) -> None:
        """Load the page afresh."""
        self.desk.browser.driver.refresh()
        self.removed = None

    @rule()
    def look_in_other_units(self) -> None:
        """Choose units and go back to those that are typed."""
        self.desk.browser.fill("units", "metric")
        self.desk.browser.fill("units", "trade")

    @rule(latency=LATENCIES)
    def slow_down(self, latency: float) -> None:
        """Change the way to the service."""
        self.desk.line.latency = latency

    @rule(is_cut=st.booleans())
    def cut(self, is_cut: bool) -> None:
        """Take the service away, or give it back."""
        self.desk.line.is_cut = is_cut

    @precondition(lambda self: not self.half)
    @rule()
    def go_to_another_tab(self) -> None:
        """Work on in a second tab, or in the first again."""
        driver = self.desk.browser.driver
        handles, here = driver.window_handles, driver.current_window_handle
        if len(handles) == 1:
            driver.switch_to.new_window("tab")
            self.desk.open()
        else:
            driver.switch_to.window(next(each for each in handles if each != here))
        self.removed = None

    @precondition(lambda self: self.balls)
    @rule(data=st.data())
    def remove(self, data: Any) -> None:
        """Remove a ball from its row."""
        serial = data.draw(st.sampled_from(sorted(self.balls)))
        script = """const row = [...document.querySelectorAll('#list tbody tr')]
            .find((each) => each.querySelector('strong').textContent === arguments[0]);
            row?.querySelector('[data-act=remove]').click(); return Boolean(row)"""
        self.desk.browser.wait(lambda: self.desk.browser.run(script, serial))
        self.removed = (serial, self.balls.pop(serial))

    @precondition(lambda self: self.removed)
    @rule()
    def undo(self) -> None:
        """Take the removal back."""
        assert self.removed
        self.desk.press("#undo")
        serial, values = self.removed
        self.balls[serial] = values
        self.removed = None

    @invariant()
    def every_ball_is_kept_once(self) -> None:
        """In what the browser keeps, at once, however long the service takes."""
        found = [
            (each["request"]["ball"]["serial"], each["request"]["ball"]["drilled_weight"],
             each["request"]["measured_balance"]["side"])
            for each in self.desk.kept()
        ]  # fmt: skip
        told = [(serial, float(weight), float(side)) for serial, (weight, side) in self.balls.items()]
        assert sorted(found) == sorted(told)

    @invariant()
    def what_is_half_typed_is_there(self) -> None:
        """In the form of the tab it was typed in."""
        assert self.desk.value("ball.serial") == self.half
        assert self.desk.value("ball.drilled_weight").removesuffix(" lb") == ("14" if self.half else "")

    def teardown(self) -> None:
        """Once the service is there, each row of every tab says what its own values come to."""
        self.desk.line.latency, self.desk.line.is_cut = 0.0, False
        driver = self.desk.browser.driver
        for handle in driver.window_handles:
            driver.switch_to.window(handle)
            self.desk.browser.run("window.dispatchEvent(new Event('online'))")
            self.desk.wait_for_rows(len(self.balls))
            assert {serial: outcome for serial, _, outcome in self.desk.rows()} == {
                serial: judged(weight, side) for serial, (weight, side) in self.balls.items()
            }


def judged(weight: str, side: str) -> str:
    """What this ball is by the rules of 2026: at most 16 lb, at most 3 oz to a side."""
    return "nonconforming" if float(weight) > 16 or abs(float(side)) > 3 else "not_assessed"


def test_every_ball_is_in_the_list_once_with_its_own_values(desk: Desk) -> None:
    run_state_machine_as_test(type("DeskModel", (Model,), {"desk": desk}), settings=ALL)
