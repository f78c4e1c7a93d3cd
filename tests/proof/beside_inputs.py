"""Small machines made at random that compare counters with dials and sensors: counters that rows change, that count
time, or that count from outside; dials that are free, and that rows set."""

from __future__ import annotations

import random

_HEAD = """\
machine tally
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, plain{silent}
command halt "h", urgent
command go "g"
dial far "f", 0 .. {far}, starts {start}{kept}
{sensor}motor wheel pwm 5, forward 30, reverse 31
"""


def beside_text(seed: int, stepping: bool = False, keeping: bool = False) -> str:
    """A machine file, the same from the same seed, with promises; with a stepper whose steps are counted if
    ``stepping``, with what outlasts the power if ``keeping``."""
    chance = random.Random(f"beside {seed}")
    top, far = chance.randint(2, 4), chance.randint(2, 4)
    sensor = "sensor gap by hand, 0 .. 2\n" if chance.random() < 0.4 else ""
    inputs = ["far", *(["gap"] if sensor else [])]
    how = chance.choice(
        ["", "", ", counts pulses on pin 2, at most 100 Hz", ", counts both ways on pins 2 and 3, at most 100 Hz",
         ", up each 20 ms in rolling", ", round"]
    )  # fmt: skip
    stepped = not how or how == ", round"
    newer = random.Random(f"beside since {seed}")
    if stepping:
        how = newer.choice(["", ", round"]) + ", counts steps of disc"
        sensor += "stepper disc step 8, direction 9, at most 200 Hz\n"
    turning = [f", disc {hertz} Hz" if stepping else "" for hertz in newer.choice([(100, 200), (100, -100), (50, 100)])]
    kept = newer.choice([(", kept", ""), ("", ", kept"), (", kept", ", kept")]) if keeping else ("", "")

    def compared() -> str:
        other, op = chance.choice(inputs), chance.choice(["<", "<=", ">", ">=", "==", "!="])
        draw = chance.random()
        if draw < 0.6:
            more = chance.choice(["", "", " + 1", " - 1"])
            return f"count {op} {other}{more}" if chance.random() < 0.7 else f"{other} {op} count{more}"
        if draw < 0.75:
            return f"count {op} {chance.randint(1, top - 1)}"
        return f"{other} {op} 1"

    def asked() -> str:
        draw = chance.random()
        if draw < 0.55:
            return compared()
        if draw < 0.7:
            return f"{compared()} and {compared()}"
        return chance.choice(["go", f"go and {compared()}", "after 20 ms", f"after 10 ms and {compared()}", "halt"])

    def done() -> str:
        some = [f"count = {chance.randint(0, top)}"] * 2 + (["count + 1", "count - 1"] * 2 if stepped else [])
        some += ["far = 1"] if sets else []
        return chance.choice([*some, "", "", ""])

    sets = chance.random() < 0.25
    modes = ["parked", "rolling", "slowing"][: chance.choice([2, 3, 3])]
    silent = ", silent after 20 ms" if chance.random() < 0.3 else ""
    lines = [_HEAD.format(far=far, start=chance.randint(0, far), kept=kept[1], sensor=sensor, silent=silent)]
    two = chance.random() < 0.4
    before = two and chance.random() < 0.5
    other = [
        "part lights", "mode dark stop", "mode lit stop", "rules", " in | when | go to",
        f" dark | {compared()} | lit", f" lit | {asked()} | dark",
    ]  # fmt: skip
    if before:
        lines += other
    lines += ["part drive"] if two else []
    lines += [f"counter count 0 .. {top}{how}{kept[0]}", "mode parked stop", f"mode rolling wheel 50 %{turning[0]}"]
    lines += [f"mode slowing wheel 20 %{turning[1]}"] if len(modes) > 2 else []
    if chance.random() < 0.6:
        when = "radio silent" if silent and chance.random() < 0.5 else "halt"
        lines += ["failsafes", " in | when | go to | do", f" any | {when} | parked | {done()}"]
    lines += ["rules", " in | when | go to | do", f" parked | {asked()} | rolling | {done()}"]
    for _ in range(chance.randint(2, 4)):
        go = chance.choice([*modes, "stay", "restart"])
        lines.append(f" {chance.choice(modes[1:])} | {asked()} | {go} | {done()}")
    if two and not before:
        lines += other
    name = "drive" if two else "tally"
    there = [f"{name} in {mode}" for mode in modes[1:]]
    lines += [f"promise never {chance.choice(there)} and {compared()}" for _ in range(2)]
    when = asked()
    if not sets and " after " not in f" {when}":
        lines.append(f"promise once {when} -> {name} in parked within 30 ms")
    lines += [f"promise every mode can reach {name} in parked"]
    return "\n".join(lines) + "\n"
