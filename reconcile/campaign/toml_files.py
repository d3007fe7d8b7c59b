"""Reads a TOML file of the input."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from reconcile.campaign.csv_tables import decode, read_bytes
from reconcile.campaign.faults import Findings, plain

_DECIMAL_COMMA = re.compile(r"=\s*[+-]?\d+,\d")


def read_toml(path: Path, name: str, findings: Findings) -> dict[str, Any] | None:
    """What a file states; None with a fault where it cannot be read or is no TOML. `name` is the file's in faults."""
    content = read_bytes(path, findings)
    text = None if content is None else decode(content, name, findings)
    if text is None:
        return None
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # a number of too many digits, or brackets without end
        line = re.search(r"at line (\d+)", str(error))
        found = plain(re.sub(r" \(at .*\)$", "", str(error)))
        there = text.splitlines()[int(line[1]) - 1 :][:1] if line else []
        hint = "numbers are written with a decimal point" if there and _DECIMAL_COMMA.search(there[0]) else ""
        findings.fault(name, f"line {line[1]}" if line else "", found, "TOML, as https://toml.io describes it", hint)
        return None
