"""Reads a table of start times: `recording,start_utc`, the recorder's time of each recording's first sample."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from reconcile.campaign.csv_tables import Column, check_unique, read_table
from reconcile.campaign.faults import Findings, shown
from reconcile.campaign.recording_files import recording_needed

COLUMNS = (
    Column("recording", filled=True, needed=recording_needed),
    Column("start_utc", "time", filled=True),
)


def read_start_times(folder: Path, name: str, file: str, where: str, findings: Findings) -> dict[str, datetime]:
    """Start by recording (its path in the folder of the recordings, or its URL); empty, with a fault, without a table.

    `name` is the table's path in the campaign folder, `file` and `where` say which field names it.
    """
    path = folder / name
    if not path.is_file() or not path.resolve().is_relative_to(folder.resolve()):
        findings.fault(file, where, shown(name), "a CSV file in the campaign folder")
        return {}
    table = read_table(path, COLUMNS, findings, name)
    if table is None:
        return {}
    check_unique(table, {"recording": table.texts["recording"]}, findings)
    return {values["recording"]: values["start_utc"] for _, values in table.records()}
