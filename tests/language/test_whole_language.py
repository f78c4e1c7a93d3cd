"""Every construct of the language, and what it becomes."""

from __future__ import annotations

from pathlib import Path

import pytest

from statecraft.language import FileErrors, read_file, read_text
from statecraft.machine import (
    Absent,
    AnalogCurrent,
    AnalogRatio,
    And,
    At,
    Blink,
    Buzzer,
    ByHand,
    Change,
    Compare,
    Contact,
    CountsTime,
    DimLamp,
    Every,
    Expect,
    Fault,
    Fixed,
    Follows,
    FromDial,
    HandOutput,
    Hear,
    InMode,
    LevelOn,
    Mix,
    ModeRef,
    Motor,
    Not,
    Or,
    OutputIs,
    Pulses,
    Ranger,
    Relay,
    Remembered,
    Servo,
    SetDial,
    SetSensor,
    SetSwitch,
    Share,
    Silent,
    Steady,
    SwitchOn,
    Taken,
    Term,
    Thermistor,
    Unit,
    atoms,
)
from tests.language.frame import PREAMBLE, frame, machine

ARM = """\
# A cart with an arm and a scout.

machine gatherer
board   "boards/own.toml"
tick    10 ms

link     operator   serial1, 9600 baud, plain, silent after 500 ms, reports
link     gate       serial2, 19200 baud, checked

command  halt       "h" from operator, urgent
command  open       "open" from gate
command  fetch      "f", from operator
command  wall       button, pin 3, on when low, settle 30 ms, urgent

dial     pace       "v" from operator, 20 % .. 80 %, starts 40 %
dial     tilt       "tilt:" from gate, -10 deg .. 80 deg, starts 0 deg

sensor   front      range, trigger 22, echo 23, 2 cm .. 4 m, median of 3, air 5 C, noise 2.5 cm
sensor   pull       current, pin A1, 0.5 V is 0 A, 2.5 V is 20 A
sensor   air        temperature, pin A2, 10 kohm at 25 C, beta 3950, against 10 kohm
sensor   wind       pulses, pin 2, 0 Hz .. 60 Hz
sensor   heading    by hand, 0 deg .. 359.9 deg, patience 1 s, takes at most 0.25 ms
sensor   seen_left  front, taken in look_left after 350 ms, patience 3 s
switch   lid        by hand, takes at most 1 ms
switch   bumper     pin 4, on when high, on if in doubt

motor    leaf       pwm 9, direction 8 on when low, ramp 200 %/s, pause 300 ms before reversing, harmless
servo    fingers    pin 45, 0 deg .. 90 deg, rest stays
servo    wrist      pin 46, -10 deg .. 90 deg, harmless
relay    pump       pin 7, on when low, harmless
buzzer   horn       pin 8, on when low, 3 kHz
output   gripper    by hand, 0 % .. 100 %, rest 20 %, takes at most 2 ms
output   note       by hand, 0 .. 9, harmless

library  "Wire"
library  "SPI"

constant slow       = 30 %
constant soon       = 300 ms
constant many       = 5

level    windy      when wind > 12.5 Hz for 2 s clears when wind < 8 Hz for 4 s, starts on, on if in doubt
level    rough      when windy and pace > 50 %, clears when not windy or lid
level    no_headway when front steady within 3 cm for 4 s, clears when not drive in cruise

failsafes
  in  | when                 | go to
  any | halt or gate_open    | start

part drive
  counter  place      0 .. 40, starts 3, up each 500 ms in cruise, look_left, down each 1 s in any but parked, cruise
  counter  legs       -5 .. 5
  mode     parked     stop
  mode     cruise     leaf slow, fingers 45 deg, tolerates front fault and wind fault, unattended, endless
  mode     creep      leaf -pace
  mode     look_left
  group    going      creep, cruise; with pump on
  group    outside    going, look_left; with pump off
  failsafes
    in       | when            | go to
    outside  | operator silent | parked
  rules
    in                 | when                               | go to     | do
    any but cruise     | fetch within 300 ms and lid        | cruise    | place = many, legs - 1
    cruise             | after soon                         | look_left |
    look_left, creep   | place >= legs + 2 or grabbed > 0   | restart   | legs + 1
    going              | arm in busy and after 1 min in going | stay    | legs = -2
    outside            | seen_left < front - 10 cm          | creep     |

part arm
  counter  grabbed    0 .. 3
  mode     folded     stop, note 3, resumes
  mode     out        wrist tilt, gripper 80 %, horn on
  mode     done       stop, final
  group    busy       out
  rules
    in       | when                          | go to  | do
    folded   | drive in look_left            | out    |
    out      | 30 cm + 2 cm <= seen_left     | folded | grabbed + 1

promise never drive in going and arm in out for 2 s
promise while wall taken -> drive in parked within 20 ms
promise once cruise -> drive in going, out within 1 min

accept flapping in drive in going, out because  "it  is quick"
accept unused in note because "for the next season"

trial "all of it"
  at 0 s          heading 12.5 deg, lid on, front fault, wind 3 Hz
  every 100 ms    fetch, pace 45 %
  at 1 s          halt, open, tilt 20 deg, lid off
  expect          drive in parked within 20 ms for 1 s
  at 1.5 s        no more fetch, front 35.5 cm, wall
  expect          horn off and gripper < 30 % and (fetch within 1 s)
  every 50 ms     fetch
  at 2 s          no more fetch, no more pace
  expect          place == 3 for 100 ms
""".replace(" or gate_open", " or open")


@pytest.fixture(scope="module")
def gatherer():  # type: ignore[no-untyped-def]
    return read_text(ARM, "gatherer.modes")


def test_links_commands_dials(gatherer) -> None:  # type: ignore[no-untyped-def]
    operator, gate = gatherer.links
    assert (operator.reports, operator.silent, operator.checked) == (True, 50, False)
    assert (gate.reports, gate.silent, gate.checked, gate.baud) == (False, None, True, 19200)
    assert [(c.name, c.link) for c in gatherer.commands] == [
        ("halt", "operator"),
        ("open", "gate"),
        ("fetch", "operator"),
        ("wall", None),
    ]
    assert gatherer.command("wall").button == Contact("3", False, 3) and gatherer.command("wall").urgent
    pace, tilt = gatherer.dials
    assert (pace.link, pace.prefix, pace.unit, pace.low, pace.high, pace.start) == (
        *("operator", "v", Unit.PERCENT, 20, 80, 40),
    )
    assert (tilt.link, tilt.prefix, tilt.low, tilt.high, tilt.start) == ("gate", "tilt:", -100, 800, 0)


def test_sensors(gatherer) -> None:  # type: ignore[no-untyped-def]
    assert [s.name for s in gatherer.sensors] == ["front", "pull", "air", "wind", "heading", "seen_left"]
    front, pull, air, wind, heading, seen = gatherer.sensors
    assert front.source == Ranger("22", "23", False, 50) and (front.high, front.median) == (4000, 3)
    assert pull.source == AnalogCurrent("A1", 500, 0, 2500, 20000)
    assert (pull.low, pull.high, pull.patience) == (0, 20000, 50)
    assert air.source == Thermistor("A2", 10_000, 250, 3950, 10_000) and (air.low, air.high) == (-400, 1250)
    assert wind.source == Pulses("2") and (wind.unit, wind.high) == (Unit.RATE, 600)
    assert heading.source == ByHand(250) and (heading.unit, heading.high, heading.patience) == (Unit.ANGLE, 3599, 100)
    assert seen.source == Remembered("front", "drive", "look_left", 35)
    assert (seen.unit, seen.low, seen.high, seen.patience) == (Unit.LENGTH, 20, 4000, 300)
    lid, bumper = gatherer.switches
    assert (lid.contact, lid.on_if_in_doubt, lid.takes_us) == (None, False, 1000)
    assert (bumper.contact, bumper.on_if_in_doubt) == (Contact("4", True, 2), True)
    assert gatherer.libraries == ("Wire", "SPI")


def test_outputs(gatherer) -> None:  # type: ignore[no-untyped-def]
    leaf, fingers, wrist, pump, horn, gripper, note = gatherer.outputs
    assert leaf == Motor("leaf", "9", None, None, "8", 200, 30, leaf.place, ("direction",), True)
    assert pump == Relay("pump", "7", pump.place, on_when_low=True, harmless=True)
    assert fingers == Servo("fingers", "45", 0, 900, None, fingers.place)
    assert wrist == Servo("wrist", "46", -100, 900, -100, wrist.place, True)
    assert horn == Buzzer("horn", "8", 3000, horn.place, on_when_low=True)
    assert gripper == HandOutput("gripper", Unit.PERCENT, 0, 100, 20, gripper.place, 2000)
    assert note == HandOutput("note", Unit.NUMBER, 0, 9, 0, note.place, None, True)


def test_levels(gatherer) -> None:  # type: ignore[no-untyped-def]
    windy, rough, headway = gatherer.levels
    assert (windy.set_ticks, windy.clear_ticks, windy.starts_on, windy.on_if_in_doubt) == (200, 400, True, True)
    assert windy.set == Compare(Term("sensor", "wind"), ">", None, 125)
    assert rough.set == And((LevelOn("windy"), Compare(Term("dial", "pace"), ">", None, 50)))
    assert rough.clear == Or((Not(LevelOn("windy")), SwitchOn("lid")))
    assert headway.set == Steady("front", 30, 400)
    assert headway.clear == Not(InMode("drive", ("cruise",), "cruise"))


def test_parts_and_shared_failsafes(gatherer) -> None:  # type: ignore[no-untyped-def]
    drive, arm = gatherer.parts
    assert (drive.name, arm.name) == ("drive", "arm")
    for part in (drive, arm):
        first = part.rows[0]
        assert first.shared and first.failsafe and first.number == 0
        assert (first.target, first.go_text) == (part.start.name, "start")
        assert first.modes == tuple(mode.name for mode in part.modes)
        assert first.when == Or((Taken("halt"), Taken("open")))
    own = drive.rows[1]
    assert own.failsafe and not own.shared and own.modes == ("cruise", "creep", "look_left")
    assert [row.number for row in drive.rows] == list(range(7))
    assert gatherer.owner("leaf") is drive and gatherer.owner("horn") is arm
    assert arm.mode["done"].final and arm.mode["folded"].resumes and not arm.mode["done"].resumes


def test_modes_and_groups(gatherer) -> None:  # type: ignore[no-untyped-def]
    drive, arm = gatherer.parts
    cruise = drive.mode["cruise"]
    assert cruise.tolerates == ("front", "wind") and cruise.unattended and cruise.endless
    assert cruise.own == (("leaf", Fixed(30)), ("fingers", Fixed(450)))
    assert cruise.groups == ("going", "outside")
    assert ("pump", Fixed(1)) in cruise.settings, "the inner group counts"
    assert drive.mode["look_left"].settings == (("pump", Fixed(0)),)
    assert drive.mode["creep"].own == (("leaf", FromDial("pace", True)),)
    assert drive.group["outside"].modes == ("cruise", "creep", "look_left")
    assert arm.mode["out"].own == (("wrist", FromDial("tilt")), ("gripper", Fixed(80)), ("horn", Fixed(1)))


def test_counters_that_count_time(gatherer) -> None:  # type: ignore[no-untyped-def]
    place, legs = gatherer.part("drive").counters
    assert (place.low, place.high, place.start) == (0, 40, 3)
    assert place.counts == (
        CountsTime(1, 50, ("cruise", "look_left"), "cruise, look_left"),
        CountsTime(-1, 100, ("creep", "look_left"), "any but parked, cruise"),
    )
    assert (legs.low, legs.start, legs.counts) == (-5, 0, ())  # at 0, where its range has it


def test_rows(gatherer) -> None:  # type: ignore[no-untyped-def]
    fetch, look, again, hold, back = gatherer.part("drive").rules
    assert fetch.modes == ("parked", "creep", "look_left") and fetch.in_text == "any but cruise"
    assert fetch.when == And((Not(Absent("fetch", 30)), SwitchOn("lid")))
    assert fetch.changes == (Change("place", "set", 5), Change("legs", "step", -1))
    assert look.when.ticks == 30  # type: ignore[union-attr]
    assert again.move == "restart" and again.target == ""
    place, legs = Term("counter", "place"), Term("counter", "legs")
    assert again.when == Or((Compare(place, ">=", legs, 2), Compare(Term("counter", "grabbed"), ">", None, 0)))
    assert hold.move == "stay" and hold.changes == (Change("legs", "set", -2),)
    assert hold.when.of[0] == InMode("arm", ("out",), "busy")
    assert back.when == Compare(Term("sensor", "seen_left"), "<", Term("sensor", "front"), -100)
    arm = gatherer.part("arm").rules
    assert arm[0].when == InMode("drive", ("look_left",), "look_left")
    assert arm[1].when == Compare(Term("sensor", "seen_left"), ">=", None, 320), "the constant may stand on the left"


def test_promises(gatherer) -> None:  # type: ignore[no-untyped-def]
    never, whenever, once = gatherer.promises
    assert never.when == And((InMode("drive", ("cruise", "creep"), "going"), InMode("arm", ("out",), "out")))
    assert never.ticks == 200
    assert whenever.when == Taken("wall") and whenever.modes == (ModeRef("drive", "parked"),)
    assert once.when == InMode("drive", ("cruise",), "cruise")
    assert once.modes == (ModeRef("drive", "cruise"), ModeRef("drive", "creep"), ModeRef("arm", "out"))


def test_findings_that_are_accepted(gatherer) -> None:  # type: ignore[no-untyped-def]
    flapping, unused = gatherer.accepts
    assert (flapping.finding, flapping.reason, flapping.names) == ("flapping", "it is quick", ())
    assert flapping.modes == (ModeRef("drive", "cruise"), ModeRef("drive", "creep"), ModeRef("arm", "out"))
    assert (unused.finding, unused.modes, unused.names) == ("unused", (), ("note",))
    assert unused.text == 'accept unused in note because "for the next season"'
    assert unused.place.line == flapping.place.line + 1


def test_what_is_harmless_neither_drives_nor_makes_a_mode_move(gatherer) -> None:  # type: ignore[no-untyped-def]
    drive, arm = gatherer.parts
    told = {mode.name: (gatherer.is_moving(p, mode), gatherer.drives(mode)) for p in (drive, arm) for mode in p.modes}
    # leaf, pump, wrist and note hurt nobody; fingers stays where it is put, and gripper is away from its rest
    assert told["cruise"] == (True, True) and told["out"] == (True, True)
    assert told["creep"] == told["look_left"] == (True, False)
    assert told["parked"] == told["folded"] == (False, False)
    assert gatherer.sensors[0].noise == 25 and gatherer.sensors[1].noise is None


def test_the_trial(gatherer) -> None:  # type: ignore[no-untyped-def]
    (trial,) = gatherer.trials
    ats = [step for step in trial.inputs if isinstance(step, At)]
    every = [step for step in trial.inputs if isinstance(step, Every)]
    assert ats[0].inputs == (
        *(SetSensor("heading", 125), SetSwitch("lid", True), SetSensor("front", None), SetSensor("wind", 30)),
    )
    assert ats[1].inputs == (Hear("halt"), Hear("open"), SetDial("tilt", 200), SetSwitch("lid", False))
    assert ats[2].inputs == (SetSensor("front", 355), Hear("wall"))
    assert [(e.tick, e.period, e.end, e.inputs) for e in every] == [
        (0, 10, 150, (Hear("fetch"),)),
        (0, 10, 200, (SetDial("pace", 45),)),
        (150, 5, 200, (Hear("fetch"),)),
    ]
    parked, horn, place = trial.expectations
    assert (parked.tick, parked.within, parked.hold) == (100, 2, 100)
    assert horn.when == And(
        (
            OutputIs("horn", "off"),
            Compare(Term("output", "gripper"), "<", None, 30),
            Not(Absent("fetch", 100)),
        )
    )
    assert (horn.tick, horn.within, horn.hold) == (150, 0, 0)
    assert (place.hold, place.when) == (10, Compare(Term("counter", "place"), "==", None, 3))


def test_board_of_ones_own(gatherer) -> None:  # type: ignore[no-untyped-def]
    assert gatherer.board == "boards/own.toml"
    assert gatherer.comment == "A cart with an arm and a scout."


# ------------------------------------------------------------------------------------------------------------ details


def when(text: str) -> object:
    return machine(rule=f"parked | {text} | cruise |").parts[0].rows[-1].when


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("go or bumper and not blocked", Or((Taken("go"), And((SwitchOn("bumper"), Not(LevelOn("blocked"))))))),
        ("(go or bumper) and blocked", And((Or((Taken("go"), SwitchOn("bumper"))), LevelOn("blocked")))),
        ("not not bumper", Not(Not(SwitchOn("bumper")))),
        ("not front fault", Not(Fault("front"))),
        ("operator silent", Silent("operator")),
        ("go taken", Taken("go")),
        ("go absent 1 s", Absent("go", 100)),
        ("go within pause", Not(Absent("go", 40))),
        ("front < room", Compare(Term("sensor", "front"), "<", None, 300)),
        ("front - 5 cm < room + 10 mm", Compare(Term("sensor", "front"), "<", None, 360)),
        ("room > front", Compare(Term("sensor", "front"), "<", None, 300)),
        ("1 m - room <= front", Compare(Term("sensor", "front"), ">=", None, 700)),
        ("front != 0.5 m", Compare(Term("sensor", "front"), "!=", None, 500)),
        ("turns == 3", Compare(Term("counter", "turns"), "==", None, 3)),
        ("turns > -1", Compare(Term("counter", "turns"), ">", None, -1)),
        ("pace >= 50 %", Compare(Term("dial", "pace"), ">=", None, 50)),
        ("supply < 6600 mV", Compare(Term("sensor", "supply"), "<", None, 6600)),
        ("cart in moving", InMode("cart", ("cruise", "swing"), "moving")),
    ],
)
def test_conditions(text: str, meant: object) -> None:
    assert when(text) == meant


def test_words_of_the_language_are_reserved_only_where_they_stand() -> None:
    hardware = """\
link link serial1, 9600 baud, plain, silent after 500 ms
command stop "s", urgent
command within "w"
sensor fault range, trigger 22, echo 23, 2 cm .. 400 cm
switch on pin 4, on when high
motor motor pwm 5, forward 30, reverse 31
level level when fault fault clears when not fault fault
counter up 0 .. 9, up each 1 s in up, down, down each 2 s in starts
"""
    behaviour = """\
mode stop stop
mode up motor 50 %
mode down motor -50 %
mode starts
group group up, down
failsafes
in | when | go to | do
any | stop or link silent | stop | up = 0
rules
in | when | go to | do
stop, down | on and within within 300 ms and fault < 20 cm | up | up + 1
group | level | down |
up | after 1 s in group | starts |
"""
    found = read_text(PREAMBLE + hardware + behaviour + "promise every mode can reach stop\n")
    (up,) = found.parts[0].counters
    assert up.counts == (CountsTime(1, 100, ("up", "down"), "up, down"), CountsTime(-1, 200, ("starts",), "starts"))
    assert found.parts[0].failsafes[0].when == Or((Taken("stop"), Silent("link")))


def test_how_a_command_stands_on_the_remote() -> None:
    more = 'command slow "s", held, label "very slowly", place left'
    more += '\ndial size "z", 0 % .. 9 %, starts 1 %, label "how much"'
    machine = read_text(frame(more_hardware=more))
    slow, plain = machine.command("slow"), machine.command("halt")
    assert (slow.held, slow.label, slow.spot) == (True, "very slowly", "left")
    assert (plain.held, plain.label, plain.spot) == (False, "", "")
    assert [dial.label for dial in machine.dials] == ["", "how much"]


def test_commands_by_hand_and_in_two_places() -> None:
    more = "command beam by hand, urgent, takes at most 1 ms\n"
    more += "command rope button, pin 4 or pin 6 or pin 8, on when high"
    machine = read_text(frame(more_hardware=more))
    beam, rope = machine.commands[-2:]
    assert beam.by_hand and beam.urgent and beam.takes_us == 1000 and not beam.contacts
    assert [(each.pin, each.on_when_high, each.settle) for each in rope.contacts] == [("4", True, 2), ("6", True, 2),
                                                                                       ("8", True, 2)]  # fmt: skip
    assert not rope.by_hand and not any(command.by_hand for command in machine.commands[:-2])


def test_several_numbers_in_one_message() -> None:
    more = 'dial ahead, aside "j", -100 % .. 100 %\n'
    more += (
        'dial reach, lean "xy", 5 cm .. 9 cm, -3 deg .. 3 deg, starts 6 cm, starts -1 deg, label "far", label "tilt"'
    )
    machine = read_text(frame(more_hardware=more))
    ahead, aside, reach, lean = machine.dials[1:]
    assert [(d.name, d.link, d.prefix, d.low, d.high, d.start) for d in (ahead, aside)] == [
        ("ahead", "operator", "j", -100, 100, 0),
        ("aside", "operator", "j", -100, 100, 0),
    ]
    assert (reach.unit, reach.low, reach.high, reach.start, reach.label) == (Unit.LENGTH, 50, 90, 60, "far")
    assert (lean.unit, lean.low, lean.high, lean.start, lean.label) == (Unit.ANGLE, -30, 30, -10, "tilt")
    assert machine.numbers() == ((machine.dials[0],), (ahead, aside), (reach, lean))
    assert machine.together(aside) == (ahead, aside)


@pytest.mark.parametrize(
    ("written", "setting"),
    [
        ("40 % of pace", Share("pace", 40)),
        ("-40 % of pace", Share("pace", -40)),
        ("0 % of pace", Share("pace", 0)),
        ("pace + aside", Mix(FromDial("pace"), FromDial("aside"))),
        ("pace - aside", Mix(FromDial("pace"), FromDial("aside", True))),
        ("-pace - aside", Mix(FromDial("pace", True), FromDial("aside", True))),
        (
            "follows front: room 15 % .. 80 cm 60 %",
            Follows(Term("sensor", "front"), None, ((300, 15), (800, 60))),
        ),
        (
            "follows turns: 0 -5 % .. 3 0 % .. 7 20 %",
            Follows(Term("counter", "turns"), None, ((0, -5), (3, 0), (7, 20))),
        ),
        (
            "follows pace - aside: -80 % 0 % .. 0 % 100 %",
            Follows(Term("dial", "pace"), Term("dial", "aside"), ((-80, 0), (0, 100))),
        ),
    ],
)
def test_settings_made_of_dials_and_readings(written: str, setting: object) -> None:
    dial = 'dial aside "a", -100 % .. 100 %'
    machine = read_text(frame(more_hardware=dial, more_modes=f"mode going drive {written}"))
    assert machine.parts[0].mode["going"].own == (("drive", setting),)


def test_a_ratio_reads_in_tenths_of_a_percent() -> None:
    hardware = "sensor shade ratio, pin A4, 0 % .. 100 %, plausible 2.5 % .. 97 %, median of 3\nconstant dusk = 12 %"
    found = machine(more_hardware=hardware, rule="cruise | shade < dusk or shade > 33.3 % | swing |")
    shade = found.sensor("shade")
    assert (shade.unit, shade.source, shade.high, shade.plausible) == (Unit.RATIO, AnalogRatio("A4"), 1000, (25, 970))
    when = found.parts[0].rows[-1].when
    assert [atom.offset for atom in atoms(when) if isinstance(atom, Compare)] == [120, 333]


def test_a_lamp_by_pulses() -> None:
    hardware = "lamp glow pwm 7\nlamp eye pwm 9\nconstant dusk = 12 %"
    modes = "mode low glow 30 %, eye blink 200 ms\nmode high glow on, eye dusk\nmode off glow off, eye pace"
    promise = "promise never glow on and eye off"
    found = machine(more_hardware=hardware, more_modes=modes, rule="cruise | bumper | low |", extra=promise)
    assert found.output("glow") == DimLamp("glow", "7", found.output("glow").place)
    part = found.parts[0]
    assert part.mode["low"].own == (("glow", Fixed(30)), ("eye", Blink(20)))
    assert part.mode["high"].own == (("glow", Fixed(100)), ("eye", Fixed(12)))
    assert part.mode["off"].own == (("glow", Fixed(0)), ("eye", FromDial("pace")))
    assert not any(found.drives(part.mode[name]) for name in ("low", "high", "off"))


def test_a_motor_whose_two_pins_carry_pulses() -> None:
    found = machine(more_hardware="motor winch forward pwm 7, reverse pwm 9, ramp 50 %/s, harmless").output("winch")
    assert found == Motor("winch", None, "7", "9", None, 50, 1, found.place, (), True)


def test_a_mode_may_share_a_name_with_a_command() -> None:
    text = frame(
        more_modes="mode halt stop",
        rule="cruise | bumper | halt |",
        extra="promise once cart in halt -> halt within 0 s",
    )
    promise = read_text(text).promises[-1]
    assert promise.when == InMode("cart", ("halt",), "halt") and promise.modes == (ModeRef("cart", "halt"),)


def test_what_is_not_said_has_its_default() -> None:
    found = machine(more_hardware="switch gate pin 40, on when low\nsensor wind pulses, pin 3, 0 Hz .. 60 Hz")
    assert found.switches[-1].contact == Contact("40", False, 2)
    assert found.sensor("wind").patience == 50
    slow = read_text(frame(preamble=PREAMBLE.replace("10 ms", "30 ms")).replace("500 ms", "600 ms").replace(
        "400 ms", "300 ms").replace("blink 2 s", "blink 300 ms").replace("20 ms", "30 ms").replace(
        "after 2 s", "after 3 s").replace("after 1 s", "after 3 s").replace("at 1 s", "at 3 s"))  # fmt: skip
    assert slow.sensor("front").patience == 17, "500 ms, rounded up to whole ticks of 30 ms"


def test_the_do_column_may_be_left_out() -> None:
    behaviour = "mode parked stop\nmode going drive 10 %\nrules\nin | when | go to\nparked | go | going\n"
    found = machine(behaviour=behaviour, tail="")
    assert found.parts[0].rows[0].changes == () and found.parts[0].rows[0].do_text == ""


def test_comments_columns_and_indentation_carry_no_meaning() -> None:
    text = frame()
    loose = "\ufeff" + "\r\n".join(f"   {line}   # {line}" for line in text.splitlines())
    assert _bare(read_text(loose, "cart.modes")) == _bare(read_text(text, "cart.modes"))
    assert machine().commands[2].message == "."
    assert read_text(frame(more_hardware='command hash "#x"')).command("hash").message == "#x"


def _bare(machine: object) -> str:
    import re

    return re.sub(r"Place\([^)]*\)|comment='[^']*'", "", repr(machine))


# ----------------------------------------------------------------------------------------------------- files in files


def test_use_brings_in_hardware_and_failsafes(tmp_path: Path) -> None:
    (tmp_path / "shared").mkdir()
    (tmp_path / "shared" / "common.modes").write_text(
        'use "wires.modes"\nfailsafes\nin | when | go to\nany | halt | start\n', encoding="utf-8"
    )
    (tmp_path / "shared" / "wires.modes").write_text(
        'link operator serial1, 9600 baud, plain\ncommand halt "h"\nmotor drive pwm 5, direction 8\n', encoding="utf-8"
    )
    main = tmp_path / "cart.modes"
    main.write_text(
        PREAMBLE
        + 'use "shared/common.modes"\n'
        + "part one\nmode parked stop\nmode going drive 10 %\nrules\nin|when|go to\nparked|after 1 s|going\n"
        + "part two\nmode off stop\n",
        encoding="utf-8",
    )
    found = read_file(main)
    assert [row.shared for part in found.parts for row in part.rows] == [True, False, True]
    assert found.command("halt").place.file == str(tmp_path / "shared" / "wires.modes")
    assert list(found.source) == [str(main), *(str(tmp_path / "shared" / n) for n in ("common.modes", "wires.modes"))]


def test_a_failsafe_with_start_works_in_a_machine_of_one_part(tmp_path: Path) -> None:
    (tmp_path / "common.modes").write_text("failsafes\nin | when | go to\nany | halt | start\n", encoding="utf-8")
    main = tmp_path / "cart.modes"
    main.write_text(frame(more_hardware='use "common.modes"'), encoding="utf-8")
    rows = read_file(main).parts[0].rows
    assert (rows[0].target, rows[0].shared) == ("parked", False)


def test_errors_name_the_file_they_are_in(tmp_path: Path) -> None:
    (tmp_path / "common.modes").write_text('comand halt "h"\nlamp beacon pin\n', encoding="utf-8")
    main = tmp_path / "cart.modes"
    main.write_text(PREAMBLE + 'use "common.modes"\nmode parked stop, becon on\n', encoding="utf-8")
    with pytest.raises(FileErrors) as caught:
        read_file(main)
    places = [(Path(m.place.file).name, m.place.line) for m in caught.value.mistakes]
    assert places == [("cart.modes", 5), ("common.modes", 1), ("common.modes", 2)]
    assert f"{tmp_path / 'common.modes'}:2:" in caught.value.render()
    assert "  lamp beacon pin\n" in caught.value.render()


def test_a_file_used_twice_counts_once(tmp_path: Path) -> None:
    (tmp_path / "a.modes").write_text('use "c.modes"\n', encoding="utf-8")
    (tmp_path / "b.modes").write_text('use "c.modes"\n', encoding="utf-8")
    (tmp_path / "c.modes").write_text("lamp light pin 13\n", encoding="utf-8")
    main = tmp_path / "main.modes"
    main.write_text(PREAMBLE + 'use "a.modes"\nuse "b.modes"\nmode parked stop, light on\n', encoding="utf-8")
    assert [output.name for output in read_file(main).outputs] == ["light"]


@pytest.mark.parametrize("way", [["a"], ["a", "b"], ["a", "b", "c"]])
def test_cycles_are_refused(tmp_path: Path, way: list[str]) -> None:
    for here, there in zip(way, [*way[1:], way[0]], strict=True):
        (tmp_path / f"{here}.modes").write_text(
            f'{PREAMBLE if here == "a" else ""}use "{there}.modes"\n', encoding="utf-8"
        )
    with pytest.raises(FileErrors) as caught:
        read_file(tmp_path / "a.modes")
    assert "use-cycle" in [m.code for m in caught.value.mistakes]


def test_expectations_hold_from_the_latest_at() -> None:
    found = machine('trial "x"\nexpect parked\nat 2 s go\nexpect cruise within 1 s for pause\n')
    first, second = found.trials[-1].expectations
    assert (first.tick, first.within) == (0, 0)
    assert second == Expect(200, InMode("cart", ("cruise",), "cruise"), 100, 40, second.place, second.text)


@pytest.mark.parametrize(
    ("cell", "modes"),
    [
        ("moving but swing", ("cruise",)),
        ("any but moving", ("parked", "spent")),
        ("any but cruise, swing", ("parked", "spent")),
        ("moving but swing, swing", ("cruise",)),
    ],
)
def test_what_is_left_out_of_a_group_or_of_all(cell: str, modes: tuple[str, ...]) -> None:
    read = machine(rule=f"{cell} | go absent 1 s | parked |")
    assert read.parts[0].rows[-1].modes == modes


def test_a_counter_counts_in_a_group_but_one_mode() -> None:
    read = machine(more_modes="counter place 0 .. 9, up each 1 s in moving but swing")
    (counts,) = next(counter for counter in read.parts[0].counters if counter.name == "place").counts
    assert (counts.modes, counts.text) == (("cruise",), "moving but swing")


def test_a_group_says_all_that_a_mode_may() -> None:
    said = "group all any_of; with unattended, endless, resumes, tolerates front fault and supply fault, beacon on"
    said = said.replace("any_of", "parked, moving") + "\ngroup one swing; with tolerates supply fault"
    read = machine(more_modes=said)
    modes = read.parts[0].mode
    assert [(m.unattended, m.endless, m.resumes) for m in modes.values()] == [
        (True, False, True),  # parked, a stop mode
        (False, False, False),  # spent, outside
        (True, True, False),
        (True, True, False),
    ]
    assert [set(m.tolerates) for m in modes.values()] == [{"front", "supply"}, set(), *[{"front", "supply"}] * 2]
    assert modes["swing"].tolerates == ("supply", "front")
