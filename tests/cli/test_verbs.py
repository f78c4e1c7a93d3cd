"""Each verb does its job, and its exit code says whether all was well."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import pytest

from statecraft.chip import ChipUnavailable
from statecraft.cli import VERBS
from statecraft.findings import SEVERITY
from statecraft.language.tidy import tidy
from tests.cli.conftest import changed
from tests.cli.test_words import SMALLEST
from tests.samples import SAMPLES
from tests.tools import need


def test_help_names_every_verb(run):
    told = run("--help")
    assert told.code == 0
    for verb in VERBS:
        assert f"  {verb} " in told.out


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_has_help_of_its_own(run, verb):
    told = run(verb, "--help")
    assert told.code == 0
    assert f"statecraft {verb}" in told.out


def test_a_mistyped_verb_is_met_with_the_nearest(run):
    told = run("chekc", "x")
    assert told.code == 2
    assert "did you mean 'check'?" in told.err


def test_new_gives_a_machine_that_passes_check_and_try(run):
    assert run("new", "hay_cart").code == 0
    assert "machine hay_cart" in Path("hay_cart.modes").read_text()
    told = run("check", "hay_cart.modes", "--strict")
    assert told.code == 0, told.out
    assert run("try", "hay_cart.modes").code == 0
    assert run("tidy", "hay_cart.modes", "--check").code == 0


def test_new_leaves_a_file_that_is_there_alone(run):
    Path("hay_cart.modes").write_text("mine")
    told = run("new", "hay_cart")
    assert told.code == 1
    assert "hay_cart.modes exists already" in told.err
    assert Path("hay_cart.modes").read_text() == "mine"


@pytest.mark.parametrize(("name", "better"), [("Hay Cart", "hay_cart"), ("9lives", ""), ("../up", "up"), ("", "")])
def test_new_refuses_a_name_that_the_language_would(run, name, better):
    told = run("new", name)
    assert told.code == 1
    assert "cannot be the name of a machine" in told.err
    assert better in told.err
    assert list(Path().iterdir()) == []


def test_check_passes_the_sample(run, feed_pusher):
    assert run("check", feed_pusher).code == 0


def test_check_tells_a_pin_clash_and_fails(run, change):
    change("clash.modes", ("pin 2,", "pin 18,"))
    told = run("check", "clash.modes")
    assert told.code == 1
    assert "wiring" in told.out and "Pin 18" in told.out and "serial1" in told.out


@pytest.mark.slow
def test_check_warns_of_what_nothing_uses_and_fails_when_strict(run, change):
    change("more.modes", ("counter  turns", "counter  idle 0 .. 3\ncounter  turns"))
    assert run("check", "more.modes").code == 0
    told = run("check", "more.modes", "--strict")
    assert told.code == 1
    assert "unused" in told.out and "idle" in told.out


def test_try_fails_and_says_what_happened_instead(run, change):
    change("wrong.modes", ("jammed within 5 s", "jammed within 2 s"))
    told = run("try", "wrong.modes")
    assert told.code == 1
    assert "not true by 5 s" in told.out
    assert "weigh since 3 s" in told.out
    assert "2 of 3 expectations met" in told.out


@pytest.mark.slow
def test_try_and_the_page_say_why_an_expectation_was_not_met(run, change):
    change("blind.modes", ("at 0 s supply 7.6 V, front 200 cm", "at 0 s front 200 cm"))
    told = " ".join(run("try", "blind.modes").out.split())
    assert "the trial never sets supply: it is in fault throughout" in told
    assert "(flat or supply fault) led to spent at 0 s" in told
    assert "spent since the start" in told
    run("report", "blind.modes", "--no-compile", "-o", "blind.html")
    assert "the trial never sets supply" in Path("blind.html").read_text()


@pytest.mark.parametrize("width", [60, 80])
def test_try_fits_the_screen(run, change, feed_pusher, monkeypatch, width):
    monkeypatch.setenv("COLUMNS", str(width))
    change("wrong.modes", ("jammed within 5 s", "jammed within 2 s"))
    for file in ("wrong.modes", feed_pusher.parent / "bale_mover.modes"):
        lines = run("try", file).out.splitlines()
        assert max(map(len, lines)) <= width and not any(line != line.rstrip() for line in lines)


def test_try_writes_a_trace_of_every_tick(run, feed_pusher):
    assert run("try", feed_pusher, "--trace", "t.csv").code == 0
    rows = list(csv.DictReader(Path("t.csv").read_text().splitlines()))
    assert len(rows) == 801  # 8 s of 10 ms, tick 0 included
    assert run("try", feed_pusher, "--trace", "t.vcd").code == 0
    assert "$enddefinitions" in Path("t.vcd").read_text()


def test_try_says_which_kinds_of_trace_there_are(run, feed_pusher):
    told = run("try", feed_pusher, "--trace", "t.xlsx")
    assert told.code == 2
    assert ".csv" in told.err and ".vcd" in told.err


def test_try_only_runs_the_trials_that_are_named(run, feed_pusher):
    assert "1 trial" in run("try", feed_pusher, "--only", "dead end").out
    told = run("try", feed_pusher, "--only", "flood")
    assert told.code == 1
    assert "a wall, then a dead end" in told.err


def test_table_names_every_mode_and_where_rows_lead(run, feed_pusher):
    told = run("table", feed_pusher)
    assert told.code == 0
    for word in ("parked", "swing_right", "jammed", "halt"):
        assert word in told.out


def test_emit_writes_the_sketch(run, feed_pusher):
    told = run("emit", feed_pusher, "-o", "sketch/feed_pusher")
    assert told.code == 0, told.err
    names = {path.name for path in Path("sketch/feed_pusher").iterdir()}
    assert {"feed_pusher.ino", "behaviour.h", "behaviour.cpp"} <= names


def test_emit_refuses_a_machine_that_cannot_be_wired(run, change):
    change("clash.modes", ("pin 2,", "pin 18,"))
    told = run("emit", "clash.modes", "-o", "sketch")
    assert told.code == 1
    assert "pin 18" in told.err
    assert not Path("sketch").exists()


def test_emit_says_that_it_cannot_write(run, feed_pusher):
    Path("taken").write_text("a file, not a folder")
    told = run("emit", feed_pusher, "-o", "taken/sketch")
    assert told.code == 1
    assert "cannot be written" in told.err
    assert Path("taken").read_text() == "a file, not a folder"


@pytest.mark.slow
def test_make_puts_everything_under_out(run, feed_pusher):
    told = run("make", feed_pusher)
    assert told.code == 0, told.out + told.err
    assert Path("out/feed_pusher/feed_pusher/feed_pusher.ino").exists()
    assert "Ready." in told.out


@pytest.mark.slow
def test_make_is_not_ready_while_a_warning_stands(run, change):
    change("spare.modes", ("\nmode ", "\nlevel spare when not front > 10 cm clears when front > 20 cm\nmode "))
    told = run("make", "spare.modes")
    said = " ".join(told.out.split())
    assert told.code == 0, said
    assert "Made, but look at the warning first: unused. " in said and "Ready" not in said


@pytest.mark.slow
def test_make_tells_the_worst_step_and_how_it_is_known(run, feed_pusher, monkeypatch):
    need("avr-g++")
    need("/usr/include/simavr/sim_avr.h")
    told = " ".join(run("make", feed_pusher).out.split())
    found = re.search(r"at most (\d+) cycles, ([0-9.]+) % of the tick \((\d+) measured over ([0-9,]+) ticks", told)
    assert found is not None
    assert float(found[2]) == pytest.approx(int(found[1]) / 1600, rel=0.05)
    assert int(found[3]) <= int(found[1])
    assert int(found[4].replace(",", "")) > 10_000
    assert re.search(r"the stack: (\d+) bytes at most, of [0-9,]+ that are left", told)

    def missing(*_: object) -> None:
        raise ChipUnavailable("it needs libsimavr-dev")

    monkeypatch.setattr("statecraft.agreement.budget.step_cost", missing)
    told = run("make", feed_pusher)
    assert told.code == 0
    assert "not measured: it needs libsimavr-dev" in " ".join(told.out.split())


def test_make_without_a_watchdog_says_what_to_write(run, tmp_path, monkeypatch):
    boards = Path(__file__).resolve().parents[2] / "samples" / "boards"
    (tmp_path / "three_volt.toml").write_text((boards / "three_volt.toml").read_text())
    lamp = 'machine lone\nboard "three_volt.toml"\ntick 10 ms\nsensor s by hand, 0 .. 9\nlamp lit pin 13\n'
    lamp += "mode off stop\nmode on lit on\nrules\n in | when | go to\n off | s > 3 | on\n on | s < 2 | off\n"
    (tmp_path / "lone.modes").write_text(lamp)
    monkeypatch.chdir(tmp_path)
    told = run("make", tmp_path / "lone.modes")
    said = " ".join(told.out.split())
    assert told.code == 1 and "Ready." not in said and "Not ready: " in said
    assert "start_watchdog is not written yet: nothing guards the loop; write it" in said
    assert "feed_watchdog is not written yet: nothing guards the loop; write it" in said
    assert "names no chip" in said


def test_make_without_the_compiler_says_what_to_install(run, feed_pusher, monkeypatch):
    monkeypatch.setenv("PATH", "/nonexistent")
    monkeypatch.setenv("HOME", "/nonexistent")
    told = run("make", feed_pusher)
    assert told.code == 1, told.out + told.err
    assert "apt-get install gcc-avr" in " ".join(told.out.split())
    assert "Ready." not in told.out


@pytest.mark.slow
def test_make_says_that_a_library_is_missing(run, tmp_path):
    text = 'machine far\nboard atmega2560\ntick 10 ms\nlibrary "Nowhere"\nlamp beacon pin 13\nmode still stop\n'
    (tmp_path / "far.modes").write_text(text)
    told = run("make", "far.modes")
    said = " ".join(told.out.split())
    assert told.code == 1 and said.count('library "Nowhere" is not installed. In') == 1
    assert "the compiler refused" not in said and "there are:" in said


@pytest.mark.slow
def test_make_fails_when_a_trial_does(run, change):
    change("wrong.modes", ("jammed within 5 s", "jammed within 2 s"))
    told = run("make", "wrong.modes")
    assert told.code == 1
    assert "Not ready" in told.out


@pytest.mark.slow
def test_make_fails_on_an_unsound_table(run, change):
    change("stuck.modes",
        ("mode creeping ", "mode lost port_drive 1 %\nmode creeping "),
        (" parked | retreat ", " parked | retreat and blocked | lost |\n parked | retreat "),
        (" any | halt ", " any but lost | halt "),
        (" any | flat", " any but lost | flat"),
    )
    told = run("make", "stuck.modes")
    assert told.code == 1
    assert "stuck" in told.out and "lost" in told.out


def test_check_tells_programs_too(run, change):
    change("clash.modes", ("pin 2,", "pin 18,"))
    told = run("check", "clash.modes", "--json")
    assert told.code == 1
    assert [item["code"] for item in json.loads(told.out)["findings"]] == ["wiring", "loose-word"]
    change("wrong.modes", ("front < 35 cm", "front < 35 V"))
    told = run("check", "wrong.modes", "--sarif")
    assert told.code == 1
    (result,) = json.loads(told.out)["runs"][0]["results"]
    assert "35 V" in result["message"]["text"]


def test_tidy_lines_up_and_then_has_nothing_to_do(run, feed_pusher, change):
    change("rough.modes", ("\n  cruise ", "\ncruise "))
    before = Path("rough.modes").read_text()
    assert run("tidy", "rough.modes", "--check").code == 1
    assert Path("rough.modes").read_text() == before
    assert run("tidy", "rough.modes").code == 0
    assert Path("rough.modes").read_text() == feed_pusher.read_text()
    assert run("tidy", "rough.modes", "--check").code == 0


def test_tidy_leaves_a_file_with_mistakes_alone(run, change):
    change("wrong.modes", ("front < 35 cm", "front < 35 V"))
    before = Path("wrong.modes").read_text()
    assert run("tidy", "wrong.modes").code == 1
    assert Path("wrong.modes").read_text() == before


def test_the_samples_are_tidy(run, feed_pusher):
    for sample in feed_pusher.parent.rglob("*.modes"):
        assert run("tidy", sample, "--check").code == 0, sample


def test_wiring_lists_every_pin_with_its_parts(run, feed_pusher):
    told = run("wiring", feed_pusher)
    assert told.code == 0
    for words in ("echo of front", "30 kohm", "Join all grounds", "Opening the USB port"):
        assert words in told.out
    rows = list(csv.DictReader(run("wiring", feed_pusher, "--csv").out.splitlines()))
    assert len(rows) == 17 and rows[0]["pin"] == "22" and rows[0]["way"] == "output"
    assert "| 23 | echo of front | input |" in run("wiring", feed_pusher, "--markdown").out


def test_wiring_that_is_wrong_is_no_list(run, change):
    change("clash.modes", ("pin 2,", "pin 18,"))
    told = run("wiring", "clash.modes")
    assert told.code == 1
    assert "pin 18 is used twice" in told.err and "no wiring list" in told.err


def test_check_proves_promises_and_says_what_was_explored(run, feed_pusher):
    told = run("check", feed_pusher)
    assert "✓ every mode can reach parked: proved" in told.out
    assert "Everything asked was decided" in " ".join(told.out.split())
    assert "4 of 4 promises proved" in told.out


def test_check_marks_a_promise_of_which_nothing_was_asked_and_says_what_may_be_remembered(run, monkeypatch):
    from tests.report.test_page import REEL

    Path("reel.modes").write_text(REEL)
    told = run("check", "reel.modes")
    assert "· once turning and seen fault -> still within 10 ms: proved, but" in told.out
    assert "✓ once off -> still within 10 ms: proved" in told.out
    remembered = "seen is remembered: the proof lets it hold any value, or none, at any time"
    assert remembered in " ".join(told.out.split())
    monkeypatch.setenv("PATH", "/nonexistent")
    assert remembered in " ".join(run("make", "reel.modes").out.split())


def test_check_shows_the_run_of_a_finding_and_keeps_it_as_a_trial(run):
    """A run for each finding; what has one cause is one finding."""
    text = (SAMPLES / "faulty" / "fault_ignored.modes").read_text()
    more = changed(
        text,
        ("relay pump", "sensor heat voltage, pin A1, 0 V .. 5 V, plausible 0.1 V .. 4.9 V\n\nrelay pump"),
        ("mode pumping", "mode rinsing pump on, endless\nmode warming pump on, endless\nmode pumping"),
        (
            "  resting | start and",
            "  resting | start and heat > 2 V and depth < 49 cm | warming\n"
            "  warming | heat < 1 V | resting\n  pumping | start | rinsing\n  rinsing | depth < 30 cm | resting\n"
            "  resting | start and",
        ),
    )
    Path("fault.modes").write_text(more)
    told = run("check", "fault.modes", "--save-trial")
    assert told.code == 1
    assert "fault ignored" in told.out and "depth in fault" in told.out
    assert "2nd tick with heat in fault" in told.out
    assert "2 trials added" in told.out
    saved = Path("fault.modes").read_text()
    assert 'trial "fault ignored, line' in saved and "once the table is fixed, expect the opposite" in saved
    assert run("try", "fault.modes", "--only", "fault ignored").code == 0
    before = Path("fault.modes").read_text()
    assert "has its trial in the file already" in run("check", "fault.modes", "--save-trial").out
    assert Path("fault.modes").read_text() == before


@pytest.mark.slow
def test_a_broken_promise_is_an_error_with_its_run(run, change):
    change("broken.modes", ("-> parked, jammed, spent within 20 ms", "-> parked within 20 ms"))
    told = run("check", "broken.modes")
    assert told.code == 1
    assert "✗ while operator silent -> parked within 20 ms: broken" in told.out
    assert "1 promise broken; 3 of 4 promises proved" in told.out
    told = run("check", "broken.modes", "--json")
    assert "promise-broken" in [item["code"] for item in json.loads(told.out)["findings"]]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("promised", "broken", "expected", "mended"),
    [
        ("never (port_drive != 0 % or star_drive != 0 %) and flat for 20 ms",
         "never (port_drive < 0 % or star_drive < 0 %) and beacon off for 20 ms",
         "expect not ((port_drive < 0 % or star_drive < 0 %) and beacon off) within 20 ms",
         ("port_drive -30 %, star_drive -30 %", "beacon on, port_drive -30 %, star_drive -30 %")),
        ("never (port_drive != 0 % or star_drive != 0 %) and flat for 20 ms",
         "never creeping", "expect not creeping", ("parked | creep and not blocked", "parked | creep and retreat")),
        ("once halt -> parked, spent within 20 ms", "once halt -> parked within 20 ms",
         "expect parked within 20 ms",
         ("any | flat or supply fault | spent |", "any | flat or supply fault | parked |")),
        ("while operator silent -> parked, jammed, spent within 20 ms",
         "while operator silent and bumper -> parked, spent within 20 ms",
         "expect not (operator silent and bumper) or parked or spent",
         ("driving | bumper or front fault | jammed", "driving | bumper or front fault | parked")),
    ],
)  # fmt: skip
def test_a_saved_trial_states_the_promise_until_it_is_kept(run, change, promised, broken, expected, mended):
    text = change("cart.modes", (f"promise {promised}", f"promise {broken}"))
    told = run("check", "cart.modes", "--save-trial")
    assert told.code == 1 and "1 trial added" in told.out, told.out
    saved = Path("cart.modes").read_text()
    line = next(number for number, each in enumerate(text.splitlines(), 1) if each.startswith("promise") and
                " ".join(broken.split()) in " ".join(each.split()))  # fmt: skip
    assert f"# Promised on line {line}: {broken}" in saved
    assert expected in " ".join(saved.split())
    assert run("try", "cart.modes", "--only", "broken promise").code == 1
    change("mended.modes", (f"promise {promised}", f"promise {broken}"), mended)
    trial = saved[saved.index('trial "broken promise') :]
    Path("mended.modes").write_text(Path("mended.modes").read_text() + "\n" + trial)
    assert run("try", "mended.modes", "--only", "broken promise").code == 0, run("try", "mended.modes").out
    assert saved.startswith(text)  # only the trial is new
    assert tidy(trial) == trial


@pytest.mark.slow
def test_a_saved_trial_of_modes_that_cannot_be_reached_again_passes(run, change):
    change("cart.modes", ("mode parked stop", "mode parked stop\nmode lost stop, final"),
           (" parked | retreat ", " parked | retreat and blocked | lost |\n parked | retreat "),
           (" any | halt ", " any but lost | halt "), (" any | flat", " any but lost | flat"))  # fmt: skip
    told = run("check", "cart.modes", "--save-trial")
    assert "in lost, from where nothing leads to parked" in told.out
    assert "otherwise" not in told.out
    assert "# Promised on line 72: every mode can reach parked" in Path("cart.modes").read_text()
    assert run("try", "cart.modes", "--only", "promise, line 72").code == 0


@pytest.mark.slow
def test_check_saves_no_trial_that_comes_out_otherwise(run, change):
    before = change("cart.modes", ("promise every mode can reach parked",
                                   "promise never parked and retreat within 20 ms for 30 ms"))  # fmt: skip
    told = run("check", "cart.modes", "--save-trial")
    assert "added" not in told.out and "retreat heard but not taken" in told.out
    assert 'Not saved: the run of "broken promise, line 70"' in told.out
    assert Path("cart.modes").read_text() == before


def test_check_says_what_there_was_no_time_for(run, feed_pusher):
    bales = feed_pusher.parent / "bale_mover.modes"
    told = run("check", bales, "--seconds", "0.1", "--strict")
    assert told.code == 3
    assert "not proved" in told.out and "not everything is proved" in told.out


@pytest.mark.slow
def test_what_is_not_proved_is_not_ready(run, feed_pusher):
    bales = feed_pusher.parent / "bale_mover.modes"
    made = run("make", bales, "--seconds", "0.1")
    assert made.code == 3 and "Not proved: " in made.out and "Ready" not in made.out
    header = Path("out/bale_mover/bale_mover/behaviour.h").read_text()
    assert "NOT PROVED: " in header
    allowed = run("make", bales, "--seconds", "0.1", "--allow-unproved")
    assert allowed.code == 0 and "Not proved: " in allowed.out and "Ready" not in allowed.out
    told = run("emit", bales, "--seconds", "0.1")
    assert told.code == 3 and "Not proved: " in told.out
    assert "NOT PROVED: " in Path("bale_mover/bale_mover.ino").read_text()
    told = run("emit", bales, "--seconds", "0.1", "--allow-unproved")
    assert told.code == 0 and "Not proved: " in told.out


@pytest.mark.parametrize("code", ["no way to stop", "no-way-to-stop"])
def test_check_explains_a_finding_without_a_file(run, code):
    told = run("check", "--explain", code)
    assert told.code == 0
    assert "How it is usually fixed" in told.out


@pytest.mark.parametrize("width", [60, 80])
def test_explanations_fit_the_screen(run, monkeypatch, width):
    monkeypatch.setenv("COLUMNS", str(width))
    for code in SEVERITY:
        told = run("check", "--explain", code).out
        assert told.startswith(f"{code} (") and max(map(len, told.splitlines())) <= width


def test_check_knows_which_findings_there_are(run):
    told = run("check", "--explain", "gremlins")
    assert told.code == 2
    assert "halt missed" in told.err


@pytest.mark.slow
def test_a_report_can_carry_the_agreement_of_table_and_desk(run, feed_pusher):
    vent = feed_pusher.parent / "greenhouse_vent.modes"
    assert run("report", vent, "--no-compile", "-o", "plain.html").code == 0
    assert "were not compared" in Path("plain.html").read_text()
    assert run("report", vent, "--no-compile", "--agree", "-o", "vent.html").code == 0
    page = Path("vent.html").read_text()
    assert "were not compared" not in page
    assert "inputs at random, seed 1" in page and "300,000 ticks, no difference" in page
    assert "10 of 10" in page  # rows that decide


@pytest.mark.parametrize("verb", [("pretend",), ("bridge", "--port", "x"), ("remote",), ("watch", "--port", "x")])
def test_a_machine_without_a_link_is_told_what_there_is_instead(run, verb):
    Path("lamp.modes").write_text(SMALLEST)
    told = run(verb[0], "lamp.modes", *verb[1:])
    assert told.code == 1
    if verb[0] == "watch":
        assert "it has no link. Declare one, such as  link monitor serial0, 38400 baud, plain, reports" in told.err
    else:
        assert "Declare a link and a command on it, or try it by hand:  statecraft bench lamp.modes" in told.err


@pytest.mark.parametrize("words", [("agree", "--on", "chip"), ("try", "--on", "table,chip")])
def test_a_long_trial_is_told_before_it_runs_on_the_chip(run, monkeypatch, words):
    monkeypatch.setenv("PATH", "/nonexistent")  # no compiler: it ends before the chip
    Path("lamp.modes").write_text(SMALLEST + 'trial "a winter"\n  at 65 min press\n  expect lit\n')
    told = run(words[0], "lamp.modes", *words[1:])
    assert told.err.splitlines()[0] == "“a winter” lasts 65 min: on the simulated chip that may take minutes."
    assert "a visitor" not in told.err
