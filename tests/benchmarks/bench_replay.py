"""An hour of log, replayed and simulated again.

``python -m tests.benchmarks.bench_replay`` in the checkout's top folder.
"""

from __future__ import annotations

import time

from statecraft.bench.replay import replay
from statecraft.bench.resimulate import resimulate
from statecraft.fingerprint import short
from statecraft.firmware.reports import line
from tests.bench.test_resimulate import log, reporting
from tests.samples import sample


def main() -> None:
    """Measure, and say what was measured beside what was asked."""
    machine = sample("bale_mover")
    lines = [f"# {machine.name} on operator, table {short(machine)}, then"]
    for second in range(3600):
        tick = second * 100
        told = [f"t{int(short(machine), 16):x}", f"b{tick:x},0,0,0,0", "c0,0,0,0,0"]
        told += [f"r{tick + k:x},2,{2 + k % 2 * 2:x}" for k in range(10, 100, 10)]
        lines += [f"{tick * 10:>9} > {line(each).decode().strip()[1:]}" for each in told]
    clock, spent = time.perf_counter(), time.process_time()
    replay(machine, lines)
    took = f"{time.perf_counter() - clock:.1f} s by the clock, {time.process_time() - spent:.1f} s of the processor"
    print(f"an hour of log, {len(lines):,} lines, ten rows a second: {took} (asked: 10 s)")
    for name in ("bale_mover", "feed_pusher"):
        driven = reporting(name)
        lines = list(log(driven, 1, 3600))
        clock, spent = time.perf_counter(), time.process_time()
        played = replay(driven, lines)
        middle, half = time.perf_counter(), time.process_time()
        again = resimulate(played)
        print(
            f"an hour of the {name} driven by chance, {len(lines):,} lines, {len(played.rows):,} rows: "
            f"{middle - clock:.1f} s by the clock, {half - spent:.1f} s of the processor; simulated again "
            f"{time.perf_counter() - middle:.1f} s, {time.process_time() - half:.1f} s; "
            f"{len(again.differences)} differ (asked: 10 s in all; none)"
        )


if __name__ == "__main__":
    main()
