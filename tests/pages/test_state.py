"""The pages as one machine of states, driven at random: what is judged or signed is what the form shows.

Rules are what people and lines do: type, leave, clear, take an example, reload, go back, open the address
elsewhere, switch language, units and light, sign, and a service that is slow or gone. `BALLGAUGE_PAGE_STEPS`
sets about how many steps are taken on each page.
"""

from __future__ import annotations

import base64
import functools
import json
import os
import traceback
from collections.abc import Iterator
from contextlib import suppress
from datetime import date
from typing import Any, ClassVar
from urllib.parse import parse_qsl, urlsplit

import pytest
import requests
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from .proxy import line_to

STEPS = int(os.environ.get("BALLGAUGE_PAGE_STEPS", "80"))
AT_ONCE = 40
SETTLED = ("current", "refused", "empty")
PATIENCE = 30

TYPED = {
    "ball.weight": (
        "15",
        "15.2",
        "16",
        "14-8",
        "15#",
        "6,8 kg",
        "6.83 kg ± 0.001",
        "17 stone",
        "15.",
        "1",
        "200",
    ),
    "ball.diameter": ("8.59", "8 19/32", "8 19⁄32", "218.2 mm", "8½", "8 19/", "8 1", "wide"),
    "ball.rg": ("2.5", "2.49", "63.5 mm", "2.", "9"),
    "ball.top_weight": ("2", "3 1/2", "2½ oz", "60 g", "-"),
    "measured_balance.side": ("0", "3.4", "1", "-2.5", "90 g", "3.0"),
    "ball.serial": ("A1", "B 2", "é<b>"),
    "rules.body": ("usbc", "ibf"),
}

SNAPSHOT = """
const form = document.getElementById('form');
const seen = (node) => Boolean(node) && node.checkVisibility({visibilityProperty: true});
const verdict = document.getElementById('verdict');
const inputs = [...form.querySelectorAll('[data-control]')];
return {
  state: document.documentElement.dataset.state,
  outcome: verdict.dataset.outcome ?? null,
  word: Boolean(verdict.querySelector('.verdict-word')) && verdict.dataset.stale !== 'true',
  form: Object.fromEntries(inputs.map((each) =>
    [each.name, each.type === 'checkbox' ? String(each.checked) : each.value])),
  defaults: Object.fromEntries(inputs.map((each) => [each.name, each.dataset.default ?? ''])),
  kinds: Object.fromEntries(inputs.map((each) => [each.name, [each.dataset.control, each.dataset.unit ?? '',
    each.dataset.metric ?? '']])),
  units: document.getElementById('units').value,
  hash: location.hash,
  page: document.documentElement.dataset.page,
  problem: seen(document.getElementById('problem')),
  signing: [...document.querySelectorAll('[data-current] button, [data-current] .button')].some(seen),
  record: document.querySelector('#record-answer a[href^="/verify#"]')?.href ?? null,
};
"""


def request_of(seen: dict[str, Any]) -> dict[str, Any] | None:
    """What a form asks for, read here from its fields alone; None where it asks for nothing."""
    request: dict[str, Any] = {}
    for name, shown in seen["form"].items():
        control, unit, metric = seen["kinds"][name]
        value: Any = shown.strip()
        if name == "rules.on":
            value = value or date.today().isoformat()
        elif value in ("", seen["defaults"][name]):
            continue
        elif control == "number":
            own = unit if seen["units"] == "trade" else metric
            if not own:
                value = float(value.replace(",", "."))
            elif not any(letter.isalpha() or letter in '#°%"″' for letter in value):
                value = f"{value} {own}"
        elif control in ("flag", "check"):
            value = value == "true"
        place = request
        *parents, last = name.split(".")
        for parent in parents:
            place = place.setdefault(parent, {})
        place[last] = value
    if "holes" in request.get("drilling", {}):
        request["drilling"]["holes"] = list(request["drilling"]["holes"].values())
    return {"ball": {}, **request} if is_begun(request, seen["page"]) else None


def is_begun(request: dict[str, Any], page: str) -> bool:
    """Whether a form holds enough to ask for: a drilling is on a ball of some size."""
    if page == "drilling":
        return not {"diameter", "circumference"}.isdisjoint(request.get("ball", {}))
    return any(part in request for part in ("ball", "drilling", "measured_balance"))


def noted(step: Any) -> Any:
    """Count a step, and keep the first that fails with those before it: no run is the same twice."""

    @functools.wraps(step)
    def taken(self: Pages, **given: Any) -> None:
        own = type(self)
        if given or not step.__name__.startswith("what_"):
            own.steps += 1
            self.taken.append(f"{step.__name__} {given}")
        try:
            step(self, **given)
        except BaseException:
            own.broken = own.broken or "\n".join(
                [*self.taken, str(self.browser.run(SNAPSHOT)), traceback.format_exc()]
            )
            raise

    return taken


class Pages(RuleBasedStateMachine):
    """One page in a browser, behind a line."""

    browser: ClassVar[Any]
    line: ClassVar[Any]
    service: ClassVar[str]
    path: ClassVar[str]
    steps: ClassVar[int] = 0
    broken: ClassVar[str] = ""
    verdicts: ClassVar[int] = 0
    records: ClassVar[int] = 0

    @initialize()
    def start(self) -> None:
        self.line.is_cut, self.line.latency = False, 0.0
        self.browser.open(self.path)
        self.taken: list[str] = []
        self.typed: dict[str, str] = {}
        self.units = "trade"
        self.former: list[tuple[dict[str, str], str]] = []

    def seen(self) -> dict[str, Any]:
        found: dict[str, Any] = self.browser.run(SNAPSHOT)
        return found

    def judged(self, request: dict[str, Any]) -> Any:
        """What the service says to a request, asked from here: an outcome, or nothing where it refuses."""
        answer = requests.post(f"{self.service}/v1/checks", json=request)
        return answer.json()["outcome"] if answer.ok else None

    def loaded(self) -> None:
        """Wait for the page itself, which is there before any answer."""
        self.browser.wait(
            lambda: self.browser.run("return document.documentElement.dataset.state"), "no page"
        )

    @rule(name=st.sampled_from(sorted(TYPED)), data=st.data(), is_left=st.booleans())
    @noted
    def type_in(self, name: str, data: st.DataObject, is_left: bool) -> None:
        text = data.draw(st.sampled_from(TYPED[name]))
        kind = ["input", "change"] if is_left or name == "rules.body" else ["input"]
        self.browser.run(
            """const input = document.getElementById(arguments[0]);
            input.value = arguments[1];
            for (const kind of arguments[2]) input.dispatchEvent(new Event(kind, {bubbles: true}));""",
            name,
            text,
            kind,
        )
        self.typed[name] = text
        if text == "usbc":  # what a form begins with is not typed
            del self.typed[name]

    @rule(name=st.sampled_from(sorted(set(TYPED) - {"rules.body"})))
    @noted
    def empty(self, name: str) -> None:
        self.browser.fill(name, "")
        self.typed.pop(name, None)

    @rule()
    @noted
    def clear(self) -> None:
        self.former.append((dict(self.typed), self.units))
        self.browser.run("document.getElementById('clear').click()")
        self.typed = {}

    @rule(name=st.sampled_from(["drilled", "as_made", "side_weight_over"]))
    @noted
    def example(self, name: str) -> None:
        self.former.append((dict(self.typed), self.units))
        self.browser.run("window.confirm = () => true")
        self.browser.fill("example", name)
        seen = self.seen()
        assert seen["units"] == "trade"
        self.units = "trade"
        self.typed = self.not_default(seen)
        assert self.typed["ball.weight"]

    @precondition(lambda self: self.former)
    @rule()
    @noted
    def back(self) -> None:
        self.typed, self.units = self.former.pop()
        self.browser.driver.back()
        self.loaded()
        if self.typed:
            self.browser.wait(lambda: self.not_default(self.seen()) == self.typed, "the former ball is lost")
        else:
            self.units = self.seen()["units"]

    @rule()
    @noted
    def reload(self) -> None:
        self.browser.driver.refresh()
        self.loaded()
        self.units = self.units if self.typed else self.seen()["units"]

    @rule(language=st.sampled_from(["en", "de"]))
    @noted
    def speak(self, language: str) -> None:
        before = self.browser.run("return document.documentElement.lang")
        if before == language:
            return
        self.former.append((dict(self.typed), self.units))
        self.browser.fill("language", language)
        self.browser.wait(lambda: self.browser.run("return document.documentElement.lang") == language)
        self.loaded()

    @rule()
    @noted
    def switch_units(self) -> None:
        before = request_of(self.seen())
        expected = before and self.judged(before)
        self.units = "metric" if self.units == "trade" else "trade"
        self.browser.fill("units", self.units)
        seen = self.seen()
        after = request_of(seen)
        assert (after is None) == (before is None)
        if expected is not None:
            assert after is not None
            assert self.judged(after) == expected
        self.typed = self.not_default(seen)

    @rule(light=st.sampled_from(["light", "dark", "auto"]))
    @noted
    def shine(self, light: str) -> None:
        self.browser.fill("light", light)

    @rule(seconds=st.sampled_from([0.0, 0.1, 0.4, 2.0]))
    @noted
    def slow(self, seconds: float) -> None:
        self.line.latency = seconds

    @rule(is_cut=st.booleans())
    @noted
    def cut(self, is_cut: bool) -> None:
        self.line.is_cut = is_cut

    @rule()
    @noted
    def open_elsewhere(self) -> None:
        """Another reader, with other units from before, reads the same ball at the same address."""
        driver = self.browser.driver
        address = driver.current_url
        own = driver.current_window_handle
        driver.switch_to.new_window("tab")
        try:
            driver.get(f"{self.line.address}/static/mark.svg")
            kept = self.browser.run("return localStorage.getItem('ballgauge.units')")
            self.browser.run(
                "localStorage.setItem('ballgauge.units', arguments[0])",
                "metric" if kept != "metric" else "trade",
            )
            driver.get(address)
            self.loaded()
            seen = self.seen()
            self.browser.run("localStorage.setItem('ballgauge.units', arguments[0])", kept or "trade")
        finally:
            driver.close()
            driver.switch_to.window(own)
        if self.typed:
            assert (self.not_default(seen), seen["units"]) == (self.typed, self.units)

    @rule()
    @noted
    def sign(self) -> None:
        """A record is signed for what the form shows, or none is."""
        self.browser.run("document.getElementById('record-form').requestSubmit()")

    @rule()
    @noted
    def settle(self) -> None:
        """Left alone, with a line that works, the page comes to what the service says."""
        self.line.is_cut, self.line.latency = False, 0.0
        self.browser.run(
            "document.getElementById('ball.weight').dispatchEvent(new Event('change', {bubbles: true}))"
        )
        seen = self.browser.wait(
            lambda: (found := self.seen())["state"] in SETTLED and found, "never settled"
        )
        request = request_of(seen)
        assert (seen["state"] == "empty") == (request is None)
        if request is not None:
            assert seen["outcome"] == self.judged(request)
            assert (seen["state"] == "current") == (seen["outcome"] is not None)
            type(self).verdicts += 1
        if seen["state"] == "refused":
            self.browser.wait(lambda: self.seen()["problem"], "a refusal that says nothing")

    def not_default(self, seen: dict[str, Any]) -> dict[str, str]:
        return {name: text for name, text in seen["form"].items() if text != seen["defaults"][name]}

    @invariant()
    @noted
    def what_is_shown_is_what_was_typed_judged_and_signed(self) -> None:
        if not hasattr(self, "typed"):
            return
        seen = self.seen()
        assert self.not_default(seen) == {
            name: text for name, text in self.typed.items() if text != seen["defaults"][name]
        }
        kept = dict(
            parse_qsl(
                urlsplit(seen["hash"]).fragment or seen["hash"].removeprefix("#"), keep_blank_values=True
            )
        )
        units = kept.pop("units", None)
        kept.pop("view", None)
        assert kept == self.not_default(seen)
        assert units == (seen["units"] if kept else None) or (units and not kept)
        assert (seen["outcome"] is not None) == seen["word"] == (seen["state"] == "current")
        if seen["state"] != "current":
            assert not seen["signing"]
            return
        request = request_of(seen)
        assert request is not None
        assert seen["outcome"] == self.judged(request)
        if seen["record"]:
            self.is_of(seen["record"], request)

    def is_of(self, link: str, request: dict[str, Any]) -> None:
        """Whether a signed record is of this ball."""
        record = dict(parse_qsl(urlsplit(link).fragment))["record"]
        signed = requests.post(
            f"{self.service}/v1/records", json={"check": request, "issued_on": date.today().isoformat()}
        )
        assert content(record)["check"] == content(signed.json()["record"])["check"]
        type(self).records += 1

    def teardown(self) -> None:
        self.line.is_cut, self.line.latency = False, 0.0


def content(record: str) -> dict[str, Any]:
    """The payload of a JWS in its compact form (RFC 7515)."""
    payload = record.split(".")[1]
    found: dict[str, Any] = json.loads(base64.urlsafe_b64decode(payload + "=" * (-len(payload) % 4)))
    return found


@pytest.fixture
def behind_a_line(browser: Any, page_server: str) -> Iterator[tuple[Any, Any]]:
    with line_to(page_server) as line:
        browser.server = line.address
        yield browser, line
        browser.driver.get("about:blank")
        errors = [each for each in browser.driver.get_log("browser") if each["level"] == "SEVERE"]
        assert [each for each in errors if "Failed to load resource" not in each["message"]] == []
        browser.driver.get_log("performance")
        browser.server = page_server


@pytest.mark.parametrize("path", ["/check", "/drilling"])
def test_a_page_never_judges_or_signs_another_ball(behind_a_line: Any, page_server: str, path: str) -> None:
    browser, line = behind_a_line
    machine = type(
        "Driven", (Pages,), {"browser": browser, "line": line, "service": page_server, "path": path}
    )
    chosen = settings(
        max_examples=max(1, STEPS // AT_ONCE),
        stateful_step_count=AT_ONCE,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    with suppress(Exception):
        run_state_machine_as_test(machine, settings=chosen)
    assert not machine.broken, machine.broken
    print(f"{path}: {machine.steps} steps, {machine.verdicts} verdicts, {machine.records} records")
    assert machine.steps
