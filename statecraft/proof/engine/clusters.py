"""What inputs can do: the sensors, dials and switches of a machine, cut into clusters that know nothing of each other.

Comparisons tie the terms that they compare together, and a level ties together all that it reads. What is left apart is
independent, since every input is free on every tick. Within a *cluster* the ways in which its comparisons, faults and
switches can come out together are its *cells*; what its levels remember is its *state*; and a *pair* of the two decides
what its levels are on this tick, and so its next state. Pairs are numbered, and sets of them are integers with those
bits set: an atom is the set of pairs on which it is true.

A reading held steady is remembered as the cell of its anchor. Whether a reading in one cell can be within the band of
an
anchor in another, or outside it, is decided by the cells alone, so that here and only here more may be thought possible
than is: exact as long as every reading of a cell would do, else an over-approximation (:attr:`Cluster.exact`).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TypeGuard

from statecraft.folding import listed
from statecraft.machine import (
    And,
    Atom,
    Compare,
    Condition,
    Fault,
    InMode,
    Level,
    LevelOn,
    Not,
    Or,
    Silent,
    Steady,
    SwitchOn,
    Term,
    atoms,
    numbered,
    sensors_of,
)
from statecraft.proof.engine.conditions import Ranges, Values, cells, satisfy, terms_of
from statecraft.proof.engine.limits import TooWide, look

Known = tuple[bool, ...]
"""Answers to :attr:`Cluster.questions`."""

Source = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Held:
    """The question whether the ``set`` or ``clear`` condition of a level with ``for``, if true now, has been so long
    enough."""

    word: str
    level: str


@dataclass(frozen=True, slots=True)
class Ripe:
    """The question whether a steady atom's clock has reached its time."""

    atom: Steady


Question = Held | Ripe | InMode | Compare | Silent
"""What is no input and no memory of the cluster, and decides what its pairs do: a comparison is one of counters."""


@dataclass(frozen=True, slots=True)
class InputCell:
    """One way in which the inputs of a cluster can come out, with readings and switches for it.

    ``moved``: the steady atoms whose reading leaves the band of its anchor.
    """

    true: frozenset[Atom]
    values: Values
    switches: tuple[tuple[str, bool], ...]
    moved: frozenset[Steady]


@dataclass(frozen=True, slots=True)
class PairGroup:
    """Pairs that leave the levels with ``for`` in the same state and set the same clocks to 0."""

    pairs: int
    fors: tuple[bool, ...]
    reset: frozenset[str]


@dataclass(frozen=True, slots=True)
class ClusterTable:
    """What the pairs of a cluster do, once its questions are answered.

    Attributes:
        levels: for each level, the pairs after which it is on.
        steady: for each steady atom, the pairs on which it is true.
        into: for each next state, the pairs that lead to it; those that lead nowhere are left out.
        next: the next state of each pair.
        groups: the pairs, by what they do to clocks.
        possible: the pairs that there can be.
        clash: for each level, the pairs on which its set and its clear condition are both true.
    """

    levels: dict[str, int]
    steady: dict[Steady, int]
    into: tuple[tuple[int, int], ...]
    next: tuple[int, ...]
    groups: tuple[PairGroup, ...]
    possible: int
    clash: dict[str, int]


MOST_ASKED = 3000
"""How many comparisons and faults a cluster may have: each of its cells says which of them are true."""

MOST_PAIRS = 60_000
"""How many pairs of a state and a cell a cluster may have: its tables would take seconds and hundreds of megabytes."""


MOST_NAMED = 5
"""How many of the things that are too much are named."""


class Cluster:
    """Inputs and levels that are bound up with each other.

    Attributes:
        index: its number among the machine's clusters; those with levels come first.
        levels: its levels, in written order.
        fors: those of them with a ``for``, whose clocks need their state known.
        steadies: the steady atoms that its levels read.
        questions: what its table depends on.
        start: the set of its states before tick 0 (a set of one).
    """

    def __init__(self, levels: Sequence[Level], inputs: Sequence[Atom], ranges: Ranges) -> None:
        self.index = -1
        self.levels = tuple(levels)
        self.ranges = ranges
        self.fors = tuple(level for level in levels if level.set_ticks or level.clear_ticks)
        read = [atom for level in levels for condition in (level.set, level.clear) for atom in atoms(condition)]
        self.steadies = tuple(dict.fromkeys(atom for atom in read if isinstance(atom, Steady)))
        questions: list[Question] = [a for a in dict.fromkeys(read) if isinstance(a, InMode | Silent) or _is_counted(a)]
        for atom in read:
            if isinstance(atom, Compare) and not _is_counted(atom) and any(t.kind == "counter" for t in terms_of(atom)):
                names = _as_written(term.name for term in terms_of(atom))
                raise TooWide(
                    f"a level that remembers compares {names} with each other, which is not followed; comparing them "
                    "in rows would help"
                )
        for level in self.fors:
            questions += [Held("set", level.name)] if level.set_ticks else []
            questions += [Held("clear", level.name)] if level.clear_ticks else []
        questions += [Ripe(atom) for atom in self.steadies]
        self.questions: tuple[Question, ...] = tuple(questions)
        self.inputs = tuple(dict.fromkeys([*inputs, *self._told_apart(inputs)]))
        self.cells = list(self._cells())
        states = math.prod(len(self._signatures(atom)) + 1 for atom in self.steadies) << len(self.levels)
        self.states = list(self._states()) if len(self.cells) * states <= MOST_PAIRS else []
        if not self.states:
            raise self._bound_up()
        self._tables: dict[Known, ClusterTable] = {}
        self._states_of: dict[int, int] = {}
        self.pairs = len(self.states) * len(self.cells)
        self.all = (1 << self.pairs) - 1
        self.start = 1 << self.states.index((*(level.starts_on for level in levels), *(-1 for _ in self.steadies)))
        self._from = [((1 << len(self.cells)) - 1) << (state * len(self.cells)) for state in range(len(self.states))]

    def _sources(self) -> list[str]:
        """The sensors, switches and dials that are bound up with each other here."""
        return sorted({name for atom in self.inputs for _, name in _sources(atom)})

    def _bound_up(self) -> TooWide:
        names = _as_written([*self._sources(), *(level.name for level in self.levels)])
        return TooWide(
            f"too much depends on {names} at once; fewer comparisons of them, or fewer of them in one level, would help"
        )

    # ------------------------------------------------------------------------------------------------- cells and states

    def _cells(self) -> Iterable[InputCell]:
        numeric = [atom for atom in self.inputs if isinstance(atom, Compare | Fault)]
        if len(numeric) > MOST_ASKED:
            raise TooWide(
                f"there are too many comparisons of {_as_written(self._sources())} at once, one for each value of a "
                "counter; fewer values, by a smaller range, would help"
            )
        knots = [cells(knot, self.ranges) for knot in knots_of(numeric)]
        switches = [atom for atom in self.inputs if isinstance(atom, SwitchOn)]
        if math.prod(map(len, knots)) << len(switches) > MOST_PAIRS:
            raise self._bound_up()
        for some in itertools.product(*knots):
            look()
            true: frozenset[Atom] = frozenset(atom for cell in some for atom in cell.true)
            values = {term: value for cell in some for term, value in cell.values.items()}
            for states in itertools.product((False, True), repeat=len(switches)):
                on: frozenset[Atom] = frozenset(s for s, state in zip(switches, states, strict=True) if state)
                said = tuple((s.switch, state) for s, state in zip(switches, states, strict=True))
                valid = [atom for atom in self.steadies if Fault(atom.sensor) not in true]
                anchors = list(dict.fromkeys((atom.sensor, atom.band) for atom in valid))
                for moves in itertools.product((False, True), repeat=len(anchors)):
                    left = {anchor for anchor, move in zip(anchors, moves, strict=True) if move}
                    moved = frozenset(atom for atom in valid if (atom.sensor, atom.band) in left)  # they move as one
                    yield InputCell(true | on, values, said, moved)

    def _states(self) -> Iterable[tuple[int, ...]]:
        """Level bits, then for each steady atom the index of its anchor's signature, -1 for none."""
        bits = itertools.product((False, True), repeat=len(self.levels))
        anchors = [range(-1, len(self._signatures(atom))) for atom in self.steadies]
        for levels in bits:
            for some in itertools.product(*anchors):
                yield (*levels, *some)

    def _told_apart(self, inputs: Sequence[Atom]) -> Iterable[Compare]:
        """Comparisons that tell the readings below and above one apart where only ``==`` and ``!=`` ask about it: an
        anchor is one of them."""
        steady = {atom.sensor for atom in self.steadies}
        for each in inputs:
            if isinstance(each, Compare) and each.left.name in steady and each.right is None and len(_cuts(each)) > 1:
                yield Compare(each.left, ">=", None, each.offset)

    def _signatures(self, atom: Steady) -> list[tuple[int, int]]:
        """The spans of readings of the steady atom's sensor within which no comparison with a constant changes. Where a
        counter's anchor stands is not told."""
        if atom.kind == "counter":
            return [(0, 0)]
        term = Term("sensor", atom.sensor)
        low, high = self.ranges[term][:2]
        cuts = {low, high + 1}
        for each in self.inputs:
            if isinstance(each, Compare) and each.left == term and each.right is None:
                cuts |= {cut for cut in _cuts(each) if low < cut <= high}
        edges = sorted(cuts)
        return [(start, end - 1) for start, end in itertools.pairwise(edges)]

    def _signature(self, atom: Steady, value: int) -> int:
        return next(i for i, (low, high) in enumerate(self._signatures(atom)) if low <= value <= high)

    def _can(self, atom: Steady, anchor: int, cell: InputCell) -> bool:
        """Whether a reading of ``cell`` may be within the band of an anchor (or outside it, if the cell moves it)."""
        if atom.kind == "counter" or Fault(atom.sensor) in cell.true:
            return atom.kind == "sensor" or anchor >= 0 or atom in cell.moved
        moves = atom in cell.moved
        if anchor < 0:
            return moves
        a_low, a_high = self._signatures(atom)[anchor]
        value = cell.values[Term("sensor", atom.sensor)]
        assert value is not None
        low, high = self._signatures(atom)[self._signature(atom, value)]
        if moves:
            return max(high - a_low, a_high - low) > atom.band
        return max(low - a_high, a_low - high) <= atom.band

    @cached_property
    def exact(self) -> bool:
        """Whether nothing more is thought possible here than is."""
        return not self.steadies

    # ------------------------------------------------------------------------------------------------------- conditions

    def mask(self, test: Callable[[tuple[int, ...], InputCell], bool]) -> int:
        """The pairs that pass ``test``."""
        made, bit = 0, 1
        for state in self.states:
            look(len(self.cells))
            for cell in self.cells:
                if test(state, cell):
                    made |= bit
                bit <<= 1
        return made

    @cached_property
    def of_input(self) -> dict[Atom, int]:
        """For each comparison, fault and switch, the pairs on which it is true."""
        made: dict[Atom, int] = {}
        for atom in self.inputs:
            look(1 + len(self.cells) // 16)
            row = sum(1 << place for place, cell in enumerate(self.cells) if atom in cell.true)
            made[atom] = sum(row << (state * len(self.cells)) for state in range(len(self.states)))
        return made

    def where(self, condition: Condition, known: Callable[[Atom], int]) -> int:
        """The pairs on which ``condition`` is true; ``known`` says on which its atoms are."""
        match condition:
            case Not(of):
                return self.all & ~self.where(of, known)
            case And(of):
                made = self.all
                for each in of:
                    made &= self.where(each, known)
                return made
            case Or(of):
                made = 0
                for each in of:
                    made |= self.where(each, known)
                return made
            case _:
                return known(condition)

    # ----------------------------------------------------------------------------------------------------------- tables

    def table(self, answers: Known) -> ClusterTable:
        """What the pairs do, given ``answers`` to :attr:`questions`."""
        if answers not in self._tables:
            self._tables[answers] = self._table(dict(zip(self.questions, answers, strict=True)))
        return self._tables[answers]

    def _table(self, answers: dict[Question, bool]) -> ClusterTable:
        possible = self.all
        steady: dict[Steady, int] = {}
        resets: dict[str, int] = {}
        for place, atom in enumerate(self.steadies, len(self.levels)):
            possible &= self._possible(place, atom)
            lost = self.of_input[Fault(atom.sensor)] if atom.kind == "sensor" else 0
            moved = self._moving(atom)
            ripe = self.all if answers[Ripe(atom)] else 0
            steady[atom] = self.all & ~lost & (ripe & ~moved if atom.ticks else self.all)
            resets[steady_clock(atom)] = lost | moved
        levels: dict[str, int] = {}
        clash: dict[str, int] = {}

        def known(atom: Atom) -> int:
            match atom:
                case LevelOn(level):
                    return levels[level] if level in levels else before[places[level]]
                case InMode() | Silent():
                    return self.all if answers[atom] else 0
                case Compare() if _is_counted(atom):
                    return self.all if answers[atom] else 0
                case Steady():
                    return steady[atom]
                case _:
                    return self.of_input[atom]

        before = [self._on_before(place) for place in range(len(self.levels))]
        places = numbered(self.levels)
        for place, level in enumerate(self.levels):
            on, off = self.where(level.set, known), self.where(level.clear, known)
            clash[level.name] = on & off & possible
            if level.set_ticks:
                resets[f"set {level.name}"] = self.all & ~on
                on = on if answers[Held("set", level.name)] else 0
            if level.clear_ticks:
                resets[f"clear {level.name}"] = self.all & ~off
                off = off if answers[Held("clear", level.name)] else 0
            if level.on_if_in_doubt:
                for sensor in read_by(level):
                    on |= self.of_input[Fault(sensor)]
            levels[level.name] = on | (before[place] & ~off)
        return self._finished(possible, levels, steady, resets, clash)

    def _possible(self, place: int, atom: Steady) -> int:
        """The pairs on which the reading of a steady atom can be as its cell says; its anchor stands at ``place``."""
        return self.mask(lambda state, cell: self._can(atom, state[place], cell))

    def _moving(self, atom: Steady) -> int:
        """The pairs on which the reading leaves the band of its anchor."""
        return self.mask(lambda _, cell: atom in cell.moved)

    def _on_before(self, place: int) -> int:
        """The pairs from states in which a level is on."""
        return self.mask(lambda state, _: bool(state[place]))

    def _finished(
        self,
        possible: int,
        levels: dict[str, int],
        steady: dict[Steady, int],
        resets: dict[str, int],
        clash: dict[str, int],
    ) -> ClusterTable:
        numbers = {state: number for number, state in enumerate(self.states)}
        into: dict[int, int] = {}
        groups: dict[tuple[tuple[bool, ...], frozenset[str]], int] = {}
        following: list[int] = []
        bit = 1
        for state in self.states:
            look(len(self.cells))
            for cell in self.cells:
                bits = tuple(bool(levels[level.name] & bit) for level in self.levels)
                after = numbers[(*bits, *(self._anchor(atom, state, cell) for atom in self.steadies))]
                following.append(after)
                if possible & bit:
                    into[after] = into.get(after, 0) | bit
                    fors = tuple(bool(levels[level.name] & bit) for level in self.fors)
                    key = (fors, frozenset(clock for clock, pairs in resets.items() if pairs & bit))
                    groups[key] = groups.get(key, 0) | bit
                bit <<= 1
        return ClusterTable(
            {name: pairs & possible for name, pairs in levels.items()},
            {atom: pairs & possible for atom, pairs in steady.items()},
            tuple(sorted(into.items())),
            tuple(following),
            tuple(PairGroup(pairs, fors, reset) for (fors, reset), pairs in groups.items()),
            possible,
            clash,
        )

    def _anchor(self, atom: Steady, state: tuple[int, ...], cell: InputCell) -> int:
        if Fault(atom.sensor) in cell.true:
            return -1
        before = state[len(self.levels) + self.steadies.index(atom)]
        if atom not in cell.moved:
            return before
        if atom.kind == "counter":
            return 0
        value = cell.values[Term("sensor", atom.sensor)]
        assert value is not None
        return self._signature(atom, value)

    def pairs_from(self, states: int) -> int:
        """The pairs of a set of states."""
        made = 0
        for state, pairs in enumerate(self._from):
            if states >> state & 1:
                made |= pairs
        return made

    def states_of(self, pairs: int) -> int:
        """The set of states that some of ``pairs`` are of."""
        found = self._states_of.get(pairs)
        if found is None:
            found = self._states_of[pairs] = sum(1 << state for state, own in enumerate(self._from) if own & pairs)
        return found

    def constant(self, cell: int, standing: bool = True) -> int:
        """The pairs on which the inputs stay as in ``cell``: a reading that does not change leaves the band of its
        anchor once at most, since it is the anchor then; and so does a counter, if those are ``standing``."""
        wanted = self.cells[cell]

        def stays(state: tuple[int, ...], other: InputCell) -> bool:
            if other.true != wanted.true or other.switches != wanted.switches:
                return False
            for place, atom in enumerate(self.steadies, len(self.levels)):
                if not standing and atom.kind == "counter":
                    continue
                if atom in other.moved and state[place] == self.signature(atom, other):
                    return False
            return True

        return self.mask(stays)

    @cached_property
    def at_rest(self) -> int:
        """For each state a pair that keeps it and lets no clock run in it, whatever clocks have come to; no pair at all
        where some state has none, or where other things than clocks are asked."""
        if any(not isinstance(question, Held) for question in self.questions):
            return 0
        table = self.table(tuple(True for _ in self.questions))
        made = 0
        for number, state in enumerate(self.states):
            on = dict(zip((level.name for level in self.levels), state, strict=False))
            ends = {Held("clear" if on[each.name] else "set", each.name) for each in self.fors}
            running = {f"{each.word} {each.level}" for each in ends.intersection(self.questions)}
            quiet = sum(group.pairs for group in table.groups if running <= group.reset) & self._from[number]
            stays = next((1 << p for p, to in enumerate(table.next) if to == number and quiet >> p & 1), 0)
            if not stays:
                return 0
            made |= stays
        return made

    def signature(self, atom: Steady, cell: InputCell) -> int:
        """The index of the span in which the steady atom's sensor reads in ``cell``; -1 in fault."""
        if atom.kind == "counter":
            return 0
        value = cell.values[Term("sensor", atom.sensor)]
        return -1 if value is None else self._signature(atom, value)

    def span_of(self, atom: Steady, cell: InputCell) -> tuple[int, int]:
        """The readings of the steady atom's sensor in ``cell`` (not in fault), as far as constants bound them."""
        return self._signatures(atom)[self.signature(atom, cell)]

    def leading(self, table: ClusterTable, pairs: int, states: int) -> int:
        """The set of states from which one of ``pairs`` leads to one of ``states``."""
        pairs &= sum(into for state, into in table.into if states >> state & 1)
        made = 0
        for state, own in enumerate(self._from):
            if own & pairs:
                made |= 1 << state
        return made

    def image(self, table: ClusterTable, pairs: int) -> int:
        """The set of states that ``pairs`` lead to."""
        made = 0
        for state, leading in table.into:
            if leading & pairs:
                made |= 1 << state
        return made


def _as_written(names: Iterable[str]) -> str:
    """Those of ``names`` that the file has (no other has a space in it), as far as they can be taken in."""
    known = [name for name in dict.fromkeys(names) if " " not in name] or ["what is free"]
    more = len(known) - MOST_NAMED
    return listed([*known[:MOST_NAMED], f"{more} more"] if more > 1 else known)


def _cuts(atom: Compare) -> tuple[int, ...]:
    """The readings at which a comparison with a constant comes out otherwise than for the one below."""
    match atom.op:
        case "<" | ">=":
            return (atom.offset,)
        case "<=" | ">":
            return (atom.offset + 1,)
        case _:
            return atom.offset, atom.offset + 1


def steady_clock(atom: Steady) -> str:
    """The name of a steady atom's clock."""
    return f"steady {atom.sensor} {atom.band} {atom.ticks}"


def read_by(level: Level) -> tuple[str, ...]:
    """The sensors that ``level`` reads itself: those that put it in doubt."""
    return tuple(dict.fromkeys([*sensors_of(level.set), *sensors_of(level.clear)]))


def knots_of(numeric: Sequence[Compare | Fault]) -> list[list[Compare | Fault]]:
    """``numeric`` in groups whose terms no comparison ties to those of another."""
    owner: dict[Term, int] = {}
    knots: dict[int, list[Compare | Fault]] = {}  # the one that grew last stands last
    for number, atom in enumerate(numeric):
        terms = terms_of(atom) if isinstance(atom, Compare) else (Term("sensor", atom.sensor),)
        tied = {owner[term] for term in terms if term in owner}
        merged, own = [atom], number
        if len(tied) == 1:  # as a rule, and then nothing is copied
            (own,) = tied
            merged = knots.pop(own)
            merged.append(atom)
        elif tied:
            for old in [each for each in knots if each in tied]:
                merged = [*knots.pop(old), *merged]
            owner |= {term: own for term, old in owner.items() if old in tied}
        knots[own] = merged
        owner |= dict.fromkeys(terms, own)
    return list(knots.values())


def clusters_of(levels: Sequence[Level], inputs: Iterable[Atom], ranges: Ranges) -> tuple[Cluster, ...]:
    """The clusters of ``levels`` and of the comparisons, faults and switches in ``inputs`` (levels' own included)."""
    parent: dict[Source, Source] = {}

    def root(source: Source) -> Source:
        parent.setdefault(source, source)
        while parent[source] != source:
            source = parent[source]
        return source

    def tie(sources: Sequence[Source]) -> None:
        for source in sources:
            parent[root(source)] = root(sources[0])

    asked: dict[Atom, None] = {}
    for level in levels:
        tied: list[Source] = [("level", level.name)]
        for condition in (level.set, level.clear):
            for atom in atoms(condition):
                tied += _sources(atom)
                asked |= dict.fromkeys(_inputs(atom))
        asked |= {Fault(sensor): None for sensor in read_by(level) if level.on_if_in_doubt}
        tie(tied)
    for atom in inputs:
        for each in _inputs(atom):
            asked[each] = None
            tie(_sources(each))
    with_levels: dict[Source, list[Level]] = {}
    for level in levels:
        with_levels.setdefault(root(("level", level.name)), []).append(level)
    by_root: dict[Source, list[Atom]] = {source: [] for source in with_levels}
    for atom in asked:
        by_root.setdefault(root(_sources(atom)[0]), []).append(atom)
    made = tuple(Cluster(with_levels.get(source, []), some, ranges) for source, some in by_root.items())
    for index, cluster in enumerate(made):
        cluster.index = index
    return made


def _inputs(atom: Atom) -> list[Atom]:
    """``atom`` as far as inputs decide it."""
    if isinstance(atom, Steady):
        return [Fault(atom.sensor)] if atom.kind == "sensor" else []
    return [atom] if isinstance(atom, Compare | Fault | SwitchOn) and not _is_counted(atom) else []


def _is_counted(atom: Atom) -> TypeGuard[Compare]:
    """Whether ``atom`` compares counters alone: what it asks is no input."""
    return isinstance(atom, Compare) and all(term.kind == "counter" for term in terms_of(atom))


def _sources(atom: Atom) -> list[Source]:
    match atom:
        case Compare() if not _is_counted(atom):
            return [(term.kind, term.name) for term in terms_of(atom)]
        case Fault(sensor):
            return [("sensor", sensor)]
        case Steady(name, kind=kind):
            return [(kind, name)]
        case SwitchOn(switch):
            return [("switch", switch)]
        case LevelOn(level):
            return [("level", level)]
        case _:
            return []


def overlaps(level: Level, ranges: Ranges) -> bool:
    """Whether ``set`` and ``clear`` of ``level`` can both be true."""
    return satisfy(both(level), ranges) is not None


def both(level: Level) -> Condition:
    """That ``set`` and ``clear`` of ``level`` are both true: what has been steady for long has been for less, within
    the same band, since the two have one anchor."""
    steady = {a for condition in (level.set, level.clear) for a in atoms(condition) if isinstance(a, Steady)}
    order = (
        Or((shorter, Not(longer)))
        for shorter, longer in itertools.permutations(sorted(steady, key=steady_clock), 2)
        if (shorter.sensor, shorter.band) == (longer.sensor, longer.band) and shorter.ticks < longer.ticks
    )
    return And((level.set, level.clear, *order))


def clear_in_doubt(level: Level, ranges: Ranges) -> bool:
    """Whether ``level`` can be put on by a fault while its clear condition is true."""
    return level.on_if_in_doubt and any(
        satisfy(And((level.clear, Fault(sensor))), ranges) is not None for sensor in read_by(level)
    )
