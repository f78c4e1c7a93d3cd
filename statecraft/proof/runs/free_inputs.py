"""What a slice's run says of what is free, said with the inputs that the machine has.

A counter that counts from outside stands in a slice wherever that suits its run. The machine's has to be moved there:
it is sought as near as the comparisons let it be, dials that it is compared with being free to give way, and where it
does not come there in time, the run waits for it.
"""

from __future__ import annotations

import itertools
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial

from statecraft.findings import Hold, Run, Stimulus
from statecraft.machine import Atom, Compare, Counter, Fault, Machine, Term, atoms
from statecraft.proof.engine.clusters import knots_of
from statecraft.proof.engine.conditions import Ranges, compare, consistent, terms_of
from statecraft.proof.engine.limits import look
from statecraft.proof.engine.model import NOBODY, Counters, Rows, SymbolicModel, clock_dial
from statecraft.proof.engine.slicing import Sliced
from statecraft.proof.runs.counterexamples import MOST_WAITED
from statecraft.proof.runs.holding import Holder
from statecraft.proof.runs.plans import least_asked
from statecraft.proof.runs.replay import begun, player
from statecraft.proof.runs.search import FoundRun
from statecraft.semantics import tick_of
from statecraft.semantics.dial_messages import dials_by_message
from statecraft.semantics.updates import Movement


def moved_as_free(
    machine: Machine,
    model: SymbolicModel,
    found: FoundRun,
    sliced: Sliced,
    observed: Iterable[Atom] = (),
    closely: int = 0,
    waits: bool = False,
) -> FoundRun:
    """``found``, a run of the slice that ``model`` explores, with counters that count from outside, where they are free
    in it, moved towards where the rows that decide want them, and at the end what is ``observed``; ``closely`` 1, there
    all rows, too, and 2, on every tick all rows. A tick on which not the right rows decide waits for them, and if it
    ``waits`` so does the last one: meanwhile nothing is taken. Whether that comes to the same, whoever plays the run
    will see."""
    movements = {movement.counter.name: movement for movement in tick_of(machine).movements}
    wanted = {
        dial: movements[source.thing[1]]
        for dial, source in sliced.sources.items()
        if source.thing[0] == "counter" and source.moment == "before" and source.thing[1] in movements
    }
    if not wanted:
        return found
    simulation = begun(machine, found.run)
    step, holder = player(machine, simulation), Holder(machine, simulation)
    told, counted = Telling(machine, model, wanted, observed), machine.counted_dials()
    index = simulation.layout.index
    row_at = [index["row", part.name] for part in model.parts]
    mode_at = [index["mode", part.name] for part in model.parts]
    rows = [each for each, ticks in found.rows for _ in range(ticks)]
    nobody = (NOBODY,) * len(row_at)
    holds: list[Hold] = []
    decided: list[Rows] = []
    waited = 0

    def modes() -> tuple[int, ...]:
        return tuple(simulation.state[at] for at in mode_at)

    def play(said: Stimulus, real: Stimulus, ticks: int, by: Rows) -> bool:
        """Play some ticks if those rows decide on each; else nothing."""
        before = simulation.state
        for state, _ in holder.held(partial(step, replace(real, moves=said.moves)), ticks):
            if tuple(state[at] for at in row_at) != by:
                simulation.restore(before)
                return False
        holds.append(Hold(said, ticks))
        decided.extend([by] * ticks)
        return True

    heard = heard_as_free(machine, found.run, sliced).stretches
    for stretch, real in zip(found.run.stretches, heard, strict=True):
        left = stretch.ticks
        while left:
            look()
            first = simulation.view.tick < 0  # nothing counts on tick 0
            counters = simulation.view.counters
            by = rows[len(decided) - waited]
            last = left == 1 and len(decided) - waited + 1 == len(rows)
            every = closely == 2 or (closely == 1 and last)
            asking = zip(modes(), (None if every else row for row in by), strict=True)
            said = stretch.inputs if first else told.near(stretch.inputs, counters, asking, last or closely == 2)
            stand = {name: value for name, value in said.dials if name not in counted}
            inputs = replace(real.inputs, dials=tuple((name, stand.get(name, of)) for name, of in real.inputs.dials))
            ways = [] if first else told.ways(said, counters)
            moves = [(of.counter.name, max(of.least, min(of.most, way))) for of, way in ways]
            said = replace(said, moves=tuple((name, way) for name, way in moves if way))
            to_end = len(decided) - waited + left == len(rows)
            ticks = 1 if said.moves or first or last or by != nobody else left - to_end
            far = any(not of.least <= way <= of.most for of, way in ways)
            if not (waits and last and far) and play(said, inputs, ticks, by):
                left -= ticks
            elif far and waited < MOST_WAITED and play(
                replace(said, taken=None), replace(inputs, taken=None), 1, nobody
            ):
                waited += 1
            else:
                holds.append(Hold(said, ticks))
                return _ended(found, holds, [*decided, *[by] * ticks])  # whoever plays it will see that it differs
    return _ended(found, holds, decided)


def counted_as_wanted(machine: Machine, model: SymbolicModel, found: FoundRun, sliced: Sliced) -> FoundRun | None:
    """``found``, a run of the slice that ``model`` explores, with waits for counters that count time and are told apart
    only as far as rows ask about them, so that they step there on any tick: before a tick on which one is to stand
    elsewhere, its inputs are held, and nothing is taken, until it has come there. None where none has to be waited for,
    or it does not come. Whether rows decide as they should after that, whoever plays the run will see."""
    wanted = [place for place in model.loose if model.counters[place].counts]
    if not wanted or len(found.counted) != len(found.rows):
        return None
    simulation = begun(machine, found.run)
    step, holder, index = player(machine, simulation), Holder(machine, simulation), simulation.layout.index
    row_at = [index["row", part.name] for part in model.parts]
    nobody = (NOBODY,) * len(row_at)
    holds: list[Hold] = []
    decided: list[Rows] = []

    def far(counters: Counters) -> list[int]:
        """The counters that are not where ``counters`` wants them."""
        spans = {place: model.span_of(place, value) for place in wanted if (value := counters[place]) is not None}
        stand = {place: simulation.state[index["counter", model.counters[place].name]] for place in spans}
        return [place for place, (low, high) in spans.items() if not low <= stand[place] <= high]

    def come(said: Stimulus, real: Stimulus, counters: Counters) -> bool:
        """Wait until all are there."""
        ticks = 0
        longest = max(_longest(model.counters[place]) for place in wanted)
        for state, count in holder.held(partial(step, replace(real, taken=None)), longest):
            ticks += count
            if any(state[at] != NOBODY for at in row_at):
                return False
            if not far(counters):
                break
        holds.append(Hold(replace(said, taken=None), ticks))
        decided.extend([nobody] * ticks)
        return not far(counters)

    heard = heard_as_free(machine, found.run, sliced).stretches
    stretches = zip(found.run.stretches, heard, strict=True)
    alike = zip(found.rows, found.counted, strict=True)
    (by, same), counters = next(alike)
    for stretch, real in stretches:
        left = stretch.ticks
        while left:
            if not same:
                (by, same), counters = next(alike)
            started = simulation.view.tick >= 0
            if started and far(counters) and not come(stretch.inputs, real.inputs, counters):
                return None
            ticks = min(left, same)
            for _ in holder.held(partial(step, real.inputs), ticks):
                pass
            holds.append(Hold(stretch.inputs, ticks))
            decided.extend([by] * ticks)
            left -= ticks
            same -= ticks
    return _ended(found, holds, decided) if len(decided) > found.run.ticks else None


def _longest(counter: Counter) -> int:
    """How long a counter may have to count for, from one end to the other."""
    return (counter.high - counter.low + 1) * max(counts.ticks for counts in counter.counts)


def _ended(found: FoundRun, holds: Sequence[Hold], decided: Iterable[Rows]) -> FoundRun:
    alike = tuple((each, sum(1 for _ in some)) for each, some in itertools.groupby(decided))
    return found._replace(run=replace(found.run, stretches=tuple(holds)), rows=alike)


def _read(atom: Compare | Fault) -> tuple[Term, ...]:
    return terms_of(atom) if isinstance(atom, Compare) else (Term("sensor", atom.sensor),)


class Telling:
    """What a slice's run says of counters that count from outside, ``wanted`` by the dials that stand for them."""

    def __init__(
        self, machine: Machine, model: SymbolicModel, wanted: Mapping[str, Movement], observed: Iterable[Atom]
    ) -> None:
        self.model = model
        self.wanted = wanted
        self.ranges: Ranges = model.ranges
        counted = machine.counted_dials()
        self.free = {Term("dial", name) for name in wanted}
        self.free |= {Term("dial", dial.name) for dial in machine.dials if dial.name not in counted}
        levels = [level for cluster in model.clusters for level in cluster.levels]
        self.observed = frozenset(observed)
        self.always = {*(atom for level in levels for c in (level.set, level.clear) for atom in atoms(c))}

    def ways(self, said: Stimulus, counters: Mapping[str, int]) -> list[tuple[Movement, int]]:
        """How far each counter is from where ``said`` has it."""
        return [
            (self.wanted[name], value - counters[self.wanted[name].counter.name])
            for name, value in said.dials
            if name in self.wanted and value is not None
        ]

    def near(
        self, said: Stimulus, counters: Mapping[str, int], asking: Iterable[tuple[int, int | None]], observed: bool
    ) -> Stimulus:
        """``said`` with its counters as near as can be to where they stand, all comparisons coming out the same that
        levels ask, the rows that are ``asking`` (of each part the mode, and one row or all), and who has ``observed``;
        dials that they are compared with give way."""
        asked = self.always.union(
            self.observed if observed else (),
            (
                atom
                for part, (mode, row) in enumerate(asking)
                if row != NOBODY
                for _, atom in self.model.cluster_atoms(part, mode, row)
            ),
        )
        numeric = [atom for atom in asked if isinstance(atom, Compare | Fault) and atom in self.model.input_cluster]
        values = {Term("dial", name): value for name, value in said.dials}
        values |= {Term("sensor", name): value for name, value in said.sensors}
        for name in self.wanted:
            if not any(Term("dial", name) in _read(atom) for atom in numeric):
                values[Term("dial", name)] = counters[self.wanted[name].counter.name]  # nothing asks where it is
        for knot in knots_of(numeric):
            terms = {term for atom in knot for term in _read(atom)}
            if not any(term.name in self.wanted for term in terms) or not all(term in values for term in terms):
                continue
            found = self._nearest(knot, {term: values[term] for term in terms}, counters)
            values |= {term: value for term, value in found.items() if term in self.free}
        return replace(said, dials=tuple((name, values[Term("dial", name)]) for name, _ in said.dials))

    def _nearest(
        self, knot: Sequence[Compare | Fault], told: Mapping[Term, int | None], counters: Mapping[str, int]
    ) -> Mapping[Term, int | None]:
        """Values on which all of ``knot`` comes out as on those ``told``: of those that the counters come to soonest,
        some."""
        literals = [
            (atom, compare(atom, told) if isinstance(atom, Compare) else told[Term("sensor", atom.sensor)] is None)
            for atom in knot
        ]
        fixed = {term: (value, value) for term, value in told.items() if term not in self.free and value is not None}

        def within(ticks: int) -> Mapping[Term, int | None] | None:
            near = {}
            for term in told:
                if term.name in self.wanted:
                    of, (low, high, *_) = self.wanted[term.name], self.ranges[term]
                    at = counters[of.counter.name]
                    near[term] = max(low, at + of.least * ticks), min(high, at + of.most * ticks)
            return consistent(literals, {**self.ranges, **fixed, **near})

        most = 1
        while (best := within(most)) is None:
            most *= 2
            if most > MOST_WAITED:
                return told
        low = most // 2
        while most - low > 1:
            middle = (low + most) // 2
            found = within(middle)
            if found is None:
                low = middle
            else:
                most, best = middle, found
        return best


def heard_as_free(machine: Machine, run: Run, sliced: Sliced, quietly: bool = False) -> Run:
    """``run`` without the dials that stand for what is free in the slice; where they say that a clock of messages is
    not late, its message is heard, unless that would set a clock that is followed, or, ``quietly``, end a silence that
    they say lasts. What they say of a dial that rows set, too, a message brings; else none comes for it."""
    free, kept = sliced.sources, sliced.kept_clocks
    holds = (
        replace(
            hold,
            inputs=replace(
                hold.inputs,
                dials=tuple(d for d in hold.inputs.dials if d[0] not in free),
                heard=_heard(machine, hold.inputs, kept, quietly),
            ),
        )
        for hold in run.stretches
    )
    said = (hold.inputs for hold in run.stretches)
    if counted := machine.counted_dials():
        free_dials = counted - sliced.machine.counted_dials()
        return replace(run, stretches=tuple(_turned(machine, [*holds], [*said], free_dials, kept)))
    return replace(run, stretches=tuple(holds))


def _turned(
    machine: Machine, holds: list[Hold], said: list[Stimulus], dials: frozenset[str], kept: Container[str]
) -> Iterator[Hold]:
    """``holds`` with messages for ``dials``, which rows set, too, and which are free, where the value of one is another
    than before, and with no others for them; not where that would end a silence that is followed, or that ``said``
    takes to last."""
    stood: dict[str, int] = {dial.name: dial.start for dial in machine.dials}
    asked, messages = least_asked(machine), dials_by_message(machine)
    for hold, inputs in zip(holds, said, strict=True):
        told, spoken = dict(inputs.dials), set(hold.inputs.tuned)
        turned = {name: None if name in dials else value for name, value in hold.inputs.dials}
        names = [name for name in (inputs.taken, *hold.inputs.heard) if name is not None]
        heard = spoken | {machine.command(name).link for name in names}
        came = list(hold.inputs.heard)
        for dial in machine.dials:
            value = told.get(f"{dial.name} before", told.get(f"{dial.name} after"))
            if dial.name not in dials or value is None or value == stood[dial.name]:
                continue
            message = messages.get(dial.name)
            if message is None:
                said_already, ends = dial.link in heard, [f"silent {dial.link}"]
            else:
                said_already = message in names
                ends = [f"absent {message}", *([] if dial.link in heard else [f"silent {dial.link}"])]
            if said_already or all(
                clock not in kept and ((lasts := told.get(clock_dial(clock))) is None or lasts < asked.get(clock, 1))
                for clock in ends
            ):
                stood[dial.name] = turned[dial.name] = value
                if message is None:
                    spoken.add(dial.link)
                elif not said_already:
                    came.append(message)
        tuned = tuple(link.name for link in machine.links if link.name in spoken)
        made = replace(hold.inputs, dials=tuple(turned.items()), heard=tuple(came), tuned=tuned)
        yield replace(hold, inputs=made)


def _heard(machine: Machine, inputs: Stimulus, kept: Container[str], quietly: bool) -> tuple[str, ...]:
    """The commands that are heard beside the one taken: those whose clocks are free and not late, and for a link that
    is not silent some other, if there is one, that no row waits for. A link whose silence is followed is heard only
    where the run says so: what else were added would end a silence that the run is about."""
    dials: dict[str, int | None] = dict(inputs.dials)
    asked = least_asked(machine)
    heard = list(inputs.heard)

    def late(clock: str) -> bool | None:
        told = dials.get(clock_dial(clock))
        return None if told is None else told >= asked.get(clock, 1)

    tested = machine.events()
    speaking = {*inputs.tuned, *(machine.command(name).link for name in (inputs.taken, *heard) if name is not None)}
    may = [
        command
        for command in machine.commands
        if not (command.urgent and command.name in tested)
        and command.name != inputs.taken
        and f"absent {command.name}" not in kept
        and (command.link in speaking or f"silent {command.link}" not in kept)
        and (command.link in speaking or not quietly or not late(f"silent {command.link}"))
    ]
    for command in may:
        if late(f"absent {command.name}") is False and command.name not in heard:
            heard.append(command.name)
    for link in machine.links:
        said = [name for name in (inputs.taken, *heard) if name is not None and machine.command(name).link == link.name]
        if late(f"silent {link.name}") is False and not said:
            quiet = [c.name for c in may if c.link == link.name and late(f"absent {c.name}") is not True]
            heard += sorted(quiet, key=lambda name: name in tested)[:1]
    return tuple(heard)
