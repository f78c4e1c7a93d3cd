"""A machine tried by hand: forth, back, another way; what is saved as a trial passes."""

from __future__ import annotations

import random
import re
import time
from pathlib import Path

import pytest

from statecraft.bench.live import CannotReplay, Live
from statecraft.language import read_text
from statecraft.machine import Hear, Machine, Pulse, PulseRate, Remembered, SetDial, SetSensor, SetSwitch
from statecraft.simulation import run_trial
from tests.samples import PATHS, machine_in, sample


def play(live: Live, chance: random.Random, steps: int) -> None:
    """Do this and that."""
    machine = live.machine
    measured = [s for s in machine.sensors if not isinstance(s.source, Remembered)]
    for _ in range(steps):
        kind = chance.randrange(8)
        if kind == 0 and measured:
            sensor = chance.choice(measured)
            value = None if chance.random() < 0.2 else chance.randint(sensor.low, sensor.high)
            live.do(SetSensor(sensor.name, value))
        elif kind == 1 and machine.switches:
            live.do(SetSwitch(chance.choice(machine.switches).name, chance.random() < 0.5))
        elif kind == 2 and machine.dials:
            dial = chance.choice(machine.dials)
            scale = int(1 / dial.unit.resolution)
            live.do(SetDial(dial.name, chance.randint(-(-dial.low // scale), dial.high // scale) * scale))
        elif kind == 3:
            live.do(Hear(chance.choice(machine.commands).name))
        elif kind == 4:
            held = [command.name for command in machine.commands if command.link is not None]
            if held:
                live.hold(chance.choice(held), chance.random() < 0.6)
        elif kind == 5:
            live.link(chance.random() < 0.8)
        elif kind == 6 and machine.pulsed:
            counter = chance.choice(machine.pulsed)
            assert counter.outside is not None
            rate = chance.randint(-counter.outside.rate if counter.outside.both_ways else 0, 2 * counter.outside.rate)
            live.do(PulseRate(counter.name, rate))
            for _ in range(chance.randint(0, 3)):
                live.do(Pulse(counter.name, chance.randint(0, 9)))
        live.step(chance.choice([1, 2, 7, 30, 120]))


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
@pytest.mark.parametrize("seed", range(3))
def test_what_is_saved_passes_and_does_the_same(path: Path, seed: int) -> None:
    machine = machine_in(path)
    live = Live(machine)
    play(live, random.Random(seed), 60)
    text = live.trial("by hand")
    again = read_text(f"{path.read_text()}\n{text}", str(path))
    result = run_trial(again, again.trials[-1])
    assert result.passed, text
    if len(result.trace) > live.tick:
        assert result.trace.states[live.tick] == live.state


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_back_is_where_it_was(path: Path) -> None:
    live = Live(machine_in(path))
    chance = random.Random(9)
    seen = {}
    for _ in range(30):
        play(live, chance, 2)
        seen[live.tick] = live.state
    for tick in sorted(seen, reverse=True):
        live.back(tick)
        assert live.tick == tick and live.state == seen[tick]
    live.back(0)
    assert live.tick == 0


def test_going_back_and_on_another_way() -> None:
    live = Live(sample("feed_pusher"))
    live.step(100)
    live.do(Hear("patrol"))
    live.step(300)
    assert live.view.modes == {"feed_pusher": "cruise"}
    live.link(False)
    live.step(100)
    assert live.view.modes == {"feed_pusher": "parked"}
    decided = [asked for asked in live.asked() if asked.decided]
    live.back(350)
    assert live.view.modes == {"feed_pusher": "cruise"} and live.linked
    live.step(200)
    assert live.view.modes == {"feed_pusher": "cruise"}  # the link was not cut this time
    assert decided == []  # it had long stopped by then


def test_why() -> None:
    live = Live(sample("feed_pusher"))
    live.step(100)
    live.do(Hear("patrol"), SetSensor("front", 200))
    live.step()
    asked = {each.text: each for each in live.asked()}
    patrol = asked["patrol and not blocked -> cruise"]
    assert not patrol.holds and not patrol.decided
    live.do(SetSensor("front", 2000))
    live.step(5)
    live.do(Hear("patrol"))
    live.step()
    patrol = {each.text: each for each in live.asked()}["patrol and not blocked -> cruise"]
    assert patrol.holds and patrol.decided


def changed(machine: Machine, old: str, new: str) -> Machine:
    text = machine.source[machine.place.file]
    assert old in text
    return read_text(text.replace(old, new), machine.place.file)


def test_on_a_changed_file() -> None:
    machine = sample("feed_pusher")
    live = Live(machine)
    live.step(100)
    live.do(Hear("patrol"))
    live.step(50)
    again = live.on(changed(machine, "port_drive 60 %, star", "port_drive 50 %, star"))
    assert again.tick == live.tick and again.view.shown["port_drive"] == 50
    again.step(10)
    with pytest.raises(CannotReplay, match=r"at 1\.01 s \(tick 101\) patrol cannot be done"):
        live.on(read_text(re.sub(r"\bpatrol\b", "stroll", machine.source[machine.place.file]), "x.modes"))


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_a_trial_of_the_file_opens_at_its_end(path: Path) -> None:
    machine = machine_in(path)
    for trial in machine.trials:
        live = Live.of_trial(machine, trial)
        trace = run_trial(machine, trial).trace
        assert live.state == trace.states[-1] and live.tick == trial.last_tick
        live.back(live.tick // 2)
        assert live.state == trace.states[live.tick]
        live.step(50)


@pytest.mark.slow
def test_an_hour_is_gone_back_quickly_and_takes_little() -> None:
    live = Live(sample("feed_pusher"))
    live.step(360_000)
    began = time.process_time()
    live.back(1_000)
    assert time.process_time() - began < 5
    assert live.tick == 1_000


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_why_is_the_same_after_going_back(path: Path) -> None:
    live = Live(machine_in(path))
    known = {0: live.asked()}
    chance = random.Random(4)
    while live.tick < 700:
        play(live, chance, 1)
        known[live.tick] = live.asked()
        if live.tick < 400:
            live.step(400 - live.tick)  # a tick whose state is kept
            known[400] = live.asked()
    bands = {part: list(told) for part, told in live.bands.items()}
    did = list(live.did)
    for tick in sorted(known, reverse=True):
        live.back(tick)
        assert live.asked() == known[tick]
        assert {part: list(told) for part, told in live.bands.items()} == {
            part: [band for band in told if band[0] <= tick] for part, told in bands.items()
        }
        assert list(live.did) == [each for each in did if each[0] <= tick]


def test_a_slider_that_is_moved_while_time_stands_still_leaves_one_line() -> None:
    live = Live(sample("feed_pusher"))
    live.step(99)
    for value in range(300, 900):
        live.do(SetSensor("front", value))
        live.do(SetSensor("left", value))
    live.step(5)
    assert live.view.sensors["front"] == 899 and live.view.sensors["left"] == 899
    assert "at 1 s front 89.9 cm, left 89.9 cm\n" in live.trial("by hand")


def test_what_a_row_lacked() -> None:
    live = Live(sample("feed_pusher"))
    live.step(100)
    live.do(Hear("patrol"), SetSensor("front", 200))
    live.step()
    asked = {each.text: each for each in live.asked()}
    assert asked["patrol and not blocked -> cruise"].lacking == ("not blocked (blocked on, front 20 cm)",)
    assert asked["creep and not blocked -> creeping"].lacking[0] == "creep"


REEL = """
machine reel
board atmega2560
tick 10 ms
link operator serial1, 9600 baud, plain, silent after 500 ms
command halt "h", urgent
command beat "b"
command wind "w"
motor drum pwm 5, forward 30, reverse 31
output panel by hand, shows mode, out, each 200 ms
counter out -50 .. 2000, counts both ways on pins 20 and 21, at most 1 kHz
mode still stop
mode turning drum -20 %
failsafes
  in  | when                    | go to
  any | halt or operator silent | still
rules
  in      | when         | go to
  still   | wind and out > 0 | turning
  turning | out <= 0     | still
  turning | after 10 s   | still
"""


def test_what_turns_outside_turns_on_while_the_link_is_cut() -> None:
    live = Live(read_text(REEL, "reel.modes"))
    live.do(PulseRate("out", 4000), Pulse("out", 5), Pulse("out", -2))
    live.step(50)
    assert live.view.counters == {"out": 203}
    live.link(False)
    live.step(50)
    assert live.view.counters == {"out": 403}
    assert "at 10 ms out at 400 Hz, out + 3" in live.trial("once")  # not 5 and then 2 back
    live.back(50)
    live.step(10)
    assert live.view.counters == {"out": 243} and live.coming["out"].rate == 4000
    one_way = read_text(REEL.replace("both ways on pins 20 and 21", "pulses on pin 20"), "reel.modes")
    assert live.on(one_way).view.counters == {"out": 243}
    live.do(PulseRate("out", -4000))
    with pytest.raises(CannotReplay, match="out at -400 Hz cannot be done to it"):
        live.on(one_way)


def test_what_turns_while_it_wakes_up_does_not_count() -> None:
    text = f'{REEL}\ntrial "early"\n  at 0 s out + 7, out at 100 Hz\n  at 1 s wind\n  expect still within 1 s\n'
    machine = read_text(text, "reel.modes")
    trial = machine.trials[0]
    live, result = Live.of_trial(machine, trial), run_trial(machine, trial)
    assert live.state == result.trace.states[trial.last_tick] and live.view.counters["out"] <= 201
