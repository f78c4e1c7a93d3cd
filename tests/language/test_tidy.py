"""Tidying lines things up and changes nothing else."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from statecraft.language import FileErrors, read_text
from statecraft.language.tidy import in_the_manner_of, tidy, tidy_bytes
from statecraft.machine import Machine
from tests.language.frame import frame
from tests.language.test_fuzz import WORDS, mutated
from tests.language.test_whole_language import ARM

SAMPLES = {
    path.stem: path.read_text(encoding="utf-8") for path in (Path(__file__).parents[2] / "samples").glob("*.modes")
}
TEXTS = {**SAMPLES, "gatherer": ARM, "frame": frame()}


def bare(machine: Machine) -> str:
    """A machine without its places: columns move when a file is tidied."""
    return re.sub(r"Place\(file='[^']*', line=(\d+), column=\d+, width=\d+\)", r"line \1", repr(machine))


def mistakes(text: str) -> list[tuple[int, str, str]]:
    """What is wrong with a text, without its columns."""
    try:
        read_text(text, "t.modes")
    except FileErrors as errors:
        return [(mistake.place.line, mistake.code, mistake.message) for mistake in errors.mistakes]
    return []


@pytest.mark.parametrize("name", sorted(TEXTS))
def test_the_machine_stays_the_same(name: str) -> None:
    text = TEXTS[name]
    done = tidy(text)
    assert bare(read_text(done, "t.modes")) == bare(read_text(text, "t.modes"))
    assert tidy(done) == done
    assert done.count("\n") == text.count("\n"), "no line comes or goes"
    assert re.findall(r"#.*", done) == [comment.rstrip() for comment in re.findall(r"#.*", text)]


def test_what_it_does() -> None:
    untidy = """\
# A gate.
machine   gate
board atmega2560

tick 10 ms
  # who speaks
command halt   "h  h|#",urgent # stop at once
command go "g"   # start
sensor front_of_gate  range,trigger 22 , echo 23, 2 cm .. 4 m
level near when front_of_gate<3 cm clears when front_of_gate > 4 cm
level far when front_of_gate > 300 cm for 2 s, clears when front_of_gate < 2 m   # sic
constant x=3 cm
mode parked stop
mode opening

failsafes
in|when|go to|do
any | halt | parked # at once
rules
 in | when | go to | do
# rows
   # of rules
parked,opening|go|opening
opening | after 3 s | parked | x = 3  # done
promise every mode can reach parked
promise once halt->parked within 10 ms
promise while halt taken -> parked within 1 s
accept unused in x because   "a  -> b"
accept  mixed   because "so"
trial   "a  b"
at 0 s front_of_gate 3 m
every 100 ms go
   # look
expect opening within 1 s
"""
    assert (
        tidy(untidy)
        == """\
# A gate.
machine gate
board   atmega2560

tick 10 ms
# who speaks
command  halt           "h  h|#", urgent  # stop at once
command  go             "g"  # start
sensor   front_of_gate  range, trigger 22, echo 23, 2 cm .. 4 m
level    near           when front_of_gate < 3 cm               clears when front_of_gate > 4 cm
level    far            when front_of_gate > 300 cm for 2 s,    clears when front_of_gate < 2 m  # sic
constant x              = 3 cm
mode     parked         stop
mode     opening

failsafes
  in              | when      | go to   | do
  any             | halt      | parked  |  # at once
rules
  in              | when      | go to   | do
# rows
  # of rules
  parked, opening | go        | opening |
  opening         | after 3 s | parked  | x = 3  # done
promise  every mode can reach parked
promise  once halt        -> parked within 10 ms
promise  while halt taken -> parked within 1 s
accept   unused in x because "a  -> b"
accept   mixed       because "so"
trial "a  b"
  at 0 s        front_of_gate 3 m
  every 100 ms  go
  # look
  expect        opening within 1 s
"""
    )


def test_parts_are_indented() -> None:
    text = "lamp x pin 3\npart a\n# about a\nmode off stop\nrules\nin|when|go to\noff|y|off\n  # b\n"
    text += "part b\nmode on\npromise never y\n"
    assert tidy(text) == (
        "lamp    x    pin 3\npart a\n# about a\n  mode    off  stop\n  rules\n"
        "    in  | when | go to\n    off | y    | off\n    # b\npart b\n  mode    on\npromise never y\n"
    )


@pytest.mark.parametrize(
    ("text", "done"), [("", ""), ("\n", "\n"), ("lamp", "lamp\n"), ("\ufeff\tlamp\r\n\r", "lamp\n\n")]
)
def test_little_things(text: str, done: str) -> None:
    assert tidy(text) == done


@pytest.mark.parametrize(
    ("data", "done"),
    [
        (b"", b""),
        (b"lamp", b"lamp\n"),
        (b"lamp\r\nlamp", b"lamp\r\nlamp\r\n"),
        (b"\xef\xbb\xbflamp   x  pin 3\r\n# \xc2\xb5 \r\n", b"\xef\xbb\xbflamp x pin 3\r\n# \xc2\xb5\r\n"),
        (b"lamp \nlamp \r\nlamp \rlamp", b"lamp\nlamp\r\nlamp\rlamp\r"),
    ],
)
def test_mark_and_line_ends_stay(data: bytes, done: bytes) -> None:
    assert re.sub(rb"  +", b" ", tidy_bytes(data)) == done
    assert tidy_bytes(tidy_bytes(data)) == tidy_bytes(data)


@pytest.mark.parametrize(
    ("data", "text", "done"),
    [
        (b"a\n", "b\nc\n", b"b\nc\n"),
        (b"\xef\xbb\xbfa\r\nb\r\nc\n", "b\nc\n", b"\xef\xbb\xbfb\r\nc\r\n"),
        (b"", "b\n", b"b\n"),
    ],
)
def test_what_is_added_is_written_as_the_rest(data: bytes, text: str, done: bytes) -> None:
    assert in_the_manner_of(data, text) == done


@st.composite
def mangled(draw: st.DrawFn) -> tuple[str, str]:
    """A machine that is right, and the same with its spaces all wrong."""
    text = draw(st.sampled_from(sorted(TEXTS.values())))
    chance = draw(st.randoms(use_true_random=False))
    lines = []
    for line in text.split("\n"):
        if line.lstrip().startswith("#") or not line.strip():
            lines.append(line + " " * chance.randrange(3))
            continue
        pieces = re.split(r'("[^"]*"|#.*)', line.strip())
        pieces[::2] = [
            re.sub(r" *\| *", lambda _: " " * chance.randrange(4) + "|" + " " * chance.randrange(4),
                   re.sub(r" +", lambda _: " " * chance.randint(1, 5), piece))
            for piece in pieces[::2]
        ]  # fmt: skip
        lines.append(" " * chance.randrange(6) + "".join(pieces))
    return text, "\n".join(lines)


@pytest.mark.slow
@settings(max_examples=60)
@given(mangled())
def test_spaces_are_all_that_matters_to_it(texts: tuple[str, str]) -> None:
    text, loose = texts
    assert tidy(loose) == tidy(text)
    assert bare(read_text(loose, "t.modes")) == bare(read_text(tidy(loose), "t.modes"))


@pytest.mark.slow
@settings(max_examples=100)
@given(mutated())
def test_a_file_with_mistakes_keeps_them(text: str) -> None:
    done = tidy(text)
    assert tidy(done) == done
    if "\t" not in text and mistakes(text):
        assert sorted(mistakes(done)) == sorted(mistakes(text))


@given(st.one_of(st.text(), st.lists(st.sampled_from([*WORDS, "\n", "|", '"', "#", ","]), max_size=60).map(" ".join)))
def test_any_text(text: str) -> None:
    done = tidy(text)
    assert tidy(done) == done
    kept = [re.sub(r"[ \t|]", "", line) for line in re.split("\r\n|\r|\n", text.removeprefix("\ufeff"))]
    assert [re.sub(r"[ |]", "", line) for line in done.split("\n")][: len(kept)] == kept
