"""What a person forgets, planted into samples and into machines made at random in the shape of the trade: a time after
which something gives up, the gap of a level, a mode of a group, a driving mode of a failsafe. It is told in one
finding, which names the mode or the level and what mends it.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from statecraft.findings import Finding
from statecraft.language import read_text
from statecraft.proof import mends
from statecraft.proof.judgement import judge
from statecraft.proof.prove import prove
from tests.proof.trade_machines import trade_text
from tests.samples import SAMPLES

SECONDS = 120.0

ORDINARY = Path(__file__).parent / "ordinary"

pytestmark = pytest.mark.slow


@pytest.fixture(autouse=True)
def time_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    """Mends are tried however busy the computer is."""
    monkeypatch.setattr(mends, "LEAST_SECONDS", SECONDS)


def sample(name: str) -> str:
    return (SAMPLES / f"{name}.modes").read_text()


def ordinary(name: str) -> str:
    return (ORDINARY / f"{name}.modes").read_text(encoding="utf-8")


def told(text: str) -> list[Finding]:
    judged = judge(read_text(text), SECONDS)
    assert judged.decided
    return list(judged.findings)


def of_itself(finding: Finding, text: str) -> tuple[object, ...]:
    """What a finding says, whatever line it stands on."""
    line = text.splitlines()[finding.place.line - 1].split("#")[0].split()
    return finding.code, finding.modes, finding.subject, *(line if finding.row else [])


def new(text: str, planted: str) -> Finding:
    """The one finding more that ``planted`` has."""
    assert text != planted
    before = {of_itself(each, text) for each in told(text)}
    (finding,) = [each for each in told(planted) if of_itself(each, planted) not in before]
    return finding


def without_line(text: str, start: str) -> str:
    """``text`` without its one line whose words begin with ``start``."""
    lines = text.splitlines(keepends=True)
    (gone,) = [line for line in lines if " ".join(line.split()).startswith(start)]
    return "".join(line for line in lines if line is not gone)


def sub(pattern: str, put: str, text: str) -> str:
    made, count = re.subn(pattern, put, text, flags=re.MULTILINE)
    assert count == 1, pattern
    return made


# ---------------------------------------------------------------------------------------------------- a missing timeout


@pytest.mark.parametrize(
    ("name", "row", "code", "mode"),
    [
        ("yard_gate", "opening | after 25 s", "endless", "opening"),
        ("yard_gate", "backing | after 2 s", "endless", "backing"),
        ("greenhouse_vent", "travelling | after 40 s", "endless", "opening"),
        ("crate_washer", "coasting | after 4 s", "stuck", "coasting"),
    ],
)
def test_a_missing_timeout(name: str, row: str, code: str, mode: str) -> None:
    text = sample(name)
    finding = new(text, without_line(text, row))
    assert finding.code == code and mode in {each.mode for each in finding.modes} and mode in finding.message
    assert "after" in finding.hint or "Add a row that leaves" in finding.hint


@pytest.mark.parametrize("seed", [1, 2, 4])
def test_a_missing_timeout_of_the_trade(seed: int) -> None:
    text = trade_text(seed, parts=1, flaw=None)
    finding = new(text, without_line(text, "cart_step0 | after"))
    assert finding.code == "unreachable" and finding.severity == "error"
    assert finding.message.startswith("No run ever enters cart_step1") and finding.hint.startswith(
        "Add a row that leads"
    )


# ------------------------------------------------------------------------------------------------ a level without a gap


@pytest.mark.parametrize(
    ("name", "level", "about"),
    [
        ("feed_pusher", "level blocked when front < 35 cm clears when front >= 35 cm, on if in doubt", "creeping"),
        ("sump_pump", "level dry when pull < 1.5 A clears when pull >= 1.5 A", "dry"),
        ("greenhouse_vent", "level warm when air > 24 C clears when air <= 24 C", "warm"),
    ],
)
def test_a_level_without_a_gap(name: str, level: str, about: str) -> None:
    text = sample(name)
    finding = new(text, sub(rf"^level +{level.split()[1]} .*$", level, text))
    assert finding.code == "bare threshold"
    assert about == finding.subject or about in {mode.mode for mode in finding.modes}
    assert level.split()[1] in finding.message and re.search("trembl", finding.message)
    assert finding.hint.startswith(f"Let {level.split()[1]} clear further off, such as 'clears when")


@pytest.mark.parametrize("seed", [28, 37, 40])
def test_a_level_without_a_gap_of_the_trade(seed: int) -> None:
    text = trade_text(seed, parts=1, flaw=None)
    finding = new(text, sub(r"^level near_front when front < (\d+) cm.*$", GAPLESS, text))
    assert finding.code == "bare threshold" and "near_front" in finding.message


GAPLESS = r"level near_front when front < \1 cm clears when front >= \1 cm, on if in doubt"


# --------------------------------------------------------------------------------------------- a mode outside its group


@pytest.mark.parametrize(
    ("name", "line", "without", "mode", "group"),
    [
        (
            "feed_pusher",
            r"cruise, weigh, swing_left, swing_right",
            "cruise, weigh, swing_right",
            "swing_left",
            "patrolling",
        ),
        (
            "feed_pusher",
            r"cruise, weigh, swing_left, swing_right",
            "weigh, swing_left, swing_right",
            "cruise",
            "patrolling",
        ),
        ("greenhouse_vent", r"opening, shutting(?=[;\n ])", "shutting", "opening", "travelling"),
        ("yard_gate", r"outward, shutting", "outward", "shutting", "sliding"),
    ],
)
def test_a_mode_outside_its_group(name: str, line: str, without: str, mode: str, group: str) -> None:
    text = sample(name)
    finding = new(text, sub(rf"^(\s*group +{group} +){line}", rf"\1{without}", text))
    assert finding.severity == "error" and finding.modes[0].mode == mode
    assert f"ut {mode} into {group}" in finding.hint and "(Tried:" in finding.hint


@pytest.mark.parametrize(("seed", "mode"), [(17, "cart_held0"), (23, "cart_step3"), (34, "cart_step0")])
def test_a_mode_outside_its_group_of_the_trade(seed: int, mode: str) -> None:
    text = trade_text(seed, parts=1, flaw=None)
    (modes,) = re.findall(r"^group cart_driving (.*)$", text, re.MULTILINE)
    rest = ", ".join(each for each in modes.split(", ") if each != mode)
    finding = new(text, text.replace(f"group cart_driving {modes}", f"group cart_driving {rest}"))
    assert [each.mode for each in finding.modes] == [mode] and mode in finding.message
    assert finding.hint == f"Put {mode} into cart_driving. (Tried: that mends it, and nothing new is found.)"


# ------------------------------------------------------------------------------------- a failsafe that misses one mode


@pytest.mark.parametrize(
    ("name", "cell", "rest", "mode"),
    [
        ("feed_pusher", "driving", "creeping, retreating, cruise, weigh, swing_right", "swing_left"),
        ("nursery_trolley", "moving", "driven, strolling, choosing, veer_left, edging", "veer_right"),
        ("nursery_trolley", "moving", "driven, choosing, veer_left, veer_right, edging", "strolling"),
    ],
)
def test_a_failsafe_that_misses_one_mode(name: str, cell: str, rest: str, mode: str) -> None:
    text = sample(name)
    finding = new(text, sub(rf"^(\s*){cell}( +\| +\w+ silent)", rf"\1{rest}\2", text))
    assert finding.code == "runaway" and [each.mode for each in finding.modes] == [mode]
    assert finding.message.startswith(f"In {mode} the machine drives on when nobody has been heard for")
    assert re.match(rf"Let the failsafe on line \d+ apply in {mode}, too\. \(Tried:", finding.hint)


def _all_but_last_step(text: str) -> tuple[str, str]:
    machine = read_text(text)
    steps = [mode.name for mode in machine.parts[0].modes if "step" in mode.name and machine.drives(mode)]
    return re.sub(
        r"^any \| operator silent", f"any but {steps[-1]} | operator silent", text, flags=re.MULTILINE
    ), steps[-1]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_failsafe_that_misses_one_mode_of_the_trade(seed: int) -> None:
    text = trade_text(seed, parts=1, flaw=None)
    planted, mode = _all_but_last_step(text)
    finding = new(text, planted)
    assert finding.code == "runaway" and [each.mode for each in finding.modes] == [mode]
    assert re.match(rf"Let the failsafe on line \d+ apply in {mode}, too\. \(Tried:", finding.hint)


# ---------------------------------------------------------------------------------------- told once, with what mends it


AUGER = """machine auger
board   atmega328p
tick    10 ms
command off     button, pin 3, on when low, urgent
command fill    button, pin 4, on when low
command clear   button, pin 5, on when low
switch  paddle  pin 6, on when high
switch  lid     pin 7, on when high, on if in doubt
sensor  pull    current, pin A0, 0.5 V is 0 A, 2.5 V is 20 A, plausible 0 A .. 18 A
motor   auger   pwm 9, direction 10
level   jammed  when pull > 12 A for 300 ms  clears when pull < 8 A
counter tries   0 .. 3
mode resting  stop
mode full     stop
mode blocked  stop
mode filling  auger 70 %
mode backing  auger -40 %
mode topping  auger 30 %
group running filling, backing, topping
failsafes
  in      | when       | go to
  any     | off        | resting
  running | lid        | blocked
  running | pull fault | blocked
rules
  in       | when                  | go to   | do
  resting  | fill and not paddle   | filling | tries = 0
  filling  | jammed and tries < 3  | backing | tries + 1
  filling  | jammed                | blocked |
  filling  | paddle                | topping |
  filling  | after 5 min           | blocked |
  backing  | after 2 s             | filling |
  topping  | paddle and after 1 s  | full    |
  topping  | jammed                | blocked |
  topping  | after 30 s            | full    |
  blocked, full | clear            | resting |
"""
"""An auger that fills a trough, and backs off from a jam three times."""

GOOD = "(Tried: that mends it, and nothing new is found.)"


def line_of(text: str, row: str) -> int:
    """The line of ``text`` whose words begin with ``row``."""
    (found,) = [at for at, line in enumerate(text.splitlines(), 1) if " ".join(line.split()).startswith(row)]
    return found


def test_the_auger_is_sound() -> None:
    assert told(AUGER) == []


@pytest.mark.parametrize("mode", ["filling", "backing", "topping"])
def test_a_halt_that_misses_one_mode(mode: str) -> None:
    planted = AUGER.replace("any     | off ", f"any but {mode} | off ")
    finding = new(AUGER, planted)
    line = line_of(planted, "any but")
    assert finding.code == "halt missed" and finding.message == (
        f"In {mode}, off does not stop the machine on the tick that takes it: no row there asks for it."
    )
    assert finding.hint == f"Let the failsafe on line {line} apply in {mode}, too. {GOOD}"


def test_a_halt_that_is_there_is_not_advised_where_nothing_was_tried() -> None:
    (finding,) = prove(read_text(AUGER.replace("any     | off ", "any but filling | off "))).findings
    assert finding.hint == "let a failsafe on off alone, before all others, lead from filling to a stop mode."


def test_a_halt_that_asks_more() -> None:
    planted = AUGER.replace("| off        |", "| off and not paddle |")
    finding = new(AUGER, planted)
    assert finding.code == "halt missed" and not finding.message.endswith("no row there asks for it.")
    line = line_of(planted, "any | off")
    assert finding.hint == f"Let the failsafe on line {line} ask for off and nothing else. {GOOD}"


BELT = """machine belt
board atmega2560
tick 10 ms
link desk serial1, 9600 baud, checked, silent after 500 ms
command halt "halt", urgent
command run "run"
command beat "beat"
switch cord pin 24, on when high, on if in doubt
switch eye pin 22, on when low
motor belt pwm 5, direction 30
buzzer horn pin 8, 2 kHz
mode idle stop
mode warning horn on
mode running belt 60 %
mode slow belt 20 %
group going warning, running, slow
failsafes
  in | when | go to
  any | halt | idle
  going | desk silent | idle
  going | cord | idle
rules
  in | when | go to
  idle | run | warning
  warning | after 2 s | running
  running | eye | slow
  slow | after 2 s and not eye | running
"""
"""A belt that sounds its horn first: nothing drives on the tick that takes the command."""


@pytest.mark.parametrize(("mode", "other"), [("running", "slow"), ("slow", "running")])
def test_a_silence_that_misses_one_mode_after_a_horn(mode: str, other: str) -> None:
    assert told(BELT) == []
    planted = BELT.replace("going | desk silent", f"warning, {other} | desk silent")
    finding = new(BELT, planted)
    line = line_of(planted, "warning, ")
    assert finding.code == "runaway" and finding.hint == f"Let the failsafe on line {line} apply in {mode}, too. {GOOD}"


@pytest.mark.parametrize(("mode", "other"), [("running", "slow"), ("slow", "running")])
def test_a_cord_that_misses_one_of_two_modes(mode: str, other: str) -> None:
    planted = BELT.replace("going | cord", f"warning, {other} | cord")
    finding = new(BELT, planted)
    line = line_of(planted, "warning, ")
    assert finding.code == "left out" and finding.hint == f"Name {mode} in the failsafe on line {line}, too. {GOOD}"


def test_a_list_of_modes_that_was_to_be_a_group() -> None:
    text = BELT.replace("going | desk silent", "any | desk silent")
    planted = text.replace("going | cord", "warning, slow | cord")
    finding = new(text, planted)
    line = line_of(planted, "warning, ")
    assert finding.code == "left out" and "For the same cause: Nothing uses the group going." in finding.message
    assert finding.hint == f"Name running in the failsafe on line {line}, too: in going. {GOOD}"


def test_a_step_that_nothing_ends_though_what_follows_leads_back() -> None:
    text = AUGER.replace("mode topping ", "mode spinning auger 10 %\nmode topping ").replace(
        "filling, backing, topping", "spinning, filling, backing, topping"
    )
    start = "  resting  | fill and not paddle   | filling | tries = 0\n"
    text = text.replace(start, start.replace("| filling", "| spinning") + "  spinning | after 2 s | filling |\n")
    finding = new(text, without_line(text, "spinning | after"))
    assert finding.code == "unreachable" and finding.message.startswith("No run ever enters filling")
    assert finding.hint == f"Add a row that leads to filling, such as: spinning | after 10 s | filling. {GOOD}"


def test_a_start_without_its_command() -> None:
    planted = AUGER.replace("fill and not paddle  ", "not paddle  ")
    finding = new(AUGER, planted)
    line = line_of(planted, "resting | not paddle")
    assert finding.code == "halt undone" and "For the same cause: Nothing uses the command fill." in finding.message
    assert finding.hint == f"Let the row on line {line} ask for a command, too: 'and fill'. {GOOD}"


def test_a_failsafe_on_a_fault_is_missing() -> None:
    finding = new(AUGER, without_line(AUGER, "running | pull fault"))
    assert finding.code == "fault ignored" and "The row on line" in finding.message
    assert finding.hint.startswith("Add a failsafe: running | pull fault | resting; or if it can do without, declare")


def test_rows_in_the_wrong_order() -> None:
    more = "  filling  | jammed and tries < 3  | backing | tries + 1\n"
    less = "  filling  | jammed                | blocked |\n"
    planted = AUGER.replace(more + less, less + more)
    finding = new(AUGER, planted)
    line = line_of(planted, "filling | jammed | blocked")
    assert finding.code == "shadowed" and finding.message == (
        f"This row never decides: the row on line {line} asks less, and comes first. So backing is never entered."
    )
    assert finding.hint == f"Put this row above the one on line {line}. {GOOD}"


def test_nothing_leaves_the_start() -> None:
    finding = new(AUGER, without_line(AUGER, "resting | fill"))
    start = "Nothing ever leaves resting: no row leads out of it. So no run enters "
    assert finding.code == "stuck" and finding.message.startswith(start) and "filling" in finding.message
    assert finding.message.endswith("For the same cause: Nothing uses the command fill.")
    assert finding.hint == f"Add a row that leaves resting, such as: resting | fill | filling. {GOOD}"


def test_nothing_leaves_the_start_of_a_part_that_others_wait_for() -> None:
    text = sample("bale_mover")
    planted = without_line(without_line(text, "standing | ahead"), "standing | back")
    finding = new(text, planted)
    assert finding.code == "stuck" and finding.mode is not None and finding.mode.mode == "standing"
    assert f"{line_of(planted, 'any | drive in backward')}" in finding.message


def test_a_switch_that_misses_a_mode_which_drives_the_same_way() -> None:
    text = AUGER.replace("mode topping  auger 30 %", "mode topping  auger 30 %\nmode slow     auger 20 %").replace(
        "group running filling, backing, topping", "group running filling, backing, topping, slow"
    )
    text = text.replace("after 30 s            | full ", "after 30 s            | slow ")
    text = text.replace("  blocked, full", "  slow     | after 9 s             | full    |\n  blocked, full")
    planted = text.replace("running | lid        |", "filling, backing, topping | lid |")
    finding = new(text, planted)
    assert finding.code == "left out" and finding.message == (
        "In every other mode that drives, lid stops the machine, and not in slow, which drives the same way as filling."
    )
    line = line_of(planted, "filling, backing, topping |")
    assert finding.hint == f"Name slow in the failsafe on line {line}, too. {GOOD}"


def test_a_failsafe_that_holds_back_what_would_end_a_mode() -> None:
    """While the lid is up, or the current is not known, it may not fill; and so it backs."""
    planted = AUGER.replace("running | lid        |", "filling, topping | lid |")
    finding = new(AUGER, planted)
    failsafe, row = line_of(planted, "filling, topping |"), line_of(planted, "backing | after")
    assert finding.code == "endless" and finding.message.endswith(
        f"until somebody gives a command; the failsafe on line {failsafe} holds back the row on line {row}."
    )
    assert finding.hint == f"Let the failsafe on line {failsafe} apply in backing, too. {GOOD}"
    planted = AUGER.replace("running | pull fault |", "filling, topping | pull fault |")
    finding = new(AUGER, planted)
    assert finding.code == "fault ignored" and finding.mode is not None and finding.mode.mode == "backing"
    failsafe = line_of(planted, "filling, topping |")
    assert finding.hint == f"Let the failsafe on line {failsafe} apply in backing, too. {GOOD}"


def test_what_a_row_asks_already_is_not_advised() -> None:
    text = without_line(without_line(AUGER, "topping | paddle"), "topping | jammed")
    text = text.replace("after 30 s            | full ", "paddle or jammed | full ")
    planted = text.replace("blocked, full | clear ", "full | not paddle | topping |\n  blocked, full | clear ")
    (flapping,) = [each for each in told(planted) if each.code == "flapping"]
    line = line_of(planted, "full | not paddle")
    assert flapping.hint == f"Let the row on line {line} ask 'and not jammed', too. {GOOD}"


TO_AND_FRO = AUGER.replace("after 30 s            | full ", "after 30 s            | filling ").replace(
    "  filling  | paddle                | topping |", "  filling  | pull > 5 A            | topping |"
)


@pytest.mark.parametrize(("less", "codes"), [("pull <= 5 A", {"bare threshold"}), ("pull < 6 A", {"flapping"})])
def test_two_rows_that_lead_to_and_fro_by_one_reading(less: str, codes: set[str]) -> None:
    planted = TO_AND_FRO.replace("  topping  | paddle and after 1 s  | full    |", f"  topping  | {less} | filling |")
    found = [each for each in told(planted) if each.code in ("bare threshold", "flapping")]
    assert {each.code for each in found} == codes
    line = line_of(planted, f"topping | {less}")
    assert re.match(rf"Let the row on line {line} ask 'pull < 4\.8\d* A' instead\.", found[0].hint), found[0].hint


GATE = """machine gate
board atmega328p
tick 10 ms
command halt button, pin 2, on when low, urgent
command key button, pin 3, on when low
switch near pin 4, on when high
switch end pin 5, on when high
motor leaf pwm 9, direction 8
mode resting stop
mode lost stop
mode opening leaf 80 %
mode slow leaf 30 %
mode shutting leaf -60 %
counter tries 0 .. 3
failsafes
  in | when | go to | do
  any | halt | resting |
rules
  in | when | go to | do
  resting | key and not end | opening | tries = 0
  resting | key | shutting |
  opening | near | slow |
  opening | end | resting |
  slow | end | resting |
  opening, slow | after 20 s | lost |
  shutting | not end and after 9 s | opening | tries + 1
  shutting | tries > 2 | lost |
  shutting | after 12 s | resting |
  lost | key | shutting |
"""


def test_a_missing_timeout_that_alone_led_to_a_mode() -> None:
    assert told(GATE) == []
    text = without_line(GATE, "shutting | tries > 2")
    text = text.replace(" | tries + 1", " |").replace(" | tries = 0", " |").replace("counter tries 0 .. 3\n", "")
    finding = new(text, without_line(text, "opening, slow | after"))
    assert finding.code == "unreachable" and finding.message.startswith("No run ever enters lost: no row leads there")
    assert "The change below mends this, too: In opening and slow the machine drives on for ever" in finding.message
    assert finding.hint == f"Add a row that leads to lost, such as: opening, slow | after 10 s | lost. {GOOD}"


def test_a_missing_switch_that_alone_led_to_a_mode() -> None:
    finding = new(GATE, without_line(GATE, "opening | near"))
    assert finding.code == "unreachable" and "For the same cause: Nothing uses the switch near." in finding.message
    assert finding.hint == f"Add a row that leads to slow, such as: opening | near | slow. {GOOD}"


def test_a_counter_that_nothing_counts() -> None:
    finding = new(GATE, GATE.replace(" | tries + 1", " |"))
    assert finding.code == "unreachable" and finding.message.endswith("can reach in shutting; tries is always 0.")


def test_a_level_without_a_gap_between_two_sensors_is_told_once() -> None:
    text = ordinary("row_follower")
    finding = new(text, text.replace("left_row < right_row + 1 cm", "left_row <= right_row + 4 cm"))
    assert finding.code == "bare threshold"
    assert finding.message.startswith("Readings of left_row or right_row tremble by up to 1 cm, and pull_left goes")


def test_a_missing_switch_that_alone_led_to_a_stop_mode() -> None:
    text = ordinary("barn_door")
    text = text.replace(" and not at_shut", "")
    finding = new(text, without_line(text, "shutting | at_shut"))
    assert finding.code == "unreachable" and "Nothing uses the switch at_shut." in finding.message
    assert finding.hint.startswith("Add a row that leads to closed, such as: ") and finding.hint.endswith(GOOD)


# ------------------------------------------------------------------------------------------------ told in one, and how


@pytest.mark.parametrize(("mode", "rest"), [("leaving", "seeking, drying"), ("seeking", "leaving, drying")])
def test_a_mode_outside_one_of_two_groups_that_failsafes_name(mode: str, rest: str) -> None:
    text = ordinary("drying_table")
    finding = new(text, text.replace("leaving, seeking, drying;", f"{rest};"))
    assert finding.code == "runaway" and "For the same cause: hot ends" in finding.message
    assert finding.hint == f"Put {mode} into at_work. {GOOD}"


def test_a_mode_outside_the_wider_of_two_groups() -> None:
    text = ordinary("fodder_lift")
    finding = new(text, sub(r"^group   travel    hoisting, sinking", "group travel hoisting, lowering", text))
    assert finding.code == "left out" and [each.mode for each in finding.modes] == ["settling"]
    assert finding.hint == f"Put settling into travel. {GOOD}"


PRIMING = (
    ordinary("doser").replace("priming   pump on", "priming   pump on, valve on")
    + 'accept left out in priming because "it fills the hose"\n'
)
"""A pump that also runs while nothing flows, which is meant."""


@pytest.mark.parametrize(
    ("mode", "rest"),
    [("watching", "stroke, filling"), ("stroke", "watching, filling"), ("filling", "watching, stroke")],
)
def test_what_the_file_accepts_is_nothing_new(mode: str, rest: str) -> None:
    planted = PRIMING.replace("watching, stroke, filling", rest)
    finding = new(PRIMING, planted)
    line = line_of(planted, "accept")
    assert finding.code == "runaway" and finding.hint == f"Put {mode} into dosing. {GOOD}"
    assert f"Line {line} accepts 'left out', which is not found here" in finding.message


@pytest.mark.parametrize(("cell", "mode"), [("opening, easing", "shutting"), ("easing, shutting", "opening")])
def test_a_group_that_only_one_failsafe_should_name(cell: str, mode: str) -> None:
    text = ordinary("curtain")
    planted = sub(r"^  moving  \| snagged", f"  {cell} | snagged", text)
    finding = new(text, planted)
    line = line_of(planted, f"{cell} | snagged")
    if mode == "shutting":  # it drives another way than those that the failsafe names
        assert (finding.code, finding.subject) == ("unused", "moving")
        assert finding.hint == f"Name moving in the failsafe on line {line}, which then applies in {mode}, too. {GOOD}"
    else:
        assert finding.code == "endless" and "Nothing uses the group moving." in finding.message
        assert finding.hint == f"Let the failsafe on line {line} apply in {mode}, too: in moving. {GOOD}"


def test_a_group_that_several_failsafes_might_name() -> None:
    text = ordinary("hay_lift")
    found = told(text.replace("moving | pendant silent", "sinking | pendant silent"))
    assert [each.hint for each in found if each.code == "unused"] == ["Name it in a row, or remove it."]


def test_a_halt_that_misses_the_one_mode_of_a_part() -> None:
    text = ordinary("sluice")
    planted = sub(r"^    any    \| halt       \| held", "    still | halt | held", text)
    finding = new(text, planted)
    assert finding.code == "halt missed" and finding.message.startswith("In raking, halt does not stop cleaner")
    assert finding.hint == f"Let the failsafe on line {line_of(planted, 'still | halt')} apply in raking, too. {GOOD}"


def test_a_time_that_a_failsafe_misses_in_the_one_mode_where_it_is_needed() -> None:
    text = ordinary("boom_gate")
    planted = sub(r"^  raising, creeping \| after 12 s", "  raising | after 12 s", text)
    finding = new(text, planted)
    line = line_of(planted, "raising | after 12 s")
    assert finding.code == "endless" and f"The row on line {line} never decides" in finding.message
    assert finding.hint == f"Let the failsafe on line {line} apply in creeping, too. {GOOD}"


def test_a_missing_timeout_of_a_mode_that_no_other_rule_leaves() -> None:
    text = ordinary("crate_belt")
    planted = without_line(text, "backing | after 1 s")
    finding = new(text, planted)
    assert finding.code == "unreachable" and finding.message.startswith("No run ever enters settling")
    for row in ("running | jammed and tries > 2", "running | after 8 s"):
        assert f"The row on line {line_of(planted, row)} never decides" in finding.message
    assert finding.hint == f"Add a row that leads to settling, such as: backing | after 10 s | settling. {GOOD}"


def test_a_missing_timeout_that_counted_too() -> None:
    text = ordinary("doser")
    finding = new(text, without_line(text, "stroke | after"))
    assert finding.code == "unreachable" and finding.message.startswith("No run ever enters filling")
    assert finding.hint.startswith("Add a row that leads to filling, as from stroke, which no rule leaves; correct")


def test_a_missing_timeout_beside_one_that_waits_for_it() -> None:
    text = ordinary("drying_table")
    finding = new(text, without_line(text, "drying | after 15 min |"))
    assert finding.code == "unreachable" and "in drying, which no other rule leaves; without" in finding.message
    assert finding.hint.endswith("so that this row can decide; or add a rule that leaves drying.")


def test_rows_that_wait_for_what_nothing_counts_are_told_once() -> None:
    text = ordinary("crate_belt")
    planted = text.replace(" | tries + 1", " |")
    finding = new(text, planted)
    line = line_of(planted, "running | after 8 s")
    assert finding.code == "unreachable" and finding.message.endswith(
        f"can reach in running; tries is always 0. Nor does the row on line {line}. So blocked is never entered."
    )


def test_a_missing_timeout_for_which_a_counter_never_counts_on() -> None:
    text = ordinary("feeder")
    planted = without_line(text, "backing | after 1 s")
    finding = new(text, planted)
    assert finding.code == "unreachable" and finding.place.line == line_of(planted, "filling | jammed and tries")
    assert finding.hint == f"No rule leaves backing: add one, such as: backing | after 10 s | filling. {GOOD}"


def test_a_mode_outside_its_group_that_starts_in_doubt() -> None:
    text = sample("yard_gate")
    finding = new(text, sub(r"^(\s*group +outward +)opening, ", r"\1", text))
    assert finding.code == "faint hope" and "For the same cause: stalled ends backing" in finding.message
    assert finding.hint == f"Put opening into outward. {GOOD}"
