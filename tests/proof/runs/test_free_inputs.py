"""What is heard in a slice's run: by what the slice took for the clocks of messages."""

from __future__ import annotations

import pytest

from statecraft.findings import Stimulus
from statecraft.language import read_text
from statecraft.proof.runs.free_inputs import _heard

MACHINE = read_text("""machine hoist
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, plain, silent after 300 ms
command halt "h" from radio, urgent
command go "g" from radio
command creep "c" from radio
command wink "w" from radio
relay drum pin 7
mode resting stop
mode rising drum on
rules
in      | when                | go to
any     | halt                | resting
resting | go                  | rising
rising  | creep absent 200 ms | resting
rising  | radio silent        | resting
""")
CREEP, RADIO = "absent creep", "silent radio"


@pytest.mark.parametrize(
    ("clocks", "said", "kept", "heard"),
    [
        ({}, {}, (), ()),  # nothing asks for it
        ({CREEP: 19}, {}, (), ("creep",)),
        ({CREEP: 20}, {}, (), ()),
        ({CREEP: 0}, {"taken": "creep"}, (), ()),  # that is taken
        ({CREEP: 0}, {"heard": ("creep",)}, (), ("creep",)),
        ({CREEP: 0}, {}, (CREEP,), ()),  # followed: the run says itself where it is heard
        ({CREEP: 0}, {}, (RADIO,), ()),  # it would end a silence
        ({CREEP: 0}, {"taken": "go"}, (RADIO,), ("creep",)),
        ({CREEP: 0}, {"tuned": ("radio",)}, (RADIO,), ("creep",)),
        ({RADIO: 29}, {}, (), ("creep",)),  # one that no row waits for
        ({RADIO: 30}, {}, (), ()),
        ({RADIO: 29}, {"taken": "go"}, (), ()),
        ({RADIO: 29, CREEP: 3}, {}, (), ("creep",)),
        ({RADIO: 29, CREEP: 40}, {}, (), ("wink",)),
    ],
)
def test_what_is_not_late_is_heard(
    clocks: dict[str, int], said: dict[str, object], kept: tuple[str, ...], heard: tuple[str, ...]
) -> None:
    dials = tuple((f"clock {name}", value) for name, value in clocks.items())
    assert _heard(MACHINE, Stimulus(dials=dials, **said), kept, False) == heard  # type: ignore[arg-type]


def test_quietly_nothing_is_heard_where_its_link_is_silent() -> None:
    late = Stimulus(dials=(("clock absent creep", 0), ("clock silent radio", 30)))
    assert _heard(MACHINE, late, (), False) == ("creep",)
    assert _heard(MACHINE, late, (), True) == ()
