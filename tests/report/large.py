"""Machines of any size, as text, for pictures and pages that must stay readable and quick."""

from __future__ import annotations

import random


def station(modes: int, parts: int = 1) -> str:
    """A packing station: ``parts`` parts of together about ``modes`` modes, each a chain of lanes with ways back."""
    each = max(6, modes // parts)
    lines = [
        "# A packing station that lifts, turns and fills crates lane by lane.",
        "machine packing_station",
        "board   atmega2560",
        "tick    10 ms",
        "link    panel serial1, 9600 baud, checked, silent after 1 s",
        'command halt "halt", urgent',
        'command onward "on"',
        'command back "back"',
        "sensor  weight voltage, pin A0, 0 V .. 5 V, plausible 0.1 V .. 4.9 V",
        "sensor  reach range, trigger 22, echo 23, 2 cm .. 400 cm, no echo reads far, median of 3",
        "switch  door pin 24, on when high, settle 20 ms",
        "level   heavy when weight > 3 V for 200 ms, clears when weight < 2.5 V",
        "level   close when reach < 30 cm, clears when reach > 40 cm, on if in doubt",
    ]
    pins = iter(range(30, 54))
    for part in range(parts):
        lines.append(f"motor   drive_{part} pwm {(2, 3, 5, 6, 7, 8)[part]}, forward {next(pins)}, reverse {next(pins)}")
        lines.append(f"lamp    sign_{part} pin {next(pins)}")
    lines += ["failsafes", "in | when | go to", "any | halt | start"]
    for part in range(parts):
        if parts > 1:
            lines.append(f"part bay_{part}")
        drive, sign = f"drive_{part}", f"sign_{part}"
        lines += [
            f"counter crates_{part} 0 .. 9",
            f"mode rest_{part} stop",
            f"mode fault_{part} stop, {sign} blink 400 ms",
        ]
        names = [f"lane_{part}_{number}" for number in range(each - 2)]
        lines += [f"mode {name} {drive} {10 + number % 9 * 10} %" for number, name in enumerate(names)]
        groups = []
        for number in range(0, len(names), 7):
            groups.append(f"block_{part}_{number // 7}")
            lines.append(f"group {groups[-1]} {', '.join(names[number : number + 7])}")
        lines.append(f"group busy_{part} {', '.join(groups)}; with {sign} on")
        lines += [
            "failsafes",
            "in | when | go to",
            f"busy_{part} | panel silent | rest_{part}",
            f"busy_{part} | weight fault or reach fault | fault_{part}",
            f"busy_{part} | door | rest_{part}",
            "rules",
            "in | when | go to | do",
            f"rest_{part} | onward and not close | {names[0]} | crates_{part} = 0",
            f"fault_{part} | back and not weight fault | rest_{part} |",
        ]
        for number, name in enumerate(names):
            if number + 1 < len(names):
                lines.append(f"{name} | after 2 s and not heavy and weight > 0.4 V | {names[number + 1]} |")
                lines.append(f"{name} | onward | {names[number + 1]} | crates_{part} + 1")
            if number and number % 3 == 0:
                lines.append(f"{name} | back or close | {names[number - 2]} |")
            lines.append(f"{name} | after 5 s and crates_{part} > 7 | stay | crates_{part} = 0")
        lines.append(f"{names[-1]} | after 1 min | rest_{part} |")
    lines += [
        "promise once halt -> rest_0 within 20 ms"
        if parts == 1
        else "promise once halt -> bay_0 in rest_0 within 20 ms",
        'trial "a light crate"',
        "at 0 s weight 1 V, reach 200 cm",
        "every 200 ms onward",
        "at 3 s weight 3.5 V",
        "at 5 s reach fault",
        "expect fault_0 within 1 s" if parts == 1 else "expect bay_0 in fault_0 within 1 s",
    ]
    return "\n".join(lines) + "\n"


def tangle(modes: int, seed: int, groups: bool = True) -> str:
    """A sorting hall: one part whose modes lead by chance to each other, mostly to near ones; in groups or not."""
    chance = random.Random(seed)
    stops = max(2, modes // 6)
    lines = [
        "machine sorting_hall",
        "board   atmega2560",
        "tick    10 ms",
        "link    desk serial1, 9600 baud, checked, silent after 1 s",
        'command halt "halt", urgent',
        'command next "n"',
        'command turn "t"',
        'command lift "l"',
        "sensor  gap range, trigger 22, echo 23, 2 cm .. 400 cm, no echo reads far",
        "sensor  load voltage, pin A0, 0 V .. 5 V, plausible 0.1 V .. 4.9 V",
        "level   near when gap < 40 cm, clears when gap > 55 cm",
        "level   full when load > 3.1 V for 200 ms, clears when load < 2.8 V",
        "motor   belt pwm 5, forward 30, reverse 31",
        "lamp    sign pin 32",
        "counter boxes 0 .. 20",
    ]
    words = ["press", "tray", "shelf", "flap", "crane", "scale", "chute", "roller", "lid", "gate"]
    names = [f"{words[number % 10]}_{number // 10 + 1}" for number in range(modes - stops)]
    rests = ["quiet", *(f"held_{number}" for number in range(1, stops))]
    lines += [f"mode {name} stop{', sign blink 400 ms' if name != 'quiet' else ''}" for name in rests]
    lines += [f"mode {name} belt {chance.randrange(-9, 10) * 10} %" for name in names]
    if groups:
        made, at = [], 0
        while at < len(names):
            size = chance.randrange(3, 9)
            made.append(f"bay_{len(made) + 1}")
            lines.append(f"group {made[-1]} {', '.join(names[at : at + size])}")
            at += size
        lines.append(f"group running {', '.join(made)}; with sign on")
    else:
        lines.append(f"group running {', '.join(names)}; with sign on")
    lines += ["failsafes", "in | when | go to", "any | halt | quiet", "running | desk silent | quiet"]
    lines += [f"running | load fault or gap fault | {rests[1]}", "rules", "in | when | go to | do"]
    conditions = [
        "next", "turn and not near", "lift or full", "after 2 s", "after 400 ms and not near", "near and gap > 12 cm",
        "full and boxes > 3", "turn and load < 2.2 V", "next and not full", "after 3 s and boxes > 6 and not near",
    ]  # fmt: skip
    everything = [*rests, *names]
    for place, name in enumerate(everything):
        for _ in range(chance.choice((1, 1, 2, 2, 3))):
            far = chance.random() < 0.2
            near = place + chance.choice((-2, -1, 1, 1, 2, 3))
            to = chance.randrange(len(everything)) if far else max(0, min(near, len(everything) - 1))
            if to != place:
                does = chance.choice(("", "", "boxes + 1", "boxes = 0"))
                lines.append(f"{name} | {chance.choice(conditions)} | {everything[to]} | {does}")
    return "\n".join(lines) + "\n"
