"""What must make no difference to a proof: names, and the order of declarations where it means nothing.

And what can make a difference in one direction alone: a link that counts as silent sooner never lets the machine be
stopped later.
"""

from __future__ import annotations

import random
import re
import time
from collections import Counter
from collections.abc import Callable, Mapping
from functools import cache, lru_cache
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, reject, settings
from hypothesis import strategies as st

from statecraft.findings import Finding, PromiseVerdict, Run
from statecraft.language import FileErrors, read_text
from statecraft.language.forms import DECLARING
from statecraft.machine import Machine
from statecraft.proof.prove import Report, prove
from tests.proof.against_brute import small_text
from tests.random_machines import random_text
from tests.samples import FAULTY, PATHS, SAMPLES
from tests.tools import LARGE

pytestmark = pytest.mark.slow

SOME_SAMPLES = [
    pytest.param(path, id=path.stem, marks=pytest.mark.xdist_group(f"proof of {path.stem}"))  # proved once as it is
    for path in (*PATHS, *FAULTY)
    if path.stem not in LARGE  # random machines have several parts, too
]
SEEDS = st.integers(0, 10**6)

WORDS = frozenset(re.findall(r'"(\w+)"', (SAMPLES.parent / "grammar" / "machine.lark").read_text(encoding="utf-8")))
WORDS |= {"in", "when", "go", "to", "do"}
"""The language's own words, those of a table's heading too."""

MANY_TOO_SLOW = [HealthCheck.filter_too_much, HealthCheck.too_slow]
"""On a busy machine few proofs are done in time: then little is compared, but nothing is wrong."""

SOON = 0.3
"""Seconds of the processor's time in which a machine made at random has to be proved to be proved again."""


@cache
def small(seed: int) -> Machine | None:
    """The small machine of that seed, without a comment; None if the reader refuses it."""
    try:
        return read_text(_bare(small_text(seed)))
    except FileErrors:
        return None


def _bare(text: str) -> str:
    """``text`` without comments and empty lines."""
    lines = [re.sub(r'#(?=(?:[^"]*"[^"]*")*[^"]*$).*', "", line).rstrip() for line in text.splitlines()]
    return "\n".join(line for line in lines if line) + "\n"


def text_of(machine: Machine) -> str:
    """The text that ``machine`` was read from."""
    (text,) = machine.source.values()
    return text


# ------------------------------------------------------------------------------------------------------ what is said


def said(machine: Machine, renamed: Callable[[str], str] = str, seconds: float = 30) -> Counter[object] | None:
    """All that a proof has to say of ``machine``, places in the file apart; None if it could not tell it all in
    ``seconds``.

    ``renamed`` is done to everything that names something.
    """
    report = proved(text_of(machine), seconds)
    if not report.complete:
        return None
    found = [_of_finding(machine, finding, renamed) for finding in report.findings]
    return Counter([*found, *(_of_verdict(verdict, renamed) for verdict in report.verdicts)])


@lru_cache(maxsize=8)
def proved(text: str, seconds: float) -> Report:
    """By the processor's clock: a busy computer proves no less."""
    return prove(read_text(text), seconds, clock=time.process_time)


def _of_finding(machine: Machine, finding: Finding, renamed: Callable[[str], str]) -> object:
    about = None if finding.mode is None else tuple(map(renamed, finding.mode))
    row = None if finding.row is None else (renamed(finding.row.part), finding.row.number)
    rows = tuple(sorted((renamed(part), number) for part, number in finding.rows))
    by = tuple(sorted((renamed(part), number) for part, number in finding.by)) if finding.code == "shadowed" else ()
    where = renamed(machine.line(finding.place))
    return finding.code, about, row, rows, by, renamed(finding.subject), where, _length(finding.run)


def _of_verdict(verdict: PromiseVerdict, renamed: Callable[[str], str]) -> object:
    return renamed(verdict.promise.text), verdict.kept, verdict.worst, verdict.sure, _length(verdict.run)


def _length(run: Run | None) -> int | None:
    """The ticks of a run, up to its tail."""
    return None if run is None else sum(stretch.ticks for stretch in run.stretches[: run.tail])


# ------------------------------------------------------------------------------------------------------------- names


def names_of(machine: Machine) -> list[str]:
    """Every name in ``machine``, once."""
    named: list[str] = [machine.name]
    for each in (machine.links, machine.commands, machine.dials, machine.sensors, machine.switches, machine.outputs):
        named += [item.name for item in each]  # type: ignore[attr-defined]
    named += [item.name for item in (*machine.constants, *machine.levels)]
    for part in machine.parts:
        named += [part.name, *(item.name for item in (*part.modes, *part.groups, *part.counters))]
    return list(dict.fromkeys(named))


def renaming(machine: Machine, seed: int) -> Mapping[str, str]:
    """A new name for every name that is no word of the language too: some of the old ones, some that none has had."""
    chance = random.Random(seed)
    old = [name for name in names_of(machine) if name not in WORDS]
    new = [*old, *(f"{letter}{number}" for letter in "aqz" for number in range(len(old)))]
    names = dict(zip(old, chance.sample(new, len(old)), strict=True))
    declared = set(re.findall(rf"(?m)^ *(?:{'|'.join(DECLARING)}) +(\w+)", text_of(machine)))
    for name in set(old) - declared:  # what a sequence makes is named after its sequence or its step
        if made := re.fullmatch(r"(\w+?)(_rounds(?:_\d+)?|_step|_\d+)", name):
            names[name] = names.get(made[1], made[1]) + made[2]
    return names


def words_renamed(names: Mapping[str, str]) -> Callable[[str], str]:
    """Renames the words of a text, what stands in quotation marks apart."""
    word = re.compile(r'"[^"]*"|\b\w+\b')
    return lambda text: word.sub(lambda match: names.get(match.group(), match.group()), text)


def check_names(machine: Machine, seed: int, seconds: float = 30) -> None:
    """Prove ``machine`` by other names."""
    renamed = words_renamed(renaming(machine, seed))
    expected = said(machine, renamed, seconds)
    if expected is None:
        reject()
    assert said(read_text(renamed(text_of(machine)))) == expected


@settings(max_examples=12, deadline=None, suppress_health_check=MANY_TOO_SLOW)
@given(SEEDS, SEEDS)
def test_names_make_no_difference(seed: int, other: int) -> None:
    machine = small(seed) or reject()
    check_names(machine, other, SOON)


@pytest.mark.parametrize("path", SOME_SAMPLES)
def test_names_make_no_difference_to_a_sample(path: Path) -> None:
    check_names(read_text(_bare(path.read_text(encoding="utf-8"))), 1)


# ------------------------------------------------------------------------------------------------------------- order

OUTSIDE = ("link", "command", "dial", "sensor", "switch", "constant", "level")
OUTPUTS = ("motor", "servo", "lamp", "relay", "buzzer", "output")
OF_PARTS = ("counter", "mode", "group")


def shuffled(machine: Machine, seed: int) -> str:
    """The text of ``machine`` with its declarations, promises and trials in another order.

    What has an order with a meaning keeps it: parts, rows, the mode that a part starts in, and levels that read each
    other. Declarations stand in one heap in each part and outside the parts, whatever they declare.
    """
    chance = random.Random(seed)
    head: list[str] = []
    heaps: list[tuple[list[str], list[str], list[str]]] = [([], [], [])]  # the part's line, declarations, tables
    promises: list[str] = []
    trials: list[list[str]] = []
    for line in text_of(machine).splitlines():
        word = _word(line)
        if word in ("machine", "board", "tick", "use"):
            head.append(line)
        elif word == "part":
            heaps.append(([line], [], []))
        elif word in OUTSIDE + OUTPUTS:
            heaps[0][1].append(line)
        elif word in OF_PARTS and "|" not in line:
            heaps[-1][1].append(line)
        elif word == "promise":
            promises.append(line)
        elif word == "trial":
            trials.append([line])
        elif trials and word in ("at", "every", "expect"):
            trials[-1].append(line)
        else:
            heaps[-1][2].append(line)
    chance.shuffle(promises)
    chance.shuffle(trials)
    body: list[str] = []
    for opening, declarations, tables in heaps:
        body += [*opening, *_in_another_order(declarations, chance), *tables]
    return "\n".join([*head, *body, *promises, *(line for trial in trials for line in trial)]) + "\n"


def _in_another_order(lines: list[str], chance: random.Random) -> list[str]:
    """``lines`` shuffled; the first mode stays the first of the modes, and a level after those above it that it
    reads."""
    made = lines[:]
    chance.shuffle(made)
    modes = [line for line in lines if _word(line) == "mode"]
    if modes:
        places = [at for at, line in enumerate(made) if _word(line) == "mode"]
        first = made.index(modes[0])
        made[places[0]], made[first] = made[first], made[places[0]]
    levels = [line for line in lines if _word(line) == "level"]
    ready: list[str] = []
    left = [line for line in made if _word(line) == "level"]
    while left:
        free = next(line for line in left if not any(_bound(levels, line, other) for other in left))
        left.remove(free)
        ready.append(free)
    return [ready.pop(0) if _word(line) == "level" else line for line in made]


def _word(line: str) -> str:
    return line.split()[0]


def _bound(levels: list[str], line: str, other: str) -> bool:
    """Whether the level ``line`` must stay after ``other``: one of them reads the other."""
    if levels.index(other) >= levels.index(line):
        return False
    names = [each.split()[1] for each in (line, other)]
    return names[1] in re.findall(r"\w+", line) or names[0] in re.findall(r"\w+", other)


def check_order(machine: Machine, seed: int, seconds: float = 30) -> None:
    """Prove ``machine`` written in another order."""
    expected = said(machine, seconds=seconds)
    if expected is None:
        reject()
    assert said(read_text(shuffled(machine, seed))) == expected


@settings(max_examples=12, deadline=None, suppress_health_check=MANY_TOO_SLOW)
@given(SEEDS, SEEDS)
def test_the_order_of_declarations_makes_no_difference(seed: int, other: int) -> None:
    machine = small(seed) or reject()
    check_order(machine, other, SOON)


@pytest.mark.parametrize("path", SOME_SAMPLES)
def test_the_order_of_declarations_makes_no_difference_to_a_sample(path: Path) -> None:
    check_order(read_text(_bare(path.read_text(encoding="utf-8"))), 1)


# ------------------------------------------------------------------------------------------------------------ silence


def heard_by(seed: int) -> Machine | None:
    """A small machine made at random, of one part, with one link that its silence stops: None if it does not come out.

    Its first failsafe leads from any mode to the first, and it promises that whenever nothing is heard, it is there in
    the end. The ticks on which nothing is heard begin with the one after a byte, so the worst time of that promise is
    the longest that the machine keeps on after the last byte: one tick less than it needs to come to its first mode.
    """
    text = _bare(random_text(seed, 1, small=True))
    lines = [line for line in text.splitlines() if _word(line) not in ("promise", "trial", "at", "every", "expect")]
    links = [line.split()[1] for line in lines if _word(line) == "link"]
    if len(links) != 1 or any(_word(line) in ("dial", "part") for line in lines):
        return None  # a dial's number ends silence too, and nobody can ask for it
    (link,) = links
    at = next(at for at, line in enumerate(lines) if _word(line) == "link")
    lines[at] = f"{re.sub(', silent after [0-9]+ m?s', '', lines[at])}, silent after 10 ms"
    first = next(at for at, line in enumerate(lines) if _word(line) in ("failsafes", "rules"))
    start = next(line.split()[1] for line in lines if _word(line) == "mode")
    table = ["failsafes", "in | when | go to", f"any | {link} silent | {start}"]
    nothing = " and ".join(
        f"{line.split()[1]} absent 10 ms" for line in lines if _word(line) == "command" and f"from {link}" in line
    )
    promise = f"promise while {nothing} -> {start} within 1 s"
    try:
        machine = read_text("\n".join([*lines[:first], *table, *lines[first:], promise]) + "\n")
    except FileErrors:
        return None
    (part,) = machine.parts
    for row in part.rows:  # at rest, what is counted could depend on whether it is silence that keeps it there
        if start in row.modes and (row.move != "go" or row.target == start) and (row.changes or row.move == "restart"):
            return None
    return machine


def worst_stop(machine: Machine, silent: int, seconds: float) -> int | None:
    """The worst time of the last promise of ``machine`` when its link is silent after ``silent`` ticks; None if it
    could not be told, or not exactly, in ``seconds``.
    """
    text = re.sub(r"silent after 10 ms", f"silent after {10 * silent} ms", text_of(machine))
    verdict = prove(read_text(text), seconds, clock=time.process_time).verdicts[-1]
    if verdict.kept is None:
        return None
    assert verdict.kept
    return verdict.worst or 0 if verdict.sure else None


@settings(max_examples=30, deadline=None, suppress_health_check=MANY_TOO_SLOW)
@given(SEEDS, st.integers(1, 6), st.integers(1, 6))
def test_a_link_that_is_silent_sooner_never_lets_it_stop_later(seed: int, sooner: int, more: int) -> None:
    """Both times are of one machine, which differs in that silence alone."""
    machine = heard_by(seed) or reject()
    early, late = (worst_stop(machine, silent, SOON) for silent in (sooner, sooner + more))
    if early is None or late is None:
        reject()
    assert early <= late
    assert early < sooner and late < sooner + more  # on the tick of silence itself it is stopped


def test_silence_does_make_a_difference_to_some_of_them() -> None:
    machines = (heard_by(seed) for seed in range(100))
    assert any((worst_stop(each, 2, SOON), worst_stop(each, 5, SOON)) == (1, 4) for each in machines if each)


def test_how_long_a_cart_rolls_on_when_nothing_is_heard() -> None:
    text = """
machine cart
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, plain, silent after 200 ms
command halt "h", urgent
command ahead "g"
motor wheel pwm 5, direction 30
mode parked stop
mode rolling wheel 50 %
failsafes
  in | when | go to
  any | halt or radio silent | parked
rules
  in | when | go to
  parked | ahead | rolling
  rolling | after 5 s | parked
promise while ahead absent 50 ms and halt absent 50 ms -> parked within 20 s
"""
    worst = []
    for silence in (50, 100, 200, 400, 800, 8000):
        verdict = prove(read_text(text.replace("silent after 200 ms", f"silent after {silence} ms"))).verdicts[0]
        assert verdict.kept
        worst.append(verdict.worst)
    # the silence less the 50 ms that have passed; at last it is the row with after 5 s that stops the cart
    assert worst == [0, 5, 15, 35, 75, 495]
