"""A machine, or some of its parts, explored to the end: what the findings and promises are read from."""

from __future__ import annotations

from collections.abc import Callable, Collection, Container, Iterable, Iterator, Mapping
from dataclasses import replace
from functools import cached_property
from types import MappingProxyType

from statecraft.findings import RowRef, Run
from statecraft.machine import (
    Atom,
    Condition,
    Machine,
    Mode,
    ModeRef,
    Row,
)
from statecraft.proof.engine.exploration import START, Config, Explorer, Only, Region, Transition, Watcher
from statecraft.proof.engine.limits import within
from statecraft.proof.engine.liveness import Subset, cannot_reach
from statecraft.proof.engine.model import Modes, SymbolicModel, definitions
from statecraft.proof.runs.replay import plays
from statecraft.proof.runs.search import FoundRun, Goal, Search
from statecraft.semantics import tick_of
from statecraft.semantics.cone import levels_read, watched_silences


class Undecided(Exception):
    """It cannot be told: there is too much to try, or an exploration is too rough."""


Near = Mapping[int, frozenset[int]]
"""Parts, each with the modes in which something that is sought seems near."""

NOWHERE_NEAR: Near = MappingProxyType({})

SEARCH_SECONDS = 5.0
"""How long a run is sought that would show what a rough exploration suspects."""


Shown = Callable[[Run], Run | None]
"""Whether what is sought is shown by some run of the machine: that, as it is given back; else None."""


def by_no_other(_: Run) -> Run | None:
    """What is sought is not shown by any other run."""
    return None


class Reachability:
    """``parts`` of ``machine``, which ask about no other part, and every configuration that they can come to.

    Attributes:
        whole: the machine, all parts.
        machine: the machine of these parts alone.
        model, explorer: how it was explored.
        partial: what other parts do is not followed here (a slice): nothing that is found is a
            finding yet.
        varying: clusters that do not stand still when inputs do: what is free in a slice.
        by_span: see :class:`SymbolicModel`.
        rough: more may seem reachable here than is (see :class:`SymbolicModel`): what is not found is not there, and
            what is found has to be shown by a run.
    """

    def __init__(
        self, machine: Machine, parts: Iterable[str], observed: Iterable[Condition] = (), by_span: bool = True
    ) -> None:
        names = set(parts)
        self.whole = machine
        self.observed = tuple(observed)
        kept = tuple(part for part in machine.parts if part.name in names)
        self.machine = replace(
            machine, parts=kept, levels=levels_read(machine, kept, self.observed), promises=(), trials=()
        )
        self.by_span = by_span
        self.model = self._model(loosely=True)
        self.partial = False
        self.varying: frozenset[int] = frozenset()
        self.rough = bool(self.model.loose or self.model.stepped_freely) or not all(
            cluster.exact for cluster in self.model.clusters
        )
        self.explorer = Explorer(self.model)
        self._searches: dict[int, Search] = {}
        self._by_mode: tuple[tuple[int, ...], dict[tuple[int, int], list[tuple[int, Config]]]] | None = None
        self._asks: dict[tuple[int, int], frozenset[tuple[int, Atom]]] = {}

    def _model(self, loosely: bool) -> SymbolicModel:
        silences = watched_silences(self.machine.parts, tick_of(self.whole))
        return SymbolicModel(
            self.machine,
            self.observed,
            silences,
            self.whole.events(),
            loosely,
            by_span=self.by_span,
            inlined=definitions(self.machine),
        )

    @cached_property
    def exact_model(self) -> SymbolicModel:
        """The model in which runs are sought: nothing seems reachable there that is not."""
        if not self.rough:
            return self.model
        model = self._model(loosely=False)
        model.diagrams = self.model.diagrams  # their clusters are the same, and so goals mean the same in both
        return model

    def settled(self, ways: Collection[frozenset[str]] = (frozenset(),), trembling: str = "") -> Mapping[int, int]:
        """Of the clusters that something free is in (:attr:`varying`), those that stand still in the long run when
        inputs do, the sensor ``trembling`` apart, and nothing is said but what sets the clocks, followed or not, of one
        of ``ways``; with the cells, as bits, in which they may."""
        return {}

    def unseen(self, sensor: str, levels: Container[str]) -> Collection[tuple[str, str]]:
        """In a slice, the things that are free and may hang on what ``sensor`` reads on the very tick, directly or
        through one of ``levels``."""
        return ()

    def not_entered(self, cells: Iterable[tuple[int, int]], modes: Iterable[Modes]) -> frozenset[str]:
        """In a slice, the groups' clocks that could not stand as rows of ``modes`` see them on ``cells``, of clusters,
        from the next tick on if their group were entered now."""
        return frozenset()

    def sure(self, edge: Transition) -> bool:
        """Whether ``edge`` can be relied on, whatever is not followed here."""
        return True

    def without_hope(self, goal: Callable[[Config], bool]) -> dict[int, list[Subset]]:
        """The pieces of configurations from which no run comes to where ``goal`` is true.

        Raises:
            Undecided: from others one does only if a stepper does the right number of steps.
        """
        numbers = self.explorer.numbers()
        lost = cannot_reach(self.explorer, numbers, goal, sure=self.sure)
        if self.model.stepped_freely and cannot_reach(self.explorer, numbers, goal, sure=self.sure, steps=True) != lost:
            raise Undecided
        return lost

    def lasting_dials(self, sensor: str, levels: Container[str]) -> Iterator[str]:
        """In a slice, the dials that stand for how long ``sensor`` has been read as it is, in some ``levels``."""
        yield from ()

    def refuted(self, things: Collection[tuple[str, str]] = ()) -> None:
        """What a slice shows is not so in the machine; or may not be while ``things`` are free.

        Raises:
            Undecided: always.
        """
        raise Undecided

    def explore(self, most: int | None = None) -> bool:
        """Follow everything, or as many steps as ``most``, and say whether that was all; what is left can be followed
        later.

        Raises:
            OutOfTime: the deadline has come.
        """
        return self.explorer.run(most=most)

    def configs(self) -> Iterator[tuple[int, Config]]:
        """The configurations, by number."""
        for number in self.explorer.numbers():
            yield number, self.explorer.configs[number]

    def configs_in(self, part: int, mode: int) -> list[tuple[int, Config]]:
        """The configurations in which a part is in a mode, by number."""
        counted = self.explorer.counted
        if self._by_mode is None or self._by_mode[0] != counted:
            made: dict[tuple[int, int], list[tuple[int, Config]]] = {}
            for each in self.configs():
                for place in enumerate(each[1].modes):
                    made.setdefault(place, []).append(each)
            self._by_mode = counted, made
        return list(self._by_mode[1].get((part, mode), ()))

    def views(self) -> Iterator[tuple[int, Config, Region]]:
        """Every region of every configuration, that of tick 0 first."""
        origin, views = self.explorer.origin, self.explorer.views
        for region in views.get(START, ()):  # not everything may have been followed
            yield START, origin, region
        for number, config in self.configs():
            for region in views.get(number, ()):
                yield number, config, region

    def shortest(self, goal: Goal) -> Run | None:
        """The shortest run to ``goal``.

        Raises:
            OutOfTime: the deadline has come.
        """
        found = self.found(lambda _: goal)
        return None if found is None else found.run

    def found(
        self,
        goal: Callable[[SymbolicModel], Goal],
        watcher: Callable[[SymbolicModel], Watcher] | None = None,
        shown: Shown = by_no_other,
        near: Near = NOWHERE_NEAR,
    ) -> FoundRun | None:
        """The shortest run to ``goal``, which is told in which model it is sought. Whether what is
        sought is ``shown`` by any other run of the machine, as it is given back, is for slices, in which what is found
        may have to be made to come off; and so is in which modes of some parts it seems ``near``.

        If the exploration is rough, a run that is found as roughly must play as it says; if it does not, or is not
        found, one is sought exactly.

        Raises:
            OutOfTime: the deadline has come; or, when the exploration is rough, the search has taken too long.
            Undecided: the exploration is rough, and no run was found that plays as it says.
        """

        if self.partial:
            raise Undecided

        def seek(model: SymbolicModel) -> FoundRun | None:
            with within(SEARCH_SECONDS if self.rough else None):
                return sought(model)

        def sought(model: SymbolicModel) -> FoundRun | None:
            if watcher is not None:
                return Search(model, watcher(model)).shortest(goal(model))
            return self._searches.setdefault(id(model), Search(model)).shortest(goal(model))

        found = seek(self.model)
        if not self.rough or found is None or plays(self.whole, self.machine, found):
            return found
        if self.model.loose:
            found = seek(self.exact_model)
            if found is None or plays(self.whole, self.machine, found):
                return found
        raise Undecided

    def alike(self, config: Config, other: Config) -> bool:
        """Whether two configurations, one perhaps of the exact model, agree in modes, levels with ``for`` and
        counters."""
        if config.modes != other.modes or config.fors != other.fors:
            return False
        if not self.rough:
            return config.counters == other.counters
        return all(
            config.counters[place] == other.counters[place]
            for place in range(len(self.model.counters))
            if place not in self.model.loose
        )

    # ------------------------------------------------------------------------------------------------------------ names

    def mode(self, part: int, mode: int) -> Mode:
        """A mode by its places."""
        return self.model.parts[part].modes[mode]

    def ref(self, part: int, mode: int) -> ModeRef:
        """A mode by its places, as findings name it."""
        return ModeRef(self.model.parts[part].name, self.mode(part, mode).name)

    def row(self, part: int, number: int) -> Row:
        """A row by the place of its part and its number."""
        return self.model.parts[part].rows[number]

    def row_ref(self, part: int, number: int) -> RowRef:
        """A row as findings name it."""
        return RowRef(self.model.parts[part].name, number)

    @cached_property
    def reached(self) -> frozenset[tuple[int, int]]:
        """The modes that some run is in, as (part, mode) places."""
        start = {(part, 0) for part in range(len(self.model.parts))}
        return frozenset(start.union(*(enumerate(config.modes) for _, config in self.configs())))

    @cached_property
    def sensor_pairs(self) -> dict[str, tuple[int, int]]:
        """For each sensor that is read: its cluster, and the pairs on which it is in fault."""
        found = {}
        for cluster in self.model.clusters:
            for atom, pairs in cluster.of_input.items():
                sensor = getattr(atom, "sensor", None)
                if sensor is not None:
                    found[sensor] = (cluster.index, pairs)
        return found

    @cached_property
    def messages(self) -> frozenset[str]:
        """The clocks that messages set."""
        return self.model.by_message

    def unsteady(self, modes: Iterable[Modes]) -> bool:
        """Whether the rows of ``modes`` ask of inputs that are not known to stand still when inputs do, though nothing
        free is in them: those that counters are compared with by span."""
        spanned = self.model.by_span.keys()
        return bool(spanned) and any(
            index in spanned for some in modes for part, mode in enumerate(some) for index, _ in self.asks(part, mode)
        )

    def asks(self, part: int, mode: int) -> frozenset[tuple[int, Atom]]:
        """What the rows of a mode ask of the clusters: each cluster, with the atom."""
        key = (part, mode)
        if key not in self._asks:
            self._asks[key] = frozenset(self.model.cluster_atoms(part, mode))
        return self._asks[key]

    def in_fault(self, sensor: str) -> Only:
        """One tick on which ``sensor`` is in fault."""
        return Only(pairs=(self.sensor_pairs[sensor],), once=True, apart=True)
