"""The parts of the pin side that need no chip, on the desk: message parsing, median, patience, settling."""

from __future__ import annotations

import ctypes
import re
import subprocess
from collections import deque
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from statecraft.boards import load
from statecraft.firmware import emit
from statecraft.machine import Link, Machine
from tests.firmware.rig import framed
from tests.tools import need

STANDIN = Path(__file__).parent / "standin"

EARS = """
#include "links.h"
#include "behaviour.h"
SerialPort Serial, Serial1, Serial2;
void pinMode(uint8_t, uint8_t) {}
static int32_t* out;
namespace behaviour {
void hear(Command command) { *out++ = static_cast<int32_t>(command); }
%s
}
extern "C" void calm() { for (int32_t tick = 0; tick < 300; ++tick) links::after_tick(); }
extern "C" int32_t listen(int32_t port, const uint8_t* bytes, int32_t count, int32_t* heard) {
    SerialPort& from = port == 1 ? Serial1 : Serial2;
    memcpy(from.in, bytes, static_cast<size_t>(count));
    from.in_count = static_cast<size_t>(count);
    from.in_at = 0;
    out = heard;
    const uint16_t before = links::ignored();
    while (from.available() > 0) links::listen();
    *out++ = -1;
    return links::ignored() - before;
}
"""

FILTERS = """
#include "readings.h"
using namespace readings;
static Kept<int16_t> kept;
static Last<int16_t, 5> last;
static Contact contact;
extern "C" void reset() { kept = Kept<int16_t>(); last = Last<int16_t, 5>(); contact = Contact(); }
extern "C" int32_t tick(int32_t reading, int32_t patience) {
    if (reading >= 0) keep(kept, median(last, static_cast<int16_t>(reading)));
    settle(kept, static_cast<Age>(patience));
    if (!kept.valid) last.count = 0;
    return kept.valid ? kept.value : known(kept, static_cast<Age>(patience)) ? -1 : -2;
}
extern "C" int32_t contact_tick(int32_t closed, int32_t ticks) {
    const bool pressed = settle(contact, closed != 0, static_cast<Age>(ticks));
    return (contact.on ? 1 : 0) + (contact.settled ? 2 : 0) + (pressed ? 4 : 0);
}
"""


def library(folder: Path, files: dict[str, str], sources: list[str]) -> ctypes.CDLL:
    need("g++")
    for name, text in files.items():
        (folder / name).write_text(text)
    command = ["g++", "-std=c++11", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC", "-I", str(STANDIN), *sources]
    done = subprocess.run([*command, "-o", "it.so"], cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return ctypes.CDLL(str(folder / "it.so"))


@pytest.fixture(scope="module")
def ears(orchard: Machine, tmp_path_factory: pytest.TempPathFactory) -> ctypes.CDLL:
    types = {"pace": "int8_t", "tilt": "int16_t", "dose": "int8_t"}
    turns = "\n".join(
        f"void turn_{name}({type_name} value) {{ *out++ = {1000 * (1 + index)}; *out++ = value; }}"
        for index, (name, type_name) in enumerate(types.items())
    )
    files = emit(orchard, load("atmega2560")) | {"ears.cpp": EARS % turns}
    return library(tmp_path_factory.mktemp("ears"), files, ["ears.cpp", "links.cpp"])


@pytest.fixture(scope="module")
def filters(orchard: Machine, tmp_path_factory: pytest.TempPathFactory) -> ctypes.CDLL:
    files = emit(orchard, load("atmega2560")) | {"filters.cpp": FILTERS}
    return library(tmp_path_factory.mktemp("filters"), files, ["filters.cpp"])


# ------------------------------------------------------------------------------------------------------------ messages


def listen(ears: ctypes.CDLL, machine: Machine, port: int, data: bytes) -> tuple[list[str], int]:
    """What is heard, by name (a dial with its value), and how many messages were none. The line is quiet before."""
    from statecraft.firmware.layout import command_order

    events, others, _ = command_order(machine)
    names = [command.name for command in (*events, *others)]
    heard = (ctypes.c_int32 * (2 * len(data) + 16))()
    ears.listen(port, b"\n$*00\n", 6, heard)
    ears.calm()
    ignored = ears.listen(port, data, len(data), heard)
    found, place = [], 0
    while heard[place] != -1:
        if heard[place] >= 1000:
            found.append(f"{machine.dials[heard[place] // 1000 - 1].name} {heard[place + 1]}")
            place += 2
        else:
            found.append(names[heard[place] - 1])
            place += 1
    return found, ignored


class Literal:
    """The rules for messages, as plainly as they can be said: what is expected of one link."""

    def __init__(self, machine: Machine, link: Link) -> None:
        self.link = link
        self.commands = {c.message: c.name for c in machine.commands if c.link == link.name and c.message}
        self.dials = {d.prefix: d for d in machine.dials if d.link == link.name}
        self.urgent = {c.name for c in machine.commands if c.urgent}
        self.heard: list[str] = []
        self.ignored = 0
        self.disturbed = False  # no time passes

    def viable(self, text: str) -> bool:
        starts = any(message.startswith(text) for message in (*self.commands, *self.dials))
        return starts or any(re.fullmatch(re.escape(p) + r"-?[0-9]{0,6}", text) for p in self.dials)

    def whole(self, text: str) -> bool:
        """Hear ``text`` if it is a message."""
        if text in self.commands:
            if self.disturbed and self.commands[text] not in self.urgent:
                self.ignored += 1
            else:
                self.heard.append(self.commands[text])
            return True
        for prefix, dial in self.dials.items():
            if text.startswith(prefix):
                number = re.fullmatch(r"-?[0-9]{1,6}", text[len(prefix) :])
                steps = int(int(number[0]) / dial.unit.resolution) if number else None
                if not self.disturbed and steps is not None and dial.low <= steps <= dial.high:
                    self.heard.append(f"{dial.name} {steps}")
                else:
                    self.ignored += 1
                return True
        return False

    def plain(self, text: str) -> None:
        so_far = ""
        for byte in text:
            if byte in "\r\n" and any(so_far.startswith(prefix) for prefix in self.dials):
                self.whole(so_far)
                so_far = ""
                continue
            if not self.viable(so_far + byte):
                self.ignored += bool(so_far)
                so_far = ""
                if not self.viable(byte):
                    self.ignored += byte not in "\r\n"
                    self.disturbed |= byte not in "\r\n"
                    continue
            so_far += byte
            if so_far in self.commands:
                self.whole(so_far)
                so_far = ""

    def checked(self, text: str) -> None:
        frames = text.split("$")[1:]
        for number, frame in enumerate(frames):
            body, star, rest = frame.partition("*")
            if not star or len(rest) < 2:
                self.ignored += number < len(frames) - 1
                continue
            check = 0
            for byte in body:
                check ^= ord(byte)
            if rest[:2].lower() != f"{check:02x}" or not self.whole(body):
                self.ignored += 1


NOISE = st.text(st.sampled_from("htegoalbdfvxz.0123456789-\r\n $*"), max_size=12)


@settings(max_examples=300)
@given(st.lists(st.one_of(st.sampled_from(["te", "tx", "a30\n", "d5\r", "a-3\r", "d99\n", "a999999\n"]), NOISE)))
def test_a_plain_link_hears_messages_and_counts_the_rest(
    ears: ctypes.CDLL, orchard: Machine, pieces: list[str]
) -> None:
    text = "".join(pieces) + "\n"
    expected = Literal(orchard, orchard.links[1])
    expected.plain(text)
    assert listen(ears, orchard, 2, text.encode()) == (expected.heard, expected.ignored)


@settings(max_examples=300)
@given(st.data())
def test_a_checked_link_hears_only_what_its_sum_agrees_with(
    ears: ctypes.CDLL, orchard: Machine, data: st.DataObject
) -> None:
    link = orchard.links[0]
    whole = st.sampled_from(["halt", "go", "ba", "fold", ".", "v45", "v20", "v81", "v", "v-5", "zz"])
    pieces = data.draw(st.lists(st.one_of(whole.map(lambda said: framed(link, said).decode()), NOISE), max_size=8))
    text = "".join(pieces)
    if text and data.draw(st.booleans()):
        at = data.draw(st.integers(0, len(text) - 1))
        text = text[:at] + chr(ord(text[at]) ^ data.draw(st.sampled_from([1, 2, 4, 8]))) + text[at + 1 :]
    expected = Literal(orchard, link)
    expected.checked(text)
    assert listen(ears, orchard, 1, text.encode())[0] == expected.heard


@given(st.integers(0, 7), st.integers(0, 6))
def test_one_damaged_bit_never_becomes_a_command(ears: ctypes.CDLL, orchard: Machine, bit: int, at: int) -> None:
    message = bytearray(framed(orchard.links[0], "go"))
    at %= len(message) - 2
    message[at] ^= 1 << bit
    heard, _ = listen(ears, orchard, 1, bytes(message))
    lower_case_digit = at >= 4 and bit == 5
    assert heard == ["go"] if lower_case_digit and heard else heard == []


# ------------------------------------------------------------------------------------------------- readings, contacts


@settings(max_examples=200)
@given(st.lists(st.one_of(st.just(-1), st.integers(0, 50)), max_size=60), st.integers(1, 6))
def test_a_reading_is_kept_for_its_patience_and_its_median_taken(
    filters: ctypes.CDLL, readings: list[int], patience: int
) -> None:
    filters.reset()
    last: deque[int] = deque(maxlen=5)
    age, value, never = 0, 0, True
    for reading in readings:
        if reading >= 0:
            last.append(reading)
            value = sorted(last)[2] if len(last) == 5 else reading
            age, never = 0, False
        else:
            age += 1
        valid = not never and age < patience
        if not valid:
            last.clear()
            never = True if age >= patience else never
        expected = value if valid else -1 if age >= patience else -2
        assert filters.tick(reading, patience) == expected


@settings(max_examples=200)
@given(st.lists(st.booleans(), max_size=60), st.integers(0, 4))
def test_a_contact_counts_once_it_has_held_still(filters: ctypes.CDLL, closed: list[bool], ticks: int) -> None:
    filters.reset()
    on = settled = False
    for number in range(len(closed)):
        seen = [False, *closed[: number + 1]][-ticks - 1 :]
        steady = len(seen) == ticks + 1 and len(set(seen)) == 1
        was_on = on
        if steady:
            on, settled = seen[-1], True
        expected = on + 2 * settled + 4 * (on and not was_on)
        assert filters.contact_tick(closed[number], ticks) == expected
