"""What outlasts the power: old or new, never rubbish, whenever the power fails; on the desk and on the chip."""

from __future__ import annotations

import ctypes
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from statecraft.boards import load
from statecraft.firmware import emit, wiring_findings
from statecraft.language import FileErrors, read_text
from statecraft.machine import Machine
from statecraft.proof.prove import prove
from statecraft.simulation import Simulation
from tests.firmware.rig import Rig, built
from tests.tools import need

need("g++")

BALER = """\
machine baler
board atmega328p
tick 10 ms
link operator serial0, 9600 baud, plain
command halt button, pin 7, on when low, urgent, settle 20 ms
command bale button, pin 8, on when low, settle 20 ms
dial depth "v", 0 .. 90, starts 30, kept
lamp done pin 13
counter bales 0 .. 999, starts 5, kept
counter side -3 .. 3, starts -3, kept, round
mode parked stop
mode full stop, done on
failsafes
 in | when | go to | do
 any | halt | parked |
rules
 in | when | go to | do
 parked | bales > 900 and depth > 20 and side > 0 | full |
 parked | bale | stay | bales + 1, side + 1
promise never bales > 950
promise never full and bales < 800
"""


def baler(text: str = BALER) -> Machine:
    return read_text(text, "baler.modes")


def test_it_is_read_and_starts_where_it_is_said_to() -> None:
    machine = baler()
    assert [thing.name for thing in machine.stored] == ["bales", "side", "depth"]
    simulation = Simulation(machine)
    assert (simulation.step().counters, simulation.view.dials) == ({"bales": 5, "side": -3}, {"depth": 30})
    with pytest.raises(FileErrors, match="says this twice"):
        baler(BALER.replace("starts 5, kept", "starts 5, kept, kept"))
    with pytest.raises(FileErrors, match='has "kept" twice'):
        baler(BALER.replace("starts 30, kept", "starts 30, kept, kept"))


def test_the_proof_starts_from_any_value() -> None:
    kept = prove(baler())
    assert [verdict.kept for verdict in kept.verdicts] == [False, True]
    run = kept.verdicts[0].run
    assert run is not None and run.ticks == 1 and dict(run.kept)["bales"] > 950


def test_a_board_without_an_eeprom_is_refused() -> None:
    (found,) = wiring_findings(baler(), replace(load("atmega328p"), eeprom_bytes=0))
    assert found.message == "bales, side and depth cannot be kept: board atmega328p has no EEPROM known of"
    (found,) = wiring_findings(baler(), replace(load("atmega328p"), eeprom_bytes=20))
    assert "takes 22 bytes of EEPROM, and atmega328p has 20" in found.message


EEPROM_H = """
#include <stdint.h>
extern uint8_t cells[1024];
extern int dies_in, torn;
inline bool eeprom_is_ready() { return dies_in != 0; }
inline uint8_t eeprom_read_byte(const uint8_t* at) { return cells[reinterpret_cast<uintptr_t>(at)]; }
inline void eeprom_write_byte(uint8_t* at, uint8_t value)
{
    uint8_t& cell = cells[reinterpret_cast<uintptr_t>(at)];
    if (dies_in > 0 && --dies_in == 0) {
        cell = torn < 0 ? cell : static_cast<uint8_t>(torn);  // the power fails while this byte is written
        return;
    }
    cell = value;
}
"""

DESK = """
#include "keeping.h"
#include "behaviour.h"
#include <avr/eeprom.h>
uint8_t cells[1024];
int dies_in = -1, torn = -1;
namespace behaviour {
static Kept now;
Kept kept() { return now; }
void recall(const Kept& kept) { now = kept; }
}
extern "C" void blank(uint8_t with) { memset(cells, with, sizeof cells); }
extern "C" void dies(int writes, int as) { dies_in = writes; torn = as; }
extern "C" int boot(int* values) {
    behaviour::now = {5, -3, 30};
    dies_in = -1;
    keeping::begin();
    values[0] = behaviour::now.bales; values[1] = behaviour::now.side; values[2] = behaviour::now.depth_dial;
    return 0;
}
extern "C" void live(int bales, int side, int depth, int ticks, int polls) {
    behaviour::now = {static_cast<int16_t>(bales), static_cast<int16_t>(side), static_cast<int16_t>(depth)};
    for (int i = 0; i < ticks; ++i) keeping::after_tick();
    for (int i = 0; i < polls; ++i) keeping::poll();
}
"""


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Callable[[], Any]:
    """Loads the compiled file anew: the memory is as after a reset, and the EEPROM as it was left."""
    folder = tmp_path_factory.mktemp("keeping")
    files = emit(baler(), load("atmega328p"))
    (folder / "avr").mkdir()
    (folder / "avr" / "eeprom.h").write_text(EEPROM_H.replace("#include", "#pragma once\n#include", 1))
    for name in ("keeping.cpp", "keeping.h", "behaviour.h"):
        (folder / name).write_text(files[name])
    (folder / "desk.cpp").write_text(DESK)
    standin = Path(__file__).parent / "standin"
    command = ["g++", "-std=c++11", "-shared", "-fPIC", "-Wall", "-Wextra", "-Werror", f"-I{folder}", f"-I{standin}"]
    sources = [str(folder / "keeping.cpp"), str(folder / "desk.cpp")]
    subprocess.run([*command, *sources, "-o", str(folder / "keeping.so")], check=True)
    library = ctypes.CDLL(str(folder / "keeping.so"))
    return lambda: library


LIFE = st.tuples(
    st.tuples(st.integers(0, 999), st.integers(-3, 3), st.integers(0, 90)),
    st.one_of(st.none(), st.integers(1, 14)),
    st.integers(-1, 255),
)
"""What is to be kept; after how many bytes the power fails, None for not; what it makes of the byte, -1 for nothing."""


@settings(max_examples=100, deadline=None)
@given(
    st.sampled_from([0, 255, 0xA5]),
    st.lists(LIFE, min_size=1, max_size=130),
)
def test_a_torn_write_leaves_the_old_or_the_new(
    desk: Callable[[], Any], blank: int, lives: list[tuple[tuple[int, int, int], int | None, int]]
) -> None:
    chip = desk()
    found = (ctypes.c_int * 3)()
    chip.blank(blank)
    chip.boot(found)
    old = (5, -3, 30)
    assert tuple(found) == old
    for new, dies, torn in lives:
        chip.dies(-1 if dies is None else dies, torn)
        chip.live(*new, 250, 20)
        chip.boot(found)
        assert tuple(found) in ((old, new) if dies is not None else (new,))
        old = tuple(found)  # type: ignore[assignment]


def test_every_byte_is_written_as_often_as_any_other(desk: Callable[[], Any]) -> None:
    chip = desk()
    found = (ctypes.c_int * 3)()
    chip.blank(255)
    chip.boot(found)
    places = 1024 // 11
    cells = (ctypes.c_uint8 * 1024).in_dll(chip, "cells")
    for number in range(places):
        chip.live(number % 900, 0, 30, 250, 20)
    marks = [cells[11 * place] for place in range(places)]
    assert marks == [0xA5] * places  # each place once
    chip.boot(found)
    assert found[0] == (places - 1) % 900


@pytest.mark.slow
def test_power_that_fails_at_any_moment_on_the_chip(tmp_path: Path) -> None:
    machine = baler(BALER.replace(" parked | bales > 900", " parked | bales > 990"))
    chance = Random(7)
    with Rig(machine, built(machine, tmp_path).elf) as rig:
        rig.run_ms(100)
        before, changes, kept = 5, 0, 0
        for _ in range(14):
            rig.chip.poke("_ZN7keepingL6waitedE", 1000)  # a second is over
            rig.press("bale", True)
            rig.run_ms(60)
            rig.press("bale", False)
            rig.run_ms(chance.choice([1, 5, 10, 20, 30, 45, 200]) + chance.random())
            after = rig.field("counter", "bales")
            assert after == before + 1
            rig.chip.reset()
            rig.run_ms(120)
            found = rig.field("counter", "bales")
            assert found in (before, after)
            changes, kept = changes + 1, kept + (found == after)
            before = found
        assert 0 < kept < changes
