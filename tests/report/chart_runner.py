"""A small interpreter of SCXML, written from the recommendation's algorithm (appendix D) for the part of it that the
exported charts use: parallel, compound and atomic states, external and targetless transitions, `assign` and `if`.
It knows nothing of machines. ECMAScript conditions are turned into Python's, sign by sign.
"""

from __future__ import annotations

import re
from typing import Any
from xml.etree import ElementTree

SCXML = "{http://www.w3.org/2005/07/scxml}"
STATES = {f"{SCXML}state", f"{SCXML}parallel", f"{SCXML}final"}


def python(text: str) -> str:
    """An ECMAScript expression of the kind that charts use, as Python's."""
    chosen = re.fullmatch(r"(.*) \? (.*) : (.*)", text)
    if chosen:
        return f"({python(chosen[2])}) if ({python(chosen[1])}) else ({python(chosen[3])})"
    for old, new in (
        ("===", "=="), ("!==", "!="), ("&&", " and "), ("||", " or "), ("!(", " not ("), ("null", "None"),
        ("Math.min", "min"), ("Math.max", "max"), ("_event.name", "_event"),
    ):  # fmt: skip
        text = text.replace(old, new)
    return re.sub(r"\btrue\b", "True", re.sub(r"\bfalse\b", "False", text)).strip()


class Chart:
    """A running chart. ``data`` may be set from outside; ``active`` holds the ids of the states it is in."""

    def __init__(self, text: str) -> None:
        self.root = ElementTree.fromstring(text)
        self.parent = {child: element for element in self.root.iter() for child in element}
        self.states = {element.get("id"): element for element in self.root.iter() if element.tag in STATES}
        self.order = {element: place for place, element in enumerate(self.root.iter())}
        self.data: dict[str, Any] = {}
        self.event = ""
        self._compiled: dict[str, Any] = {}
        self.active: set[ElementTree.Element] = set()
        for datum in self.root.iter(f"{SCXML}data"):
            self.data[datum.get("id", "")] = self.value(datum.get("expr", ""))
        self.enter([self.states[self.root.get("initial")]], self.root)

    def value(self, text: str) -> Any:
        if text not in self._compiled:
            self._compiled[text] = compile(python(text), text, "eval")
        names = {**self.data, "In": self.inside, "_event": self.event, "min": min, "max": max}
        return eval(self._compiled[text], {"__builtins__": {}}, names)

    def inside(self, state: str) -> bool:
        return self.states[state] in self.active

    def ancestors(self, state: ElementTree.Element) -> list[ElementTree.Element]:
        found = []
        while state in self.parent:
            state = self.parent[state]
            found.append(state)
        return found

    def children(self, state: ElementTree.Element) -> list[ElementTree.Element]:
        return [child for child in state if child.tag in STATES]

    def enter(self, targets: list[ElementTree.Element], domain: ElementTree.Element) -> None:
        wanted: set[ElementTree.Element] = set()

        def down(state: ElementTree.Element) -> None:
            wanted.add(state)
            if state.tag == f"{SCXML}parallel":
                for child in self.children(state):
                    if not any(child is w or child in self.ancestors(w) for w in wanted):
                        down(child)
            elif self.children(state) and not any(state in self.ancestors(w) for w in wanted if w is not state):
                first = self.states[state.get("initial")] if state.get("initial") else self.children(state)[0]
                down(first)
                wanted.update(a for a in self.ancestors(first) if state in self.ancestors(a))

        for target in targets:
            wanted.update(a for a in self.ancestors(target) if domain in self.ancestors(a))
            down(target)
        for state in sorted(wanted - self.active, key=self.order.__getitem__):
            self.active.add(state)
            for block in state.findall(f"{SCXML}onentry"):
                self.run(block)

    def run(self, block: ElementTree.Element) -> None:
        for step in block:
            if step.tag == f"{SCXML}assign":
                assert step.get("location") in self.data, "assignment to a place that is not declared"
                self.data[step.get("location", "")] = self.value(step.get("expr", ""))
            elif step.tag == f"{SCXML}if":
                if self.value(step.get("cond", "")):
                    self.run(step)
            else:
                raise AssertionError(f"an element that charts here do not use: {step.tag}")

    def send(self, event: str) -> None:
        """One external event, and what it brings about."""
        self.event = event
        chosen: list[tuple[ElementTree.Element, ElementTree.Element]] = []
        atomic = [state for state in self.active if not self.children(state)]
        for state in sorted(atomic, key=self.order.__getitem__):
            for source in [state, *self.ancestors(state)]:
                found = next((t for t in source.findall(f"{SCXML}transition") if self.enabled(t)), None)
                if found is not None:
                    if all(found is not other for _, other in chosen):
                        chosen.append((source, found))
                    break
        moves = []
        for source, transition in chosen:
            target = transition.get("target")
            if target is not None:
                state = self.states[target]
                above = self.ancestors(state)
                domain = next(a for a in self.ancestors(source) if a in above and a.tag != f"{SCXML}parallel")
                leaving = {each for each in self.active if domain in self.ancestors(each)}
                self.active -= leaving
                moves.append((state, domain))
        for _, transition in chosen:
            self.run(transition)
        for state, domain in moves:
            self.enter([state], domain)

    def enabled(self, transition: ElementTree.Element) -> bool:
        named = transition.get("event", "").split()
        if not any(self.event == name or self.event.startswith(f"{name}.") for name in named):
            return False
        cond = transition.get("cond")
        return cond is None or bool(self.value(cond))
