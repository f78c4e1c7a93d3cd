"""draw, table, report and export as a person calls them: files written whole, and messages where something is wrong."""

from __future__ import annotations

import builtins
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner, Result

from statecraft.cli import cli
from statecraft.errors import StatecraftError
from statecraft.report.picture import PicturesMissing, convert
from tests.samples import SAMPLES, sample

FILE = str(SAMPLES / "feed_pusher.modes")


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):  # type: ignore[no-untyped-def]
    monkeypatch.chdir(tmp_path)

    def go(*arguments: str) -> Result:
        return CliRunner().invoke(cli, list(arguments))

    return go


def test_draw_writes_what_its_ending_says(run, tmp_path) -> None:  # type: ignore[no-untyped-def]
    small = str(SAMPLES / "sump_pump.modes")
    assert run("draw", small).exit_code == 0
    assert ElementTree.parse(tmp_path / "sump_pump.svg").getroot().tag.endswith("svg")
    assert run("draw", small, "-o", "x.png").exit_code == 0
    assert (tmp_path / "x.png").read_bytes().startswith(b"\x89PNG")
    assert run("draw", small, "-o", "deep/x.pdf", "--trial", "sucks air").exit_code == 0
    assert (tmp_path / "deep" / "x.pdf").read_bytes().startswith(b"%PDF")


def test_draw_takes_a_trace_that_try_has_kept(run, tmp_path) -> None:  # type: ignore[no-untyped-def]
    run("try", FILE, "--trace", "t.jsonl")
    assert run("draw", FILE, "--trace", "t.jsonl", "-o", "kept.svg").exit_code == 0
    run("draw", FILE, "--trial", "wall", "-o", "tried.svg")
    kept, tried = (ElementTree.parse(tmp_path / name).getroot() for name in ("kept.svg", "tried.svg"))
    bands = [
        [e.get("data-first") for e in root.iter() if "band" in e.get("class", "").split()] for root in (kept, tried)
    ]
    assert bands[0] == bands[1] != []


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["draw", FILE, "-o", "x.gif"], "use .svg, .png, .pdf"),
        (["draw", FILE, "--trial", "nothing"], "no trial has 'nothing'"),
        (["draw", FILE, "--trace", "gone.jsonl"], "cannot be read"),
        (["draw", FILE, "--trace", FILE], "is no tick of a trace"),
        (["draw", FILE, "--trace", "x", "--trial", "y"], "one thing at a time"),
        (["export", FILE], "--scxml"),
        (["table", FILE, "-o", "x.doc"], ".md, .csv, .html"),
    ],
)
def test_what_cannot_be_done_is_said(run, arguments, words) -> None:  # type: ignore[no-untyped-def]
    result = run(*arguments)
    assert isinstance(result.exception, StatecraftError) and words in str(result.exception)


def test_table_in_every_form(run, tmp_path) -> None:  # type: ignore[no-untyped-def]
    for form, start in (("markdown", "## feed_pusher"), ("csv", "feed_pusher"), ("html", "<!DOCTYPE html>")):
        said = run("table", FILE, "--as", form)
        assert said.exit_code == 0 and said.output.lstrip().startswith(start)
    assert run("table", FILE, "-o", "t.html", "--rows").exit_code == 0
    assert "after 10 min in patrolling" in (tmp_path / "t.html").read_text()
    assert "■ parked" in run("table", FILE).output


def test_report_writes_one_page_and_export_says_what_is_lost(run, tmp_path) -> None:  # type: ignore[no-untyped-def]
    said = run("report", FILE, "--no-compile")
    assert said.exit_code == 0 and "1 of 1 trial passed" in said.output
    assert "not compiled for this report" in (tmp_path / "feed_pusher.html").read_text()
    said = run("export", FILE, "--scxml")
    assert max(map(len, said.output.splitlines())) <= 80
    assert "What it cannot hold" in said.output and (tmp_path / "feed_pusher.scxml").exists()
    assert run("export", FILE, "--scxml", "-o", "-").output.startswith("<?xml")


def test_without_the_library_the_message_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def missing(name: str, *rest: object, **more: object) -> object:
        if name == "cairosvg":
            raise ImportError
        return real(name, *rest, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(builtins, "__import__", missing)
    with pytest.raises(PicturesMissing, match=r"statecraft\[pictures\]"):
        convert("<svg/>", "png")


def test_a_png_shows_the_same_as_the_svg() -> None:
    """Cards are where the SVG has them: the pixel in a stop mode's plinth is ink, the one beside the area is paper."""
    import io

    from PIL import Image

    from statecraft.report.diagram import diagram_file
    from statecraft.report.style import LIGHT

    svg = diagram_file(sample("feed_pusher"))
    image = Image.open(io.BytesIO(convert(svg, "png"))).convert("RGB")
    root = ElementTree.fromstring(svg)
    for card in root.iter():
        if card.get("data-mode") == "parked" and "card" in card.get("class", ""):
            plinth = next(each for each in card if each.get("class") == "plinth")
            x, y = float(plinth.get("x", "")) + 6, float(plinth.get("y", "")) + 3
            assert "#{:02x}{:02x}{:02x}".format(*image.getpixel((round(2 * x), round(2 * y)))) == LIGHT["ink"]
    assert "#{:02x}{:02x}{:02x}".format(*image.getpixel((4, 4))) == LIGHT["paper"]
