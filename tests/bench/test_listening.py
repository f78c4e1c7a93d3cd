"""What is heard in bytes: whole messages and nothing else; the same on the simulated chip, byte for byte."""

from __future__ import annotations

import itertools
import random
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from statecraft.bench.controls import controls, dial_message, dial_numbers
from statecraft.bench.listening import Heard, Listener
from statecraft.firmware.reports import Counts, Modes, Reader
from statecraft.language import read_text
from statecraft.machine import Machine
from tests.samples import SAMPLES, sample
from tests.tools import need

if TYPE_CHECKING:
    from statecraft.agreement.wired import ReportingProgram

CHECKED = sample("bale_mover")
PLAIN = read_text(
    (SAMPLES / "feed_pusher.modes").read_text().replace(
        "constant", 'dial pace "v", 20 % .. 80 %, starts 40 %\nconstant', 1
    ).replace("cruise         port_drive 60 %", "cruise         port_drive pace"),
    "plain.modes",
)  # fmt: skip

STICK = read_text("""\
machine log_hauler
board atmega2560
tick 10 ms
link operator serial1, 38400 baud, plain, silent after 300 ms
command halt "q", urgent
command go "g"
dial ahead, aside "j", -100 % .. 100 %
dial gain "k", 10 % .. 80 %, starts 40 %
dial reach, height, lean "xy", 5 cm .. 9 cm, -3 deg .. 0 deg, -20 .. 20, starts 6 cm, starts -1 deg, starts 0
servo boom pin 44, 0 deg .. 90 deg, rest stays
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
 still | go and reach > 5 cm and height < 0 deg and lean < 20 | going
 going | go | slow
""", "stick.modes")  # fmt: skip


def listener(machine: Machine) -> Listener:
    return Listener(machine, machine.links[0])


KEPT: dict[str, list[tuple[bytes, Heard]]] = {}


def sayings(machine: Machine) -> list[tuple[bytes, Heard]]:
    """All that can be said to ``machine``, worked out once."""
    if machine.name not in KEPT:
        KEPT[machine.name] = all_sayings(machine)
    return KEPT[machine.name]


def all_sayings(machine: Machine) -> list[tuple[bytes, Heard]]:
    found = controls(machine)
    said = [(button.message, Heard(button.command.name)) for button in found.buttons]
    for dials in machine.numbers():
        scales = [int(1 / dial.unit.resolution) for dial in dials]
        for numbers in itertools.islice(
            itertools.product(*map(dial_numbers, dials)), 0, None, 1 if len(dials) == 1 else 7
        ):
            heard = [(dial.name, n * scale) for dial, n, scale in zip(dials, numbers, scales, strict=True)]
            said.append((dial_message(found.link, dials[0], *numbers), Heard(*heard[0], tuple(heard[1:]))))
    return said


@pytest.mark.parametrize("machine", [CHECKED, PLAIN, STICK], ids=["checked", "plain", "stick"])
@given(data=st.data())
def test_whole_messages_are_heard_in_any_pieces(machine: Machine, data: st.DataObject) -> None:
    chosen = data.draw(st.lists(st.sampled_from(sayings(machine)), max_size=12))
    text = b"".join(said for said, _ in chosen)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(text)), max_size=6)))
    hearing = listener(machine)
    heard = []
    for start, end in zip([0, *cuts], [*cuts, len(text)], strict=True):
        heard += hearing.feed(text[start:end], 5)
    assert heard == [what for _, what in chosen]
    assert hearing.ignored == 0


@pytest.mark.parametrize("machine", [CHECKED, PLAIN], ids=["checked", "plain"])
@given(noise=st.binary(max_size=40), place=st.integers(0, 39))
def test_one_is_one_message_and_nothing_more(machine: Machine, noise: bytes, place: int) -> None:
    hearing = listener(machine)
    said, what = sayings(machine)[place % len(sayings(machine))]
    assert hearing.one(said) == what
    assert hearing.one(said + said) is None
    assert hearing.one(b"") is None
    known = {each for each, _ in sayings(machine)}
    if noise not in known and noise.replace(b"\r", b"\n") not in known:
        found = hearing.one(noise)  # leading zeros of a number, and small hexadecimal digits, say the same
        assert found is None or (found.value is not None or b"*" in noise)


def test_several_numbers_count_all_or_not_at_all() -> None:
    hearing = listener(STICK)
    assert hearing.feed(b"j40,-10\n", 100) == [Heard("ahead", 40, (("aside", -10),))]
    for ignored, wrong in enumerate([b"j40\n", b"j40,\n", b"j40,101\n", b"j-101,0\n"], start=1):
        assert hearing.feed(wrong, 100 + ignored) == [] and hearing.ignored == ignored
    for wrong in (b"j40,-\n", b"j40,,1\n", b"j,1\n", b"j1,2,3\n", b"k40,1\n"):
        fresh = listener(STICK)
        assert fresh.feed(wrong, 1) == [] and fresh.ignored > 0
    assert listener(STICK).feed(b"xy7,-2,-20\r", 1) == [Heard("reach", 70, (("height", -20), ("lean", -20)))]


@given(st.data())
def test_one_bit_that_flips_does_nothing_on_a_checked_link(data: st.DataObject) -> None:
    said, what = data.draw(st.sampled_from(sayings(CHECKED)))
    place, bit = data.draw(st.integers(0, len(said) - 1)), data.draw(st.integers(0, 7))
    broken = bytearray(said)
    broken[place] ^= 1 << bit
    heard = listener(CHECKED).feed(bytes(broken), 1)
    assert heard == [] or heard == [what]  # the case of a hexadecimal digit


def test_a_disturbed_plain_link() -> None:
    hearing = listener(PLAIN)
    assert hearing.feed(b"x", 100) == [] and hearing.ignored == 1
    assert hearing.feed(b"p", 110) == [] and hearing.ignored == 2
    assert hearing.feed(b"h", 110) == [Heard("halt")]
    assert hearing.feed(b"p", 120) == [] and hearing.feed(b"p", 121) == [Heard("patrol")]
    assert hearing.feed(b"\r\n", 122) == [] and hearing.feed(b"p", 123) == [Heard("patrol")]
    assert hearing.feed(b"v90\nv45\n", 124) == [Heard("pace", 45)]


@pytest.fixture(scope="module")
def plain_on_chip(tmp_path_factory: pytest.TempPathFactory) -> ReportingProgram:
    need("avr-g++")
    need("/usr/include/simavr/sim_avr.h")
    from statecraft.agreement.wired import program
    from statecraft.boards import load

    return program(PLAIN, load(PLAIN.board), tmp_path_factory.mktemp("plain"))


@pytest.fixture(scope="module")
def stick_on_chip(tmp_path_factory: pytest.TempPathFactory) -> ReportingProgram:
    need("avr-g++")
    need("/usr/include/simavr/sim_avr.h")
    from statecraft.agreement.wired import program
    from statecraft.boards import load

    return program(STICK, load(STICK.board), tmp_path_factory.mktemp("stick"))


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["on_chip", "plain_on_chip", "stick_on_chip"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_chip_hears_the_same_in_noise(request: pytest.FixtureRequest, kind: str, seed: int) -> None:
    """Random bytes, most of them parts of messages: the program counts as many that were none as the listener does."""
    from statecraft.agreement.wired import Wired

    made: ReportingProgram = request.getfixturevalue(kind)
    machine, chance = made.machine, random.Random(seed)
    pieces = [said for said, _ in sayings(machine)] + [b"$", b"*", b"v", b"0", b"\n", b"a", b"$halt*", b"\xff"]
    if machine is STICK:
        pieces = (
            chance.choices(pieces, k=20)
            + [b"q", b"j", b"7", b",", b"-", b"\n", b"j7,", b"xy6,-1", b"j7\n", b"j7,200\n"] * 4
        )
    hearing = listener(machine)
    tick_us = machine.tick_ms * 1000
    with Wired(made) as wired:
        wired.run_to(1_500_000)  # tick 0 is past, before which nothing counts
        usart = wired.board.serial_port(machine.links[0].port).usart
        assert usart is not None
        for _ in range(12):
            # In pieces far enough apart that it makes no difference in which part of a tick they come.
            data = b"".join(chance.choices(pieces, k=chance.randint(1, 6)))
            hearing.feed(data, int(wired.chip.now_us // tick_us))
            wired.run_to(wired.send(machine.links[0], data) + chance.choice([20_000, 330_000]))
        wired.run_to(wired.chip.now_us + 1_200_000)
        told = Reader().feed(wired.chip.sent(usart))
    counts = [each for each in told if isinstance(each, Counts)][-1]
    assert any(isinstance(each, Modes) for each in told)
    assert counts.ignored == hearing.ignored
