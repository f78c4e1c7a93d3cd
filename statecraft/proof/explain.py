"""What each finding means, and how such a thing is usually mended."""

from __future__ import annotations

from statecraft.findings import SEVERITY

_TEXTS = {
    "unreachable": (
        "No run ever enters the mode; or the row's condition holds in no situation that the machine can come to.",
        "The way there is missing, or its condition contradicts itself or what is always so in those modes: compare it "
        "with the levels and with the rows that lead there. A row without which it would hold is named, where one is "
        "found: often it ends the mode sooner, or sets a counter back. Remove what is not needed.",
    ),
    "shadowed": (
        "The row's condition does hold sometimes, but on every such tick an earlier row decides; or a failsafe that "
        "would "
        "hold in the mode it leads to keeps it from starting.",
        "Move the row up, narrow the condition of the rows named, or remove the row. A command that both starts and "
        "stops has to stop by a rule: a failsafe on it holds back every start.",
    ),
    "stuck": (
        "Once the machine is in this mode, nothing that anyone says or any sensor reads ever leads out of it.",
        "Add a row that leaves it. If it is meant to stay there until the power is cut, declare the mode final.",
    ),
    "no way to stop": (
        "The machine can come to a situation in this mode from which no run at all leads to a stop mode of its part.",
        "Add a failsafe on an urgent command in any mode. If there is one, look at what keeps it from deciding: an "
        "earlier row, or something that it asks besides.",
    ),
    "halt missed": (
        "A moving mode in which no single urgent command brings every part that has such a mode to a stop mode on the "
        "very tick that takes it, whatever the sensors say.",
        "Put a failsafe on an urgent command first, in any mode, and let it ask nothing else. Where there are several "
        "parts, write it before the first part, so that it applies to every one.",
    ),
    "runaway": (
        "Every link has been silent for its declared time, and on the tick after that the machine still drives.",
        "Add a failsafe 'LINK silent' in the modes that drive, leading to a stop mode. A machine that is meant to work "
        "alone says so: declare the mode unattended.",
    ),
    "halt undone": (
        "After the halt, with the machine at rest in a stop mode, a row starts it again though nobody has given a "
        "command. Resetting a stop must not by itself start anything again.",
        "Let the row that leaves the stop mode ask for a command; where the halt does nothing in that mode, let its "
        "failsafe apply there, too. One that is meant to go on by itself says so: declare it resumes.",
    ),
    "nobody watched": (
        "A command from a link starts something that drives, and the link does not say when it counts as silent: if "
        "the radio drops, nobody can stop it and nothing notices.",
        "Give the link 'silent after 500 ms', and add a failsafe 'LINK silent'. A mode meant to work alone says "
        "so: declare it unattended.",
    ),
    "waits for ever": (
        "There is a situation in this mode, and readings that need only stay as they are, from which no command and no "
        "silence ever leads on.",
        "Give the mode a row with 'after' that gives up, or one on a command that asks nothing of the sensors.",
    ),
    "endless": (
        "It drives in this mode, no link can fall silent, and while nothing changes outside and nobody gives a "
        "command it drives for ever. A note says that only some readings keep it so. Or nothing but a counter that "
        "counts from outside ends the mode: a dead encoder counts nothing, and it drives on.",
        "Add a row 'after T' that ends the mode. One that is meant to go on for ever says so: declare it endless.",
    ),
    "flapping": (
        "While nothing changes outside, and no command comes or one is held, the machine changes its mode on every "
        "single tick, for ever.",
        "Two rows disagree about one situation. Give the level between them a gap (set at one value, clear at "
        "another), or let one row wait with 'after'.",
    ),
    "fault ignored": (
        "The machine drives in this mode, a sensor has been in fault for two ticks, and with some reading of it the "
        "machine would have left the mode.",
        "Add a failsafe on 'SENSOR fault' that stops, or put a level on it 'on if in doubt'. If the mode can do "
        "without the sensor, declare that it tolerates SENSOR fault.",
    ),
    "faint hope": (
        "The row starts something that drives while a sensor is in fault, although with some reading of that sensor it "
        "would not have: 'not (gap < 30 cm)' is true when nobody knows the gap. What starts because a level is 'on if "
        "in doubt' is taken to be meant so, and not told.",
        "Ask for what must be so rather than for what must not ('gap >= 30 cm'), add 'and not SENSOR fault', or put "
        "the level 'on if in doubt'.",
    ),
    "left out": (
        "A switch or level stops the part in all its driving modes but one. That one sets the same as another and asks "
        "about it nowhere: it was probably forgotten in a group. Or a contact ends every mode that drives one way but "
        "one. That one looks at it nowhere, though it does not start while it is on, or goes on from a mode that it "
        "ends: a limit switch was forgotten in a row, perhaps; that is a note.",
        "Put the mode into the group, or write a row for it. If it is meant, say so in the file: accept left out "
        'in MODE because "why".',
    ),
    "held back only": (
        "The row decides only while a failsafe holds back an earlier row that asks the same: what was to be refused "
        "starts something else.",
        "Let the row ask what tells the two apart, or move it up.",
    ),
    "lost turn": (
        "A row asks whether something turns on or off, which is so on one tick only. There is a tick on which it turns "
        "and another row decides, or none, and no row of the part looks at it otherwise: nothing comes of it.",
        "Accept it with the reason: a counter that misses one on the very tick of a halt may well do. Where no turn "
        "may be lost, let a row that leads out of its modes ask how the thing stands ('lid', not 'lid turns on'). A "
        "row that counts must not: it would count on every tick. Let the counter count pulses by itself, or give it a "
        "part of its own, where no row comes first.",
    ),
    "bare threshold": (
        "Two readings no further apart than the sensor trembles, as it will give them in turn at rest, lead out of a "
        "driving mode and back over and over, and no clock stands between. A note says that a level goes on and "
        "off so, and no mode with it.",
        "Put a level with a gap between its set and its clear condition in place of the bare comparison, or let the "
        "row back wait with 'after'.",
    ),
    "stale decision": (
        "The row waits for a time that is shorter than the sensor it reads may need to deliver the readings of its "
        "median, "
        "by the firmware's own schedule: it may decide on what was measured before the mode was entered.",
        "Wait longer, take a shorter median, or use fewer rangers: only one of them pings at a time.",
    ),
    "out of range": (
        "By the declared ranges of what it compares, the comparison is always true, or always false, when valid.",
        "Look for a slip in a number or a unit, or correct the declared range.",
    ),
    "overlapping": (
        "The level's set and clear condition can both be true on the same tick, so that it is not clear what it "
        "should be.",
        "Leave a gap between two thresholds of one reading. Where it is not about one reading, let one of the two "
        "conditions ask for the opposite of the other, too: that is to say which counts where both hold.",
    ),
    "unused": (
        "Nothing uses what is declared: no row, level, mode or promise.",
        "Use it or remove it. A command that the remote sends and no row tests is a button that does nothing.",
    ),
    "in doubt": (
        "A failsafe stops the machine by a contact that counts only once it has been still for its 'settle' time. A "
        "bumper that chatters against a wall is never still, and is not seen.",
        "Say 'on if in doubt' on the switch: it is then on from the tick on which its pin differs from the one before, "
        "until it has settled.",
    ),
    "no such fault": (
        "The row or level asks whether a sensor is in fault, and on the chip this one never is: an analog part without "
        "'plausible' always has a reading.",
        "Say which readings are plausible, such as 'plausible 0.2 V .. 4.8 V', or remove the question.",
    ),
    "loose word": (
        "On a plain link a message of one or two bytes starts something that drives: noise on the line can look so.",
        "Make the link checked, or the message longer.",
    ),
    "mixed": (
        "The condition mixes 'and' and 'or' without parentheses. 'and' binds first, which not everybody expects.",
        "Put parentheses around what belongs together; the meaning stays the same.",
    ),
    "wiring": (
        "A pin is used twice, cannot do what is asked of it, or is taken by something else on this board.",
        "Choose another pin; the message names what the pin is taken by or lacks.",
    ),
}


def explain(code: str) -> str:
    """What the finding ``code`` means and how it is usually mended.

    Raises:
        KeyError: there is no such finding.
    """
    name = code.replace("-", " ").replace("_", " ").strip().lower()
    meaning, mending = _TEXTS[name]
    return f"{name} ({SEVERITY[name]})\n\n{meaning}\n\nHow it is usually fixed: {mending}\n"
