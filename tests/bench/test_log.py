"""A log: what is written is read again; reports are found among noise; an hour is replayed."""

from __future__ import annotations

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from statecraft.bench.log import NoLog, Splitter, Writer, entries, head
from statecraft.bench.replay import replay
from statecraft.fingerprint import short
from statecraft.firmware.reports import CounterValues, Counts, Modes, RowTaken, line, read
from statecraft.report.record import of_log
from statecraft.report.timeline import timeline_file
from tests.bench.test_against import reports
from tests.samples import sample

MACHINE = sample("bale_mover")
SOME = [line("b64,0,0,0,0"), line("c0,0,0,0,0"), line("rc2,0,4"), line("s1,6dca17a2"), line("t6dca17a2")]


@given(st.lists(st.sampled_from(SOME), max_size=10), st.integers(1, 9))
def test_reports_are_cut_out_whole_in_any_pieces(told: list[bytes], size: int) -> None:
    splitter, stream, found = Splitter(), b"".join(told), []
    for at in range(0, len(stream), size):
        found += splitter.feed(stream[at : at + size])
    assert [(b">" + text + b"\r\n", report) for text, report in found] == [(each, read(each[1:-2])) for each in told]


@given(st.lists(st.one_of(st.sampled_from(SOME), st.binary(max_size=30)), max_size=12))
def test_noise_hides_no_report_and_takes_no_memory(pieces: list[bytes]) -> None:
    splitter, found = Splitter(), []
    for piece in pieces:
        found += splitter.feed(b"\r\n" + piece)
    whole = [text for text, report in found if report is not None]
    for piece in pieces:
        if piece in SOME:
            assert piece[1:-2] in whole
    assert len(splitter._noise) < 1000


def test_what_is_written_is_read_again() -> None:
    file = io.StringIO()
    writer = Writer(file, MACHINE, MACHINE.links[0])
    writer.sent(b"$ahead*69")
    for each in SOME:
        writer.heard(each[1:-2], read(each[1:-2]))
    writer.heard(b"\xff\x00nonsense", None)
    lines = file.getvalue().splitlines()
    told = head(lines)
    assert told is not None and (told.machine, told.link, told.table) == ("bale_mover", "operator", short(MACHINE))
    read_again = list(entries(lines))
    assert [entry.way for entry in read_again] == ["<", *">" * len(SOME), "!"]
    assert [entry.report for entry in read_again[1:-1]] == [read(each[1:-2]) for each in SOME]
    assert bytes.fromhex(read_again[-1].text) == b"\xff\x00nonsense"


@pytest.mark.parametrize("bad", ["hello", "12 ? x", "-3 > b", "12", "x > y", "9999999999999 > b"])
def test_what_is_no_log_is_said_to_be_none(bad: str) -> None:
    with pytest.raises(NoLog, match="line 2 is no line of a log"):
        list(entries(["", bad]))


def logged(ticks: int) -> list[str]:
    """A log of the simulation."""
    lines = [f"# bale_mover on operator, table {short(MACHINE)}, 2026-05-01 08:00:00"]
    ms = 0
    for report in reports(MACHINE, 5, ticks):
        match report:
            case RowTaken(tick, part, row):
                ms, body = tick * 10, f"r{tick:x},{part:x},{row:x}"
            case Modes(tick, first, modes):
                ms, body = tick * 10, f"b{tick:x},{first:x}," + ",".join(f"{mode:x}" for mode in modes)
            case CounterValues(tick, first, values):
                ms, body = tick * 10, f"n{tick:x},{first:x}," + ",".join(f"{value & 0xFFFF:x}" for value in values)
            case Counts():
                body = "c0,0,0,0,0"
            case _:
                body = f"t{int(report.table, 16):x}"
        lines.append(f"{ms:>9} > {line(body).decode()[1:-2]}")
        if isinstance(report, Modes):
            lines.append(f"{ms + 25:>9} < $ahead*69")
    return lines


def test_a_log_is_replayed_and_drawn() -> None:
    played = replay(MACHINE, logged(6000))
    assert played.against.differences == []
    assert len(played.rows) > 10 and len(played.told) > 10
    assert {heard.name for _, heard in played.heard} == {"ahead"}
    ticks = [tick for tick, _ in played.heard]
    assert ticks == sorted(ticks) and len(ticks) >= 59
    drawn = timeline_file(of_log(played, "a morning"))
    assert "<svg" in drawn and "forward" in drawn and "a morning" in drawn
