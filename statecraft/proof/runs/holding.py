"""Inputs that are held for long, played by jumping: while nothing changes but clocks that run, a tick is like the last.

Clocks are compared with constants only. So once the same rows, or none, have decided on two ticks in a row and changed
nothing but clocks, each of which either ran on by one or stands, the ticks that follow are the same until a clock comes
to the next constant that it is compared with. These are not played: the clocks are set on.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterator

from statecraft.machine import Machine
from statecraft.proof.engine.limits import look
from statecraft.semantics.keys import RemainderClock
from statecraft.simulation import Simulation, State


class Holder:
    """A simulation on held inputs."""

    def __init__(self, machine: Machine, simulation: Simulation) -> None:
        self.simulation = simulation
        layout = simulation.layout
        self.rows = [layout.index["row", part.name] for part in machine.parts]
        self.clocks = []
        for clock in layout.variables.clocks:
            constants = {*clock.table, *clock.observers, clock.limit}
            if isinstance(clock.key, RemainderClock):
                constants.add(clock.limit + 1)
            self.clocks.append((layout.place[clock.key], sorted(constants)))
        moves = {place for place, _ in self.clocks}
        moves |= {place for (kind, _), place in layout.index.items() if kind in ("tick", "shown", "row", "changed")}
        self.tick = layout.index["tick", ""]
        self.still = [place for place in range(len(layout.fields)) if place not in moves]

    def held(self, step: Callable[[], State], ticks: int) -> Iterator[tuple[State, int]]:
        """Play ``ticks`` ticks of ``step``, which plays one on the same inputs: states, each with how many ticks are
        like it (their clocks apart)."""
        simulation = self.simulation
        before, quiet = simulation.state, 0
        done = 0
        while done < ticks:
            look()
            state = step()
            done += 1
            yield state, 1
            if simulation.state is not state:
                return  # whoever asked has gone elsewhere
            alike = all(state[row] == before[row] for row in self.rows)
            quiet = quiet + 1 if alike else 0
            if quiet >= 2 and done < ticks:
                room = min(self._room(before, state), ticks - done)
                if room > 0:
                    state = self._later(before, state, room)
                    simulation.restore(state)
                    done += room
                    yield state, room
            before = state

    def _room(self, before: State, state: State) -> int:
        """For how many ticks on from ``state`` nothing changes but clocks; 0 if that cannot be said."""
        for place in self.still:
            if before[place] != state[place]:
                return 0
        room = 1 << 40
        for place, constants in self.clocks:
            was, now = before[place], state[place]
            if now == was + 1:
                at = bisect_right(constants, now)
                if at < len(constants):
                    room = min(room, constants[at] - now - 1)
            elif now != was:
                return 0
        return room

    def _later(self, before: State, state: State, ticks: int) -> State:
        made = list(state)
        made[self.tick] += ticks
        for place, constants in self.clocks:
            if state[place] == before[place] + 1:
                made[place] = min(state[place] + ticks, constants[-1])
        return tuple(made)
