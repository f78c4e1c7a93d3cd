"""Sets of clock readings, as matrices of bounds on their differences.

A *zone* is the set of all readings of some clocks that keep every bound ``x - y <= d``, where one of the two may be 0.
It is held as the matrix of those bounds, tightened so that every bound is reached by some reading (shortest paths;
D. Dill, "Timing assumptions and verification of finite-state concurrent systems", 1989). Clocks count whole ticks, and
bounds between whole numbers are reached by whole numbers, so nothing is lost by it.

Zones are numbered as they turn up, and every operation remembers what it gave: the same few zones come again under very
many modes, and then a step costs a look-up.
"""

from __future__ import annotations

from collections.abc import Mapping
from operator import le

FREE = 1 << 60
"""No bound."""

Clocks = tuple[str, ...]
"""The clocks of a zone, sorted. Place 0 of the matrix stands for 0, the clocks follow."""

Matrix = tuple[int, ...]
"""Row by row: the entry in row i, column j is the least d known with ``x_i - x_j <= d``."""

Limits = tuple[int, ...]
"""For each clock of a zone, the value from which on nothing tells its readings apart."""


class Zones:
    """The zones that have turned up. A zone is its number; 0 is the zone of no clocks."""

    def __init__(self) -> None:
        self.clocks: list[Clocks] = []
        self.matrix: list[Matrix] = []
        self._numbers: dict[tuple[Clocks, Matrix], int] = {}
        self._after: dict[int, int] = {}
        self._assigned: dict[tuple[int, Clocks, tuple[tuple[str, int], ...]], int] = {}
        self._bounded: dict[tuple[int, str, int, int], int | None] = {}
        self._waited: dict[tuple[int, frozenset[str]], int] = {}
        self._blurred: dict[tuple[int, Limits], int] = {}
        self._both: dict[tuple[int, int], int | None] = {}
        self._without: dict[tuple[int, int], list[int]] = {}
        self._chained: dict[tuple[int, str, tuple[str, ...]], bool] = {}
        self._open: dict[int, frozenset[str]] = {}
        self._joined: dict[tuple[int, int], int | None] = {}
        self.number((), (0,))

    def number(self, clocks: Clocks, matrix: Matrix) -> int:
        """The number of a zone."""
        key = (clocks, matrix)
        found = self._numbers.get(key)
        if found is None:
            found = self._numbers[key] = len(self.matrix)
            self.clocks.append(clocks)
            self.matrix.append(matrix)
        return found

    def point(self, readings: Mapping[str, int]) -> int:
        """The zone of the one reading ``readings``."""
        clocks = tuple(sorted(readings))
        values = [0, *(readings[clock] for clock in clocks)]
        return self.number(clocks, tuple(x - y for x in values for y in values))

    def span(self, zone: int, clock: str) -> tuple[int, int]:
        """The least and the greatest reading of ``clock``; :data:`FREE` for no greatest."""
        matrix, place = self.matrix[zone], self.clocks[zone].index(clock) + 1
        size = len(self.clocks[zone]) + 1
        return -matrix[place], matrix[place * size]

    def after(self, zone: int) -> int:
        """One tick on: every clock has advanced by one."""
        found = self._after.get(zone)
        if found is None:
            matrix = list(self.matrix[zone])
            size = len(self.clocks[zone]) + 1
            for place in range(1, size):
                matrix[place] -= 1
                if matrix[place * size] < FREE:
                    matrix[place * size] += 1
            found = self._after[zone] = self.number(self.clocks[zone], tuple(matrix))
        return found

    def assign(self, zone: int, clocks: Clocks, values: tuple[tuple[str, int], ...]) -> int:
        """The zone of ``clocks``: those in ``values`` stand at what is said there, the others where they stood."""
        key = (zone, clocks, values)
        found = self._assigned.get(key)
        if found is None:
            found = self._assigned[key] = self._assign(zone, clocks, dict(values))
        return found

    def _assign(self, zone: int, clocks: Clocks, values: dict[str, int]) -> int:
        before, matrix = self.clocks[zone], self.matrix[zone]
        if before == clocks and not any(clock in values for clock in clocks):
            return zone
        size = len(before) + 1
        places = [(0, 0)]  # for each new clock: where it stood (0 for one that is set), and what is added to that
        for clock in clocks:
            places.append((0, values[clock]) if clock in values else (before.index(clock) + 1, 0))
        made = []
        for row, more in places:
            for column, less in places:
                bound = matrix[row * size + column]
                made.append(bound + more - less if bound < FREE else FREE)
        return self.number(clocks, tuple(made))

    def bound(self, zone: int, clock: str, low: int, high: int) -> int | None:
        """The part of ``zone`` in which ``low <= clock <= high``; None when that is empty."""
        key = (zone, clock, low, high)
        if key not in self._bounded:
            self._bounded[key] = self._bound(zone, clock, low, high)
        return self._bounded[key]

    def _bound(self, zone: int, clock: str, low: int, high: int) -> int | None:
        least, most = self.span(zone, clock)
        if low > most or high < least:
            return None
        place = self.clocks[zone].index(clock) + 1
        matrix = self.matrix[zone]
        size = len(self.clocks[zone]) + 1
        if high < most:
            matrix = _tightened(matrix, size, place, 0, high)
        if low > least:
            matrix = _tightened(matrix, size, 0, place, -low)
        return self.number(self.clocks[zone], matrix)

    def limit(self, zone: int, clock: str | None, other: str | None, most: int) -> int | None:
        """The part of ``zone`` in which ``clock - other <= most`` (None stands for 0); None when that is empty."""
        row, column = self.place(zone, clock), self.place(zone, other)
        matrix = self.matrix[zone]
        size = len(self.clocks[zone]) + 1
        if most >= matrix[row * size + column]:
            return zone
        back = matrix[column * size + row]
        if back < FREE and most + back < 0:
            return None
        return self.number(self.clocks[zone], _tightened(matrix, size, row, column, most))

    def most(self, zone: int, clock: str | None, other: str | None) -> int:
        """The greatest ``clock - other`` in ``zone`` (None stands for 0); :data:`FREE` for no greatest."""
        size = len(self.clocks[zone]) + 1
        return self.matrix[zone][self.place(zone, clock) * size + self.place(zone, other)]

    def place(self, zone: int, clock: str | None) -> int:
        """The row and column of a clock; 0 for None."""
        return 0 if clock is None else self.clocks[zone].index(clock) + 1

    def wait(self, zone: int, held: frozenset[str]) -> int:
        """All that comes of any number of ticks more: the clocks advance together, but for those ``held`` at 0."""
        key = (zone, held)
        found = self._waited.get(key)
        if found is None:
            clocks, matrix = self.clocks[zone], list(self.matrix[zone])
            size = len(clocks) + 1
            still = [0, *(place for place, clock in enumerate(clocks, 1) if clock in held)]
            for place in range(1, size):
                if place not in still:
                    for other in still:
                        matrix[place * size + other] = FREE
            found = self._waited[key] = self.number(clocks, tuple(matrix))
        return found

    def younger(self, zone: int, clocks: frozenset[str]) -> int:
        """``zone`` with every smaller reading of each of ``clocks``, all else equal."""
        names = self.clocks[zone]
        size = len(names) + 1
        matrix = list(self.matrix[zone])
        places = [place for place, clock in enumerate(names, 1) if clock in clocks]
        for place in places:
            for other in range(size):
                if other != place:
                    matrix[other * size + place] = matrix[other * size]
        return self.number(names, tuple(matrix))

    def chained(self, zone: int, first: str, others: tuple[str, ...]) -> bool:
        """Whether ``zone`` has, all else equal, every smaller reading of ``first`` and ``others`` in which ``first`` is
        the smallest of them."""
        key = (zone, first, others)
        found = self._chained.get(key)
        if found is None:
            made: int | None = self.younger(zone, frozenset([first, *others]))
            for other in others:
                made = None if made is None else self.limit(made, first, other, 0)
            found = self._chained[key] = made == zone
        return found

    def unhurried(self, zone: int, clock: str) -> int:
        """``zone`` with every later reading of ``clock``, all else equal."""
        place = self.clocks[zone].index(clock) + 1
        size = len(self.clocks[zone]) + 1
        matrix = list(self.matrix[zone])
        for other in range(size):
            if other != place:
                matrix[place * size + other] = FREE
        return self.number(self.clocks[zone], tuple(matrix))

    def extrapolate(self, zone: int, limits: Limits) -> int:
        """``zone``, with readings added that nothing tells from ones that are in it.

        A clock ``x`` is only ever asked whether ``x >= c`` with ``c <= M``, its limit, until it is next set to 0; so
        two readings of all clocks that agree wherever either stands below its limit lead to the same steps for ever.
        A clock that is at its limit or beyond in all of ``zone`` is let go from there on: every reading that this adds
        agrees with one that was there. Then where a bound ``x - y <= d`` has ``d >= M_x`` it is dropped, and where
        ``d < -M_y`` it becomes ``-M_y``. Whatever this adds agrees, in that sense, with a reading that was there
        already: seek one with the same values
        where ``v`` is below its limits, and any value from the limit on where it is not. Those are bounds on
        differences again, so if there is none, a cycle through 0 is negative: ``low_i > d_ij + v_j`` for a clock ``j``
        below its limit, where ``low_i`` is ``v_i``, or ``M_i`` if ``v_i >= M_i``. Was ``d_ij`` dropped, then
        ``d_ij >= M_i >= low_i``; was it raised, then ``v_i - v_j <= -M_j`` and ``j`` is not below its limit; was it
        kept, then ``v_i <= d_ij + v_j``. None can be. (The idea is that of J. Bengtsson and W. Yi, "Timed automata:
        semantics, algorithms and tools", 2004, here for whole ticks and tests ``>=`` alone.)

        Only finitely many zones are left, so that exploration ends.
        """
        key = (zone, limits)
        found = self._blurred.get(key)
        if found is None:
            found = self._blurred[key] = self._blur(zone, limits)
        return found

    def _blur(self, zone: int, limits: Limits) -> int:
        clocks, matrix = self.clocks[zone], list(self.matrix[zone])
        size = len(clocks) + 1
        before = tuple(matrix)
        for place, limit in enumerate(limits, 1):
            if -matrix[place] >= limit:
                for other in range(size):
                    if other != place:
                        matrix[place * size + other] = matrix[other * size + place] = FREE
                matrix[place] = -limit
        for row in range(size):
            limit = limits[row - 1] if row else FREE
            for column in range(size):
                at = row * size + column
                bound = matrix[at]
                if row == column or bound >= FREE:
                    continue
                if bound >= limit:
                    matrix[at] = FREE
                elif column and bound < -limits[column - 1]:
                    matrix[at] = -limits[column - 1]
        return zone if tuple(matrix) == before else self.number(clocks, _closed(matrix, size))

    # ------------------------------------------------------------------------------------------------------- backwards

    def earlier(self, zone: int, ticks: int) -> int | None:
        """The readings that are in ``zone`` after ``ticks`` ticks; None when there are none."""
        names, matrix = self.clocks[zone], list(self.matrix[zone])
        size = len(names) + 1
        made: int | None = zone
        for clock in names:
            if made is not None:
                made = self.bound(made, clock, ticks, FREE)
        if made is None:
            return None
        matrix = list(self.matrix[made])
        for place in range(1, size):
            matrix[place] += ticks
            if matrix[place * size] < FREE:
                matrix[place * size] -= ticks
        return self.number(names, tuple(matrix))

    def past(self, zone: int) -> int:
        """The readings that are in ``zone`` after some number of ticks, 0 too."""
        names, matrix = self.clocks[zone], list(self.matrix[zone])
        size = len(names) + 1
        for place in range(1, size):
            matrix[place] = 0
        return self.number(names, _closed(matrix, size))

    def among(self, zone: int, clocks: Clocks) -> int:
        """``zone`` as one of ``clocks``: those that it does not have are at any reading, those it has beside are left
        out."""
        names, matrix = self.clocks[zone], self.matrix[zone]
        size = len(names) + 1
        places = [0, *(names.index(clock) + 1 if clock in names else None for clock in clocks)]
        made = []
        for i, row in enumerate(places):
            for j, column in enumerate(places):
                if i == j:
                    made.append(0)
                elif row is None:
                    made.append(FREE)
                else:
                    made.append(matrix[row * size + (column or 0)])
        return self.number(clocks, tuple(made))

    def both(self, zone: int, other: int) -> int | None:
        """The readings in both; None when there are none."""
        key = (zone, other)
        if key not in self._both:
            first, second = self.matrix[zone], self.matrix[other]
            size = len(self.clocks[zone]) + 1
            made: Matrix | None = first
            for place, bound in enumerate(second):
                row, column = divmod(place, size)
                if made is not None and bound < made[place]:
                    opposite = made[column * size + row]
                    made = (
                        None if opposite < FREE and bound + opposite < 0 else _tightened(made, size, row, column, bound)
                    )
            self._both[key] = None if made is None else self.number(self.clocks[zone], made)
        return self._both[key]

    def without(self, zone: int, other: int) -> list[int]:
        """What is in ``zone`` and not in ``other``, as zones that do not overlap."""
        found = self._without.get((zone, other))
        if found is None:
            found = []
            matrix: Matrix | None = self.matrix[zone]
            size = len(self.clocks[zone]) + 1
            for place, bound in enumerate(self.matrix[other]):
                row, column = divmod(place, size)
                if matrix is None or bound >= matrix[place]:
                    continue
                back = matrix[column * size + row]
                if back >= FREE or -bound - 1 + matrix[place] >= 0:
                    found.append(self.number(self.clocks[zone], _tightened(matrix, size, column, row, -bound - 1)))
                matrix = None if back < FREE and bound + back < 0 else _tightened(matrix, size, row, column, bound)
            self._without[zone, other] = found
        return found

    # ----------------------------------------------------------------------------------------------------- comparisons

    def within(self, zone: int, other: int) -> bool:
        """Whether every reading in ``zone`` is in ``other``; both have the same clocks."""
        return zone == other or all(map(le, self.matrix[zone], self.matrix[other]))

    def apart(self, zone: int, other: int) -> bool:
        """Whether some clock's readings in the one all lie before those in the other, with some between: then neither
        lies in the other, and both together are no zone."""
        one, two = self.matrix[zone], self.matrix[other]
        size = len(self.clocks[zone]) + 1
        for place in range(1, size):
            at = place * size
            if one[at] + 1 < -two[place] or two[at] + 1 < -one[place]:
                return True
        return False

    def around(self, zone: int, other: int) -> int:
        """The least zone around both, of the same clocks: the looser of each two bounds, which are as tight as can be,
        since those that they are the looser of were."""
        return self.number(self.clocks[zone], tuple(map(max, self.matrix[zone], self.matrix[other])))

    def joined(self, zone: int, other: int) -> int | None:
        """The one zone that is both together; None when there is none (their union is not a zone).

        The only candidate is the least zone around both: the looser of each two bounds. It is their union if whatever
        in it breaks a bound of the first lies in the second (A. David, "Merging DBMs efficiently", 2005).
        """
        key = (zone, other) if zone < other else (other, zone)
        if key not in self._joined:
            self._joined[key] = self._join(*key)
        return self._joined[key]

    def _join(self, zone: int, other: int) -> int | None:
        first, second = self.matrix[zone], self.matrix[other]
        size = len(self.clocks[zone]) + 1
        around = tuple(map(max, first, second))
        for row in range(size):
            for column in range(size):
                bound = first[row * size + column]
                if bound == around[row * size + column]:
                    continue
                if -bound - 1 + around[row * size + column] < 0:
                    continue
                beyond = _tightened(around, size, column, row, -bound - 1)
                if any(mine > theirs for mine, theirs in zip(beyond, second, strict=True)):
                    return None
        return self.number(self.clocks[zone], around)


def _tightened(matrix: Matrix, size: int, row: int, column: int, bound: int) -> Matrix:
    """``matrix`` with ``x_row - x_column <= bound`` added, and every other bound that this tightens."""
    made = list(matrix)
    _by_way_of(made, size, row, column, bound)
    return tuple(made)


def _closed(matrix: list[int], size: int) -> Matrix:
    """The tightest bounds that follow (R. Floyd, "Algorithm 97: shortest path", 1962)."""
    for middle in range(size):
        _by_way_of(matrix, size, middle, middle, 0)
    return tuple(matrix)


def _by_way_of(matrix: list[int], size: int, row: int, column: int, bound: int) -> None:
    """Tighten, in place, what follows from the bounds up to ``row``, ``bound``, and those from ``column`` on."""
    start = column * size
    out = [(j, bound + way) for j, way in enumerate(matrix[start : start + size]) if way < FREE]
    for i, reach in enumerate(matrix[row::size]):
        if reach < FREE:
            start = i * size
            for j, way in out:
                if reach + way < matrix[start + j]:
                    matrix[start + j] = reach + way
