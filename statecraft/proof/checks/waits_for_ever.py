"""*Waits for ever*: a moving mode that nothing leads out of while the inputs stay as they are."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence

from statecraft.findings import Finding, Run
from statecraft.proof.checks.constant_inputs import (
    Cells,
    _late,
    clusters_asked,
    confined,
    constants,
    every_choice,
    with_tail,
)
from statecraft.proof.engine.diagrams import FALSE, TRUE, Node
from statecraft.proof.engine.exploration import Config, Explorer, Only
from statecraft.proof.engine.liveness import Subset, cannot_reach
from statecraft.proof.engine.model import DEAD, NOBODY, Modes
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.proof.runs.goals import in_pieces
from statecraft.semantics.decisions import StepCounter


def waits_for_ever(explored: Reachability, part: int) -> Iterator[Finding]:
    """Moving modes of ``part`` with a configuration that no commands lead out of on some constant inputs; none that are
    declared endless.

    Raises:
        Undecided: there are too many choices of inputs, or it hangs on inputs that are not known to stand still.
    """
    model = explored.model
    for place, mode in enumerate(model.parts[part].modes):
        if not model.moving(part, place) or mode.endless or (part, place) not in explored.reached:
            continue
        best: tuple[Run, Cells] | None = None
        for cells in _candidates(explored, part, place):
            if explored.partial or unsteady(explored, part, place):
                raise Undecided
            stays, _ = lost(explored, part, place, confined(explored, cells))
            if not stays:
                continue
            if roughly(explored, part, place):
                raise Undecided
            run = explored.shortest(in_pieces(explored, stays))
            if run is not None and (best is None or run.ticks < best[0].ticks):
                best = run, cells
        if best is None:
            continue
        run, cells = best
        yield Finding(
            "waits for ever",
            mode.place,
            f"{mode.name} can get stuck: while the inputs stay as they are, no command and no silence leads out of it.",
            f"give {mode.name} a row with 'after' that leads on, or one on a command that asks nothing else.",
            mode=explored.ref(part, place),
            by=tuple(
                explored.row_ref(part, row.number)
                for row in model.rows_in(part, place)
                if row.move == "go" and row.target != mode.name
            ),
            run=with_tail(explored, run, [cells]),
        )


def _candidates(explored: Reachability, part: int, place: int) -> Iterator[Cells]:
    """Constant inputs on which nothing leads out of the mode once every clock that runs there stands at its limit.

    Who waits for ever comes to that, if nothing is ever said; so on other inputs nobody does.
    """
    model, explorer, diagrams = explored.model, explored.explorer, explored.model.diagrams
    seen: set[Cells] = set()
    if any(row.move == "restart" for row in model.rows_in(part, place)):
        # Its clock need not come to its limit: every choice has to be tried.
        modes = modes_beside(explored, part, place)
        clusters = sorted(set(constants(explored, modes)) | set(asked_by_others(explored, part)))
        yield from every_choice(explored, clusters, modes)
        return
    own = {f"mode {model.parts[part].name}"}
    own |= {f"group {model.parts[part].name}.{group}" for group in explored.mode(part, place).groups}
    for _, config in explored.configs_in(part, place):
        clocks = [clock for clock in explorer.zones.clocks[config.zone] if clock in own or clock in model.by_message]
        late = _late(explorer, config, clocks)
        if late is None:
            continue
        stays: dict[object, Node] = {}  # whatever is heard, by what time says otherwise
        for region in explorer.regions(late, Only(still=True)):
            told = tuple(span for span in region.spans if span[0] not in explored.messages)
            leaves = diagrams.where(region.node, lambda rows: _leaves(explored, part, place, rows))
            before = stays.get(told, TRUE)
            stays[told] = diagrams.select(_some_take(explored, leaves, region.hearing.takes), FALSE, before)
        nodes = {node for node in stays.values() if node != FALSE}
        if not nodes:
            continue
        clusters = sorted(set(constants(explored, [config.modes])) | set(asked_by_others(explored, part)))
        for cells in every_choice(explored, clusters, modes_beside(explored, part, place)):
            only = confined(explored, cells)
            allowed = {
                index: pairs & (model.clusters[index].pairs_from(late.boxes[index]) if index < model.with_state else -1)
                for index, pairs in only.pairs
            }
            if cells not in seen and any(diagrams.choose(node, allowed) is not None for node in nodes):
                seen.add(cells)
                yield cells


def _leaves(explored: Reachability, part: int, place: int, rows: object) -> bool:
    assert isinstance(rows, tuple)
    if rows[part] == NOBODY:
        return False
    row = explored.row(part, rows[part])
    return row.move == "go" and explored.model.mode_index[part][row.target] != place


def _some_take(explored: Reachability, node: Node, takes: int) -> Node:
    """True where ``node`` is for some command of ``takes``."""
    diagrams, command = explored.model.diagrams, explored.model.command
    made = FALSE
    for take in range(len(explored.model.takes)):
        if takes >> take & 1:
            always = tuple(take for _ in explored.model.takes)
            made = diagrams.select(diagrams.mapped(node, command, always), TRUE, made)
    return made


def asked_by_others(explored: Reachability, part: int) -> Iterator[int]:
    """The clusters that other parts ask in any mode and that stand still: they may open the way."""
    for other, whole in enumerate(explored.model.parts):
        if other != part:
            for mode in range(len(whole.modes)):
                yield from clusters_asked(explored, other, mode) - explored.model.by_span.keys()


def unsteady(explored: Reachability, part: int, place: int) -> bool:
    """Whether anything beside the mode, or another part in any mode, asks of inputs that are not known to stand still
    when inputs do."""
    others = (
        clusters_asked(explored, other, mode)
        for other, whole in enumerate(explored.model.parts)
        for mode in range(len(whole.modes))
        if other != part
    )
    spanned = explored.model.by_span.keys()
    return explored.unsteady(modes_beside(explored, part, place)) or not spanned.isdisjoint(itertools.chain(*others))


def modes_beside(explored: Reachability, part: int, place: int) -> list[Modes]:
    return list(dict.fromkeys(config.modes for _, config in explored.configs_in(part, place)))


def lost(explored: Reachability, part: int, place: int, only: Only) -> tuple[list[tuple[int, list[Subset]]], bool]:
    """The configurations in the mode from which nothing leads out of it on steps confined to ``only``; and whether
    something does from some.

    A counter that counts time and is followed roughly may be known to come to its end while the mode lasts. Who stays
    for ever comes there, and so that is where it is looked whether anything leads out of the mode.

    Raises:
        Undecided: from some, whether anything does hangs on how many steps a stepper does.
    """
    ends = {at: end for at, end in _ends(explored, part, place).items() if end is not None}
    firm = not roughly(explored, part, place)
    sources = [
        (number, config)
        for number, config in explored.configs_in(part, place)
        if all(config.counters[at] in (end, DEAD) for at, end in ends.items())
    ]
    explorer = _onward(explored, part, place, only, [config for _, config in sources])
    numbers = [number for number in explorer.numbers() if explorer.configs[number].modes[part] == place]

    def gone(config: Config) -> bool:
        return config.modes[part] != place

    stays = cannot_reach(explorer, numbers, gone, firm=firm)
    if explored.model.stepped_freely and cannot_reach(explorer, numbers, gone, firm=firm, steps=True) != stays:
        raise Undecided
    found = []
    for number, pieces in stays.items():
        config = explorer.configs[number]
        for known, source in sources:
            if source[:3] == config[:3]:
                found.append((known, pieces))
                break
    return found, any(explorer.configs[number].modes[part] != place for number in explorer.numbers())


def may_leave(explored: Reachability, part: int, place: int, only: Only) -> bool:
    """Whether anything may lead out of the mode on steps confined to ``only``, as roughly as counters are followed."""
    explorer = _onward(explored, part, place, only, [config for _, config in explored.configs_in(part, place)])
    return any(explorer.configs[number].modes[part] != place for number in explorer.numbers())


def _onward(explored: Reachability, part: int, place: int, only: Only, start: Sequence[Config]) -> Explorer:
    """What ``start`` leads to in the mode, and where out of it, on steps confined to ``only``."""
    zones = explored.explorer.zones
    explorer = Explorer(explored.model, within=lambda config: config.modes[part] == place, only=only, zones=zones)
    explorer.run(start)
    return explorer


def roughly(explored: Reachability, part: int, place: int) -> bool:
    """Whether what stays in the mode is known only roughly, since a counter counts time there that is followed roughly
    and need not come to an end."""
    return explored.model.loose.keys() - _ends(explored, part, place).keys() != set()


def _ends(explored: Reachability, part: int, place: int) -> dict[int, int | None]:
    """Of the counters of the part that are followed roughly, those that time or a stepper moves one way only while the
    mode lasts, each with what it comes to (as the model tells its values apart); and those that nothing moves but
    pulses, which stand still with the inputs, with None."""
    model = explored.model
    modes = tuple(place if other == part else 0 for other in range(len(model.parts)))
    changes = [c for made in model.decisions_in(part, place) if made.target == made.mode for c in made.changes]
    found: dict[int, int | None] = {}
    for at, values in model.loose.items():
        counter = model.counters[at]
        if model.part_index[counter.part] != part:
            continue
        own = [change for change in changes if change.counter.name == counter.name]
        timed = {c.by > 0 for clause, c in enumerate(counter.counts) if model.counting(at, clause, modes)}
        if counter.steps_of:
            owner = model.machine.owner(counter.steps_of)
            if owner is None or model.part_index[owner.name] != part:
                continue
            least, most = model.moves(at, modes)
            timed |= {up for up, moves in ((True, most > 0), (False, least < 0)) if moves}
        ways = timed | {change.by > 0 for change in own if isinstance(change, StepCounter)}
        if not own and not timed:
            found[at] = None
        elif timed and not counter.round and len(ways) == 1 and all(isinstance(change, StepCounter) for change in own):
            found[at] = max(values) if True in ways else min(values)
    return found
