"""Readings that tremble: the turns that they take, and which answers of conditions lie within a tremble."""

from __future__ import annotations

import itertools
import operator
from dataclasses import replace

import pytest

from statecraft.findings import Finding, RowRef
from statecraft.language import read_text
from statecraft.machine import Compare, Fault, Machine, ModeRef
from statecraft.proof.checks import bare_threshold as bare_threshold_module
from statecraft.proof.checks.bare_threshold import (
    _bands,
    _moves,
    _rounds,
    _words,
    bare_threshold,
    told_elsewhere,
    trembles,
    wavering_levels,
)
from statecraft.proof.checks.constant_inputs import at_once, sayings
from statecraft.proof.engine.conditions import terms_of
from statecraft.proof.engine.model import SymbolicModel
from statecraft.proof.prove import DOES_NOT_REPLAY, keeps_on, prove
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.proof.slices import Slices, SliceScope
from tests.proof.against_brute import contradictions, disagreements

OPERATORS = {
    "<": operator.lt, "<=": operator.le, ">": operator.gt, ">=": operator.ge, "==": operator.eq, "!=": operator.ne,
}  # fmt: skip


def words(lengths: list[int]) -> set[tuple[int, ...]]:
    return set(_words([("a",) * length for length in lengths]))


def test_the_turns_of_two_readings() -> None:
    assert words([2]) == {(0, 1), (1, 0), *(w for w in itertools.product((0, 1), repeat=4) if _no_shorter(w))}
    both = {w for n in (2, 3, 4, 5, 6) for w in itertools.product((0, 1), repeat=n) if _no_shorter(w)}
    assert words([2, 3]) == both
    assert len(_words([("a", "b"), ("b", "c")])) == len(words([2]))


def _no_shorter(word: tuple[int, ...]) -> bool:
    """Whether ``word`` is no shorter one said over again."""
    return not any(word == word[:n] * (len(word) // n) for n in range(1, len(word)))


def test_it_moves_where_it_differs_from_the_turn_before() -> None:
    assert _moves((0, 1)) == [True, True]
    assert _moves((0, 0, 1)) == [True, False, True]
    assert _moves((1, 1, 0, 1)) == [False, False, True, True]


CART = """machine cart
board atmega328p
tick 10 ms
command go button, pin 3, on when low
sensor front by hand, 0 .. 20, noise {noise}
sensor rear by hand, 0 .. 20
{levels}motor wheels pwm 5, direction 8
mode parked stop
mode cruise wheels 30 %
rules
in     | when | go to
parked | {start} | cruise
cruise | {end} | parked
"""


def cart(noise: int = 2, levels: str = "", start: str = "go", end: str = "go") -> Machine:
    return read_text(CART.format(noise=noise, levels=levels, start=start, end=end))


@pytest.mark.parametrize("noise", [1, 2, 5])
@pytest.mark.parametrize(
    ("start", "end"),
    [
        ("front > 7", "front < 4"),
        ("front > 7", "front <= 7"),
        ("front == 5 or front > 18", "front != 9"),
        ("front > rear + 2", "front < 3"),
    ],
)
def test_the_pairs_are_those_of_readings_no_further_apart(noise: int, start: str, end: str) -> None:
    """Against every pair of readings, with every reading of the other sensor."""
    machine = cart(noise, start=start, end=end)
    model = SymbolicModel(machine)
    sensor = machine.sensor("front")
    cluster = next(c for c in model.clusters if any(_reads(atom, "front") for atom in c.inputs))
    atoms = [atom for atom in cluster.inputs if isinstance(atom, Compare)]
    assert all(isinstance(atom, Compare | Fault) for atom in cluster.inputs)

    def answers(front: int, rear: int) -> tuple[bool, ...]:
        values = {"front": front, "rear": rear}
        return tuple(
            OPERATORS[atom.op](values[atom.left.name], (values[atom.right.name] if atom.right else 0) + atom.offset)
            for atom in atoms
        )

    expected = set()
    beside = range(21) if any(_reads(atom, "rear") for atom in atoms) else (0,)
    for one, other in itertools.permutations(range(21), 2):
        for rear in beside:
            first, second = answers(one, rear), answers(other, rear)
            if other - one in range(1, noise + 1) and first != second:
                expected.add((first, second))
    found = trembles(machine, cluster, sensor, model.ranges)

    def told(number: int) -> tuple[bool, ...]:
        return tuple(atom in cluster.cells[number].true for atom in atoms)

    sound = [each for each in found if not any(Fault(s) in cluster.cells[n].true for n in each.cells for s in ("front",
             "rear"))]  # fmt: skip
    assert {(told(one.cells[0]), told(one.cells[1])) for one in sound} == expected
    for each in found:
        low, high = (next(v for term, v in some.items() if term.name == "front") for some in each.values)
        assert low is not None and high is not None and 0 < high - low <= noise
        rest = {term.name: value for term, value in each.values[0].items()}
        if rest.get("rear") is not None or beside == (0,):
            assert answers(low, rest.get("rear") or 0) == told(each.cells[0])
            assert answers(high, rest.get("rear") or 0) == told(each.cells[1])


def _reads(atom: object, name: str) -> bool:
    return isinstance(atom, Compare) and any(term.name == name for term in terms_of(atom))


def test_a_steady_band_parts_the_steps() -> None:
    """One no wider than the band leaves it, one that is wider does not."""
    steady = "level calm when front steady within {} for 50 ms clears when not front steady within {} for 50 ms\n"
    machine = cart(5, levels=steady.format(2, 2), end="calm and front > 4")
    model = SymbolicModel(machine)
    cluster = next(c for c in model.clusters if c.steadies)
    bands = [(least, widest, len(left)) for least, widest, left in _bands(cluster, "front", 5)]
    assert bands == [(1, 2, 0), (3, 5, 1)]
    assert [each[:2] for each in _bands(cluster, "front", 2)] == [(1, 2)]
    assert [each[:2] for each in _bands(cluster, "rear", 5)] == [(1, 5)]


def test_a_level_with_less_of_a_gap_than_its_reading_trembles_is_told_alone() -> None:
    narrow = "level near when front > 7 clears when front < 7\n"
    (found,) = wavering_levels(cart(2, levels=narrow, end="near"))
    assert (found.code, found.subject, found.severity) == ("bare threshold", "near", "note")
    assert "front, by up to 2" in found.message
    assert not list(wavering_levels(cart(1, levels=narrow, end="near")))
    assert not list(wavering_levels(cart(2, levels=narrow)))  # no row reads it
    assert not list(wavering_levels(cart(2, levels=narrow.replace("> 7 ", "> 7 for 50 ms "), end="near")))


def test_a_level_that_is_told_elsewhere_is_not_told_again() -> None:
    machine = cart(2, levels="level near when front > 7 clears when front < 7\n", end="near and not rear fault")
    (alone,) = wavering_levels(machine)
    leads = Finding("bare threshold", mode=ModeRef("cart", "cruise"), subject="front", by=(RowRef("cart", 1),))
    assert told_elsewhere(machine, alone, [leads])
    assert told_elsewhere(machine, alone, [Finding("overlapping", subject="near")])
    assert not told_elsewhere(machine, alone, [Finding("overlapping", subject="far")])
    assert not told_elsewhere(machine, alone, [replace(leads, subject="rear")])
    assert not told_elsewhere(machine, alone, [replace(leads, by=(RowRef("cart", 0),))])
    assert not told_elsewhere(machine, alone, [replace(leads, mode=None)])
    assert not told_elsewhere(machine, leads, [leads])
    assert not told_elsewhere(machine, alone, [])


def test_a_level_that_wavers_only_in_a_mode_that_is_never_entered_is_not_told() -> None:
    level = "level near when front > 7 and cart in cruise clears when front < 7 and cart in cruise\n"
    machine = cart(2, levels=level, end="near and not rear fault")
    (alone,) = wavering_levels(machine)
    for mode, told in (("cruise", True), ("parked", False)):
        assert told_elsewhere(machine, alone, [Finding("unreachable", mode=ModeRef("cart", mode))]) is told


@pytest.mark.parametrize(("length", "decided"), [(6, True), (7, False)])
def test_rounds_of_more_modes_than_are_looked_at_are_left_open(length: int, decided: bool) -> None:
    names = [f"m{number}" for number in range(length)]
    asked = ("< 7", "> 7")
    rows = [f"{name} | front {asked[at % 2]} | {names[(at + 1) % length]}" for at, name in enumerate(names)]
    rows[0] = f"m0 | front > 6 | {names[1]}"
    text = CART.format(noise=2, levels="", start="go", end="go").partition("mode parked")[0]
    text += "mode m0 stop\n" + "".join(f"mode {name} wheels 30 %\n" for name in names[1:])
    machine = read_text(text + "rules\nin | when | go to\n" + "\n".join(rows) + "\n")
    made = Reachability(machine, ["cart"])
    made.explore()
    sensor = machine.sensor("front")
    said = list(sayings(made, frozenset([0]), sensor))
    if decided:
        assert any(_rounds(made, 0, sensor, saying) for saying in said)
    else:
        with pytest.raises(Undecided):
            for saying in said:
                _rounds(made, 0, sensor, saying)


def test_what_counts_the_time_in_a_mode_does_not_keep_a_level_from_wavering() -> None:
    """It goes on and off for the 40 ms that the mode lasts, whatever is counted meanwhile."""
    text = """machine lamp
board atmega2560
tick 10 ms
command go button, pin 3, on when low
sensor gap by hand, 0 .. 3
level near when gap >= 1 clears when gap < 1 and lamp in lit
counter held 0 .. 3, down each 30 ms in ever
mode dark stop
mode lit
group ever dark, lit
rules
  in | when | go to | do
  dark | near and go | stay | held = 1
  lit | after 40 ms | dark |
  dark | after 10 ms | lit | held = 2
"""
    machine = read_text(text)
    assert {each.subject for each in prove(machine).findings if each.code == "bare threshold"} == {"near"}
    assert not disagreements(machine)


def test_turns_that_matter_in_one_mode_of_a_round_matter() -> None:
    """The level stays on as long as one reading in five lies above; which of three modes that comes in takes turns."""
    text = """machine siren
board atmega2560
tick 10 ms
link op serial1, 9600 baud, plain, silent after 20 ms
command beat "k" from op
sensor gap by hand, 0 .. 5, noise 1
relay horn pin 52
buzzer whistle pin 51, 2 kHz
level near when gap > 1 for 10 ms clears when gap <= 1 for 40 ms, on if in doubt
counter held -3 .. -1, up each 20 ms in any, down each 10 ms in any
mode quiet stop
mode loud horn on
mode louder whistle on, tolerates gap fault
rules
  in | when | go to | do
  quiet | near | loud | held = -3
  any | op silent and op silent turns on | quiet |
  loud | near | louder |
  louder | after 10 ms | quiet | held = -3
"""
    machine = read_text(text)
    found = [each for each in prove(machine).findings if each.code == "bare threshold" and each.mode is not None]
    assert found and all(each.run is not None and keeps_on(machine, each, each.run) for each in found)
    assert not any(each.message.endswith(DOES_NOT_REPLAY) for each in found)
    assert not disagreements(machine)


def test_modes_that_share_a_round_are_told_in_their_order() -> None:
    """Whatever the rounds are that start in the same configuration."""
    text = """machine cart
board atmega328p
tick 10 ms
command halt button, pin 4, on when low, urgent
sensor front by hand, 0 .. 20, noise 2
motor drum pwm 6, direction 7
mode rest stop
mode slow drum 30 %
mode quick drum 50 %
mode dash drum 70 %
rules
in    | when      | go to
quick | front < 7 | slow
slow  | front < 7 | rest
rest  | front > 6 | slow
dash  | front > 6 | rest
quick | front < 6 | rest
slow  | front > 5 | dash
any   | halt      | rest
"""
    machine = read_text(text)
    explored = Reachability(machine, ["cart"])
    explored.explore()
    told = [each.mode.mode for each in bare_threshold(explored, 0, machine.sensors[0]) if each.mode]
    assert told == ["slow", "dash"]


LED_OUT = """machine hatch
board atmega2560
tick 10 ms
switch lid pin 53, on when high
sensor gap by hand, 0 .. 3
relay valve pin 51
level open when gap > 1{and_not} clears when gap <= 1
level shut when not open clears when open for 40 ms
mode still stop
mode moving valve on
rules
in | when | go to
still | {when} | moving
moving | after 20 ms | still
"""


@pytest.mark.parametrize(
    ("when", "alone"),
    [
        ("open turns on", False),  # it does on every other tick
        ("open turns off", False),
        ("shut", False),  # it comes with the first tick on which it is not open
        ("open and lid", True),
        ("shut and lid", True),
    ],
)
def test_a_level_that_leads_out_of_the_mode_it_asks_for_does_not_go_on_and_off_there(when: str, alone: bool) -> None:
    machine = read_text(LED_OUT.format(when=when, and_not=" and hatch in still"))
    assert not disagreements(machine)
    found = [each for each in prove(machine).findings if each.code == "bare threshold" and each.mode is None]
    assert [each.subject for each in found] == ["open"] * alone


@pytest.mark.parametrize(
    ("sets", "alone"), [("stay | pace = 2 cm", False), ("stay | pace = 1 cm", True), ("stay |", True)]
)
def test_what_a_row_sets_on_every_tick_stands_there(sets: str, alone: bool) -> None:
    text = f"""machine cart
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, plain
command go "g" from radio
dial pace "p" from radio, 1 cm .. 3 cm, starts 2 cm
sensor gap by hand, 0 .. 3
motor axle pwm 12, direction 52
level near when gap < 1 clears when not gap < 1 and pace < 1.9 cm and cart in still
mode still stop
mode ahead axle 30 %
rules
in | when | go to | do
any | not go | {sets}
ahead | near | still | pace = 3 cm
"""
    machine = read_text(text)
    assert not disagreements(machine)
    found = [each for each in prove(machine).findings if each.code == "bare threshold" and each.mode is None]
    assert [each.subject for each in found] == ["near"] * alone


def test_the_run_comes_to_a_tremble_by_a_step_that_keeps_to_its_bands() -> None:
    """From -2 to 1 the reading would leave the band, and the first tick of what is to repeat would change no mode."""
    text = """machine cart
board atmega2560
tick 10 ms
link op serial1, 38400 baud, checked
command call "q" from op
dial depth "g" from op, 0 .. 3
sensor water by hand, -2 .. 2
motor pump pwm 12, direction 53
level wanted when water steady within 1 for 10 ms and depth > water clears when not depth > water
mode rest stop
mode drain pump follows depth - water: -2 100 % .. -1 100 % .. 4 -100 %
mode pause stop
rules
  in | when | go to
  drain | wanted | pause
  any but drain | not call | drain
"""
    machine = read_text(text)
    assert not disagreements(machine)
    (found,) = [each for each in prove(machine).findings if each.code == "bare threshold" and each.mode is not None]
    assert found.run is not None and keeps_on(machine, found, found.run)
    assert not found.message.endswith(DOES_NOT_REPLAY)


def test_the_run_leads_to_a_tremble_once_other_readings_have_stood() -> None:
    """The other one, too, leaves its band on the way: the round is gone on some tick of the tail, not on its first."""
    text = """machine cart
board atmega2560
tick 10 ms
switch lid pin 53, on when low
sensor near_side by hand, 0 .. 5, noise 1
sensor far_side by hand, 0 .. 5, noise 1
servo pointer pin 51, 0 deg .. 90 deg, rest 0 deg
level even when far_side steady within 1 for 20 ms and near_side == far_side clears when not near_side == far_side
mode rest stop, resumes
mode turned pointer 0.5 deg, unattended
failsafes
  in | when | go to
  any | lid and even | start
rules
  in | when | go to
  turned, rest | even | rest
  rest | after 10 ms | turned
"""
    machine = read_text(text)
    found = [each for each in prove(machine).findings if each.code == "bare threshold" and each.mode is not None]
    assert {each.subject for each in found} == {"near_side", "far_side"}
    assert all(each.run is not None and keeps_on(machine, each, each.run) for each in found)
    assert not disagreements(machine)


@pytest.mark.parametrize(("sets", "alone"), [("pace = 2 cm", False), ("pace = 3 cm", True)])
def test_a_dial_that_a_row_sets_while_a_level_is_on_stands_there_when_it_is_off(sets: str, alone: bool) -> None:
    text = f"""machine cart
board atmega2560
tick 10 ms
link radio serial1, 38400 baud, plain
dial pace "x" from radio, 1 cm .. 3 cm, starts 3 cm
sensor gap by hand, 0 .. 3
output shade by hand, 0 % .. 100 %
level just when gap == 2 clears when gap == 1 and pace > 2.5 cm
mode rest stop
mode open shade follows pace: 2.8 cm 68 % .. 2.9 cm 0 %
group all_of_it rest, open
rules
  in | when | go to | do
  rest | after 10 ms | open |
  open | just and after 10 ms in all_of_it | stay | {sets}
"""
    machine = read_text(text)
    assert not disagreements(machine)
    found = [each for each in prove(machine).findings if each.code == "bare threshold" and each.mode is None]
    assert [each.subject for each in found] == ["just"] * alone


PANEL = """
machine panel
board atmega2560
tick 50 ms
command halt button, pin 22, on when high, settle 50 ms, urgent
command auto button, pin 23, on when low, settle 50 ms
sensor eye ratio, pin A0, 0 % .. 100 %, plausible 1 % .. 99 %, noise 1 %
sensor wind pulses, pin 2, 0 Hz .. 80 Hz
motor swing pwm 6, forward 30, reverse 31
level gale when wind > 25 Hz clears when wind <= 25 Hz, on if in doubt
level night when eye < 6 % for {long} clears when eye > 12 % for {shorter}
mode off_duty stop
mode resting stop
mode going_back swing -60 %
failsafes
in | when | go to
any | halt | off_duty
going_back | eye fault or gale | resting
going_back | after 2 min | off_duty
rules
in | when | go to
off_duty | auto | resting
resting | night and not eye fault | going_back
going_back | not night | resting
""".lstrip()


@pytest.mark.parametrize(("long", "shorter"), [("100 ms", "50 ms"), ("10 min", "2 min")])
def test_a_level_that_takes_minutes_beside_hides_no_bare_threshold(long: str, shorter: str) -> None:
    report = prove(read_text(PANEL.format(long=long, shorter=shorter)), 20)
    assert not report.unproved
    (found,) = (each for each in report.findings if each.code == "bare threshold" and each.mode is not None)
    assert found.mode is not None and (found.mode.mode, found.subject) == ("going_back", "wind")


def test_what_stood_before_does_not_stand_still_beside_a_reading() -> None:
    """Slices follow that near turns off before they follow what it was: that goes with the reading, one tick later."""
    machine = read_text("""machine hoist
board atmega2560
tick 10 ms
sensor gap by hand, 0 .. 4
relay lift pin 30
mode rest stop
mode up lift on
mode down
level near when gap <= 2 clears when gap > 2
rules
in | when | go to
down | near turns on | rest
rest | near turns off | up
up | after 10 ms | down
""")
    assert {f.mode for f in prove(machine).findings if f.code == "bare threshold"} >= {ModeRef("hoist", "up")}
    assert not contradictions(machine)[0]


HELD = """machine hoist
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, checked
command hold "l"
sensor gap by hand, 0 .. 4
relay lift pin 30
relay sling pin 31
level near when gap <= 1 for 10 ms clears when gap > 1 for 10 ms
mode rest stop
mode up lift on
mode down sling on
rules
in | when | go to
up | gap > 1 | down
down | gap <= 1 or not hold absent 10 ms | up
rest | near turns off and after 10 ms | up
"""


def test_the_shortest_run_is_that_of_any_way_to_say_the_same() -> None:
    """With nothing said, up begins on a reading that leaves it, and the run gets there first; with ``hold`` on every
    tick, the tick that leads there is one of its turns, too."""
    machine = read_text(HELD)
    runs = [f.run for f in prove(machine).findings if f.code == "bare threshold" and f.mode is not None]
    assert [(sum(s.ticks for s in run.stretches[: run.tail]), run.waited) for run in runs if run] == [(3, False)] * 2
    assert not disagreements(machine) and not contradictions(machine)[0]


def test_with_much_to_say_the_run_need_not_be_the_shortest(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bare_threshold_module, "MOST_SAID", 1)
    runs = [f.run for f in prove(read_text(HELD)).findings if f.code == "bare threshold" and f.mode is not None]
    assert runs and all(run is not None and run.waited for run in runs)


DREDGE = """machine dredge
board atmega2560
tick 10 ms
command halt button, pin 3, on when low, urgent
sensor depth range, trigger 26, echo 27, 2 cm .. 400 cm, noise 1 cm
switch lid pin 4, on when high
relay fan pin 9, harmless
motor axle pwm 5, forward 22, reverse 23
level full when depth < 40 cm{lasts} clears when depth > {clear} cm
failsafes
in | when | go to
any | halt or depth fault | start
part air
mode off stop
mode on fan on
rules
in | when | go to
off | {air} | on
on | not ({air}) | off
part cart
mode still stop
mode rolling axle 50 %
mode backing axle -50 %
rules
in | when | go to
still | {starts} | rolling
rolling | {backs} | backing
rolling | air in on | still
backing | after 20 ms | still
"""

ALONE = {"air": "lid", "starts": "not full", "backs": "full", "lasts": "", "clear": 40}
LATE = {"air": "full", "starts": "lid", "backs": "not lid", "lasts": " for 20 ms", "clear": 43}
BY_ANOTHER = {**LATE, "air": "depth < 40 cm", "starts": "not air in on"}


@pytest.mark.parametrize(("rows", "told"), [(ALONE, set()), (LATE, set()), (BY_ANOTHER, {"rolling"})])
def test_a_reading_matters_by_what_hangs_on_it_and_by_nothing_else(rows: dict[str, str], told: set[str]) -> None:
    """On the first rounds the air is on all the while, which no reading changes, and a level that has once been turned
    on ends them, or stays on; on the last a reading turns the air on and off, so that the cart does not stand still."""
    machine = read_text(DREDGE.format(**rows))
    assert not disagreements(machine) and not contradictions(machine)[0]
    report = prove(machine, phases=["slices"])
    found = [f for f in report.findings if f.code == "bare threshold" and f.mode]
    assert {f.mode.mode for f in found if f.mode} == told
    told_so = "readings of depth tremble by up to 1 cm, and within that the rows lead to and fro, by way of air:"
    assert all(f.message.startswith(told_so) for f in found)
    assert not any("bare" in what for what in report.unproved)
    if not told:  # who does not follow the air sees so, too
        asked = SliceScope(frozenset(["cart"]), frozenset([("clock", "mode cart"), ("level", "full")]))
        assert not list(bare_threshold(Slices(machine).slice(asked), 0, machine.sensors[0]))


LATER = """machine gate
board atmega2560
tick 10 ms
switch lid pin 4, on when low
sensor gap by hand, 0 .. 9
relay lift pin 30
mode rest stop
mode ready stop
mode down stop
mode up lift on
rules
in | when | go to
rest | lid | ready
ready | lid | down
down | gap > 4 and not lid | up
up | gap <= 4 or lid | down
"""


def test_a_slice_does_not_say_that_its_run_is_the_shortest() -> None:
    """What its rounds rest on may be free there; who follows all of the machine knows."""
    machine = read_text(LATER)
    made = Slices(machine).slice(SliceScope(frozenset(["gate"])))
    assert made.partial
    (finding,) = bare_threshold(made, 0, machine.sensors[0])
    assert finding.run is not None and finding.run.waited and not at_once(finding.run)
    (whole,) = [f for f in prove(machine, phases=["whole"]).findings if f.code == "bare threshold" and f.mode]
    assert whole.run is not None and not whole.run.waited


def test_a_reading_that_holds_a_row_back_is_the_cause() -> None:
    """The failsafe decides in no turn of its own: it holds back the way out where the gap reads less."""
    text = LATER.replace("rules\n", "failsafes\nin | when | go to\ndown | gap < 5 | down\nrules\n")
    machine = read_text(text.replace("gap > 4 and not lid", "not lid").replace("gap <= 4 or lid", "not lid"))
    (found,) = [f for f in prove(machine).findings if f.code == "bare threshold" and f.mode]
    assert found.message.startswith("readings of gap tremble by up to 1, and within that the rows lead to and fro:")
