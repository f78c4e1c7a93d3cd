"""Functions of many independent choices, as decision diagrams.

A choice (a *variable*) has a small number of outcomes, numbered from 0; a set of them is an integer with those bits
set. A function of all choices is a diagram: at each node one variable is asked, and its outcomes lead on to other nodes
or to a value. Variables are asked in order, nodes that would lead everywhere to the same place are left out, and equal
nodes are one, so that equal functions are the same node and no work is done twice (R. Bryant, "Graph-based algorithms
for Boolean function manipulation", 1986, here with more than two outcomes and more than two values).
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping

from statecraft.proof.engine.limits import look

FALSE, TRUE = 0, 1

Node = int
Branches = tuple[tuple[int, Node], ...]
_LAST = 1 << 30

Pieces = dict[Hashable, list[tuple[tuple[int, int], ...]]]
"""Of each value, ways of confining variables so that it is possible."""


class Diagrams:
    """Diagrams over variables ``0 .. len(domains) - 1``; ``domains`` are the sets of all their outcomes."""

    def __init__(self, domains: list[int]) -> None:
        self.domains = domains
        self._variable: list[int] = []
        self._branches: list[Branches] = []
        self._value: list[Hashable] = []
        self._nodes: dict[tuple[int, Branches], Node] = {}
        self._before: dict[tuple[tuple[int, ...], int], int] = {}
        self._values: dict[Hashable, Node] = {}
        self._selected: dict[tuple[Node, Node, Node], Node] = {}
        self._followed: dict[tuple[Node, tuple[Node, ...]], Node] = {}
        self._ends: dict[Node, tuple[Node, ...]] = {}
        self._asks: dict[Node, int] = {}
        self._pieces_of: dict[tuple[int, tuple[tuple[int, int], ...]], dict[Node, Pieces]] = {}
        self._mapped: dict[tuple[Node, int, tuple[int, ...]], Node] = {}
        assert self.value(False) == FALSE and self.value(True) == TRUE

    def value(self, value: Hashable) -> Node:
        """The function that is ``value`` whatever is chosen."""
        key = (type(value), value)
        if key not in self._values:
            self._values[key] = self._add(_LAST, (), value)
        return self._values[key]

    def _add(self, variable: int, branches: Branches, value: Hashable) -> Node:
        self._variable.append(variable)
        self._branches.append(branches)
        self._value.append(value)
        return len(self._variable) - 1

    def _node(self, variable: int, ways: Mapping[Node, int]) -> Node:
        if len(ways) == 1:
            return next(iter(ways))
        branches = tuple(sorted([(outcomes, node) for node, outcomes in ways.items()]))
        key = (variable, branches)
        found = self._nodes.get(key)
        if found is None:
            found = self._nodes[key] = self._add(variable, branches, None)
        return found

    def among(self, variable: int, outcomes: int) -> Node:
        """True when ``variable`` comes out as one of ``outcomes``."""
        others = self.domains[variable] & ~outcomes
        outcomes &= self.domains[variable]
        if not others:
            return TRUE
        return self._node(variable, {TRUE: outcomes, FALSE: others}) if outcomes else FALSE

    def select(self, condition: Node, then: Node, other: Node) -> Node:
        """``then`` where ``condition`` is true, ``other`` where it is not."""
        if condition == TRUE:
            return then
        if condition == FALSE:
            return other
        if then == other:
            return then
        if then == TRUE and other == FALSE:
            return condition
        key = (condition, then, other)
        found = self._selected.get(key)
        if found is None:
            look()
            asked = self._variable
            variable = min(asked[condition], asked[then], asked[other])
            yes, no = self._ways(then, variable), self._ways(other, variable)
            ways: dict[Node, int] = {}
            known = self._selected
            for first, a in self._ways(condition, variable):
                for second, b in yes:
                    both = first & second
                    if not both:
                        continue
                    if a == TRUE:
                        ways[b] = ways.get(b, 0) | both
                        continue
                    for third, c in no:
                        outcomes = both & third
                        if outcomes:
                            if a == FALSE or b == c:
                                node = c
                            else:
                                made = known.get((a, b, c))
                                node = self.select(a, b, c) if made is None else made
                            ways[node] = ways.get(node, 0) | outcomes
            found = self._selected[key] = self._node(variable, ways)
        return found

    def _ways(self, node: Node, variable: int) -> Branches:
        return self._branches[node] if self._variable[node] == variable else ((self.domains[variable], node),)

    def all_of(self, nodes: list[Node]) -> Node:
        """True where all of ``nodes`` are."""
        made = TRUE
        for node in reversed(nodes):
            made = self.select(node, made, FALSE)
        return made

    def any_of(self, nodes: list[Node]) -> Node:
        """True where one of ``nodes`` is."""
        made = FALSE
        for node in reversed(nodes):
            made = self.select(node, TRUE, made)
        return made

    def ends(self, node: Node) -> tuple[Node, ...]:
        """The values that the function can have, as nodes."""
        found = self._ends.get(node)
        if found is None:
            if self._variable[node] == _LAST:
                found = (node,)
            else:
                found = tuple(dict.fromkeys(end for _, way in self._branches[node] for end in self.ends(way)))
            self._ends[node] = found
        return found

    def asks(self, node: Node) -> int:
        """The variables that are asked somewhere in ``node``, as a set of bits."""
        found = self._asks.get(node)
        if found is None:
            found = 0
            if self._variable[node] != _LAST:
                found = 1 << self._variable[node]
                for _, way in self._branches[node]:
                    found |= self.asks(way)
            self._asks[node] = found
        return found

    def read(self, end: Node) -> Hashable:
        """The value of a node that :meth:`ends` gave."""
        return self._value[end]

    def follow(self, node: Node, onward: Callable[[Hashable], Node]) -> Node:
        """Where ``node`` has value v, what ``onward(v)`` has there."""
        ends = self.ends(node)
        after = {end: onward(self._value[end]) for end in ends}
        key = (node, tuple(after.values()))
        found = self._followed.get(key)
        if found is None:
            found = self._followed[key] = self._follow(node, after)
        return found

    def _follow(self, node: Node, after: Mapping[Node, Node]) -> Node:
        if all(self._variable[way] == _LAST for way in after.values()):
            return self._relabelled(node, dict(after))
        *others, found = dict.fromkeys(after.values())
        for way in others:
            found = self.select(self._relabelled(node, {end: int(to == way) for end, to in after.items()}), way, found)
        return found

    def _relabelled(self, node: Node, known: dict[Node, Node]) -> Node:
        """``node`` with other nodes in place of those in ``known``: its values at first, then what has been done."""
        found = known.get(node)
        if found is None:
            ways: dict[Node, int] = {}
            for outcomes, way in self._branches[node]:
                inner = self._relabelled(way, known)
                ways[inner] = ways.get(inner, 0) | outcomes
            found = known[node] = self._node(self._variable[node], ways)
        return found

    def mapped(self, node: Node, variable: int, outcomes: tuple[int, ...]) -> Node:
        """``node`` with outcome i of ``variable`` taken for ``outcomes[i]``."""
        key = (node, variable, outcomes)
        found = self._mapped.get(key)
        if found is None:
            found = self._mapped[key] = self._map(node, variable, outcomes, {})
        return found

    def _map(self, node: Node, variable: int, outcomes: tuple[int, ...], known: dict[Node, Node]) -> Node:
        if self._variable[node] > variable:
            return node
        if node not in known:
            ways: dict[Node, int] = {}
            for mask, way in self._branches[node]:
                if self._variable[node] == variable:
                    mask = self._leading(outcomes, mask)
                else:
                    way = self._map(way, variable, outcomes, known)
                if mask:
                    ways[way] = ways.get(way, 0) | mask
            known[node] = self._node(self._variable[node], ways)
        return known[node]

    def _leading(self, outcomes: tuple[int, ...], mask: int) -> int:
        """Those i for which ``outcomes[i]`` is in ``mask``."""
        found = self._before.get((outcomes, mask))
        if found is None:
            found = sum(1 << i for i, outcome in enumerate(outcomes) if mask >> outcome & 1)
            self._before[outcomes, mask] = found
        return found

    def imaged(self, node: Node, variable: int, outcomes: tuple[int, ...]) -> Node:
        """True where ``variable`` comes out as ``outcomes[i]`` for some i with which ``node`` is true, all else
        equal."""
        if node == FALSE or self._variable[node] > variable:
            reached = sum(1 << outcome for outcome in set(outcomes))
            return self.select(self.among(variable, reached), node, FALSE)
        made = FALSE
        ways: dict[Node, int] = {}
        for mask, way in self._branches[node]:
            if self._variable[node] == variable:
                reached = sum(1 << o for o in {outcome for i, outcome in enumerate(outcomes) if mask >> i & 1})
                made = self.select(self.select(self.among(variable, reached), way, FALSE), TRUE, made)
            else:
                inner = self.imaged(way, variable, outcomes)
                ways[inner] = ways.get(inner, 0) | mask
        return self._node(self._variable[node], ways) if ways else made

    def where(self, node: Node, test: Callable[[Hashable], bool]) -> Node:
        """True where the value of ``node`` passes ``test``."""
        return self.follow(node, lambda value: TRUE if test(value) else FALSE)

    def pieces(
        self, node: Node, kept: int, allowed: Mapping[int, int]
    ) -> list[tuple[Hashable, tuple[tuple[int, int], ...]]]:
        """The values that ``node`` can have, each with outcomes of the variables below ``kept`` for which it can.

        Variables from ``kept`` on come out as may be, within ``allowed``. The pieces of one value cover together all
        outcomes for which it is possible, and cover nothing else; a variable that a piece does not name is free in it.
        """
        memo = self._pieces_of.setdefault((kept, tuple(sorted(allowed.items()))), {})
        made = self._pieces(node, kept, allowed, memo)
        return [(value, piece) for value, pieces in made.items() for piece in pieces]

    def _pieces(
        self,
        node: Node,
        kept: int,
        allowed: Mapping[int, int],
        memo: dict[Node, Pieces],
    ) -> Pieces:
        if node in memo:
            return memo[node]
        variable = self._variable[node]
        made: dict[Hashable, dict[tuple[tuple[int, int], ...], int]] = {}
        if variable == _LAST:
            found: Pieces = {self._value[node]: [()]}
        elif variable >= kept:
            mask = allowed.get(variable, self.domains[variable])
            found = {}
            for outcomes, way in self._branches[node]:
                if outcomes & mask:
                    found.update(self._pieces(way, kept, allowed, memo))
        else:
            mask = allowed.get(variable, self.domains[variable])
            for outcomes, way in self._branches[node]:
                outcomes &= mask
                if not outcomes:
                    continue
                for value, pieces in self._pieces(way, kept, allowed, memo).items():
                    rests = made.setdefault(value, {})
                    for rest in pieces:
                        rests[rest] = rests.get(rest, 0) | outcomes
            found = {
                value: [
                    rest if outcomes == mask == self.domains[variable] else ((variable, outcomes), *rest)
                    for rest, outcomes in rests.items()
                ]
                for value, rests in made.items()
            }
        memo[node] = found
        return found

    def met(self, node: Node, allowed: Mapping[int, int]) -> tuple[Hashable, ...]:
        """The values that ``node`` can have where variables come out within ``allowed``, each once."""
        found: list[Hashable] = []
        seen, waiting = {node}, [node]
        while waiting:
            each = waiting.pop()
            variable = self._variable[each]
            if variable == _LAST:
                found.append(self._value[each])
                continue
            mask = allowed.get(variable, -1)
            for outcomes, way in reversed(self._branches[each]):
                if outcomes & mask and way not in seen:
                    seen.add(way)
                    waiting.append(way)
        return tuple(found)

    def choose(self, node: Node, allowed: Mapping[int, int]) -> dict[int, int] | None:
        """Outcomes within ``allowed`` of the variables asked on a way on which ``node`` is true; None if there is
        none."""
        return self._choose(node, allowed, set())

    def _choose(self, node: Node, allowed: Mapping[int, int], dead: set[Node]) -> dict[int, int] | None:
        """``dead``: nodes from which it is known that there is no way; else each would be tried on every way to it."""
        if node == TRUE:
            return {}
        if node == FALSE or node in dead:
            return None
        variable = self._variable[node]
        mask = allowed.get(variable, self.domains[variable])
        for outcomes, way in self._branches[node]:
            if outcomes & mask:
                rest = self._choose(way, allowed, dead)
                if rest is not None:
                    rest[variable] = outcomes & mask
                    return rest
        dead.add(node)
        return None

    def some(self, node: Node, variables: int) -> Node:
        """True where ``node``, which is true or false, is for some outcomes of ``variables`` (a set of bits)."""
        return self._quantified(node, variables, TRUE, {})

    def every(self, node: Node, variables: int) -> Node:
        """True where ``node``, which is true or false, is for all outcomes of ``variables`` (a set of bits)."""
        return self._quantified(node, variables, FALSE, {})

    def _quantified(self, node: Node, variables: int, settles: Node, known: dict[Node, Node]) -> Node:
        if self._variable[node] == _LAST or not self.asks(node) & variables:
            return node
        found = known.get(node)
        if found is None:
            look()
            variable = self._variable[node]
            inner = [
                (outcomes, self._quantified(way, variables, settles, known)) for outcomes, way in self._branches[node]
            ]
            if variables >> variable & 1:
                ways = [way for _, way in inner]
                found = self.any_of(ways) if settles == TRUE else self.all_of(ways)
            else:
                joined: dict[Node, int] = {}
                for outcomes, way in inner:
                    joined[way] = joined.get(way, 0) | outcomes
                found = self._node(variable, joined)
            known[node] = found
        return found
