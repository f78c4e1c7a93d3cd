"""Every figure that the firmware answers for, measured anew at the pins of compiled sketches on the simulated chip.

    python -m tests.benchmarks.board_figures [point ...]

prints a Markdown table: what, measured, allowed, how. The chip runs at 16 MHz; what the simulation cannot do exactly is
in ``statecraft.chip.LIMITS``. It takes some minutes.
"""

from __future__ import annotations

import itertools
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random

from statecraft.agreement.agree import agree, at_random
from statecraft.agreement.budget import step_cost
from statecraft.agreement.cortex_m import CortexM
from statecraft.agreement.inputs import Streams
from statecraft.agreement.whole_sketch import whole_sketch
from statecraft.bench.controls import controls
from statecraft.bench.remote import page as remote_page
from statecraft.boards import load
from statecraft.chip import PinEvent, PwmEvent, ResetEvent, TriggerEvent
from statecraft.fingerprint import short
from statecraft.firmware import emit
from statecraft.firmware.names import KEYWORDS
from statecraft.firmware.reports import Counts, Modes, Overran, Reader, Started, cause_words
from statecraft.firmware.toolchain import BuildFailed, Built, disassembled, find_toolchain, vector_names
from statecraft.firmware.worst_case import interrupts, worst_step
from statecraft.language import read_file, read_text
from statecraft.machine import Machine
from statecraft.report.page import page
from tests.agreement.test_onchip_pins import PORCH
from tests.benchmarks.halts import campaign as halts_campaign
from tests.benchmarks.yardstick.measure import COLUMNS, measured, sequences
from tests.firmware import test_names
from tests.firmware import test_on_the_bench as on_bench
from tests.firmware.rig import Rig, built, framed
from tests.firmware.test_by_hand import MINE as DRIVER
from tests.firmware.test_by_hand import TEXT as GAUGE
from tests.firmware.test_on_chip import at_rest_ms, reading, start
from tests.outside.test_ranging import HANDBOOK
from tests.outside.test_ranging import MACHINE as ECHOES

ROOT = Path(__file__).parents[2]
MOVING = ("creeping", "retreating", "cruise", "weigh", "swing_left", "swing_right")
RANGERS = ("front", "left", "right")


@dataclass(frozen=True)
class Figure:
    """A line of the table. ``good``: what was measured is within what is allowed."""

    what: str
    measured: str
    allowed: str
    how: str
    good: bool


class Bench:
    """The sketches that are measured, each compiled once."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._made: dict[str, tuple[Machine, Built]] = {}

    def sketch(self, name: str, text: str = "", by_hand: str = "") -> tuple[Machine, Built]:
        """A sample by name, or the machine in ``text``."""
        if name not in self._made:
            file = ROOT / "samples" / f"{name}.modes"
            machine = read_text(text, file=f"{name}.modes") if text else read_file(str(file))
            self._made[name] = machine, built(machine, self.folder / name, by_hand=by_hand)
        return self._made[name]

    @contextmanager
    def cart(self) -> Iterator[Rig]:
        """The feed pusher, parked, all its sensors well."""
        machine, made = self.sketch("feed_pusher")
        with Rig(machine, made.elf) as rig:
            for name in RANGERS:
                rig.sensor(name, 2000)
            rig.sensor("supply", 7600)
            rig.chip.watch(*rig.motor_pins, rig.port("13"))
            rig.run_ms(700)
            yield rig

    @contextmanager
    def sprayer(self) -> Iterator[Rig]:
        """The tests' machine with every construct, and its drivers by hand, which pins make hang or dawdle."""
        tests = ROOT / "tests" / "firmware" / "machines"
        by_hand = (tests / "orchard_by_hand.cpp").read_text()
        machine, made = self.sketch("orchard", (tests / "orchard.modes").read_text(), by_hand)
        with Rig(machine, made.elf) as rig:
            for name, value in (("front", 2000), ("side", 900), ("supply", 7600), ("pull", 1000), ("air", 200)):
                rig.sensor(name, value)
            for pin in ("44", "46", "47", "48", "49"):
                rig.chip.drive(rig.port(pin), False)
            rig.chip.watch(*rig.motor_pins)
            rig.run_ms(1500)
            yield rig


# ------------------------------------------------------------------------------------------------ 1, 2: halt, lost link


def bring(rig: Rig, mode: str) -> None:
    """Everything well again, and the feed pusher in that mode."""
    for name in RANGERS:
        rig.sensor(name, 2000)
    rig.run_ms(700)
    rig.hear("halt")
    rig.run_ms(30)
    start(rig, mode)


def rests_after(rig: Rig, heard_ms: float) -> float:
    """From the end of a halt's stop bit to the last motor pin at rest, in ms."""
    rig.run_ms(heard_ms - rig.chip.now_us / 1000 + 15)
    assert rig.mode() == "parked"
    return max(at_rest_ms(rig) - heard_ms, 0.0)


def halts(bench: Bench) -> Iterator[Figure]:
    """Point 1."""
    random = Random(1)
    for fault, word in (("", "all well"), ("none", "silent"), ("dead", "dead"), ("stuck", "stuck high")):
        worst, count = 0.0, 0
        with bench.cart() as rig:
            for mode, ranger, _ in itertools.product(MOVING, RANGERS, range(3)):
                bring(rig, mode)
                if fault:
                    rig.sensor(ranger, fault)  # type: ignore[arg-type]
                for _ in range(3):
                    rig.hear({"creeping": "creep", "retreating": "retreat"}.get(mode, "beat"))
                    rig.run_ms(20 + 10 * random.random())
                assert rig.mode() == mode
                worst, count = max(worst, rests_after(rig, rig.hear("halt") / 1000)), count + 1
        what = f"halt, each ranger in turn {word}" if fault else f"halt, {word}"
        how = f"{count} halts, in each of the {len(MOVING)} moving modes, random phases of the tick, during pings"
        yield Figure(what, f"{worst:.2f} ms", "10.50 ms", how, worst <= 10.5)
    # Any bytes but those that would change the mode: they would, and rightly.
    quiet = [byte for byte in range(256) if chr(byte) not in "hpcz"]
    worst, count = 0.0, 0
    with bench.cart() as rig:
        for mode, seed in itertools.product(MOVING, range(8)):
            bring(rig, mode)
            rig.run_ms(10 * random.random())
            rig.chip.flood(1, 9600, 40, seed=seed, alphabet=quiet)
            heard = rig.hear("halt") / 1000
            rig.chip.flood(1, 9600, 30, seed=seed + 100, alphabet=quiet)
            worst, count = max(worst, rests_after(rig, heard)), count + 1
            rig.run_ms(60)
    how = f"{count} halts in all moving modes amid random bytes back to back at 9600 baud"
    yield Figure("halt, line flooded", f"{worst:.2f} ms", "10.50 ms", how, worst <= 10.5)


def lost_links(bench: Bench) -> Iterator[Figure]:
    """Point 2."""
    worst = 0.0
    with bench.cart() as rig:
        for attempt in range(10):
            start(rig, "cruise")
            rig.run_ms(50 + 3.3 * attempt)
            last = rig.hear("beat") / 1000
            rig.run_ms(650)
            assert rig.mode() == "parked"
            worst = max(worst, at_rest_ms(rig) - last)
            rig.run_ms(100)
    yield Figure(
        "link lost: motors at rest after its last byte",
        f"{worst:.1f} ms",
        "520 ms",
        "10 times in cruise; 500 ms of silence declared, and two ticks",
        worst <= 520,
    )


# ---------------------------------------------------------------------------------------------------------- 3: ranging


def ranging(bench: Bench) -> Iterator[Figure]:
    """Point 3."""
    for celsius, speed in HANDBOOK.items():
        worst, random = 0, Random(celsius)
        machine, made = bench.sketch(f"echoes_{celsius}", ECHOES.format(board="atmega2560", celsius=celsius))
        with Rig(machine, made.elf) as rig:
            rig.run_ms(200)
            for mm in [20, 4000, *(random.randint(20, 4000) for _ in range(80))]:
                rig.chip.distance("gap", mm, sound_m_per_s=speed)
                rig.run_ms(150 + random.random() * 10)
                seen = reading(rig, "gap")
                assert seen is not None
                worst = max(worst, abs(seen - mm))
        yield Figure(
            f"ranging, air declared {celsius} C",
            f"{worst} mm",
            "10 mm",
            "82 distances from 2 cm to 400 cm, echoes by the handbook's speed of sound",
            worst <= 10,
        )
    worst, random = 0, Random(7)
    with bench.cart() as rig:
        for _ in range(60):
            mm = random.randint(20, 4000)
            rig.sensor("left", mm)
            rig.chip.flood(1, 9600, 300, seed=mm, alphabet=b"qxy.")
            rig.run_ms(400)
            worst = max(worst, abs((reading(rig, "left") or 0) - mm))
    yield Figure(
        "ranging while everything else runs",
        f"{worst} mm",
        "10 mm",
        "60 distances by the feed pusher's left ranger, its line flooded",
        worst <= 10,
    )
    lines = "".join(f"sensor r{n} range, trigger {22 + 2 * n}, echo {23 + 2 * n}, 2 cm .. 400 cm\n" for n in range(4))
    faults = " or ".join(f"r{n} fault" for n in range(4))
    text = f"machine four\nboard atmega2560\ntick 10 ms\n{lines}lamp l pin 13\nmode still stop\nmode lit l on\n"
    text += f"rules\nin | when | go to\nstill | {faults} | lit\n"
    machine, made = bench.sketch("four", text)
    with Rig(machine, made.elf) as rig:
        for sensor in machine.sensors:
            rig.sensor(sensor.name, 4000)
        rig.run_ms(5000)
        pings = [event for event in rig.chip.log if isinstance(event, TriggerEvent)]
        assert all(event.outcome == "taken" for event in pings)
        apart = min(after.us - before.us for before, after in itertools.pairwise(pings)) / 1000
        each = [[event.us for event in pings if event.ranger == sensor.name] for sensor in machine.sensors]
        fresh = max(after - before for one in each for before, after in itertools.pairwise(one)) / 1000
        yield Figure("pings apart", f"{apart:.2f} ms", "at least 60 ms", "four rangers at 4 m for 5 s", apart >= 60)
        yield Figure("four rangers: each fresh every", f"{fresh:.1f} ms", "260 ms", "likewise", fresh <= 260)
        took: dict[str, float] = {}
        for fault in ("dead", "stuck"):
            rig.sensor("r1", fault)  # type: ignore[arg-type]
            at = rig.chip.now_us
            while reading(rig, "r1") is not None:
                rig.run_ms(1)
            took[fault] = (rig.chip.now_us - at) / 1000
            others = [sensor.name for sensor in machine.sensors if sensor.name != "r1"]
            for mm, name in enumerate(others, 500):
                rig.sensor(name, mm)
            rig.run_ms(300)
            assert all(abs((reading(rig, name) or 0) - mm) <= 10 for mm, name in enumerate(others, 500))
            rig.sensor("r1", 1000)
            rig.run_ms(600)
            assert reading(rig, "r1") is not None
    for fault, ms in took.items():
        what = "no answer" if fault == "dead" else "echo line stuck high"
        yield Figure(
            f"{what}: a fault within",
            f"{ms:.0f} ms",
            "760 ms: patience, a cycle, two ticks",
            "the other three range on; it comes back when it is well",
            ms <= 760,
        )


# -------------------------------------------------------------------------------------------- 4, 5: sensors and motors


def sensors(bench: Bench) -> Iterator[Figure]:
    """Point 4: the exact comparisons are the tests'; here is how far off a reading is in all."""
    random = Random(3)
    with bench.sprayer() as rig:
        off = {"supply": 0.0, "pull": 0.0, "air": 0.0}
        counts = {"supply": 15_000 / 1024, "pull": 50_000 / 1024}
        for _ in range(100):
            for name, low, high in (("supply", 4000, 14_000), ("pull", 0, 20_000)):
                value = random.randint(low, high)
                rig.sensor(name, value)
                rig.run_ms(30)
                off[name] = max(off[name], abs((reading(rig, name) or 0) - value) / counts[name])
        for tenths in range(-190, 600, 10):
            rig.sensor("air", tenths)
            rig.run_ms(25)
            off["air"] = max(off["air"], abs((reading(rig, "air") or 0) - tenths) / 10)
    yield Figure(
        "voltage",
        f"{off['supply']:.2f} counts",
        "1 count, and half a mV at the pin",
        "100 voltages from 4 V to 14 V, set to whole mV; 15 V is 1024 counts",
        off["supply"] <= 1.12,
    )
    yield Figure(
        "current",
        f"{off['pull']:.2f} counts",
        "1 count, and half a mV at the pin",
        "100 currents from 0 A to 20 A, set to whole mV; 50 A is 1024 counts",
        off["pull"] <= 1.12,
    )
    yield Figure(
        "thermistor",
        f"{off['air']:.2f} C",
        "0.1 C and one count, 0.1 C to 0.2 C here",
        "every degree from -19 C to 60 C by the Beta equation",
        off["air"] <= 0.5,
    )
    with bench.cart() as rig:
        start(rig, "cruise")
        rig.hear("beat")
        rig.switch("bumper", True)
        took = rig.wait_for("jammed", 60)
    yield Figure(
        "a bumper that is on if in doubt counts after", f"{took:.0f} ms", "10 ms", "closed in cruise", took <= 12
    )


def motors(bench: Bench) -> Iterator[Figure]:
    """Point 5."""
    with bench.cart() as rig:
        overlaps, turns, wrong = 0, 0, 0
        for number in range(12):
            mode = ("cruise", "retreating", "swing_left", "swing_right", "creeping")[number % 5]
            rig.sensor("front", 2000)
            rig.run_ms(700)
            rig.hear("halt")
            rig.run_ms(30)
            start(rig, mode)
            rig.hear("retreat" if mode == "retreating" else "creep" if mode == "creeping" else "beat")
            rig.run_ms(20)
            percent = {"cruise": 60, "retreating": 30, "creeping": 30}.get(mode, 50)
            duty = rig.chip.pwm(rig.port("5"))
            wrong += duty is None or duty.compare != (255 * percent + 50) // 100
        for forward, reverse in (("30", "31"), ("32", "33")):
            ports = rig.port(forward), rig.port(reverse)
            for event in [*rig.chip.changes(ports[0]), *rig.chip.changes(ports[1])]:
                turns += 1
                overlaps += all(rig.chip.level_at(port, event.us) for port in ports)
    yield Figure(
        "both directions at once",
        f"{overlaps} of {turns} edges",
        "never",
        "every edge of the direction pins over 12 manoeuvres",
        overlaps == 0 and turns > 20,
    )
    yield Figure(
        "duty of a motor", f"{wrong} of 12 wrong", "(255 · percent + 50) / 100, exactly", "likewise", wrong == 0
    )
    machine, made = bench.sketch("yard_gate")
    with Rig(machine, made.elf) as rig:
        rig.sensor("strain", 0)
        rig.switch("at_shut", True)
        rig.run_ms(500)
        rig.hear("halt")
        rig.run_ms(30)
        rig.hear("open")
        rig.run_ms(200)
        pin = rig.port("6")
        duties = [e.compare for e in rig.chip.log if isinstance(e, PwmEvent) and e.pin == pin and e.compare]
        good = duties[:6] == [(255 * percent + 50) // 100 for percent in (2, 4, 6, 8, 10, 12)]
    yield Figure(
        "ramp of 200 %/s",
        f"duties {', '.join(map(str, duties[:6]))}",
        "2 % a tick of 10 ms",
        "the yard gate opens",
        good,
    )


# ----------------------------------------------------------------------------------------------- 6, 7: resets and time


def resets(bench: Bench) -> Iterator[Figure]:
    """Point 6."""
    machine, made = bench.sketch("feed_pusher")
    with Rig(machine, made.elf) as rig:
        rig.chip.watch(*rig.motor_pins)
        rig.run_ms(50)
        driven = min(e.us for pin in rig.motor_pins for e in rig.chip.changes(pin) if e.state == "low")
        rig.run_ms(850)
        high = sum(bool(event.level) for pin in rig.motor_pins for event in rig.chip.changes(pin))
    yield Figure(
        "motor pins driven low after power comes on",
        f"{driven / 1000:.2f} ms",
        "first of all in setup()",
        f"and {high} high levels in 900 ms, of none",
        high == 0 and driven < 2000,
    )
    for pin, what in (("48", "a driver by hand that hangs"), ("46", "the core's clock stopped")):
        with bench.sprayer() as rig:
            rider = rig.machine.links[0]
            rig.send(rider, framed(rider, "ba"))
            rig.wait_for("reverse", 60, "drive")
            rig.run_ms(60)
            assert rig.field("shown", "drive_right") != 0
            rig.chip.log.clear()
            at = rig.chip.now_us
            rig.chip.drive(rig.port(pin), True)
            rig.run_ms(200)
            found = [event for event in rig.chip.log if isinstance(event, ResetEvent)]
            rest = not any(rig.chip.pin(port).level for port in rig.motor_pins)
            ms = (found[0].us - at) / 1000 if found else float("inf")
            rig.chip.drive(rig.port(pin), False)
            rig.run_ms(1500)
            started = [r for r in Reader().feed(rig.chip.sent(1)) if isinstance(r, Started)]
            running = rig.mode("drive") == "parked" and started[-1].cause & 8
        yield Figure(
            f"{what}: reset after",
            f"{ms:.0f} ms",
            "a watchdog of 128 ms, and a tick",
            "motors at rest then; it runs again afterwards and reports the watchdog as the cause",
            ms <= 138 and rest and bool(running),
        )


def clocks(bench: Bench) -> Iterator[Figure]:
    """Point 7."""
    with bench.cart() as rig:
        rig.sensor("supply", 3000)
        rig.wait_for("spent", 800)
        rig.run_ms(4000)
        first = rig.chip.changes(rig.port("13"))[-1].us
        rig.run_ms(60_000)
        last = rig.chip.changes(rig.port("13"))[-1].us
        seconds = round((last - first) / 1_000_000)
        drift = abs(last - first - seconds * 1_000_000) / 1000
    yield Figure(
        "drift of the tick",
        f"{drift:.3f} ms in {seconds} s",
        "one tick, 10 ms",
        "the beacon's edges, a second apart",
        drift <= 10 and seconds >= 59,
    )
    with bench.cart() as rig:
        start(rig, "cruise")
        overflows = rig.chip.value("timer0_overflow_count")
        shift = (1 << 22) - overflows - 300
        rig.chip.poke("timer0_overflow_count", overflows + shift)
        for name in ("_ZN5ticksL4lastE", "_ZN5ticksL3fedE", "_ZN7rangingL6pingedE"):
            rig.chip.poke(name, (rig.chip.value(name) + shift * 1024) & 0xFFFFFFFF)
        rig.chip.poke("timer0_millis", (1 << 32) - 300)
        before = rig.field("clock", "mode feed_pusher")
        for _ in range(10):
            rig.hear("beat")
            rig.run_ms(100)
        off = abs(rig.field("clock", "mode feed_pusher") - before - 100)
        good = rig.mode() == "cruise" and not any(isinstance(event, ResetEvent) for event in rig.chip.log)
    yield Figure(
        "wraps of micros() and millis()",
        f"{off} ticks off in 100",
        "1",
        "started 300 ms before the wraps of 71.6 min and 49.7 days, in cruise",
        good and off <= 1,
    )
    with bench.sprayer() as rig:
        for _ in range(3):
            rig.chip.drive(rig.port("49"), True)
            rig.run_ms(100)
            rig.chip.drive(rig.port("49"), False)
            rig.run_ms(900)
        rig.run_ms(1200)
        counts = [r for r in Reader().feed(rig.chip.sent(1)) if isinstance(r, Counts)][-1]
        beats = [r for r in Reader().feed(rig.chip.sent(1)) if isinstance(r, Modes)]
        apart = beats[-1].tick - beats[-2].tick
    yield Figure(
        "overruns counted and reported",
        f"{counts.late} late ticks",
        "about 18",
        "a driver by hand that takes 25 ms of a tick of 10 ms, for 100 ms, three times",
        12 <= counts.late <= 24,
    )
    yield Figure("heartbeat every", f"{apart} ticks", "100 ticks, 1 s", "reports on the simulated line", apart == 100)


# ---------------------------------------------------------------------------------------------------- 8, 10: the budget


def budget(bench: Bench) -> Iterator[Figure]:
    """Point 8, and what reports cost."""
    made = bench.sketch("feed_pusher")[1]
    for what, size, most in (
        ("flash of the feed pusher", made.flash, 10_000),
        ("RAM, without the stack", made.ram, 1000),
        ("behaviour.cpp, flash", made.behaviour_flash, 2048),
        ("behaviour.cpp, RAM", made.behaviour_ram, 80),
    ):
        yield Figure(what, f"{size:,} B", f"{most:,} B", "avr-size, -Os, avr-g++ 5.4", size <= most)
    for name in COLUMNS:
        generated, by_hand = measured(name)
        one, other = generated.cost, by_hand.cost
        how = f"{one.steps:,} steps of trials, generated vectors and random inputs; by hand"
        for what, ours, theirs, unit in (
            ("worst step", one.most, other.most, "cycles"), ("mean step", one.mean, other.mean, "cycles"),
            ("flash", generated.flash, by_hand.flash, "B"), ("RAM", generated.ram, by_hand.ram, "B"),
        ):  # fmt: skip
            ratio = ours / theirs
            told = f"{ours:.0f} {unit}, {ratio:.2f} times"
            beside = f"{how} {theirs:.0f} {unit}"
            yield Figure(f"{name} against one by hand: {what}", told, "1.15", beside, ratio <= 1.15)
    small = load("atmega328p")
    for name in ("greenhouse_vent", "sump_pump"):
        made = bench.sketch(name)[1]
        flash, ram = made.flash / small.sketch_max_bytes, made.ram / small.ram_bytes
        yield Figure(
            f"{name} on the 328P",
            f"{100 * flash:.0f} % of flash, {100 * ram:.0f} % of RAM",
            "50 % of each",
            f"{made.flash:,} B and {made.ram:,} B",
            max(flash, ram) <= 0.5,
        )
    with bench.sprayer() as rig:
        rig.chip.profile("_ZN5ticks3runEv")
        rider = rig.machine.links[0]
        for number in range(20):
            rig.send(rider, framed(rider, ("ba", "go", "halt", "v50")[number % 4]))
            rig.run_ms(100)
        worst = rig.chip.profiled("_ZN5ticks3runEv").most
    yield Figure(
        "a whole tick of the largest machine: sample, decide, drive, report",
        f"{worst / 1600:.1f} % of it",
        "",
        f"{worst:,} cycles, interrupts included, three parts, 14 pins, reports",
        worst < 160_000,
    )


# ------------------------------------------------------------------------------------- what a sketch meets on a bench


def noise(bench: Bench) -> Iterator[Figure]:
    """Random bytes on a plain link."""
    started, heard = 0, 0.0
    for seed in range(10):
        with bench.cart() as rig:
            rig.chip.log.clear()
            for second in range(60):
                rig.chip.flood(1, 9600, 950, seed=100 * seed + second)
                rig.run_ms(1000)
            started += any(isinstance(e, PinEvent) and e.state in ("high", "waveform") for e in rig.chip.log)
            heard += 60
    yield Figure(
        "noise on a plain link starts it",
        f"{started} times in {heard:.0f} s",
        "never",
        "60 s of random bytes at 9600 baud, ten seeds, parked",
        started == 0,
    )


def chatter(bench: Bench) -> Iterator[Figure]:
    """A bumper that does not keep still."""
    worst = 0.0
    for seed in range(12):
        random = Random(seed)
        with bench.cart() as rig:
            start(rig, "cruise")
            rig.run_ms(20 * random.random())
            rig.chip.log.clear()
            began = rig.chip.now_us
            for turn in range(14):
                rig.switch("bumper", turn % 2 == 0)
                rig.run_ms(random.uniform(5, 25))
            assert rig.mode() == "jammed"
            worst = max(worst, at_rest_ms(rig) - began / 1000)
    yield Figure(
        "a bumper that chatters: motors at rest after its first touch",
        f"{worst:.1f} ms",
        "45 ms: a touch of 5 ms may fall between two looks",
        "12 times in cruise, toggling every 5 ms to 25 ms",
        worst <= 45,
    )


def overload(bench: Bench) -> Iterator[Figure]:
    """A driver by hand that takes 45 ms of a tick of 10 ms."""
    machine, made = bench.sketch("slow", on_bench.SLOW, on_bench.SLOW_BY_HAND)

    def rolling(rig: Rig) -> None:
        rig.sensor("front", 2000)
        for pin in ("40", "41"):
            rig.chip.drive(rig.port(pin), False)
        rig.chip.watch(*rig.motor_pins)
        rig.run_ms(300)
        rig.hear("go")
        rig.wait_for("rolling", 40)

    with Rig(machine, made.elf) as rig:
        rolling(rig)
        began = rig.chip.now_us
        rig.chip.drive(rig.port("40"), True)
        rig.run_ms(600)
        resets = [event.us for event in rig.chip.log if isinstance(event, ResetEvent)]
        took = (resets[0] - began) / 1000 if resets else float("inf")
        rest = not any(rig.chip.pin(pin).level for pin in rig.motor_pins)
        rig.chip.drive(rig.port("40"), False)
        rig.run_ms(800)
        told = {cause_words(r.cause) for r in Reader().feed(rig.chip.sent(1)) if isinstance(r, Started)}
    yield Figure(
        "late for good: reset at rest after",
        f"{took:.0f} ms",
        "400 ms",
        f"a driver that takes 45 ms of a tick of 10 ms; it then says: {'; '.join(sorted(told))}",
        took <= 400 and rest and any("late for good" in words for words in told),
    )
    with Rig(machine, made.elf) as rig:
        rolling(rig)
        rig.run_ms(50)
        rig.sensor("front", "dead")
        rig.run_ms(60)
        dead = rig.chip.now_us
        for _ in range(4):
            rig.chip.drive(rig.port("40"), True)
            rig.run_ms(20)
            rig.chip.drive(rig.port("40"), False)
            rig.run_ms(110)
        rig.wait_for("parked", 200)
        rested = at_rest_ms(rig) - dead / 1000
    yield Figure(
        "a dead ranger, ticks late in between: at rest after",
        f"{rested:.0f} ms",
        "520 ms: 500 ms of patience and two ticks",
        "four ticks missed four times meanwhile",
        rested <= 520,
    )
    text = on_bench.SLOW.replace("tick 10 ms", "tick 1 s").replace("500 ms", "5 s")
    hangs = on_bench.SLOW_BY_HAND.replace("delay(45);", "while (true) {}")
    machine, made = bench.sketch("slowest", text.replace("machine slow", "machine slowest"), hangs)
    with Rig(machine, made.elf) as rig:
        rig.sensor("front", 2000)
        for pin in ("40", "41"):
            rig.chip.drive(rig.port(pin), False)
        rig.run_ms(3200)
        rig.chip.log.clear()
        rig.chip.drive(rig.port("40"), True)
        rig.run_ms(1000 + 400)
        resets = [event.us for event in rig.chip.log if isinstance(event, ResetEvent)]
        hung = (resets[0] - rig.chip.now_us) / 1000 + 1400 if resets else float("inf")
    yield Figure(
        "a hang with a tick of 1 s: reset after",
        f"{hung:.0f} ms from the call on, at most a tick later than its pin",
        "a tick and 300 ms",
        "the watchdog is fed every 50 ms and waits 250 ms",
        hung <= 1300,
    )


def pins(bench: Bench) -> Iterator[Figure]:
    """Outputs that are on when low, and pins that were disturbed."""
    machine, made = bench.sketch("lower", on_bench.LOW)
    with Rig(machine, made.elf) as rig:
        rig.chip.watch(*(rig.port(pin) for pin in on_bench.HIGH_AT_REST))
        rig.run_ms(500)
        lows = sum(e.state == "low" for pin in on_bench.HIGH_AT_REST for e in rig.chip.changes(rig.port(pin)))
        wrong = 0
        for address in (0x21, 0x22, 0x27, 0x28):  # DDRA, PORTA, DDRC, PORTC (ATmega2560 data sheet, register summary)
            right = rig.chip.peek(address, 1)
            rig.chip.poke(address, 0)
            rig.run_ms(11)
            wrong += rig.chip.peek(address, 1) != right
    yield Figure(
        "on when low: low at rest, from power-on",
        f"{lows} times",
        "never",
        "a relay, a lamp, a buzzer, three direction pins, 500 ms",
        lows == 0,
    )
    what = "disturbed latches and directions still wrong after a tick"
    yield Figure(what, f"{wrong} of 4", "none", "set to 0 at rest", not wrong)


def bounds(bench: Bench) -> Iterator[Figure]:
    """Worst case, by the programs' own instructions."""
    tools = find_toolchain()
    for path in sorted((ROOT / "samples").glob("*.modes")):
        name = path.stem
        machine, made = bench.sketch(name)
        board = load(machine.board)
        streams = Streams(machine)
        cost = step_cost(machine, board, [streams.of(found) for found in sequences(machine)])
        program = disassembled(tools, made.elf, board)
        most, ratio = (found := worst_step(program, machine).cycles), found / cost.most
        yield Figure(
            f"step of {name}, at most",
            f"{most:,} cycles, {ratio:.2f} times what was measured",
            "not under it; 1.3 times",
            f"{cost.most:,} cycles measured over {cost.steps:,} ticks of trials, generated vectors and random inputs",
            1 <= ratio <= 1.3,
        )
        coming = interrupts(program, machine, board, vector_names(tools, board))
        whole, tick = most + coming.cycles, board.clock_hz * machine.tick_ms / 1000
        yield Figure(
            f"step of {name} with every interrupt of a tick, at most",
            f"{whole:,} cycles, {100 * whole / tick:.2g} % of the tick",
            "what has no bound is named",
            ", ".join([*coming.told, *(f"NOT BOUNDED: {each}" for each in coming.unbounded)]),
            not coming.unbounded or bool(machine.libraries),  # nobody knows how busy the owner keeps a library
        )
        stack = program.stack()
        left = board.ram_bytes - made.ram
        how = "calls, frames and the deepest interrupt"
        yield Figure(f"stack of {name}, at most", f"{stack} B", f"{left:,} B are left", how, stack <= left)


def owners(bench: Bench) -> Iterator[Figure]:
    """What is by hand, and the fingerprint: libraries, a clear message, a slow driver told, one table everywhere."""
    machine = read_text(GAUGE.replace("tick 10 ms", 'tick 10 ms\nlibrary "Wire"\nlibrary "SPI"'), "gauge.modes")
    mine = "#include <Wire.h>\n#include <SPI.h>\n" + DRIVER.replace("EXTRA", "Wire.begin(); SPI.begin();")
    made = built(machine, bench.folder / "gauge_libraries", by_hand=mine.replace("CALL", "value = Wire.read();"))
    what = "a driver by hand with two of the core's libraries compiles"
    yield Figure(what, f"{made.flash:,} B", "it does", "Wire and SPI, named by library", made.flash > 5000)
    try:
        tone = DRIVER.replace("EXTRA", "tone(9, 440);").replace("CALL", "")
        built(read_text(GAUGE, "gauge.modes"), bench.folder / "gauge_tone", by_hand=tone)
        told = "nothing"
    except BuildFailed as failed:
        told = str(failed)
    clear = told.startswith("two things want the same interrupt")
    yield Figure("tone() beside a ranger", "told plainly" if clear else told[:60], "a clear message", "make", clear)
    slow = DRIVER.replace("EXTRA", "").replace("CALL", "static uint8_t n; if (++n == 100) { delayMicroseconds(2500); }")
    machine = read_text(GAUGE, "gauge.modes")
    made = built(machine, bench.folder / "gauge_slow", by_hand=slow)
    with Rig(machine, made.elf) as rig:
        rig.sensor("front", 2000)
        rig.run_ms(3300)
        reported = [report for report in Reader().feed(rig.chip.sent(0)) if isinstance(report, Overran)]
    micros = reported[0].us if reported else 0
    how = "takes at most 1 ms, and once takes 2.5 ms"
    what = "a driver that takes longer than it says is reported"
    yield Figure(what, f"{micros} us", "2,500 us", how, 2500 <= micros <= 2700)
    mover, made = bench.sketch("bale_mover", by_hand=(ROOT / "samples" / "bale_mover_by_hand.cpp").read_text())
    print_ = short(mover)
    with Rig(mover, made.elf) as rig:
        rig.run_ms(800)
        started = [report.table for report in Reader().feed(rig.chip.sent(1)) if isinstance(report, Started)]
    shown = [
        print_ in emit(mover, load(mover.board))["behaviour.cpp"],
        started[:1] == [print_],
        f'"{print_}"' in remote_page(controls(mover)),
        f'<strong class="mono">{print_}</strong>' in page(mover),
    ]
    how = "the sketch's head, its first report, the remote, the page that is signed"
    yield Figure("the table's fingerprint is the same in", f"{sum(shown)} places", "4", how, all(shown))


def names(bench: Bench) -> Iterator[Figure]:
    """Names that the headers have taken."""
    taken = {name for header in test_names.C_HEADERS for name in test_names.macros(["g++", "-std=c++11"], header)}
    core = test_names.CORE
    for mcu, variant in (("atmega2560", "mega"), ("atmega328p", "standard")):
        command = ["avr-g++", f"-mmcu={mcu}", "-std=gnu++11", "-DF_CPU=16000000L", "-DARDUINO=10819"]
        command += [f"-I{core / 'cores/arduino'}", f"-I{core / 'variants' / variant}"]
        for header in (*test_names.C_HEADERS, *test_names.AVR_HEADERS):
            taken |= test_names.macros(command, header)
    unknown = taken - KEYWORDS
    how = "the C headers, the chip library's and the core's, for desk, 2560 and 328P"
    what = "macros of the headers that a machine's names could run into"
    yield Figure(what, f"{len(unknown)} of {len(taken)}", "none", how, not unknown)
    machine = read_text(test_names.machine_of(["stdin", "stdout", "stderr", "uint8_t", "x_state", "register", "abs"]))
    made = built(machine, bench.folder / "names")
    how = "stdin, stdout, stderr, uint8_t, a button x beside x_button"
    what = "a machine with such names: words of the compiler"
    yield Figure(what, f"{len(made.warnings.splitlines())}", "none", how, not made.warnings)


def other_boards(bench: Bench) -> Iterator[Figure]:
    """32 bits, and the chip in exact cycles against the table."""
    for name in ("feed_pusher", "bale_mover"):
        machine = bench.sketch(name)[0]
        with CortexM(machine) as other:
            found = at_random(machine, 1, 100_000, other)
        yield Figure(
            f"{name} on an ARM Cortex-M3 under QEMU: ticks that differ",
            "none" if found.agrees else "some",
            "none",
            f"{found.ticks:,} ticks at random, every number of the state",
            found.agrees,
        )
    for name in ("feed_pusher", "yard_gate"):
        sketch = whole_sketch(bench.sketch(name)[0], 1, 3000)
        yield Figure(
            f"the whole sketch of {name} on the Cortex-M3, at its pins: ticks that differ",
            "none" if sketch.agrees else "some",
            "none",
            f"{sketch.ticks:,} ticks of pins moved at random, late ones too: state and output pins",
            sketch.agrees and sketch.ticks > 3000,
        )
    porch = read_text(PORCH, "porch.modes")
    found_on = [stage.agrees for stage in agree(porch, "chip", seed=1, ticks=300).stages]
    yield Figure(
        "a machine without sensors, slow motors on fast PWM: agrees on the chip",
        f"{sum(found_on)} of {len(found_on)} kinds of inputs",
        "all",
        "pins 5 and 6 of the 328P, a ramp, a relay on when low",
        all(found_on),
    )


def many_halts(bench: Bench) -> Iterator[Figure]:
    """The campaign of halts."""
    machine, made = bench.sketch("feed_pusher")
    found = halts_campaign(machine, made, 500)
    worst = max(ms for times in found.values() for ms in times)
    yield Figure(
        "500 halts",
        f"{worst:.2f} ms",
        "10.50 ms",
        "every moving mode; quiet, random and valid floods; rangers well, dead, stuck; random phases",
        worst <= 10.5,
    )


POINTS = (
    *(halts, lost_links, ranging, sensors, motors, resets, clocks, budget),
    *(noise, chatter, overload, pins, bounds, owners, other_boards, names, many_halts),
)


def main() -> int:
    """Print the table, or the points of it that are named; 1 if something measured is not what is allowed."""
    failed = 0
    chosen = [point for point in POINTS if not sys.argv[1:] or point.__name__ in sys.argv[1:]]
    print("| figure | measured | allowed | how |\n| --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
        for point in chosen:
            for figure in point(bench):
                failed += not figure.good
                what = figure.what if figure.good else f"**NOT MET: {figure.what}**"
                print(f"| {what} | {figure.measured} | {figure.allowed} | {figure.how} |", flush=True)
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
