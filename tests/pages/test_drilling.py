"""Plan a drilling, in a real browser: what is dragged lies where it is dropped, by the service's numbers."""

from __future__ import annotations

from typing import Any

import pytest
import requests
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

from ballgauge_schemas import example

FRAMES = """const done = arguments[0]; const ball = document.getElementById('ball');
const box = ball.getBoundingClientRect();
const send = (kind, x) => ball.dispatchEvent(new PointerEvent(kind,
    {bubbles: true, pointerId: 1, clientX: x, clientY: box.top + 20}));
ball.setPointerCapture = () => {};
send('pointerdown', box.left + 20);
let frames = 0; const start = performance.now();
const step = () => {
  frames += 1; send('pointermove', box.left + 20 + 3 * frames);
  if (performance.now() - start < 1500) requestAnimationFrame(step);
  else { send('pointerup', 0); done(1000 * frames / (performance.now() - start)); }
};
requestAnimationFrame(step);"""


@pytest.fixture
def planned(browser: Any) -> Any:
    browser.open("/drilling")
    browser.example("drilled")
    return browser


def place(browser: Any, mark: str) -> dict[str, float]:
    """Where a mark is drawn, in pixels of the window."""
    found: dict[str, float] = browser.run(
        """const box = document.querySelector(`[data-mark=${arguments[0]}] .shape`).getBoundingClientRect();
        return {x: box.left + box.width / 2, y: box.top + box.height / 2}""",
        mark,
    )
    return found


def values(browser: Any, *names: str) -> list[float]:
    found = browser.run("return arguments[0].map((name) => document.getElementById(name).value)", list(names))
    return [float(value) for value in found]


@pytest.mark.parametrize("hand", ["right", "left"])
@pytest.mark.parametrize("mark", ["pin", "pap", "psa", "hole-0"])
def test_a_dragged_mark_lies_where_it_was_dropped(planned: Any, hand: str, mark: str) -> None:
    """The drawing inverts the layout; the service computes it. Both agree to the drawing's rounding."""
    planned.fill("drilling.hand", hand)
    planned.wait(lambda: hand in planned.source("call-http"))
    planned.run(
        "document.querySelector('[data-view=grip]').click(); document.getElementById('ball').scrollIntoView()"
    )
    before, answered = place(planned, mark), planned.answered()
    # The PSA can only turn about the pin, so it is pushed along its circle; the rest go anywhere.
    step = (-12 if mark == "pap" and hand == "right" else 12, 10)
    element = planned.driver.find_element("css selector", f"[data-mark={mark}] .grasp")
    ActionChains(planned.driver).click_and_hold(element).move_by_offset(*step).release().perform()
    planned.wait(lambda: planned.answered() > answered)
    planned.wait(lambda: abs(place(planned, mark)["x"] - before["x"]) > 4)
    after = place(planned, mark)
    if mark != "psa":
        assert after["x"] == pytest.approx(before["x"] + step[0], abs=2.5)
        assert after["y"] == pytest.approx(before["y"] + step[1], abs=2.5)


def test_keys_move_a_mark_and_turn_the_ball(planned: Any) -> None:
    planned.fill("drilling.pap.up", "0.5")
    (before,) = values(planned, "drilling.pap.up")
    planned.run("document.querySelector('[data-mark=pap]').focus()")
    ActionChains(planned.driver).send_keys(Keys.ARROW_UP).perform()
    planned.wait(lambda: planned.text("#ball-told"))
    planned.wait(lambda: values(planned, "drilling.pap.up")[0] == pytest.approx(before + 0.0625, abs=0.006))
    assert planned.run("return document.activeElement.dataset.mark") == "pap"
    planned.run("document.getElementById('ball').focus()")
    ActionChains(planned.driver).send_keys(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, "+").perform()
    planned.wait(lambda: "view=20%2C0" in planned.driver.current_url)


def test_numbers_are_the_interfaces(planned: Any) -> None:
    answer = requests.post(f"{planned.server}/v1/checks", json=example("drilled")).json()
    for way in ("top", "side", "finger"):
        assert f"+{answer['derived']['balance']['predicted'][way]:.4f}".rstrip("0") in planned.text(
            "#measures"
        )
    assert f"{answer['derived']['drilled']['rg']:.4f}".rstrip("0") in planned.text("#results")


def test_a_remedy_that_is_taken_mends_the_ball(planned: Any) -> None:
    """A heavy top drilled with shallow holes fails; the depths offered are put in the form and pass."""
    for name, value in (("ball.pin_to_cg", "4"), ("ball.top_weight", "5.8"), ("drilling.balance_arm", "3.2")):
        planned.fill(name, value)
    planned.wait(lambda: planned.count(".remedies button"))
    assert "nonconforming" in planned.text(".verdict-word")
    planned.run("document.querySelector('.remedies button').click()")
    planned.wait(lambda: "nonconforming" not in planned.text(".verdict-word"))
    assert values(planned, "drilling.holes.0.depth")[0] > 2.25
    assert planned.count(".remedies") == 0


def test_the_ball_turns_at_thirty_frames_or_goes_coarse(planned: Any) -> None:
    """Where a machine cannot draw 30 frames a second, what is behind is left out while the ball turns."""
    rate = planned.driver.execute_async_script(FRAMES)
    print(f"the ball turns at {rate:.0f} frames a second")
    assert rate > 30 or planned.run("return document.getElementById('ball').matches('.coarse')")
