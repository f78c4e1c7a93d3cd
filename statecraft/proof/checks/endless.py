"""*Endless*: a mode in which the machine drives for as long as nothing changes and nobody says anything."""

from __future__ import annotations

from collections.abc import Iterator

from statecraft.findings import Finding, Run
from statecraft.proof.checks.constant_inputs import Cells, constants, every_choice, quiet, with_tail
from statecraft.proof.checks.waits_for_ever import asked_by_others, lost, modes_beside
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.proof.runs.goals import in_pieces
from statecraft.semantics import Reached, tick_of
from statecraft.semantics.keys import GroupClock, ModeClock


def endless(explored: Reachability, part: int) -> Iterator[Finding]:
    """Driving modes of ``part`` that constant inputs without commands do not end: a warning where none do, a note where
    some do. Only of a machine in which no link says when it is silent.

    Raises:
        Undecided: there are too many choices of inputs, what other parts do is not followed, or counters that count
            time are followed only roughly.
    """
    machine, whole = explored.whole, explored.model.parts[part]
    if any(link.silent is not None for link in machine.links):
        return
    for place, mode in enumerate(whole.modes):
        if mode.endless or not machine.drives(mode) or (part, place) not in explored.reached:
            continue
        if _timed_out(explored, part, place):
            continue
        if explored.partial:
            raise Undecided
        beside = modes_beside(explored, part, place)
        clusters = sorted(set(constants(explored, beside)) | set(asked_by_others(explored, part)))
        best: tuple[Run, Cells] | None = None
        ends = False
        for cells in every_choice(explored, clusters, beside):
            only = quiet(explored, cells)
            stays, leaves = lost(explored, part, place, only)
            ends = ends or leaves
            if stays and explored.model.loose:  # what counts time may lead out of it after all
                raise Undecided
            if stays and best is None:
                run = explored.shortest(in_pieces(explored, stays))
                best = None if run is None else (run, cells)
        if best is None:
            continue
        run, cells = best
        told = "whatever its sensors read" if not ends else "while some readings stay as they are"
        yield Finding(
            "endless",
            mode.place,
            f"in {mode.name} the machine drives on for ever, {told}, until somebody gives a command.",
            f"add a row 'after' that ends {mode.name}; or, if it is meant, declare there that it is endless.",
            mode=explored.ref(part, place),
            run=with_tail(explored, run, [cells]),
            gravity="note" if ends else None,
        )


def _timed_out(explored: Reachability, part: int, place: int) -> bool:
    """Whether time alone ends the mode, whatever else is: by a row that asks for nothing more, that no gate holds back,
    and above which no row stays in the mode or begins it anew.
    """
    whole = explored.model.parts[part]
    mode = whole.modes[place]
    for made in tick_of(explored.model.machine).part[whole.name].in_mode[mode.name]:
        if made.target == mode:
            return False
        if isinstance(made.guard, Reached) and isinstance(made.guard.clock, ModeClock | GroupClock) and not made.bars:
            return True
    return False
