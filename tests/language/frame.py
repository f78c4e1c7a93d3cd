"""Small machines for the tests: a frame that is right, into which a test puts what it is about."""

from __future__ import annotations

from statecraft.language import FileErrors, Mistake, read_text
from statecraft.machine import Machine

PREAMBLE = """\
machine cart
board atmega2560
tick 10 ms
"""

HARDWARE = """\
link operator serial1, 9600 baud, plain, silent after 500 ms
command halt "h", urgent
command go "g"
command beat "."
dial pace "v", 20 % .. 80 %, starts 40 %
sensor front range, trigger 22, echo 23, 2 cm .. 400 cm, no echo reads far
sensor supply voltage, pin A0, 0 V .. 15 V
switch bumper pin 18, on when high, settle 20 ms
motor drive pwm 5, forward 30, reverse 31
servo arm pin 45, 0 deg .. 90 deg, rest 10 deg
lamp beacon pin 13
relay pump pin 7
buzzer horn pin 8, 2 kHz
constant room = 30 cm
constant pause = 400 ms
level blocked when front < 35 cm clears when front > 42 cm
"""

BEHAVIOUR = """\
counter turns 0 .. 7
mode parked stop
mode spent stop, beacon blink 2 s
mode cruise drive 60 %
mode swing drive -50 %
group moving cruise, swing; with beacon on
failsafes
in | when | go to | do
any | halt | parked | turns = 0
rules
in | when | go to | do
parked | go and not blocked | cruise |
cruise | after 2 s | swing | turns + 1
swing | after 1 s | cruise |
"""

TAIL = """\
promise every mode can reach parked
trial "off and on"
at 0 s front 200 cm, supply 12 V
at 1 s go
expect cruise within 20 ms
"""


def frame(
    extra: str = "",
    *,
    preamble: str = PREAMBLE,
    hardware: str = HARDWARE,
    behaviour: str = BEHAVIOUR,
    tail: str = TAIL,
    more_hardware: str = "",
    more_modes: str = "",
    failsafe: str = "",
    rule: str = "",
) -> str:
    """A machine file. ``extra`` comes last; the others go where they belong."""
    if more_modes:
        behaviour = behaviour.replace("failsafes\n", f"{more_modes}\nfailsafes\n", 1)
    if failsafe:
        behaviour = behaviour.replace("rules\n", f"{failsafe}\nrules\n", 1)
    if rule:
        behaviour += rule + "\n"
    return f"{preamble}{hardware}{more_hardware}\n{behaviour}{tail}{extra}\n"


def machine(extra: str = "", **parts: str) -> Machine:
    """The machine of :func:`frame`."""
    return read_text(frame(extra, **parts), "cart.modes")


def mistakes(text: str) -> list[Mistake]:
    """What is wrong with ``text``: at least one thing."""
    try:
        read_text(text, "cart.modes")
    except FileErrors as errors:
        return errors.mistakes
    raise AssertionError("nothing was found wrong")
