"""What a remote offers, and what it sends: buttons, rates, bytes."""

from __future__ import annotations

from functools import reduce
from operator import xor
from pathlib import Path

import pytest

from statecraft.bench.controls import NoRemote, controls, dial_message, dial_numbers
from statecraft.bench.sheets import lines, markdown
from statecraft.firmware.messages import message
from statecraft.language import read_text
from statecraft.machine import Machine
from tests.samples import PATHS, machine_in, sample

FRAME = """\
machine cart
board atmega2560
tick 10 ms
link operator serial1, 9600 baud, {kind}
{more}
motor drive pwm 5, forward 30, reverse 31
mode parked stop
mode rolling drive 40 %
failsafes
in | when | go to
any | {halt} | parked
rules
in | when | go to
parked | {go} | rolling
"""


def cart(more: str, kind: str = "plain, silent after 500 ms", halt: str = "halt", go: str = "go") -> Machine:
    return read_text(FRAME.format(more=more, kind=kind, halt=halt, go=go), "cart.modes")


def test_the_bale_mover() -> None:
    found = controls(sample("bale_mover"))
    assert [b.command.name for b in found.halts] == ["halt"]
    assert [b.command.name for b in found.held] == ["ahead", "back", "up", "down"]
    assert [b.command.name for b in found.once] == ["clamp", "release"]
    assert found.beat is not None and found.beat.message == b"$.*2E"
    assert {b.every_ms for b in found.held} == {100}
    assert found.beat.every_ms == 133  # three in 400 ms of silence
    assert [dial.name for dial in found.dials] == ["pace"]
    assert found.share_of_line < 0.3


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_every_command_of_the_link_is_there_once(path: Path) -> None:
    machine = machine_in(path)
    try:
        found = controls(machine)
    except NoRemote:
        assert all(command.link is None for command in machine.commands) and not machine.dials
        return
    names = sorted(button.command.name for button in found.buttons)
    assert names == sorted(c.name for c in machine.commands if c.link == found.link.name)
    for button in found.held:
        assert button.every_ms is not None and button.every_ms >= 40


def test_the_shortest_time_counts() -> None:
    machine = cart('command halt "h", urgent\ncommand go "g"\ncommand on "o"', go="go and on within 150 ms")
    (held,) = controls(machine).held
    assert (held.command.name, held.every_ms) == ("on", 50)


def test_what_the_file_declares_is_held() -> None:
    machine = cart('command halt "h", urgent\ncommand go "g", held, label "roll on", place top')
    (held,) = controls(machine).held
    assert (held.label, held.command.spot, held.every_ms) == ("roll on", "top", 100)


def test_a_link_that_is_never_silent_has_a_slow_heartbeat() -> None:
    found = controls(cart('command halt "h", urgent\ncommand go "g"\ncommand beat "b"', kind="plain"))
    assert found.silent_ms is None and found.beat is not None and found.beat.every_ms == 1000


def test_an_urgent_command_that_no_failsafe_asks_about_is_a_halt_where_there_is_no_other() -> None:
    machine = cart('command halt "h"\ncommand go "g"\ncommand now "n", urgent', go="go or now")
    assert [b.command.name for b in controls(machine).halts] == ["now"]


def test_without_a_link_there_is_no_remote() -> None:
    text = FRAME.replace("link operator serial1, 9600 baud, {kind}\n", "")
    machine = read_text(
        text.format(
            more="command halt button, pin 3, on when low, urgent\ncommand go button, pin 4, on when low",
            halt="halt", go="go",
        ),
        "cart.modes",
    )  # fmt: skip
    with pytest.raises(NoRemote, match=r"Declare a link .*:  statecraft bench cart\.modes$"):
        controls(machine)
    with pytest.raises(NoRemote, match="'radio'; on operator it does"):
        controls(cart('command halt "h", urgent\ncommand go "g"'), "radio")


def test_several_numbers_on_the_sheet() -> None:
    machine = cart(
        'command halt "h", urgent\ncommand go "g"\ndial ahead, aside "j", -100 % .. 100 %\ndial far "f", 0 .. 9, kept',
        "checked, silent after 500 ms",
    )
    *sheet, least, _ = lines(machine)
    assert least.note.endswith("0 until one comes for the first time; it is kept")
    assert [line.name for line in sheet] == ["halt", "go", *["ahead, aside"] * 4]
    # j is 0x6A, a comma 0x2C, a minus sign 0x2D; what stands there twice cancels out
    said = ["$j-100,-100*46", "$j0,0*46", "$j100,-100*6B", "$j100,100*46"]
    assert [line.sends for line in sheet[2:]] == said
    assert "missing or out of its range" in markdown(machine)


def test_a_number_whose_absence_rows_ask_is_sent_again_and_again() -> None:
    """As its own page does, in less than a third of the time; a number that nobody asks so, only when it changes."""
    head = 'command halt "h", urgent\ncommand go "g"\ndial pace "p", 0 % .. 100 %\n'
    for dials, name in (('dial ahead, aside "j", 0 .. 9', "ahead, aside"), ('dial ahead "j", 0 .. 9', "ahead")):
        machine = cart(head + dials, go="go and ahead within 240 ms")
        often = {line.name: line.often for line in lines(machine)}
        when = "all of them, when one changes" if "," in name else "when it changes"
        assert often[name] == f"{when}, and every 80 ms while held"
        assert often["pace"] == "when it changes"
        assert controls(machine).again["ahead"] == 80
        assert f"\n- {name}: again and again while held, also where it stands still" in markdown(machine)
    assert "again and again while held" not in markdown(cart(head))


def test_bytes_on_a_checked_and_on_a_plain_link() -> None:
    machine = sample("bale_mover")
    (link,), (pace,) = machine.links, machine.dials
    for text in ("halt", "v40", "x"):
        said = message(link, text)
        assert said == f"${text}*{reduce(xor, text.encode()):02X}".encode()
    # The standard's own example of the sum, as NMEA 0183 sentences are published everywhere.
    assert message(link, "GPGLL,5057.970,N,00146.110,E,142451,A") == b"$GPGLL,5057.970,N,00146.110,E,142451,A*27"
    assert dial_numbers(pace) == range(20, 81)
    assert dial_message(link, pace, 40) == message(link, "v40")
    plain = cart('command halt "h", urgent\ncommand go "g"').links[0]
    assert message(plain, "h") == b"h" and message(plain, "v40", number=True) == b"v40\n"
