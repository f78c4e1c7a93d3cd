"""An exploration that runs out of time and is gone on with; and one that tells less apart."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from statecraft.language import read_text
from statecraft.machine import Machine
from statecraft.proof.checks.unreachable import fired
from statecraft.proof.engine.exploration import Config, Explorer, Only
from statecraft.proof.engine.limits import OutOfTime, proving, within
from statecraft.proof.kept_dials import kept
from statecraft.proof.reachability import Reachability
from statecraft.proof.slices import Slices, SliceScope
from tests.benchmarks.large_machines import parts
from tests.proof.against_brute import small_text
from tests.samples import sample


def ticking() -> Callable[[], float]:
    """A clock that goes on by one every time it is looked at: time runs out at the same places on every computer."""
    now = 0.0

    def clock() -> float:
        nonlocal now
        now += 1.0
        return now

    return clock


@pytest.mark.parametrize("steps", [1, 2, 3])
def test_what_is_broken_off_is_gone_on_with(steps: int) -> None:
    machine = sample("sump_pump")
    names = [part.name for part in machine.parts]
    whole = Reachability(machine, names)
    whole.explore()
    broken = Reachability(machine, names)
    breaks = 0
    with proving(None, clock=ticking()):
        while True:
            try:
                with within(steps + breaks / 10):
                    broken.explore()
                break
            except OutOfTime:
                breaks += 1
    assert breaks
    assert fired(broken) == fired(whole)
    assert broken.reached == whole.reached
    assert not broken.explorer.unended


def machines() -> list[Machine]:
    return [sample("feed_pusher"), read_text(parts(2, 4))]


@pytest.mark.parametrize("machine", machines(), ids=["feed pusher", "two parts"])
def test_a_slice_knows_how_everything_stands_on_tick_0(machine: Machine) -> None:
    """A link has always been silent when the power comes on, and so no row that wants it not to be decides."""
    slices = Slices(machine)
    for part in machine.parts:
        made = slices.slice(SliceScope(frozenset([part.name])))
        whole = Reachability(machine, [each.name for each in machine.parts])
        whole.explore(200)
        place = whole.model.part_index[part.name]
        first = {edge.way.rows[place] for edge in whole.explorer.start_edges}
        assert first <= {edge.way.rows[0] for edge in made.explorer.start_edges}
        for index, pairs in made.model.at_start:
            assert 0 < pairs < made.model.clusters[index].all


def test_what_is_not_to_be_heard_is_not() -> None:
    own = Reachability(sample("feed_pusher"), [part.name for part in sample("feed_pusher").parts])
    own.explore()
    silent, halt = "silent operator", 1 << own.model.takes.index("halt")
    heard = 0
    for _, config in list(own.configs())[:40]:
        for region in own.explorer.regions(config, Only(deaf=frozenset([silent]))):
            assert silent not in region.hearing.reset
        for region in own.explorer.regions(config, Only(takes=halt)):
            assert region.hearing.takes == halt
            heard += silent in region.hearing.reset
    assert heard


def test_an_exploration_that_tells_less_apart_has_whatever_there_is() -> None:
    """Each configuration lies within the one of the same modes, counters and levels with times."""

    def same(config: Config) -> object:
        return config.modes, config.counters, config.fors

    fewer = 0
    for seed in range(9):
        machine = kept(read_text(small_text(seed)))
        exact = Reachability(machine, [part.name for part in machine.parts])
        if not exact.explore(most=3_000):
            continue
        explorer = Explorer(exact.model, zones=exact.explorer.zones, around=True)
        explorer.run()
        around = {same(config): config for config in (explorer.configs[number] for number in explorer.numbers())}
        assert len(around) == len(explorer.numbers())
        for _, config in exact.configs():
            assert explorer._subsumed(config, around[same(config)]), seed
        fewer += len(explorer.numbers()) < len(exact.explorer.numbers())
    assert fewer > 3


COUNTED = """\
machine gate
board atmega328p
tick 10 ms
command go button, pin 4, on when low
command back button, pin 5, on when low
command halt button, pin 6, on when low, urgent
counter place 0 .. 9, up each {up} in opening, down each {down} in shutting
counter {more}
mode rest stop
mode opening
mode shutting
rules
in | when | go to | do
any | halt | rest |
rest | go | opening |
rest | back | shutting | place = {at}
opening | place >= {end} or after {wait} | rest |
shutting | place <= 1 and after 40 ms | rest |
"""


@pytest.mark.parametrize(
    "up, down, more, at, end, wait",
    [
        ("50 ms", "30 ms", "rounds 0 .. 2", 3, 6, "10 s"),
        ("30 ms", "70 ms", "along 0 .. 1, round, up each 20 ms in opening, shutting", 3, 5, "110 ms"),
        ("10 ms", "20 ms", "along 0 .. 3, up each 60 ms in opening", 0, 4, "10 s"),
    ],
)
def test_what_remainders_rest_at_need_not_be_told_apart(
    up: str, down: str, more: str, at: int, end: int, wait: str
) -> None:
    """Whatever they rest at, they may run on from there in the exploration that tells less apart."""
    machine = read_text(COUNTED.format(up=up, down=down, more=more, at=at, end=end, wait=wait))
    exact = Reachability(machine, ["gate"])
    assert exact.explore()
    count = len(exact.model.counters)

    def same(config: Config) -> Config:
        rests = (None if rest is None else 0 for rest in config.counters[count:])
        return config._replace(counters=(*config.counters[:count], *rests), boxes=(), zone=0)

    explorer = Explorer(exact.model, zones=exact.explorer.zones, around=True)
    explorer.run()
    around = {same(config): config for config in (explorer.configs[number] for number in explorer.numbers())}
    resting = [config for _, config in exact.configs() if any(config.counters[count:])]
    assert resting and len(around) == len(explorer.numbers()) < len(exact.explorer.numbers())
    for _, config in exact.configs():
        assert explorer.zones.within(config.zone, around[same(config)].zone)
