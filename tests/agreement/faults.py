"""What goes wrong around a machine while it runs, brought about at the chip's pins and lines.

Bytes are lost, doubled and flipped; sensors die and come back; a supply sags; the chip is reset in the middle of what
it was doing. What the chip heard of a damaged line is worked out here by a second reading of the link's rules.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from random import Random

from statecraft.agreement.inputs import HeldInputs, InputSequence, cut, each_tick, sequence_of
from statecraft.agreement.onchip import ChipRunner, Driver, PinLevels, pin_duties
from statecraft.agreement.random_sequences import sequence
from statecraft.agreement.wired import Wired, can_fail
from statecraft.chip import PinEvent, PwmEvent
from statecraft.machine import Link, Machine, ModeRef, Motor, Relay
from statecraft.simulation import Simulation, observer
from statecraft.simulation.state import State, layout
from statecraft.simulation.trial import script


class Receiver:
    """Reads a link's bytes as the language says: a checked message is ``$``, its text, ``*`` and two digits of its XOR;
    a plain one, for the machines that this is used on, is a single letter. A plain line is disturbed for 200 ms,
    rounded up to ticks, from a byte that is none; only urgent commands are heard then.
    """

    def __init__(self, machine: Machine, link: Link) -> None:
        self.machine = machine
        self.link = link
        self.commands = {c.message: n for n, c in enumerate(machine.commands) if c.link == link.name}
        self.dials = [(n, dial) for n, dial in enumerate(machine.dials) if dial.link == link.name]
        assert link.checked or (not self.dials and all(len(message) == 1 for message in self.commands))
        self.frame = b""
        self.quiet = 0  # the tick from which the line is quiet again

    def feed(self, byte: int, tick: int = 0) -> tuple[list[int], list[tuple[int, int]]]:
        """The commands and dials that this byte completes; it is there for ``tick``."""
        if not self.link.checked:
            number = self.commands.get(chr(byte))
            if number is None:
                self.quiet = self.quiet if byte in b"\r\n" else tick + -(-200 // self.machine.tick_ms) + 1
                return [], []
            return ([number] if tick >= self.quiet or self.machine.commands[number].urgent else []), []
        if byte == ord("$"):
            self.frame = b"$"
            return [], []
        if not self.frame:
            return [], []
        self.frame += bytes([byte])
        text, star, check = self.frame[1:].partition(b"*")
        if not star or len(check) < 2:
            return [], []
        self.frame = b""
        total = 0
        for each in text:
            total ^= each
        try:
            if int(check, 16) != total or check[:1] in b"+- _":
                return [], []
            said = text.decode("ascii")
        except ValueError:
            return [], []
        if said in self.commands:
            return [self.commands[said]], []
        for number, dial in self.dials:
            digits = said.removeprefix(dial.prefix)
            if said.startswith(dial.prefix) and digits.removeprefix("-").isdecimal() and len(digits) <= 6:
                value = int(digits) * int(1 / dial.unit.resolution)
                if dial.low <= value <= dial.high:
                    return [], [(number, value)]
        return [], []


class Damaging(Driver):
    """A driver whose lines lose, double and flip bytes, in about ``share`` of the messages."""

    def __init__(
        self, runner: ChipRunner, wired: Wired, sequence: Sequence[HeldInputs], seed: int, share: float
    ) -> None:
        super().__init__(runner, wired, sequence)
        self.random = Random(seed)
        self.share = share
        self.receivers = {link.name: Receiver(self.machine, link) for link in self.machine.links}
        self.damaged = 0

    def send(self, link_name: str, data: bytes, tick: int, behind: int) -> int:
        """As it says, but what arrives is what the receiver makes of the bytes; nothing is noted as it was meant."""
        bytes_there = b"".join(self.damage(byte, self.share / len(data)) for byte in data)
        if bytes_there:
            at = super().send(link_name, bytes_there, tick, behind)
            for byte in bytes_there:
                commands, dials = self.receivers[link_name].feed(byte, at)
                for command in commands:
                    self.sent.setdefault(at, []).append(command)
                for dial in dials:
                    self.turned.setdefault(at, []).append(dial)
        return -1

    def damage(self, byte: int, share: float) -> bytes:
        if self.random.random() >= share:
            return bytes([byte])
        self.damaged += 1
        how = self.random.randrange(3)
        return [b"", bytes([byte, byte]), bytes([byte ^ 1 << self.random.randrange(8)])][how]


def _moving(machine: Machine, random: Random, ticks: int) -> InputSequence:
    """The beginning of one of the machine's trials, up to where something moves; none now and then."""
    if not machine.trials or random.random() < 0.3:
        return ()
    whole = sequence_of(script(machine, random.choice(machine.trials)))
    places = [layout(machine).index["mode", part.name] for part in machine.parts]
    ends = [
        tick
        for tick, state in enumerate(Simulation(machine).run(each_tick(cut(whole, ticks))))
        if any(
            machine.is_moving(part, part.modes[state[place]]) for part, place in zip(machine.parts, places, strict=True)
        )
    ]
    return cut(whole, random.choice(ends) + 1) if ends else ()


def troubled(machine: Machine, seed: int, ticks: int) -> InputSequence:
    """A sequence at random, in which sensors die and come back, and a supply that is measured sags to its low end."""
    random = Random(seed)
    made = list(_moving(machine, random, ticks) or sequence(machine, seed, ticks, slow=20))
    for _ in range(random.choice([1, 2, 3]) if machine.sensors else 0):
        place = random.randrange(len(machine.sensors))
        begin = random.randrange(len(made) // 2, len(made))  # by then something is going on
        sensor = machine.sensors[place]
        if can_fail(sensor) and random.random() < 0.6:
            values: list[int | None] = [None] * random.choice([1, 3, 10])
        else:
            steps = random.choice([4, 12])
            values = [sensor.high - (sensor.high - sensor.low) * n // (steps - 1) for n in range(steps)]
        for at, value in zip(range(begin, len(made)), values, strict=False):
            old = made[at]
            made[at] = old._replace(readings=(*old.readings[:place], value, *old.readings[place + 1 :]))
    return tuple(made)


@dataclass
class Outcome:
    """What became of one run under faults: what was not as it must be; how many bytes were damaged, how often a promise
    was called in; and where each part stood at the reset, and at the end.
    """

    wrong: list[str] = field(default_factory=list)
    ticks: int = 0
    damaged: int = 0
    resets: int = 0
    promised: int = 0
    ends: list[ModeRef] = field(default_factory=list)


def run_under_faults(runner: ChipRunner, seed: int, ticks: int, share: float = 0.2) -> Outcome:
    """Two sequences with a reset in the middle of what the first was doing, on lines that damage bytes."""
    machine = runner.machine
    found = Outcome()
    with Wired(runner.made) as wired:
        for half in range(2):
            drive = Damaging(runner, wired, troubled(machine, 2 * seed + half, ticks), seed + half, share)
            if half:
                wired.chip.reset()
                found.resets += 1
                wired.run_to(wired.chip.now_us + 3000)
            drive.run()
            ran = runner.judge(wired, drive)
            found.wrong += ran.differences
            found.ticks += drive.ticks
            found.damaged += drive.damaged
            found.wrong += _at_rest_before(wired, drive)
            states = Simulation(machine).run(each_tick(ran.sampled))
            found.promised += _promises_at_pins(runner, wired, drive, states, found.wrong)
            where = layout(machine).index
            found.ends += [ModeRef(p.name, p.modes[states[-1][where["mode", p.name]]].name) for p in machine.parts]
    return found


def _levels(wired: Wired) -> PinLevels:
    return PinLevels([event for event in wired.chip.log if isinstance(event, PinEvent | PwmEvent)])


def _at_rest_before(wired: Wired, drive: Driver) -> list[str]:
    """From a reset (or power-on) until tick 0 nothing moves."""
    levels = _levels(wired)
    wrong = []
    at = drive.since_us + 1500
    while at < drive.begins_us:
        levels.advance(at)
        wrong += [
            f"before tick 0 pin {pin} is high for {levels.duty(drive.watched[pin]):.2f} of the time"
            for output in drive.machine.outputs
            if isinstance(output, Motor | Relay)
            for pin in pin_duties(output, 0)
            if levels.duty(drive.watched[pin]) > 0
        ]
        at += 5000
    return wrong[:3]


def _promises_at_pins(
    runner: ChipRunner, wired: Wired, drive: Driver, states: Sequence[State], wrong: list[str]
) -> int:
    """Every promise of stop modes, whenever its time has come: the pins of those parts are at rest then. How often one
    was called in.
    """
    machine = runner.machine
    called = 0
    resting = _resting(runner, wired, drive)
    for promise in machine.promises:
        if promise.kind not in ("once", "while") or promise.when is None:
            continue
        parts = {ref.part for ref in promise.modes}
        if not all(machine.part(ref.part).mode[ref.mode].stop for ref in promise.modes):
            continue
        see = observer(machine, promise.when)
        held = 0
        for tick, state in enumerate(states):
            true = see(state)
            held = held + 1 if true else 0
            due: range | None = None
            if promise.kind == "once" and true and tick + promise.ticks < len(states):
                due = range(tick, tick + promise.ticks + 1)
            elif promise.kind == "while" and held > promise.ticks:
                due = range(tick, tick + 1)
            if due is not None:
                called += 1
                if not any(all(part in resting[at] for part in parts) for at in due):
                    wrong.append(f"tick {tick}: “{promise.text or promise.kind}” does not hold at the pins")
    return called


def _resting(runner: ChipRunner, wired: Wired, drive: Driver) -> list[set[str]]:
    """On each tick, the parts whose motors and relays rest at their pins."""
    levels = _levels(wired)
    found = []
    for tick in range(drive.ticks):
        levels.advance(drive.time(tick + 0.35))
        moving = {
            part.name
            for part in runner.machine.parts
            for name in part.outputs
            for output in [runner.machine.output(name)]
            if isinstance(output, Motor | Relay)
            and any(levels.duty(drive.watched[pin]) > 0 for pin in pin_duties(output, 0))
        }
        found.append({part.name for part in runner.machine.parts} - moving)
    return found
