"""What a compiled program takes at the very most, from its own instructions: cycles of a function, and the stack.

The program is taken apart by ``avr-objdump``. Each function becomes a graph of its instructions; a loop is gone round
as often as the caller says. Cycles are those of the AVR Instruction Set Manual (Microchip DS40002198), column AVRe;
where the program counter has a third byte, calls and returns take one more. What cannot be bounded is named.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import networkx as nx

from statecraft.errors import StatecraftError
from statecraft.firmware.layout import command_order
from statecraft.machine import Machine

STEP = "_ZN9behaviour4stepERKNS_6InputsE"
"""The behaviour's step, as the compiler calls it."""

LINE = re.compile(r"^\s*([0-9a-f]+):\t((?:[0-9a-f]{2} )+)\s*\t?(\S+)?\s*([^;]*)(?:;\s*0x([0-9a-f]+).*)?")
SYMBOL = re.compile(r"^([0-9a-f]{8}) .{6}F \.text\t")
VARIABLE = re.compile(r"^0080([0-9a-f]{4}) .{6}O \S+\t([0-9a-f]+) (\S+)$")
HEAD = re.compile(r"^([0-9a-f]{8}) <(.+)>:$")

BRANCHES = frozenset(
    "brbc brbs brcc brcs breq brge brhc brhs brid brie brlo brlt brmi brne brpl brsh brtc brts brvc brvs".split()  # noqa: SIM905
)
SKIPS = frozenset({"cpse", "sbrc", "sbrs", "sbic", "sbis"})
CALLS = {"call": 4, "rcall": 3, "icall": 3, "eicall": 4}
TWO = frozenset(
    "adiw sbiw mul muls mulsu fmul fmuls fmulsu ld ldd lds st std sts push pop sbi cbi".split()  # noqa: SIM905
)
THREE = frozenset({"lpm", "elpm", "jmp"})

ELSEWHERE = frozenset(
    "ld ldd lds st std sts lpm elpm spm in out sbi cbi sbic sbis icall eicall ijmp eijmp cli sei sleep wdr reti".split()  # noqa: SIM905
)
"""What asks or changes more than registers and the stack, or leads nobody knows where."""

LIBRARY_LOOPS = {
    "__udivmodqi4": 9, "__udivmodhi4": 17, "__udivmodsi4": 33, "__udivmodpsi4": 25, "__udivmoddi4": 65,
}  # fmt: skip
"""How often the compiler's own divisions go round: once a bit, and once more to begin (libgcc, lib1funcs.S)."""


class NoBound(StatecraftError):
    """Something has no bound that could be found; the message names it."""


@dataclass(frozen=True)
class Instruction:
    """One instruction: its byte address, its bytes, what it is, and where it may lead besides the next."""

    address: int
    size: int
    name: str
    operands: str
    target: int | None

    @cached_property
    def registers(self) -> tuple[int, ...]:
        """The numbers of its registers, in order; those that are a pointer left out."""
        return tuple(int(number) for number in re.findall(r"\br(\d+)\b", self.operands))

    @cached_property
    def number(self) -> int:
        """The number among its operands."""
        found = re.search(r"(?:^|, )(0x[0-9a-fA-F]+|\d+)\b", self.operands)
        return int(found[1], 0) if found else 0

    @cached_property
    def pointer(self) -> tuple[int, str, int]:
        """The pointer's lower register, ``+`` or ``-`` where it is moved behind or before, and what is added to it."""
        found = re.search(r"(-?)([XYZ])(\+?)(\d*)", self.operands)
        if found is None:
            return 30, "", 0
        return {"X": 26, "Y": 28, "Z": 30}[found[2]], found[1] or found[3] * (not found[4]), int(found[4] or 0)


@dataclass
class CompiledFunction:
    """A function's instructions by address, in order."""

    name: str
    address: int
    code: dict[int, Instruction] = field(default_factory=dict)


class Disassembly:
    """A program's functions.

    Args:
        elf: the compiled program.
        objdump: the path of avr-objdump.
        wide: the chip's program counter has three bytes (more than 128 KB of program).
    """

    def __init__(self, elf: Path, objdump: str = "avr-objdump", *, wide: bool = False) -> None:
        command = [objdump, "-t", "-d", "-z", str(elf)]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        self.wide = wide
        self.functions: dict[int, CompiledFunction] = {}
        self.code: dict[int, Instruction] = {}
        self.flash: dict[int, int] = {}
        self.variables: dict[str, tuple[int, int]] = {}  # their addresses and sizes
        here: CompiledFunction | None = None
        whole: CompiledFunction | None = None
        real: set[int] = set()  # told to be functions; tables in the program memory are not
        for line in done.stdout.splitlines():
            if symbol := SYMBOL.match(line):
                real.add(int(symbol[1], 16))
            elif variable := VARIABLE.match(line):
                self.variables[variable[3]] = int(variable[1], 16), int(variable[2], 16)
            elif head := HEAD.match(line):
                # the library's functions have labels inside: __udivmodsi4_loop is a place in __udivmodsi4
                inside = whole is not None and head[2].startswith((f"{whole.name}_", "."))
                here = CompiledFunction(head[2], int(head[1], 16), whole.code if inside and whole is not None else {})
                whole = whole if inside else here
                self.functions[here.address] = here
            elif here is not None and (found := LINE.match(line)):
                size = len(found[2].split())
                name, operands = found[3] or ".word", found[4].strip()
                target = None
                if name in BRANCHES or name in ("rjmp", "rcall", "jmp", "call"):
                    target = int(found[5], 16) if found[5] else int(operands, 16) if "0x" in operands else None
                address = int(found[1], 16)
                here.code[address] = self.code[address] = Instruction(address, size, name, operands, target)
                self.flash.update(enumerate(bytes.fromhex(found[2]), address))
        self._real = real
        self._in_registers: dict[int, bool] = {}
        self.data = _starting_values(elf, objdump)
        self.by_name = {function.name: function for function in self.functions.values()}

    @cached_property
    def tablejumps(self) -> frozenset[int]:
        """Where the helpers begin that go on at a place of a table (libgcc, __tablejump2__)."""
        return frozenset(f.address for f in self.functions.values() if f.name.startswith("__tablejump"))

    def inside(self, address: int) -> CompiledFunction:
        """The function that ``address`` is in."""
        begins = max((each for each in self.functions if each <= address), default=0)
        return self.functions[begins]

    def in_registers(self, address: int) -> bool:
        """Whether the function there, with all that it calls, leaves memory alone but for the stack."""
        if address not in self._in_registers:
            self._in_registers[address] = self._keeps_to_registers(address)
        return self._in_registers[address]

    def _keeps_to_registers(self, address: int) -> bool:
        waiting, met = [address], set()
        while waiting:
            at = waiting.pop()
            each = self.code.get(at)
            if at in met:
                continue
            if each is None or each.name in ELSEWHERE or each.target == 0:
                return False
            met.add(at)
            if each.target is not None:
                waiting.append(each.target)
            if each.name in SKIPS:
                skipped = self.code.get(at + each.size)
                waiting.append(at + each.size + (skipped.size if skipped else 2))
            if each.name not in ("ret", "rjmp", "jmp"):
                waiting.append(at + each.size)
        return True

    @property
    def return_bytes(self) -> int:
        """What a call leaves on the stack."""
        return 3 if self.wide else 2

    def named(self, name: str) -> CompiledFunction:
        """The function of that name. Raises NoBound."""
        if name not in self.by_name:
            raise NoBound(f"the program has no {name}")
        return self.by_name[name]

    def at(self, address: int) -> CompiledFunction:
        """The function that begins at ``address``, or what is left of one from there on. Raises NoBound."""
        if address not in self.functions:
            whole = next((each for each in self.functions.values() if address in each.code), None)
            if whole is None:
                raise NoBound(f"the program leads to 0x{address:x}, where nothing is")
            self.functions[address] = CompiledFunction(f"{whole.name}+{address - whole.address}", address, whole.code)
        return self.functions[address]

    @cached_property
    def interrupts(self) -> dict[int, CompiledFunction]:
        """The interrupts' functions by vector number, those that are not written left out."""
        vectors = self.by_name.get("__vectors")
        found = {}
        for number, each in enumerate((vectors.code if vectors else {}).values()):
            if each.name not in ("jmp", "rjmp"):
                break  # behind them stand the tables of switches
            handler = self.functions.get(each.target or 0)
            if number and handler is not None and handler.address in self._real and handler.name != "__bad_interrupt":
                found[number] = handler
        return found

    @cached_property
    def handed_over(self) -> list[CompiledFunction]:
        """What a call through a pointer may reach: functions whose address is written somewhere, in the variables'
        starting values or by a pair of instructions, and those that nothing calls by name.
        """
        called, written = set(), set()
        for function in self.functions.values():
            loads: list[tuple[int, int, int]] = []  # where a number is put into which register
            for number, each in enumerate(function.code.values()):
                called.add(each.target)
                if each.name == "ldi":
                    register = each.registers[0]
                    # into a pair of registers, or one after the other by way of one
                    loads = [load for load in loads if number - load[0] < 4 and register - load[1] in (0, 1)]
                    written |= {2 * (low | each.number << 8) for _, _, low in loads}
                    loads.append((number, register, each.number))
        written |= {2 * (byte | self.data.get(at + 1, 0) << 8) for at, byte in self.data.items()}
        taken = {handler.address for handler in self.interrupts.values()} | {0}
        return [
            function
            for function in self.functions.values()
            if function.address in self._real - taken
            and (function.address in written or function.address not in called)
            and function.name != "main"
            and self._comes_back(function)
        ]

    def _comes_back(self, function: CompiledFunction) -> bool:
        """Whether its last instruction leads away: what runs before main just goes on into what stands behind it."""
        last = next(reversed(function.code.values()), None)
        return last is not None and last.name in ("ret", "reti", "rjmp", "jmp", "ijmp", "eijmp")

    def pointed_to(self, call: Instruction) -> list[CompiledFunction]:
        """What this call through a pointer may reach: of a virtual function, its place in each class's table.

        gcc takes a virtual function's address out of the table that an object begins with: ``ldd r0, Z+2``, ``ldd r31,
        Z+3``, ``mov r30, r0``. A table has two words before its first function (Itanium C++ ABI, 2.5.2).
        """
        before = [self.code[at] for at in range(call.address - 2, max(call.address - 50, 0), -2) if at in self.code]
        moved = next((n for n, each in enumerate(before) if {30, 31} & set(each.registers[:1])), len(before))
        how = [(each.name[:2], each.registers, each.pointer[0]) for each in before[moved : moved + 3]]
        if how != [("mo", (30, 0), 30), ("ld", (31,), 30), ("ld", (0,), 30)]:
            return self.handed_over
        place = 4 + before[moved + 2].pointer[2]
        own = self._own_class(call, before[moved + 3 : moved + 6])
        words = [
            words[place // 2]
            for name, (at, size) in self.variables.items()
            if name.startswith("_ZTV") and place + 1 < size
            for words in [[self.data.get(at + n, 0) | self.data.get(at + n + 1, 0) << 8 for n in range(0, size, 2)]]
            if not own or own & set(words)
        ]
        found = [self.functions[2 * word] for word in dict.fromkeys(words) if word and 2 * word in self.functions]
        return found or self.handed_over

    def _own_class(self, call: Instruction, before: list[Instruction]) -> set[int]:
        """Where a member function calls one of its own object: the addresses, in words, of its class's functions, some
        of which stand in the class's table and in those of its heirs. ``before``: what comes before the look into the
        table, the last first. Empty where the object is another, or that is not sure.
        """
        how = [(each.name, each.registers, each.pointer[0]) for each in before]
        if how != [("ld", (31,), 26), ("ld", (30,), 26), ("movw", (26, 24), 30)]:
            return set()
        function = self.inside(call.address)
        named = re.match(r"_ZNK?(\d+)", function.name)
        earlier = [each for each in function.code.values() if each.address < before[2].address]
        if named is None or any(each.name in CALLS or {24, 25} & set(each.registers[:1]) for each in earlier):
            return set()
        name = re.sub(r"^_ZNK?", "", function.name)[: len(named[1]) + int(named[1])]
        return {each.address // 2 for each in self.functions.values() if re.match(rf"_ZNK?{name}", each.name)}

    # ----------------------------------------------------------------------------------------------------------- shape

    def graph(self, function: CompiledFunction) -> nx.DiGraph:
        """The function's instructions: an edge for each way on, with its ``cycles``; a call is one instruction. Its
        node says what it ``calls``: an address, or the call itself where it goes through a pointer. Ways out lead to
        the node "out".
        """
        found = nx.DiGraph()
        code = function.code
        for each in code.values():
            after = each.address + each.size
            found.add_node(each.address, calls=())
            name = each.name
            if name in BRANCHES:
                found.add_edge(each.address, after, cycles=1)
                self._jump(found, function, each, 2)
            elif name in SKIPS:
                skipped = code.get(after)
                longer = skipped.size // 2 if skipped else 1
                found.add_edge(each.address, after, cycles=1)
                found.add_edge(each.address, after + 2 * longer, cycles=1 + longer)
            elif name in ("rjmp", "jmp"):
                self._jump(found, function, each, 3 if name == "jmp" else 2)
            elif name in CALLS:
                cost = CALLS[name] + (1 if self.wide and name != "eicall" else 0)
                if name == "rcall" and each.target == after:  # makes room on the stack
                    found.add_edge(each.address, after, cycles=cost)
                else:
                    called = each if each.target is None else each.target
                    # address 0 is where a weak function would be that is not there: it is asked for before the call
                    found.nodes[each.address]["calls"] = () if called == 0 else (called,)
                    found.add_edge(each.address, after, cycles=cost)
            elif name in ("ret", "reti"):
                found.add_edge(each.address, "out", cycles=5 if self.wide else 4)
            elif name in ("ijmp", "eijmp"):
                found.nodes[each.address]["anywhere"] = True
            else:
                found.add_edge(each.address, after, cycles=3 if name in THREE else 2 if name in TWO else 1)
        self._tables(found, function)
        found = found.subgraph(nx.descendants(found, function.address) | {function.address}).copy()
        for node in [node for node in found if node != "out" and node not in code]:
            # falls into the function behind it, as some of the library's do
            found.nodes[node]["calls"] = (node,)
            found.add_edge(node, "out", cycles=0)
        return found

    def _jump(self, graph: nx.DiGraph, function: CompiledFunction, each: Instruction, cycles: int) -> None:
        target = each.target
        if target is None:
            return
        if target in function.code:
            graph.add_edge(each.address, target, cycles=cycles)
            return
        other = self.functions.get(target)
        if other is not None and other.name.startswith("__tablejump"):
            graph.nodes[each.address]["anywhere"] = True  # a switch: the helper looks up where to go on
            graph.nodes[each.address]["table"] = target
        elif target == 0:  # a weak function that is not there, or a new start: neither comes back
            graph.add_edge(each.address, "out", cycles=cycles)
        else:  # its last call, without coming back
            graph.nodes[each.address]["calls"] = (target,)
            graph.add_edge(each.address, "out", cycles=cycles)

    def _tables(self, graph: nx.DiGraph, function: CompiledFunction) -> None:
        """A jump by a table may lead to whatever nothing else in the function leads to."""
        jumps = [node for node, data in graph.nodes(data=True) if data.get("anywhere")]
        if not jumps:
            return
        cost = 25  # adding up the table's place, two loads and the jump (libgcc, __tablejump2__)
        while True:
            reached = nx.descendants(graph, function.address) | {function.address}
            orphan = next((address for address in function.code if address not in reached), None)
            if orphan is None:
                return
            for jump in jumps:
                graph.add_edge(jump, orphan, cycles=cost)

    # ---------------------------------------------------------------------------------------------------------- cycles

    def cycles(self, function: CompiledFunction, loops: Callable[[CompiledFunction], int | None]) -> int:
        """The most cycles from a call's first instruction to its return.

        Args:
            loops: how often a loop in a function goes round at most; None where nobody knows.

        Raises:
            NoBound: a loop that nobody knows, a call through a pointer, recursion.
        """
        return self._cycles(function, loops, {}, ())

    def _cycles(
        self,
        function: CompiledFunction,
        loops: Callable[[CompiledFunction], int | None],
        known: dict[int, int],
        above: tuple[int, ...],
    ) -> int:
        if function.address in above:
            raise NoBound(f"{plain(function.name)} calls itself")
        if function.address in known:
            return known[function.address]
        graph = self.graph(function)
        inner = {}
        for node, data in graph.nodes(data=True):
            inner[node] = 0
            for called in data.get("calls", ()):
                if isinstance(called, Instruction):
                    raise NoBound(f"{plain(function.name)} calls through a pointer")
                target = self.at(called)
                inner[node] += self._cycles(target, loops, known, (*above, function.address))
        for one, other, data in graph.edges(data=True):
            graph.edges[one, other]["cycles"] = data["cycles"] + inner[one]
        known[function.address] = _longest(graph, function.address, lambda: self._rounds(function, loops))
        return known[function.address]

    def _rounds(self, function: CompiledFunction, loops: Callable[[CompiledFunction], int | None]) -> int:
        found = LIBRARY_LOOPS.get(function.name)
        found = loops(function) if found is None else found
        if found is None:
            raise NoBound(f"a loop in {plain(function.name)}")
        return found

    # ----------------------------------------------------------------------------------------------------------- stack

    def stack(self) -> int:
        """The most bytes of stack the program can take: its deepest calls, and the deepest interrupt on top; where an
        interrupt lets others in, all of them.

        Raises:
            NoBound: recursion, or a stack that grows in a loop.
        """
        known: dict[int, int] = {}
        start = next((f for name in ("main", "__init") if (f := self.by_name.get(name))), None)
        if start is None:
            raise NoBound("the program has no main")
        deepest = self.return_bytes + self._depth(start, known, ())
        depths = [self.return_bytes + self._depth(each, known, ()) for each in self.interrupts.values()]
        nests = any(i.name == "sei" for each in self.interrupts.values() for i in each.code.values())
        return deepest + (sum(depths) if nests else max(depths, default=0))

    def _depth(self, function: CompiledFunction, known: dict[int, int], above: tuple[int, ...]) -> int:
        """How deep the stack gets in a call, over the return address."""
        if function.address in above:
            raise NoBound(f"{plain(function.name)} calls itself")
        if function.address in known:
            return known[function.address]
        graph = self.graph(function)
        before: dict[object, int] = {function.address: 0}
        waiting: list[object] = [function.address]
        deepest = 0
        framed = _frame(function)
        while waiting:
            node = waiting.pop()
            if node == "out":
                continue
            each = function.code.get(node)  # type: ignore[call-overload]
            here = before[node] + (_moves(each, self.return_bytes) + framed.get(each.address, 0) if each else 0)
            deepest = max(deepest, here)
            for called in graph.nodes[node].get("calls", ()):
                targets = self.pointed_to(called) if isinstance(called, Instruction) else [self.at(called)]
                for target in targets:
                    inside = self._depth(target, known, (*above, function.address))
                    deepest = max(deepest, here + self.return_bytes + inside)
            for after in graph.successors(node):
                if after not in before:
                    before[after] = here
                    waiting.append(after)
                elif before[after] < here:
                    if here > 4096:
                        raise NoBound(f"the stack grows in a loop of {plain(function.name)}")
                    before[after] = here
                    waiting.append(after)
        known[function.address] = deepest
        return deepest


def _starting_values(elf: Path, objdump: str) -> dict[int, int]:
    """The bytes that variables start with, by address; none where a program has no such variables."""
    done = subprocess.run([objdump, "-s", "-j", ".data", str(elf)], capture_output=True, text=True, check=False)
    found: dict[int, int] = {}
    for line in done.stdout.splitlines():
        if match := re.match(r"^ 80([0-9a-f]{4}) ((?:[0-9a-f]{2,8} ){1,4})", line):
            found.update(enumerate(bytes.fromhex(match[2].replace(" ", "")), int(match[1], 16)))
    return found


def _moves(each: Instruction, return_bytes: int) -> int:
    """By how much an instruction makes the stack grow."""
    if each.name == "push":
        return 1
    if each.name == "pop":
        return -1
    if each.name == "rcall" and each.target == each.address + each.size:
        return return_bytes
    return 0


def _frame(function: CompiledFunction) -> dict[int, int]:
    """Where a function makes room for its variables, and takes it back, by writing the stack pointer.

    gcc takes the pointer into Y (``in r28, 0x3d``, ``in r29, 0x3e``), moves that with ``sbiw`` or ``subi`` and
    ``sbci``, and writes it back (``out 0x3d, r28``); at the end it adds the same again.
    """
    found: dict[int, int] = {}
    amount = 0
    code = list(function.code.values())
    for place, each in enumerate(code):
        after = code[place + 1] if place + 1 < len(code) else None
        match each.name, each.operands.replace(" ", "").split(","):
            case "sbiw", ["r28", number]:
                amount = int(number, 0)
            case "adiw", ["r28", number]:
                amount = -int(number, 0)
            case "subi", ["r28", number] if after is not None and after.name == "sbci":
                whole = int(number, 0) | int(after.operands.split(",")[1], 0) << 8
                amount = whole if whole < 0x8000 else whole - 0x10000
            case "out", ["0x3d", "r28"]:
                found[each.address] = amount
                amount = 0
            case _:
                pass
    return found


def _longest(graph: nx.DiGraph, start: object, rounds: Callable[[], int]) -> int:
    """The longest way from ``start`` out, each loop gone round as often as ``rounds`` says, and once more in part."""
    inside = nx.descendants(graph, start) | {start}
    graph = graph.subgraph(inside).copy()
    while True:
        loops = [part for part in nx.strongly_connected_components(graph) if len(part) > 1]
        own = [node for node in graph if graph.has_edge(node, node)]
        if not loops and not own:
            break
        for node in own:
            cost = graph.edges[node, node]["cycles"] * rounds()
            graph.remove_edge(node, node)
            for after in graph.successors(node):
                graph.edges[node, after]["cycles"] += cost
        for part in loops:
            _unrolled(graph, part, start, rounds)
    length: dict[object, int] = {}
    for node in nx.topological_sort(graph):
        before = [length[one] + graph.edges[one, node]["cycles"] for one in graph.predecessors(node)]
        length[node] = max(before, default=0)
    if "out" not in length:
        return max(length.values())
    return length["out"]


def _unrolled(graph: nx.DiGraph, part: set[object], start: object, rounds: Callable[[], int]) -> None:
    """Take the ways back out of a loop, and let each way out of it cost all the rounds before."""
    heads = {node for node in part if any(one not in part for one in graph.predecessors(node))} or {start} & part
    if not heads:
        heads = {next(iter(part))}
    head = min(heads, key=str)
    inner = graph.subgraph(part).copy()
    back = [(one, head) for one in inner.predecessors(head)]
    costs = {edge: graph.edges[edge]["cycles"] for edge in back}
    inner.remove_edges_from(back)
    if any(len(each) > 1 for each in nx.strongly_connected_components(inner)):
        for each in [each for each in nx.strongly_connected_components(inner) if len(each) > 1]:
            _unrolled(graph, set(each), start, rounds)
        return  # the loops inside first; the caller comes round again
    longest: dict[object, int] = {}
    for node in nx.topological_sort(inner):
        before = [longest[one] + inner.edges[one, node]["cycles"] for one in inner.predecessors(node) if one in longest]
        if node == head or before:
            longest[node] = max(before, default=0)
        elif node in heads:
            longest[node] = 0
    around = max((longest.get(one, 0) + costs[one, other] for one, other in back), default=0)
    graph.remove_edges_from(back)
    extra = around * rounds()
    for one in list(graph.predecessors(head)):
        if one not in part:
            graph.edges[one, head]["cycles"] += extra
    for other in heads - {head}:
        for one in list(graph.predecessors(other)):
            if one not in part:
                graph.edges[one, other]["cycles"] += extra
    if start in part:
        for node in part:
            for after in graph.successors(node):
                if after not in part:
                    graph.edges[node, after]["cycles"] += extra


def plain(name: str) -> str:
    """A C++ name as people know it: ``behaviour::step`` for ``_ZN9behaviour4stepERKNS_6InputsE``."""
    match = re.match(r"_ZN?L?((?:L?\d+[a-zA-Z_]\w*?)+)(?:E|v|$)", name)
    if match is None:
        return name
    rest, parts = name.removeprefix("_ZN").removeprefix("_Z").lstrip("L"), []
    while rest[:1].isdigit():
        digits = re.match(r"\d+", rest)
        assert digits is not None
        size, start = int(digits[0]), digits.end()
        parts.append(rest[start : start + size])
        rest = rest[start + size :].lstrip("L")
    return "::".join(parts) or name


def step_bound(program: Disassembly, machine: Machine) -> int:
    """The most cycles that the behaviour's step can take by its graph alone, conditions taken for free of each other.

    Its loops all go through the commands that wait: with one urgent command, or none, through those behind the first.

    Raises:
        NoBound: it has none that could be found.
    """
    waits, _, urgent = command_order(machine)
    rounds = max(len(waits) - (urgent < 2), 0)
    return program.cycles(program.named(STEP), lambda f: rounds if f.name.startswith("_ZN9behaviour") else None)


__all__ = ["CompiledFunction", "Disassembly", "NoBound", "plain", "step_bound"]
