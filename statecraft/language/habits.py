"""Habits from elsewhere: what people write who are used to another notation, answered with what the language has."""

from __future__ import annotations

import re
from decimal import Decimal, InvalidOperation
from typing import NamedTuple

_TIME = r"\d[\d.]* ?(?:ms|s|min|h)\b"
_MS = {"h": 3_600_000, "min": 60_000, "s": 1000, "ms": 1}
_ONE_TIME = r"(\d+(?:\.\d+)?) ?(ms|min|s|h)(?![A-Za-z_])"
_SEVERAL_TIMES = re.compile(rf"{_ONE_TIME}(?:,? *{_ONE_TIME})+")
_POWER_OF_TEN = re.compile(r"(?<![\w.])(\d[\d.]*[eE][+-]?\d{1,9})\b(?: *([A-Za-z%]+))?")
_DASHED = re.compile(r"(?<![\w\".-])[A-Za-z_]\w*(?:[.-]\w+)+")
_WAITS = re.compile(rf"for ({_TIME}|\w+)")
_BARE_TIME = re.compile(rf"(?:^|\band |\bor |\bnot |\() *({_TIME}) *$")
_BLINKING = re.compile(rf"(\w+) +blinking +({_TIME})?")
_NORMALLY = re.compile(r"normally[ -]?(closed|open)?")
_INCHES = re.compile(r"(\d[\d.]*) *(in\b|\")")
_WAIT = re.compile(rf"\b(?:wait|delay|pause|sleep)(?: for)? *\(?({_TIME})?")
_COUNTS = re.compile(r"\b(?:counts?|counting|encoder|quadrature|pulses|both)\b[^,]*(?:, *(?=[A-Za-z]?\d+\b)[^,]*)*")
_COUNTED = re.compile(r"counts (?:pulses on pin \w+|both ways on pins \w+ and \w+|steps of \w+) *")
_PINS = re.compile(r"\b(?:[A-Z]?\d+)\b")
_STEPPED = re.compile(r"(\w+) *(\+\+|--)")
_ADDED = re.compile(r"(\w+) *([+-])= *(\w+)")
_ASSIGNED = re.compile(r"(\w+) *= *\1 *([+-]) *(\w+)")
_STATED = re.compile(r"(?:if +)?\b(\w+) +(?:==?|is) +(on|off|true|false|pressed|released)\b")
_LET_GO = re.compile(r"(\w+) +(?:released|lifted|gone)\b")
_LASTING = re.compile(rf"\bfor +({_TIME})")
_BLINKS = re.compile(r"(\w+) +blink *(?=,|$)")
_BACKWARDS = re.compile(r"(\w+) +(?:reversed?|backwards?|back) +(\d+) *%?")
_DIVIDED = re.compile(r"(?:(-) *)?\b([a-z]\w*) *(?:/ *(\d+)|\* *(\d+(?:\.\d+)?|\.\d+))")
_QUANTITY = r"-?\d[\d.]*(?: ?(?:[A-Za-z]+|%))?"
_FOLLOWS = re.compile(r"\b([a-z]\w*) +(follows?|following)\b *((?:[^,]|, *(?=[-\d]))*)")
_FOLLOWED = re.compile(r"(-? *[a-z]\w*(?: *- *[a-z]\w*)?) *:? *(?=-?\d|$)")
_BUS = re.compile(r"\b(?:i2c|iic|twi|spi|onewire|one_wire|two_wire)\b", re.IGNORECASE)
_FROM_TO = re.compile(rf"({_QUANTITY}) *(?:-|–|to\b|\.\.\.) *({_QUANTITY})")
SIGNS = {"&&": "and", "&": "and", "||": "or", "!": "not", "=": "==", "=<": "<=", "=>": ">=", "<>": "!="}
"""Signs of other notations, and what a condition has instead."""

EVERY_MODE = frozenset({"all", "every", "each", "always", "everywhere"})
"""What people call ``any``."""


COMMENTS = ("//", "/*", ";", "-- ", "REM ")
"""What begins a comment in other notations."""

_RANGER = "sensor front range, trigger 22, echo 23, 2 cm .. 400 cm"
STATEMENTS = {
    **dict.fromkeys(("led", "light", "indicator"), "lamp beacon pin 13"),
    **dict.fromkeys(("beeper", "speaker", "piezo", "sounder"), "buzzer horn pin 8, 2 kHz"),
    **dict.fromkeys(("valve", "solenoid", "contactor", "digital"), "relay pump pin 7"),
    **dict.fromkeys(("ultrasonic", "sonar", "ranger", "distance"), _RANGER),
    **dict.fromkeys(("thermistor", "temperature"), "sensor air temperature, pin A2, 10 kohm at 25 C, beta 3950"),
    **dict.fromkeys(("voltage", "battery"), "sensor supply voltage, pin A0, 0 V .. 15 V"),
    **dict.fromkeys(("button", "key", "pushbutton"), "command wall button, pin 3, on when low"),
    **dict.fromkeys(("input", "contact", "limit"), "switch bumper pin 18, on when high, settle 20 ms"),
    **dict.fromkeys(("state", "states"), "mode cruise port_drive 60 %, beacon on"),
    **dict.fromkeys(("event", "signal", "message"), 'command patrol "p"'),
    **dict.fromkeys(("var", "variable", "int", "integer", "let", "register"), "counter turns 0 .. 7"),
    **dict.fromkeys(("const", "define", "param", "parameter"), "constant side_room = 30 cm"),
    **dict.fromkeys(("include", "import", "require"), 'use "common.modes"     library "Wire"'),
    **dict.fromkeys(("serial", "radio", "uart", "port"), "link operator serial1, 9600 baud, plain"),
    **dict.fromkeys(("pot", "potentiometer", "knob", "analog"), "sensor knob ratio, pin A4, 0 % .. 100 %"),
    **dict.fromkeys(("slider", "joystick", "stick"), 'dial pace "v", 20 % .. 80 %, starts 40 %'),
    **dict.fromkeys(("encoder",), "counter way -400 .. 400, counts both ways on pins 2 and 3, at most 1 kHz"),
    **dict.fromkeys(("display", "screen", "lcd", "oled"), "output screen by hand, shows mode, front, each 200 ms"),
    **dict.fromkeys(("dimmer", "pwm"), "lamp lantern pwm 3"),
    **dict.fromkeys(("assert", "property", "invariant"), "promise never bumper and beacon on"),
    **dict.fromkeys(("test", "scenario", "simulate"), 'trial "a wall, then a dead end"'),
}
"""What people begin a line with who are used to another notation, and how such a line is written here."""

UNITS = {
    **dict.fromkeys(("in", "inch", "inches"), ("cm", Decimal("2.54"))),
    **dict.fromkeys(("ft", "foot", "feet"), ("cm", Decimal("30.48"))),
    **dict.fromkeys(("sec", "secs", "second", "seconds"), ("s", Decimal(1))),
    **dict.fromkeys(("msec", "millis", "milliseconds"), ("ms", Decimal(1))),
    **dict.fromkeys(("minute", "minutes", "mins"), ("min", Decimal(1))),
    **dict.fromkeys(("us", "usec", "µs", "μs"), ("ms", Decimal("0.001"))),
    **dict.fromkeys(("hour", "hours", "hr", "hrs"), ("h", Decimal(1))),
    **dict.fromkeys(("volt", "volts"), ("V", Decimal(1))),
    **dict.fromkeys(("amp", "amps", "ampere"), ("A", Decimal(1))),
    **dict.fromkeys(("degree", "degrees"), ("deg", Decimal(1))),
    **dict.fromkeys(("percent", "pct"), ("%", Decimal(1))),
}
"""Units that the language lacks: the one that it has instead, and how many of those it is."""

_COMES_NOT = re.compile(r"promise (once|while) +(.+?) *-> *(not)\b *(.*?)(?: +within +(.+))?$")


def in_its_unit(number: Decimal, symbol: str) -> str:
    """What ``number`` of a unit that the language lacks is in one that it has: ``30.5 cm``; "" where there is none."""
    if together := _together(f"{number} {symbol}"):
        return together
    if symbol in ("F", "degF", "fahrenheit"):
        return f"{((number - 32) * 5 / 9).quantize(Decimal('0.1')).normalize():f} C"
    if symbol.lower() not in UNITS:
        return ""
    known, factor = UNITS[symbol.lower()]
    value = number * factor
    if known == "cm":
        value = value.quantize(Decimal("0.1"))
    return f"{value.normalize():f} {known}"


def _together(text: str) -> str:
    """``1 h 5 min`` as one number of its smallest unit: ``65 min``; "" where it is no such time."""
    if _SEVERAL_TIMES.fullmatch(text) is None:
        return ""
    times = re.findall(_ONE_TIME, text)
    sizes = [_MS[unit] for _, unit in times]
    if sizes != sorted(set(sizes), reverse=True):
        return ""
    ms = sum((Decimal(number) * size for (number, _), size in zip(times, sizes, strict=True)), Decimal(0))
    return f"{(ms / sizes[-1]).normalize():f} {times[-1][1]}"


def is_power_of_ten(symbol: str) -> bool:
    """Whether what stands where a unit would is the rest of ``1e3``."""
    return re.fullmatch(r"[eE]\d{1,9}", symbol) is not None


def written_out(number: str, unit: str) -> tuple[str, str]:
    """What is wrong with ``1e3`` of ``unit``, and what would be right."""
    try:
        digits = f"{Decimal(number):f}" if abs(int(re.split("[eE]", number)[1])) <= 6 else ""
    except InvalidOperation:
        digits = ""
    hint = f"Write {digits} {unit}".rstrip() + "." if digits else "Nine digits are the most."
    return "Numbers are written out, without a power of ten", hint


def comment_sign(text: str, at: int) -> str:
    """What begins a comment of another notation at ``at``; "" where nothing does."""
    return next((sign for sign in COMMENTS if text.startswith(sign, at)), "")


def commented(text: str) -> str:
    """How ``text``, which begins with another notation's sign, is written as a comment."""
    said = text.removeprefix(comment_sign(text, 0)).removesuffix("*/").strip("/*; -")
    return f"Write:  # {said}" if len(said) <= 60 else f"Write:  # {said[:57]}..."


class Answer(NamedTuple):
    """What is said of a habit: where it stands in the text (begin, end), what is wrong, what would be right."""

    begin: int
    end: int
    message: str
    hint: str
    code: str


def habit(text: str, start: str, head: str, at: int) -> Answer | None:
    """What is said of the habit that makes ``text``, read as ``start``, go wrong at ``at``; None if it is none.

    Args:
        head: the first word of a statement; "" for a cell.
    """
    for match in _DASHED.finditer(text):
        if match.start() < at <= match.end() + 1:
            name = match.group()
            sign = "dots" if "." in name else "dashes"
            hint = f"Names have no {sign}. Write {re.sub('[.-]', '_', name).lower()}."
            return Answer(*match.span(), f'"{name}" cannot be a name', hint, "bad-name")
    for match in _SEVERAL_TIMES.finditer(text):
        if match.start() < at < match.end() and (together := _together(match.group())):
            return Answer(*match.span(), "A time is one number and one unit", f"Write {together}.", "two-times")
    for match in _POWER_OF_TEN.finditer(text):
        if match.start() < at <= match.end():
            return Answer(*match.span(), *written_out(match[1], match[2] or ""), "power-of-ten")
    if (inches := next((each for each in _INCHES.finditer(text) if each.start(2) == at), None)) is not None:
        better = in_its_unit(Decimal(inches[1]), "in") if inches[1].count(".") < 2 else ""
        hint = f"Write {better}." if better else ""
        return Answer(*inches.span(), "Lengths are in mm, cm or m", hint, "unknown-unit")
    match start:
        case "when_cell":
            return _wait(text, at) or _waiting(text, at) or _bare_time(text, at) or _stated(text, at)
        case "do_cell":
            return _change(text)
    if head in ("mode", "group") and (setting := _following(text, at) or _setting(text, at)) is not None:
        return setting
    if head == "sensor" and (bus := _BUS.search(text)) is not None and bus.start() <= at:
        hint = f'Write  sensor {text.split()[1]} by hand, 0 .. 100  , and a line of its own:  library "Wire"'
        return Answer(*bus.span(), "What hangs on a bus is read by a function of yours", hint, "syntax")
    ranged = _FROM_TO.search(text) if head in ("sensor", "dial", "servo", "counter", "output") else None
    if ranged is not None and ranged.start() < at <= ranged.end():
        hint = f"Write {ranged[1]} .. {ranged[2]}."
        return Answer(*ranged.span(), "A range has two dots between its ends", hint, "range")
    if head in ("mode", "group") and (found := _BLINKING.search(text)) and found.start() < at <= found.end():
        period = found[2] or "1 s"
        hint = f"Write:  {found[1]} blink {period}"
        begin = text.index("blinking", found.start())
        return Answer(begin, begin + 8, "A mode sets a lamp or a buzzer to blink, and says how fast", hint, "syntax")
    if head == "counter" and (found := _COUNTS.search(text)) and found.start() <= at <= found.end():
        return _counting(found, at)
    if head == "output" and 0 <= text.find(" shows ") < at:
        return _showing(text, at)
    if head == "promise" and (found := _COMES_NOT.match(text)) and found.start(3) < at:
        never = f"promise never {found[4]} and {found[2]}{f' for {found[5]}' if found[5] else ''}"
        hint = f"Write:  {never}" if found[1] == "while" else "Name those that it may be in then, with commas."
        return Answer(*found.span(3), "After -> stand the modes that it comes to", hint, "syntax")
    if head in ("switch", "command") and (closed := _NORMALLY.match(text, at)):
        if closed[1]:
            level = "high" if closed[1] == "closed" else "low"
            hint = f"Write on when {level}, for a normally {closed[1]} one to ground."
        else:
            hint = "Write on when high for a normally closed contact to ground, on when low for a normally open one."
        return Answer(*closed.span(), "A contact says at which level of its pin it is on", hint, "contact")
    return None


def _counting(found: re.Match[str], at: int) -> Answer | None:
    """``counts on pin 19``, ``counts both ways on pin 2``: what is counted is missing, or a pin."""
    said = found.group()
    if at == found.start() and said.startswith("counts"):
        return None  # the range before it is missing
    if (whole := _COUNTED.match(said)) and found.start() + whole.end() <= at:
        return None  # what it counts is said; it is something behind it
    pins = _PINS.findall(re.split(r" at (?:most )?\d", said)[0])
    if "step" in said:
        message, right = "A counter counts the steps of one stepper", "counts steps of table"
    elif re.match("both|encoder|quadrature", said) or "both" in said or len(pins) > 1:
        one, two = [*pins, "20", "21"][:2] if len(pins) != 1 else [pins[0], "3" if pins[0] != "3" else "2"]
        message = "What counts both ways has two pins, an encoder's"
        right = f"counts both ways on pins {one} and {two}, at most 1 kHz"
    else:
        message = "A counter says what it counts: pulses on a pin, both ways on two, or the steps of a stepper"
        right = f"counts pulses on pin {pins[0] if pins else 2}, at most 400 Hz"
    return Answer(*found.span(), message, f"Write:  {right}", "syntax")


def _showing(text: str, at: int) -> Answer | None:
    """``shows operator silent``, ``shows mode and front``, ``shows "hello"``, ``every 200 ms``."""
    if text.startswith('"', at):
        end = text.find('"', at + 1) + 1 or len(text)
        message = "A display is given values, and no text"
        hint = "Leave it out here: your function, which is begun for you, puts what words it likes beside them."
        return Answer(at, end, message, hint, "wrong-kind")
    if (often := re.search(r"\bevery +(\w.*)?", text)) is not None and often.start() < at <= often.end():
        hint = f"Write:  each {often[1] or '200 ms'}"
        return Answer(often.start(), often.start() + 5, "How often it shows is said by each", hint, "syntax")
    word = re.match(r"\w*", text[at:].lstrip())
    before = re.search(r"(\w+) *$", text[:at])
    if word is None or before is None:
        return None
    begin = text.index(word.group(), at) if word.group() else at
    match word.group():
        case "and":
            hint = f"Write:  {before[1]}, and the next value behind the comma"
            return Answer(begin, begin + 3, 'What is shown stands behind commas, without "and"', hint, "syntax")
        case "in" | "as":
            hint = "Leave this out: your function is given a whole number, and its comment says in which steps."
            return Answer(begin, begin + 2, "A value is shown in its own steps", hint, "syntax")
        case "silent" | "within" | "absent" | "taken" | "turns" | "on" | "off" | "steady" as asked:
            hint = "What can be shown: the mode, sensors, their faults, dials, counters, levels and switches."
            message = f'"{before[1]} {asked}" is a condition, and a display is given values'
            return Answer(before.start(1), begin + len(asked), message, hint, "wrong-kind")
    return None


def _wait(text: str, at: int) -> Answer | None:
    """``wait 1 s``: a row holds once its mode has lasted so long."""
    match = _WAIT.search(text)
    if match is None or not match.start() <= at <= match.end():
        return None
    message = "A row does not wait; it holds once its mode has lasted long enough"
    return Answer(*match.span(), message, f"Write after {match[1] or '1 s'}.", "wait")


def _waiting(text: str, at: int) -> Answer | None:
    """``full for 2 s`` in a row: only a level waits for a condition to last."""
    if text[:at].rstrip().endswith("for"):
        at = text.rindex("for", 0, at)
    match = _WAITS.match(text, at)
    if match is None:
        return None
    asked = re.split(r"\b(?:and|or)\b|\(", text[:at])[-1].strip()
    names = [word for word in re.findall(r"[a-z_]\w*", asked) if word != "not"]
    if not names or names[0] == "after":
        time = "alone:  after 5 s" if names else f"{match[1]}: so long in the mode"
        hint = f"Write after {time}. What must last is asked by a level, which may say for."
    else:
        clear = asked[4:] if asked.startswith("not ") else f"not {asked}" if asked.isidentifier() else f"not ({asked})"
        level = f"level long_{names[0]} when {asked} for {match[1]} clears when {clear}"
        hint = f"Declare a level, and ask that:  {level}"
        if asked.startswith("not ") and clear.isidentifier():
            hint += f"     Of a command ask:  {clear} absent {match[1]}"
    return Answer(at, at + 3, "A row does not wait for something to last", hint, "only-in-level")


def _stated(text: str, at: int) -> Answer | None:
    """``jar = on``, ``low is off``: what is on is asked for by its name; ``back released``: by ``absent``."""
    for match in _STATED.finditer(text):
        if match.start() <= at <= match.end():
            right = match[1] if match[2] in ("on", "true", "pressed") else f"not {match[1]}"
            return Answer(*match.span(), "A switch or level is asked for by its name alone", f"Write {right}.", "is-on")
    for match in _LET_GO.finditer(text):
        if match.start() <= at <= match.end():
            hint = f"Write {match[1]} absent 250 ms for a command, not {match[1]} for a switch."
            return Answer(*match.span(), "What is no longer there is asked for by absent, or by not", hint, "is-on")
    return None


def _following(text: str, at: int) -> Answer | None:
    """``follows front 20 cm 15 %``, ``follows front: 20 cm 15 %, 80 cm 60 %``: how points are written."""
    found = next((each for each in _FOLLOWS.finditer(text) if each.start() < at <= each.end()), None)
    if found is None or at < found.start(2):
        return None
    name, behind = found[1], found[3].strip()
    followed = _FOLLOWED.match(behind)
    points, thing = (behind[followed.end() :], followed[1]) if followed is not None else ("", "front")
    sign, first = text[at : at + 1], behind.find(":") < 0 or at <= found.start(3) + behind.index(":")
    if found[2] != "follows":
        message = 'An output "follows" a reading'
    elif not behind or behind[0].isdigit():
        message = "What is followed is a sensor, a dial or a counter, or one of them less another"
    elif first and sign in ("+", "-"):
        message = "One reading is followed, or one less another"
    elif ":" not in behind:
        message = "What it is set to, and at which readings, stands behind a colon"
    elif not first and sign == ":":
        message = "One colon stands before all the points"
    elif text[:at].rstrip().endswith(",") and (sign == "-" or sign.isdigit()):
        message = "Between two points stand two dots"
    else:
        return None
    points = re.sub(r" *, *", " .. ", points.replace(":", ""))
    hint = f"Write:  {name} follows {thing}: {points}"
    if ".." not in points or (first and sign in ("+", "-")):
        hint = "It is written like this:  port_drive follows front: 20 cm 15 % .. 80 cm 60 %"
    return Answer(found.start(), found.start() + len(found.group().rstrip()), message, hint, "follows")


def _setting(text: str, at: int) -> Answer | None:
    """``spout on for 2 s``, ``horn blink``, ``leaf reverse 50 %``, ``port_drive -pace / 2`` in a mode."""
    for pattern in (_LASTING, _BLINKS, _BACKWARDS, _DIVIDED):
        match = next((each for each in pattern.finditer(text) if each.start() <= at <= each.end()), None)
        if match is None:
            continue
        if pattern is _LASTING:
            message, hint = "A mode lasts until a row leads out of it", f"Write a rule that asks for  after {match[1]}"
        elif pattern is _BLINKS:
            message, hint = "What blinks says how fast", f"Write:  {match[1]} blink 1 s"
        elif pattern is _BACKWARDS:
            message, hint = "A motor that runs backwards has a minus", f"Write:  {match[1]} -{match[2]} %"
        else:
            part = 100 / int(match[3]) if match[3] and int(match[3]) else 100 * float(match[4] or 1)
            message = "A part of a dial is a percentage of it"
            hint = f"Write:  {match[1] or ''}{part:.0f} % of {match[2]}"
        return Answer(*match.span(), message, hint, "syntax")
    summed = re.search(r"[a-z]\w* *[-+] *(?:[a-z]\w* *)?$", text[:at])
    if summed is not None and (text[at : at + 1].isdigit() or text[at : at + 1] in ("+", "-")):
        hint = "Write one of:  ahead + aside     ahead - aside     40 % of ahead     40 %"
        message = "Two dials are added up, or one taken from the other, and no more"
        return Answer(summed.start(), at + 1, message, hint, "syntax")
    return None


def _bare_time(text: str, at: int) -> Answer | None:
    """``20 s and …``: the word ``after`` is missing."""
    match = _BARE_TIME.search(text[:at])
    if match is None:
        return None
    begin = match.start(1)
    meant = " ".join(f"{text[:begin]}after {text[begin:]}".split())
    return Answer(begin, match.end(1), f"{match[1]} alone is not a condition", f'Did you mean "{meant}"?', "bare-time")


def _change(text: str) -> Answer | None:
    """``turns++``, ``turns += 1``, ``turns = turns + 1``, ``turns == 1``, ``turns = 1 and pace = 40 %``."""
    if (both := re.search(r" (and) ", text)) is not None:
        hint = f"Write:  {re.sub(' +and +', ', ', text.strip())}"
        return Answer(*both.span(1), "What a row changes stands behind commas", hint, "syntax")
    if (equal := re.search(r"==|:=", text)) is not None:
        hint = f"Write:  {text.strip().replace(equal.group(), '=')}"
        return Answer(*equal.span(), "A row sets with a single =", hint, "sign")
    for pattern in (_STEPPED, _ADDED, _ASSIGNED):
        match = pattern.search(text)
        if match is not None:
            amount = match[3] if len(match.groups()) > 2 else "1"
            message = "A counter is stepped by its name, a sign and a number"
            return Answer(*match.span(), message, f"Write {match[1]} {match[2][0]} {amount}.", "counter-step")
    return None
