"""The remote as a file: small, whole, and safe to open."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from statecraft.bench.controls import NoRemote, controls
from statecraft.bench.remote import SCRIPTS, page, radios, script
from statecraft.bench.table_top import LIVE_SCRIPTS, PORT_SCRIPTS
from statecraft.fingerprint import short
from statecraft.language import read_text
from statecraft.resources import folder
from tests.report.large import station
from tests.samples import PATHS, SAMPLES, machine_in

TEMPLATES = folder("templates") / "bench"
MOST = 60_000


def data(text: str) -> dict[str, object]:
    found = re.search(r'<script type="application/json" id="machine">(.*?)</script>', text, re.S)
    assert found is not None
    return dict(json.loads(found[1]))


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_it_is_small_and_needs_nothing_else(path: Path) -> None:
    machine = machine_in(path)
    try:
        found = controls(machine)
    except NoRemote:
        return
    for role in ("drive", "watch"):
        text = page(found, role)  # type: ignore[arg-type]
        assert len(text.encode()) < MOST
        assert not re.search(r"""(src|href)=|url\(|@import|https?://""", text)
        assert data(text)["table"] == short(machine)
    assert str(path) not in page(found)


def test_a_large_machine_is_told_by_lines() -> None:
    machine = read_text(station(60, 6), file="station.modes")
    text = page(controls(machine))
    assert len(text.encode()) < MOST


def test_what_the_file_says_cannot_leave_its_place() -> None:
    text = (SAMPLES / "feed_pusher.modes").read_text()
    text = text.replace('"c"  ', '"c", label "</script><b>&hey", held ', 1)
    machine = read_text(text, "pusher.modes")
    label = machine.command("creep").label
    assert label == "</script><b>&hey"
    made = page(controls(machine))
    assert "<b>" not in made and "&lt;/script&gt;&lt;b&gt;&amp;hey" in made
    assert made.count("</script>") == 2


@pytest.mark.parametrize("modules", [SCRIPTS, LIVE_SCRIPTS, PORT_SCRIPTS], ids=["remote", "bench", "bench at a port"])
def test_the_modules_stand_together_as_one(modules: tuple[str, ...]) -> None:
    joined = script(modules)
    imported = re.findall(r'from "\./(\w+)\.js"', "".join((TEMPLATES / f"{each}.js").read_text() for each in modules))
    assert set(imported) <= set(modules)
    assert not re.search(r"(?m)^(import|export) ", joined)
    names = re.findall(r"(?m)^(?:async )?(?:function|class|const|let) (\w+)", joined)
    assert len(names) == len(set(names))


def test_radios_are_known_by_whole_identifiers() -> None:
    whole = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")
    for radio in radios():
        assert all(whole.fullmatch(each) for each in radio.values())
    assert len({radio["service"] for radio in radios()}) == len(radios()) >= 3


def test_places_and_labels() -> None:
    text = (SAMPLES / "feed_pusher.modes").read_text()
    text = text.replace('"c"  ', '"c", label "slowly", place top ', 1).replace('"z"  ', '"z", place bottom ', 1)
    made = page(controls(read_text(text, "pusher.modes")))
    assert 'class="cross"' in made and 'class="held top"' in made and "<span>slowly</span>" in made


def test_rows_that_set_a_dial_tell_the_page_so() -> None:
    machine = read_text(
        'machine barrow\nboard atmega2560\ntick 10 ms\nlink operator serial1, 9600 baud, plain, reports\n'
        'command roll "roll"\ndial pace "v", 20 % .. 80 %, starts 40 %\ndial reach "w", 10 cm .. 90 cm, starts 20 cm\n'
        "mode parked stop\nrules\nin | when | go to | do\nparked | roll | stay | pace = 30 %, reach = 40 cm\n"
        "parked | pace > 50 % | stay |\n"
    )
    (part,) = data(page(controls(machine)))["parts"]  # type: ignore[misc]
    assert part["rows"] == [[-1, "roll", {"pace": 30, "reach": 40}], [-1, "pace > 50 %"]]
