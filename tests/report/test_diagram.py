"""The drawn diagram, parsed again: it says what the machine says, and nothing lies on anything else."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings

from statecraft.findings import Finding, RowRef
from statecraft.language import read_text
from statecraft.machine import Machine, ModeRef
from statecraft.report.diagram import diagram_file, figures, panels_of
from statecraft.report.geometry import Box
from statecraft.report.scene import number
from statecraft.report.svg import markup
from tests.random_machines import machine_texts
from tests.report.large import station, tangle
from tests.samples import PATHS, machine_in, sample

SVG = "{http://www.w3.org/2000/svg}"


def drawn(machine: Machine, *found: Finding) -> ElementTree.Element:
    return ElementTree.fromstring(diagram_file(machine, found))


def of_class(root: ElementTree.Element, word: str) -> list[ElementTree.Element]:
    return [element for element in root.iter() if word in element.get("class", "").split()]


def text_of(element: ElementTree.Element) -> str:
    """What is written in ``element``, its titles left out, lines joined."""
    return " ".join(" ".join(text.itertext()) for text in element.iter(f"{SVG}text")).replace("_ ", "_")


def plain(text: str) -> str:
    return "".join(text.split())


def check(machine: Machine, root: ElementTree.Element) -> None:
    """Every mode, group, part and row of ``machine`` is in the drawing, under its name, once."""
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert len(ids) == len(set(ids))
    cards = {(card.get("data-part"), card.get("data-mode")): card for card in of_class(root, "card")}
    assert set(cards) == {(part.name, mode.name) for part in machine.parts for mode in part.modes}
    for part in machine.parts:
        areas = [area for area in of_class(root, "part") if area.get("data-part") == part.name]
        written = "".join(plain(text_of(area)) for area in areas)
        rows = set()
        for element in [each for area in areas for word in ("line", "tag") for each in of_class(area, word)]:
            rows |= set(map(int, element.get("data-rows", "").split()))
        for row in part.rows:
            assert plain(row.when_text) in written
            stays = all(row.move == "stay" or row.target == mode for mode in row.modes) or row.move == "restart"
            assert row.number in rows or stays
        for mode in part.modes:
            card = cards[part.name, mode.name]
            assert plain(text_of(card)).startswith(plain(mode.name))
            assert ("stop" in card.get("class", "").split()) == mode.stop
            assert bool(of_class(card, "plinth")) == mode.stop
            for name, _ in mode.settings:
                assert plain(text_of(card)).count(name) or dict(mode.settings)[name].__class__.__name__ == "Fixed"
    for line in of_class(root, "line"):
        # The stripes say failsafe where the colour cannot.
        assert bool(of_class(line, "stripe")) == ("failsafe" in line.get("class", "").split())
    for tag in of_class(root, "tag"):
        assert bool(of_class(tag, "hatch")) == ("failsafe" in tag.get("class", "").split())


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_samples_say_what_their_machines_say(path: Path) -> None:
    machine = machine_in(path)
    root = drawn(machine)
    check(machine, root)
    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == "diagram-title diagram-desc"
    described = root.findtext(f"{SVG}desc") or ""
    assert all(mode.name in described for part in machine.parts for mode in part.modes)


@pytest.mark.slow
@settings(max_examples=20)
@given(machine_texts())
def test_any_machine_is_drawn_whole(text: str) -> None:
    machine = read_text(text, file="random.modes")
    check(machine, drawn(machine))


def overlap(a: Box, b: Box) -> bool:
    return (
        a.x < b.x + b.wide - 0.5 and b.x < a.x + a.wide - 0.5 and a.y < b.y + b.high - 0.5 and b.y < a.y + a.high - 0.5
    )


@pytest.mark.parametrize("size", [(9, 1), (18, 1), (30, 1), (30, 3), (80, 1)])
def test_frames_hold_their_own_and_arrows_point_at_their_cards(size: tuple[int, int]) -> None:
    machine = read_text(station(*size), file="station.modes")
    for part in machine.parts:
        for panel in panels_of(machine, part, []):
            placed = panel.placed
            for frame, around in placed.frames:
                for name, box in placed.boxes.items():
                    if name in part.mode:
                        assert overlap(box, around) == (name in frame.modes), f"{name} and {frame.group.name}"
            for route in placed.routes:
                of = route.of
                target = placed.boxes[getattr(of, "head", None) or getattr(of, "target", "")]
                x, y = route.tip
                assert target.x - 1 <= x <= target.x + target.wide + 1
                assert target.y - 1 <= y <= target.y + target.high + 1


@pytest.mark.slow
@pytest.mark.parametrize(
    "text", [station(30), station(30, 3), tangle(30, 3), tangle(30, 4, groups=False), tangle(100, 7)]
)
def test_each_picture_of_a_large_machine_can_be_read_on_a_page(text: str) -> None:
    machine = read_text(text, file="large.modes")
    for part in machine.parts:
        panels = panels_of(machine, part, [])
        assert (len(panels) > 1) == (len(part.modes) > 20)
        shown = [mode for panel in panels for mode in panel.scene.cards]
        assert sorted(shown) == sorted(mode.name for mode in part.modes), "every mode is on one sheet"
        for panel in panels:
            # On an A3 sheet (287 mm by 410 mm inside its margins) the smallest type is still 3.5 pt or more.
            wide, high = panel.placed.wide, panel.placed.high
            scale = min(287 / min(wide, high), 410 / max(wide, high))
            assert 9.5 * scale / 25.4 * 72 > 3.5, panel.scene.sheet


def test_colours_of_a_file_are_spelled_out_and_those_of_a_page_are_not() -> None:
    machine = sample("sump_pump")
    assert "var(" not in diagram_file(machine)
    assert "#" not in re.sub(r'href="#|&#', "", markup(figures(machine)[0].drawing))


def test_findings_are_numbered_where_they_are_and_listed_below() -> None:
    machine = sample("feed_pusher")
    found = [
        Finding("stuck", message="it never leaves", mode=ModeRef("feed_pusher", "jammed")),
        Finding("shadowed", message="an earlier row always decides", row=RowRef("feed_pusher", 9)),
        Finding("unused", message="nothing uses it", subject="beat"),
    ]
    root = drawn(machine, *found)
    jammed = next(card for card in of_class(root, "card") if card.get("data-mode") == "jammed")
    assert [text_of(mark) for mark in of_class(jammed, "finding")] == ["1"]
    assert of_class(jammed, "full")  # an error's lozenge is filled, a warning's is not
    label = next(label for label in of_class(root, "label") if of_class(label, "finding"))
    assert [text_of(mark) for mark in of_class(label, "finding")] == ["2"] and not of_class(label, "full")
    notes = " ".join(" ".join(note.itertext()) for note in of_class(root, "note"))
    assert all(each.message in notes for each in found)


def test_cards_of_a_page_are_links_to_what_is_said_of_their_modes() -> None:
    machine = sample("sump_pump")
    root = ElementTree.fromstring(markup(figures(machine)[0].drawing))
    targets = {link.get("href") for link in root.iter(f"{SVG}a")}
    assert targets == {f"#mode-{part.name}-{mode.name}" for part in machine.parts for mode in part.modes}
    assert root.get("role") == "group"


def test_the_same_machine_is_drawn_the_same() -> None:
    machine = sample("sump_pump")
    assert diagram_file(machine) == diagram_file(machine)
    assert [mark.number for mark in number([Finding("stuck"), Finding("unused")])] == [1, 2]
