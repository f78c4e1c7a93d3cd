# ruff: noqa: E501  (a message stands on one line, as it is said)
"""Every mistake that the reader tells, with what it says: one mistake in, that one message out.

Each case puts one slip into a machine that is right otherwise. The test asks for exactly one message, so that none of
these slips makes noise elsewhere, and for the very words, so that they are read again whenever they change.
"""

from __future__ import annotations

import re
from typing import Any

import pytest

from statecraft.language import FileErrors, read_text, show
from tests.language.frame import BEHAVIOUR, HARDWARE, frame, mistakes

TWO_LINKS = re.sub(r'(?m)^((?:command|dial) \w+ "[^"]+")', r"\1 from operator", HARDWARE)

CASES: list[tuple[str, dict[str, Any], str, str, str, str]] = [
    (
        "misspelt first word",
        {"more_hardware": "sensr back range, trigger 28, echo 29, 2 cm .. 400 cm"},
        "unknown-statement",
        "sensr",
        'A line cannot begin with "sensr"',
        "Did you mean sensor?",
    ),
    (
        "unknown first word",
        {"more_hardware": "wheel left pin 3"},
        "unknown-statement",
        "wheel",
        'A line cannot begin with "wheel"',
        "A line begins with what it is about: mode, command, sensor, motor, rules and so on.",
    ),
    (
        "if",
        {"more_hardware": "if front < 3 cm then stop"},
        "unknown-statement",
        "if",
        'A line cannot begin with "if"',
        "Conditions are written in a table, under failsafes or rules:  in | when | go to | do",
    ),
    (
        "starts with sign",
        {"more_hardware": "- lamp x pin 3"},
        "unknown-statement",
        "-",
        'A line cannot begin with "-"',
        "A line begins with what it is about: mode, command, sensor, motor, rules and so on.",
    ),
    (
        "misspelt option",
        {"more_hardware": "sensor back range, triger 28, echo 29, 2 cm .. 400 cm"},
        "syntax",
        "triger",
        '"triger" does not fit here',
        "Did you mean trigger?",
    ),
    (
        "missing comma",
        {"more_hardware": "sensor back range, trigger 28 echo 29, 2 cm .. 400 cm"},
        "missing-comma",
        " ",
        'A comma is missing before "echo"',
        "It is written like this:  sensor front range, trigger 22, echo 23, 2 cm .. 400 cm",
    ),
    (
        "comma at end",
        {"more_hardware": "sensor back range, trigger 28,"},
        "stray-comma",
        ",",
        "Something should follow this comma",
        "It is written like this:  sensor front range, trigger 22, echo 23, 2 cm .. 400 cm",
    ),
    (
        "ends too soon",
        {"more_hardware": "link radio serial2, 9600"},
        "unfinished",
        "0",
        "The line ends here, but baud should follow",
        "It is written like this:  link operator serial1, 9600 baud, plain, silent after 500 ms",
    ),
    (
        "capital",
        {"rule": "parked | go AND bumper | cruise |"},
        "capitals",
        "AND",
        "AND is not known here",
        "Write and: the language's own words are in small letters.",
    ),
    (
        "one equals",
        {"rule": "parked | turns = 3 | cruise |"},
        "sign",
        "=",
        'A condition does not use "="',
        "Write == instead.",
    ),
    (
        "ampersands",
        {"rule": "parked | go && bumper | cruise |"},
        "sign",
        "&&",
        'A condition does not use "&&"',
        "Write and instead.",
    ),
    (
        "exclamation",
        {"rule": "parked | !bumper | cruise |"},
        "sign",
        "!",
        'A condition does not use "!"',
        "Write not instead.",
    ),
    (
        "open quote",
        {"more_hardware": 'command x "abc'},
        "open-quote",
        '"abc',
        "This text in quotes does not end on its line",
        'Close it with a ".',
    ),
    (
        "parenthesis open",
        {"rule": "parked | (go or bumper | cruise |"},
        "parentheses",
        "(",
        "This parenthesis is never closed",
        "Put a ) where it ends.",
    ),
    (
        "parenthesis closed",
        {"rule": "parked | go or bumper) | cruise |"},
        "parentheses",
        ")",
        "This parenthesis closes nothing",
        "Remove it, or put a ( before it.",
    ),
    (
        "too deep",
        {"rule": "parked | " + "(" * 60 + "go" + ")" * 60 + " | cruise |"},
        "too-deep",
        "(",
        "This is nested more than 40 deep",
        "Split it: give parts of it names, as levels.",
    ),
    (
        "pretty quotes",
        {"more_hardware": "command x “x”"},
        "look-alike",
        "“",
        "The sign “ (U+201C) is not a character of the language",
        'Write " instead.',
    ),
    (
        "pretty less",
        {"rule": "parked | front ≤ 3 cm | cruise |"},
        "look-alike",
        "≤",
        "The sign ≤ (U+2264) is not a character of the language",
        "Write <= instead.",
    ),
    (
        "no-break space",
        {"more_hardware": "lamp\xa0x pin 3"},
        "look-alike",
        "\xa0",
        "A no-break space (U+00A0) is not a character of the language",
        "Write an ordinary space instead.",
    ),
    (
        "control",
        {"more_hardware": "lamp x\x07 pin 3"},
        "control-character",
        "\x07",
        "A control character (U+0007) stands here, which no editor shows",
        "Delete it.",
    ),
    (
        "tab",
        {"more_hardware": "lamp\tx pin 3"},
        "tab",
        "\t",
        "There is a tab here",
        "Use spaces: a tab is as wide as each editor likes, and columns no longer line up.",
    ),
    (
        "degree",
        {"more_hardware": "constant warm = 30 °C"},
        "look-alike",
        "°",
        "The sign ° (U+00B0) is not a character of the language",
        "Write deg, or C for temperatures instead.",
    ),
    (
        "capital name",
        {"more_hardware": "lamp Left pin 3"},
        "bad-name",
        "Left",
        '"Left" cannot be a name',
        "A name has small letters from a to z, digits and underscores, and begins with a letter. Write left.",
    ),
    (
        "umlaut name",
        {"more_hardware": "lamp tür pin 3"},
        "bad-name",
        "tür",
        '"tür" cannot be a name',
        "A name has small letters from a to z, digits and underscores, and begins with a letter. Write tur.",
    ),
    (
        "long name",
        {"more_hardware": "lamp " + "x" * 10_000 + " pin 3"},
        "long-name",
        "x" * 10_000,
        "This name has 10000 letters",
        "A name has 40 letters at most.",
    ),
    (
        "number name",
        {"more_hardware": "lamp 3left pin 3"},
        "bad-name",
        "3left",
        '"3left" cannot be a name',
        "A name has small letters from a to z, digits and underscores, and begins with a letter.",
    ),
    (
        "reserved mode",
        {"more_modes": "mode any stop"},
        "reserved-word",
        "any",
        '"any" is a word of the language, so it cannot be the name of a mode',
        "Call it something else, such as any_mode.",
    ),
    (
        "reserved name",
        {"more_hardware": "switch not pin 3, on when low"},
        "reserved-word",
        "not",
        '"not" is a word of the language, so it cannot be the name of a switch',
        "Call it something else, such as not_switch.",
    ),
    (
        "duplicate",
        {"more_hardware": "switch front pin 3, on when low"},
        "duplicate-name",
        "front",
        '"front" is already the name of a sensor (line 9)',
        "Give one of them another name.",
    ),
    (
        "duplicate mode",
        {"more_modes": "mode parked stop"},
        "duplicate-name",
        "parked",
        '"parked" is already the name of a mode (line 22)',
        "Give one of them another name.",
    ),
    (
        "unknown name",
        {"rule": "parked | frnt < 30 cm | cruise |"},
        "unknown-name",
        "frnt",
        'There is no sensor, dial or counter "frnt"',
        'Did you mean "front"?',
    ),
    (
        "unknown command",
        {"rule": "parked | goo | cruise |"},
        "unknown-name",
        "goo",
        'There is no command, switch or level "goo"',
        'Did you mean "go"?',
    ),
    (
        "unknown mode in",
        {"rule": "parkd | go | cruise |"},
        "unknown-name",
        "parkd",
        'There is no mode or group "parkd"',
        'Did you mean "parked"?',
    ),
    (
        "unknown mode go",
        {"rule": "parked | go | cruse |"},
        "unknown-name",
        "cruse",
        'There is no mode or group "cruse"',
        'Did you mean "cruise"?',
    ),
    (
        "unknown sensor fault",
        {"rule": "parked | fornt fault | cruise |"},
        "unknown-name",
        "fornt",
        'There is no sensor "fornt"',
        'Did you mean "front"?',
    ),
    (
        "wrong kind fault",
        {"rule": "parked | bumper fault | cruise |"},
        "wrong-kind",
        "bumper",
        '"bumper" is a switch (line 11), but here a sensor is needed',
        "There are: front, supply.",
    ),
    (
        "sensor alone",
        {"rule": "parked | front | cruise |"},
        "no-condition",
        "front",
        '"front" is a sensor, and by itself neither true nor false',
        "Compare it with something, as in front < 35 cm, or ask front fault.",
    ),
    (
        "dial alone",
        {"rule": "parked | pace | cruise |"},
        "no-condition",
        "pace",
        '"pace" is a dial, and by itself neither true nor false',
        "Compare it with something, as in pace > 40 %.",
    ),
    (
        "counter alone",
        {"rule": "parked | turns | cruise |"},
        "no-condition",
        "turns",
        '"turns" is a counter, and by itself neither true nor false',
        "Compare it with a number, as in turns > 3.",
    ),
    (
        "constant alone",
        {"rule": "parked | room | cruise |"},
        "no-condition",
        "room",
        '"room" is a constant, and by itself neither true nor false',
        "Compare a sensor with it, as in front < room.",
    ),
    (
        "link alone",
        {"rule": "parked | operator | cruise |"},
        "no-condition",
        "operator",
        '"operator" is a link, and by itself neither true nor false',
        "Ask operator silent.",
    ),
    (
        "output in rule",
        {"rule": "parked | beacon on | cruise |"},
        "not-here",
        "beacon on",
        "Only promises and expectations ask about outputs",
        "A row or level asks which mode a part is in:  drive in cruise.",
    ),
    (
        "output compared in rule",
        {"rule": "parked | drive > 3 % | cruise |"},
        "not-here",
        "drive",
        "Only promises and expectations ask about outputs",
        "A row or level asks which mode a part is in:  drive in cruise.",
    ),
    (
        "mode in rule",
        {"rule": "parked | cruise | cruise |"},
        "wrong-kind",
        "cruise",
        '"cruise" is a mode, which a condition does not ask by its name alone',
        "Name it in the first column, or ask cart in cruise.",
    ),
    (
        "switch on",
        {"rule": "parked | bumper off | cruise |"},
        "sign",
        "bumper off",
        "A switch is asked by its name alone",
        "Write not bumper.",
    ),
    (
        "silent sensor",
        {"rule": "parked | front silent | cruise |"},
        "wrong-kind",
        "front",
        '"front" is a sensor (line 9), but here a link is needed',
        "There are: operator.",
    ),
    (
        "wrong unit",
        {"rule": "parked | front < 30 V | cruise |"},
        "wrong-unit",
        "30 V",
        '30 V is a voltage; for the sensor "front" it must be a length',
        "Write it in cm, mm or m.",
    ),
    (
        "no unit",
        {"rule": "parked | front < 30 | cruise |"},
        "wrong-unit",
        "30",
        '30 lacks its unit: for the sensor "front" it must be a length',
        "Write it in cm, mm or m.",
    ),
    (
        "unknown unit",
        {"rule": "parked | front < 30 furlongs | cruise |"},
        "unknown-unit",
        "30 furlongs",
        '"furlongs" is not a unit',
        'For the sensor "front" it must be a length. Write it in cm, mm or m.',
    ),
    (
        "unit case",
        {"rule": "parked | front < 30 CM | cruise |"},
        "unknown-unit",
        "30 CM",
        '"CM" is not a unit',
        "Did you mean cm?",
    ),
    (
        "unit for counter",
        {"rule": "parked | turns > 3 cm | cruise |"},
        "wrong-unit",
        "3 cm",
        '3 cm is a length; for the counter "turns" it must be a plain number',
        "Write it without a unit.",
    ),
    (
        "too fine",
        {"rule": "parked | front < 35.25 cm | cruise |"},
        "too-fine",
        "35.25 cm",
        '35.25 cm is finer than the sensor "front" can tell: its steps are 0.1 cm',
        "Write 35.2 cm or 35.3 cm.",
    ),
    (
        "too large",
        {"rule": "parked | front < 9999999999999 cm | cruise |"},
        "out-of-limits",
        "9999999999999 cm",
        "9999999999999 cm is too large a number for a small chip",
        "Nine digits are the most.",
    ),
    (
        "constant of wrong unit",
        {"rule": "parked | supply < room | cruise |"},
        "wrong-unit",
        "room",
        'The constant "room" is a length; for the sensor "supply" it must be a voltage',
        "Use a constant in V or mV, or write a number here.",
    ),
    (
        "two units",
        {"rule": "parked | front < supply | cruise |"},
        "wrong-unit",
        "front < supply",
        '"front" is a length and "supply" is a voltage: they cannot be compared',
        "Only things of the same unit can be.",
    ),
    (
        "itself",
        {"rule": "parked | front < front + 3 cm | cruise |"},
        "constant-comparison",
        "front < front + 3 cm",
        'This compares "front" with itself',
        "Compare it with a constant, or with something else.",
    ),
    (
        "two constants",
        {"rule": "parked | 3 cm < room | cruise |"},
        "constant-comparison",
        "3 cm < room",
        "This compares two constants",
        "A comparison asks about a sensor, a dial or a counter.",
    ),
    (
        "chained",
        {"rule": "parked | 3 cm < front < 30 cm | cruise |"},
        "chained",
        "3 cm < front < 30 cm",
        "One comparison has two sides",
        "Compare twice and join them:  front > 20 cm and front < 35 cm.",
    ),
    (
        "minus sensor",
        {"rule": "parked | 3 cm - front < 30 cm | cruise |"},
        "too-many-terms",
        "front",
        "A comparison cannot add up or take away readings",
        "On each side stands one sensor, dial or counter, with constants added:  left + 3 cm < right",
    ),
    (
        "ticks",
        {"rule": "parked | after 405 ms | cruise |"},
        "not-whole-ticks",
        "405 ms",
        "405 ms is not a whole number of ticks of 10 ms",
        "Write 400 ms or 410 ms.",
    ),
    (
        "a day",
        {"rule": "parked | after 25 h | cruise |"},
        "too-long",
        "25 h",
        "25 h is longer than a day",
        "The longest is 24 h.",
    ),
    (
        "negative",
        {"rule": "parked | after -3 s | cruise |"},
        "negative-time",
        "-3 s",
        "-3 s is before now: a duration is never negative",
        "Leave out the minus sign.",
    ),
    (
        "duration in cm",
        {"rule": "parked | after 3 cm | cruise |"},
        "wrong-unit",
        "3 cm",
        '3 cm is a length; for the time after "after" it must be a duration',
        "Write it in ms, s, min or h.",
    ),
    (
        "duration without",
        {"rule": "parked | after 3 | cruise |"},
        "wrong-unit",
        "3",
        '3 lacks its unit: for the time after "after" it must be a duration',
        "Write it in ms, s, min or h.",
    ),
    (
        "absent 0",
        {"rule": "parked | go absent 0 s | cruise |"},
        "too-short",
        "0 s",
        'The time after "absent" of 0 s is too short',
        "The shortest is 10 ms.",
    ),
    (
        "after constant",
        {"rule": "parked | after room | cruise |"},
        "wrong-unit",
        "room",
        'The constant "room" is a length; for the time after "after" it must be a duration',
        "Use a constant in ms, s, min or h, or write a number here.",
    ),
    (
        "after in mode",
        {"rule": "cruise | after 3 s in cruise | parked |"},
        "wrong-kind",
        "cruise",
        '"cruise" is a mode, not a group',
        "For the time in a mode, name the mode in the first column and write after alone.",
    ),
    (
        "bad tick",
        {"preamble": "machine cart\nboard atmega2560\ntick 1.5 ms\n"},
        "bad-tick",
        "1.5 ms",
        "A tick lasts a whole number of milliseconds from 1 ms to 1 s, not 1.5 ms",
        "Many machines do well with 10 ms.",
    ),
    (
        "no preamble",
        {"preamble": ""},
        "preamble",
        "l",
        "This file does not name its machine, board and tick",
        'Near its top write lines of their own:  "machine cart", "board atmega2560" and "tick 10 ms"',
    ),
    (
        "no tick",
        {"preamble": "machine cart\nboard atmega2560\n"},
        "preamble",
        "m",
        "This file does not name its tick",
        "Near its top write:  tick 10 ms",
    ),
    (
        "two machines",
        {"more_hardware": "machine other"},
        "statement-twice",
        "machine other",
        "There is a machine statement already (line 1)",
        "One file holds one machine.",
    ),
    (
        "no framing",
        {"hardware": HARDWARE.replace(", plain, silent after 500 ms", "")},
        "missing-option",
        "link operator serial1, 9600 baud",
        'The link "operator" is not complete',
        "Add:  plain or checked",
    ),
    (
        "framing twice",
        {"hardware": HARDWARE.replace("plain,", "plain, checked,")},
        "option-twice",
        "checked",
        'The link "operator" has plain or checked twice',
        "Leave one of them out.",
    ),
    (
        "port twice",
        {"more_hardware": "link radio serial1, 9600 baud, plain", "hardware": TWO_LINKS},
        "port-twice",
        "serial1",
        'The port "serial1" is taken by the link "operator" (line 4)',
        "Each link needs a port of its own.",
    ),
    (
        "which link",
        {"more_hardware": 'link radio serial2, 9600 baud, plain\ncommand x "x"', "hardware": TWO_LINKS},
        "which-link",
        'command x "x"',
        "This machine has several links: say which one this comes from",
        'Put "from operator" behind the message.',
    ),
    (
        "baud",
        {"hardware": HARDWARE.replace("9600", "96")},
        "out-of-limits",
        "96",
        "A link's speed cannot be 96",
        "It is a whole number from 300 to 2000000.",
    ),
    (
        "never silent",
        {"rule": "parked | operator silent | cruise |", "hardware": HARDWARE.replace(", silent after 500 ms", "")},
        "never-silent",
        "operator",
        'The link "operator" is never silent: its line does not say after how long',
        "Add to it (line 4):  silent after 500 ms",
    ),
    (
        "messages alike",
        {"more_hardware": 'command gone "go"'},
        "messages-alike",
        "gone",
        '"g" (go) begins "go" (gone), so that gone would never be heard on a plain link',
        "The other stands on line 6. Choose another message for one of them.",
    ),
    (
        "messages same",
        {"more_hardware": 'command again "g"'},
        "messages-alike",
        "again",
        '"go" and "again" are both "g" on the link operator',
        "The other stands on line 6. Choose another message for one of them.",
    ),
    (
        "dial eats",
        {"more_hardware": 'command very "very"'},
        "messages-alike",
        "very",
        '"v" (pace) begins "very" (very), so that very would never be heard on a plain link',
        "The other stands on line 8. Choose another message for one of them.",
    ),
    (
        "message space",
        {"more_hardware": 'command x "a b"'},
        "bad-message",
        '"a b"',
        "A command's message cannot hold a space",
        "It is made of printable ASCII characters, without spaces, quotes, $ and *.",
    ),
    (
        "message long",
        {"more_hardware": 'command x "abcdefghijklmn"'},
        "bad-message",
        '"abcdefghijklmn"',
        "A command's message has 1 to 12 characters, not 14",
        "It is made of printable ASCII characters, without spaces, quotes, $ and *.",
    ),
    (
        "message dollar",
        {"more_hardware": 'command x "$x"'},
        "bad-message",
        '"$x"',
        'A command\'s message cannot hold "$"',
        "It is made of printable ASCII characters, without spaces, quotes, $ and *.",
    ),
    (
        "message empty",
        {"more_hardware": 'command x ""'},
        "bad-message",
        '""',
        "A command's message has 1 to 12 characters, not 0",
        "It is made of printable ASCII characters, without spaces, quotes, $ and *.",
    ),
    (
        "label empty",
        {"more_hardware": 'command x "x", label " "'},
        "bad-label",
        '" "',
        "A label has 1 to 24 characters, not 0",
        'A word or two:  label "slowly"',
    ),
    (
        "label long",
        {"more_hardware": f'dial x "x", 0 % .. 3 %, starts 1 %, label "{"long " * 6}"'},
        "bad-label",
        f'"{"long " * 6}"',
        "A label has 1 to 24 characters, not 29",
        'A word or two:  label "slowly"',
    ),
    (
        "label unseen",
        {"more_hardware": 'command x "x", label "a\u200bb"'},
        "bad-label",
        '"a\u200bb"',
        "A label cannot hold U+200B",
        'A word or two:  label "slowly"',
    ),
    (
        "place unknown",
        {"more_hardware": 'command x "x", held, place corner'},
        "bad-place",
        "corner",
        'The remote has no place "corner"',
        "Its places are top, left, middle, right, bottom.",
    ),
    (
        "button held",
        {"more_hardware": "command x button, pin 7, on when low, held"},
        "wrong-option",
        "held",
        'The button "x" has no "held"',
        "It may have:  pin 5; on when high, or on when low; settle 20 ms",
    ),
    (
        "dial digit",
        {"more_hardware": 'dial x "v2", 0 % .. 3 %, starts 1 %'},
        "bad-prefix",
        '"v2"',
        'The prefix "v2" ends in what may begin its number',
        'End it in a letter, as in "v".',
    ),
    (
        "dial no start",
        {"more_hardware": 'dial x "x", 1 % .. 3 %'},
        "missing-option",
        'dial x "x", 1 % .. 3 %',
        'The dial "x" is not complete',
        "Add:  starts 40 %",
    ),
    (
        "two dials, three starts",
        {"more_hardware": 'dial x, y "x", 1 % .. 3 %, starts 1 %, starts 2 %, starts 3 %'},
        "not-each",
        "starts 3 %",
        "Here are 2 dials and 3 starts",
        "Write one for all, or one for each.",
    ),
    (
        "two dials, one with a start that the other cannot have",
        {"more_hardware": 'dial x, y "x", 1 % .. 3 %, 5 % .. 9 %, starts 2 %'},
        "out-of-limits",
        "2 %",
        "2 % is out of reach",
        "A dial starts inside its range, 5 % .. 9 %.",
    ),
    (
        "one dial twice in a message",
        {"more_hardware": 'dial x, x "x", 1 % .. 3 %, starts 2 %'},
        "duplicate-name",
        "x",
        '"x" is already the name of a dial (line 20)',
        "Give one of them another name.",
    ),
    (
        "dial start",
        {"more_hardware": 'dial x "x", 0 % .. 3 %, starts 5 %'},
        "out-of-limits",
        "5 %",
        "5 % is out of reach",
        "A dial starts inside its range, 0 % .. 3 %.",
    ),
    (
        "dial fine",
        {"more_hardware": 'dial x "x", 0 cm .. 3.5 cm, starts 1 cm'},
        "too-fine",
        "3.5 cm",
        '3.5 cm is finer than the dial "x" can tell: its steps are 1 cm',
        "Write 3 cm or 4 cm.",
    ),
    (
        "sensor kind",
        {"more_hardware": "sensor back rnage, trigger 28, echo 29, 2 cm .. 400 cm"},
        "unknown-name",
        "rnage",
        '"rnage" is neither a way to measure nor a sensor that could be remembered',
        'Did you mean "range"?',
    ),
    (
        "sensor option",
        {"more_hardware": "sensor back voltage, trigger 28, 0 V .. 3 V"},
        "wrong-option",
        "trigger 28",
        'A voltage sensor has no "trigger 28"',
        "It may have:  pin 5; its range, such as 0 V .. 15 V; median of 3; plausible 4 V .. 14 V; patience 1 s; noise 2 cm",
    ),
    (
        "sensor needs",
        {"more_hardware": "sensor back range, trigger 28, 2 cm .. 400 cm"},
        "missing-option",
        "sensor back range, trigger 28, 2 cm .. 400 cm",
        "A range sensor is not complete",
        "Add:  echo 23",
    ),
    (
        "sensor unit",
        {"more_hardware": "sensor back range, trigger 28, echo 29, 2 V .. 4 V"},
        "wrong-unit",
        "2 V",
        '2 V is a voltage; for the sensor "back" it must be a length',
        "Write it in cm, mm or m.",
    ),
    (
        "range backwards",
        {"more_hardware": "sensor back range, trigger 28, echo 29, 400 cm .. 2 cm"},
        "bad-range",
        "400 cm .. 2 cm",
        "This range goes from 400 cm to 2 cm",
        "Its low end comes first:  2 cm .. 400 cm",
    ),
    (
        "even median",
        {"more_hardware": "sensor back range, trigger 28, echo 29, 2 cm .. 4 m, median of 4"},
        "even-median",
        "4",
        "A median needs an odd number of readings, not 4",
        "Write 3 or 5.",
    ),
    (
        "option twice",
        {"more_hardware": "sensor back range, trigger 28, trigger 29, echo 3, 2 cm .. 4 m"},
        "option-twice",
        "trigger 29",
        'A range sensor has "trigger" twice',
        "Leave one of them out.",
    ),
    (
        "plausible",
        {"more_hardware": "sensor back voltage, pin A3, 0 V .. 3 V, plausible 1 V .. 5 V"},
        "out-of-limits",
        "1 V .. 5 V",
        "What is plausible goes beyond the sensor's range",
        "Keep it inside 0 V .. 3 V.",
    ),
    (
        "patience",
        {"more_hardware": "sensor back voltage, pin A3, 0 V .. 3 V, patience 5 ms"},
        "not-whole-ticks",
        "5 ms",
        "5 ms is not a whole number of ticks of 10 ms",
        "Write 10 ms.",
    ),
    (
        "one point",
        {"more_hardware": "sensor pull current, pin A1, 0.5 V is 0 A"},
        "two-points",
        "0.5 V is 0 A",
        "A current sensor is described by two points, not 1",
        "Write what the pin shows at two currents:  0.5 V is 0 A, 2.5 V is 20 A",
    ),
    (
        "ohm",
        {"more_hardware": "sensor air temperature, pin A2, 10 kV at 25 C, beta 3950, against 10 kohm"},
        "wrong-unit",
        "10 kV",
        "10 kV is not a resistance",
        "Write it in ohm, kohm or Mohm: 10 kohm.",
    ),
    (
        "remembered remembered",
        {"more_hardware": "sensor one front, taken in cruise\nsensor two one, taken in cruise"},
        "wrong-kind",
        "one",
        '"one" is itself a remembered reading',
        "Remember what measures:  front",
    ),
    (
        "taken in group",
        {"more_hardware": "sensor one front, taken in moving"},
        "wrong-kind",
        "taken in moving",
        '"moving" is a group, and a reading is taken in one mode',
        "Name the mode.",
    ),
    (
        "switch no edge",
        {"more_hardware": "switch gate pin 3"},
        "missing-option",
        "switch gate pin 3",
        'The switch "gate" is not complete',
        "Add:  on when high, or on when low",
    ),
    (
        "switch both",
        {"more_hardware": "switch gate by hand, pin 3"},
        "wrong-option",
        "switch gate by hand, pin 3",
        "A switch by hand has no pin: the owner's own function tells whether it is on",
        "Write:  switch gate by hand",
    ),
    (
        "pin words",
        {"more_hardware": "lamp light pin five"},
        "syntax",
        "five",
        '"five" does not fit here',
        "Expected here: a pin, such as 5 or A0. It is written like this:  lamp beacon pin 13",
    ),
    (
        "motor pins",
        {"more_hardware": "motor leaf pwm 9, direction 8, forward 7, reverse 6"},
        "wrong-option",
        "motor leaf pwm 9, direction 8, forward 7, reverse 6",
        "This motor has a direction pin and a forward or reverse pin",
        "It has either one direction pin, or a forward and a reverse pin.",
    ),
    (
        "motor half",
        {"more_hardware": "motor leaf pwm 9, forward 7"},
        "missing-option",
        "motor leaf pwm 9, forward 7",
        'The motor "leaf" is not complete',
        "Add:  reverse 31",
    ),
    (
        "ramp",
        {"more_hardware": "motor leaf pwm 9, direction 8, ramp 200 %"},
        "wrong-unit",
        "200 %",
        "A ramp is a number in %/s, not a percentage",
        "Write:  200 %/s",
    ),
    (
        "servo rest",
        {"more_hardware": "servo leg pin 44, 0 deg .. 90 deg, rest 100 deg"},
        "out-of-limits",
        "100 deg",
        "100 deg is out of reach",
        "It rests inside its range, 0 deg .. 90 deg.",
    ),
    (
        "constant ohm",
        {"more_hardware": "constant x = 3 ohm"},
        "unknown-unit",
        "3 ohm",
        'A constant cannot be in "ohm"',
        "It is in a unit of a sensor, or a duration.",
    ),
    (
        "never clears",
        {"more_hardware": "level near when front < 10 cm"},
        "never-clears",
        "level near when front < 10 cm",
        "This level does not say when it clears",
        "Behind the condition write, a little apart from it:  clears when front > 42 cm",
    ),
    (
        "later level",
        {"more_hardware": "level a when b clears when not b\nlevel b when bumper clears when not bumper"},
        "later-level",
        "b",
        'The level "b" is decided later',
        "A level reads only the levels above it.",
    ),
    (
        "itself level",
        {"more_hardware": "level a when a clears when bumper"},
        "later-level",
        "a",
        "A level cannot read itself",
        "It stays as it is until it clears; leave its own name out.",
    ),
    (
        "level command",
        {"more_hardware": "level a when go clears when bumper"},
        "not-in-level",
        "go",
        "A level does not read a command",
        "It reads sensors, switches, dials, earlier levels and the parts' modes. Put the rest in the table.",
    ),
    (
        "level clock",
        {"more_hardware": "level a when after 3 s clears when bumper"},
        "not-in-level",
        "after 3 s",
        "A level does not read a clock",
        "It reads sensors, switches, dials, earlier levels and the parts' modes. Put the rest in the table.",
    ),
    (
        "level counter",
        {"more_hardware": "level a when turns > 3 clears when bumper"},
        "not-in-level",
        "turns",
        "A level does not read a counter",
        "It reads sensors, switches, dials, earlier levels and the parts' modes. Put the rest in the table.",
    ),
    (
        "steady in rule",
        {"rule": "parked | front steady within 3 cm for 3 s | cruise |"},
        "only-in-level",
        "front steady within 3 cm for 3 s",
        "Only a level can watch whether something is steady",
        "Declare one:  level quiet when front steady within 3 cm for 4 s clears when ...",
    ),
    (
        "stop drives",
        {"more_modes": "mode off stop, drive 10 %"},
        "moving-stop",
        "drive 10 %",
        'The stop mode "off" drives the motor "drive"',
        "What moves is at rest in a stop mode, unless it is declared harmless. Leave drive out, or remove the stop.",
    ),
    (
        "stop relay",
        {"more_modes": "mode off stop, pump on"},
        "moving-stop",
        "pump on",
        'The stop mode "off" drives the relay "pump"',
        "What moves is at rest in a stop mode, unless it is declared harmless. Leave pump out, or remove the stop.",
    ),
    (
        "stop servo",
        {"more_modes": "mode off stop, arm 20 deg"},
        "moving-stop",
        "arm 20 deg",
        'The stop mode "off" drives the servo "arm"',
        "What moves is at rest in a stop mode, unless it is declared harmless. Leave arm out, or remove the stop.",
    ),
    (
        "stop output by hand",
        {"more_hardware": "output claw by hand, 0 % .. 9 %", "more_modes": "mode off stop, claw 3 %"},
        "moving-stop",
        "claw 3 %",
        'The stop mode "off" drives the output "claw"',
        "What moves is at rest in a stop mode, unless it is declared harmless. Leave claw out, or remove the stop.",
    ),
    (
        "a mode that drives resumes",
        {"more_modes": "mode off drive 10 %, resumes"},
        "wrong-option",
        "resumes",
        '"resumes" is said of a stop mode, and "off" is not one',
        "It says that a stop mode may be left by itself after a halt. Remove the word, or add stop.",
    ),
    (
        "a stop mode is endless",
        {"more_modes": "mode off stop, endless"},
        "wrong-option",
        "endless",
        '"endless" is said of a mode that drives, and "off" is a stop mode',
        "A stop mode may last as long as it likes. Remove the word.",
    ),
    (
        "noise beyond the range",
        {"more_hardware": "sensor back range, trigger 28, echo 29, 2 cm .. 400 cm, noise 5 m"},
        "out-of-limits",
        "5 m",
        "A noise of 500 cm is more than the sensor's whole range",
        "Say how far its readings tremble from lowest to highest while nothing moves:  noise 2 cm",
    ),
    (
        "noise of a remembered reading",
        {"more_hardware": "sensor seen front, taken in parked, noise 5 cm"},
        "wrong-option",
        "noise 5 cm",
        'A remembered reading has no "noise 5 cm"',
        "It may have:  patience 1 s; taken in look_left after 350 ms",
    ),
    (
        "a lamp is harmless anyway",
        {"more_hardware": "lamp eye pin 13, harmless"},
        "syntax",
        "harmless",
        '"harmless" does not fit here',
        "Expected here: on. It is written like this:  lamp beacon pin 13",
    ),
    (
        "an error is accepted",
        {"extra": 'accept runaway in cruise because "I watch it"'},
        "accepted-error",
        "runaway",
        '"runaway" is an error, and errors are not accepted',
        'Only warnings are accepted. Fix it: statecraft check --explain "runaway" says how.',
    ),
    (
        "accept what is no finding",
        {"extra": 'accept leftout in cruise because "why"'},
        "unknown-name",
        "leftout",
        'There is no finding "leftout"',
        'Did you mean "left out"?',
    ),
    (
        "accept without a reason",
        {"extra": "accept left out in cruise"},
        "unfinished",
        "e",
        "The line ends here, but because should follow",
        'It is written like this:  accept left out in retreating because "it backs off the bumper"',
    ),
    (
        "accept with an empty reason",
        {"extra": 'accept left out in cruise because " "'},
        "no-reason",
        '" "',
        "This gives no reason",
        "Say what makes it right here: whoever reads the page sees it.",
    ),
    (
        "accept in a mode that is not there",
        {"extra": 'accept left out in cruse because "why"'},
        "unknown-name",
        "cruse",
        'There is no mode or group "cruse"',
        'Did you mean "cruise"?',
    ),
    (
        "stop through group",
        {"more_modes": "group all parked, spent; with drive 10 %"},
        "moving-stop",
        "drive 10 %",
        'The stop mode "parked" drives the motor "drive" (through the group "all")',
        "What moves is at rest in a stop mode, unless it is declared harmless. Leave drive out, or remove the stop.",
    ),
    (
        "motor on",
        {"more_modes": "mode off drive on"},
        "wrong-setting",
        "drive on",
        'A motor is not set "on", but to a percentage',
        "Write:  drive 60 %",
    ),
    (
        "lamp percent",
        {"more_modes": "mode off beacon 30 %"},
        "wrong-setting",
        "beacon 30 %",
        "A lamp is set on, off or blink 500 ms, and to nothing else",
        "Write:  beacon on",
    ),
    (
        "relay blinks",
        {"more_modes": "mode off pump blink 2 s"},
        "wrong-setting",
        "pump blink 2 s",
        "A relay does not blink",
        "Only lamps and buzzers do.",
    ),
    (
        "motor 120",
        {"more_modes": "mode off drive 120 %"},
        "out-of-limits",
        "drive 120 %",
        '120 % is more than the motor "drive" can be set to',
        "It can be -100 % .. 100 %.",
    ),
    (
        "servo out",
        {"more_modes": "mode off arm 120 deg"},
        "out-of-limits",
        "arm 120 deg",
        '120 deg is more than the servo "arm" can be set to',
        "It can be 0 deg .. 90 deg.",
    ),
    (
        "servo percent",
        {"more_modes": "mode off arm 20 %"},
        "wrong-unit",
        "20 %",
        '20 % is a percentage; for the servo "arm" it must be an angle',
        "Write it in deg.",
    ),
    (
        "odd blink",
        {"more_modes": "mode off beacon blink 50 ms"},
        "odd-blink",
        "blink 50 ms",
        "A blink of 50 ms is 5 ticks, which cannot be halved",
        "Write 40 ms or 60 ms.",
    ),
    (
        "set twice",
        {"more_modes": "mode off beacon on, beacon off"},
        "option-twice",
        "beacon off",
        '"beacon" is set twice here',
        "Leave one of them out.",
    ),
    (
        "set a switch",
        {"more_modes": "mode off bumper on"},
        "wrong-kind",
        "bumper",
        '"bumper" is a switch (line 11), but here an output is needed',
        "There are: drive, arm, beacon, pump, horn.",
    ),
    (
        "dial unit",
        {"more_modes": "mode off arm pace"},
        "wrong-unit",
        "arm pace",
        'The dial "pace" is a percentage; for the servo "arm" it must be an angle',
        "Use a dial in deg.",
    ),
    (
        "group itself",
        {"more_modes": "group a b, cruise\ngroup b a"},
        "group-in-itself",
        "a",
        'The group "a" contains itself: a -> b -> a',
        "Remove it from the last one.",
    ),
    (
        "group disagree",
        {"more_modes": "group a cruise, spent; with horn on\ngroup b cruise, swing; with horn off"},
        "groups-disagree",
        "horn off",
        'The groups "a" and "b" set horn differently, and "cruise" is in both',
        "Say it on the mode itself, or put one of the groups into the other (the inner one counts).",
    ),
    (
        "group unknown",
        {"more_modes": "group a cruise, swng"},
        "unknown-name",
        "swng",
        'There is no mode or group "swng"',
        'Did you mean "swing"?',
    ),
    (
        "first mode",
        {"behaviour": BEHAVIOUR.replace("mode parked stop", "mode parked")},
        "first-mode",
        "parked",
        'The first mode, "parked", is where the part starts, and must be a stop mode',
        "Write:  mode parked stop     or put a stop mode above it.",
    ),
    (
        "failsafe moving",
        {"failsafe": "any | bumper | cruise |"},
        "moving-failsafe",
        "cruise",
        'A failsafe leads to a stop mode, and "cruise" is not one',
        "Declare it:  mode cruise stop     or make this row a rule.",
    ),
    (
        "failsafe stays",
        {"failsafe": "moving | bumper | stay |"},
        "moving-failsafe",
        "stay",
        'A failsafe leads to a stop mode, but this one would stay in "cruise"',
        "Name a stop mode, or name only stop modes in the first column.",
    ),
    (
        "go to group",
        {"rule": "parked | go | moving |"},
        "go-to-group",
        "moving",
        '"moving" is a group, and a row leads to one mode',
        "Choose one of: cruise, swing.",
    ),
    (
        "go two",
        {"rule": "parked | go | cruise, swing |"},
        "go-to-several",
        ",",
        "A row leads to one mode, and here more follows",
        "For another mode write another row.",
    ),
    (
        "in nothing",
        {"rule": " | go | cruise |"},
        "empty-cell",
        "|",
        "This row does not say in which modes",
        "Name a mode, a group, a list of them, or any.",
    ),
    (
        "when nothing",
        {"rule": "parked | | cruise |"},
        "empty-cell",
        "parked | | cruise |",
        "This row does not say when",
        "Say when it happens. For what happens a tick after the mode was entered, write after 0 s.",
    ),
    (
        "when nothing, a failsafe",
        {"failsafe": "any | | parked |"},
        "empty-cell",
        "any | | parked |",
        "This row does not say when",
        "Say when it happens. A failsafe that always holds lets nothing start.",
    ),
    (
        "go nothing",
        {"rule": "parked | go | |"},
        "empty-cell",
        "|",
        "This row does not say where to go",
        "Name a mode, or write stay.",
    ),
    (
        "no mode left",
        {"rule": "any but parked, spent, moving | go | parked |"},
        "no-mode-left",
        "moving",
        "This leaves no mode: all of them are left out",
        "Leave out fewer.",
    ),
    (
        "stop said of a group",
        {"behaviour": BEHAVIOUR.replace("with beacon on", "with stop")},
        "wrong-option",
        "stop",
        '"stop" is said of one mode, not of a group',
        "Write it in the line of each mode that is a stop mode.",
    ),
    (
        "a word that suits none of the group's modes",
        {"behaviour": BEHAVIOUR.replace("with beacon on", "with resumes")},
        "wrong-option",
        "moving",
        '"resumes" is said of a stop mode, and "moving" has none',
        "Remove the word.",
    ),
    (
        "left out of a group it is not in",
        {"rule": "moving but parked | go | parked |"},
        "not-in-group",
        "parked",
        '"parked" is not in "moving", so it cannot be left out of it',
        "In it are: cruise, swing.",
    ),
    (
        "no mode left of a group",
        {"rule": "moving but cruise, swing | go | parked |"},
        "no-mode-left",
        "swing",
        "This leaves no mode: all of them are left out",
        "Leave out fewer.",
    ),
    (
        "do wrong",
        {"rule": "parked | go | cruise | turns"},
        "unfinished",
        "s",
        "The line ends here, but -, + or = should follow",
        "It is written like this:  turns = 0     turns + 1",
    ),
    (
        "do plus plus",
        {"rule": "parked | go | cruise | turns++"},
        "counter-step",
        "turns++",
        "A counter is stepped by its name, a sign and a number",
        "Write turns + 1.",
    ),
    (
        "do is itself plus one",
        {"rule": "parked | go | cruise | turns = turns - 2"},
        "counter-step",
        "turns = turns - 2",
        "A counter is stepped by its name, a sign and a number",
        "Write turns - 2.",
    ),
    (
        "do plus equals",
        {"rule": "parked | go | cruise | turns += 1"},
        "counter-step",
        "turns += 1",
        "A counter is stepped by its name, a sign and a number",
        "Write turns + 1.",
    ),
    (
        "dash in a name",
        {"more_hardware": "switch far-off pin 7, on when low"},
        "bad-name",
        "far-off",
        '"far-off" cannot be a name',
        "Names have no dashes. Write far_off.",
    ),
    (
        "dash in a setting",
        {"more_modes": "mode off drive-left 20 %"},
        "bad-name",
        "drive-left",
        '"drive-left" cannot be a name',
        "Names have no dashes. Write drive_left.",
    ),
    (
        "for in a row",
        {"rule": "parked | go and blocked for 2 s | cruise |"},
        "only-in-level",
        "for",
        "A row does not wait for something to last",
        "Declare a level, and ask that:  level long_blocked when blocked for 2 s clears when not blocked",
    ),
    (
        "for in a row, of a comparison",
        {"rule": "parked | front < 35 cm for 2 s or go | cruise |"},
        "only-in-level",
        "for",
        "A row does not wait for something to last",
        "Declare a level, and ask that:  level long_front when front < 35 cm for 2 s clears when not (front < 35 cm)",
    ),
    (
        "for behind after",
        {"rule": "parked | after 2 s for 1 s | cruise |"},
        "only-in-level",
        "for",
        "A row does not wait for something to last",
        "Write after alone:  after 5 s. What must last is asked by a level, which may say for.",
    ),
    (
        "time alone",
        {"rule": "parked | go or 20 s and bumper | cruise |"},
        "bare-time",
        "20 s",
        "20 s alone is not a condition",
        'Did you mean "go or after 20 s and bumper"?',
    ),
    (
        "time alone at the end",
        {"rule": "parked | 400 ms | cruise |"},
        "bare-time",
        "400 ms",
        "400 ms alone is not a condition",
        'Did you mean "after 400 ms"?',
    ),
    (
        "normally closed",
        {"more_hardware": "switch lid pin 7, normally closed, settle 20 ms"},
        "contact",
        "normally closed",
        "A contact says at which level of its pin it is on",
        "Write on when high, for a normally closed one to ground.",
    ),
    (
        "normally open",
        {"more_hardware": "command lid button, pin 7, normally open"},
        "contact",
        "normally open",
        "A contact says at which level of its pin it is on",
        "Write on when low, for a normally open one to ground.",
    ),
    (
        "all for any",
        {"rule": "all | go | cruise |"},
        "unknown-name",
        "all",
        'There is no mode or group "all"',
        "Write any: it stands for every mode.",
    ),
    (
        "blinking in a mode",
        {"more_modes": "mode off stop, beacon blinking 2 s"},
        "syntax",
        "blinking",
        "A mode sets a lamp or a buzzer to blink, and says how fast",
        "Write:  beacon blink 2 s",
    ),
    (
        "bars for or",
        {"rule": "parked | go || bumper | cruise |"},
        "sign",
        "||",
        'A condition does not use "||"',
        "Write or instead.",
    ),
    (
        "bars for or in a promise",
        {"more_hardware": "promise never blocked || bumper"},
        "sign",
        "||",
        'A condition does not use "||"',
        "Write or instead.",
    ),
    (
        "do outside",
        {"rule": "parked | go | cruise | turns = 9"},
        "out-of-limits",
        "turns = 9",
        'The counter "turns" cannot be 9',
        "Its range is 0 .. 7.",
    ),
    (
        "do twice",
        {"rule": "parked | go | cruise | turns + 1, turns + 1"},
        "option-twice",
        "turns + 1",
        '"turns" changes twice in one row',
        "A counter changes once a row.",
    ),
    (
        "do sensor",
        {"rule": "parked | go | cruise | front = 3"},
        "wrong-kind",
        "front",
        '"front" is a sensor (line 9), but here a counter is needed',
        "There are: turns.",
    ),
    (
        "counter range",
        {"more_modes": "counter c 5 .. 2"},
        "bad-range",
        "5 .. 2",
        "This counter goes from 5 to 2",
        "Its low end comes first:  2 .. 5",
    ),
    (
        "counter start",
        {"more_modes": "counter c 0 .. 2, starts 5"},
        "out-of-limits",
        "5",
        "A counter cannot start at 5",
        "Its range is 0 .. 2.",
    ),
    (
        "counter unit",
        {"more_modes": "counter c 0 cm .. 2 cm"},
        "wrong-unit",
        "0 cm",
        "A counter is a plain number, not a length",
        "Write:  0",
    ),
    (
        "missing column",
        {"rule": "parked | go"},
        "missing-column",
        "parked | go",
        "This row has 2 columns, its heading 4: in | when | go to | do",
        'The column "go to" may have been left out.',
    ),
    (
        "too many columns",
        {"rule": "parked | go | bumper | cruise | turns = 0"},
        "stray-pipe",
        " turns = ",
        "This row has 5 columns, its heading 4: in | when | go to | do",
        "Remove the extra |. In a condition, write or.",
    ),
    (
        "leading pipe",
        {"rule": "| parked | go | cruise | |"},
        "stray-pipe",
        "|",
        "A row begins with its in cell, not with a |",
        "Its columns are:  in | when | go to | do",
    ),
    (
        "no pipes",
        {"rule": "parked, go, cruise"},
        "unknown-statement",
        "parked",
        "This row has no columns",
        "Separate them with |, as in the heading:  in | when | go to | do",
    ),
    (
        "no heading",
        {"behaviour": BEHAVIOUR.replace("rules\nin | when | go to | do\n", "rules\n")},
        "no-heading",
        "parked | go and not blocked | cruise |",
        "This table has no heading",
        "Above its first row stands:  in | when | go to | do",
    ),
    (
        "heading",
        {"behaviour": BEHAVIOUR.replace("rules\nin | when | go to | do\n", "rules\nin | go to | do\n")},
        "bad-heading",
        "in | go to | do",
        'The column "when" is missing from this heading',
        "A heading is:  in | when | go to | do  (do may be left out).",
    ),
    (
        "heading words",
        {"behaviour": BEHAVIOUR.replace("rules\nin | when | go to | do\n", "rules\nin | when | go to | then\n")},
        "bad-heading",
        "in | when | go to | then",
        'There is no column "then"',
        "A heading is:  in | when | go to | do  (do may be left out).",
    ),
    (
        "heading order",
        {"behaviour": BEHAVIOUR.replace("rules\nin | when | go to | do\n", "rules\nin | go to | when | do\n")},
        "bad-heading",
        "in | go to | when | do",
        "The columns of this heading are not in their order",
        "A heading is:  in | when | go to | do  (do may be left out).",
    ),
    (
        "failsafes below",
        {"extra": "failsafes\nin | when | go to\nany | bumper | parked"},
        "failsafes-below",
        "failsafes",
        "Failsafes stand above rules, as they decide first",
        "Move this table above the rules (line 30).",
    ),
    (
        "row outside",
        {"extra": "parked | go | cruise |"},
        "row-outside-table",
        "parked | go | cruise |",
        "This row of a table stands under no heading",
        "Begin a table with failsafes or rules on a line of its own, then in | when | go to | do.",
    ),
    (
        "stray pipe",
        {"more_hardware": "lamp x | pin 3"},
        "stray-pipe",
        "|",
        "A lamp statement has no columns, but here stands a |",
        "It is written:  lamp beacon pin 13",
    ),
    (
        "mode outside part",
        {"extra": "part other\nmode a stop"},
        "outside-part",
        "counter turns 0 .. 7",
        "In a machine that is cut into parts, every counter belongs to one of them",
        "Move it under a part. Only failsafes may stand above the first part.",
    ),
    (
        "promise kind",
        {"extra": "promise always beacon on"},
        "syntax",
        "always",
        '"always" does not fit here',
        "Expected here: every, never, once or while. It is written like this:  promise once halt -> parked within 20 ms",
    ),
    (
        "promise mode",
        {"extra": "promise once halt -> praked within 20 ms"},
        "unknown-name",
        "praked",
        'There is no mode or group "praked"',
        'Did you mean "parked"?',
    ),
    (
        "promise no time",
        {"extra": "promise once halt -> parked"},
        "unfinished",
        "d",
        "The line ends here, but within should follow",
        "It is written like this:  promise once halt -> parked within 20 ms",
    ),
    (
        "observer lamp compared",
        {"extra": "promise never beacon > 3"},
        "wrong-kind",
        "beacon",
        "A lamp has no number to compare",
        "Ask beacon on or beacon off.",
    ),
    (
        "observer motor on",
        {"extra": "promise never drive on"},
        "wrong-kind",
        "drive on",
        "A motor cannot be on",
        "Compare its setting, as in drive > 0 %.",
    ),
    (
        "relay blinking",
        {"extra": "promise never pump blinking"},
        "wrong-kind",
        "pump blinking",
        "A relay cannot be blinking",
        "Ask pump on or pump off.",
    ),
    (
        "outside trial",
        {"tail": "at 3 s go"},
        "outside-trial",
        "at 3 s go",
        '"at" stands in a trial, and none has begun here',
        'Begin one on the line above:  trial "a wall, then a dead end"',
    ),
    (
        "no title",
        {"extra": 'trial ""'},
        "no-title",
        'trial ""',
        "This trial has no title",
        "Say in it what is rehearsed.",
    ),
    (
        "title twice",
        {"extra": 'trial "off and on"\nat 1 s go'},
        "duplicate-name",
        'trial "off and on"',
        'There is a trial "off and on" already (line 36)',
        "Give it another title.",
    ),
    (
        "back in time",
        {"extra": "at 500 ms go"},
        "time-goes-back",
        "500 ms",
        "The times of a trial go forward, and this is before the last one",
        "Move it above the later one.",
    ),
    (
        "reading missing",
        {"extra": "at 2 s front"},
        "missing-value",
        "front",
        'What the sensor "front" comes to is missing',
        "Write:  front 35 cm",
    ),
    (
        "command value",
        {"extra": "at 2 s go on"},
        "wrong-value",
        "go on",
        "A command takes no value: it comes, or it does not",
        "Write:  go",
    ),
    (
        "switch value",
        {"extra": "at 2 s bumper 3 V"},
        "wrong-value",
        "bumper 3 V",
        "A switch is on or off",
        "Write:  bumper on",
    ),
    (
        "sensor on",
        {"extra": "at 2 s front on"},
        "wrong-value",
        "front on",
        'The sensor "front" cannot be on',
        "Write:  front 400 cm",
    ),
    (
        "outside range",
        {"extra": "at 2 s front 5 m"},
        "out-of-limits",
        "front 5 m",
        'The sensor "front" cannot be 500 cm',
        "Its range is 2 cm .. 400 cm. For a reading that fails, write front fault.",
    ),
    (
        "every sensor",
        {"extra": "every 1 s front 5 cm"},
        "not-here",
        "front 5 cm",
        "Only commands and dials can be repeated; a reading or a switch stays as it is set",
        "Set it with at.",
    ),
    (
        "every twice",
        {"extra": "every 1 s beat\nevery 2 s beat"},
        "twice-every",
        "beat",
        '"beat" is sent repeatedly already',
        "End it first:  at 5 s no more beat",
    ),
    (
        "no every",
        {"extra": "at 3 s no more beat"},
        "no-every",
        "no more beat",
        '"beat" is not being sent repeatedly here',
        "It would begin with:  every 100 ms beat",
    ),
    (
        "trial remembered",
        {"more_hardware": "sensor seen front, taken in cruise", "extra": "at 3 s seen 3 cm"},
        "wrong-value",
        "seen 3 cm",
        'The sensor "seen" is remembered, not measured: a trial cannot set it',
        "Set front instead.",
    ),
    (
        "use missing",
        {"more_hardware": 'use "comon.modes"'},
        "file",
        '"comon.modes"',
        'There is no file "comon.modes"',
        "Check how it is written, and which folder it is in.",
    ),
    (
        "use ending",
        {"more_hardware": 'use "common.txt"'},
        "file",
        '"common.txt"',
        "A used file's name ends in .modes",
        'It is written:  use "common.modes"',
    ),
    (
        "use itself",
        {"more_hardware": 'use "cart.modes"'},
        "use-cycle",
        '"cart.modes"',
        '"cart.modes" is this file itself',
        "Put what both need into a third file.",
    ),
    (
        "no link",
        {"hardware": "", "behaviour": "mode parked stop\n", "tail": "", "more_hardware": 'command x "x"'},
        "no-link",
        'command x "x"',
        "This comes from a link, and the machine has none",
        "Declare one:  link operator serial1, 9600 baud, plain, silent after 500 ms",
    ),
    (
        "from unknown link",
        {"more_hardware": 'command x "x" from oprator'},
        "unknown-name",
        "oprator",
        'There is no link "oprator"',
        'Did you mean "operator"?',
    ),
    (
        "button from link",
        {"more_hardware": "command x button from operator, pin 3, on when low"},
        "wrong-option",
        "operator",
        "A button comes from its pin, not from a link",
        "Leave out the from.",
    ),
    (
        "silence of nothing",
        {"hardware": HARDWARE.replace("after 500 ms", "after 0 ms")},
        "too-short",
        "0 ms",
        "The time after which a link is silent of 0 ms is too short",
        "The shortest is 10 ms.",
    ),
    (
        "checked alike",
        {"more_hardware": 'command x "v30"', "hardware": HARDWARE.replace("plain", "checked")},
        "messages-alike",
        "x",
        '"v30" (x) is also a number of the dial pace',
        "The other stands on line 8. Choose another message for one of them.",
    ),
    (
        "rest and stays",
        {"more_hardware": "servo leg pin 44, 0 deg .. 90 deg, rest 3 deg, rest stays"},
        "wrong-option",
        "rest stays",
        "This servo rests at an angle and also stays where it is",
        "Choose one.",
    ),
    (
        "pitch",
        {"more_hardware": "buzzer bell pin 9, 3 Hz"},
        "out-of-limits",
        "3 Hz",
        "3 Hz is out of reach",
        "A buzzer is heard within 31 Hz .. 20000 Hz.",
    ),
    (
        "pitch unit",
        {"more_hardware": "buzzer bell pin 9, 3 s"},
        "wrong-unit",
        "3 s",
        "3 s is a duration; for a buzzer's pitch it must be a rate",
        "Write it in Hz or kHz.",
    ),
    (
        "below zero",
        {"more_hardware": "sensor back voltage, pin A3, -3 V .. 3 V"},
        "out-of-limits",
        "-3 V .. 3 V",
        'The sensor "back" never reads less than 0 V',
        "Begin its range at 0 V or above.",
    ),
    (
        "same points",
        {"more_hardware": "sensor pull current, pin A1, 0.5 V is 0 A, 0.5 V is 3 A"},
        "two-points",
        "0.5 V is 3 A",
        "These two points do not differ in both voltage and current",
        "Write what the pin shows at two currents:  0.5 V is 0 A, 2.5 V is 20 A",
    ),
    (
        "hand unit",
        {"more_hardware": "sensor heading by hand, 0 bananas .. 3 bananas"},
        "unknown-unit",
        "3 bananas",
        '"bananas" is not a unit that a reading can have',
        "A reading is in cm, mm or m; in V or mV; in A or mA; in C; in deg; in Hz or kHz; in %; without a unit.",
    ),
    (
        "range of one",
        {"more_hardware": "sensor heading by hand, 3 deg .. 3 deg"},
        "bad-range",
        "3 deg .. 3 deg",
        "This range goes from 3 deg to 3 deg",
        "Its ends must differ.",
    ),
    (
        "beta",
        {"more_hardware": "sensor air temperature, pin A2, 10 kohm at 25 C, beta 39, against 10 kohm"},
        "out-of-limits",
        "39",
        "A thermistor's beta cannot be 39",
        "It is a whole number from 500 to 10000.",
    ),
    (
        "ohm fraction",
        {"more_hardware": "sensor air temperature, pin A2, 0.5 ohm at 25 C, beta 3950, against 10 kohm"},
        "out-of-limits",
        "0.5 ohm",
        "0.5 ohm is not a resistance that a part could have",
        "It is a whole number of ohms above 0: 10 kohm.",
    ),
    (
        "steady width",
        {"more_hardware": "level still when front steady within -3 cm for 4 s clears when bumper"},
        "out-of-limits",
        "-3 cm",
        "-3 cm is not a width: it is below zero",
        "Leave out the minus sign.",
    ),
    (
        "level link",
        {"more_hardware": "level a when operator silent clears when bumper"},
        "not-in-level",
        "operator",
        "A level does not read a link",
        "It reads sensors, switches, dials, earlier levels and the parts' modes. Put the rest in the table.",
    ),
    (
        "counts nothing",
        {"more_modes": "counter c 0 .. 9, cruise"},
        "wrong-option",
        "cruise",
        '"cruise" does not fit here',
        "A counter may have:  starts 2, up each 500 ms in opening, down each 500 ms in shutting",
    ),
    (
        "counts in unknown",
        {"more_modes": "counter c 0 .. 9, up each 1 s in cruize"},
        "unknown-name",
        "cruize",
        'There is no mode or group "cruize"',
        'Did you mean "cruise"?',
    ),
    (
        "constant setting unit",
        {"more_modes": "mode off drive room"},
        "wrong-unit",
        "drive room",
        'The constant "room" is a length; for the motor "drive" it must be a percentage',
        "Use a constant in %.",
    ),
    (
        "a part of a dial that is no dial",
        {"more_modes": "mode off drive 40 % of front"},
        "wrong-kind",
        "front",
        '"front" is a sensor (line 9), but here a dial is needed',
        "There are: pace.",
    ),
    (
        "a part of a dial that is more than all",
        {"more_modes": "mode off drive 150 % of pace"},
        "out-of-limits",
        "drive 150 % of pace",
        '150 % of the dial "pace" may be 30 % .. 120 %, more than the motor "drive" can be set to',
        "It can be -100 % .. 100 %.",
    ),
    (
        "a part of a dial in another unit",
        {"more_modes": "mode off drive 40 cm of pace"},
        "wrong-unit",
        "40 cm",
        '40 cm is a length; for the part of "pace" it must be a percentage',
        "Write it in %.",
    ),
    (
        "a dial and itself",
        {"more_modes": "mode off drive pace - pace"},
        "wrong-setting",
        "drive pace - pace",
        '"pace" stands on both sides',
        "Two different dials are added up. For a part of one write:  drive 40 % of pace",
    ),
    (
        "a sum in another unit",
        {"more_hardware": 'dial lean "n", -9 deg .. 9 deg', "more_modes": "mode off drive pace + lean"},
        "wrong-unit",
        "drive pace + lean",
        'The dial "lean" is an angle; for the motor "drive" it must be a percentage',
        "Use a dial in %.",
    ),
    (
        "a dial and a constant",
        {"more_hardware": "constant half = 50 %", "more_modes": "mode off drive pace - half"},
        "wrong-kind",
        "half",
        '"half" is a constant (line 20), but here a dial is needed',
        "There are: pace.",
    ),
    (
        "a command turns",
        {"rule": "parked | go turns on | cruise |"},
        "wrong-kind",
        "go turns on",
        "A command comes and is gone: it does not turn on or off",
        "Write go.",
    ),
    (
        "a sensor turns",
        {"rule": "parked | front turns off | cruise |"},
        "wrong-kind",
        "front turns off",
        '"front" is a sensor, which does not turn on or off',
        "Its fault does:  front fault turns on.  For a threshold declare a level, and ask for that.",
    ),
    (
        "a failsafe asks what turns",
        {"failsafe": "any | bumper turns off | parked |"},
        "not-here",
        "bumper turns off",
        "A failsafe asks how things stand, not what has just turned",
        "Write not bumper; what turns is asked for in a rule.",
    ),
    (
        "a level asks what turns",
        {"more_hardware": "level a when bumper turns on clears when not bumper"},
        "not-here",
        "bumper turns on",
        "A level asks how things stand, not what has just turned",
        "Write bumper; what turns is asked for in a rule.",
    ),
    (
        "nothing of the name turns",
        {"rule": "parked | bumpr turns on | cruise |"},
        "unknown-name",
        "bumpr",
        'There is no switch or level "bumpr"',
        'Did you mean "bumper"?',
    ),
    (
        "a name that the reader needs",
        {"more_hardware": "lamp bumper_stays_on pin 44", "rule": "parked | bumper turns on | cruise |"},
        "duplicate-name",
        "bumper turns on",
        '"bumper_stays_on" is already the name of a lamp (line 20)',
        "Give one of them another name.",
    ),
    (
        "gently without a ramp",
        {"more_modes": "mode rolling stop gently within 800 ms"},
        "no-ramp",
        "rolling",
        '"rolling" stops gently, and the motor "drive" has no ramp to keep to',
        "Give it one (line 12):  ramp 200 %/s     or write stop, which is at once.",
    ),
    (
        "gently and at once",
        {"hardware": HARDWARE.replace("reverse 31", "reverse 31, ramp 90 %/s"),
         "more_modes": "mode rolling stop, stop gently within 800 ms"},
        "option-twice",
        "stop gently within 800 ms",
        '"rolling" stops at once and gently',
        "Leave one of them out.",
    ),
    (
        "gently what moves",
        {"hardware": HARDWARE.replace("reverse 31", "reverse 31, ramp 90 %/s"),
         "more_modes": "mode rolling stop gently within 800 ms, drive 10 %"},
        "moving-stop",
        "drive 10 %",
        'The stop mode "rolling" drives the motor "drive"',
        "What moves is at rest in a stop mode, unless it is declared harmless. Leave drive out, or remove the stop.",
    ),
    (
        "gently for a group",
        {"more_modes": "group all cruise, swing; with stop gently within 800 ms"},
        "wrong-option",
        "stop gently within 800 ms",
        '"stop" is said of one mode, not of a group',
        "Write it in the line of each mode that is a stop mode.",
    ),
    (
        "gently promised of a halt",
        {"hardware": HARDWARE.replace("reverse 31", "reverse 31, ramp 90 %/s"),
         "more_modes": "mode rolling stop gently within 800 ms", "extra": "promise once halt -> rolling within 20 ms"},
        "gentle-promise",
        "promise once halt -> rolling within 20 ms",
        '"rolling" does not keep a promise about halt: it stops gently',
        "Name modes that stop at once, and leave rolling out.",
    ),
    (
        "a command by hand from a link",
        {"more_hardware": "command left by hand from operator"},
        "wrong-option",
        "operator",
        "A command by hand comes from the owner's own function, not from a link",
        "Leave out the from.",
    ),
    (
        "a command by hand on a pin",
        {"more_hardware": "command left by hand, pin 3"},
        "wrong-option",
        "pin 3",
        'The command by hand "left" has no "pin 3"',
        "It may have:  takes at most 2 ms",
    ),
    (
        "a switch in two places",
        {"more_hardware": "switch lid pin 3 or pin 4, on when low"},
        "wrong-option",
        "pin 3 or pin 4",
        "A switch has one pin: with two it would be on and off at once",
        "Declare two switches, and ask for one or the other. Only a button may be in two places.",
    ),
    (
        "enters nothing",
        {"extra": "promise never enters blocked and bumper"},
        "wrong-kind",
        "blocked",
        '"blocked" is a level (line 19), but here a mode or group is needed',
        "There are: parked, spent, cruise, swing, moving.",
    ),
    (
        "enters, and for how long",
        {"extra": "promise never enters cruise and bumper for 1 s"},
        "syntax",
        "for",
        '"for" does not fit here',
        "Expected here: the end of the line. It is written like this:  promise once halt -> parked within 20 ms",
    ),
    (
        "dial too wide",
        {"more_hardware": 'dial turn "t", -180 % .. 180 %, starts 0 %', "more_modes": "mode off drive turn"},
        "out-of-limits",
        "drive turn",
        'The dial "turn" may be -180 % .. 180 %, more than the motor "drive" can be set to',
        "It can be -100 % .. 100 %.",
    ),
    (
        "part twice",
        {"behaviour": "part a\nmode parked stop\npart a\nmode off stop\n", "tail": ""},
        "duplicate-name",
        "a",
        '"a" is already the name of a part (line 21)',
        "Give one of them another name.",
    ),
    (
        "empty part",
        {"behaviour": "part a\nmode parked stop\npart b\n", "tail": ""},
        "no-modes",
        "b",
        'The part "b" has no mode',
        "Write one:  mode parked stop",
    ),
    (
        "shared rules",
        {"behaviour": "rules\nin | when | go to\nany | go | parked\npart a\nmode parked stop\n", "tail": ""},
        "outside-part",
        "rules",
        "In a machine that is cut into parts, every rule belongs to one of them",
        "Move it under a part. Only failsafes may stand above the first part.",
    ),
    (
        "shared in",
        {"behaviour": "failsafes\nin | when | go to\nparked | go | start\npart a\nmode parked stop\n", "tail": ""},
        "shared-row",
        "parked",
        "A failsafe of the whole machine applies in any mode of every part",
        "Write any here, or move the row into a part.",
    ),
    (
        "shared go",
        {"behaviour": "failsafes\nin | when | go to\nany | go | parked\npart a\nmode parked stop\n", "tail": ""},
        "shared-row",
        "parked",
        "A failsafe of the whole machine leads each part to its start",
        "Write start here, or move the row into a part.",
    ),
    (
        "shared do",
        {
            "behaviour": "failsafes\nin | when | go to | do\nany | go | start | turns = 0\npart a\ncounter turns 0 .. 3\nmode parked stop\n",
            "tail": "",
        },
        "shared-row",
        "turns = 0",
        "A failsafe of the whole machine changes no counters: they belong to parts",
        "Move the row into the part.",
    ),
    (
        "shared group clock",
        {
            "behaviour": "failsafes\nin | when | go to\nany | after 3 s in all | start\npart a\nmode parked stop\ngroup all parked\n",
            "tail": "",
        },
        "shared-row",
        "all",
        "Groups belong to parts, so this row cannot ask for the time in one",
        "Move the row into the part.",
    ),
    (
        "two owners",
        {"behaviour": "part a\nmode parked stop, beacon on\npart b\nmode off stop, beacon on\n", "tail": ""},
        "two-owners",
        "beacon on",
        '"beacon" is set here by the part "b", and by the part "a" (line 22)',
        "An output belongs to one part. Let the other ask which mode that part is in.",
    ),
    (
        "other part's counter",
        {
            "behaviour": "part a\ncounter turns 0 .. 3\nmode parked stop\npart b\nmode off stop\nrules\nin | when | go to | do\noff | go | stay | turns + 1\n",
            "tail": "",
        },
        "other-parts-counter",
        "turns",
        'The counter "turns" belongs to the part "a"',
        "Only rows of its own part change a counter; others may ask about it.",
    ),
    (
        "unknown part",
        {
            "behaviour": "part drive\nmode parked stop\npart b\nmode off stop\nrules\nin | when | go to\noff | drvie in parked | stay\n",
            "tail": "",
        },
        "unknown-name",
        "drvie",
        'There is no part "drvie"',
        'Did you mean "drive"?',
    ),
    (
        "mode of which part",
        {
            "behaviour": "part a\nmode parked stop\npart b\nmode parked stop\n",
            "tail": "promise once halt -> parked within 20 ms",
        },
        "ambiguous",
        "parked",
        '2 parts have something called "parked"',
        "Say which: a in parked or b in parked.",
    ),
    (
        "bare mode of which part",
        {"behaviour": "part a\nmode parked stop\npart b\nmode parked stop\n", "tail": "promise never parked"},
        "ambiguous",
        "parked",
        '2 parts have something called "parked"',
        "Say which: a in parked or b in parked.",
    ),
    (
        "after in several parts",
        {"behaviour": "part a\nmode parked stop\npart b\nmode off stop\n", "tail": "promise never after 3 s"},
        "ambiguous",
        "after 3 s",
        "It is not clear which part's time is meant",
        "In a machine with parts, a promise or expectation does not ask after.",
    ),
    (
        "command or mode",
        {"more_modes": "mode halt stop", "extra": "promise never halt"},
        "ambiguous",
        "halt",
        '"halt" is both a command and a mode or group',
        "Write cart in halt for the mode, and halt taken for the command.",
    ),
    (
        "every with no more",
        {"extra": "every 1 s no more beat"},
        "not-here",
        "no more beat",
        "What is sent repeatedly ends at one moment, not again and again",
        "Write it under at:  at 5 s no more beat",
    ),
    (
        "dial heard fine",
        {"more_hardware": 'dial gap "w", 0 cm .. 9 cm, starts 1 cm', "extra": "at 2 s gap 3.5 cm"},
        "too-fine",
        "gap 3.5 cm",
        'The dial "gap" cannot be 3.5 cm',
        "It takes whole cm.",
    ),
    (
        "no modes",
        {"behaviour": "", "tail": ""},
        "no-modes",
        "cart",
        "This machine has no mode",
        "Write one:  mode parked stop",
    ),
    (
        "too many modes",
        {"more_modes": "\n".join(f"mode m{n} stop" for n in range(2001))},
        "too-large",
        "",
        "This machine has 2005 modes",
        "It may have 2000. Cut it into several machines.",
    ),
    (
        "constant too short",
        {"more_hardware": "constant nil = 0 s", "rule": "parked | go absent nil | cruise |"},
        "too-short",
        "nil",
        'The time after "absent" of "nil" is too short',
        "Use a longer one.",
    ),
    (
        "constant for counter",
        {"rule": "parked | turns > room | cruise |"},
        "wrong-unit",
        "room",
        'The constant "room" is a length; for the counter "turns" it must be a plain number',
        "Use a constant without a unit, or write a number here.",
    ),
    (
        "switch as mode",
        {"extra": "promise once halt -> bumper within 1 s"},
        "wrong-kind",
        "bumper",
        '"bumper" is a switch (line 11), but here a mode or group is needed',
        "There are: parked, spent, cruise, swing, moving.",
    ),
    (
        "air too hot",
        {"more_hardware": "sensor back range, trigger 28, echo 29, 2 cm .. 4 m, air 90 C"},
        "out-of-limits",
        "90 C",
        "90 C is out of reach",
        "The air's temperature is within -40 C .. 60 C.",
    ),
    (
        "plausible unit",
        {"more_hardware": "sensor back voltage, pin A3, 0 V .. 3 V, plausible 1 A .. 2 A"},
        "wrong-unit",
        "1 A",
        '1 A is a current; for the sensor "back" it must be a voltage',
        "Write it in V or mV.",
    ),
    (
        "servo incomplete",
        {"more_hardware": "servo leg pin 44"},
        "missing-option",
        "servo leg pin 44",
        'The servo "leg" is not complete',
        "Add:  its range, such as 0 deg .. 90 deg",
    ),
    (
        "output incomplete",
        {"more_hardware": "output leg by hand"},
        "missing-option",
        "output leg by hand",
        'The output "leg" is not complete',
        "Add:  its range, such as 0 % .. 100 %",
    ),
    (
        "output in seconds",
        {"more_hardware": "output leg by hand, 0 s .. 3 s"},
        "unknown-unit",
        "3 s",
        '"s" is not a unit that a reading can have',
        "A reading is in cm, mm or m; in V or mV; in A or mA; in C; in deg; in Hz or kHz; in %; without a unit.",
    ),
    (
        "output rest",
        {"more_hardware": "output leg by hand, 0 % .. 50 %, rest 60 %"},
        "out-of-limits",
        "60 %",
        "60 % is out of reach",
        "It rests inside its range, 0 % .. 50 %.",
    ),
    (
        "button incomplete",
        {"more_hardware": "command x button, pin 3"},
        "missing-option",
        "command x button, pin 3",
        'The button "x" is not complete',
        "Add:  on when high, or on when low",
    ),
    (
        "no more of nothing",
        {"extra": "at 3 s no more baet"},
        "unknown-name",
        "baet",
        'There is no command or dial "baet"',
        'Did you mean "beat"?',
    ),
    (
        "shared when",
        {"behaviour": "failsafes\nin | when | go to\nany | | start\npart a\nmode parked stop\n", "tail": ""},
        "empty-cell",
        "any | | start",
        "This row does not say when",
        "Say when it happens.",
    ),
    (
        "stop mode moves a servo that stays",
        {"more_hardware": "servo leg pin 44, 0 deg .. 90 deg, rest stays", "more_modes": "mode off stop, leg 3 deg"},
        "moving-stop",
        "leg 3 deg",
        'The stop mode "off" moves the servo "leg"',
        "In a stop mode this servo stays where it is. Leave it out.",
    ),
    (
        "thermistor too hot",
        {"more_hardware": "sensor air temperature, pin A2, 10 kohm at 900 C, beta 3950, against 10 kohm"},
        "out-of-limits",
        "900 C",
        "900 C is out of reach",
        "A thermistor is measured within -50 C .. 200 C.",
    ),
    (
        "hand output on",
        {"more_hardware": "output grip by hand, 0 % .. 100 %", "more_modes": "mode off grip on"},
        "wrong-setting",
        "grip on",
        'An output is not set "on", but to a percentage',
        "Write:  grip 100 %",
    ),
    (
        "level option twice",
        {"more_hardware": "level a when bumper clears when not bumper, starts on, starts on"},
        "option-twice",
        "starts on",
        'A level has "starts" twice',
        "Leave one of them out.",
    ),
    (
        "steady of nothing",
        {"more_hardware": "level a when frnt steady within 3 cm for 4 s clears when bumper"},
        "unknown-name",
        "frnt",
        'There is no sensor "frnt"',
        'Did you mean "front"?',
    ),
    (
        "points unit",
        {"more_hardware": "sensor pull current, pin A1, 0.5 V is 0 A, 2.5 V is 20 V"},
        "wrong-unit",
        "20 V",
        "20 V is a voltage; for what it means it must be a current",
        "Write it in A or mA.",
    ),
    (
        "counter fraction",
        {"more_modes": "counter c 0 .. 2.5"},
        "out-of-limits",
        "2.5",
        "A counter cannot be 2.5",
        "It is a whole number from -30000 to 30000.",
    ),
    (
        "dial without range",
        {"more_hardware": 'dial x "x", starts 3 %'},
        "missing-option",
        'dial x "x", starts 3 %',
        'The dial "x" is not complete',
        "Add:  its range, such as 0 % .. 100 %",
    ),
    (
        "observer sensor on",
        {"extra": "promise never front on"},
        "wrong-kind",
        "front",
        '"front" is a sensor (line 9), but here an output is needed',
        "There are: drive, arm, beacon, pump, horn.",
    ),
    (
        "servo on",
        {"extra": "promise never arm off"},
        "wrong-kind",
        "arm off",
        "A servo cannot be off",
        "Compare its setting, as in arm > 0 deg.",
    ),
    (
        "deadline",
        {"extra": "promise once halt -> parked within 25 ms"},
        "not-whole-ticks",
        "25 ms",
        "25 ms is not a whole number of ticks of 10 ms",
        "Write 20 ms or 30 ms.",
    ),
    (
        "hold in cm",
        {"extra": "expect parked for 3 cm"},
        "wrong-unit",
        "3 cm",
        '3 cm is a length; for the time after "for" it must be a duration',
        "Write it in ms, s, min or h.",
    ),
    (
        "two kinds",
        {"more_hardware": "level a when halt silent clears when bumper"},
        "wrong-kind",
        "halt",
        '"halt" is a command (line 5), but here a link is needed',
        "There are: operator.",
    ),
    (
        "always",
        {"rule": "parked | always | cruise |"},
        "unknown-name",
        "always",
        'There is no command, switch or level "always"',
        "There are: halt, go, beat, bumper, blocked.",
    ),
    (
        "negative counter step",
        {"rule": "parked | go | cruise | turns - room"},
        "wrong-unit",
        "room",
        'The constant "room" is a length; for what a counter changes by it must be a plain number',
        "Use a constant without a unit, or write a number here.",
    ),
]


@pytest.mark.parametrize(
    ("parts", "code", "underlined", "message", "hint"), [case[1:] for case in CASES], ids=[case[0] for case in CASES]
)
def test_one_mistake(parts: dict[str, Any], code: str, underlined: str, message: str, hint: str) -> None:
    text = frame(**parts)
    with pytest.raises(FileErrors) as caught:
        read_text(text, "cart.modes")
    (mistake,) = caught.value.mistakes
    assert (mistake.message, mistake.hint, mistake.code) == (message, hint, code)
    place = mistake.place
    line = text.split("\n")[place.line - 1] if place.line else ""
    assert line[place.column - 1 :][: place.width].rstrip() == underlined.rstrip()


def test_there_are_well_over_forty() -> None:
    shapes = {re.sub(r'"[^"]*"|[0-9.]+', "", case[4]) for case in CASES}
    assert len(shapes) > 120
    assert len({case[2] for case in CASES}) > 50


def test_messages_are_sentences_without_their_full_stop() -> None:
    for name, _, _, _, message, hint in CASES:
        assert message[-1] not in ".!" and len(message) < 120, name
        assert message[0].isupper() or not message[0].isalpha() or message.startswith(("pwm",)), (name, message)
        assert hint, name


def test_the_frame_itself_is_right() -> None:
    assert read_text(frame(), "cart.modes").name == "cart"
    assert read_text(frame(hardware=TWO_LINKS), "cart.modes").commands


def test_how_a_mistake_is_shown() -> None:
    text = frame(rule="parked | frnt < 30 cm | cruise |")
    with pytest.raises(FileErrors) as caught:
        read_text(text, "cart.modes")
    assert caught.value.render() == (
        "cart.modes:35:10\n"
        "  parked | frnt < 30 cm | cruise |\n"
        "           ^^^^\n"
        '  There is no sensor, dial or counter "frnt".\n'
        '  Did you mean "front"?'
    )
    coloured = caught.value.render(color=True)
    assert "\x1b[31;1m^^^^\x1b[0m" in coloured and "\x1b" not in caught.value.render()


def test_carets_stand_right_under_wide_characters_and_far_out() -> None:
    text = frame(more_hardware="mode 家 stop").replace("mode 家 stop", "") + "at 1 s 家家, frnt 3 cm\n"
    with pytest.raises(FileErrors) as caught:
        read_text(text, "cart.modes")
    line, carets = caught.value.render().splitlines()[1:3]
    assert line == "  at 1 s 家家, frnt 3 cm" and carets == "         ^^^^"
    far = frame(rule="parked | " + " or ".join(["go"] * 100) + " or frnt fault | cruise |")
    with pytest.raises(FileErrors) as caught:
        read_text(far, "cart.modes")
    line, carets = caught.value.render().splitlines()[1:3]
    assert len(line) < 150 and line[carets.index("^") :].startswith("frnt fault")


def test_a_great_many_are_counted() -> None:
    text = frame(rule="\n".join(f"parked | no_such_{n} | cruise |" for n in range(300)))
    with pytest.raises(FileErrors) as caught:
        read_text(text, "cart.modes")
    assert len(caught.value.mistakes) == 300
    shown = show(caught.value.mistakes, caught.value.sources, most=10)
    assert shown.count("no_such_") == 20 and shown.endswith("... and 290 more.")


# ------------------------------------------------------------------------------------------------------------ recovery


def found(text: str) -> list[tuple[int, str]]:
    with pytest.raises(FileErrors) as caught:
        read_text(text, "cart.modes")
    return [(mistake.place.line, mistake.code) for mistake in caught.value.mistakes]


def test_every_independent_mistake_is_told_at_once_and_in_order() -> None:
    text = """\
machine cart
board atmega2560
tick 10 ms
link operator serial1, 9600 baud
comand halt "h", urgent
command go "g"
sensor front range, triger 22, echo 23, 2 cm .. 400 cm
motor drive pwm 5, direction 8
lamp beacon pin 13
level blocked when front < 35 cm clears when fornt > 42 cm
mode parked
mode cruise drive 60 V, beacon blink 30 ms
group moving cruise, swing
failsafes
in | when | go to
any | halt or hult | parked
moving | operator silent | cruise
rules
in | when | go to
parked | go and blocked | cruse
cruise | after 5 ms or front < 3 cm | parked
promise once halt -> parkd within 20 ms
trial "x"
at 1 s go, front 3 V
expect cruize within 20 ms
"""
    assert found(text) == [
        (4, "missing-option"),
        (5, "unknown-statement"),
        (7, "syntax"),
        (10, "unknown-name"),
        (11, "first-mode"),
        (12, "wrong-unit"),
        (12, "odd-blink"),
        (13, "unknown-name"),
        (16, "unknown-name"),
        (17, "moving-failsafe"),
        (20, "unknown-name"),
        (21, "not-whole-ticks"),
        (22, "unknown-name"),
        (25, "unknown-name"),
    ]


@pytest.mark.parametrize(
    "broken",
    [
        "sensor front range, trigger",
        'command go "g" "h"',
        "motor drive pwm",
        "counter turns 0 ..",
        "mode parked stop stop",
        "mode cruise drive",
        "group moving cruise swing",
        "link operator",
        "level blocked when",
        "constant room 30 cm",
        'dial pace "v" 20 %',
        "servo arm",
        "switch bumper",
        "lamp beacon",
    ],
)
def test_a_broken_declaration_still_declares_its_name(broken: str) -> None:
    kind, name, *_ = broken.split()
    line = next(line for line in frame().splitlines() if line.startswith(f"{kind} {name} "))
    text = frame(
        rule="parked | go and front < room and turns > 3 | cruise | turns + 1", more_modes="mode way drive pace"
    )
    assert len(found(text.replace(line, broken, 1))) == 1


def test_what_a_misspelt_statement_declares_is_known() -> None:
    assert [code for _, code in found(frame().replace("sensor front", "sensro front"))] == ["unknown-statement"]
    assert [code for _, code in found(frame().replace("mode cruise", "mood cruise"))] == ["unknown-statement"]
    assert [code for _, code in found(frame().replace("rules\n", "rulse\n"))] == ["unknown-statement"]
    assert [code for _, code in found(frame().replace("mode cruise", "xyzzy cruise"))] == ["unknown-statement"]


def test_a_habit_is_told_once_with_its_places() -> None:
    text = frame(rule="parked | !blocked && go && bumper | cruise |\nparked | go && !bumper || blocked | cruise |")
    text = text.replace("cruise | after 2 s | swing | turns + 1", "cruise | after 2 s | swing | turns++")
    text = text.replace("swing | after 1 s | cruise |", "swing | after 1 s | cruise | turns++")
    with pytest.raises(FileErrors) as caught:
        read_text(text, "cart.modes")
    told = {mistake.message: mistake.hint for mistake in caught.value.mistakes}
    assert told == {
        'A condition does not use "!"': "Write not instead.",
        'A condition does not use "&&"': "Write and instead. There are 2 such places: line 35.",
        'A condition does not use "||"': "Write or instead.",
        "A counter is stepped by its name, a sign and a number": "Write turns + 1. There are 2 such places: lines 33, 34.",
    }


def test_many_places_are_counted() -> None:
    rows = "\n".join("parked | go && bumper | cruise |" for _ in range(30))
    with pytest.raises(FileErrors) as caught:
        read_text(frame(rule=rows), "cart.modes")
    (mistake,) = caught.value.mistakes
    assert mistake.hint == (
        "Write and instead. There are 30 such places: lines 35, 36, 37, 38, 39, 40, 41, 42 and more."
    )


@pytest.mark.parametrize(
    ("file", "text", "said"),
    [
        ("hay cart.modes", "lamp a pin 13\n", '"machine hay_cart", "board atmega328p"'),
        ("9.modes", "lamp a pin 22\n", '"machine my_machine", "board atmega2560"'),
        ("x.modes", "link a serial2, 9600 baud, plain # pin 3\n", '"machine x", "board atmega2560"'),
        ("x.modes", "sensor a voltage, pin A8, 0 V .. 5 V\n", '"board atmega2560"'),
        ("x.modes", "lamp a pin 3 # not pin 33\n", '"board atmega328p"'),
    ],
)
def test_a_preamble_is_proposed_that_fits_the_file(file: str, text: str, said: str) -> None:
    with pytest.raises(FileErrors) as caught:
        read_text(text + "mode dark stop\n", file)
    (hint,) = [mistake.hint for mistake in caught.value.mistakes if mistake.code == "preamble"]
    assert said in hint


def test_what_an_expectation_may_ask_is_said_where_nothing_is_meant() -> None:
    with pytest.raises(FileErrors) as caught:
        read_text(frame("at 3 s go\nexpect opens within 1 s\n"), "cart.modes")
    (mistake,) = caught.value.mistakes
    assert mistake.message == 'There is no command, switch, level or mode "opens"'
    assert "a mode (parked, spent, cruise, swing, moving)" in mistake.hint and "an output" in mistake.hint


def test_a_broken_trial_is_no_reason_to_doubt_the_rest_of_it() -> None:
    assert found(frame("every 1 s bate\nat 3 s no more beat\nexpect frnt fault\n")) == [
        (40, "unknown-name"),
        (42, "unknown-name"),
    ]


def test_steps_without_a_trial_are_told_of_once() -> None:
    text = frame(tail="at 1 s go\nexpect frnt fault\nevery 1 s bate\n")
    assert found(text) == [(35, "outside-trial")]
    assert found(text + "promise never frnt fault\nexpect cruise\n") == [
        (35, "outside-trial"),
        (39, "unknown-name"),
        (40, "outside-trial"),
    ]


@pytest.mark.parametrize("tick", ["", "tick 1.5 ms\n", "tick\n", "tick 3 cm\n"])
def test_without_a_tick_nothing_is_said_of_ticks(tick: str) -> None:
    text = frame(preamble=f"machine cart\nboard atmega2560\n{tick}", more_modes="mode odd beacon blink 25.5 ms")
    assert len(found(text)) == 1


def test_an_error_says_all_of_it_by_itself() -> None:
    told = (
        r'^cart\.modes:35:10\n  parked \| goo .*\n +\^\^\^\n  There is no command, .* "goo"\.\n  Did you mean "go"\?$'
    )
    with pytest.raises(FileErrors, match=told):
        read_text(frame(rule="parked | goo | cruise |"), "cart.modes")


@pytest.mark.parametrize(
    ("text", "line", "code", "hint"),
    [
        (frame(rule="cruise | wait 1 s | parked |"), 35, "wait", "Write after 1 s."),
        (frame(rule="cruise | go and wait 300 ms | parked |"), 35, "wait", "Write after 300 ms."),
        (frame().replace("at 1 s go\n", "at 1 s go\nexpect cruise\nwait 2 s\n"), 40, "unknown-statement", "Write:  at 3 s"),
        (frame().replace("front < 35 cm", "front < 12 in"), 19, "unknown-unit", "Write 30.5 cm."),
        (frame().replace("front < 35 cm", "front < 1.5 ft"), 19, "unknown-unit", "Write 45.7 cm."),
        (frame().replace("after 2 s", "after 2 seconds"), 33, "unknown-unit", "Write 2 s."),
        (frame().replace("after 2 s", "after 2 volts"), 33, "unknown-unit", "For the time after"),
        (frame(more_hardware="sensor air temperature, pin A2, 10 kohm at 77 F, beta 3950, against 10 kohm"), 20,
         "unknown-unit", "Write 25 C."),
        ("// my cart\n" + frame(), 1, "comment", "Write:  # my cart"),
        ("/* my cart */\n" + frame(), 1, "comment", "Write:  # my cart"),
        ("; my cart\n" + frame(), 1, "comment", "Write:  # my cart"),
        (frame().replace("tick 10 ms", "tick 10 ms // often"), 3, "comment", "Write:  # often"),
        (frame().replace("plain, silent after 500 ms", "plain, silent after 500 ms; the radio"), 4, "comment", "# the radio"),
        (frame(rule="// cruise | go | parked |"), 35, "comment", "Write:  # cruise"),
        (frame().replace("lamp beacon", "led beacon"), 14, "unknown-statement", "written like this:  lamp "),
        (frame(more_hardware="state idle"), 20, "unknown-statement", "written like this:  mode "),
        (frame().replace("beacon", "phâre"), 14, "bad-name", "Write phare."),
        (frame().replace("beacon", "Straße"), 14, "bad-name", "Write strasse."),
        (frame().replace("beacon", "bigBeacon"), 14, "bad-name", "Write big_beacon."),
        (frame().replace("parked", "my.Parked"), 22, "bad-name", "Names have no dots. Write my_parked. There are 4 such"),
        (frame().replace("parked", "Park-Ed"), 22, "bad-name", "Names have no dashes. Write park_ed. There are 4 such"),
        (frame(behaviour=BEHAVIOUR.replace("rules\nin | when | go to | do", "rules\nin | when | go to").replace("cruise |\n", "cruise\n")),
         33, "no-do-column", "Add it to the heading:  in | when | go to | do"),
    ],
)  # fmt: skip
def test_habits_from_elsewhere_are_answered_once_with_what_is_right(text: str, line: int, code: str, hint: str) -> None:
    assert found(text)[0] == (line, code)
    first = mistakes(text)[0]
    assert hint in first.hint
    if code != "unknown-statement":
        assert len(found(text)) == 1


def test_a_line_in_a_trial_that_says_nothing_does_not_end_it() -> None:
    text = """machine m
board atmega328p
tick 10 ms
command go button, pin 3, on when low
lamp light pin 13
mode dark stop
mode lit light on
rules
in | when | go to
dark | go | lit
lit | go | dark
trial "a visitor"
  at 1 s go
  go
  expect lit
"""
    with pytest.raises(FileErrors) as caught:
        read_text(text)
    assert [(each.place.line, each.hint) for each in caught.value.mistakes] == [
        (14, "In a trial a line begins with at, every or expect:  at 1 s  go")
    ]
