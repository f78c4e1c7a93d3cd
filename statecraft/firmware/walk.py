"""The longest way through a program's instructions, by what their values can be.

Instructions are carried out on sets: a register, or a byte of memory, holds one of the values of a set. A branch that
its operand decides is followed one way only; where it may go both ways, each goes on with what that way has shown of
the operand, and of every register and byte that holds the same. So what excludes each other, two modes, two commands,
a reading that is valid and one that is in fault, is never added up; and a loop goes round as often as its counter can.

What was known and is not asked again is forgotten, so that ways meet again; the longest of those that meet is kept.
Nothing is assumed but the ``facts`` that a caller gives: bytes that hold only some values when the function is called.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from heapq import heappop, heappush

from statecraft.firmware.bounds import BRANCHES, CALLS, CompiledFunction, Disassembly, Instruction, NoBound, plain

FULL = (1 << 256) - 1
"""The set of all values of a byte: bit n stands for n."""

STACK = 0xDFFF
"""Where the stack is taken to begin: no chip of the family has memory there, so nothing else does."""

ARGUMENT = 0xF000
"""Where what the function is given a reference to is taken to be."""

C, Z, N, V, S = 1, 2, 4, 8, 16
"""The bits of the status register that branches ask about; H and T are left out."""

_MOST_PAIRS = 2048
_MOST_PLACES = 64
_PATIENCE = 300

Source = tuple[int, bytes] | None
"""The address of a byte, and what stands in a register for each of its 256 values; None: nobody's."""

Flags = tuple[int, bytes] | int | None
"""Likewise; or the set of the flags that can be, bit n standing for n; None: any flags."""

IDENTITY = bytes(range(256))

Ways = tuple[int, ...]
"""The return addresses of the calls that a place is in; below 0, ``~n``: on the way to the place n of a table."""

Node = tuple[int, Ways]


_STRAIGHT = 200_000
"""Instructions on which no ways part, one after the other, after which it is a loop without an end."""


class TooMany(NoBound):
    """There are too many different ways; fewer bytes to follow would make fewer."""


class _Widened(Exception):
    """A byte is given a value that the facts rule out: they are less, and all begins anew."""


def only(value: int) -> int:
    """The set of one value."""
    return 1 << (value & 255)


def span(low: int, high: int) -> int:
    """The set of ``low`` to ``high``, both included, as bytes."""
    return FULL if high - low >= 255 else sum(only(value) for value in range(low, high + 1))


def is_one(values: int) -> bool:
    """Whether a set has one value."""
    return values & (values - 1) == 0


def one(values: int) -> int:
    """The value of a set of one."""
    return values.bit_length() - 1


def each(values: int) -> Iterator[int]:
    """The values of a set."""
    while values:
        lowest = values & -values
        yield lowest.bit_length() - 1
        values ^= lowest


# -------------------------------------------------------------------------------------------------------- arithmetic


def _sum(a: int, b: int, carry: int, zero: int) -> tuple[int, int]:
    whole = a + b + carry
    r = whole & 255
    return r, _signs(r, (a & b & ~r | ~a & ~b & r) >> 7 & 1, whole >> 8, zero)


def _difference(a: int, b: int, carry: int, zero: int) -> tuple[int, int]:
    r = a - b - carry & 255
    return r, _signs(r, (a & ~b & ~r | ~a & b & r) >> 7 & 1, int(a < b + carry), zero)


def _signs(r: int, v: int, c: int, zero: int) -> int:
    n = r >> 7
    return C * c | (Z if r == 0 and zero else 0) | N * n | V * v | S * (n ^ v)


def _worked(name: str, a: int, b: int, flags: int) -> tuple[int, int]:
    """The result and the flags of one instruction on two numbers (AVR Instruction Set Manual, DS40002198)."""
    carry = flags & C
    match name:
        case "add":
            return _sum(a, b, 0, 1)
        case "adc":
            return _sum(a, b, carry, 1)
        case "adc16":  # the higher half of adiw, whose Z is about both
            return _sum(a, b, carry, flags & Z)
        case "sub" | "subi" | "cp" | "cpi":
            return _difference(a, b, 0, 1)
        case "sbc" | "sbci" | "cpc":
            return _difference(a, b, carry, flags & Z)
        case "and" | "andi":
            return a & b, _signs(a & b, 0, carry, 1)
        case "or" | "ori":
            return a | b, _signs(a | b, 0, carry, 1)
        case "eor":
            return a ^ b, _signs(a ^ b, 0, carry, 1)
        case "com":
            return ~a & 255, _signs(~a & 255, 0, 1, 1)
        case "neg":
            r = -a & 255
            return r, _signs(r, int(r == 0x80), int(r != 0), 1)
        case "inc":
            r = a + 1 & 255
            return r, _signs(r, int(r == 0x80), carry, 1)
        case "dec":
            r = a - 1 & 255
            return r, _signs(r, int(r == 0x7F), carry, 1)
        case "lsr" | "ror" | "asr":
            r = a >> 1 | {"lsr": 0, "ror": carry << 7, "asr": a & 128}[name]
            return r, _signs(r, r >> 7 ^ a & 1, a & 1, 1)
        case "swap":
            return (a << 4 | a >> 4) & 255, flags
    raise AssertionError(name)


_ON_CARRY, _ON_FLAGS = frozenset({"adc", "ror"}), frozenset({"adc16", "sbc", "sbci", "cpc"})
"""Whose result asks for the carry before; whose Z asks for the one before, too."""

_SIGNED = {"mul": (False, False), "muls": (True, True), "mulsu": (True, False)}
"""Which operands of a product have a sign."""

_FORGETS = frozenset({"eor", "sub", "sbc", "cp", "cpc"})
"""Which come to the same for any register with itself."""

_KEEPS_CARRY = frozenset({"and", "andi", "or", "ori", "eor", "inc", "dec"})
"""Which leave the carry as it was."""


@lru_cache(maxsize=50_000)
def _by_values(name: str, a: bytes, b: bytes, flags: bytes) -> tuple[bytes, bytes]:
    """An instruction whose operands all follow from one byte: the result and the flags by its value."""
    results, made = bytearray(256), bytearray(256)
    for value in range(256):
        results[value], made[value] = _worked(name, a[value], b[value], flags[value])
    return bytes(results), bytes(made)


@lru_cache(maxsize=50_000)
def _by_sets(name: str, a: int, b: int, flags: int) -> tuple[int, int] | None:
    """Results and flags where operands may be any of their sets; None: too many to try."""
    if a.bit_count() * b.bit_count() * flags.bit_count() > _MOST_PAIRS:
        return None
    results = found = 0
    for old in each(flags):
        for x in each(a):
            for y in each(b):
                r, f = _worked(name, x, y, old)
                results |= 1 << r
                found |= 1 << f
    return results, found


@lru_cache(maxsize=50_000)
def _image(domain: int, values: bytes) -> int:
    found = 0
    for value in each(domain):
        found |= 1 << values[value]
    return found


@lru_cache(maxsize=50_000)
def _leading_to(domain: int, values: bytes, wanted: int) -> int:
    """The values of ``domain`` that lead to one of ``wanted``."""
    return sum(1 << value for value in each(domain) if wanted >> values[value] & 1)


@lru_cache(maxsize=512)
def _constant(value: int) -> bytes:
    return bytes([value]) * 256


# ------------------------------------------------------------------------------------------------------------- state


class _State:
    """What is known at a place: registers, what they follow from, flags, the stack pointer, bytes of memory.

    ``memory`` has the values of the bytes that are followed, and of those that some register or the flags follow from.
    The carry is apart from the other flags, since some instructions leave it as it was. ``kept``: the flag T, as a set.
    """

    __slots__ = ("carry", "flags", "kept", "memory", "registers", "sources", "sp")

    def __init__(
        self,
        registers: list[int],
        sources: list[Source],
        flags: Flags,
        carry: Flags,
        kept: int,
        sp: int,
        memory: dict[int, int],
    ) -> None:
        self.registers, self.sources, self.sp, self.memory = registers, sources, sp, memory
        self.flags, self.carry, self.kept = flags, carry, kept

    def copy(self) -> _State:
        return _State(self.registers[:], self.sources[:], self.flags, self.carry, self.kept, self.sp, dict(self.memory))

    def pair(self, low: int) -> list[int] | None:
        """The numbers that two registers can make; None where they are many."""
        a, b = self.sources[low], self.sources[low + 1]
        if a is not None and b is not None and a[0] == b[0]:
            return sorted({a[1][value] | b[1][value] << 8 for value in each(self.memory[a[0]])})
        first, second = self.registers[low], self.registers[low + 1]
        if first.bit_count() * second.bit_count() > _MOST_PLACES:
            return None
        return [x | y << 8 for y in each(second) for x in each(first)]

    def put(self, register: int, values: int, source: Source = None) -> None:
        self.registers[register], self.sources[register] = values, source

    def narrowed(self, address: int, values: int) -> bool:
        """That the byte at ``address`` is one of ``values``; whether that can be."""
        left = self.memory[address] & values
        if not left:
            return False
        self.memory[address] = left
        for register, source in enumerate(self.sources):
            if source is not None and source[0] == address:
                self.registers[register] = _image(left, source[1])
        return True

    def forget(self, address: int) -> None:
        """The byte at ``address`` is written: nothing follows from it any more."""
        for register, source in enumerate(self.sources):
            if source is not None and source[0] == address:
                self.sources[register] = None
        if isinstance(self.flags, tuple) and self.flags[0] == address:
            self.flags = _image(self.memory[address], self.flags[1])
        if isinstance(self.carry, tuple) and self.carry[0] == address:
            self.carry = _image(self.memory[address], self.carry[1])


@dataclass
class _Seen:
    """What the first walk has seen of a node: where it leads, the registers and bytes that it reads and writes."""

    after: dict[Node, None]
    reads: int = 0
    writes: int = 0
    places: set[int] | None = None
    """Bytes that it may read; None: any."""
    ends: bool = False
    """It is where the function returns."""


_Key = tuple[Node, tuple[int, ...], tuple[Source, ...], Flags, Flags, int, int, tuple[tuple[int, int], ...]]
"""A place and what is known there."""


_Call = tuple[int, tuple[int, ...], int, bool]
"""A function, the registers that it is given, those that are asked behind it, and whether its ways were followed."""

_Outcome = tuple[int, tuple[int, ...]]
"""Its cycles, and the registers behind it."""

Calls = dict[_Call, _Outcome]
"""What calls have come to that ask nothing of memory."""


@dataclass
class _Frame:
    """A place and state on the way: what is left to try, the cost of what is being tried, the best so far."""

    key: _Key
    left: list[tuple[Node | None, _State, int]]
    cost: int = 0
    best: int = 0
    next: _Key | None = None

    def offer(self, cycles: int, key: _Key | None) -> None:
        if self.cost + cycles > self.best:
            self.best, self.next = self.cost + cycles, key


_FLAGS, _CARRY, _KEPT = 32, 33, 34
"""The bits of the flags, of the carry and of the flag T beside those of the registers."""

_BOTH = 1 << _FLAGS | 1 << _CARRY


class Walk:
    """Longest ways through functions of ``program``.

    Args:
        facts: what bytes of memory can hold when a function is called, by address; all values if not said.
        followed: the addresses whose bytes are followed; of others each reading may give any of their ``facts``.
        most: different places and states after which it gives up.
        calls: what calls have come to that ask nothing of memory; walks of one program may share it.
    """

    def __init__(
        self,
        program: Disassembly,
        facts: Mapping[int, int],
        followed: Collection[int] | None,
        most: int = 60_000,
        calls: Calls | None = None,
    ) -> None:
        self.program, self.most = program, most
        self.calls: Calls = {} if calls is None else calls
        self.spent = 0  # places and states of walks through calls
        self.wanted = 0  # registers that are asked when the function has returned
        self.end: _State | None = None  # what is known then
        self.facts = dict(facts)
        self.followed = None if followed is None else frozenset(followed)
        self.code = program.code
        self.bytes = 3 if program.wide else 2
        self.chosen: dict[_Key, _Key | None] = {}
        self.seen: dict[Node, _Seen] = {}
        self.live: dict[Node, tuple[int, frozenset[int] | None]] = {}

    def longest(self, function: CompiledFunction) -> int:
        """The most cycles from the first instruction of ``function`` to its return, given a reference in r24, r25.

        Raises:
            NoBound: a loop whose rounds depend on what is not known, recursion, an instruction that is not known.
            TooMany: more than ``most`` ways.
        """
        registers: list[int] = [FULL] * 32
        registers[1] = only(0)
        registers[24], registers[25] = only(ARGUMENT), only(ARGUMENT >> 8)
        return self._from(function, _State(registers, [None] * 32, None, None, 3, STACK, {}))

    def _from(self, function: CompiledFunction, given: _State) -> int:
        """:meth:`longest`, from what is known at the start."""
        while True:
            self.seen, self.live, self.chosen, self.end = {}, {}, {}, None
            start = given.copy()
            self._look_around(function, start)
            self._liveness()
            self.end = None
            with suppress(_Widened):
                return self._longest((function.address, ()), start)

    # ------------------------------------------------------------------------------------------- the first look around

    def _look_around(self, function: CompiledFunction, start: _State) -> None:
        """One state a node, joined with all that lead there: where each leads, and what it reads."""
        first: Node = (function.address, ())
        at: dict[Node, _State] = {first: start}
        sole: dict[Node, Node | None] = {first: None}
        visits: dict[Node, int] = {}
        waiting, queued = [(_order(first), first)], {first}
        while waiting:
            node = heappop(waiting)[1]
            queued.discard(node)
            visits[node] = visits.get(node, 0) + 1
            seen = self.seen.setdefault(node, _Seen({}, places=set()))
            found = self._step(node, at[node].copy(), seen)
            both = len({after for after, _, _ in found}) < len(found)
            for after, state, _ in found:
                if after is None:
                    seen.ends = True
                    self._ended(state)
                    continue
                seen.after[after] = None
                if after not in at:
                    at[after], sole[after] = state, None if both else node
                elif sole[after] == node:
                    at[after] = state  # nothing else leads there
                else:
                    sole[after] = None
                    if not self._joined(at[after], state, visits.get(after, 0) > _PATIENCE):
                        continue
                if after not in queued:
                    queued.add(after)
                    heappush(waiting, (_order(after), after))
            if len(self.seen) > self.most or visits[node] > 20 * _PATIENCE:
                raise TooMany(f"too many ways in {plain(function.name)}")

    def _ended(self, state: _State) -> None:
        if self.end is None:
            self.end = state
        else:
            self._joined(self.end, state, False)

    def _joined(self, here: _State, other: _State, hurry: bool) -> bool:
        """Make ``here`` hold for ``other``, too; whether that changed it."""
        if here.sp != other.sp:
            raise NoBound("the stack differs between ways that meet")
        was = here.registers[:], here.sources[:], here.flags, here.carry, here.kept, dict(here.memory)
        here.kept |= other.kept
        for register in range(32):
            if here.sources[register] != other.sources[register]:
                here.sources[register] = None
            both = here.registers[register] | other.registers[register]
            here.registers[register] = FULL if hurry and both != here.registers[register] else both
        here.flags = here.flags if here.flags == other.flags else None
        here.carry = here.carry if here.carry == other.carry else None
        for address, values in list(here.memory.items()):
            more = other.memory.get(address)
            if more is None:
                del here.memory[address]
            elif more | values != values:
                here.memory[address] = more | values | (self._given(address) if hurry else 0)
        for register, source in enumerate(here.sources):
            if source is not None:
                here.registers[register] = _image(here.memory[source[0]], source[1])
        return was != (here.registers, here.sources, here.flags, here.carry, here.kept, here.memory)

    def _liveness(self) -> None:
        """Which registers, and which followed bytes, something may read behind each node before it is written."""
        before: dict[Node, list[Node]] = {node: [] for node in self.seen}
        for node, seen in self.seen.items():
            for after in seen.after:
                before[after].append(node)
        registers: dict[Node, int] = dict.fromkeys(self.seen, 0)
        places: dict[Node, frozenset[int] | None] = dict.fromkeys(self.seen, frozenset())
        waiting = list(self.seen)
        queued = set(waiting)
        while waiting:
            node = waiting.pop()
            queued.discard(node)
            seen = self.seen[node]
            out = self.wanted if seen.ends else 0
            reads: frozenset[int] | None = frozenset()
            for after in seen.after:
                out |= registers[after]
                more = places[after]
                reads = None if reads is None or more is None else reads | more
            live = out & ~seen.writes | seen.reads
            if seen.places is None:
                reads = None
            elif reads is not None:
                reads = reads | seen.places
            if live != registers[node] or reads != places[node]:
                registers[node], places[node] = live, reads
                for each_before in before[node]:
                    if each_before not in queued:
                        queued.add(each_before)
                        waiting.append(each_before)
        self.live = {node: (registers[node], places[node]) for node in self.seen}
        self.meets = {node for node, ways in before.items() if len(ways) > 1}

    # ------------------------------------------------------------------------------------------------ the longest way

    def _key(self, node: Node, state: _State) -> _Key:
        """The node and what is known and will be asked; all else is forgotten in ``state``."""
        registers, places = self.live[node]
        for register in range(32):
            if not registers >> register & 1:
                state.registers[register], state.sources[register] = FULL, None
            elif is_one(state.registers[register]):
                state.sources[register] = None
        if not registers >> _FLAGS & 1:
            state.flags = None
        if not registers >> _CARRY & 1:
            state.carry = None
        if not registers >> _KEPT & 1:
            state.kept = 3
        used = {source[0] for source in state.sources if source is not None}
        used |= {flags[0] for flags in (state.flags, state.carry) if isinstance(flags, tuple)}
        for address, values in list(state.memory.items()):
            if address in used:
                continue
            asked = places is None or address in places
            if not asked or not self._is_followed(address) or values == self._given(address):
                del state.memory[address]
        memory = tuple(sorted(state.memory.items()))
        registers_, sources = tuple(state.registers), tuple(state.sources)
        return node, registers_, sources, state.flags, state.carry, state.kept, state.sp, memory

    def _longest(self, node: Node, start: _State) -> int:
        """The longest way of each place and state that is met, each looked at once, deepest first."""
        known: dict[_Key, int] = {}
        first = self._key(node, start)
        open_ = {first}
        frames = [_Frame(first, self._ways(node, start))]
        while True:
            here = frames[-1]
            if not here.left:
                known[here.key] = here.best
                self.chosen[here.key] = here.next
                open_.discard(here.key)
                frames.pop()
                if not frames:
                    return here.best
                frames[-1].offer(here.best, here.key)
                continue
            after, state, here.cost = here.left.pop()
            if after is None:
                self._ended(state)
                here.offer(0, None)
                continue
            if after not in self.live:
                continue  # the first look around, which keeps more in mind, has seen that nothing leads there
            key = self._key(after, state)
            if key in known:
                here.offer(known[key], key)
            elif key in open_:
                raise NoBound(f"a loop in {plain(self.program.inside(after[0]).name)}")
            elif len(known) + len(frames) + self.spent > self.most:
                raise TooMany(f"more than {self.most:,} ways, most of them in {self._crowd(known)}")
            else:
                open_.add(key)
                frames.append(_Frame(key, self._ways(after, state)))

    def _crowd(self, known: Collection[_Key]) -> str:
        """The function that the most of the ways are in."""
        met = Counter(key[0][0] for key in known)
        inside: Counter[str] = Counter()
        for address, times in met.items():
            inside[plain(self.program.inside(address).name)] += times
        return inside.most_common(1)[0][0]

    def _ways(self, node: Node, state: _State) -> list[tuple[Node | None, _State, int]]:
        """On to the next node at which ways part or meet."""
        total = 0
        for _ in range(_STRAIGHT):
            found = self._step(node, state, None)
            if len(found) != 1 or found[0][0] is None or found[0][0] in self.meets:
                return [(after, each_state, total + cost) for after, each_state, cost in found]
            node, state = found[0][0], found[0][1]
            total += found[0][2]
        raise NoBound(f"a loop in {plain(self.program.inside(node[0]).name)}")

    # ------------------------------------------------------------------------------------------------ one instruction

    def _step(self, node: Node, s: _State, seen: _Seen | None) -> list[tuple[Node | None, _State, int]]:
        """What one instruction does: the nodes that it may lead to, with what is known there, and its cycles."""
        address, ways = node
        i = self.code.get(address)
        if i is None:
            raise NoBound(f"the program leads to 0x{address:x}, where nothing is")
        after = address + i.size
        name = i.name
        wide = self.program.wide
        if name in BRANCHES:
            return self._branch(i, ways, s, seen)
        ops = i.registers
        match name:
            case "ret" | "reti":
                cost = 5 if wide else 4
                if not ways:
                    return [(None, s, cost)]
                s.sp += self.bytes
                self._drop(s)
                return [((ways[-1], ways[:-1]), s, cost)]
            case "call" | "rcall":
                cost = (4 if name == "call" else 3) + wide
                s.sp -= self.bytes
                if name == "rcall" and i.target == after:
                    return [((after, ways), s, cost)]
                if i.target is None:
                    raise NoBound(f"{plain(self.program.inside(address).name)} calls through a pointer")
                if i.target == 0:
                    s.sp += self.bytes
                    return [((after, ways), s, cost)]
                if after in ways and len(ways) > 40:
                    raise NoBound(f"{plain(self.program.inside(address).name)} calls itself")
                if self.program.in_registers(i.target):
                    s.sp += self.bytes
                    return [((after, ways), s, cost + self._there_and_back(i.target, (after, ways), s, seen))]
                return self._into(i.target, (*ways, after), s, cost, seen)
            case "rjmp" | "jmp":
                if i.target is None:
                    raise NoBound(f"a jump in {plain(self.program.inside(address).name)}")
                return self._into(i.target, ways, s, 3 if name == "jmp" else 2, seen)
            case "ijmp" | "eijmp":
                _note(seen, 3 << 30, 0)
                places = s.pair(30)
                if places is None:
                    raise NoBound(f"a jump through a pointer in {plain(self.program.inside(address).name)}")
                if ways and ways[-1] < 0:  # a place of a table, which was walked by itself
                    ways = ways[:-1]
                return [((place * 2, ways), s.copy(), 2) for place in places]
            case "icall" | "eicall":
                s.sp -= self.bytes
                cost = CALLS[name] + (wide and name == "icall")
                targets = self.program.pointed_to(i)
                if not targets:
                    raise NoBound(f"{plain(self.program.inside(address).name)} calls through a pointer")
                return [((each_.address, (*ways, after)), s.copy(), cost) for each_ in targets]
            case "cpse" | "sbrc" | "sbrs" | "sbic" | "sbis":
                return self._skip(i, ways, s, seen)
        if seen is None and name == "lds" and self.followed is not None and i.number in self.followed:
            held = s.memory.get(i.number, self._given(i.number))
            if not is_one(held):
                return [found for value in each(held) for found in self._step(node, _holding(s, i.number, value), seen)]
        return [((after, ways), s, self._plain(i, ops, s, seen))]

    def _there_and_back(self, target: int, after: Node, s: _State, seen: _Seen | None) -> int:
        """Through a function that works in registers alone, as if it were one instruction; its cycles.

        Else it would be walked once for each state of its caller, which is nothing to it.
        """
        reads, writes = self._effects(target)
        _note(seen, reads, writes)
        wanted = writes if seen is not None else writes & self.live[after][0]
        given = [values if reads >> register & 1 else FULL for register, values in enumerate(s.registers)]
        call = target, tuple(given), wanted, seen is None
        if call not in self.calls:
            inner = Walk(self.program, {}, (), self.most, self.calls)
            inner.wanted = wanted
            function = self.program.at(target)
            start = _called_with(given, reads)
            if seen is None:
                cycles = inner._from(function, start)
                self.spent += len(inner.chosen) + inner.spent
            else:
                inner._look_around(function, start)
                cycles = 0
            end = inner.end
            self.calls[call] = cycles, tuple(end.registers) if end is not None else (FULL,) * 32
        cycles, results = self.calls[call]
        for register, values in enumerate(results):
            if writes >> register & 1:
                s.put(register, values if wanted >> register & 1 else FULL)
        s.flags = s.carry = None
        s.kept = 3
        return cycles

    def _effects(self, target: int) -> tuple[int, int]:
        """The registers that a function may read before it writes them, and those that it may write."""
        call = target, (), 0, False
        if call not in self.calls:
            inner = Walk(self.program, {}, (), self.most, self.calls)
            inner._look_around(self.program.at(target), _called_with([FULL] * 32, 0))
            writes = 0
            for seen in inner.seen.values():
                writes |= seen.writes
            inner.wanted = writes  # what it writes on some ways only is, on others, what it was
            inner._liveness()
            self.calls[call] = inner.live[(target, ())][0], (writes | _BOTH | 1 << _KEPT,)
        reads, (writes,) = self.calls[call]
        return reads, writes

    def _into(
        self, target: int, ways: Ways, s: _State, cost: int, seen: _Seen | None
    ) -> list[tuple[Node | None, _State, int]]:
        """To ``target``; into the helper that jumps by a table once for each place in the table."""
        if target not in self.program.tablejumps:
            return [((target, ways), s, cost)]
        _note(seen, 3 << 30, 0)
        source = s.sources[30]
        found: list[tuple[Node | None, _State, int]] = []
        for value in each(s.registers[30] if source is None else s.memory[source[0]]):
            other = s.copy()
            if source is None:
                other.put(30, only(value))
            else:
                other.narrowed(source[0], only(value))
            place = other.registers[30].bit_length() - 1 | (other.registers[31].bit_length() - 1) << 8
            found.append(((target, (*ways, ~place)), other, cost))
        return found

    def _drop(self, s: _State) -> None:
        """What is below the stack pointer is nobody's."""
        for address in [address for address in s.memory if 0xD000 < address <= s.sp]:
            s.forget(address)
            del s.memory[address]

    def _branch(
        self, i: Instruction, ways: Ways, s: _State, seen: _Seen | None
    ) -> list[tuple[Node | None, _State, int]]:
        if i.name in ("brts", "brtc"):
            return self._on_kept(i, ways, s, seen)
        bit, wanted = _CONDITIONS.get(i.name, (0, True))
        _note(seen, 1 << (_CARRY if bit == C else _FLAGS), 0)
        before = s.carry if bit == C else s.flags
        after = i.address + i.size
        if i.target is None:
            raise NoBound(f"a branch at 0x{i.address:x} leads nowhere")
        both: list[tuple[int, int, bool]] = [(i.target, 2, True), (after, 1, False)]
        if before is None or not bit:
            return [((place, ways), s.copy(), cost) for place, cost, _ in both]
        found: list[tuple[Node | None, _State, int]] = []
        for place, cost, taken in both:
            fits = _fitting(bit, wanted == taken)
            other = s.copy()
            if isinstance(before, tuple):
                address, flags = before
                left = _leading_to(s.memory[address], flags, fits)
                if not left or not other.narrowed(address, left):
                    continue
            elif not before & fits:
                continue
            elif bit == C:
                other.carry = before & fits
            else:
                other.flags = before & fits
            found.append(((place, ways), other, cost))
        return found

    def _on_kept(
        self, i: Instruction, ways: Ways, s: _State, seen: _Seen | None
    ) -> list[tuple[Node | None, _State, int]]:
        _note(seen, 1 << _KEPT, 0)
        jumps = 2 if i.name == "brts" else 1
        found: list[tuple[Node | None, _State, int]] = []
        for place, cost, fits in ((i.target or 0, 2, jumps), (i.address + i.size, 1, 3 ^ jumps)):
            if s.kept & fits:
                other = s.copy()
                other.kept &= fits
                found.append(((place, ways), other, cost))
        return found

    def _skip(self, i: Instruction, ways: Ways, s: _State, seen: _Seen | None) -> list[tuple[Node | None, _State, int]]:
        after = i.address + i.size
        skipped = self.code.get(after)
        longer = skipped.size // 2 if skipped else 1
        going, passing = (after, 1), (after + 2 * longer, 1 + longer)
        if i.name in ("sbic", "sbis"):
            return [((place, ways), s.copy(), cost) for place, cost in (going, passing)]
        register = i.registers[0]
        if i.name == "cpse":
            second = i.registers[1]
            _note(seen, 1 << register | 1 << second, 0)
            if not is_one(s.registers[second]):
                register, second = second, register
            if not is_one(s.registers[second]):
                return [((place, ways), s.copy(), cost) for place, cost in (going, passing)]
            fits = s.registers[second]
        else:
            _note(seen, 1 << register, 0)
            fits = _with_bit(i.number) if i.name == "sbrs" else FULL ^ _with_bit(i.number)
        found: list[tuple[Node | None, _State, int]] = []
        for (place, cost), wanted in ((passing, fits), (going, FULL ^ fits)):
            if not s.registers[register] & wanted:
                continue
            other = s.copy()
            source = s.sources[register]
            if source is None:
                other.registers[register] &= wanted
            else:
                other.narrowed(source[0], _leading_to(s.memory[source[0]], source[1], wanted))
            found.append(((place, ways), other, cost))
        return found

    # ------------------------------------------------------------------------------------------- what leads straight on

    def _plain(self, i: Instruction, ops: tuple[int, ...], s: _State, seen: _Seen | None) -> int:
        """Carry out an instruction behind which the next one stands; its cycles."""
        name = i.name
        r = s.registers
        match name:
            case "nop" | "wdr" | "cli" | "sei":
                return 1
            case "mov":
                _note(seen, 1 << ops[1], 1 << ops[0])
                s.put(ops[0], r[ops[1]], s.sources[ops[1]])
                return 1
            case "movw":
                _note(seen, 3 << ops[1], 3 << ops[0])
                for more in (0, 1):
                    s.put(ops[0] + more, r[ops[1] + more], s.sources[ops[1] + more])
                return 1
            case "ldi":
                _note(seen, 0, 1 << ops[0])
                s.put(ops[0], only(i.number))
                return 1
            case "ser":
                _note(seen, 0, 1 << ops[0])
                s.put(ops[0], only(255))
                return 1
            case "adiw" | "sbiw":
                low = ops[0]
                _note(seen, 3 << low, 3 << low | _BOTH)
                add = name == "adiw"
                self._two(s, "add" if add else "sub", low, only(i.number), low, None)
                self._two(s, "adc16" if add else "sbc", low + 1, only(0), low + 1, None)
                return 2
            case "mul" | "muls" | "mulsu" | "fmul" | "fmuls" | "fmulsu":
                _note(seen, 1 << ops[0] | 1 << ops[1], 3 | _BOTH)
                a, b = r[ops[0]], r[ops[1]]
                if name in _SIGNED and is_one(a) and is_one(b):
                    x, y = (
                        one(value) - 256 * (signed and one(value) > 127)
                        for value, signed in zip((a, b), _SIGNED[name], strict=True)
                    )
                    product = x * y
                    s.put(0, only(product))
                    s.put(1, only(product >> 8))
                else:
                    s.put(0, FULL)
                    s.put(1, FULL)
                s.flags = s.carry = None
                return 2
            case "lds":
                self._load(s, seen, [i.number], ops[0])
                return 2
            case "sts":
                self._store(s, seen, [i.number], ops[0])
                return 2
            case "ld" | "ldd" | "st" | "std":
                return self._indirect(i, s, seen)
            case "push":
                self._store(s, seen, [s.sp], ops[0])
                s.sp -= 1
                return 2
            case "pop":
                s.sp += 1
                self._load(s, seen, [s.sp], ops[0])
                self._drop(s)
                return 2
            case "lpm" | "elpm":
                return self._from_program(i, s, seen)
            case "in":
                _note(seen, _BOTH if i.number == 0x3F else 0, 1 << ops[0])
                known = {0x3D: s.sp & 255, 0x3E: s.sp >> 8}.get(i.number)
                s.put(ops[0], FULL if known is None else only(known))
                return 1
            case "out":
                _note(seen, 1 << ops[0], _BOTH if i.number == 0x3F else 0)
                value = r[ops[0]]
                if i.number in (0x3D, 0x3E):
                    if not is_one(value):
                        raise NoBound(f"the stack of {plain(self.program.inside(i.address).name)}")
                    part = one(value)
                    s.sp = s.sp & 0xFF00 | part if i.number == 0x3D else s.sp & 0x00FF | part << 8
                elif i.number == 0x3F:
                    s.flags = s.carry = None
                return 1
            case "sbi" | "cbi":
                return 2
            case "bst":
                _note(seen, 1 << ops[0], 1 << _KEPT)
                high = _with_bit(i.number)
                s.kept = (2 if r[ops[0]] & high else 0) | (1 if r[ops[0]] & ~high else 0)
                return 1
            case "bld":
                _note(seen, 1 << ops[0] | 1 << _KEPT, 1 << ops[0])
                both = r[ops[0]] | _other_bit(r[ops[0]], i.number)
                high = _with_bit(i.number)
                s.put(ops[0], {1: both & ~high, 2: both & high, 3: both}[s.kept])
                return 1
            case "sec" | "clc" | "sez" | "clz" | "sen" | "cln" | "sev" | "clv" | "ses" | "cls":
                s.flags = s.carry = None
                return 1
            case "set" | "clt":
                _note(seen, 0, 1 << _KEPT)
                s.kept = 2 if name == "set" else 1
                return 1
            case "seh" | "clh":
                return 1
            case "lsl" | "rol" | "tst" | "clr":
                real = {"lsl": "add", "rol": "adc", "tst": "and", "clr": "eor"}[name]
                _note(seen, 1 << ops[0] | _asked(real), 1 << ops[0] | _made(real))
                self._two(s, real, ops[0], r[ops[0]], ops[0], ops[0])
                return 1
            case "add" | "adc" | "sub" | "sbc" | "and" | "or" | "eor" | "cp" | "cpc":
                writes = 0 if name in ("cp", "cpc") else 1 << ops[0]
                reads = 0 if name in _FORGETS and ops[0] == ops[1] else 1 << ops[0] | 1 << ops[1]
                _note(seen, reads | _asked(name), writes | _made(name))
                self._two(s, name, ops[0], r[ops[1]], ops[0] if writes else None, ops[1])
                return 1
            case "subi" | "sbci" | "andi" | "ori" | "cpi":
                writes = 0 if name == "cpi" else 1 << ops[0]
                _note(seen, 1 << ops[0] | _asked(name), writes | _made(name))
                self._two(s, name, ops[0], only(i.number), ops[0] if writes else None, None)
                return 1
            case "swap":
                _note(seen, 1 << ops[0], 1 << ops[0])
                found = _by_sets("swap", r[ops[0]], only(0), 1)
                s.put(ops[0], FULL if found is None else found[0])
                return 1
            case "com" | "neg" | "inc" | "dec" | "lsr" | "ror" | "asr":
                _note(seen, 1 << ops[0] | _asked(name), 1 << ops[0] | _made(name))
                self._two(s, name, ops[0], only(0), ops[0], None)
                return 1
        raise NoBound(f"the instruction {name} in {plain(self.program.inside(i.address).name)}")

    def _two(self, s: _State, name: str, register: int, b: int, to: int | None, second: int | None) -> None:
        """An instruction on the register and ``b``, which the register ``second`` holds, if one does."""
        a = s.registers[register]
        if second == register and name in _FORGETS:
            a = b = only(0)
            second = None
            source: Source = None
        else:
            source = s.sources[register]
        with_itself = second == register and name in ("and", "or")  # only the flags are new
        other = s.sources[second] if second is not None else None
        flags: tuple[int, bytes] | int = 1
        if name in _ON_CARRY:
            flags = _any(C) if s.carry is None else s.carry
        elif name in _ON_FLAGS:
            flags = _together(s)
        held = flags if isinstance(flags, int) else _image(s.memory[flags[0]], flags[1])
        operands = ((a, source), (b, other), (held, flags if isinstance(flags, tuple) else None))
        # what all of them follow from: the byte that the first of those with several values does, or just any
        places = [follows[0] for values, follows in operands if follows is not None and not is_one(values)]
        places = places or [follows[0] for _, follows in operands if follows is not None]
        functions = [
            follows[1] if follows is not None and follows[0] == places[0] else _constant(one(values))
            for values, follows in operands
            if (follows is not None and follows[0] == places[0]) or is_one(values)
        ]
        if not places and len(functions) == 3:
            result, flag = _worked(name, one(a), one(b), one(held))
            self._set_flags(s, name, 1 << flag)
            if to is not None:
                s.put(to, only(result))
            return
        if len(functions) == 3:
            results, made = _by_values(name, functions[0], functions[1], functions[2])
            self._set_flags(s, name, (places[0], made))
            if to is not None and not with_itself:
                s.put(to, _image(s.memory[places[0]], results), (places[0], results))
            return
        found = _by_sets(name, a, b, held)
        self._set_flags(s, name, None if found is None else found[1])
        if to is not None and not with_itself:
            s.put(to, FULL if found is None else found[0])

    def _set_flags(self, s: _State, name: str, flags: Flags) -> None:
        s.flags = flags
        if name not in _KEEPS_CARRY:
            s.carry = flags

    # --------------------------------------------------------------------------------------------------------- memory

    def _load(self, s: _State, seen: _Seen | None, places: list[int] | None, register: int) -> None:
        if seen is not None:
            _note(seen, 0, 1 << register)
            if places is None:
                seen.places = None
            elif seen.places is not None:
                seen.places.update(places)
        if places is None:
            s.put(register, FULL)
            return
        values = 0
        for place in places:
            held = s.memory.get(place)
            values |= self._given(place) if held is None else held
        if len(places) > 1:
            s.put(register, values)
            return
        s.memory[places[0]] = values
        s.put(register, values, (places[0], IDENTITY))

    def _is_followed(self, address: int) -> bool:
        return self.followed is None or address in self.followed or 0xD000 < address <= STACK

    def _given(self, place: int) -> int:
        return self.facts.get(place, FULL)

    def _store(self, s: _State, seen: _Seen | None, places: list[int] | None, register: int) -> None:
        _note(seen, 1 << register, 0)
        values = s.registers[register]
        if places is None:
            s.sources[:] = [None] * 32
            s.flags = s.carry = None
            s.memory.clear()
            if seen is None and self.facts:
                self.facts = {}
                raise _Widened
            return
        for place in places:
            held = s.memory.get(place, self._given(place))
            if place in s.memory:
                s.forget(place)
            if self._is_followed(place):
                s.memory[place] = values if len(places) == 1 else values | held
                continue
            s.memory.pop(place, None)
            if seen is None and values & ~self._given(place):
                self.facts[place] = FULL
                raise _Widened
        if len(places) == 1 and s.sources[register] is None and places[0] in s.memory:
            s.put(register, values, (places[0], IDENTITY))

    def _indirect(self, i: Instruction, s: _State, seen: _Seen | None) -> int:
        loads = i.name in ("ld", "ldd")
        pointer, how, offset = i.pointer
        register = i.registers[0]
        _note(seen, 3 << pointer, 3 << pointer if how else 0)
        places = s.pair(pointer)
        if places is not None:
            places = sorted({place + offset - (how == "-") & 0xFFFF for place in places})
        if how == "-":
            self._shifted(s, pointer, -1)
        if loads:
            self._load(s, seen, places, register)
            if seen is not None:  # the pointer is written, too
                seen.reads |= 3 << pointer
        else:
            self._store(s, seen, places, register)
        if how == "+":
            self._shifted(s, pointer, 1)
        return 2

    def _shifted(self, s: _State, pointer: int, by: int) -> None:
        """The pointer by one on; flags stay."""
        values = s.pair(pointer)
        if values is None:
            s.put(pointer, FULL)
            s.put(pointer + 1, FULL)
        else:
            low = high = 0
            for value in values:
                low |= only(value + by)
                high |= only((value + by) >> 8)
            s.put(pointer, low)
            s.put(pointer + 1, high)

    def _from_program(self, i: Instruction, s: _State, seen: _Seen | None) -> int:
        register, how = (i.registers[0], i.pointer[1]) if i.registers else (0, "")
        _note(seen, 3 << 30, 1 << register | (3 << 30 if how else 0))
        if seen is not None:
            seen.reads |= 3 << 30
        places = s.pair(30)
        flash = self.program.flash
        values = FULL
        if places is not None and all(place in flash for place in places):
            values = 0
            for place in places:
                values |= only(flash[place])
        if how:
            self._shifted(s, 30, 1)
        nowhere = -1 - i.address  # no byte of memory, but something that comparisons may narrow all the same
        if nowhere in s.memory:
            s.forget(nowhere)
        s.memory[nowhere] = values
        s.put(register, values, (nowhere, IDENTITY))
        return 3


_CONDITIONS: dict[str, tuple[int, bool]] = {
    "breq": (Z, True), "brne": (Z, False), "brcs": (C, True), "brlo": (C, True), "brcc": (C, False),
    "brsh": (C, False), "brmi": (N, True), "brpl": (N, False), "brvs": (V, True), "brvc": (V, False),
    "brlt": (S, True), "brge": (S, False),
}  # fmt: skip
"""What a branch asks; those on H and T, which nothing here follows, may go either way."""


def _together(s: _State) -> tuple[int, bytes] | int:
    """The carry and the other flags."""
    carry = _any(C) if s.carry is None else s.carry
    rest = _any(Z) if s.flags is None else s.flags
    if isinstance(carry, int) and isinstance(rest, int):
        return _mixed(carry, rest)
    address = carry[0] if isinstance(carry, tuple) else rest[0] if isinstance(rest, tuple) else 0
    sides = []
    for each_side in (carry, rest):
        if isinstance(each_side, tuple) and each_side[0] == address:
            sides.append(each_side[1])
        elif isinstance(each_side, int) and is_one(each_side):
            sides.append(_constant(one(each_side)))
    if len(sides) == 2:
        return address, _mixed_by_value(sides[0], sides[1])
    sets = [_image(s.memory[side[0]], side[1]) if isinstance(side, tuple) else side for side in (carry, rest)]
    return _mixed(sets[0], sets[1])


@lru_cache(maxsize=5000)
def _mixed(carries: int, rests: int) -> int:
    found = 0
    for carry in each(carries):
        for rest in each(rests):
            found |= 1 << (carry & C | rest & ~C)
    return found


@lru_cache(maxsize=5000)
def _mixed_by_value(carry: bytes, rest: bytes) -> bytes:
    return bytes(one_ & C | other & ~C for one_, other in zip(carry, rest, strict=True))


def _holding(s: _State, address: int, value: int) -> _State:
    """The state where the byte at ``address`` is ``value``."""
    other = s.copy()
    other.memory[address] = FULL
    other.narrowed(address, only(value))
    return other


def _order(node: Node) -> tuple[int, ...]:
    """Where a node stands on the way: by its address, and what is called before what comes behind the call."""
    address, ways = node
    return (*(2 * way - 1 for way in ways), 2 * address)


def _called_with(registers: list[int], asked: int) -> _State:
    """What a call begins with; of the registers that it asks for, if anything is known, it learns on its way."""
    start = _State(registers[:], [None] * 32, None, None, 3, STACK, {})
    for register, values in enumerate(registers):
        if asked >> register & 1 and values != FULL and not is_one(values):
            nowhere = -1 - (register << 24)
            start.memory[nowhere] = values
            start.sources[register] = nowhere, IDENTITY
    return start


def _note(seen: _Seen | None, reads: int, writes: int) -> None:
    if seen is not None:
        seen.reads |= reads & ~seen.writes
        seen.writes |= writes


def _asked(name: str) -> int:
    """The flags that an instruction asks for."""
    if name in _ON_CARRY:
        return 1 << _CARRY
    return _BOTH if name in _ON_FLAGS else 0


def _made(name: str) -> int:
    """The flags that an instruction sets."""
    return 1 << _FLAGS if name in _KEEPS_CARRY else _BOTH


@lru_cache(maxsize=8)
def _with_bit(number: int) -> int:
    return sum(1 << value for value in range(256) if value >> number & 1)


@lru_cache(maxsize=16)
def _fitting(bit: int, set_: bool) -> int:
    """The set of flags in which ``bit`` is as said."""
    return sum(1 << flags for flags in range(32) if bool(flags & bit) == set_)


@lru_cache(maxsize=8)
def _any(bits: int) -> int:
    """The set of flags of which ``bits`` may be any, and no other is set."""
    return sum(1 << flags for flags in range(32) if not flags & ~bits)


def _other_bit(values: int, number: int) -> int:
    """The values with that bit the other way."""
    high = _with_bit(number)
    return (values & high) >> (1 << number) | (values & ~high) << (1 << number) & FULL


__all__ = ["ARGUMENT", "FULL", "Calls", "TooMany", "Walk", "only", "span"]
