"""The remote in a real browser: every way of letting go, at the simulation's outputs; looks; axe-core."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from statecraft.bench.controls import controls
from statecraft.bench.pretend import Pretended
from statecraft.bench.remote import page
from statecraft.language import read_file
from statecraft.machine import Machine
from tests.bench.rig import Phone, bridge, desk, hold, stopped_ms, wait
from tests.report.browser import Browser
from tests.report.test_browser import COLOURS, VIOLATIONS
from tests.samples import SAMPLES, sample

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def machine(bale_mover: Machine) -> Iterator[Pretended]:
    with desk(bale_mover) as made:
        yield made


@pytest.fixture(scope="module")
def address(machine: Pretended) -> Iterator[str]:
    with bridge(SAMPLES / "bale_mover.modes", machine.place) as served:
        yield served.address


@pytest.fixture
def phone(chromium: Browser, address: str) -> Iterator[Phone]:
    made = Phone(chromium)
    made.open(address)
    made.drive()
    yield made
    if made.fingers:
        made.lose()


def press(phone: Phone, machine: Pretended, still: float = 0.0) -> None:
    """A finger on `ahead`, until the machine goes ahead."""
    hold(phone, "[data-hold=ahead]", lambda: machine.body.modes["drive"] == "forward" and held(phone) == 1, still)


def stops(machine: Pretended, said: bytes = b"$ahead*") -> None:
    """`ahead` is missing for 500 ms: nothing has been sent since the finger was gone."""
    wait(lambda: machine.body.modes["drive"] == "standing")
    assert stopped_ms(machine, said) < 550


def held(phone: Phone) -> int:
    return int(phone.run("return document.querySelectorAll('[data-on]').length"))


def test_it_goes_while_it_is_held(phone: Phone, machine: Pretended) -> None:
    press(phone, machine, still=0.8)  # longer than a machine goes that hears nothing more
    wait(lambda: phone.text("mode-0") == "forward" or not held(phone))
    phone.up()
    assert held(phone) == 0
    stops(machine)
    wait(lambda: phone.text("mode-0") == "standing")


def test_a_finger_that_slides_off(phone: Phone, machine: Pretended) -> None:
    press(phone, machine)
    phone.move(0, 150)
    wait(lambda: held(phone) == 0)
    stops(machine)
    phone.move(0, -150)  # and back: it is not pressed anew
    time.sleep(0.1)
    assert held(phone) == 0


def test_a_second_finger_that_slides_off(phone: Phone, machine: Pretended) -> None:
    press(phone, machine)
    phone.down("[data-hold=up]", 2)
    wait(lambda: held(phone) == 2)
    phone.move(0, 200, 2)
    wait(lambda: held(phone) == 1)
    assert phone.run("return document.querySelector('[data-on]').dataset.hold") == "ahead"
    wait(lambda: machine.body.modes["drive"] == "forward")
    phone.lose()
    stops(machine)


def test_two_fingers_on_one_button_and_one_is_lost(phone: Phone, machine: Pretended) -> None:
    press(phone, machine)
    phone.down("[data-hold=ahead]", 2)
    wait(lambda: machine.body.modes["drive"] == "forward")
    phone.move(0, 200, 2)
    wait(lambda: held(phone) == 0)
    stops(machine)


@pytest.mark.parametrize(
    "how",
    [
        "dispatchEvent(new Event('blur'))",
        "dispatchEvent(new Event('pagehide'))",
        "document.dispatchEvent(new Event('freeze'))",
        "Object.defineProperty(document, 'hidden', {value: true, configurable: true});"
        "document.dispatchEvent(new Event('visibilitychange'))",
        "document.dispatchEvent(new PointerEvent('lostpointercapture', {pointerId: window.last, bubbles: true}))",
    ],
    ids=["focus", "page", "frozen", "hidden tab", "pointer"],
)
def test_every_way_of_letting_go(phone: Phone, machine: Pretended, how: str) -> None:
    phone.run("addEventListener('pointerdown', e => { window.last = e.pointerId }, true)")
    press(phone, machine)
    phone.run(how)
    assert held(phone) == 0
    stops(machine)


def test_a_call_comes_in(phone: Phone, machine: Pretended) -> None:
    press(phone, machine)
    phone.lose()
    assert held(phone) == 0
    stops(machine)


def test_a_hidden_page_is_silent_and_does_not_go_on_by_itself(phone: Phone, machine: Pretended) -> None:
    hide = "Object.defineProperty(document, 'hidden', {value: %s, configurable: true});"
    phone.run(hide % "true" + "document.dispatchEvent(new Event('visibilitychange'))")

    def silent() -> bool:
        heard = machine.last_byte_us
        time.sleep(0.6)
        return machine.last_byte_us == heard

    wait(silent)  # what was on its way has come
    before = machine.last_byte_us
    phone.run(hide % "false" + "document.dispatchEvent(new Event('visibilitychange'))")
    time.sleep(0.4)
    assert machine.last_byte_us == before
    assert "Press Drive" in phone.text("said")


def test_by_mouse_and_by_keyboard(phone: Phone, machine: Pretended) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    button = phone.driver.find_element(By.CSS_SELECTOR, "[data-hold=back]")
    phone.run("arguments[0].focus()", button)
    ActionChains(phone.driver).key_down(Keys.SPACE).perform()
    wait(lambda: machine.body.modes["drive"] == "backward")
    ActionChains(phone.driver).key_up(Keys.SPACE).perform()
    stops(machine, b"$back*")
    ActionChains(phone.driver).key_down(Keys.ENTER).perform()
    wait(lambda: machine.body.modes["drive"] == "backward")
    phone.run("arguments[0].blur()", button)
    stops(machine, b"$back*")
    ActionChains(phone.driver).key_up(Keys.ENTER).perform()
    ActionChains(phone.driver).click_and_hold(button).perform()
    wait(lambda: machine.body.modes["drive"] == "backward")
    ActionChains(phone.driver).release().perform()
    stops(machine, b"$back*")
    before = len(machine.heard)
    ActionChains(phone.driver).send_keys(Keys.ESCAPE).perform()
    wait(lambda: any(b"$halt*" in data for _, data in list(machine.heard)[before:]))


def test_a_dial(phone: Phone, machine: Pretended) -> None:
    phone.run(
        "const d = document.getElementById('dial-pace'); d.value = 70; d.dispatchEvent(new Event('input'))"
    )
    wait(lambda: machine.body.view.dials["pace"] == 70)  # type: ignore[attr-defined]
    assert phone.text("dial-pace-is") == "70 %"


def test_faults_and_rows_are_shown(phone: Phone, machine: Pretended, bale_mover: Machine) -> None:
    from statecraft.bench.pretend import inputs_in

    machine.put(inputs_in(bale_mover, "tilt fault"))
    wait(lambda: "sensor fault" in phone.text("trouble"))
    machine.put(inputs_in(bale_mover, "tilt 0 deg"))
    phone.tap("[data-once=clamp]")
    wait(lambda: "clamp and drive in standing" in phone.text("did"))


def test_what_counters_stand_at_is_shown(phone: Phone) -> None:
    wait(lambda: re.fullmatch(r"bales \d+ · height \d+", phone.text("counters")))


def test_halt_is_in_reach_and_larger_than_the_rest(phone: Phone) -> None:
    for width, height in ((360, 640), (360, 740), (768, 1024), (1440, 900), (740, 360)):
        Phone(phone.browser, width, height)
        size = (
            "const r = document.querySelector(arguments[0]).getBoundingClientRect();"
            "return [r.width * r.height, r.left, r.top, r.right, r.bottom, innerWidth, innerHeight]"
        )
        area, left, top, right, bottom, wide, high = phone.run(size, "[data-halt]")
        assert 0 <= left < right <= wide and 0 <= top < bottom <= high
        others = phone.run(
            "return [...document.querySelectorAll('button:not([data-halt])')].map(e => "
            "e.getBoundingClientRect()).map(r => r.width * r.height)"
        )
        assert area > max(others)
        assert phone.run("return document.documentElement.scrollWidth") <= wide


def test_a_left_hand_is_kept(phone: Phone, address: str) -> None:
    x = "return document.querySelector('[data-hold=ahead]').getBoundingClientRect().left"
    right = phone.run(x)
    phone.run("document.querySelectorAll('details').forEach(d => d.open = true)")
    phone.tap("[data-keep=hand]")
    left = phone.run(x)
    phone.open(address)
    assert left != right and phone.run(x) == left
    phone.run("localStorage.clear()")


@pytest.mark.parametrize("name", ["bale_mover", "feed_pusher", "yard_gate"])
@pytest.mark.parametrize("night", [False, True], ids=["day", "night"])
def test_axe_finds_nothing(chromium: Browser, axe: str, tmp_path: Path, name: str, night: bool) -> None:
    machine = sample(name)
    for role in ("drive", "watch"):
        path = tmp_path / f"{role}.html"
        path.write_text(page(controls(machine), role), encoding="utf-8")  # type: ignore[arg-type]
        for width in (360,) if night else (360, 1440):
            chromium.show(path, width)
            for armed in ("no", "yes"):
                chromium.run(
                    "document.body.dataset.light = arguments[0]; document.body.dataset.armed = arguments[1];"
                    "document.querySelectorAll('details').forEach(d => d.open = true)", "night" if night else "", armed,
                )  # fmt: skip
                for state in ("off", "live", "lost", "late", "blind"):
                    chromium.run("document.getElementById('link').dataset.state = arguments[0]", state)
                chromium.run(axe)
                assert chromium.wait_for(COLOURS if night else VIOLATIONS) == []


def long_names() -> str:
    """A machine whose owner likes long words, and conditions."""
    name = "careful_way_to_the_far_alley_en"
    sensors = [f"distance_at_corner_{n}_of_the_bumper" for n in range(1, 5)]
    condition = " and ".join(f"{sensor} > 5{n} cm and not {sensor} fault" for n, sensor in enumerate(sensors))
    ranged = "".join(
        f"sensor {sensor} range, trigger {22 + 2 * n}, echo {23 + 2 * n}, 2 cm .. 400 cm, no echo reads far\n"
        for n, sensor in enumerate(sensors)
    )
    return f"""\
machine {name}_machine
board atmega2560
tick 10 ms
link operator serial1, 38400 baud, checked, silent after 400 ms, reports
command halt "halt", urgent, label "Stop all that moves now"
command beat "b"
command {name} "go", label "Donaudampfschifffahrt"
command {name}_again "ga"
dial {name}_pace "v", 20 % .. 80 %, starts 40 %
{ranged}motor near pwm 5, forward 52, reverse 53
mode {name}_is_over stop
mode {name}_goes_on near {name}_pace
failsafes
 in | when | go to
 any | halt | {name}_is_over
 {name}_goes_on | operator silent or {" or ".join(f"{sensor} fault" for sensor in sensors)} | {name}_is_over
rules
 in | when | go to
 {name}_is_over | {name}_again and {condition} | {name}_goes_on
 {name}_goes_on | {name} absent 500 ms | {name}_is_over
"""


def test_very_long_names_and_conditions(chromium: Browser, axe: str, tmp_path: Path) -> None:
    file = tmp_path / "long.modes"
    file.write_text(long_names())
    machine = read_file(str(file))
    with desk(machine) as pretended, bridge(file, pretended.place) as served:
        phone = Phone(chromium)
        phone.open(served.address)
        phone.drive()
        again = "[data-once$=_again]"
        for _ in range(20):
            phone.tap(again)
            if phone.run("return document.getElementById('did').children.length"):
                break
            time.sleep(1)
        wait(lambda: "bumper > 50 cm" in phone.text("did"))
        for width, height in ((360, 740), (740, 360), (768, 1024)):
            Phone(chromium, width, height)
            phone.run("document.querySelectorAll('details').forEach(d => d.open = true)")
            assert phone.run("return document.documentElement.scrollWidth") <= width
            cut = "filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.textContent)"
            assert phone.run(f"return [...document.querySelectorAll('button, .mode, li')].{cut}") == []
            left, top, right, bottom, high = phone.run(
                "const r = document.querySelector('[data-halt]').getBoundingClientRect();"
                "return [r.left, r.top, r.right, r.bottom, innerHeight]"
            )
            assert 0 <= left < right <= width and 0 <= top < bottom <= high
            phone.browser.run(axe)
            assert phone.browser.wait_for(VIOLATIONS) == []
        chromium.picture(tmp_path / "long.png", whole=False)


def test_a_dial_stands_where_a_row_has_put_it(chromium: Browser, tmp_path: Path) -> None:
    path = tmp_path / "barrow.modes"
    path.write_text(
        "machine barrow\nboard atmega2560\ntick 10 ms\nlink operator serial1, 9600 baud, plain, reports\n"
        'command roll "roll"\ndial pace "v", 20 % .. 80 %, starts 40 %\nmode parked stop\n'
        "rules\nin | when | go to | do\nparked | roll | stay | pace = 30 %\n"
    )
    with desk(read_file(str(path))) as barrow, bridge(path, barrow.place) as served:
        made = Phone(chromium)
        made.open(served.address)
        made.drive()
        assert made.text("dial-pace-is") == "40 %"
        made.tap("[data-once=roll]")
        wait(lambda: made.text("dial-pace-is") == "30 %")
        assert made.run("return document.getElementById('dial-pace').value") == "30"
