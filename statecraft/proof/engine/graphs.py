"""Ways round in a graph, which is given by the steps from each of its nodes."""

from __future__ import annotations

from collections.abc import Collection, Hashable, Iterator, Mapping
from typing import TypeVar

Node = TypeVar("Node", bound=Hashable)


def elementary_cycles(steps: Mapping[Node, Collection[Node]]) -> Iterator[tuple[Node, ...]]:
    """Every way round on which no node comes twice, each once, as its nodes in order.

    A way is gone on with only where it still leads back, so that nothing is tried in vain (R. Read and R. Tarjan,
    "Bounds on backtrack algorithms for listing cycles, paths, and spanning trees", 1975).
    """
    left = _on_cycles(steps)
    while left:
        first = next(iter(left))
        yield from _cycles_from(left, first)
        del left[first]
        left = _on_cycles(left)


def strong_components(steps: Mapping[Node, Collection[Node]]) -> Iterator[set[Node]]:
    """The sets of nodes that all lead to each other, each with all that belong to it; of nodes on no way round, which
    are a set each, not all need be among them."""
    left = _on_cycles(steps)
    back: dict[Node, list[Node]] = {node: [] for node in left}
    for node, some in left.items():
        for after in some:
            back[after].append(node)
    while left:
        first = next(iter(left))
        onward, backward = led_to(left, first), led_to(back, first)
        found = onward & backward
        yield found
        for graph in (left, back):
            for node in found:
                del graph[node]


def led_to(steps: Mapping[Node, Collection[Node]], first: Node) -> set[Node]:
    """``first`` and all that it leads to among the nodes that ``steps`` has."""
    seen = {first}
    waiting = [first]
    while waiting:
        for after in steps[waiting.pop()]:
            if after in steps and after not in seen:
                seen.add(after)
                waiting.append(after)
    return seen


def leading_to(steps: Mapping[Node, Collection[Node]], goal: Collection[Node]) -> set[Node]:
    """The nodes from which there is a way to one of ``goal``, these included."""
    back: dict[Node, list[Node]] = {node: [] for node in goal}
    for node, some in steps.items():
        for after in some:
            back.setdefault(after, []).append(node)
    seen = set(goal)
    waiting = list(goal)
    while waiting:
        for before in back.get(waiting.pop(), ()):
            if before not in seen:
                seen.add(before)
                waiting.append(before)
    return seen


def _on_cycles(steps: Mapping[Node, Collection[Node]]) -> dict[Node, list[Node]]:
    """The steps between nodes that some others lead to and that lead on to others, for ever."""
    left = {node: list(some) for node, some in steps.items()}
    while True:
        entered = {after for some in left.values() for after in some}
        kept = {node for node, some in left.items() if some and node in entered}
        if len(kept) == len(left) and entered <= kept:
            return left
        left = {node: [after for after in left[node] if after in kept] for node in left if node in kept}


def _cycles_from(steps: Mapping[Node, Collection[Node]], first: Node) -> Iterator[tuple[Node, ...]]:
    path = [first]
    waiting = [iter(steps[first])]
    while waiting:
        after = next(waiting[-1], None)
        if after is None:
            waiting.pop()
            path.pop()
        elif after == first:
            yield tuple(path)
        elif after not in path and _leads_back(steps, after, path):
            path.append(after)
            waiting.append(iter(steps[after]))


def _leads_back(steps: Mapping[Node, Collection[Node]], node: Node, path: Collection[Node]) -> bool:
    """Whether some way leads from ``node`` to the first of ``path``, and by none of the others."""
    first = next(iter(path))
    seen = {node, *path}
    waiting = [node]
    while waiting:
        for after in steps[waiting.pop()]:
            if after == first:
                return True
            if after not in seen:
                seen.add(after)
                waiting.append(after)
    return False
