"""The rows that exclude another are named, the cause before what comes of it."""

from __future__ import annotations

from statecraft.findings import Finding
from statecraft.language import read_text
from statecraft.proof.excluded import Without, _named, _together
from statecraft.proof.judgement import judge

VENT = """machine greenhouse_vent
board atmega328p
tick 10 ms
command halt button, pin 2, on when low, settle 20 ms, urgent
command air button, pin 3, on when low, settle 20 ms
switch open_end pin 4, on when low, settle 20 ms
switch shut_end pin 5, on when low, settle 20 ms
relay opener pin 8
relay closer pin 9
counter rounds 0 .. 20
mode shut stop
mode wide stop
mode halted stop
mode done stop
mode opening opener on
mode shutting closer on
group moving opening, shutting
failsafes
in      | when                   | go to
any     | halt                   | halted
moving  | after 30 s in moving   | halted
rules
in      | when                   | go to    | do
shut    | rounds >= 12           | done     |
shut    | air and not open_end   | opening  |
opening | open_end               | wide     |
opening | after LIMIT            | wide     | STEP
wide    | air and not shut_end   | shutting |
shutting | shut_end              | shut     |
done, halted | air               | shut     | rounds = 0
"""


def found(text: str) -> list[Finding]:
    return [each for each in judge(read_text(text)).findings if each.code == "unreachable"]


def test_what_ends_a_mode_sooner_is_the_cause_and_what_is_not_counted_comes_of_it() -> None:
    """The failsafe's 30 s come before the row's 40 s, so that no round is counted, and never twelve."""
    text = VENT.replace("LIMIT", "40 s").replace("STEP", "rounds + 1")
    (one,) = found(text)
    (part,) = read_text(text).parts
    assert one.row is not None and part.rows[one.row.number].when_text.strip() == "after 40 s"
    (by,) = one.by
    limit, waits = part.rows[by.number], part.rows[2]
    assert limit.when_text.strip() == "after 30 s in moving"
    assert one.message == (
        "This row never decides: the machine never stays in opening for 40 s; without "
        f"the failsafe on line {limit.place.line} ('after 30 s in moving') it would. So rounds stays 0, and the row on "
        f"line {waits.place.line} never decides. So done is never entered."
    )
    assert one.severity == "error"
    assert f"line {limit.place.line}" in one.hint and "remove this row" in one.hint


def test_a_row_that_sets_a_counter_back_is_named() -> None:
    text = VENT.replace("LIMIT", "20 s").replace("STEP", "rounds + 1")
    text = text.replace("| shut     |\n", "| shut     | rounds = 0\n")
    (one,) = found(text)
    (part,) = read_text(text).parts
    back = part.rows[one.by[0].number]
    assert back.do_text.strip() == "rounds = 0" and back.modes == ("shutting",)
    assert f"without 'rounds = 0' in the row on line {back.place.line} it would" in one.message


def test_what_ends_the_mode_that_a_level_waits_in_is_named() -> None:
    level = "level stiff when greenhouse_vent in opening for 8 s clears when not greenhouse_vent in opening"
    text = VENT.replace("LIMIT", "5 s").replace("STEP", "").replace("rounds = 0", "")
    text = text.replace("shut    | rounds >= 12", "opening | stiff").replace("counter rounds 0 .. 20", level)
    (one,) = found(text)
    (part,) = read_text(text).parts
    assert [part.rows[each.number].when_text.strip() for each in one.by] == ["after 5 s"]


def test_where_several_rows_exclude_one_in_their_modes_all_are_named() -> None:
    text = """machine feed_pusher
board atmega328p
tick 10 ms
link yard serial0, 9600 baud, checked, silent after 400 ms
command halt "halt", urgent
command ahead "a", held
command back "b", held
relay drive pin 8
relay astern pin 9
mode parked stop
mode pushing drive on
mode backing astern on
failsafes
in      | when                   | go to
any     | halt                   | parked
pushing, backing | yard silent   | parked
rules
in      | when                   | go to
parked  | ahead                  | pushing
parked  | back                   | backing
pushing | ahead absent 300 ms    | parked
backing | back absent 300 ms     | parked
"""
    (one,) = found(text)
    (part,) = read_text(text).parts
    assert one.severity == "note"
    assert [part.rows[each.number].modes for each in one.by] == [("pushing",), ("backing",)]
    lines = [part.rows[each.number].place.line for each in one.by]
    told = "; it would in {} without the row on line {}, and in {} without the row on line {}."
    assert one.message.endswith(told.format("pushing", lines[0], "backing", lines[1]))


def test_a_condition_that_contradicts_itself_is_excluded_by_no_row() -> None:
    text = VENT.replace("LIMIT", "5 s").replace("STEP", "").replace("rounds >= 12 ", "open_end and not open_end ")
    (one,) = found(text.replace("counter rounds 0 .. 20\n", "").replace("rounds = 0", ""))
    assert one.by == () and "without" not in one.message


def test_a_comparison_out_of_range_is_told_with_the_row_that_asks_it() -> None:
    text = VENT.replace("LIMIT", "20 s").replace("STEP", "rounds + 1").replace("rounds >= 12", "rounds > 20 ")
    judged = judge(read_text(text)).findings
    (one,) = (each for each in judged if each.code in ("unreachable", "out of range"))
    assert one.message == (
        "This row never decides: 'rounds > 20' is always false: rounds goes from 0 to 20. So done is never entered."
    )


def test_a_comparison_out_of_range_is_the_cause_where_another_row_leads_there_and_never_decides_either() -> None:
    """The failsafe's 40 s never come, for other rows end the mode sooner: that is a note of its own."""
    text = VENT.replace("LIMIT", "20 s").replace("STEP", "rounds + 1").replace("rounds >= 12", "rounds > 20 ")
    text = text.replace("in moving   | halted\n", "in moving   | halted\nopening | after 40 s | done\n")
    grave, note = (each for each in judge(read_text(text)).findings if each.code in ("unreachable", "out of range"))
    assert grave.message == (
        "This row never decides: 'rounds > 20' is always false: rounds goes from 0 to 20. So done is never entered."
    )
    assert (grave.severity, note.severity) == ("error", "note")
    assert note.message.startswith("This row never decides: the machine never stays in opening for 40 s")


def test_a_line_that_makes_several_rows_is_told_once() -> None:
    text = """machine yard_gate
board atmega328p
tick 10 ms
command halt button, pin 2, on when low, settle 20 ms, urgent
command go button, pin 3, on when low, settle 20 ms
switch full pin 4, on when low, settle 20 ms
relay water pin 8
relay drain pin 9
mode ready stop
mode halted stop
mode trouble stop
sequence wash in cycling
  fill water on until full, at most 9 s else trouble
  empty drain on for 5 s
  again fill
  then ready
group filling fill, fill_2
failsafes
in      | when       | go to
any     | halt       | halted
filling | after 6 s  | trouble
rules
in      | when       | go to
ready   | go         | wash
halted, trouble | go | ready
"""
    (one,) = found(text)
    assert "in fill or fill_2 for 9 s; without the failsafe on line 21 ('after 6 s') it would" in one.message
    assert len({one.row, *one.rows}) == 2


def test_of_the_rows_that_come_before_one_the_one_that_does_it_is_named() -> None:
    """And that it asks what is always so is told with it."""
    text = VENT.replace("LIMIT", "20 s").replace("STEP", "rounds + 1")
    text = text.replace("shut    | air and not open_end ", "shut    | air and rounds <= 20 ")
    text = text.replace("opening | open_end ", "shut    | air | done |\nopening | open_end ")
    judged = judge(read_text(text)).findings
    (one,) = (each for each in judged if each.code in ("shadowed", "out of range"))
    (part,) = read_text(text).parts
    (by,) = one.by
    line = part.rows[by.number].place.line
    assert "comes first" in one.message or "asks less" in one.message
    assert f"On line {line} 'rounds <= 20' is always true: rounds goes from 0 to 20." in one.message
    assert one.hint.startswith("Compare with something inside the range")


def test_what_stands_before_a_row_and_does_not_keep_it_is_not_named() -> None:
    text = VENT.replace("LIMIT", "20 s").replace("STEP", "rounds + 1")
    text = text.replace("rules\n", "rules\n", 1).replace(
        "moving  | after 30 s in moving ", "opening | shut_end and open_end | halted\nmoving | after 30 s in moving "
    )
    text = text.replace("opening | after 20 s ", "opening | open_end and air | done |\nopening | after 20 s ")
    (one,) = [each for each in judge(read_text(text)).findings if each.code == "shadowed"]
    (part,) = read_text(text).parts
    above = next(row for row in part.rules if row.when_text.strip() == "open_end")
    assert [each.number for each in one.by] == [above.number]


def test_what_other_rows_exclude_is_not_said_to_come_of_a_mode_that_nothing_leads_to() -> None:
    text = VENT.replace("LIMIT", "40 s").replace("STEP", "")
    text = text.replace("shut    | rounds >= 12           | done     |\n", "").replace("counter rounds 0 .. 20\n", "")
    mode, row = found(text.replace("rounds = 0", ""))
    assert mode.message.startswith("No run ever enters done") and "may come of the same" not in mode.message
    assert "without the failsafe on line" in row.message


WRINGER = """machine wringer
board atmega328p
tick 20 ms
command halt button, pin 2, on when low, urgent
command start button, pin 3, on when low
switch tight pin 4, on when high
switch open_ pin 5, on when high
motor screw pwm 9, direction 10
mode idle stop
mode held stop
mode failed stop
sequence wring in wringing
  soak for 4 s
  press_ screw 40 % until {tight}, at most 20 s else failed
  drip for 1 min
  loosen screw -40 % until open_, at most 20 s else failed
  then idle
failsafes
in     | when   | go to
any    | halt   | held
{above}
rules
in           | when  | go to
idle, failed | start | wring
held         | {on} | last of wring
"""


def test_a_step_that_a_failsafe_ends_is_told_once_with_the_steps_behind_it_as_the_file_says_them() -> None:
    text = WRINGER.format(tight="tight", above="press_ | tight | held", on="start")
    (one,) = [each for each in judge(read_text(text)).findings if each.code in ("unreachable", "shadowed")]
    assert one.code == "shadowed" and one.place.line == 14 and one.severity == "error"
    assert "without the failsafe on line 21 ('tight') it would decide. So drip and loosen are never" in one.message
    assert one.hint == "Change the failsafe on line 21, or what ends this step."
    assert "wring_step" not in one.message + one.hint


def test_a_step_that_never_ends_by_what_it_waits_for_is_mended_there() -> None:
    (one,) = found(WRINGER.format(tight="tight and after 30 s", above="", on="start"))
    assert one.message.endswith("So drip and loosen are never entered.")
    assert "or what ends this step, so that this row can decide." in one.hint


def test_what_resumes_a_sequence_is_told_by_its_steps() -> None:
    told = found(WRINGER.format(tight="tight", above="", on="start and tight and not tight"))
    assert told and not any("wring_step" in each.message + each.hint for each in told)
    assert "with soak as the last of wring" in told[0].message


def test_what_resumes_a_sequence_need_not_do_so_at_every_step() -> None:
    text = WRINGER.format(tight="tight", above="soak, press_ | open_ and tight | held", on="start")
    text = text.replace("any    | halt   | held", "any    | halt   | idle")
    (part,) = read_text(text).parts
    assert [row.target for row in part.rows if row.place.line == 25] == ["soak", "press_", "drip", "loosen"]
    assert found(text) == []


def test_that_a_sequence_is_never_resumed_is_told_once() -> None:
    (one,) = (f for f in found(WRINGER.format(tight="tight", above="", on="start and tight and not tight")) if f.row)
    assert one.code == "unreachable" and one.place.line == 25


PRESS = """machine press
board atmega328p
tick 10 ms
command halt button, pin 2, on when low, urgent
command go button, pin 4, on when low
switch under pin 5, on when high
motor ram pwm 6, forward 7, reverse 8
mode idle stop
mode failed stop
mode down ram 40 %
mode up ram -40 %
group pressing down, up
failsafes
in | when | go to
any | halt | idle
down | after 10 s | failed
up | after 20 s | failed
pressing | after 2 min in pressing | failed
rules
in | when | go to
idle | go | down
down | under | up
down | after 1 s | idle
up | after 3 s | idle
"""


def test_what_excludes_a_row_in_each_of_its_modes_can_be_read_aloud() -> None:
    (one,) = (each for each in found(PRESS) if "'after 2 min in pressing'" in each.message)
    assert one.message.endswith(
        "; it would in down without both the failsafe on line 16 and the row on line 23, and in up without both the "
        "failsafe on line 17 and the row on line 24."
    )


def test_a_time_that_nothing_lasts_for_is_told_of_one_mode_only() -> None:
    """Of several it would be read of their group, in which the machine may well stay for as long."""
    text = PRESS.replace("pressing | after 2 min in pressing", "pressing | after 2 min")
    (one,) = (each for each in found(text) if "'after 2 min'" in each.message)
    assert one.message.startswith("This row never decides: 'after 2 min' holds in no situation")
    told = [each.message for each in found(PRESS.replace("pressing | after 2 min in pressing", "up | after 2 min"))]
    assert any(each.startswith("This row never decides: the machine never stays in up for 2 min") for each in told)


def test_of_many_rows_three_are_named() -> None:
    rows = [Without(row) for row in read_text(PRESS).parts[0].rows]
    told = "the failsafe on line 15, the failsafe on line 16, the failsafe on line 17"
    assert _together(rows[:1], True) == "the failsafe on line 15 ('halt')"
    assert _together(rows[:3], False) == f"all of {' and'.join(told.rsplit(',', 1))}"
    assert _together(rows, False) == f"all of {told} and 5 more"
    one = Finding("unreachable", message="this row never decides.", hint="mend the condition, or remove the row.")
    assert _named(one, {tuple(rows[:4]): ["up"]}).hint == (
        "change this row so that it can decide before they do; or remove this row."  # nobody would change them all
    )


LOADER = """machine loader
board atmega2560
tick 10 ms
command halt button, pin 3, on when low, urgent
command go button, pin 4, on when low
switch lid pin 7, on when high
motor belt pwm 5, forward 22, reverse 23
mode still stop
mode done stop
mode feeding belt 50 %
failsafes
in | when | go to
any | halt | still
feeding | after 1 s | still
rules
in | when | go to
still | go | feeding
feeding | go and lid | still
feeding | after 1 s | still
feeding | lid and after 2 s | done
"""


def test_what_only_excludes_a_row_together_is_named_together_and_nothing_besides() -> None:
    (one,) = found(LOADER)
    (part,) = read_text(LOADER).parts
    failsafe, rule = (row for row in part.rows if row.when_text.strip() == "after 1 s")
    both = f"the failsafe on line {failsafe.place.line} and the row on line {rule.place.line}"
    assert f"; without both {both} it would." in one.message
    assert one.hint.startswith(f"Change both {both}, or this row, so that this row can decide; or remove this row")
    assert [each.number for each in one.by] == [failsafe.number, rule.number]
