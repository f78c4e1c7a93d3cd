"""*Bare threshold*: two readings no further apart than the sensor trembles, one or the other on each tick, lead out of
a driving mode and back; or turn a level on and off.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

from statecraft.findings import Finding, RowRef
from statecraft.folding import listed
from statecraft.machine import Compare, Condition, Fault, Level, LevelOn, Machine, Sensor, Steady, Term, sensors_of
from statecraft.proof.checks.constant_inputs import (
    Cells,
    EndlessWay,
    Round,
    Saying,
    Turning,
    _rows_of,
    at_once,
    begun_once,
    differs,
    endless_run,
    quiet,
    resting,
    rounds,
    sayings,
)
from statecraft.proof.checks.mode_cycles import LONGEST, cycles, tremble, twin, unsteady_levels, wavers
from statecraft.proof.engine.clusters import Cluster
from statecraft.proof.engine.conditions import Literal, Ranges, Values, consistent, holds, terms_of
from statecraft.proof.engine.exploration import Config, Only
from statecraft.proof.engine.limits import look
from statecraft.proof.noise import noise_of
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.semantics.cone import atoms_read

MOST_SAID = 8
"""Ways to say the same on every tick with each of which the shortest run is sought; of more, with the first that has
one."""


class Tremble(NamedTuple):
    """Two readings of a sensor, all else equal: where a cluster's inputs are with the one and with the other.

    Attributes:
        cells: the cells.
        values: the readings in them.
        left: the bands that going from the one to the other leaves.
    """

    cells: tuple[int, int]
    values: tuple[Values, Values]
    left: frozenset[Steady]


def bare_threshold(explored: Reachability, part: int, sensor: Sensor) -> Iterator[Finding]:
    """Driving modes that readings of ``sensor`` no further apart than it trembles lead out of and into, the mode
    changing on every tick.

    Raises:
        Undecided: there are too many choices of inputs.
    """
    unseen = explored.unseen(sensor.name, unsteady_levels(explored.whole, sensor))
    if sensor.name not in explored.sensor_pairs and not unseen:
        return
    every = sayings(explored, frozenset([part]), sensor)
    if every and unseen:  # the part may do what it does because something else reads the sensor
        explored.refuted(unseen)
    found: dict[int, list[EndlessWay]] = {}
    read: dict[tuple[Cells, ...], Tremble] = {}
    late: set[int] = set()  # modes of which a shorter run may be shown where something else is said
    left: Undecided | None = None
    for saying in every:
        known = frozenset(found)
        for done in dict.fromkeys((frozenset[int]() if len(every) <= MOST_SAID else known, known)):
            late |= done
            try:
                more, left = _bare(explored, part, sensor, saying, done, read), None
                break
            except Undecided as undecided:
                left = undecided
        if left is not None:
            break
        for place, some in more.items():
            found.setdefault(place, []).append(EndlessWay(some, frozenset([part]), saying))
    for place in sorted(found):
        yield _told(explored, part, sensor, place, found[place], read, place in late)
    if left is not None:
        raise left


def _bare(
    explored: Reachability,
    part: int,
    sensor: Sensor,
    saying: Saying,
    done: Collection[int],
    read: dict[tuple[Cells, ...], Tremble],
) -> dict[int, list[tuple[Config, object]]]:
    """Driving modes that are so left, none of those ``done``, with ``saying`` said on every tick; each with the rounds
    that leave it. To ``read`` is added which two readings their turns are."""
    model, machine = explored.model, explored.whole
    alone = frozenset([part])
    ways = _rounds(explored, part, sensor, saying)
    driving = {place for place, mode in enumerate(model.parts[part].modes) if machine.drives(mode)}
    driving.difference_update(done)
    own, _ = explored.sensor_pairs[sensor.name]
    found: dict[int, list[tuple[Config, object]]] = {}
    followed = itertools.count()
    once = begun_once(machine, sensor.name)
    still = explored.settled(saying.ways, sensor.name)
    within = frozenset((part, name) for way in ways for name in way)
    if own in explored.varying and own not in still:
        # what is free beside the reading does not stand still, as all else does in pairs: none of theirs is no proof
        anything = Turning(explored, alone, saying, settled=still, among=driving)
        anything.within = within
        if ways and any(anything.choices()):
            raise Undecided
        return {}
    for pair, word in itertools.product(trembles(machine, model.clusters[own], sensor, model.ranges), _words(ways)):
        letters = [pair.cells[letter] for letter in word]
        turning = Turning(explored, alone, saying, own, letters, still, driving)
        turning.within = within
        for rest, starts in turning.choices():
            if own in explored.varying:
                raise Undecided  # what is free beside the reading stands still in the long run only
            turns = [(*rest, (own, cell)) for cell in letters]
            modes = {config.modes for config in starts}
            onlys = [
                _in_step(
                    resting(explored, quiet(explored, cells, saying), modes),
                    *(model.clusters[own], sensor.name, pair.left if moves else ()),
                )
                for cells, moves in zip(turns, _moves(word), strict=True)
            ]
            other = {cells: onlys[word.index(1 - letter)] for cells, letter in zip(turns, word, strict=True)}
            settled: set[tuple[Config, int]] = set()
            for config in starts:
                for each in rounds(explored, config, onlys, alone, modes, followed, settled, once):
                    if explored.unsteady(each.modes):
                        raise Undecided
                    if _depends(explored, part, each, onlys, [other[cells] for cells in turns], own):
                        for at in {some[part] for some in each.modes if some[part] in driving}:
                            for start, note in each.starts(turns):
                                assert isinstance(note, tuple)
                                read.setdefault(tuple(note[1]), pair)
                                found.setdefault(at, []).append((start, note))
    return found


def _told(
    explored: Reachability,
    part: int,
    sensor: Sensor,
    place: int,
    ways: Sequence[EndlessWay],
    read: Mapping[tuple[Cells, ...], Tremble],
    late: bool,
) -> Finding:
    """A mode that is left on rounds of these ``ways``; ``late``: a shorter run to one may have been passed over. So it
    may in a slice, where rounds rest on what is free, too."""
    machine, mode, own = explored.whole, explored.mode(part, place), explored.sensor_pairs[sensor.name][0]

    def readings(turns: Sequence[Cells]) -> Sequence[Values]:
        pair = read[tuple(turns)]
        return [pair.values[pair.cells.index(dict(cells)[own])] for cells in turns]

    run, example, _ = endless_run(explored, ways, readings)
    by = _rows_of(explored, example, [part])
    rows = [by, *(_rows_asked(explored, example, parts) for parts in ([part], range(part)))]
    return Finding(
        "bare threshold",
        mode.place,
        f"{_cause(machine, sensor, mode.part, rows)}: {mode.name} is left and entered again on every tick.",
        f"let a level with a gap between its set and its clear condition stand between {sensor.name} and the rows, "
        "or let one of them wait with 'after'.",
        mode=explored.ref(part, place),
        by=by,
        subject=sensor.name,
        run=replace(run, waited=run.waited or ((late or explored.partial) and not at_once(run))),
    )


def _rows_asked(explored: Reachability, each: Round, parts: Iterable[int]) -> Iterator[RowRef]:
    """The rows that apply on a round."""
    for part in parts:
        for mode in dict.fromkeys(some[part] for some in each.modes):
            yield from (explored.row_ref(part, row.number) for row in explored.model.rows_in(part, mode))


def _cause(machine: Machine, sensor: Sensor, part: str, rows: Sequence[Iterable[RowRef]]) -> str:
    """``front trembles by up to 1 cm, and near goes on and off within that``. Of ``rows`` the first lot counts in which
    some read the sensor: those that a part goes round by; those that do not decide where they apply, for what is read
    on that tick; those of parts before it, on what these do at the same time."""

    def reading(refs: Iterable[RowRef]) -> dict[RowRef, Condition]:
        asked = {ref: machine.part(ref.part).rows[ref.number].when for ref in refs}
        return {ref: when for ref, when in asked.items() if tremble(machine, sensor, [when])}

    asked = next(filter(None, map(reading, rows)), {})
    conditions = list(asked.values())
    others = [name for name in dict.fromkeys(ref.part for ref in asked) if name != part]
    way = f", by way of {listed(others)}" if others else ""
    most = sensor.unit.show(tremble(machine, sensor, conditions))
    read = {atom.level for atom in atoms_read(machine, conditions) if isinstance(atom, LevelOn)}
    levels = [level.name for level in machine.levels if level.name in read and wavers(machine, level, sensor)]
    if not levels:
        return f"readings of {sensor.name} tremble by up to {most}, and within that the rows lead to and fro{way}"
    named = levels[0] if len(levels) == 1 else f"{', '.join(levels[:-1])} and {levels[-1]}"
    go = "go" if len(levels) > 1 else "goes"
    return f"readings of {sensor.name} tremble by up to {most}, and {named} {go} on and off within that{way}"


def _depends(
    explored: Reachability, part: int, each: Round, onlys: Sequence[Only], others: Sequence[Only], own: int
) -> bool:
    """Whether, somewhere on the round, the other reading would have led the part to another mode, all else equal."""
    for place, edge in enumerate(each.edges):
        after = each.modes[(place + 1) % len(each.modes)][part]
        turn = (each.phase + place) % len(onlys)
        config = explored.explorer.configs[edge.source]
        for way in edge.alike.values():
            here = config, way.region
            if differs(explored, part, here, own, onlys[turn], others[turn], after):
                return True
    return False


def _rounds(explored: Reachability, part: int, sensor: Sensor, saying: Saying) -> list[tuple[str, ...]]:
    """The modes that the part may go round.

    Raises:
        Undecided: there are too many ways.
    """
    taken, name = explored.model.takes[saying.take], explored.model.parts[part].name
    found: dict[tuple[str, ...], None] = {}
    for said in saying.ways:
        some = cycles(explored.whole, taken, said, name, sensor)
        if some is None or any(len(each) > LONGEST for each in some):
            raise Undecided
        found |= dict.fromkeys(some)
    return list(found)


def _words(rounds: Iterable[tuple[str, ...]]) -> list[tuple[int, ...]]:
    """The turns that two readings can take while the part goes round once or, in two ways, twice: 0 and 1, each at
    least once, none of them a shorter one said over again."""
    found = {len(each) for each in rounds}
    some = found | {one + other for one in found for other in found if one + other <= LONGEST}
    words: list[tuple[int, ...]] = []
    for length in sorted(some):
        for word in itertools.product((0, 1), repeat=length):
            shorter = (size for size in range(1, length) if length % size == 0)
            if all(word != word[:size] * (length // size) for size in shorter):
                words.append(word)
    return words


def _moves(word: Sequence[int]) -> list[bool]:
    """On which turns the reading is another than on the one before."""
    return [letter != word[place - 1] for place, letter in enumerate(word)]


# ----------------------------------------------------------------------------------------------------- the two readings


def trembles(machine: Machine, cluster: Cluster, sensor: Sensor, ranges: Ranges) -> list[Tremble]:
    """The pairs of different cells that two readings of ``sensor`` no further apart than it trembles can be in, all
    else equal; the lower reading first.
    """
    term = Term("sensor", sensor.name)
    low, high = ranges[term][:2]
    reading = [atom for atom in cluster.inputs if isinstance(atom, Compare) and term in terms_of(atom)]
    found: dict[tuple[tuple[int, int], frozenset[Steady]], Tremble] = {}
    most = max((noise_of(machine, sensor, value) for value in {low, high, *(a.offset for a in reading)}), default=0)
    for least, widest, left in _bands(cluster, sensor.name, min(most, high - low)):
        if all(atom.right is None for atom in reading):
            some = _on_a_line(machine, cluster, sensor, reading, low, high, least, widest)
        else:
            some = _anywhere(cluster, sensor.name, reading, ranges, least, widest)
        for cells, values in some:
            found.setdefault((cells, left), Tremble(cells, values, left))
    return list(found.values())


def _bands(cluster: Cluster, sensor: str, most: int) -> Iterator[tuple[int, int, frozenset[Steady]]]:
    """How far apart two readings may be, from the least to the most, with the bands that such a step leaves."""
    bands = sorted({atom.band for atom in cluster.steadies if atom.sensor == sensor and atom.band < most})
    for least, widest in itertools.pairwise([1, *(band + 1 for band in bands if band), most + 1]):
        if least < widest:
            left = frozenset(atom for atom in cluster.steadies if atom.sensor == sensor and atom.band < least)
            yield least, widest - 1, left


def _in_step(only: Only, cluster: Cluster, sensor: str, left: Iterable[Steady]) -> Only:
    """``only``, on readings of ``sensor`` that leave the bands ``left`` and no other."""
    leaves = frozenset(left)
    steps = cluster.mask(lambda _, cell: frozenset(atom for atom in cell.moved if atom.sensor == sensor) == leaves)
    return only._replace(
        pairs=tuple((index, pairs & steps if index == cluster.index else pairs) for index, pairs in only.pairs)
    )


Pair = tuple[tuple[int, int], tuple[Values, Values]]


def _anywhere(
    cluster: Cluster, sensor: str, reading: Sequence[Compare], ranges: Ranges, least: int, widest: int
) -> Iterator[Pair]:
    """Pairs of cells, by what is possible of the sensor's reading and another of it together."""
    term, other = Term("sensor", sensor), twin(sensor)
    both = {**ranges, other: ranges[term]}
    close = [(Compare(other, ">=", term, least), True), (Compare(other, "<=", term, widest), True)]
    firsts = [
        (number, cell) for number, cell in enumerate(cluster.cells) if not cell.moved and Fault(sensor) not in cell.true
    ]
    for (one, first), (two, second) in itertools.permutations(firsts, 2):
        look()
        if first.switches != second.switches:
            continue
        if any((atom in first.true) != (atom in second.true) for atom in cluster.inputs if atom not in reading):
            continue
        literals: list[Literal] = [
            (atom, atom in first.true) for atom in cluster.inputs if isinstance(atom, Compare | Fault)
        ]
        literals += [(_of(atom, term, other), atom in second.true) for atom in reading]
        values = consistent([*literals, *close], both)
        if values is not None:
            above = values.pop(other)
            yield (one, two), (values, {**values, term: above})


def _of(atom: Compare, term: Term, other: Term) -> Compare:
    """``atom`` with ``other`` in the place of ``term``."""
    return replace(
        atom, left=other if atom.left == term else atom.left, right=other if atom.right == term else atom.right
    )


def _on_a_line(
    machine: Machine,
    cluster: Cluster,
    sensor: Sensor,
    reading: Sequence[Compare],
    low: int,
    high: int,
    least: int,
    widest: int,
) -> Iterator[Pair]:
    """Pairs of cells where ``reading`` has comparisons with constants only: its answers are stretches of a line.

    What the cells say of anything else does not depend on the reading: it need only be the same in both.
    """
    term = Term("sensor", sensor.name)
    alike: dict[tuple[object, object], dict[tuple[bool, ...], int]] = {}
    for index, cell in enumerate(cluster.cells):
        if Fault(sensor.name) not in cell.true and not cell.moved:
            answers = tuple(atom in cell.true for atom in reading)
            alike.setdefault((cell.switches, frozenset(cell.true.difference(reading))), {})[answers] = index
    starts = sorted(
        {value for atom in reading for value in (atom.offset, atom.offset + 1) if low < value <= high} | {low}
    )
    stretches = list(zip(starts, [*(start - 1 for start in starts[1:]), high], strict=True))
    for (start, end), (above, last) in itertools.combinations(stretches, 2):
        most = min(widest, max(noise_of(machine, sensor, value) for value in (end, above)))
        step = max(least, above - end)
        if step > most or step > last - start:
            continue
        value = max(start, above - step)
        before, after = (tuple(holds(atom.op, at, atom.offset) for atom in reading) for at in (value, value + step))
        if before == after:
            continue
        for by_answers in alike.values():
            one, other = by_answers.get(before), by_answers.get(after)
            if one is not None and other is not None:
                yield (one, other), ({term: value}, {term: value + step})


# ------------------------------------------------------------------------------------------------------- a level alone


def wavering_levels(machine: Machine) -> Iterator[Finding]:
    """Levels that readings no further apart than a sensor trembles turn on and off, told from their conditions."""
    read = {
        atom.level
        for condition in [row.when for part in machine.parts for row in part.rows]
        for atom in atoms_read(machine, [condition])
        if isinstance(atom, LevelOn)
    }
    for level in machine.levels:
        if level.made:
            continue
        sensors = {name for side in (level.set, level.clear) for name in sensors_of(side)}
        by = [s for s in machine.sensors if s.name in sensors and wavers(machine, level, s, 1, staying=True)]
        if level.name in read and by:
            yield _wavers(machine, level, by)


def _wavers(machine: Machine, level: Level, by: Sequence[Sensor]) -> Finding:
    sides = [level.set, level.clear]
    sensors = " or ".join(f"{each.name}, by up to {each.unit.show(tremble(machine, each, sides))}" for each in by)
    return Finding(
        "bare threshold",
        level.place,
        f"the level {level.name} can go on and off on every tick, by no more than readings tremble: {sensors}.",
        f"leave a wider gap between the set and the clear condition of {level.name}, or let one of them last 'for' a "
        "time.",
        subject=level.name,
        gravity="note",
    )


def told_elsewhere(machine: Machine, finding: Finding, found: Sequence[Finding]) -> bool:
    """Whether ``finding`` is about a level alone that another one is about: it leads out of a mode, or overlaps, or
    wavers only in modes of which it is told that they are never entered."""
    if finding.code != "bare threshold" or finding.mode is not None:
        return False
    level = next(each for each in machine.levels if each.name == finding.subject)
    sensors = {name for side in (level.set, level.clear) for name in sensors_of(side)}
    never = {(f.mode.part, f.mode.mode) for f in found if f.code == "unreachable" and f.mode is not None}
    if never and not any(wavers(machine, level, each, 1, never, True) for each in machine.sensors):
        return True
    for other in found:
        if other.code == "overlapping" and other.subject == level.name:
            return True
        if other.code == "bare threshold" and other.mode is not None and other.subject in sensors:
            rows = [machine.part(row.part).rows[row.number].when for row in other.by]
            if any(isinstance(atom, LevelOn) and atom.level == level.name for atom in atoms_read(machine, rows)):
                return True
    return False
