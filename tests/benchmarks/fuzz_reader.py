"""A long fuzz of the reader: ``python tests/benchmarks/fuzz_reader.py [INPUTS] [SEED]`` (100,000 inputs unless said).

Inputs are mutated samples, shuffled words of the language, and random text. Each must give a machine or mistakes, which
can be shown; and none may take more than 50 times the share of time that its length deserves, measured against the mean
over the whole campaign (with 20 ms allowed to any, as the machine has other things to do).
"""

from __future__ import annotations

import random
import sys
import time
import traceback
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from statecraft.language import FileErrors, read_text  # noqa: E402
from tests.language.frame import frame  # noqa: E402

SIGNS = [chr(code) for code in [*range(1, 128), 0x85, 0xA0, 0x2028, 0xFEFF, 0xFFFD, 0x4E2D, 0x1F69C]]


def corpus() -> list[str]:
    """What is mutated."""
    samples = [path.read_text(encoding="utf-8") for path in sorted((ROOT / "samples").glob("*.modes"))]
    page = ROOT / "samples" / "LANGUAGE.md"
    return [*samples, frame(), *([page.read_text(encoding="utf-8")] if page.exists() else [])]


def mutate(text: str, words: list[str], chance: random.Random) -> str:
    """``text`` with a few things lost, doubled, moved or changed."""
    lines = text.split("\n")
    for _ in range(chance.randint(1, 8)):
        at = chance.randrange(len(lines))
        line = lines[at]
        match chance.randrange(8):
            case 0:
                del lines[at]
                lines = lines or [""]
            case 1:
                lines.insert(chance.randrange(len(lines) + 1), line)
            case 2:
                lines[at] = line.replace(" ", f" {chance.choice(words)} ", 1)
            case 3:
                parts = line.split(" ")
                del parts[chance.randrange(len(parts))]
                lines[at] = " ".join(parts)
            case 4:
                cut = chance.randrange(len(line) + 1)
                lines[at] = line[:cut] + chance.choice(SIGNS) + line[cut:]
            case 5:
                cut = chance.randrange(len(line) + 1)
                lines[at] = line[:cut] + line[cut + 1 :]
            case 6:
                lines[at] = line * chance.randint(2, 20)
            case _:
                parts = line.split(" ")
                chance.shuffle(parts)
                lines[at] = " ".join(parts)
    return "\n".join(lines)


def make(texts: list[str], words: list[str], chance: random.Random) -> str:
    """One input."""
    kind = chance.randrange(10)
    if kind < 6:
        return mutate(chance.choice(texts), words, chance)
    if kind < 9:
        lines = (" ".join(chance.choices(words, k=chance.randint(1, 12))) for _ in range(chance.randint(1, 40)))
        return "machine m\nboard atmega2560\ntick 10 ms\n" * (kind < 8) + "\n".join(lines)
    return "".join(chance.choices(SIGNS, k=chance.randint(0, 400)))


def main() -> int:
    """Run the campaign; 1 if an input raised anything else, or took far too long."""
    inputs = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    chance = random.Random(seed)
    texts = corpus()
    words = sorted({word for text in texts for word in text.split()})
    read_text(frame())
    times: list[tuple[float, int, int]] = []
    right = broken = 0
    for number in range(inputs):
        text = make(texts, words, chance)
        start = time.process_time()
        try:
            read_text(text, "fuzz.modes")
            right += 1
        except FileErrors as errors:
            if not errors.mistakes or not errors.render():
                broken += 1
                print(f"input {number}: no mistake was named\n{text!r}")
        except Exception:
            broken += 1
            if broken <= 3:
                print(f"input {number}:\n{text!r}")
                traceback.print_exc()
        times.append((time.process_time() - start, len(text) + 1, number))
        if number % 10_000 == 9_999:
            print(f"{number + 1} inputs, {right} read, {broken} broken", flush=True)
    share = sum(took for took, _, _ in times) / sum(length for _, length, _ in times)
    slow = [(took / (share * length), took, number) for took, length, number in times if took > 0.02]
    worst = max(slow, default=(0.0, 0.0, 0))
    print(f"{share * 1e6:.2f} us a character; {right} read, {broken} broken")
    print(f"worst above 20 ms: input {worst[2]}, {worst[1]:.3f} s, {worst[0]:.1f} shares")
    return 1 if broken or worst[0] > 50 else 0


if __name__ == "__main__":
    sys.exit(main())
