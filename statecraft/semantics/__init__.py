"""What a tick is: a machine's table, lowered once, as data. Everything that runs, proves, writes or draws a machine
reads it here, and none of it reads rows and conditions for itself.

A tick goes from what the machine knows (``tick.variables``) and what came from outside to what it knows next:

1. **Sample.** ``tick.queue`` says which commands wait to be taken, and which of those are urgent. Of those that wait
   one is taken: the earliest urgent one, and all others that are not urgent are dropped; else the earliest.
2. **Clocks.** On tick 0 nothing advances and nothing is heard. From tick 1 on each of ``tick.advances`` takes its clock
   one on, up to its limit; then each of ``tick.hearings`` sets its clock to 0 if someone that it listens to was heard.
   Then ``tick.counts``: counters that count time move by the mode of the tick before; and ``tick.movements``: those
   that count from outside move by what came in. Then, on every tick,
   ``tick.memories``: readings that are taken in a mode.
3. **Levels.** ``tick.followings`` keep the anchors of steady readings. Then each of ``tick.latches``, in order: the
   clocks of its ``holds`` go on (up to their limit) where their condition is true, and to 0 where it is not; if ``on``
   is true the level turns on, else if ``off`` is true it turns off.
4. **Parts.** ``tick.parts``, in order. Each looks at the decisions of its present mode, in order; the first whose
   ``guard`` is true and whose ``held_back`` is not decides: it makes its ``changes``, sets its ``resets`` to 0, and the
   part is in its ``target``. Later parts see that. A part sees the modes and counters of earlier parts as those have
   just left them, its own and those of later parts as they stood.
5. **Outputs.** Each of ``tick.drives``: what the new mode asks of an output, then what ramp, pause and blink make of
   it.

What is asked is a :class:`~statecraft.semantics.guards.Guard`: a condition in which everything that the mode, the part
or a declaration settles has been settled. Clocks are tested by :class:`~statecraft.semantics.guards.Reached` alone:
``clock >= constant``; no two clocks are compared. Whose a clock or a value is, its key says: a small class for each
kind (``ModeClock("drive")``, ``LevelState("blocked")``), never a text that has to be read again.

The modules, one idea each: :mod:`keys` (whose something is), :mod:`variables` (what is known between ticks),
:mod:`guards` (what is asked), :mod:`lowering` (how a condition of the file becomes a guard), :mod:`decisions` (step 4),
:mod:`updates` (steps 2, 3 and 5), :mod:`tick` (all of it).
"""

from statecraft.semantics.decisions import Bar, CopyToCounter, Decision, PartTick, SetCounter, StepCounter
from statecraft.semantics.guards import AllOf, AnyOf, Guard, Known, Negation, Reached
from statecraft.semantics.keys import ClockKey, Key, ValueKey
from statecraft.semantics.tick import Tick, tick_of
from statecraft.semantics.updates import Advance, Count, Drive, Follow, Hearing, HeldFor, Latch, Memory, Movement
from statecraft.semantics.variables import Clock, Value, Variables, variables_of

__all__ = [
    "Advance",
    "AllOf",
    "AnyOf",
    "Bar",
    "Clock",
    "ClockKey",
    "CopyToCounter",
    "Count",
    "Decision",
    "Drive",
    "Follow",
    "Guard",
    "Hearing",
    "HeldFor",
    "Key",
    "Known",
    "Latch",
    "Memory",
    "Movement",
    "Negation",
    "PartTick",
    "Reached",
    "SetCounter",
    "StepCounter",
    "Tick",
    "Value",
    "ValueKey",
    "Variables",
    "tick_of",
    "variables_of",
]
