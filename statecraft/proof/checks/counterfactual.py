"""What a part would have done on a tick on which a sensor was in fault, had the sensor been read instead.

All else is equal: inputs, clocks, counters, what the parts before it have just done. Levels that read the sensor are
taken as they would stand had it been read so for as long as they ask: their ``for`` has run, and a steady reading is
steady. Those that are on if in doubt about it stay on.

This says it of the explored machine, as diagrams; :mod:`statecraft.proof.runs.counterfactual_tick` of one tick of the
simulation.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator, Mapping
from dataclasses import replace
from functools import partial
from typing import NamedTuple

from statecraft.machine import (
    And,
    Atom,
    Compare,
    Condition,
    Fault,
    InMode,
    Level,
    LevelOn,
    Mode,
    Not,
    Or,
    Silent,
    Steady,
    atoms,
    sensors_of,
)
from statecraft.proof.engine.clusters import Cluster, ClusterTable, InputCell, Known, read_by
from statecraft.proof.engine.conditions import terms_of
from statecraft.proof.engine.diagrams import FALSE, TRUE, Node
from statecraft.proof.engine.exploration import Config, Explorer, Region, Restriction, Transition
from statecraft.proof.engine.limits import look
from statecraft.proof.engine.model import Ask, ClockTest, Counters, Modes, SymbolicModel, leaves
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.semantics import tick_of
from statecraft.semantics.cone import sensors_read
from statecraft.semantics.decisions import Decision

Out = Callable[[Mode, Mode], bool]
"""Whether a part that would go from one mode to another would be led out."""


def doubted(level: Level, sensor: str) -> bool:
    """Whether ``level`` is on while ``sensor`` is in fault."""
    return level.on_if_in_doubt and sensor in {*sensors_of(level.set), *sensors_of(level.clear)}


def _levels_read(levels: Mapping[str, Level], level: Level, kept: Container[str]) -> set[str]:
    """The levels that ``level`` reads, by way of others that are not ``kept``, too."""
    found: set[str] = set()
    waiting = [level]
    while waiting:
        each = waiting.pop()
        for atom in (atom for condition in (each.set, each.clear) for atom in atoms(condition)):
            if isinstance(atom, LevelOn) and atom.level not in found:
                found.add(atom.level)
                if atom.level not in kept:
                    waiting.append(levels[atom.level])
    return found


class _Rows(NamedTuple):
    """What a mode's rows ask, had the sensor been read.

    Attributes:
        rows: for each, whether it leads out, and when it decides.
        clocks: the clock tests in that.
        counts: whether counters are asked about.
    """

    rows: tuple[tuple[bool, Ask], ...]
    clocks: tuple[ClockTest, ...]
    counts: bool


class Counterfactual:
    """What ``part`` would have done on ticks that start in explored configurations, had ``sensor`` been read.

    In a slice it may seem to have done more than it would have, never less.

    Args:
        model: the model that is asked, of those of ``explored``.
        out: which way counts as being led out.
    """

    def __init__(self, explored: Reachability, model: SymbolicModel, part: int, sensor: str, out: Out) -> None:
        self.machine = explored.whole
        self.model = model
        self.part = part
        self.name = model.parts[part].name
        self.sensor = sensor
        self.out = out
        self.index, self.faulty = explored.sensor_pairs[sensor]
        self.cluster: Cluster = model.clusters[self.index]
        self.spoiled = spoiled_pairs(self.cluster, sensor)
        self.levels = {level.name: level for level in explored.whole.levels}
        tick = tick_of(explored.whole)
        self.reading = {name for name in self.levels if sensor in sensors_read(tick, [LevelOn(name)])}
        self.lasting = set(explored.lasting_dials(sensor, self.reading))
        if explored.partial and not self._sees_all():
            raise Undecided
        self._tables: dict[tuple[Known, int], ClusterTable] = {}
        self._rows: dict[int, _Rows] = {}
        self._level_asks: dict[tuple[str, int], Ask] = {}
        self._nodes: dict[object, Node] = {}
        self._spoiled_in: dict[Node, Node] = {}

    def _sees_all(self) -> bool:
        """Whether a slice says all that it has to of levels that a level with a memory reads: those written out in it
        are taken as they are in the fault."""
        kept = {level.name for level in self.model.levels}
        written_out = [level for name, level in self.levels.items() if name in self.reading and name not in kept]
        readers = [self.levels[level.name] for level in self.cluster.levels]
        read = set[str]().union(*(_levels_read(self.levels, each, kept) for each in readers))
        return not any(level.name in read for level in written_out)

    def led_out(self, explorer: Explorer, config: Config, region: Region) -> Node:
        """Where, with the sensor in fault, some reading of it would have led the part out: a diagram over the tick's
        inputs as they are."""
        key: object = (config.modes, region.counters, region.time, region.known)
        if self.part == 0:  # then what its own rows ask decides it
            asked, passed = self._rows_in(config.modes[0]), region.passed
            answers = tuple([passed(test.clock, test.ticks) for test in asked.clocks])
            key = (config.modes, region.counters if asked.counts else (), answers, region.known)
        found = self._nodes.get(key)
        if found is None:
            found = self._nodes[key] = self._led_out(explorer, config, region)
        return found

    def _led_out(self, explorer: Explorer, config: Config, region: Region) -> Node:
        diagrams = self.model.diagrams
        tables = list(region.tables)
        table = self._table(region.known[self.index], tables[self.index])
        tables[self.index] = table

        def out(rows: object) -> Node:
            assert isinstance(rows, tuple)
            return self._decided(
                config.modes, region, *explorer.seen(config.modes, region.counters, rows), tuple(tables)
            )

        before = explorer.before(config, region, self.part)
        led = diagrams.follow(diagrams.mapped(before, self.index, self.spoiled), out)
        valid = diagrams.among(self.index, table.possible & ~self.faulty)
        where = diagrams.all_of([valid, led])
        found = self._spoiled_in.get(where)
        if found is None:
            found = self._spoiled_in[where] = diagrams.imaged(where, self.index, self.spoiled)
        return found

    def ignored(
        self, explorer: Explorer, config: Config, edge: Transition, takes: int = 1
    ) -> Iterator[tuple[Transition, Node, Restriction]]:
        """The ticks of ``edge`` from ``config``, on which the sensor is in fault, where a reading would have led out:
        each with where the inputs must make that true, and the pairs for which they can. ``takes``: whose command may
        be taken, nobody's by default."""
        model, diagrams = self.model, self.model.diagrams
        for reset, way in edge.alike.items():
            led = self.led_out(explorer, config, way.region)
            if led == FALSE:
                continue
            rows = way.rows
            both = diagrams.all_of([led, diagrams.where(way.region.node, lambda each, rows=rows: each == rows)])  # type: ignore[misc]
            allowed = dict(enumerate(way.pairs))
            allowed[self.index] = allowed.get(self.index, self.cluster.all) & self.faulty
            allowed[model.command] = way.region.hearing.takes & takes
            if not all(allowed.values()):
                continue
            for value, piece in diagrams.pieces(both, model.with_state, allowed):
                if value is True:
                    alone = edge._replace(way=way, reset=reset, loose=frozenset(), alike={reset: way})
                    yield alone, both, tuple({self.index: self.faulty, **dict(piece)}.items())

    def _decided(
        self, modes: Modes, region: Region, counters: Counters, seen: Modes, tables: tuple[ClusterTable, ...]
    ) -> Node:
        """Where the part would be led out, over valid readings, once the parts before it have decided."""
        model, mode = self.model, modes[self.part]
        present = model.parts[self.part].modes[mode]
        led = TRUE if self.out(present, present) else FALSE
        for out, ask in reversed(self._rows_in(mode).rows):
            where = model.diagram(ask, region.passed, counters, seen, tables)
            led = model.diagrams.select(where, TRUE if out else FALSE, led)
        return led

    def _rows_in(self, mode: int) -> _Rows:
        found = self._rows.get(mode)
        if found is None:
            decisions = self.model.decisions_in(self.part, mode)
            rows = tuple((self.out(made.mode, made.target), self._asked(made, mode)) for made in decisions)
            atoms_asked = [atom for _, ask in rows for atom in leaves(ask)]
            clocks = dict.fromkeys(atom for atom in atoms_asked if isinstance(atom, ClockTest))
            counts = any(
                term.kind == "counter" for atom in atoms_asked if isinstance(atom, Compare) for term in terms_of(atom)
            )
            found = self._rows[mode] = _Rows(rows, tuple(clocks), counts)
        return found

    # ----------------------------------------------------------------------------------------------- levels, as read

    def _asked(self, made: Decision, mode: int) -> Ask:
        return self.model.of_guard(made.decides, self.part, mode, partial(self._level, mode=mode))

    def _level(self, level: str, mode: int) -> Ask | None:
        """A level that is no memory here and reads the sensor; worked out once, as the model's own are."""
        if level not in self.reading:
            return None
        key = (level, mode)
        found = self._level_asks.get(key)
        if found is None:
            look()
            owner = self.model.parts[self.part]
            condition: Condition = And(())
            if not doubted(self.levels[level], self.sensor):
                condition = self._as_read(self.model.inlined[level, self.name])
            guard = self.model.lowering.row(condition, owner, owner.modes[mode])
            found = self._level_asks[key] = self.model.of_guard(guard, self.part, mode, partial(self._level, mode=mode))
        return found

    def _as_read(self, condition: Condition) -> Condition:
        match condition:
            case Not(of):
                return Not(self._as_read(of))
            case And(of):
                return And(tuple(map(self._as_read, of)))
            case Or(of):
                return Or(tuple(map(self._as_read, of)))
            case Compare() if self.lasts(condition):
                return And(())
            case _:
                return condition

    def lasts(self, atom: Atom) -> bool:
        """Whether a slice asks there for how long the sensor has been read so."""
        read = terms_of(atom) if isinstance(atom, Compare) else ()
        return any(term.kind == "dial" and term.name in self.lasting for term in read)

    def _table(self, answers: Known, real: ClusterTable) -> ClusterTable:
        """The table of the sensor's cluster with its levels as they would stand; over valid readings."""
        key = (answers, id(real))
        found = self._tables.get(key)
        if found is None:
            found = self._tables[key] = replace(real, levels=self._levels(answers, real))
        return found

    def _levels(self, answers: Known, real: ClusterTable) -> dict[str, int]:
        cluster = self.cluster
        before = [cluster.mask(lambda state, _, at=at: bool(state[at])) for at in range(len(cluster.levels))]  # type: ignore[misc]
        # one that is decided later is read as it stood on the tick before
        levels = {level.name: on for level, on in zip(cluster.levels, before, strict=True)}
        asked = dict(zip(cluster.questions, answers, strict=True))

        def known(atom: Atom) -> int:
            match atom:
                case LevelOn(level):
                    return levels[level]
                case InMode() | Silent():
                    return cluster.all if asked[atom] else 0
                case Compare() if atom in asked:  # of counters alone
                    return cluster.all if asked[atom] else 0
                case Steady(sensor):
                    return cluster.all & ~self.faulty if sensor == self.sensor else real.steady[atom]
                case Compare() if self.lasts(atom):
                    return cluster.all
                case _:
                    return cluster.of_input[atom]

        for place, level in enumerate(cluster.levels):
            if level.name not in self.reading:
                levels[level.name] = real.levels[level.name]
                continue
            if doubted(self.levels[level.name], self.sensor):
                levels[level.name] = cluster.all
                continue
            on, off = cluster.where(level.set, known), cluster.where(level.clear, known)
            for sensor in read_by(level) if level.on_if_in_doubt else ():
                on |= cluster.of_input[Fault(sensor)]
            levels[level.name] = on | (before[place] & ~off)
        return levels


def spoiled_pairs(cluster: Cluster, sensor: str) -> tuple[int, ...]:
    """For each pair of ``cluster``, the pair with ``sensor`` in fault and all else equal."""
    cells = len(cluster.cells)
    into = [spoiled_cell(cluster, place, sensor) for place in range(cells)]
    return tuple(state * cells + into[cell] for state in range(len(cluster.states)) for cell in range(cells))


def spoiled_cell(cluster: Cluster, place: int, sensor: str) -> int:
    """The cell that a cell becomes when ``sensor`` is in fault: comparisons that read it are false, all else stays."""
    cell = cluster.cells[place]
    true: frozenset[Atom] = frozenset(atom for atom in cell.true if not _reads(atom, sensor)) | {Fault(sensor)}
    moved = frozenset(atom for atom in cell.moved if atom.sensor != sensor)
    for number, other in enumerate(cluster.cells):
        if _same(other, cell, true, moved):
            return number
    raise AssertionError("every cell has one with the sensor in fault")


def _reads(atom: Atom, sensor: str) -> bool:
    return isinstance(atom, Compare) and any(t.kind == "sensor" and t.name == sensor for t in terms_of(atom))


def _same(other: InputCell, cell: InputCell, true: frozenset[Atom], moved: frozenset[object]) -> bool:
    return other.true == true and other.switches == cell.switches and other.moved == moved
