"""The samples say what their authors meant: the feed pusher in every particular, the others without a mistake."""

from __future__ import annotations

from pathlib import Path

import pytest

from statecraft.language import read_file, read_text
from statecraft.machine import (
    Absent,
    After,
    AnalogVoltage,
    And,
    Blink,
    Change,
    Command,
    Compare,
    Constant,
    Contact,
    Every,
    Expect,
    Fault,
    Fixed,
    Hear,
    InMode,
    Lamp,
    LevelOn,
    Link,
    Machine,
    ModeRef,
    Motor,
    Not,
    Or,
    OutputIs,
    Ranger,
    SetSensor,
    Silent,
    SwitchOn,
    Taken,
    Term,
    Unit,
)

SAMPLES = Path(__file__).resolve().parents[2] / "samples"
FILE = str(SAMPLES / "feed_pusher.modes")


@pytest.fixture(scope="module")
def cart() -> Machine:
    return read_file(FILE)


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*.modes")), ids=lambda path: path.stem)
def test_every_sample_reads(path: Path) -> None:
    machine = read_file(path)
    assert machine.name == path.stem
    assert machine.comment
    assert all(part.start.stop for part in machine.parts)
    assert machine.trials and machine.promises


def test_preamble(cart: Machine) -> None:
    assert (cart.name, cart.board, cart.tick_ms) == ("feed_pusher", "atmega2560", 10)
    assert cart.comment.startswith("A small cart that walks a barn alley")
    assert "\nIt shows rangers" in cart.comment
    assert cart.source == {FILE: Path(FILE).read_text(encoding="utf-8")}
    assert cart.line(cart.sensor("front").place).split()[:3] == ["sensor", "front", "range,"]


def test_what_comes_from_outside(cart: Machine) -> None:
    (operator,) = cart.links
    assert operator == Link("operator", "serial1", 9600, False, 50, False, operator.place)
    assert [(c.name, c.link, c.message, c.urgent) for c in cart.commands] == [
        ("halt", "operator", "h", True),
        ("beat", "operator", ".", False),
        ("patrol", "operator", "p", False),
        ("creep", "operator", "c", False),
        ("retreat", "operator", "z", False),
    ]
    assert isinstance(cart.command("halt"), Command)
    front, supply = cart.sensor("front"), cart.sensor("supply")
    assert (front.unit, front.low, front.high, front.median, front.patience) == (Unit.LENGTH, 20, 4000, 3, 50)
    assert front.source == Ranger("22", "23", True)
    assert (supply.unit, supply.low, supply.high, supply.plausible) == (Unit.VOLTAGE, 0, 15000, (4000, 14000))
    assert supply.source == AnalogVoltage("A0")
    (bumper,) = cart.switches
    assert bumper.contact == Contact("2", True, 2)


def test_outputs_and_constants(cart: Machine) -> None:
    drive = cart.output("port_drive")
    assert drive == Motor("port_drive", "5", "30", "31", None, place=drive.place)
    assert isinstance(cart.output("beacon"), Lamp)
    (room,) = cart.constants
    assert room == Constant("side_room", Unit.LENGTH, 300, room.place)


def test_levels(cart: Machine) -> None:
    blocked, flat = cart.levels
    front, supply = Term("sensor", "front"), Term("sensor", "supply")
    assert blocked.set == Compare(front, "<", None, 350)
    assert blocked.clear == Compare(front, ">", None, 420)
    assert (blocked.set_ticks, blocked.clear_ticks, blocked.starts_on, blocked.on_if_in_doubt) == (0, 0, False, True)
    assert blocked.text == "when front < 35 cm clears when front > 42 cm, on if in doubt"
    assert flat.set == Compare(supply, "<", None, 6600)
    assert (flat.set_ticks, flat.on_if_in_doubt) == (100, False)


def test_the_part(cart: Machine) -> None:
    (part,) = cart.parts
    assert part.name == "feed_pusher"
    assert [mode.name for mode in part.modes if mode.stop] == ["parked", "jammed", "spent"]
    assert part.mode["jammed"].own == (("beacon", Blink(20)),)
    assert part.mode["cruise"].settings == (
        ("port_drive", Fixed(60)),
        ("star_drive", Fixed(60)),
        ("beacon", Fixed(1)),
    )
    assert part.mode["cruise"].groups == ("patrolling", "driving")
    assert part.mode["retreating"].own[0] == ("port_drive", Fixed(-30))
    assert part.group["driving"].modes == (*("creeping", "retreating", "cruise", "weigh", "swing_left", "swing_right"),)
    assert part.group["patrolling"].settings == (("beacon", Fixed(1)),)
    (turns,) = part.counters
    assert (turns.low, turns.high, turns.start, turns.part) == (0, 7, 0, "feed_pusher")
    assert part.outputs == ("beacon", "port_drive", "star_drive")
    assert cart.is_moving(part, part.mode["weigh"]) and not cart.is_moving(part, part.start)


def test_rows(cart: Machine) -> None:
    (part,) = cart.parts
    assert [row.number for row in part.rows] == list(range(19))
    assert len(part.failsafes) == 4 and not any(row.shared for row in part.rows)
    flat, halt, silent, bump = part.failsafes
    assert flat.modes == tuple(mode.name for mode in part.modes)
    assert flat.when == Or((LevelOn("flat"), Fault("supply")))
    assert (halt.when, halt.target, halt.changes) == (Taken("halt"), "parked", (Change("turns", "set", 0),))
    assert silent.when == Silent("operator")
    assert bump.when == Or((SwitchOn("bumper"), Fault("front")))
    rules = part.rules
    assert rules[0].when == And((Taken("patrol"), Not(LevelOn("blocked"))))
    assert rules[3].when == Or((Absent("creep", 30), LevelOn("blocked")))
    assert rules[5].changes == (Change("turns", "step", 1),)
    stay = rules[6]
    assert (stay.move, stay.target, stay.go_text, stay.do_text) == ("stay", "", "stay", "turns = 0")
    assert stay.when == And((After(500), Compare(Term("counter", "turns"), ">", None, 0)))
    assert rules[9].when == And((After(60), Compare(Term("sensor", "left"), ">", None, 300)))
    assert rules[12].modes == ("swing_left", "swing_right")
    assert rules[12].in_text == "swing_left, swing_right"
    assert rules[14].when == After(60_000, "patrolling")
    assert cart.line(rules[14].place).split()[:4] == ["patrolling", "|", "after", "10"]


def test_promises(cart: Machine) -> None:
    reach, once, whenever, never = cart.promises
    part = "feed_pusher"
    assert (reach.kind, reach.when, reach.modes) == ("reach", None, (ModeRef(part, "parked"),))
    assert (once.kind, once.when, once.ticks) == ("once", Taken("halt"), 2)
    assert once.modes == (ModeRef(part, "parked"), ModeRef(part, "spent"))
    assert (whenever.kind, whenever.when) == ("while", Silent("operator"))
    moves = [Compare(Term("output", name), "!=", None, 0) for name in ("port_drive", "star_drive")]
    assert (never.kind, never.ticks) == ("never", 2)
    assert never.when == And((Or(tuple(moves)), LevelOn("flat")))
    assert never.text == "never (port_drive != 0 % or star_drive != 0 %) and flat for 20 ms"


def test_the_trial(cart: Machine) -> None:
    (trial,) = cart.trials
    assert trial.title == "a wall, then a dead end"
    start, beat, go, wall = trial.inputs
    assert start.inputs == (
        *(SetSensor("supply", 7600), SetSensor("front", 2000), SetSensor("left", 900), SetSensor("right", 900)),
    )
    assert beat == Every(0, 10, None, (Hear("beat"),), beat.place)
    assert (go.tick, go.inputs) == (100, (Hear("patrol"),))
    assert wall.tick == 300
    cruise, weigh, jammed = trial.expectations
    assert cruise == Expect(
        100, InMode("feed_pusher", ("cruise",), "cruise"), 2, 0, cruise.place, "cruise within 20 ms"
    )
    assert (weigh.tick, weigh.within, jammed.within) == (300, 5, 500)
    assert trial.last_tick == 800


def test_other_samples_use_what_the_first_does_not() -> None:
    pump = read_file(SAMPLES / "sump_pump.modes")
    expectations = [expect.when for trial in pump.trials for expect in trial.expectations]
    assert OutputIs("pump", "off") in expectations and OutputIs("horn", "blinking") in expectations
    gate = read_file(SAMPLES / "yard_gate.modes")
    assert gate.links[0].checked and gate.links[0].silent is None
    assert gate.parts[0].mode["opening"].unattended
    assert isinstance(gate.output("leaf"), Motor) and gate.output("leaf").ramp == 200  # type: ignore[union-attr]


def test_where_the_file_is_found_does_not_matter() -> None:
    text = Path(FILE).read_text(encoding="utf-8")
    elsewhere = read_text(text, "elsewhere.modes")
    assert elsewhere.parts[0].rows[0].place.file == "elsewhere.modes"
