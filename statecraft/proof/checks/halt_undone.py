"""*Halt undone*: after a halt, the machine starts again by itself.

ISO 13850: the resetting of a stop must not by itself start anything again.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from statecraft.findings import Finding, RowRef, Run
from statecraft.folding import listed
from statecraft.machine import Machine, ModeRef, Part
from statecraft.proof.engine.diagrams import FALSE, Node
from statecraft.proof.engine.exploration import START, Config, Explorer, Region
from statecraft.proof.engine.model import Modes, Rows, SymbolicModel
from statecraft.proof.engine.still_dials import ANYWHERE, Standing, TooManyDials, standing, standing_still
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.proof.runs.counterexamples import Lost, Trail
from statecraft.proof.runs.replay import states
from statecraft.proof.runs.search import FoundRun, Goal
from statecraft.proof.runs.undone_halt import halts, undoes_halt, way_back
from statecraft.semantics import tick_of
from statecraft.semantics.cone import needs_command


def halt_undone(explored: Reachability, part: int) -> Iterator[Finding]:
    """Stop modes in which a halt leaves ``part``, and from which it comes to drive without a command being taken and
    without a dial being changed. What was heard before, and how long ago, rows may still ask about.

    Raises:
        Undecided: there are too many places where dials can stand, or not all of them are known to stand; or as
            :meth:`Reachability.found`.
    """
    machine, model = explored.whole, explored.model
    whole = machine.part(model.parts[part].name)
    if not may_start_again(machine, whole):
        return
    commands = [name for name in halts(machine, whole) if name in model.takes]
    undone: dict[int, list[Standing]] = {}  # by stop mode: where the dials stand while it is left
    try:
        clusters = [cluster for cluster in model.clusters if cluster.index not in model.by_span]
        for held in standing(machine, clusters) if _comes_back(explored, part, ANYWHERE) else ():
            for place in _comes_back(explored, part, held):
                undone.setdefault(place, []).append(held)
    except TooManyDials:
        raise Undecided from None
    if undone and model.by_span:
        raise Undecided  # a dial that a counter is compared with may have been changed
    for place, some in sorted(undone.items()):
        runs = [found for held in some if (found := _run(explored, part, place, held)) is not None]
        if not runs:
            continue
        found = min(runs, key=lambda each: each.run.ticks)
        mode = whole.modes[place]
        way = way_back(machine, whole.name, found.run, states(machine, found.run))
        way = way or (explored.row_ref(part, found.rows[-1][0][part]),)
        who, does = rows_at(machine, way)
        yield Finding(
            "halt undone",
            mode.place,
            f"after {' or '.join(commands)} the machine stands in {mode.name}, and {who} {does} it again without a "
            "command.",
            f"let a command be asked for on the way from {mode.name} to what drives; or, if it is meant to go on by "
            "itself, declare that it resumes.",
            mode=ModeRef(whole.name, mode.name),
            by=way,
            run=found.run,
        )


def rows_at(machine: Machine, rows: Iterable[RowRef]) -> tuple[str, str]:
    """What ``rows`` are called, and what they do: ``the rows on lines 39 and 40`` ``start``."""
    lines = [str(line) for line in dict.fromkeys(machine.part(ref.part).rows[ref.number].place.line for ref in rows)]
    if len(lines) == 1:
        return f"the row on line {lines[0]}", "starts"
    return f"the rows on lines {listed(lines)}", "start"


class _Watcher:
    """Follows a run from any tick on which a halt leaves a part in a stop mode, for as long as no command is taken.

    Phases: 0, before the halt; 1 + n, since the halt that left the part in its mode n.

    Args:
        held: where the dials stand from that tick on.
    """

    limit = 0  # for how long, does not matter

    def __init__(self, explored: Reachability, model: SymbolicModel, part: int, held: Standing) -> None:
        machine = explored.whole
        self.model = model
        self.part = part
        whole = machine.part(model.parts[part].name)
        diagrams = model.diagrams
        takes = sum(1 << model.takes.index(name) for name in halts(machine, whole) if name in model.takes)
        still = diagrams.all_of([diagrams.among(cluster, pairs) for cluster, pairs in held.pairs])
        self.halted = diagrams.all_of([still, diagrams.among(model.command, takes)]) if takes else FALSE
        self.unasked = diagrams.all_of([still, diagrams.among(model.command, 1)])
        self.takes = takes
        self.stops = {n for n, mode in enumerate(whole.modes) if mode.stop and not mode.resumes}
        self.driving = {n for n, mode in enumerate(whole.modes) if machine.drives(mode)}
        self._nodes: dict[object, list[tuple[int, Node]]] = {}

    def undone(self, config: Config) -> bool:
        """Whether the part has come to drive since the halt."""
        return config.phase > 0 and config.modes[self.part] in self.driving

    def options(self, explorer: Explorer, config: Config, region: Region) -> list[tuple[int, Node]]:
        """As :class:`statecraft.proof.engine.exploration.Watcher` says."""
        if config.phase:
            turned = any(region.counters[place] != config.counters[place] for place in self.model.told)
            return [] if turned or self.undone(config) else [(config.phase, self._only(self.unasked, region.node))]
        if not region.hearing.takes & self.takes:
            return [(0, region.node)]
        key = (config.modes, region.counters, region.node)
        found = self._nodes.get(key)
        if found is None:
            found = self._nodes[key] = [(0, region.node), *self._begun(config.modes, region)]
        return found

    def _begun(self, modes: Modes, region: Region) -> Iterator[tuple[int, Node]]:
        diagrams = self.model.diagrams
        halted = self._only(self.halted, region.node)
        by_mode: dict[int, set[Rows]] = {}
        for end in diagrams.ends(halted):
            rows = diagrams.read(end)
            if isinstance(rows, tuple):
                by_mode.setdefault(self.model.effect(modes, region.counters, rows).modes[self.part], set()).add(rows)
        nothing = diagrams.value(None)
        for mode, some in by_mode.items():
            if mode in self.stops:
                yield (
                    1 + mode,
                    diagrams.follow(
                        halted,
                        lambda rows, some=some: diagrams.value(rows) if rows in some else nothing,  # type: ignore[misc]
                    ),
                )

    def _only(self, where: Node, rows: Node) -> Node:
        return self.model.diagrams.select(where, rows, self.model.diagrams.value(None))


def _comes_back(explored: Reachability, part: int, held: Standing) -> list[int]:
    """The stop modes in which a halt leaves the part, and from which it comes to drive by itself."""
    watcher = _Watcher(explored, explored.model, part, held)
    if not watcher.takes or not watcher.driving:
        return []
    follower = Explorer(
        explored.model,
        within=lambda config: config.phase > 0,
        zones=explored.explorer.zones,
        watcher=watcher,
    )
    halting = dict.fromkeys(
        number
        for number, config, region in explored.views()
        if number != START and any(phase for phase, _ in watcher.options(explored.explorer, config, region))
    )
    for number in halting:
        config = explored.explorer.configs[number]
        for _, target in follower.steps(number, config=config):
            if target.phase:
                follower.add(target)
    found: dict[int, None] = {}
    while (number_next := follower.next()) is not None:
        for edge in follower.follow(number_next):
            target = follower.configs[edge.target]
            if watcher.undone(target):
                found[target.phase - 1] = None
    return list(found)


def _run(explored: Reachability, part: int, place: int, held: Standing) -> FoundRun | None:
    """The shortest run on which the halt leaves the part in ``place`` and it comes to drive by itself; None where it
    was only thought to."""

    def goal(model: SymbolicModel) -> Goal:
        watcher = _Watcher(explored, model, part, held)

        def there(_: Explorer, number: int, config: Config) -> Iterator[Trail]:
            if number != START and config.phase == 1 + place and watcher.undone(config):
                yield Trail([])

        return there

    found = explored.found(goal, lambda model: _Watcher(explored, model, part, held))
    if found is None and not explored.rough:
        raise Lost("no run undoes a halt that is undone")
    if found is None:
        return None
    run, machine = _with_dials(explored.model, found.run, held), explored.whole
    if explored.partial and not undoes_halt(machine, explored.ref(part, place), run, states(machine, run)):
        explored.refuted()  # a dial that is not followed may have changed meanwhile
    return found._replace(run=run)


def _with_dials(model: SymbolicModel, run: Run, held: Standing) -> Run:
    """``run`` with the dials where they stand from the halt on: on its last tick with a command."""
    if not held.values:
        return run
    halt = max(place for place, hold in enumerate(run.stretches) if hold.inputs.taken is not None)
    since = run.stretches[halt:]
    still = tuple(replace(hold, inputs=standing_still(model.clusters, hold.inputs, held)) for hold in since)
    return replace(run, stretches=(*run.stretches[:halt], *still))


def may_start_again(machine: Machine, part: Part) -> bool:
    """Whether rows that need no command taken make a chain from a stop mode to a driving one: else nothing has to be
    followed.
    """
    following = {
        mode: {made.target.name for made in decisions if not needs_command(made.guard)}
        for mode, decisions in tick_of(machine).part[part.name].in_mode.items()
    }
    waiting = [mode.name for mode in part.modes if mode.stop and not mode.resumes]
    seen = set(waiting)
    while waiting:
        for target in following[waiting.pop()] - seen:
            if machine.drives(part.mode[target]):
                return True
            seen.add(target)
            waiting.append(target)
    return False
