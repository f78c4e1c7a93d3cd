"""The bytes of a link as a tree: which byte leads where, and what is heard at its end."""

from __future__ import annotations

from dataclasses import dataclass, field

from statecraft.machine import Link, Machine


@dataclass
class TrieEdge:
    """``byte`` (a C++ character) leads to the node called ``to``; ``number`` says that digits follow there."""

    byte: str
    to: str
    number: bool


@dataclass
class TrieNode:
    """How far into a message a link is.

    Attributes:
        name: its enumerator. note: the bytes so far.
        edges: where a byte leads from here.
        numbers: how many numbers follow here. action: the C++ statement that hears the message which is whole here.
        urgent: that message is an urgent command.
    """

    name: str
    note: str = ""
    edges: list[TrieEdge] = field(default_factory=list)
    numbers: int = 0
    action: str = ""
    urgent: bool = False


def tree(machine: Machine, link: Link, commands: dict[str, str], dials: dict[str, str]) -> list[TrieNode]:
    """The nodes of ``link``: the start, those inside messages, those of numbers, then those at the end of messages.

    ``commands`` and ``dials``: C++ names by the machine's. Messages are prefix-free, so a node that ends one leads on
    to nothing, and what is heard is certain once its last byte has come.
    """
    actions: dict[str, str] = {
        command.message: f"behaviour::hear(behaviour::Command::{commands[command.name]});"
        for command in machine.commands
        if command.link == link.name and command.message is not None
    }
    urgent = {c.message for c in machine.commands if c.link == link.name and c.urgent}
    numbers = {each[0].prefix: each for each in machine.numbers() if each[0].link == link.name}
    texts = [*actions, *numbers]
    prefixes = list(dict.fromkeys(text[:length] for text in texts for length in range(1, len(text) + 1)))
    inner = [text for text in prefixes if text not in actions and text not in numbers]
    ordered = [*inner, *numbers, *actions]
    names = {text: f"part_{index}" for index, text in enumerate(inner, start=1)}
    names |= {text: f"number_{first.name}" for text, (first, *_) in numbers.items()}
    names |= {c.message: f"whole_{c.name}" for c in machine.commands if c.link == link.name and c.message in actions}
    names[""] = "start"
    nodes = []
    for text in ["", *ordered]:
        node = TrieNode(
            names[text], said(text) if text else "", numbers=len(numbers.get(text, ())), action=actions.get(text, "")
        )
        node.urgent = text in urgent
        if text in numbers:
            node.action = f"turn_{dials[numbers[text][0].name]}();"
        node.edges = [
            TrieEdge(character(longer[-1]), names[longer], longer in numbers)
            for longer in prefixes
            if longer[:-1] == text
        ]
        nodes.append(node)
    return nodes


def character(byte: str) -> str:
    """``byte`` as a C++ character."""
    if byte in "'\\":
        return f"'\\{byte}'"
    return f"'{byte}'" if byte.isprintable() and byte.isascii() else f"'\\x{ord(byte):02x}'"


def said(text: str) -> str:
    """``text`` for a comment."""
    return '"' + "".join(c if c.isprintable() and c not in "\\?" else f"<{ord(c):02x}>" for c in text) + '"'
