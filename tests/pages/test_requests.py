"""Pages of whole requests, lots and records, driven at random: what is answered is what is shown.

What was typed is there after a reload, in another language, for another reader and while the service is away.
"""

from __future__ import annotations

import json
import re
import shlex
from typing import Any, ClassVar
from urllib.parse import parse_qs, urlencode, urlsplit

import pytest
import requests
from hypothesis import strategies as st
from hypothesis.stateful import initialize, invariant, precondition, rule

from ballgauge_schemas import example

from .machines import SETTLED, STEPS, Driven, asked, content, drive, noted

FEWER = STEPS if STEPS > 80 else 40
SHOWN = """
const at = (id) => document.getElementById(id);
const seen = (node) => Boolean(node) && node.checkVisibility({visibilityProperty: true});
const [root, verdict] = [document.documentElement, at('verdict')];
const told = Object.fromEntries([...document.querySelectorAll(
  '#form input:not([type=file]), #form select, #form textarea')].map((each) => [each.id, each.value]));
return {
  state: root.dataset.state, lang: root.lang, told, units: at('units').value, hash: location.hash,
  outcome: verdict.dataset.outcome ?? null, verdict: verdict.innerText,
  stale: verdict.dataset.stale === 'true',
  old: at('results').childElementCount === 0 || at('results').classList.contains('stale'),
  problem: seen(at('problem')), signing: seen(at('sign')),
  file: at('file-name')?.textContent, call: at('calls').hidden ? '' : at('call-http').textContent,
  record: document.querySelector('#signed a[href^="/verify#"]')?.href ?? null,
};
"""


class Asking(Driven):
    """What these pages have in common: `settle` asks, and a verdict is there in `current` alone."""

    def seen(self) -> dict[str, Any]:
        return self.look(SHOWN)

    def type(self, name: str, text: str) -> None:
        self.browser.fill(name, text)

    @rule()
    @noted
    def reload(self) -> None:
        self.browser.driver.refresh()
        self.loaded()
        self.left()

    def left(self) -> None:
        """The page was loaded anew."""

    @rule(language=st.sampled_from(["en", "de"]))
    @noted
    def speak(self, language: str) -> None:
        if self.spoken() == language:
            return
        self.browser.fill("language", language)
        self.browser.wait(lambda: self.spoken() == language)
        self.loaded()
        self.left()

    @rule(units=st.sampled_from(["trade", "metric"]))
    @noted
    def measure(self, units: str) -> None:
        self.browser.fill("units", units)

    @rule()
    @noted
    def settle(self) -> None:
        self.come_to_rest()

    @rule()
    @noted
    def ask(self) -> None:
        """Settle by another name: of one rule alone, many runs would have none."""
        self.come_to_rest()

    def come_to_rest(self) -> None:
        """Asked with a line that works, the page comes to what the service says."""
        self.line.is_cut, self.line.latency = False, 0.0
        self.browser.run("window.dispatchEvent(new Event('online'))")
        self.browser.run("document.getElementById('form').requestSubmit()")
        seen = self.browser.wait(
            lambda: (found := self.seen())["state"] in SETTLED and found, "never settled"
        )
        answer = self.answer(seen)
        assert seen["state"] == ("empty" if answer is None else "current" if answer.ok else "refused")
        if seen["state"] == "refused":
            self.browser.wait(lambda: self.seen()["problem"], "a refusal that says nothing")

    def answer(self, seen: dict[str, Any]) -> Any:
        """What the service says to what is shown; None where it asks for nothing."""
        raise NotImplementedError

    def is_told(self, seen: dict[str, Any], answer: Any) -> bool:
        """Whether the page shows this answer."""
        return bool(seen["outcome"] == answer["outcome"])

    @invariant()
    @noted
    def what_is_answered_is_what_is_shown(self) -> None:
        seen = self.seen()
        if seen["state"] != "current":
            assert seen["outcome"] is None
            assert seen["old"]
            return
        assert not seen["stale"]
        answer = self.answer(seen)
        assert answer is not None
        assert answer.ok
        assert self.is_told(seen, answer.json())
        type(self).verdicts += 1


class Editing(Asking):
    """A page of one request, told by fields and as JSON: another reading of it is made here."""

    address: ClassVar[str]
    fields: ClassVar[dict[str, tuple[str, ...]]]
    followers: ClassVar[tuple[str, ...]] = ()
    """Members that follow a field, such as the name of a thing that is named elsewhere."""

    @initialize()
    @noted
    def start(self) -> None:
        self.begin()
        self.request = json.loads(self.seen()["told"]["request"])
        asked(self.service + self.address, json.dumps(self.wanted()), "en")
        self.past: list[Any] = []
        self.broken_text = ""
        self.browser.run("window.confirm = () => { window.asked = true; return true; }")
        text = self.browser.run("return document.getElementById('contract').textContent")
        self.specs = self.specs_of(json.loads(text))
        self.come_to_rest()

    def specs_of(self, contract: Any) -> dict[str, Any]:
        """What the contract says of each field, by its name."""
        return {each["name"]: each for each in contract["fields"]}

    def left(self) -> None:
        self.past = []
        if not self.seen()["hash"]:  # nothing was asked for: the page begins anew in its language
            self.request = json.loads(self.seen()["told"]["request"])
        self.browser.run("window.confirm = () => { window.asked = true; return true; }")

    def at(self, name: str) -> Any:
        return leaves(self.request).get(name)

    @precondition(lambda self: not self.broken_text)
    @rule(data=st.data())
    @noted
    def type_in(self, data: st.DataObject) -> None:
        """A field changes its own member alone, to what was typed in the units shown."""
        name = data.draw(st.sampled_from(sorted(self.fields)))
        text = data.draw(st.sampled_from(self.fields[name]))
        self.type(name, text)
        seen = self.seen()
        before, self.request = self.request, json.loads(seen["told"]["request"])
        others = {name, *self.followers}
        assert without(before, others) == without(self.request, others)
        said, spec = self.at(name), self.specs[name]
        number = re.fullmatch(r"-?\d+([.,]\d+)?", text)
        if not text:
            assert said is None
        elif (
            number and seen["units"] == "metric" and spec.get("metric", spec.get("unit")) != spec.get("unit")
        ):
            assert said == f"{float(text.replace(',', '.')):g} {spec['metric']}"
        else:
            assert said == (float(text.replace(",", ".")) if number else text)
        if before != self.request:
            self.past.append(before)

    @precondition(lambda self: not self.broken_text and self.past)
    @rule(again=st.booleans())
    @noted
    def undo(self, again: bool) -> None:
        self.browser.run("document.getElementById('undo').click()")
        assert json.loads(self.seen()["told"]["request"]) == self.past[-1]
        if again:
            self.browser.run("document.getElementById('redo').click()")
        else:
            self.request = self.past.pop()

    @rule(number=st.integers(0, 2))
    @noted
    def example(self, number: int) -> None:
        """Who leaves what is kept nowhere else is asked, and finds it among the kept ones."""
        script = """window.asked = false;
            const start = document.getElementById('start');
            const found = [...start.options].filter((each) => each.value)[arguments[0]];
            if (found) {
                start.value = found.value;
                start.dispatchEvent(new Event('change', {bubbles: true}));
            }
            return [Boolean(found), window.asked, Object.entries(localStorage)
                .filter(([key]) => key.startsWith('ballgauge.')).map(([, text]) => text)];"""
        is_there, is_asked, kept = self.browser.run(script, number)
        if not is_there:
            return
        if is_asked:
            wanted = self.broken_text or json.dumps(self.request)
            texts = [json.loads(each).get("text") for each in kept if each.startswith("{")]
            assert any(loosely(each) == loosely(wanted) for each in texts)
        else:
            assert not self.broken_text
        self.past, self.broken_text = [], ""
        self.request = json.loads(self.seen()["told"]["request"])

    @rule()
    @noted
    def break_the_text(self) -> None:
        self.broken_text = self.seen()["told"]["request"] + ","
        self.browser.fill("request", self.broken_text)

    @precondition(lambda self: self.broken_text)
    @rule()
    @noted
    def mend_the_text(self) -> None:
        if self.browser.run("return document.getElementById('take-back').hidden"):
            raise AssertionError("a broken text without a way back")
        mended = self.broken_text.rstrip(",")
        self.browser.fill("request", mended)
        before, self.request = self.request, json.loads(mended)
        if before != self.request:
            self.past.append(before)
        self.broken_text = ""

    @precondition(lambda self: not self.broken_text and self.is_new())
    @rule()
    @noted
    def open_elsewhere(self) -> None:
        """Another reader reads the same request at the same address, once it has come to rest."""
        self.browser.run("window.dispatchEvent(new Event('pagehide'))")
        seen = self.elsewhere(self.seen)
        assert json.loads(seen["told"]["request"]) == self.request

    def answer(self, seen: dict[str, Any]) -> Any:
        if self.broken_text:
            refused = requests.Response()
            refused.status_code = 422
            return refused
        body = json.loads(shlex.split(seen["call"])[-1]) if seen["call"] else {}
        if seen["state"] == "current":
            assert body == self.wanted(seen["lang"])
        else:
            body = self.wanted(seen["lang"])
        return asked(self.service + self.address, json.dumps(body), seen["lang"])

    def wanted(self, language: str = "en") -> Any:
        """What is asked for, read here."""
        return self.request

    @invariant()
    @noted
    def what_was_typed_is_there(self) -> None:
        seen = self.seen()
        text = seen["told"]["request"]
        if self.broken_text:
            assert text == self.broken_text
            assert seen["state"] == "refused"
            return
        assert json.loads(text) == self.request
        for name in self.fields:
            shown, said, spec = seen["told"][name], self.at(name), self.specs[name]
            if isinstance(said, str) or said is None:
                assert shown == (said or "")
            else:
                size = spec.get("metric_size", 1.0) if seen["units"] == "metric" else 1.0
                assert float(shown) == pytest.approx(said * size, rel=1e-6)


def leaves(part: Any, path: str = "") -> dict[str, Any]:
    """The values of a request by their names; a part without any is none."""
    if not isinstance(part, dict | list):
        return {path: part}
    inner = part.items() if isinstance(part, dict) else enumerate(part)
    return {
        name: value
        for key, each in inner
        for name, value in leaves(each, f"{path}.{key}" if path else str(key)).items()
    }


def without(request: Any, names: set[str]) -> dict[str, Any]:
    """The values of a request but some."""
    return {each: value for each, value in leaves(request).items() if each not in names}


def loosely(text: str | None) -> Any:
    try:
        return json.loads(text or "")
    except ValueError:
        return text


class Motions(Editing):
    address = "/v1/motions"
    fields: ClassVar = {
        "release.speed": ("17", "18,5", "28 km/h", "fast", "400", ""),
        "release.axis_tilt": ("12", "15.5", "1e3"),
        "release.rev_rate": ("300", "350 rpm"),
    }

    def wanted(self, language: str = "en") -> Any:
        return {"samples": 101, **self.request}

    def is_told(self, seen: dict[str, Any], answer: Any) -> bool:
        return bool(answer["motion"]["message"] in seen["verdict"])


class Designs(Editing):
    address = "/v1/designs"
    fields: ClassVar = {
        "design.diameter": ("8.58", "8,59", "218 mm", "8 19/32 in", "wide", "40"),
        "design.name": ("A", "B é<b>", ""),
    }

    def wanted(self, language: str = "en") -> Any:
        names = ("design", "drilling", "balance_arm", "rules", "compare")
        return {name: self.request[name] for name in names if name in self.request}


class LineUps(Editing):
    address = "/v1/lineups"
    followers = ("reference",)
    fields: ClassVar = {
        "balls.0.name": ("A", "B é<b>", ""),
        "balls.1.box.layout.pin_to_pap": ("5", "4,5", "110 mm", "wide", "40"),
        "balls.1.box.surface.grit": ("500", "2000", "0"),
        "bowlers.0.name": ("C", "D"),
    }

    def begin(self) -> None:
        """With two balls for one bowler on one lane: more take seconds each time."""
        super().begin()
        small = json.loads(self.seen()["told"]["request"])
        small |= {"balls": small["balls"][:2], "bowlers": small["bowlers"][:1]}
        small["lanes"] = [{**small["lanes"][0], "volumes": small["lanes"][0]["volumes"][:1]}]
        self.browser.open(f"{self.path}#{urlencode({'request': json.dumps(small)})}")

    def specs_of(self, contract: Any) -> dict[str, Any]:
        own, _, *numbers = contract["balls"]
        return {
            "balls.0.name": own,
            "bowlers.0.name": contract["bowlers"][0],
            **{f"balls.1.box.{each['name']}": each for each in numbers},
        }

    @precondition(lambda self: not self.broken_text)
    @rule(kind=st.sampled_from(["balls", "bowlers"]), is_more=st.booleans())
    @noted
    def set_rows(self, kind: str, is_more: bool) -> None:
        """One more, or the last taken away; two balls and a bowler stay."""
        script = """const [kind, isMore] = arguments;
            const remove = document.querySelector(`#${kind} tr:last-child td:last-child button`);
            (isMore ? document.getElementById(`add-${kind.slice(0, -1)}`) : remove).click();"""
        count = len(self.request[kind])
        if is_more and count > 5:
            return
        self.browser.run(script, kind, is_more)
        before, self.request = self.request, json.loads(self.seen()["told"]["request"])
        least = 2 if kind == "balls" else 1
        assert len(self.request[kind]) == (count + 1 if is_more else max(count - 1, least))
        if before != self.request:
            self.past.append(before)

    def wanted(self, language: str = "en") -> Any:
        formats = ["svg", "html", "pdf"]
        return {
            **self.request,
            "sheet": {"language": language, **self.request.get("sheet", {}), "formats": formats},
        }

    def is_told(self, seen: dict[str, Any], answer: Any) -> bool:
        shown = self.browser.run("return document.getElementById('results').textContent")
        return all(each in shown for row in answer["bowlers"] for each in [row["name"], *row["sentences"]])


LOTS = {
    "good": "serial,weight\nS1,15\nS2,15.1\n",
    "heavy": "serial,weight\nS1,15\nS2,16.5\n",
    "none": "colour\nred\n",
}


class Lots(Asking):
    """A lot: all that was given stays, the file too."""

    fields: ClassVar = {
        "lot-size": ("80", "1000", ""),
        "aql": ("1", ""),
        "level": ("III", ""),
        "scope": ("measured", ""),
        "on": ("2026-05-01", "2001-01-01"),
        "body": ("ibf", "usbc"),
        "lot-remarks": ("wet é<b>", ""),
        "header-row": ("1", "7", ""),
    }

    @initialize()
    @noted
    def start(self) -> None:
        self.begin()
        for name, text in {"on": "2026-05-01", "lot-size": "80", "aql": "1"}.items():
            self.browser.fill(name, text)
        self.typed = self.form(self.seen())
        self.give(name="heavy")
        self.come_to_rest()

    def form(self, seen: dict[str, Any]) -> dict[str, str]:
        return {name: text for name, text in seen["told"].items() if name in self.fields}

    def left(self) -> None:
        if self.file:
            self.browser.wait(lambda: self.seen()["file"] == f"{self.file}.csv", "the file is lost")

    @rule(data=st.data())
    @noted
    def type_in(self, data: st.DataObject) -> None:
        name = data.draw(st.sampled_from(sorted(self.fields)))
        self.typed[name] = data.draw(st.sampled_from(self.fields[name]))
        self.type(name, self.typed[name])

    @rule(name=st.sampled_from(sorted(LOTS)))
    @noted
    def give(self, name: str) -> None:
        script = """const given = new DataTransfer();
            given.items.add(new File([arguments[0]], arguments[1]));
            const input = document.getElementById('file');
            input.files = given.files; input.dispatchEvent(new Event('change', {bubbles: true}));"""
        self.browser.run(script, LOTS[name], f"{name}.csv")
        self.file = name

    @rule()
    @noted
    def sign(self) -> None:
        self.browser.run("document.getElementById('sign')?.click()")

    @precondition(lambda self: self.is_new())
    @rule()
    @noted
    def open_elsewhere(self) -> None:
        assert self.form(self.elsewhere(self.seen)) == self.typed

    def options(self) -> dict[str, Any]:
        told = self.typed
        made: dict[str, Any] = {"rules": {"body": told["body"], "on": told["on"], "stage": "approval"}}
        sampling: dict[str, Any] = {"lot_size": int(told["lot-size"])} if told["lot-size"] else {}
        if told["aql"]:
            sampling["plan"] = {"kind": "table", "aql": float(told["aql"])}
        if told["level"]:
            sampling.setdefault("plan", {})["level"] = told["level"]
        parts = {
            "sampling": sampling,
            "lot": {"remarks": told["lot-remarks"]} if told["lot-remarks"] else {},
            "file": {"header_row": int(told["header-row"])} if told["header-row"] else {},
        }
        made |= {name: part for name, part in parts.items() if part}
        return made | ({"scope": told["scope"]} if told["scope"] else {})

    def answer(self, seen: dict[str, Any]) -> Any:
        if not self.file:
            return None
        files = {
            "options": (None, json.dumps(self.options())),
            "file": (f"{self.file}.csv", LOTS[self.file].encode()),
        }
        return requests.post(f"{self.service}/v1/lots", files=files)

    def is_told(self, seen: dict[str, Any], answer: Any) -> bool:
        if seen["record"]:
            signed = content(parse_qs(urlsplit(seen["record"]).fragment)["record"][0])
            assert signed["file"]["sha256"] == answer["file"]["sha256"]
            assert signed["outcome"] == answer["acceptance"]["outcome"]
            type(self).records += 1
        return bool(seen["outcome"] == answer["acceptance"]["outcome"])

    @invariant()
    @noted
    def what_was_typed_is_there(self) -> None:
        seen = self.seen()
        assert self.form(seen) == self.typed
        if self.file:
            assert seen["file"] == f"{self.file}.csv"
        assert seen["signing"] is (seen["state"] == "current")


class Records(Asking):
    """A record that is verified is the one in the field, by the rules of the day beside it."""

    texts: ClassVar[tuple[str, ...]] = ()

    @initialize()
    @noted
    def start(self) -> None:
        self.begin()
        self.typed = {"text": "", "on": ""}
        if not self.texts:
            checked = {"check": example("drilled"), "issued_on": "2024-09-02"}
            record = requests.post(f"{self.service}/v1/records", json=checked).json()["record"]
            type(self).texts = ("", record, record[:-6] + "AAAAAA", "<b>nothing</b>", f"  {record} ")
        self.paste(number=1)
        self.come_to_rest()

    @rule(number=st.integers(0, 4))
    @noted
    def paste(self, number: int) -> None:
        self.typed["text"] = self.texts[number]
        self.type("text", self.texts[number])

    @rule(day=st.sampled_from(["", "2010-01-01", "2026-05-01"]))
    @noted
    def choose(self, day: str) -> None:
        self.typed["on"] = day
        self.type("on", day)

    @precondition(lambda self: self.is_new())
    @rule()
    @noted
    def open_elsewhere(self) -> None:
        told = self.elsewhere(self.seen)["told"]
        assert told["text"] == self.typed["text"].strip()
        assert told["on"] == self.typed["on"]

    def left(self) -> None:
        self.typed["text"] = self.typed["text"].strip()

    def answer(self, seen: dict[str, Any]) -> Any:
        if not seen["told"]["text"].strip():
            return None
        body = {
            "record": seen["told"]["text"].strip(),
            **({"on": self.typed["on"]} if self.typed["on"] else {}),
        }
        return requests.post(f"{self.service}/v1/records/verify", json=body)

    def is_told(self, seen: dict[str, Any], answer: Any) -> bool:
        shown = "unknown_key" if answer["demo"] and answer["state"] == "genuine" else answer["state"]
        return bool(seen["outcome"] == shown or (answer["demo"] and seen["outcome"] == "unknown_key"))

    @invariant()
    @noted
    def what_was_typed_is_there(self) -> None:
        told = self.seen()["told"]
        assert {name: told[name] for name in self.typed} == self.typed


@pytest.mark.parametrize(
    ("path", "machine"),
    [("/motion", Motions), ("/design", Designs), ("/lineup", LineUps), ("/lot", Lots), ("/verify", Records)],
)
def test_what_is_answered_is_what_is_shown(
    behind_a_line: Any, page_server: str, path: str, machine: type[Driven]
) -> None:
    drive(machine, behind_a_line, page_server, path, FEWER)
