"""The bench of a design, in a real browser: parts, sections, numbers and searches are one design."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import hypothesis.strategies as st
import pytest
import requests
from hypothesis import HealthCheck, settings
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.select import Select
from selenium.webdriver.support.ui import WebDriverWait

from ballgauge_schemas.shared.documents import design_example

from .papers import printed

INCH = 25.4


@pytest.fixture(scope="module", autouse=True)
def compiled(page_server: str) -> None:
    """A server that has compiled what designs need, whatever it says to the first that asks."""
    for _ in range(30):
        if requests.post(f"{page_server}/v1/designs", json=design_example("skarn")).status_code == 200:
            return
        time.sleep(2)


def document(browser: Any) -> dict[str, Any]:
    """The request as its JSON stands on the page."""
    found: dict[str, Any] = json.loads(browser.run("return document.getElementById('request').value"))
    return found


def shown(browser: Any, identity: str) -> str:
    return str(browser.run("return document.getElementById(arguments[0]).value", identity))


def settled(browser: Any) -> None:
    """Wait until the page is answered, and its numbers are those of its last change."""
    script = """const {state, change} = document.documentElement.dataset;
        return state === 'current' && document.getElementById('numbers').dataset.change === change"""
    browser.wait(lambda: browser.run(script), "the numbers do not follow")


def numbers(browser: Any) -> dict[str, list[str]]:
    """The rows of the table of numbers by their first words."""
    script = """return [...document.querySelectorAll('#numbers-table tbody tr')]
        .map((row) => [...row.children].map((cell) => cell.textContent))"""
    return {row[0]: row[1:] for row in browser.run(script)}


def answer_to(browser: Any, request: dict[str, Any]) -> dict[str, Any]:
    bare = {name: request[name] for name in ("design", "drilling", "rules", "compare") if name in request}
    response = requests.post(f"{browser.server}/v1/designs", json=bare)
    assert response.status_code == 200, response.text
    found: dict[str, Any] = response.json()
    return found


def plain(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".").replace("-", "−")


def choose(browser: Any, identity: str, value: str) -> None:
    Select(browser.driver.find_element(By.ID, identity)).select_by_value(value)


def test_two_designs_are_drawn_and_compared(browser: Any) -> None:
    """Against `/v1/designs` asked from here with the request shown: outcome, numbers, differences."""
    browser.open("/design#start=compared")
    settled(browser)
    request = document(browser)
    answer = answer_to(browser, request)
    assert browser.run("return document.getElementById('verdict').dataset.outcome") == answer["outcome"]
    solids = len(request["design"]["solids"])
    assert browser.count(".section-picture .solid") == 2 * solids
    assert browser.count(".section-picture .laid-over") == 2 * solids
    weight = next(each for each in answer["comparison"]["designs"] if each["number"] == "weight")
    made, second, difference = numbers(browser)["weight"]
    assert made == f"{plain(answer['properties']['weight'])} lb"
    assert second == f"{plain(weight['second'])} lb"
    assert difference == f"{plain(weight['difference'])} lb"
    assert browser.problems() == []
    assert browser.run("return document.documentElement.scrollWidth - innerWidth") <= 0


def test_a_second_design_is_kept_and_laid_over(browser: Any) -> None:
    browser.open("/design#start=as_made", (390, 844))
    settled(browser)
    before = document(browser)["design"]
    browser.run("document.getElementById('second').click()")
    assert document(browser)["compare"]["design"] == before
    browser.run("document.getElementById('part-2').click()")
    browser.fill("design.solids.2.density", "2,5")
    settled(browser)
    assert document(browser)["design"]["solids"][2]["density"] == 2.5
    assert document(browser)["compare"]["design"] == before
    assert numbers(browser)["weight"][2].startswith("+")
    assert browser.run("return document.documentElement.scrollWidth - innerWidth") <= 0


def test_the_outlines_are_where_the_solids_are(browser: Any) -> None:
    """Against closed forms: an ellipsoid's ends in both planes, a turned box, a cone's base and tip."""
    browser.open("/design")
    script = """const done = arguments[2];
        import('/static/section.js').then(({outline}) => {
            const points = outline(arguments[0], 8.6, arguments[1]).flat();
            const x = points.map((each) => each[0]), z = points.map((each) => each[1]);
            done([Math.min(...x), Math.max(...x), Math.min(...z), Math.max(...z)]);
        });"""
    turn = {"axis": [0, 1, 0], "angle": "45 deg"}
    box = {"shape": "rounded_box", "length_x": 2, "length_y": 1, "length_z": 2, "rotation": turn}
    ellipsoid = {"shape": "ellipsoid", "length_x": "50.8 mm", "length_y": 1, "length_z": "3 1/2 in"}
    cone = {"shape": "cone", "diameter": "1/2 in", "height": 1, "position": [1, 0, -1]}
    for solid, across, ends in (
        (ellipsoid, 0, [-1, 1, -1.75, 1.75]),
        (ellipsoid, 1, [-0.5, 0.5, -1.75, 1.75]),
        (box, 0, [-(2**0.5), 2**0.5, -(2**0.5), 2**0.5]),
        (box, 1, [-0.5, 0.5, -(2**0.5), 2**0.5]),
        (cone, 0, [0.75, 1.25, -1.5, -0.5]),
    ):
        found = browser.driver.execute_async_script(script, solid, across)
        assert found == pytest.approx(ends, abs=1e-5)


def test_holes_are_drawn_in_the_sections(browser: Any) -> None:
    """Against closed forms of holes along x and askew; on the page cut ones whole, others dashed."""
    browser.open("/design#start=set")
    script = """const done = arguments[2];
        import('/static/bores.js').then(({bore}) => {
            const ends = (points) => points && [0, 1].flatMap((axis) => {
                const all = points.map((each) => each[axis]); return [Math.min(...all), Math.max(...all)]; });
            const {seen, cut} = bore(arguments[0], 1, arguments[1]); done([ends(seen), ends(cut)]);
        });"""
    along = {"mouth": {"x": 4, "y": 0, "z": 1}, "bottom": {"x": 2, "y": 0, "z": 1}}
    askew = {"mouth": {"x": 0, "y": 2, "z": 3}, "bottom": {"x": 0, "y": -2, "z": 0}}
    for hole, across, seen, cut in (
        (along, 0, [2, 4.3, 0.5, 1.5], [2, 4.3, 0.5, 1.5]),
        (along, 1, [-0.5, 0.5, 0.5, 1.5], None),
        # Square to its axis, which rises by 3 in 4, the section is an ellipse of 1/2 and 5/8 half axes.
        (askew, 0, [-0.5, 0.5, -0.4, 3.58], [-0.5, 0.5, 0.875, 2.125]),
    ):
        found = browser.driver.execute_async_script(script, hole, across)
        assert found[0] == pytest.approx(seen, abs=0.01)
        assert found[1] == (cut and pytest.approx(cut, abs=0.01))
    settled(browser)
    assert browser.count(".section-picture .bore-beside") == 6
    assert browser.count(".section-picture .bore-cut") > 0
    browser.run("document.getElementById('drilled').click()")
    browser.wait(lambda: browser.count(".section-picture .bore-beside") == 0)


def test_what_is_wrong_is_told_at_its_field(browser: Any) -> None:
    """A part beyond the ball and a text that is no length: marked at the field, in words; nothing is lost."""
    browser.open("/design#start=as_made")
    settled(browser)
    browser.run("document.getElementById('part-3').click()")
    browser.fill("design.solids.3.height", "wide")
    browser.fill("design.solids.3.position.2", "9")
    browser.wait(lambda: browser.text("[id='design.solids.3.height-error']"), "no error at the field")
    browser.wait(lambda: browser.run("return document.documentElement.dataset.state") == "refused")
    assert browser.run("return document.getElementById('numbers').classList.contains('stale')")
    assert document(browser)["design"]["solids"][3]["height"] == "wide"
    browser.fill("design.solids.3.height", "1 1/4")
    browser.wait(lambda: "beyond" in browser.text("[id='design.solids.3.name-error']"), "not told")
    browser.run("document.getElementById('undo').click()")
    browser.run("document.getElementById('undo').click()")
    browser.run("document.getElementById('undo').click()")
    settled(browser)
    assert document(browser) == browser.run(
        "return JSON.parse(document.getElementById('examples').text).as_made"
    )


def test_json_that_cannot_be_read_waits(browser: Any) -> None:
    """The fields wait for the text, and the text outlives a reload."""
    browser.open("/design#start=as_made")
    settled(browser)
    browser.fill("request", '{"design": ')
    browser.wait(lambda: browser.source("request-error"))
    assert browser.run("return document.getElementById('board').disabled")
    browser.wait(lambda: "kept=" in browser.driver.current_url)
    browser.driver.refresh()
    browser.wait(lambda: shown(browser, "request") == '{"design": ', "the text is lost")
    browser.run("document.getElementById('take-back').click()")
    settled(browser)
    assert not browser.run("return document.getElementById('board').disabled")


def test_a_large_design_is_kept_and_an_example_asks(browser: Any, downloads: Path) -> None:
    """64 solids: over the address's size, kept through reload, language and units; saved and opened."""
    browser.open("/design")
    request = design_example("skarn")
    del request["drilling"]
    pin = {"shape": "cylinder", "density": 1.5, "diameter": 0.1, "height": 0.1}
    request["design"]["solids"] += [
        {**pin, "name": f"a rather long name of a pin, {n}", "position": [0.12 * n - 3.6, 1.1, 0.2]}
        for n in range(58)
    ]
    browser.fill("request", json.dumps(request))
    browser.wait(lambda: "kept=" in browser.driver.current_url)
    browser.wait(lambda: "file" in browser.text("#kept"))
    browser.driver.refresh()
    browser.wait(lambda: document(browser) == request, "lost on reload")
    browser.fill("language", "de")
    browser.wait(lambda: browser.run("return document.documentElement.lang") == "de")
    browser.wait(lambda: document(browser) == request, "lost with the language")
    browser.fill("units", "metric")
    assert document(browser) == request
    assert float(shown(browser, "design.diameter")) == pytest.approx(8.58 * INCH)
    browser.fill("units", "trade")
    browser.run("document.getElementById('save').click()")
    browser.wait(lambda: list(downloads.glob("Ostrel-Works-Skarn*.json")))
    (file,) = downloads.glob("Ostrel-Works-Skarn*.json")
    browser.wait(lambda: file.stat().st_size)
    assert json.loads(file.read_text(encoding="utf-8")) == request
    browser.fill("design.name", "changed")
    browser.run("setTimeout(() => { const start = document.getElementById('start'); start.value = 'as_made';"
                "start.dispatchEvent(new Event('change', {bubbles: true})); })")  # fmt: skip
    browser.wait(lambda: asks(browser)).dismiss()
    assert document(browser)["design"]["name"] == "changed"
    browser.run("setTimeout(() => { const start = document.getElementById('start'); start.value = 'as_made';"
                "start.dispatchEvent(new Event('change', {bubbles: true})); })")  # fmt: skip
    browser.wait(lambda: asks(browser)).accept()
    browser.wait(lambda: document(browser)["design"]["name"] != "changed")
    # What was left is among the kept ones; the file opens too.
    browser.wait(lambda: browser.count("#recent option") == 2)
    choose(browser, "recent", browser.run("return document.getElementById('recent').options[1].value"))
    browser.wait(lambda: document(browser)["design"]["name"] == "changed")
    browser.run("document.getElementById('start').value = ''")
    browser.driver.find_element(By.ID, "open").send_keys(str(file))
    browser.wait(lambda: asks(browser)).accept()
    browser.wait(lambda: document(browser) == request)
    file.unlink()


def test_two_tabs_of_one_kept_design_overwrite_nothing(browser: Any) -> None:
    """The address of what is kept, opened a second time and edited in both."""
    browser.open("/design#start=as_made")
    settled(browser)
    browser.fill("request", '{"design": ')
    browser.wait(lambda: "kept=" in browser.driver.current_url)
    browser.wait(lambda: browser.run("return Object.keys(localStorage).some((key) => "
                                     "localStorage.getItem(key).includes('design'))"))  # fmt: skip
    address, first = browser.driver.current_url, browser.driver.current_window_handle
    browser.driver.switch_to.new_window("tab")
    try:
        browser.driver.get(address)
        browser.wait(lambda: shown(browser, "request") == '{"design": ')
        browser.fill("request", "of the second")
        browser.driver.refresh()
        browser.wait(lambda: shown(browser, "request") == "of the second")
    finally:
        browser.driver.close()
        browser.driver.switch_to.window(first)
    browser.fill("request", "of the first")
    browser.driver.refresh()
    browser.wait(lambda: shown(browser, "request") == "of the first")
    browser.run("document.getElementById('take-back').click()")
    kept = browser.run("return Object.values(localStorage)")
    assert {"of the first", "of the second"} <= {
        json.loads(each)["text"] for each in kept if each.startswith("{")
    }


def asks(browser: Any) -> Any:
    """The browser's question, None while there is none."""
    from selenium.common.exceptions import NoAlertPresentException

    try:
        alert = browser.driver.switch_to.alert
        assert alert.text
        return alert
    except NoAlertPresentException:
        return None


class Mouse:
    """A person with a mouse: what is clicked and typed into fields that were clicked."""

    def __init__(self, browser: Any) -> None:
        self.browser, self.driver = browser, browser.driver

    def go(self, identity: str) -> Any:
        found = self.driver.find_element(By.ID, identity)
        self.browser.run("arguments[0].scrollIntoView({block: 'center'})", found)
        return found

    def press(self, identity: str) -> None:
        self.go(identity).click()

    def type(self, identity: str, text: str) -> None:
        field = self.go(identity)
        field.click()
        field.send_keys(Keys.CONTROL, "a")
        field.send_keys(text, Keys.TAB)

    def choose(self, identity: str, value: str) -> None:
        self.go(identity)
        choose(self.browser, identity, value)

    def lower_disc(self, by: float) -> None:
        """Drag the chosen part down in the section through the mark."""
        part = self.driver.find_element(By.CSS_SELECTOR, ".section-picture .chosen")
        self.browser.run("arguments[0].scrollIntoView({block: 'center'})", part)
        width = self.browser.run("return document.querySelector('.section-picture').clientWidth")
        pixels = round(by * 2 * 200 / 8.58 * width / 476)
        # Beside its middle, where no handle lies.
        hold = ActionChains(self.driver).move_to_element_with_offset(part, -30, 2).click_and_hold()
        hold.move_by_offset(0, pixels // 2).move_by_offset(0, pixels - pixels // 2).release().perform()


class Keyboard(Mouse):
    """A person without a mouse: Tab from one place to another, arrows, Space and Return."""

    STEPS = """const kinds = 'a[href], button, input, select, textarea, summary, [tabindex="0"]';
        const all = [...document.querySelectorAll(kinds)].filter((each) => !each.matches(':disabled')
            && each.checkVisibility({visibilityProperty: true}));
        const find = (id) => document.getElementById(id) ?? document.querySelector(id);
        return all.indexOf(find(arguments[0])) - all.indexOf(document.activeElement);"""

    def go(self, identity: str) -> Any:
        steps = self.browser.run(self.STEPS, identity)
        keys = ActionChains(self.driver)
        if steps < 0:
            keys.key_down(Keys.SHIFT)
        keys.send_keys(Keys.TAB * abs(steps)).key_up(Keys.SHIFT).perform()
        found = self.driver.switch_to.active_element
        assert identity in (found.get_attribute("id"), f"#{found.get_attribute('id')} > summary") or (
            found.tag_name in ("path", "summary")
        )
        return found

    def press(self, identity: str) -> None:
        self.go(identity)
        ActionChains(self.driver).send_keys(Keys.SPACE).perform()

    def type(self, identity: str, text: str) -> None:
        self.go(identity)
        select_all = ActionChains(self.driver).key_down(Keys.CONTROL).send_keys("a").key_up(Keys.CONTROL)
        select_all.send_keys(text).perform()

    def choose(self, identity: str, value: str) -> None:
        found = self.go(identity)
        values = [option.get_attribute("value") for option in Select(found).options]
        steps = values.index(value) - values.index(found.get_attribute("value"))
        keys = Keys.ARROW_DOWN * steps if steps > 0 else Keys.ARROW_UP * -steps
        ActionChains(self.driver).send_keys(keys).perform()

    def lower_disc(self, by: float) -> None:
        self.go(".section-picture .chosen")
        steps = ActionChains(self.driver).key_down(Keys.SHIFT).send_keys(Keys.ARROW_DOWN * round(10 * by))
        steps.key_up(Keys.SHIFT).perform()


PARTS = (
    ("sphere", "filler", {"density": "0.92", "diameter": "7.06"}),
    (
        "ellipsoid",
        "core",
        {"density": "2.4", "length_x": "90 mm", "length_y": "105 mm", "length_z": "126 mm"},
    ),
    ("cylinder", "disc", {"density": "3.4", "diameter": "2 1/5", "height": "0,4"}),
)
WANTED = {"differential": ("0.05", "0.034"), "intermediate_differential": ("0.013", "0.013")}
"""Of the ball with the disc and of that without; the second intermediate differential by what they share."""


@pytest.mark.parametrize("hands", [Mouse, Keyboard])
def test_a_set_is_made_from_an_empty_page(browser: Any, hands: type[Mouse]) -> None:
    """A core with a coaxial disc at the bottom and the same without (common practice, no source)."""
    browser.open("/design", (1440, 900))
    settled(browser)
    person = hands(browser)
    make_parts(browser, person)
    person.press("#searches > summary" if hands is Keyboard else "searches")
    ask_for_a_set(browser, person)
    person.press("solve")
    browser.wait(lambda: browser.count(".solution"), "no solution")
    assert browser.run("return document.querySelector('.solution').dataset.met") == "true"
    person.press("take-0")
    assert browser.run("return !document.getElementById('solutions-old').hidden")
    person.choose("over", "variant 1")
    settled(browser)
    request = document(browser)
    without = [solid for solid in request["design"]["solids"] if solid["name"] != "disc"]
    for column, solids in enumerate((request["design"]["solids"], without)):
        made = answer_to(browser, {"design": {**request["design"], "solids": solids}})["properties"]
        for number, wanted in WANTED.items():
            assert made[number] == pytest.approx(float(wanted[column]), abs=0.001)
            assert numbers(browser)[number.replace("_", " ")][column] == f"{plain(made[number])} in"
    if hands is Mouse:
        assert browser.problems() == []


def make_parts(browser: Any, person: Mouse) -> None:
    """Add the parts by their shapes, type their numbers, and move the disc down in the section."""
    for number, (shape, name, fields) in enumerate(PARTS, 1):
        person.choose("shape", shape)
        person.press("add-solid")
        start = f"design.solids.{number}"
        browser.wait(lambda start=start: browser.count(f"[id='{start}.name']"))
        person.type(f"{start}.name", name)
        for field, text in fields.items():
            person.type(f"{start}.{field}", text)
    person.lower_disc(2.9)
    disc = document(browser)["design"]["solids"][3]
    assert disc["position"][:2] == [0, 0]
    assert disc["position"][2] == pytest.approx(-2.9, abs=0.05)
    assert disc["height"] == 0.4
    settled(browser)
    assert "disc" in browser.text("#told")


def ask_for_a_set(browser: Any, person: Mouse) -> None:
    """One ball with the disc and one without: targets, what they share, and what may move."""
    browser.wait(lambda: browser.count("#moves-body"))
    person.choose("search-kind", "set")
    browser.wait(lambda: browser.count("#out-1-2"))
    person.press("out-1-2")
    for ball in (0, 1):
        for number, values in list(WANTED.items())[: 2 - ball]:
            person.choose(f"set-variants-{ball}-number", number)
            person.press(f"set-variants-{ball}-add")
            person.type(f"set.variants.{ball}.targets.{number}.value", values[ball])
    person.choose("across-number", "intermediate_differential")
    person.press("across-add")
    is_open = "return document.getElementById(arguments[0]).closest('details').open"
    for part, fields in ((2, ("density", "length_x", "length_z")), (3, ("diameter",))):
        for field in fields:
            if not browser.run(is_open, f"move-{part}-{field}"):
                person.press(f"moves-{part}")
            person.press(f"move-{part}-{field}")
    # Where the core does not reach the disc, all is in closed form, and the search is short.
    person.type("set.parameters.2.upper", "5.3")
    asked = document(browser)["set"]
    assert asked["variants"][1]["leave_out"] == ["disc"]
    assert len(asked["parameters"]) == 4


class Bench(RuleBasedStateMachine):
    """Edits, undone, done again and reloaded, against a plain list of the requests that they made."""

    browser: Any

    @initialize()
    def empty_page(self) -> None:
        self.browser.open("/design")
        self.browser.run("sessionStorage.clear(); localStorage.clear()")
        self.browser.open("/design#start=as_made")
        settled(self.browser)
        self.past = [document(self.browser)]
        self.at = 0

    def did(self) -> None:
        now = document(self.browser)
        if now != self.past[self.at]:
            self.past = [*self.past[: self.at + 1], now]
            self.at += 1

    def script(self, text: str, *given: Any) -> Any:
        return self.browser.run(text, *given)

    @rule(index=st.integers(0, 3), density=st.integers(40, 400))
    def slide(self, index: int, density: int) -> None:
        script = """const slider = document.getElementById(`slide-${arguments[0]}`);
            if (!slider) return; slider.value = arguments[1];
            for (const type of ['input', 'change']) slider.dispatchEvent(new Event(type, {bubbles: true}));"""
        self.script(script, index, density / 100)
        self.did()

    @rule(place=st.sampled_from(["0.3", "-0,4", "7.5 mm", "1/4", "−0.2"]))
    def type_place(self, place: str) -> None:
        last = len(document(self.browser)["design"]["solids"]) - 1
        if last < 1:
            return
        field = f"design.solids.{last}.position.0"
        self.script("if (!document.getElementById(arguments[0]))"
                    "document.getElementById(arguments[1]).click()", field, f"part-{last}")  # fmt: skip
        self.browser.fill(field, place)
        self.did()

    @rule(shape=st.sampled_from(["cylinder", "cone", "frustum", "profile", "rounded_box"]))
    def add(self, shape: str) -> None:
        if len(document(self.browser)["design"]["solids"]) > 5:
            return
        choose(self.browser, "shape", shape)
        self.script("document.getElementById('add-solid').click()")
        self.did()

    @rule(index=st.integers(1, 5))
    def remove(self, index: int) -> None:
        self.script("document.getElementById(arguments[0])?.click()", f"remove-{index}")
        self.did()

    @rule(name=st.sampled_from(["", "Brask", "Ø <b>&amp;"]))
    def write(self, name: str) -> None:
        request = document(self.browser)
        request["design"]["name"] = name
        self.browser.fill("request", json.dumps(request))
        self.did()

    @rule(way=st.sampled_from(["undo", "redo"]))
    def step(self, way: str) -> None:
        self.script("document.getElementById(arguments[0]).click()", way)
        self.at = max(self.at - 1, 0) if way == "undo" else min(self.at + 1, len(self.past) - 1)
        assert document(self.browser) == self.past[self.at]

    @rule()
    def reload(self) -> None:
        self.browser.driver.refresh()
        self.browser.wait(lambda: self.browser.count("#solids > li"))
        assert document(self.browser) == self.past[self.at]
        self.past, self.at = [self.past[self.at]], 0

    @rule(units=st.sampled_from(["trade", "metric"]))
    def change_units(self, units: str) -> None:
        self.browser.fill("units", units)
        assert document(self.browser) == self.past[self.at]

    @invariant()
    def one_design(self) -> None:
        """The JSON, the fields, the pictures and the numbers are the same design."""
        settled(self.browser)
        request = document(self.browser)
        solids = request["design"]["solids"]
        rows = self.script("""return [...document.querySelectorAll('#solids > li')].map((row) => [
            row.querySelector('.part-name').textContent,
            Number(row.querySelector('input[type=range]').value)])""")
        assert [name for name, _ in rows] == [f"{at} · {each['name']}" for at, each in enumerate(solids, 1)]
        assert [density for _, density in rows] == [each["density"] for each in solids]
        drawn = self.script("""return [...document.querySelectorAll('.section-picture')].map((each) =>
            [...each.querySelectorAll('.solid > title')].map((title) => title.textContent))""")
        for picture in drawn:
            assert set(picture) <= {each["name"] for each in solids}
        assert set(drawn[0]) | set(drawn[1]) == {each["name"] for each in solids}
        metric = shown(self.browser, "units") == "metric"
        size = float(shown(self.browser, "design.diameter")) / (INCH if metric else 1)
        assert size == pytest.approx(request["design"]["diameter"])
        made = answer_to(self.browser, request)["properties"]
        weight, rg = (float(numbers(self.browser)[name][0].split()[0]) for name in ("weight", "RG, low axis"))
        assert weight == pytest.approx(made["weight"] * (0.45359237 if metric else 1), abs=6e-5)
        assert rg == pytest.approx(made["rg"] * (INCH if metric else 1), abs=6e-5)


def test_the_bench_is_one_design_after_any_edits(browser: Any) -> None:
    Bench.browser = browser
    run_state_machine_as_test(
        Bench,
        settings=settings(
            max_examples=4, stateful_step_count=12, deadline=None, derandomize=True,
            suppress_health_check=list(HealthCheck), database=None,
        ),
    )  # fmt: skip


PIXELS = """const canvas = document.getElementById('turning'), {width: wide, height: high} = canvas;
    const found = canvas.getContext('2d').getImageData(0, 0, wide, high).data;
    const seen = found.filter((_, at) => at % 4 === 3 && found[at] > 0).length;
    const mark = found.reduce((sum, each, at) => (sum * 31 + each * (at + 1)) % 1000003, 7);
    return [seen / (wide * high), mark];"""


def test_the_view_turns_by_pointer_and_by_keys(browser: Any) -> None:
    """The ball fills a disc of its square, pi/4 of 0.95 squared; a turn changes it, Home undoes it."""
    browser.open("/design#start=set")
    settled(browser)
    Mouse(browser).go("turning-box").find_element(By.TAG_NAME, "summary").click()
    browser.wait(lambda: browser.count("#turning-box .legend li"))
    names = [solid["name"] for solid in document(browser)["design"]["solids"]]
    assert browser.text("#turning-box .legend").split("\n") == [*names, "3 holes"]
    seen, first = browser.run(PIXELS)
    assert seen == pytest.approx(3.1416 / 4 * 0.95**2, rel=0.02)
    keys = Keyboard(browser)
    keys.go("turning")
    ActionChains(browser.driver).send_keys(Keys.ARROW_LEFT).perform()
    turned = browser.run(PIXELS)[1]
    assert turned != first
    ActionChains(browser.driver).send_keys(Keys.HOME).perform()
    assert browser.run(PIXELS)[1] == first
    canvas = Mouse(browser).go("turning")
    ActionChains(browser.driver).drag_and_drop_by_offset(canvas, 60, 20).perform()
    assert browser.run(PIXELS)[1] not in (first, turned)
    assert all(name in canvas.get_attribute("aria-label") for name in names)
    assert browser.problems() == []


def test_a_view_that_was_taken_away_comes_back(browser: Any) -> None:
    """A lost WebGL context keeps its picture, and draws once it is there again; so does another size."""
    browser.open("/design#start=as_made", (820, 1180))
    settled(browser)
    browser.run("""const make = HTMLCanvasElement.prototype.getContext;
        HTMLCanvasElement.prototype.getContext = function (...given) {
            const made = make.apply(this, given);
            if (given[0] === 'webgl2') window.taker = made.getExtension('WEBGL_lose_context');
            return made; };""")
    browser.run("document.getElementById('turning-box').open = true")
    browser.wait(lambda: browser.count("#turning-box .legend li"))
    first = browser.run(PIXELS)
    browser.run("window.taker.loseContext()")
    browser.wait(lambda: "taken" in browser.text("#turning-box"), "not told")
    assert browser.run(PIXELS) == first
    browser.run("window.taker.restoreContext()")
    browser.wait(lambda: "taken" not in browser.text("#turning-box"), "not drawn again")
    assert browser.run(PIXELS) == first
    press = "document.getElementById('turning').dispatchEvent(new KeyboardEvent('keydown', {key: '+'}))"
    browser.run(press)
    assert browser.run(PIXELS) != first
    browser.resize(390, 844)
    size = "const all = document.getElementById('turning'); return [all.width, all.clientWidth]"
    browser.wait(lambda: len(set(browser.run(size))) == 1, "not drawn in its size")
    browser.run(press.replace("+", "Home"))
    browser.wait(lambda: browser.run(PIXELS)[0] == pytest.approx(first[0], rel=0.02))


def test_the_page_works_without_webgl(browser: Any) -> None:
    """It says so, and names the parts all the same."""
    script = {"source": "HTMLCanvasElement.prototype.getContext = () => null;"}
    added = browser.driver.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", script)
    try:
        browser.open("/design#start=as_made")
        settled(browser)
        browser.run("document.getElementById('turning-box').open = true")
        browser.wait(lambda: browser.count("#turning-box .legend li"))
        assert "WebGL" in browser.text("#turning-box")
        assert browser.count("#turning:not([hidden])") == 0
    finally:
        browser.driver.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", added)


def test_the_design_is_taken_away_as_files(browser: Any, downloads: Path) -> None:
    """A report in the page's language, a drawing and the solids, each saved."""
    browser.open("/design?lang=de#start=as_made")
    settled(browser)
    name = "return document.querySelector('#taken a')?.download ?? ''"
    for kind, start in (("html", b'<!doctype html>\n<html lang="de">'), ("svg", b"<svg"), ("3mf", b"PK")):
        browser.run("document.getElementById(arguments[0]).click()", f"take-{kind}")
        browser.wait(lambda kind=kind: browser.run(name).endswith(f".{kind}"), f"no {kind}")
        browser.run("document.querySelector('#taken a').click()")
        browser.wait(lambda kind=kind: list(downloads.glob(f"*.{kind}")), f"no {kind} is saved")
        (file,) = downloads.glob(f"*.{kind}")
        browser.wait(lambda file=file: file.stat().st_size)
        assert file.read_bytes().startswith(start)
        file.unlink()
    text, _ = printed(browser)
    assert [
        each for each in ("3 · core", "2,7 g/mL", "Nur der Verband entscheidet") if each not in text
    ] == []


def test_parts_move_as_one_body_without_json(browser: Any) -> None:
    """A shift and a tilt of core and disc together, asked for by ticks."""
    browser.open("/design#start=set")
    settled(browser)
    before = document(browser)
    browser.run("document.getElementById('searches').open = true")
    browser.wait(lambda: browser.count("#moves-body"))
    browser.run("document.getElementById('moves-body').click()")
    for tick in ("body-offset_z", "body-tilt_y"):
        browser.run("document.getElementById(arguments[0]).click()", tick)
    added = document(browser)["set"]["parameters"][len(before["set"]["parameters"]) :]
    assert [each["field"] for each in added] == ["offset_z", "tilt_y"]
    assert all(each["solids"] == ["core", "disc", "pin"] for each in added)
    browser.run("document.getElementById('body-3').click()")  # the pin stays
    added = document(browser)["set"]["parameters"][len(before["set"]["parameters"]) :]
    assert [each["solids"] for each in added] == [["core", "disc"], ["core", "disc"]]


def egg() -> bytes:
    """An ellipsoid of 3.4, 4 and 4.8 in, as an STL in mm."""
    import trimesh

    made = trimesh.creation.icosphere(3, INCH)
    made.vertices *= [1.7, 2.0, 2.4]
    found: bytes = made.export(file_type="stl")
    return found


def with_files(browser: Any, request: dict[str, Any], files: dict[str, bytes]) -> dict[str, Any]:
    """What the service answers to a design with its mesh files."""
    parts = [("options", (None, json.dumps(request)))]
    parts += [("file", (name, data)) for name, data in files.items()]
    response = requests.post(f"{browser.server}/v1/designs", files=parts)
    assert response.status_code == 200, response.text
    found: dict[str, Any] = response.json()
    return found


STORE = """const [name, done] = arguments;
    import('/static/files.js').then(async ({files}) => {
        const old = {data: new Blob(['solid']), at: 0};
        if (name) await files('meshes', 'readwrite', (all) => all.put(old, name));
        done(await files('meshes', 'readonly', (all) => all.getAllKeys())); });"""
"""Puts an old file in the browser, where one is named, and gives the names of all."""


def test_a_mesh_file_is_a_part(browser: Any, downloads: Path, tmp_path: Path) -> None:
    """Added with its unit, drawn, kept through a reload, saved within the file, missed when it is gone."""
    file = tmp_path / "Egg of Ostrel.stl"
    file.write_bytes(egg())
    large = tmp_path / "large.obj"
    with large.open("wb") as hole:
        hole.truncate((32 << 20) + 1)
    browser.open("/design")
    settled(browser)
    browser.run("document.getElementById('mesh-box').open = true")
    browser.wait(lambda: browser.count("#mesh-file"))
    browser.driver.find_element(By.ID, "mesh-file").send_keys(str(large))
    choose(browser, "mesh-unit", "mm")
    browser.run("document.getElementById('add-mesh').click()")
    browser.wait(lambda: "32 MiB" in browser.text("#mesh-told"), "not told that it is too large")
    browser.driver.execute_async_script(STORE, "left.stl")
    browser.driver.find_element(By.ID, "mesh-file").send_keys(str(file))
    browser.run("document.getElementById('add-mesh').click()")
    browser.wait(lambda: len(document(browser)["design"]["solids"]) == 2)
    # What no kept design names, and is old, is forgotten.
    assert browser.driver.execute_async_script(STORE, None) == [file.name]
    settled(browser)
    assert "browser" in browser.text("#mesh-told")
    request = document(browser)
    assert request["design"]["meshes"] == [{"name": "Egg of Ostrel", "unit": "mm", "file": file.name}]
    made = with_files(browser, request, {file.name: file.read_bytes()})["properties"]
    assert numbers(browser)["weight"][0] == f"{plain(made['weight'])} lb"
    browser.wait(lambda: browser.count(".section-picture [data-index='1']") == 2, "the mesh is not drawn")
    half = """const box = document.querySelector(".section-picture [data-index='1']").getBBox();
        return [box.width / 400 * 8.58, box.height / 400 * 8.58]"""
    assert browser.run(half) == pytest.approx([3.4, 4.8], abs=0.03)
    browser.driver.refresh()
    settled(browser)
    assert numbers(browser)["weight"][0] == f"{plain(made['weight'])} lb"
    browser.run("document.getElementById('part-1').click()")
    browser.fill("design.meshes.0.unit", "in")
    browser.wait(lambda: browser.state() == "refused", "an egg of 120 in is taken")
    browser.fill("design.meshes.0.unit", "mm")
    settled(browser)
    # Another browser: with the file named alone it asks for it, with the saved design it has it.
    browser.run("document.getElementById('save').click()")
    browser.wait(lambda: list(downloads.glob("ballgauge*.json")))
    (saved,) = downloads.glob("ballgauge*.json")
    browser.wait(lambda: saved.stat().st_size > len(file.read_bytes()))
    forget = {"origin": browser.server, "storageTypes": "all"}
    browser.driver.execute_cdp_cmd("Storage.clearDataForOrigin", forget)
    browser.driver.refresh()
    browser.wait(lambda: "choose it again" in browser.text("#problem"), "a missing file is not told")
    browser.driver.find_element(By.ID, "open").send_keys(str(saved))
    settled(browser)
    assert numbers(browser)["weight"][0] == f"{plain(made['weight'])} lb"
    browser.run("document.getElementById('remove-1').click()")
    assert "meshes" not in document(browser)["design"]
    saved.unlink()


def test_all_that_may_move_is_asked_for_without_json(browser: Any) -> None:
    """Ratios, points, bounds about the present value, limits on both sides, drillings; it is solved."""
    request = design_example("skarn")
    points = [[-1.5, 1.0], [0.0, 1.4], [1.5, 0.8]]
    request["design"]["solids"][2] = {"name": "core", "shape": "profile", "density": 2.4, "points": points}
    browser.open("/design")
    browser.fill("request", json.dumps(request))
    settled(browser)
    browser.run("document.getElementById('searches').open = true")
    browser.wait(lambda: browser.count("#moves-body"))
    press = "document.getElementById(arguments[0]).click()"
    for number in ("differential", "drilled_differential", "clearance"):
        choose(browser, "solve-number", number)
        browser.run(press, "solve-add")
    choose(browser, "solve.targets.differential.kind", "between")
    browser.fill("solve.targets.differential.at_most", "0.06")
    choose(browser, "solve.targets.drilled_differential.kind", "hold")
    browser.fill("solve.targets.drilled_differential.weight", "2")
    choose(browser, "solve.targets.clearance.kind", "at_least")
    browser.run(press, "clear-1")
    browser.run(press, "over-add")
    browser.run(press, "over-other")
    choose(browser, "take", "mean")
    browser.run(press, "move-2-density")
    choose(browser, "solve.parameters.0.bounds", "about")
    choose(browser, "further-2", "3")  # the radius of the second point
    browser.run(press, "further-2-add")
    choose(browser, "further-3", "0")
    browser.run(press, "further-3-add")
    choose(browser, "solve.parameters.2.bounds", "between")
    browser.fill("solve.starts", "1")
    job = document(browser)["solve"]
    pin = request["design"]["solids"][3]
    assert job["parameters"] == [
        {"solids": ["core"], "field": "density", "within": 0.84},
        {"solids": ["core"], "field": "point_radius", "point": 1, "within": 0.25},
        {
            "solids": ["pin"],
            "field": "ratio",
            "length": "diameter",
            "over": "height",
            "lower": pytest.approx(pin["diameter"] / pin["height"] - 0.1, abs=1e-4),
            "upper": pytest.approx(pin["diameter"] / pin["height"] + 0.1, abs=1e-4),
        },
    ]
    assert set(job["targets"]["differential"]) == {"at_least", "at_most"}
    assert job["targets"]["drilled_differential"] == {"tolerance": 0.0005, "weight": 2}
    assert [each["hand"] for each in job["over"]] == ["right", "left"]
    assert (job["clear_of"], job["take"]) == (["core"], "mean")
    browser.run(press, "solve")
    browser.wait(lambda: browser.count(".solution"), "no solution")
    assert "Radius of point 2" in browser.text(".solution")


def studied(browser: Any, kind: str) -> None:
    """Ask for a study, and wait for its end."""
    before = browser.run("return Number(document.documentElement.dataset.studied ?? 0)")
    browser.run("document.getElementById(arguments[0]).click()", f"ask-{kind}")
    # The first study of a server waits until its kernels are compiled.
    done = "return Number(document.documentElement.dataset.studied ?? 0)"
    WebDriverWait(browser.driver, 150, 0.05).until(lambda _: browser.run(done) > before)


def test_layouts_are_mapped_and_one_is_taken_over(browser: Any) -> None:
    """Asked for by fields, in German and mm; a wrong one is marked; a cell found with keys is taken over."""
    browser.open("/design?lang=de#start=set")
    settled(browser)
    before = document(browser)
    browser.fill("units", "metric")
    browser.run("document.getElementById('studies').open = true")
    browser.wait(lambda: browser.count("#ask-layout_map"))
    browser.fill("layout_map.pin_to_pap", "76,2; weit; 127")
    studied(browser, "layout_map")
    assert browser.text("[id='layout_map.pin_to_pap-error']")
    browser.fill("layout_map.pin_to_pap", "76,2; 127")
    browser.fill("layout_map.drilling_angle", "30; 60; 90")
    assert document(browser)["layout_map"]["pin_to_pap"] == ["76.2 mm", "127 mm"]
    studied(browser, "layout_map")
    asked = document(browser)
    answer = requests.post(
        f"{browser.server}/v1/designs", json={**asked, "set": None} | {"detail": "numbers"}
    )
    assert answer.status_code == 422  # null is no set
    bare = {name: asked[name] for name in ("design", "drilling", "rules", "layout_map")}
    answer = requests.post(f"{browser.server}/v1/designs", json={**bare, "detail": "numbers"})
    left = [point["numbers"]["drilled_differential"] for point in answer.json()["layout_map"]["points"]]
    cells = "return [...document.querySelectorAll('.layout-map button')].map((each) => each.textContent)"
    shown = [float(each.replace(",", ".")) for each in browser.run(cells)]
    # Upward angles, across arcs.
    assert shown == pytest.approx([INCH * left[at] for at in (2, 5, 1, 4, 0, 3)], abs=6e-4)
    browser.run("document.querySelector('.layout-map button').focus()")
    ActionChains(browser.driver).send_keys(Keys.ARROW_DOWN, Keys.ARROW_RIGHT, Keys.SPACE).perform()
    browser.wait(lambda: "127 mm" in browser.text("#layout-told"))
    browser.run("document.getElementById('take-layout').click()")
    layout = document(browser)["drilling"]["layout"]
    assert (layout["pin_to_pap"], layout["drilling_angle"]) == (pytest.approx(5.0), 60)
    assert layout["val_angle"] == before["drilling"]["layout"]["val_angle"]
    assert browser.count("#found-layout_map.stale") == 1
    settled(browser)
    for _ in range(4):
        browser.run("document.getElementById('undo').click()")
    assert document(browser) == before
    assert browser.problems() == []


def test_production_is_asked_for_by_fields(browser: Any) -> None:
    """Two tolerances, one of them no number at first; spreads and fractions as the service has them."""
    browser.open("/design#start=as_made", (390, 844))
    settled(browser)
    browser.run("document.getElementById('studies').open = true")
    browser.wait(lambda: browser.count("#tolerance-add"))
    browser.run("document.getElementById('ask-production').click()")
    browser.wait(lambda: "tolerance" in browser.text("#told-production"))
    for part, field in (("2", "density"), ("3", "offset_z")):
        choose(browser, "tolerance-part", part)
        choose(browser, "tolerance-field", field)
        browser.run("document.getElementById('tolerance-add').click()")
    choose(browser, "production.tolerances.1.kind", "even")
    browser.fill("production.tolerances.1.half_width", "narrow")
    browser.fill("production.samples", "256")
    studied(browser, "production")
    assert browser.text("[id='production.tolerances.1.half_width-error']")
    browser.fill("production.tolerances.1.half_width", "0,05")
    asked = document(browser)["production"]
    solids = [each["name"] for each in document(browser)["design"]["solids"]]
    assert asked["tolerances"] == [
        {"solids": [solids[2]], "field": "density", "standard_deviation": 0.02},
        {"solids": [solids[3]], "field": "offset_z", "half_width": 0.05},
    ]
    studied(browser, "production")
    rows = """return [...document.querySelectorAll('#found-production table:first-of-type tbody tr')]
        .map((row) => [...row.children].map((cell) => cell.textContent))"""
    found = {row[0]: row[1:] for row in browser.run(rows)}
    body = {"design": document(browser)["design"], "production": asked}
    spreads = requests.post(f"{browser.server}/v1/designs", json=body).json()["production"]["spreads"]
    weight = next(each for each in spreads if each["number"] == "weight")
    assert found["weight, lb"][0] == plain(weight["nominal"])
    assert float(found["weight, lb"][1]) == pytest.approx(weight["standard_deviation"], abs=1e-5)
    assert browser.count("#found-production .strip") > 3
    assert browser.run("return document.documentElement.scrollWidth - innerWidth") <= 0
    assert browser.problems() == []


def test_a_family_and_a_front_are_asked_for_by_fields(browser: Any) -> None:
    """The search becomes a family, which stays beside it; then what one target costs another, drawn."""
    browser.open("/design#start=as_made")
    settled(browser)
    browser.run("document.getElementById('searches').open = true")
    browser.wait(lambda: browser.count("#moves-body"))
    press = "document.getElementById(arguments[0]).click()"
    for name in ("rg", "differential"):
        choose(browser, "solve-number", name)
        browser.run(press, "solve-add")
    for tick in ("move-2-density", "move-2-length_z", "move-1-density"):
        browser.run(press, tick)
    choose(browser, "search-kind", "family")
    browser.fill("family.weights", "14; 15,5 lb")
    family = document(browser)["family"]
    assert family["weights"] == [14, "15.5 lb"]
    assert set(family["hold"]) == {"rg", "differential"}
    browser.run(press, "solve")
    browser.wait(lambda: browser.run("return document.documentElement.dataset.solved") == "1")
    heads = "return [...document.querySelectorAll('#solutions thead th')].map((each) => each.textContent)"
    assert browser.run(heads)[1:] == ["14 lb", "15.5 lb"]
    choose(browser, "search-kind", "solve")
    assert document(browser)["family"] == family
    browser.run(press, "front")
    browser.fill("solve.trade_off.points", "3")
    browser.fill("solve.starts", "1")
    assert document(browser)["solve"]["trade_off"] == {"first": "rg", "second": "differential", "points": 3}
    browser.run(press, "solve")
    browser.wait(lambda: browser.run("return document.documentElement.dataset.solved") == "2")
    assert browser.count("#front-found circle") == browser.count("#front-found tbody tr") > 1
    design = document(browser)["design"]
    browser.run("document.querySelector('#front-found button').click()")
    assert document(browser)["design"] != design
    assert document(browser)["design"]["name"] == design["name"]


def test_a_design_is_thrown_on_the_motion_page(browser: Any) -> None:
    """With its box numbers and its drilling; back on Design it is the same design."""
    browser.open("/design#start=set")
    settled(browser)
    before = document(browser)
    made = answer_to(browser, before)["ball"]
    browser.run("document.querySelector(`.menu a[href*='/motion']`).click()")
    browser.wait(lambda: browser.run("return document.documentElement.dataset.page") == "motion")
    browser.wait(lambda: browser.count("#request"))
    thrown = document(browser)["drilled"]
    assert thrown["ball"]["rg"] == made["rg"]
    assert thrown["drilling"] == before["drilling"]
    assert before["design"]["name"] in browser.text("#notice")
    browser.run("document.querySelector(`.menu a[href*='/design']`).click()")
    browser.wait(lambda: browser.run("return document.documentElement.dataset.page") == "design")
    settled(browser)
    assert document(browser)["design"] == before["design"]
    assert document(browser)["drilling"] == before["drilling"]
