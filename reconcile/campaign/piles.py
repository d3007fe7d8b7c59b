"""Reads piles.csv."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import get_args

import numpy as np

from reconcile.campaign.csv_tables import Column, Table, check_known, check_unique, read_table
from reconcile.campaign.faults import CellFault, Findings, id_needed
from reconcile.campaign.positions import Place
from reconcile.vocabulary.documents.campaign import FoundationType, InstallationMethod, Pile

FILE = "piles.csv"
_POSITION = ("latitude_deg", "longitude_deg")
ABATEMENT_NOT_KNOWN = "not known"
FOUNDATION_TYPES: tuple[str, ...] = get_args(FoundationType)
INSTALLATION_METHODS: tuple[str, ...] = get_args(InstallationMethod)
COLUMNS = (
    Column("pile_id", filled=True, needed=id_needed),
    Column("foundation_type", filled=True, words=FOUNDATION_TYPES),
    Column("installation_method", filled=True, words=INSTALLATION_METHODS),
    Column("diameter_m", "number", above=0),
    Column("water_depth_m", "number", above=0),
    Column("latitude_deg", "number", at_least=-90, at_most=90),
    Column("longitude_deg", "number", at_least=-180, at_most=180),
    Column("rated_energy_kj", "number", above=0),
    Column("abatement"),
    Column("start_utc", "time", filled=True),
    Column("end_utc", "time", filled=True),
    Column("prediction_id", needed=id_needed),
)


@dataclass(frozen=True, slots=True)
class PileList:
    """The piles without a fault; the ids of all; the places of those whose place is right."""

    piles: tuple[Pile, ...]
    ids: frozenset[str]
    places: tuple[Place, ...]


def read_piles(path: Path, prediction_ids: frozenset[str] | None, findings: Findings) -> PileList | None:
    """Read and check piles.csv; None where it is no such table.

    `prediction_ids` are those of predictions.csv, None where there is no such table.
    """
    table = read_table(path, COLUMNS, findings)
    if table is None:
        return None
    if not table.lines:
        findings.fault(FILE, "", "no rows", "at least one pile")
    check_unique(table, {"pile_id": table.texts["pile_id"]}, findings)
    _check_times(table, findings)
    _check_positions(table, findings)
    if prediction_ids is not None:
        check_known(table, "prediction_id", prediction_ids, "a prediction_id of predictions.csv", findings)
    if not all(table.texts["abatement"]):
        findings.note(f"{FILE}: an empty abatement is taken as a state of its own, {ABATEMENT_NOT_KNOWN!r}")
    piles = tuple(Pile(**{"abatement": ABATEMENT_NOT_KNOWN} | values) for _, values in table.records())
    return PileList(piles, frozenset(table.texts["pile_id"]) - {""}, _places(table))


def _check_times(table: Table, findings: Findings) -> None:
    start, end = table.times["start_utc"], table.times["end_utc"]
    rows = np.flatnonzero(end < start).tolist()
    faults = {row: CellFault(table.lines[row], f"{end[row]}Z", f"not before start_utc, {start[row]}Z") for row in rows}
    table.add_faults("end_utc", faults, findings)


def _check_positions(table: Table, findings: Findings) -> None:
    half = np.isfinite(table.numbers["latitude_deg"]) != np.isfinite(table.numbers["longitude_deg"])
    rows = [row for row in table.good_rows(*_POSITION) if half[row]]  # a wrong cell has been said already
    needed = "both, or neither where ranges.csv gives the distances"
    faults = {row: CellFault(table.lines[row], "only one of the two", needed) for row in rows}
    table.add_faults(" and ".join(_POSITION), faults, findings)


def _places(table: Table) -> tuple[Place, ...]:
    latitude, longitude = (table.numbers[name].tolist() for name in _POSITION)
    return tuple(
        Place(table.texts["pile_id"][row], latitude[row], longitude[row])
        for row in table.good_rows("pile_id", *_POSITION, " and ".join(_POSITION))
    )
