"""Rows that set a dial: later parts and outputs see it on that tick, levels on the next, until its next message."""

from __future__ import annotations

from statecraft.language import read_text
from statecraft.machine import Machine
from statecraft.simulation import Simulation

MACHINE = """\
machine barrow
board atmega2560
tick 10 ms
link operator serial1, 9600 baud, plain
command halt "h", urgent
command crawl "y"
dial pace "v", 20 % .. 80 %, starts 40 %
motor drum pwm 5, forward 30, reverse 31
level brisk when pace > 60 % clears when pace < 50 %
failsafes
 in | when | go to
 any | halt | start
part early
mode idle stop
mode slow stop
rules
 in | when | go to
 idle | pace == 30 % | slow
part drive
mode parked stop
mode rolling drum pace
rules
 in | when | go to | do
 parked | crawl | rolling | pace = 70 %
 rolling | crawl and pace == 30 % | stay | pace = 30 %
 rolling | crawl | stay | pace = 30 %
part late
mode dark stop
mode lit stop
rules
 in | when | go to
 dark | pace == 30 % | lit
"""


def barrow() -> Machine:
    return read_text(MACHINE, "barrow.modes")


def test_who_sees_it_when() -> None:
    simulation = Simulation(barrow())
    crawl = [command.name for command in simulation.machine.commands].index("crawl")
    simulation.tick((), ())
    simulation.tick((), (), (crawl,))
    view = simulation.view
    assert (view.modes["drive"], view.dials["pace"], view.shown["drum"]) == ("rolling", 70, 70)
    assert not view.levels["brisk"]
    simulation.tick((), ())
    assert simulation.view.levels["brisk"]
    simulation.tick((), (), (crawl,))
    view = simulation.view
    assert (view.dials["pace"], view.shown["drum"], view.levels["brisk"]) == (30, 30, True)
    assert (view.modes["early"], view.modes["late"]) == ("idle", "lit")
    assert view.reported == [("drive", 3), ("late", 1)]  # it changed a dial
    simulation.tick((), ())
    assert (simulation.view.modes["early"], simulation.view.levels["brisk"]) == ("slow", False)
    simulation.tick((), (), (crawl,))
    assert simulation.view.rows == [("drive", 2)]
    assert simulation.view.reported == []  # it was that already


def test_a_message_replaces_it() -> None:
    simulation = Simulation(barrow())
    simulation.tick((), ())
    simulation.tick((), (), (1,))
    simulation.tick((), (), (), ((0, 55),))
    assert (simulation.view.dials["pace"], simulation.view.shown["drum"]) == (55, 55)
    simulation.tick((), (), (1,), ((0, 62),))  # the message is read before rows decide
    assert simulation.view.dials["pace"] == 30


def test_in_the_proofs_world_it_changes_only_where_its_link_is_heard() -> None:
    simulation = Simulation(barrow())
    simulation.step_chosen((), (), (70,))
    assert simulation.view.dials["pace"] == 40  # tick 0
    simulation.step_chosen((), (), (70,))
    assert simulation.view.dials["pace"] == 40
    simulation.step_chosen((), (), (60,), spoken=(0,))
    assert simulation.view.dials["pace"] == 60
    simulation.step_chosen((), (), (None,), spoken=(0,))
    assert simulation.view.dials["pace"] == 60
    simulation.step_chosen((), (), (50,), heard=(1,))
    assert simulation.view.dials["pace"] == 50
