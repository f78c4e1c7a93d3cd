"""Runs in words: nothing that has no bearing, the rows that lead on, and at the end what is wrong."""

from __future__ import annotations

import io
import time
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from statecraft.cli.check import HURRIED_TICKS, MOST_FINDINGS, show_judgement
from statecraft.findings import Finding, Hold, Run, Stimulus
from statecraft.folding import LEAST, folded
from statecraft.language import read_text
from statecraft.machine import Machine, ModeRef, Promise
from statecraft.proof.judgement import judge
from statecraft.proof.prove import prove
from statecraft.proof.runs.minimise import MOST_TICKS, minimise
from statecraft.proof.runs.replay import breaks, replay
from statecraft.report.runs import Moment, RunLine, laid_out, told
from statecraft.report.timeline import clock as minutes
from tests.random_machines import machine_texts
from tests.samples import FAULTY, SAMPLES, machine_in, sample

ENDS = {
    "bare_threshold": "for ever: the same again and again, while air reads 24.9 C and 25 C in turn",
    "faint_hope": "100 ms: moving in pumping (pump on) with depth in fault; a reading of 49.9 cm would have prevented"
    " it",
    "fault_ignored": "300 ms: moving in pumping (pump on), 2nd tick with depth in fault",
    "flapping": "for ever: venting and resting take turns on every tick",
    "halt_missed": "200 ms: halt has been taken, and it is still in emptying (auger -50 %)",
    "no_way_to_stop": "100 ms: in wait, from where nothing leads to a stop mode",
    "runaway": "700 ms: moving in driving (wheels 60 %), 2nd tick with operator silent",
    "stuck": "200 ms: in jammed, and nothing ever leads out of it",
    "waits_for_ever": "for ever: in calling, whatever is said, while seen is off",
}

CART = """
machine cart
board atmega2560
tick 10 ms
link operator serial1, 9600 baud, plain, silent after 500 ms
command halt "h", urgent
command go "g"
command beat "."
sensor front range, trigger 22, echo 23, 2 cm .. 400 cm
sensor rear range, trigger 24, echo 25, 2 cm .. 400 cm
switch lid pin 7, on when high
motor wheels pwm 5, forward 30, reverse 31
counter laps 0 .. 9
level near when front < 35 cm clears when front > 42 cm
mode parked stop
mode held stop
mode rolling wheels 60 %
failsafes
  in  | when | go to
  any | halt | parked
rules
  in      | when                | go to   | do
  parked  | go and front > 1 m  | rolling | laps = 0
  rolling | near                | held    | laps + 1
  held    | after 50 ms and lid | rolling |
"""


def cart(promises: str = "") -> Machine:
    return read_text(CART + promises, file="cart.modes")


def story(machine: Machine, lines: list[RunLine]) -> list[str]:
    return laid_out(machine, lines, 200, 99)


def broken(promise: str) -> list[str]:
    """The run that breaks ``promise``, one line a piece."""
    machine = cart(f"promise {promise}\n")
    (verdict,) = prove(machine).verdicts
    assert verdict.run is not None
    return [" ".join(line.split()) for line in story(machine, told(machine, verdict.run, verdict.promise))]


@pytest.mark.parametrize("stem", ENDS)
def test_the_last_line_says_what_is_wrong(stem: str) -> None:
    machine = sample(f"faulty/{stem}")
    finding = next(each for each in prove(machine).findings if each.code == stem.replace("_", " "))
    assert finding.run is not None
    last = told(machine, finding.run, finding)[-1]
    time = "for ever" if last.tick is None else machine.duration(last.tick)
    assert f"{time}: {last.text}" == ENDS[stem]


def test_it_tells_inputs_that_matter_and_rows_that_lead_on() -> None:
    assert broken("never held and laps > 0") == [
        "0 s starts in parked; front 100.1 cm",
        "10 ms go",
        "→ rolling line 23: go and front > 1 m",
        "20 ms front 34.9 cm; near turns on",
        "→ held line 24: near",
        "20 ms laps 1 in held",
    ]


@pytest.mark.parametrize(
    ("promise", "end"),
    [
        ("never wheels > 0 % and lid for 20 ms", "30 ms wheels 60 %, lid on in rolling, 3rd tick running"),
        ("never rolling for 1 s", "1.01 s in rolling, for 1 s"),
        ("never enters held and lid", "20 ms lid on in held"),
        ("once go -> rolling within 20 ms", "30 ms in parked, not rolling, 20 ms after go"),
        ("once go -> rolling within 0 s", "10 ms in parked, not rolling, with go"),
        ("while operator silent -> held within 20 ms", "20 ms in parked, not held, 3rd tick with operator silent"),
        ("while rolling -> parked, held within 50 ms", "60 ms in rolling, neither parked nor held, for 50 ms"),
        ("while near -> parked, rolling within 300 ms",
         "320 ms in held, neither parked nor rolling, after 300 ms with near"),
    ],
)  # fmt: skip
def test_a_broken_promise_ends_with_what_breaks_it(promise: str, end: str) -> None:
    assert broken(promise)[-1] == end


@pytest.mark.parametrize(("lasts", "told_so"), [("", ""), (" for 200 ms", " for long enough")])
def test_a_reading_that_would_have_had_to_last_is_said_to(lasts: str, told_so: str) -> None:
    text = CART.replace("front < 35 cm", f"front < 35 cm{lasts}").replace("go and front > 1 m ", "go and not near")
    machine = read_text(text, file="cart.modes")
    (finding, *_) = (each for each in prove(machine).findings if each.code == "faint hope")
    assert finding.run is not None
    (*_, last) = told(machine, finding.run, finding)
    assert last.text.endswith(f"a reading of 34.9 cm{told_so} would have prevented it")


def test_where_nothing_leads_to_what_was_promised_is_told_with_what_is_remembered() -> None:
    text = CART.replace("parked  | go and", "parked  | not near and go and").replace(
        "clears when front > 42 cm", "clears when laps > 5"
    )
    text = text.replace("clears when laps > 5", "clears when front > 42 cm and front < 42 cm")
    machine = read_text(text + "promise every mode can reach rolling\n", file="cart.modes")
    (verdict,) = prove(machine).verdicts
    assert verdict.run is not None
    last = told(machine, verdict.run, verdict.promise)[-1]
    assert last.text == "in parked, from where nothing leads to rolling, with near on"


def test_commands_that_go_on_are_told_once() -> None:
    machine = read_text(CART.replace("rolling | near  ", "rolling | go absent 20 ms or near  "), file="cart.modes")
    still = Stimulus((("front", 1500), ("rear", 1500)), (("lid", False),))
    going = Stimulus(still.sensors, still.switches, (), "go", ("beat",))
    finding = Finding("stuck", mode=ModeRef("cart", "rolling"), run=Run((Hold(still, 1), Hold(going, 40)),
                      modes=(ModeRef("cart", "rolling"),)))  # fmt: skip
    assert finding.run is not None
    lines = story(machine, told(machine, finding.run, finding))
    assert sum("go on every tick until 400 ms" in line for line in lines) == 1
    assert not any("beat" in line for line in lines)  # nobody asks whether the operator is silent


def events(text: str, *holds: tuple[Stimulus, int], mode: str) -> list[str]:
    """What a run of CART's ``text`` that ends in ``mode`` tells, its last line aside."""
    machine = read_text(text, file="cart.modes")
    run = Run(tuple(Hold(*each) for each in holds), modes=(ModeRef("cart", mode),))
    told_ = told(machine, run, Finding("stuck", mode=ModeRef("cart", mode), run=run))
    return [" ".join(line.split()) for line in story(machine, told_)[:-1]]


HELD = CART.replace("rolling | near  ", "rolling | go absent 50 ms or near  ")
STILL = Stimulus((("front", 1500), ("rear", 1500)), (("lid", False),))
GO, HEARD = replace(STILL, taken="go"), replace(STILL, heard=("go",))


def test_what_is_said_again_and_again_is_told_once_with_how_often_until_when() -> None:
    """A command that is refused every few ticks is a line, not one each time."""
    pulses = [(HEARD, 1), (STILL, 4)] * 20
    assert events(HELD, (STILL, 1), (GO, 1), (STILL, 4), *pulses, mode="rolling") == [
        "0 s starts in parked; front 150 cm",
        "10 ms go",
        "→ rolling line 23: go and front > 1 m",
        "60 ms go heard but not taken every 50 ms until 1.01 s (20 times)",
    ]


def test_rounds_are_told_once_with_how_often_they_come_and_when_for_the_last_time() -> None:
    far = replace(STILL, switches=(("lid", True),))
    near = replace(far, sensors=(("front", 349), ("rear", 1500)))
    lines = events(CART, (far, 1), (GO, 1), *[(near, 1), (far, 5)] * 9, mode="rolling")
    assert lines[3:-2] == [  # near goes on all the while
        "20 ms front 34.9 cm; near turns on",
        "→ held line 24: near",
        "70 ms → rolling line 25: after 50 ms and lid",
        "80 ms → held line 24: near",
        "130 ms the same as from 70 ms on, again every 60 ms until 500 ms (7 times)",
    ]


def test_what_is_heard_is_told_anew_where_it_is_taken_at_last() -> None:
    text = HELD.replace("  held    | after", "  rolling | go and lid | held |\n  held    | after")
    lid = replace(GO, switches=(("lid", True),))
    assert events(text, (STILL, 1), (GO, 1), (STILL, 4), (HEARD, 20), (lid, 1), mode="held")[3:] == [
        "60 ms go heard but not taken on every tick until 250 ms",
        "260 ms go",
        "→ held line 25: go and lid",
    ]


@pytest.mark.slow
def test_a_run_of_ten_minutes_is_told_soon_and_shortly() -> None:
    text = CART.replace("mode held stop", "mode held stop\nmode slow wheels 10 %")
    text = text.replace("rolling | near  ", "rolling | after 10 min | slow |\n  rolling | near  ")
    machine = read_text(text + "promise never slow\n", file="cart.modes")
    (verdict,) = prove(machine).verdicts
    assert verdict.run is not None and verdict.run.ticks > 60_000
    began = time.process_time()
    lines = [" ".join(line.split()) for line in story(machine, told(machine, verdict.run, verdict.promise))]
    assert time.process_time() - began < 10
    assert lines[0] == "0 s starts in parked; front 100.1 cm"
    assert lines[-2:] == ["600.01 s → slow line 25: after 10 min", "600.01 s in slow"]
    assert len(lines) == 5


MIXER = """\
machine mixer
board atmega328p
tick 10 ms
link panel serial0, 9600 baud, checked
command mix "m" from panel
command beat "b" from panel
switch lid pin 5, on when low
motor drum pwm 6, direction 7
level open when lid for 100 ms clears when not lid
mode resting stop
mode stirring drum 60 %
mode settling
group batch stirring, settling
rules
in | when | go to
resting | mix | stirring
stirring | open | settling
settling | after 2 s | stirring
promise never batch for {hours} h
"""


def _of_hours(hours: int, moment: Moment | None = None) -> list[str]:
    machine = read_text(MIXER.format(hours=hours), file="mixer.modes")
    lid = Stimulus((), (("lid", True),), heard=("beat", "mix"))
    holds = Hold(replace(lid, heard=()), 1), Hold(replace(lid, taken="mix"), 1), Hold(lid, hours * 360_000 + 1)
    run = Run(holds, modes=(ModeRef("mixer", "settling"),), waited=True)
    return [" ".join(line.split()) for line in story(machine, told(machine, run, machine.promises[0], moment=moment))]


def test_times_in_lines_are_told_as_whoever_shows_them_tells_time() -> None:
    assert any("from 2.1 s on, again every 2.01 s until 1 h 0.01 s (1790" in line for line in _of_hours(1, minutes))


def test_a_run_of_hours_is_told_with_all_that_happens() -> None:
    """Nothing is said of what is heard beside and changes nothing, nor of a command both as taken and as not taken."""
    assert _of_hours(1) == [
        "0 s starts in resting; lid on",
        "10 ms mix",
        "→ stirring line 16: mix",
        "100 ms open turns on",
        "→ settling line 17: open",
        "2.1 s → stirring line 18: after 2 s",
        "2.11 s → settling line 17: open",
        "4.11 s the same as from 2.1 s on, again every 2.01 s until 3600.01 s (1790 times)",
        "3600.02 s in settling, for 3600.01 s",
    ]


def test_of_a_run_of_many_hours_what_is_said_is_told() -> None:
    """It is longer than is played for it."""
    assert _of_hours(6) == ["0 s lid on", "10 ms mix", "21600.02 s in settling"]


def test_a_very_long_run_is_told_without_being_played() -> None:
    machine = cart()
    still = Stimulus((("front", 1500), ("rear", None)), (("lid", True),))
    ends = (ModeRef("cart", "parked"),)
    finding = Finding("stuck", mode=ends[0], run=Run((Hold(still, 8_000_000),), modes=ends))
    assert finding.run is not None
    lines = told(machine, finding.run, finding)
    assert [str(line) for line in lines] == ["front 150 cm, rear in fault, lid on", "in parked"]
    assert lines[-1].tick == 7_999_999


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(machine_texts(small=True, largest=2))
def test_every_run_can_be_told_and_keeps_its_end(text: str) -> None:
    machine = read_text(text, file="random.modes")
    report = prove(machine, 2)
    runs = [(each.run, each) for each in report.findings]
    runs += [(each.run, each.promise) for each in report.verdicts]
    for run, about in runs:
        if run is None:
            continue
        lines = told(machine, run, about)
        assert lines[0].text.startswith("starts ") and lines[0].tick == 0
        assert (lines[-1].tick is None) == (run.tail is not None)
        assert all(len(line) <= 74 for line in laid_out(machine, lines, 74, 16))
        slim = minimise(machine, run, about).run
        assert slim.ticks == run.ticks and slim.tail == run.tail
        if isinstance(about, Promise):
            assert breaks(machine, about, slim)
        elif about.code != "lost turn":  # what it shows does not rest on the modes that it ends in
            assert replay(machine, slim).modes == replay(machine, run).modes


def test_parts_are_named_where_there_are_several() -> None:
    text = (SAMPLES / "bale_mover.modes").read_text()
    machine = read_text(text, file="bale.modes")
    run = Run((Hold(_resting(machine), 2), Hold(_resting(machine, "up"), 2)), modes=(ModeRef("fork", "rising"),))
    lines = [str(line) for line in told(machine, run, Finding("stuck", mode=run.modes[0]))]
    assert any(line.startswith("starts with ") and "fork in holding" in line for line in lines)
    assert any(line.startswith("→ fork in rising, by line ") for line in lines)
    assert lines[-1] == "fork in rising, and nothing ever leads out of it"


def _resting(machine: Machine, taken: str | None = None) -> Stimulus:
    return Stimulus(
        tuple((sensor.name, sensor.low) for sensor in machine.sensors),
        tuple((switch.name, False) for switch in machine.switches),
        tuple((dial.name, dial.start) for dial in machine.dials),
        taken,
    )


# ------------------------------------------------------------------------------------------------------------ layout


@given(st.text(alphabet="ab 1%cm→", max_size=200), st.integers(LEAST + 8, 90))
def test_folded_text_fits_and_says_the_same(text: str, width: int) -> None:
    lines = folded(text, width, "", "        ")
    assert " ".join(" ".join(lines).split()) == " ".join(text.split())
    longest = max((len(word) for word in text.split()), default=0)
    assert all(len(line) <= max(width, 8 + 2 * longest + 1) for line in lines)


def test_a_number_is_not_parted_from_its_unit() -> None:
    assert folded("about three hundred of 49.9 cm", 28) == ["about three hundred of", "49.9 cm"]


@pytest.mark.parametrize("width", [60, 80, 100])
@pytest.mark.parametrize("path", FAULTY, ids=lambda path: path.stem)
def test_what_check_says_fits_the_screen(path: Path, width: int) -> None:
    machine = machine_in(path)
    out = io.StringIO()
    show_judgement(judge(machine), Console(file=out, width=width))
    source = {line.strip() for line in path.read_text().splitlines()}
    for line in out.getvalue().splitlines():
        quoted = line.strip() in source or set(line.strip()) == {"^"} or line.startswith(str(path))
        assert quoted or len(line) <= width, line
        if "…" in line:
            assert "--save-trial" in line


@pytest.mark.parametrize(("limits", "shared"), [((), False), (("memory",), False), (("time",), True)])
def test_where_the_time_has_run_out_runs_share_what_is_played(
    limits: tuple[str, ...], shared: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    judged = judge(machine_in(FAULTY[0]))
    runs = [each.run for each in (*judged.findings, *judged.report.verdicts) if each.run is not None]
    asked: list[int] = []

    def telling(machine: Machine, run: Run, about: Finding | Promise, most: int) -> list[RunLine]:
        asked.append(most)
        return told(machine, run, about, most)

    monkeypatch.setattr("statecraft.report.runs.told", telling)
    late = replace(judged, report=replace(judged.report, limits=limits))
    show_judgement(late, Console(file=io.StringIO(), width=80))
    assert asked and set(asked) == {HURRIED_TICKS // len(runs) if shared else MOST_TICKS}


@pytest.mark.parametrize("width", [60, 80])
@pytest.mark.parametrize("stem", ["yard_gate", "feed_pusher"])
def test_promises_that_do_not_fit_a_line_hang_under_themselves(stem: str, width: int) -> None:
    machine = sample(stem)
    out = io.StringIO()
    judged = judge(machine)
    show_judgement(judged, Console(file=out, width=width))
    lines = out.getvalue().splitlines()
    source = {line.strip() for line in (SAMPLES / f"{stem}.modes").read_text().splitlines()}
    assert all(len(line) <= width for line in lines if line.strip() not in source)
    assert sum(line.startswith("✓ ") for line in lines) == len(machine.promises)
    said = " ".join(out.getvalue().split())
    assert all(" ".join(told.split()) in said for told in judged.report.promises)
    first = next(number for number, line in enumerate(lines) if line.startswith("✓ "))
    last = max(number for number, line in enumerate(lines) if line.startswith("Everything asked was decided"))
    ages = tuple(f"{level.name} is decided on" for level in machine.levels)  # how old what it reads may be
    failing = [number for number, line in enumerate(lines) if line.startswith("When a sensor stops")]
    told = [line for line in lines[first : min([*failing, last])] if not line.startswith(ages)]
    assert all(line.startswith(("✓ ", "    ")) for line in told)


def test_of_a_long_story_the_middle_is_left_out() -> None:
    machine = cart()
    lines = [RunLine(tick, f"thing {tick}") for tick in range(40)]
    shown = laid_out(machine, lines, 80, 16)
    assert len(shown) == 16
    assert shown[0].endswith("thing 0") and shown[-1].endswith("thing 39")
    (gap,) = [line for line in shown if "more lines" in line]
    assert "25 more lines" in gap


def test_modes_that_take_turns_are_told_once() -> None:
    machine = sample("faulty/flapping")
    out = io.StringIO()
    show_judgement(judge(machine), Console(file=out, width=80))
    assert out.getvalue().count("a run that goes on for ever:") == 1
    assert "the same run as above" not in out.getvalue() and out.getvalue().count("! flapping") == 1


def test_of_very_many_findings_the_first_are_shown_and_the_rest_counted() -> None:
    judged, out = judge(sample("faulty/flapping")), io.StringIO()
    several = tuple(replace(judged.findings[0], subject=str(number)) for number in range(MOST_FINDINGS + 1200))
    show_judgement(replace(judged, findings=several), Console(file=out, width=80))
    assert out.getvalue().count("! flapping") == MOST_FINDINGS
    assert "\n... and 1,200 more; 'check --json' has all that are not accepted.\n" in out.getvalue()
    assert "1,400 warnings" in out.getvalue()


def test_a_part_that_stands_still_while_another_drives_is_not_told_to_move() -> None:
    text = """machine m
board atmega328p
tick 10 ms
command halt button, pin 3, on when low, urgent
command go button, pin 4, on when low
sensor wind pulses, pin 2, 0 Hz .. 60 Hz
relay fan pin 7
relay leaf pin 8
failsafes
in | when | go to
any | halt | start
part vent
mode ajar stop
mode shutting leaf on
rules
in | when | go to
ajar | wind > 20 Hz | shutting
shutting | after 2 s | ajar
part blower
mode still stop
mode blowing fan on
rules
in | when | go to
still | go and vent in ajar | blowing
blowing | not vent in ajar | still
"""
    machine = read_text(text)
    (finding,) = [each for each in prove(machine, 60).findings if each.code == "fault ignored"]
    assert finding.run is not None
    assert told(machine, finding.run, finding)[-1].text == "vent in ajar, 2nd tick with wind in fault"


def test_the_run_of_a_broken_promise_tells_which_row_was_held_back() -> None:
    machine = read_text("""machine m
board atmega328p
tick 10 ms
command halt button, pin 3, on when low, urgent
command down button, pin 4, on when low
switch strip pin 5, on when high
switch top pin 6, on when high
motor screw pwm 9, direction 10
mode rest stop
mode sinking screw -50 %
mode backing screw 30 %
failsafes
in | when | go to
any | halt | rest
backing | top | rest
rules
in | when | go to
rest | down and not strip | sinking
sinking | strip | backing
sinking, backing | after 2 s | rest
promise never sinking and strip for 10 ms
""")
    (verdict,) = prove(machine, 60).verdicts
    assert verdict.run is not None
    lines = [(line.text, line.by) for line in told(machine, verdict.run, verdict.promise)]
    assert ("line 19 is held back", "in backing line 15 holds: top") in lines
