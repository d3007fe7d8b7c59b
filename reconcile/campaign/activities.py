"""Reads activities.csv: what was done to a pile when, by which method and behind which abatement."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, get_args

import numpy as np

from reconcile.campaign.csv_tables import Column, Table, check_known, check_unique, read_table
from reconcile.campaign.faults import CellFault, Findings, id_needed, plain, shown
from reconcile.campaign.piles import INSTALLATION_METHODS
from reconcile.vocabulary.documents.campaign import Activity, Phase, Pile

FILE = "activities.csv"
PHASES: tuple[str, ...] = get_args(Phase)
COLUMNS = (
    Column("activity_id", filled=True, needed=id_needed),
    Column("pile_id", filled=True, needed=id_needed),
    Column("installation_method", words=INSTALLATION_METHODS),
    Column("phase", words=PHASES),
    Column("abatement"),
    Column("start_utc", "time", filled=True),
    Column("end_utc", "time", filled=True),
)
Record = tuple[int, dict[str, Any]]


def read_activities(path: Path, pile_ids: Iterable[str] | None, findings: Findings) -> tuple[Record, ...]:
    """Read and check activities.csv: line and values of each row that is right. `pile_ids`: None if not known."""
    table = read_table(path, COLUMNS, findings)
    if table is None:
        return ()
    check_unique(table, {"activity_id": table.texts["activity_id"]}, findings)
    if pile_ids is not None:
        check_known(table, "pile_id", pile_ids, "a pile_id of piles.csv", findings)
    _check_order(table, findings)
    _check_overlaps(table, findings)
    return tuple(table.records())


def _check_order(table: Table, findings: Findings) -> None:
    start, end = table.times["start_utc"], table.times["end_utc"]
    rows = np.flatnonzero(end <= start).tolist()
    faults = {row: CellFault(table.lines[row], f"{end[row]}Z", f"after start_utc, {start[row]}Z") for row in rows}
    table.add_faults("end_utc", faults, findings)


def _check_overlaps(table: Table, findings: Findings) -> None:
    """Activities of one pile follow each other: at any time one method and one abatement hold."""
    start, end = table.times["start_utc"], table.times["end_utc"]
    last: dict[str, tuple[np.datetime64, int]] = {}
    faults = {}
    rows = table.good_rows("pile_id", "start_utc", "end_utc")
    for row in sorted(rows, key=lambda row: start[row]):
        pile_id, line = table.texts["pile_id"][row], table.lines[row]
        if pile_id in last and start[row] < last[pile_id][0]:
            found = f"an activity of {shown(pile_id)} that overlaps the one on line {last[pile_id][1]}"
            faults[row] = CellFault(line, found, "activities of a pile that follow each other")
        last[pile_id] = (end[row], line)
    table.add_faults("start_utc", faults, findings)


def resolve_activities(records: Sequence[Record], piles: Sequence[Pile]) -> tuple[Activity, ...]:
    """The activities by pile and in time; what a row leaves empty is the pile's own.

    Abatements that differ only in case are one state, under the first spelling of piles and activities.
    """
    known = {pile.pile_id: pile for pile in piles}
    spelling: dict[str, str] = {}
    for pile in piles:
        spelling.setdefault(pile.abatement.casefold(), pile.abatement)
    found = []
    for line, values in records:
        pile = known[values["pile_id"]]
        own = {"installation_method": pile.installation_method, "abatement": pile.abatement}
        resolved = own | values
        abatement = spelling.setdefault(resolved["abatement"].casefold(), resolved["abatement"])
        found.append(Activity(line=line, **(resolved | {"abatement": abatement})))
    place = {pile.pile_id: i for i, pile in enumerate(piles)}
    return tuple(sorted(found, key=lambda activity: (place[activity.pile_id], activity.start_utc)))


def within_activities(piles: Sequence[Pile], activities: Sequence[Activity], findings: Findings) -> tuple[Pile, ...]:
    """The piles, the times of each extended so that they hold its activities; what is odd about them is noted."""
    extended = []
    for pile in piles:
        own = [activity for activity in activities if activity.pile_id == pile.pile_id]
        if not own:
            extended.append(pile)
            continue
        name = plain(pile.pile_id)
        start = min(pile.start_utc, *(activity.start_utc for activity in own))
        end = max(pile.end_utc, *(activity.end_utc for activity in own))
        extended_times: dict[str, object] = {}
        if (start, end) != (pile.start_utc, pile.end_utc):
            listed = (pile.start_utc, pile.end_utc)
            extended_times = {"start_utc": start, "end_utc": end, "listed_utc": listed}
            findings.note(f"{FILE}: the activities of {name} reach beyond its times in piles.csv, which were extended")
        uncovered_s = (pile.end_utc - pile.start_utc).total_seconds()
        for activity in own:
            overlap = min(pile.end_utc, activity.end_utc) - max(pile.start_utc, activity.start_utc)
            uncovered_s -= max(0.0, overlap.total_seconds())
        if uncovered_s > 60.0:
            findings.note(
                f"{FILE}: {uncovered_s / 60:.0f} min of the time of {name} are in no activity: strikes heard then are "
                "left out of fits and comparisons"
            )
        extended.append(pile.model_copy(update=extended_times))
    return tuple(extended)
