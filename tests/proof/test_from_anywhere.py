"""One word for every configuration: what is said to be known is held against the simulation, from any state."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from statecraft.language import read_text
from statecraft.machine import Machine
from statecraft.proof.from_anywhere import Knowledge, Letter, Synchronizer, reached_from_anywhere
from statecraft.proof.prove import prove
from statecraft.semantics.keys import ClockKey, CounterValue, DialValue, RemainderClock
from statecraft.simulation import Simulation
from tests.proof.trade_machines import trade_text
from tests.random_machines import dense_rows, edges_of, random_inputs, random_text, reading_near

TEXTS = st.one_of(
    st.builds(
        random_text,
        st.integers(0, 10**6),
        st.integers(1, 3),
        counting=st.booleans(),
        stepping=st.booleans(),
        copying=st.booleans(),
    ),
    st.builds(trade_text, st.integers(0, 10**6)),
)


def words(machine: Machine, seed: int) -> list[Letter]:
    """Inputs by chance, some held for many ticks."""
    rng, edges = random.Random(seed), edges_of(machine)
    said = [command.name for command in machine.commands]
    beside = [name for name in said if name not in machine.events()]
    found: list[Letter] = []
    for _ in range(8):
        readings = {s.name: reading_near(rng, s, edges) if rng.random() < 0.9 else None for s in machine.sensors}
        switches = {switch.name: rng.random() < 0.3 for switch in machine.switches}
        dials = {dial.name: dial.low for dial in machine.dials}
        taken = rng.choice(sorted(machine.events())) if machine.events() and rng.random() < 0.5 else None
        heard = frozenset(rng.sample(beside, min(len(beside), rng.choice([0, 1]))))
        ways = {counter.name: machine.moves_alone(counter) or (0, 0) for counter in machine.pulsed}
        moves = {name: rng.choice([*{least, max(least, -1), 0, 1, most}]) for name, (least, most) in ways.items()}
        found += [Letter(readings, switches, dials, taken, heard, moves)]
        found += [Letter(readings, switches, dials, None, heard, moves)] * rng.choice([1, 5, 60])
    return found


def assert_known(known: Knowledge, simulation: Simulation) -> None:
    """What is known is so in the simulation."""
    view, place = simulation.view, simulation.layout.place
    for part, mode in view.modes.items():
        assert mode in known.modes[part]
    for level, on in view.levels.items():
        assert known.levels[level] in (None, on), level
    for key, (low, high) in known.clocks.items():
        if not isinstance(key, RemainderClock):
            assert low <= simulation.state[place[key]] <= high, key
    for value, (low, high) in known.values.items():
        assert low <= simulation.state[place[value]] <= high, value


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(TEXTS, st.integers(0, 10**6))
def test_what_is_known_is_so_in_the_simulation(text: str, seed: int) -> None:
    machine = read_text(text)
    commands = [command.name for command in machine.commands]
    for ticks in (1, 40, 400):
        simulation = Simulation(machine)
        for inputs in random_inputs(machine, seed, ticks):
            simulation.tick(*inputs)
        still = inputs._replace(arrivals=(), messages=(), others=0, moves=())
        for _ in machine.commands:
            simulation.tick(*still)  # until no command waits to be taken
        player = Synchronizer(machine)
        known = player.nothing()
        for held in words(machine, seed):
            known = player.after(known, held)
            said = [name for name in commands if name == held.taken or name in held.heard]
            dials = list(held.dials.items()) if said else []
            simulation.tick(*simulation.inputs(held.readings, held.switches, said, dials, moves=held.moves))
            assert_known(known, simulation)


@pytest.mark.slow
@settings(max_examples=15, deadline=None)
@given(TEXTS, st.integers(0, 10**6))
def test_ticks_jumped_over_come_to_the_same(text: str, seed: int) -> None:
    machine = read_text(text)
    player = Synchronizer(machine)
    jumped = ticked = player.nothing()
    for held in words(machine, seed)[:4]:
        jumped = player.held(jumped, held, 500, None)
        for _ in range(500):
            ticked = player.after(ticked, held)
        assert jumped.clocks == ticked.clocks
        assert jumped.like(ticked)


BUSY = """machine busy
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, checked, silent after 30 ms
command beat "."
command go "g"
command far_off "f"
dial pace "v", -3 .. 6, starts 2
sensor front by hand, -4 .. 6
sensor left by hand, -4 .. 6
switch lid pin 4, on when high
stepper disc step 8, direction 9, at most 250 Hz
lamp glow pin 13
sensor seen front, taken in fast after 10 ms, patience 40 ms
level near when front < 2 clears when front > 4
level lit when near and lid for 20 ms clears when not near for 30 ms
level calm when left steady within 1 for 30 ms clears when lid
level seldom when left fault or seen > 1 clears when seen fault, on if in doubt
part belt
counter laps 0 .. 5, up each 20 ms in fast, down each 10 ms in slow
counter turns 0 .. 4, round
mode idle stop
mode slow glow on
mode fast glow blink 40 ms
group going slow, fast
{belt}
part arm
counter turned -3 .. 6, counts steps of disc
counter clicks -3 .. 3, counts both ways on pins 20 and 21, at most 200 Hz, round
counter kept -3 .. 5, up each 10 ms in out
mode home stop
mode out disc 250 Hz
mode back disc -110 Hz
group away out, back
{arm}
"""


def busy_rows(chance: random.Random, part: str, modes: list[str]) -> str:
    """A part's rows, that ask for whatever there is and change what they can."""
    counters = ["laps", "turns"] if part == "belt" else ["turned", "clicks", "kept", "laps"]
    group, other, others = ("going", "arm", ["out", "back"]) if part == "belt" else ("away", "belt", ["slow", "fast"])
    changes = ["laps = 3", "turns + 1", "turns - 2", "laps + 2", "turns = laps", "laps = turns", "pace = 4"]
    if part == "arm":
        changes = ["turned = 1", "clicks + 2", "kept = clicks", "kept - 1", "clicks = kept", "turned = kept"]

    def atom() -> str:
        op, by = chance.choice(["<", "<=", ">", ">=", "==", "!="]), chance.randint(-2, 4)
        asked = [f"front {op} {by}", f"left {op} front + {by}", f"seen {op} {by}", f"pace {op} {by}", "seen fault"]
        asked += [f"{each} {op} {by}" for each in counters] + [f"{chance.choice(counters)} {op} pace"]
        asked += ["near", "lit", "calm", "seldom", "lid", "go", "front fault", "radio silent", "beat absent 20 ms"]
        asked += [f"after {chance.randint(0, 3) * 10} ms", f"after {chance.randint(1, 4) * 10} ms in {group}"]
        return chance.choice([*asked, f"{other} in {chance.choice(others)}"])

    return dense_rows(chance, modes, atom, ["", *changes], 2, changes[0])


def busy(seed: int) -> Machine:
    chance = random.Random(seed)
    belt, arm = busy_rows(chance, "belt", ["idle", "slow", "fast"]), busy_rows(chance, "arm", ["home", "out", "back"])
    return read_text(BUSY.format(belt=belt, arm=arm))


def known_of(player: Synchronizer, simulations: Sequence[Simulation]) -> Knowledge:
    """What is known of a machine that stands as in one of ``simulations``."""
    known, place = player.nothing(), simulations[0].layout.place
    views = [each.view for each in simulations]

    def span(key: ClockKey | CounterValue | DialValue) -> tuple[int, int]:
        found = [int(each.state[place[key]]) for each in simulations]
        return min(found), max(found)

    known.modes = {part: frozenset(view.modes[part] for view in views) for part in known.modes}
    known.clocks = {key: span(key) for key in known.clocks}
    known.values = {key: span(key) for key in known.values}
    levels = {name: {view.levels[name] for view in views} for name in known.levels}
    known.levels = {name: some.pop() if len(some) == 1 else None for name, some in levels.items()}
    for memory in player.tick.memories:
        seen = {view.sensors[memory.sensor] for view in views}
        if len(seen) == 1:
            known.memories[memory.sensor] = seen.pop()
    left = {view.sensors["left"] for view in views}
    known.read_before = {"left": left.pop()} if len(left) == 1 else {}
    for count in player.tick.counts:
        low, high = known.values[count.counter]
        if low == high and count.remainder in place:
            known.rests[count.remainder] = span(count.remainder)
    return known


@pytest.mark.parametrize("several", [1, 2])
@pytest.mark.parametrize("seed", range(8))
def test_what_is_known_of_a_tick_is_so_and_all_is_known_where_it_was(seed: int, several: int) -> None:
    machine, chance = busy(seed), random.Random(seed)
    player, simulations = Synchronizer(machine), [Simulation(machine) for _ in range(several)]
    for number in range(150):
        for each in simulations:
            if not number or chance.random() < 0.2:  # each goes its own way for a while
                for own in random_inputs(machine, chance.randrange(10**6), 20):
                    each.tick(*own)
                for _ in range(4):  # until no command waits to be taken
                    each.tick(*own._replace(arrivals=(), messages=(), others=0))
        before = known_of(player, simulations)
        held = chance.choice(words(machine, chance.randrange(10**6)))
        if chance.random() < 0.7:
            held = replace(held, readings={**held.readings, **before.read_before})
        known = player.after(before, held)
        said = [each.name for each in machine.commands if each.name == held.taken or each.name in held.heard]
        dials = list(held.dials.items()) if said else []
        for each in simulations:
            each.tick(*each.inputs(held.readings, held.switches, said, dials, moves=held.moves))
            assert_known(known, each)
        if several == 1 and held.readings["left"] in (None, before.read_before["left"]):  # (anchors are not known)
            exact = known_of(player, simulations)
            assert (known.modes, known.levels) == (exact.modes, exact.levels)
            assert known.values | {CounterValue("turned"): (0, 0)} == exact.values | {CounterValue("turned"): (0, 0)}
            for key in known.clocks:
                assert isinstance(key, RemainderClock) or known.clocks[key] == exact.clocks[key]


GATE = """machine gate
board atmega2560
tick 10 ms
link panel serial1, 9600 baud, plain, silent after 500 ms
command halt "h" from panel, urgent
command alive "." from panel
command lift "l" from panel
command shut "s" from panel
switch at_open pin 4, on when high
switch at_shut pin 5, on when high
switch beam pin 6, on when high
motor winch pwm 5, forward 22, reverse 23
motor wheels pwm 6, forward 24, reverse 25
level covered when beam for 400 ms clears when not beam for {clears}
failsafes
in  | when | go to
{halted}
part leaf
mode halted stop
mode open stop
mode closed stop
mode opening winch 60 %
mode shutting winch -60 %
failsafes
in               | when                | go to
opening, shutting| panel silent        | halted
rules
in               | when                                          | go to
closed, halted   | lift and not at_open                          | opening
open, halted     | shut and not covered and not cart in driving  | shutting
opening          | at_open                                       | open
shutting         | {shuts}                                       | closed
part cart
mode parked stop
mode driving wheels 30 %
failsafes
in      | when         | go to
driving | panel silent | parked
rules
in      | when                   | go to
parked  | alive and leaf in open | driving
promise every mode can reach leaf in closed
"""


@pytest.mark.parametrize(
    ("clears", "halted", "shuts", "reached"),
    [
        ("2 s", "any | halt | start", "at_shut", True),
        ("10 min", "any | halt | start", "at_shut and after 5 min", True),
        ("2 s", "any | halt and covered | start", "at_shut", True),  # the beam is broken first
        ("2 s", "any | halt | start", "at_shut and at_open and not at_open", False),
    ],
)
def test_one_word_leads_there_from_every_configuration(clears: str, halted: str, shuts: str, reached: bool) -> None:
    machine = read_text(GATE.format(clears=clears, halted=halted, shuts=shuts))
    assert reached_from_anywhere(machine, "leaf", ["closed"]) is reached


def test_what_waits_for_a_level_and_another_part_is_decided_in_slices() -> None:
    machine = read_text(GATE.format(clears="2 s", halted="any | halt | start", shuts="at_shut"))
    assert prove(machine, phases=["slices"]).verdicts[0].kept is True


def test_a_stop_mode_that_is_left_in_time_is_led_on_from_at_once() -> None:
    text = GATE.format(clears="2 s", halted="any | halt | start", shuts="at_shut")
    by_itself = "halted           | after 30 s | shutting\nclosed, halted "
    machine = read_text(text.replace("closed, halted ", by_itself, 1))
    assert reached_from_anywhere(machine, "leaf", ["closed"])


TALLY = """machine tally
board atmega328p
tick 10 ms
command note button, pin 2, on when low
sensor front by hand, 0 .. 200
lamp mark pin 9
counter seen 0 .. 5
counter kept 0 .. 5
level far when front > 100 clears when tally in marked
mode idle stop
mode marked stop, mark on
rules
in     | when | go to  | do
idle   | note | stay   | seen = 4, kept = seen
idle   | far  | marked |
marked | note | idle   |
"""


MIXER = """machine mixer
board atmega328p
tick 10 ms
command halt button, pin 2, on when low, urgent
command mix button, pin 3, on when low
switch skirt pin 4, on when low
sensor depth range, trigger 7, echo 8, 2 cm .. 300 cm
relay valve pin 9
motor drum pwm 5, direction 10
level clear when skirt for {lasts} clears when not skirt
level pressed when depth < 15 cm for 200 ms clears when depth > 20 cm
failsafes
in | when | go to
any | halt | start
mode ready stop
mode filling valve on
mode stirring drum 60 %
mode pouring drum -30 %
rules
in | when | go to
ready | mix | filling
filling | clear | stirring
filling | after 1 min | ready
stirring | pressed | ready
stirring | after 20 s | pouring
pouring | after 10 s | ready
promise every mode can reach pouring
"""


@pytest.mark.parametrize("lasts", ["1 s", "30 s", "2 min", "1 h"])
def test_a_level_that_takes_longer_than_the_mode_lasts_is_on_before(lasts: str) -> None:
    assert reached_from_anywhere(read_text(MIXER.format(lasts=lasts)), "mixer", ["pouring"])


def test_what_is_copied_is_as_it_was_before_the_row() -> None:
    player = Synchronizer(read_text(TALLY))
    known = player.nothing()
    known.modes["tally"] = frozenset({"idle"})
    known = player.after(known, Letter({"front": 50}, {}, {}, "note"))
    assert {key.name: span for key, span in known.values.items()} == {"seen": (4, 4), "kept": (0, 5)}


def test_a_level_that_may_clear_is_known_no_more() -> None:
    player = Synchronizer(read_text(TALLY))
    known = player.nothing()
    known.levels["far"] = True
    known = player.after(known, Letter({"front": 50}, {}, {}))
    assert known.levels == {"far": None}


SPOOL = """machine spool
board atmega328p
tick 10 ms
command halt button, pin 3, on when low, urgent
command go button, pin 4, on when low
motor reel pwm 5, forward 10, reverse 11
stepper guide step 8, direction 9, at most 400 Hz{ramp}
counter turns -50 .. 2000, counts {pulses}, at most 400 Hz
counter across 0 .. 900, counts steps of guide
mode still stop
mode full stop
mode winding reel 60 %
mode spreading guide 400 Hz
failsafes
in | when | go to
any | halt | still
winding | after 20 s | still
rules
in | when | go to | do
still | go | {then} | turns = 0, across = 0
winding | {wound} | full |
spreading | {spread} | full |
promise every mode can reach full
"""


@pytest.mark.parametrize(
    ("then", "pulses", "ramp", "asks", "reached"),
    [
        ("winding", "pulses on pin 2", "", "turns >= 1500", True),
        ("winding", "pulses on pin 2", "", "turns == 1501", True),  # the last of them one by one
        ("winding", "pulses on pin 2", "", "turns < 0", False),  # they count one way
        ("winding", "both ways on pins 2 and 3", "", "turns < 0", True),
        ("spreading", "pulses on pin 2", "", "across >= 800", True),
        ("spreading", "pulses on pin 2", ", ramp 500 Hz/s", "across >= 800", True),
        ("spreading", "pulses on pin 2", "", "across >= 800 and turns > 20", True),
    ],
)
def test_pulses_and_steps_come_as_the_word_wants_them(
    then: str, pulses: str, ramp: str, asks: str, reached: bool
) -> None:
    machine = read_text(SPOOL.format(then=then, pulses=pulses, ramp=ramp, wound=asks, spread=asks))
    assert reached_from_anywhere(machine, "spool", ["full"]) is reached


@pytest.mark.parametrize(
    ("counts", "asks", "reached"),
    [
        ("up each 100 ms in raising, down each 200 ms in lowering", "place >= 55", True),
        ("up each 100 ms in raising, down each 200 ms in lowering", "place == 30", True),
        ("up each 20 ms in raising", "place > 59", True),
        ("up each 100 ms in lowering", "place >= 55", False),
        ("up each 100 ms in raising", "place >= 55 and after 6 s", False),  # it is at its end before, and led on
    ],
)
def test_a_counter_that_counts_time_is_waited_for(counts: str, asks: str, reached: bool) -> None:
    machine = read_text(f"""machine blind
board atmega328p
tick 20 ms
command halt button, pin 3, on when low, urgent
command go button, pin 4, on when low
motor drum pwm 5, forward 10, reverse 11
counter place 0 .. 60, {counts}
mode still stop
mode there stop
mode lowering drum -40 %
mode raising drum 40 %
failsafes
in | when | go to
any | halt | still
rules
in | when | go to | do
still | go | lowering |
lowering | after 2 s | raising | place = 0
raising | {asks} | there |
raising | place == 60 and after 5 s | still |
promise every mode can reach there
""")
    assert reached_from_anywhere(machine, "blind", ["there"]) is reached


TOP_UP = """
machine top_up
board atmega328p
tick 50 ms
command mute button, pin 3, on when low
command service button, pin 2, on when low, urgent
switch low pin 4, on when low
relay pump pin 7
relay heater pin 8
failsafes
in | when | go to
any | service | start
part filling
mode paused stop, resumes
mode watching stop
mode failed stop
mode pumping pump on
counter runs 0 .. 10, down each 1 h in watching
failsafes
in | when | go to
pumping | after 90 s | failed
rules
in | when | go to | do
paused | {begins} | watching |
watching | runs >= 10 | failed |
watching | low | pumping | runs + 1
pumping | not low and after 5 s | watching |
failed | mute | watching | runs = 0
part warming
mode cold stop
mode waiting stop
mode heating heater on
failsafes
in | when | go to
heating | after 2 h | cold
rules
in | when | go to
cold | after 1 min and filling in watching | waiting
waiting | mute | heating
""".lstrip()


def test_another_part_is_led_first_to_where_a_row_asks_for_it() -> None:
    """Out of the pause and back, so that its time begins; then a minute of waiting; then out of it again, for it may
    not stay there for longer than a tick."""
    machine = read_text(TOP_UP.format(begins="mute or after 30 min"))
    assert reached_from_anywhere(machine, "warming", {"waiting"})
    assert not prove(machine, 20).unproved


def test_another_part_that_cannot_be_led_there_leaves_it_open() -> None:
    """Two commands are never taken on one tick: nothing leads out of the pause."""
    machine = read_text(TOP_UP.format(begins="mute and service"))
    assert not reached_from_anywhere(machine, "warming", {"waiting"})
