"""Whether a machine can be brought to rest: *no way to stop*, *halt missed*, *runaway*."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence

from statecraft.machine import Machine, ModeRef
from statecraft.proof.explore import START, Config, Explorer, Only
from statecraft.proof.explored import Explored, Undecided
from statecraft.proof.finding import Finding, Run
from statecraft.proof.hope import Piece, hopeless
from statecraft.proof.model import NOBODY, Model, Modes, Rows
from statecraft.proof.runs import Trail, narrowed_to
from statecraft.proof.search import Goal
from statecraft.proof.zones import FREE

Explore = Callable[[frozenset[str]], Explored]
"""Gives the exploration of some parts together (with all that they ask about)."""


def no_way_to_stop(explored: Explored, part: int) -> Iterator[Finding]:
    """Modes of ``part`` with a reachable configuration from which no run leads to a stop mode of it."""
    whole = explored.model.parts[part]
    stops = {place for place, mode in enumerate(whole.modes) if mode.stop}
    lost = hopeless(
        explored.explorer, explored.explorer.numbers(), lambda config: config.modes[part] in stops, sure=explored.sure
    )
    if lost and (explored.model.loose or explored.partial):
        raise Undecided
    by_mode: dict[int, list[tuple[int, list[Piece]]]] = defaultdict(list)
    for number, pieces in lost.items():
        by_mode[explored.explorer.configs[number].modes[part]].append((number, pieces))
    for place in sorted(by_mode):
        mode = whole.modes[place]
        yield Finding(
            "no way to stop",
            mode.place,
            f"once in {mode.name}, the machine can come to where nothing leads to a stop mode any more.",
            "add a failsafe for a halt command in any mode, leading to a stop mode.",
            mode=explored.ref(part, place),
            by=tuple(
                explored.row_ref(part, row.number)
                for row in explored.model.rows_in(part, place)
                if row.move == "go" and whole.mode[row.target].stop
            ),
            run=explored.shortest(in_pieces(explored, by_mode[place])),
        )


def in_pieces(
    explored: Explored, pieces: Sequence[tuple[int, list[Piece]]], note: object = None
) -> Callable[[Explorer, int, Config], Iterator[Trail]]:
    """The goal of coming to one of some pieces of configurations of ``explored``."""
    configs = explored.explorer.configs
    return in_some(
        explored,
        [(configs[number]._replace(boxes=p.boxes, zone=p.zone), note) for number, some in pieces for p in some],
    )


def in_some(
    explored: Explored, some: Sequence[tuple[Config, object]]
) -> Callable[[Explorer, int, Config], Iterator[Trail]]:
    """The goal of coming to one of some configurations; each with the note that its trail is to bear."""
    zones = explored.explorer.zones

    def there(explorer: Explorer, number: int, config: Config) -> Iterator[Trail]:
        if number == START:
            return
        for other, note in some:
            if not explored.alike(config, other):
                continue
            if any(not mine & theirs for mine, theirs in zip(config.boxes, other.boxes, strict=True)):
                continue
            last = zones.clocks[other.zone], zones.matrix[other.zone]
            if narrowed_to(explorer, config.zone, last) is not None:
                yield Trail([], last=last, states=other.boxes, note=note)

    return there


# ------------------------------------------------------------------------------------------------------- halt missed


def halt_missed(machine: Machine, explore: Explore) -> Iterator[Finding]:
    """Moving modes for which no single urgent command stops every part on the tick that takes it.

    Raises:
        Undecided: of some modes it cannot be told; those of which it can have come first.
    """
    urgent = [command.name for command in machine.commands if command.urgent and command.name in machine.events()]
    obeyed = {command: _who_obeys(machine, explore, command) for command in urgent}
    doubtful = False
    for part in machine.parts:
        own = explore(frozenset([part.name]))
        at = own.model.part_index[part.name]
        for place, mode in enumerate(part.modes):
            if not machine.is_moving(part, mode) or (at, place) not in own.reached:
                continue
            fails: list[tuple[str, Explored, int]] = []
            for command in urgent:
                found = list(_fails(machine, explore, part.name, mode.name, command, obeyed[command]))
                if not found:
                    break
                fails += [(command, explored, other) for explored, other in found]
            else:
                try:
                    finding = _missed(own, at, place, fails)
                except Undecided:
                    doubtful = True
                    continue
                if finding is not None:
                    yield finding
    if doubtful:
        raise Undecided


def _who_obeys(machine: Machine, explore: Explore, command: str) -> frozenset[str]:
    """The parts that ``command`` brings to a stop mode from wherever they are."""
    found = set()
    for part in machine.parts:
        explored = explore(frozenset([part.name]))
        at = explored.model.part_index[part.name]
        if not any(_disobeys(explored, at, None, command)):
            found.add(part.name)
    return frozenset(found)


def _fails(
    machine: Machine, explore: Explore, part: str, mode: str, command: str, obedient: frozenset[str]
) -> Iterator[tuple[Explored, int]]:
    """The parts that ``command`` does not stop, taken in ``mode`` of ``part``, each with the exploration that shows
    it."""
    for other in machine.parts:
        if other.name in obedient:
            continue
        explored = explore(frozenset([part, other.name]))
        model = explored.model
        at, place = model.part_index[part], model.mode_index[model.part_index[part]][mode]
        if any(_disobeys(explored, model.part_index[other.name], (at, place), command)):
            yield explored, model.part_index[other.name]


def _disobeys(explored: Explored, other: int, inside: tuple[int, int] | None, command: str) -> Iterator[bool]:
    """Whether ``command``, taken, can leave the part ``other`` in a mode that is not a stop mode."""
    model, explorer = explored.model, explored.explorer
    only = taking(model, command)
    seen: dict[tuple[Modes, Rows], bool] = {}
    for number, config, region in explored.views():
        if number == START or not region.hearing.takes & only.takes:
            continue
        if inside is not None and config.modes[inside[0]] != inside[1]:
            continue
        for value, _ in explorer.values(config, region, region.node, only):
            assert isinstance(value, tuple)
            key = (config.modes, value)
            if key not in seen:
                after = model.effect(config.modes, region.counters, value).modes[other]
                seen[key] = not explored.mode(other, after).stop
            if seen[key]:
                yield True


def taking(model: Model, command: str) -> Only:
    """A step that takes ``command``."""
    return Only(takes=1 << model.takes.index(command), once=True)


def _missed(own: Explored, part: int, place: int, fails: list[tuple[str, Explored, int]]) -> Finding | None:
    mode = own.mode(part, place)
    ref = own.ref(part, place)
    hint = "add an urgent command, and a failsafe on it, before all others, in any mode, that leads to a stop mode."
    if not fails:
        if own.partial:
            raise Undecided  # it may never be entered
        message = f"no urgent command stops the machine in {mode.name}: no row tests one."
        return Finding("halt missed", mode.place, message, hint, mode=ref, run=None)
    best: tuple[Run, str, Explored, int, int] | None = None
    for command, explored, other in fails:
        found = explored.found(lambda _, e=explored, c=command, o=other: _disobeyed(e, ref, c, o))  # type: ignore[misc]
        if found is not None and (best is None or found.run.ticks < best[0].ticks):
            assert isinstance(found.note, int)
            best = found.run, command, explored, other, found.note
    if best is None:
        return None
    run, command, explored, other, row = best
    by = () if row == NOBODY else (explored.row_ref(other, row),)
    whose = explored.model.parts[other].name
    whom = "the machine" if whose == ref.part else whose
    told = (
        f"{command} is not sure to stop"
        if len({name for name, _, _ in fails}) == 1
        else "no urgent command is sure to stop"
    )
    return Finding(
        "halt missed",
        mode.place,
        f"{told} {whom} on the tick that takes it in {mode.name}.",
        hint,
        mode=ref,
        by=by,
        run=run,
    )


def _disobeyed(explored: Explored, mode: ModeRef, command: str, other: int) -> Goal:
    """The goal of taking ``command`` in ``mode`` and not coming to a stop mode of the part ``other``; the row that
    decides there instead is its note."""
    model = explored.model
    part = model.part_index[mode.part]
    place = model.mode_index[part][mode.mode]
    only = taking(model, command)

    def missed(explorer: Explorer, number: int, config: Config) -> Iterator[Trail]:
        if number == START or config.modes[part] != place:
            return
        for edge, target in explorer.steps(number, only):
            if not explored.mode(other, target.modes[other]).stop:
                yield Trail([edge], note=edge.way.rows[other])

    return missed


# ----------------------------------------------------------------------------------------------------------- runaway


def runaway(explored: Explored, part: int) -> Iterator[Finding]:
    """Modes in which ``part`` still moves on the second of two ticks on which every link is silent."""
    machine, model = explored.machine, explored.model
    if not machine.links or any(link.silent is None for link in machine.links):
        return
    watched = {
        place for place, mode in enumerate(model.parts[part].modes) if model.moving(part, place) and not mode.unattended
    }
    silences = {f"silent {link.name}": link.silent or 0 for link in machine.links}
    bounds = tuple((clock, ticks + 1, FREE) for clock, ticks in silences.items())

    def moving_on(explorer: Explorer, number: int, config: Config) -> Iterator[tuple[int, Trail]]:
        if number == START or config.modes[part] not in watched:
            return
        if any(explorer.zones.span(config.zone, clock)[1] < ticks for clock, ticks in silences.items()):
            return
        only = Only(deaf=frozenset(silences), bounds=bounds, once=True)
        for edge, target in explorer.steps(number, only):
            if target.modes[part] in watched:
                yield target.modes[part], Trail([edge], bounds={0: bounds})

    found = {
        place for number, config in explored.configs() for place, _ in moving_on(explored.explorer, number, config)
    }
    for place in sorted(found):
        mode = explored.mode(part, place)

        def there(explorer: Explorer, number: int, config: Config, place: int = place) -> Iterator[Trail]:
            return (trail for at, trail in moving_on(explorer, number, config) if at == place)

        run = explored.shortest(there)
        if run is None:
            continue
        yield Finding(
            "runaway",
            mode.place,
            f"in {mode.name} the machine moves on when nobody has been heard"
            + (f" for {machine.duration(max(silences.values()))}." if len(silences) == 1 else " on any link."),
            f"add a failsafe on a link's silence that leads from {mode.name} to a stop mode, or declare the mode "
            "unattended.",
            mode=ModeRef(model.parts[part].name, mode.name),
            run=run,
        )
