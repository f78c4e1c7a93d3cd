"""Counters of a stepper's steps, in the proof: they move as the stepper is set, stand still while it rests, and never
against it."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from statecraft.language import read_text
from statecraft.machine import Stepper
from statecraft.proof.engine.limits import within
from statecraft.proof.engine.model import SymbolicModel
from statecraft.proof.prove import _Proof, prove
from statecraft.proof.row_use import RowUse
from statecraft.proof.runs.replay import breaks
from statecraft.proof.slices import Slices
from statecraft.semantics.cone import closure
from statecraft.semantics.updates import settles_after
from statecraft.simulation import Simulation, State
from tests.proof.against_brute import contradictions, small_text

MANY = """\
machine turner
board atmega2560
tick 10 ms
command halt button, pin 2, on when low, urgent
command {commands}
sensor front range, trigger 22, echo 23, 2 cm .. 300 cm
dial pace "x", 0 Hz .. 500 Hz, starts 100 Hz
link radio serial1, 9600 baud, checked
stepper one step 8, direction 9, at most 4 kHz
stepper both step 10, direction 11, at most 4 kHz
stepper ramped step 12, direction 13, at most 4 kHz, ramp 4000 Hz/s
stepper kind step 24, direction 25, at most 4 kHz, ramp 9000 Hz/s, harmless
failsafes
  in | when | go to
  any | halt | start
part plainly
counter ones -300 .. 300, counts steps of one
counter boths -30 .. 30, round, counts steps of both
mode p0 stop
mode p1 one 310 Hz, both 33.3 Hz
mode p2 one 33 Hz, both -1 kHz
mode p3 one pace, both follows front: 20 cm -300 Hz .. 80 cm 400 Hz
rules
  in | when | go to
{plainly}
part on_ramps
counter rampeds -3000 .. 3000, counts steps of ramped
counter kinds -3000 .. 3000, counts steps of kind
mode r0 stop, kind 150 Hz
mode r1 stop gently within 50 ms
mode r2 ramped 3333.3 Hz
mode r3 ramped -600 Hz, kind -100 Hz
rules
  in | when | go to
{on_ramps}
"""


def many() -> str:
    names = [f"{part}{number}" for part in "pr" for number in range(4)]
    rules = [f"  any but {name} | to_{name} | {name}" for name in names]
    commands = "\ncommand ".join(f'to_{name} "{name}"' for name in names)
    return MANY.format(commands=commands, plainly="\n".join(rules[:4]), on_ramps="\n".join(rules[4:]))


def test_nothing_moves_otherwise_than_the_proof_says() -> None:
    machine = read_text(many(), "turner.modes")
    model, simulation, chance = SymbolicModel(machine), Simulation(machine), random.Random(5)
    index, names = simulation.layout.index, [command.name for command in machine.commands]
    before: State | None = None
    met: set[tuple[str, tuple[int, ...], int]] = set()
    reading, dial = 500, 1000
    for _ in range(6000):
        if chance.random() < 0.2:
            reading, dial = chance.choice([20, 400, 500, 900, 2000]), chance.choice([0, 1000, 5000])
        taken = chance.randrange(len(names)) if chance.random() < 0.15 else -1
        state = simulation.step_chosen((None if chance.random() < 0.05 else reading,), (), (dial,), taken)
        for place, counter in enumerate(model.counters if before is not None else ()):
            assert before is not None
            was, now = before[index["counter", counter.name]], state[index["counter", counter.name]]
            modes = (before[index["mode", "plainly"]], before[index["mode", "on_ramps"]])
            least, most = model.moves(place, modes)
            ways = {by for by in range(least, most + 1) if counter.moved(was, by) == now}
            assert ways, (counter.name, modes, was, now)
            met |= {(counter.name, modes, by) for by in (least, most) if by in ways}
        before = state
    # what is said is as narrow as can be where there is no ramp; at rest nothing moves, but what is harmless
    for place, mode in ((0, 0), (0, 1), (0, 2), (1, 0), (1, 1), (1, 2), (1, 3)):
        assert {each for each in met if each[0] == model.counters[place].name and each[1][0] == mode} >= {
            (model.counters[place].name, (mode, 0), by) for by in model.moves(place, (mode, 0))
        }
    assert [model.moves(0, (mode, 0)) for mode in range(4)] == [(0, 0), (3, 4), (0, 1), (0, 5)]
    assert [model.moves(1, (mode, 0)) for mode in range(4)] == [(0, 0), (0, 1), (-10, 0), (-3, 4)]
    assert [model.moves(2, (0, mode)) for mode in range(3)] == [(0, 0), (-6, 34), (-6, 34)]
    assert model.moves(3, (0, 0)) == (-1, 2) and model.moves(3, (0, 2)) == (-1, 2)


ON_RAMPS = """\
machine turner
board atmega2560
tick 10 ms
{commands}
stepper disc step 8, direction 9, at most 4 kHz{ramp}
counter count 0 .. 999, round, counts steps of disc
mode rest stop
mode slowing {slowing}
mode one disc {one} Hz
mode two disc {two} Hz
mode idling
rules
  in | when | go to
{rules}
"""


def on_ramps(chance: random.Random) -> str:
    """A stepper, most often on a ramp, in modes that lead to some of each other on some commands."""
    modes = ["rest", "slowing", "one", "two", "idling"]
    ways = [(mode, to) for mode in modes for to in modes if chance.random() < 0.4 or to == "one"]
    rules = [f"  {mode} | c{n} | {'restart' if to == mode else to}" for n, (mode, to) in enumerate(ways)]
    return ON_RAMPS.format(
        commands="\n".join(f"command c{n} by hand" for n in range(len(ways))),
        ramp=(ramp := chance.choice(["", *(f", ramp {rate} Hz/s" for rate in (700, 4000, 10000, 100000))])),
        slowing=chance.choice(["stop gently within 60 ms", "stop"]) if ramp else "stop",
        one=chance.choice([100, 400, -300, 1700]),
        two=chance.choice([-100, 900, -1200]),
        rules="\n".join(rules),
    )


def test_on_its_ramp_and_turning_round_nothing_moves_otherwise_and_then_it_is_where_it_is_set_to() -> None:
    settled = 0
    for seed in range(90):
        chance = random.Random(seed)
        machine = read_text(on_ramps(chance), "turner.modes")
        (part,), stepper = machine.parts, machine.output("disc")
        assert isinstance(stepper, Stepper)
        after = [settles_after(machine, stepper, part, mode) for mode in part.modes]
        model, simulation = SymbolicModel(machine), Simulation(machine)
        index = simulation.layout.index
        before, lasted = simulation.step_chosen((), (), (), -1), 0
        for _ in range(300):
            taken = chance.randrange(len(machine.commands)) if chance.random() < chance.choice([0.02, 0.3]) else -1
            state = simulation.step_chosen((), (), (), taken)
            mode, lasted = before[index["mode", part.name]], lasted + 1
            by = (state[index["counter", "count"]] - before[index["counter", "count"]] + 500) % 1000 - 500
            least, most = model.moves(0, (mode,))
            assert least <= by <= most, (seed, mode)
            ended = after[mode]
            if ended is not None and lasted >= ended:
                least, most = model.moves(0, (mode,), settled=True)
                assert least == by == most, (seed, mode)
                settled += 1
            row = state[index["row", part.name]]
            lasted = 0 if row >= 0 and part.rows[row].move != "stay" else lasted
            before = state
    assert settled > 6_000


TURNTABLE = (Path(__file__).parent / "ordinary" / "turntable.modes").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("promise", "kept"),
    [
        ("never standing and turned > 2403", True),  # four steps a tick, from below 2400
        ("never standing and turned > 2300", False),
        ("never homing and turned > 2403", True),  # it only goes back there
        ("never enters to_first and turned >= 800", True),
        ("never turned < -1", False),
    ],
)
def test_a_stepper_that_rests_stands_still_and_forward_is_never_back(promise: str, kept: bool) -> None:
    lines = [line for line in TURNTABLE.splitlines() if not line.startswith("promise")]
    machine = read_text("\n".join([*lines, f"promise {promise}", ""]), "turntable.modes")
    (verdict,) = prove(machine, 30).verdicts
    assert verdict.kept is kept
    if not kept:
        assert verdict.run is not None and breaks(machine, verdict.promise, verdict.run)


def test_steps_that_end_a_mode_end_it() -> None:
    """Inputs that stay do not stop a stepper: only pulses that come from outside stand still then."""
    lines = [line for line in TURNTABLE.splitlines() if not line.startswith("promise") and "after 40 s" not in line]
    text = "\n".join([*lines, ""]).replace(", silent after 1 s", "").replace("operator silent or lid", "lid")
    found = [each.mode.mode for each in prove(read_text(text)).findings if each.code == "endless" and each.mode]
    assert found == ["homing"]  # where the home switch never turns on


AT_ONCE = """\
machine tally
board atmega2560
tick 10 ms
command halt button, pin 2, on when low, urgent
command go button, pin 3, on when low
stepper disc step 8, direction 9, at most 200 Hz
counter count 0 .. 3, counts steps of disc
mode parked stop
mode rolling disc {rate} Hz
mode slowing disc -100 Hz
failsafes
 in | when | go to
 any | halt | parked
rules
 in | when | go to | do
 parked | go | rolling | count = 1
 rolling | count < 2 | {low} |
 rolling | after 20 ms | slowing |
"""


def test_what_only_might_be_is_not_said_to_decide() -> None:
    """From rest it goes on at once; between two whole numbers it may not, and where it does is seen."""

    def never(text: str) -> list[int]:
        found = prove(read_text(text), 1).findings
        return [each.row.number for each in found if each.code in ("unreachable", "shadowed") and each.row]

    assert never(AT_ONCE.format(rate=100, low="restart")) == [2]
    assert never(AT_ONCE.format(rate=50, low="restart")) == []
    turned = AT_ONCE.format(rate=100, low="restart") + " slowing | go | rolling | count = 1\n"
    assert never(turned) == []  # it turns round, and so is at rest for a tick


def test_whether_a_mode_is_left_for_good_hangs_on_no_step_that_only_might_be() -> None:
    """Half a step a tick is a step every other tick: that it never comes, or comes at once, is not relied on."""
    text = AT_ONCE.format(rate=50, low="stay").replace("any | halt", "slowing | halt")
    once = text.replace("after 20 ms", "after 10 ms and not after 20 ms and count == 2")
    (verdict,) = prove(read_text(once + "promise every mode can reach slowing\n"), 1).verdicts
    assert not verdict.kept  # on the first tick it has done half a step, and so it stays


def test_who_sets_no_stepper_moves_none() -> None:
    text = AT_ONCE.format(rate=100, low="stay").replace(" disc 100 Hz", "").replace(" disc -100 Hz", "")
    (verdict,) = prove(read_text(text + "promise never count > 1\n")).verdicts
    assert verdict.kept


IN_ANOTHER = """\
machine tally
board atmega2560
tick 10 ms
command halt button, pin 2, on when low, urgent
command go button, pin 3, on when low
stepper disc step 8, direction 9, at most 200 Hz
failsafes
 in | when | go to
 any | halt | start
part drive
mode parked stop
mode rolling disc 100 Hz
rules
 in | when | go to
 parked | go | rolling
part lights
counter count 0 .. 3, counts steps of disc
mode dark stop
mode lit
mode never
rules
 in | when | go to
 dark | count == 2 | lit
 lit | count < 2 | never
 lit | go | dark
"""


def test_who_sets_the_stepper_has_a_say_where_its_steps_are_counted() -> None:
    machine = read_text(IN_ANOTHER)
    assert closure(machine, ["lights"]) == {"drive", "lights"}
    found = [each for each in prove(machine).findings if each.code == "unreachable" and each.mode]
    assert [each.mode and each.mode.mode for each in found] == ["never"]  # it never goes back


@pytest.mark.slow
def test_what_only_a_lucky_step_would_end_is_not_said_to_end() -> None:
    """rasmer goes on for ever while the counter comes to 0 behind it, each time; a step left out would end it."""
    machine = read_text(small_text(45, stepping=True))
    assert contradictions(machine, phases=("soon", "slices", "whole"))[0] == []


CAROUSEL = """\
machine carousel
board atmega2560
tick 20 ms
command halt button, pin 2, on when low, urgent
command on button, pin 3, on when low
command home button, pin 4, on when low
switch mark pin 5, on when high
stepper plate step 8, direction 9, at most 200 Hz{ramp}
counter turned 0 .. 400, counts steps of plate
mode at_rest stop
mode unknown stop
mode seeking plate -100 Hz
mode indexing plate 200 Hz
failsafes
 in | when | go to
 any | halt | unknown
rules
 in | when | go to | do
 at_rest, unknown | home and not mark | seeking |
 seeking | mark or after 30 s | at_rest | turned = 0
 at_rest | on | indexing | turned = 0
 indexing | turned >= 100 | at_rest |
 indexing | after {late} | unknown |
"""


def late_row(ramp: str, late: str) -> bool | None:
    """Whether the row that waits for longer than the steps may take ever decides."""
    machine = read_text(CAROUSEL.format(ramp=ramp, late=late))
    use = RowUse(machine, Slices(machine))
    use.seek({(0, 5)})
    return use.decides(machine.parts[0], (5, None))


TO_AND_FRO = """\
machine winder
board atmega2560
tick 20 ms
command halt button, pin 2, on when low, urgent
command wind button, pin 3, on when low
stepper carriage step 8, direction 9, at most 200 Hz
counter laid 0 .. 200, counts steps of carriage
mode idle stop
mode outward carriage 200 Hz
mode inward carriage -200 Hz
failsafes
 in | when | go to
 any | halt | idle
 outward, inward | after {late} | idle
rules
 in | when | go to | do
 idle | wind | outward | laid = 0
 outward | laid >= 100 | inward |
 inward | laid <= 0 | outward |
"""


def test_a_stepper_that_turns_round_rests_for_one_tick_and_no_more() -> None:
    for late, decides in (("520 ms", True), ("580 ms", False)):
        machine = read_text(TO_AND_FRO.format(late=late))
        use = RowUse(machine, Slices(machine))
        use.seek({(0, 1)})
        assert use.decides(machine.parts[0], (1, None)) is decides


@pytest.mark.parametrize(("ramp", "most"), [("", 480), (", ramp 200 Hz/s", 960)])
def test_a_row_that_waits_for_longer_than_a_stepper_takes_never_decides(ramp: str, most: int) -> None:
    """A hundred steps at four a tick, once it is at that: to know it, they are followed step by step."""
    assert late_row(ramp, f"{most} ms") is True
    assert late_row(ramp, "10 s") is False


TEN_DOSES = """\
machine dosing
board atmega2560
tick 20 ms
command halt button, pin 22, on when high, settle 40 ms, urgent
command dose button, pin 23, on when low, settle 40 ms
command prime button, pin 24, on when low, settle 40 ms
switch empty pin 26, on when high, settle 500 ms
sensor pressure ratio, pin A0, 0 % .. 100 %, plausible 4 % .. 96 %
stepper head step 8, direction 9, at most 600 Hz
level high when pressure > 80 % for 500 ms clears when pressure < 70 % for 1 s
level low_tank when empty for 2 s clears when not empty for 3 s
counter steps 0 .. 1600, counts steps of head
counter doses 0 .. 50
mode idle stop
mode dry stop
mode pausing
mode dosing head 300 Hz
mode priming head 400 Hz
mode relieving stop
failsafes
  in | when | go to | do
  any | halt | idle | doses = 0
  dosing, priming | pressure fault | idle |
  dosing, priming | after 30 s | idle |
  dosing, priming | low_tank | dry |
rules
  in | when | go to | do
  idle | dose and not low_tank | dosing | doses = 0, steps = 0
  idle | prime | priming |
  priming | after 5 s | idle |
  dosing, priming | high | relieving |
  relieving | after 3 s and not high | dosing |
  dosing | steps >= 1600 | pausing | doses + 1, steps = 0
  pausing | doses >= 10 | idle |
  pausing | after 10 s | dosing |
  dry | not low_tank | idle |
promise never doses > 10 for 40 ms
"""


def test_what_takes_ten_rounds_of_many_steps_is_found_by_a_plan() -> None:
    """Ten doses, and then primed into the eleventh: minutes, of which a slice knows only what comes after what."""
    machine = read_text(TEN_DOSES)
    (promise,) = machine.promises
    proof = _Proof(machine, machine, ("slices",))
    with within(10):
        assert not list(proof.judge_in_slices(0, promise))
    found = proof.verdicts[0]
    assert found.kept is False
    assert found.run is not None
    assert found.run.ticks > 7_000
    assert breaks(machine, promise, found.run)


FAR = """\
machine slider
board atmega328p
tick 10 ms
command halt button, pin 2, on when high, urgent
command begin button, pin 3, on when low
command back button, pin 4, on when low
switch near_end pin 5, on when high
stepper rail step 8, direction 9, at most 800 Hz
counter along {range}, counts steps of rail
mode idle stop
mode broken stop
mode calming stop
mode stepping rail 400 Hz
mode homing rail -600 Hz
failsafes
  in | when | go to
  any | halt | idle
  homing | near_end | idle
  stepping | {wait} | broken
rules
  in | when | go to | do
  idle, broken | begin | calming |
  idle, broken | back and not near_end | homing |
  homing | after 30 s | idle |
  calming | after 2 s | stepping | along = 0
  stepping | along >= 500 | calming |
"""


@pytest.mark.parametrize("wait, decides", [("after 2 s", False), ("after 1260 ms", False), ("after 1250 ms", True)])
@pytest.mark.parametrize("span", ["0 .. 20000", "-9000 .. 9000"])
def test_steps_of_a_long_way_are_told_apart_where_rows_ask_about_them(span: str, wait: str, decides: bool) -> None:
    """Four steps a tick: 500 of them take 125 ticks, whatever more the counter can hold."""
    report = prove(read_text(FAR.format(range=span, wait=wait)), 20)
    assert not report.unproved
    assert any(finding.place.line == 19 for finding in report.findings if finding.code == "unreachable") is not decides
