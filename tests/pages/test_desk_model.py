"""The desk as a model: whatever happens beside it, every ball is in the list once, with its own values."""

from __future__ import annotations

import json
import re
from typing import Any
from urllib.parse import parse_qs, urlsplit

from hypothesis import strategies as st
from hypothesis.stateful import initialize, invariant, precondition, rule
from selenium.webdriver.common.keys import Keys

from .desks import Desk
from .machines import STEPS, Driven, content, drive, noted

FEWER = STEPS if STEPS > 80 else 60
WEIGHTS = st.integers(1200, 1900).map(lambda hundredths: f"{hundredths / 100:g}")
SIDES = st.integers(-40, 40).map(lambda tenths: f"{tenths / 10:g}")
ROW = """const row = [...document.querySelectorAll('#list tbody tr')]
    .find((each) => each.querySelector('strong').textContent === arguments[0]);
    const button = row?.querySelector(`[data-act=${arguments[1]}]`);
    button?.click();
    return Boolean(button);"""
SHOWN = """return {
    state: document.querySelector('#list [data-act=sign]') ? 'current' : 'waiting',
    rows: [...document.querySelectorAll('#list tbody tr')].map((row) =>
        [row.querySelector('.row-readings').textContent, row.dataset.outcome]),
    kept: Object.entries(localStorage).filter(([key]) => key.startsWith('ballgauge.desk/'))
        .map(([, text]) => text),
    serial: document.getElementById('ball.serial').value,
    weight: document.getElementById('ball.drilled_weight').value,
    told: document.getElementById('told').textContent,
};"""
SIGNED = """return document.querySelector('#signing-answer a[href^="/verify#"]')?.href"""


class Model(Driven):
    """What was scanned, by serial, beside what two tabs hold."""

    @initialize()
    @noted
    def start(self) -> None:
        driver = self.browser.driver
        for other in driver.window_handles[1:]:
            driver.switch_to.window(other)
            driver.close()
        driver.switch_to.window(driver.window_handles[0])
        self.desk = Desk(self.browser, self.line)
        if driver.current_url.startswith(self.line.address):
            self.browser.run("localStorage.clear(); sessionStorage.clear()")
        self.begin()
        self.desk.focus()
        self.balls: dict[str, tuple[str, str]] = {}
        self.past: list[dict[str, tuple[str, str]]] = []
        self.half = ""
        self.edited: tuple[str, tuple[str, str]] | None = None
        self.count = 2
        for serial, values in {"B1": ("15", "1"), "B2": ("16.5", "0.5")}.items():
            self.desk.scan(serial, *values)
            self.balls[serial] = values
        self.come_to_rest()

    def seen(self) -> dict[str, Any]:
        return self.look(SHOWN)

    def left(self) -> None:
        """What was done in a page that is left cannot be undone."""
        self.past = []

    def act(self, serial: str, name: str) -> None:
        """Press a button in a ball's row."""
        self.browser.wait(lambda: self.browser.run(ROW, serial, name), f"no {name} of {serial}")

    @precondition(lambda self: not self.half and not self.edited)
    @rule(weight=WEIGHTS, side=SIDES, more=st.integers(0, 2))
    @noted
    def scan(self, weight: str, side: str, more: int) -> None:
        """Scan a ball, type its readings, and press Enter once or more."""
        self.count += 1
        serial = f"B{self.count}"
        self.desk.focus()
        self.desk.scan(serial, weight, side)
        for _ in range(more):
            self.desk.type(Keys.ENTER)
        self.balls[serial] = (weight, side)
        self.left()

    @precondition(lambda self: not self.half and not self.edited)
    @rule()
    @noted
    def type_half(self) -> None:
        """Leave a ball half typed."""
        self.count += 1
        self.half = f"H{self.count}"
        self.desk.focus()
        self.desk.type(self.half, Keys.ENTER, Keys.TAB, "14")

    @precondition(lambda self: self.half and not self.edited)
    @rule()
    @noted
    def finish(self) -> None:
        """Go on with the half-typed ball, whatever has happened to the page since."""
        self.browser.run("document.getElementById('measured_balance.side').focus()")
        self.desk.type("1", Keys.ENTER)
        self.balls[self.half] = ("14", "1")
        self.half = ""
        self.left()

    @rule(language=st.sampled_from(("en", "de")))
    @noted
    def change_language(self, language: str) -> None:
        """Choose a language."""
        spoken = "return document.readyState === 'complete' && document.documentElement.lang"
        if self.browser.run(spoken) == language:
            return
        self.browser.fill("language", language)
        self.browser.wait(lambda: self.browser.run(spoken) == language)
        self.left()

    @rule()
    @noted
    def reload(self) -> None:
        """Load the page afresh."""
        self.browser.driver.refresh()
        self.left()

    @rule()
    @noted
    def look_in_other_units(self) -> None:
        """Choose units and go back to those that are typed."""
        self.browser.fill("units", "metric")
        self.browser.fill("units", "trade")

    @precondition(lambda self: not self.half and not self.edited)
    @rule()
    @noted
    def go_to_another_tab(self) -> None:
        """Work on in a second tab, or in the first again."""
        driver = self.browser.driver
        handles, here = driver.window_handles, driver.current_window_handle
        if len(handles) == 1:
            driver.switch_to.new_window("tab")
            self.desk.open()
        else:
            driver.switch_to.window(next(each for each in handles if each != here))
        self.left()

    @precondition(lambda self: self.balls)
    @rule(data=st.data())
    @noted
    def remove(self, data: st.DataObject) -> None:
        """Remove a ball from its row."""
        serial = self.one(data)
        if self.edited and serial == self.edited[0]:
            return
        self.act(serial, "remove")
        self.past.append(dict(self.balls))
        del self.balls[serial]

    @precondition(lambda self: self.balls and not self.edited)
    @rule()
    @noted
    def clear(self) -> None:
        """Empty the list, as is asked for and can be taken back."""
        self.browser.run("window.confirm = () => true")
        self.desk.press("#empty")
        self.past.append(self.balls)
        self.balls = {}

    @precondition(lambda self: self.past and not self.edited)
    @rule()
    @noted
    def undo(self) -> None:
        """Take the last change of the list back."""
        self.desk.press("#undo")
        self.balls = self.past.pop()

    @precondition(lambda self: self.balls and not self.edited)
    @rule(data=st.data(), weight=WEIGHTS)
    @noted
    def edit(self, data: st.DataObject, weight: str) -> None:
        """Bring a ball back into the form, and type another weight."""
        serial = self.one(data)
        self.act(serial, "edit")
        self.browser.enter("ball.drilled_weight", weight)
        self.edited = serial, (weight, self.balls[serial][1])

    @precondition(lambda self: self.edited)
    @rule(is_kept=st.booleans())
    @noted
    def end_editing(self, is_kept: bool) -> None:
        """Put the edited ball in the list, or leave it as it was; what was half typed comes back."""
        assert self.edited
        if is_kept:
            self.browser.run("document.getElementById('form').requestSubmit()")
            self.past.append(dict(self.balls))
            self.balls |= dict([self.edited])
        else:
            self.desk.press("#cancel")
        self.edited = None

    @precondition(lambda self: self.balls and not self.edited)
    @rule(data=st.data())
    @noted
    def sign(self, data: st.DataObject) -> None:
        """Sign a ball from its row, once it is judged."""
        serial = self.one(data)
        self.come_to_rest()
        self.act(serial, "sign")
        self.browser.run("document.getElementById('signing-form').requestSubmit()")
        address = self.browser.wait(lambda: self.browser.run(SIGNED), "nothing was signed")
        record = content(parse_qs(urlsplit(address).fragment)["record"][0])
        weight, side = self.balls[serial]
        assert record["check"]["ball"]["serial"] == serial
        assert record["check"]["ball"]["drilled_weight"] == float(weight)
        assert record["check"]["measured_balance"]["side"] == float(side)
        assert record["outcome"] == judged(weight, side)
        type(self).records += 1

    @rule()
    @noted
    def settle(self) -> None:
        self.come_to_rest()

    def come_to_rest(self) -> None:
        """Once the service is there, each row says what its own values come to."""
        self.line.latency, self.line.is_cut = 0.0, False
        self.browser.run("window.dispatchEvent(new Event('online'))")
        self.desk.wait_for_rows(len(self.balls))
        assert {serial: outcome for serial, _, outcome in self.desk.rows()} == {
            serial: judged(*values) for serial, values in self.balls.items()
        }

    def one(self, data: st.DataObject) -> str:
        """One of the balls."""
        return data.draw(st.sampled_from(sorted(self.balls)))

    @invariant()
    @noted
    def what_is_there_is_what_was_done(self) -> None:
        seen = self.seen()
        self.is_kept_once(seen["kept"])
        self.has_its_own_verdict(seen["rows"])
        serial, weight = (self.half, "14" if self.half else "")
        if self.edited:
            serial, (weight, _) = self.edited
        assert (seen["serial"], seen["weight"].removesuffix(" lb")) == (serial, weight)

    def is_kept_once(self, kept: list[str]) -> None:
        """Every ball, in what the browser keeps, at once, however long the service takes."""
        found = [
            (each["ball"]["serial"], each["ball"]["drilled_weight"], each["measured_balance"]["side"])
            for each in (json.loads(text)["request"] for text in kept)
        ]
        told = [(serial, float(weight), float(side)) for serial, (weight, side) in self.balls.items()]
        assert sorted(found) == sorted(told)

    def has_its_own_verdict(self, rows: list[list[str]]) -> None:
        """Each row, beside its own readings, or it waits for one."""
        for readings, outcome in rows:
            numbers = re.findall(r"[−-]?\d+(?:[.,]\d+)?", readings)
            weight, side = (text.replace("−", "-").replace(",", ".") for text in numbers)
            assert outcome in ("waiting", judged(weight, side))
            type(self).verdicts += outcome != "waiting"

    def teardown(self) -> None:
        """In every tab."""
        for handle in self.browser.driver.window_handles:
            self.browser.driver.switch_to.window(handle)
            self.come_to_rest()


def judged(weight: str, side: str) -> str:
    """What this ball is by the rules of 2026: at most 16 lb, at most 3 oz to a side."""
    return "nonconforming" if float(weight) > 16 or abs(float(side)) > 3 else "not_assessed"


def test_every_ball_is_in_the_list_once_with_its_own_values(behind_a_line: Any, page_server: str) -> None:
    drive(Model, behind_a_line, page_server, "/desk#rules.on=2026-05-01", FEWER)
