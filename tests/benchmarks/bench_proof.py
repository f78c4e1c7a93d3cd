"""How long proofs take (processor time), and in how much memory: ``python -m tests.benchmarks.bench_proof [SECONDS]``.

Every machine is proved in a process of its own. SECONDS, 120 unless given, is the limit of each. With ``--picture
FILE.svg`` the growth with the size is drawn there.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from pathlib import Path
from typing import NamedTuple

from tests.benchmarks.large_machines import parts, wide
from tests.samples import PATHS, SAMPLES

SIZES = (50, 100, 200, 400, 600, 800, 1000)
PARTS = ((2, 12), (3, 12), (4, 12), (5, 12), (6, 12), (6, 20))


class Cost(NamedTuple):
    """What a proof took, in seconds and MB, of how many rows; and whether all was proved."""

    rows: int
    seconds: float
    megabytes: float
    whole: bool


def text_of(name: str) -> str:
    """The machine called ``name``: ``wide 50``, ``parts 3 12`` (three of twelve modes) or a sample."""
    kind, *sizes = name.split()
    if not sizes:
        return (SAMPLES / f"{name}.modes").read_text()
    return {"wide": wide, "parts": parts}[kind](*map(int, sizes))


def one(name: str, seconds: float) -> None:
    """Prove one machine and print what it took."""
    from statecraft.language import read_text
    from statecraft.proof.prove import prove

    machine = read_text(text_of(name))
    began = time.process_time()
    report = prove(machine, seconds)
    took = time.process_time() - began
    rows = sum(len(part.rows) for part in machine.parts)
    print(rows, took, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, int(report.complete))


def measured(name: str, seconds: str) -> Cost:
    """What the proof of one machine takes in a process of its own; its line is printed."""
    command = [sys.executable, "-m", "tests.benchmarks.bench_proof", "--one", name, seconds]
    rows, took, peak, whole = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
    cost = Cost(int(rows), float(took), float(peak), whole == "1")
    said = "all proved" if cost.whole else "NOT all proved"
    print(f"{name:16}{cost.rows:7} rows{cost.seconds:9.2f} s{cost.megabytes:8.0f} MB   {said}", flush=True)
    return cost


def main(seconds: str = "120", picture: str | None = None) -> None:
    """Print the table, and draw the picture if one is asked for."""
    for path in PATHS:
        measured(path.stem, seconds)
    modes = {float(size): measured(f"wide {size}", seconds) for size in SIZES}
    several = {size: measured(f"parts {size[0]} {size[1]}", seconds) for size in PARTS}
    if picture is not None:
        twelve = {float(count): cost for (count, modes_each), cost in several.items() if modes_each == 12}
        Path(picture).write_text(_picture(modes, twelve), encoding="utf-8")


# ----------------------------------------------------------------------------------------------------------- picture


def _picture(modes: dict[float, Cost], several: dict[float, Cost]) -> str:
    panels = [_panel(40, "modes in one part, five rows each", modes), _panel(400, "parts of twelve modes", several)]
    style = "text{font:13px sans-serif;fill:#333}polyline{fill:none;stroke-width:2}.axis{stroke:#999;fill:none}"
    legend = '<text x="40" y="288">round, solid: processor time; square, dashed: peak memory of the process</text>'
    size = 'viewBox="0 0 740 300" width="740" height="300"'
    said = 'role="img" aria-label="Processor time and peak memory of proofs by the size of the machine"'
    ground = '<rect width="740" height="300" fill="#fff"/>'
    head = f'<svg xmlns="http://www.w3.org/2000/svg" {size} {said}>'
    return "\n".join([head, f"<style>{style}</style>", ground, *panels, legend, "</svg>\n"])


def _panel(left: int, title: str, costs: dict[float, Cost]) -> str:
    """Time (round marks, solid) and memory (square marks, dashed) over the size, both from 0."""
    width, height, top = 260, 190, 50
    most = max(costs)
    seconds = _round_up(max(cost.seconds for cost in costs.values()))
    memory = _round_up(max(cost.megabytes for cost in costs.values()))

    def at(size: float, share: float) -> tuple[float, float]:
        return round(left + width * size / most, 1), round(top + height * (1 - share), 1)

    times = [at(size, cost.seconds / seconds) for size, cost in costs.items()]
    peaks = [at(size, cost.megabytes / memory) for size, cost in costs.items()]
    bottom, right = top + height, left + width
    lines = [
        f'<text x="{left}" y="20" font-weight="bold">{title}</text>',
        f'<path class="axis" d="M{left} {top}V{bottom}H{right}V{top}"/>',
        f'<text x="{left}" y="{top - 8}" fill="#0b5">{seconds:g} s</text>',
        f'<text x="{right}" y="{top - 8}" text-anchor="end" fill="#a40">{memory:g} MB</text>',
        _line(times, "#0b5", ""),
        _line(peaks, "#a40", ' stroke-dasharray="6 4"'),
    ]
    lines += [f'<circle cx="{x}" cy="{y}" r="4" fill="#0b5"/>' for x, y in times]
    lines += [f'<rect x="{x - 3.5:.1f}" y="{y - 3.5:.1f}" width="7" height="7" fill="#a40"/>' for x, y in peaks]
    marked = [size for size in costs if size / most > 0.15]
    lines += [f'<text x="{at(s, 0)[0]}" y="{bottom + 18}" text-anchor="middle">{s:g}</text>' for s in marked]
    return "\n".join(lines)


def _line(points: list[tuple[float, float]], colour: str, dashes: str) -> str:
    return f'<polyline points="{" ".join(f"{x},{y}" for x, y in points)}" stroke="{colour}"{dashes}/>'


def _round_up(value: float) -> float:
    """The least of 1, 2, 5, 10, 20, 50 … that is not less."""
    step = 1.0
    while step < value:
        step *= 2.5 if str(step)[0] == "2" else 2
    return step


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        one(sys.argv[2], float(sys.argv[3]))
    elif "--picture" in sys.argv:
        place = sys.argv.index("--picture")
        main(*(sys.argv[1:place] or ["120"]), sys.argv[place + 1])
    else:
        main(*sys.argv[1:])
