"""How each statement is written, by one example: what a mistake in it is answered with."""

from __future__ import annotations

FORMS: dict[str, str] = {
    "machine": "machine feed_pusher",
    "board": "board atmega2560",
    "tick": "tick 10 ms",
    "use": 'use "common.modes"',
    "part": "part drive",
    "link": "link operator serial1, 9600 baud, plain, silent after 500 ms",
    "command": 'command halt "h", urgent',
    "dial": 'dial pace "v", 20 % .. 80 %, starts 40 %',
    "sensor": "sensor front range, trigger 22, echo 23, 2 cm .. 400 cm",
    "switch": "switch bumper pin 18, on when high, settle 20 ms",
    "motor": "motor drive pwm 5, forward 30, reverse 31",
    "stepper": "stepper table step 8, direction 9, enable 10 on when low, at most 600 Hz, ramp 400 Hz/s",
    "servo": "servo fingers pin 45, 0 deg .. 90 deg, rest 0 deg",
    "lamp": "lamp beacon pin 13",
    "relay": "relay pump pin 7",
    "buzzer": "buzzer horn pin 8, 2 kHz",
    "output": "output gripper by hand, 0 % .. 100 %, rest 0 %"
    "     output screen by hand, shows mode, front, each 200 ms",
    "library": 'library "Wire"',
    "constant": "constant side_room = 30 cm",
    "level": "level blocked when front < 35 cm clears when front > 42 cm, on if in doubt",
    "counter": "counter turns 0 .. 7, starts 0",
    "mode": "mode cruise drive 60 %, beacon on",
    "group": "group driving cruise, creeping; with beacon on, tolerates rear fault",
    "sequence": "sequence wash",
    "failsafes": "failsafes",
    "rules": "rules",
    "promise": "promise once halt -> parked within 20 ms",
    "accept": 'accept left out in retreating because "it backs off the bumper"',
    "trial": 'trial "a wall, then a dead end"',
    "at": "at 3 s front 24 cm, bumper on, halt",
    "every": "every 100 ms beat",
    "expect": "expect parked within 20 ms",
    "in_cell": "parked, driving     any     any but parked     driving but creeping",
    "when_cell": "patrol and not blocked     creep absent 300 ms or bumper     front < 35 cm",
    "go_cell": "parked     stay     restart",
    "do_cell": "turns = 0     turns + 1",
    "step_line": "fill pump on until full, at most 40 s else jammed     turn drum 40 % for 20 s     again fill"
    "     repeat turn, rest 5 times     then parked",
}

TABLE = "in | when | go to | do"
"""The heading of a table of failsafes or rules; `do` may be left out."""

DECLARING = frozenset(
    {"part", "link", "command", "dial", "sensor", "switch", "motor", "servo", "lamp", "relay", "buzzer", "output"}
    | {"stepper", "constant", "level", "counter", "mode", "group", "sequence"}
)
"""The statements whose second word is a name that they declare."""

IN_A_TRIAL = frozenset({"at", "every", "expect"})
"""The statements that stand in a trial."""
