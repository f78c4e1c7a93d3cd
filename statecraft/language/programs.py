"""Mistakes and findings for programs: plain JSON, and SARIF for code-review tools.

The JSON is described by ``findings.schema.json`` beside this file. SARIF is the Static Analysis Results Interchange
Format, version 2.1.0, an OASIS standard (section numbers below are those of its specification).
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import PurePath
from typing import Any, Protocol
from urllib.parse import quote

from statecraft import __version__
from statecraft.language.mistakes import as_sentence
from statecraft.machine import Place

SCHEMA = "findings.schema.json"
_SARIF_SCHEMA = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"


class Reportable(Protocol):
    """What can be told to programs: a mistake, or a finding about a machine."""

    @property
    def place(self) -> Place: ...
    @property
    def message(self) -> str: ...
    @property
    def hint(self) -> str: ...
    @property
    def code(self) -> str: ...
    @property
    def severity(self) -> str: ...


def as_json(items: Iterable[Reportable]) -> str:
    """``items`` as JSON."""
    findings = [
        {
            "code": _code(item),
            "severity": _level(item),
            "message": item.message,
            "hint": item.hint,
            "file": item.place.file,
            "line": item.place.line,
            "column": item.place.column,
            "width": item.place.width,
        }
        for item in items
    ]
    return json.dumps({"format": "statecraft findings", "version": 1, "findings": findings}, indent=2) + "\n"


def as_sarif(items: Iterable[Reportable]) -> str:
    """``items`` as a SARIF 2.1.0 log with one run."""
    listed = list(items)
    codes = list(dict.fromkeys(_code(item) for item in listed))
    driver = {
        "name": "statecraft",
        "version": __version__,
        "rules": [{"id": code, "shortDescription": {"text": code.replace("-", " ").capitalize()}} for code in codes],
    }
    run = {
        "tool": {"driver": driver},
        "columnKind": "unicodeCodePoints",  # section 3.14.17: how columns are counted
        "results": [_result(item, codes.index(_code(item))) for item in listed],
    }
    return json.dumps({"$schema": _SARIF_SCHEMA, "version": "2.1.0", "runs": [run]}, indent=2) + "\n"


def _result(item: Reportable, rule: int) -> dict[str, Any]:
    """One result (section 3.27); a finding about no file has no location."""
    text = as_sentence(item.message) + (f" {item.hint}" if item.hint else "")
    result: dict[str, Any] = {
        "ruleId": _code(item),
        "ruleIndex": rule,
        "level": _level(item),
        "message": {"text": text},
    }
    if item.place.file:
        location: dict[str, Any] = {"artifactLocation": {"uri": _uri(item.place.file)}}
        if item.place.line:
            location["region"] = {
                "startLine": item.place.line,
                "startColumn": item.place.column,
                "endColumn": item.place.column + item.place.width,
            }
        result["locations"] = [{"physicalLocation": location}]
    return result


def _code(item: Reportable) -> str:
    return item.code.replace(" ", "-")


def _level(item: Reportable) -> str:
    """The severity in the words that JSON and SARIF (section 3.27.10) share."""
    return item.severity if item.severity in ("error", "warning") else "note"


def _uri(file: str) -> str:
    path = PurePath(file)
    return path.as_uri() if path.is_absolute() else quote(path.as_posix())
