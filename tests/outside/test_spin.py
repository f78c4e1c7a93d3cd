"""The model checker spin finds the same: modes entered, rows that decide, promises kept, worst times, shortest runs."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from statecraft.language import read_text
from statecraft.machine import Machine, Promise
from statecraft.proof.prove import Report, prove
from tests.outside.promela import Answer, ask, promela
from tests.proof.against_brute import small_text
from tests.tools import need

pytestmark = pytest.mark.slow

need("spin")
need("cc")

MACHINES = {
    # A radio that may fall silent, a button held down, a time limit on a group, a mode begun anew.
    "creeper": """
machine creeper
board   atmega2560
tick    100 ms
link    operator serial1, 9600 baud, plain, silent after 500 ms
command halt     "h", urgent
command beat     "."
command creep    "c"
command patrol   "p"
motor   wheels   pwm 5, forward 30, reverse 31
mode parked   stop
mode creeping wheels 30 %
mode forth    wheels 60 %
mode back     wheels -60 %
group patrolling forth, back
group driving creeping, patrolling
failsafes
in         | when                        | go to
any        | halt                        | parked
driving    | operator silent             | parked
patrolling | after 2 s in patrolling     | parked
rules
in         | when                        | go to
parked     | creep                       | creeping
parked     | patrol                      | forth
creeping   | creep absent 300 ms         | parked
creeping   | patrol                      | restart
forth      | after 500 ms                | back
back       | after 700 ms                | forth
promise once halt -> parked within 0 ms
promise while operator silent -> parked within 100 ms
promise never wheels != 0 % and beat absent 100 ms and creep absent 100 ms and patrol absent 100 ms for 500 ms
promise never driving for 2 s
promise never patrolling for 2 s
promise once creep -> creeping within 200 ms
""",
    # Levels held for a time, a sensor with plausible limits, doubt, and counting.
    "pump": """
machine pump
board   atmega328p
tick    100 ms
command off      button, pin 3, on when low, urgent
command ready    button, pin 4, on when low
switch  float_up pin 2, on when low
sensor  pull     current, pin A1, 0.5 V is 0 A, 2.5 V is 20 A, plausible 0 A .. 18 A
relay   pump     pin 7
level   wet      when float_up for 500 ms    clears when not float_up for 1 s
level   jammed   when pull > 12 A for 300 ms clears when pull < 9 A, on if in doubt
counter tries    0 .. 3
mode waiting  stop
mode blocked  stop
mode pumping  pump on
failsafes
in        | when                          | go to   | do
any       | off                           | waiting | tries = 0
pumping   | jammed                        | blocked | tries + 1
rules
in        | when                          | go to   | do
waiting   | wet and tries < 3             | pumping |
pumping   | not wet                       | waiting | tries - 1
blocked   | ready and tries < 3           | waiting |
promise while pull fault -> waiting, blocked within 100 ms
promise while not float_up -> waiting, blocked within 2 s
promise while pull > 12 A -> waiting, blocked within 500 ms
promise never tries == 3
promise once wet -> pumping within 200 ms
promise never pump on and jammed
""",
    # Sensors compared with each other and with constants, in fault or not; a remembered choice; a turn limit.
    "cart": """
machine cart
board   atmega2560
tick    100 ms
command halt   button, pin 2, on when low, urgent
command go     button, pin 3, on when low
sensor  left   range, trigger 24, echo 25, 2 cm .. 400 cm
sensor  right  range, trigger 26, echo 27, 2 cm .. 400 cm
motor   wheels pwm 5, forward 30, reverse 31
counter turns  0 .. 4
mode parked stop
mode weigh
mode to_left  wheels 30 %
mode to_right wheels -30 %
group moving weigh, to_left, to_right
failsafes
in       | when                                     | go to    | do
any      | halt                                     | parked   | turns = 0
moving   | left fault and right fault               | parked   |
rules
in       | when                                     | go to    | do
parked   | go and (left > 40 cm or right > 40 cm)   | weigh    | turns = 0
weigh    | turns >= 4                               | parked   |
weigh    | after 200 ms and left > 30 cm and left >= right  | to_left  | turns + 1
weigh    | after 200 ms and right > 30 cm and right > left  | to_right | turns + 1
weigh    | after 1 s                                | parked   |
to_left, to_right | after 300 ms                    | weigh    |
weigh    | left < right and right < 10 cm and right > 20 cm | to_left  |
promise never to_left and right > left and left fault
promise never turns > 3 and weigh for 100 ms
promise never moving for 3 s
promise once turns == 4 and wheels > 0 % -> parked within 500 ms
promise once turns == 4 -> parked within 500 ms
promise while left fault and right fault -> parked within 200 ms
""",
    # Two parts and a halt for both; one asks about the other; a place that is reckoned from time.
    "gate": """
machine gate
board   atmega2560
tick    100 ms
link    handset serial1, 9600 baud, checked
command halt   "halt", urgent
command open   "open"
command shut   "shut"
switch  beam   pin 22, on when high
motor   leaf   pwm 6, forward 30, reverse 31
relay   bolt   pin 7
level   clear  when not beam for 300 ms clears when beam
failsafes
in   | when  | go to
any  | halt  | start
part wing
mode halted stop
mode opening  leaf 60 %
mode shutting leaf -50 %
counter place 0 .. 4, up each 200 ms in opening, down each 200 ms in shutting
failsafes
in      | when                        | go to
opening | lock in shot or after 1.2 s | halted
rules
in       | when                                | go to    | do
halted   | open and lock in drawn and place < 4  | opening  |
halted   | shut and clear and place > 0           | shutting |
opening  | place >= 4                          | halted   |
shutting | beam                                | opening  |
shutting | place == 0                          | halted   |
part lock
mode shot  stop
mode drawn bolt on
rules
in    | when                                        | go to
shot  | open and wing in halted                     | drawn
drawn | after 500 ms and place == 0 and wing in halted | shot
promise never leaf > 0 % and lock in shot for 100 ms
promise once halt taken -> wing in halted within 0 ms
promise never leaf < 0 % and beam for 100 ms
promise never wing in opening for 1 s
promise once wing in shutting and not beam -> wing in halted within 500 ms
promise never place == 4 and lock in shot
""",
    # Modes and rows that come to nothing, a failsafe that stays, and rules that are passed over.
    "useless": """
machine useless
board   atmega2560
tick    100 ms
command go     button, pin 3, on when low
switch  lid    pin 4, on when high
switch  locked pin 5, on when high
motor   drum   pwm 6, forward 30, reverse 31
counter loads  0 .. 5
mode resting  stop
mode drained  stop
mode broken   stop
mode turning  drum 50 %
mode rinsing  drum 20 %
failsafes
in               | when                | go to   | do
turning, rinsing | lid                 | resting | loads - 1
resting, drained | locked              | resting | loads + 1
turning          | after 800 ms        | drained |
rules
in               | when                | go to   | do
resting          | go and lid          | turning | loads + 1
resting          | go                  | turning | loads + 1
resting          | go and locked       | broken  |
turning          | after 1 s           | broken  |
broken           | go                  | resting |
drained          | loads > 3           | rinsing |
drained          | after 300 ms        | resting |
rinsing          | after 500 ms        | drained | loads - 1
promise never turning and lid
promise never loads > 4
promise never broken
promise once go -> turning, resting within 1 s
promise while lid -> resting, drained within 0 ms
promise never drum != 0 % for 1 s
""",
    # A dial that rows set, which stands until its link is heard, and what is entered.
    "barrow": """
machine barrow
board   atmega2560
tick    100 ms
link    operator serial1, 9600 baud, plain, silent after 300 ms
command halt "h", urgent
command roll "roll"
dial    pace "v", 20 % .. 80 %, starts 40 %
switch  lip  pin 20, on when low
motor   drum pwm 5, forward 30, reverse 31
level   brisk when pace > 60 % clears when pace < 50 %
failsafes
in  | when | go to
any | halt | start
part drive
mode parked stop
mode rolling drum 40 %
mode slowing drum 20 %
failsafes
in      | when            | go to  | do
any     | operator silent | parked | pace = 30 %
rules
in      | when            | go to   | do
parked  | roll            | rolling |
rolling | brisk and lip   | slowing | pace = 55 %
slowing | pace > 70 %     | rolling |
part telling
mode dark stop
mode lit  stop
rules
in   | when                               | go to
dark | pace == 30 % and drive in rolling  | lit
lit  | pace > 70 % and operator silent    | dark
promise never pace > 30 % and operator silent
promise never drive in rolling and pace == 55 %
promise never pace == 80 % for 500 ms
promise while drive in slowing and not lip -> drive in slowing within 0 ms
promise never enters drive in slowing and pace != 55 %
promise never enters drive in rolling and pace < 40 %
promise never enters drive in slowing, telling in lit and pace == 30 %
""",
    # A dial and a counter that rows copy, a counter that goes round, and outputs that follow a reading and a counter.
    "winder": """
machine winder
board   atmega2560
tick    100 ms
link    operator serial1, 9600 baud, plain
command halt "h", urgent
command wind "w"
dial    far  "f", 0 .. 3
sensor  pull ratio, pin A0, 0 % .. 100 %, plausible 5 % .. 95 %
motor   drum pwm 5, forward 30, reverse 31
lamp    glow pwm 6
counter left 0 .. 2, starts 2
counter was  0 .. 3, round
mode parked  stop
mode winding drum follows pull: 20 % 60 % .. 60 % 15 % .. 90 % 0 %, glow follows left: 0 0 % .. 2 100 %
mode easing  drum follows left - was: -1 -20 % .. 2 20 %
failsafes
in  | when | go to  | do
any | halt | parked | left = far, was = left
rules
in      | when                    | go to   | do
parked  | wind and far > 0        | winding | left = far
winding | left == 0               | easing  | was = left
winding | after 200 ms            | restart | left - 1, was + 2
easing  | after 300 ms            | parked  | was = far
promise never drum > 50 % and pull > 30 %
promise never drum > 50 % and pull > 28 %
promise never drum off and winding and not pull fault for 100 ms
promise never glow on and was == 3
promise never drum < 0 % and far == 0
promise never drum <= -20 % and easing
promise never left > far
promise once winding and left == 2 -> easing, parked within 700 ms
""",
}

SEEDS = (6, 12, 53, 54)
"""Random machines that are translated, with different things in them."""


def machine(name: str | int) -> Machine:
    return read_text(MACHINES[name] if isinstance(name, str) else small_text(name))


@cache
def report(name: str | int) -> Report:
    found = prove(machine(name))
    assert all(phrase.startswith("whether a halt stays one") for phrase in found.unproved)  # not asked of spin
    return found


@pytest.mark.parametrize("name", [*MACHINES, *SEEDS])
def test_spin_enters_the_same_modes_and_the_same_rows_decide(name: str | int) -> None:
    whole, found, said = machine(name), report(name).findings, ask(promela(machine(name)))
    never = {f.mode for f in found if f.code == "unreachable" and f.mode is not None}
    modes = {(part.name, mode.name) for part in whole.parts for mode in part.modes}
    starts = {(part.name, part.start.name) for part in whole.parts}
    assert entered(whole, said) | starts == modes - never
    idle = {f.row for f in found if f.code in ("unreachable", "shadowed") and f.row is not None}
    idle_rows = {(part, number) for part, number in idle}
    idle_rows |= {
        (part.name, row.number)
        for part in whole.parts
        for row in part.rows
        if all((part.name, mode) in never for mode in row.modes)
    }
    rows = {(part.name, row.number) for part in whole.parts for row in part.rows}
    assert fired(whole, said) == rows - idle_rows


def entered(whole: Machine, said: Answer) -> set[tuple[str, str]]:
    """The modes that spin's runs enter."""
    parts = whole.parts
    return {(parts[part].name, parts[part].modes[mode].name) for what, part, mode in said.noted if what == "entered"}


def fired(whole: Machine, said: Answer) -> set[tuple[str, int]]:
    """The rows that decide on spin's runs: printed from 1 on, 0 for none."""
    return {(whole.parts[part].name, row - 1) for what, part, row in said.noted if what == "fired" and row}


@pytest.mark.parametrize("name", [*MACHINES, *SEEDS])
def test_spin_keeps_and_breaks_the_same_promises(name: str | int) -> None:
    whole = machine(name)
    for promise, verdict in zip(whole.promises, report(name).verdicts, strict=True):
        if promise.kind == "reach":  # it asks about the tree of all runs
            continue
        said = asked(whole, promise)
        assert (promise.text, said.holds) == (promise.text, verdict.kept)
        if not said.holds:
            assert verdict.run is not None
            assert (promise.text, said.ticks) == (promise.text, verdict.run.ticks)
        elif verdict.worst:
            assert asked(whole, replace(promise, ticks=verdict.worst)).holds, promise.text
            assert not asked(whole, replace(promise, ticks=verdict.worst - 1)).holds, promise.text


def asked(whole: Machine, promise: Promise) -> Answer:
    return ask(promela(whole, promise))
