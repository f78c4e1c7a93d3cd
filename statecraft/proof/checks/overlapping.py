"""*Overlapping*: levels whose set and clear condition can both be true."""

from __future__ import annotations

import re
from collections.abc import Iterator

from statecraft.findings import Finding
from statecraft.folding import listed
from statecraft.machine import Compare, Condition, Level, LevelOn, SwitchOn, atoms, sensors_of
from statecraft.proof.reachability import Reachability


def overlapping(explored: Reachability) -> Iterator[Finding]:
    """Levels whose set and clear condition are both true on some tick."""
    model = explored.model
    found: set[str] = set()
    met = {(config.boxes, region.known): region.tables for _, config, region in explored.views()}
    for (boxes, _), tables in met.items():
        for index, box in enumerate(boxes):
            pairs = model.clusters[index].pairs_from(box)
            found |= {level for level, clash in tables[index].clash.items() if clash & pairs}
    for level in explored.machine.levels:
        if level.name in found:
            yield overlap(level)


def overlap(level: Level) -> Finding:
    """That a level overlaps."""
    on, off = _read(level.set), _read(level.clear)
    apart = on and off and set(on).isdisjoint(off)
    why = f": it is set by {listed(on)}, and cleared by {listed(off)}" if apart else ""
    win = [f"'{each}'" for each in (clears_later(level), sets_later(level)) if each]
    return Finding(
        "overlapping",
        level.place,
        f"the set and the clear condition of {level.name} can both be true at once{why}.",
        "leave a gap between the two, so that only one of them can hold."
        if _thresholds(level)
        else f"say which of the two counts where both hold: {' or '.join(win)}."
        if win
        else "ask in one of them, with 'and', for the opposite of the other, too.",
        subject=level.name,
    )


_HELD = r"( for \d\S* \w+)?"
_WORDS = re.compile(rf"when (.+?){_HELD},? clears when (.+?){_HELD}(, (?:starts on|on if in doubt).*)?")


def clears_later(level: Level, also: str = "") -> str:
    """How the file would say that ``level`` clears only while it is not set (and while ``also``, instead); "" where the
    words are not known."""
    words = _WORDS.fullmatch(level.text)
    if words is None or (not also and "steady" in words[1]):  # there is no opposite of that
        return ""
    on, held, off, waits, rest = (each or "" for each in words.groups())
    return f"when {on}{held} clears when {_as_one(off)} and {also or _opposite(on)}{waits}{rest}"


def sets_later(level: Level) -> str:
    """How the file would say that ``level`` is set only while it does not clear; "" where the words are not known, or
    where both read the same: then that may leave nothing of the set condition."""
    words = _WORDS.fullmatch(level.text)
    if words is None or "steady" in words[3] or not set(_read(level.set)).isdisjoint(_read(level.clear)):
        return ""
    on, held, off, waits, rest = (each or "" for each in words.groups())
    return f"when {_opposite(off)} and {_as_one(on)}{held} clears when {off}{waits}{rest}"


def _as_one(text: str) -> str:
    return f"({text})" if " or " in text else text


def _opposite(text: str) -> str:
    plain = re.fullmatch(r"(not )?(\w+|\w+ in \w+|\w+ fault)", text)
    if plain is None:
        return f"not ({text})"
    return plain[2] if plain[1] else f"not {text}"


def _read(condition: Condition) -> list[str]:
    """The sensors, switches and levels that ``condition`` reads, by name."""
    names: dict[str, None] = {}
    for atom in atoms(condition):
        match atom:
            case SwitchOn(name) | LevelOn(name):
                names[name] = None
            case Compare():
                names |= dict.fromkeys(sensors_of(atom))
            case _:
                return []
    return list(names)


def _thresholds(level: Level) -> bool:
    """Whether both conditions compare the same things, and ask nothing else: only then is a gap what is missing."""

    on, off = (
        [(each.left, each.right) if isinstance(each, Compare) else None for each in atoms(side)]
        for side in (level.set, level.clear)
    )
    return None not in on and set(on) == set(off)
