"""The plain graph faults and what nothing uses, each on a machine that is wrong in that way alone."""

from __future__ import annotations

from dataclasses import replace

from statecraft.machine import (
    AnalogVoltage,
    Change,
    Command,
    Compare,
    Condition,
    Constant,
    Counter,
    Lamp,
    Level,
    Link,
    Machine,
    Mode,
    Part,
    Place,
    Row,
    Sensor,
    Silent,
    Taken,
    Term,
    Unit,
)
from statecraft.proof.checks import mode_graph

LINK = Link("radio", "serial1", 9600, False, 50)
GO = Command("go", "radio", "g", None)
HALT = Command("halt", "radio", "h", None, urgent=True)


def row(number: int, modes: tuple[str, ...], when: Condition, target: str) -> Row:
    return Row(number, "p", False, modes, when, "go", target)


def mode(name: str, stop: bool = False, final: bool = False) -> Mode:
    return Mode(name, "p", stop, (), (), final=final)


def machine(modes: tuple[Mode, ...], rows: tuple[Row, ...]) -> Machine:
    part = Part("p", modes, (), (), rows, ())
    return Machine("m", "atmega328p", 10, (LINK,), (GO, HALT), (), (), (), (), (), (), (part,), (), ())


WELL = machine(
    (mode("rest", stop=True), mode("run")),
    (row(0, ("rest",), Taken("go"), "run"), row(1, ("run",), Taken("halt"), "rest")),
)


def codes(of: Machine) -> list[tuple[str, str]]:
    return [(f.code, f.mode.mode if f.mode else f.subject) for f in mode_graph.findings(of)]


def test_a_sound_machine_has_no_finding() -> None:
    assert codes(WELL) == []


def test_a_mode_that_no_chain_of_rows_leads_to() -> None:
    part = WELL.parts[0]
    lost = replace(part, modes=(*part.modes, mode("lost")), rows=(*part.rows, row(2, ("lost",), Taken("halt"), "rest")))
    assert codes(replace(WELL, parts=(lost,))) == [("unreachable", "lost")]


def test_a_mode_that_no_row_leaves_is_stuck_unless_it_is_final() -> None:
    part = WELL.parts[0]
    rows = (*part.rows, row(2, ("run",), Taken("go"), "done"))
    stuck = replace(part, modes=(*part.modes, mode("done", stop=True)), rows=rows)
    assert codes(replace(WELL, parts=(stuck,))) == [("stuck", "done")]
    final = replace(part, modes=(*part.modes, mode("done", stop=True, final=True)), rows=rows)
    assert codes(replace(WELL, parts=(final,))) == []


def test_modes_from_which_no_stop_mode_can_be_reached() -> None:
    part = WELL.parts[0]
    rows = (part.rows[0], row(1, ("run",), Taken("halt"), "sprint"), row(2, ("sprint",), Taken("halt"), "run"))
    round_and_round = replace(part, modes=(*part.modes, mode("sprint")), rows=rows)
    assert codes(replace(WELL, parts=(round_and_round,))) == [("no way to stop", "run"), ("no way to stop", "sprint")]


def test_everything_declared_and_not_used() -> None:
    part = replace(WELL.parts[0], counters=(Counter("laps", "p", 0, 3, 0),))
    volts = Sensor("supply", Unit.VOLTAGE, AnalogVoltage("A0"), 0, 15000, None, 50)
    low = Compare(Term("sensor", "supply"), "<", None, 6600)
    whole = replace(
        WELL,
        parts=(part,),
        commands=(*WELL.commands, Command("spare", "radio", "s", None)),
        outputs=(Lamp("beacon", "13"),),
        sensors=(volts, replace(volts, name="idle_volts")),
        levels=(Level("flat", low, 0, low, 0),),
        constants=(Constant("room", Unit.LENGTH, 300, Place("m.modes", 1)),),
        source={"m.modes": "constant room = 30 cm\n# room\n"},
    )
    found = {f.subject for f in mode_graph.findings(whole) if f.code == "unused"}
    assert found == {"spare", "beacon", "idle_volts", "flat", "laps", "room"}


def test_a_heartbeat_is_used_when_its_silence_is_asked_about() -> None:
    beat = Command("beat", "radio", ".", None)
    assert codes(replace(WELL, commands=(*WELL.commands, beat))) == [("unused", "beat")]
    part = WELL.parts[0]
    listening = replace(part, rows=(*part.rows, row(2, ("run",), Silent("radio"), "rest")))
    assert codes(replace(WELL, commands=(*WELL.commands, beat), parts=(listening,))) == []


def test_a_counter_is_used_when_the_machine_reports_its_changes() -> None:
    part = replace(WELL.parts[0], counters=(Counter("laps", "p", 0, 3, 0),))
    assert codes(replace(WELL, parts=(part,))) == [("unused", "laps")]
    assert codes(replace(WELL, parts=(part,), links=(replace(LINK, reports=True),))) == []


def test_a_counter_that_rows_change_is_not_said_to_be_used_by_nothing() -> None:
    part = replace(WELL.parts[0], counters=(Counter("laps", "p", 0, 3, 0),))
    rows = (*part.rows[:-1], replace(part.rows[-1], changes=(Change("laps", "step", 1),)))
    found = [f for f in mode_graph.findings(replace(WELL, parts=(replace(part, rows=rows),))) if f.code == "unused"]
    assert [each.message for each in found] == ["rows change the counter laps, and nothing reads it."]
    by_hand = "compare it in a row, show it on an output by hand"
    assert [each.hint for each in found] == [f"{by_hand}, or let the link say 'reports'; or remove it."]
