"""Machines from textbooks, and what the books say of them.

Each machine is written as its book draws it. A book's free choice is a switch (or a command) that nobody rules; a step
of the book is a tick. What had to be different is said beside each. Details are given from memory of the books:

- E. M. Clarke, O. Grumberg, D. A. Peled, *Model Checking*, MIT Press 1999, chapter 4.
- C. Baier, J.-P. Katoen, *Principles of Model Checking*, MIT Press 2008, chapters 2, 3 and 9.
- E. A. Lee, S. A. Seshia, *Introduction to Embedded Systems*, 2nd edition, MIT Press 2017, chapters 3, 4, 13 and 15.
- M. Huth, M. Ryan, *Logic in Computer Science*, 2nd edition, Cambridge 2004, chapter 3.

Where a book counts states, the brute-force explorer counts the same; its verdicts and the proof's are held against the
book's alike.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import pytest

from statecraft.language import read_text
from statecraft.proof.prove import prove
from tests.proof import brute_verdicts
from tests.proof.against_brute import claims
from tests.proof.brute import World

FOR_EVER = math.inf


@dataclass(frozen=True)
class Textbook:
    """A machine and the book's answers.

    Attributes:
        promises: each promise, whether the book says that it holds, and the worst time, in ticks.
        breaks: the ticks of the shortest run that breaks a promise, where the book tells it.
        states: how many states the book (or its program graph) has, where ours have no more to them.
        findings: codes of findings that the book speaks of, and whether they are there.
    """

    text: str
    promises: dict[str, tuple[bool, float | None]]
    breaks: dict[str, int] = field(default_factory=dict)
    states: int | None = None
    findings: dict[str, bool] = field(default_factory=dict)

    @property
    def whole(self) -> str:
        """The machine file with its promises."""
        return self.text + "".join(f"promise {promise}\n" for promise in self.promises)


BOOKS: dict[str, Textbook] = {}

# Clarke, Grumberg, Peled: the microwave oven (section 4.1, the figure with seven states). Its labels are lamps and the
# heater here. Every tick is a step of the Kripke structure; where it has two, the switch `so` chooses. AG(start -> AF
# heat) fails: from state 2 one may go round 2 and 5 for ever, or by 5, 3 and 1 back. The CTL formula has no bound;
# ours has one, and a worst time without end says that none would do. That nothing heats while the door is open, or in
# error, is read off the figure's labels.
BOOKS["microwave oven"] = Textbook(
    """
machine microwave_oven
board   atmega2560
tick    100 ms
switch  so     by hand
switch  again  by hand
relay   heat   pin 7
lamp    start  pin 8
lamp    close  pin 9
lamp    error  pin 10
mode s1 stop
mode s2 start on, error on
mode s3 close on
mode s4 close on, heat on
mode s5 start on, close on, error on
mode s6 start on, close on
mode s7 start on, close on, heat on
group heating s4, s7
rules
in | when              | go to
s1 | so                | s2
s1 | not so            | s3
s2 | after 100 ms      | s5
s3 | so                | s6
s3 | not so            | s1
s4 | so                | s3
s4 | again             | s1
s5 | so                | s2
s5 | not so            | s3
s6 | after 100 ms      | s7
s7 | after 100 ms      | s4
""",
    {
        "once start on -> heating within 10 s": (False, FOR_EVER),
        "once start on and not error on -> heating within 100 ms": (True, 1),
        "never heat on and not close on": (True, None),
        "never heat on and error on": (True, None),
        "every mode can reach heating": (True, 4),
    },
)

# Baier, Katoen: the beverage vending machine (example 2.2): pay, select, soda, beer. The machine, not the customer,
# chooses the drink (the internal step tau), so it is a switch. A drink is only delivered after a coin; a drink follows
# at once on its selection; but nothing says that it is ever a beer. The counter `paid` is the atomic proposition of
# that name, kept by the rows.
BOOKS["beverage vending machine"] = Textbook(
    """
machine vending_machine
board   atmega2560
tick    100 ms
command insert_coin button, pin 3, on when low
command get_soda    button, pin 4, on when low
command get_beer    button, pin 5, on when low
switch  tau         by hand
counter paid        0 .. 1
mode pay    stop
mode select
mode soda
mode beer
rules
in     | when        | go to  | do
pay    | insert_coin | select | paid = 1
select | tau         | soda   |
select | not tau     | beer   |
soda   | get_soda    | pay    | paid = 0
beer   | get_beer    | pay    | paid = 0
""",
    {
        "never (soda or beer) and paid == 0": (True, None),
        "once select -> soda, beer within 100 ms": (True, 1),
        "once select -> beer within 10 s": (False, FOR_EVER),
        "every mode can reach pay": (True, 2),
    },
    states=4,
)

# Baier, Katoen: the beverage vending machine revisited (example 2.12 and the figures after it), with bottles that are
# counted: for two of each its transition system has 2 * 3 * 3 states. A coin comes back when nothing is left. Its
# location `start` is `begin` here.
BOOKS["vending machine that counts its bottles"] = Textbook(
    """
machine vending_machine
board   atmega2560
tick    100 ms
command coin   button, pin 3, on when low
command refill button, pin 4, on when low
command sget   button, pin 5, on when low
command bget   button, pin 6, on when low
counter nsoda  0 .. 2, starts 2
counter nbeer  0 .. 2, starts 2
mode begin  stop
mode select
rules
in     | when                      | go to  | do
begin  | coin                      | select |
begin  | refill                    | stay   | nsoda = 2, nbeer = 2
select | sget and nsoda > 0        | begin  | nsoda - 1
select | bget and nbeer > 0        | begin  | nbeer - 1
select | nsoda == 0 and nbeer == 0 | begin  |
""",
    {
        "once select and nsoda == 0 and nbeer == 0 -> begin within 100 ms": (True, 1),
        "never nsoda == 0 and nbeer == 0": (False, FOR_EVER),
        "every mode can reach begin": (True, 1),
    },
    breaks={"never nsoda == 0 and nbeer == 0": 9},  # after tick 0: four coins, four bottles
    states=18,
)

# Lee, Seshia: the thermostat with hysteresis (example 3.5: on at 18 degrees or less, off at 22 or more), which is
# there to keep the heater from chattering; and what it is there to mend, a single set point of 20. The book's sensor
# never fails and nobody halts its heater; what we say of that (halt missed, fault ignored) is no part of its text.
BOOKS["thermostat with hysteresis"] = Textbook(
    """
machine thermostat
board   atmega2560
tick    1 s
sensor  temperature by hand, 0 C .. 40 C
relay   heater      pin 7
mode cooling stop
mode heating heater on
rules
in      | when                | go to
cooling | temperature <= 18 C | heating
heating | temperature >= 22 C | cooling
""",
    {
        "once temperature >= 22 C -> cooling within 0 s": (True, 0),
        "once temperature <= 18 C -> heating within 0 s": (True, 0),
        "once temperature < 20 C  -> heating within 1 h": (False, FOR_EVER),
    },
    states=2,
    findings={"bare threshold": False, "flapping": False, "stuck": False},
)
BOOKS["thermostat with one set point"] = Textbook(
    """
machine thermostat
board   atmega2560
tick    1 s
sensor  temperature by hand, 0 C .. 40 C
relay   heater      pin 7
mode cooling stop
mode heating heater on
rules
in      | when                | go to
cooling | temperature < 20 C  | heating
heating | temperature >= 20 C | cooling
""",
    {"once temperature >= 20 C -> cooling within 0 s": (True, 0)},
    states=2,
    findings={"bare threshold": True, "flapping": False},
)

# Lee, Seshia, chapter 4: the same set point with the least times Tc = 20 s and Th = 30 s in each mode, a timed
# automaton. It does not chatter: what is on stays on for at least its time.
BOOKS["thermostat as a timed automaton"] = Textbook(
    """
machine thermostat
board   atmega2560
tick    1 s
sensor  temperature by hand, 0 C .. 40 C
relay   heater      pin 7
mode cooling stop
mode heating heater on
rules
in      | when                               | go to
cooling | temperature <= 20 C and after 20 s | heating
heating | temperature >= 20 C and after 30 s | cooling
""",
    {
        "while temperature > 20 C -> cooling within 30 s": (True, 29),
        "while temperature < 20 C -> heating within 20 s": (True, 20),
        "while temperature < 20 C -> heating within 15 s": (False, 20),
    },
    findings={"bare threshold": False, "flapping": False},
)

# Lee, Seshia: the traffic light (figure 3.10, an extended state machine that counts seconds) and the pedestrian
# (chapter 13), side by side. The book's invariant, G not(green and crossing), holds; chapter 15 counts the reachable
# states of the two: 61 + 61 + 60 + 6. The book's parts exchange signals within a reaction; here the switch `presses`
# is what makes the pedestrian wait and what the light sees of it, and the pedestrian sees the light's mode.
BOOKS["traffic light and pedestrian"] = Textbook(
    """
machine crossing
board   atmega2560
tick    1 s
switch  presses by hand
part light
mode red stop
mode green
mode pending
mode yellow
counter count 0 .. 60
rules
in      | when                    | go to   | do
red     | count < 60              | stay    | count + 1
red     | count >= 60             | green   | count = 0
green   | presses and count < 60  | pending | count + 1
green   | presses and count >= 60 | yellow  | count = 0
green   | count < 60              | stay    | count + 1
pending | count < 60              | stay    | count + 1
pending | count >= 60             | yellow  | count = 0
yellow  | count < 5               | stay    | count + 1
yellow  | count >= 5              | red     | count = 0
part walker
mode crossing stop
mode none
mode waiting
rules
in       | when           | go to
crossing | light in green | none
none     | presses        | waiting
waiting  | light in red   | crossing
""",
    {
        "never light in green and walker in crossing": (True, None),
        "never walker in crossing and not light in red": (True, None),
        "once walker in waiting -> walker in crossing within 1.2 min": (True, 66),
        "never light in yellow for 6 s": (True, 6),
        "never light in yellow for 5 s": (False, 6),
        "every mode can reach walker in crossing": (True, 67),
    },
    states=188,
)

# The same light with clocks for its counter: red for 61 reactions, then green for as long, and so on.
BOOKS["traffic light with clocks"] = Textbook(
    """
machine crossing
board   atmega2560
tick    1 s
switch  presses by hand
part light
mode red stop
mode green
mode pending
mode yellow
group open green, pending
rules
in      | when                         | go to
red     | after 61 s                   | green
green   | presses and after 61 s       | yellow
green   | presses                      | pending
pending | after 61 s in open           | yellow
yellow  | after 6 s                    | red
part walker
mode crossing stop
mode none
mode waiting
rules
in       | when           | go to
crossing | light in green | none
none     | presses        | waiting
waiting  | light in red   | crossing
""",
    {
        "never light in green and walker in crossing": (True, None),
        "never walker in crossing and not light in red": (True, None),
        "once walker in waiting -> walker in crossing within 1.2 min": (True, 66),
        "never light in yellow for 6 s": (True, 6),
        "never light in yellow for 5 s": (False, 6),
    },
)

# Lee, Seshia: the parking garage (examples 3.1 to 3.4): a counter of cars up to M has M + 1 states, and is full after
# M arrivals and no sooner. The book's single state with a variable is our mode `counting`, meant to be all there is.
BOOKS["parking garage"] = Textbook(
    """
machine garage
board   atmega2560
tick    1 s
switch  up   by hand
switch  down by hand
counter cars 0 .. 20
mode counting stop, final
rules
in       | when                        | go to | do
counting | up and not down and cars < 20  | stay  | cars + 1
counting | down and not up and cars > 0   | stay  | cars - 1
""",
    {"never cars == 20": (False, FOR_EVER), "never cars > 20 or cars < 0": (True, None)},
    breaks={"never cars == 20": 20},
    states=21,
)

# Baier, Katoen: the railroad crossing. Without times (example 2.30) the train may be in before the gate is down. With
# them (chapter 9) it may not: it takes more than two minutes to come, the controller lowers the gate after one, the
# gate is down within another. Handshakes that would have to wait are awaited by the train: it comes near when the
# controller is idle and the gate up. The book's minute is two seconds here, of a tick each, so that "more than two
# minutes" is 5 s.
RAILROAD = """
machine railroad
board   atmega2560
tick    1 s
switch  comes   by hand
switch  goes_on by hand
switch  hurries by hand
part train
mode away stop
mode near
mode inside
group passing near, inside
rules
in     | when                                         | go to
away   | comes and controller in idle and gate in up  | near
near   | goes_on and after {at_least}                 | inside
near   | after 10 s                                  | inside
inside | goes_on or after 10 s in passing            | away
part controller
mode idle stop
mode warned
mode lowering
mode cleared
rules
in       | when                    | go to
idle     | train in near           | warned
warned   | {lowers}                | lowering
lowering | train in away           | cleared
cleared  | hurries or after 2 s  | idle
part gate
mode up stop
mode coming_down
mode down
mode going_up
rules
in          | when                               | go to
up          | controller in lowering             | coming_down
coming_down | hurries or after 2 s             | down
down        | controller in idle                 | going_up
going_up    | hurries and after 2 s            | up
going_up    | after 4 s                        | up
"""
BOOKS["railroad crossing without times"] = Textbook(
    RAILROAD.format(at_least="1 s", lowers="hurries"),
    {
        "never train in inside and not gate in down": (False, 9),
        "never train in inside and gate in up": (False, 9),
    },
    breaks={"never train in inside and gate in up": 2},
)
BOOKS["railroad crossing with times"] = Textbook(
    RAILROAD.format(at_least="5 s", lowers="after 2 s"),
    {
        "never train in inside and not gate in down": (True, None),
        "once train in near -> gate in down within 4 s": (True, 4),
        "every mode can reach gate in up": (True, 7),
    },
)
BOOKS["railroad crossing with a faster train"] = Textbook(
    RAILROAD.format(at_least="3 s", lowers="after 2 s"),
    {"never train in inside and not gate in down": (False, 1)},
    breaks={"never train in inside and not gate in down": 4},
)

# Alcuin's ferryman (Propositiones ad acuendos iuvenes, 18), who is Huth and Ryan's too (chapter 3): wolf, goat and
# cabbage are across after seven crossings and no fewer. He goes wherever he is told; what is on his side and named
# goes along.
BOOKS["ferryman"] = Textbook(
    """
machine ferryman
board   atmega2560
tick    1 s
command alone        button, pin 3, on when low
command with_wolf    button, pin 4, on when low
command with_goat    button, pin 5, on when low
command with_cabbage button, pin 6, on when low
part man
mode here stop
mode across
rules
in     | when                                              | go to
here   | alone or with_wolf or with_goat or with_cabbage   | across
across | alone or with_wolf or with_goat or with_cabbage   | here
"""
    + "".join(
        f"""
part {who}
mode here stop
mode across
rules
in     | when                            | go to
here   | with_{who} and man in across    | across
across | with_{who} and man in here      | here
"""
        for who in ("wolf", "goat", "cabbage")
    )
    + """
part banks
mode peace stop
mode eaten stop, final
rules
in    | when                                                                               | go to
peace | man in across and goat in here and (wolf in here or cabbage in here)               | eaten
peace | man in here and goat in across and (wolf in across or cabbage in across)           | eaten
""",
    {
        "never banks in peace and man in across and wolf in across and goat in across and cabbage in across": (
            False,
            FOR_EVER,
        ),
        "every mode can reach banks in peace": (False, FOR_EVER),
    },
    breaks={  # tick 0, then one crossing a tick
        "never banks in peace and man in across and wolf in across and goat in across and cabbage in across": 8,
        "every mode can reach banks in peace": 2,
    },
)

EACH = pytest.mark.parametrize("name", BOOKS)


@EACH
def test_trying_every_input_says_what_the_book_says(name: str) -> None:
    book = BOOKS[name]
    world = World(read_text(book.whole))
    machine = world.machine
    for number, (promise, (holds, worst)) in enumerate(book.promises.items()):
        kept = brute_verdicts.promised(world, number)
        assert (promise, kept.broken is None, kept.worst) == (promise, holds, worst)
        if promise in book.breaks:
            assert (promise, kept.broken) == (promise, book.breaks[promise])
    modes = {(part.name, mode.name) for part in machine.parts for mode in part.modes}
    assert set(brute_verdicts.reached(world)) == modes  # no book draws a state that nothing comes to
    if book.states is not None:
        assert len(world.configurations) == book.states
    codes = {code for code, *_ in claims(world)}
    assert {code: code in codes for code in book.findings} == book.findings


@EACH
def test_the_proof_says_what_the_book_says(name: str) -> None:
    book = BOOKS[name]
    report = prove(read_text(book.whole))
    assert report.complete
    for found, (promise, (holds, worst)) in zip(report.verdicts, book.promises.items(), strict=True):
        assert (promise, found.kept) == (promise, holds)
        if holds and found.promise.kind != "reach":
            assert (promise, found.worst) == (promise, worst)
        if promise in book.breaks:
            assert found.run is not None
            assert (promise, found.run.ticks) == (promise, book.breaks[promise])
    codes = {finding.code for finding in report.findings}
    assert "unreachable" not in codes
    assert {code: code in codes for code in book.findings} == book.findings
