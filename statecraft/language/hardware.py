"""What comes from outside and what goes out: links, commands, dials, sensors, switches, outputs; and constants."""

from __future__ import annotations

import re
from collections.abc import MutableSequence
from dataclasses import replace
from decimal import Decimal
from itertools import pairwise
from typing import Any, Literal, TypeVar, cast

from lark import Token, Tree

from statecraft.language.context import Context, names_in, tree_in
from statecraft.language.lines import Piece
from statecraft.language.names import OUTPUTS, Entry, article, at, clip
from statecraft.language.options import Options
from statecraft.language.quantities import in_symbols, quantity, unit_of
from statecraft.language.statements import Statement
from statecraft.machine import (
    FULL_RATIO,
    SPOTS,
    AnalogCurrent,
    AnalogRatio,
    AnalogVoltage,
    Buzzer,
    ByHand,
    Command,
    Constant,
    Contact,
    Dial,
    DimLamp,
    Display,
    HandOutput,
    Lamp,
    Link,
    Motor,
    Output,
    Place,
    Pulses,
    Ranger,
    Relay,
    Remembered,
    Sensor,
    Servo,
    ShownValue,
    Source,
    Stepper,
    Switch,
    Thermistor,
    Unit,
)

_CONTACT = ("pin", "on_when", "settle")
_PATIENCE_MS = 500
_SETTLE_MS = 20
_BUZZER_HZ = 2000
_FASTEST_STEPS = 50_000
"""Tenths of a hertz: what one interrupt a step leaves time for."""

_LIBRARY = re.compile(r"[A-Za-z_]\w{0,39}", re.ASCII)
_MESSAGE = re.compile(r"[!-~]{1,12}", re.ASCII)
_LONGEST_MEDIAN = 15
_LONGEST_LABEL = 24


class Hardware:
    """Reads declarations of hardware. Each method gives None, with the mistake noted, for one that is wrong.

    Attributes:
        links, commands, dials, sensors, switches, outputs, displays, constants: what has been read so far.
        libraries: those named so far, and where.
    """

    def __init__(self, context: Context) -> None:
        self._context = context
        self._mistakes = context.mistakes
        self._ports: dict[str, Entry] = {}
        self._link_names: list[str] | None = None
        self.links: list[Link] = []
        self.commands: list[Command] = []
        self.dials: list[Dial] = []
        self.sensors: list[Sensor] = []
        self.switches: list[Switch] = []
        self.outputs: list[Output] = []
        self.displays: list[Display] = []
        self._shown: list[tuple[Piece, list[Tree[Token]]]] = []
        self.constants: list[Constant] = []
        self.libraries: dict[str, Place] = {}

    # ------------------------------------------------------------------------------------------------------ constants

    def constant(self, statement: Statement, entry: Entry) -> Constant | None:
        """``constant NAME = QUANTITY``."""
        tree, piece = _tree(statement)
        value = quantity(cast("Tree[Token]", tree.children[-1]), piece)
        unit = unit_of(value.symbol)
        amount: int | None
        if value.symbol in ("ms", "s", "min", "h"):
            amount = self._context.measures.ticks(value, entry.what)
        elif unit is None:
            message = f'A constant cannot be in "{value.symbol[:20]}"'
            self._mistakes.add(value.place, message, "It is in a unit of a sensor, or a duration.", code="unknown-unit")
            return None
        else:
            amount = self._context.measures.steps(value, unit, entry.what)
        return _kept(self.constants, Constant(entry.name, unit, amount, entry.place)) if amount is not None else None

    # ---------------------------------------------------------------------------------------------------------- links

    def link(self, statement: Statement, entry: Entry) -> Link | None:
        """``link NAME PORT, BAUD, plain | checked …``."""
        tree, piece = _tree(statement)
        options = self._options(statement, entry, "baud", "framing", "silent_after", "reports")
        port = list(names_in(tree))[1]
        ready = options.need("baud", "framing")
        other = self._ports.setdefault(str(port), entry)
        if other is not entry:
            message = f'The port "{port}" is taken by the link "{other.name}" ({at(other.place, piece.place(port))})'
            self._mistakes.add(piece.place(port), message, "Each link needs a port of its own.", code="port-twice")
        silent: int | None = None
        if "silent_after" in options:
            silent = self._ticks(options, "silent_after", piece, "the time after which a link is silent")
            ready = ready and silent is not None
        baud = self._number(options, "baud", piece, "A link's speed", 300, 2_000_000)
        if not ready or baud is None:
            return None
        checked = options.text("framing") == "checked"
        return _kept(self.links, Link(entry.name, str(port), baud, checked, silent, "reports" in options, entry.place))

    def command(self, statement: Statement, entry: Entry) -> Command | None:
        """``command NAME "MESSAGE"``, ``command NAME button, …``, or ``command NAME by hand``."""
        tree, piece = _tree(statement)
        string = _token(tree, "STRING")
        if _token(tree, "HAND") is not None:
            options = self._options(statement, entry, "urgent", "takes", what=f'the command by hand "{entry.name}"')
            for named in list(names_in(tree))[1:]:
                wrong = "A command by hand comes from the owner's own function, not from a link"
                self._mistakes.add(piece.place(named), wrong, "Leave out the from.", code="wrong-option")
            takes, right = self._takes(options, piece)
            made = Command(entry.name, None, "", None, "urgent" in options, entry.place, takes_us=takes)
            return _kept(self.commands, made) if right else None
        if string is None:
            options = self._options(statement, entry, "urgent", *_CONTACT, what=f'the button "{entry.name}"')
            for named in list(names_in(tree))[1:]:
                wrong = "A button comes from its pin, not from a link"
                self._mistakes.add(piece.place(named), wrong, "Leave out the from.", code="wrong-option")
            contact = self._contact(options, piece)
            if contact is None:
                return None
            pins = [token for token in cast("Tree[Token]", options.get("pin")).children if isinstance(token, Token)]
            also = tuple(replace(contact, pin=str(pin)) for pin in pins if pin.type == "PIN" and pin is not pins[0])
            urgent = "urgent" in options
            return _kept(self.commands, Command(entry.name, None, "", contact, urgent, entry.place, also=also))
        options = self._options(statement, entry, "urgent", "from_link", "held", "label", "place")
        link = self._link_of(tree, options, piece)
        message = self._message(string, piece, "A command's message")
        label, spot = self._label(options.token("label"), piece), self._spot(options, piece)
        if message is None or not link or label is None or spot is None:
            return None
        urgent, held = "urgent" in options, "held" in options
        return _kept(self.commands, Command(entry.name, link, message, None, urgent, entry.place, held, label, spot))

    def dial(self, statement: Statement, entry: Entry) -> Dial | None:
        """``dial NAME "PREFIX", LOW .. HIGH, starts VALUE``; several names are several numbers in one message, and what
        is said once is meant for each. The first one's; the others' entries are filled in.
        """
        tree, piece = _tree(statement)
        entries = self._named_by(tree, piece)
        each_has = ("limits", "starts", "label") if len(entries) > 1 else ()
        options = self._options(statement, entry, "limits", "starts", "from_link", "label", "kept", several=each_has)
        link = self._link_of(tree, options, piece)
        string = _token(tree, "STRING")
        prefix = self._message(string, piece, "A dial's prefix") if string is not None else None
        if string is not None and prefix is not None and prefix[-1] in "0123456789+-.":
            message = f'The prefix "{prefix}" ends in what may begin its number'
            self._mistakes.add(piece.place(string), message, 'End it in a letter, as in "v".', code="bad-prefix")
            prefix = None
        if not options.need("limits") or not self._for_each(options, each_has, entries, piece):
            return None
        made = []
        for place, each in enumerate(entries):
            limits = self._range(_nth(options, "limits", place), piece, None, each, whole=True)
            label = self._label(_nth_token(options, "label", place), piece)
            if limits is None or label is None:
                return None
            unit, low, high = limits
            start: int | None = 0
            if (node := _nth(options, "starts", place)) is not None:
                start = self._whole_steps(node, piece, unit, each)
                rule = "A dial starts inside its range,"
                if start is not None and self._outside(start, low, high, unit, node, piece, rule):
                    start = None
            elif not low <= 0 <= high and not options.need(starts=f"starts {unit.show(low)}"):
                return None
            if start is None or prefix is None or not link:
                return None
            made.append(Dial(each.name, link, prefix, unit, low, high, start, each.place, label, "kept" in options))
        for each, found in zip(entries, made, strict=True):
            each.item = _kept(self.dials, found)
        return made[0] if made else None

    def _named_by(self, tree: Tree[Token], piece: Piece) -> list[Entry]:
        """What the names before a statement's text stand for; without those that another line has taken."""
        also = tree_in(tree, "also")
        tokens = [next(names_in(tree)), *(names_in(also) if also is not None else ())]
        entries = [(self._context.names.get(str(token)), piece.place(token)) for token in tokens]
        return [entry for entry, place in entries if entry is not None and entry.place == place]

    def _for_each(self, options: Options, kinds: tuple[str, ...], entries: list[Entry], piece: Piece) -> bool:
        """Whether each of ``kinds`` stands once, or once for each of ``entries``."""
        for kind in kinds:
            found = options.all(kind)
            if len(found) not in (0, 1, len(entries)):
                what = {"limits": "ranges", "starts": "starts", "label": "labels"}[kind]
                message = f"Here are {len(entries)} dials and {len(found)} {what}"
                self._mistakes.add(
                    piece.place(found[-1]), message, "Write one for all, or one for each.", code="not-each"
                )
                return False
        return True

    def _label(self, token: Token | None, piece: Piece) -> str | None:
        """What is written on the remote; "" when the file does not say, None when it cannot be."""
        if token is None:
            return ""
        text = str(token)[1:-1].strip()
        if 0 < len(text) <= _LONGEST_LABEL and text.isprintable():
            return text
        bad = next((char for char in text if not char.isprintable()), "")
        message = f"A label has 1 to {_LONGEST_LABEL} characters, not {len(text)}"
        if bad:
            message = f"A label cannot hold U+{ord(bad):04X}"
        self._mistakes.add(piece.place(token), message, 'A word or two:  label "slowly"', code="bad-label")
        return None

    def _spot(self, options: Options, piece: Piece) -> str | None:
        """Where it is on the remote; "" when the file does not say, None when there is no such place."""
        if (token := options.token("place")) is None or str(token) in SPOTS:
            return str(token or "")
        message = f'The remote has no place "{clip(str(token))}"'
        self._mistakes.add(piece.place(token), message, f"Its places are {', '.join(SPOTS)}.", code="bad-place")
        return None

    def _link_of(self, tree: Tree[Token], options: Options, piece: Piece) -> str:
        """The link that a command or dial comes from; "" when that is wrong."""
        names = [*list(names_in(tree))[1:], *filter(None, [options.token("from_link")])]
        if names:
            entry = self._context.names.find(names[0], piece, "link")
            return entry.name if entry is not None else ""
        if self._link_names is None:
            self._link_names = self._context.names.of_kind(("link",))
        links = self._link_names
        if len(links) == 1:
            return links[0]
        if len(links) > 1:
            message = "This machine has several links: say which one this comes from"
            self._mistakes.add(piece.place(), message, f'Put "from {links[0]}" behind the message.', code="which-link")
        elif not self._context.names.of_kind(("",)):
            message = "This comes from a link, and the machine has none"
            hint = "Declare one:  link operator serial1, 9600 baud, plain, silent after 500 ms"
            self._mistakes.add(piece.place(), message, hint, code="no-link")
        return ""

    def _message(self, token: Token, piece: Piece, what: str) -> str | None:
        text = str(token)[1:-1]
        bad = next((char for char in text if not _MESSAGE.fullmatch(char) or char in "$*'"), "")
        if text and len(text) <= 12 and not bad:
            return text
        if bad:
            shown = "a space" if bad == " " else f'"{bad}"' if bad.isprintable() else f"U+{ord(bad):04X}"
            message = f"{what} cannot hold {shown}"
        else:
            message = f"{what} has 1 to 12 characters, not {len(text)}"
        hint = "It is made of printable ASCII characters, without spaces, quotes, $ and *."
        self._mistakes.add(piece.place(token), message, hint, code="bad-message")
        return None

    def check_messages(self) -> None:
        """Note messages that a link could not tell apart: no message of a plain link begins another."""
        on_link: dict[str, list[tuple[str, str, bool, Place]]] = {}
        for command in self.commands:
            on_link.setdefault(command.link or "", []).append((command.message, command.name, False, command.place))
        first_of_message = {(dial.place.file, dial.place.line): dial for dial in reversed(self.dials)}
        for dial in reversed(first_of_message.values()):
            on_link.setdefault(dial.link, []).append((dial.prefix, dial.name, True, dial.place))
        for link in self.links:
            said = on_link.get(link.name, [])
            said.sort(key=lambda each: (each[0], each[3].line))
            for (text, name, is_dial, place), (longer, other, other_dial, other_place) in pairwise(said):
                if text == longer:
                    message = f'"{name}" and "{other}" are both "{text}" on the link {link.name}'
                elif not longer.startswith(text):
                    continue
                elif not link.checked:
                    message = f'"{text}" ({name}) begins "{longer}" ({other})'
                    message += f", so that {other} would never be heard on a plain link"
                elif is_dial and not other_dial and longer[len(text) :].replace("-", "").replace(",", "").isdigit():
                    message = f'"{longer}" ({other}) is also a number of the dial {name}'
                else:
                    continue
                first, late = sorted((place, other_place), key=lambda each: each.line)
                hint = f"The other stands on {at(first, late)}. Choose another message for one of them."
                self._mistakes.add(late, message, hint, code="messages-alike")

    # -------------------------------------------------------------------------------------------------------- contacts

    def switch(self, statement: Statement, entry: Entry) -> Switch | None:
        """``switch NAME pin PIN, on when high | low, settle TIME, on if in doubt``, or ``switch NAME by hand``."""
        _, piece = _tree(statement)
        options = self._options(statement, entry, "by_hand", *_CONTACT, "on_if_in_doubt", "takes")
        if "by_hand" in options:
            if any(kind in options for kind in (*_CONTACT, "on_if_in_doubt")):
                message = "A switch by hand has no pin: the owner's own function tells whether it is on"
                self._mistakes.add(piece.place(), message, f"Write:  switch {entry.name} by hand", code="wrong-option")
                return None
            takes, right = self._takes(options, piece)
            return _kept(self.switches, Switch(entry.name, None, entry.place, takes_us=takes)) if right else None
        if "takes" in options:
            message = "A switch on a pin takes no time: takes at most is said of what is by hand"
            self._mistakes.add(piece.place(options.get("takes")), message, "Leave it out.", code="wrong-option")
            return None
        contact = self._contact(options, piece)
        if contact is None:
            return None
        node = options.get("pin")
        if node is not None and sum(isinstance(child, Token) and child.type == "PIN" for child in node.children) > 1:
            message = "A switch has one pin: with two it would be on and off at once"
            hint = "Declare two switches, and ask for one or the other. Only a button may be in two places."
            self._mistakes.add(piece.place(node), message, hint, code="wrong-option")
            return None
        return _kept(self.switches, Switch(entry.name, contact, entry.place, "on_if_in_doubt" in options))

    def _takes(self, options: Options, piece: Piece) -> tuple[int | None, bool]:
        """Microseconds that something by hand takes at most, None where it does not say; whether that could be read."""
        node = options.tree("takes")
        if node is None:
            return None, True
        value = quantity(node, piece)
        ms = self._context.measures.milliseconds(value, "the time that something by hand takes")
        if ms is None:
            return None, False
        if not 0 < ms <= 8000 or ms * 1000 != int(ms * 1000):
            message = f"Something by hand cannot take {value}"
            hint = "It takes a whole number of microseconds from 0.001 ms to 8 s, and well less than a tick."
            self._mistakes.add(value.place, message, hint, code="out-of-limits")
            return None, False
        return int(ms * 1000), True

    def library(self, statement: Statement) -> None:
        """``library "NAME"``."""
        tree, piece = _tree(statement)
        token = _token(tree, "STRING")
        assert token is not None
        name = str(token)[1:-1]
        if not _LIBRARY.fullmatch(name):
            message = f'"{name[:40]}" is not the name of a library'
            hint = 'It is named as its folder is, without an ending:  library "Wire"'
            self._mistakes.add(piece.place(token), message, hint, code="bad-name")
        elif name in self.libraries:
            message = f'The library "{name}" is named twice ({at(self.libraries[name], piece.place(token))})'
            self._mistakes.add(piece.place(token), message, "Leave one of them out.", code="duplicate-name")
        else:
            self.libraries[name] = piece.place(token)

    def _contact(self, options: Options, piece: Piece) -> Contact | None:
        ready = options.need("pin", "on_when")
        settle: int | None = self._at_least(_SETTLE_MS)
        if "settle" in options:
            settle = self._ticks(options, "settle", piece, "the time to settle", least=0)
        if not ready or settle is None:
            return None
        return Contact(options.text("pin"), options.text("on_when") == "high", settle)

    # --------------------------------------------------------------------------------------------------------- sensors

    def sensor(self, statement: Statement, entry: Entry) -> Sensor | None:
        """``sensor NAME KIND, …``; a remembered one is read by :meth:`remembered`, after the others."""
        tree, _ = _tree(statement)
        kind_tree = tree_in(tree, "sensor_kind")
        assert kind_tree is not None
        kind = cast("Token", kind_tree.children[0])
        reader = {
            "RANGE": self._ranger,
            "VOLTAGE": self._voltage,
            "RATIO": self._ratio,
            "CURRENT": self._current,
            "TEMPERATURE": self._thermistor,
            "PULSES": self._pulses,
            "HAND": self._by_hand,
        }[kind.type]
        return reader(statement, entry)

    def _ranger(self, statement: Statement, entry: Entry) -> Sensor | None:
        options = self._sensor_options(statement, entry, "range", "trigger", "echo", "no_echo_far", "air")
        ready = options.need("trigger", "echo", "limits")
        air: int | None = 200
        if (node := options.tree("air")) is not None:
            air = self._context.steps(node, statement.piece, Unit.TEMPERATURE, "the air's temperature")
            if air is not None and self._outside(
                air, -400, 600, Unit.TEMPERATURE, node, statement.piece, "The air's temperature is within"
            ):
                air = None
        if not ready or air is None:
            return None
        source = Ranger(options.text("trigger"), options.text("echo"), "no_echo_far" in options, air)
        return self._finish(statement, entry, options, Unit.LENGTH, source, low_at_least=0)

    def _voltage(self, statement: Statement, entry: Entry) -> Sensor | None:
        options = self._sensor_options(statement, entry, "voltage", "pin")
        if not options.need("pin", "limits"):
            return None
        source = AnalogVoltage(options.text("pin"))
        return self._finish(statement, entry, options, Unit.VOLTAGE, source, low_at_least=0)

    def _ratio(self, statement: Statement, entry: Entry) -> Sensor | None:
        options = self._sensor_options(statement, entry, "ratio", "pin")
        if not options.need("pin", "limits"):
            return None
        source = AnalogRatio(options.text("pin"))
        sensor = self._finish(statement, entry, options, Unit.RATIO, source, low_at_least=0)
        if sensor is not None and sensor.high > FULL_RATIO:
            message = f"{Unit.RATIO.show(sensor.high)} is more than all"
            hint = "A ratio is a part of the reference: 0 % .. 100 % at most."
            self._mistakes.add(statement.piece.place(options.get("limits")), message, hint, code="out-of-limits")
        return sensor

    def _current(self, statement: Statement, entry: Entry) -> Sensor | None:
        options = self._sensor_options(statement, entry, "current", "pin", "point", several=("point",))
        if not options.need("pin", "point"):
            return None
        points = options.all("point")
        if len(points) != 2:
            message = f"A current sensor is described by two points, not {len(points)}"
            hint = "Write what the pin shows at two currents:  0.5 V is 0 A, 2.5 V is 20 A"
            self._mistakes.add(statement.piece.place(points[-1]), message, hint, code="two-points")
            return None
        steps = [
            self._context.steps(child, statement.piece, unit, what)
            for point in points
            for child, unit, what in zip(
                point.children, (Unit.VOLTAGE, Unit.CURRENT), ("what the pin shows", "what it means"), strict=True
            )
        ]
        if None in steps:
            return None
        mv1, ma1, mv2, ma2 = cast("list[int]", steps)
        if mv1 == mv2 or ma1 == ma2:
            message = "These two points do not differ in both voltage and current"
            hint = "Write what the pin shows at two currents:  0.5 V is 0 A, 2.5 V is 20 A"
            self._mistakes.add(statement.piece.place(points[1]), message, hint, code="two-points")
            return None
        source = AnalogCurrent(options.text("pin"), mv1, ma1, mv2, ma2)
        return self._finish(statement, entry, options, Unit.CURRENT, source, default=(min(ma1, ma2), max(ma1, ma2)))

    def _thermistor(self, statement: Statement, entry: Entry) -> Sensor | None:
        options = self._sensor_options(statement, entry, "temperature", "pin", "resistance", "beta", "against")
        piece = statement.piece
        if not options.need("pin", "resistance", "beta", "against"):
            return None
        resistance, against = options.get("resistance"), options.tree("against")
        assert resistance is not None and against is not None
        ohm_tree, at_tree = resistance.children
        assert isinstance(ohm_tree, Tree) and isinstance(at_tree, Tree)
        ohm = self._context.measures.ohms(quantity(ohm_tree, piece))
        at_c = self._context.steps(at_tree, piece, Unit.TEMPERATURE, "where a thermistor is measured")
        other = self._context.measures.ohms(quantity(against, piece))
        beta = self._number(options, "beta", piece, "A thermistor's beta", 500, 10_000)
        if ohm is None or at_c is None or other is None or beta is None:
            return None
        if self._outside(at_c, -500, 2000, Unit.TEMPERATURE, at_tree, piece, "A thermistor is measured within"):
            return None
        source = Thermistor(options.text("pin"), ohm, at_c, beta, other)
        return self._finish(statement, entry, options, Unit.TEMPERATURE, source, default=(-400, 1250))

    def _pulses(self, statement: Statement, entry: Entry) -> Sensor | None:
        options = self._sensor_options(statement, entry, "pulses", "pin")
        if not options.need("pin", "limits"):
            return None
        return self._finish(statement, entry, options, Unit.RATE, Pulses(options.text("pin")), low_at_least=0)

    def _by_hand(self, statement: Statement, entry: Entry) -> Sensor | None:
        options = self._sensor_options(statement, entry, "by hand", "takes")
        takes, right = self._takes(options, statement.piece)
        if not options.need("limits") or not right:
            return None
        return self._finish(statement, entry, options, None, ByHand(takes))

    def remembered(self, statement: Statement, entry: Entry) -> Sensor | None:
        """``sensor NAME OTHER, taken in MODE after TIME, patience TIME``."""
        tree, piece = _tree(statement)
        kind_tree = tree_in(tree, "sensor_kind")
        assert kind_tree is not None
        of = cast("Token", kind_tree.children[0])
        known = self._context.names.get(str(of))
        if known is None and str(of) not in self._context.names.entries:
            meant = self._mistakes.nearest(str(of), [*_SENSOR_KINDS, *self._context.names.of_kind(("sensor",))])
            hint = f'Did you mean "{meant}"?' if meant else f"A sensor is one of: {', '.join(_SENSOR_KINDS)}."
            message = f'"{of}" is neither a way to measure nor a sensor that could be remembered'
            self._mistakes.add(piece.place(of), message, hint, code="unknown-name")
            return None
        source = self._context.names.find(of, piece, "sensor")
        sensor = cast("Sensor | None", source.item if source is not None else None)
        options = self._options(statement, entry, "taken", "patience", what="a remembered reading")
        node = options.get("taken")
        if not options.need("taken") or node is None or sensor is None:
            return None
        found = self._context.find_mode(list(names_in(node)), piece)
        after: int | None = 0
        if (amount := tree_in(node, "amount")) is not None:
            after = self._context.ticks(amount, piece, 'the time after "after"')
        patience = self._patience(options, piece)
        if found is None or after is None or patience is None:
            return None
        part, mode = found
        if mode.kind != "mode":
            message = f'"{mode.name}" is a group, and a reading is taken in one mode'
            self._mistakes.add(piece.place(node), message, "Name the mode.", code="wrong-kind")
            return None
        if isinstance(sensor.source, Remembered):
            message = f'"{of}" is itself a remembered reading'
            hint = f"Remember what measures:  {sensor.source.of}"
            self._mistakes.add(piece.place(of), message, hint, code="wrong-kind")
            return None
        remembered = Remembered(sensor.name, part.name, mode.name, after)
        return _kept(
            self.sensors,
            Sensor(entry.name, sensor.unit, remembered, sensor.low, sensor.high, None, patience, 1, entry.place),
        )

    def _sensor_options(
        self, statement: Statement, entry: Entry, kind: str, *allowed: str, several: tuple[str, ...] = ()
    ) -> Options:
        what = f"a sensor {kind}" if kind == "by hand" else f"a {kind} sensor"
        common = ("limits", "plausible", "patience", "median", "noise")
        limits = {"voltage": "0 V .. 15 V", "current": "0 A .. 20 A", "temperature": "-20 C .. 60 C"}
        limits |= {"ratio": "0 % .. 100 %", "pulses": "0 Hz .. 60 Hz", "by hand": "0 deg .. 359.9 deg"}
        return self._options(
            statement, entry, *allowed, *common, what=what, several=several, limits=limits.get(kind, "2 cm .. 400 cm")
        )

    def _finish(
        self,
        statement: Statement,
        entry: Entry,
        options: Options,
        unit: Unit | None,
        source: Source,
        *,
        default: tuple[int, int] | None = None,
        low_at_least: int | None = None,
    ) -> Sensor | None:
        """The sensor, once what all sensors have is read too. ``unit`` None: that of its range."""
        piece = statement.piece
        limits: tuple[Unit, int, int] | None
        if "limits" in options:
            limits = self._range(options.tree("limits"), piece, unit, entry)
        else:
            assert unit is not None and default is not None
            limits = (unit, *default)
        median = 1
        if "median" in options:
            found = self._number(options, "median", piece, "A median", 3, _LONGEST_MEDIAN)
            if found is not None and found % 2 == 0:
                message = f"A median needs an odd number of readings, not {found}"
                hint = f"Write {found - 1} or {found + 1}."
                self._mistakes.add(piece.place(options.token("median")), message, hint, code="even-median")
                found = None
            if found is None:
                limits = None
            else:
                median = found
        patience = self._patience(options, piece)
        if limits is None or patience is None:
            return None
        unit, low, high = limits
        node = options.tree("limits")
        if low_at_least is not None and low < low_at_least and node is not None:
            message = f"{entry.what[0].upper()}{entry.what[1:]} never reads less than {unit.show(low_at_least)}"
            hint = f"Begin its range at {unit.show(low_at_least)} or above."
            self._mistakes.add(piece.place(node), message, hint, code="out-of-limits")
            return None
        plausible: tuple[int, int] | None = None
        if (inner := options.tree("plausible")) is not None:
            node = tree_in(inner, "range") or inner
            found_range = self._range(node, piece, unit, entry)
            if found_range is None:
                return None
            plausible = found_range[1:]
            if plausible[0] < low or plausible[1] > high:
                message = "What is plausible goes beyond the sensor's range"
                hint = f"Keep it inside {unit.show(low)} .. {unit.show(high)}."
                self._mistakes.add(piece.place(node), message, hint, code="out-of-limits")
                return None
        noise: int | None = None
        if (amount := options.tree("noise")) is not None:
            noise = self._context.steps(amount, piece, unit, "a sensor's noise")
            if noise is None:
                return None
            if not 0 <= noise <= high - low:
                message = f"A noise of {unit.show(noise)} is more than the sensor's whole range"
                hint = "Say how far its readings tremble from lowest to highest while nothing moves:  noise 2 cm"
                self._mistakes.add(piece.place(amount), message, hint, code="out-of-limits")
                return None
        sensor = Sensor(entry.name, unit, source, low, high, plausible, patience, median, entry.place, noise)
        return _kept(self.sensors, sensor)

    def _patience(self, options: Options, piece: Piece) -> int | None:
        if "patience" not in options:
            return self._at_least(_PATIENCE_MS)
        return self._ticks(options, "patience", piece, "a sensor's patience")

    # --------------------------------------------------------------------------------------------------------- outputs

    def motor(self, statement: Statement, entry: Entry) -> Motor | None:
        """``motor NAME pwm PIN, forward PIN, reverse PIN``, ``… direction PIN`` or ``forward pwm PIN, reverse pwm
        PIN``, with ``ramp`` and ``pause``.
        """
        _, piece = _tree(statement)
        pulsed = ("forward_pwm", "reverse_pwm")
        allowed = ("pwm", "forward", "reverse", "direction", *pulsed, "ramp", "pause", "harmless")
        options = self._options(statement, entry, *allowed)
        two_pulses = any(kind in options for kind in pulsed)
        ready = self._two_pulses(options, piece) if two_pulses else options.need("pwm")
        pair = "forward" in options or "reverse" in options
        if two_pulses:
            pass
        elif "direction" in options and pair:
            message = "This motor has a direction pin and a forward or reverse pin"
            hint = "It has either one direction pin, or a forward and a reverse pin."
            self._mistakes.add(piece.place(), message, hint, code="wrong-option")
            ready = False
        elif "direction" not in options:
            ready = options.need("forward", "reverse") and ready
        ramp: int | None = None
        if (node := options.tree("ramp")) is not None:
            ramp = self._context.measures.plain(quantity(node, piece), "A ramp", 1, 100_000, "%/s")
            ready = ready and ramp is not None
        pause: int | None = 1
        if "pause" in options:
            pause = self._ticks(options, "pause", piece, "the pause before reversing")
        if not ready or pause is None:
            return None
        ways = (*pulsed, "direction") if two_pulses else ("forward", "reverse", "direction")
        forward, reverse, direction = (options.text(kind) or None for kind in ways)
        low: tuple[Literal["forward", "reverse", "direction"], ...] = ("forward", "reverse", "direction")
        on_low = tuple(kind for kind in low if (node := options.tree(kind)) is not None and _says_low(node))
        pins = (options.text("pwm") or None, forward, reverse, direction)
        motor = Motor(entry.name, *pins, ramp, pause, entry.place, on_low, "harmless" in options)
        return _kept(self.outputs, motor)

    def _two_pulses(self, options: Options, piece: Piece) -> bool:
        """Whether a motor whose forward and reverse pins carry pulses has both of them, and no others."""
        ready = options.need("forward_pwm", "reverse_pwm")
        other = next((kind for kind in ("pwm", "direction", "forward", "reverse") if kind in options), "")
        if other and ready:
            message = f"This motor has pulses on its forward and reverse pins, and a {other} pin besides"
            hint = "Pulses on both are all that such a bridge takes: leave out the other pin."
            self._mistakes.add(piece.place(options.get(other)), message, hint, code="wrong-option")
            return False
        for kind in ("forward_pwm", "reverse_pwm"):
            if options.tree(kind) is not None:
                message = "Pulses are high for on"
                hint = 'Leave out "on when". A bridge that is on when low has a pwm, a forward and a reverse pin.'
                self._mistakes.add(piece.place(options.get(kind)), message, hint, code="wrong-option")
                ready = False
        return ready

    def stepper(self, statement: Statement, entry: Entry) -> Stepper | None:
        """``stepper NAME step PIN, direction PIN, enable PIN, at most RATE``, with ``ramp``."""
        _, piece = _tree(statement)
        options = self._options(statement, entry, "step_pin", "direction", "enable", "at_most", "ramp", "harmless")
        ready = options.need("step_pin", "direction", "at_most")
        most: int | None = None
        if (node := options.tree("at_most")) is not None:
            value = quantity(node, piece)
            most = self._context.measures.steps(value, Unit.RATE, "how fast a stepper steps", resolution=Decimal(1))
            if most is not None and self._outside(most, 10, _FASTEST_STEPS, Unit.RATE, node, piece, "It steps within"):
                most = None
        ramp: int | None = None
        if (node := options.tree("ramp")) is not None:
            ramp = self._context.measures.plain(quantity(node, piece), "A stepper's ramp", 1, 100_000, "Hz/s")
            ready = ready and ramp is not None
        if not ready or most is None:
            return None
        roles: tuple[tuple[Literal["step", "direction", "enable"], str], ...] = (
            ("step", "step_pin"), ("direction", "direction"), ("enable", "enable")
        )  # fmt: skip
        low = tuple(role for role, kind in roles if any(_says_low(each) for each in _on_at(options.get(kind))))
        step, direction, enable = (options.text(kind) or None for _, kind in roles)
        assert step is not None and direction is not None
        steep = ramp * 10 if ramp is not None else None
        harmless = "harmless" in options
        stepper = Stepper(entry.name, step, direction, enable, most, steep, entry.place, low, harmless)
        return _kept(self.outputs, stepper)

    def servo(self, statement: Statement, entry: Entry) -> Servo | None:
        """``servo NAME pin PIN, LOW .. HIGH, rest ANGLE | stays``."""
        _, piece = _tree(statement)
        allowed = ("pin", "limits", "rest", "rest_stays", "harmless")
        options = self._options(statement, entry, *allowed, limits="0 deg .. 90 deg")
        if not options.need("pin", "limits"):
            return None
        limits = self._range(options.tree("limits"), piece, Unit.ANGLE, entry)
        if limits is None:
            return None
        _, low, high = limits
        if "rest" in options and "rest_stays" in options:
            message = "This servo rests at an angle and also stays where it is"
            self._mistakes.add(piece.place(options.get("rest_stays")), message, "Choose one.", code="wrong-option")
            return None
        rest = self._rest(options, piece, Unit.ANGLE, low, high, entry)
        if rest is None:
            return None
        stays = "rest_stays" in options
        harmless = "harmless" in options
        servo = Servo(entry.name, options.text("pin"), low, high, None if stays else rest, entry.place, harmless)
        return _kept(self.outputs, servo)

    def hand_output(self, statement: Statement, entry: Entry) -> HandOutput | Display | None:
        """``output NAME by hand, LOW .. HIGH, rest VALUE``, or ``output NAME by hand, shows …, each TIME``."""
        if entry.kind == "display":
            return self._display(statement, entry)
        _, piece = _tree(statement)
        options = self._options(statement, entry, "limits", "rest", "takes", "harmless")
        takes, right = self._takes(options, piece)
        if not options.need("limits") or not right:
            return None
        limits = self._range(options.tree("limits"), piece, None, entry)
        if limits is None:
            return None
        unit, low, high = limits
        rest = self._rest(options, piece, unit, low, high, entry)
        if rest is None:
            return None
        harmless = "harmless" in options
        return _kept(self.outputs, HandOutput(entry.name, unit, low, high, rest, entry.place, takes, harmless))

    def _display(self, statement: Statement, entry: Entry) -> Display | None:
        """What it shows is found by :meth:`fill_displays`, when all that has a name has been read."""
        tree, piece = _tree(statement)
        options = self._options(statement, entry, "shows", "also_shown", "each", "takes", several=("also_shown",))
        takes, right = self._takes(options, piece)
        if not options.need("shows", "each") or not right:
            return None
        each = self._ticks(options, "each", piece, "the time between two showings")
        if each is None:
            return None
        nodes = [node.children[0] for node in tree.children if isinstance(node, Tree) and "show" in node.data]
        self._shown.append((piece, [node for node in nodes if isinstance(node, Tree)]))
        return _kept(self.displays, Display(entry.name, (), each, entry.place, takes))

    def fill_displays(self) -> None:
        """Find what the displays show."""
        for number, (piece, nodes) in enumerate(self._shown):
            found: dict[ShownValue, Tree[Token]] = {}
            for node in nodes:
                shown = self._shown_by(node, piece)
                if shown is not None and shown in found:
                    message = "This is shown twice"
                    self._mistakes.add(piece.place(node), message, "Leave one of them out.", code="option-twice")
                elif shown is not None:
                    found[shown] = node
            self.displays[number] = replace(self.displays[number], shows=tuple(found))

    def _shown_by(self, node: Tree[Token], piece: Piece) -> ShownValue | None:
        context = self._context
        token, *more = (child for child in node.children if isinstance(child, Token))
        known = context.names.get(str(token))
        if more and more[-1].type == "FAULT":
            sensor = context.names.find(token, piece, "sensor")
            return ShownValue("fault", sensor.name) if sensor is not None else None
        if str(token) == "mode" and more:
            part = context.part_names.find(more[-1], piece, "part")
            return ShownValue("mode", part.name) if part is not None else None
        if more:
            message = f'Only a mode is shown "of" a part, not "{token}"'
            self._mistakes.add(piece.place(node), message, f"Write:  {token}", code="wrong-option")
            return None
        if str(token) == "mode" and known is None:
            parts = list(context.parts)
            if len(parts) == 1:
                return ShownValue("mode", parts[0])
            message = "This machine has several parts: say whose mode is shown"
            ways = " or ".join(f"mode of {name}" for name in parts[:3])
            self._mistakes.add(piece.place(node), message, f"Write {ways}.", code="ambiguous")
            return None
        if known is not None and known.kind in OUTPUTS:
            message = f'"{token}" is {article(known.kind)}, which is not shown'
            hint = "What can be shown: the mode, sensors, their faults, dials, counters, levels and switches."
            self._mistakes.add(piece.place(node), message, hint, code="wrong-kind")
            return None
        kinds = ("sensor", "dial", "counter", "level", "switch")
        entry = context.names.find(token, piece, *kinds, wanted="something that can be shown")
        if entry is None:
            return None
        return ShownValue(cast('Literal["sensor", "dial", "counter", "level", "switch"]', entry.kind), entry.name)

    def _rest(self, options: Options, piece: Piece, unit: Unit, low: int, high: int, entry: Entry) -> int | None:
        node = options.tree("rest")
        if node is None:
            return low
        rest = self._context.steps(node, piece, unit, entry.what)
        if rest is not None and self._outside(rest, low, high, unit, node, piece, "It rests inside its range,"):
            return None
        return rest

    def lamp(self, statement: Statement, entry: Entry) -> Lamp | DimLamp:
        """``lamp NAME pin PIN, on when high | low``, or ``lamp NAME pwm PIN``."""
        options = self._options(statement, entry, "on_when", "pwm")
        if "pwm" in options:
            if options.text("on_when") == "low":
                place = statement.piece.place(options.get("on_when"))
                hint = 'Leave it out, or write pin for a lamp that is only on or off:  pin 13, on when low'
                self._mistakes.add(place, "Pulses are high for on", hint, code="wrong-option")
            return _kept(self.outputs, DimLamp(entry.name, options.text("pwm"), entry.place))
        return _kept(self.outputs, Lamp(entry.name, _pin(statement), entry.place, options.text("on_when") == "low"))

    def relay(self, statement: Statement, entry: Entry) -> Relay:
        """``relay NAME pin PIN, on when high | low, harmless``."""
        options = self._options(statement, entry, "on_when", "harmless")
        low, harmless = options.text("on_when") == "low", "harmless" in options
        return _kept(self.outputs, Relay(entry.name, _pin(statement), entry.place, low, harmless))

    def buzzer(self, statement: Statement, entry: Entry) -> Buzzer | None:
        """``buzzer NAME pin PIN, PITCH, on when high | low``."""
        _, piece = _tree(statement)
        options = self._options(statement, entry, "pitch", "on_when")
        hertz = _BUZZER_HZ
        if (node := options.tree("pitch")) is not None:
            value = quantity(node, piece)
            steps = self._context.measures.steps(value, Unit.RATE, "a buzzer's pitch", resolution=Decimal(1))
            if steps is None:
                return None
            hertz = steps // 10
            if self._outside(steps, 310, 200_000, Unit.RATE, node, piece, "A buzzer is heard within"):
                return None
        low = options.text("on_when") == "low"
        return _kept(self.outputs, Buzzer(entry.name, _pin(statement), hertz, entry.place, low))

    # --------------------------------------------------------------------------------------------------------- helpers

    def _options(
        self,
        statement: Statement,
        entry: Entry,
        *allowed: str,
        what: str = "",
        several: tuple[str, ...] = (),
        limits: str = "0 % .. 100 %",
    ) -> Options:
        tree, piece = _tree(statement)
        nodes = [node for node in tree.children if isinstance(node, Tree) and node.data not in ("sensor_kind", "also")]
        return Options(nodes, piece, self._context, what or entry.what, allowed, several=several, limits=limits)

    def _number(self, options: Options, kind: str, piece: Piece, what: str, low: int, high: int) -> int | None:
        token = options.token(kind)
        if token is None:
            return None
        number = Decimal(str(token))
        if number != int(number) or not low <= number <= high:
            shown = str(token) if len(token) <= 20 else f"{token[:17]}..."
            hint = f"It is a whole number from {low} to {high}."
            self._mistakes.add(piece.place(token), f"{what} cannot be {shown}", hint, code="out-of-limits")
            return None
        return int(number)

    def _ticks(self, options: Options, kind: str, piece: Piece, what: str, *, least: int = 1) -> int | None:
        node = options.tree(kind)
        return self._context.ticks(node, piece, what, least=least) if node is not None else None

    def _at_least(self, ms: int) -> int:
        return -(-ms // self._context.measures.tick_ms)

    def _range(
        self, node: Tree[Token] | None, piece: Piece, unit: Unit | None, entry: Entry, *, whole: bool = False
    ) -> tuple[Unit, int, int] | None:
        """A range's unit and ends in steps. ``unit`` None: any, taken from the ends."""
        if node is None:
            return None
        ends = [quantity(child, piece) for child in node.children if isinstance(child, Tree)]
        if unit is None:
            unit = unit_of(ends[1].symbol)
            if unit is None:
                message = f'"{ends[1].symbol[:20]}" is not a unit that a reading can have'
                every = "; ".join(dict.fromkeys(in_symbols(each) for each in Unit))
                hint = f"A reading is {every}."
                self._mistakes.add(ends[1].place, message, hint, code="unknown-unit")
                return None
        resolution = Decimal(1) if whole else None
        low = self._context.measures.steps(ends[0], unit, entry.what, resolution=resolution)
        if low is None:
            return None
        high = self._context.measures.steps(ends[1], unit, entry.what, resolution=resolution)
        if high is None:
            return None
        if low >= high:
            message = f"This range goes from {ends[0]} to {ends[1]}"
            hint = f"Its low end comes first:  {ends[1]} .. {ends[0]}" if low > high else "Its ends must differ."
            self._mistakes.add(piece.place(node), message, hint, code="bad-range")
            return None
        return unit, low, high

    def _whole_steps(self, node: Tree[Token], piece: Piece, unit: Unit, entry: Entry) -> int | None:
        """As a dial is heard: in whole units of its shown symbol."""
        return self._context.measures.steps(quantity(node, piece), unit, entry.what, resolution=Decimal(1))

    def _outside(self, value: int, low: int, high: int, unit: Unit, node: Tree[Token], piece: Piece, rule: str) -> bool:
        """Whether ``value`` is not in the range ``low`` .. ``high``; notes it then."""
        if low <= value <= high:
            return False
        message = f"{unit.show(value)} is out of reach"
        hint = f"{rule} {unit.show(low)} .. {unit.show(high)}."
        self._mistakes.add(piece.place(node), message, hint, code="out-of-limits")
        return True


_SENSOR_KINDS = ("range", "ratio", "voltage", "current", "temperature", "pulses", "by hand")

T = TypeVar("T")


def _kept(where: MutableSequence[Any], item: T) -> T:
    where.append(item)
    return item


def _tree(statement: Statement) -> tuple[Tree[Token], Piece]:
    assert statement.tree is not None
    return statement.tree, statement.piece


def _token(tree: Tree[Token], kind: str) -> Token | None:
    return next((child for child in tree.children if isinstance(child, Token) and child.type == kind), None)


def _nth(options: Options, kind: str, place: int) -> Tree[Token] | None:
    """The tree in the option of that kind that is meant for the dial at ``place``: its own, or the one for all."""
    found = options.all(kind)
    node = found[place if len(found) > 1 else 0] if found else None
    return next((child for child in node.children if isinstance(child, Tree)), None) if node is not None else None


def _nth_token(options: Options, kind: str, place: int) -> Token | None:
    """Likewise, the token in it."""
    found = options.all(kind)
    node = found[place if len(found) > 1 else 0] if found else None
    return next((child for child in node.children if isinstance(child, Token)), None) if node is not None else None


def _pin(statement: Statement) -> str:
    tree, _ = _tree(statement)
    return str(_token(tree, "PIN"))


def _on_at(node: Tree[Token] | None) -> list[Tree[Token]]:
    """The `on when …` of a pin."""
    return [child for child in node.children if isinstance(child, Tree)] if node is not None else []


def _says_low(node: Tree[Token]) -> bool:
    return any(isinstance(child, Token) and child.type == "LOW" for child in node.children)


def is_remembered(statement: Statement) -> bool:
    """Whether a sensor's statement names another sensor to remember."""
    kind = tree_in(statement.tree, "sensor_kind") if statement.tree is not None else None
    return kind is not None and isinstance(kind.children[0], Token) and kind.children[0].type == "NAME"
