"""One behaviour, three executions: the table, the desk build and the chip, held together tick for tick."""

from statecraft.agreement.compare import Comparison, Difference
from statecraft.agreement.inputs import HeldInputs, InputSequence, cut, each_tick, length, sequence_of

__all__ = ["Comparison", "Difference", "HeldInputs", "InputSequence", "cut", "each_tick", "length", "sequence_of"]
