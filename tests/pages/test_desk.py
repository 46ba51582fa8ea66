"""The desk, in a real browser: many balls, kept in the browser, saved, loaded, exported and printed."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import requests
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

FORMULA = '=HYPERLINK("http://x.invalid","x")'


def enter(browser: Any, player: str, serial: str, weight: str, side: str) -> None:
    """What a person at the desk does: scan, type, Enter."""
    count = browser.count("#list tbody tr")
    browser.run("const box = document.getElementById('player'); box.value = ''; box.focus()")
    keys = ActionChains(browser.driver).send_keys(player, Keys.TAB, serial, Keys.ENTER, Keys.TAB, weight)
    keys.send_keys(Keys.TAB, Keys.TAB, "1", Keys.TAB, side, Keys.TAB, "0.5", Keys.ENTER).perform()
    browser.wait(lambda: browser.count("#list tbody tr") == count + 1)


SEEN = {
    "finger_holes": "2", "thumb_holes": "1", "unused_finger_holes": "0", "thumb_used": "true",
    "gripping_hole_diameter": "31/32", "gripping_hole_depth": "3", "balance_holes": "0", "vent_holes": "1",
    "vent_hole_diameter": "1/4", "mill_holes": "0",
}  # fmt: skip


def test_a_filled_desk_conforms_once_the_name_is_the_list_s(
    browser: Any, run_server: Any, tmp_path: Path
) -> None:
    """A name that is near to a listed one is offered; a hole that was not measured is asked for."""
    (tmp_path / "list.csv").write_text("brand,model,approved_on\nOstrel Works,Tarn 48,2021-05-14\n")
    program = str(Path(sys.executable).parent / "ballgauge")
    options = ["--approved-list", str(tmp_path / "list.csv")]
    with run_server(
        lambda port: [program, "serve", "--port", str(port), *options],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as address:
        here, browser.server = browser.server, address
        try:
            browser.open("/desk#rules.on=2026-05-01")
        finally:
            browser.server = here
        filled = {
            "ball.name": "Ostrel Works Tarn 84", "ball.drilled_weight": "14.9", "ball.circumference": "26.9",
            "measured_balance.top": "1", "measured_balance.side": "0.5", "measured_balance.finger": "-0.25",
            **{f"holes_seen.{name}": value for name, value in SEEN.items()},
        }  # fmt: skip
        for name, value in filled.items():
            browser.fill(name, value)
        browser.wait(lambda: "Tarn 48" in browser.text("#near"))
        browser.run("document.querySelector('#near button').click()")
        browser.wait(lambda: "17 conforming" in browser.text("#verdict"))
        assert browser.run("return document.getElementById('near').hidden")
        browser.run("document.getElementById('next').click()")
        browser.wait(lambda: browser.count("#list tbody tr[data-outcome=conforming]") == 1)
        left = [browser.run("return document.getElementById(arguments[0]).value", name) for name in filled]
        assert not any(left)
        # This server is another than the session's, whose addresses alone the browser may ask.
        browser.driver.get_log("performance")
        browser.driver.get("about:blank")


def saved(path: Path, browser: Any) -> str:
    browser.wait(lambda: path.exists() and path.stat().st_size > 0)
    return path.read_text(encoding="utf-8")


def test_a_row_of_balls(browser: Any, downloads: Path, tmp_path: Path) -> None:
    browser.open("/desk#rules.on=2026-05-01")
    enter(browser, "Zoe <b>", "A1", "15.2", "0.5")
    enter(browser, "Abe", FORMULA, "15.2", "3.5")
    assert browser.run("return document.activeElement.id") == "ball.serial"
    assert browser.run("return document.getElementById('player').value") == "Abe"
    outcomes = browser.run(
        "return [...document.querySelectorAll('#list tbody tr')].map((row) => row.dataset.outcome)"
    )
    asked = {"ball": {"drilled_weight": 15.2}, "measured_balance": {"top": 1, "side": 0.5, "finger": 0.5}}
    first = requests.post(f"{browser.server}/v1/checks", json=asked | {"rules": {"on": "2026-05-01"}}).json()
    assert outcomes == [first["outcome"], "nonconforming"]

    for button in ("save", "csv"):
        browser.run("document.getElementById(arguments[0]).click()", button)
    rows = list(csv.DictReader(saved(downloads / "desk.csv", browser).splitlines()))
    assert [row["player"] for row in rows] == ["Zoe <b>", "Abe"]
    assert rows[1]["serial"] == f"'{FORMULA}"  # a spreadsheet shows it and does not run it
    assert (rows[1]["side"], rows[1]["outcome"]) == ("3.5", "nonconforming")
    kept = json.loads(saved(downloads / "desk.json", browser))
    assert len(kept["entries"]) == 2

    browser.run("window.print = () => { window.printed = true }; document.getElementById('print').click()")
    assert browser.run(
        "return [...document.querySelectorAll('#sheet h2')].map((each) => each.textContent)"
    ) == [
        "Abe",
        "Zoe <b>",
    ]
    assert browser.run("return window.printed")

    browser.open("/desk")
    assert browser.count("#list tbody tr") == 2  # a reload keeps the list
    browser.run("window.confirm = () => true; document.getElementById('empty').click()")
    assert browser.count("#list tbody tr") == 0
    browser.driver.find_element("id", "load").send_keys(str(downloads / "desk.json"))
    browser.wait(lambda: browser.count("#list tbody tr") == 2)


def test_files_that_are_no_list_change_nothing(browser: Any, tmp_path: Path) -> None:
    browser.open("/desk")
    entry = {"player": "<img src=x onerror=window.hacked=1>", "request": {"ball": {"serial": "<b>"}}}
    sound = {"outcome": "conforming", "rules": {"body": "usbc", "on": "2026-05-01"}, "findings": []}
    bad = ["", "[]", '{"format": "ballgauge-desk-1", "entries": [{}]}', "<html>"]
    bad.append(
        json.dumps({"format": "ballgauge-desk-1", "entries": [entry | {"answer": {"outcome": "<b>"}}]})
    )
    for number, text in enumerate(bad):
        file = tmp_path / f"{number}.json"
        file.write_text(text)
        browser.driver.find_element("id", "load").send_keys(str(file))
        browser.wait(lambda: "not a list" in browser.text("#told"))
        browser.run("document.getElementById('told').textContent = ''")
        assert browser.count("#list tbody tr") == 0
    file = tmp_path / "hostile.json"
    file.write_text(json.dumps({"format": "ballgauge-desk-1", "entries": [entry | {"answer": sound}]}))
    browser.driver.find_element("id", "load").send_keys(str(file))
    browser.wait(lambda: browser.count("#list tbody tr") == 1)
    assert "<img src=x" in browser.text("#list")
    assert browser.run("return window.hacked ?? null") is None
