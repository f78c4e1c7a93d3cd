"""A machine and its inputs make a trace: the tick, trials, waveforms."""

from statecraft.simulation.observer import observer
from statecraft.simulation.simulator import Inputs, Simulation
from statecraft.simulation.state import State, StateLayout, View
from statecraft.simulation.tick import source
from statecraft.simulation.trace import Trace, write_csv, write_jsonl, write_vcd
from statecraft.simulation.trial import TrialResult, run_trial

__all__ = [
    "Inputs",
    "Simulation",
    "State",
    "StateLayout",
    "Trace",
    "TrialResult",
    "View",
    "observer",
    "run_trial",
    "source",
    "write_csv",
    "write_jsonl",
    "write_vcd",
]
