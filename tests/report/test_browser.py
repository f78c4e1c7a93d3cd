"""The page in a real browser: at every width, light and dark, by keyboard, without scripts, on paper; and axe-core."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from statecraft.boards import load
from statecraft.findings import Finding, Hold, RowRef, Run, Stimulus
from statecraft.language import read_text
from statecraft.machine import Machine, ModeRef
from statecraft.report.page import Judged, page
from statecraft.report.table import grid, html
from statecraft.simulation import run_trial
from tests.report.browser import Browser
from tests.report.large import station, tangle
from tests.samples import SAMPLES, sample

pytestmark = pytest.mark.slow


VIOLATIONS = """
const done = arguments[arguments.length - 1];
axe.run(document, {resultTypes: ["violations"]}).then(
  found => done(found.violations.map(v => v.id + ": " + v.help + " " + v.nodes.map(n => n.html).join(" | "))));
"""

COLOURS = VIOLATIONS.replace("{resultTypes", "{runOnly: ['color-contrast'], resultTypes")
"""In the dark nothing but the colours is another."""


def write(folder: Path, machine: Machine, *found: Finding) -> Path:
    trials = [run_trial(machine, trial) for trial in machine.trials]
    path = folder / f"{machine.name}.html"
    path.write_text(page(machine, board=load(machine.board), proof=Judged(found), trials=trials), encoding="utf-8")
    return path


def faulty() -> tuple[Machine, list[Finding]]:
    """A machine that does not pass: findings with and without a run, and a trial that fails."""
    text = re.sub(r"expect +weigh within 50 ms", "expect parked", (SAMPLES / "feed_pusher.modes").read_text())
    machine = read_text(text, file="faulty.modes")
    assert not run_trial(machine, machine.trials[0]).passed
    readings = tuple((sensor.name, 2000 if sensor.name != "supply" else 7600) for sensor in machine.sensors)
    still = Stimulus(readings, (("bumper", False),), (), None, (), ())
    go = Stimulus(readings, (("bumper", False),), (), "patrol", (), ())
    run = Run((Hold(still, 2), Hold(go, 1), Hold(still, 6)), tail=2)
    part = machine.parts[0]
    cruise = ModeRef(machine.name, "cruise")
    return machine, [
        Finding("runaway", part.modes[5].place, "It drives on.", "Add a row.", cruise, run=run),
        Finding("shadowed", part.rows[9].place, "Never decides.", row=RowRef(machine.name, 9)),
    ]


@pytest.mark.parametrize("name", ["feed_pusher", "yard_gate", "bale_mover"])
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_axe_finds_nothing(chromium: Browser, axe: str, tmp_path: Path, name: str, dark: bool) -> None:
    path = write(tmp_path, sample(name))
    for width in (390, 1024, 1600) if name == "bale_mover" and not dark else (1024,):
        chromium.show(path, width, dark)
        chromium.run(axe)
        assert chromium.wait_for(COLOURS if dark else VIOLATIONS) == []


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_axe_finds_nothing_on_a_page_of_failures_and_on_the_tables_page(
    chromium: Browser, axe: str, tmp_path: Path, dark: bool
) -> None:
    machine, found = faulty()
    table = tmp_path / "table.html"
    table.write_text(html(machine), encoding="utf-8")
    for path in (write(tmp_path, machine, *found), table):
        chromium.show(path, 1024, dark)
        chromium.run(axe)
        assert chromium.wait_for(COLOURS if dark else VIOLATIONS) == []


def test_axe_would_have_found_something(chromium: Browser, axe: str, tmp_path: Path) -> None:
    path = tmp_path / "bad.html"
    path.write_text("<html><body><img src=''><p style='color:#999;background:#aaa'>pale</p></body></html>")
    chromium.show(path)
    chromium.run(axe)
    assert len(chromium.wait_for(VIOLATIONS)) >= 3
    assert len(chromium.wait_for(COLOURS)) == 1


@pytest.mark.parametrize("width", [390, 1024, 1600])
def test_nothing_sticks_out_of_the_window(chromium: Browser, tmp_path: Path, width: int) -> None:
    for machine in (sample("feed_pusher"), read_text(station(30, 3), file="station.modes")):
        chromium.show(write(tmp_path, machine), width)
        assert chromium.run("return document.documentElement.scrollWidth") <= width
        wide = "[...document.querySelectorAll('.wide')].map(e => e.getBoundingClientRect().right)"
        assert chromium.run(f"return {wide}.filter(right => right > innerWidth + 1).length") == 0


def test_labels_fit_what_was_reserved_for_them(chromium: Browser, tmp_path: Path) -> None:
    """The widths that the layout reckoned with are those that a browser draws: no text leaves its card or its tag."""
    for name in ("feed_pusher", "sump_pump", "yard_gate", "bale_mover"):
        chromium.show(write(tmp_path, sample(name)), 1600)
        script = """
        const out = [];
        for (const [holder, frame] of [['.card', '.body'], ['.tag', '.tag-body'], ['.label', '.label-ground']])
          for (const g of document.querySelectorAll('.diagram ' + holder)) {
            const around = g.querySelector(frame).getBoundingClientRect();
            for (const t of g.querySelectorAll(':scope > text')) {
              const r = t.getBoundingClientRect();
              if (r.left < around.left - 2 || r.right > around.right + 2 || r.bottom > around.bottom + 3)
                out.push(t.textContent);
            }
          }
        return out;"""
        assert chromium.run(script) == []


def test_without_scripts_a_mode_leads_to_all_that_is_said_of_it(chromium: Browser, tmp_path: Path) -> None:
    path = write(tmp_path, sample("feed_pusher"))
    chromium.show(path, 1024, scripts=False)
    chromium.driver.get(f"{path.as_uri()}#mode-feed_pusher-weigh")
    # The driver's own look at the page needs no script of the page's.
    from selenium.webdriver.common.by import By

    target = chromium.driver.find_element(By.CSS_SELECTOR, ".mode:target")
    assert "weigh" in target.text and "turns > 6" in target.text and "line 61" in target.text


def test_every_mode_can_be_reached_by_keyboard(chromium: Browser, tmp_path: Path) -> None:
    from selenium.webdriver.common.keys import Keys

    chromium.show(write(tmp_path, sample("sump_pump")), 1024)
    met = []
    for _ in range(40):
        chromium.driver.switch_to.active_element.send_keys(Keys.TAB)
        met.append(
            chromium.run(
                "const e = document.activeElement; return e.getAttribute('href') || e.getAttribute('aria-label') || ''"
            )
        )
    assert "Mode diagram" in met
    machine = sample("sump_pump")
    assert {f"#mode-sump_pump-{mode.name}" for mode in machine.parts[0].modes} <= set(met)
    chromium.driver.switch_to.active_element.send_keys(Keys.ENTER)


def test_light_and_dark_differ_and_paper_is_always_light(chromium: Browser, tmp_path: Path) -> None:
    path = write(tmp_path, sample("sump_pump"))
    ground = "return getComputedStyle(document.body).backgroundColor"
    seen = []
    for dark, printing in ((False, False), (True, False), (True, True)):
        chromium.show(path, 1024, dark, printing=printing)
        seen.append([int(part) for part in re.findall(r"\d+", chromium.run(ground))[:3]])
    light, dark_ground, paper = seen
    assert sum(light) > 700 > 150 > sum(dark_ground)
    assert paper == light


def test_it_prints_on_a_few_sheets(chromium: Browser, tmp_path: Path) -> None:
    chromium.show(write(tmp_path, sample("feed_pusher")), 1024)
    printed = chromium.pdf()
    assert printed.startswith(b"%PDF")
    pages = len(re.findall(rb"/Type\s*/Page[^s]", printed))
    assert 3 <= pages <= 14


def test_a_wide_table_shows_that_it_scrolls(chromium: Browser, tmp_path: Path) -> None:
    """There is a shade on the side where there is more, and none where there is not."""
    from PIL import Image

    chromium.show(write(tmp_path, sample("feed_pusher")), 390)

    def edges() -> tuple[int, int]:
        """How dark the left and the right edge of the first table are, from 0 to 255."""
        box = chromium.run(
            "const b = document.querySelector('.wide.sheet').getBoundingClientRect();"
            "return [b.left, b.right, b.bottom + scrollY]"
        )
        chromium.picture(tmp_path / "page.png")
        with Image.open(tmp_path / "page.png") as opened:
            shown = opened.convert("L")
        # Just above the lower edge, below the last row, there is nothing but the ground.
        y = int(box[2]) - 3
        return 255 - shown.getpixel((int(box[0]) + 2, y)), 255 - shown.getpixel((int(box[1]) - 3, y))

    left, right = edges()
    assert right > left + 40
    chromium.run("const s = document.querySelector('.wide.sheet'); s.scrollLeft = s.scrollWidth")
    left, right = edges()
    assert left > right + 40


def test_the_heads_of_a_table_stay_in_view(chromium: Browser, tmp_path: Path) -> None:
    chromium.show(write(tmp_path, read_text(station(60), file="station.modes")), 1024)
    seen = chromium.run("""
        const tall = [...document.querySelectorAll('.wide.sheet')].filter(s => s.scrollHeight > s.clientHeight + 40);
        return tall.map(s => {
          s.scrollTop = s.scrollHeight; s.scrollLeft = s.scrollWidth;
          const around = s.getBoundingClientRect(), head = s.querySelector('thead th').getBoundingClientRect();
          return [head.top - around.top, head.bottom - around.top, around.height];
        })""")
    assert len(seen) >= 2
    for top, bottom, high in seen:
        assert -1 <= top < bottom < high


def test_a_wide_table_prints_whole(chromium: Browser, tmp_path: Path) -> None:
    machine = read_text(station(30), file="station.modes")
    page_wide = round((297 - 2 * 10) / 25.4 * 96)  # A4 across, inside its margins
    chromium.show(write(tmp_path, machine), page_wide, printing=True)
    heads, rights = chromium.run("""
        const shown = [...document.querySelectorAll('table.grid')].filter(t => t.getClientRects().length);
        return [shown.flatMap(t => [...t.querySelectorAll('thead th')].slice(1).map(h => h.textContent)),
                shown.map(t => t.getBoundingClientRect().right)]""")
    assert heads == list(grid(machine, machine.parts[0]).triggers)
    assert max(rights) <= page_wide


@pytest.mark.parametrize("width", [390, 1024])
def test_long_titles_wrap(chromium: Browser, tmp_path: Path, width: int) -> None:
    text = (SAMPLES / "sump_pump.modes").read_text()
    text = text.replace('trial "a rainy night"', f'trial "{"once upon a rainy night " * 12}{"o" * 150}h"')
    text = re.sub(r"\bswitched_off\b", "switched_off_by_the_very_cautious_ownerx", text)
    chromium.show(write(tmp_path, read_text(text, file="long.modes")), width)
    assert chromium.run("return document.documentElement.scrollWidth") <= width
    assert (
        chromium.run("""
        return [...document.querySelectorAll('h1, h2, h3, summary')]
          .filter(e => e.getBoundingClientRect().right > innerWidth).map(e => e.textContent)""")
        == []
    )


@pytest.mark.parametrize("width", [390, 1600])
def test_axe_finds_nothing_on_a_page_of_what_was_not_proved_and_one_of_sheets(
    chromium: Browser, axe: str, tmp_path: Path, width: int
) -> None:
    machine, found = faulty()
    open_ = tmp_path / "open.html"
    open_.write_text(page(machine, proof=Judged(found, (), ("promise once halt: no time was left",))), encoding="utf-8")
    for path in (open_, write(tmp_path, read_text(tangle(30, 3), file="tangle.modes"))):
        chromium.show(path, width)
        chromium.run(axe)
        assert chromium.wait_for(VIOLATIONS) == []
