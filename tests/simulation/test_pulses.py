"""Counters that count from outside, and counters that go round: what is read of them, and what a tick makes of them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from statecraft.language import FileErrors, read_text
from statecraft.machine import Counter, CountsPulses, Machine, Pulse, PulseRate, Steady
from statecraft.simulation import Simulation, run_trial
from statecraft.simulation.pulses import PulseQueue
from statecraft.simulation.trial import script

CARRIAGE = """\
machine carriage
board atmega328p
tick 10 ms
command halt button, pin 7, on when low, urgent
command ahead button, pin 8, on when low
motor drive pwm 5, direction 4
counter clicks 0 .. 2000, counts pulses on pin 2, at most 400 Hz
counter place -400 .. 400, starts -400, counts both ways on pins A0 and A1, at most 1 kHz, round
counter side 0 .. 5, round
level stalled when carriage in going and clicks steady within 2 for 50 ms, clears when not carriage in going
mode parked stop
mode going drive 40 %
failsafes
 in | when | go to | do
 any | halt | parked | clicks = 0
 going | stalled | parked |
rules
 in | when | go to | do
 parked | ahead | going | clicks = 0, side - 1
 going | clicks >= 30 | parked | side + 2
trial "along"
 {steps}
"""


def carriage(steps: str = "at 1 s halt") -> Machine:
    return read_text(CARRIAGE.format(steps=steps), "carriage.modes")


def test_what_is_read() -> None:
    machine = carriage("at 1 s clicks + 12, place - 3, place at -20 Hz")
    clicks, place, side = machine.parts[0].counters
    assert (clicks.outside, clicks.round) == (CountsPulses(("2",), 4000), False)
    assert (place.outside, place.round, place.low) == (CountsPulses(("A0", "A1"), 10_000), True, -400)
    assert (side.outside, side.round) == (None, True)
    assert machine.pulsed == (clicks, place)
    assert machine.levels[0].set.of[1] == Steady("clicks", 2, 5, "counter")  # type: ignore[union-attr]
    assert machine.trials[0].inputs[0].inputs == (Pulse("clicks", 12), Pulse("place", -3), PulseRate("place", -200))


@pytest.mark.parametrize(
    ("was", "slip", "said"),
    [
        (", at most 400 Hz", "", "does not say how fast it may be moved"),
        ("pulses on pin 2,", "both ways on pins 2 and 2,", "has two different pins"),
        ("counts pulses on pin 2, ", "", "Only a counter that counts from outside has a rate"),
        ("most 400 Hz", "most 40 kHz", "too fast to be counted"),
        ("most 400 Hz", "most 400 Hz, up each 1 s in going", "counts time or what comes from outside, not both"),
        ("most 400 Hz", "most 400 Hz, counts both ways on pins 3 and 6", "A counter counts one thing"),
        ("0 .. 5, round", "0 .. 5, round, round", "says this twice"),
        ("clicks steady", "side steady", "moved by rows or time alone"),
        ("clicks steady within 2 for 50 ms", "side > 2", "does not read a counter that rows or time move"),
        ("at 1 s halt", "at 1 s side + 2", "is not moved by pulses"),
        ("at 1 s halt", "at 1 s clicks 3", "is moved from outside, and not set"),
        ("at 1 s halt", "at 1 s clicks - 3", "which never count down"),
        ("at 1 s halt", "at 1 s clicks + 9000", "more than ten times"),
    ],
)
def test_mistakes(was: str, slip: str, said: str) -> None:
    text = CARRIAGE.format(steps="at 1 s halt")
    assert was in text
    with pytest.raises(FileErrors) as raised:
        read_text(text.replace(was, slip, 1))
    assert len(raised.value.mistakes) == 1
    assert said in str(raised.value)


def test_it_moves_before_levels_and_rows_look_and_never_on_tick_0() -> None:
    sim = Simulation(carriage())
    sim.step(clicks=3, place=-2)
    assert sim.view.counters == {"clicks": 0, "place": -400, "side": 0}
    sim.step(["ahead"], clicks=3, place=-2)
    assert sim.view.counters == {"clicks": 0, "place": 399, "side": 5}  # set after it moved; both go round downward
    for _ in range(7):
        sim.step(clicks=4)
    assert sim.view.modes == {"carriage": "going"}
    sim.step(clicks=2)
    assert (sim.view.modes, sim.view.counters["side"]) == ({"carriage": "parked"}, 1)


def test_a_level_reads_that_it_stands_still() -> None:
    sim = Simulation(carriage())
    sim.step()
    sim.step(["ahead"])
    for by in (2, 1, 2, 1, 2, 1, 0, 0, 0):  # never more than 2 from where it was last noted for as long as 50 ms
        sim.step(clicks=by)
        assert sim.view.levels["stalled"] is False
    ticks = 0
    while sim.step().modes["carriage"] == "going":
        ticks += 1
        assert ticks < 5
    assert sim.view.levels["stalled"] is True


def test_a_trial_moves_it_no_faster_than_it_may() -> None:
    m = carriage("at 0 s clicks + 7\n at 20 ms clicks + 10, place at -250 Hz\n at 80 ms clicks + 0")
    inputs = list(script(m, m.trials[0]))
    assert [each.moves for each in inputs] == [
        (0, 0), (0, 0), (4, -2), (4, -3), (2, -2), (0, -3), (0, -2), (0, -3), (0, -2),
    ]  # fmt: skip
    result = run_trial(m, m.trials[0])
    assert result.trace.column("counter", "clicks")[-1] == 10
    assert result.trace.column("moved", "clicks")[2:5] == [4, 4, 2]


@given(st.lists(st.integers(-300, 300), max_size=60), st.integers(1, 2000), st.sampled_from([1, 5, 10, 50]))
def test_nothing_is_lost_but_what_is_counted_as_lost(bursts: list[int], rate: int, tick_ms: int) -> None:
    counter = Counter("c", "p", 0, 9, 0, outside=CountsPulses(("2", "3"), rate))
    assert counter.outside is not None
    queue, moved, most = PulseQueue(counter, tick_ms), 0, counter.outside.most(tick_ms)
    for by in bursts:
        wanted, lost = queue.waiting + by, queue.lost
        queue.come(by)
        assert queue.lost - lost == abs(wanted - queue.waiting) == max(0, abs(wanted) - counter.outside.waits)
        step = queue.take()
        assert abs(step) <= most
        moved += step
    assert abs(queue.waiting) <= counter.outside.waits
    for _ in range(2 * 1000 // tick_ms + 2):
        moved += queue.take()
    assert queue.waiting == 0


@given(st.integers(-40, 40), st.integers(1, 50), st.integers(-200, 200), st.integers(0, 50))
def test_round_is_arithmetic_modulo_its_range(low: int, size: int, by: int, above: int) -> None:
    counter = Counter("c", "p", low, low + size, low, round=True)
    value = low + above % (size + 1)
    moved = counter.moved(value, by)
    assert low <= moved <= low + size
    assert (moved - value - by) % (size + 1) == 0
