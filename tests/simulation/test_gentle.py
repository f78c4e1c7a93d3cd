"""A gentle stop: motors keep to their ramps until its time has come, the rest is at rest at once."""

from __future__ import annotations

from statecraft.language import read_text
from statecraft.machine import Machine
from statecraft.proof.prove import prove
from statecraft.report.actuator_lag import gentle_stops
from statecraft.simulation import Simulation

CART = """\
machine hay_cart
board atmega328p
tick 10 ms
command halt button, pin 3, on when low, urgent
command go button, pin 4, on when low
command ease button, pin 5, on when low
motor near pwm 9, direction 7, ramp 1000 %/s
motor far pwm 10, direction 8, ramp 500 %/s
relay fan pin 6
mode still stop
mode rolling stop gently within {time}
mode going near 60 %, far -50 %, fan on
failsafes
 in | when | go to
 any | halt | {halted}
rules
 in | when | go to
 still | go | going
 going | ease | rolling
 rolling | after 1 s | still
"""


def cart(time: str = "70 ms", halted: str = "still") -> Machine:
    return read_text(CART.format(time=time, halted=halted), "hay_cart.modes")


def after(machine: Machine, command: int, ticks: int) -> list[tuple[object, ...]]:
    simulation = Simulation(machine)
    simulation.tick((), ())
    simulation.tick((), (), (1,))
    for _ in range(20):
        simulation.tick((), ())
    found = []
    for number in range(ticks):
        simulation.tick((), (), (command,) if number == 0 else ())
        shown = simulation.view.shown
        found.append((shown["near"], shown["far"], shown["fan"]))
    return found


def test_ramps_go_on_until_the_time_has_come() -> None:
    # 10 % a tick, and 5 % a tick: the second is cut short after 70 ms, the seventh tick behind that of entering
    assert after(cart(), 2, 9) == [
        (50, -45, False), (40, -40, False), (30, -35, False), (20, -30, False), (10, -25, False), (0, -20, False),
        (0, -15, False), (0, 0, False), (0, 0, False),
    ]  # fmt: skip
    assert after(cart("5 s"), 2, 10)[-1] == (0, 0, False)


def test_a_stop_that_is_not_gentle_is_at_once() -> None:
    assert after(cart(), 0, 1) == [(0, 0, False)]


def test_a_halt_that_leads_to_a_gentle_stop_is_missed() -> None:
    assert "halt missed" not in {finding.code for finding in prove(cart()).findings}
    found = {finding.code for finding in prove(cart(halted="rolling")).findings}
    assert "halt missed" in found
    assert list(gentle_stops(cart())) == []
    assert list(gentle_stops(cart(halted="rolling"))) == [
        "line 15, halt: in rolling what moves may run on for up to 70 ms"
    ]
