"""Reads blows.csv, the hammer log."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from reconcile.campaign.csv_tables import Column, check_known, check_unique, read_table
from reconcile.campaign.faults import Findings, id_needed, plain
from reconcile.campaign.times import TimeArray

FILE = "blows.csv"
COLUMNS = (
    Column("pile_id", filled=True, needed=id_needed),
    Column("blow_number", "count", filled=True, at_least=0),
    Column("time_utc", "time", filled=True),
    Column("energy_kj", "number", at_least=0),
    Column("penetration_m", "number"),
)


@dataclass(frozen=True, slots=True)
class HammerLog:
    """The logged blows, one entry each: pile by pile in the order of the file, in time within a pile.

    `pile_id` texts; `blow_number` int32; `time_utc` datetime64[us] by the hammer's clock; `energy_kj` and
    `penetration_m` float64, NaN where not logged.
    """

    pile_id: NDArray[np.str_]
    blow_number: NDArray[np.int32]
    time_utc: TimeArray
    energy_kj: NDArray[np.float64]
    penetration_m: NDArray[np.float64]

    def of_pile(self, pile_id: str) -> HammerLog:
        """The blows of one pile, in time."""
        return self._rows(np.flatnonzero(self.pile_id == pile_id))

    def of_piles(self, pile_ids: Iterable[str]) -> HammerLog:
        """The blows of some piles, in the order of the log."""
        return self._rows(np.flatnonzero(np.isin(self.pile_id, list(pile_ids))))

    def _rows(self, rows: NDArray[np.intp]) -> HammerLog:
        return HammerLog(
            self.pile_id[rows],
            self.blow_number[rows],
            self.time_utc[rows],
            self.energy_kj[rows],
            self.penetration_m[rows],
        )

    def __len__(self) -> int:
        return len(self.pile_id)


def read_blows(path: Path, pile_ids: Iterable[str] | None, findings: Findings) -> HammerLog | None:
    """Read and check blows.csv; None where it is no such table or has a fault. `pile_ids`: None if not known."""
    before = len(findings.faults)
    table = read_table(path, COLUMNS, findings)
    if table is None:
        return None
    numbers = [int(n) if np.isfinite(n) else "" for n in table.numbers["blow_number"]]
    check_unique(table, {"pile_id": table.texts["pile_id"], "blow_number": numbers}, findings)
    if pile_ids is not None:
        check_known(table, "pile_id", pile_ids, "a pile_id of piles.csv", findings)
    if len(findings.faults) > before:
        return None
    log = HammerLog(
        np.array(table.texts["pile_id"], dtype=np.str_),
        table.numbers["blow_number"].astype(np.int32),
        table.times["time_utc"],
        table.numbers["energy_kj"],
        table.numbers["penetration_m"],
    )
    return _in_time(log, findings)


def n_logged(log: HammerLog, pile_ids: Iterable[str]) -> dict[str, int]:
    """Blows in the log by pile, 0 for a pile that has none."""
    names, counts = np.unique(log.pile_id, return_counts=True)
    found = dict(zip(names.tolist(), counts.tolist(), strict=True))
    return {pile_id: found.get(pile_id, 0) for pile_id in pile_ids}


def _in_time(log: HammerLog, findings: Findings) -> HammerLog:
    """The log pile by pile and in time; what was out of order is noted."""
    _, first, pile = np.unique(log.pile_id, return_index=True, return_inverse=True)
    order = np.lexsort((log.time_utc, first[pile]))
    for start in np.sort(first):
        rows = np.flatnonzero(pile == pile[start])
        name = plain(str(log.pile_id[start]))
        if np.any(np.diff(log.time_utc[rows]).astype(np.int64) < 0):
            findings.note(f"{FILE}: the blows of pile {name} are not in order of time; they were sorted")
        in_time = rows[np.argsort(log.time_utc[rows], kind="stable")]
        if np.any(np.diff(log.blow_number[in_time]) < 0):
            findings.note(f"{FILE}: the blow numbers of pile {name} do not rise with time")
    return log._rows(order)
