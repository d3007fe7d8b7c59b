"""Reads a sensitivity curve: `frequency_hz,sensitivity_db`, in dB re 1 V/µPa."""

from __future__ import annotations

from math import log
from pathlib import Path

import numpy as np

from reconcile.campaign.csv_tables import Column, read_table
from reconcile.campaign.faults import Findings, shown
from reconcile.campaign.recording_files import path_needed

COLUMNS = (
    Column("frequency_hz", "number", filled=True, above=0.0),
    Column("sensitivity_db", "number", filled=True, at_most=0.0),
)
REFERENCE_HZ = 1000.0
Curve = tuple[tuple[float, float], ...]


def read_curve(folder: Path, name: str, file: str, where: str, findings: Findings) -> Curve | None:
    """Read and check a curve below the campaign folder; None with a fault where it cannot be used."""
    if what := path_needed(name):
        findings.fault(file, where, shown(name), what)
        return None
    path = folder / name
    if not path.is_file() or not path.resolve().is_relative_to(folder.resolve()):
        findings.fault(file, where, shown(name), "a CSV file in the campaign folder")
        return None
    table = read_table(path, COLUMNS, findings, name)
    if table is None or any(table.faulty.values()):
        return None
    frequency, sensitivity = table.numbers["frequency_hz"], table.numbers["sensitivity_db"]
    if len(frequency) < 2:
        findings.fault(name, "", f"{len(frequency)} frequencies", "two frequencies or more")
        return None
    for line, rises in zip(table.lines[1:], np.diff(frequency) > 0, strict=True):
        if not rises:
            findings.fault(name, f"line {line}", "a frequency not above the one before", "frequencies in rising order")
            return None
    return tuple((float(f), float(s)) for f, s in zip(frequency, sensitivity, strict=True))


def sensitivity_at(curve: Curve, frequency_hz: float) -> float:
    """Sensitivity in dB at a frequency: linear in dB over log frequency, held at its end values outside the table."""
    at, values = np.array(curve).T
    return float(np.interp(log(frequency_hz), np.log(at), values))
