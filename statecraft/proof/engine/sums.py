"""Difference constraints in which the negative of a dial may stand: what two dials come to when they are added up.

``x <= c - y`` is ``x - (-y) <= c``: with a node for each term and one for its negative, sums are differences again
(*octagons*). A bound on ``2 x`` is rounded down to an even number, and each pair of bounds so found gives one more; the
closure by shortest paths, then that, is exact on integers (R. Bagnara, P. M. Hill and E. Zaffanella, "An improved tight
closure algorithm for integer octagonal constraints", 2008; after A. Miné, "The octagon abstract domain", 2006).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from statecraft.machine import Term

Range = tuple[int, int] | tuple[int, int, int]
"""The least and the greatest value of a term, in its unit's steps; and of what it is a multiple, if not of 1."""

Difference = tuple[Term | None, Term | None, int]
"""``x - y <= c``; None stands for 0."""

_FAR = 1 << 40
"""Further apart than any two terms are."""


def base(term: Term) -> Term:
    """The dial or counter that ``term`` is the negative of; any other term is its own."""
    if term.kind == "minus":
        return Term("dial", term.name)
    return Term("counter", term.name) if term.kind == "minus counter" else term


def solve_sums(differences: Sequence[Difference], ranges: Mapping[Term, Range]) -> dict[Term, int] | None:
    """Integers within ``ranges`` that satisfy ``differences``, negatives of dials among them; None when there are none.

    Only the terms that they mention are given a value.
    """
    terms = list(dict.fromkeys(base(term) for x, y, _ in differences for term in (x, y) if term is not None))
    steps = {(ranges[term][2:] or (1,))[0] for term in terms}
    if len(steps) > 1:
        return _one_by_one(differences, terms, ranges)
    (step,) = steps
    bounds = _Bounds(terms)
    for x, y, c in differences:
        bounds.say(x, y, c // step)
    for term in terms:
        low, high = ranges[term][:2]
        bounds.say(term, None, high // step)
        bounds.say(None, term, -low // step)
    if not bounds.close():
        return None
    found: dict[Term, int] = {}
    for term in terms:
        highest = bounds.highest(term)
        found[term] = highest * step
        bounds.say(None, term, -highest)
        closed = bounds.close()
        assert closed, "each bound of a tight closure is met by some solution"
    return found


def _one_by_one(
    differences: Sequence[Difference], terms: Sequence[Term], ranges: Mapping[Term, Range]
) -> dict[Term, int] | None:
    """The same where terms are multiples of different steps: a dial whose negative stands there is tried value by
    value, until none does.
    """
    from statecraft.proof.engine.conditions import solve

    negative = {base(term) for x, y, _ in differences for term in (x, y) if term is not None and term.kind == "minus"}
    if not negative:
        return solve(differences, ranges)

    def values(term: Term) -> range:
        low, high, *step = ranges[term]
        return range(low, high + 1, step[0] if step else 1)

    chosen = min(negative, key=lambda term: (len(values(term)), term.name))
    for value in values(chosen):
        known: list[Difference] = []
        for x, y, c in differences:
            one, other, more = x, y, c
            if one is not None and base(one) == chosen:
                more -= -value if one.kind == "minus" else value
                one = None
            if other is not None and base(other) == chosen:
                more += -value if other.kind == "minus" else value
                other = None
            known.append((one, other, more))
        if any(one is other is None and more < 0 for one, other, more in known):
            continue
        left = [each for each in known if each[0] is not None or each[1] is not None]
        rest = [term for term in terms if term != chosen]
        found = _one_by_one(left, rest, ranges) if left else {}
        if found is not None:
            for term in rest:
                found.setdefault(term, ranges[term][1])
            return {**found, chosen: value}
    return None


class _Bounds:
    """``v[i] - v[j] <= at[i][j]``, each term at an even place and its negative behind it."""

    def __init__(self, terms: Sequence[Term]) -> None:
        self.places = {term: 2 * number for number, term in enumerate(terms)}
        size = 2 * len(terms)
        self.at = [[0 if i == j else _FAR for j in range(size)] for i in range(size)]

    def place(self, term: Term) -> int:
        return self.places[base(term)] + (term.kind == "minus")

    def say(self, x: Term | None, y: Term | None, c: int) -> None:
        """``x - y <= c``; None stands for 0."""
        i = None if x is None else self.place(x)
        j = None if y is None else self.place(y)
        if i is None:
            i, c = (None if j is None else j ^ 1), 2 * c
        elif j is None:
            j, c = i ^ 1, 2 * c
        if i is None or j is None:
            return
        self.at[i][j] = min(self.at[i][j], c)
        self.at[j ^ 1][i ^ 1] = min(self.at[j ^ 1][i ^ 1], c)

    def close(self) -> bool:
        """The tightest bounds that follow; False where nothing satisfies them."""
        at, size = self.at, range(len(self.at))
        for k in size:
            through = at[k]
            for i in size:
                first, row = at[i][k], at[i]
                for j in size:
                    if first + through[j] < row[j]:
                        row[j] = first + through[j]
        for i in size:
            at[i][i ^ 1] = at[i][i ^ 1] // 2 * 2
        if any(at[i][i] < 0 or at[i][i ^ 1] + at[i ^ 1][i] < 0 for i in size):
            return False
        for i in size:
            for j in size:
                at[i][j] = min(at[i][j], (at[i][i ^ 1] + at[j ^ 1][j]) // 2)
        return True

    def highest(self, term: Term) -> int:
        """The highest that ``term`` can be."""
        place = self.place(term)
        return self.at[place][place ^ 1] // 2


@dataclass(frozen=True, slots=True)
class Classes:
    """The values of a number, and the least of each class of those that are not told apart; None where all are."""

    every: range
    least: Sequence[int] | None = None

    @property
    def starts(self) -> Sequence[int]:
        return self.every if self.least is None else self.least

    def spans(self) -> Iterator[tuple[int, int]]:
        """The least and the greatest of each class."""
        for start, after in zip(self.starts, [*self.starts[1:], self.every[-1] + self.every.step], strict=True):
            yield start, after - self.every.step


def meeting(
    left: Classes, right: Classes, sums: Iterable[int], differences: Iterable[int]
) -> tuple[set[int], set[int]]:
    """Some values of ``left`` and of ``right``: wherever two of the same classes have a sum between two of ``sums`` and
    a difference (``left - right``) between two of ``differences``, so have two of these.

    Both are whole multiples of one step. Where no corner of a rectangle of classes will do, nor what is chosen already,
    the pair with the greatest left value is taken, and of these the one with the least right value.
    """
    step = left.every.step
    chosen: tuple[set[int], set[int]] = (set(), set())
    cells = list(itertools.product(_between(sums, step), _between(differences, step)))
    for (a, b), (c, d) in itertools.product(left.spans(), right.spans()):
        for (least, most), (nearest, furthest) in cells:
            # Of a class of one value nothing else can be chosen: where all are told apart, that is every class.
            xs = [a] if a == b else [a, b, *(x for x in chosen[0] if a <= x <= b)]
            ys = [c] if c == d else [c, d, *(y for y in chosen[1] if c <= y <= d)]
            x = min(b, most - c, furthest + d, (most + furthest) // (2 * step) * step)
            y = max(c, x - furthest, least - x)
            pairs = [*itertools.product(xs, ys), *([(x, y)] if a <= x and y <= d else [])]
            for x, y in pairs:
                if least <= x + y <= most and nearest <= x - y <= furthest:
                    chosen[0].add(x)
                    chosen[1].add(y)
                    break
    return chosen


def _between(cuts: Iterable[int], step: int) -> list[tuple[int, int]]:
    """The stretches of multiples of ``step`` up to the first of ``cuts``, and from each to the next."""
    ends = sorted({cut // step * step for cut in cuts})
    return list(zip([-_FAR * step, *(end + step for end in ends)], [*ends, _FAR * step], strict=True))
