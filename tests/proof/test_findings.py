"""What people forget is told in one finding; what ordinary machines do is not told at all. None of them is a sample."""

from __future__ import annotations

import re

import pytest

from statecraft.findings import Finding
from statecraft.language import read_text
from statecraft.proof.judgement import Judgement, judge
from statecraft.proof.prove import prove

HEAD = """
machine {name}
board atmega2560
tick 20 ms
link operator serial1, 9600 baud, checked, silent after 500 ms
command halt "halt", urgent
command go "go"
command back "back"
command beat "."
"""

HARVESTER = (
    HEAD.format(name="harvester")
    + """
sensor front range, trigger 22, echo 23, 2 cm .. 400 cm, no echo reads far
switch bumper pin 24, on when high, settle 20 ms
motor left_track pwm 5, direction 30
motor right_track pwm 6, direction 31
level near when front < 40 cm clears when front > {gap} cm, on if in doubt
mode parked stop
mode cruise left_track 60 %, right_track 60 %
mode turning left_track -40 %, right_track 40 %
mode backing left_track -30 %, right_track -30 %
mode creeping left_track 60 %, right_track 60 %
group driving {driving}
failsafes
  in | when | go to
  any | halt | parked
  {silent} | operator silent | parked
  driving | bumper | parked
rules
  in | when | go to
  parked | go and not near | cruise
  parked | back | creeping
  cruise | near | turning
  turning | after 600 ms and not near | cruise
  turning | after 4 s | backing
  backing | {limit} | turning
  creeping | back absent 300 ms | parked
promise every mode can reach parked
promise once halt -> parked within 20 ms
"""
)

LIFT = """
machine lift
board atmega328p
tick 100 ms
command halt button, pin 3, on when low, urgent
command raise button, pin 4, on when low
command lower button, pin 5, on when low
sensor load current, pin A0, 0.5 V is 0 A, 2.5 V is 20 A, -2 A .. 20 A, plausible -1 A .. 18 A
motor spindle pwm 9, direction 8
{level}
mode resting stop
mode rising spindle 60 %
mode sinking spindle -40 %
failsafes
  in | when | go to
  any | halt | resting
  rising, sinking | load fault | resting
rules
  in | when | go to
  resting | raise and {heavy_not} | rising
  resting | lower | sinking
  rising | {heavy} | {then}
  {rising_limit}
  sinking | after 5 s | resting
"""


def sound(text: str, **parts: str) -> Judgement:
    return judge(read_text(text.format(**parts)))


def told(judged: Judgement) -> list[Finding]:
    return [each for each in judged.findings if each.severity != "note"]


def harvester(**changed: str) -> Judgement:
    whole = {"gap": "50", "driving": "cruise, turning, backing, creeping", "silent": "any", "limit": "after 2 s"}
    return sound(HARVESTER, **(whole | changed))


def lift(**changed: str) -> Judgement:
    whole = {
        "level": "level heavy when load > 14 A clears when load < 10 A",
        "heavy": "heavy",
        "heavy_not": "not heavy",
        "then": "resting",
        "rising_limit": "rising | after 5 s | resting",
    }
    return sound(LIFT, **(whole | changed))


MEASURES_NOTHING = {
    "level": "level heavy when load > 14 A clears when load < 10 A",
    "heavy": "raise and heavy",
    "heavy_not": "not heavy and not load fault",
    "then": "resting",
    "rising_limit": "",
}


def test_machines_with_nothing_forgotten_are_left_in_peace() -> None:
    assert told(harvester()) == [] and harvester().status() == 0
    assert told(lift()) == [] and lift().status() == 0


def test_a_missing_timeout() -> None:
    (finding,) = lift(rising_limit="").findings
    assert finding.code == "endless" and finding.modes[0].mode == "rising"
    assert finding.severity == "note", "a heavy load ends it"
    (finding,) = told(sound(LIFT.replace("  rising, sinking | load fault | resting\n", ""), **MEASURES_NOTHING))
    assert finding.code == "endless" and finding.severity == "warning" and finding.modes[0].mode == "rising"
    assert "drives on for ever" in finding.message and "'after'" in finding.hint


DOOR = """
machine  shed_door
board    atmega328p
tick     100 ms
command  toggle    button, pin 3, on when low
command  halt      button, pin 7, on when high, urgent
switch   shut_end  pin 4, on when high, on if in doubt
motor    door      pwm 9, direction 8
counter  secs      0 .. 40, starts 20, up each 500 ms in rising, down each 1 s in any but rising
mode     resting   stop
mode     rising    door 80 %
failsafes
  in       | when                                | go to
  any      | halt                                | resting
  rising   | shut_end                            | resting
  rising   | after 20 s                          | resting
rules
  in       | when                                | go to
  resting  | toggle and not shut_end and secs<30 | rising
"""


@pytest.mark.slow
def test_a_counter_that_counts_time_may_end_a_mode_or_not() -> None:
    """Over many values it is followed roughly: what stays for ever is told where it has come to its end."""

    def told_of(limit: str) -> list[str]:
        judged = sound(DOOR.replace("| after 20 s     ", f"| {limit}"))
        assert judged.status() == 0
        return [finding.severity for finding in judged.findings if finding.code == "endless"]

    assert told_of("after 20 s") == told_of("after 20 s and secs > 0") == told_of("secs >= 40") == []
    assert told_of("after 9 s and secs < 40") == ["note"], "the end switch ends it, and so may a count below 40"
    assert told_of("after 20 s and shut_end") == ["note"]


def test_a_mode_outside_its_group() -> None:
    (finding,) = told(harvester(driving="cruise, turning, backing"))
    assert finding.code == "left out" and finding.modes[0].mode == "creeping" and finding.subject == "bumper"
    assert "In every other mode that drives, bumper stops the machine, and not in creeping" in finding.message
    assert finding.hint.startswith("Put creeping into driving.")


def test_a_failsafe_that_misses_one_driving_mode() -> None:
    (finding,) = told(harvester(silent="parked, cruise, backing, creeping"))
    assert finding.code == "runaway" and [mode.mode for mode in finding.modes] == ["turning"]
    assert "In turning the machine drives on when nobody has been heard for 500 ms" in finding.message
    assert re.match(r"Let the failsafe on line \d+ apply in turning, too\. \(Tried:", finding.hint)


def test_a_failsafe_that_misses_several_is_told_once() -> None:
    (finding,) = told(harvester(silent="parked, cruise, creeping"))
    assert finding.code == "runaway" and {mode.mode for mode in finding.modes} == {"turning", "backing"}
    assert finding.message.startswith("In turning and backing the machine drives on") and finding.run is not None


def test_an_accepted_finding_is_not_counted_and_says_why() -> None:
    text = HARVESTER.format(gap="50", driving="cruise, turning, backing", silent="any", limit="after 2 s")
    judged = judge(read_text(text + 'accept left out in creeping because "the hand is on the lever"\n'))
    (finding,) = [each for each in judged.findings if each.code == "left out"]
    assert finding.accepted is not None and finding.accepted.reason == "the hand is on the lever"
    assert judged.status(strict=True) == 0 and "1 accepted" in judged.outcome


def test_accepting_what_is_not_found_is_told() -> None:
    text = HARVESTER.format(gap="50", driving="cruise, turning, backing, creeping", silent="any", limit="after 2 s")
    (finding,) = told(judge(read_text(text + 'accept left out in creeping because "why"\n')))
    assert finding.code == "unused" and "left out" in finding.message and "Remove the line" in finding.hint


VENT = (
    HEAD.format(name="vent")
    + """
sensor air temperature, pin A0, 10 kohm at 25 C, beta 3950, against 10 kohm, -20 C .. 60 C, plausible -15 C .. 55 C
motor fan pwm 9, direction 8
level warm when air >= 25 C clears when air < {off}
mode resting stop, resumes
mode venting fan 70 %
failsafes
  in | when | go to
  any | halt or operator silent | resting
  venting | air fault | resting
rules
  in | when | go to
  resting | warm | venting
  venting | not warm | resting
"""
)


def test_a_level_without_a_gap_is_told_though_a_failsafe_waits_for_silence() -> None:
    text = VENT.replace('command go "go"\n', "").replace('command back "back"\n', "")
    assert [each.code for each in told(sound(text, off="24.8 C"))] == []
    (finding,) = told(sound(text, off="25 C"))
    assert finding.code == "bare threshold" and finding.modes[0].mode == "venting" and finding.subject == "air"
    assert finding.message.startswith("Readings of air tremble by up to 0.2 C, and warm goes on and off within that:")
    assert finding.hint.startswith("Let warm clear further off, such as 'clears when air < 24.6 C'.")


def test_a_level_that_clears_in_a_mode_that_is_never_entered_does_not_waver() -> None:
    text = """
machine tank
board atmega2560
tick 20 ms
sensor depth by hand, 0 .. 9, noise 1
lamp glow pin 13
level high when depth > 4 clears when depth <= 4 and tank in lit
mode dark stop
mode dim stop
mode lit glow on
rules
  in | when | go to
  dark | high | dim
  dim | not high | dark
  {start} | after 1 s | lit
  lit | after 1 s | dark
"""
    wavering = [
        any(each.code == "bare threshold" for each in sound(text, start=start).findings) for start in ("dim", "lit")
    ]
    assert wavering == [True, False]


# ------------------------------------------------------------------------------------------------------ false alarms

REVERSE_BY_HAND = (
    HEAD.format(name="yard_cart")
    + """
sensor front range, trigger 22, echo 23, 2 cm .. 400 cm
motor axle pwm 5, direction 30
level near when front < 30 cm clears when front > 40 cm, on if in doubt
mode parked stop
mode ahead axle 50 %
mode reverse axle -30 %
failsafes
  in | when | go to
  any | halt or operator silent | parked
  ahead | near | parked
rules
  in | when | go to
  parked | go and not near | ahead
  parked | back | reverse
  reverse | go and not near | ahead
  reverse | back absent 300 ms | parked
  ahead | go absent 300 ms | parked
"""
)

SCOUT = (
    HEAD.format(name="scout")
    + """
sensor eye range, trigger 22, echo 23, 2 cm .. 400 cm
motor axle pwm 5, direction 30
servo neck pin 44, 0 deg .. 180 deg, rest 90 deg, harmless
mode parked stop
mode ahead axle 50 %
mode look_left neck 10 deg
mode look_right neck 170 deg
mode swing axle -30 %
failsafes
  in | when | go to
  any | halt or operator silent | parked
  ahead | eye fault or eye < 30 cm | look_stop
rules
  in | when | go to
  parked | go | ahead
  ahead | after 10 s | look_left
  look_left | after 1 s and eye > 100 cm | swing
  look_left | after 2 s | look_right
  look_right | after 1 s and eye > 100 cm | swing
  look_right | after 2 s | parked
  swing | after 1 s | parked
"""
).replace("look_stop", "parked")

CHOOSER = (
    HEAD.format(name="feed_cart")
    + """
sensor left range, trigger 22, echo 23, 2 cm .. 400 cm
sensor right range, trigger 24, echo 25, 2 cm .. 400 cm
motor port_drive pwm 5, direction 30
motor star_drive pwm 6, direction 31
mode parked stop
mode port port_drive -40 %, star_drive 40 %
mode star port_drive 40 %, star_drive -40 %
failsafes
  in | when | go to
  any | halt or operator silent | parked
rules
  in | when | go to
  parked | go and left > right | port
  parked | go | star
  port, star | after 2 s | parked
"""
)


@pytest.mark.parametrize("text", [REVERSE_BY_HAND, SCOUT, CHOOSER], ids=["reverse by hand", "scout", "chooser"])
def test_ordinary_machines_raise_no_alarm_about_faults(text: str) -> None:
    judged = judge(read_text(text))
    assert [each for each in judged.findings if each.code in ("fault ignored", "faint hope")] == []
    assert judged.decided


def test_a_cart_whose_reading_decides_whether_it_goes_hopes_faintly() -> None:
    text = CHOOSER.replace("parked | go | star", "parked | go and not left < 50 cm | star")
    (finding,) = [each for each in judge(read_text(text)).findings if each.code == "faint hope"]
    assert finding.subject == "left"


def test_a_scout_that_drives_by_a_reading_ignores_its_fault() -> None:
    text = SCOUT.replace("eye fault or eye < 30 cm", "eye < 30 cm")
    (finding,) = [each for each in judge(read_text(text)).findings if each.code == "fault ignored"]
    assert finding.modes[0].mode == "ahead" and finding.subject == "eye"


def test_a_row_that_leads_to_driving_as_before_is_no_reason_to_heed_a_fault() -> None:
    text = SCOUT.replace("eye fault or eye < 30 cm", "eye fault").replace(
        "ahead | after 10 s", "swing | eye > 200 cm | faster\n  faster | after 1 s | parked\n  ahead | after 10 s"
    ).replace("mode swing", "mode faster axle -60 %\nmode swing")
    assert [each.code for each in judge(read_text(text)).findings if each.code == "fault ignored"] == []


def test_a_row_is_said_to_decide_only_once_it_has_been_seen_to() -> None:
    """In 20 s it counts 40, from wherever it began; followed roughly, it might have counted less."""
    report = prove(read_text(DOOR.replace("| after 20 s     ", "| after 20 s and secs < 40")), 1)
    told = [finding for finding in report.findings if finding.code == "unreachable"]
    assert told or any("row" in phrase for phrase in report.unproved)
