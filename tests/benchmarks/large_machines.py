"""Machines of any size, for measuring: their texts are made by rule, each a plausible table with timers and levels."""

from __future__ import annotations


def wide(modes: int, levels: int = 3) -> str:
    """One part with ``modes`` modes in a long ring of errands, five rows for each."""
    lines = _head("wide", levels)
    lines += ["mode m0 stop"] + [f"mode m{n} drive {20 + n % 60} %" for n in range(1, modes)]
    lines += [f"group busy {', '.join(f'm{n}' for n in range(1, modes))}"]
    lines += [
        "failsafes",
        "in | when | go to",
        "any | halt | m0",
        "busy | operator silent | m0",
        f"busy | jam or gap fault or {_eyes(levels)} | m0",
    ]
    lines += ["rules", "in | when | go to", "m0 | go | m1"]
    for n in range(1, modes):
        after = (n + 1) % modes
        ahead = (n + 7) % modes or 1
        lines += [f"m{n} | after {100 + 10 * (n % 40)} ms and not near{n % levels} | m{after}"]
        lines += [
            f"m{n} | after 50 ms and near{(n + 1) % levels} and gap < {20 + n % 50} cm | m{ahead if ahead != n else 1}"
        ]
        lines += [f"m{n} | after 1 s and gap > {60 + n % 40} cm | m{(n + 3) % modes or 1}"]
        lines += [f"m{n} | after {2 + n % 3} s | m{(n * 7) % modes}"] if (n * 7) % modes != n else []
        lines += [f"m{n} | skip and not near{(n + 2) % levels} | m{(n + 11) % modes}"] if modes > 11 else []
    return "\n".join(lines) + "\npromise every mode can reach m0\npromise once halt -> m0 within 20 ms\n"


def parts(count: int = 3, modes: int = 12, levels: int = 3) -> str:
    """``count`` parts of ``modes`` modes each, every one with a timer; each part asks where the one before it is."""
    lines = _head("parts", levels, motors=count)
    lines += ["failsafes", "in | when | go to", "any | halt | start"]
    for p in range(count):
        lines += [f"part p{p}", f"mode a{p}_0 stop"]
        lines += [f"mode a{p}_{n} drive{p} {20 + n} %" for n in range(1, modes)]
        lines += [f"group busy{p} {', '.join(f'a{p}_{n}' for n in range(1, modes))}"]
        lines += ["failsafes", "in | when | go to", f"busy{p} | operator silent | a{p}_0"]
        lines += [f"busy{p} | jam or {_eyes(levels)} | a{p}_0"]
        lines += ["rules", "in | when | go to"]
        asks = f" and p{p - 1} in busy{p - 1}" if p else ""
        lines += [f"a{p}_0 | {'go' if p == 0 else 'skip'}{asks} | a{p}_1"]
        for n in range(1, modes):
            after, back = (n + 1) % modes, max(1, n - 2)
            lines += [f"a{p}_{n} | after {200 + 50 * n + 30 * p} ms and not near{(n + p) % levels} | a{p}_{after}"]
            if back != n:
                lines += [
                    f"a{p}_{n} | after 50 ms and near{(n + p + 1) % levels}{asks if n % 4 == 0 else ''} | a{p}_{back}"
                ]
            lines += [f"a{p}_{n} | after {3 + n % 3} s | a{p}_0"]
    for p in range(count):
        lines += [f"promise every mode can reach p{p} in a{p}_0"]
        lines += [f"promise once halt -> p{p} in a{p}_0 within 20 ms"]
        lines += [f"promise while operator silent -> p{p} in a{p}_0 within 20 ms"]
        lines += [f"promise never p{p} in busy{p} and supply fault for 20 ms"]
    return "\n".join(lines) + "\n"


def _eyes(levels: int) -> str:
    return " or ".join(f"eye{n} fault" for n in range(levels))


def _head(name: str, levels: int, motors: int = 0) -> list[str]:
    lines = [f"machine {name}", "board atmega2560", "tick 10 ms"]
    lines += ["link operator serial1, 9600 baud, plain, silent after 500 ms"]
    lines += ['command halt "h", urgent', 'command go "g"', 'command skip "s"']
    lines += ["sensor gap range, trigger 22, echo 23, 2 cm .. 400 cm"]
    lines += [f"sensor eye{n} range, trigger {24 + 2 * n}, echo {25 + 2 * n}, 2 cm .. 400 cm" for n in range(levels)]
    lines += ["sensor supply voltage, pin A0, 0 V .. 15 V"]
    if motors:
        lines = [line for line in lines if not line.startswith("sensor gap")]
        lines += [f"motor drive{n} pwm {2 + n}, forward {40 + 2 * n}, reverse {41 + 2 * n}" for n in range(motors)]
    else:
        lines += ["motor drive pwm 5, forward 40, reverse 41"]
    lines += [
        f"level near{n} when eye{n} < {30 + n} cm clears when eye{n} > {40 + n} cm, on if in doubt"
        for n in range(levels)
    ]
    lines += ["level jam when supply < 6 V for 1 s clears when supply > 7 V, on if in doubt"]
    return lines
