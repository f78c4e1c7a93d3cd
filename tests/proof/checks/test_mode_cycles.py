"""Which rounds of modes conditions alone rule out, and which they may not."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction

import pytest

from statecraft.language import read_text
from statecraft.machine import Compare, Machine, Term
from statecraft.proof.checks import mode_cycles
from statecraft.proof.checks.flapping_rates import Rate, sharper, with_slow
from statecraft.proof.checks.mode_cycles import _found_out, _plain, _ways_of, cycles, may_go_round, stays_among
from statecraft.proof.engine.limits import OutOfTime, proving
from statecraft.proof.prove import prove
from statecraft.semantics import Guard, tick_of
from statecraft.semantics.guards import all_of
from tests.proof.against_brute import contradictions, disagreements
from tests.proof.counted_rows import ring

HEAD = """
machine  rocker
board    atmega328p
tick     10 ms
command  go     button, pin 3, on when low
command  halt   button, pin 7, on when high, urgent
sensor   front  by hand, 2 cm .. 400 cm, noise 1 cm
motor    axle   pwm 9, direction 8
"""


def rocker(rules: str) -> Machine:
    """A cart that rocks to and fro, and counts."""
    return read_text(
        f"""{HEAD}
counter  count  0 .. 9
mode idle stop
mode rocking axle 40 %
mode up      axle 40 %
mode down    axle 30 %
failsafes
in | when | go to | do
any | halt | idle |
rules
in | when | go to | do
idle | go | rocking | count = 3
{rules}
"""
    )


def test_what_one_way_round_counts_another_may_take_back() -> None:
    """Neither way round can be gone for ever, each alone; but both in turn."""
    machine = rocker(
        """rocking | count == 3 | up | count + 1
up | count == 4 | rocking |
rocking | count == 4 | down | count - 1
down | count == 3 | rocking |"""
    )
    found = [each for each in prove(machine).findings if each.code == "flapping"]
    assert {each.mode.mode for each in found if each.mode} == {"rocking", "up", "down"}


def test_a_counter_that_every_way_round_moves_on_comes_to_its_end() -> None:
    tries = """rocking, up | count > 7 | idle |
rocking | front < 40 cm | up | count + 1
up | front < 40 cm or front > 300 cm | rocking |"""
    machine = rocker(tries)
    assert stays_among(machine, None, []) == {} and cycles(machine, None, [], "rocker", machine.sensor("front")) == []
    forgetful = rocker(tries.replace("| rocking |", "| rocking | count = 0"))
    assert [set(*modes) for modes in stays_among(forgetful, None, []).values()] == [{"rocking", "up"}]


PAIR = """{head}
command  hold   button, pin 4, on when low
relay    pump   pin 10
failsafes
in | when | go to | do
any | halt | start |
part cart
mode idle stop
mode there  axle 40 %
mode back   axle -40 %
rules
in | when | go to | do
idle | go | there |
there | after {there} | back |
back | after 1 s | there |
part pump
mode dry stop
mode wet pump on
rules
in | when | go to | do
dry | (cart in {one}) and hold | wet |
wet | {other} or hold absent 200 ms | dry |
"""


def test_another_part_that_goes_round_may_open_the_way_only_where_it_goes() -> None:
    """The cart goes to and fro, and is never idle again."""
    said = "hold", ["absent hold"]
    asleep = read_text(PAIR.format(head=HEAD, there="1 s", one="idle", other="not cart in idle"))
    assert set(stays_among(asleep, *said)) == {"cart"}
    awake = read_text(PAIR.format(head=HEAD, there="1 s", one="back", other="cart in there"))
    assert set(stays_among(awake, *said)) == {"cart", "pump"}


def test_a_part_that_another_opens_the_way_for_is_as_slow_as_that() -> None:
    key = None, frozenset(["dry", "wet"])
    free = {key: Rate(True, Fraction(1), 2)}
    assert with_slow(free, {}, Fraction(1, 100)) == {key: Rate(False, Fraction(3, 100), 2)}
    assert with_slow(free, free, Fraction(1, 100)) == free == with_slow(free, {}, Fraction(1, 2))
    assert sharper(free, {}) == {key: Rate()}


def test_parts_that_take_turns_flap_only_where_nobody_waits() -> None:
    """The pump is written first, and so goes where the cart was on the tick before."""
    text = PAIR.format(head=HEAD, there="1 s", one="back", other="cart in there")
    head, cart, pump = text.partition("part cart")[0], *text.partition("part cart")[2].split("part pump")
    turned = f"{head}part pump{pump}part cart{cart}"
    for text, flaps in ((turned, False), (turned.replace("1 s", "20 ms"), True)):
        for phases in (("slices",), ("soon", "slices", "whole")):
            report = prove(read_text(text), phases=phases)  # type: ignore[arg-type]
            assert any(each.code == "flapping" for each in report.findings) == flaps
            assert "whether the machine flaps" not in report.unproved


WAVERING = """{head}
level near when front < 50 cm and cart in there clears when not (front < 50 cm and cart in there)
command far button, pin 4, on when low
part cart
mode idle stop
mode there axle 40 %
mode back axle -40 %
failsafes
in | when | go to
any | halt | idle
rules
in | when | go to
idle | go | there
there | {row} | back
back | after 1 s | idle
"""


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("near", False),  # once it is on, there is left: that turns it off
        ("not near", False),
        ("far or front >= 50 cm", False),  # so it is where it would go off
        ("far and near", True),  # far is no command that can be held
        ("near and after 1 s", True),
        ("front > 60 cm and not near", True),  # it need not read so much
    ],
)
def test_a_level_that_asks_for_a_mode_wavers_where_the_mode_stays(row: str, told: bool) -> None:
    found = prove(read_text(WAVERING.format(head=HEAD, row=row))).findings
    assert any(each.code == "bare threshold" and each.subject == "near" for each in found) == told


BETWEEN = """{head}
command hold button, pin 4, on when low
part cart
mode idle stop
mode there axle 40 %
mode back axle -40 %
mode away axle 50 %
rules
in | when | go to
idle | halt | away
idle | go | there
there | after 1 s | back
back | after 1 s | there
away | after 1 s | idle
part other
mode dry stop
mode wet stop
rules
in | when | go to
dry | (cart in {one}) and hold | wet
wet | cart in {other} or hold absent 200 ms | dry
"""


def test_another_part_stands_or_goes_round_but_not_both() -> None:
    """While the cart is idle for good it does not come by elsewhere."""
    said = "hold", ["absent hold"]
    for one, both in (("idle", False), ("back", True), ("idle or cart in back", True)):
        machine = read_text(BETWEEN.format(head=HEAD, one=one, other="there"))
        assert ("other" in stays_among(machine, *said)) == both, one


@pytest.mark.parametrize(
    ("clears", "told"), [("front > 80 cm", set()), ("front > 200 cm", {"far"}), ("front > 80 cm for 1 s", {"far"})]
)
def test_a_level_that_another_one_holds_off_does_not_waver(clears: str, told: set[str]) -> None:
    """far has no gap at 100 cm, but where front reads that near is off: it cleared at once, or may still be on."""
    machine = read_text(
        HEAD
        + f"""
level near when front < 50 cm clears when {clears}
level far when front > 100 cm and near clears when front <= 100 cm
mode idle stop
mode going axle 40 %
failsafes
in | when | go to | do
any | halt | idle |
rules
in | when | go to | do
idle | go and not far | going |
going | go | idle |
"""
    )
    found = [each for each in prove(machine).findings if each.code == "bare threshold" and each.mode is None]
    assert {each.subject for each in found} == told


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ("going | go | idle |", {"near"}),
        ("going | after 20 ms | idle |", {"near"}),
        ("going | after 10 ms | idle |", set()),
        ("going | after 10 ms in under_way | idle |", set()),
        ("going | near and go absent 1 s | idle |", {"near"}),
        ("going | near and go absent 1 s or not near and go within 2 s | idle |", set()),
    ],
)
def test_a_level_wavers_in_modes_that_last(rows: str, told: set[str]) -> None:
    """If only for two ticks; and the same is said on every one of them."""
    machine = read_text(
        HEAD
        + f"""
level near when front < 50 cm and rocker in going clears when front >= 50 cm
mode idle stop
mode going axle 40 %
group under_way going
failsafes
in | when | go to | do
any | halt | idle |
rules
in | when | go to | do
idle | go and not near | going |
{rows}
"""
    )
    found = [each for each in prove(machine).findings if each.code == "bare threshold" and each.mode is None]
    assert {each.subject for each in found} == told


@pytest.mark.parametrize(("rows", "told"), [("after 20 ms", {"near"}), ("after 10 ms", set())])
def test_a_level_may_ask_for_modes_by_way_of_another_one(rows: str, told: set[str]) -> None:
    machine = read_text(
        HEAD
        + f"""
level out when rocker in going clears when rocker in idle
level near when front < 50 cm and out clears when front >= 50 cm
mode idle stop
mode going axle 40 %
failsafes
in | when | go to | do
any | halt | idle |
rules
in | when | go to | do
idle | go and not near | going |
going | {rows} | idle |
"""
    )
    found = [each for each in prove(machine).findings if each.code == "bare threshold" and each.mode is None]
    assert {each.subject for each in found} == told


def test_readings_as_they_are_on_the_tick_are_told_from_what_is_kept() -> None:
    machine = read_text(f"""{HEAD}
sensor   seen   front, taken in going, patience 1 s
dial     pace   "v" from radio, 0 .. 9, starts 1
link     radio  serial0, 9600 baud, plain
counter  count  0 .. 9
mode     idle   stop
mode     going  axle 30 %
rules
in | when | go to | do
idle | go | going | count + 1
going | count > pace | idle | count = 0
""")
    front, seen, pace = Term("sensor", "front"), Term("sensor", "seen"), Term("dial", "pace")
    count = Term("counter", "count")
    asked = [(front, None), (pace, None), (front, pace), (seen, None), (front, seen), (count, None), (count, pace)]
    told = [_plain(machine, Compare(left, ">", right, 2)) for left, right in asked]
    assert told == [True, True, True, False, False, False, False]


WINDER = """
machine winder
board atmega2560
tick 10 ms
command halt button, pin 3, on when high, urgent
command pull button, pin 4, on when low
switch slack pin 22, on when high
switch guide_end pin 23, on when high
motor drum pwm 5, forward 30, reverse 31
motor guide pwm 6, forward 32, reverse 33
level stuck when rope steady within 2 for 500 ms, clears when not rope steady within 2 for 500 ms
failsafes
in | when | go to
any | halt | start
part reel
counter rope 0 .. 400, counts pulses on pin 2, at most 100 Hz
counter tries 0 .. 2
mode still stop
mode freeing drum 10 %
mode hauling drum 60 %
mode easing drum -20 %
group turning freeing, hauling, easing
rules
in | when | go to | do
turning | {ends} | still |
still | pull | freeing | tries = 0, rope = 0
freeing | after 200 ms | hauling |
hauling | slack and rope < 300 | easing | tries + 1
easing | not slack or rope < 300 | hauling |
part fork
mode parked stop
mode rightward guide 30 %
mode leftward guide -30 %
rules
in | when | go to
rightward, leftward | reel in still | parked
parked | reel in hauling | rightward
rightward | guide_end | leftward
leftward | guide_end | rightward
"""


@pytest.mark.parametrize(
    ("ends", "round_for_ever"),
    [
        ("stuck and after 1 s in turning", set()),  # the rope is still, and so the reel comes to be
        ("stuck and after 1 s in turning and rope > 100", {"reel", "fork"}),
        ("stuck and slack", {"fork"}),
        ("after 10 min in turning", set()),
        ("pull and after 1 s in turning", {"reel", "fork"}),
    ],
)
def test_a_part_stands_only_where_nothing_leads_out_in_the_end(
    ends: str, round_for_ever: set[str]
) -> None:
    machine = read_text(WINDER.format(ends=ends))
    assert set(stays_among(machine, None, frozenset())) == round_for_ever


def test_a_counter_that_rows_set_to_this_and_that_may_not_be_steady() -> None:
    text = WINDER.format(ends="stuck and after 1 s in turning")
    other = text.replace("| easing | tries + 1", "| easing | tries + 1, rope = 200")
    assert set(stays_among(read_text(other), None, frozenset())) == {"reel", "fork"}


def test_rows_that_ask_the_same_are_not_put_together_again_and_again(monkeypatch: pytest.MonkeyPatch) -> None:
    put: list[Guard] = []

    def counting(guards: Iterable[Guard]) -> Guard:
        some = list(guards)
        put.extend(some)
        return all_of(some)

    monkeypatch.setattr(mode_cycles, "all_of", counting)
    machine = ring(["far"], ["rest | go and front > 5 | far |"] * 80)
    assert not stays_among(machine, "go", ())
    assert 80 < len(put) < 10 * 80


def test_the_time_is_looked_at_while_many_rows_are_put_together() -> None:
    machine = ring(["far"], [f"rest | go and front > {limit} | far |" for limit in range(80)])
    (part,) = machine.parts
    asked = _found_out(machine).asked(tick_of(machine), part, part.start)
    with proving(0.0), pytest.raises(OutOfTime):
        list(_ways_of(asked, {test: test for test in asked.tests}, None, frozenset()))


TWO = """machine two
board atmega2560
tick 10 ms
command halt button, pin 3, on when low, urgent
sensor front range, trigger 24, echo 25, 2 cm .. 400 cm, noise 2 cm
sensor depth range, trigger 26, echo 27, 2 cm .. 400 cm, noise 2 cm
motor belt pwm 5, forward 22, reverse 23
motor lift pwm 6, forward 28, reverse 29
failsafes
in | when | go to
any | halt or front fault or depth fault | start
part feed
mode still stop
mode feeding belt 50 %
rules
in | when | go to
still | front > 50 cm | feeding
feeding | front < 51 cm | still
part raise
mode down stop
mode lifting lift 50 %
rules
in | when | go to
down | depth > 30 cm | lifting
lifting | depth < 31 cm | down
"""


def test_of_several_parts_one_that_may_go_round_is_enough() -> None:
    machine = read_text(TWO)
    for sensor, name in zip(machine.sensors, ("feed", "raise"), strict=True):
        assert may_go_round(machine, None, (), None, sensor)
        asked = [part.name for part in machine.parts if may_go_round(machine, None, (), [part.name], sensor)]
        assert asked == [name]
    assert not may_go_round(machine, None, (), [], machine.sensors[0])
    told = [each for each in prove(machine).findings if each.code == "bare threshold"]
    assert {(each.subject, each.mode.part) for each in told if each.mode} == {("front", "feed"), ("depth", "raise")}


SIFTING = """machine sieve
board atmega2560
tick 10 ms
command halt button, pin 3, on when low, urgent
sensor depth range, trigger 26, echo 27, 2 cm .. 400 cm
motor drum pwm 5, forward 22, reverse 23
mode empty stop
mode shaking drum 50 %
mode resting
group filled shaking, resting
failsafes
in | when | go to
any | halt or depth fault | start
rules
in | when | go to
empty | depth < 80 cm | shaking
shaking | depth < 15 cm | resting
{rules}
"""


@pytest.mark.parametrize(
    ("rules", "told"),
    [
        ("resting | after 20 ms in filled | empty", {"shaking"}),
        ("resting | after 30 ms in filled | empty", set()),
        ("resting | after 30 ms in filled | empty\nresting | after 0 s | shaking", {"shaking"}),
        ("filled | after 30 min in filled | empty", set()),
    ],
)
def test_a_group_that_is_soon_left_has_not_lasted_for_long(rules: str, told: set[str]) -> None:
    """On a round on which each tick changes the mode its clock shows no more ticks than it has modes to go through."""
    machine = read_text(SIFTING.format(rules=rules))
    report = prove(machine)
    assert report.complete
    assert {f.mode.mode for f in report.findings if f.code == "bare threshold" and f.mode} == told
    may = [way for way in cycles(machine, None, (), "sieve", machine.sensors[0]) or () if "empty" in way]
    assert bool(may) == bool(told)


def counting(values: str, first: str, second: str, when: str) -> Machine:
    """A sieve that counts on its way from empty to shaking, and from there to resting, and waits there."""
    text = SIFTING.replace("mode empty", f"counter times {values}\nmode empty")
    head, rules = text.split("\nrules\nin | when | go to\n")
    rules = rules.replace("| shaking\n", f"| shaking | {first}\n").replace("| resting\n", f"| resting | {second}\n")
    text = f"{head}\nrules\nin | when | go to | do\n{rules}"
    return read_text(text.format(rules=f"resting | {when} | empty |"))


@pytest.mark.parametrize(("least", "told"), [(1, {"shaking"}), (2, set())])
def test_what_a_counter_is_set_to_on_the_way_it_is(least: int, told: set[str]) -> None:
    """The drum has been shaken once where it rests: a row that waits for more leads nowhere."""
    machine = counting("0 .. 3", "times = 0", "times + 1", f"times >= {least}")
    assert bool(cycles(machine, None, (), "sieve", machine.sensors[0])) == bool(told)
    assert {f.mode.mode for f in prove(machine).findings if f.code == "bare threshold" and f.mode} == told


def test_a_counter_that_goes_round_may_be_anything() -> None:
    """It is stepped on every way round and set on none: sooner or later it is what the row asks for."""
    machine = counting("0 .. 3, round", "times + 1", "", "times == 3")
    assert cycles(machine, None, (), "sieve", machine.sensors[0]) != []


FAN_AND_CART = """machine dredge
board atmega2560
tick 10 ms
sensor depth range, trigger 26, echo 27, 2 cm .. 400 cm, noise 1 cm
switch lid pin 4, on when high
relay fan pin 9, harmless
motor axle pwm 5, forward 22, reverse 23
part air
mode off stop
mode on fan on
mode late stop
rules
in | when | go to
off | depth < 40 cm{waits} | {target}
on | not depth < 40 cm | off
late | lid and depth < 40 cm | on
late | not lid | off
part cart
mode still stop
mode rolling axle 50 %
rules
in | when | go to
still | lid | rolling
rolling | air in on{or_else} | still
"""


@pytest.mark.parametrize(
    ("waits", "target", "or_else", "told"),
    [
        ("", "on", "", True),
        (" and after 20 ms", "on", "", True),  # no longer than the cart has modes
        (" and after 80 ms", "on", "", False),
        (" and after 80 ms", "late", "", False),
        ("", "late", "", True),
        (" and after 80 ms", "on", " or lid", True),  # it goes on meanwhile
        (" and after 80 ms", "on", " or not lid", False),
    ],
)
def test_who_waits_for_a_part_that_takes_its_time_does_not_go_round(
    waits: str, target: str, or_else: str, told: bool
) -> None:
    """The cart changes its mode on every tick only if the air comes on and goes off as soon."""
    machine = read_text(FAN_AND_CART.format(waits=waits, target=target, or_else=or_else))
    assert (cycles(machine, None, (), "cart", machine.sensors[0]) != []) is told
    assert not disagreements(machine) and not contradictions(machine)[0]


@pytest.mark.parametrize(
    ("near", "shut", "told"),
    [
        ("front < 50 cm clears when front >= 50 cm", "near and front < 49 cm clears when not near", {"near"}),
        ("front < 50 cm clears when front >= 50 cm", "near and front < 49.5 cm clears when not near", {"near", "shut"}),
        (
            "front < 50 cm clears when front >= 50 cm for 20 ms",
            "near and front < 40 cm clears when not near",
            {"near", "shut"},
        ),
        (
            "front < 50 cm or back < 5 cm clears when front >= 50 cm and back > 8 cm",
            "near and front < 49 cm clears when not near",
            {"near", "shut"},
        ),
    ],
)  # fmt: skip
def test_what_goes_on_and_off_does_so_with_the_reading(near: str, shut: str, told: set[str]) -> None:
    """1 cm below where it clears near has not cleared; but it may wait, or hang on what another sensor was in doubt of,
    which is not looked into."""
    machine = read_text(
        HEAD.replace("motor ", "sensor back by hand, 2 cm .. 400 cm\nmotor ")
        + f"level near when {near}\nlevel shut when {shut}\nmode idle stop\nmode going axle 40 %\n"
        "failsafes\nin | when | go to\nany | halt | idle\nrules\nin | when | go to\nidle | go | going\n"
        "going | after 1 s | idle\n"
    )
    found = {each.name for each in machine.levels if mode_cycles.wavers(machine, each, machine.sensors[0])}
    assert found == told


@pytest.mark.parametrize(("doubt", "told"), [("", True), (", on if in doubt", False)])
def test_what_is_on_in_doubt_does_not_go_off_by_a_fault(doubt: str, told: bool) -> None:
    level = f"level near when front > 50 cm clears when front > 49 cm and back fault{doubt}\n"
    machine = read_text(
        HEAD.replace("motor ", "sensor back by hand, 2 cm .. 400 cm\nmotor ")
        + level
        + "mode idle stop\nmode going axle 40 %\nfailsafes\nin | when | go to\nany | halt | idle\nrules\n"
        "in | when | go to\nidle | near | going\ngoing | after 1 s | idle\n"
    )
    assert mode_cycles.wavers(machine, machine.levels[0], machine.sensors[0]) is told
