"""Mistakes for programs: the JSON keeps to its own schema, and SARIF to the standard's.

``sarif-2.1.0.json`` is the JSON schema of the standard (OASIS SARIF 2.1.0), as the npm package
@microsoft/sarif-multitool-linux
5.7.0 carries it.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

import statecraft.language.programs as programs
from statecraft.language import Mistake
from statecraft.language.programs import as_json, as_sarif
from statecraft.machine import NOWHERE, Place
from tests.language.frame import frame, mistakes

OURS = json.loads(Path(programs.__file__).with_name(programs.SCHEMA).read_text(encoding="utf-8"))
SARIF = json.loads(Path(__file__).with_name("sarif-2.1.0.json").read_text(encoding="utf-8"))
ours = jsonschema.Draft202012Validator(OURS)
sarif = jsonschema.Draft202012Validator(SARIF)


@dataclass(frozen=True)
class Finding:
    """Another thing that can be told."""

    place: Place
    message: str
    hint: str
    code: str
    severity: str


FOUND = [
    *mistakes(frame(rule="parked | frnt < 30 V | cruze |", more_hardware="sensr x")),
    Mistake(Place("/srv/my machines/gate.modes", 0), "This file is larger than 1 MB", code="file"),
    Finding(NOWHERE, "Nothing ever leaves it.", "Add a row.", "no way to stop", "warning"),
    Finding(Place("vent.modes", 3, 5, 4), "It is not used", "", "unused", "info"),
]


def test_the_schemas_are_schemas() -> None:
    jsonschema.Draft202012Validator.check_schema(OURS)
    jsonschema.Draft202012Validator.check_schema(SARIF)
    with pytest.raises(jsonschema.ValidationError):
        sarif.validate({"version": "2.1.0", "runs": [{"tool": {}}]})
    with pytest.raises(jsonschema.ValidationError):
        ours.validate({"format": "statecraft findings", "version": 1, "findings": [{}]})


def test_json() -> None:
    read = json.loads(as_json(FOUND))
    ours.validate(read)
    assert read["findings"][0] == {
        "code": "unknown-statement",
        "severity": "error",
        "message": 'A line cannot begin with "sensr"',
        "hint": "Did you mean sensor?",
        "file": "cart.modes",
        "line": 20,
        "column": 1,
        "width": 5,
    }
    assert [finding["severity"] for finding in read["findings"][-3:]] == ["error", "warning", "note"]
    ours.validate(json.loads(as_json([])))


def test_sarif() -> None:
    read = json.loads(as_sarif(FOUND))
    sarif.validate(read)
    (run,) = read["runs"]
    assert run["tool"]["driver"]["name"] == "statecraft"
    first = run["results"][0]
    assert first["message"]["text"] == 'A line cannot begin with "sensr". Did you mean sensor?'
    assert first["locations"][0]["physicalLocation"] == {
        "artifactLocation": {"uri": "cart.modes"},
        "region": {"startLine": 20, "startColumn": 1, "endColumn": 6},
    }
    whole, nowhere, last = run["results"][-3:]
    assert whole["locations"] == [
        {"physicalLocation": {"artifactLocation": {"uri": "file:///srv/my%20machines/gate.modes"}}}
    ]
    assert "locations" not in nowhere and nowhere["message"]["text"] == "Nothing ever leaves it. Add a row."
    assert (nowhere["ruleId"], last["level"]) == ("no-way-to-stop", "note")
    for result in run["results"]:
        assert run["tool"]["driver"]["rules"][result["ruleIndex"]]["id"] == result["ruleId"]
    sarif.validate(json.loads(as_sarif([])))


words = st.text(min_size=1, max_size=20)


@pytest.mark.slow
@given(
    st.lists(
        st.builds(
            Finding,
            st.builds(Place, st.text(max_size=20).filter(lambda file: "\0" not in file), *[st.integers(1, 10**6)] * 3),
            words,
            st.text(max_size=20),
            st.sampled_from(["unused", "no way to stop", "too-fine"]),
            st.sampled_from(["error", "warning", "note", "info"]),
        ),
        max_size=5,
    )
)
def test_whatever_is_told_keeps_to_the_schemas(found: list[Any]) -> None:
    ours.validate(json.loads(as_json(found)))
    sarif.validate(json.loads(as_sarif(found)))
