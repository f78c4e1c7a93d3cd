"""What someone who watches the machine can ask at the end of a tick: conditions of promises and expectations."""

from __future__ import annotations

from collections.abc import Callable

from statecraft.machine import Condition, Machine, numbered
from statecraft.semantics.guards import Reached
from statecraft.semantics.keys import Key
from statecraft.semantics.tick import tick_of
from statecraft.simulation.expressions import PythonNames, expression
from statecraft.simulation.state import State, layout


class StateNames(PythonNames):
    """What is asked, read out of a state ``s``."""

    def __init__(self, machine: Machine) -> None:
        super().__init__(machine)
        self.layout = layout(machine)
        self.sensors = numbered(machine.sensors)
        self.switches = numbered(machine.switches)

    def reading(self, sensor: str) -> str:
        return f"s[{self.layout.index['readings', '']}][{self.sensors[sensor]}]"

    def switch(self, name: str) -> str:
        return f"s[{self.layout.index['switches', '']}][{self.switches[name]}]"

    def taken(self) -> str:
        return f"s[{self.layout.index['taken', '']}]"

    def value(self, key: Key) -> str:
        return f"s[{self.layout.place[key]}]"

    def reached(self, test: Reached) -> str:
        """The clock has come to its time; it must run for that long."""
        clock = self.layout.variables.clock.get(test.clock)
        if clock is None or clock.limit < test.ticks:
            raise ValueError(f"nothing in the machine asks for {test.ticks} ticks of {test.clock.name}")
        return super().reached(test)


def observer(machine: Machine, condition: Condition) -> Callable[[State], bool]:
    """``condition`` as an observer sees it at the end of a tick (promises, expectations): a function of the state.

    Raises:
        ValueError: it tests something that only rows or levels can, or a time longer than ``machine`` itself asks for.
    """
    guard = tick_of(machine).lowering.observer(condition)
    see: Callable[[State], bool] = eval(f"lambda s: bool({expression(guard, StateNames(machine))})")
    return see
