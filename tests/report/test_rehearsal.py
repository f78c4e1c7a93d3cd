"""What became of a trial, in words: where the machine started, and how much is not shown."""

from __future__ import annotations

from statecraft.language import read_text
from statecraft.report.page import shown
from statecraft.report.record import of_trial
from statecraft.report.rehearsal import as_text
from statecraft.simulation import run_trial

HATCH = """machine hatch
board atmega328p
tick 10 ms
switch night pin 3, on when low
motor leaf pwm 9, direction 8
mode closed stop
mode rising leaf 40 %
rules
in | when | go to
closed | not night | rising
rising | night or after 100 ms | closed
trial "a day"
at 0 s night off
at {}
expect rising or closed
"""


def test_a_machine_that_a_row_leads_out_on_the_first_tick_started_in_its_first_mode() -> None:
    machine = read_text(HATCH.format("20 ms night on"), "hatch.modes")
    result = run_trial(machine, machine.trials[0])
    assert "    closed → 0 ms rising → 20 ms closed\n" in as_text(machine, [result])
    assert shown(of_trial(result), "x").changes == [
        ("0 s", "starts in closed, to rising: row 1, not night"),
        ("0.02 s", "rising to closed: row 2, night or after 100 ms"),
    ]
    calm = read_text(HATCH.format("20 ms night on").replace("0 s night off", "0 s night on"), "hatch.modes")
    result = run_trial(calm, calm.trials[0])
    assert "    closed\n" in as_text(calm, [result])
    assert shown(of_trial(result), "x").changes == [("0 s", "starts in closed")]


def test_what_is_not_shown_is_counted() -> None:
    machine = read_text(HATCH.format("10 s night on"), "hatch.modes")
    assert " → … 171 more " in " ".join(as_text(machine, [run_trial(machine, machine.trials[0])]).split())
