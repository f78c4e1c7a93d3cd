"""*Faint hope*: a row that starts something with a sensor in fault, though a reading would have prevented it."""

from __future__ import annotations

from collections.abc import Iterator

from statecraft.findings import Finding
from statecraft.folding import listed
from statecraft.machine import Atom, Compare, Fault, LevelOn, Sensor, sensors_of
from statecraft.proof.engine.clusters import Cluster, InputCell
from statecraft.proof.engine.conditions import terms_of
from statecraft.proof.engine.diagrams import Node
from statecraft.proof.engine.exploration import NONE, START, Config, Explorer, Only, Region
from statecraft.proof.engine.model import NOBODY
from statecraft.proof.reachability import Reachability
from statecraft.proof.runs.counterexamples import Trail
from statecraft.semantics import tick_of
from statecraft.semantics.guards import tests


def faint_hope(explored: Reachability, part: int, sensor: Sensor) -> Iterator[Finding]:
    """Rows of ``part`` into a driving mode that decide with ``sensor`` in fault, though some reading would have left
    the part in, or led it to, a mode that does not drive. A row that asks for the fault knows of it, and so does a mode
    that tolerates it.

    All else is equal then, also what the parts before have just done: a part that stops because of the fault, and so
    lets another one start, is no hope of that one's.
    """
    model, explorer, diagrams = explored.model, explored.explorer, explored.model.diagrams
    whole = model.parts[part]
    turn = tick_of(explored.whole).part[whole.name]
    asked = [{test for guard in guards for test in tests(guard)} for guards in turn.guards]
    starting = {
        row.number
        for row in whole.rows
        if Fault(sensor.name) not in asked[row.number]
        and any(
            explored.whole.drives(whole.mode[name], sensor.name) and sensor.name not in whole.mode[name].tolerates
            for name in {"restart": row.modes, "go": (row.target,), "stay": ()}[row.move]
        )
    }
    if sensor.name not in explored.sensor_pairs or not starting:
        return
    index, faulty = explored.sensor_pairs[sensor.name]
    spoiled = spoiled_pairs(model.clusters[index], sensor.name)
    beside = _Beside(explored, part, sensor.name, index, spoiled, faulty, frozenset(starting))
    nothing = diagrams.value((NOBODY, NOBODY))
    found: dict[int, set[int]] = {}  # rows, and the modes in which they may be prevented
    for _, config, region in explored.views():
        if not beside.matters(config):
            continue
        node = beside.node(config, region)
        if node == nothing:
            continue
        for value, _ in explorer.values(config, region, node, beside.valid):
            number = beside.prevented(value, config)
            if number in starting:
                found.setdefault(number, set()).add(config.modes[part])
    for number in sorted(found):
        row = explored.row(part, number)

        def there(explorer: Explorer, place: int, config: Config, number: int = number) -> Iterator[Trail]:
            if config.modes[part] not in found[number]:
                return
            for region in explorer.regions(config, start=place == START):
                for value, piece in explorer.values(config, region, beside.node(config, region), beside.valid):
                    if beside.prevented(value, config) == number:
                        trails = list(beside.decided(explorer, place, config, region, number, piece))
                        yield from trails
                        if trails:
                            break  # another region may be sooner; in this one they are all as soon

        run = explored.shortest(there)
        if run is None:
            continue
        levels = [each for each in explored.whole.levels if LevelOn(each.name) in asked[number]]
        of_it = [each for each in levels if sensor.name in (*sensors_of(each.set), *sensors_of(each.clear))]
        on = [each.name for each in of_it if each.on_if_in_doubt]
        doubt = f" ({listed(on)} {'is' if len(on) == 1 else 'are'} on then, 'if in doubt')" if on else ""
        other = ", or put the level it relies on 'on if in doubt'" if len(on) < len(of_it) else ""
        into = "its mode" if row.move == "restart" else row.target
        yield Finding(
            "faint hope",
            row.place,
            f"this row leads to {into} while {sensor.name} is in fault{doubt}, though some reading of {sensor.name} "
            "would have kept the machine at rest.",
            f"add 'and not {sensor.name} fault' to the row{other}.",
            row=explored.row_ref(part, number),
            subject=sensor.name,
            run=run,
        )


class _Beside:
    """Which row of a part decides with a sensor in fault, beside which would with a valid reading, all else equal.

    Args:
        sensor: its name.
        index: the sensor's cluster.
        spoiled: for each of its pairs, the one with the sensor in fault.
        faulty: its pairs in which the sensor is in fault.
        starting: the rows that enter a driving mode.
    """

    def __init__(
        self,
        explored: Reachability,
        part: int,
        sensor: str,
        index: int,
        spoiled: tuple[int, ...],
        faulty: int,
        starting: frozenset[int],
    ) -> None:
        self.explored = explored
        self.sensor = sensor
        self.starting = starting
        self.part = part
        self.index = index
        self.spoiled = spoiled
        self.valid = Only(pairs=((index, explored.model.clusters[index].all & ~faulty),))
        self._nodes: dict[Node, Node] = {}

    def matters(self, config: Config) -> bool:
        """Whether a row of the part asks about the sensor's cluster, in the mode that it is in."""
        return any(cluster == self.index for cluster, _ in self.explored.asks(self.part, config.modes[self.part]))

    def node(self, config: Config, region: Region) -> Node:
        """A diagram over valid readings whose values are (row with the fault, row with the reading).

        What the parts before have done with the fault is what this part sees in both.
        """
        model, diagrams, part = self.explored.model, self.explored.model.diagrams, self.part

        def side_by_side(rows: object) -> Node:
            assert isinstance(rows, tuple)
            seen = self.explored.explorer.seen(config.modes, region.counters, rows)
            own = model.decision(part, config.modes[part], region.passed, *seen, region.tables, region.known, rows)
            if own not in self._nodes:
                self._nodes[own] = self._side_by_side(own)
            return self._nodes[own]

        before = self.explored.explorer.before(config, region, part)
        return diagrams.follow(diagrams.mapped(before, self.index, self.spoiled), side_by_side)

    def _side_by_side(self, own: Node) -> Node:
        diagrams = self.explored.model.diagrams
        otherwise = diagrams.mapped(own, self.index, self.spoiled)
        if self.starting.isdisjoint(_last(diagrams.read(end)) for end in diagrams.ends(otherwise)):
            return diagrams.value((NOBODY, NOBODY))
        return diagrams.follow(
            otherwise,
            lambda spoilt: diagrams.follow(own, lambda good: diagrams.value((_last(spoilt), _last(good)))),
        )

    def prevented(self, value: object, config: Config) -> int:
        """The row that decides with the fault, if it enters a driving mode and, without, the part would not drive; else
        :data:`NOBODY`.
        """
        assert isinstance(value, tuple)
        explored, model, part = self.explored, self.explored.model, self.part
        spoilt, good = value
        if spoilt in (NOBODY, good):
            return NOBODY
        row = explored.row(part, spoilt)
        if row.move == "stay" or (row.move == "go" and model.mode_index[part][row.target] == config.modes[part]):
            return NOBODY
        now = explored.mode(part, config.modes[part])
        drives = explored.whole.drives
        if row.move == "restart" and (not drives(now, self.sensor) or self.sensor in now.tolerates):
            return NOBODY
        other = explored.row(part, good) if good != NOBODY else None
        then = model.parts[part].mode[other.target] if other is not None and other.move == "go" else now
        if drives(then):
            return NOBODY
        assert isinstance(spoilt, int)
        return spoilt

    def decided(
        self,
        explorer: Explorer,
        place: int,
        config: Config,
        region: Region,
        number: int,
        piece: tuple[tuple[int, int], ...],
    ) -> Iterator[Trail]:
        """The ticks in ``region`` on which row ``number`` decides with the fault, where a reading would prevent it."""
        model = self.explored.model
        diagrams = model.diagrams
        confined = dict(piece)
        good = confined.get(self.index, model.clusters[self.index].all)
        confined[self.index] = sum({1 << spoilt for pair, spoilt in enumerate(self.spoiled) if good >> pair & 1})
        pairs = tuple(confined.items())
        only = Only(pairs, region.hearing.takes, NONE, region.spans, once=True, counters=region.counters)
        differs = diagrams.where(self.node(config, region), lambda rows: self.prevented(rows, config) == number)
        prevented = diagrams.imaged(differs, self.index, self.spoiled)
        for edge, _ in explorer.steps(place, only):
            for reset, way in edge.alike.items():
                if way.rows[self.part] != number or way.region.hearing.reset != region.hearing.reset:
                    continue
                decides = diagrams.where(way.region.node, lambda rows, way=way: rows == way.rows)  # type: ignore[misc]
                both = diagrams.all_of([prevented, decides])
                allowed = dict(only.pairs)
                allowed |= {cluster: pairs & allowed.get(cluster, -1) for cluster, pairs in enumerate(way.pairs)}
                allowed[model.command] = way.region.hearing.takes
                if diagrams.choose(both, allowed) is not None:
                    yield Trail(
                        [edge._replace(way=way, reset=reset, loose=frozenset(), alike={reset: way})],
                        bounds={0: region.spans},
                        nodes={0: both},
                        pairs={0: only.pairs},
                    )


def _last(rows: object) -> int:
    assert isinstance(rows, tuple) and isinstance(rows[-1], int)
    return rows[-1]


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
