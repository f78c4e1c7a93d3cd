"""The owner's own functions: one place for them, libraries, what they are told, how long they take."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from statecraft.api.making import make
from statecraft.boards import load
from statecraft.boards.reader import load_file
from statecraft.cli.upload import command as upload
from statecraft.firmware import BuildFailed, build, emit
from statecraft.firmware.folder import FolderError
from statecraft.firmware.reports import Overran, Reader
from statecraft.firmware.sketch import owners_place, unwritten, write_sketch
from statecraft.firmware.writer import hand_functions
from statecraft.language import read_file, read_text
from statecraft.machine import Machine
from statecraft.proof.judgement import judge
from statecraft.report.drawing import page_of
from tests.firmware.rig import Rig, built

TEXT = """\
machine gauge
board atmega328p
tick 10 ms
link operator serial0, 9600 baud, plain, silent after 500 ms, reports
command halt "h", urgent
sensor front range, trigger 7, echo 8, 2 cm .. 300 cm
sensor tilt by hand, 0 deg .. 90 deg, takes at most 1 ms
lamp lit pin 6
mode off stop
mode on lit on
failsafes
  in | when | go to
  any | halt | off
rules
  in | when | go to
  off | tilt > 45 deg and front > 1 m | on
"""

MINE = """\
#include "by_hand.h"
#include <Arduino.h>
namespace by_hand {
void begin() { EXTRA }
bool read_tilt(int16_t& value)
{
    value = behaviour::state().mode == behaviour::Mode::off ? 500 : 100;
    CALL
    return true;
}
}
"""


@pytest.fixture
def gauge(tmp_path: Path) -> Machine:
    (tmp_path / "gauge.modes").write_text(TEXT)
    return read_file(str(tmp_path / "gauge.modes"))


def test_what_is_by_hand_stands_in_one_place_whichever_sketch_it_goes_into(gauge: Machine, tmp_path: Path) -> None:
    first = write_sketch(gauge, tmp_path / "a" / "gauge")
    place = owners_place(gauge)
    assert first.owners == place == tmp_path / "gauge_by_hand.cpp"
    assert first.notes == (f"by hand: {place}",)
    place.write_text(MINE.replace("CALL", "").replace("EXTRA", "") + "// mine\n")
    second = write_sketch(gauge, tmp_path / "b" / "gauge")
    for folder in (second.folder, write_sketch(gauge, first.folder).folder):
        copy = (folder / "owners.cpp").read_text()
        assert "// mine" in copy
        assert "Change gauge_by_hand.cpp" in copy
        assert not (folder / "by_hand.cpp").exists()
    assert place.read_text().endswith("// mine\n")


def test_what_an_earlier_sketch_has_is_taken_over_and_two_places_are_refused(gauge: Machine, tmp_path: Path) -> None:
    folder = tmp_path / "gauge"
    write_sketch(gauge, folder, keep=False)
    assert not owners_place(gauge).exists()
    (folder / "by_hand.cpp").write_text(MINE)
    write_sketch(gauge, folder)
    assert owners_place(gauge).read_text() == MINE
    assert not (folder / "by_hand.cpp").exists()
    (folder / "by_hand.cpp").write_text("something else")
    with pytest.raises(FolderError, match="two places that differ"):
        write_sketch(gauge, folder)
    assert (folder / "by_hand.cpp").read_text() == "something else"


def test_a_mistake_in_it_is_told_in_the_owners_own_file(gauge: Machine, tmp_path: Path, chip_tools: None) -> None:
    owners_place(gauge).write_text(MINE.replace("CALL", "oops;").replace("EXTRA", ""))
    folder = write_sketch(gauge, tmp_path / "gauge").folder
    with pytest.raises(BuildFailed, match=r"gauge_by_hand\.cpp:8:5: error"):
        build(folder, load("atmega328p"), tmp_path / "out")


def test_libraries_of_the_core_can_be_used(tmp_path: Path, chip_tools: None) -> None:
    machine = read_text(TEXT.replace("tick 10 ms", 'tick 10 ms\nlibrary "Wire"\nlibrary "SPI"'), "gauge.modes")
    mine = "#include <Wire.h>\n#include <SPI.h>\n" + MINE.replace("EXTRA", "Wire.begin(); SPI.begin();")
    made = built(machine, tmp_path, by_hand=mine.replace("CALL", "Wire.requestFrom(104, 1); value = Wire.read();"))
    assert made.flash > 5000
    other = read_text(TEXT.replace("tick 10 ms", 'tick 10 ms\nlibrary "Wyre"'), "gauge.modes")
    with pytest.raises(BuildFailed, match=r'library "Wyre" is not installed.*Wire'):
        built(other, tmp_path / "other", by_hand=MINE.replace("EXTRA", "").replace("CALL", ""))


def test_tone_beside_a_ranger_is_told_as_what_it_is(tmp_path: Path, chip_tools: None) -> None:
    with pytest.raises(BuildFailed, match=r"two things want the same interrupt .* tone\(\) does, beside rangers"):
        mine = MINE.replace("EXTRA", "tone(9, 440);").replace("CALL", "")
        built(read_text(TEXT, "gauge.modes"), tmp_path, by_hand=mine)


def test_the_header_says_what_the_sketch_takes() -> None:
    header = emit(read_text(TEXT, "gauge.modes"), load("atmega328p"))["by_hand.h"]
    said = " ".join(header.split())
    assert "Pins: 7 (trigger of front), 8 (echo of front), 6 (lamp lit)" in said
    assert "Timer 2: the rangers" in said and "Timer 0: the core's clock" in said
    assert "tone() needs timer2, which is taken" in said
    assert "bool say(const char* text);" in said


def test_it_may_say_a_line_and_taking_too_long_is_reported(tmp_path: Path, chip_tools: None) -> None:
    machine = read_text(TEXT, "gauge.modes")
    call = 'static uint8_t n; if (++n == 50) { say("fifty > forty"); } if (n == 100) { delayMicroseconds(2500); }'
    made = built(machine, tmp_path, by_hand=MINE.replace("EXTRA", "").replace("CALL", call))
    with Rig(machine, made.elf) as rig:
        rig.sensor("front", 2000)
        rig.run_ms(700)
        assert rig.mode() == "on"
        rig.run_ms(2600)
        told = rig.chip.sent(0)
        assert b"fifty ) forty\r\n" in told
        slow = [report for report in Reader().feed(told) if isinstance(report, Overran)]
        assert slow and slow[0].thing == 0
        assert 2500 <= slow[0].us <= 2700


def test_what_is_still_as_it_was_begun_is_told_until_its_line_is_taken_out(gauge: Machine, tmp_path: Path) -> None:
    told = "read_tilt is not written yet: tilt stays in fault"
    assert unwritten(gauge, load("atmega328p")) == (told,)  # nothing is begun yet
    first = write_sketch(gauge, tmp_path / "a" / "gauge")
    assert first.unwritten == (told,)
    assert first.unwritten_told[0].startswith(f"gauge_by_hand.cpp: {told}")
    assert f"// BY HAND: {told}.\n" in (first.folder / "gauge.ino").read_text()
    place = owners_place(gauge)
    begun = place.read_text()
    assert begun.count("// read_tilt: not written yet") == 1 and "begin: not written" not in begun
    place.write_text(begun.replace("return false;", "value = 7;\n    return true;"))  # but the line stands
    assert write_sketch(gauge, tmp_path / "a" / "gauge").unwritten == (told,)
    place.write_text(begun.replace("    // read_tilt: not written yet\n", ""))  # never there, on purpose
    assert write_sketch(gauge, tmp_path / "a" / "gauge").unwritten == ()
    assert "BY HAND" not in (first.folder / "gauge.ino").read_text()
    assert unwritten(gauge, load("atmega328p")) == ()


def test_each_kind_of_thing_by_hand_says_what_is_so_until_it_is_written() -> None:
    text = TEXT.replace(
        "lamp lit pin 6",
        "switch lid by hand\ncommand beam by hand\noutput jaw by hand, 0 % .. 9 %, rest 0 %\n"
        "output screen by hand, shows tilt, each 200 ms\nlamp lit pin 6",
    )
    found = {each.name: each.until for each in hand_functions(read_text(text, "gauge.modes"))}
    assert found == {
        "begin": "",
        "read_tilt": "tilt stays in fault",
        "read_lid": "lid is never on",
        "came_beam": "beam never comes",
        "drive_jaw": "nothing drives jaw",
        "show_screen": "screen shows nothing",
    }


@pytest.mark.slow
def test_make_is_not_ready_and_upload_and_the_page_say_so(gauge: Machine, tmp_path: Path, chip_tools: None) -> None:
    told = "gauge_by_hand.cpp: read_tilt is not written yet: tilt stays in fault"
    made = make(gauge, tmp_path / "out")
    assert made.status == 1
    assert [(step.name, step.told[: len(told)]) for step in made.steps if step.passed is False] == [("by hand", told)]
    file, out = str(tmp_path / "gauge.modes"), str(tmp_path / "out")
    assert f"Not ready: {told}" in CliRunner().invoke(upload, [file, "--dry-run", "-o", out]).output
    page = page_of(gauge, judge(gauge, 5), (), compile=False)
    assert "By hand: read_tilt is not written yet: tilt stays in fault." in page
    owners_place(gauge).write_text(MINE.replace("CALL", "").replace("EXTRA", ""))
    assert make(gauge, tmp_path / "out").status == 0
    assert "Not ready" not in CliRunner().invoke(upload, [file, "--dry-run", "-o", out]).output
    assert "By hand:" not in page_of(gauge, judge(gauge, 5), (), compile=False)


def test_a_board_of_unknown_make_gets_its_watchdog_from_its_owner(tmp_path: Path) -> None:
    boards = Path(__file__).parents[2] / "samples" / "boards"
    board = load_file(boards / "three_volt.toml")
    assert board.generic
    lamp = 'machine lone\nboard "three_volt.toml"\ntick 10 ms\nsensor s by hand, 0 .. 9\nlamp lit pin 13\n'
    lamp += "mode off stop\nmode on lit on\nrules\n in | when | go to\n off | s > 3 | on\n"
    (tmp_path / "three_volt.toml").write_text((boards / "three_volt.toml").read_text())
    (tmp_path / "lone.modes").write_text(lamp)
    machine = read_file(str(tmp_path / "lone.modes"))
    made = write_sketch(machine, tmp_path / "out" / "lone")
    assert [told.split()[0] for told in made.unwritten] == ["read_s", "start_watchdog", "feed_watchdog"]
    assert made.unwritten[1].endswith("nothing guards the loop")
    place = owners_place(machine)
    place.write_text(place.read_text().replace("// start_watchdog: not written yet", "kick();").replace(
        "// feed_watchdog: not written yet", "kick();").replace("// read_s: not written yet", ""))  # fmt: skip
    assert write_sketch(machine, tmp_path / "out" / "lone").unwritten == ()
    assert "kick();" in place.read_text()
