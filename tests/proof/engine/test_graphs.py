"""Ways round in a graph, against networkx."""

from __future__ import annotations

import networkx
from hypothesis import given, settings
from hypothesis import strategies as st

from statecraft.proof.engine.graphs import elementary_cycles, strong_components

NODES = "abcdef"


def in_order(cycle: tuple[str, ...]) -> tuple[str, ...]:
    """The same way round, from its first letter on."""
    first = cycle.index(min(cycle))
    return cycle[first:] + cycle[:first]


@given(st.sets(st.tuples(st.sampled_from(NODES), st.sampled_from(NODES)), max_size=16))
@settings(max_examples=60, deadline=None)
def test_the_cycles_are_those_that_networkx_finds(edges: set[tuple[str, str]]) -> None:
    steps = {node: sorted(to for at, to in edges if at == node) for node in NODES}
    found = [in_order(cycle) for cycle in elementary_cycles(steps)]
    assert len(found) == len(set(found))
    graph = networkx.DiGraph(sorted(edges))
    assert set(found) == {in_order(tuple(cycle)) for cycle in networkx.simple_cycles(graph)}


@given(st.sets(st.tuples(st.sampled_from(NODES), st.sampled_from(NODES)), max_size=16))
@settings(max_examples=60, deadline=None)
def test_the_components_are_those_that_networkx_finds(edges: set[tuple[str, str]]) -> None:
    found = [frozenset(some) for some in strong_components({n: [to for at, to in edges if at == n] for n in NODES})]
    graph = networkx.DiGraph(sorted(edges))
    graph.add_nodes_from(NODES)
    every = set(map(frozenset, networkx.strongly_connected_components(graph)))
    assert len(found) == len(set(found)) and set(found) <= every
    assert {some for some in every if len(some) > 1 or any((n, n) in edges for n in some)} <= set(found)


def test_a_long_chain_that_leads_nowhere_is_soon_seen_to_have_none() -> None:
    steps = {str(n): [str(m) for m in range(n + 1, min(n + 4, 1000))] for n in range(1000)}
    assert next(elementary_cycles(steps), None) is None
