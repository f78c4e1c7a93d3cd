"""The proofs against the brute-force explorer, on small machines made at random.

A part of what ``python -m tests.benchmarks.proof_against_brute`` goes through.
"""

from __future__ import annotations

import time

import pytest

from statecraft.language import FileErrors, read_text
from statecraft.machine import Machine, ModeRef
from statecraft.proof.prove import Phase, prove
from tests.proof.against_brute import _is_more, disagreements, small_text, smallest
from tests.proof.brute import TooLarge, World

pytestmark = pytest.mark.slow

SECONDS = 3  # longer: python -m tests.benchmarks.proof_against_brute
LEAST = 10

MENDED = {
    "a reading that matters once in a long round": """
machine sulven
board atmega2560
tick 10 ms
sensor corzu by hand, 0 .. 5, noise 2
motor barfi pwm 12, forward 52, reverse 51
level quoven when corzu > 2 for 30 ms clears when not corzu > 2 for 30 ms
mode fenfi stop, resumes
mode norno stop
mode pelno barfi -33 %
rules
  in | when | go to
  norno | quoven | pelno
  pelno | after 0 s | fenfi
  fenfi | after 10 ms | norno
""",
    "readings that take turns leave no band": """
machine raslu
board atmega2560
tick 10 ms
sensor barlu by hand, 0 .. 5
motor corlu pwm 12, forward 53, reverse 52
level dalmer when barlu steady within 2 for 10 ms and barlu == 3 clears when not barlu == 3
mode barro stop
mode hurven corlu 100 %
rules
  in | when | go to | do
  barro | not dalmer | hurven |
  hurven | not dalmer | barro |
""",
    "a restart leaves nothing": """
machine pelro
board atmega2560
tick 10 ms
link gilzu serial1, 9600 baud, plain
command mibpik "k" from gilzu
motor fengan pwm 12, forward 52, reverse 51
mode tamlu stop
mode corlu fengan 30 %
rules
  in | when | go to | do
  tamlu | mibpik | corlu |
  any | after 10 ms | restart |
""",
    "the tail begins as early as it can": """
machine pelro
board atmega2560
tick 10 ms
lamp gilsta pin 52
mode tamba stop
mode tampik gilsta blink 40 ms
group pelfi tamba, tampik
rules
  in | when | go to | do
  tamba | after 10 ms in pelfi | tampik |
  tampik | after 10 ms | tamba |
""",
    "another part fails sooner": """
machine quoba
board atmega2560
tick 10 ms
link pelsta serial1, 19200 baud, plain
command sulno "u" from pelsta, urgent
relay corpik pin 53
servo norba pin 51, 0 deg .. 90 deg
part kemsta
mode raspik stop
mode mibro stop
mode barpik corpik on
rules
  in | when | go to | do
  mibro | after 10 ms | barpik |
  raspik | after 10 ms | mibro |
part fenfi
mode bardor stop
mode dalmer norba 10 deg
rules
  in | when | go to | do
  dalmer | sulno and after 10 ms | stay |
  bardor | not after 10 ms   | dalmer |
""",
    "a constant reading is steady in the end": """
machine tamba
board atmega2560
tick 10 ms
sensor kemmer by hand, 0 .. 5
level corro when kemmer steady within 2 for 40 ms and tamba in bardor clears when not tamba in bardor, on if in doubt
level dalno when corro clears when not corro, on if in doubt
mode tammer stop
mode bardor
rules
  in | when | go to | do
  tammer | after 10 ms | bardor |
  bardor | dalno | tammer |
""",
    "restarted on every tick": """
machine tamsta
board atmega2560
tick 10 ms
switch bardor pin 52, on when high
mode corno stop
mode corfi stop
mode hurgan stop
group pelro corno
group hurven corfi
rules
  in | when | go to | do
  any | not after 10 ms in hurven | restart |
  pelro| after 10 ms and bardor | hurgan |
""",
    "prevented by a failsafe": """
machine dalfi
board atmega2560
tick 10 ms
link sulro serial1, 38400 baud, checked, silent after 10 ms
command tamlu "s" from sulro
sensor tamro by hand, 0 .. 5
motor rassta pwm 12, direction 53
failsafes
  in | when | go to | do
  any | tamro > 2 and tamlu  | start |
part pelsta
mode fendor stop
mode barlu rassta 30 %
group fenlu fendor
group tampik fenlu
rules
  in | when | go to | do
  fendor | pelsta in tampik | barlu |
""",
    "followed no further once it is kept": """
machine useless
board atmega2560
tick 10 ms
command go button, pin 3, on when low
motor drum pwm 6, forward 30, reverse 31
counter loads 0 .. 5
mode resting stop
mode drained stop
mode turning drum 50 %
mode rinsing drum 20 %
failsafes
  in | when | go to | do
  turning | after 10 ms | drained |
rules
  in | when | go to | do
  resting | go | turning | loads + 1
  drained | loads > 3 | rinsing |
  drained | after 10 ms | resting |
promise once go -> turning, resting within 100 ms
""",
    "a word makes it sooner": """
machine dalro
board atmega2560
tick 10 ms
link fenba serial1, 19200 baud, plain
command hurdor "jB" from fenba
sensor sulno by hand, -2 .. 2
motor corven pwm 11, direction 52
part raslu
mode fenfi stop
part quopik
mode mibzu stop
mode mibba corven 100 %
failsafes
  in | when | go to | do
  mibzu | not (hurdor within 30 ms or after 20 ms) | mibzu |
rules
  in | when | go to | do
  mibzu | sulno fault | mibba |
""",
    "a part that can be spared does not flap": """
machine fendor
board atmega2560
tick 10 ms
sensor kemro by hand, 0 .. 3
buzzer jasven pin 51
level jassta when kemro < 2 for 40 ms clears when kemro > 2, starts on
part sulro
mode mibmer stop
mode lorro stop
rules
  in | when | go to | do
  mibmer | jassta | lorro |
  any but mibmer | kemro >= 2 | mibmer |
part mibdor
mode lormer stop
mode fenba jasven on
rules
  in | when | go to | do
  lormer | after 10 ms | fenba |
  fenba | after 30 ms | lormer |
""",
    "its tail begins while a silence runs up": """
machine fenzu
board atmega2560
tick 10 ms
link tamba serial1, 38400 baud, plain, silent after 40 ms
command lorsta "m" from tamba
dial lorro "x" from tamba, 1 cm .. 3 cm, starts 1 cm
sensor rasro by hand, -2 .. 2
level corsta when lorro < 2.7 cm clears when not lorro < 2.7 cm
mode rasmer stop
mode barlu stop
mode gilzu stop
failsafes
  in | when | go to | do
  gilzu | tamba silent and rasro fault | barlu |
rules
  in | when | go to | do
  barlu | corsta | gilzu |
  rasmer | lorsta | barlu |
""",
    "a reading that is never steady": """
machine hurven
board atmega2560
tick 10 ms
link bargan serial1, 38400 baud, plain
command kemsta "o" from bargan
sensor hurzu by hand, 0 .. 3
servo pelmer pin 52, 0 deg .. 90 deg
level corno when hurzu steady within 1 for 10 ms and hurven in dalven clears when not hurven in dalven for 10 ms
mode sullu stop
mode norba pelmer 90 deg
group dalven sullu, norba
group pelzu dalven
rules
  in | when | go to | do
  norba | not after 10 ms in pelzu  or not corno | norba |
  sullu | kemsta | norba |
promise once hurven in norba -> sullu within 40 ms
""",
    "a steady reading that is compared with another": """
machine mibsta
board atmega2560
tick 10 ms
sensor quo by hand, 0 .. 5
sensor kem quo, taken in cordor
level barmer when kem steady within 2 for 10 ms and kem == quo + 1 for 10 ms clears when not kem == quo + 1
mode cordor stop
mode norro unattended
rules
  in | when | go to | do
  cordor | barmer | norro |
""",
    "a steady reading beside the one that is asked about": """
machine norro
board atmega2560
tick 10 ms
sensor lorfi by hand, 0 .. 3
motor corba pwm 12, direction 53
level quodor when lorfi steady within 1 for 10 ms and lorfi > 2 clears when not lorfi > 2
mode rasmer stop
mode gilro corba 30 %
rules
  in | when | go to | do
  rasmer | not quodor | gilro |
  gilro | quodor | rasmer |
""",
    "an anchor below or above the only reading that is asked about": """
machine norro
board atmega2560
tick 10 ms
sensor lorfi by hand, 0 .. 5
motor corba pwm 12, direction 53
level quodor when lorfi steady within 1 for 20 ms and lorfi == 3 clears when lorfi != 3
mode rasmer stop
mode gilro corba 30 %
rules
  in | when | go to | do
  rasmer | not quodor | gilro |
  gilro | quodor and after 20 ms | rasmer |
promise never quodor
promise never norro in gilro for 40 ms
""",
    "a part's only mode is stuck": """
machine dulwin
board atmega2560
tick 10 ms
command press button, pin 3, on when low
lamp glow pin 13
part blinker
mode blinking stop, glow blink 40 ms
part idler
counter times 0 .. 3
mode idle stop, final
rules
  in | when | go to | do
  idle | press and blinker in blinking | stay | times + 1
""",
    "rows that apply in no mode that is reached": """
machine tamwick
board atmega2560
tick 10 ms
command press button, pin 3, on when low
mode resting stop
mode waiting stop
mode lost stop
mode gone stop
group away lost, gone
rules
  in | when | go to | do
  resting | press | waiting |
  waiting | press | resting |
  away | press | resting |
  lost, waiting | after 10 ms | resting |
  gone | after 20 ms | lost |
""",
    "a round whose level has to be put on first": """
machine mibzu
board atmega2560
tick 10 ms
sensor gilba by hand, 0 .. 5
motor nordor pwm 11, direction 50
level jaslu when gilba > 1 clears when gilba < 4 and gilba > 1
part kemgan
mode jasgan stop
group norro jasgan
failsafes
  in | when | go to | do
  norro | not after 10 ms and jaslu | jasgan |
rules
  in | when | go to | do
  jasgan | mibdor in quofi and gilba <= 1 | jasgan |
part mibdor
mode gilno stop
mode quofi nordor 60 %
rules
  in | when | go to | do
  quofi | jaslu | gilno |
  gilno | after 10 ms | quofi |
""",
    "a silence is ended by a command whose absence nobody asks about there": """
machine twin
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, checked, silent after 20 ms
command first "a"
command second "b"
mode one stop
mode two stop
rules
  in | when | go to
  one | second | two
  two | second absent 30 ms | one
promise never twin in one and first absent 50 ms and not radio silent
""",
    "a level that is asked to turn, and leads out of a mode": """
machine gilzu
board atmega2560
tick 10 ms
sensor tammer by hand, -2 .. 2
output tamdor by hand, 0 % .. 100 %
level mibzu when tammer > 0 clears when tammer <= 0
mode nordor stop
mode fendor tamdor 10 %
rules
  in | when | go to
  nordor | not mibzu | fendor
  fendor | mibzu or mibzu turns on | nordor
""",
    "a level does not waver in a mode that is left meanwhile": """
machine hurpik
board atmega2560
tick 10 ms
link dalven serial1, 38400 baud, checked
command kemgan "c" from dalven
sensor pelzu by hand, -2 .. 2
lamp raszu pin 51
level mibgan when pelzu > 0 and fenba in kemzu clears when not pelzu > 0
part fenba
mode tamno stop
mode kemzu stop
rules
  in | when | go to
  kemzu | after 10 ms | tamno
  tamno | kemgan | kemzu
part norpik
mode kemno stop
mode kemlu raszu blink 20 ms
rules
  in | when | go to
  kemno | mibgan and kemgan absent 10 ms | kemlu
""",
    "a level wavers in a mode for as long as that lasts": """
machine hurpik
board atmega2560
tick 10 ms
link dalven serial1, 38400 baud, checked
command kemgan "c" from dalven
sensor pelzu by hand, -2 .. 2
lamp raszu pin 51
level mibgan when pelzu > 0 and fenba in kemzu clears when not pelzu > 0
part fenba
mode tamno stop
mode kemzu stop
rules
  in | when | go to
  kemzu | after 20 ms | tamno
  tamno | kemgan | kemzu
part norpik
mode kemno stop
mode kemlu raszu blink 20 ms
rules
  in | when | go to
  kemno | mibgan and kemgan absent 10 ms | kemlu
""",
    "a level does not waver in a group that is left meanwhile": """
machine hurpik
board atmega2560
tick 10 ms
link dalven serial1, 38400 baud, checked
command kemgan "c" from dalven
sensor pelzu by hand, -2 .. 2
lamp raszu pin 51
level mibgan when pelzu > 0 and fenba in kemzu clears when not pelzu > 0
part fenba
mode tamno stop
mode kemzu stop
group sulga kemzu
rules
  in | when | go to
  kemzu | after 10 ms in sulga | tamno
  tamno | kemgan | kemzu
part norpik
mode kemno stop
mode kemlu raszu blink 20 ms
rules
  in | when | go to
  kemno | mibgan and kemgan absent 10 ms | kemlu
""",
    "a level that asks for modes by way of another one does not waver where these are left": """
machine hurpik
board atmega2560
tick 10 ms
link dalven serial1, 38400 baud, checked
command kemgan "c" from dalven
sensor pelzu by hand, -2 .. 2
lamp raszu pin 51
level lorsta when fenba in kemzu clears when fenba in tamno
level dalso when lorsta and pelzu > 0 clears when not pelzu > 0
part fenba
mode tamno stop
mode kemzu stop
rules
  in | when | go to
  kemzu | after 10 ms | tamno
  tamno | kemgan | kemzu
part norpik
mode kemno stop
mode kemlu raszu blink 20 ms
rules
  in | when | go to
  kemno | dalso | kemlu
  kemlu | not dalso and kemgan absent 10 ms | kemno
""",
    "what a message brings a dial makes a reading count, though the mode led to does not ask": """
machine sullu
board atmega2560
tick 10 ms
link daldor serial1, 38400 baud, plain
dial tammer "n" from daldor, 0 .. 2
sensor barzu by hand, 0 .. 2
switch corno pin 52, on when low
output sulzu by hand, 0 % .. 100 %
mode fenlu stop
mode mibven stop
mode fengan sulzu follows tammer: 0 0 % .. 1 0 % .. 2 100 %
group hurno mibven
group dalro hurno, fenlu
rules
  in | when | go to | do
  dalro | tammer < 2 and tammer != barzu | mibven | tammer = 2
  mibven | corno | fengan |
""",
    "a level wavers while a part that it does not ask about follows it": """
machine hurpik
board atmega2560
tick 10 ms
link dalven serial1, 38400 baud, checked
command kemgan "c" from dalven
sensor pelzu by hand, -2 .. 2
lamp raszu pin 51
level lorsta when pelzu > 0 and fenba in tamno clears when not pelzu > 0
part fenba
mode tamno stop
mode kemzu stop
rules
  in | when | go to
  kemzu | kemgan | tamno
  tamno | kemgan | kemzu
part norpik
mode kemno stop
mode kemlu raszu blink 20 ms
rules
  in | when | go to
  kemno | lorsta | kemlu
  kemlu | not lorsta | kemno
""",
    "a level in doubt about what can make no difference to it is no hope": """
machine fendor
board atmega2560
tick 10 ms
sensor quozu by hand, 0 .. 3
motor daldor forward pwm 12, reverse pwm 5
level dalro when quozu > 2 and not fendor in tamsta clears when quozu < 2 and not fendor in tamsta, on if in doubt
mode mibfi stop
mode dalno daldor 60 %
group tamsta mibfi, dalno
rules
  in | when | go to
  mibfi | dalro | dalno
""",
    "a level does not waver where what is said would have to change": """
machine hurpik
board atmega2560
tick 10 ms
link dalven serial1, 38400 baud, checked
command kemgan "c" from dalven
command fensul "d" from dalven
sensor pelzu by hand, -2 .. 2
level mibgan when pelzu > 0 and hurpik in kemzu clears when not pelzu > 0
mode tamno stop
mode kemzu stop
rules
  in | when | go to
  tamno | kemgan | kemzu
  kemzu | mibgan and fensul absent 10 ms | tamno
  kemzu | not mibgan and fensul within 10 ms | tamno
""",
    "a level on in doubt that a fault alone would clear": """machine cart
board atmega2560
tick 10 ms
sensor gap by hand, -2 .. 2
motor axle pwm 12, forward 52, reverse 51
sensor kept gap, taken in rest after 10 ms
level near when (not kept < 1) clears when not (not kept < 1) and gap fault, starts on, on if in doubt
mode rest stop
mode going axle -33 %
rules
  in | when | go to | do
  rest | near | going |
""",
}
"""Machines on which the two sides once differed, made as small as they could be."""


def test_they_agree() -> None:
    """As many machines as there is time for, and no fewer than a few."""
    compared, seed, until = 0, 0, time.process_time() + SECONDS
    while compared < LEAST or time.process_time() < until:
        text, seed = small_text(seed), seed + 1
        try:
            found = disagreements(read_text(text), limit=10_000)
        except TooLarge:
            continue
        assert not found, "\n".join([*found, text])
        compared += 1


@pytest.mark.parametrize("text", MENDED.values(), ids=MENDED)
def test_what_once_differed(text: str) -> None:
    assert not disagreements(read_text(text))


LONG_ROUND = """
machine ticker
board atmega2560
tick 10 ms
lamp glow pin 13
counter times 0 .. {most}, up each 30 ms in any
mode dark stop
mode lit glow on
rules
  in | when | go to | do
  dark | times == {most} | lit | times = 0
  dark | after 10 ms | lit |
  lit | times == {most} | dark | times = 0
  lit | after 10 ms | dark |
"""


@pytest.mark.parametrize("most", [3, 19, 90])
def test_long_rounds_are_found_or_left_open(most: int) -> None:
    """What flaps on a round of very many ticks, a counter of time on it, is found or not called proved."""
    machine = read_text(LONG_ROUND.format(most=most))
    report = prove(machine)
    flapping = {finding.mode for finding in report.findings if finding.code == "flapping"}
    assert flapping == {ModeRef("ticker", "dark"), ModeRef("ticker", "lit")} or not report.complete
    if report.complete:
        assert not disagreements(machine)


CHAIN = """
machine chain
board atmega2560
tick 10 ms
link op serial1, 9600 baud, checked, silent after 500 ms
command halt "h", urgent
command go "g"
{sensors}motor a pwm 5, direction 40
motor b pwm 6, direction 41
motor c pwm 7, direction 42
{levels}failsafes
  in | when | go to
  any | halt or op silent | start
"""
LINK_OF_CHAIN = """part {name}
mode {name}_idle stop
mode {name}_on {motor} 50 %
mode {name}_back {motor} -50 %
rules
  in | when | go to
  {name}_idle | go and not near{at} | {name}_on
  {name}_on | near{at}{asks} | {name}_back
  {name}_back | not near{at} | {name}_on
"""


def test_levels_that_alternate_where_rates_reach_one_are_decided() -> None:
    """Each part changes its mode on every tick if the one before it does; none does for ever, once nobody is heard."""
    level = "level near{0} when s{0} < 30 cm for 200 ms clears when s{0} > 40 cm for 200 ms, on if in doubt\n"
    text = CHAIN.format(
        sensors="".join(
            f"sensor s{n} range, trigger {22 + 2 * n}, echo {23 + 2 * n}, 2 cm .. 400 cm\n" for n in range(3)
        ),
        levels="".join(level.format(n) for n in range(3)),
    )
    for at, (name, motor, asks) in enumerate(
        [("p", "a", ""), ("q", "b", " or p in p_back"), ("r", "c", " or q in q_back")]
    ):
        text += LINK_OF_CHAIN.format(name=name, motor=motor, at=at, asks=asks)
    report = prove(read_text(text), 60)
    assert "whether the machine flaps" not in report.unproved
    assert not any(finding.code == "flapping" for finding in report.findings)


HEARTBEAT = """
machine pair
board atmega2560
tick 10 ms
link op serial1, 9600 baud, checked, silent after 20 ms
command halt "h", urgent
command go "g"
command beat "b"
sensor gap by hand, 0 .. 3
motor a pwm 5, direction 40
motor b pwm 6, direction 41
failsafes
  in | when | go to
  any | halt or op silent | start
part p
mode p_idle stop
mode p_on a 50 %
rules
  in | when | go to
  p_idle | go | p_on
part q
mode q_idle stop
mode q_on b 50 %
mode q_back b -50 %
rules
  in | when | go to
  q_idle | go | q_on
  q_on | p in p_on | q_back
  q_back | gap > 1 | q_on
"""


@pytest.mark.parametrize("phases", [("soon", "slices", "whole"), ("whole",)])
def test_parts_flap_while_a_heartbeat_is_heard(phases: tuple[Phase, ...]) -> None:
    machine = read_text(HEARTBEAT)
    flapping = {finding.mode for finding in prove(machine, phases=phases).findings if finding.code == "flapping"}
    assert flapping == {ModeRef("q", "q_on"), ModeRef("q", "q_back")}
    assert not disagreements(machine)
    mute = read_text(HEARTBEAT.replace('command beat "b"\n', ""))
    assert not any(finding.code == "flapping" for finding in prove(mute, phases=phases).findings)


def test_smallest_keeps_what_it_is_asked_to_keep() -> None:
    def moves(machine: Machine) -> bool:
        return len(set(World(machine).modes)) > 1

    text = next(text for text in map(small_text, range(100)) if _is(text, moves))
    shrunk = smallest(text, moves)
    assert moves(read_text(shrunk))
    assert len(shrunk) < len(text) / 2
    # two modes and a row between them: there is nothing more to take away
    assert sum(line.startswith("mode") for line in shrunk.splitlines()) == 2


def _is(text: str, wanted: object) -> bool:
    try:
        return bool(wanted(read_text(text)))  # type: ignore[operator]
    except (FileErrors, TooLarge):
        return False


def test_a_run_that_is_not_said_to_be_the_shortest_may_be_longer_and_show_nothing_else() -> None:
    assert _is_more(2, 1) and _is_more((False, 2), (False, 1))
    assert not any([_is_more(1, 2), _is_more(1, 1), _is_more((True, 2), (False, 1)), _is_more(None, 1)])
