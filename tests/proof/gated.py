"""Small machines made at random whose failsafes read what their rules hardly do: a rule that starts one driving mode
from another is held back by a failsafe of the mode that it leads to, and so a sensor decides that no row of the first
one names."""

from __future__ import annotations

import random

_HEAD = """\
machine hoist
board atmega328p
tick 10 ms
command halt button, pin 3, on when high, urgent
command go button, pin 4, on when high
switch hand pin 5, on when low
sensor oil by hand, 0 .. 9{noise}
relay down_valve pin 10
relay up_valve pin 11
"""


def gated_text(seed: int) -> str:
    """A machine file, the same from the same seed."""
    chance = random.Random(f"gated {seed}")
    drives, stops = ["one", "two", "three"][: chance.randint(2, 3)], ["rest", "wait"][: chance.randint(1, 2)]
    modes = [*stops, *drives]
    lines = [_HEAD.format(noise=chance.choice(["", ", noise 1"])).rstrip()]
    reads = ["oil fault", "oil > 6", "oil < 3", "oil fault or oil > 6", "not oil fault"]
    if chance.random() < 0.5:
        lasts, doubt = chance.choice(["", " for 20 ms"]), chance.choice(["", ", on if in doubt"])
        lines.append(f"level full when oil > 5{lasts} clears when oil < 4{doubt}")
        reads = ["full", "not full", "oil fault", "oil > 6", "oil < 3", "oil fault or full"]
    lines += [f"mode {stop} stop" for stop in stops]
    outputs = ["down_valve on", "up_valve on", "down_valve on, up_valve on"]
    for drive in drives:
        lines.append(f"mode {drive} {chance.choice(outputs)}{chance.choice(['', '', ', tolerates oil fault'])}")
    lines += ["failsafes", "in | when | go to"]
    lines += ["any | halt | rest"] if chance.random() < 0.8 else []
    for _ in range(chance.randint(1, 3)):
        when = chance.choice([*reads, "after 50 ms", "not hand"])
        when += f" and {chance.choice(['hand', 'not hand', 'after 20 ms'])}" if chance.random() < 0.3 else ""
        lines.append(f"{chance.choice(drives)} | {when} | {chance.choice(stops)}")
    lines += ["rules", "in | when | go to", "rest | go | one"]
    lines.append(f"one | {chance.choice(['hand', 'not hand', 'after 20 ms'])} | two")
    plain = ["hand", "not hand", "go", "after 20 ms", "after 40 ms", "hand and after 10 ms"]
    for _ in range(chance.randint(1, 4)):
        when = chance.choice(plain if chance.random() < 0.9 else reads)
        lines.append(f"{chance.choice(modes)} | {when} | {chance.choice([*modes, 'stay'])}")
    return "\n".join(lines) + "\n"
