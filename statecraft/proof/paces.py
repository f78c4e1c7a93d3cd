"""How often each part can change its mode in the long run, as slices tell it, with what is slow standing beside the
rest."""

from __future__ import annotations

from fractions import Fraction

from statecraft.machine import Sensor
from statecraft.proof.checks.flapping_rates import Rates, alone, group_clocks, in_turn, rates, sharper, with_slow
from statecraft.proof.slices import Slices, SliceScope


class Paces:
    """The rates of all parts of a machine while inputs are constant; or all but one sensor, which is ``trembling``.

    A part that seems to change its mode on every tick is looked at again with small counters followed; and with what is
    slow standing still, its group clocks and the modes of slow parts (:func:`with_slow` says why). What trembles may be
    anything on any tick there, so that the same holds of it.

    Attributes:
        every: the rates of each part.
        asked_of: what was followed for them last.
        groups: its group clocks.
        slow: the parts that do not change their modes on every tick.
        moved: on how many ticks in one, at most, these change their modes.
    """

    def __init__(self, slices: Slices, trembling: Sensor | None = None) -> None:
        self.slices, self.trembling = slices, trembling
        names = [part.name for part in slices.machine.parts]
        self.every: dict[str, Rates] = {}
        self.asked_of: dict[str, SliceScope] = {}
        self.groups = {name: group_clocks(slices.machine, name) for name in names}
        self._looked_at: dict[str, list[tuple[SliceScope, Rates]]] = {name: [] for name in names}
        for name in names:
            self.look_at(name, SliceScope(frozenset([name]), frozenset([("clock", f"mode {name}")])))
            if alone(self.every[name]) and (counters := slices.counters(name)):
                self.look_at(name, self.asked_of[name].with_more(counters))
            if alone(self.every[name]) and self.groups[name]:
                self.every[name] = self.slowed(name)
        self.slow, self.moved, before = frozenset[str](), Fraction(0), frozenset(names)
        while self.slow != before:  # who is found to be slow lets others be
            before = self.slow
            self.slow = frozenset(name for name, found in self.every.items() if not alone(found))
            self.moved = in_turn(self.every[name] for name in self.slow)
            for name in names if self.slow != before else ():
                if alone(self.every[name]) and self.slow:
                    self.every[name] = self.slowed(name, self.slow)

    def look_at(self, name: str, asked: SliceScope) -> None:
        """Look at a part with what is ``asked`` of followed."""
        self.asked_of[name] = asked
        closer = rates(self.slices.slice(asked), self.trembling)
        self.every[name] = sharper(self.every[name], closer) if name in self.every else closer
        self._looked_at[name].append((asked, closer))

    def slowed(self, name: str, still: frozenset[str] = frozenset()) -> Rates:
        """The rates of a part with the parts ``still`` and its group clocks standing still: where more is followed
        there is less that it can do, but more to come through meanwhile."""
        slowly, groups = self.every[name], self.groups[name]
        moved = (self.moved if still else Fraction(0)) + sum(groups.values())
        for asked, free in self._looked_at[name]:
            made = self.slices.slice(asked)
            with made.with_standing(still.union(groups)):
                slowly = sharper(slowly, with_slow(free, rates(made, self.trembling), moved))
        return slowly
