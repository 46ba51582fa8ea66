"""A motion, in a real browser: the picture and the numbers are the interface's."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import requests
from hypothesis import find

from ballgauge.strategies._motions import calibrations

from .papers import INK, ink, printed


def test_a_delivery_is_drawn(browser: Any) -> None:
    """Against `/v1/motions` asked from here with the request shown: phases, path and rings."""
    browser.open("/motion")
    browser.fill("release.speed", "17")
    request = json.loads(browser.run("return document.getElementById('request').value"))
    assert request["release"]["speed"] == 17
    browser.run("document.getElementById('ask').click()")
    browser.wait(lambda: browser.answered() == 1)
    answer = requests.post(f"{browser.server}/v1/motions", json={"samples": 101, **request}).json()
    motion = answer["motion"]
    assert motion["message"] in browser.text("#verdict")
    assert f"{motion['phases']['skid_end']:.1f}".rstrip("0") in browser.text("#results table")
    assert browser.count(".path-line") == 2
    assert browser.count(".flare-last") == 2
    assert browser.count(".flare-ring") == 2 * len(motion["flare"]["rings"])
    assert browser.problems() == []
    browser.fill("light", "dark")
    text, _ = printed(browser)
    assert [each for each in ("Rev rate", "breakpoint", "entry angle") if each not in text] == []
    assert "Open a file" not in text
    assert ink(browser) == INK
    address = browser.driver.current_url.removeprefix(browser.server)
    shown = browser.text("#results table")
    browser.open(address, (390, 844))
    browser.wait(lambda: browser.text("#results table") == shown)
    assert browser.run("return document.documentElement.scrollWidth - innerWidth") <= 0


def test_a_refusal_is_told_at_its_field(browser: Any) -> None:
    """RFC 9457: the problem's pointers find their fields; JSON that cannot be read is told at the editor."""
    browser.open("/motion")
    browser.fill("release.speed", "400")
    browser.run("document.getElementById('ask').click()")
    browser.wait(lambda: browser.text("[id='release.speed-error']"))
    assert (
        browser.run("return document.getElementById('release.speed').getAttribute('aria-invalid')") == "true"
    )
    assert browser.count("#problem a") == 1
    browser.fill("release.speed", "17,5")
    assert (
        json.loads(browser.run("return document.getElementById('request').value"))["release"]["speed"] == 17.5
    )
    browser.run("document.getElementById('ask').click()")
    browser.wait(lambda: browser.answered() == 1)
    # What is changed after that leaves the answer on the page, marked as old, and outlives a reload.
    browser.fill("release.speed", "18.5")
    assert browser.run("return document.getElementById('verdict').dataset.stale") == "true"
    assert browser.run("return document.getElementById('results').classList.contains('stale')")
    browser.wait(lambda: "18.5" in browser.driver.current_url)
    browser.driver.refresh()
    browser.wait(lambda: browser.run("return document.getElementById('release.speed')?.value") == "18.5")
    browser.fill("request", "{")
    browser.wait(lambda: browser.text("#request-error"))
    assert browser.run("return document.getElementById('request').getAttribute('aria-invalid')") == "true"


def test_a_squad_is_drawn(browser: Any) -> None:
    """A film for the fresh lane and the game, a change for the game, a shape a state: few deliveries."""
    browser.open("/motion")
    browser.run("window.confirm = () => true")
    browser.fill("start", "squad")
    request = json.loads(browser.run("return document.getElementById('request').value"))
    known = {"launch_board": 26, "launch_angle": 3.4, "phase": 0}
    request["release"] = known
    del request["oil_on_ball"]
    anna = {"name": "Anna", "bowler": "matched_one_handed", "release": known}
    request["squad"] = {"bowlers": [anna], "shots": 1, "games": 1}
    browser.fill("request", json.dumps(request))
    browser.run("document.getElementById('ask').click()")
    browser.wait(lambda: browser.count("#squad-films svg"))
    assert browser.count("#squad-films svg") == 2 + 1
    assert browser.count("#squad-films ~ figure .point") == 2
    assert browser.problems() == []
    assert browser.run("return document.documentElement.scrollWidth - innerWidth") <= 0


def test_friction_from_a_file_of_shots(browser: Any, tmp_path: Path) -> None:
    """Against `/v1/motions` for the same shots; one shot is refused beside the file."""
    asked = find(calibrations(), lambda _: True)
    shots, precision = asked["calibrate"]["shots"], asked["calibrate"]["precision"]
    release = list(shots[0]["release"])
    rows = [
        [k, *passage.values(), *(shot["release"][name] for name in release)]
        for k, shot in enumerate(shots)
        for passage in shot["passages"]
    ]
    head = ["shot", *shots[0]["passages"][0], *(f"release.{name}" for name in release)]
    browser.open("/motion")
    browser.fill("request", json.dumps({**asked, "calibrate": {"precision": precision}}))
    browser.run("document.getElementById('shots').closest('details').open = true")
    field = browser.driver.find_element("id", "shots")
    for name, kept in (
        ("none.csv", []),
        ("short.csv", [rows[0][:-1]]),
        ("one.csv", rows[:5]),
        ("all.csv", rows),
    ):
        lines = ["nothing"] if not kept else [";".join(str(c).replace(".", ",") for c in r) for r in kept]
        file = tmp_path / name
        file.write_text("\n".join([";".join(head) if kept else "shot;what", *lines]), encoding="utf-8")
        field.send_keys(str(file))
        if name != "all.csv":
            wanted = {"none.csv": "what", "short.csv": "row 2", "one.csv": "from board"}[name]
            browser.wait(lambda wanted=wanted: wanted in browser.text("#shots-error"))
    browser.wait(lambda: browser.count("#use-friction"))
    request = json.loads(browser.run("return document.getElementById('request').value"))
    assert request == asked
    found = requests.post(f"{browser.server}/v1/motions", json=asked).json()["calibration"]
    assert f"{found['curve']['oiled']:.4f}".rstrip("0") in browser.text("#results table")
    assert browser.count("#results .card:first-child .point") == len(found["sensors"])
    browser.run("document.getElementById('use-friction').click()")
    browser.wait(lambda: browser.answered() and not browser.count("#use-friction"))
    used = json.loads(browser.run("return document.getElementById('request').value"))
    assert "calibrate" not in used
    curve = used["ball"]["surface"]["curve"]
    assert curve["dry"] == found["curve"]["dry"]
    assert len(curve["covariance"]) == 3
    assert browser.problems() == []
