"""What a remote has to offer for one link of a machine: which buttons, what each says, and how often.

The remote's page, the command sheet and the bridge all take it from here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from shlex import quote

from statecraft.errors import StatecraftError
from statecraft.firmware.messages import message
from statecraft.folding import listed
from statecraft.machine import Command, Dial, Link, Machine, Taken
from statecraft.semantics import Decision, tick_of
from statecraft.semantics.guards import Reached, tests
from statecraft.semantics.keys import AbsenceClock

HOLD_MS = 100
"""How often a held command is sent where nothing in the file asks for more. A person takes twice that for a blink."""

OFTEN_MS = 40
"""No message is sent more often than this: at 9600 baud, twelve bytes take 12.5 ms."""

SELDOM_MS = 1000
"""A heartbeat comes at least this often, however long the link may be silent."""

SHARE = 3
"""So many messages fit into the time after which their lack counts: one or two may be lost on the way."""


class NoRemote(StatecraftError):
    """There is nothing that a remote could send; the message is one line that says why."""


@dataclass(frozen=True, slots=True)
class Button:
    """A command on the remote. ``every_ms``: how often it is sent while it is held; None when once is enough."""

    command: Command
    message: bytes
    every_ms: int | None

    @property
    def label(self) -> str:
        """What is written on it."""
        return self.command.label or self.command.name.replace("_", " ")


@dataclass(frozen=True, slots=True)
class Stick:
    """Two dials of one message under one thumb: ``up`` goes up and down, ``across`` to the sides. It springs back to
    where they start. ``every_ms``: how often it is sent while it is held, also where it stands still.
    """

    up: Dial
    across: Dial
    every_ms: int

    @property
    def label(self) -> str:
        """What is written on it."""
        return " and ".join(dial.label or dial.name.replace("_", " ") for dial in (self.up, self.across))


@dataclass(frozen=True, slots=True)
class Controls:
    """Everything that a remote offers on ``link``.

    Attributes:
        halts: the urgent commands that a failsafe asks about, in the file's order: the first is the halt.
        held: commands that are sent for as long as their button is pressed.
        once: commands that are sent once a press.
        beat: the command that only keeps the link from falling silent; None where the file has none.
        dials: numbers; those of one message side by side.
        sticks: those of them that come two in a message.
        again: how often, in ms, each other dial's message is sent while the dial is held: of those that rows ask to be
            ``absent``, or ``within`` a time.
    """

    machine: Machine
    link: Link
    halts: tuple[Button, ...]
    held: tuple[Button, ...]
    once: tuple[Button, ...]
    beat: Button | None
    dials: tuple[Dial, ...]
    sticks: tuple[Stick, ...] = ()
    again: Mapping[str, int] = field(default_factory=dict)

    @property
    def sliders(self) -> tuple[Dial, ...]:
        """The dials that are on no stick."""
        return tuple(dial for dial in self.dials if not any(dial in (stick.up, stick.across) for stick in self.sticks))

    @property
    def buttons(self) -> tuple[Button, ...]:
        """Every command of the link, the heartbeat too."""
        return (*self.halts, *self.held, *self.once, *([self.beat] if self.beat else []))

    @property
    def silent_ms(self) -> int | None:
        """After how long the link counts as silent; None when it never does."""
        return None if self.link.silent is None else self.link.silent * self.machine.tick_ms

    @property
    def share_of_line(self) -> float:
        """Which part of the line's time the heartbeat and the two busiest held commands take, ten bits a byte."""
        each = [len(button.message) / button.every_ms for button in self.held if button.every_ms]
        for stick in self.sticks:
            longest = [min(dial_numbers(dial), key=lambda n: -len(str(n))) for dial in (stick.up, stick.across)]
            each.append(len(dial_message(self.link, stick.up, *longest)) / stick.every_ms)
        beat = len(self.beat.message) / self.beat.every_ms if self.beat and self.beat.every_ms else 0.0
        return (sum(sorted(each)[-2:]) + beat) * 10_000 / self.link.baud


def dial_message(link: Link, dial: Dial, *shown: int) -> bytes:
    """The bytes that set ``dial`` to ``shown``, a whole number in the symbol of its unit; and the further dials of its
    message to the further ones.
    """
    return message(link, f"{dial.prefix}{','.join(map(str, shown))}", number=True)


def dial_numbers(dial: Dial) -> range:
    """The whole numbers that may follow its prefix."""
    scale = int(1 / dial.unit.resolution)
    return range(-(-dial.low // scale), dial.high // scale + 1)


def remote_links(machine: Machine) -> list[Link]:
    """The links on which an operator says something, those with a halt first."""
    halting = {command.link for command in machine.commands if command.urgent}
    speaking = {command.link for command in machine.commands} | {dial.link for dial in machine.dials}
    return sorted((link for link in machine.links if link.name in speaking), key=lambda link: link.name not in halting)


def controls(machine: Machine, link_name: str | None = None) -> Controls:
    """What a remote offers on the link of that name, or on the one that has the halt.

    Raises:
        NoRemote: there is no such link, or nothing comes from it.
    """
    links = remote_links(machine)
    if not links:
        raise NoRemote(
            f"{machine.name} has no command or dial that comes from a link, so there is nothing to send. "
            f"Declare a link and a command on it, or try it by hand:  statecraft bench {quote(machine.place.file)}"
        )
    link = next((link for link in links if link_name in (None, link.name)), None)
    if link is None:
        others = listed(each.name for each in links)
        raise NoRemote(f"{machine.name} hears nothing on a link '{link_name}'; on {others} it does")
    asked_by_failsafes = [test for made in _decisions(machine) if made.row.failsafe for test in tests(made.guard)]
    halting = {test.command for test in asked_by_failsafes if isinstance(test, Taken)}
    events, asked = machine.events(), _asked(machine)
    halts, held, once, beat = [], [], [], None
    for command in machine.commands:
        if command.link != link.name:
            continue
        said = message(link, command.message)
        if command.urgent and command.name in halting:
            halts.append(Button(command, said, None))
        elif command.held or command.name in asked:
            held.append(Button(command, said, _often(machine, link, asked.get(command.name))))
        elif command.name in events or beat is not None:
            once.append(Button(command, said, None))
        else:
            beat = Button(command, said, _often(machine, link, None, SELDOM_MS))
    if not halts:  # an urgent command that no failsafe asks about still overtakes the others
        halts = [button for button in once if button.command.urgent]
        once = [button for button in once if not button.command.urgent]
    dials = tuple(dial for dial in machine.dials if dial.link == link.name)
    pairs = [dials for dials in machine.numbers() if len(dials) == 2 and dials[0].link == link.name]
    soonest = [min((asked[dial.name] for dial in pair if dial.name in asked), default=None) for pair in pairs]
    sticks = tuple(Stick(*pair, _often(machine, link, ticks)) for pair, ticks in zip(pairs, soonest, strict=True))
    first = {dial.name: machine.together(dial)[0].name for dial in dials}
    again = {name: _often(machine, link, asked[message]) for name, message in first.items() if message in asked}
    return Controls(machine, link, tuple(halts), tuple(held), tuple(once), beat, dials, sticks, again)


def _asked(machine: Machine) -> dict[str, int]:
    """The shortest time, in ticks, for whose ``absent`` or ``within`` each command is asked."""
    found: dict[str, int] = {}
    for test in (test for made in _decisions(machine) for test in tests(made.guard)):
        if isinstance(test, Reached) and isinstance(test.clock, AbsenceClock):
            found[test.clock.command] = min(test.ticks, found.get(test.clock.command, test.ticks))
    return found


def _decisions(machine: Machine) -> Iterator[Decision]:
    for turn in tick_of(machine).parts:
        for decisions in turn.decisions:
            yield from decisions


def _often(machine: Machine, link: Link, asked: int | None, most: int = HOLD_MS) -> int:
    """How often, in ms, what must not be missing for ``asked`` ticks, or for the link's silence, is to be sent."""
    times = [ticks * machine.tick_ms // SHARE for ticks in (asked, link.silent) if ticks is not None]
    return max(OFTEN_MS, min([most, *times]))
