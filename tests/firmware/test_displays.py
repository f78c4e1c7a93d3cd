"""A display on the simulated chip: the owner's function is given the right values, at its own pace."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from statecraft.boards import load
from statecraft.boards.reader import load_file
from statecraft.fingerprint import fingerprint
from statecraft.firmware import WiringError, emit, hand_functions
from statecraft.firmware.folder import lacking
from statecraft.firmware.plan import plan, timed_by_hand
from statecraft.firmware.reports import Overran, Reader
from statecraft.firmware.wiring import cautions
from statecraft.language import read_text
from statecraft.machine import ShownValue
from statecraft.proof.checks.unused import unused
from statecraft.report import words
from tests.firmware.rig import Rig, built

WITHOUT = """\
machine gauge
board atmega328p
tick 10 ms
link operator serial0, 9600 baud, plain, silent after 500 ms, reports
command halt "h", urgent
command go "g"
dial limit "v", 20 .. 80, starts 40
sensor front range, trigger 7, echo 8, 2 cm .. 300 cm
sensor seen front, taken in on after 100 ms, patience 400 ms
switch lid pin 4, on when low
lamp lit pin 13
level near when front < 50 cm clears when front > 60 cm
counter turns 0 .. 900
mode off stop
mode on lit on
failsafes
  in | when | go to
  any | halt | off
rules
  in | when | go to | do
  off | go and near | on | turns + 1
  on | not near | off |
"""
VALUES = "mode, front, seen, seen fault, turns, near, lid, limit"
SCREEN = f"output screen by hand, shows {VALUES}, each 200 ms, takes at most 1 ms\n"
TEXT = WITHOUT.replace("lamp lit", SCREEN + "output tally by hand, shows front fault, each 50 ms\nlamp lit")

MINE = """\
#include "by_hand.h"
#include <Arduino.h>

volatile uint8_t calls, tallied, fault, bits;
volatile int16_t front, seen, turns;
volatile int8_t limit;
volatile uint32_t at_us;
volatile bool slow;
char mode[16];

namespace by_hand {
void begin() {}
void show_screen(const ScreenValues& values)
{
    ++calls;
    at_us = micros();
    for (uint8_t i = 0; i < sizeof values.mode; ++i) {
        mode[i] = values.mode[i];
    }
    front = values.front;
    seen = values.seen;
    turns = values.turns;
    limit = values.limit;
    bits = (values.front_fault ? 1 : 0) | (values.seen_fault ? 2 : 0) | (values.near ? 4 : 0) | (values.lid ? 8 : 0);
    if (slow) {
        slow = false;
        delay(25);
    }
}
void show_tally(const TallyValues& values)
{
    ++tallied;
    fault = values.front_fault;
}
}
"""


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory, chip_tools: None) -> Iterator[Rig]:
    machine = read_text(TEXT, "gauge.modes")
    made = built(machine, tmp_path_factory.mktemp("gauge"), by_hand=MINE)
    assert made.warnings == ""
    with Rig(machine, made.elf) as rig:
        rig.sensor("front", 2000)
        rig.run_ms(700)
        yield rig


def shown(rig: Rig) -> tuple[str, int, int, int]:
    return (
        rig.chip.peek("mode").split(b"\0")[0].decode(),
        rig.chip.value("turns", signed=True),
        rig.chip.value("limit", signed=True),
        rig.chip.value("bits"),
    )


def test_it_is_given_what_stands_at_the_end_of_a_tick(rig: Rig) -> None:
    assert shown(rig) == ("off", 0, 40, 2)  # never remembered: in fault
    assert abs(rig.chip.value("front") - 2000) <= 5
    rig.sensor("front", 400)
    rig.switch("lid", True)
    rig.run_ms(400)
    rig.hear("go")
    rig.send(rig.machine.links[0], b"v75\n")
    rig.run_ms(600)
    assert shown(rig) == ("on", 1, 75, 4 + 8)
    assert abs(rig.chip.value("seen") - 400) <= 5 and rig.chip.value("front") == rig.chip.value("seen")
    rig.sensor("front", "dead")
    rig.run_ms(1300)
    assert shown(rig) == ("on", 1, 75, 1 + 2 + 4 + 8)
    assert rig.chip.value("fault") == 1


def test_it_is_called_at_its_own_pace_and_not_in_made_up_ticks(rig: Rig) -> None:
    before, tallied = rig.chip.value("calls"), rig.chip.value("tallied")
    rig.run_ms(2000)
    assert rig.chip.value("calls") - before == 10
    assert rig.chip.value("tallied") - tallied == 40
    rig.chip.sent(0)
    while rig.chip.value("calls") == before + 10:
        rig.run_ms(1)
    began = rig.chip.value("at_us")
    rig.chip.poke("slow", 1)
    rig.run_ms(390)
    assert rig.chip.value("calls") - before == 12
    # two ticks are made up behind the slow call; they count, and the next call comes when it is due
    assert abs(rig.chip.value("at_us") - began - 200_000) < 1000
    rig.run_ms(100)
    assert rig.chip.value("calls") - before == 13
    assert abs(rig.chip.value("at_us") - began - 400_000) < 1000
    slow = [report for report in Reader().feed(rig.chip.sent(0)) if isinstance(report, Overran)]
    assert [timed_by_hand(rig.machine)[each.thing][0] for each in slow] == ["screen"]
    assert 25_000 <= slow[0].us < 26_000


def test_it_changes_nothing_and_what_it_shows_is_used() -> None:
    machine, bare = read_text(TEXT, "gauge.modes"), read_text(WITHOUT, "gauge.modes")
    board = load("atmega328p")
    with_it, without = emit(machine, board), emit(bare, board)
    rows = [[line for line in text["behaviour.cpp"].splitlines() if "//" not in line] for text in (with_it, without)]
    assert rows[0] == rows[1]
    assert "displays" not in without["ticks.cpp"] and "displays.cpp" not in without
    assert fingerprint(machine) != fingerprint(bare)
    assert [finding.subject for finding in unused(bare)] == ["limit", "seen", "lid"]
    assert unused(machine) == []
    assert machine.displays[0].shows[:4] == (
        ShownValue("mode", "gauge"), ShownValue("sensor", "front"),
        ShownValue("sensor", "seen"), ShownValue("fault", "seen"),
    )  # fmt: skip


def test_the_paperwork_has_it() -> None:
    machine, board = read_text(TEXT, "gauge.modes"), load("atmega328p")
    assert words.display(machine, machine.displays[1]) == (
        "shows front fault by a function of your own, every 50 ms"
    )
    assert any("by hand (screen, tally)" in caution for caution in cautions(machine, board))
    assert lacking(MINE, hand_functions(machine)) == ((), ())
    other = MINE.replace("show_tally", "show_telly")
    assert lacking(other, hand_functions(machine)) == (("show_tally",), ("show_telly",))
    header = emit(machine, board)["by_hand.h"]
    assert "void show_screen(const ScreenValues& values);" in header
    assert "called every 200 ms, from tick 0 on, but not in made-up ticks" in header
    assert "// The reading of front in mm; it means nothing in fault." in header


def test_what_it_takes_is_counted() -> None:
    machine = read_text(TEXT.replace("takes at most 1 ms", "takes at most 11 ms"), "gauge.modes")
    with pytest.raises(WiringError, match=r"what is by hand takes 11 ms of a tick of 10 ms \(screen 11 ms\)"):
        emit(machine, load("atmega328p"))
    (finding,) = plan(machine, load("atmega328p")).findings
    assert machine.line(finding.place).startswith("output screen")


def test_several_parts_show_a_mode_each_and_a_board_of_unknown_make_has_them_too() -> None:
    parts = "part lid\nmode shut stop\npart pump\nmode resting stop\n"
    text = re.sub(r"(?m)^(link|command|dial|sensor|level|switch).*\n", "", WITHOUT.split("counter")[0]) + parts
    text = text.replace("lamp lit pin 13", "output screen by hand, shows mode of pump, each 1 s")
    machine = read_text(text, "gauge.modes")
    made = emit(machine, load_file(Path(__file__).parents[2] / "samples" / "boards" / "three_volt.toml"))
    assert "char pump_mode[8];" in made["by_hand.h"]
    assert '"resting",' in made["displays.cpp"]
