"""Messages of dials of which something asks whether they have come.

To the world of the proofs, where every input is free, such a message is one more command, of the dial's name, that no
row takes: it may be heard on any tick, ends its link's silence and sets its own clock to 0. That a dial's value is free
there, too, is said apart.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

from statecraft.machine import Command, Dial, Machine


@lru_cache(maxsize=64)
def with_dial_messages(machine: Machine) -> Machine:
    """``machine`` with a command for each of its :attr:`Machine.asked_dials`, behind all others; itself if it has none
    or they are there already."""
    made = tuple(Command(dial.name, dial.link, dial.prefix, None, place=dial.place) for dial in machine.asked_dials)
    return replace(machine, commands=(*machine.commands, *made)) if made else machine


@lru_cache(maxsize=64)
def dials_by_message(machine: Machine) -> dict[str, str]:
    """The dials whose message is such a command, each with its name."""
    commands = {command.name for command in with_dial_messages(machine).commands}
    first = {dial.name: machine.together(dial)[0].name for dial in machine.dials}
    return {dial: message for dial, message in first.items() if message in commands}


def other_dials(machine: Machine) -> tuple[Dial, ...]:
    """The dials of whose message nothing asks whether it has come: all it does besides is to end its link's silence."""
    asked = dials_by_message(machine)
    return tuple(dial for dial in machine.dials if dial.name not in asked)
