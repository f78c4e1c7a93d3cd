"""What people read, as far as a rule can look at it: whole sentences, no word twice, one thing and several things."""

from __future__ import annotations

import inspect
import re
from pathlib import Path

import click
import pytest

from statecraft.cli import VERBS, cli

ROOT = Path(__file__).resolve().parents[2]
PAGES = [ROOT / "README.md", *sorted((ROOT / "samples").glob("*.md"))]
TEMPLATES = sorted((ROOT / "templates").rglob("*.html.j2"))

TWICE = re.compile(r"\b([a-z]+) \1\b", re.IGNORECASE)
ONE_OF_MANY = re.compile(r"(?<![\d.,:])\b1 (?!(?:was|is|has|does|ms|plus|across|this|as)\b)[a-z]+s\b")
"""``1 rows``; not ``1 is``, ``1 ms``, ``21 rows``."""

SMALLEST = """\
# A lamp that one button turns on.
machine night_lamp
board   atmega328p
tick    10 ms
command press  button, pin 3, on when low
lamp    light  pin 13
mode    dark   stop
mode    lit    light on
rules
  in   | when  | go to
  dark | press | lit
  lit  | press | dark
promise every mode can reach dark
trial "a visitor"
  at 1 s  press
  expect  lit
"""


def verbs() -> dict[str, click.Command]:
    context = click.Context(cli)
    found = {name: cli.get_command(context, name) for name in VERBS}
    return {name: verb for name, verb in found.items() if verb is not None}


@pytest.mark.parametrize("name", VERBS)
def test_help_is_in_whole_sentences(name: str) -> None:
    verb = verbs()[name]
    paragraphs = inspect.cleandoc(verb.help or "").split("\n\n")
    assert paragraphs[0].rstrip().endswith("."), paragraphs[0]
    for text in paragraphs:
        assert re.match(r"[A-Z]", text), text
    for option in verb.params:
        if isinstance(option, click.Option) and option.name != "help":
            assert option.help and option.help.endswith("."), option.name
            assert option.type.name not in ("float range", "integer range") or option.metavar, option.name


@pytest.mark.parametrize("name", VERBS)
def test_a_verb_says_the_same_of_itself_in_the_list_of_verbs(name: str) -> None:
    assert verbs()[name].short_help == VERBS[name]


@pytest.mark.parametrize("path", [*PAGES, *TEMPLATES], ids=lambda path: path.name)
def test_no_word_stands_twice(path: Path) -> None:
    prose = re.sub(r"```.*?```|`[^`]*`|{[{%].*?[%}]}", " … ", path.read_text(encoding="utf-8"), flags=re.DOTALL)
    assert [found[0] for found in TWICE.finditer(prose)] == []


@pytest.mark.slow
def test_one_thing_is_never_told_as_several(run) -> None:
    Path("night_lamp.modes").write_text(SMALLEST)
    file = "night_lamp.modes"
    said = "".join(
        told.out + told.err
        for told in (
            run("check", file), run("try", file), run("try", file, "--trace", "t.csv"), run("table", file),
            run("table", file, "--rows"), run("emit", file), run("wiring", file), run("make", file),
            run("agree", file, "--ticks", "1", "--seed", "1"), run("report", file), run("draw", file),
        )
    )  # fmt: skip
    page = re.sub(r"<(style|pre|svg).*?</\1>", "", Path("night_lamp.html").read_text(), flags=re.DOTALL)
    said += re.sub(r"<[^>]+>", " ", page) + Path("night_lamp.svg").read_text()
    assert "1 trial" in said and "1 of 1 expectation" in said
    assert [said[max(0, found.start() - 40) : found.end() + 20] for found in ONE_OF_MANY.finditer(said)] == []
    assert ONE_OF_MANY.search("1 mores, 2 more") and not ONE_OF_MANY.search("11 mores, 0.1 mores, 1 more")
