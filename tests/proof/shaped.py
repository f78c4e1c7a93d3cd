"""Small machines made at random in which one question tips either way, as it hardly ever does in those of
:mod:`tests.random_machines`. Each shape is named after what it is about; :data:`SHAPES` has them all."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Sequence

_HEAD = ["machine hoist", "board atmega2560", "tick 10 ms", "relay lift pin 30", "relay sling pin 31"]
_HAND = "switch hand pin 22, on when low"
_DRIVES = ["lift on", "lift on", "sling on", "lift on, sling on"]


class _Chance(random.Random):
    """What is drawn for one machine."""

    def some(self, lines: Iterable[str], of: float) -> list[str]:
        """``lines``, so often."""
        return list(lines) if self.random() < of else []

    def when(self, asked: Sequence[str], words: Sequence[str] = ("and", "and", "or"), alone: float = 0.6) -> str:
        """One of ``asked``, or two of them."""
        one, other = self.choice(asked), self.choice(asked)
        return one if self.random() < alone else f"{one} {self.choice(words)} {other}"


def _table(failsafes: Sequence[str], rules: Sequence[str]) -> list[str]:
    heading = "in | when | go to | do"
    return [*(["failsafes", heading, *failsafes] if failsafes else []), "rules", heading, *rules]


def _text(lines: Sequence[str]) -> str:
    return "\n".join(line for line in lines if line) + "\n"


def refused_text(seed: int) -> str:
    """Rules that ask for almost the same in one mode, the first held back now and then by a failsafe of where it leads:
    by a switch, a fault, a counter, or the clock of a group (*held back only*)."""
    chance = _Chance(f"refused {seed}")
    pick = chance.choice
    wait, inner = pick(["mode wait stop", "mode wait"]), pick(["down", "wait"])
    lines = [*_HEAD, "command halt button, pin 3, on when high, urgent", "command go button, pin 4, on when high"]
    lines += [_HAND, "switch door pin 23, on when low", "sensor load by hand, 0 .. 2"]
    lines += [f"counter tries 0 .. 2{pick(['', '', ', kept', ', up each 20 ms in up'])}", "mode rest stop", wait]
    lines += [f"mode up {pick(_DRIVES)}", f"mode down {pick(_DRIVES)}", f"group moving up, {inner}"]
    lines += [f"group busy moving, {'wait' if inner == 'down' else 'rest'}"]
    asked = ["hand", "door", "not door", "load > 1", "load fault", "go", "tries > 0", "after 20 ms", "tries < 2"]
    asked += ["halt", "after 20 ms in moving", "not hand", "after 0 s in moving", "go absent 20 ms"]
    asked += ["after 10 ms in busy"]
    steps = ["tries + 1", "tries = 0", "", ""]
    away = ["rest", "wait"] if wait.endswith("stop") else ["rest"]

    failsafes = chance.some(["any | halt | rest |"], 0.6)
    for often in (1, 0.4):
        guard = chance.when(asked, ("and", "or"), 0.8)
        there = pick(["up", "up", "down", "moving"])
        failsafes += chance.some([f"{there} | {guard} | {pick(away)} | {pick(steps)}"], often)
    where, first, more = pick(["rest", "rest", "wait", "any"]), pick(asked), pick(asked)
    second = pick([first, *[f"{first} and {more}"] * 3, more, *[f"{first} or {more}"] * 2])
    rules = [f"{where} | {first} | {pick(['up', 'up', 'down'])} | {pick(steps)}"]
    rules += chance.some([f"{where} | {pick([more, chance.when(asked, alone=0)])} | {pick(['up', 'down'])} |"], 0.4)
    go = pick(["up", "down", "wait", "stay", "rest"])
    rules += [f"{pick([where, 'rest'])} | {second} | {go} | {pick(steps)}", f"rest | {pick(asked)} | wait |"]
    rules += [f"{pick(['up', 'down', 'moving', 'wait'])} | {pick(asked)} | rest |"]
    return _text([*lines, *_table(failsafes, rules)])


def halted_text(seed: int) -> str:
    """A halt, and much that may start the machine again after it: dials, also set by rows, counters that its rows left,
    levels that take their time, other parts, and commands that came a while ago (*halt undone*, *halt missed*)."""
    chance = _Chance(f"halted {seed}")
    pick = chance.choice
    two, sets = chance.random() < 0.4, chance.random() < 0.4
    how = pick(["", "", ", kept", ", up each 20 ms in rest", ", round"])
    silent = pick(["", ", silent after 20 ms"])
    lines = [*_HEAD, f"link radio serial1, 9600 baud, checked{silent}", 'command halt "h", urgent', 'command go "g"']
    lines += [f'command beat "b"{pick(["", ", urgent"])}', 'dial pace "v", 0 .. 2, starts 1', _HAND]
    on, off = pick([("hand", "not hand"), ("pace < 1", "pace > 1"), ("not hand", "hand")])
    lines += [f"level slow when {on}{pick(['', ' for 20 ms'])} clears when {off}{pick(['', ' for 10 ms'])}"]
    asked = ["hand", "slow", "not slow", "pace > 1", "go", "count > 0", "after 20 ms", "go within 20 ms", "count < 1"]
    asked += ["beat absent 20 ms", "slow turns on", "hand turns off", "slow turns off", "count == pace"]
    asked += ["beat", "halt"] + (["radio silent", "radio silent turns off", "not radio silent"] if silent else [])
    calm = [each for each in asked if "count" not in each]
    asked += ["light in lit", "light in dark"] if two else []
    steps = ["count + 1", "count = 0", "count = 1", "", "", *(["pace = 2", "pace = 0"] if sets else [])]
    other = ["part light", "mode dark stop", "mode lit stop"]
    other += _table([], [f"dark | {pick(calm)} | lit |", f"lit | {pick(calm)} | dark |"])
    before = two and chance.random() < 0.5
    lines += [*(other if before else []), "part drive" if two else "", f"counter count 0 .. 1{how}"]
    lines += [f"mode rest stop{pick(['', '', ', resumes'])}", f"mode wait stop{pick(['', '', '', ', resumes'])}"]
    lines += [f"mode roll {pick(_DRIVES)}"]
    halts = pick([*["halt"] * 4, "halt or hand", "halt or beat", "halt and count > 0"])
    failsafes = [f"{pick(['any', 'any', 'roll'])} | {halts} | {pick(['rest', 'rest', 'wait'])} | {pick(steps[:5])}"]
    failsafes += chance.some([f"roll | {pick(asked[:9])} | wait |"], 0.3)
    rules = [f"rest | {pick(['go', 'go and not hand', chance.when(asked)])} | {pick(['roll', 'wait'])} | {pick(steps)}"]
    rules += [f"wait | {chance.when(asked)} | {pick(['roll', 'rest'])} | {pick(steps)}"]
    go = pick(["rest", "wait", "stay"])
    rules += [f"{pick(['rest', 'any', 'roll'])} | {chance.when(asked)} | {go} | {pick(steps)}"]
    rules += chance.some([f"{pick(['rest', 'wait'])} | {chance.when(asked)} | roll | {pick(steps)}"], 0.6)
    chance.shuffle(rules)
    return _text([*lines, *_table(failsafes, rules), *(other if two and not before else [])])


def silenced_text(seed: int) -> str:
    """Two links, of which both, one or none says when it is silent; commands of either and of a button; modes that are
    unattended, and a horn before the machine moves (*runaway*)."""
    chance = _Chance(f"silenced {seed}")
    pick = chance.choice
    first, second = pick([(1, 1), (1, 1), (1, 0), (1, 0), (0, 1), (0, 0)])
    lasts = [f", silent after {pick([10, 20, 30])} ms" if each else "" for each in (first, second)]
    lines = [*_HEAD, f"link radio serial1, 9600 baud, checked{lasts[0]}"]
    lines += [f"link wire serial2, 9600 baud, checked{lasts[1]}"]
    lines += ['command go "g" from radio', 'command beat "b" from wire', _HAND]
    lines += ["command back " + pick(['"k" from wire', '"k" from radio', "button, pin 4, on when low"])]
    lines += [f'command halt "h" from {pick(["radio", "wire"])}, urgent', "mode rest stop"]
    lines += [f"mode horn{pick(['', ' lift on', ' stop'])}", f"mode down {pick(['sling on', ''])}"]
    lines += [f"mode up {pick(_DRIVES)}{pick(['', '', ', unattended', ', endless'])}", "group moving up, down"]
    quiet = (["radio silent"] if first else []) + (["wire silent"] if second else [])
    asked = [*quiet * 4, *(f"not {each}" for each in quiet), "hand", "go absent 20 ms", "beat absent 10 ms"]
    asked += ["after 20 ms", "after 30 ms in moving", "beat within 20 ms", "back absent 20 ms"]
    taken = ["go", "back", "go and hand", "back and not hand", "hand", "after 10 ms", "beat", "go or back"]

    def when() -> str:
        return chance.when(asked, ("and", "or", "or"))

    failsafes = chance.some(["any | halt | rest |"], 0.4)
    failsafes += chance.some([f"{pick(['moving', 'moving', 'up', 'any'])} | {when()} | rest |"], 0.45)
    rules = [f"rest | {pick(taken)} | {pick(['horn', 'up', 'down'])} |"]
    rules += [f"horn | {pick(taken)} | {pick(['up', 'down'])} |"]
    rules += [f"{pick(['up', 'down', 'moving'])} | {when()} | {pick(['rest', 'down', 'horn', 'up'])} |"]
    rules += [f"{pick(['any', 'up', 'down', 'moving'])} | {when()} | {pick(['rest', 'rest', 'stay', 'down'])} |"]
    if quiet:
        rules += chance.some([f"{pick(['up', 'down'])} | {pick(quiet)} turns {pick(['on', 'off'])} | rest |"], 0.3)
    chance.shuffle(rules)
    return _text([*lines, *_table(failsafes, rules)])


def doubtful_text(seed: int) -> str:
    """Levels over levels, in doubt or not, of two sensors, of which modes tolerate one or the other; and a part that
    asks whether another drives (*fault ignored*, *faint hope*)."""
    chance = _Chance(f"doubtful {seed}")
    pick = chance.choice
    doubt, lasts = ["", ", on if in doubt", ", on if in doubt"], ["", "", " for 10 ms", " for 20 ms"]
    lines = [*_HEAD, "command halt button, pin 3, on when high, urgent", "command go button, pin 4, on when high"]
    lines += [f"sensor gap by hand, 0 .. {pick([2, 3])}"]
    measured = chance.random() < 0.5
    lines += ["sensor oil by hand, 0 .. 2" if measured else "switch oily pin 22, on when low"]
    oil, dry = ("oil > 1", "oil < 1") if measured else ("oily", "not oily")
    pairs = [("gap < 1", "gap > 1"), ("gap > 1", "gap < 1"), ("gap fault", "not gap fault"), ("gap == 1", "gap != 1")]
    near, far = pick(pairs)
    lines += [f"level near when {near}{pick(lasts)} clears when {far}{pick(lasts)}{pick(doubt)}"]
    pairs = [(f"near or {oil}", f"not near and {dry}"), (f"near and {oil}", "not near"), ("near", "not near")]
    pairs += [(f"not near and {oil}", "near"), (oil, f"{dry} and near"), ("near and not gap fault", "not near")]
    on, off = pick(pairs)
    starts = pick(["", "", ", starts on"])
    lines += [f"level shut when {on}{pick(lasts)} clears when {off}{pick(lasts)}{pick(doubt)}{starts}"]
    asked = ["near", "shut", "not near", "not shut", near, far, oil, "gap fault", "not gap fault", "after 20 ms"]
    asked += ["oil fault", "gap > oil"] if measured else []
    ever = [*asked, "near turns on", "shut turns off", "shut turns on", "gap fault turns on", "near turns off"]
    said = ["gap fault", *(["oil fault"] if measured else [])]
    two = chance.random() < 0.35
    before = two and chance.random() < 0.5
    asker = ["part light", "mode dark stop", "mode lit stop"]
    asker += _table([], [f"dark | drive in up and {pick(asked)} | lit |", f"lit | {pick(asked)} | dark |"])
    lines += [*(asker if before else []), "part drive" if two else "", "mode rest stop", "mode wait stop"]
    for mode in ("up", "down"):
        lines += [f"mode {mode} {pick(_DRIVES)}{pick(['', '', '', '', f', tolerates {pick(said)}'])}"]
    failsafes = chance.some(["any | halt | rest |"], 0.4)
    failsafes += [f"{pick(['up', 'down', 'up, down'])} | {chance.when(asked)} | {pick(['rest', 'wait'])} |"]
    rules = [f"rest | {pick(['go', 'go and ' + pick(asked), chance.when(asked)])} | up |"]
    rules += [f"{pick(['up', 'rest', 'wait'])} | {chance.when(ever)} | {pick(['down', 'rest', 'wait', 'up'])} |"]
    go = pick(["rest", "down", "stay", "restart"])
    rules += [f"{pick(['up', 'down', 'up, down'])} | {chance.when(ever)} | {go} |"]
    return _text([*lines, *_table(failsafes, rules), *(asker if two and not before else [])])


def lasting_text(seed: int) -> str:
    """Modes that only clocks of groups, counters, messages that stay away, levels that take their time on both sides,
    or another part may end (*waits for ever*, *no way to stop*, *endless*, promises)."""
    chance = _Chance(f"lasting {seed}")
    pick = chance.choice
    two = chance.random() < 0.5
    name = "drive" if two else "hoist"
    times = ["up each 20 ms in up", "down each 20 ms in down", "round", "up each 10 ms in any, round"]
    how = pick(["", ", kept", *(f", {each}" for each in times)])
    lines = [*_HEAD, "link radio serial1, 9600 baud, checked", 'command go "g"', _HAND]
    lines += [f'command hold "l"{pick(["", ", held"])}']
    there = f"{name} in up"
    pairs = [("hand", "not hand"), ("not hand", "hand"), (f"hand and {there}", "not hand"), (there, f"not {there}")]
    on, off = pick(pairs)
    lasts = ["", " for 10 ms", " for 20 ms"]
    lines += [f"level long when {on}{pick(lasts)} clears when {off}{pick(lasts)}"]
    asked = ["hand", "not hand", "long", "not long", "after 20 ms", "after 20 ms in moving", "count > 1", "count < 1"]
    asked += ["hold absent 20 ms", "hold within 10 ms", "after 30 ms in moving", "count == 1", "go"]
    asked += ["light in lit", "light in dark", "ticks > 0", "ticks == count"] if two else []
    steps = ["count + 1", "count - 1", "count = 0", "count = 2", "", "", ""]
    counts = ["ticks + 1", ""]
    other = ["part light", f"counter ticks 0 .. 1{pick(['', ', round', ', kept'])}"]
    other += ["mode dark stop", f"mode lit stop{pick(['', ', final'])}"]
    said = ["hand", "long", "not long", "after 10 ms", "drive in up", "drive in down", "count > 0", "go"]
    said += ["hold absent 20 ms"]
    other += _table([], [f"dark | {pick(said)} | lit | {pick(counts)}", f"lit | {pick(said)} | dark | {pick(counts)}"])
    before = two and chance.random() < 0.5
    lines += [*(other if before else []), "part drive" if two else "", f"counter count 0 .. 2{how}", "mode rest stop"]
    lines += [f"mode up {pick(_DRIVES)}{pick(['', '', ', endless'])}", f"mode down {pick(['', 'sling on'])}"]
    lines += [f"mode over {pick(['stop', 'lift on', 'stop, final'])}", "group moving up, down"]
    failsafes = chance.some([f"moving | {chance.when(asked)} | rest | {pick(steps)}"], 0.4)
    ever = [*asked, "long turns on"]
    rules = [f"rest | {pick(['go', 'hand', 'after 10 ms'])} | {pick(['up', 'down'])} | {pick(steps)}"]
    for mode, others in [("up", ["down", "over", "rest"]), ("down", ["up", "rest", "over"]), ("over", ["rest", "up"])]:
        rules += chance.some([f"{mode} | {chance.when(ever)} | {pick(others)} | {pick(steps)}"], 0.85)
    go = pick(["rest", "stay", "restart", "down"])
    rules += [f"{pick(['moving', 'up', 'down', 'any'])} | {chance.when(ever)} | {go} | {pick(steps)}"]
    chance.shuffle(rules)
    lines += [*_table(failsafes, rules), *(other if two and not before else [])]
    goal, seen = f"{name} in rest", pick(["long", "hold absent 20 ms", "count > 1"])
    lines += [f"promise every mode can reach {goal}"]
    lines += [f"promise once {pick(['go taken', 'long'])} -> {goal} within 40 ms"]
    lines += [f"promise while {seen} -> {goal} within 30 ms"]
    lines += [f"promise never {there} and {seen} for {pick([10, 30])} ms"]
    lines += [f"promise never enters {goal} and {pick(['long', 'count > 0'])}"]
    return _text(lines)


def trembling_text(seed: int) -> str:
    """A reading that trembles, and what may keep modes from trembling with it: levels that take their time or are over
    others, clocks of modes and groups, counters, a held command (*bare threshold*, *flapping*)."""
    chance = _Chance(f"trembling {seed}")
    pick = chance.choice
    lines = [*_HEAD, "link radio serial1, 9600 baud, checked", f'command hold "l"{pick(["", ", held"])}', _HAND]
    lines += ['command go "g"', f"sensor gap by hand, 0 .. 4{pick(['', ', noise 2'])}"]
    at, lasts = chance.randint(1, 2), ["", "", " for 10 ms"]
    over = at + pick([0, 0, 0, 1])
    lines += [f"level near when gap <= {at}{pick(lasts)} clears when gap > {over}{pick(lasts)}"]
    pairs = [("near", "not near"), ("near and hand", "not near"), ("not near", "near")]
    pairs += [(f"near and gap < {at}", "not near"), ("gap steady within 1 for 20 ms and hand", "not hand")]
    on, off = pick(pairs)
    lines += [f"level shut when {on}{pick(lasts)} clears when {off}"]
    asked = ["near", "not near", "shut", "not shut", f"gap > {at}", f"gap <= {at}", "gap > 2", "gap < 3", "hand"]
    ever = [*asked, "hold", "after 0 s", "after 10 ms", "after 20 ms in moving", "after 0 s in moving", "count > 1"]
    ever += ["near turns on", "not hold absent 10 ms", "shut turns off", "count < 2", "near turns off"]
    steps = ["count + 1", "count - 1", "count = 0", "", "", ""]
    lines += [f"counter count 0 .. 2{pick(['', ', round', ', up each 10 ms in up'])}", "mode rest stop"]
    lines += [f"mode up {pick(_DRIVES)}", f"mode down {pick(['sling on', ''])}"]
    lines += [f"group moving {pick(['up', 'up, down'])}"]
    failsafes = chance.some([f"{pick(['up', 'moving'])} | {pick(asked)} | rest | {pick(steps)}"], 0.4)
    rules = []
    for mode, others in [("rest", ["up", "up", "down"]), ("up", ["rest", "down"]), ("down", ["rest", "up"])]:
        rules += [f"{mode} | {chance.when(ever)} | {pick(others)} | {pick(steps)}"]
    go = pick(["rest", "up", "restart", "stay"])
    rules += [f"{pick(['any', 'moving', 'rest'])} | {chance.when(ever)} | {go} | {pick(steps)}"]
    chance.shuffle(rules)
    return _text([*lines, *_table(failsafes, rules)])


SHAPES: dict[str, Callable[[int], str]] = {
    "refused": refused_text,
    "halted": halted_text,
    "silenced": silenced_text,
    "doubtful": doubtful_text,
    "lasting": lasting_text,
    "trembling": trembling_text,
}
"""The machine file of a shape, the same from the same seed."""
