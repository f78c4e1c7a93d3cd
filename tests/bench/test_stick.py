"""The stick for two numbers of one message: by finger, mouse and keys, and every way of letting go."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from statecraft.bench.controls import controls
from statecraft.bench.live import Live
from statecraft.bench.pretend import Pretended
from statecraft.bench.remote import page as remote_page
from statecraft.bench.table_top import TableTop
from statecraft.language import read_file
from statecraft.machine import Machine
from statecraft.simulation import run_trial
from tests.bench.rig import Phone, bridge, desk, served, wait
from tests.report.browser import Browser
from tests.report.test_browser import VIOLATIONS

TEXT = """\
machine log_hauler
board atmega2560
tick 10 ms
link operator serial1, 38400 baud, checked, silent after 400 ms, reports
command halt "halt", urgent
command beat "b"
command go "g"
dial ahead, aside "j", -100 % .. 100 %
dial gain "k", 10 % .. 80 %, starts 40 %
dial reach, lean "x", 5 cm .. 9 cm, -10 deg .. 0 deg, starts 6 cm, starts -1 deg
dial one, two, three "y", 0 .. 5
motor near pwm 5, forward 22, reverse 23
motor far pwm 6, forward 24, reverse 25
mode still stop
mode going near ahead, far aside
mode slow near gain
failsafes
 in | when | go to
 any | halt | still
 any but still | operator silent | still
rules
 in | when | go to
 still | go and reach > 5 cm and lean < 0 deg and one + 2 > two and three < 6 | going
 going | go | slow
"""


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("stick") / "log_hauler.modes"
    path.write_text(TEXT)
    return path


@pytest.fixture(scope="module")
def hauler(file: Path) -> Machine:
    return read_file(str(file))


@pytest.fixture(scope="module")
def machine(hauler: Machine) -> Iterator[Pretended]:
    with desk(hauler) as made:
        yield made


@pytest.fixture(scope="module")
def address(file: Path, machine: Pretended) -> Iterator[str]:
    with bridge(file, machine.place) as process:
        yield process.address


@pytest.fixture
def phone(chromium: Browser, address: str) -> Iterator[Phone]:
    made = Phone(chromium)
    made.open(address)
    made.drive()
    yield made
    if made.fingers:
        made.lose()


PLATE = "#stick-ahead"


def dials(machine: Pretended) -> tuple[int, int]:
    found = machine.body.view.dials  # type: ignore[attr-defined]
    return found["ahead"], found["aside"]


def away(machine: Pretended) -> None:
    wait(lambda: dials(machine) != (0, 0))


def test_which_dials_are_on_a_stick(hauler: Machine) -> None:
    found = controls(hauler)
    assert [(stick.up.name, stick.across.name) for stick in found.sticks] == [("ahead", "aside"), ("reach", "lean")]
    assert [dial.name for dial in found.sliders] == ["gain", "one", "two", "three"]
    assert all(40 <= stick.every_ms <= 133 for stick in found.sticks)
    assert found.share_of_line > 12 * 10_000 / 38400 / 133
    assert len(remote_page(found).encode()) < 60_000


@pytest.mark.slow
def test_it_follows_a_finger_and_springs_back(phone: Phone, machine: Pretended) -> None:
    phone.down(PLATE)
    x, y = phone.fingers[1]
    half = float(phone.run("return document.querySelector(arguments[0]).getBoundingClientRect().width / 2", PLATE))
    phone.move(half * 0.5, -half)
    wait(lambda: dials(machine) == (100, 50))
    assert "ahead 100 %, aside 50 %" in phone.text("stick-ahead-is")
    said = [data for _, data in list(machine.heard) if b"$j100,50*" in data]
    # held still, it is said on, and the machine does not take it for gone
    wait(lambda: len([data for _, data in list(machine.heard) if b"$j100,50*" in data]) > len(said))
    phone.move(-half * 3, half * 3)  # beyond its rim
    wait(lambda: dials(machine) == (-100, -100))
    phone.up()
    wait(lambda: dials(machine) == (0, 0))
    before = len(machine.heard)
    assert phone.text("stick-ahead-is") == "ahead 0 %, aside 0 %"
    time.sleep(0.5)
    after = [data for _, data in list(machine.heard)[before:]]
    assert not any(b"$j-100" in data for data in after)
    assert (x, y) != phone.fingers.get(1)


@pytest.mark.slow
@pytest.mark.parametrize(
    "how",
    [
        "dispatchEvent(new Event('blur'))",
        "dispatchEvent(new Event('pagehide'))",
        "document.dispatchEvent(new Event('freeze'))",
        "document.dispatchEvent(new PointerEvent('lostpointercapture', {pointerId: window.last, bubbles: true}))",
        "document.querySelector('#stick-ahead').blur()",
    ],
    ids=["focus", "page", "frozen", "pointer", "its own focus"],
)
def test_every_way_of_letting_go(phone: Phone, machine: Pretended, how: str) -> None:
    phone.run("addEventListener('pointerdown', e => { window.last = e.pointerId }, true)")
    phone.down(PLATE)
    phone.move(30, -60)
    away(machine)
    phone.run(how)
    # A page that is left gives up its seat, too: then there is silence, whether or not its last word got through.
    wait(lambda: dials(machine) == (0, 0) or machine.now_us - machine.last_byte_us > 450_000)
    assert phone.run("return document.querySelectorAll('[data-on]').length") == 0


@pytest.mark.slow
def test_a_call_comes_in_or_a_second_finger(phone: Phone, machine: Pretended) -> None:
    phone.down(PLATE)
    phone.move(0, -60)
    away(machine)
    phone.lose()
    wait(lambda: dials(machine) == (0, 0))
    phone.down(PLATE)
    phone.move(0, -60)
    away(machine)
    phone.down(PLATE, finger=2)
    wait(lambda: dials(machine) == (0, 0))


@pytest.mark.slow
def test_halt_goes_out_before_it_says_that_it_is_let_go(phone: Phone, machine: Pretended) -> None:
    phone.down(PLATE)
    phone.move(0, -60)
    away(machine)
    before = len(machine.heard)
    phone.down("[data-halt]", finger=2)
    wait(lambda: dials(machine) == (0, 0))
    said = b"".join(data for _, data in list(machine.heard)[before:])
    since = said[said.rindex(b"$halt*", 0, said.index(b"$j0,0*")) :]
    assert b"$j" in since and since.index(b"$halt*") < since.index(b"$j0,0*")


@pytest.mark.slow
def test_by_mouse_and_by_arrow_keys(phone: Phone, machine: Pretended) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    plate = phone.driver.find_element(By.CSS_SELECTOR, PLATE)
    phone.middle(PLATE)  # where it is seen
    ActionChains(phone.driver).click_and_hold(plate).move_by_offset(0, 50).perform()
    wait(lambda: dials(machine)[0] < 0)
    ActionChains(phone.driver).release().perform()
    wait(lambda: dials(machine) == (0, 0))

    def keys(wanted: tuple[int, int], *names: str) -> None:
        """Hold them until it is there. A computer so busy that nothing comes back for a while ends the hold: again."""
        for _ in range(30):
            phone.drive_again()
            phone.run("arguments[0].focus()", plate)
            for name in names:
                ActionChains(phone.driver).key_down(name).perform()
            with suppress(AssertionError):
                return wait(lambda: dials(machine) == wanted, 4)
            for name in names:
                ActionChains(phone.driver).key_up(name).perform()
        raise AssertionError(dials(machine))

    keys((100, 0), Keys.ARROW_UP)
    ActionChains(phone.driver).key_up(Keys.ARROW_UP).perform()
    wait(lambda: dials(machine) == (0, 0))
    keys((100, -100), Keys.ARROW_UP, Keys.ARROW_LEFT)
    ActionChains(phone.driver).key_up(Keys.ARROW_UP).perform()  # that axis springs back, the other is held on
    wait(lambda: dials(machine) in ((0, -100), (0, 0)))
    ActionChains(phone.driver).key_up(Keys.ARROW_LEFT).perform()
    wait(lambda: dials(machine) == (0, 0))


@pytest.mark.slow
def test_left_handed_and_its_looks(phone: Phone, address: str, axe: str) -> None:
    x = "return document.querySelector('#stick-ahead').getBoundingClientRect().left"
    for size in ((768, 1024), (740, 360)):
        Phone(phone.browser, *size)
        phone.run("document.body.dataset.hand = ''")
        right = phone.run(x)
        phone.run("document.body.dataset.hand = 'left'")
        assert phone.run(x) != right
    Phone(phone.browser, 360, 740)
    assert phone.run("return document.documentElement.scrollWidth") <= 360
    phone.browser.run(axe)
    assert phone.browser.wait_for(VIOLATIONS) == []


@pytest.mark.slow
def test_on_the_bench(chromium: Browser, file: Path) -> None:
    with served("bench", file) as process:
        page = Phone(chromium, 1280, 1200)
        page.open(process.address)
        wait(lambda: page.text("mode-log_hauler") == "still")
        page.run("document.querySelector(arguments[0]).click()", "#run")
        for _ in range(12):  # a page that stands still for 400 ms is a silent operator, and the machine stands
            page.tap("[data-hear=go]")
            with suppress(AssertionError):
                wait(lambda: page.text("mode-log_hauler") == "going", 5)
                page.down(PLATE)
                page.move(0, -60)
                wait(lambda: page.text("is-near") not in ("0 %", ""), 5)
                break
            if page.fingers:
                page.up()
        assert page.fingers
        page.up()
        wait(lambda: page.text("is-near") == "0 %")


def test_numbers_of_one_message_on_the_bench_are_saved_as_one(file: Path, hauler: Machine) -> None:
    top = TableTop(str(file), lambda _: "")
    top.do('{"do": "step", "value": 9}')
    for numbers in ("[10, 20]", "[30, -40]"):
        top.do(f'{{"do": "stick", "name": "ahead", "value": {numbers}}}')
    top.do('{"do": "stick", "name": "ahead", "value": [1]}')
    top.do('{"do": "stick", "name": "gain", "value": [1, 2]}')
    top.do('{"do": "step", "value": 9}')
    assert "at 100 ms ahead 30 %, aside -40 %\n" in top.live.trial("x")
    live: Live = top.live
    assert live.view.dials["ahead"] == 30 and live.view.dials["aside"] == -40
    file2 = file.with_name("again.modes")
    file2.write_text(TEXT + live.trial("by hand"))
    again = read_file(str(file2))
    assert run_trial(again, again.trials[0]).trace[-1].dials["aside"] == -40
