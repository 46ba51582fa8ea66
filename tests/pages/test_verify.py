"""Verify a record, in a real browser: from a label's picture, a PDF, a file and pasted text."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import requests

from ballgauge_schemas import example


@pytest.fixture(scope="module")
def record(page_server: str) -> dict[str, Any]:
    asked = {"check": example("drilled"), "issued_on": "2024-09-02", "player": "<b>R. Example</b>"}
    found: dict[str, Any] = requests.post(f"{page_server}/v1/records", json=asked).json()
    return found


@pytest.mark.parametrize(("form", "name"), [("code", "code.png"), ("a4", "page.pdf"), (None, "record.jws")])
def test_files(browser: Any, record: dict[str, Any], tmp_path: Path, form: str | None, name: str) -> None:
    file = tmp_path / name
    if form:
        asked = {"record": record["record"], "form": form}
        file.write_bytes(requests.post(f"{browser.server}/v1/records/prints", json=asked).content)
    else:
        file.write_text(record["record"])
    browser.open("/verify")
    browser.driver.find_element("id", "file").send_keys(str(file))
    browser.wait(lambda: browser.text(".verdict-word").endswith("genuine"))
    assert "proves nothing" in browser.text("#verdict")  # the server signs with the demonstration key
    assert "<b>R. Example</b>" in browser.text("#results")
    assert "have not changed" in browser.text("#verdict")


def test_text_and_another_day(browser: Any, record: dict[str, Any]) -> None:
    browser.open(f"/verify#record={record['record']}&on=2010-01-01")
    browser.wait(lambda: "have changed" in browser.text("#verdict"))
    assert "What differs" in browser.text("#results")


def test_altered_and_nonsense(browser: Any, record: dict[str, Any]) -> None:
    browser.open("/verify")
    changed = record["record"][:-6] + "AAAAAA"
    browser.fill("text", changed)
    browser.run("document.getElementById('form').requestSubmit()")
    browser.wait(lambda: browser.text(".verdict-word").endswith("altered"))
    assert browser.text("#results") == ""
    browser.fill("text", "<b>nothing</b>")
    browser.run("document.getElementById('form').requestSubmit()")
    browser.wait(lambda: "three parts" in browser.text("#problem"))
    assert browser.count("#verdict[data-outcome]") == 0


def test_a_camera_that_is_not_there_is_told(browser: Any) -> None:
    browser.open("/verify")
    browser.run("document.getElementById('camera').click()")
    browser.wait(lambda: "camera cannot be used" in browser.text("#problem"))


def test_a_record_shows_its_ball_holes_and_readings_in_their_units(browser: Any) -> None:
    """Of a drilled ball and of one seen at a desk; what is shown turns with the units."""
    asked = {"check": example("drilled"), "issued_on": "2024-09-02"}
    signed = requests.post(f"{browser.server}/v1/records", json=asked).json()
    browser.open(f"/verify#record={signed['record']}")
    browser.wait(lambda: browser.text(".verdict-word").endswith("genuine"))
    told = browser.text("#results")
    holes = signed["content"]["check"]["drilling"]["holes"]
    assert browser.count("#results .wide tbody tr") == len(holes)
    assert "play" in told
    assert f"{holes[0]['diameter']:g} in" in told
    weight = signed["content"]["check"]["ball"]["weight"]
    assert f"{weight:g} lb" in told
    assert "at most 16 lb" in told
    browser.fill("units", "metric")
    browser.wait(lambda: "kg" in browser.text("#results"))
    assert " lb" not in browser.text("#results")
    seen = {
        "check": {
            "ball": {"drilled_weight": {"value": 15, "uncertainty": 0.01}},
            "holes_seen": {"finger_holes": 2, "thumb_used": True},
            "measured_balance": {"side": 0.5},
        },
        "issued_on": "2026-05-01",
    }
    record = requests.post(f"{browser.server}/v1/records", json=seen).json()["record"]
    browser.open(f"/verify#record={record}")
    browser.fill("units", "trade")
    browser.wait(lambda: "15 ± 0.01 lb" in browser.text("#results"))
    assert "Side weight\t0.5 oz" in browser.text("#results")
    assert "Finger holes\t2" in browser.text("#results")


def test_a_broken_picture_is_said_to_be_one(browser: Any, tmp_path: Path) -> None:
    file = tmp_path / "broken.png"
    file.write_bytes(b"\x89PNG\r\n\x1a\n broken")
    browser.open("/verify")
    browser.driver.find_element("id", "file").send_keys(str(file))
    browser.wait(lambda: "picture cannot be read" in browser.text("#problem"))
    assert browser.count("#verdict[data-outcome]") == 0


def test_a_verdict_is_marked_as_old_when_the_text_changes(browser: Any, record: dict[str, Any]) -> None:
    browser.open(f"/verify#record={record['record']}")
    browser.wait(lambda: browser.text(".verdict-word").endswith("genuine"))
    browser.fill("text", "something else")
    assert browser.run("return document.getElementById('verdict').dataset.stale") == "true"
    browser.fill("text", record["record"])
    assert browser.run("return document.getElementById('verdict').dataset.stale") == "false"
