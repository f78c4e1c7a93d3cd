"""What is asked: a condition as it stands in one place of the tick, folded and negated here and nowhere else.

A guard is ``Known``, a test, or ``AllOf``, ``AnyOf`` or ``Negation`` of guards. The tests are the atoms of the
vocabulary that ask about what came from outside, levels, values and modes, and :class:`Reached`, which every test of
time comes to. What the vocabulary says of an atom holds here: a comparison is false while a sensor that it reads is in
fault, and so is its opposite; a negation turns the truth value round.

Guards made by :func:`all_of`, :func:`any_of` and :func:`negation` are folded: nothing known stands inside another
guard, no ``AllOf`` directly in an ``AllOf``, nothing twice, no negation of a negation.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from operator import is_

from statecraft.machine import Compare, Fault, InMode, LevelOn, OutputIs, SwitchOn, Taken
from statecraft.semantics.keys import ClockKey


@dataclass(frozen=True, slots=True)
class Known:
    """True or false, whatever happens."""

    value: bool


@dataclass(frozen=True, slots=True)
class Reached:
    """``clock >= ticks``; ``ticks`` is at least 1."""

    clock: ClockKey
    ticks: int


@dataclass(frozen=True, slots=True)
class Negation:
    """Not ``of``."""

    of: Guard


@dataclass(frozen=True, slots=True)
class AllOf:
    """Every one of two or more guards."""

    of: tuple[Guard, ...]


@dataclass(frozen=True, slots=True)
class AnyOf:
    """At least one of two or more guards."""

    of: tuple[Guard, ...]


Test = Reached | Compare | Fault | SwitchOn | LevelOn | Taken | InMode | OutputIs
Guard = Known | Test | Negation | AllOf | AnyOf

TRUE, FALSE = Known(True), Known(False)


def reached(clock: ClockKey, ticks: int) -> Guard:
    """``clock >= ticks``: known where there is nothing to wait for."""
    return Reached(clock, ticks) if ticks > 0 else TRUE


def negation(of: Guard) -> Guard:
    """Not ``of``."""
    match of:
        case Known(value):
            return FALSE if value else TRUE
        case Negation(inner):
            return inner
        case _:
            return Negation(of)


def all_of(guards: Iterable[Guard]) -> Guard:
    """The conjunction of ``guards``, in order."""
    found: dict[Guard, None] = {}
    for guard in guards:
        if isinstance(guard, Known):
            if not guard.value:
                return FALSE
        elif isinstance(guard, AllOf):
            found |= dict.fromkeys(guard.of)
        else:
            found[guard] = None
    return TRUE if not found else next(iter(found)) if len(found) == 1 else AllOf(tuple(found))


def any_of(guards: Iterable[Guard]) -> Guard:
    """The disjunction of ``guards``, in order."""
    found: dict[Guard, None] = {}
    for guard in guards:
        if isinstance(guard, Known):
            if guard.value:
                return TRUE
        elif isinstance(guard, AnyOf):
            found |= dict.fromkeys(guard.of)
        else:
            found[guard] = None
    return FALSE if not found else next(iter(found)) if len(found) == 1 else AnyOf(tuple(found))


def tests(guard: Guard) -> Iterator[Test]:
    """The tests in ``guard``, left to right, repeats included."""
    match guard:
        case Known():
            return
        case Negation(of):
            yield from tests(of)
        case AllOf(parts) | AnyOf(parts):
            for part in parts:
                yield from tests(part)
        case _:
            yield guard


def replaced(guard: Guard, test: Callable[[Test], Guard]) -> Guard:
    """``guard`` with each of its tests replaced by what ``test`` makes of it, folded anew; the same object where that
    changes nothing."""
    match guard:
        case Known():
            return guard
        case Negation(of):
            made = replaced(of, test)
            return guard if made is of else negation(made)
        case AllOf(parts) | AnyOf(parts):
            inner = [replaced(part, test) for part in parts]
            if all(map(is_, inner, parts)):
                return guard
            return all_of(inner) if isinstance(guard, AllOf) else any_of(inner)
        case _:
            return test(guard)


def holds(guard: Guard, test: Callable[[Test], bool]) -> bool:
    """Whether ``guard`` is true where ``test`` answers its tests."""
    match guard:
        case Known(value):
            return value
        case Negation(of):
            return not holds(of, test)
        case AllOf(parts):
            return all(holds(part, test) for part in parts)
        case AnyOf(parts):
            return any(holds(part, test) for part in parts)
        case _:
            return test(guard)


def implies(one: Guard, other: Guard) -> bool:
    """Whether the form of both shows that ``one`` is true only where ``other`` is; False says nothing."""
    if one in (FALSE, other) or other == TRUE:
        return True
    match one, other:
        case Reached(clock, more), Reached(same, ticks):
            return clock == same and more >= ticks
        case Negation(of), Negation(inner):
            return implies(inner, of)
        case AnyOf(parts), _:
            return all(implies(part, other) for part in parts)
        case _, AllOf(parts):
            return all(implies(one, part) for part in parts)
        case AllOf(parts), AnyOf(others):
            return any(implies(part, other) for part in parts) or any(implies(one, each) for each in others)
        case AllOf(parts), _:
            return any(implies(part, other) for part in parts)
        case _, AnyOf(others):
            return any(implies(one, each) for each in others)
        case _:
            return False
