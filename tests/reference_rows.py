"""Reads the published check values in tests/reference: CSV below a header of comment lines."""

from __future__ import annotations

import csv
from pathlib import Path

FOLDER = Path(__file__).parent / "reference"


def reference_rows(name: str) -> list[dict[str, str]]:
    """Rows of a table of reference values."""
    lines = (FOLDER / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))
