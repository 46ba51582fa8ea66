"""The desk, in a real browser: many balls, kept in the browser, saved, loaded, exported and printed."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import requests
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from .desks import Desk
from .papers import on_paper

FORMULA = '=HYPERLINK("http://x.invalid","x")'


def enter(browser: Any, player: str, serial: str, weight: str, side: str) -> None:
    """What a person at the desk does: scan, type, Enter."""
    count = browser.count("#list tbody tr")
    browser.run("const box = document.getElementById('player'); box.value = ''; box.focus()")
    keys = ActionChains(browser.driver).send_keys(player, Keys.TAB, serial, Keys.ENTER, Keys.TAB, weight)
    keys.send_keys(Keys.TAB, Keys.TAB, "1", Keys.TAB, side, Keys.TAB, "0.5", Keys.ENTER).perform()
    browser.wait(lambda: browser.count("#list tbody tr") == count + 1)
    browser.wait(lambda: browser.count("#list tr[data-outcome=waiting]") == 0)


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
        assert "margin 0 in" in browser.text("#list .row-margin")
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
        "return [...document.querySelectorAll('#list tbody tr')].map((row) => row.dataset.outcome).reverse()"
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
    assert browser.run("return window.printed")

    browser.open("/desk")
    assert browser.count("#list tbody tr") == 2  # a reload keeps the list
    browser.run("window.confirm = () => true; document.getElementById('empty').click()")
    browser.wait(lambda: browser.count("#list tbody tr") == 0, "the list is not emptied")
    browser.driver.find_element("id", "load").send_keys(str(downloads / "desk.json"))
    browser.wait(lambda: browser.count("#list tbody tr") == 2)


def test_files_that_are_no_list_change_nothing(browser: Any, tmp_path: Path) -> None:
    browser.open("/desk")
    entry = {"player": "<img src=x onerror=window.hacked=1>", "request": {"ball": {"serial": "<b>"}}}
    sound = {"outcome": "conforming", "rules": {"body": "usbc", "on": "2026-05-01"}, "findings": []}
    bad = ["", "[]", '{"format": "ballgauge-desk-1", "entries": [{}]}', "<html>"]
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
    # No verdict is taken from a file: this ball has no weight to be judged by.
    assert browser.count("#list tr[data-outcome=unweighed]") == 1
    assert browser.run("return window.hacked ?? null") is None


def test_forty_scanned_balls_are_forty_right_rows(desk: Desk) -> None:
    """Ten balls a second, each answered after a second."""
    desk.open()
    desk.line.latency = 1.0
    balls = [(f"S{number:03}", f"{14 + number / 100:g}", f"{number / 10:g}") for number in range(40)]
    for ball in balls:
        desk.scan(*ball)
    desk.wait_for_rows(len(balls))
    for (serial, weight, side), (shown, readings, outcome) in zip(balls, desk.rows(), strict=True):
        assert shown == serial
        assert readings == f"weight {weight} lb · side {side} oz"
        assert outcome == ("nonconforming" if float(side) > 3 else "not_assessed")
    assert desk.browser.run("return document.activeElement.id") == "ball.serial"


def test_enter_twice_adds_one_ball(desk: Desk) -> None:
    desk.open()
    desk.line.latency = 0.5
    desk.scan("A1", "15", "0")
    desk.type(Keys.ENTER, Keys.ENTER)
    # A scanner that ends its lines with two, or with what opens the browser's downloads.
    assert not desk.read("B2", "Enter", "Enter", "Ctrl+j")
    desk.type(Keys.TAB, "14", Keys.ENTER)
    desk.wait_for_rows(2)
    assert [row[:2] for row in desk.rows()] == [["A1", "weight 15 lb · side 0 oz"], ["B2", "weight 14 lb"]]


def test_a_scan_in_a_field_of_readings_is_the_next_ball(desk: Desk) -> None:
    desk.open()
    desk.type("AAA111", Keys.ENTER, Keys.TAB, "15")
    desk.browser.run("document.getElementById('measured_balance.top').focus()")
    desk.read("BBB222")
    desk.read("CCC333", "Tab")
    desk.browser.wait(lambda: len(desk.rows()) == 2)
    assert desk.value("ball.serial") == "CCC333"
    desk.press("#alone")
    desk.read("DDD444")
    desk.read("EEE555", "Tab")
    desk.wait_for_rows(5)
    assert [row[0] for row in desk.rows()] == ["AAA111", "BBB222", "CCC333", "DDD444", "EEE555"]
    assert [row[1:] for row in desk.rows()] == [["weight 15 lb", "not_assessed"], *[["", "unweighed"]] * 4]


@pytest.mark.parametrize("reading", ["15.123 lb", "6812 grams"])
def test_a_gauge_that_types_is_no_scanner(desk: Desk, reading: str) -> None:
    desk.open()
    desk.browser.run("document.getElementById('ball.drilled_weight').focus()")
    assert desk.read(reading, "Tab")
    assert (desk.value("ball.drilled_weight"), desk.rows()) == (reading, [])


def test_an_address_opened_over_the_desk_is_taken_and_keeps_the_half_typed_ball(desk: Desk) -> None:
    desk.open()
    desk.browser.fill("ball.drilled_weight", "15")
    desk.browser.run("location.hash = 'rules.on=2010-05-01&units=metric'")
    desk.browser.wait(lambda: desk.value("rules.on") == "2010-05-01")
    assert (desk.value("units"), desk.value("ball.drilled_weight")) == ("metric", "15 lb")


def test_two_tabs_share_one_list(desk: Desk) -> None:
    desk.open()
    first = desk.browser.driver.current_window_handle
    desk.browser.driver.switch_to.new_window("tab")
    second = desk.browser.driver.current_window_handle
    try:
        desk.open()
        desk.scan("second", "15", "0")
        desk.wait_for_rows(1)
        desk.browser.driver.switch_to.window(first)
        desk.wait_for_rows(1)
        desk.focus()
        desk.scan("first", "14", "4")
        desk.wait_for_rows(2)
        desk.browser.driver.switch_to.window(second)
        desk.browser.wait(lambda: [row[2] for row in desk.rows()] == ["not_assessed", "nonconforming"])
    finally:
        desk.browser.driver.switch_to.window(second)
        desk.browser.driver.close()
        desk.browser.driver.switch_to.window(first)


def test_removed_edited_and_loaded_balls_can_be_had_back(desk: Desk, tmp_path: Path) -> None:
    desk.open()
    for number in range(3):
        desk.scan(f"S{number}", "15", "0")
    desk.wait_for_rows(3)
    before = desk.kept()
    desk.press("#list tr:nth-child(2) [data-act=remove]")
    desk.browser.wait(lambda: len(desk.rows()) == 2)
    desk.press("#undo")
    assert desk.kept() == before

    desk.wait_for_rows(3)
    desk.type("half", Keys.ENTER)
    desk.press("#list tr:nth-child(3) [data-act=edit]")
    assert desk.value("ball.drilled_weight") == "15"
    desk.browser.fill("measured_balance.side", "4")
    desk.press("#next")
    desk.browser.wait(lambda: desk.rows()[0][1:] == ["weight 15 lb · side 4 oz", "nonconforming"])
    assert desk.value("ball.serial") == "half"
    desk.press("#undo")
    assert desk.kept() == before

    file = tmp_path / "list.json"
    other = before[0] | {"id": "zzz", "at": 1, "request": {"ball": {"serial": "other"}}}
    file.write_text(json.dumps({"format": "ballgauge-desk-2", "entries": [*before, other]}))
    desk.browser.driver.find_element("id", "load").send_keys(str(file))
    desk.wait_for_rows(4)  # what is there already is not there twice
    desk.press("#undo")
    assert desk.kept() == before


def test_a_serial_that_is_there_already_is_asked_about(desk: Desk) -> None:
    desk.open()
    desk.scan("ab 12", "15", "0")
    desk.scan("AB12", "15.5", "1")
    desk.browser.wait(lambda: desk.browser.count("#list [data-act=both]") == 2)
    desk.press("#list [data-act=both]")
    desk.browser.wait(lambda: desk.browser.count("#list [data-act=both]") == 0)
    desk.scan("Ab12", "15", "2")
    desk.browser.wait(lambda: desk.browser.count("#list [data-act=newer]"))
    desk.press("#list [data-act=newer]")
    desk.browser.wait(lambda: [row[0] for row in desk.rows()] == ["Ab12"])
    desk.press("#undo")
    assert len(desk.kept()) == 3


def test_a_half_typed_ball_survives_reload_and_language(desk: Desk) -> None:
    desk.open()
    half = {
        "player": "Zoe", "ball.serial": "S1", "ball.drilled_weight": "15,2", "measured_balance.side": "1/2",
        "ball.hardness": "75 ± 1", "holes_seen.thumb_used": "true",
    }  # fmt: skip
    for name, text in half.items():
        desk.browser.fill(name, text)
    desk.browser.driver.refresh()
    assert {name: desk.value(name) for name in half} == half
    desk.browser.fill("language", "de")
    desk.browser.wait(lambda: desk.browser.run("return document.documentElement.lang") == "de")
    assert {name: desk.value(name) for name in half} == half


def test_balls_wait_for_a_service_that_is_away(desk: Desk) -> None:
    desk.open()
    desk.line.is_cut = True
    for number in range(3):
        desk.scan(f"S{number}", "15", "4")
    desk.browser.wait(lambda: "wait: 3" in desk.browser.text("#outage"))
    desk.browser.driver.refresh()
    desk.browser.wait(lambda: desk.browser.count("#list tr[data-outcome=waiting]") == 3)
    desk.line.is_cut = False
    desk.wait_for_rows(3)
    assert [row[2] for row in desk.rows()] == ["nonconforming"] * 3
    desk.browser.wait(lambda: desk.browser.run("return document.getElementById('outage').hidden"))


def test_what_cannot_be_judged_is_told_in_its_row(desk: Desk) -> None:
    desk.open()
    desk.scan("S1", "17 stone", "0")
    desk.scan("S2", "15", "0")
    desk.wait_for_rows(2)
    assert [row[2] for row in desk.rows()] == ["refused", "not_assessed"]
    assert "238" in desk.browser.text("#list tr:last-child .row-rests")
    desk.press("#list tr:last-child [data-act=edit]")
    desk.browser.fill("ball.drilled_weight", "15")
    desk.press("#next")
    desk.browser.wait(lambda: [row[2] for row in desk.rows()] == ["not_assessed"] * 2)


def test_rows_are_counted_and_chosen_by_outcome(desk: Desk) -> None:
    desk.open()
    for number, side in enumerate(("0", "4", "0")):
        desk.scan(f"S{number}", "15", side)
    desk.wait_for_rows(3)
    assert desk.browser.text("#counts [data-outcome=nonconforming]").startswith("1 ")
    desk.press("#counts [data-outcome=nonconforming]")
    assert [row[0] for row in desk.rows()] == ["S1"]
    desk.press("#counts [data-outcome='']")
    desk.browser.fill("find", "s2")
    assert [row[0] for row in desk.rows()] == ["S2"]
    desk.browser.fill("find", "")
    assert [row[0] for row in desk.rows()] == ["S0", "S1", "S2"]


ENTRANTS = (
    "Nachname;Vorname;Ball;Seriennummer;Bahn",
    '"Müller; ""M""";Eva;Tarn 48;AB 1;7',
    "Abt;Ida;;XY2;8",
    ";;;;9",
)


def test_entrants_are_matched_by_serial(desk: Desk, tmp_path: Path) -> None:
    """A file as a spreadsheet in German writes it, in its own encoding."""
    desk.open()
    file = tmp_path / "entrants.csv"
    file.write_bytes("\r\n".join(ENTRANTS).encode("cp1252"))
    desk.browser.driver.find_element("id", "entrants").send_keys(str(file))
    desk.browser.wait(lambda: "Bahn" in desk.browser.text("#told"))
    desk.focus()
    desk.scan("ab1", "15", "0")
    desk.scan("other", "15", "0")
    desk.wait_for_rows(2)
    script = """const parts = ['.row-player', '.row-ball span', '.row-told'];
        return [...document.querySelectorAll('#list tbody tr')].reverse().map((row) =>
            parts.map((part) => row.querySelector(part)?.textContent ?? ''))"""
    assert desk.browser.run(script) == [
        ['Müller; "M" Eva', "Tarn 48", ""],
        ["", "", "not in the entrants' file"],
    ]
    assert "1 of 2" in desk.browser.source("entrants-told")
    assert "XY2" in desk.browser.source("entrants-unseen")
    desk.browser.fill("player", "Somebody else")
    desk.focus()
    desk.scan("xy2", "15", "0")
    desk.wait_for_rows(3)
    assert "Abt Ida" in desk.browser.text("#list tr:first-child .row-told")


def test_the_desk_prints_by_player(desk: Desk) -> None:
    """Without its button too, from a dark screen as well, and never a blank sheet."""
    desk.open()
    desk.browser.fill("light", "dark")
    desk.browser.driver.print_page()
    assert "no balls" in desk.browser.source("sheet")
    for player, serial in (("Zoe", "Z1"), ("Abe", "A1"), ("Zoe", "Z2")):
        desk.browser.fill("player", player)
        desk.focus()
        desk.scan(serial, "15", "1")
    desk.wait_for_rows(3)
    desk.browser.driver.print_page()
    names = "return [...document.querySelectorAll('#sheet h2')].map((each) => each.textContent)"
    assert desk.browser.run(names) == ["Abe", "Zoe"]
    for told in ("A1", "Z1", "Z2", "weight 15 lb · side 1 oz", "margin +1 lb"):
        assert told in desk.browser.source("sheet")
    inks = """return [...document.querySelectorAll('#sheet :is(h2, th, td, caption)')]
        .map((each) => getComputedStyle(each).color)"""
    shown = """return [...document.querySelectorAll('main *')]
        .filter((each) => each.checkVisibility() && !each.closest('#sheet'))
        .filter((each) => [...each.childNodes].some(({nodeType, textContent}) =>
            nodeType === 3 && textContent.trim()))
        .map((each) => each.outerHTML)"""
    assert set(on_paper(desk.browser, inks)) == {"rgb(0, 0, 0)"}
    assert on_paper(desk.browser, shown) == []


def test_a_row_is_signed_and_its_label_printed(desk: Desk, downloads: Path) -> None:
    desk.open()
    desk.browser.fill("player", "Zoe")
    desk.focus()
    desk.scan("S1", "15", "1")
    desk.wait_for_rows(1)
    desk.press("#list [data-act=sign]")
    desk.line.is_cut = True
    desk.press("#signing-form button")
    desk.browser.wait(lambda: desk.browser.text("#signing-answer"))
    desk.line.is_cut = False  # the page asks again by itself
    desk.browser.wait(lambda: desk.browser.count("#signing-answer a[download]"))
    (kept,) = desk.kept()
    asked = {"record": kept["record"]["record"]}
    verified = requests.post(f"{desk.line.address}/v1/records/verify", json=asked).json()
    assert verified["state"] == "genuine"
    assert verified["content"]["player"] == "Zoe"
    assert verified["content"]["check"]["ball"]["serial"] == "S1"
    buttons = desk.browser.driver.find_elements(By.CSS_SELECTOR, "#signing-answer button")
    (label,) = [each for each in buttons if each.text == "Label"]
    label.click()
    desk.browser.wait(lambda: (downloads / "record-label.pdf").exists())
    assert (downloads / "record-label.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize("language", ["en", "de"])
def test_the_list_needs_no_more_width_than_a_phone_has(desk: Desk, language: str) -> None:
    desk.open(f"/desk?lang={language}#rules.on=2026-05-01", (390, 844))
    desk.scan("W" * 40, "15.123 lb", "4")
    desk.scan("W" * 40, "17 stone", "4")
    desk.wait_for_rows(2)
    assert desk.browser.run("return document.documentElement.scrollWidth - innerWidth") <= 0
    assert desk.browser.problems() == []


def test_what_was_typed_of_a_ball_is_undone(desk: Desk) -> None:
    """In the form by Ctrl+Z, and never another ball than the one typed now."""
    desk.open()
    desk.browser.fill("player", "Ada")
    desk.browser.fill("ball.serial", "S1")
    desk.browser.fill("ball.drilled_weight", "15")
    desk.browser.fill("ball.drilled_weight", "14")
    press = """document.getElementById(arguments[0]).dispatchEvent(new KeyboardEvent('keydown',
        {key: arguments[1], ctrlKey: true, bubbles: true, cancelable: true}))"""
    desk.browser.run(press, "ball.serial", "z")
    assert [desk.value(name) for name in ("player", "ball.serial", "ball.drilled_weight")] == [
        "Ada",
        "S1",
        "",
    ]
    desk.browser.run(press, "ball.serial", "y")
    assert desk.value("ball.drilled_weight") == "14"
    desk.press("#next")
    desk.wait_for_rows(1)
    desk.browser.run(press, "ball.serial", "z")
    assert desk.value("ball.serial") == ""
    assert [row[0] for row in desk.rows()] == ["S1"]


def test_a_refusal_is_told_in_the_language_of_the_page(desk: Desk) -> None:
    desk.open()
    desk.scan("S1", "17 stone", "0")
    desk.wait_for_rows(1)
    english = desk.browser.text("#list .row-rests")
    desk.browser.fill("language", "de")
    desk.browser.wait(lambda: desk.browser.run("return document.documentElement.lang") == "de")
    desk.wait_for_rows(1)
    desk.browser.wait(lambda: desk.browser.text("#list .row-rests") not in ("", english))
