"""What is known of a file while it is being read: its mistakes, its tick, its names and parts."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from decimal import Decimal

from lark import Token, Tree

from statecraft.language.lines import Piece
from statecraft.language.mistakes import Mistakes
from statecraft.language.names import Entry, Names, article, at, clip
from statecraft.language.quantities import Measures, family, in_symbols, quantity
from statecraft.language.syntax import Syntax
from statecraft.machine import Constant, ModeRef, Place, Unit


@dataclass(slots=True)
class PartNames:
    """A part's modes and groups.

    Attributes:
        modes: every mode, in the order declared.
        members: every group's modes, nested groups expanded, in the order declared.
    """

    name: str
    place: Place
    names: Names
    modes: list[str] = field(default_factory=list)
    members: dict[str, tuple[str, ...]] = field(default_factory=dict)
    _order: dict[str, int] = field(default_factory=dict)

    def in_order(self, modes: Iterable[str]) -> tuple[str, ...]:
        """``modes`` without repeats, in the order declared."""
        if len(self._order) != len(self.modes):
            self._order = {mode: index for index, mode in enumerate(self.modes)}
        return tuple(sorted(set(modes), key=lambda mode: self._order.get(mode, 0)))

    def expand(self, entry: Entry) -> tuple[str, ...]:
        """The modes that a mode or group stands for."""
        return (entry.name,) if entry.kind == "mode" else self.members.get(entry.name, ())


class Context:
    """Shared by everything that reads one machine.

    Attributes:
        names: commands, dials, sensors, switches, outputs, levels, counters, constants and links: one space, as
            conditions mix them.
        part_names: the parts by name; a machine without ``part`` lines has one, of the machine's name.
        parts: the same, with their modes and groups.
        cut: the file has ``part`` lines.
        dial_setters: the dials that rows set or copy, with the part whose rows do, and where the first one does.
    """

    def __init__(self, mistakes: Mistakes, syntax: Syntax) -> None:
        self.mistakes = mistakes
        self.syntax = syntax
        self.measures = Measures(mistakes)
        self.names = Names(mistakes)
        self.part_names = Names(mistakes)
        self.parts: dict[str, PartNames] = {}
        self._owners: dict[str, list[PartNames]] | None = None
        self.cut = False
        self.dial_setters: dict[str, tuple[str, Place]] = {}

    # ------------------------------------------------------------------------------------------------------- amounts

    def ticks(self, node: Tree[Token], piece: Piece, what: str, *, least: int = 0) -> int | None:
        """The duration that an ``amount`` or ``quantity`` tree gives, in ticks; None, noted, if it is none."""
        value = node if node.data == "quantity" else node.children[0]
        if isinstance(value, Tree):
            return self.measures.ticks(quantity(value, piece), what, least=least)
        constant = self._constant(value, piece, None, what)
        if constant is not None and constant.value < least:
            message = f'{what[0].upper()}{what[1:]} of "{value}" is too short'
            self.mistakes.add(piece.place(value), message, "Use a longer one.", code="too-short")
            return None
        return constant.value if constant is not None else None

    def steps(
        self, node: Tree[Token] | Token, piece: Piece, unit: Unit, what: str, resolution: Decimal | None = None
    ) -> int | None:
        """An ``amount``, a ``quantity`` or a constant's name, in steps of ``unit``; None, noted, if it is none, or is
        finer than ``resolution``."""
        if isinstance(node, Tree) and node.data == "amount":
            child = node.children[0]
            return self.steps(child, piece, unit, what, resolution)
        if isinstance(node, Tree):
            return self.measures.steps(quantity(node, piece), unit, what, resolution=resolution)
        constant = self._constant(node, piece, unit, what)
        if constant is not None and resolution is not None and constant.value * unit.resolution % resolution:
            message = f'The constant "{node}" is {unit.show(constant.value)}, which is finer than {what} can tell'
            self.mistakes.add(piece.place(node), message, f"Its steps are {resolution} {unit.symbol}.", code="too-fine")
            return None
        return constant.value if constant is not None else None

    def _constant(self, token: Token, piece: Piece, unit: Unit | None, what: str) -> Constant | None:
        entry = self.names.find(token, piece, "constant", wanted=f"{family(unit)} or the name of a constant")
        constant: Constant | None = entry.item if entry is not None else None
        if constant is not None and constant.unit is Unit.PERCENT and unit is Unit.RATIO:
            return replace(constant, unit=unit, value=int(constant.value * Unit.PERCENT.resolution / unit.resolution))
        if constant is not None and constant.unit is not unit:
            message = f'The constant "{token}" is {family(constant.unit)}; for {what} it must be {family(unit)}'
            hint = f"Use a constant {in_symbols(unit)}, or write a number here."
            self.mistakes.add(piece.place(token), message, hint, code="wrong-unit")
            return None
        return constant

    # --------------------------------------------------------------------------------------------------------- modes

    def mode_or_group(self, part: PartNames, token: Token, piece: Piece) -> Entry | None:
        """The mode or group of ``part`` that ``token`` names; None, with the mistake noted, if none."""
        return part.names.find(token, piece, "mode", "group", wanted="a mode or group")

    def owners(self, name: str) -> list[PartNames]:
        """The parts that have a mode or group of that name (or one whose declaration could not be read).

        To be asked only once every name is taken.
        """
        if self._owners is None:
            self._owners = {}
            for part in self.parts.values():
                for each in part.names.entries:
                    self._owners.setdefault(each, []).append(part)
        return self._owners.get(name, [])

    def find_mode(self, tokens: list[Token], piece: Piece) -> tuple[PartNames, Entry] | None:
        """The mode or group that ``MODE`` or ``PART in MODE`` names; None, with the mistake noted, if none."""
        token = tokens[-1]
        if len(tokens) == 2:
            entry = self.part_names.find(tokens[0], piece, "part")
            if entry is None or entry.name not in self.parts:
                return None
            part = self.parts[entry.name]
            found = self.mode_or_group(part, token, piece)
            return (part, found) if found is not None else None
        owners = self.owners(str(token))
        if len(owners) == 1:
            entry = owners[0].names.get(str(token))
            return (owners[0], entry) if entry is not None and entry.kind else None
        place = piece.place(token)
        if owners:
            ways = " or ".join(f"{part.name} in {token}" for part in owners)
            message = f'{len(owners)} parts have something called "{token}"'
            self.mistakes.add(place, message, f"Say which: {ways}.", code="ambiguous")
            return None
        entry = self.names.get(str(token))
        if entry is not None and not entry.kind:
            return None
        hint = ""
        if not self.mistakes.tired:
            known = [name for part in self.parts.values() for name in part.names.of_kind(("mode", "group"))]
            meant = self.mistakes.nearest(str(token), known)
            hint = f'Did you mean "{meant}"?' if meant else f"There are: {', '.join(known[:6])}." if known else ""
        if entry is not None:
            where = at(entry.place, place)
            message = f'"{token}" is {article(entry.kind)} ({where}), but here a mode or group is needed'
            self.mistakes.add(place, message, hint, code="wrong-kind")
        else:
            self.mistakes.add(place, f'There is no mode or group "{clip(str(token))}"', hint, code="unknown-name")
        return None

    def mode_refs(self, tree: Tree[Token], piece: Piece) -> tuple[ModeRef, ...] | None:
        """The modes that a ``modes`` tree names, groups expanded; None, with the mistakes noted, if any is wrong."""
        refs: dict[ModeRef, None] = {}
        sound = True
        for item in tree.children:
            assert isinstance(item, Tree)
            found = self.find_mode(list(names_in(item)), piece)
            if found is None:
                sound = False
                continue
            part, entry = found
            refs.update(dict.fromkeys(ModeRef(part.name, mode) for mode in part.expand(entry)))
        return tuple(refs) if sound else None


def names_in(tree: Tree[Token]) -> Iterator[Token]:
    """The names directly in ``tree``."""
    return (child for child in tree.children if isinstance(child, Token) and child.type == "NAME")


def tree_in(tree: Tree[Token], *kinds: str) -> Tree[Token] | None:
    """The first tree of these kinds directly in ``tree``."""
    return next((child for child in tree.children if isinstance(child, Tree) and child.data in kinds), None)
