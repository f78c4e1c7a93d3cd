"""How old what is decided on can be."""

from __future__ import annotations

from statecraft.language import read_text
from statecraft.proof.reading_age import age, of_failing, of_level, of_memory, of_promise

TEXT = """
machine cart
board atmega2560
tick 10 ms
command halt button, pin 3, on when low, urgent
sensor front range, trigger 22, echo 23, 2 cm .. 400 cm, median of 3
sensor rear range, trigger 24, echo 25, 2 cm .. 400 cm
sensor volts voltage, pin A0, 0 V .. 15 V
sensor wind pulses, pin 19, 0 Hz .. 60 Hz
sensor seen front, taken in rolling, patience 2 s
switch bumper pin 26, on when high, settle 40 ms
switch lid by hand
motor wheel pwm 5, direction 30
level wall when front < 40 cm clears when front > 50 cm
level boxed when wall and bumper clears when not wall
level idle when cart in parked clears when cart in rolling
mode parked stop
mode rolling wheel 50 %
failsafes
  in | when | go to
  any | halt | parked
rules
  in | when | go to
  parked | rear > 1 m and not lid and not boxed and not idle and seen > 10 cm and volts > 3 V and wind < 40 Hz | rolling
  rolling | wall | parked
promise never rolling and boxed for 1 s
promise once halt -> parked within 10 ms
"""


def test_the_schedule_the_median_and_the_tick_count() -> None:
    machine = read_text(TEXT)
    # two rangers take turns, 60 ms a ping: a reading of each every 120 ms, 12 ticks; the echo line rises within 8 ms,
    # and falls 24 ms later for what is 4 m off
    assert age(machine, "rear") == 12 + 4 + 1
    assert age(machine, "front") == 2 * 12 + 4 + 1, "two of three readings have to be new"
    assert age(machine, "volts") == 1 + 1
    # the rate is that of the last second, told each 100 ms: all of that is new 1.1 s after what changed it
    assert age(machine, "wind") == 10 + 100 + 1
    assert age(machine, "seen") == 200 + 24 + 4 + 1
    assert age(machine, "bumper") == 4 + 1 and age(machine, "lid") == 1


def test_it_is_said_of_levels_and_promises_that_read() -> None:
    machine = read_text(TEXT)
    wall, boxed, idle = machine.levels
    assert of_level(machine, wall) == "wall is decided on a reading of front up to 290 ms old"
    both = "a reading of front up to 290 ms old and bumper up to 50 ms after it turns"
    assert of_level(machine, boxed) == f"boxed is decided on {both}"
    assert of_level(machine, idle) == ""
    assert of_promise(machine, machine.promises[0]) == f"decided on {both}"
    assert of_promise(machine, machine.promises[1]) == ""


def test_what_the_proof_lets_be_remembered_is_said_where_something_asks_about_it() -> None:
    told = "remembered: the proof lets it hold any value, or none, at any time; on the machine it holds what was taken"
    assert of_memory(read_text(TEXT)) == f"seen is {told}"
    nobody = TEXT.replace(" and seen > 10 cm", "")
    assert of_memory(read_text(nobody)) == ""
    in_a_promise = f"{nobody}promise never rolling and seen fault\n"
    followed = nobody.replace("rolling wheel 50 %", "rolling wheel follows seen: 20 cm 15 % .. 80 cm 60 %")
    of_a_level = nobody.replace("mode parked", "level near when seen < 9 cm clears when seen > 20 cm\nmode parked", 1)
    for text in (in_a_promise, followed, of_a_level):
        assert of_memory(read_text(text)) == f"seen is {told}"
    two = TEXT.replace("switch bumper", "sensor past rear, taken in rolling, patience 2 s\nswitch bumper", 1)
    two = two.replace("rear > 1 m", "past > 1 m")
    assert of_memory(read_text(two)).startswith("seen and past are remembered: the proof lets each hold any value")


def test_how_long_the_last_reading_counts_where_none_comes_is_said() -> None:
    """A cliff that gives no echo is a fault only after the patience, however often the ranger pings."""
    told = "When a sensor stops delivering, its last reading counts until that is a fault: "
    told += "500 ms for front, rear and wind"
    assert of_failing(read_text(TEXT)) == told  # what remembers has said so with its age; a voltage cannot fail
    by_hand = TEXT.replace("volts voltage, pin A0, 0 V .. 15 V", "volts by hand, 0 V .. 15 V, patience 80 ms")
    assert of_failing(read_text(by_hand)) == told.replace(": ", ": 80 ms for volts and ")
    nobody = by_hand.replace(" and volts > 3 V", "")
    assert of_failing(read_text(nobody)) == told


def test_it_is_said_of_settings_that_follow_readings() -> None:
    text = TEXT.replace("rolling wheel 50 %", "rolling wheel follows front: 20 cm 15 % .. 80 cm 60 %")
    text += "promise never wheel > 40 % and rear < 50 cm\npromise never rolling and wheel off\n"
    text += "promise never rear < 9 cm\n"
    machine = read_text(text)
    front, rear = "front up to 290 ms old", "rear up to 170 ms old"
    assert [of_promise(machine, each) for each in machine.promises[2:]] == [
        f"decided on a reading of {front} and a reading of {rear}",
        f"decided on a reading of {front}",
        f"decided on a reading of {rear}",
    ]
