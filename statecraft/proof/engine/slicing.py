"""A slice of a machine: what a question needs is followed, all else is an input, free on every tick.

Almost every question is about one or two ticks of one part. So nearly everything is forgotten: the modes of other
parts, counters, what levels remember, how long their conditions have lasted, clocks. What is forgotten becomes a dial
(no name in a machine has a space in it; the names of these do), and the machine that is left is explored as any other.

Why a slice may be relied on. Take any run of the machine. On each tick give every dial the value that the thing it
stands for had *where the machine read it*: then the same rows decide in the slice, what is followed takes the same
values, and so every run of the machine is one of the slice. Hence what no run of the slice does, no run of the machine
does: a promise kept there is kept, a row that never decides there never decides, a level that cannot overlap there
cannot. What the slice *can* do is a suspicion: its run, less the dials, is played to the simulation, the judge.
Whether something *can be reached* does not carry over at all, see :mod:`statecraft.proof.slices`.

For the argument to hold, a thing that is read at two moments of a tick has a dial for each:

- The mode of a part that is not followed is read *before* it decides (by levels, by itself and by the parts written
  before it) and *after* (by the parts written after it and by observers). The same holds for counters that rows change;
  what an observer sees of one whose part is followed comes of what it was before, and of the row that decided
  (:mod:`statecraft.proof.engine.left_by_rows`).
- A clock is read after it has advanced, and set to 0 in step 4 only if its part enters something: the slice knows of
  the parts that it follows that they do. A gate is judged as if entered: its clocks are 0 and no dial. See
  :class:`statecraft.proof.engine.model.SymbolicModel`.
- A level is decided once, in step 3, from the modes before the tick: where a row or an observer would see a followed
  part's mode after it, the level reads a dial for the mode before.

A level whose memory is not followed is *inlined*: it is on if its set condition holds (and has lasted: a free switch),
or it is in doubt, or it was on before (a free switch) and its clear condition does not hold (or has not lasted). So it
is exact on every tick on which its condition says what it is, and ties no sensors to each other.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

from statecraft.machine import (
    And,
    Compare,
    Condition,
    Counter,
    Dial,
    Fault,
    Follows,
    InMode,
    Level,
    LevelOn,
    Machine,
    Mode,
    Not,
    Or,
    Part,
    Row,
    Setting,
    Silent,
    Steady,
    Term,
    Unit,
    atoms,
    numbered,
    terms_of_setting,
)
from statecraft.proof.engine.clusters import read_by
from statecraft.proof.engine.conditions import ranges_of
from statecraft.proof.engine.left_by_rows import LeftByRows, LeftValues, alone, copied, set_to, stepped
from statecraft.proof.engine.model import clock_dial, definitions
from statecraft.proof.engine.observer import outputs_of, possible_atoms
from statecraft.semantics import tick_of
from statecraft.semantics.cone import levels_read, tests_read
from statecraft.semantics.decisions import CounterChange, SetCounter, StepCounter
from statecraft.semantics.guards import Reached, tests
from statecraft.semantics.keys import AbsenceClock, DialValue, SilenceClock
from statecraft.semantics.lowering import Lowering

Thing = tuple[str, str]
"""What may be followed: ``("mode", PART)``, ``("counter", NAME)``, ``("level", NAME)`` (its memory), ``("for", NAME)``
(how long its conditions have lasted, steadiness included) and ``("clock", CLOCK)``."""

MOST_ATOMS = 300
"""A level with a memory that reads levels without one has them written out; beyond so many atoms they are free."""


@dataclass(frozen=True)
class Source:
    """What a dial stands for: a thing, and at which ``moment`` it is read: ``before`` or ``after`` its part has
    decided, or ``set`` or ``clear`` of a level's switches; "" where there is one moment only."""

    thing: Thing
    moment: str = ""


@dataclass(frozen=True)
class Sliced:
    """A slice, as a machine and what its model has to know.

    Attributes:
        machine: the parts that are followed, with dials for the rest. Its levels are all that are read; those that are
            inlined stand there as they are in the file, to be looked at.
        observed: the conditions that were asked about, as they are in the slice.
        inlined, kept_clocks, left: see :class:`statecraft.proof.engine.model.SymbolicModel`.
        sources: what each dial stands for.
        things: everything that is followed.
    """

    machine: Machine
    observed: tuple[Condition, ...]
    inlined: Mapping[tuple[str, str | None], Condition]
    kept_clocks: frozenset[str]
    left: tuple[LeftByRows, ...]
    sources: Mapping[str, Source]
    things: frozenset[Thing]


def sliced(
    machine: Machine,
    parts: Iterable[str],
    things: Iterable[Thing],
    observed: Iterable[Condition] = (),
    dead: Iterable[tuple[str, int]] = (),
) -> Sliced:
    """``machine`` with only ``parts`` and ``things`` followed; ``observed`` are conditions of observers.

    ``dead`` are rules (part and number) that are known never to decide: in the slice they do not either. (A failsafe
    that never decides holds rules back all the same.)
    """
    followed = frozenset(_with_copied(machine, things))
    return _Slicing(machine, frozenset(parts), followed, tuple(observed), frozenset(dead)).done()


def _with_copied(machine: Machine, things: Iterable[Thing]) -> set[Thing]:
    """``things`` with the counters that rows copy to those among them."""
    found = set(things)
    changes = [change for part in machine.parts for row in part.rows for change in row.changes if change.source]
    while more := {("counter", c.source) for c in changes if ("counter", c.counter) in found} - found:
        found |= more
    return found


def only_heard(machine: Machine) -> frozenset[str]:
    """The counters that are dials, and that no row sets: as messages come first, these are the same all the tick."""
    changed = {change.counter for part in machine.parts for row in part.rows for change in row.changes}
    return machine.counted_dials() - changed


@dataclass
class _Slicing:
    machine: Machine
    parts: frozenset[str]
    things: frozenset[Thing]
    observed: tuple[Condition, ...]
    dead: frozenset[tuple[str, int]]
    dials: dict[str, Dial] = field(default_factory=dict)
    sources: dict[str, Source] = field(default_factory=dict)
    level_clocks: dict[str, int] = field(default_factory=dict)

    def done(self) -> Sliced:
        machine = self.machine
        self.place = numbered(machine.parts)
        self.modes = {part.name: numbered(part.modes) for part in machine.parts}
        self.counters = {counter.name: counter for part in machine.parts for counter in part.counters}
        self.only_heard = only_heard(machine)
        rows = (row for part in machine.parts for row in part.rows)
        self.changed = {change.counter for row in rows for change in row.changes}
        followed = [part for part in machine.parts if part.name in self.parts]
        read = levels_read(machine, followed, self.observed)
        defined = {level for level, _ in definitions(machine)}
        kept = [level for level in read if self._remembered(level) and level.name not in defined]
        names = self.kept = {level.name for level in kept}
        self.order = numbered(machine.levels)
        self.levels = {level.name: level for level in machine.levels}
        inlined: dict[tuple[str, str | None], Condition] = {}
        for level in read:
            if level.name not in names:
                for reader in (None, *self.parts):
                    inlined[level.name, reader] = self._inlined(level, reader)
        with_memory = {level.name: self._with_memory(level, inlined, names) for level in kept}
        parts = tuple(self._part(part) for part in followed)
        seen = tuple(self._rewritten(condition, None) for condition in self.observed)
        self._clock_dials(parts, seen)
        self._counted_dials()
        left = tuple(self._left_by_rows())
        clocks = frozenset(name for kind, name in self.things if kind == "clock")
        return Sliced(
            replace(
                machine,
                parts=parts,
                levels=tuple(with_memory.get(level.name, level) for level in read),
                dials=(*machine.dials, *self.dials.values()),
                promises=(),
                trials=(),
            ),
            seen,
            inlined,
            clocks,
            left,
            self.sources,
            self.things | {("mode", part) for part in self.parts},
        )

    # ------------------------------------------------------------------------------------------------------------ dials

    def _dial(self, name: str, low: int, high: int, source: Source, unit: Unit = Unit.NUMBER) -> Term:
        self.dials.setdefault(name, Dial(name, "", "", unit, low, high, low))
        self.sources[name] = source
        return Term("dial", name)

    def _counter_dial(self, counter: Counter, when: str) -> Term:
        """One that is a dial, too, has its steps: neither a message nor a row sets it to anything between."""
        unit = next((dial.unit for dial in self.machine.dials if dial.name == counter.name), Unit.NUMBER)
        source = Source(("counter", counter.name), when)
        return self._dial(f"{counter.name} {when}", counter.low, counter.high, source, unit)

    def _switch(self, name: str, source: Source) -> Condition:
        return Compare(self._dial(name, 0, 1, source), "==", None, 1)

    def _counted_dials(self) -> None:
        """What outputs are set to by dials that rows set, too (counters, here) and that are not followed."""
        if not self.machine.counted_dials():
            return
        outputs = {name for condition in self.observed for atom in atoms(condition) for name in outputs_of(atom)}
        settings = [(o, s) for part in self.machine.parts for mode in part.modes for o, s in mode.settings]
        read = [term for output, setting in settings if output in outputs for term in terms_of_setting(setting)]
        for name in dict.fromkeys(term.name for term in read if term.kind == "dial"):
            if name in self.counters and ("counter", name) not in self.things:
                self._term(Term("counter", name), None)

    def _clock_dials(self, parts: tuple[Part, ...], seen: tuple[Condition, ...]) -> None:
        """Dials for the clocks that are not followed, up to what the slice's own rows and observers ask of them."""
        most = {clock: ticks for clock, ticks in self.level_clocks.items() if ("clock", clock) not in self.things}

        def reads(clock: str, ticks: int) -> None:
            if ("clock", clock) not in self.things:
                most[clock] = max(ticks, most.get(clock, 1))

        lowering = Lowering(replace(self.machine, parts=parts))
        guards = [lowering.row(row.when, part, part.mode[n]) for part in parts for row in part.rows for n in row.modes]
        # atom by atom, as the model does: the whole may come to less, where one atom of it is always so
        guards += [lowering.observer(atom) for each in seen for atom in possible_atoms(self.machine, each)]
        for test in (test for guard in guards for test in tests(guard)):
            if isinstance(test, Reached):
                reads(test.clock.name, test.ticks)
                if isinstance(test.clock, AbsenceClock) and (link := self.machine.command(test.clock.command).link):
                    reads(SilenceClock(link).name, test.ticks)
        for clock, ticks in most.items():
            self._dial(clock_dial(clock), 0, ticks, Source(("clock", clock)))

    def _left_by_rows(self) -> Iterator[LeftByRows]:
        """What rows that are followed leave of counters that are not, as far as an observer asks."""
        for source in list(self.sources.values()):
            kind, name = source.thing
            if kind != "counter" or source.moment != "after" or name in self.only_heard:
                continue
            counter = self.counters[name]
            if counter.part not in self.parts:
                continue
            before, after = (self._term(Term("counter", name), counter.part), self._term(Term("counter", name), None))
            assert before is not None
            assert after is not None
            rows: dict[tuple[str, int], LeftValues] = {}
            for decisions in tick_of(self.machine).part[counter.part].decisions:
                for made in decisions:
                    own = [change for change in made.changes if change.counter.name == name]
                    if own:
                        place = (made.mode.name, made.row.number)
                        rows[place] = self._left_at(counter, before, own[0]) if len(own) == 1 else ()
            yield LeftByRows(counter.part, after, alone(before), rows)

    def _left_at(self, counter: Counter, before: Term, change: CounterChange) -> LeftValues:
        if isinstance(change, SetCounter):
            return set_to(counter, change)
        if isinstance(change, StepCounter):
            return stepped(counter, before, change)
        name = change.source.name
        if isinstance(change.source, DialValue):
            source, (low, high, *_) = Term("dial", name), ranges_of(self.machine)[Term("dial", name)]
            return copied(counter, source, low, high)
        of = self._term(Term("counter", name), counter.part)
        if of is None or of.kind == "counter":
            return ()  # one that is followed: it may have changed by the time that an observer looks
        return copied(counter, of, self.counters[name].low, self.counters[name].high)

    # ------------------------------------------------------------------------------------------------------- conditions

    def _when(self, part: str, reader: str | None) -> str:
        """At which moment of the tick ``reader`` (None: an observer) sees ``part``."""
        return "after" if reader is None or self.place[part] < self.place[reader] else "before"

    def _rewritten(self, condition: Condition, reader: str | None) -> Condition:
        """A condition of a row of ``reader``, or of an observer."""
        match condition:
            case Not(of):
                return Not(self._rewritten(of, reader))
            case And(of):
                return And(tuple(self._rewritten(each, reader) for each in of))
            case Or(of):
                return Or(tuple(self._rewritten(each, reader) for each in of))
            case InMode(part) if part not in self.parts:
                return self._in_mode(condition, self._when(part, reader))
            case Compare(left, op, right, offset):
                first = self._term(left, reader)
                assert first is not None
                return Compare(first, op, self._term(right, reader), offset)
            case _:
                return condition

    def _in_mode(self, atom: InMode, when: str) -> Condition:
        numbers = self.modes[atom.part]
        where = self._dial(f"{atom.part} {when}", 0, max(1, len(numbers) - 1), Source(("mode", atom.part), when))
        return Or(tuple(Compare(where, "==", None, numbers[mode]) for mode in atom.modes))

    def _term(self, term: Term | None, reader: str | None) -> Term | None:
        if term is None or term.kind != "counter":
            return term
        counter = self.counters[term.name]
        if ("counter", term.name) in self.things and counter.part in self.parts:
            return term
        late = term.name in self.only_heard  # no row changes it
        when = "after" if late else self._when(counter.part, reader) if term.name in self.changed else "before"
        return self._counter_dial(counter, when)

    # ----------------------------------------------------------------------------------------------------------- levels

    def _remembered(self, level: Level) -> bool:
        return ("level", level.name) in self.things or ("for", level.name) in self.things

    def _of_level(self, condition: Condition, level: str, reader: str | None, exact: bool) -> Condition:
        """A level's condition as ``reader`` is to see it (``exact``: in the level itself): modes before the tick."""
        match condition:
            case Not(of):
                return Not(self._of_level(of, level, reader, exact))
            case And(of):
                return And(tuple(self._of_level(each, level, reader, exact) for each in of))
            case Or(of):
                return Or(tuple(self._of_level(each, level, reader, exact) for each in of))
            case LevelOn(other) if self.order[other] > self.order[level]:  # as it stood on the tick before
                if exact and other in self.kept:
                    return condition
                return self._switch(f"{other} before", Source(("level", other)))
            case InMode(part):
                if part in self.parts and (exact or part == reader):
                    return condition
                return self._in_mode(condition, "before")
            case Compare(left, op, right, offset):
                mixed = exact and right is not None and left.kind != right.kind  # no cluster could follow that
                first = self._level_term(left, reader, exact, mixed)
                assert first is not None
                return Compare(first, op, self._level_term(right, reader, exact, mixed), offset)
            case Silent(link):
                # a level that the reader made for a silence that turns; in one that is followed the clock is no input
                ticks = next(each.silent for each in self.machine.links if each.name == link) or 0
                clock = SilenceClock(link).name
                self.level_clocks[clock] = ticks
                if not exact or ("clock", clock) in self.things:
                    return condition
                return Compare(Term("dial", clock_dial(clock)), ">=", None, ticks)
            case Steady(sensor, band, ticks, kind) if ("for", level) not in self.things:
                name = f"steady {sensor} {band} {ticks}"
                long = self._switch(name, Source(("for", level), name))
                return And((Not(Fault(sensor)), long)) if kind == "sensor" else long
            case _:
                return condition

    def _level_term(self, term: Term | None, reader: str | None, exact: bool, free: bool) -> Term | None:
        """A term of a level, which sees counters as its own part does: once those that count from outside have moved,
        and before any row has set them. ``free``: whatever is followed."""
        if term is None or term.kind != "counter":
            return term
        counter = self.counters[term.name]
        followed = ("counter", term.name) in self.things and counter.part in self.parts
        if followed and not free and (exact or counter.part == reader):
            return term
        when = "after" if term.name in self.only_heard else "before"
        return self._counter_dial(counter, when)

    def _held(self, level: Level, word: str, condition: Condition, ticks: int) -> Condition:
        """The condition with its ``for`` as a free switch."""
        if not ticks:
            return condition
        lasted = self._switch(f"{level.name} {word} long", Source(("for", level.name), word))
        return And((condition, lasted))

    def _inlined(self, level: Level, reader: str | None) -> Condition:
        turns_on = self._held(level, "set", self._of_level(level.set, level.name, reader, False), level.set_ticks)
        turns_off = self._held(
            level, "clear", self._of_level(level.clear, level.name, reader, False), level.clear_ticks
        )
        doubt = tuple(Fault(sensor) for sensor in read_by(level)) if level.on_if_in_doubt else ()
        if (level.name, None) in definitions(self.machine):
            return Or((turns_on, *doubt))
        before = self._switch(f"{level.name} before", Source(("level", level.name)))
        return Or((turns_on, *doubt, And((before, Not(turns_off)))))

    def _with_memory(self, level: Level, inlined: Mapping[tuple[str, str | None], Condition], kept: set[str]) -> Level:
        """A level that is followed, with those it reads that are not written out in it."""
        turns_on = self._written_out(self._of_level(level.set, level.name, None, True), kept)
        turns_off = self._written_out(self._of_level(level.clear, level.name, None, True), kept)
        reads_levels = any(
            isinstance(a, LevelOn) and a.level not in kept for c in (level.set, level.clear) for a in atoms(c)
        )
        if ("for", level.name) in self.things and not (level.on_if_in_doubt and reads_levels):
            return replace(level, set=turns_on, clear=turns_off)
        # Doubt looks at the sensors that the level itself names, so it is said before others are written out in it.
        doubt = tuple(Fault(sensor) for sensor in read_by(level)) if level.on_if_in_doubt else ()
        turns = self._held(level, "set", turns_on, level.set_ticks)
        off = self._held(level, "clear", turns_off, level.clear_ticks)
        return replace(
            level,
            set=Or((turns, *doubt)) if doubt else turns,
            set_ticks=0,
            clear=And((off, *(Not(each) for each in doubt))) if doubt else off,
            clear_ticks=0,
            on_if_in_doubt=False,
        )

    def _written_out(self, condition: Condition, kept: set[str]) -> Condition:
        match condition:
            case Not(of):
                return Not(self._written_out(of, kept))
            case And(of):
                return And(tuple(self._written_out(each, kept) for each in of))
            case Or(of):
                return Or(tuple(self._written_out(each, kept) for each in of))
            case LevelOn(name) if name not in kept:
                level = self.levels[name]
                latch = tick_of(self.machine).latch[name]
                size = sum(1 for _ in tests_read(tick_of(self.machine), [latch.set, latch.clear]))
                if size > MOST_ATOMS:
                    return self._switch(f"{name} now", Source(("level", name), "after"))
                turns = self._held(level, "set", self._of_level(level.set, name, None, True), level.set_ticks)
                off = self._held(level, "clear", self._of_level(level.clear, name, None, True), level.clear_ticks)
                doubt = tuple(Fault(sensor) for sensor in read_by(level)) if level.on_if_in_doubt else ()
                before = self._switch(f"{name} before", Source(("level", name)))
                return self._written_out(Or((turns, *doubt, And((before, Not(off))))), kept)
            case _:
                return condition

    # ------------------------------------------------------------------------------------------------------------ parts

    def _part(self, part: Part) -> Part:
        kept = tuple(counter for counter in part.counters if ("counter", counter.name) in self.things)
        rows = tuple(self._row(row, part.name) for row in part.rows)
        return replace(part, counters=kept, rows=rows, modes=tuple(map(self._mode, part.modes)))

    def _mode(self, mode: Mode) -> Mode:
        """A mode whose settings read what the slice has: an observer sees them once every part has decided."""
        if not any(isinstance(setting, Follows) for _, setting in mode.settings):
            return mode
        settings = tuple((output, self._setting(setting)) for output, setting in mode.settings)
        return replace(mode, settings=settings)

    def _setting(self, setting: Setting) -> Setting:
        if not isinstance(setting, Follows) or not any(term.kind == "counter" for term in setting.terms):
            return setting
        of, less = self._term(setting.of, None), self._term(setting.less, None)
        assert of is not None
        return replace(setting, of=of, less=less)

    def _row(self, row: Row, part: str) -> Row:
        changes = tuple(change for change in row.changes if ("counter", change.counter) in self.things)
        never = (part, row.number) in self.dead and not row.failsafe
        # a slice is a smaller machine: its rows are written anew, and what they mean is lowered from there
        return replace(row, when=Or(()) if never else self._rewritten(row.when, part), changes=changes)
