"""The pages as one machine of states, driven at random: what is judged or signed is what the form shows.

Rules are what people and lines do: type, leave, clear, take an example, reload, go back, open the address
elsewhere, switch language, units and light, move marks, undo, sign, and a service that is slow or gone.
"""

from __future__ import annotations

import json
from datetime import date
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import pytest
from hypothesis import strategies as st
from hypothesis.stateful import initialize, invariant, precondition, rule

from .machines import SETTLED, Driven, asked, content, drive, noted

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
    "drilling.layout.pin_to_pap": ("4 1/2", "5", "110 mm", "4."),
    "drilling.layout.val_angle": ("35", "40°", "200"),
    "drilling.grip.span_middle": ("4 1/4", "4,25", "108 mm", "4 1/"),
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


class Pages(Driven):
    """A page with the form of a ball."""

    @initialize()
    @noted
    def start(self) -> None:
        self.begin()
        self.typed: dict[str, str] = {}
        self.units = "trade"
        self.former: list[tuple[dict[str, str], str]] = []
        self.example(name="drilled")
        self.settle()

    def seen(self) -> dict[str, Any]:
        return self.look(SNAPSHOT)

    def judged(self, request: dict[str, Any]) -> Any:
        """What the service says to a request, asked from here: an outcome, or nothing where it refuses."""
        answer = asked(f"{self.service}/v1/checks", json.dumps(request))
        return answer.json()["outcome"] if answer.ok else None

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
        if self.spoken() == language:
            return
        self.former.append((dict(self.typed), self.units))
        self.browser.fill("language", language)
        self.browser.wait(lambda: self.spoken() == language)
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

    @rule(again=st.booleans())
    @noted
    def undo(self, again: bool) -> None:
        """What is undone is done again as it was."""
        before = self.not_default(self.seen())
        self.browser.run("document.getElementById('undo').click()")
        seen = self.seen()
        if again and self.not_default(seen) != before:
            self.browser.run("document.getElementById('redo').click()")
            seen = self.seen()
            assert self.not_default(seen) == before
        self.typed, self.units = self.not_default(seen), seen["units"]

    @precondition(lambda self: self.path == "/drilling")
    @rule(mark=st.sampled_from(["pin", "pap", "psa", "hole-0"]), key=st.sampled_from(["Up", "Right"]))
    @noted
    def nudge(self, mark: str, key: str) -> None:
        """A mark moves in its own fields alone."""
        self.browser.run(
            """document.querySelector(`#ball [data-mark="${arguments[0]}"]`)?.dispatchEvent(
                new KeyboardEvent('keydown', {key: `Arrow${arguments[1]}`, bubbles: true}));""",
            mark,
            key,
        )
        moved = self.not_default(self.seen())
        changed = {name for name, _ in moved.items() ^ self.typed.items()}
        assert all(name.startswith("drilling.") for name in changed)
        self.typed = moved

    @precondition(lambda self: self.is_new())
    @rule()
    @noted
    def open_elsewhere(self) -> None:
        """Another reader, with other units from before, reads the same ball at the same address."""
        seen = self.elsewhere(self.seen)
        if self.typed:
            assert (self.not_default(seen), seen["units"]) == (self.typed, self.units)

    @rule(is_settled=st.booleans())
    @noted
    def sign(self, is_settled: bool) -> None:
        """A record is signed for what the form shows, or none is."""
        if is_settled:
            self.come_to_rest()
        self.browser.run("document.getElementById('record-form').requestSubmit()")
        if is_settled and self.stood == "current":
            type(self).acted += 1
            self.browser.wait(lambda: self.seen()["record"], "nothing was signed")

    @rule()
    @noted
    def settle(self) -> None:
        self.come_to_rest()

    def come_to_rest(self) -> None:
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
        type(self).verdicts += 1
        if seen["record"]:
            self.is_of(seen["record"], request)

    def is_of(self, link: str, request: dict[str, Any]) -> None:
        """Whether a signed record is of this ball."""
        record = dict(parse_qsl(urlsplit(link).fragment))["record"]
        body = json.dumps({"check": request, "issued_on": date.today().isoformat()})
        signed = asked(f"{self.service}/v1/records", body)
        assert content(record)["check"] == content(signed.json()["record"])["check"]
        type(self).records += 1


@pytest.mark.parametrize("path", ["/check", "/drilling"])
def test_a_page_never_judges_or_signs_another_ball(behind_a_line: Any, page_server: str, path: str) -> None:
    drive(Pages, behind_a_line, page_server, path)
