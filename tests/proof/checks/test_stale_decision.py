"""How long a row has to wait for what it reads."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.proof.prove import prove

WHEEL = """machine wheel
board atmega2560
tick 10 ms
command halt button, pin 2, on when low, urgent
command go button, pin 3, on when low
sensor seen {source}
relay wheel pin 30
mode idle stop
mode going wheel on
failsafes
in | when | go to
any | halt | idle
going | seen fault | idle
rules
in | when | go to
idle | go | going
going | after {wait} and seen < 20 {unit} | idle
going | after 9 s | idle
"""
PULSES, RANGER = "pulses, pin 19, 0 Hz .. 100 Hz", "range, trigger 22, echo 23, 2 cm .. 400 cm"


@pytest.mark.parametrize(
    ("source", "unit", "wait", "needed"),
    [
        (PULSES, "Hz", "300 ms", "1.1 s"),  # the pulses of a second: those from before it started are among them
        (PULSES, "Hz", "1.1 s", ""),
        (RANGER, "cm", "60 ms", "100 ms"),  # the ping, and 8 ms and 24 ms until its echo has come from 4 m off
        (RANGER, "cm", "100 ms", ""),
        (f"{RANGER}, median of 3", "cm", "210 ms", "220 ms"),
        ("ratio, pin A0, 0 % .. 100 %, plausible 1 % .. 99 %", "%", "10 ms", ""),
    ],
)
def test_the_time_that_a_reading_takes_to_be_measured_counts(source: str, unit: str, wait: str, needed: str) -> None:
    report = prove(read_text(WHEEL.format(source=source, unit=unit, wait=wait)))
    told = [each.hint for each in report.findings if each.code == "stale decision"]
    median = ", or take a shorter median" if "median" in source else ""
    assert told == ([f"wait at least {needed}{median}."] if needed else [])


def test_of_several_sensors_the_slowest_says_how_long_to_wait_and_all_are_named() -> None:
    other = "sensor heard range, trigger 26, echo 27, 2 cm .. 400 cm, median of 3\nsensor seen"
    text = WHEEL.format(source=RANGER, unit="cm", wait="60 ms").replace("sensor seen", other, 1)
    text = text.replace("seen < 20", "heard < 20 cm and seen < 20").replace("seen fault", "heard fault or seen fault")
    (finding,) = (each for each in prove(read_text(text)).findings if each.code == "stale decision")
    assert "but heard may take 400 ms to deliver 3 readings (" in finding.message
    assert "), and seen 160 ms: it may decide" in finding.message
    assert finding.hint == "wait at least 400 ms, or take a shorter median."
    assert (finding.subject, finding.subjects) == ("heard", ("heard", "seen"))
