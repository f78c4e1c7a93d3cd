"""The page as text: whole, self-contained, honest about what it lacks, and quick and small enough."""

from __future__ import annotations

import hashlib
import re
import time
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings

from statecraft import __version__
from statecraft.boards import load
from statecraft.findings import Finding, Hold, PromiseVerdict, RowRef, Run, Stimulus
from statecraft.fingerprint import short
from statecraft.firmware import emit
from statecraft.firmware.toolchain import Built
from statecraft.language import read_text
from statecraft.machine import Accept, Machine, ModeRef
from statecraft.proof.checks.mode_graph import findings
from statecraft.proof.judgement import judge
from statecraft.report.diagram import diagram_file
from statecraft.report.page import Judged, coverage, page
from statecraft.report.record import of_trial
from statecraft.report.table import html
from statecraft.report.timeline import timeline_file
from statecraft.simulation import run_trial
from tests import pictures
from tests.random_machines import machine_texts
from tests.report.large import station
from tests.samples import PATHS, SAMPLES, machine_in, sample

SECTIONS = [
    "job",
    "picture",
    "modes",
    "table",
    "proofs",
    "trials",
    "wiring",
    "commands",
    "sizes",
    "agreement",
    "cautions",
    "made",
]
SVG = "{http://www.w3.org/2000/svg}"
VOID = {"meta", "br", "link", "img", "input", "hr", "wbr"}


class Reader(HTMLParser):
    """Ids, links, text by section; and whether every element is closed in its turn."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.links: list[str] = []
        self.tags: list[str] = []
        self.text: dict[str, str] = {}
        self.open: list[str] = []
        self.section = ""
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        chosen = {name: value or "" for name, value in attrs}
        self.tags.append(tag)
        if "id" in chosen:
            self.ids.append(chosen["id"])
        if tag == "section":
            self.section = chosen.get("id", "")
        for name in ("href", "src", "xlink:href"):
            if name in chosen:
                self.links.append(chosen[name])
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag
        if tag == "section":
            self.section = ""

    def handle_data(self, data: str) -> None:
        self.text[self.section] = self.text.get(self.section, "") + " " + data


DRILL = """\
machine drill
board atmega2560
tick 10 ms
command halt button, pin 4, on when low, urgent
command go by hand
dial depth "d" from radio, 0 .. 9, kept
link radio serial1, 9600 baud, checked, silent after 1 s
switch top pin 5, on when high, on if in doubt
stepper table step 11, direction 6, at most 600 Hz
lamp a pin 13
lamp b pwm 9
mode parked stop, a on, b 30 %
mode going table 100 Hz, endless
counter way -9 .. 40, counts both ways on pins 2 and 3, at most 1 kHz
counter turned 0 .. 40, counts steps of table
counter holes 5 .. 40, kept, round
counter lead 0 .. 40, starts 2, up each 500 ms in going
failsafes
in | when | go to
any | halt or top | parked
rules
in | when | go to | do
parked | go and way < depth | going | holes + 1
"""


def full(machine: Machine) -> str:
    trials = [run_trial(machine, trial) for trial in machine.trials]
    return page(machine, board=load(machine.board), proof=Judged(findings(machine)), trials=trials)


@cache
def whole(name: str) -> str:
    """The page of a sample."""
    return full(sample(name))


@cache
def bare(name: str) -> str:
    """The page of a sample that nothing was done with."""
    return page(sample(name))


def words(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_every_link_leads_somewhere_on_the_page_itself(path: Path) -> None:
    text = whole(path.stem)
    reader = Reader(text)
    assert len(reader.ids) == len(set(reader.ids))
    assert all(link.startswith("#") and link[1:] in reader.ids for link in reader.links)
    assert not {"script", "link", "img", "iframe"} & set(reader.tags)
    # The only addresses are names of XML namespaces, which nobody fetches.
    assert set(re.findall(r"https?://[^\"'<>\s]+", text)) <= {"http://www.w3.org/2000/svg"}
    assert "url(" not in text and "@import" not in text
    assert [id for id in reader.ids if id in SECTIONS] == SECTIONS


def test_it_says_what_it_was_made_from() -> None:
    path = SAMPLES / "feed_pusher.modes"
    machine = machine_in(path)
    text = page(machine, when=datetime(2026, 3, 4, 5, 6, tzinfo=UTC))
    made = words(Reader(text).text["made"])
    assert hashlib.sha256(path.read_bytes()).hexdigest() in made
    assert str(path) in made and __version__ in made and "2026-03-04 05:06 UTC" in made
    assert all(line.strip() in made for line in map(words, path.read_text().splitlines()) if line)


def test_the_page_that_is_signed_has_the_fingerprint_of_its_sketch() -> None:
    machine = sample("feed_pusher")
    text = bare("feed_pusher")
    emitted = emit(machine, load(machine.board))["feed_pusher.ino"]
    told = re.search("its table's fingerprint is (\\w+)", emitted)
    assert told is not None
    assert f"fingerprint {told[1]}" in words(Reader(text).text[""])  # before any section: at the head of the page
    assert f"The table's fingerprint is {told[1]} ." in words(Reader(text).text["made"])  # where it is signed
    drill = read_text(DRILL, file="drill.modes")
    slower = replace(drill, tick_ms=20)
    assert short(drill) in page(drill) and short(slower) in page(slower) and short(drill) not in page(slower)


def test_sizes_tell_the_stack_and_what_is_left_for_it() -> None:
    machine = read_text(DRILL, file="drill.modes")
    board = load("atmega2560")
    made = Built(Path("x.elf"), Path("x.hex"), 9000, 300, 1300, 26, stack=94)
    assert "stack, at most 94 7,892 that are left for it" in words(
        Reader(page(machine, board=board, build=made)).text["sizes"]
    )
    unknown = replace(made, stack=None, stack_note="again calls itself")
    sizes = words(Reader(page(machine, board=board, build=unknown)).text["sizes"])
    assert "stack, at most: no bound (again calls itself)" in sizes


def test_what_was_not_made_is_said_in_its_place() -> None:
    told = Reader(bare("feed_pusher")).text
    for section, said in {
        "proofs": "Nothing was checked",
        "trials": "not run",
        "wiring": "No board was given",
        "sizes": "not compiled",
        "agreement": "were not compared",
    }.items():
        assert said in words(told[section])
    assert "every mode can reach parked" in words(told["proofs"])


def test_a_machine_with_next_to_nothing_has_a_page() -> None:
    text = "machine bit\nboard atmega328p\ntick 10 ms\nlamp eye pin 13\nmode dark stop\nmode light eye on\n"
    reader = Reader(full(read_text(text + "rules\nin | when | go to\ndark | after 1 s | light\n", file="bit.modes")))
    assert "The file makes no promise" in words(reader.text["proofs"])
    assert "The file has no trial" in words(reader.text["trials"])
    assert "The machine has no link" in words(reader.text["commands"])


def test_what_the_owner_wrote_cannot_become_markup() -> None:
    source = (SAMPLES / "feed_pusher.modes").read_text()
    source = source.replace("# A small cart", "# <script>alert(1)</script> & a small cart")
    source = source.replace("a wall, then a dead end", "<b>a wall</b> & more")
    text = full(read_text(source, file="<i>.modes"))
    reader = Reader(text)
    assert "script" not in reader.tags and "b" not in reader.tags and "i" not in reader.tags
    assert "<script>alert(1)</script> & a small cart" in words(reader.text["job"])
    assert "<b>a wall</b> & more" in words(reader.text["trials"])


def test_findings_are_shown_with_their_runs_as_timelines() -> None:
    machine = sample("feed_pusher")
    readings = tuple((sensor.name, 2000 if sensor.name != "supply" else 7600) for sensor in machine.sensors)
    still = Stimulus(readings, (("bumper", False),), (), None, (), ())
    go = Stimulus(readings, (("bumper", False),), (), "patrol", (), ())
    found = [
        Finding("runaway", machine.place, "It drives on.", "Add a row.", ModeRef("feed_pusher", "cruise"),
                run=Run((Hold(still, 2), Hold(go, 1), Hold(still, 3)))),
        Finding("waits for ever", message="It waits.", row=RowRef("feed_pusher", 3),
                run=Run((Hold(still, 10_000_000),))),
    ]  # fmt: skip
    reader = Reader(page(machine, proof=Judged(found)))
    said = words(reader.text["proofs"])
    assert "It drives on." in said and "Add a row." in said
    assert "starts in parked; front 200 cm" in said
    assert "→ cruise, by line 54: patrol and not blocked" in said
    assert "At 0.05 s: moving in cruise (port_drive 60 %, star_drive 60 %), 2nd tick with operator silent." in said
    first, _, second = said.partition("It waits.")
    assert "left 200 cm" not in first  # it has no bearing on the run
    assert "10,000,000 ticks: too long to draw" in second and "finding 2, waits for ever" in second
    assert "front 200 cm, left 200 cm" in second  # one that is not drawn is told
    assert "run-1-title" in reader.ids and "run-2-title" not in reader.ids


def test_the_command_sheet_has_the_bytes_that_the_firmware_waits_for() -> None:
    gate = words(Reader(whole("yard_gate")).text["commands"])
    assert "$halt*11" in gate and "button on pin 24" in gate
    cart = words(Reader(whole("feed_pusher")).text["commands"])
    assert "halt operator h once urgent: overtakes all others" in cart
    assert "beat operator . every 166 ms, as long as somebody is there heartbeat" in cart


def test_counters_and_what_is_kept_are_on_the_page() -> None:
    """Where each counts, from what, whether it is kept; and what a function of the owner's own tells."""
    reader = Reader(full(read_text(DRILL, file="drill.modes")))
    text = words(reader.text["job"]) + words(reader.text["wiring"])
    for said in (
        "way counter of pulses on pins 2 and 3, both ways, 1000 Hz at most; -9 to 40, 0 at first",
        "turned counter of the steps of table; 0 to 40, 0 at first",
        "holes counter; 5 to 40, round, 5 at first, kept when the power is off",
        "lead counter, up each 500 ms in going; 0 to 40, 2 at first",
        "top switch, on when high, settles in 20 ms, on if in doubt",
        "It is told go by a function of your own.",
        "the lamps a and b. It counts pulses in way. What holes and depth say is kept when the power is off.",
    ):
        assert said in text


def test_the_wiring_list_has_every_pin() -> None:
    said = words(Reader(whole("feed_pusher")).text["wiring"])
    for line in ("22 trigger of front output", "23 echo of front input", "5 pwm of port_drive output"):
        assert line in said
    assert "a divider of 30 kohm to the pin and 15 kohm from the pin to ground" in said
    assert "Join all grounds" in said


def test_coverage_counts_what_trials_went_through() -> None:
    machine = sample("feed_pusher")
    found = coverage(machine, [run_trial(machine, trial) for trial in machine.trials])
    assert (found.modes, found.all_modes, found.all_rows) == (4, 9, 19)
    assert "swing_left" in found.missed_modes and RowRef("feed_pusher", 4) not in found.missed_rows
    assert found.rows + len(found.missed_rows) == found.all_rows


@pytest.mark.slow
@settings(max_examples=15)
@given(machine_texts())
def test_any_machine_has_a_whole_page(text: str) -> None:
    machine = read_text(text, file="random.modes")
    reader = Reader(full(machine))
    assert len(reader.ids) == len(set(reader.ids))
    assert all(link[1:] in reader.ids for link in reader.links)


@pytest.mark.slow
def test_the_sample_is_quick_and_small_and_a_large_machine_bearable() -> None:
    start = time.process_time()
    small = full(sample("feed_pusher"))
    assert time.process_time() - start < 12
    assert len(small.encode()) < 600_000
    start = time.process_time()
    full(read_text(station(200), file="station.modes"))
    assert time.process_time() - start < 60


def test_a_long_name_is_broken_behind_an_underscore() -> None:
    text = bare("feed_pusher")
    assert "<h1>feed_<wbr>pusher</h1>" in text and ">swing_<wbr>left</h3>" in text



@pytest.mark.parametrize("name", pictures.SAMPLES_SHOWN)
def test_the_readmes_pictures_show_the_samples_as_they_are(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """They say what a fresh one says, or were made from the same text; else: ``python -m tests.pictures``."""
    monkeypatch.chdir(SAMPLES.parent)
    path = SAMPLES / "pictures" / name
    assert 0 < path.stat().st_size < pictures.MOST
    if path.suffix == ".png":
        assert pictures.made_from(path) == pictures.fingerprint(name)
        return

    def said(text: str) -> list[str]:
        return sorted("".join(each.itertext()) for each in ElementTree.fromstring(text).iter(f"{SVG}text"))

    assert said(path.read_text(encoding="utf-8")) == said(pictures.svg(name))


@pytest.mark.slow
def test_what_was_not_proved_stands_before_anything_else_and_is_not_said_as_yes() -> None:
    machine = sample("feed_pusher")
    promise = machine.promises[0]
    unsure = PromiseVerdict(promise, None)
    text = page(machine, proof=Judged([], [unsure], ["whether weigh can be left: memory ran out"]), trials=[])
    top = words(text[: text.index("<nav")])
    assert "Open: do not rely on this machine yet" in top
    assert "Not proved: whether weigh can be left: memory ran out." in top
    assert f"Not proved: promise {promise.text}" in top
    assert "good" not in re.findall(r'<div class="(\w+)"><dt>(?:findings|promises)', text)
    proofs = text[text.index('id="proofs"') : text.index('id="trials"')]
    assert 'class="verdict yes"' not in proofs
    nothing = bare("feed_pusher")
    assert "Nothing was proved" in words(nothing[: nothing.index("<nav")])
    sound = page(machine, proof=Judged([], [PromiseVerdict(each, True) for each in machine.promises]), trials=[])
    assert "Open:" not in sound and "Nothing here was tried on the machine itself" in sound


REEL = """machine reel
board atmega328p
tick 10 ms
command off button, pin 2, on when low, urgent
command go button, pin 3, on when low
sensor slack by hand, 0 cm .. 99 cm
sensor seen slack, taken in still, patience 5 s
relay drum pin 7
mode still stop
mode turning drum on
failsafes
in | when | go to
any | off | still
turning | after 10 s or slack fault or seen fault | still
rules
in | when | go to
still | go and seen > 5 cm and not slack fault | turning
promise once turning and seen fault -> still within 10 ms
promise once off -> still within 10 ms
"""


def test_a_promise_of_which_nothing_was_asked_has_no_tick_mark() -> None:
    """And beside the promises it is said what the proof lets be remembered."""
    machine = read_text(REEL, "reel.modes")
    judged = judge(machine)
    text = page(machine, proof=Judged(judged.findings, judged.report.verdicts), trials=[])
    empty = text[text.index('id="promise-box-1"') : text.index('id="promise-box-2"')]
    assert "2 of 2 hold, 1 never put to the test</dd>" in text
    assert judged.outcome.endswith("; 2 of 2 promises proved, 1 of them never put to the test")
    assert "✓" not in empty and 'class="verdict yes"' not in empty
    assert "· holds, but turning and seen fault never comes up: nothing was asked of the machine" in empty
    asked = text[text.index('id="promise-box-2"') : text.index('<section id="trials"')]
    assert "✓ holds" in asked
    assert "<small>seen is remembered: the proof lets it hold any value, or none, at any time;" in asked
    assert "is remembered: the proof" not in page(machine, trials=[])


def test_what_the_file_accepts_is_shown_with_its_reason_and_line() -> None:
    source = (SAMPLES / "faulty" / "nobody_watched.modes").read_text()
    accept = 'accept nobody watched in blowing because "somebody <always> stands by"\n'
    machine = read_text(source + accept, "fan.modes")
    judged = judge(machine)
    text = page(machine, proof=Judged(judged.findings, judged.report.verdicts), trials=[])
    proofs = text[text.index('<section id="proofs"') : text.index('<section id="trials"')]
    assert "nobody watched <small>(warning, accepted)</small>" in proofs
    assert "Accepted: somebody &lt;always&gt; stands by" in proofs and "line 25" in proofs
    assert "0 errors, 0 warnings" in text


def test_an_error_a_broken_promise_and_a_failed_trial_are_open_points_with_a_link() -> None:
    source = (SAMPLES / "feed_pusher.modes").read_text()
    machine = read_text(re.sub(r"expect +weigh within 50 ms", "expect parked", source), file="faulty.modes")
    found = Finding("runaway", machine.place, "It drives on.", mode=ModeRef("feed_pusher", "cruise"))
    verdicts = [PromiseVerdict(machine.promises[0], False)]
    text = page(machine, proof=Judged([found], verdicts), trials=[run_trial(machine, machine.trials[0])])
    top = text[: text.index("<nav")]
    reader = Reader(text)
    for said, target in (
        ("Error: runaway. It drives on.", "finding-1"),
        ("Broken: promise", "promise-box-1"),
        ("Failed: trial", "trial-box-1"),
    ):
        assert re.search(f'<a href="#{target}">{said}', top)
        assert target in reader.ids


UNSEEN = "\u202e\u2066\u200b\u061c"


@pytest.mark.slow
def test_characters_that_are_not_seen_are_shown() -> None:
    source = (SAMPLES / "feed_pusher.modes").read_text()
    source = source.replace("# A small cart", f"# A small {UNSEEN}cart")
    source = source.replace("a wall, then a dead end", f"a wall{UNSEEN} and more")
    machine = read_text(source, file="seen.modes")
    drawing = timeline_file(of_trial(run_trial(machine, machine.trials[0])))
    for text in (full(machine), html(machine), drawing, diagram_file(machine)):
        assert not set(UNSEEN) & set(text)
    assert "a wall[U+202E][U+2066][U+200B][U+061C] and more" in drawing
    said = Reader(full(machine)).text
    assert "A small [U+202E][U+2066][U+200B][U+061C]cart" in words(said["job"])
    assert "a wall[U+202E]" in words(said["trials"])


def test_it_says_what_was_never_tried_and_how_to_begin() -> None:
    text = " ".join(bare("feed_pusher").split())
    assert "None of this was tried on real hardware" in text and "emit --first-steps" in text


def test_what_the_owner_accepts_stands_with_its_reason_and_line() -> None:
    source = (SAMPLES / "feed_pusher.modes").read_text()
    line = source.count("\n") + 1
    machine = read_text(source + 'accept left out in retreating because "it backs off the <bumper>"\n', file="a.modes")
    said = words(Reader(full(machine)).text["proofs"])
    assert f"leftout(retreating):itbacksoffthe<bumper>(line{line})" in "".join(said.split())


def test_a_finding_that_is_accepted_says_why_and_is_counted_apart() -> None:
    machine = sample("feed_pusher")
    mode = ModeRef("feed_pusher", "retreating")
    accept = Accept("left out", (mode,), (), "it backs off", machine.parts[0].modes[4].place)
    found = [
        Finding("left out", machine.place, "It reads no bumper.", "Add a row.", mode, accepted=accept),
        Finding("loose word", machine.place, "One letter starts it."),
    ]  # fmt: skip
    reader = page(replace(machine, accepts=(accept,)), proof=Judged(found))
    assert "0 errors, 0 warnings, 1 note, 1 accepted" in words(reader)
    said = words(Reader(reader).text["proofs"])
    assert "Accepted: it backs off" in said and "Add a row." not in said and "and not found" not in said
