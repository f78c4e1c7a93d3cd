"""Reports survive the line, and damaged ones are told from whole ones."""

from __future__ import annotations

import re
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from statecraft.boards import load
from statecraft.firmware import emit
from statecraft.firmware.reports import (
    CounterValues,
    Counts,
    Modes,
    Overran,
    PulsesLost,
    Reader,
    Report,
    RowTaken,
    Started,
    TableReport,
    cause_words,
    line,
)
from statecraft.machine import Machine

NUMBER = st.integers(0, 2**32 - 1)
COUNT = st.integers(0, 65535)
VALUE = st.integers(-30000, 30000)
REPORT = st.one_of(
    st.builds(RowTaken, NUMBER, st.integers(0, 20), COUNT),
    st.builds(Modes, NUMBER, st.integers(0, 20), st.lists(st.integers(0, 255), min_size=1, max_size=12).map(tuple)),
    st.builds(Counts, COUNT, COUNT, COUNT, COUNT, COUNT),
    st.builds(Started, st.integers(0, 255), NUMBER.map(lambda n: f"{n:08x}")),
    st.builds(CounterValues, NUMBER, st.integers(0, 20), st.lists(VALUE, min_size=1, max_size=6).map(tuple)),
    st.builds(Overran, st.integers(0, 20), NUMBER),
    st.builds(PulsesLost, st.integers(0, 20), COUNT),
    st.builds(TableReport, NUMBER.map(lambda n: f"{n:08x}")),
)


def said(report: Report) -> bytes:
    match report:
        case RowTaken(tick, part, row):
            return line(f"r{tick:x},{part:x},{row:x}")
        case Modes(tick, first, modes):
            return line(f"b{tick:x},{first:x}," + ",".join(f"{mode:x}" for mode in modes))
        case Counts(dropped, ignored, late, faults, lost):
            return line(f"c{dropped:x},{ignored:x},{late:x},{faults:x},{lost:x}")
        case Started(cause, table):
            return line(f"s{cause:x},{int(table, 16):x}")
        case CounterValues(tick, first, values):
            return line(f"n{tick:x},{first:x}," + ",".join(f"{value & 0xFFFF:x}" for value in values))
        case Overran(thing, us):
            return line(f"o{thing:x},{us:x}")
        case PulsesLost(counter, pulses):
            return line(f"p{counter:x},{pulses:x}")
        case TableReport(table):
            return line(f"t{int(table, 16):x}")


@given(st.lists(REPORT), st.integers(1, 20))
def test_what_is_sent_is_read_however_it_comes_in(reports: list[Report], piece: int) -> None:
    data = b"".join(said(report) for report in reports)
    reader = Reader()
    found = [r for start in range(0, len(data), piece) for r in reader.feed(data[start : start + piece])]
    assert found == reports
    assert reader.damaged == 0


@given(REPORT, st.data())
def test_a_damaged_line_is_counted_and_the_next_one_read(report: Report, data: st.DataObject) -> None:
    sent = bytearray(said(report))
    at = data.draw(st.integers(1, len(sent) - 3))
    sent[at] ^= 1 << data.draw(st.integers(0, 7))
    reader = Reader()
    found = reader.feed(bytes(sent) + said(Counts(1, 2, 3, 4, 5)))
    assert found[-1] == Counts(1, 2, 3, 4, 5)
    assert len(found) == 1 or found[0] == report  # a digit's case carries no meaning


@given(st.binary(max_size=300))
def test_noise_is_no_report_and_no_trouble(noise: bytes) -> None:
    reader = Reader()
    reader.feed(noise)
    assert reader.feed(b"\r\n" + said(Counts(0, 0, 0, 0, 1)))[-1] == Counts(0, 0, 0, 0, 1)


def test_causes_have_words() -> None:
    assert cause_words(8) == "watchdog"
    assert cause_words(3) == "reset pin, power"
    assert cause_words(0) == "not known"


PAGE = Path(__file__).parents[2] / "samples" / "REPORTS.md"


def test_the_examples_on_the_page_say_what_it_says_of_them() -> None:
    examples = re.findall(r"^\| `(>.+?)` \| (.+) \|$", PAGE.read_text(), re.M)
    assert len(examples) == 9
    reader = Reader()
    told = [report for example, _ in examples for report in reader.feed(example.encode() + b"\r\n")]
    assert reader.damaged == 0
    assert told == [
        Started(1, "6dca17a2"),
        TableReport("6dca17a2"),
        RowTaken(500, 0, 9),
        Modes(1000, 0, (5,)),
        Modes(1000, 12, (1, 0)),
        CounterValues(1025, 0, (7, -12)),
        Overran(0, 3000),
        PulsesLost(1, 12),
        Counts(2, 0, 0, 1, 0),
    ]
    for (_, says), report in zip(examples, told, strict=True):
        numbers = re.findall(r"\b\d+\b", says)
        match report:
            case RowTaken(tick, part, row):
                assert numbers == [str(tick), str(row), str(part)]
            case Modes(tick, first, modes):
                assert numbers[:3] == [str(tick), str(first), str(modes[0])]
            case CounterValues(tick, first, values):
                assert numbers == [str(tick), str(first), *(str(abs(value)) for value in values)]


def test_the_sketchs_own_description_has_every_report_and_count(orchard: Machine) -> None:
    text = emit(orchard, load("atmega2560"))["reports.h"]
    forms = ("s cause,table", "t table", "r tick,part,row", "b tick,first,mode,mode", "c dropped,ignored,late")
    for form in forms:
        assert form in text
