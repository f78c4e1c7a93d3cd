"""Machine files that nobody would write and that a proof must survive all the same: each is too much in its own way."""

from __future__ import annotations

from collections.abc import Callable, Sequence

HEAD = """machine hostile
board atmega2560
tick 10 ms
link operator serial1, 9600 baud, plain, silent after 500 ms
command halt "h", urgent
command go "g"
motor axle pwm 12, forward 35, reverse 36
"""

FAILSAFES = """failsafes
in | when | go to | do
any | halt or operator silent | idle |
"""


def _machine(
    outside: Sequence[str],
    rules: Sequence[str],
    promises: Sequence[str] = (),
    modes: Sequence[str] = ("going axle 50 %",),
) -> str:
    """A machine of one part, which is idle at first."""
    named = ["mode idle stop", *(f"mode {mode}" for mode in modes)]
    said = [f"promise {each}" for each in ("once halt -> idle within 10 ms", *promises)]
    return "\n".join([HEAD, *outside, *named, FAILSAFES, "rules", "in | when | go to | do", *rules, *said, ""])


def rangers_compared() -> str:
    """Twelve rangers, each compared with each."""
    pairs = [(one, other) for one in range(12) for other in range(one)]
    outside = [f"sensor r{n} by hand, 2 cm .. 400 cm" for n in range(12)]
    rules = ["idle | go | going |"]
    rules += [f"going | r{one} > r{other} + {one} cm and r{other} > {other + 3} cm | idle |" for one, other in pairs]
    return _machine(outside, rules, ["never going and r0 > r1 and r1 > r2 and r2 > r0"])


def levels_in_chains() -> str:
    """Forty levels, each of which reads the two before."""
    outside = ["sensor front by hand, 2 cm .. 400 cm", "switch lid by hand"]
    outside += ["level l0 when front < 30 cm clears when front > 40 cm, on if in doubt"]
    outside += ["level l1 when lid for 200 ms clears when not lid for 1 s"]
    for n in range(2, 40):
        outside += [f"level l{n} when l{n - 1} and not l{n - 2} or front < {n + 30} cm for {20 * n} ms "
                    f"clears when l{n - 2} and not l{n - 1} for {30 * n} ms"]  # fmt: skip
    return _machine(
        outside, ["idle | go and not l39 | going |", "going | l39 or l38 | idle |"], ["never going and l39"]
    )


def counters_that_count_time() -> str:
    """Thirty counters, all of which count time."""
    outside = [f"counter c{n} 0 .. {900 + n}, up each {10 * (n + 1)} ms in going, down each {20 * (n + 1)} ms in idle"
               for n in range(30)]  # fmt: skip
    rules = [f"idle | go and c{n} < {300 + n} | going |" for n in range(30)]
    rules += [f"going | c{n} > {800 - n} and c{(n + 7) % 30} > 50 | idle | c{(n + 3) % 30} = 0" for n in range(30)]
    return _machine(outside, rules, [f"never going and c{n} > {890 - n}" for n in range(6)])


def long_promises() -> str:
    """Promises over 24 h."""
    outside = ["switch lid by hand", "level shut when lid for 20 h clears when not lid for 23 h"]
    rules = ["idle | go and not shut | going |", "going | shut or after 24 h | idle |"]
    asked = [
        "once go -> idle within 24 h",
        "never going for 24 h",
        "while shut -> idle within 24 h",
        "never shut for 24 h",
    ]
    return _machine(outside, rules, asked)


def many_parts() -> str:
    """Twenty parts, each of which asks about the one before."""
    lines = [HEAD.replace("motor axle pwm 12, forward 35, reverse 36\n", "")]
    lines += [f"relay coil{n} pin {22 + n}" for n in range(20)]
    lines += [f'command c{n} "k{n:02}"' for n in range(20)]
    lines += ["failsafes\nin | when | go to | do\nany | halt or operator silent | start |"]
    for n in range(20):
        before = f" and not p{n - 1} in run{n - 1}" if n else ""
        lines += [
            f"part p{n}",
            f"counter tries{n} 0 .. 9",
            f"mode idle{n} stop",
            f"mode run{n} coil{n} on",
            f"mode wait{n}",
        ]
        lines += ["rules\nin | when | go to | do", f"idle{n} | c{n}{before} | run{n} | tries{n} = 0"]
        lines += [f"run{n} | after {n + 1} s | wait{n} | tries{n} + 1", f"wait{n} | tries{n} > 7 | idle{n} |"]
        lines += [f"wait{n} | after {n + 2} s{before} | run{n} |"]
    several = " and ".join(f"p{n} in run{n}" for n in range(20))
    return "\n".join([*lines, f"promise never {several}", "promise every mode can reach p19 in idle19", ""])


def many_commands() -> str:
    """Five hundred commands, each with a mode of its own."""
    outside = [f'command k{n} "k{n:03}"' for n in range(500)]
    modes = [f"m{n} axle {n % 99 + 1} %" for n in range(500)]
    rules = [f"idle | k{n} | m{n} |\nm{n} | k{n} absent {100 + 10 * (n % 40)} ms | idle |" for n in range(500)]
    return _machine(outside, rules, [f"never m{n} and k{n} absent 600 ms" for n in range(10)], modes)


def long_conditions() -> str:
    """Conditions of two thousand words."""
    outside = [f"sensor r{n} by hand, 0 .. 1000" for n in range(6)] + [f"switch s{n} by hand" for n in range(10)]
    words = [
        f"(r{n % 6} > {n} and not s{n % 10} or r{(n + 1) % 6} < {1000 - n} and s{(n + 3) % 10})" for n in range(250)
    ]
    both = [" and ".join(words[:125]), " or ".join(words[125:])]
    return _machine(
        outside, [f"idle | go and ({both[1]}) | going |", f"going | {both[0]} | idle |"], [f"never {both[0]}"]
    )


def timed_levels() -> str:
    """Thirty switches that last, all read together."""
    outside = [f"switch s{n} by hand" for n in range(30)]
    outside += [
        f"level l{n} when s{n} for {100 + 70 * n} ms clears when not s{n} for {90 + 50 * n} ms" for n in range(30)
    ]
    every = " and ".join(f"l{n}" for n in range(30))
    some = " or ".join(f"l{n} and not l{(n + 11) % 30}" for n in range(30))
    return _machine(outside, [f"idle | go and not ({every}) | going |", f"going | {some} | idle |"],
                    [f"never going and {every}", f"while {every} -> idle within 1 s"])  # fmt: skip


def steady_readings() -> str:
    """Eight readings held steady, and compared."""
    outside = [f"sensor r{n} by hand, 0 .. 1000" for n in range(8)]
    outside += [f"level still{n} when r{n} steady within {n + 2} for {n + 1} s, clears when r{n} > r{(n + 1) % 8} + {n}"
                for n in range(8)]  # fmt: skip
    rules = [
        "idle | go and still0 and still1 | going |",
        *(f"going | still{n} and not still{(n + 3) % 8} | idle |" for n in range(8)),
    ]
    return _machine(outside, rules, ["never going and still0 and still1 and still2 for 10 s"])


def everything_exclusive() -> str:
    """The parity of twenty-four switches."""
    outside = [f"switch s{n} by hand" for n in range(24)]
    outside += ["level x0 when s0 clears when not s0"]
    for n in range(1, 24):
        odd = f"(x{n - 1} and not s{n} or not x{n - 1} and s{n})"
        outside += [f"level x{n} when {odd} clears when not {odd}"]
    return _machine(outside, ["idle | go and not x23 | going |", "going | x23 | idle |"], ["never going and x23"])


def sum_of_timers() -> str:
    """Thirty steps of unlike lengths, and a promise about them all."""
    modes = [f"s{n} axle {n + 1} %" for n in range(30)]
    rules = ["idle | go | s0 |"]
    rules += [f"s{n} | after {137 * (n + 3) % 977 + 20}0 ms | {f's{n + 1}' if n < 29 else 'idle'} |" for n in range(30)]
    return _machine(
        [], rules, ["once s0 -> idle within 4 min", "never s29 for 1 h", "once go -> s29 within 3 min"], modes
    )


def counters_compared() -> str:
    """Ten counters to a thousand, each compared with the next."""
    outside = [f"counter n{k} 0 .. 1000" for k in range(10)] + [f'command c{k} "c{k}"' for k in range(10)]
    rules = ["idle | go | going |", *(f"going | n{k} > n{(k + 1) % 10} + {k} | idle | n{k} = 0" for k in range(10))]
    rules += [f"going | c{k} | stay | n{k} + {k + 1}, n{(k + 1) % 10} - 1" for k in range(10)]
    return _machine(outside, rules, ["never n0 > n1 + 5 and n1 > n2 + 5", "never n9 > 999"])


def round_and_round() -> str:
    """Twenty-four modes, each of which may lead to each."""
    outside = [f"sensor r{n} by hand, 0 .. 100" for n in range(4)] + ["counter count 0 .. 60"]
    modes = [f"m{n} axle {n + 1} %" for n in range(24)]
    rules = ["idle | go | m0 |"]
    for n in range(24):
        for k in range(24):
            reading = f"r{k % 4} > {(7 * n + 3 * k) % 97} and r{(k + 1) % 4} < {(5 * n + k) % 89}"
            step = f"count {'+' if (n + k) % 3 else '-'} 1"
            rules += [f"m{n} | {reading} and count < {(n + k) % 60} | m{k} | {step}"] if n != k else []
    return _machine(outside, rules, ["never count > 59"], modes)


def many_heartbeats() -> str:
    """Twelve messages that no row takes, and twelve that are held."""
    outside = [f'command b{n} "b{n:02}"\ncommand h{n} "k{n:02}"' for n in range(12)]
    modes = [f"m{n} axle {n + 1} %" for n in range(12)]
    rules = [f"idle | h{n} and b{n} within 300 ms | m{n} |" for n in range(12)]
    rules += [f"m{n} | h{n} absent 200 ms or b{n} absent {300 + n}0 ms | idle |" for n in range(12)]
    return _machine(outside, rules, ["never m0 and b0 absent 5 s"], modes)


def dials_and_shares() -> str:
    """Ten dials, summed and compared with counters and readings."""
    letters = "abcdefijkl"
    outside = [f'dial d{n} "{letters[n]}", -100 .. 100, starts 0' for n in range(10)] + [
        f"sensor r{n} by hand, -100 .. 100" for n in range(4)
    ]
    rules = [
        "idle | go | going |",
        *(f"going | d{n} > r{n % 4} + {n} and r{(n + 1) % 4} < d{(n + 1) % 10} | idle |" for n in range(10)),
    ]
    return _machine(outside, rules, ["never going and d0 > d1 and d1 > d2 and d2 > d3 and d3 > d0"])


HOSTILE: tuple[Callable[[], str], ...] = (
    rangers_compared,
    levels_in_chains,
    counters_that_count_time,
    long_promises,
    many_parts,
    many_commands,
    long_conditions,
    timed_levels,
    steady_readings,
    everything_exclusive,
    sum_of_timers,
    counters_compared,
    round_and_round,
    many_heartbeats,
    dials_and_shares,
)
