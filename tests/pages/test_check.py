"""Check a ball, in a real browser: the numbers are the interface's, and nothing typed becomes markup."""

from __future__ import annotations

import json
import time
from datetime import date
from pathlib import Path
from typing import Any

import pytest
import requests
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

from ballgauge_schemas import example

from .proxy import line_to

HOSTILE = '<img src=x onerror="window.hacked=1"><script>window.hacked=1</script>\'"&{{7*7}}</option>'


def used_today(name: str) -> dict[str, Any]:
    """An example as the page asks for it: the day of use is today unless the example tells it."""
    request = example(name)
    return {**request, "rules": {"on": date.today().isoformat(), **request.get("rules", {})}}


@pytest.mark.parametrize("name", ["drilled", "as_made", "side_weight_over"])
def test_the_page_shows_what_the_interface_answers(browser: Any, name: str) -> None:
    """Against `/v1/checks` asked from here with the example itself: every value, margin and outcome."""
    browser.open("/")
    browser.example(name)
    answer = requests.post(f"{browser.server}/v1/checks", json=used_today(name)).json()
    shown = browser.run("""return Object.fromEntries([...document.querySelectorAll('.finding')].map((each) =>
        [each.dataset.rule, [each.dataset.outcome, each.dataset.margin ?? null,
         each.querySelector('[data-value]')?.dataset.value ?? null]]))""")
    assert set(shown) == {finding["rule"] for finding in answer["findings"]}
    for finding in answer["findings"]:
        outcome, margin, value = shown[finding["rule"]]
        assert outcome == finding["outcome"]
        assert (margin and float(margin)) == finding["margin"]
        assert (value and float(value)) == finding["value"]
    assert browser.text(".verdict-word")[1:].strip() == answer["outcome"].replace("_", " ")
    assert "pproved" not in browser.text("#verdict")


def test_findings_follow_what_is_typed(browser: Any) -> None:
    browser.open("/")
    field = browser.driver.find_element("id", "ball.weight")
    field.send_keys("15")
    browser.wait(lambda: browser.text(".verdict-word").endswith("not assessed"))
    field.send_keys("\b7")
    browser.wait(lambda: "nonconforming" in browser.text(".verdict-word"))
    assert "17 lb" in browser.text("[data-rule=weight]")
    for typed, shown in (
        ("\u00a0", ""),
        ("7 kg", "15.43 lb"),
        ("15 1/2", "15.5 lb"),
        ("１４．５", "14.5 lb"),
        ("１４\u3000１／４\u3000ｌｂ", "14.25 lb"),
        ("15.1 ± 0.02", "15.1 ± 0.02 lb"),
    ):
        browser.fill("ball.weight", typed.strip())
        if shown:
            browser.wait(lambda shown=shown: shown in browser.text("[data-rule=weight]"), shown)


def test_bad_input_is_named_at_its_field(browser: Any) -> None:
    browser.open("/")
    browser.fill("ball.weight", "15")
    browser.wait(lambda: browser.answered())
    browser.fill("ball.weight", "200")
    browser.fill("ball.rg", "wide")
    browser.wait(lambda: browser.count("[aria-invalid=true]") == 2)
    assert "from 4 lb to 20 lb" in browser.text("[id='ball.weight-error']")
    assert browser.run("return document.getElementById('ball.rg').getAttribute('aria-describedby')").endswith(
        "-error"
    )
    assert browser.count(".verdict-word") == 0
    assert "RG" in browser.text("#problem")
    browser.run("document.querySelector('#problem a').click()")
    assert browser.run("return document.activeElement.id") == "ball.weight"
    browser.fill("ball.weight", "15")
    browser.fill("ball.rg", "2.5")
    browser.wait(lambda: browser.count("[aria-invalid=true]") == 0)


def test_the_state_is_in_the_address(browser: Any) -> None:
    browser.open("/")
    browser.example("drilled")
    browser.fill("drilling.holes.1.depth", "1.5")
    browser.wait(lambda: browser.state() == "current")
    assert "holes.1.depth=1.5" in browser.driver.current_url
    address = browser.driver.current_url.removeprefix(browser.server)
    called = browser.source("call-http")
    findings = browser.text(".findings")
    browser.open(address)
    browser.wait(lambda: browser.text(".findings") == findings)
    assert browser.source("call-http") == called
    assert browser.run("return document.getElementById('drilling.holes.1.depth').value") == "1.5"


def test_the_call_shown_is_the_call_made(browser: Any) -> None:
    """The text to copy gives the same outcome here: the JSON over HTTP, the Python through the client."""
    browser.open("/")
    browser.example("side_weight_over")
    body = browser.source("call-http").split("-d '", 1)[1][:-1]
    expected = requests.post(f"{browser.server}/v1/checks", json=used_today("side_weight_over")).json()
    assert requests.post(f"{browser.server}/v1/checks", json=json.loads(body)).json() == expected
    code = browser.source("call-python")
    printed: list[str] = []
    exec(code, {"print": printed.append})
    assert printed == [expected["outcome"]]


def test_metric_units_show_the_same_ball(browser: Any) -> None:
    browser.open("/")
    browser.example("as_made")
    before = browser.run("return document.getElementById('ball.weight').value")
    margins = "return [...document.querySelectorAll('.finding')].map((each) => each.dataset.margin ?? null)"
    trade = [float(margin) if margin else None for margin in browser.run(margins)]
    browser.fill("units", "metric")
    browser.wait(lambda: "kg" in browser.text("[data-rule=weight]"))
    browser.wait(lambda: "kg" in browser.text("[data-rule=weight] .finding-value"))
    metric = [float(margin) if margin else None for margin in browser.run(margins)]
    for one, other in zip(trade, metric, strict=True):
        assert one == pytest.approx(other, abs=2e-5) if one is not None else other is None
    browser.fill("units", "trade")
    browser.wait(lambda: "lb" in browser.text("[data-rule=weight] .finding-value"))
    assert browser.run("return document.getElementById('ball.weight').value") == before


def test_hostile_names_stay_text(browser: Any) -> None:
    """Typed, from the address, and back from the service in a refusal: never an element, never run."""
    from urllib.parse import urlencode

    state = urlencode(
        {"ball.weight": HOSTILE[:60], "ball.name": HOSTILE, "rules.body": HOSTILE, "x": HOSTILE}
    )
    browser.open(f"/?lang={HOSTILE}#{state}")
    browser.wait(lambda: browser.text("#problem"))
    browser.open("/")
    browser.example("as_made")
    browser.fill("ball.name", HOSTILE)
    browser.fill("player", HOSTILE[:80])
    browser.wait(lambda: "onerror" in browser.source("call-http"))
    browser.run("document.getElementById('record-form').requestSubmit()")
    browser.wait(lambda: browser.text("#record-answer"))
    assert browser.run("return window.hacked ?? null") is None
    assert browser.count("img[src=x]") == 0


def test_a_record_is_signed_from_the_page(browser: Any) -> None:
    browser.open("/")
    browser.example("drilled")
    browser.fill("player", "R. Example")
    browser.run("document.getElementById('record-form').requestSubmit()")
    browser.wait(lambda: browser.count("#record-answer .button") == 2)
    assert "proves nothing" in browser.text("#record-answer")
    browser.wait(lambda: browser.run("return document.querySelector('.code').naturalWidth") > 100)
    browser.run("[...document.querySelectorAll('#record-answer a')].at(-1).click()")
    browser.wait(lambda: "genuine" in browser.text(".verdict-word"))
    assert "R. Example" in browser.text("#results")


def test_by_keyboard_alone(browser: Any) -> None:
    """From the address bar: skip to the content, type a ball, add a hole, read why; no trap on the way."""
    browser.open("/")
    press = ActionChains(browser.driver)
    press.send_keys(Keys.TAB, Keys.ENTER).perform()
    reached = []
    for _ in range(12):
        ActionChains(browser.driver).send_keys(Keys.TAB).perform()
        reached.append(browser.run("return document.activeElement.id"))
        if reached[-1] == "ball.weight":
            break
    assert reached[-1] == "ball.weight", reached
    assert browser.run("return getComputedStyle(document.activeElement).outlineStyle") == "solid"
    ActionChains(browser.driver).send_keys("15.2", Keys.TAB, "8.58", Keys.TAB, "2.5").perform()
    browser.wait(lambda: "2.5 in" in browser.text("[data-rule=rg_minimum]"))
    assert "low axis" in browser.text(".help-line")
    visited = set()
    for _ in range(90):
        ActionChains(browser.driver).send_keys(Keys.TAB).perform()
        here = browser.run("""const at = document.activeElement;
            if (at.className === 'finding-line') return 'why';
            return at.parentElement?.className === 'fold' ? 'fold' : at.id""")
        visited.add(here)
        if here == "fold":
            ActionChains(browser.driver).send_keys(Keys.SPACE).perform()
        if here == "add-hole" and not browser.count(".hole"):
            ActionChains(browser.driver).send_keys(Keys.ENTER).perform()
            assert browser.run("return document.activeElement.name") == "drilling.holes.0.role"
        if here == "why":
            ActionChains(browser.driver).send_keys(Keys.SPACE).perform()
            assert browser.count(".why[open]") == 1
            break
    assert {"fold", "add-hole", "why"} <= visited


def test_a_ball_goes_along_to_the_next_page(browser: Any) -> None:
    """By the menu, from the check to the drilling and back."""
    browser.open("/check")
    browser.example("drilled")
    browser.fill("ball.serial", "OW-17")
    browser.wait(lambda: browser.state() == "current")
    findings = browser.text(".findings")
    for page in ("drilling", "check"):
        browser.run("document.querySelector(`.menu a[href*='/${arguments[0]}?']`).click()", page)
        browser.wait(lambda page=page: f"/{page}" in browser.driver.current_url and browser.answered())
        assert browser.run("return document.getElementById('ball.serial').value") == "OW-17"
    assert browser.text(".findings") == findings


def test_a_ball_is_saved_to_a_file_and_opened(browser: Any, downloads: Path) -> None:
    """The file is a request of the contract, with the customer as its player; the page opens it as it was."""
    browser.open("/check")
    browser.example("side_weight_over")
    browser.fill("units", "metric")
    browser.fill("ball-keeper", "R. Example")
    browser.wait(lambda: browser.state() == "current")
    findings = browser.text(".findings")
    browser.run("document.getElementById('save-ball').click()")
    file = downloads / "ball.json"
    browser.wait(file.exists, "no file was saved")
    saved = json.loads(file.read_text(encoding="utf-8"))
    assert saved["player"] == "R. Example"
    asked = (saved["check"], example("side_weight_over"))
    first, second = (requests.post(f"{browser.server}/v1/checks", json=each).json() for each in asked)
    assert first["outcome"] == second["outcome"]
    browser.open("/check")
    browser.driver.find_element("id", "open-ball").send_keys(str(file))
    browser.wait(lambda: browser.answered() and browser.text(".findings"))
    browser.fill("units", "metric")
    browser.wait(lambda: browser.text(".findings") == findings)
    browser.driver.refresh()
    assert browser.run("return document.getElementById('ball-keeper').value") == "R. Example"
    file.unlink()


def test_balls_are_kept_compared_and_forgotten(browser: Any) -> None:
    browser.open("/check")
    browser.example("drilled")
    browser.fill("ball-keeper", HOSTILE[:80])
    browser.run("document.getElementById('keep-ball').click()")
    browser.example("side_weight_over")
    browser.run("document.querySelectorAll('#kept-balls button')[1].click()")
    browser.wait(lambda: browser.count("#compared td") > 1)
    cells = (
        "return [...document.querySelectorAll('#compared tr:first-child td')].map((each) => each.textContent)"
    )
    assert browser.run(cells) == ["nonconforming", "conforming"]
    browser.run("document.querySelector('#kept-balls button').click()")
    browser.wait(lambda: browser.text(".verdict-word")[1:].strip() == "conforming")
    browser.open("/drilling")
    assert browser.run("return document.querySelector('.kept-name').textContent") == HOSTILE[:80]
    browser.run("document.querySelectorAll('#kept-balls button')[2].click()")
    assert browser.count("#kept-balls li") == 0
    assert browser.run("return window.hacked ?? null") is None


def test_an_example_does_not_take_the_place_of_what_was_typed_unasked(browser: Any) -> None:
    browser.open("/check")
    browser.fill("ball.weight", "15")
    browser.wait(lambda: browser.state() == "current")
    browser.run("window.confirm = () => false")
    browser.fill("example", "drilled")
    assert browser.run("return document.getElementById('ball.weight').value") == "15"


SIDE = "ball.weight=15&measured_balance.side=3.4"


@pytest.mark.parametrize("address", [f"/check#{SIDE}", f"/check#{SIDE}&units=trade"])
def test_an_address_means_the_same_to_a_reader_of_other_units(browser: Any, address: str) -> None:
    """3.4 oz is beyond the 3 oz of the rules, 3.4 g is not; an old address names no unit: that is told."""
    browser.open("/check")
    browser.run("localStorage.setItem('ballgauge.units', 'metric')")
    browser.open(address)
    browser.wait(lambda: browser.state() == "current")
    assert browser.run("return document.getElementById('verdict').dataset.outcome") == "nonconforming"
    assert browser.run("return !document.getElementById('notice').hidden") == ("units" not in address)
    assert browser.driver.current_url.endswith("units=trade")
    browser.fill("units", "metric")
    browser.wait(lambda: browser.state() == "current")
    assert browser.run("return document.getElementById('verdict').dataset.outcome") == "nonconforming"


def test_the_skip_link_keeps_the_ball(browser: Any) -> None:
    browser.open(f"/check#{SIDE}&units=trade")
    browser.run("document.querySelector('.skip').click()")
    assert browser.run("return document.activeElement.id") == "content"
    browser.driver.refresh()
    assert browser.run("return document.getElementById('ball.weight').value") == "15"


def test_nothing_is_signed_but_what_is_shown(browser: Any) -> None:
    """Neither a ball that was cleared, nor the last one that could be read."""
    for make in ("getElementById('clear').click()", "getElementById('ball.weight').value = '9 stone'"):
        browser.open("/check")
        browser.example("drilled")
        browser.run(f"document.{make}")
        browser.run("document.getElementById('record-form').requestSubmit()")
        browser.wait(lambda: browser.state() in ("empty", "refused"))
        assert browser.text("#record-answer") == ""
        seen = "return document.getElementById('record').checkVisibility({visibilityProperty: true})"
        assert browser.run(seen) is False


def test_a_fraction_is_typed_in_peace(browser: Any) -> None:
    """Key by key, with a pause after each: no error, and the form stands still."""
    browser.open("/check#ball.weight=15&units=trade")
    field = browser.driver.find_element("id", "ball.diameter")
    place = browser.run("return document.getElementById('ball.rg').getBoundingClientRect().top")
    for key in "8 19/32":
        field.send_keys(key)
        time.sleep(0.35)
        assert browser.count("[aria-invalid=true]") == 0
        assert browser.run("return document.getElementById('ball.rg').getBoundingClientRect().top") == place
    field.send_keys(Keys.TAB)
    browser.wait(lambda: browser.state() == "current")
    assert "8.59" in browser.text("[data-rule=diameter]")


def test_fast_typing_asks_once(browser: Any) -> None:
    browser.open("/check")
    browser.run("performance.clearResourceTimings()")
    browser.driver.find_element("id", "ball.weight").send_keys("15.12345678901234567890123456789012345678")
    browser.wait(lambda: browser.state() == "current")
    asked = browser.run("return performance.getEntriesByType('resource').map((each) => each.name)")
    assert len([name for name in asked if name.endswith("/v1/checks")]) <= 3


def test_an_outage_is_told_and_ends_by_itself(browser: Any, page_server: str) -> None:
    """In the page's language, not as an error of the one who types; a pause that is asked for is kept."""
    with line_to(page_server) as line:
        browser.server = line.address
        browser.open("/check?lang=de")
        line.is_cut = True
        browser.fill("ball.weight", "15")
        browser.wait(lambda: browser.state() == "offline")
        assert "antwortet nicht" in browser.text("#verdict")
        assert not browser.run("return document.getElementById('problem').checkVisibility()")
        line.is_cut = False
        browser.wait(lambda: browser.state() == "current")
        browser.run("""const real = window.fetch; let asked = 0;
            window.fetch = (...given) => asked++ ? real(...given)
                : Promise.resolve(new Response('{}', {status: 429, headers: {'Retry-After': '2'}}));""")
        browser.fill("ball.weight", "14")
        browser.wait(lambda: "2 s" in browser.text("#verdict"))
        browser.wait(lambda: browser.state() == "current")
        browser.driver.get("about:blank")
        for kind in ("browser", "performance"):
            browser.driver.get_log(kind)
        browser.server = page_server


def test_the_day_of_use_is_today_and_says_so(browser: Any) -> None:
    browser.open("/check#ball.weight=15&units=trade")
    browser.wait(lambda: browser.state() == "current")
    assert date.today().isoformat() in browser.source("verdict")
    told = "return document.querySelector('.day-told').textContent"
    assert browser.run(told) == f"today, {date.today().isoformat()}"
    browser.fill("rules.on", "2019-01-01")
    browser.wait(lambda: browser.state() == "current")
    assert "2019-01-01" in browser.source("verdict")
    assert browser.run(told) == ""


@pytest.mark.parametrize(
    ("typed", "shown"),
    [
        ("16", "16 lb"),
        ("16.0004", "16.0004 lb"),
        ("15.123456", "15.12 lb"),
        ("15.123 ± 0.0123", "15.123 ± 0.012 lb"),
    ],
)
def test_a_value_has_the_digits_of_its_gauge(browser: Any, typed: str, shown: str) -> None:
    """And more where it would look like the limit that it is beyond."""
    browser.open("/check")
    browser.fill("ball.weight", typed)
    browser.wait(lambda: browser.state() == "current")
    assert browser.text("[data-rule=weight] .finding-value") == shown


def test_a_cleared_ball_comes_back_by_undo(browser: Any) -> None:
    """Though it was chosen and cleared without leaving a field between."""
    browser.open("/check")
    browser.example("drilled")
    kept = browser.run("return location.hash")
    browser.run("document.getElementById('clear').click()")
    assert browser.run("return location.hash") != kept
    browser.run("document.getElementById('undo').click()")
    assert browser.run("return location.hash") == kept
