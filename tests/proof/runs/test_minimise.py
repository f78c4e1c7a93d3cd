"""Runs without what has no bearing on them: as long, through the same modes, and still showing the same."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from statecraft.findings import Finding, Hold, Run, Stimulus
from statecraft.language import read_text
from statecraft.machine import Machine, ModeRef
from statecraft.proof.prove import prove
from statecraft.proof.runs.counterfactual_tick import ignores, would_have_led
from statecraft.proof.runs.minimise import LONGEST, _Minimiser, keeping, minimise, turning_points, unrolled
from statecraft.proof.runs.replay import breaks, player
from statecraft.simulation import Simulation, State
from tests.samples import FAULTY, machine_in, sample

PUMP = """
machine pump
board atmega328p
tick 100 ms
command halt button, pin 3, on when low, urgent
command go button, pin 4, on when low
sensor depth range, trigger 5, echo 6, 2 cm .. 400 cm
sensor other range, trigger 8, echo 9, 2 cm .. 400 cm
switch lid pin 10, on when high
switch door pin 11, on when high
relay water pin 7
mode resting stop
mode pumping water on
mode shut stop
failsafes
  in      | when         | go to
  any     | halt         | resting
  pumping | lid and door | shut
rules
  in      | when                                | go to
  resting | go                                  | pumping
  pumping | other > 50 cm and other < 60 cm     | shut
  shut    | go and depth > 10 cm                | resting
"""


def modes(machine: Machine, run: Run) -> list[dict[str, str]]:
    simulation = Simulation(machine)
    step = player(machine, simulation)
    found = []
    for inputs in unrolled(run).inputs():
        step(inputs)
        found.append(simulation.view.modes)
    return found


def inputs(depth: int | None, other: int | None, lid: bool, door: bool, taken: str | None = None) -> Stimulus:
    return Stimulus((("depth", depth), ("other", other)), (("lid", lid), ("door", door)), (), taken)


@pytest.mark.parametrize("path", FAULTY, ids=lambda path: path.stem)
def test_it_is_as_long_and_goes_through_the_same_modes(path: Path) -> None:
    machine = machine_in(path)
    for finding in prove(machine).findings:
        if finding.run is not None:
            slim = minimise(machine, finding.run, finding)
            assert slim.run.ticks == finding.run.ticks and slim.run.tail == finding.run.tail
            assert modes(machine, slim.run) == modes(machine, finding.run)


def test_what_has_no_bearing_is_found_even_where_only_some_readings_would_have() -> None:
    machine = read_text(PUMP, file="pump.modes")
    run = Run((Hold(inputs(900, 20, False, False), 2), Hold(inputs(30, 700, False, False, "go"), 1),
               Hold(inputs(30, 30, False, True), 3)))  # fmt: skip
    slim = minimise(machine, run, Finding("stuck", mode=None))
    assert "depth" in slim.idle
    assert "other" not in slim.idle  # between 50 cm and 60 cm it would have ended the pumping


def test_two_that_matter_together_are_not_both_idle() -> None:
    machine = read_text(PUMP, file="pump.modes")
    run = Run((Hold(inputs(900, 20, False, False), 2), Hold(inputs(30, 20, False, False, "go"), 3)))
    slim = minimise(machine, run, Finding("stuck", mode=None))
    assert len({"lid", "door"} & slim.idle) == 1


def test_commands_that_need_not_be_said_are_not() -> None:
    machine = read_text(PUMP, file="pump.modes")
    run = Run((Hold(inputs(900, 20, False, False), 2), Hold(inputs(900, 20, False, False, "go"), 4)))
    slim = minimise(machine, run, Finding("stuck", mode=None))
    assert modes(machine, slim.run) == modes(machine, run)
    parts = Run((*run.stretches[:1], Hold(run.stretches[1].inputs, 1), Hold(run.stretches[1].inputs, 3)))
    slim = minimise(machine, parts, Finding("stuck", mode=None))
    assert [stretch.inputs.taken for stretch in slim.run.stretches] == [None, "go", None]


def test_a_broken_promise_stays_broken() -> None:
    machine = read_text(PUMP + "promise never water on and depth < 30 cm for 200 ms\n", file="pump.modes")
    (verdict,) = prove(machine).verdicts
    assert verdict.run is not None
    slim = minimise(machine, verdict.run, verdict.promise)
    assert breaks(machine, verdict.promise, slim.run)
    assert "depth" not in slim.idle


def test_readings_turn_at_what_they_are_compared_with() -> None:
    machine = read_text(PUMP, file="pump.modes")
    assert turning_points(machine, machine.sensor("depth")) == [99, 100, 101, 20, 4000]


def test_a_run_that_is_too_long_to_try_comes_back_as_it_is() -> None:
    machine = read_text(PUMP, file="pump.modes")
    run = Run((Hold(inputs(900, 20, False, False), LONGEST + 1),))
    slim = minimise(machine, run, Finding("stuck", mode=None))
    assert slim.run == run and not slim.idle and not slim.states


def test_the_halt_that_is_undone_stays_in_its_run() -> None:
    """Without the halt the modes would be the same: it stands there as it starts."""
    machine = sample("faulty/halt_undone")
    finding = next(each for each in prove(machine).findings if each.code == "halt undone")
    assert finding.run is not None
    assert "halt" in [each.taken for each in minimise(machine, finding.run, finding).run.inputs()]


def test_the_reading_that_would_have_led_out_is_still_missed() -> None:
    machine = sample("faulty/fault_ignored")
    finding = next(each for each in prove(machine).findings if each.code == "fault ignored")
    assert finding.run is not None
    slim = minimise(machine, finding.run, finding)
    assert [dict(each.sensors)["depth"] for each in list(slim.run.inputs())[-2:]] == [None, None]
    *_, before, after = slim.states
    assert ignores(machine, machine.parts[0], "depth", before, after)
    ways = dict(would_have_led(machine, machine.parts[0], "depth", before, after))
    assert ways[299].name == "resting" and ways[300].name == "pumping"


def test_what_does_not_bear_on_an_ignored_fault_is_left_out() -> None:
    text = (FAULTY[0].parent / "fault_ignored.modes").read_text(encoding="utf-8")
    text = text.replace("relay ", "switch lid pin 10, on when high\nrelay ")
    machine = read_text(text.replace("depth < 30 cm ", "depth < 30 cm or lid and depth < 20 cm "))
    finding = next(each for each in prove(machine).findings if each.code == "fault ignored")
    assert finding.run is not None
    assert minimise(machine, finding.run, finding).idle == {"lid"}


def test_an_urgent_command_is_not_left_to_be_heard_alone() -> None:
    """To be heard is enough to keep the pump on, but where an urgent one is heard, an urgent one is taken."""
    text = PUMP.replace("sensor depth", "command wipe button, pin 6, on when low, urgent\nsensor depth")
    text += "  pumping | wipe absent 200 ms | shut\n  shut | wipe | resting\n"
    machine = read_text(text, file="pump.modes")
    wiped = replace(inputs(900, 20, False, False, "wipe"), heard=("wipe",))
    run = Run((Hold(inputs(900, 20, False, False), 2), Hold(inputs(900, 20, False, False, "go"), 1), Hold(wiped, 4)))
    slim = minimise(machine, run, Finding("stuck", mode=None))
    assert modes(machine, slim.run) == modes(machine, run)
    assert all(each.taken == "wipe" for each in slim.run.inputs() if "wipe" in each.heard)
    assert sum(each.taken == "wipe" for each in slim.run.inputs()) >= 2


def test_the_fault_that_keeps_it_driving_stays_in_its_run() -> None:
    """For the first two seconds any depth would do: the time that ends it has not come."""
    text = """machine tank
board atmega328p
tick 10 ms
command go button, pin 7, on when high
sensor depth by hand, 2 cm .. 400 cm
relay valve pin 9
mode resting stop
mode filling valve on
rules
in      | when                                            | go to
resting | go                                              | filling
filling | after 2 s and (depth < 40 cm or depth >= 40 cm) | resting
"""
    machine = read_text(text)
    finding = next(each for each in prove(machine).findings if each.code == "endless")
    assert finding.run is not None and finding.run.tail is not None
    slim = minimise(machine, finding.run, finding)
    assert slim.run.tail is not None
    assert [dict(each.inputs.sensors)["depth"] for each in slim.run.stretches[slim.run.tail :]] == [None]
    assert slim.held == {"depth"}


# ------------------------------------------------------------------------------------------------- what must still hold

TUB = """machine tub
board atmega328p
tick 10 ms
link radio serial0, 9600 baud, plain
command halt "h" from radio, urgent
command go "g" from radio
command hush "q" from radio
dial pace "v" from radio, 0 .. 9, starts 3
sensor depth by hand, 0 .. 99
sensor heat by hand, 0 .. 99, plausible 5 .. 90
switch lid pin 10, on when high
relay valve pin 9
level full when depth > 60 clears when depth < 40
counter loads 0 .. 5
mode resting stop
mode filling valve on
failsafes
in  | when | go to
any | halt | resting
rules
in      | when                                    | go to   | do
resting | go and not lid                          | filling |
filling | full and heat > 20 and not depth fault  | resting | loads + 1
filling | hush and pace > 4                       | stay    | loads + 1
filling | depth > heat + 7                        | resting |
filling | after 9 s                               | resting |
"""
TUB_MACHINE = read_text(TUB, file="tub.modes")
FILLING, RESTING = ModeRef("tub", "filling"), ModeRef("tub", "resting")


def tub(depth: int | None = 10, heat: int | None = 10, lid: bool = False, pace: int = 3, **said: object) -> Stimulus:
    made = Stimulus((("depth", depth), ("heat", heat)), (("lid", lid),), (("pace", pace),))
    return replace(made, **said)  # type: ignore[arg-type]


def held_run(*stretches: tuple[Stimulus, int], tail: int | None = None) -> Run:
    return Run(tuple(Hold(inputs, ticks) for inputs, ticks in stretches), tail)


def still_shows(about: Finding, run: Run, other: Run) -> bool:
    states = [Simulation(TUB_MACHINE).state]
    simulation = Simulation(TUB_MACHINE)
    step = player(TUB_MACHINE, simulation)
    states += [step(inputs) for inputs in unrolled(other).inputs()]
    return keeping(TUB_MACHINE, run, about)(other, states)


FILLED = held_run((tub(), 2), (tub(taken="go"), 1), (tub(depth=50), 2))


@pytest.mark.parametrize(
    ("code", "run", "other", "same"),
    [
        ("fault ignored", FILLED, FILLED, False),  # no fault
        ("halt missed", held_run((tub(taken="halt"), 1)), held_run((tub(taken="halt", depth=70), 1)), True),
        ("halt missed", held_run((tub(taken="halt"), 1)), held_run((tub(), 1)), False),
        ("runaway", FILLED, held_run((tub(lid=True), 1)), True),
        ("stuck", FILLED, FILLED, True),
        ("lost turn", FILLED, FILLED, True),
        ("lost turn", FILLED, held_run((tub(), 2), (tub(taken="go"), 1), (tub(depth=61, heat=90), 2)), False),
        ("lost turn", FILLED, held_run((tub(), 3), (tub(taken="go"), 1), (tub(), 1)), True),  # another time
        ("no way to stop", FILLED, FILLED, True),
        ("no way to stop", FILLED, held_run((tub(), 3), (tub(taken="go"), 1), (tub(), 3)), False),
    ],
)  # fmt: skip
def test_what_must_hold_of_a_run(code: str, run: Run, other: Run, same: bool) -> None:
    assert still_shows(Finding(code, mode=FILLING, subject="depth"), run, other) is same


def test_a_fault_is_ignored_where_for_two_ticks_it_would_have_been_read_without_a_command() -> None:
    def filled(*last: Stimulus) -> Run:
        warm = tub(depth=10, heat=70)
        return held_run((warm, 1), (replace(warm, taken="go"), 1), *((inputs, 1) for inputs in last))

    lost = tub(depth=None, heat=70)
    about = Finding("fault ignored", mode=FILLING, subject="depth")
    run = filled(lost, lost)
    assert still_shows(about, run, run)
    assert not still_shows(about, run, filled(tub(depth=10, heat=70), lost))
    assert not still_shows(about, run, filled(lost, replace(lost, taken="hush")))
    assert not still_shows(replace(about, mode=None), run, run)


def test_a_tremble_stays_as_small_as_it_was() -> None:
    def trembling(one: int | None, other: int | None, first: int = 0) -> Run:
        return held_run((tub(depth=first), 1), (tub(depth=one), 1), (tub(depth=other), 1), tail=1)

    about = Finding("bare threshold", mode=FILLING, subject="depth")
    run = trembling(45, 48, 90)
    others = [trembling(20, 23), trembling(30, 28), trembling(20, 24), trembling(20, 20), trembling(20, None)]
    assert [still_shows(about, trembling(20, 23), other) for other in others] == [True, True, False, False, False]
    assert not still_shows(about, run, trembling(45, 48, 30))  # the level is another
    assert still_shows(about, trembling(20, 20), trembling(20, 21))
    assert not still_shows(about, trembling(20, 20), trembling(20, 22))


def test_it_waits_for_ever_where_nothing_said_leads_out() -> None:
    about = Finding("waits for ever", mode=RESTING)
    closed, open_ = tub(lid=True), tub()
    assert still_shows(about, held_run((closed, 2), (closed, 1), tail=1), held_run((closed, 2), (closed, 1), tail=1))
    assert not still_shows(about, held_run((closed, 2), (closed, 1), tail=1), held_run((closed, 2), (open_, 1), tail=1))
    assert still_shows(about, held_run((open_, 2)), held_run((open_, 2)))  # without a tail it says nothing of ever
    pump = Finding("waits for ever", mode=FILLING)
    going = held_run((tub(), 1), (tub(taken="go"), 1), (tub(), 1), tail=2)
    assert not still_shows(pump, going, going)  # the halt leads out


def test_where_readings_turn_within_what_is_plausible_and_beside_another() -> None:
    assert turning_points(TUB_MACHINE, TUB_MACHINE.sensor("heat")) == [6, 7, 8, 19, 20, 21, 5, 90]
    points = turning_points(TUB_MACHINE, TUB_MACHINE.sensor("depth"))
    assert points == [6, 7, 8, 39, 40, 41, 59, 60, 61, 0, 99]


# ---------------------------------------------------------------------------------------------------- what is left out


def test_a_tail_is_written_out() -> None:
    run = held_run((tub(), 2), (tub(lid=True), 1), tail=1)
    assert [each.ticks for each in unrolled(run, 4).stretches] == [2, 1, 1, 1, 1] and unrolled(run).ticks == 5
    assert unrolled(run).tail is None and unrolled(FILLED) is FILLED


def slim(about: Finding, run: Run) -> Run:
    return minimise(TUB_MACHINE, run, about).run


def test_changes_that_need_not_be_are_not() -> None:
    """The heat matters for the end, its change does not; the depth has to change, and as little as may be."""
    cool, warm = tub(depth=50, heat=45), tub(depth=50, heat=80)
    run = held_run((warm, 2), (replace(cool, taken="go"), 1), (cool, 2), (tub(depth=99, heat=80), 1),
                   (tub(depth=90, heat=30), 1))  # fmt: skip
    made = minimise(TUB_MACHINE, run, Finding("lost turn", mode=RESTING))
    heats = {dict(each.inputs.sensors)["heat"] for each in made.run.stretches}
    depths = [dict(each.inputs.sensors)["depth"] for each in made.run.stretches]
    assert len(heats) == 1 and not {"depth", "heat"} & made.idle
    assert depths == [50, 50, 50, 61, 61]
    assert "pace" in made.idle and made.run.ticks == run.ticks
    assert len(made.states) == run.ticks


def test_what_need_not_be_said_or_heard_is_not() -> None:
    said = {"heard": ("hush", "go"), "tuned": ("radio",)}
    run = held_run((tub(**said), 2), (tub(taken="hush"), 1), (tub(taken="go", **said), 1), (tub(**said), 2))  # type: ignore[arg-type]
    made = slim(Finding("runaway", mode=FILLING), run)
    told = [(each.inputs.taken, each.inputs.heard, each.inputs.tuned) for each in made.stretches]
    assert [each for each in told if each != (None, (), ())] == [("go", (), ())]


def test_the_clock_of_a_silence_keeps_what_is_heard() -> None:
    text = TUB.replace("9600 baud, plain", "9600 baud, plain, silent after 30 ms").replace(
        "filling | depth > heat + 7 ", "filling | radio silent "
    )
    machine = read_text(text, file="tub.modes")
    loud = {"heard": ("hush", "go"), "tuned": ("radio",)}
    run = held_run((tub(), 2), (tub(taken="go"), 1), *(((tub(**loud)), 1) for _ in range(6)))  # type: ignore[arg-type]
    made = minimise(machine, run, Finding("runaway", mode=FILLING)).run
    spoken = [bool(each.inputs.heard) + bool(each.inputs.tuned) for each in made.stretches]
    assert modes(machine, made) == modes(machine, run)
    assert max(spoken) == 1 and 0 < sum(spoken) <= 3  # by one thing, once in a while


def test_what_holds_a_tail_is_told() -> None:
    going = held_run((tub(), 1), (tub(taken="go"), 1), (tub(), 1), tail=2)
    made = minimise(TUB_MACHINE, going, Finding("runaway", mode=FILLING))
    assert made.held == {"depth"} and made.run.tail == 2  # above the heat by more than 7 it would end; so would a heat
    assert len(made.states) == 2 + 3


# ------------------------------------------------------------------------------------- where no mode has to be the same

SHEDS = """
machine sheds
board atmega328p
tick 10 ms
command halt button, pin 2, on when low, urgent
command go button, pin 3, on when low
switch lid pin 4, on when high
sensor draught by hand, 0 .. 9
sensor depth by hand, 0 .. 9
relay fan pin 8
relay water pin 9
part air
mode still stop
mode blowing fan on
failsafes
in      | when                  | go to
any     | halt or draught fault | still
rules
in      | when       | go to
still   | go         | blowing
part tub
mode resting stop
mode filling water on
mode dry stop
failsafes
in      | when        | go to
filling | depth fault | dry
any     | lid or halt | resting
rules
in      | when       | go to
resting | go         | filling
filling | after 5 s  | resting
promise while lid -> tub in resting within 0 ms
"""


def test_a_broken_promise_is_shown_without_what_another_part_does() -> None:
    machine = read_text(SHEDS)
    off, on = (("draught", 5), ("depth", 5)), (("draught", None), ("depth", None))
    run = Run(
        (
            Hold(Stimulus(off, (("lid", False),)), 1),
            Hold(Stimulus(off, (("lid", False),), taken="go"), 1),
            Hold(Stimulus(on, (("lid", True),)), 1),
        )
    )
    (promise,) = machine.promises
    assert modes(machine, run)[-1] == {"air": "still", "tub": "dry"}
    slim = minimise(machine, run, promise)
    assert dict(slim.run.stretches[-1].inputs.sensors) == {"draught": 5, "depth": None}
    assert dict(slim.run.modes) == {"air": "blowing", "tub": "dry"} and breaks(machine, promise, slim.run)


def test_a_lost_turn_is_shown_without_a_halt_that_it_does_not_need() -> None:
    text = SHEDS.replace("any     | lid or halt", "any     | halt").replace("after 5 s ", "lid turns on ")
    machine = read_text(text[: text.index("promise")])
    (finding,) = [each for each in prove(machine).findings if each.code == "lost turn"]
    assert finding.run is not None
    off, on = (Stimulus((("draught", 5), ("depth", 5)), (("lid", on),)) for on in (False, True))
    run = Run((Hold(off, 1), Hold(replace(off, taken="go"), 1), Hold(replace(on, taken="halt"), 1)))
    slim = minimise(machine, run, finding)
    assert [each.inputs.taken for each in slim.run.stretches] == [None, None, None]
    assert dict(slim.run.stretches[-1].inputs.switches)["lid"] and dict(slim.run.modes)["tub"] == "resting"


# ---------------------------------------------------------------------------------------------------- how readings lie


def test_a_reading_that_need_not_change_begins_with_the_one_that_matters() -> None:
    """The last change cannot go: the depth has to be above 60 when it fills. It may be so from the first tick on."""
    deep = tub(depth=70, heat=70)
    run = held_run((tub(depth=50, heat=70), 2), (tub(depth=50, heat=70, taken="go"), 1), (deep, 1))
    made = slim(Finding("runaway", mode=FILLING), run)
    assert modes(TUB_MACHINE, made) == modes(TUB_MACHINE, run)
    assert [dict(each.inputs.sensors)["depth"] for each in made.stretches] == [70, 70, 70]


def test_a_change_is_never_made_greater() -> None:
    """Any depth above 60 would do: the one that is nearest to what it was stays."""
    cool = tub(depth=50, heat=80)
    run = held_run((cool, 2), (replace(cool, taken="go"), 1), (cool, 2), (tub(depth=61, heat=80), 2))
    made = slim(Finding("lost turn", mode=RESTING), run)
    assert [dict(each.inputs.sensors)["depth"] for each in made.stretches] == [50, 50, 50, 61]


@pytest.mark.parametrize("path", FAULTY, ids=lambda path: path.stem)
def test_when_all_has_been_played_that_may_be_no_more_is(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The run itself, one attempt that is one too many, and the run as it is told."""
    machine = machine_in(path)
    played = _Minimiser.played
    counted: list[int] = []

    def counting(self: _Minimiser, run: Run) -> list[State] | None:
        before = self.left
        states = played(self, run)
        counted.append(before != self.left)
        return states

    monkeypatch.setattr(_Minimiser, "played", counting)
    for finding in (each for each in prove(machine).findings if each.run is not None):
        assert finding.run is not None
        counted.clear()
        slim = minimise(machine, finding.run, finding, 1)
        assert sum(counted) == 3
        assert slim.run == finding.run and len(slim.states) == unrolled(finding.run).ticks
