"""What a mode or group sets an output to, and whether the output can do that."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, cast

from lark import Token, Tree

from statecraft.language.context import Context, names_in
from statecraft.language.lines import Piece
from statecraft.language.names import OUTPUTS, Entry, article, at
from statecraft.language.quantities import family, in_symbols, quantity
from statecraft.machine import (
    Blink,
    Buzzer,
    Constant,
    Dial,
    DimLamp,
    Fixed,
    Follows,
    FromDial,
    HandOutput,
    Lamp,
    Mix,
    Motor,
    Output,
    Place,
    Relay,
    Sensor,
    Servo,
    Setting,
    Share,
    Stepper,
    Term,
    Unit,
    could_hurt,
    reach,
    show_duration,
)


@dataclass(frozen=True, slots=True)
class WrittenSetting:
    """A setting as it stands in the file."""

    output: str
    setting: Setting
    place: Place


class Settings:
    """Reads settings. None, with the mistake noted, for one that is wrong."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self._mistakes = context.mistakes

    def all(self, nodes: list[Tree[Token]], piece: Piece) -> list[WrittenSetting]:
        """Those of ``nodes`` that are right, one an output; the others are noted."""
        written: dict[str, WrittenSetting] = {}
        for node in nodes:
            found = self._read(node, piece)
            if found is None:
                continue
            if found.output in written:
                message = f'"{found.output}" is set twice here'
                self._mistakes.add(found.place, message, "Leave one of them out.", code="option-twice")
            else:
                written[found.output] = found
        return list(written.values())

    def _read(self, node: Tree[Token], piece: Piece) -> WrittenSetting | None:
        token, value = node.children
        assert isinstance(token, Token)
        known = self._context.names.get(str(token))
        if known is not None and known.kind == "display":
            message = f'"{token}" shows values: no mode sets it'
            where = at(known.place, piece.place())
            hint = f"Leave it out here. It shows what its own line says, in every mode ({where})."
            self._mistakes.add(piece.place(node), message, hint, code="wrong-setting")
            return None
        entry = self._context.names.find(token, piece, *OUTPUTS, wanted="an output")
        if entry is None or entry.item is None:
            return None
        setting = self._setting(entry, entry.item, value, node, piece)
        return WrittenSetting(entry.name, setting, piece.place(node)) if setting is not None else None

    def _setting(
        self, entry: Entry, output: Output, value: Tree[Token] | Token, node: Tree[Token], piece: Piece
    ) -> Setting | None:
        if isinstance(value, Token):
            if isinstance(output, DimLamp):
                return Fixed(span(output)[1] if value.type == "ON" else 0)
            if isinstance(output, Lamp | Relay | Buzzer):
                return Fixed(1 if value.type == "ON" else 0)
            example = _example(output)
            right = family(unit_of_output(output))
            message = f'{article(entry.kind).capitalize()} is not set "{value}", but to {right}'
            self._mistakes.add(piece.place(node), message, f"Write:  {entry.name} {example}", code="wrong-setting")
            return None
        if value.data == "blink":
            return self._blink(entry, output, value, node, piece)
        if isinstance(output, Lamp | Relay | Buzzer):
            may = "on or off" if isinstance(output, Relay) else "on, off or blink 500 ms"
            message = f"{article(entry.kind).capitalize()} is set {may}, and to nothing else"
            hint = f"Write:  {entry.name} on"
            if isinstance(output, Lamp):
                hint += f"     or give it a brightness, where it is declared:  lamp {entry.name} pwm 3"
            self._mistakes.add(piece.place(node), message, hint, code="wrong-setting")
            return None
        if value.data == "follow":
            return self._follow(entry, output, value, node, piece)
        if value.data in ("share", "mix", "curve"):
            read = {"share": self._share, "mix": self._mix, "curve": self._curve}[value.data]
            return read(entry, output, value, node, piece)
        steps = self._context.steps(value, piece, unit_of_output(output), entry.what)
        return self._fixed(entry, output, steps, node, piece) if steps is not None else None

    def _blink(
        self, entry: Entry, output: Output, value: Tree[Token], node: Tree[Token], piece: Piece
    ) -> Setting | None:
        amount = value.children[0]
        assert isinstance(amount, Tree)
        if not isinstance(output, Lamp | DimLamp | Buzzer):
            message = f"{article(entry.kind).capitalize()} does not blink"
            self._mistakes.add(piece.place(node), message, "Only lamps and buzzers do.", code="wrong-setting")
            return None
        period = self._context.ticks(amount, piece, "a blink's period", least=2)
        if period is not None and period % 2 and self._context.measures.tick_known:
            shown = [_duration(self._context, near) for near in (period - 1, period + 1)]
            message = f"A blink of {_duration(self._context, period)} is {period} ticks, which cannot be halved"
            hint = f"Write {shown[0]} or {shown[1]}."
            self._mistakes.add(piece.place(value), message, hint, code="odd-blink")
            return None
        return Blink(period) if period is not None else None

    def _follow(
        self, entry: Entry, output: Output, value: Tree[Token], node: Tree[Token], piece: Piece
    ) -> Setting | None:
        negative = len(value.children) == 2
        token = next(names_in(value))
        unit = unit_of_output(output)
        read = self._context.names.get(str(token))
        if read is not None and read.item is not None and read.kind in ("sensor", "counter"):
            (low, high), (least, most) = (read.item.low, read.item.high), span(output)
            told = Unit.NUMBER if read.kind == "counter" else read.item.unit
            points = f"{told.show(low)} {unit.show(max(least, 0))} .. {told.show(high)} {unit.show(most)}"
            message = f"{entry.what.capitalize()} is not set to {read.what}, but follows it from point to point"
            hint = f"Write:  {entry.name} follows {token}: {points}"
            self._mistakes.add(piece.place(node), message, hint, code="wrong-kind")
            return None
        found = self._context.names.find(token, piece, "dial", "constant", wanted="a setting, a dial or a constant")
        match found.item if found is not None else None:
            case Dial() as dial if not self._suits(dial, entry, output, node, piece):
                pass
            case Dial() as dial:
                low, high = (-dial.high, -dial.low) if negative else (dial.low, dial.high)
                least, most = span(output)
                if least <= low and high <= most:
                    return FromDial(dial.name, negative)
                message = f'The dial "{token}" may be {unit.show(dial.low)} .. {unit.show(dial.high)}'
                message += f", more than {entry.what} can be set to"
                hint = f"It can be {unit.show(least)} .. {unit.show(most)}."
                self._mistakes.add(piece.place(node), message, hint, code="out-of-limits")
            case Constant() as constant if constant.unit is not unit:
                found_family = family(constant.unit)
                message = f'The constant "{token}" is {found_family}; for {entry.what} it must be {family(unit)}'
                hint = f"Use a constant {in_symbols(unit)}."
                self._mistakes.add(piece.place(node), message, hint, code="wrong-unit")
            case Constant() as constant:
                return self._fixed(entry, output, -constant.value if negative else constant.value, node, piece)
            case _:
                pass
        return None

    def _suits(self, dial: Dial, entry: Entry, output: Output, node: Tree[Token], piece: Piece) -> bool:
        """Whether ``dial`` is in the unit of ``output``; notes it if not."""
        unit = unit_of_output(output)
        if dial.unit is unit:
            return True
        message = f'The dial "{dial.name}" is {family(dial.unit)}; for {entry.what} it must be {family(unit)}'
        self._mistakes.add(piece.place(node), message, f"Use a dial {in_symbols(unit)}.", code="wrong-unit")
        return False

    def _share(
        self, entry: Entry, output: Output, value: Tree[Token], node: Tree[Token], piece: Piece
    ) -> Setting | None:
        amount, token = value.children
        assert isinstance(amount, Tree) and isinstance(token, Token)
        found = self._context.names.find(token, piece, "dial")
        percent = self._context.measures.steps(quantity(amount, piece), Unit.PERCENT, f'the part of "{token}"')
        if found is None or found.item is None or percent is None:
            return None
        dial, unit, (least, most) = found.item, unit_of_output(output), span(output)
        if not self._suits(dial, entry, output, node, piece):
            return None
        low, high = reach(Share(dial.name, percent), {dial.name: dial})
        if least <= low and high <= most:
            return Share(dial.name, percent)
        message = f'{percent} % of the dial "{token}" may be {unit.show(low)} .. {unit.show(high)}'
        message += f", more than {entry.what} can be set to"
        hint = f"It can be {unit.show(least)} .. {unit.show(most)}."
        self._mistakes.add(piece.place(node), message, hint, code="out-of-limits")
        return None

    def _mix(self, entry: Entry, output: Output, value: Tree[Token], node: Tree[Token], piece: Piece) -> Setting | None:
        tokens = list(names_in(value))
        signs = [child.type == "MINUS" for child in value.children if isinstance(child, Token) and child.type != "NAME"]
        found = [self._context.names.find(token, piece, "dial") for token in tokens]
        dials = [each.item for each in found if each is not None and each.item is not None]
        if len(dials) < 2 or not all(self._suits(dial, entry, output, node, piece) for dial in dials):
            return None
        if dials[0] is dials[1]:
            message = f'"{tokens[0]}" stands on both sides'
            hint = f"Two different dials are added up. For a part of one write:  {entry.name} 40 % of {tokens[0]}"
            self._mistakes.add(piece.place(node), message, hint, code="wrong-setting")
            return None
        negative, other = signs if len(signs) == 2 else (False, signs[0])
        return Mix(FromDial(dials[0].name, negative), FromDial(dials[1].name, other))

    def _curve(
        self, entry: Entry, output: Output, value: Tree[Token], node: Tree[Token], piece: Piece
    ) -> Setting | None:
        kinds = ("sensor", "dial", "counter")
        found = [
            self._context.names.find(token, piece, *kinds, wanted="something that can be followed")
            for token in names_in(value)
        ]
        read = [each for each in found if each is not None and each.item is not None]
        if len(read) < len(found):
            return None
        units = [_unit_read(each) for each in read]
        if units[0] is not units[-1]:
            message = f'"{read[0].name}" is {family(units[0])} and "{read[1].name}" is {family(units[1])}'
            message += ": one cannot be taken from the other"
            self._mistakes.add(piece.place(value), message, "Only things of the same unit can be.", code="wrong-unit")
            return None
        if len(read) == 2 and read[0] is read[1]:
            message = f'"{read[0].name}" less itself is always 0'
            hint = f"Take it from something else, or follow it alone:  {entry.name} follows {read[0].name}: ..."
            self._mistakes.add(piece.place(value), message, hint, code="wrong-setting")
            return None
        low, high = read[0].item.low, read[0].item.high
        if len(read) == 2:
            low, high = low - read[1].item.high, high - read[1].item.low
        told = " - ".join(each.name for each in read)
        points = self._points(entry, output, value, piece, units[0], told, (low, high))
        if points is None:
            return None
        terms = [Term(cast('Literal["sensor", "dial", "counter"]', each.kind), each.name) for each in read]
        return Follows(terms[0], terms[1] if len(terms) == 2 else None, points)

    def _points(
        self,
        entry: Entry,
        output: Output,
        value: Tree[Token],
        piece: Piece,
        unit: Unit,
        told: str,
        limits: tuple[int, int],
    ) -> tuple[tuple[int, int], ...] | None:
        """The points of what ``entry`` follows; ``told`` is that, which is within ``limits``."""
        points: list[tuple[int, int]] = []
        right, (low, high), sound = unit_of_output(output), limits, True
        nodes = [child for child in value.children if isinstance(child, Tree)]
        for point in nodes:
            where, what = point.children
            reading = self._context.steps(where, piece, unit, f'"{told}"')
            steps = self._context.steps(what, piece, right, entry.what) if reading is not None else None
            if reading is None or steps is None or self._fixed(entry, output, steps, point, piece) is None:
                sound = False
            elif not low <= reading <= high:
                message = f'"{told}" is never {unit.show(reading)}'
                hint = f"It is {unit.show(low)} .. {unit.show(high)}."
                self._mistakes.add(piece.place(where), message, hint, code="out-of-limits")
                sound = False
            elif points and reading <= points[-1][0]:
                message = f"{unit.show(reading)} comes after {unit.show(points[-1][0])}"
                hint = f"The points stand in rising order of {told}, each at a reading of its own."
                self._mistakes.add(piece.place(where), message, hint, code="points-not-rising")
                sound = False
            elif points and (reading - points[-1][0]) * max(1, abs(steps - points[-1][1])) >= 1 << 31:
                message = "From the point before to this one is too far for 32 bits"
                hint = "Put a point in between: steps of reading times steps of setting stay below 2147483648."
                self._mistakes.add(piece.place(point), message, hint, code="too-steep")
                sound = False
            else:
                points.append((reading, steps))
        if sound and len(points) == 1:
            (x, y) = points[0]
            message = f"One point is no line: {entry.name} would be {right.show(y)} whatever {told} is"
            here, top = f"{unit.show(x)} {right.show(y)}", right.show(span(output)[1])
            both = f"{here} .. {unit.show(high)} {top}" if x < high else f"{unit.show(low)} {top} .. {here}"
            hint = f"Write  {entry.name} {right.show(y)}  , or a second point, as in  {both}"
            self._mistakes.add(piece.place(nodes[0]), message, hint, code="one-point")
            return None
        return tuple(points) if sound else None

    def _fixed(self, entry: Entry, output: Output, steps: int, node: Tree[Token], piece: Piece) -> Setting | None:
        low, high = span(output)
        if low <= steps <= high:
            return Fixed(steps)
        unit = unit_of_output(output)
        message = f"{unit.show(steps)} is {'more' if steps > high else 'less'} than {entry.what} can be set to"
        hint = f"It can be {unit.show(low)} .. {unit.show(high)}."
        self._mistakes.add(piece.place(node), message, hint, code="out-of-limits")
        return None


def _unit_read(entry: Entry) -> Unit:
    match entry.item:
        case Sensor(unit=unit) | Dial(unit=unit):
            return unit
        case _:
            return Unit.NUMBER


def unit_of_output(output: Output) -> Unit:
    """What an output that has a number is set in; a plain number for the others."""
    match output:
        case Motor() | DimLamp():
            return Unit.PERCENT
        case Stepper():
            return Unit.RATE
        case Servo():
            return Unit.ANGLE
        case HandOutput(unit=unit):
            return unit
        case _:
            return Unit.NUMBER


def span(output: Output) -> tuple[int, int]:
    """The lowest and the highest setting, in steps."""
    match output:
        case Servo(low=low, high=high) | HandOutput(low=low, high=high):
            return low, high
        case Motor():
            return -100, 100
        case Stepper(most=most):
            return -most, most
        case DimLamp():
            return 0, 100
        case _:
            return 0, 1


def at_rest(output: Output, setting: Setting) -> bool:
    """Whether ``setting`` leaves what could hurt at its rest; other outputs may do as they like."""
    if not could_hurt(output):
        return True
    match output:
        case Servo(rest=rest) | HandOutput(rest=rest):
            return rest is not None and setting == Fixed(rest)
        case _:
            return setting == Fixed(0)


def _example(output: Output) -> str:
    low, high = span(output)
    value = min(60, high) if isinstance(output, Motor) else high
    return unit_of_output(output).show(value if value >= low else low)


def _duration(context: Context, ticks: int) -> str:
    return show_duration(ticks, context.measures.tick_ms)
