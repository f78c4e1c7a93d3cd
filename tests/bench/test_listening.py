"""What is heard in bytes: whole messages and nothing else; the same on the simulated chip, byte for byte."""

from __future__ import annotations

import random
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from statecraft.bench.controls import controls, dial_message, dial_numbers
from statecraft.bench.listening import Heard, Listener
from statecraft.firmware.reports import Counts, Modes, Reader
from statecraft.language import read_file, read_text
from statecraft.machine import Machine
from tests.tools import need

if TYPE_CHECKING:
    from statecraft.agreement.wired import Program

SAMPLES = Path(__file__).parents[2] / "samples"
CHECKED = read_file(str(SAMPLES / "bale_mover.modes"))
PLAIN = read_text(
    (SAMPLES / "feed_pusher.modes").read_text().replace(
        "constant", 'dial pace "v", 20 % .. 80 %, starts 40 %\nconstant', 1
    ).replace("cruise         port_drive 60 %", "cruise         port_drive pace"),
    "plain.modes",
)  # fmt: skip


def listener(machine: Machine) -> Listener:
    return Listener(machine, machine.links[0])


def sayings(machine: Machine) -> list[tuple[bytes, Heard]]:
    found = controls(machine)
    said = [(button.message, Heard(button.command.name)) for button in found.buttons]
    for dial in found.dials:
        scale = int(1 / dial.unit.resolution)
        said += [(dial_message(found.link, dial, n), Heard(dial.name, n * scale)) for n in dial_numbers(dial)]
    return said


@pytest.mark.parametrize("machine", [CHECKED, PLAIN], ids=["checked", "plain"])
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
def plain_on_chip(tmp_path_factory: pytest.TempPathFactory) -> Program:
    need("avr-g++")
    need("/usr/include/simavr/sim_avr.h")
    from statecraft.agreement.wired import program
    from statecraft.boards import load

    return program(PLAIN, load(PLAIN.board), tmp_path_factory.mktemp("plain"))


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["on_chip", "plain_on_chip"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_chip_hears_the_same_in_noise(request: pytest.FixtureRequest, kind: str, seed: int) -> None:
    """Random bytes, most of them parts of messages: the program counts as many that were none as the listener does."""
    from statecraft.agreement.wired import Wired

    made: Program = request.getfixturevalue(kind)
    machine, chance = made.machine, random.Random(seed)
    pieces = [said for said, _ in sayings(machine)] + [b"$", b"*", b"v", b"0", b"\n", b"a", b"$halt*", b"\xff"]
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
