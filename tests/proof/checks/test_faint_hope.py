"""What is said of a row that starts something while a sensor is in fault."""

from __future__ import annotations

import pytest

from statecraft.findings import Finding
from statecraft.language import read_text
from statecraft.machine import Sensor
from statecraft.proof.checks.faint_hope import keeping_back, met_with
from statecraft.proof.engine.limits import OutOfTime, proving, within
from statecraft.proof.prove import Phase, Report, _Proof, as_proved, prove
from statecraft.proof.runs.counterfactual_tick import hoped
from statecraft.proof.runs.random_walk import Play
from statecraft.proof.slices import Slice
from tests.proof.against_brute import disagreements

TANK = """
machine  tank
board    atmega328p
tick     10 ms
command  halt   button, pin 7, on when high, urgent
sensor   depth  by hand, 2 cm .. 400 cm
level    {level}
relay    valve  pin 9
mode resting stop
mode filling valve on
group at_all resting, filling
failsafes
in      | when                       | go to
any     | halt or after 5 s          | resting
rules
in      | when                       | go to
resting | {when} and after 100 ms    | filling
"""


@pytest.mark.parametrize(
    ("level", "when", "offered"),
    [
        ("low when depth < 20 cm clears when depth > 30 cm", "low", False),  # in doubt, it would fill the tank
        ("low when depth < 20 cm clears when depth > 30 cm", "not depth > 40 cm", False),
        ("high when depth > 40 cm for 1 s clears when depth < 30 cm", "not high", True),
        ("low when depth < 20 cm clears when depth > 30 cm, on if in doubt", "low and not depth > 40 cm", False),
    ],
)
def test_a_row_that_some_depth_would_have_prevented(level: str, when: str, offered: bool) -> None:
    """``high`` stands as it would, had the depth been read so for as long as it asks."""
    report = prove(read_text(TANK.format(level=level, when=when)))
    (found,) = [each for each in report.findings if each.code == "faint hope"]
    assert found.row is not None and found.row.number == 1
    assert ("on if in doubt" in found.hint) == offered


@pytest.mark.parametrize(
    ("when", "named"),
    [
        ("not near", ["near"]),
        ("near", []),
        ("not (near and full)", ["near", "full"]),
        ("not busy", ["near"]),
        ("free", ["near"]),
        ("not free", []),
        ("near turns off", ["near"]),
        ("near turns on", []),
        ("not other", []),
    ],
)
def test_what_keeps_a_row_back_by_being_on(when: str, named: list[str]) -> None:
    level = """near when depth < 20 cm clears when depth > 30 cm
level full when depth > 90 cm clears when depth < 80 cm
level busy when near clears when not near
level free when not busy clears when busy
level other when tank in filling clears when tank in resting"""
    machine = read_text(TANK.format(level=level, when=when))
    assert [each.name for each in keeping_back(machine, machine.parts[0].rows[1].when, "depth")] == named


@pytest.mark.parametrize(
    ("level", "when"),
    [
        ("low when depth < 20 cm clears when depth > 30 cm, on if in doubt", "low"),
        ("high when depth > 40 cm for 1 s clears when depth < 30 cm, on if in doubt", "not high"),
        ("low when depth < 20 cm clears when depth > 30 cm", "low and not depth fault"),
        ("low when depth < 20 cm clears when depth > 30 cm", "low and (tank in resting or depth fault)"),
        ("low when depth < 20 cm and not {every} clears when depth > 30 cm and not {every}, on if in doubt", "low"),
    ],
)
def test_a_level_that_is_on_if_in_doubt_is_no_hope(level: str, when: str) -> None:
    """It stays on, whatever depth is taken to have been read; even one to which no depth makes a difference. Nor is it
    one for a row that names the fault, though its mode may settle what it asks."""
    report = prove(read_text(TANK.format(level=level.format(every="tank in at_all"), when=when)))
    assert "faint hope" not in {each.code for each in report.findings}
    assert not [each for each in report.unproved if "faults" in each]


@pytest.mark.parametrize("doubt", ["", ", on if in doubt"])
@pytest.mark.parametrize("when", ["low", "not low", "low and not depth > 40 cm"])
def test_slices_know_of_levels_that_stay_on(doubt: str, when: str) -> None:
    """Where the level is written out in the slice: what they say is what is so where all is followed."""
    machine = read_text(TANK.format(level=f"low when depth < 20 cm clears when depth > 30 cm{doubt}", when=when))

    def found(report: Report) -> set[tuple[str, object]]:
        return {(each.code, each.row or each.mode) for each in report.findings if "fault" in each.code + each.message}

    alone = prove(machine, phases=("slices",))
    assert found(alone) == found(prove(machine, phases=("whole",)))
    assert not [each for each in alone.unproved if "fault" in each]


SHED_CART = """
machine shed_cart
board atmega2560
tick 20 ms
link remote serial1, 19200 baud, checked, silent after 300 ms
command halt "x", urgent
command beat "."
command go_ahead "a"
command go_back "b"
command go_star "c"
command go_port "d"
command wander_cart "e"
sensor supply voltage, pin A0, 0 V .. 15 V, plausible 4 V .. 14.5 V
sensor ahead_eye range, trigger 26, echo 27, 2 cm .. 400 cm, no echo reads far, median of 3
sensor star_eye range, trigger 28, echo 29, 2 cm .. 400 cm, no echo reads far, median of 3
sensor port_eye range, trigger 30, echo 31, 2 cm .. 400 cm, no echo reads far
switch bumper pin 32, on when high, on if in doubt
motor left pwm 2, forward 22, reverse 23
motor right pwm 3, forward 24, reverse 25
level flat when supply < 6.6 V for 1 s clears when supply > 7.2 V for 2 s
level ahead_shut when ahead_eye < 40 cm for 260 ms clears when ahead_eye > 52 cm for 640 ms
level star_shut when star_eye < 40 cm clears when star_eye > 47 cm, on if in doubt
level port_shut when port_eye < 36 cm for 280 ms clears when port_eye > 44 cm, on if in doubt
part cart
  counter tries 0 .. 3
  mode rest stop
  mode ahead left 45 %, right 45 %
  mode back left -35 %, right -35 %
  mode star left 40 %, right -40 %
  mode port left -40 %, right 40 %
  mode roam left 50 %, right 50 %
  mode wait
  mode swing left -40 %, right 40 %
  mode stuck stop
  group busy ahead, back, star, port, roam, wait, swing
  failsafes
    in | when | go to | do
    any | halt | rest |
    busy | ahead_eye fault or bumper | rest |
    busy | flat | rest |
    busy | remote silent | rest |
  rules
    in | when | go to | do
    rest | go_ahead and not ahead_shut | ahead |
    ahead | after 2 s or ahead_shut | rest |
    rest | go_back | back |
    back | after 10 s | rest |
    rest | go_star and not star_shut | star |
    star | after 10 s or star_shut | rest |
    rest | go_port and not port_shut | port |
    port | after 5 s or port_shut | rest |
    rest, stuck | wander_cart and not ahead_shut | roam | tries = 0
    roam | ahead_shut | wait | tries + 1
    roam | after 5 s and tries > 0 | stay | tries = 0
    roam | after 5 min | rest |
    wait | tries >= 3 | stuck |
    wait | after 480 ms | swing |
    swing | after 400 ms and not ahead_shut | roam |
    swing | after 4 s | wait | tries + 1
"""


def test_a_start_that_a_slice_cannot_play_is_made_to_come_off() -> None:
    """Of four levels with times each is in the way of the shortest run; held inputs play it all the same."""
    report = prove(read_text(SHED_CART), phases=("slices",))
    assert not any("what starts" in each for each in report.unproved)
    hoping = {each.row.number for each in report.findings if each.code == "faint hope" and each.row is not None}
    assert hoping == {4, 6, 8, 10, 12, 17, 18}


@pytest.mark.parametrize("phases", [("slices",), ("soon", "slices", "whole")])
def test_a_level_that_a_reading_would_have_put_on_by_its_time_alone(phases: tuple[Phase, ...]) -> None:
    """What it asks of the sensor does not matter in the mode; for how long it has been read does."""
    text = """
machine  tank
board    atmega328p
tick     10 ms
switch   lid    pin 7, on when high
sensor   depth  by hand, 2 cm .. 400 cm
level    still  when tank in resting for 10 ms clears when not tank in resting and depth fault
relay    valve  pin 9
mode resting stop
mode filling valve on
failsafes
in      | when          | go to
any     | still and lid | resting
rules
in      | when          | go to
resting | after 0 s     | filling
filling | after 100 ms  | resting
"""
    report = prove(read_text(text), phases=phases)
    (found,) = [each for each in report.findings if each.code == "faint hope"]
    assert found.row is not None and found.row.number == 1


AWNING = """machine awning
board atmega2560
tick 20 ms
command halt button, pin 22, on when high, urgent
command auto button, pin 23, on when low
command out button, pin 24, on when low
sensor sun ratio, pin A0, 0 % .. 100 %, plausible 1 % .. 99 %
level bright when sun > 70 % for 5 min clears when sun < 50 % for 5 min
switch shut pin 30, on when low
relay raise pin 40
relay lower pin 41
failsafes
in | when | go to
any | halt | start
part mind
mode by_hand stop
mode by_sun stop
rules
in | when | go to
by_hand | auto | by_sun
part cloth
counter place 0 .. 60, up each 1000 ms in lowering, down each 500 ms in raising
mode still stop
mode raising raise on
mode lowering lower on
rules
in | when | go to | do
still | mind in by_sun and bright and place < 55 and not sun fault | lowering |
still | mind in by_sun and not bright and not shut{more} | raising |
still | out | lowering |
raising | shut | still | place = 0
lowering | place >= 60 | still |
"""
"""What starts in the fault of the sun would not have, on bright sun, where the cloth is out already."""


@pytest.mark.parametrize(("more", "numbers"), [("", {2}), (" and place < 50", set())])
def test_what_the_simulation_is_met_with_shows_it(more: str, numbers: set[int]) -> None:
    machine = as_proved(read_text(AWNING.format(more=more)))
    cloth, sun = machine.part("cloth"), machine.sensors[0]
    play = Play(machine)
    play.seek({(1, row.number) for row in cloth.rows}, [], 20_000)
    found = [met_with(machine, row, sun, play) for row in cloth.rows[1:3]]
    shown = [each for each in found if each is not None]
    assert {each.row.number for each in shown if each.row is not None} == numbers
    for each in shown:
        assert each.row is not None and each.run is not None and each.run.waited
        assert hoped(machine, each.row, "sun", each.run) is not None
        assert dict(each.run.stretches[-1].inputs.sensors)["sun"] is None
        assert all(stretch.ticks for stretch in each.run.stretches)


def test_it_is_met_with_where_slices_take_too_long(monkeypatch: pytest.MonkeyPatch) -> None:
    """If that shows all that there may be; else slices have the time that is left."""
    written = read_text(AWNING.format(more=""))
    machine = as_proved(written)
    asked: list[int] = []

    def late(made: Slice, part: int, sensor: Sensor) -> list[Finding]:
        asked.append(part)
        raise OutOfTime

    monkeypatch.setattr("statecraft.proof.prove.faint_hope", late)
    with proving(20, None, None):
        found = _Proof(machine, written, ("slices",)).hopes_in_slices("cloth", machine.sensors[0])
        assert {each.row.number for each in found if each.row is not None} == {2} and len(asked) == 1
        monkeypatch.setattr("statecraft.proof.prove.hope_met_with", lambda *_: None)
        with pytest.raises(OutOfTime):
            _Proof(machine, written, ("slices",)).hopes_in_slices("cloth", machine.sensors[0])


VENT = """
machine vent
board atmega2560
tick 10 ms
sensor heat by hand, 0 .. 5
sensor wind by hand, 0 .. 5
output drive by hand, 0 % .. 100 %
sensor kept heat, taken in lamp in dark after 10 ms
level hot when heat > 4 for 30 ms clears when heat <= 1, starts on
part lamp
mode dark stop
part flap
mode shut stop
mode open drive 100 %
failsafes
in | when | go to
shut | heat fault and kept == wind | shut
rules
in | when | go to
shut | kept fault turns off | restart
shut | hot | open
""".lstrip()


def test_a_tick_that_comes_to_the_same_from_other_inputs_is_another() -> None:
    """Between its thresholds or in fault, the heat does the same to the level, and the row opens; but only in its fault
    would another reading of the wind have kept the flap shut."""
    machine = read_text(VENT)
    found = {each.subject: each.run.ticks for each in prove(machine).findings
             if each.code == "faint hope" and each.run is not None}  # fmt: skip
    assert found == {"heat": 1, "wind": 1, "kept": 1}
    assert not disagreements(machine)


def test_levels_in_a_long_chain_are_gone_through_once() -> None:
    """Each asks for the two before it, on and off: the ways through them double with each."""
    lines = [f"level l{n} when front < 3{n} cm clears when front > 4{n} cm" for n in range(2)]
    lines += [f"level l{n} when l{n - 1} and not l{n - 2} clears when not l{n - 1}" for n in range(2, 60)]
    machine = read_text(
        "machine chain\nboard atmega328p\ntick 10 ms\ncommand go button, pin 2, on when low\n"
        "sensor front range, trigger 7, echo 8, 2 cm .. 200 cm\nrelay motor pin 9\n"
        + "\n".join(lines)
        + "\nmode rest stop\nmode run motor on\nrules\nin | when | go to\n"
        "rest | go and not l59 | run\nrun | l58 | rest\n"
    )
    with within(5):
        found = keeping_back(machine, machine.parts[0].rows[0].when, "front")
    assert {level.name for level in found} == {"l0", "l1"}
