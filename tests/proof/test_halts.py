"""Whether a halt stops every moving mode, in machines of several parts."""

from __future__ import annotations

from collections.abc import Iterator

from statecraft.findings import Finding
from statecraft.language import read_text
from statecraft.machine import Machine, ModeRef
from statecraft.proof.prove import Report, _Proof, _Question, prove
from statecraft.proof.reachability import Undecided
from statecraft.proof.runs.replay import replay
from tests.proof import brute_verdicts as verdicts
from tests.proof.brute import World

HEAD = """machine shed
board atmega2560
tick 20 ms
link desk serial1, 9600 baud, checked, silent after 200 ms
command halt "halt", urgent
command mushroom button, pin 22, on when low, urgent
command go "go"
command back "back"
"""

LAMPS = """
part signals
mode quiet stop
mode busy beacon on
rules
in|when|go to
quiet|winch in pulling|busy
busy|after 40 ms and not winch in pulling|quiet
"""

WINCH = (
    HEAD
    + """motor rope pwm 5, direction 30
lamp beacon pin 13
part winch
mode slack stop
mode pulling rope 50 %
failsafes
in|when|go to
any|halt or mushroom|slack
pulling|desk silent|slack
rules
in|when|go to
slack|go|pulling
"""
    + LAMPS
)


def missed(report: Report) -> dict[str, Finding]:
    """The findings of halts missed, by mode."""
    return {finding.mode.mode: finding for finding in report.findings if finding.code == "halt missed" and finding.mode}


def test_lamps_need_no_halt() -> None:
    """A part without a moving mode need not come to a stop mode; brute force reads it so, too."""
    machine = read_text(WINCH)
    for phases in (("soon",), ("slices",)):
        report = prove(machine, 20, phases=phases)  # type: ignore[arg-type]
        assert not missed(report) and "whether a halt stops every moving mode" not in report.unproved
    assert not verdicts.halt_missed(World(machine))


def test_what_moves_needs_one() -> None:
    machine = read_text(WINCH.replace("lamp beacon pin 13", "relay beacon pin 13"))
    for phases in (("soon",), ("slices",)):
        found = missed(prove(machine, 20, phases=phases))  # type: ignore[arg-type]
        assert set(found) == {"pulling", "busy"}
        assert "no urgent command stops signals on" in found["pulling"].message
    assert set(verdicts.halt_missed(World(machine))) == {("winch", "pulling"), ("signals", "busy")}


STATION = """
part {0}
mode {0}_idle stop
mode {0}_out motor_{0} 40 %
mode {0}_dwell motor_{0} 10 %
mode {0}_home motor_{0} -40 %
failsafes
in|when|go to
any|(halt or mushroom) and not {0}_held|{0}_idle
any|desk silent|{0}_idle
rules
in|when|go to
{0}_idle|go and {0}_held and not {1}_held|{0}_out
{0}_out|after 2 s and not {0}_held|{0}_dwell
{0}_dwell|after 400 ms and {0}_held|{0}_home
{0}_home|back and {0}_held|{0}_idle
"""

STATIONS = ("left", "right", "upper")


def stations() -> Machine:
    """Several parts whose halts each fail for levels of their own that must last, of which no two are alike."""
    text = HEAD
    for at, name in enumerate(STATIONS):
        text += f"motor motor_{name} pwm {5 + at}, direction {30 + at}\nswitch at_{name} pin {40 + at}, on when low\n"
    for at, name in enumerate(STATIONS):
        text += f"level {name}_held when at_{name} for {at + 1} s clears when not at_{name} for {2 * at + 1} s\n"
    for name, other in zip(STATIONS, STATIONS[1:] + STATIONS[:1], strict=True):
        text += STATION.format(name, other)
    return read_text(text)


def test_each_mode_is_asked_about_by_itself() -> None:
    """What one of them needs followed, the next does not: together they would be too many."""
    machine = stations()
    report = prove(machine, 20, phases=("slices",))
    assert "whether a halt stops every moving mode" not in report.unproved
    found = missed(report)
    assert set(found) == {f"{name}_{mode}" for name in STATIONS for mode in ("out", "dwell", "home")}
    for finding in found.values():
        assert finding.run is not None
        ends = replay(machine, finding.run).modes
        assert finding.run.stretches[-1].inputs.taken in ("halt", "mushroom")
        assert any(not ends[name].endswith("idle") for name in STATIONS)


def test_what_was_shown_stays_though_the_rest_is_open() -> None:
    machine = read_text(WINCH)
    proof = _Proof(machine, machine, ("slices", "whole"))
    place = machine.parts[0].modes[1].place
    one = Finding("halt missed", place, "shown in time.", "hint", mode=ModeRef("winch", "pulling"))

    def some() -> Iterator[Finding]:
        yield one
        raise Undecided

    def none() -> Iterator[Finding]:
        raise Undecided
        yield

    asked = _Question("whether it stops", none, some, shown=True)
    proof.phase = "slices"
    assert not proof.answered(asked, last=False) and not proof.found
    proof.phase = "whole"
    assert proof.answered(asked, last=True)
    assert proof.found == [one] and "whether it stops" in proof.unproved


TWINS = """
machine twins
board atmega2560
tick 10 ms
command off_a button, pin 2, on when high, urgent
command off_b button, pin 3, on when high, urgent
command on_a button, pin 4, on when low
command on_b button, pin 5, on when low
relay stir_a pin 30
relay stir_b pin 31
part a
mode still_a stop
mode turn_a stir_a on
failsafes
in|when|go to
any|off_a|still_a
rules
in|when|go to
still_a|on_a|turn_a
part b
mode still_b stop
mode turn_b stir_b on
failsafes
in|when|go to
any|off_b|still_b
rules
in|when|go to
still_b|on_b|turn_b
"""


def test_commands_that_stop_a_part_each_are_not_said_to_stop_none() -> None:
    for phases in (("soon",), ("slices",)):
        found = missed(prove(read_text(TWINS), 20, phases=phases))  # type: ignore[arg-type]
        assert found["turn_a"].message == (
            "in turn_a, no urgent command stops every part on the tick that takes it: off_a does not stop b and off_b "
            "does not stop a."
        )
    nobody = TWINS.replace("any|off_b|still_b", "turn_b|after 9 s|still_b\nany|off_b and off_a within 1 s|still_b")
    assert missed(prove(read_text(nobody), 20))["turn_a"].message.startswith("in turn_a, no urgent command stops b on")
