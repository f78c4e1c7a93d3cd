"""The comma-separated options of a declaration: each once, each where it belongs, none missing."""

from __future__ import annotations

from collections.abc import Iterable

from lark import Token, Tree

from statecraft.language.context import Context
from statecraft.language.lines import Piece

_WORDS = {
    "framing": "plain or checked",
    "baud": "9600 baud",
    "silent_after": "silent after 500 ms",
    "from_link": "from operator",
    "held": "held",
    "label": 'label "slowly"',
    "place": "place left",
    "pin": "pin 5",
    "on_when": "on when high, or on when low",
    "settle": "settle 20 ms",
    "by_hand": "by hand",
    "limits": "",
    "starts": "starts 40 %",
    "kept": "kept",
    "trigger": "trigger 22",
    "echo": "echo 23",
    "no_echo_far": "no echo reads far",
    "air": "air 10 C",
    "median": "median of 3",
    "plausible": "plausible 4 V .. 14 V",
    "patience": "patience 1 s",
    "noise": "noise 2 cm",
    "point": "two points, such as 0.5 V is 0 A, 2.5 V is 20 A",
    "resistance": "10 kohm at 25 C",
    "beta": "beta 3950",
    "against": "against 10 kohm",
    "taken": "taken in look_left after 350 ms",
    "pwm": "pwm 5",
    "forward_pwm": "forward pwm 5",
    "reverse_pwm": "reverse pwm 6",
    "step_pin": "step 8",
    "enable": "enable 10 on when low",
    "forward": "forward 30",
    "reverse": "reverse 31",
    "direction": "direction 8",
    "ramp": "ramp 200 %/s",
    "pause": "pause 300 ms before reversing",
    "rest": "rest 0 deg",
    "rest_stays": "rest stays",
    "harmless": "harmless",
    "starts_on": "starts on",
    "on_if_in_doubt": "on if in doubt",
    "takes": "takes at most 2 ms",
    "pitch": "2 kHz",
    "at_most": "at most 600 Hz",
    "shows": "shows mode, front",
    "each": "each 200 ms",
}


class Options:
    """The options of one statement, by kind; those that do not belong or stand twice are noted and left out.

    ``limits`` is an example of a range that suits the statement.
    """

    def __init__(
        self,
        nodes: Iterable[Tree[Token] | Token],
        piece: Piece,
        context: Context,
        what: str,
        allowed: Iterable[str],
        *,
        several: Iterable[str] = (),
        limits: str = "2 cm .. 400 cm",
    ) -> None:
        self._piece = piece
        self._context = context
        self._what = what
        self._words = {**_WORDS, "limits": f"its range, such as {limits}"}
        self._sound = True
        self._found: dict[str, list[Tree[Token]]] = {}
        allowed, several = frozenset(allowed), frozenset(several)
        for node in nodes:
            if not isinstance(node, Tree):
                continue
            kind = str(node.data)
            word = self._words.get(kind, kind)
            if kind not in allowed:
                self._sound = False
                message = f'{_capital(what)} has no "{_written(piece, node)}"'
                right = "; ".join(self._words[name] for name in self._words if name in allowed)
                hint = f"It may have:  {right}" if right else ""
                context.mistakes.add(piece.place(node), message, hint, code="wrong-option")
            elif kind in self._found and kind not in several:
                twice = {"limits": "a range", "framing": word}.get(kind, f'"{word.split()[0]}"')
                message = f"{_capital(what)} has {twice} twice"
                context.mistakes.add(piece.place(node), message, "Leave one of them out.", code="option-twice")
            else:
                self._found.setdefault(kind, []).append(node)

    def __contains__(self, kind: str) -> bool:
        return kind in self._found

    def get(self, kind: str) -> Tree[Token] | None:
        """The option of that kind."""
        return self._found[kind][0] if kind in self._found else None

    def all(self, kind: str) -> list[Tree[Token]]:
        """Every option of that kind."""
        return self._found.get(kind, [])

    def token(self, kind: str) -> Token | None:
        """The first token in the option of that kind."""
        node = self.get(kind)
        return next((child for child in node.children if isinstance(child, Token)), None) if node else None

    def text(self, kind: str) -> str:
        """That token's text, or ""."""
        token = self.token(kind)
        return str(token) if token is not None else ""

    def tree(self, kind: str) -> Tree[Token] | None:
        """The first tree in the option of that kind."""
        node = self.get(kind)
        return next((child for child in node.children if isinstance(child, Tree)), None) if node else None

    def need(self, *kinds: str, **words: str) -> bool:
        """Whether all of these, and of ``words``, are there. The missing ones are noted together, unless something else
        is wrong here, in ``words`` if there are some for them."""
        kinds = (*kinds, *words)
        missing = [kind for kind in kinds if kind not in self._found]
        if not missing:
            return True
        if self._sound:
            hint = f"Add:  {'; '.join(words.get(kind, self._words[kind]) for kind in missing)}"
            self._context.mistakes.add(
                self._piece.place(), f"{_capital(self._what)} is not complete", hint, code="missing-option"
            )
        return False


def _written(piece: Piece, node: Tree[Token]) -> str:
    """What was written for ``node``, cut short."""
    begin = piece.place(node).column - 1 - piece.start
    return piece.text[begin : begin + min(piece.place(node).width, 50)]


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]
