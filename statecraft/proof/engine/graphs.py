"""Ways round in a graph."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping


def elementary_cycles(steps: Mapping[str, Collection[str]]) -> Iterator[tuple[str, ...]]:
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


def _on_cycles(steps: Mapping[str, Collection[str]]) -> dict[str, list[str]]:
    """The steps between nodes that some others lead to and that lead on to others, for ever."""
    left = {node: list(some) for node, some in steps.items()}
    while True:
        entered = {after for some in left.values() for after in some}
        kept = {node for node, some in left.items() if some and node in entered}
        if len(kept) == len(left) and entered <= kept:
            return left
        left = {node: [after for after in left[node] if after in kept] for node in left if node in kept}


def _cycles_from(steps: Mapping[str, Collection[str]], first: str) -> Iterator[tuple[str, ...]]:
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


def _leads_back(steps: Mapping[str, Collection[str]], node: str, path: Collection[str]) -> bool:
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
