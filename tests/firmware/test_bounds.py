"""Bounds by a program's own instructions are never under what is measured; a stack without room is refused."""

from __future__ import annotations

import subprocess
import tempfile
from array import array
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from random import Random

import pytest

from statecraft.agreement.agree import trials
from statecraft.agreement.budget import Bench, bench_program, columns
from statecraft.agreement.inputs import Streams
from statecraft.agreement.random_sequences import sequence
from statecraft.api import making
from statecraft.boards import Board, load
from statecraft.firmware import BuildFailed, worst_case
from statecraft.firmware.behaviour import behaviour_files
from statecraft.firmware.bounds import STEP, Disassembly, NoBound, plain
from statecraft.firmware.desk import desk_source
from statecraft.firmware.layout import layout
from statecraft.firmware.toolchain import Built, disassembled, find_toolchain, vector_names
from statecraft.firmware.walk import ARGUMENT, Walk, each, only, span
from statecraft.firmware.worst_case import NOW, StepBound, interrupts, known_bytes, worst_step
from statecraft.language import read_text
from statecraft.machine import Machine
from tests.firmware.rig import Rig, built
from tests.random_machines import random_text
from tests.samples import PATHS, machine_in


@dataclass(frozen=True)
class Steps:
    """Cycles of a step on the ATmega2560.

    Attributes:
        bound: by its instructions.
        measured: the most over the machine's trials and inputs at random.
        mixed: the most where the state before each step is put together from those of different ticks, each of its
            small numbers any that it may be: so that what takes long is met without being led there. 0: not asked.
    """

    bound: StepBound
    measured: int
    mixed: int = 0


def steps_of(machine: Machine, seeds: int, ticks: int, mixed: int = 0) -> Steps:
    """The bound of a step, and what steps took: over courses of ``ticks`` ticks, and from ``mixed`` mixed states."""
    board, words = load("atmega2560"), Streams(machine)
    with tempfile.TemporaryDirectory() as folder:
        files = behaviour_files(machine, "// x") | {"desk.cpp": desk_source(machine)}
        made = bench_program(machine.name, files, columns(machine), board, Path(folder))
        program = disassembled(find_toolchain(), made.elf, board)
        bound = worst_step(program, machine)
        with Bench(machine, made, board) as bench:
            for inputs in (*trials(machine), *(sequence(machine, seed, ticks) for seed in range(seeds))):
                bench.run(words.of(inputs))
            measured = bench.cost.most
            if mixed:
                step_mixed(bench, program, machine, words.of(sequence(machine, 1, mixed)))
            return Steps(bound, measured, bench.cost.most if mixed else 0)


def step_mixed(bench: Bench, program: Disassembly, machine: Machine, stream: array[int]) -> None:
    """Run each tick of ``stream`` from a state mixed from those of other ticks."""
    chance = Random(1)
    facts, _ = known_bytes(program, machine)
    now, size = program.variables[NOW]
    seen = []
    for tick in single_ticks(bench, stream):
        bench.run(tick)
        seen.append(bench._chip.peek(now, size))
    for tick in single_ticks(bench, stream):
        state = bytearray(size)
        for field in layout(machine).fields:
            for at in range(field.offset, field.offset + max(field.count, 1) * field.bytes, field.bytes or 1):
                if field.bytes == 1 and now + at in facts:
                    state[at] = chance.choice(list(each(facts[now + at])))
                else:
                    state[at : at + field.bytes] = chance.choice(seen)[at : at + field.bytes]
        bench._chip.poke(now, bytes(state))
        bench.run(tick)


@pytest.mark.slow
@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_no_step_of_a_sample_takes_more_than_its_bound(path: Path, chip_tools: None) -> None:
    found = steps_of(machine_in(path), 2, 1500)
    assert found.measured <= found.bound.cycles <= 2 * found.measured


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))  # many more: tests/benchmarks/random_bounds.py
def test_no_step_of_a_random_machine_takes_more_than_its_bound(seed: int, chip_tools: None) -> None:
    found = steps_of(read_text(random_text(seed, 2)), 1, 400, mixed=100)
    assert found.measured <= found.mixed <= found.bound.cycles


MACHINES = {path.stem: path.read_text() for path in PATHS if path.stem in ("coop_hatch", "tray_runner")}
MACHINES |= {f"{seed}": random_text(seed, 1 + seed % 2) for seed in (11, 12)}


@pytest.mark.slow
@pytest.mark.parametrize("text", MACHINES.values(), ids=MACHINES)
def test_where_every_byte_is_known_the_way_takes_as_long_as_the_chip_says(text: str, chip_tools: None) -> None:
    """The other side of the bound: instructions on known values, cycle for cycle against the simulated chip."""
    machine, board = read_text(text), load("atmega2560")
    stream = Streams(machine).of(sequence(machine, 1, 60))
    compared = 0
    with tempfile.TemporaryDirectory() as folder:
        files = behaviour_files(machine, "// x") | {"desk.cpp": desk_source(machine)}
        made = bench_program(machine.name, files, columns(machine), board, Path(folder))
        program = disassembled(find_toolchain(), made.elf, board)
        (now, size), (given, given_size) = program.variables[NOW], program.variables["_ZN12_GLOBAL__N_12inE"]
        with Bench(machine, made, board) as bench:
            for tick in single_ticks(bench, stream):
                before, taken = bench._chip.peek(now, size), bench.cost.mean * bench.cost.steps
                bench.run(tick)
                if tick[0] != 1 or tick[bench._messages_at]:
                    continue  # no step; or one before which messages were heard, which changes the state
                inputs = bench._chip.peek(given, given_size)
                facts = {now + place: only(byte) for place, byte in enumerate(before)}
                facts |= {ARGUMENT + place: only(byte) for place, byte in enumerate(inputs)}
                way = Walk(program, facts, None).longest(program.named(STEP))
                assert way == round(bench.cost.mean * bench.cost.steps - taken)
                compared += 1
    assert compared > 15


def single_ticks(bench: Bench, stream: array[int]) -> Iterator[array[int]]:
    """The stream of inputs, a tick at a time."""
    at = 0
    while at < len(stream):
        end = at + bench._messages_at + 1 + 2 * stream[at + bench._messages_at]
        yield stream[at:end]
        at = end


def compiled(text: str, folder: Path) -> Disassembly:
    """The instructions of a C++ ``text`` that is a whole program."""
    source, elf = folder / "program.cpp", folder / "program.elf"
    source.write_text(text)
    tools = find_toolchain()
    subprocess.run([tools.program("g++"), "-mmcu=atmega328p", "-Os", str(source), "-o", str(elf)], check=True)
    return disassembled(tools, elf, load("atmega328p"))


LOOPS = """\
#define OWN extern "C" __attribute__((noinline))
volatile unsigned char flag;
OWN int turns(const unsigned char& n)
{
    int sum = 0;
    for (unsigned char i = 0; i < n; ++i) {
        asm volatile("");
        ++sum;
    }
    return sum;
}
OWN int waits(const unsigned char&)
{
    while (flag) {
    }
    return 0;
}
int main()
{
    const unsigned char n = flag;
    return turns(n) + waits(n);
}
"""


def test_a_loop_without_a_bound_is_named_and_one_that_counts_is_followed(tmp_path: Path, chip_tools: None) -> None:
    program = compiled(LOOPS, tmp_path)
    few, more = (Walk(program, {ARGUMENT: span(0, most)}, None).longest(program.named("turns")) for most in (3, 10))
    assert 7 * 4 <= more - few <= 7 * 12
    with pytest.raises(NoBound, match="a loop in waits"):
        Walk(program, {}, None).longest(program.named("waits"))


CALLED = """\
#define OWN extern "C" __attribute__((noinline))
asm(".global sometimes\\n.type sometimes,@function\\nsometimes:\\nsbrc r22,0\\nldi r24,9\\nret\\n");
extern "C" unsigned char sometimes(unsigned char kept, unsigned char odd);
volatile unsigned char flag;
volatile long whole;
OWN void rounds(unsigned char count)
{
    for (unsigned char i = 0; i < count; ++i) {
        asm volatile(".rept 40\\nnop\\n.endr");
    }
}
OWN int divides(const unsigned char& n)
{
    rounds(static_cast<unsigned char>(1000L * n / whole + 100));
    return 0;
}
OWN int keeps(const unsigned char& n)
{
    rounds(sometimes(n, flag));
    return 0;
}
int main()
{
    const unsigned char n = flag;
    return divides(n) + keeps(n);
}
"""


def test_a_call_that_keeps_to_registers_comes_to_what_it_gives_back(tmp_path: Path, chip_tools: None) -> None:
    program = compiled(CALLED, tmp_path)

    whole = program.variables["whole"][0]
    facts = {whole + place: only(byte) for place, byte in enumerate((-250).to_bytes(4, "little", signed=True))}

    def longest(name: str, values: int) -> int:
        return Walk(program, facts | {ARGUMENT: values}, None).longest(program.named(name))

    assert program.in_registers(program.named("sometimes").address)
    assert program.in_registers(program.named("__divmodsi4").address)
    assert not program.in_registers(program.named("keeps").address)
    one_round = 45
    # the division itself takes a few cycles more or less
    assert abs(longest("divides", only(3)) - longest("divides", only(20)) - 4 * 17 * one_round) < 50
    assert longest("keeps", only(20)) - longest("keeps", only(3)) == (20 - 9) * one_round
    assert longest("keeps", span(0, 20)) == longest("keeps", only(20))


@pytest.mark.slow
def test_a_bound_that_is_rough_says_so_and_why(
    feed_pusher: Machine, feed_pusher_built: Built, monkeypatch: pytest.MonkeyPatch
) -> None:
    program = disassembled(find_toolchain(), feed_pusher_built.elf, load("atmega2560"))
    monkeypatch.setattr(worst_case, "MOST_WAYS", 620)
    some = worst_step(program, feed_pusher)
    assert some.rough.startswith("modes and commands that exclude each other were added up (more than 620 ways, most")
    assert "behaviour::" in some.rough
    monkeypatch.setattr(worst_case, "MOST_AT_FIRST", 20)
    bare = worst_step(program, feed_pusher)
    assert bare.rough.startswith("its bare instructions were added up") and bare.cycles > some.cycles
    told = [step.told for step in making._worst_case(feed_pusher, load("atmega2560"), feed_pusher_built)]
    assert any(each.startswith("that bound is rough: its bare instructions") for each in told)


def test_interrupts_of_a_tick_are_added_and_what_has_no_bound_is_named(
    feed_pusher: Machine, feed_pusher_built: Built
) -> None:
    board, tools = load("atmega2560"), find_toolchain()
    program = disassembled(tools, feed_pusher_built.elf, board)
    coming = interrupts(program, feed_pusher, board, vector_names(tools, board))
    assert not coming.unbounded
    # 10 ms of 1.024 ms, of a byte at 9600 baud; each perhaps at both ends
    assert {"TIMER0_OVF 11 times", "USART1_RX 11 times", "USART1_UDRE 11 times"} < set(coming.told)
    assert 20_000 < coming.cycles < 160_000  # of the tick's
    strange = interrupts(program, feed_pusher, board, {})
    assert len(strange.unbounded) == 4 and strange.unbounded[0].startswith("how often number ")


def deepest(rig: Rig, board: Board) -> int:
    """Bytes of stack that have been written to since :func:`painted`."""
    top = {"atmega2560": 0x21FF, "atmega328p": 0x8FF, "atmega32u4": 0xAFF}[board.chip]
    end = top + 1 - 400
    data = rig.chip.peek(end, 400)
    return 400 - next((place for place, byte in enumerate(data) if byte != 0xA5), 400)


def test_the_stack_gets_no_deeper_than_its_bound(feed_pusher: Machine, feed_pusher_built: Built) -> None:
    board = load("atmega2560")
    with Rig(feed_pusher, feed_pusher_built.elf) as rig:
        rig.chip.run(20)
        rig.chip.poke(0x21FF + 1 - 400, b"\xa5" * 360)
        for name in ("front", "left", "right"):
            rig.sensor(name, 300)
        rig.sensor("supply", 7600)
        for number in range(60):
            rig.hear(("beat", "patrol", "creep", "halt")[number % 4])
            rig.run_ms(23)
        assert feed_pusher_built.stack is not None
        assert 40 < deepest(rig, board) <= feed_pusher_built.stack <= 3 * deepest(rig, board)


FULL = """\
machine full
board atmega328p
tick 10 ms
sensor tank by hand, 0 .. 100
lamp lit pin 13
mode off stop
mode on lit on
rules
  in | when | go to
  off | tank > 50 | on
"""

HOARD = """\
#include "by_hand.h"
static volatile uint8_t hoard[%d];
namespace by_hand {
void begin() {}
bool read_tank(int8_t& value)
{
    value = static_cast<int8_t>(hoard[0]);
    return true;
}
}
"""


def test_a_program_without_room_for_its_stack_is_refused(tmp_path: Path, chip_tools: None) -> None:
    machine = read_text(FULL, "full.modes")
    fits = built(machine, tmp_path / "fits", by_hand=HOARD % 1800)
    assert fits.stack is not None and 20 < fits.stack < 200
    room = 2048 - fits.ram
    with pytest.raises(BuildFailed, match=r"there is no room for the stack: .* take 2042 of 2048 bytes"):
        built(machine, tmp_path / "tight", by_hand=HOARD % (1800 + room - 6))


def test_what_a_pointer_may_reach_is_what_stands_in_tables(feed_pusher_built: Built) -> None:
    """Also where something else calls it by name: a virtual function of the core's serial port."""
    program = disassembled(find_toolchain(), feed_pusher_built.elf, load("atmega2560"))
    calls = [
        (plain(function.name), [plain(each.name) for each in program.pointed_to(i)])
        for function in program.functions.values()
        for i in function.code.values()
        if i.name == "eicall"
    ]
    assert calls == [("Print::write", ["HardwareSerial::write"])]


def test_what_has_no_bound_is_named(tmp_path: Path, chip_tools: None) -> None:
    again = "int again(int n) { return n < 2 ? n : again(n - 1) * again(n - hoard[1]); }"
    around = HOARD.replace("namespace by_hand {", f"{again}\nnamespace by_hand {{")
    around = around.replace("value = static_cast<int8_t>(hoard[0]);", "value = static_cast<int8_t>(again(hoard[0]));")
    made = built(read_text(FULL, "full.modes"), tmp_path, by_hand=around % 10)
    assert made.stack is None
    assert "again" in made.stack_note and "calls itself" in made.stack_note


def test_names_are_told_as_people_know_them() -> None:
    assert plain("_ZN9behaviour4stepERKNS_6InputsE") == "behaviour::step"
    assert plain("__udivmodsi4") == "__udivmodsi4"
    assert issubclass(NoBound, Exception)
