"""Proofs of machines that people write: how long they take, and how many are decided whole.

    python -m tests.benchmarks.trade_proofs                   # the list of hard shapes
    python -m tests.benchmarks.trade_proofs --machines 300    # so many made at random in the shape of the trade
    python -m tests.benchmarks.trade_proofs --picture samples/pictures/trade.svg --machines 300

Each is proved in a process of its own, with 20 s and 2 GB. Times are the processor's, so that they mean something on a
machine that does other things too; what is given up is decided by the same clock.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

SECONDS = 20.0

HEAD = """machine shape
board atmega2560
tick 20 ms
link operator serial1, 9600 baud, plain, silent after 500 ms
command halt "h", urgent
command go "g"
"""
ENDS = """failsafes
  in | when | go to | do
  any | halt | idle |
  any | operator silent | idle |
"""


def switches(count: int) -> str:
    """So many switches, each with a level with times on both sides, two modes."""
    lines = [HEAD]
    lines += [
        f"switch s{n} by hand\nlevel l{n} when s{n} for 200 ms clears when not s{n} for 1 s" for n in range(count)
    ]
    lines += ["motor axle pwm 12, forward 35, reverse 36", "mode idle stop", "mode going axle 50 %", ENDS]
    lines += ["rules\n  in | when | go to | do\n  idle | go | going |"]
    lines += [f"  going | l{n} | idle |" for n in range(count)]
    lines += ["promise once halt -> idle within 20 ms", "promise every mode can reach idle"]
    lines += [f"promise never going and l{n}" for n in range(min(count, 8))]
    return "\n".join(lines) + "\n"


def held(count: int) -> str:
    """So many buttons that are held to run, each with its promise."""
    lines = [HEAD, *(f'command b{n} "k{n:02}"' for n in range(count))]
    lines += ["motor axle pwm 12, forward 35, reverse 36", "mode idle stop"]
    lines += [f"mode m{n} axle {n + 10} %" for n in range(count)]
    lines += [ENDS, "rules\n  in | when | go to | do"]
    lines += [f"  idle | b{n} | m{n} |\n  m{n} | b{n} absent {200 + 20 * n} ms | idle |" for n in range(count)]
    lines += [f"promise never m{n} and b{n} absent {220 + 20 * n} ms" for n in range(count)]
    return "\n".join(lines) + "\n"


def rangers(count: int) -> str:
    """So many rangers, and one level over all of them."""
    lines = [HEAD.replace("atmega2560", "atmega2560")]
    lines += [f"sensor r{n} by hand, 2 cm .. 400 cm" for n in range(count)]
    near = " or ".join(f"r{n} < {20 + n} cm" for n in range(count))
    far = " and ".join(f"r{n} > {40 + n} cm" for n in range(count))
    lines += [f"level near when {near} clears when {far}, on if in doubt"]
    lines += ["motor axle pwm 12, forward 35, reverse 36", "mode idle stop", "mode going axle 50 %", ENDS]
    lines += ["rules\n  in | when | go to | do\n  idle | go and not near | going |\n  going | near | idle |"]
    lines += ["promise never going and near", "promise once halt -> idle within 20 ms"]
    return "\n".join(lines) + "\n"


def exclusive(count: int) -> str:
    """So many levels, each the exclusive or of the two before."""
    lines = [HEAD, "switch a by hand\nswitch b by hand"]
    lines += ["level x0 when a clears when not a\nlevel x1 when b clears when not b"]
    for n in range(2, count + 2):
        both = f"x{n - 1} and not x{n - 2} or not x{n - 1} and x{n - 2}"
        lines += [f"level x{n} when {both} clears when not ({both})"]
    lines += ["motor axle pwm 12, forward 35, reverse 36", "mode idle stop", "mode going axle 50 %", ENDS]
    last = f"x{count + 1}"
    lines += [f"rules\n  in | when | go to | do\n  idle | go and not {last} | going |\n  going | {last} | idle |"]
    lines += [f"promise never going and {last}", "promise once halt -> idle within 20 ms"]
    return "\n".join(lines) + "\n"


def sequence(count: int) -> str:
    """So many timed steps one after the other, a counter of rounds to 100 and one of tries to 5."""
    lines = [HEAD, "switch jam by hand\nmotor axle pwm 12, forward 35, reverse 36"]
    lines += ["counter rounds 0 .. 100\ncounter tries 0 .. 5", "mode idle stop", "mode trouble stop"]
    lines += [f"mode s{n} axle {n + 10} %" for n in range(count)]
    lines += [f"group auto {', '.join(f's{n}' for n in range(count))}", ENDS, "rules\n  in | when | go to | do"]
    lines += ["  idle | go | s0 | rounds = 0, tries = 0", "  auto | tries >= 5 | trouble |", "  trouble | go | idle |"]
    for n in range(count):
        lines += [f"  s{n} | jam | s{max(0, n - 1)} | tries + 1"] if n else []
        after = f"s{n + 1}" if n + 1 < count else "s0"
        lines += [f"  s{n} | after {300 + 100 * n} ms | {after} | {'rounds + 1' if n + 1 == count else ''}"]
    lines += ["  auto | rounds >= 100 | idle |"]
    lines += ["promise once halt -> idle within 20 ms", "promise never tries > 5", "promise every mode can reach idle"]
    return "\n".join(lines) + "\n"


def counters(count: int) -> str:
    """So many counters to a thousand."""
    lines = [HEAD, *(f'command c{n} "c{n}"' for n in range(count))]
    lines += ["motor axle pwm 12, forward 35, reverse 36", *(f"counter n{n} 0 .. 1000" for n in range(count))]
    lines += ["mode idle stop", "mode going axle 50 %", ENDS, "rules\n  in | when | go to | do\n  idle | go | going |"]
    lines += [f"  going | n{n} > {900 + n} | idle | n{n} = 0" for n in range(count)]
    lines += [f"  going | c{n} | stay | n{n} + 1" for n in range(count)]
    lines += ["promise once halt -> idle within 20 ms", "promise every mode can reach idle"]
    lines += [f"promise never n{n} > 1000" for n in range(count)]
    return "\n".join(lines) + "\n"


def shapes() -> Iterator[tuple[str, float, Callable[[], str]]]:
    """Each shape by name, with the seconds allowed."""
    from tests.benchmarks.large_machines import parts, wide
    from tests.proof.trade_machines import trade_text

    sample = Path(__file__).parents[2] / "samples" / "feed_pusher.modes"
    yield "feed pusher", 0.25, lambda: sample.read_text(encoding="utf-8")
    for count, allowed in ((4, 0.3), (8, 0.5), (16, 1.0), (32, 2.0)):
        yield f"{count} switches with times on both sides", allowed, lambda n=count: switches(n)  # type: ignore[misc]
    yield "16 held buttons", 2.0, lambda: held(16)
    yield "8 rangers, one level over them", 1.0, lambda: rangers(8)
    yield "10 levels, each exclusive or", 3.0, lambda: exclusive(10)
    yield "20 steps, rounds to 100, tries to 5", 5.0, lambda: sequence(20)
    yield "5 counters to 1,000", 5.0, lambda: counters(5)
    yield "4 parts in the shape of the trade", 20.0, lambda: trade_text(6, parts=4)
    yield "3 parts of 12 modes", 2.0, lambda: parts(3, 12)
    yield "1,000 modes, 5,000 rows", 15.0, lambda: wide(1000)


def measured(text: str, phases: str = "") -> dict[str, object]:
    """One proof in a process of its own."""
    command = [sys.executable, "-m", "tests.benchmarks.trade_proofs", "--one", "--phases", phases]
    began = time.monotonic()
    done = subprocess.run(command, input=text, capture_output=True, text=True, check=False)
    if done.returncode:
        return {"seconds": -1.0, "wall": time.monotonic() - began, "mb": 0, "open": [done.stderr[-300:]], "findings": 0}
    return json.loads(done.stdout) | {"wall": time.monotonic() - began}


def _one(phases: str) -> None:
    from statecraft.language import read_text
    from statecraft.proof.prove import prove

    machine = read_text(sys.stdin.read())
    began = time.process_time()
    chosen = tuple(phases.split(",")) if phases else ("soon", "slices", "whole")
    report = prove(machine, SECONDS, phases=chosen, clock=time.process_time)  # type: ignore[arg-type]
    print(
        json.dumps(
            {
                "seconds": time.process_time() - began,
                "mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024,
                "open": list(report.unproved),
                "findings": len(report.findings),
            }
        )
    )


def main() -> None:
    """Measure and print."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--machines", type=int, default=0)
    ask.add_argument("--first", type=int, default=0)
    ask.add_argument("--phases", default="")
    ask.add_argument("--picture")
    ask.add_argument("--jobs", type=int, default=1, help="so many at a time, each on a core of its own")
    ask.add_argument("--one", action="store_true")
    given = ask.parse_args()
    if given.one:
        _one(given.phases)
        return
    if not given.machines:
        for name, allowed, text in shapes():
            found = measured(text(), given.phases)
            left = "" if not found["open"] else f"  open: {'; '.join(map(str, found['open']))[:300]}"  # type: ignore[arg-type]
            print(f"{name:42} {found['seconds']:7.2f} s of {allowed:5.2f} s  {found['mb']:5} MB{left}", flush=True)
        return
    from tests.proof.trade_machines import trade_text

    times: list[float] = []
    whole = 0
    seeds = range(given.first, given.first + given.machines)
    with ThreadPoolExecutor(given.jobs) as pool:
        for seed, found in zip(
            seeds, pool.map(lambda seed: measured(trade_text(seed), given.phases), seeds), strict=True
        ):
            times.append(float(found["seconds"]))  # type: ignore[arg-type]
            whole += not found["open"]
            if found["open"]:
                left = "; ".join(map(str, found["open"]))  # type: ignore[call-overload]
                print(f"{seed}: {found['seconds']:.1f} s, {found['mb']} MB, open: {left[:500]}", flush=True)
            elif not len(times) % 25:
                print(f"{whole} of {len(times)}", flush=True)
    times.sort()
    print(f"{whole} of {len(times)} decided whole; median {times[len(times) // 2]:.2f} s, most {times[-1]:.2f} s")
    if given.picture:
        Path(given.picture).write_text(_picture(times, whole), encoding="utf-8")


def _picture(times: list[float], whole: int) -> str:
    """How many machines are done by when: a line that rises."""
    width, height = 560, 240
    most = max(20.0, times[-1])
    points = " ".join(
        f"{40 + (width - 60) * min(each, most) / most:.1f},{height - 30 - (height - 60) * (n + 1) / len(times):.1f}"
        for n, each in enumerate(times)
    )
    marks = "".join(
        f'<text x="{40 + (width - 60) * s / most:.0f}" y="{height - 10}" text-anchor="middle">{s} s</text>'
        for s in range(0, int(most) + 1, 5)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" font-family="sans-serif" '
        f'font-size="12">'
        f'<polyline points="{points}" fill="none" stroke="#246" stroke-width="2"/>{marks}'
        f'<text x="40" y="20">{len(times)} machines in the shape of the trade, {whole} decided whole</text></svg>\n'
    )


if __name__ == "__main__":
    main()
